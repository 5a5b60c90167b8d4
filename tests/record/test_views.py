"""A trip rebuilt from its entries. Expected minutes are worked out by hand beside each case."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from record.sample import NURSE, START, SetClock, observation, plan
from warmhold.record import Entry, Event, Record
from warmhold.record.views import Reading, planned_targets, share_in_target, trip_view


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


class Trip:
    """Collects events without a disk."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def add(self, kind: str, body: dict, minutes: float | None = None) -> int:
        seq = len(self.events) + 1
        stated = None if minutes is None else at(minutes)
        self.events.append(
            Event(seq, f"f{seq}", "T1", kind, at(seq / 60), 0, "b", stated, NURSE, body, "h")
        )
        return seq

    def set(self, minutes: float, kind: str = "regular", **values) -> int:
        return self.add("observation", {"values": values, "set": kind}, minutes)

    def view(self, **options):
        return trip_view(self.events, **options)


@pytest.fixture
def trip() -> Trip:
    started = Trip()
    started.add("trip-started", {}, 0)
    return started


# --- the whole of it ----------------------------------------------------------------------------


def test_nothing_yet() -> None:
    view = trip_view([])
    assert (view.trip, view.last_seq, view.planned, view.start, view.end) == (
        "",
        0,
        None,
        None,
        None,
    )
    assert (view.gaps, view.latest, view.courses, view.temperature) == ((), {}, {}, None)


def test_a_view_is_rebuilt_from_a_real_record(tmp_path) -> None:
    with Record.open(tmp_path, clock=SetClock(), warn=lambda _: None) as record:
        record.append(plan("T1"))
        record.append(Entry("s", "T1", "trip-started", {}, NURSE, START))
        for number in range(0, 60, 15):
            record.append(observation(number))
        record.append(observation(0, "T2"))
        body = {"corrects": 3, "body": {"values": {"skin_c": 36.6}, "set": "regular"}}
        record.append(Entry("c", "T1", "correction", body, NURSE))
        view = trip_view(record.events("T1"))
    assert view.trip == "T1"
    assert view.planned["unit_toml"] == "name = 'invented'"
    assert [shown.seq for shown in view.observations] == [3, 4, 5, 6]
    assert view.observations[0].body["values"] == {"skin_c": 36.6}
    assert view.observations[0].event.body["values"] == {"skin_c": 36.0}
    assert view.gaps == ()


def test_plan_start_and_handover(trip) -> None:
    for number in (1, 2):
        trip.add("trip-planned", {"trip_toml": f"n = {number}", "policy_toml": ""})
    done = {"to": "Dr Lund", "at": "2026-01-14T04:05:00Z", "texts": {}}
    trip.add("handover", done)
    view = trip.view(until=at(500))
    assert view.planned["trip_toml"] == "n = 2"
    assert len(view.plans) == 2
    assert (view.start, view.end) == (at(0), at(60))
    assert view.handover.body == done
    assert view.next_set_due is None


def test_the_last_state_of_each_item_and_what_was_skipped(trip) -> None:
    def check(item, done, **more):
        trip.add("check", {"item": item, "done": done, "value": None, "judged": "good", **more})

    check("gauges", False, reason="in a hurry")
    check("harness", True)
    check("sensor", False, reason="no gas")
    check("gauges", True)
    view = trip.view()
    assert list(view.checks) == ["gauges", "harness", "sensor"]
    assert view.checks["gauges"].body["done"]
    assert view.skipped == {"sensor": "no gas"}


def test_limits_keep_every_change_and_the_last(trip) -> None:
    trip.add("limits", {"limit": "saturation-low", "from": None, "to": 88})
    trip.add("limits", {"limit": "saturation-low", "from": 88, "to": 90})
    view = trip.view()
    assert len(view.limits) == 2
    assert view.limits_now["saturation-low"].body["to"] == 90


