"""The air to start at: on the unit's steps, inside its range, inside what neutral sources allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from plan.cases import Planned, exactly, leg, part, shipped_case, with_legs
from warmhold.model import Case, Grid
from warmhold.plan.sheet import StartPoint
from warmhold.plan.start_point import Trial, choose_air_set, on_grid, sources, start_point, trial
from warmhold.simulate.scenario import prepare, run


def grid(lowest: float, highest: float, step: float) -> Grid:
    return Grid(lowest=lowest, highest=highest, step=step, provenance="manual")


@pytest.mark.parametrize(
    ("value", "expected"),
    [(34.0, 34.0), (34.2, 34.0), (34.3, 34.5), (19.0, 20.0), (50.0, 39.0), (38.9, 39.0),
     (20.24, 20.0)],
)  # fmt: skip
def test_nearest_setting(value: float, expected: float) -> None:
    assert on_grid(value, grid(20.0, 39.0, 0.5)) == expected


def test_steps_that_do_not_reach_the_highest_are_never_left() -> None:
    """20 to 30.5 in steps of 2: 20, 22, ... 30; the unit has no 30.5."""
    odd = grid(20.0, 30.0, 2.0)
    assert {on_grid(v, odd) for v in np.arange(15.0, 40.0, 0.1)} == {20, 22, 24, 26, 28, 30}
    fine = grid(23.0, 38.0, 0.1)
    assert all(fine.contains(on_grid(v, fine)) for v in np.arange(20.0, 40.0, 0.037))


@dataclass(frozen=True)
class Chosen:
    air_set_c: float
    start: StartPoint
    trials: tuple[Trial, ...]


def choose(case: Case) -> Chosen:
    air_set_c, estimates, trials = choose_air_set(case, 5)
    outcome = run(prepare(case, 60, 5, air_set_c=air_set_c))
    start = start_point(case, air_set_c, estimates, trials, outcome)
    return Chosen(air_set_c, start, trials)


def on_the_road(case: Case, ambient_c: float) -> Case:
    """A unit that stood at 32 degC, 40 min at one ambient on a source that holds."""
    case = part(case, "start", unit_state="cold", unit_stood_at_c=exactly(32, 1))
    road = leg("road", 40, power="mains", place="ambulance", ambient_c=exactly(ambient_c, 1.0))
    return with_legs(case, road)


@pytest.fixture(scope="module")
def bare() -> Case:
    """The term baby of the winter trip, bare, in the single-walled unit."""
    return shipped_case("winter-road")


@pytest.mark.parametrize("name", ["winter-road", "island-flight", "cooled-hot-day", "term-by-day"])
def test_the_setting_is_one_that_the_unit_has(planned: dict[str, Planned], name: str) -> None:
    found = planned[name].sheet.start
    assert found.air_set_c is not None
    assert planned[name].case.unit.limits.air_set_c.contains(found.air_set_c)
    assert f"{found.air_set_c:.1f}" in found.sentence


def test_colder_surroundings_ask_for_warmer_air(bare: Case) -> None:
    found = [choose(on_the_road(bare, ambient)) for ambient in (28, 20, 12)]
    settings = [one.air_set_c for one in found]
    assert settings[0] < settings[1] < settings[2], settings
    # the wall is colder below the air the colder it is outside
    walls = [one.start.wall_below_air_k for one in found]
    assert all(wall is not None for wall in walls)
    middles = [wall.p50 for wall in walls if wall is not None]
    assert middles[0] < middles[1] < middles[2]


def test_a_bare_baby_feels_what_neutral_sources_allow(bare: Case) -> None:
    """Operative temperature at the setting stays in the sources' range, to a third of a kelvin."""
    for ambient in (26, 16):
        start = choose(on_the_road(bare, ambient)).start
        assert start.neutral_low_c is not None
        assert start.neutral_high_c is not None
        assert start.operative_at_set is not None
        felt = start.operative_at_set.p50
        assert start.neutral_low_c - 0.35 <= felt <= start.neutral_high_c + 0.35
        assert start.neutral_low_c < start.neutral_high_c


