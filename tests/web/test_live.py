"""From the inbox to the record: once, whole, with its flags, and only where a person joined it."""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.exchange.inbox import Inbox, Kept
from warmhold.exchange.told import Told
from warmhold.record import Record
from warmhold.record.views import CLOCK_SAYS, trip_view
from warmhold.web.access import User
from warmhold.web.beside import called, disagreements_now
from warmhold.web.handing_over import handover_of
from warmhold.web.live import Join, NotJoined, can_be_named, moment_of_told, set_of
from warmhold.web.seen_sources import sources_of
from warmhold.web.service import Service
from warmhold.web.settings import Settings
from warmhold.web.watching import items_of

ROOT = Path(__file__).parents[2]
FULL = bool(os.environ.get("WARMHOLD_FULL"))
ROUNDS = 30 if FULL else 3
NURSE = User("Ada", "chart", "")
RIG = "rig 1"


class Clock:
    """A clock that a test moves on: of the service, the record and the inbox."""

    boot = "test"
    began = None

    def __init__(self, now: datetime) -> None:
        self.moment = now
        self.count = 0

    def now(self) -> datetime:
        return self.moment

    def mono_ns(self) -> int:
        self.count += 1_000_000
        return self.count

    def on(self, seconds: float) -> datetime:
        self.moment += timedelta(seconds=seconds)
        self.count += max(0, round(seconds * 1e9))
        return self.moment


class Ward:
    """A service without its threads, an inbox, and a clock for both."""

    def __init__(self, folder: Path, trip: str) -> None:
        self.folder, self.trip = folder, trip
        self.clock = Clock(datetime.now(UTC).replace(second=0, microsecond=0) + MINUTE)
        self.inbox = Inbox(folder, warn=lambda _t: None, now=self.clock.now)
        self.open()

    def open(self) -> None:
        self.service = Service(Settings(folder=self.folder, watch_members=20))
        self.service.clock = self.clock
        self.service._record = Record.open(self.folder, clock=self.clock, warn=lambda _t: None)

    def again(self) -> None:
        """As after a kill: nothing is kept but what is on the disk."""
        self.service.live.close()
        self.service._record.close()
        self.open()

    def close(self) -> None:
        self.service.live.close()
        self.service._record.close()
        self.inbox.close()

    def start(self, trip: str | None = None) -> None:
        self.service.write(NURSE, new_id(), trip or self.trip, "trip-started", {})

    def tell(self, *told: Told, source: str = RIG) -> int:
        return self.inbox.take(source, new_id(), os.urandom(8), told).number

    def join(self, source: str = RIG, trip: str | None = None) -> None:
        self.service.live.join(NURSE, new_id(), source, trip or self.trip)

    def sets(self, trip: str | None = None) -> list:
        found = self.service.new_events(0)
        return [
            e for e in found
            if e.kind == "observation" and e.body["set"] == "device"
            and e.trip == (trip or self.trip)
        ]  # fmt: skip


MINUTE = timedelta(minutes=1)
_ids = random.Random(3)


def new_id() -> str:
    return f"test-{_ids.getrandbits(96):x}"


def told(quantity: str, value: float | None, at: datetime | None = None, flag: str = "") -> Told:
    return Told(at, quantity, value, flag=flag)


@pytest.fixture
def ward(planned: tuple[Path, str], tmp_path: Path) -> Iterator[Ward]:
    folder = tmp_path / "record"
    shutil.copytree(planned[0], folder)
    one = Ward(folder, planned[1])
    one.start()
    yield one
    one.close()


# --- one set ------------------------------------------------------------------------------------

NOON = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
JOIN = Join(RIG, "t1", 7, NOON - MINUTE, "Ada (chart)")


def kept(number: int, seconds: float, *values: Told) -> Kept:
    at = NOON + timedelta(seconds=seconds)
    return Kept(number, RIG, f"{number}", at, values, "", "", b"")


def test_a_minute_is_one_set_of_the_latest_values() -> None:
    one = set_of(
        JOIN,
        [
            kept(4, 2, told("skin_c", 36.1), told("pulse_per_min", 140)),
            kept(5, 30, told("skin_c", 36.3)),
            kept(9, 59, told("air_c", None), told("", 5.0), told("skin_c", 36.2)),
        ],
    )
    assert one is not None
    assert one.body == {
        "values": {"skin_c": 36.2, "pulse_per_min": 140}, "set": "device", "source": RIG,
    }  # fmt: skip
    assert one.stated == NOON + timedelta(seconds=59)
    assert one.form_id.startswith("live-7-4-9-")


