"""When the unit is ready: by traces laid by hand, and the clock arithmetic that follows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from plan.cases import Floats, Points, by_hand, calm, course, exactly, part, ruled, shipped_case
from warmhold.model import Case
from warmhold.plan.sheet import WarmUp
from warmhold.plan.warmup import HORIZON_MIN, ready_minutes, warm_up
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import prepare

SET_C = 35.0


@pytest.fixture(scope="module")
def winter() -> Case:
    return calm(shipped_case("winter-road"))


# --- readiness of a trace ------------------------------------------------------------------------


def ready(case: Case, air: Points, operative: Points = ((0, 33.0),)) -> Floats:
    """Air and operative temperature in straight lines, one output a minute; two members alike."""
    e = prepare(case, 2, 1, air_set_c=SET_C, warming_min=HORIZON_MIN, with_legs=False)
    minutes = np.arange(HORIZON_MIN + 1.0)
    outcome = by_hand(
        e, {at.AIR: course(minutes, air)}, {at.F_OPERATIVE: course(minutes, operative)}
    )
    found = ready_minutes(outcome, case, SET_C)
    assert found[0] == found[1]
    return found


def test_ready_when_the_air_has_come_within_its_band(winter: Case) -> None:
    """From 12 by 1 K a minute: 34 at minute 22, which is within 1 K of 35."""
    assert ready(winter, [(0, 12), (23, 35), (150, 35)])[0] == 22.0


def test_overshoot_counts_until_it_is_over(winter: Case) -> None:
    """Over by 2 K until minute 40, back by 0.1 K a minute: 36 at minute 50."""
    assert ready(winter, [(0, 12), (25, 37), (40, 37), (60, 35), (150, 35)])[0] == 50.0


def test_a_late_dip_puts_it_off(winter: Case) -> None:
    """Out of the band once more at minutes 99 to 101."""
    assert ready(winter, [(0, 35), (98, 35), (100, 30), (102, 35), (150, 35)])[0] == 102.0


def test_walls_count_as_well(winter: Case) -> None:
    """Air is at its setting from the start; operative rises 0.1 K a minute to 33: 32 at 30."""
    found = ready(winter, [(0, 35)], [(0, 29), (40, 33), (150, 33)])
    assert found[0] == 30.0


def test_already_warm(winter: Case) -> None:
    assert ready(winter, [(0, 35)])[0] == 0.0
    assert ready(winter, [(0, 34.1)], [(0, 32.5), (150, 33)])[0] == 0.0


def test_never_ready(winter: Case) -> None:
    assert np.isinf(ready(winter, [(0, 12), (60, 33.5), (150, 33.5)])[0])
    # within its band only until the last minute
    assert np.isinf(ready(winter, [(0, 35), (149, 35), (150, 33)])[0])


def test_policys_bands(winter: Case) -> None:
    tight = part(winter, "policy.temperature", air_stable_within_k=ruled(0.5))
    assert ready(tight, [(0, 12), (23, 35), (150, 35)])[0] == 23.0  # 34.5 between two outputs
    walls = part(winter, "policy.temperature", operative_stable_within_k=ruled(2.0))
    assert ready(walls, [(0, 35)], [(0, 29), (40, 33), (150, 33)])[0] == 20.0


# --- from minutes to the clock -------------------------------------------------------------------


def told(case: Case, minutes: Floats, monkeypatch: pytest.MonkeyPatch) -> WarmUp:
    """The sheet's part when the members' minutes to ready are these."""
    monkeypatch.setattr("warmhold.plan.warmup.ready_minutes", lambda *_a: minutes)
    found, given = warm_up(case, len(minutes), 1, SET_C)
    assert given is minutes
    return found


def at_three(case: Case, **changes: Any) -> Case:
    start = {
        "now": datetime(2026, 1, 14, 5, 20, tzinfo=UTC),
        "baby_in": datetime(2026, 1, 14, 6, 0, tzinfo=UTC),
        "offset": timedelta(hours=-3),
    }
    return part(case, "start", **{**start, **changes})


def test_switch_on_and_baby_in(winter: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """1 to 100 min: 95 of 100 are ready by 96 min (the next above), 40 within the 40 there are.

    The baby at 03:00 local: switch on by 01:24. Now 02:20: the baby can go in from 03:56.
    """
    found = told(at_three(winter), np.arange(1.0, 101.0), monkeypatch)
    assert found.minutes_needed == 96.0
    assert found.in_time == pytest.approx(0.40)
    assert found.latest_switch_on == datetime(2026, 1, 14, 4, 24, tzinfo=UTC)
    assert found.earliest_baby_in == datetime(2026, 1, 14, 6, 56, tzinfo=UTC)
    for moment, local in ((found.latest_switch_on, "01:24"), (found.earliest_baby_in, "03:56")):
        assert moment.utcoffset() == timedelta(hours=-3)
        assert f"{moment:%H:%M}" == local
        assert f"{local} -03:00" in found.sentence
    assert "03:00 -03:00" in found.sentence
    assert found.minutes is not None
    # 5 % of 99 steps is 4.95, 50 % is 49.5: the next above each
    assert (found.minutes.p05, found.minutes.p50, found.minutes.p95) == (6.0, 51.0, 96.0)


def test_part_of_a_minute_is_rounded_up_for_the_baby(
    winter: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = told(at_three(winter), np.full(60, 30.25), monkeypatch)
    assert found.in_time == 1.0
    assert found.earliest_baby_in == datetime(2026, 1, 14, 5, 51, tzinfo=UTC)
    assert found.latest_switch_on == datetime(2026, 1, 14, 5, 29, 45, tzinfo=UTC)
    assert "allow 31 min" in found.sentence


def test_ready_to_the_minute_is_in_time(winter: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    assert told(at_three(winter), np.full(60, 40.0), monkeypatch).in_time == 1.0
    assert told(at_three(winter), np.full(60, 40.1), monkeypatch).in_time == 0.0


def test_a_few_that_are_never_ready(winter: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten of a hundred never: no time is named at 95 %, one is at 85 %."""
    minutes = np.append(np.full(90, 20.0), np.full(10, np.inf))
    found = told(at_three(winter), minutes, monkeypatch)
    assert found.minutes is None
    assert found.minutes_needed is None
    assert found.latest_switch_on is None
    assert found.earliest_baby_in is None
    assert found.in_time == pytest.approx(0.9)
    assert "not ready" in found.sentence
    lenient = part(winter, "policy.verdict", probability_percent=ruled(85.0))
    found = told(at_three(lenient), minutes, monkeypatch)
    assert found.minutes_needed == 20.0
    assert found.minutes is None  # its 95th percentile is no number
    assert "in 10 % not within 150 min" in found.sentence
    for text in (found.sentence, str(found.minutes)):
        assert "inf" not in text