def test_jumps_access_and_losses_stay_visible(trip) -> None:
    jump = {"seconds": 5, "before": "2026-01-14T03:05:00Z", "after": "2026-01-14T03:05:05Z"}
    trip.add("clock-jump", jump)
    trip.add("access", {"did": "came in", "from": "::1"})
    trip.add("lost", {})
    trip.add("recovered", {"lost": [], "faults": [], "kept_as": "x", "events": 3})
    view = trip.view()
    assert [event.seq for event in view.clock_jumps] == [2]
    assert [event.seq for event in view.access] == [3]
    assert [event.kind for event in view.lost] == ["lost", "recovered"]
    assert view.end == at(0)  # the empty times of a lost entry count for nothing


# --- corrections --------------------------------------------------------------------------------


def test_a_correction_counts_and_the_original_stays(trip) -> None:
    seq = trip.set(10, axillary_c=63.5, pulse_per_min=140)
    new = {"values": {"axillary_c": 36.5, "pulse_per_min": 140}, "set": "regular"}
    trip.add("correction", {"corrects": seq, "body": new})
    view = trip.view()
    (shown,) = view.observations
    assert shown.corrected
    assert not shown.struck
    assert (shown.event.body["values"]["axillary_c"], shown.body) == (63.5, new)
    reading = view.latest["axillary_c"]
    assert (reading.value, reading.original, reading.corrected) == (36.5, 63.5, True)
    assert not view.latest["pulse_per_min"].corrected
    assert view.temperature.highest.value == 36.5


def test_the_last_correction_wins_and_may_move_the_time(trip) -> None:
    seq = trip.set(10, skin_c=30.0)
    for value, minutes in ((31.0, None), (36.0, 12)):
        new = {"values": {"skin_c": value}, "set": "extra"}
        trip.add("correction", {"corrects": seq, "body": new}, minutes)
    (shown,) = trip.view().observations
    assert (shown.body["values"]["skin_c"], shown.when) == (36.0, at(12))
    assert len(shown.corrections) == 2


def test_the_start_can_be_corrected(trip) -> None:
    trip.add("correction", {"corrects": 1, "body": {}}, -7)
    assert trip.view().start == at(-7)


def test_what_was_struck_out_counts_for_nothing_and_stays_visible(trip) -> None:
    trip.set(5, skin_c=36.0)
    seq = trip.set(10, skin_c=50.0)
    trip.add("correction", {"corrects": seq, "body": None})
    view = trip.view()
    assert [shown.struck for shown in view.observations] == [False, True]
    assert view.observations[1].body["values"] == {"skin_c": 50.0}
    assert view.latest["skin_c"].value == 36.0
    assert view.end == at(5)


def test_a_correction_of_an_entry_that_is_not_here_is_passed_over(trip) -> None:
    trip.add("correction", {"corrects": 77, "body": {}})
    assert trip.view().observations == ()


# --- first, lowest, highest, last -----------------------------------------------------------------


def test_the_course_counts_from_start_to_handover_by_stated_time(trip) -> None:
    trip.set(-20, axillary_c=35.0)  # before the baby went in
    trip.set(30, axillary_c=36.4)
    trip.set(10, axillary_c=36.9)  # entered later, seen earlier
    trip.set(20, axillary_c=36.4)
    trip.set(70, axillary_c=38.0)  # after the handover
    trip.add("handover", {"to": "x", "at": "2026-01-14T04:05:00Z", "texts": {}})
    course = trip.view().courses["axillary_c"]
    assert len(course.readings) == 5
    found = [(r.value, r.when) for r in (course.first, course.lowest, course.highest, course.last)]
    assert found == [(36.9, at(10)), (36.4, at(20)), (36.9, at(10)), (36.4, at(30))]


def test_sites_are_never_mixed_and_the_most_read_one_speaks(trip) -> None:
    trip.set(1, skin_c=35.8, rectal_c=36.8, saturation_post_percent=93)
    trip.set(2, skin_c=35.9, saturation_pre_percent=95)
    view = trip.view()
    assert view.temperature.quantity == "skin_c"
    assert view.saturation.quantity == "saturation_pre_percent"
    trip.set(3, rectal_c=36.8)
    assert trip.view().temperature.quantity == "rectal_c"