def test_messages_without_a_value_make_no_set() -> None:
    assert set_of(JOIN, [kept(4, 2, told("skin_c", None))]) is None


@pytest.mark.parametrize(
    ("seconds", "used", "flagged"),
    [(-119, -119, False), (-121, 0, True), (90, 0, False), (7200, 0, True), (0, 0, False)],
)
def test_a_told_time_counts_within_two_minutes_of_the_receipt(
    seconds: float, used: float, flagged: bool
) -> None:
    at, why = moment_of_told(NOON + timedelta(seconds=seconds), NOON)
    assert at == NOON + timedelta(seconds=used)
    assert why.startswith(CLOCK_SAYS) is flagged


def test_flags_of_the_device_and_of_its_clock_are_kept() -> None:
    wrong = NOON - timedelta(hours=1)
    one = set_of(
        JOIN,
        [
            kept(1, 0, told("skin_c", 36.0, wrong), told("air_c", 35.0, flag="test")),
            kept(2, 1, told("pulse_per_min", 140, NOON - timedelta(seconds=100))),
            kept(3, 50, told("oxygen_percent", 40, NOON + timedelta(seconds=50))),
        ],
    )
    assert one is not None
    flags = one.body["flags"]
    assert flags["air_c"] == "test"
    assert "2026-01-14 11:00:00 UTC" in flags["skin_c"]
    assert "over a minute before" in flags["pulse_per_min"]
    assert "oxygen_percent" not in flags


def test_names_that_the_record_cannot_hold_are_not_joined() -> None:
    assert can_be_named("monitor 3")
    for bad in ("", " monitor", "a\nb", "x" * 151, "a  b"):
        assert not can_be_named(bad)


# --- joined, left -------------------------------------------------------------------------------


def test_nothing_goes_to_a_trip_before_a_person_joined_the_source(ward: Ward) -> None:
    ward.tell(told("skin_c", 36.0))
    ward.clock.on(120)
    ward.service.live.pump()
    assert ward.sets() == []
    ward.join()
    ward.tell(told("skin_c", 36.4))
    ward.tell(told("skin_c", 30.0), source="another")
    ward.clock.on(30)
    assert ward.service.live.pump() == 0, "the minute is not over"
    ward.clock.on(40)
    assert ward.service.live.pump() == 1
    (one,) = ward.sets()
    assert one.body == {"values": {"skin_c": 36.4}, "set": "device", "source": RIG}
    assert one.who == "device rig 1"
    joined = next(e for e in ward.service.new_events(0) if e.kind == "source")
    assert (joined.body, joined.who) == ({"source": RIG, "did": "joined"}, "Ada (chart)")


def test_a_source_of_another_running_trip_is_refused_until_it_is_left(
    ward: Ward, planned: tuple[Path, str]
) -> None:
    other = "t-other"
    body = next(e for e in ward.service.new_events(0) if e.kind == "trip-planned").body
    ward.service.write(NURSE, new_id(), other, "trip-planned", body)
    with pytest.raises(NotJoined, match="has not started"):
        ward.join(trip=other)
    ward.start(other)
    ward.join()
    with pytest.raises(NotJoined, match="goes to another trip"):
        ward.join(trip=other)
    with pytest.raises(NotJoined, match="already"):
        ward.join()
    with pytest.raises(NotJoined, match="does not go to this trip"):
        ward.service.live.leave(NURSE, new_id(), RIG, other)
    ward.service.live.leave(NURSE, new_id(), RIG, ward.trip)
    ward.join(trip=other)
    ward.tell(told("skin_c", 36.4))
    ward.clock.on(70)
    assert ward.service.live.pump() == 1
    assert ward.sets() == []
    assert len(ward.sets(other)) == 1


