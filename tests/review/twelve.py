"""Twelve invented transfers, small enough to count by hand; the counts stand in test_metrics.py.

Minutes after the referral call of each moment; "-" was not written down.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from warmhold.review.transfer import EquipmentEvent, Forecast, Share, Temperature, Transfer

CALL = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)

#   key urgency        cooled weeks departs arrives leaves hospital bed over again  temperatures
ROWS = """
01  time-critical  no     27.0  40      100     190    240      245 260  330    36.2 36.6 36.8
02  time-critical  no     31.0  75      140     260    330      340 365  -      36.8 36.4 36.1
03  time-critical  no     39.0  60      120     200    255      260 280  350    37.0 37.2 37.6
04  urgent         no     40.0  55      115     230    290      300 315  400    36.5 36.5 36.5
05  urgent         no     25.0  80      150     300    360      370 400  460    35.4 35.8 35.9
06  urgent         no     38.0  -       130     220    -        -   290  380    36.9 - -
07  planned        no     36.0  120     200     260    310      315 330  390    - - -
08  planned        -      34.0  100     170     240    300      310 340  420    36.7 36.8 36.9
09  urgent         yes    39.0  50      110     240    300      310 330  410    34.2 33.6 33.5
10  time-critical  yes    38.0  90      160     300    380      390 420  500    35.0 34.6 34.3
11  -              no     -     70      130     210    270      280 300  360    36.4 36.7 37.0
12  planned        no     33.0  110     180     250    300      310 325  -      37.8 37.7 37.4
"""

#  key  saturation in below above unread    sets due done  checks due done  events
MORE = """
01  100 20 40 0      10 9    30 30    none
02  150 10 60 5      15 12   30 28    gas,power
03  100 0 60 0       10 10   30 27    none
04  -                12 12   30 30    heat
05  120 90 30 10     16 10   30 25    none
06  90 10 50 10      10 8    - -      -
07  80 0 50 0        8 8     30 30    none
08  100 30 30 10     11 -    30 29    monitor
09  150 10 60 0      14 13   30 30    none
10  160 40 60 0      17 17   30 24    none
11  -                11 9    30 30    gas
12  90 20 35 0       9 9     30 30    none
"""

# planned battery minutes left: 5 %, middle, 95 %, and what came
BATTERY = {
    "01": (20, 30, 40, 31), "02": (20, 30, 40, 12), "03": (20, 30, 40, 25), "04": (20, 30, 40, 45),
    "05": (20, 30, 40, None), "06": (20, 30, 40, 20), "07": (20, 30, 40, 40),
}  # fmt: skip


def _minutes(text: str) -> float | None:
    return None if text == "-" else float(text)


def twelve() -> list[Transfer]:
    out = []
    more = {line.split()[0]: line.split()[1:] for line in MORE.strip().splitlines()}
    names = ("departs", "arrives", "leaves", "at_hospital", "at_bed", "handed_over", "ready_again")
    for line in ROWS.strip().splitlines():
        key, urgency, cooled, weeks, *rest = line.split()
        moments = {"call": CALL}
        for name, text in zip(names, rest[:7], strict=True):
            at = _minutes(text)
            if at is not None:
                moments[name] = CALL + timedelta(minutes=at)
        site = "rectal" if cooled == "yes" else "axillary"
        arrives = moments["arrives"]
        temperatures = tuple(
            Temperature(arrives + timedelta(minutes=5 + 40 * number), float(text), site)
            for number, text in enumerate(rest[7:])
            if text != "-"
        )
        fields = more[key]
        if fields[0] == "-":
            saturation, fields = None, fields[1:]
        else:
            inside, below, above, unread = (float(text) for text in fields[:4])
            saturation, fields = Share(inside, below, above, unread), fields[4:]
        sets_due, sets_done, checks_due, checks_done = (_minutes(text) for text in fields[:4])
        events = (
            None
            if fields[4] == "-"
            else tuple(
                EquipmentEvent(None, kind, kind)  # type: ignore[arg-type]
                for kind in fields[4].split(",")
                if kind != "none"
            )
        )
        forecasts = ()
        if key in BATTERY:
            forecasts = (Forecast("battery_min_left", *BATTERY[key]),)
        out.append(
            Transfer(
                key=key, unit="fern" if int(key) % 2 else "rowan", team="Northmoor",
                moments=moments, gestation_weeks=_minutes(weeks),
                urgency=None if urgency == "-" else urgency,  # type: ignore[arg-type]
                cooled=None if cooled == "-" else cooled == "yes", temperatures=temperatures,
                saturation=saturation, sets_due=_whole(sets_due), sets_done=_whole(sets_done),
                checks_due=_whole(checks_due), checks_done=_whole(checks_done), events=events,
                forecasts=forecasts,
            )
        )  # fmt: skip
    return out


def _whole(value: float | None) -> int | None:
    return None if value is None else int(value)