def test_words_are_shown_last_and_have_no_course(trip) -> None:
    trip.set(1, power_source="battery")
    trip.set(2, power_source="mains")
    view = trip.view()
    assert view.latest["power_source"].value == "mains"
    assert "power_source" not in view.courses


def test_flags_stay_with_the_reading(trip) -> None:
    body = {"values": {"skin_c": 30}, "flags": {"skin_c": "far from the last"}, "set": "regular"}
    trip.add("observation", body, 3)
    assert trip.view().latest["skin_c"].flag == "far from the last"


# --- time in target -------------------------------------------------------------------------------


def test_minutes_in_target_by_hand(trip) -> None:
    """Target 90 to 94, a value counts up to 22.5 min (one and a half intervals of 15).

    0-5 unknown; 5-20 at 92 inside 15; 20-42.5 at 97 above 22.5; 42.5-60 unknown 17.5;
    60-70 at 88 below 10; 70-80 at 94 inside 10. Known 57.5 of 80.
    """
    for minutes, value in ((5, 92), (20, 97), (60, 88), (70, 94)):
        trip.set(minutes, saturation_pre_percent=value)
    view = trip.view(targets={"saturation_pre_percent": (90, 94)}, until=at(80))
    share = view.saturation.in_target
    assert (share.inside_min, share.below_min, share.above_min) == (25, 10, 22.5)
    assert (share.known_min, share.unknown_min) == (57.5, 22.5)
    assert (share.low, share.high) == (90, 94)


def test_a_value_from_before_the_start_counts_on(trip) -> None:
    trip.set(-10, axillary_c=36.0)
    share = trip.view(targets={"axillary_c": (36.5, None)}, until=at(30)).temperature.in_target
    assert (share.below_min, share.known_min, share.unknown_min) == (12.5, 12.5, 17.5)


def test_a_trip_without_a_reading_is_all_unknown_not_zero(trip) -> None:
    view = trip.view(targets={"axillary_c": (36.5, 37.5)}, until=at(30))
    assert view.temperature is None
    share = share_in_target([], at(0), at(30), (36.5, 37.5), 20)
    assert (share.known_min, share.unknown_min) == (0, 30)


def test_no_share_without_target_or_start(trip) -> None:
    trip.set(3, axillary_c=36)
    assert trip.view().temperature.in_target is None
    assert trip.view(targets={"axillary_c": (None, None)}).temperature.in_target is None
    early = Trip()
    early.set(3, axillary_c=36)
    assert early.view(targets={"axillary_c": (36, 37)}).temperature.in_target is None


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(-60, 240), st.floats(20, 45)), max_size=20),
    st.floats(1, 60),
    st.integers(0, 200),
)
def test_the_parts_of_a_share_make_the_whole(points, holds, length) -> None:
    readings = [
        Reading("skin_c", value, at(minutes), number)
        for number, (minutes, value) in enumerate(sorted(points))
    ]
    share = share_in_target(readings, at(0), at(length), (36.0, 37.0), holds)
    parts = (share.inside_min, share.below_min, share.above_min)
    assert all(part >= 0 for part in (*parts, share.unknown_min))
    assert sum(parts) == pytest.approx(share.known_min, abs=1e-9)
    assert share.known_min + share.unknown_min == pytest.approx(length, abs=1e-6)


# --- gaps ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sets", "until", "gaps"),
    [
        ([15, 30, 45], 59, []),
        ([15, 30, 45], 67, []),  # 22 min: late, not yet missed
        ([15, 30, 45], 67.5, [(45, 67.5, 1)]),  # half an interval late
        ([14, 31, 44], 50, []),
        ([], 10, []),
        ([], 60, [(0, 60, 3)]),
        ([15, 60], 61, [(15, 60, 2)]),
        ([60, 15], 61, [(15, 60, 2)]),  # entered in another order
        ([40], 90, [(0, 40, 2), (40, 90, 2)]),
    ],
)
def test_regular_sets_that_were_missed(trip, sets, until, gaps) -> None:
    for minutes in sets:
        trip.set(minutes, skin_c=36)
    view = trip.view(until=at(until))
    assert [(gap.start, gap.end, gap.missed) for gap in view.gaps] == [
        (at(start), at(end), missed) for start, end, missed in gaps
    ]
    assert view.missed_sets == sum(gap[2] for gap in gaps)
    assert view.next_set_due == at(max(sets, default=0) + 15)