def test_the_same_form_joins_and_leaves_once(ward: Ward) -> None:
    live = ward.service.live
    first = live.join(NURSE, "the-form-of-joining", RIG, ward.trip)
    assert live.join(NURSE, "the-form-of-joining", RIG, ward.trip).seq == first.seq
    left = live.leave(NURSE, "the-form-of-leaving", RIG, ward.trip)
    assert live.leave(NURSE, "the-form-of-leaving", RIG, ward.trip).seq == left.seq
    assert live.joins() == ()


def test_the_handover_leaves_by_itself_and_once(ward: Ward) -> None:
    ward.join()
    ward.tell(told("skin_c", 36.4))
    ward.clock.on(70)
    ward.service.live.pump()
    at = ward.clock.now()
    ward.service.write(
        NURSE,
        new_id(),
        ward.trip,
        "handover",
        {"to": "Dr O", "at": at.isoformat(), "texts": {}},
        at,
    )
    ward.tell(told("skin_c", 31.0))
    ward.clock.on(70)
    ward.service.live.pump()
    ward.service.live.pump()
    ward.again()
    ward.service.live.pump()
    assert ward.service.live.joins() == ()
    left = [e for e in ward.service.new_events(0) if e.body.get("did") == "left"]
    assert [(e.who, e.trip) for e in left] == [("the exchange", ward.trip)]
    assert [e.body["values"] for e in ward.sets()] == [{"skin_c": 36.4}]
    with pytest.raises(NotJoined, match="handed over"):
        ward.join()


def test_the_end_of_a_trip_leaves_by_itself(ward: Ward) -> None:
    ward.join()
    ward.clock.on(12 * 3600 + 60)
    ward.service.live.pump()
    assert ward.service.live.joins() == ()
    with pytest.raises(NotJoined, match="12 hours ago"):
        ward.join()


# --- nothing lost, nothing doubled --------------------------------------------------------------


def test_what_came_while_the_server_was_down_is_written_when_it_is_back(ward: Ward) -> None:
    ward.join()
    for number in range(5):
        ward.tell(told("skin_c", 36.0 + number / 10))
        ward.tell(told("air_c", 35.0 + number / 10))
        ward.clock.on(60)
        if number == 1:
            ward.service.live.pump()
            ward.again()
    ward.clock.on(5)
    ward.service.live.pump()
    ward.again()
    assert ward.service.live.pump() == 0
    assert [e.body["values"]["skin_c"] for e in ward.sets()] == pytest.approx(
        [36.0, 36.1, 36.2, 36.3, 36.4]
    )
    assert [e.body["values"]["air_c"] for e in ward.sets()][-1] == pytest.approx(35.4)


def test_the_last_minute_before_leaving_is_written_too(ward: Ward) -> None:
    ward.join()
    ward.tell(told("skin_c", 36.4))
    ward.clock.on(10)
    ward.service.live.leave(NURSE, new_id(), RIG, ward.trip)
    ward.clock.on(1)
    ward.tell(told("skin_c", 20.0))
    ward.clock.on(5)
    ward.service.live.pump()
    assert [e.body["values"]["skin_c"] for e in ward.sets()] == [36.4]


def test_a_new_inbox_that_counts_from_one_is_noticed(ward: Ward) -> None:
    ward.join()
    for _ in range(4):
        ward.tell(told("skin_c", 36.0))
        ward.clock.on(63)
    ward.service.live.pump()
    assert len(ward.sets()) == 4
    ward.inbox.close()
    (ward.folder / "inbox.sqlite").rename(ward.folder / "inbox-old.sqlite")
    ward.service.live.pump()
    ward.inbox = Inbox(ward.folder, warn=lambda _t: None, now=ward.clock.now)
    for number in range(6):
        ward.tell(told("skin_c", 37.0 + number / 10))
        ward.clock.on(63)
        if number == 2:
            ward.service.live.pump()
            ward.again()
    ward.service.live.pump()
    skins = [e.body["values"]["skin_c"] for e in ward.sets()]
    assert skins == pytest.approx([36.0] * 4 + [37.0, 37.1, 37.2, 37.3, 37.4, 37.5])


def test_a_clock_that_is_set_back_loses_and_doubles_nothing(ward: Ward) -> None:
    ward.join()
    told_values = []
    for number, step in enumerate((61, 61, -55, 61, 61, 61)):
        value = 36.0 + number / 10
        told_values.append(value)
        ward.tell(told("skin_c", value))
        ward.clock.on(step)
        ward.service.live.pump()
    ward.clock.on(120)
    ward.service.live.pump()
    ward.again()
    ward.service.live.pump()
    assert [e.body["values"]["skin_c"] for e in ward.sets()] == pytest.approx(told_values)


