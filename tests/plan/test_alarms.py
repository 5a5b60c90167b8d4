"""Alarm limits on the unit's own steps: never moved to the unsafe side, never set in silence."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import warmhold
from warmhold.model import Case, Grid, load_case
from warmhold.plan.alarms import alarm_limits, place_on_grid
from warmhold.plan.sheet import AlarmLimit

TRIP = Path(warmhold.__file__).parent / "data" / "trips" / "winter-road.toml"


@pytest.fixture(scope="module")
def winter() -> Case:
    return load_case(TRIP)


def grid(lowest: float, highest: float, step: float) -> Grid:
    return Grid(lowest=lowest, highest=highest, step=step, provenance="manual")


def change(case: Case, *, grids: dict[str, Grid] | None = None, **baby: Any) -> Case:
    """The case with other grids or another baby; the rest stays."""
    limits = case.unit.limits.model_copy(update=grids or {})
    return Case(
        trip=case.trip.model_copy(update={"baby": case.trip.baby.model_copy(update=baby)}),
        unit=case.unit.model_copy(update={"limits": limits}),
        policy=case.policy,
        trip_file=case.trip_file,
    )


def by_title(case: Case, oxygen: float = 30.0, on_oxygen: bool = True) -> dict[str, AlarmLimit]:
    return {limit.title: limit for limit in alarm_limits(case, oxygen, on_oxygen)}


# --- placing on the grid --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "lowest", "highest", "step", "side", "expected"),
    [
        (92, 60, 140, 5, "low", 95),  # up to the next step
        (92, 60, 140, 5, "high", 90),  # down to the next step
        (95, 60, 140, 5, "low", 95),
        (95, 60, 140, 5, "high", 95),
        (50, 60, 140, 5, "low", 60),  # below the range: the lowest sounds earlier
        (50, 60, 140, 5, "high", None),  # the lowest would sound later
        (150, 60, 140, 5, "low", None),
        (150, 60, 140, 5, "high", 140),
        (139, 60, 138, 5, "high", 135),  # the range does not end on a step
        (136, 60, 138, 5, "low", None),
        (36.1, 34.0, 37.5, 0.1, "low", 36.1),  # 36.1 is 20.999999999999986 steps in floats
        (36.1, 34.0, 37.5, 0.1, "high", 36.1),
        (34.3, 34.0, 37.5, 0.1, "low", 34.3),
        (34.3, 34.0, 37.5, 0.1, "high", 34.3),
        (36.12, 34.0, 37.5, 0.1, "low", 36.2),
        (36.12, 34.0, 37.5, 0.1, "high", 36.1),
        (37.5, 34.0, 37.5, 0.1, "low", 37.5),
    ],
)
def test_place(
    wanted: float, lowest: float, highest: float, step: float, side: Any, expected: float | None
) -> None:
    assert place_on_grid(wanted, grid(lowest, highest, step), side) == expected


@st.composite
def grids(draw: st.DrawFn) -> Grid:
    """Grids as people write them: whole numbers, tenths and hundredths."""
    step = draw(st.sampled_from(["0.01", "0.05", "0.1", "0.2", "0.25", "0.5", "1", "2", "5", "10"]))
    lowest = draw(st.integers(-400, 4000)) * Decimal("0.1")
    steps = draw(st.integers(1, 60))
    return grid(float(lowest), float(lowest + steps * Decimal(step)), float(step))


@given(
    grids(),
    st.floats(-100, 1000) | st.integers(-1000, 10000).map(lambda n: n / 10),
    st.sampled_from(["low", "high"]),
)
def test_placed_limit_is_on_the_grid_and_never_on_the_unsafe_side(
    unit: Grid, wanted: float, side: Any
) -> None:
    placed = place_on_grid(wanted, unit, side)
    if placed is None:  # only when all that can be set is on the unsafe side
        assert unit.highest < wanted if side == "low" else unit.lowest > wanted
        return
    assert unit.contains(placed)
    assert unit.lowest <= placed <= unit.highest
    assert placed >= wanted if side == "low" else placed <= wanted
    if unit.lowest <= wanted <= unit.highest:
        moved = abs(Fraction(repr(placed)) - Fraction(repr(float(wanted))))
        assert moved < Fraction(repr(unit.step))


@given(grids(), st.data(), st.sampled_from(["low", "high"]))
def test_a_limit_that_the_unit_offers_is_not_moved(unit: Grid, data: Any, side: Any) -> None:
    place = data.draw(st.integers(0, unit.steps))
    offered = float(Decimal(repr(unit.lowest)) + place * Decimal(repr(unit.step)))
    assert place_on_grid(offered, unit, side) == offered


# --- the shipped example --------------------------------------------------------------------


def test_winter_road(winter: Case) -> None:
    """Own target 92 to 97 %, so 91 and 98; oxygen 30 %, so 25 and 35; pulse 80 and 200."""
    limits = alarm_limits(winter, 30.0, True)
    assert [(limit.title, limit.set_to, limit.state) for limit in limits] == [
        ("Oxygen saturation, low", 91, "as wanted"),
        ("Oxygen saturation, high", 98, "as wanted"),
        ("Oxygen in the gas, low", 25, "as wanted"),
        ("Oxygen in the gas, high", 35, "as wanted"),
        ("Pulse, low", 80, "as wanted"),
        ("Pulse, high", 200, "as wanted"),
    ]
    assert "own target of 92 to 97 %" in limits[0].sentence
    assert "own choice" in limits[0].source
    assert "(verified)" in limits[4].source


def test_without_an_own_target_policy_decides(winter: Case) -> None:
    term = by_title(change(winter, saturation_target_percent=None))
    assert term["Oxygen saturation, low"].wanted == 92
    assert term["Oxygen saturation, high"].wanted == 98
    assert "policy Cautious" in term["Oxygen saturation, low"].source
    early = by_title(change(winter, saturation_target_percent=None, gestation_weeks=35.9))
    assert early["Oxygen saturation, low"].wanted == 89
    assert early["Oxygen saturation, high"].wanted == 95
    assert "Auckland" in early["Oxygen saturation, low"].source
    assert early["Pulse, low"].wanted == 100
    edge = by_title(change(winter, saturation_target_percent=None, gestation_weeks=36))
    assert edge["Oxygen saturation, low"].wanted == 92


def test_no_row_is_told_and_not_guessed(winter: Case) -> None:
    limits = by_title(change(winter, saturation_target_percent=None, gestation_weeks=45))
    for title in ("Oxygen saturation, low", "Oxygen saturation, high", "Pulse, low", "Pulse, high"):
        assert limits[title].wanted is None
        assert limits[title].set_to is None
        assert limits[title].state == "cannot be set"
        assert limits[title].sentence.startswith("Cannot tell: policy has no")


# --- what a unit cannot do ------------------------------------------------------------------


def test_a_low_limit_above_the_units_range_names_what_stays_unguarded(winter: Case) -> None:
    narrow = change(winter, grids={"alarm_saturation_low_percent": grid(50, 85, 1)})
    low = by_title(narrow)["Oxygen saturation, low"]
    assert low.state == "cannot be set"
    assert low.set_to is None
    assert low.wanted == 91
    assert "ends at 85 %" in low.sentence
    assert "From 85 % to 91 % no alarm" in low.sentence


def test_a_high_limit_below_the_units_range_names_what_stays_unguarded(winter: Case) -> None:
    narrow = change(winter, grids={"alarm_pulse_high_per_min": grid(210, 250, 5)})
    high = by_title(narrow)["Pulse, high"]
    assert high.state == "cannot be set"
    assert high.set_to is None
    assert "starts at 210/min" in high.sentence
    assert "From 200/min to 210/min no alarm" in high.sentence


def test_beyond_the_range_on_the_safe_side_the_nearest_is_used_and_said(winter: Case) -> None:
    air = by_title(winter, 21.0, False)["Oxygen in the gas, low"]
    assert air.wanted == 16
    assert air.set_to == 18
    assert air.state == "moved to the safe side"
    assert "18 %, the lowest this unit offers" in air.sentence


def test_a_moved_limit_says_so(winter: Case) -> None:
    coarse = change(
        winter,
        grids={
            "alarm_saturation_low_percent": grid(80, 95, 5),
            "alarm_saturation_high_percent": grid(85, 100, 5),
        },
    )
    limits = by_title(coarse)
    low, high = limits["Oxygen saturation, low"], limits["Oxygen saturation, high"]
    assert (low.set_to, high.set_to) == (95, 95)
    assert low.state == high.state == "moved to the safe side"
    assert "steps of 5; moved up" in low.sentence
    assert "moved down" in high.sentence
    assert "lies in the target" in low.sentence
    assert "lies in the target" in high.sentence
    assert "no room between" in low.sentence
    assert "no room between" in high.sentence


def test_fractions_of_oxygen_are_placed_the_safe_way_round(winter: Case) -> None:
    limits = by_title(winter, 30.4)
    assert limits["Oxygen in the gas, low"].set_to == 26
    assert limits["Oxygen in the gas, high"].set_to == 35


@pytest.mark.parametrize("oxygen", [25.0, 20.9])
def test_oxygen_alarm_that_must_sound_is_told(winter: Case, oxygen: float) -> None:
    high_floor = change(winter, grids={"alarm_oxygen_low_percent": grid(25, 90, 1)})
    low = by_title(high_floor, oxygen)["Oxygen in the gas, low"]
    assert low.set_to == 25
    assert "it will sound" in low.sentence


def test_near_pure_oxygen(winter: Case) -> None:
    limits = by_title(winter, 100.0)
    low, high = limits["Oxygen in the gas, low"], limits["Oxygen in the gas, high"]
    assert low.state == "cannot be set"  # this unit's low limit ends at 90
    assert "From 90 % to 95 %" in low.sentence
    assert high.state == "not used"
    assert high.set_to is None
    assert "more than pure oxygen" in high.sentence
    edge = by_title(winter, 95.0)["Oxygen in the gas, high"]
    assert edge.set_to == 100
    assert "can never sound" in edge.sentence


@pytest.mark.parametrize("oxygen", [math.nan, 0.0, 101.0])
def test_unknown_oxygen_is_unknown(winter: Case, oxygen: float) -> None:
    limits = by_title(winter, oxygen)
    for title in ("Oxygen in the gas, low", "Oxygen in the gas, high"):
        assert limits[title].set_to is None
        assert limits[title].sentence.startswith("Cannot tell")
    assert limits["Oxygen saturation, low"].set_to == 91


# --- room air, 100 per cent, cooled ---------------------------------------------------------


def test_in_room_air_the_high_saturation_limit_is_relaxed_and_says_why(winter: Case) -> None:
    limits = by_title(winter, 21.0, False)
    high = limits["Oxygen saturation, high"]
    assert high.state == "not used"
    assert high.set_to is None
    assert "room air" in high.sentence
    assert "if oxygen is started, set it to 98 %" in high.sentence
    assert limits["Oxygen saturation, low"].set_to == 91


def test_a_high_limit_of_100_on_oxygen_is_called_no_alarm(winter: Case) -> None:
    open_top = change(
        winter,
        grids={"alarm_saturation_high_percent": grid(90, 100, 1)},
        saturation_target_percent=(95.0, 99.0),
    )
    high = by_title(open_top)["Oxygen saturation, high"]
    assert high.set_to == 100
    assert "the same as no alarm" in high.sentence
    capped = change(winter, saturation_target_percent=(95.0, 99.0))
    assert by_title(capped)["Oxygen saturation, high"].set_to == 99


def test_no_pulse_limit_is_made_up_for_a_cooled_baby(winter: Case) -> None:
    limits = by_title(change(winter, cooled=True))
    for title in ("Pulse, low", "Pulse, high"):
        assert limits[title].wanted is None
        assert limits[title].set_to is None
        assert limits[title].state == "cannot be set"
        assert limits[title].sentence.startswith("Cannot tell: ")
        assert "cooled on purpose" in limits[title].sentence
        assert "clinician" in limits[title].sentence
    assert "60 to 140/min in steps of 5" in limits["Pulse, low"].sentence
    assert limits["Oxygen saturation, low"].set_to == 91


@given(
    low_grid=grids(),
    high_grid=grids(),
    oxygen=st.floats(20.9, 100),
    weeks=st.floats(22, 44),
    on_oxygen=st.booleans(),
)
def test_every_limit_is_settable_or_explained(
    winter: Case, low_grid: Grid, high_grid: Grid, oxygen: float, weeks: float, on_oxygen: bool
) -> None:
    names = ("alarm_oxygen_{}_percent", "alarm_saturation_{}_percent", "alarm_pulse_{}_per_min")
    sides = {"low": low_grid, "high": high_grid}
    every = {name.format(side): sides[side] for name in names for side in sides}
    limits = alarm_limits(change(winter, grids=every, gestation_weeks=weeks), oxygen, on_oxygen)
    assert len(limits) == 6
    for limit in limits:
        low_side = limit.title.endswith("low")
        assert limit.sentence
        assert limit.source
        assert (limit.set_to is None) is (limit.state in ("cannot be set", "not used"))
        if limit.set_to is None:
            continue
        assert limit.wanted is not None
        assert limit.set_to >= limit.wanted if low_side else limit.set_to <= limit.wanted
        assert (low_grid if low_side else high_grid).contains(limit.set_to)
        assert (limit.set_to == limit.wanted) is (limit.state == "as wanted")