@pytest.mark.parametrize(("first_c", "ambient_c"), [(36.0, 20), (38.0, 20)])
def test_a_bare_baby_who_comes_cold_or_hot_is_not_steered_beyond_neutral(
    bare: Case, first_c: float, ambient_c: float
) -> None:
    """The course of the trip would ask for far warmer or cooler air; the sources bound it."""
    case = part(on_the_road(bare, ambient_c), "baby", temperature_c=exactly(first_c, 0.1))
    start = choose(case).start
    assert start.neutral_low_c is not None
    assert start.neutral_high_c is not None
    assert start.operative_at_set is not None
    felt = start.operative_at_set.p50
    assert start.neutral_low_c - 0.35 <= felt <= start.neutral_high_c + 0.35
    unbound = trial(case, 5, 38.0 if first_c < 37 else 28.0)
    assert unbound.miss_k < trial(case, 5, start.air_set_c or 0.0).miss_k  # it would be preferred


def test_a_double_wall_needs_less(bare: Case) -> None:
    """The same hood with a second wall: the inner wall is warmer, so the air may be cooler."""
    single = on_the_road(bare, 12)
    double = Case(
        single.trip, single.unit.model_copy(update={"wall": "double"}), single.policy, "a test"
    )
    one, two = choose(single), choose(double)
    assert two.air_set_c < one.air_set_c
    assert one.start.wall_below_air_k is not None
    assert two.start.wall_below_air_k is not None
    assert two.start.wall_below_air_k.p50 < one.start.wall_below_air_k.p50


def test_a_covered_baby_needs_less(bare: Case) -> None:
    case = on_the_road(bare, 16)
    dressed = choose(part(case, "baby", dressing=("dressed", "hat")))
    assert dressed.air_set_c < choose(case).air_set_c
    assert "covered" in dressed.start.sentence


def test_a_stated_setting_is_kept(bare: Case) -> None:
    case = part(on_the_road(bare, 16), "start", air_set_c=29.3)
    found = choose(case)
    assert found.air_set_c == 29.3
    assert [t.air_set_c for t in found.trials] == [29.3]
    assert found.start.sentence.startswith("Stated air at 29.3")


def test_the_unit_s_range_is_never_left(bare: Case) -> None:
    case = on_the_road(bare, 12)
    low = part(case, "unit.limits", air_set_c=grid(23.0, 30.0, 0.5))
    assert choose(low).air_set_c == 30.0  # it would like more and cannot have it
    high = part(on_the_road(bare, 28), "unit.limits", air_set_c=grid(37.0, 39.0, 0.5))
    assert choose(high).air_set_c == 37.0


def test_a_cooled_baby_has_no_neutral_temperature(planned: dict[str, Planned]) -> None:
    one = planned["cooled-hot-day"]
    assert sources(one.case) == ()
    start = one.sheet.start
    assert (start.neutral_low_c, start.neutral_high_c, start.by_source) == (None, None, ())
    assert "Cooled on purpose" in start.reason
    assert start.air_set_c is not None
    assert start.air_set_c < 30.0


def test_every_source_is_named_with_what_it_says(planned: dict[str, Planned]) -> None:
    start = planned["winter-road"].sheet.start
    assert len(start.by_source) >= 3
    for source, says in start.by_source:
        assert source
        assert says.startswith("unknown") or ("°C" in says and "verified" in says)
    assert start.reason == ""


def test_the_chosen_setting_beats_its_neighbours(bare: Case) -> None:
    """No trial of half a kelvin to either side keeps clearly more of the trips in the band."""
    case = part(on_the_road(bare, 16), "baby", dressing=("dressed", "hat"))
    chosen = choose(case).air_set_c
    here = trial(case, 5, chosen).keeps
    for side in (-0.5, 0.5):
        assert trial(case, 5, round(chosen + side, 1)).keeps <= here + 0.03


def test_trials_do_not_count_the_battery(bare: Case) -> None:
    """Cold for want of power is not mended by the setting: trials hold the power."""
    case = with_legs(bare, leg("yard", 60, ambient_c=exactly(5, 1)))
    case = part(case, "start", unit_state="warm")
    empty = part(case, "start", battery_charge_percent=exactly(5, 1))
    assert trial(case, 5, 35.0) == trial(empty, 5, 35.0)


def test_shares_of_a_trial_agree(bare: Case) -> None:
    one = trial(on_the_road(bare, 16), 5, 36.0)
    assert 0.0 <= one.keeps <= 1.0
    assert one.keeps >= 1.0 - one.too_cold - one.too_hot - 1e-9
    assert one.keeps <= 1.0 - max(one.too_cold, one.too_hot) + 1e-9
    assert trial(on_the_road(bare, 16), 5, 25.0).too_cold > 0.6
    assert trial(on_the_road(bare, 16), 5, 38.0).too_cold < one.too_cold + 0.01
    assert one.lag_k > 0.5  # air over what the baby feels, single wall at 16 degC