def test_what_the_record_does_not_take_is_tried_again(ward: Ward, monkeypatch) -> None:
    ward.join()
    ward.tell(told("skin_c", 36.4))
    ward.clock.on(70)
    write = ward.service.write

    def full(*_given: object) -> None:
        raise OSError("no room")

    monkeypatch.setattr(ward.service, "write", full)
    with pytest.raises(OSError, match="no room"):
        ward.service.live.pump()
    monkeypatch.setattr(ward.service, "write", write)
    assert ward.service.live.pump() == 1
    assert len(ward.sets()) == 1


KILLED = """
import os, signal, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from warmhold.record import Record
from warmhold.web.service import Service
from warmhold.web.settings import Settings
service = Service(Settings(folder=Path(sys.argv[1])))
service._record = Record.open(Path(sys.argv[1]), warn=lambda _t: None)
class Ahead:
    began = None
    def now(self): return datetime.now(UTC) + timedelta(hours=4)
service.clock = Ahead()
left, when, write = int(sys.argv[2]), sys.argv[3], service.write
def dies(*given):
    global left
    left -= 1
    if left == 0 and when == "before":
        os.kill(os.getpid(), signal.SIGKILL)
    receipt = write(*given)
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return receipt
service.write = dies
service.live.pump()
print("done", flush=True)
"""


def test_killed_between_inbox_and_record_nothing_is_lost_or_doubled(ward: Ward) -> None:
    ward.join()
    expected = []
    for number in range(ROUNDS * 6):
        ward.tell(told("skin_c", 35.0 + number / 100), told("pulse_per_min", 120 + number % 7))
        expected.append(35.0 + number / 100)
        ward.clock.on(60)
    ward.service.live.close()
    ward.service._record.close()
    source = random.Random(7)
    written = 0
    for number in range(ROUNDS + 1):
        last = number == ROUNDS
        dies_at, when = (10**6 if last else source.randrange(1, 6)), ("before", "after")[number % 2]
        found = subprocess.run(
            [sys.executable, "-c", KILLED, str(ward.folder), str(dies_at), when],
            check=False, capture_output=True, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
        )  # fmt: skip
        assert found.returncode == (0 if last else -9), found.stderr
        written += dies_at - (when == "before")
        with Record.open(ward.folder, warn=lambda _t: None) as record:
            count = sum(e.kind == "observation" for e in record.events(ward.trip))
        assert count == (len(expected) if last else written)
    ward.open()
    sets = ward.sets()
    assert [e.body["values"]["skin_c"] for e in sets] == pytest.approx(expected)
    assert len({e.form_id for e in sets}) == len(sets)
    assert ward.service.record.verify().whole
    print(f"{ROUNDS} rounds, {len(expected)} sets expected, {len(sets)} in the record")


def test_what_was_never_understood_goes_to_no_baby(ward: Ward) -> None:
    ward.inbox.take("not understood, from 10.1.2.3", "", b"rubbish", [], refused="no message")
    with pytest.raises(NotJoined, match="understood"):
        ward.join("not understood, from 10.1.2.3")
    ward.tell(told("skin_c", 36.4), source="not understood, from 10.1.2.3")
    ward.join("not understood, from 10.1.2.3")


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["rig 2"], ["rig 2"]),
        (["BEDSIDE 2, T 1 2, 00122, patient mark bf9c", "rig 2"], ["BEDSIDE 2", "rig 2"]),
        (["BEDSIDE 2, T 1 2", "BEDSIDE 2, T 1 3"], ["BEDSIDE 2, T 1 2", "BEDSIDE 2, T 1 3"]),
        (["B 2, T 1, x", "B 2, T 1, y", "B 3, T 1"], ["B 2, T 1, x", "B 2, T 1, y", "B 3"]),
        (["B 2", "B 2, patient mark bf9c"], ["B 2", "B 2, patient mark bf9c"]),
    ],
)  # fmt: skip
def test_a_short_name_tells_a_source_from_the_others(names: list[str], short: list[str]) -> None:
    found = called(names)
    assert [found[name] for name in names] == short
    assert len(set(found.values())) == len(names)


