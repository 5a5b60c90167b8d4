"""A simulated trip with, if asked, one hidden fault: what a monitor and a nurse would have read.

One member drawn with a seed of its own is the truth. Its sensors have offsets, noise and display
steps; its legs last as they happen to last, and are logged when they begin. The fault begins at a
random moment, at a random size. It is the watch's own model that runs here, so figures measured on
rehearsals say how the watch does when the model is right, and are the best it can do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case
from warmhold.simulate import layout as at
from warmhold.watch import faults
from warmhold.watch.named import TITLES as NAMES
from warmhold.watch.outlook import deliverable_l
from warmhold.watch.quantities import FLOW_STEP_LPM, GAUGE, reading
from warmhold.watch.rows import rows_at_loading
from warmhold.watch.watcher import Seen, Watcher

Floats = NDArray[np.float64]
HiddenFault = Literal["hood", "heater", "probe", "cylinder", "battery", "loss", "oxygen"]

HIDDEN: Final[tuple[HiddenFault, ...]] = (
    "hood", "heater", "probe", "cylinder", "battery", "loss", "oxygen",
)  # fmt: skip
TITLES: Final[dict[HiddenFault, str]] = {
    "hood": "a port left ajar",
    "heater": "a weak heater",
    "probe": "a skin probe that came off",
    "cylinder": "a leaking cylinder",
    "battery": "a battery that holds less than its profile",
    "loss": "a baby who loses more heat than planned",
    "oxygen": "a drifting oxygen sensor",
}
MONITOR_S = 60.0  # from the monitor, each minute
HAND_MIN = (10.0, 15.0)  # by hand, at random intervals between these
BAR_S = 180.0  # the bar is looked at this often while on battery
EARLIEST_S, BEFORE_END_S = 600.0, 2700.0  # the fault begins between these, from start and end
PROBE_LAG_S = 180.0  # a probe that comes off takes this long to feel the air


@dataclass(frozen=True)
class Happened:
    """One event, as ``Watcher.happened`` takes it."""

    at_s: float
    what: str
    detail: Mapping[str, object]


@dataclass(frozen=True)
class Truth:
    """What really was, at one moment."""

    at_s: float
    body_c: float
    skin_c: float
    air_c: float
    wall_c: float
    battery_wh: float
    oxygen_percent: float
    cylinders_l: tuple[float, ...]
    on_battery: bool


class Rehearsal:
    """One simulated trip.

    Parameters
    ----------
    case : trip, unit and policy
    seed : of the truth and of all noise
    fault : which hidden fault, ``random`` for any, None for none
    air_set_c : set air temperature; the trip's own or 34 if None [degC]
    monitor_s : skin, air and heater are read this often, in whole minutes [s]
    """

    def __init__(
        self,
        case: Case,
        seed: int,
        fault: HiddenFault | Literal["random"] | None = None,
        *,
        air_set_c: float | None = None,
        monitor_s: float = MONITOR_S,
    ) -> None:
        """Draw the truth; nothing is run yet."""
        self.case = case
        self.monitor_s = monitor_s
        stated = case.trip.start.air_set_c
        self.air_set_c = air_set_c if air_set_c is not None else stated if stated else 34.0
        self._random = np.random.default_rng([seed, 7])
        self._rows = rows_at_loading(case, 1, 1_000_003 + seed, self.air_set_c)
        self.fault: HiddenFault | None = (
            possible(case)[int(self._random.integers(len(possible(case))))]
            if fault == "random"
            else fault
        )
        edges = self._rows.edges_s[0]
        self.ends_s = float(edges[-2] + self._rows.planned_s[0, -1])
        latest = max(self.ends_s - BEFORE_END_S, EARLIEST_S)
        self.begins_s = float(self._random.uniform(EARLIEST_S, latest))
        if self.fault == "battery":
            self.begins_s = 0.0
        self.size = self._size()
        self._openings = self._door_openings()
        self._seen: list[Seen] = []
        self._happened: list[Happened] = []
        self.truths: list[Truth] = []
        self._ran_s = -1.0
        self._hand_s = 60.0 * float(self._random.uniform(2.0, 5.0))
        self._bar_s = 0.0
        self._started = False

    # --- what is asked ---------------------------------------------------------------------

    def observations(self, until_s: float) -> tuple[Seen, ...]:
        """All readings up to a moment, in order."""
        self._run(until_s)
        return tuple(s for s in self._seen if s.at_s <= until_s + 1e-6)

    def happenings(self, until_s: float) -> tuple[Happened, ...]:
        """All logged events up to a moment, in order."""
        self._run(until_s)
        return tuple(h for h in self._happened if h.at_s <= until_s + 1e-6)

    def events(self, until_s: float) -> tuple[Seen | Happened, ...]:
        """Readings and logged events up to a moment, in order."""
        both: list[Seen | Happened] = [*self.happenings(until_s), *self.observations(until_s)]
        return tuple(sorted(both, key=lambda item: item.at_s))

    def reveal(self) -> str:
        """What was hidden, in words."""
        if self.fault is None:
            return "Nothing was hidden in this trip."
        return (
            f"Hidden in this trip: {TITLES[self.fault]}, from minute {self.begins_s / 60:.0f} on."
        )

    # --- the truth -------------------------------------------------------------------------

    def _size(self) -> float:
        draw = self._random.uniform
        if self.fault == "hood":
            return float(draw(0.6, 1.5))
        if self.fault == "heater":
            return float((1.0 - draw(0.45, 0.70)) / faults.HEATER_LOST)
        if self.fault == "probe":
            return float(draw(0.35, 0.8) / faults.PROBE_SHARE)
        if self.fault == "cylinder":
            return float(draw(1.5, 4.0) / faults.GAS_LPM)
        if self.fault == "battery":
            return float((1.0 - draw(0.55, 0.65)) / faults.BATTERY_LOST)
        if self.fault == "loss":
            return float(draw(0.5, 1.0) / faults.LOSS_MORE)
        if self.fault == "oxygen":
            sign = 1.0 if draw() < 0.5 else -1.0
            return float(sign * draw(6.0, 12.0) / faults.DRIFT_POINTS_H)
        return 0.0

    def _door_openings(self) -> list[tuple[float, float, str]]:
        found = []
        for number, leg in enumerate(self.case.trip.legs):
            begin, end = self._rows.edges_s[0, number + 1], self._rows.edges_s[0, number + 2]
            for hole in leg.door_openings:
                at_s = begin + 60.0 * hole.at_min
                if at_s + 60.0 * hole.minutes < end:
                    found.append((at_s, at_s + 60.0 * hole.minutes, hole.size))
        return sorted(found)

    def _column(self) -> str:
        number = max(self._rows.in_use.get("oxygen", 0), 0)
        return {
            "hood": faults.LEAK,
            "heater": faults.HEATER,
            "probe": faults.PROBE_AIR,
            "cylinder": f"{faults.GAS}{number}",
            "battery": faults.BATTERY,
            "loss": faults.LOSS,
            "oxygen": faults.DRIFT,
        }[self.fault or "hood"]

    def _put_fault(self) -> None:
        if self.fault is None or self._rows.now_s < self.begins_s - 1e-6:
            return
        rows = self._rows
        held = rows.extra(self._column())
        size = self.size
        if self.fault == "probe":
            lag = (rows.now_s - self.begins_s) / PROBE_LAG_S
            size *= min(1.0, max(lag, 0.05))
        elif held[0] == 0.0 and self.fault == "heater":
            rows.y[:, at.INTEGRAL] *= 1.0 - faults.HEATER_LOST * size
        elif held[0] == 0.0 and self.fault == "battery":
            rows.y[:, at.CHARGE] *= 1.0 - faults.BATTERY_LOST * size
        held[:] = size

    def _moments(self, to_s: float) -> list[float]:
        """Moments at which something begins or ends, up to one."""
        rows = self._rows
        found = {float(t) for t in rows.edges_s[0, 1:-1]}
        for begin, end, _ in self._openings:
            found |= {begin, end}
        if self.fault is not None:
            found.add(self.begins_s)
        return sorted(t for t in found if rows.now_s + 1e-6 < t < to_s - 1e-6)

    def _run(self, until_s: float) -> None:
        until_s = min(until_s, self.ends_s)
        if not self._started:
            self._started = True
            self._put_fault()
            self._note_truth()
        while self._rows.now_s + MONITOR_S <= until_s + 1e-6:
            tick = self._rows.now_s + MONITOR_S
            tick = MONITOR_S * round(tick / MONITOR_S)
            for moment in self._moments(tick):
                self._rows.advance(moment)
                self._put_fault()
                self._log(moment)
            self._rows.advance(tick)
            self._put_fault()
            self._log(tick)
            self._note_truth()
            self._read(tick)

    def _log(self, moment: float) -> None:
        rows = self._rows
        for stage in range(1, rows.stages):
            edge = float(rows.edges_s[0, stage])
            if edge <= moment + 1e-6 and rows.leg_started < stage - 1:
                if stage == 1:
                    self._happened.append(Happened(edge, "front closed", {}))
                leg = self.case.trip.legs[stage - 1].name
                rows.leg_started = stage - 1
                self._happened.append(Happened(edge, "leg started", {"leg": leg}))
                self._hand_s = min(self._hand_s, moment)
                self._bar_s = moment
        for begin, end, size in self._openings:
            if abs(begin - moment) < 1e-6:
                rows.opened = size
                self._happened.append(Happened(begin, f"{size} opened", {}))
            elif abs(end - moment) < 1e-6:
                rows.opened = ""
                self._happened.append(Happened(end, f"{size} closed", {}))

    def _note_truth(self) -> None:
        rows = self._rows
        place = rows.current_conditions()[0]
        self.truths.append(
            Truth(
                rows.now_s,
                float(rows.body_c()[0]),
                float(rows.y[0, at.SKIN]),
                float(rows.y[0, at.AIR]),
                float(rows.y[0, at.WALL]),
                float(rows.y[0, at.CHARGE]),
                float(rows.oxygen_true_percent()[0]),
                tuple(float(deliverable_l(rows, n)[0]) for n in range(len(rows.cylinders))),
                bool(place[at.ON_EXTERNAL] < 0.5),
            )
        )

    # --- what is read ----------------------------------------------------------------------

    def _read(self, now: float) -> None:
        if round(now) % round(self.monitor_s) == 0:
            for quantity in ("skin_c", "air_c", "heater_percent"):
                self._show(now, quantity)
        if now >= self._hand_s:
            self._hand_s = now + 60.0 * float(self._random.uniform(*HAND_MIN))
            site = self.case.trip.baby.temperature_site
            self._show(now, "rectal_c" if site == "rectal" else "axillary_c")
            if self.case.trip.baby.support != "none":
                self._show(now, "oxygen_percent")
            self._show(now, "hood_humidity_percent")
            if self.case.trip.baby.support == "hood" and self._rows.leg_started >= 0:
                lpm = 60000.0 * float(self._rows.current_conditions()[0, at.HOOD_OXYGEN])
                self._seen.append(Seen(now, "flow_lpm", FLOW_STEP_LPM * round(lpm / FLOW_STEP_LPM)))
            for cylinder in self._rows.cylinders:
                self._show(now, f"{GAUGE}{cylinder.name}")
            self._bar_s = min(self._bar_s, now)
        if now >= self._bar_s:
            self._show(now, "battery_divisions")
            self._bar_s = now + BAR_S if self.truths[-1].on_battery else np.inf

    def _show(self, now: float, quantity: str) -> None:
        kind, found = reading(quantity), self._rows.expected(quantity)
        assert kind is not None
        assert found is not None
        value = float(found[0][0]) + kind.noise * float(self._random.standard_normal())
        value = kind.step * round(value / kind.step)
        self._seen.append(Seen(now, quantity, round(min(max(value, kind.low), kind.high), 6)))


def possible(case: Case) -> tuple[HiddenFault, ...]:
    """Faults that a trip can have and that its readings can show."""
    found: list[HiddenFault] = ["hood", "heater", "probe", "battery", "loss"]
    if any(c.gas == "oxygen" for c in case.trip.supplies.cylinders):
        found.append("cylinder")
    if case.trip.baby.support != "none":
        found.append("oxygen")
    return tuple(found)


def feed(watcher: Watcher, rehearsal: Rehearsal, from_s: float, until_s: float) -> None:
    """Give a watch what a rehearsal has after one moment and up to another.

    Parameters
    ----------
    watcher : begun
    rehearsal : of the same trip
    from_s : later than this [s from the baby going in]
    until_s : up to and including this [s]
    """
    for item in rehearsal.events(until_s):
        if item.at_s <= from_s + 1e-9:
            continue
        if isinstance(item, Seen):
            watcher.observe(item)
        else:
            watcher.happened(item.at_s, item.what, item.detail)
    watcher.advance(until_s)


KEY_OF: Final[dict[HiddenFault, str]] = {
    "hood": "hood-leak",
    "heater": "heater-weak",
    "probe": "probe",
    "cylinder": "cylinder:",
    "battery": "battery-weak",
    "loss": "heat-loss",
    "oxygen": "oxygen-sensor",
}


@dataclass(frozen=True)
class Rehearsed:
    """What a watch named on one rehearsal.

    begins_s, ends_s : of the hidden fault and of what was followed
    delay_min : from the fault to its name, or to its name as the rival of another; None if never
    battery_min : the same, counting only minutes on battery
    false : keys named that were not there, each counted once
    early : right names given before the fault began
    settled : whether the right name stands on the list at the end of the trip
    """

    fault: HiddenFault | None
    begins_s: float
    ends_s: float
    delay_min: float | None
    battery_min: float | None
    false: tuple[str, ...]
    settled: bool
    early: tuple[str, ...]


def rehearse(
    case: Case,
    seed: int,
    fault: HiddenFault | None,
    *,
    air_set_c: float,
    members: int = 300,
    stop_min: float = np.inf,
    monitor_s: float = MONITOR_S,
) -> Rehearsed:
    """Let a watch follow a rehearsal to its end and compare what it named with what was hidden.

    Parameters
    ----------
    case : trip, unit and policy
    seed : of the rehearsal; the watch has its own
    fault : what is hidden
    air_set_c : set air temperature [degC]
    members : of the watch's ensemble
    monitor_s : skin, air and heater are read this often, in whole minutes [s]
    stop_min : minutes after the fault's beginning at which to stop, if the trip lasts longer [min]

    Returns
    -------
    What was named and when.
    """
    rehearsal = Rehearsal(case, seed, fault, air_set_c=air_set_c, monitor_s=monitor_s)
    watcher = Watcher(case, members=members, air_set_c=air_set_c, outlook=False)
    watcher.begin()
    ends_s = min(rehearsal.ends_s, rehearsal.begins_s + 60.0 * stop_min)
    feed(watcher, rehearsal, -1.0, ends_s)
    named = watcher.history()
    key = KEY_OF[fault] if fault is not None else "nothing"
    right = [
        c
        for c in named
        if (c.key.startswith(key) or (fault is not None and c.also == TITLES_OF[fault]))
        and c.since_s >= rehearsal.begins_s
    ]
    listed = [c for c in watcher.conditions() if c.since_s >= rehearsal.begins_s]
    delay = right[0].since_s - rehearsal.begins_s if right else None
    on_battery = [t for t in rehearsal.truths if t.on_battery and t.at_s >= rehearsal.begins_s]
    return Rehearsed(
        fault,
        rehearsal.begins_s,
        ends_s,
        None if delay is None else delay / 60.0,
        None if not right else float(sum(t.at_s <= right[0].since_s for t in on_battery)),
        tuple(dict.fromkeys(c.key for c in named if c not in right)),
        any(c.key.startswith(key) for c in listed),
        tuple(c.key for c in named if c.key.startswith(key) and c.since_s < rehearsal.begins_s),
    )


TITLES_OF: Final[dict[HiddenFault, str]] = {
    "hood": NAMES["hood-leak"],
    "heater": NAMES["heater-weak"],
    "probe": NAMES["probe"],
    "cylinder": "cylinder",
    "battery": NAMES["battery-weak"],
    "loss": NAMES["heat-loss"],
    "oxygen": NAMES["oxygen-sensor"],
}