def test_extra_sets_fill_no_gap_and_the_interval_is_free(trip) -> None:
    trip.set(30, "extra", skin_c=36)
    assert trip.view(until=at(60)).missed_sets == 3
    assert trip.view(until=at(60), interval_min=30).missed_sets == 1
    for wrong in (0, -1, float("nan")):
        with pytest.raises(ValueError, match="interval_min"):
            trip.view(interval_min=wrong)


def test_no_gap_before_the_start() -> None:
    early = Trip()
    early.set(0, skin_c=36)
    view = early.view(until=at(90))
    assert (view.gaps, view.next_set_due) == ((), None)


# --- targets of the plan ------------------------------------------------------------------------


def _shipped(trip: str) -> dict[str, str]:
    data = resources.files("warmhold") / "data"
    return {
        "trip_toml": (data / "trips" / f"{trip}.toml").read_text("utf-8"),
        "policy_toml": (data / "policies" / "cautious.toml").read_text("utf-8"),
    }


@pytest.mark.parametrize("name", ["winter-road", "island-flight", "cooled-hot-day", "term-by-day"])
def test_the_targets_are_those_that_the_model_reads(name) -> None:
    from warmhold.model import load_case, shipped_path  # noqa: PLC0415

    case = load_case(shipped_path("trips", name))
    baby, rules = case.trip.baby, case.policy.temperature
    targets = planned_targets(_shipped(name))
    if baby.cooled:
        assert targets["rectal_c"] == (rules.cooled_low_c.value, rules.cooled_high_c.value)
        assert "axillary_c" not in targets
    else:
        assert targets["rectal_c"] == (rules.low_c.value, rules.high_c.value)
        assert targets["axillary_c"] == targets["rectal_c"]
    assert "skin_c" not in targets
    wanted = baby.saturation_target_percent
    if wanted is None:
        row = next(r for r in case.policy.saturation if baby.gestation_weeks < r.below_weeks)
        wanted = (row.target_low_percent.value, row.target_high_percent.value)
    assert targets["saturation_pre_percent"] == tuple(wanted) == targets["saturation_post_percent"]


def test_a_trip_uses_the_targets_of_its_plan(trip) -> None:
    trip.add("trip-planned", _shipped("winter-road"))
    trip.set(0, axillary_c=36.0)
    share = trip.view(until=at(10)).temperature.in_target
    assert (share.low, share.high, share.below_min) == (36.5, 37.5, 10)


@pytest.mark.parametrize(
    "planned",
    [
        {}, {"trip_toml": "no toml [", "policy_toml": ""}, {"trip_toml": "baby = 3"},
        {"trip_toml": "[baby]\ncooled = 'x'\nsaturation_target_percent = ['a', 3]"},
        {"trip_toml": "[baby]\ncooled = true\ngestation_weeks = 30",
         "policy_toml": "saturation = 3\ntemperature = 4"},
        {"trip_toml": "[baby]\ngestation_weeks = 30",
         "policy_toml": "[[saturation]]\nbelow_weeks = 36"},
    ],
)  # fmt: skip
def test_what_a_plan_does_not_say_is_no_target(planned) -> None:
    assert planned_targets(planned) == {}


def test_times_are_in_utc(tmp_path) -> None:
    with Record.open(tmp_path, warn=lambda _: None) as record:
        local = datetime.fromisoformat("2026-01-14T05:05:00+02:00")
        record.append(Entry("s", "T1", "trip-started", {}, NURSE, local))
        (event,) = record.events()
    assert event.when == START
    assert event.when.tzinfo is UTC