def test_none_ready(winter: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    found = told(at_three(winter), np.full(60, np.inf), monkeypatch)
    assert (found.minutes, found.minutes_needed, found.in_time) == (None, None, 0.0)


def test_standing_warm(winter: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    found = told(at_three(winter, unit_state="warm"), np.zeros(60), monkeypatch)
    assert found.sentence.startswith("The unit stands warm")
    assert "ready now" in found.sentence


def test_a_cooled_baby_needs_no_warm_unit() -> None:
    found, minutes = warm_up(shipped_case("cooled-hot-day"), 60, 1, 20.0)
    assert (found.minutes, found.latest_switch_on, found.in_time) == (None, None, None)
    assert "Cooled on purpose" in found.sentence
    assert (minutes == 0.0).all()


# --- the model's own warm-ups --------------------------------------------------------------------


def middle(case: Case, air_set_c: float = SET_C) -> float:
    found, _ = warm_up(case, 100, 1, air_set_c)
    assert found.minutes is not None
    return found.minutes.p50


def test_colder_units_rooms_and_higher_settings_take_longer() -> None:
    case = shipped_case("winter-road")
    base = middle(case)
    assert middle(part(case, "start", unit_stood_at_c=exactly(2, 1.5))) > base
    assert middle(part(case, "start", unit_stood_at_c=exactly(22, 1.5))) < base
    assert middle(part(case, "start", ambient_c=exactly(4, 1))) > base
    assert middle(case, 37.0) > base
    _, minutes = warm_up(part(case, "start", unit_state="warm"), 100, 1, SET_C)
    assert (minutes == 0.0).all()


def test_a_heater_too_weak_never_gets_there() -> None:
    case = part(shipped_case("winter-road"), "unit.power", heater_w=exactly(30, 1))
    found, minutes = warm_up(case, 60, 1, SET_C)
    assert found.minutes_needed is None
    assert np.isinf(minutes).all()


def test_more_time_before_the_baby_changes_nothing_about_the_warm_up() -> None:
    """Minutes from switch-on are the unit's; only whether they suffice is the trip's."""
    case = shipped_case("winter-road")
    later = part(case, "start", baby_in=case.trip.start.baby_in + timedelta(minutes=60))
    first, later_found = warm_up(case, 60, 1, SET_C)[0], warm_up(later, 60, 1, SET_C)[0]
    assert first.minutes == later_found.minutes
    assert first.in_time is not None
    assert later_found.in_time is not None
    assert later_found.in_time > first.in_time
