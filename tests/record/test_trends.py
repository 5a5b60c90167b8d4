"""Trends and alarm limits of a trip, out of its entries."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from warmhold.model import load_case, shipped_path
from warmhold.plan import plan_case
from warmhold.plan.checklist import checklist
from warmhold.record import Entry, Record
from warmhold.record.transfers import transfer, transfers, trends
from warmhold.record.trends import limits_of, recorded
from warmhold.record.views import corrected, trip_view
from warmhold.review.alarms import LIMITS, Limits
from warmhold.review.transfer import LimitReplay

T0 = datetime(2026, 1, 14, 3, 0, tzinfo=UTC)
START = -math.inf
LOW, HIGH = "Oxygen saturation, low", "Oxygen saturation, high"


def sheet(**limits: Any) -> dict[str, Any]:
    rows = [
        {"title": LOW, "wanted": 88.0, "set_to": 89.0, "state": "moved to the safe side"},
        {"title": HIGH, "wanted": 96.0, "set_to": None, "state": "not used"},
    ]
    return {"sheet": {"alarms": [row | limits.get(row["title"][-4:].strip(), {}) for row in rows]}}


class Trip:
    def __init__(self, folder: Path) -> None:
        self.record = Record.open(folder)
        self.count = 0

    def write(self, kind: str, body: dict[str, Any], minute: float) -> int:
        self.count += 1
        at = T0 + timedelta(minutes=minute)
        return self.record.append(Entry(f"form-{self.count}", "t", kind, body, "Ann", at)).seq

    def planned(self, minute: float, plan: dict[str, Any]) -> None:
        texts = dict.fromkeys(("trip_toml", "unit_toml", "policy_toml"), "x")
        self.write("trip-planned", {**texts, "sheet": plan}, minute)

    def begun(self) -> Trip:
        self.planned(-60, sheet())
        self.write("trip-started", {}, 0)
        return self

    def saw(self, minute: float, value: float, name: str = "pre", **more: Any) -> None:
        values = {f"saturation_{name}_percent": value}
        self.write("observation", {"values": values, "set": "extra", **more}, minute)

    def set_to(self, minute: float, to: Any, before: Any = None, title: str = LOW) -> int:
        return self.write("limits", {"limit": title, "from": before, "to": to}, minute)

    def told(self, minute: float, values: list[float | None], source: str = "monitor 3") -> int:
        start = (T0 + timedelta(minutes=minute)).isoformat()
        seconds = [60.0 * k for k in range(len(values))]
        numbers = {"saturation_pre_percent": values}
        body = {"source": source, "start": start, "seconds": seconds, "numbers": numbers}
        return self.write("trend", body, 90)

    def over(self, minute: float) -> None:
        at = (T0 + timedelta(minutes=minute)).isoformat()
        self.write("handover", {"to": "Dr Lund", "at": at, "texts": {}}, minute)

    def limits(self, title: str = LOW) -> Limits:
        return limits_of(trip_view(self.record.events()), title, LIMITS[title][1])

    def alarms(self) -> dict[str, LimitReplay]:
        (one,) = transfers(self.record.events())
        return dict(one.alarms)


@pytest.fixture
def trip(tmp_path: Path):
    one = Trip(tmp_path / "record")
    yield one
    one.record.close()


# --- limits ------------------------------------------------------------------------------------


def test_where_nobody_wrote_the_plan_stands_for_it(trip: Trip) -> None:
    assert trip.begun().limits() == Limits(((START, 89.0),), ((START, 88.0),), written=False)


def test_what_a_plan_does_not_use_is_off_and_not_asked_for(trip: Trip) -> None:
    off = ((START, math.inf),)
    assert trip.begun().limits(HIGH) == Limits(off, off, written=False)


def test_what_was_read_before_leaving_and_every_change_on_the_road(trip: Trip) -> None:
    trip.begun()
    key = "limit:oxygen-saturation-low"
    trip.write("check", {"item": key, "done": True, "value": 86, "judged": "care"}, -10)
    trip.set_to(20, 85, 86)
    trip.set_to(40, "off", 85)
    trip.set_to(50, 88, "off")
    assert trip.limits().as_set == (
        (START, 89.0), (-600.0, 86.0), (1200.0, 85.0), (2400.0, -math.inf), (3000.0, 88.0),
    )  # fmt: skip
    assert trip.limits().written


def test_a_change_says_what_stood_before_it(trip: Trip) -> None:
    trip.begun().set_to(20, 85, 90)
    assert trip.limits().as_set == ((START, 90.0), (1200.0, 85.0))


def test_a_corrected_change_counts_as_corrected_and_a_struck_one_not(trip: Trip) -> None:
    trip.begun()
    wrong, gone = trip.set_to(20, 58), trip.set_to(30, 80)
    body = {"limit": LOW, "from": None, "to": 85}
    trip.write("correction", {"corrects": wrong, "body": body}, 20)
    trip.write("correction", {"corrects": gone, "body": None}, 32)
    assert trip.limits().as_set == ((START, 89.0), (1200.0, 85.0))


def test_a_plan_made_on_the_road_asks_from_then_on(trip: Trip) -> None:
    trip.begun().planned(30, sheet(low={"wanted": 90.0, "set_to": 90.0}))
    found = trip.limits()
    assert found.policy == ((START, 88.0), (1800.0, 90.0))
    assert found.as_set == ((START, 89.0), (1800.0, 90.0))


@pytest.mark.parametrize("plan", [{}, {"sheet": {"alarms": [3]}}, {"sheet": 4}, {"alarms": None}])
def test_a_sheet_that_says_nothing_leaves_the_limit_unknown(trip: Trip, plan: dict) -> None:
    trip.planned(-60, plan)
    trip.write("trip-started", {}, 0)
    for minute, value in ((1, 80), (2, 80)):
        trip.saw(minute, value)
    assert set(trip.alarms()[LOW].why.values()) == {"limit not known"}


def test_keys_of_the_list_before_leaving_are_those_that_are_looked_for(trip: Trip) -> None:
    case = load_case(shipped_path("trips", "winter-road"))
    made = plan_case(case, members=60)
    keys = {item.key for item in checklist(case, made) if item.key.startswith("limit:")}
    trip.begun()
    for key in keys:
        trip.write("check", {"item": key, "done": True, "value": 91, "judged": "good"}, -10)
    assert len(keys) == len(LIMITS)
    assert all(trip.limits(title).written for title in LIMITS)


# --- trends ------------------------------------------------------------------------------------


def test_an_imported_trend_is_read_and_replayed(trip: Trip) -> None:
    """Rows a minute below 89 for 3 min as planned, 2 of them below the 88 that policy asks for."""
    trip.begun().told(10, [92, 88, 87, 87, 92, None, 93])
    (found,) = trends(trip.record.events(), "saturation")
    assert found.seconds.tolist() == [600.0 + 60.0 * k for k in range(7)]
    assert found.value[:5].tolist() == [92, 88, 87, 87, 92]
    assert math.isnan(found.value[5])
    low = trip.alarms()[LOW]
    assert (low.ways["as set"].alarms, low.ways["as set"].seconds) == (1, 180.0)
    assert (low.ways["policy"].alarms, low.ways["policy"].beyond_s) == (1, 120.0)
    assert not low.written
    assert trip.alarms()["Pulse, low"].why["as set"] == "no trend"


def test_sources_and_sites_are_not_mixed_and_the_one_that_read_most_counts(trip: Trip) -> None:
    trip.begun()
    for minute in (1, 16, 31):
        trip.saw(minute, 93)
    trip.saw(17, 99, name="post")
    assert trends(trip.record.events(), "saturation")[0].value.tolist() == [93, 93, 93]
    for minute in range(5):
        trip.saw(minute, 91, source="monitor 3")
    assert trends(trip.record.events(), "saturation")[0].value.tolist() == [91] * 5
    trip.told(5, [90.0] * 3)
    trip.told(20, [90.0] * 4)
    gone = trip.told(60, [80.0] * 30, source="monitor 9")
    trip.write("correction", {"corrects": gone, "body": None}, 95)
    assert trends(trip.record.events(), "saturation")[0].value.tolist() == [90] * 7


def test_only_what_lies_between_start_and_handover_counts(trip: Trip) -> None:
    trip.begun().told(-5, [80.0] * 5 + [93.0] * 31 + [80.0] * 20)
    trip.over(30)
    (found,) = trends(trip.record.events(), "saturation")
    assert (found.seconds[0], found.seconds[-1]) == (0.0, 1800.0)
    assert set(found.value.tolist()) == {93.0}


def test_one_trip_alone_is_replayed_when_it_is_asked_for(trip: Trip) -> None:
    trip.begun().told(10, [92, 88, 87])
    alone = transfer(trip.record.events())
    assert alone is not None
    assert alone.alarms == {}
    assert transfers(trip.record.events(), alarms=False) == (alone,)
    replayed = transfer(trip.record.events(), alarms=True)
    assert replayed is not None
    assert replayed.alarms == trip.alarms()
    view = trip_view(trip.record.events())
    assert set(recorded(view, corrected(trip.record.events())).trends) == {"saturation"}