def test_the_handover_says_beside_a_devices_value_what_was_read_by_hand_against_it(
    ward: Ward,
) -> None:
    for source in (RIG, "BEDSIDE 2, T 1 2, patient mark bf9c"):
        ward.join(source)
        ward.tell(told("skin_c", 36.4), source=source)
    body = {"set": "extra", "values": {"skin_c": 37.6}}
    ward.service.write(NURSE, new_id(), ward.trip, "observation", body)
    ward.clock.on(63)
    ward.tell(told("skin_c", 36.5), source="BEDSIDE 2, T 1 2, patient mark bf9c")
    ward.clock.on(63)
    ward.service.live.pump()
    trip = ward.service.trip(ward.trip)
    said = [one.says for one in disagreements_now(trip)]
    assert [re.search(r"told by (.*?)\.", one)[1] for one in said] == [RIG, "BEDSIDE 2"]
    (reading,) = handover_of(trip, None, (1, "0" * 64), "Ada").latest
    assert reading.source == "BEDSIDE 2"
    assert reading.apart.count("read by hand") == 1


def test_a_source_that_was_heard_long_ago_is_old_unless_it_is_joined(ward: Ward) -> None:
    for source in (RIG, "rig 2"):
        ward.tell(told("skin_c", 36.4), source=source)
    ward.join()
    later = ward.clock.now() + timedelta(hours=12, minutes=1)
    found = sources_of(ward.inbox, ward.service.live.joins(), later)
    assert {one.name: one.old for one in found} == {RIG: False, "rig 2": True}
    assert not any(one.old for one in sources_of(ward.inbox, (), ward.clock.now()))


# --- what it does to the views ------------------------------------------------------------------


def test_a_device_makes_no_regular_set_and_its_own_doubts_count_for_nothing(ward: Ward) -> None:
    ward.join()
    for number in range(40):
        flag = "demonstration" if number == 39 else ""
        value = 12.0 if flag else 36.0
        ward.tell(told("axillary_c", value, flag=flag))
        ward.clock.on(60)
    ward.clock.on(60)
    ward.service.live.pump()
    view = trip_view(ward.service.new_events(0), until=ward.clock.now())
    assert view.missed_sets >= 2, "gaps remain gaps"
    assert view.latest["axillary_c"].value == 36.0
    course = view.courses["axillary_c"]
    assert course.lowest is not None
    assert course.lowest.value == 36.0
    assert course.lowest.source == RIG


def test_time_in_target_ends_soon_after_a_device_falls_silent(ward: Ward) -> None:
    ward.join()
    ward.tell(told("axillary_c", 36.8))
    ward.clock.on(63)
    ward.service.live.pump()
    ward.clock.on(3600)
    view = trip_view(ward.service.new_events(0), until=ward.clock.now())
    share = view.courses["axillary_c"].in_target
    assert share is not None
    assert share.known_min == pytest.approx(5.0, abs=0.01)


def test_the_watch_is_given_one_reading_in_a_while_and_none_that_is_doubted(
    ward: Ward,
) -> None:
    ward.join()
    for minute in range(31):
        ward.tell(
            told("skin_c", 36.0 + minute / 100),
            told("pulse_per_min", 140.0),
            told("breaths_per_min", 50.0),
            told("air_set_c", 35.5 if minute < 20 else 36.0),
            told("oxygen_percent", 40.0, flag="demonstration"),
            told("air_c", 35.0, ward.clock.now() - timedelta(hours=1)),
        )
        ward.clock.on(60)
    ward.clock.on(60)
    ward.service.live.pump()
    view = trip_view(ward.service.new_events(0), until=ward.clock.now())
    items = [item for item in items_of(view) if item.source]
    count = {name: sum(i.quantity == name for i in items) for name in {i.quantity for i in items}}
    assert set(count) == {"skin_c", "pulse_per_min", "air_set_c", "air_c"}
    assert 15 <= count["skin_c"] == count["air_c"] <= 17  # one in two minutes
    assert count["pulse_per_min"] == 31
    assert count["air_set_c"] == 2
    assert all(item.source == RIG for item in items)
