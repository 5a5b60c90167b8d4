"""Quick margins against the full plan, their speed, and what they remember.

The full plan is another way of running the same model (twice the members, half the step,
another seed, its own warm-up run): what is compared is chance and step alone.
"""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from plan.cases import part, shipped_case
from warmhold.model import Case, shipped
from warmhold.plan import quick
from warmhold.plan.changes import later_by, with_start
from warmhold.plan.margins import measured
from warmhold.plan.planner import DEFAULT_SEED, plan_case
from warmhold.plan.quick import Quick, quick_margins
from warmhold.plan.start_point import choose_air_set
from warmhold.plan.warmup import warm_up
from warmhold.simulate.scenario import prepare, run

MEMBERS, FULL = 200, 400
OTHER_SEED = 4711


@pytest.fixture(scope="module")
def quickly() -> dict[str, Quick]:
    return {name: quick_margins(shipped_case(name)) for name in shipped("trips")}


@pytest.mark.parametrize("name", shipped("trips"))
def test_the_middle_and_the_share_agree_with_fine_steps_and_another_seed(
    name: str, quickly: dict[str, Quick]
) -> None:
    case, found = shipped_case(name), quickly[name]
    _, ready = warm_up(case, FULL, OTHER_SEED, found.air_set_c)
    outcome = run(prepare(case, FULL, OTHER_SEED, air_set_c=found.air_set_c))
    full = measured(outcome, ready)
    assert [margin.key for margin in found.margins] == list(full)
    chance = math.sqrt(1 / MEMBERS + 1 / FULL)
    for margin in found.margins:
        spare = full[margin.key].spare
        if margin.band is None or margin.probability is None:
            assert margin.state == "cannot tell"
            continue
        # four standard errors of a median (of a normal: 1.25 sd / sqrt n), and what a rare tail
        # or an output step of a minute moves
        step = {"min": 1.0, "°C": 0.05, "L": 5.0, "points": 0.2, "%": 0.01, "kPa": 0.05}
        error = 4 * 1.25 * float(spare.std()) * chance + step[margin.unit]
        assert margin.band.p50 == pytest.approx(float(np.median(spare)), abs=error), margin.key
        share = float(np.mean(spare >= 0.0))
        width = max(share * (1 - share), 0.01)
        assert margin.probability == pytest.approx(share, abs=4 * math.sqrt(width) * chance)


def test_a_stated_setting_gives_the_margins_of_the_sheet(quickly: dict[str, Quick]) -> None:
    name = "term-by-day"
    case = with_start(shipped_case(name), air_set_c=quickly[name].air_set_c)
    sheet = plan_case(case, members=100, seed=DEFAULT_SEED)
    found = quick_margins(case, members=100)
    assert found.stated
    assert [m.key for m in found.margins] == [m.key for m in sheet.margins]
    for ours, theirs in zip(found.margins, sheet.margins, strict=True):
        # same seed and members: only the longer step is left
        assert (ours.title, ours.unit, ours.required) == (
            theirs.title, theirs.unit, theirs.required,
        )  # fmt: skip
        assert ours.band is not None
        assert theirs.band is not None
        wide = theirs.band.p95 - theirs.band.p05
        assert ours.band.p50 == pytest.approx(theirs.band.p50, abs=0.05 * wide + 0.01)
        assert ours.probability == pytest.approx(theirs.probability, abs=0.02)
    assert found.verdict == sheet.verdict


def test_the_warm_up_inside_is_the_plans_own(quickly: dict[str, Quick]) -> None:
    for name in ("winter-road", "cooled-hot-day"):
        case, air = shipped_case(name), quickly[name].air_set_c
        ensemble = prepare(case, 100, DEFAULT_SEED, air_set_c=air, coarse=True)
        expected = warm_up(case, 100, DEFAULT_SEED, air, coarse=True)[1]
        assert np.array_equal(quick._ready_min(ensemble, DEFAULT_SEED), expected), name


def test_a_baby_who_goes_in_now_still_waits_for_the_unit() -> None:
    case = shipped_case("winter-road")
    wait = (case.trip.start.baby_in - case.trip.start.now).total_seconds() / 60
    found = quick_margins(later_by(case, -wait), members=100)
    warm = next(margin for margin in found.margins if margin.key == "warm")
    assert warm.probability == 0.0
    assert warm.band is not None
    assert warm.band.p50 < -20.0


def test_the_first_estimate_is_near_where_the_plan_ends(quickly: dict[str, Quick]) -> None:
    name = "winter-road"
    full, _, trials = choose_air_set(shipped_case(name), DEFAULT_SEED)
    assert len(trials) > 2
    assert abs(quickly[name].air_set_c - full) <= 1.5  # from there the plan walks on
    assert shipped_case(name).unit.limits.air_set_c.contains(quickly[name].air_set_c)
    assert not quickly[name].stated


def test_it_takes_well_under_a_second_of_one_processor() -> None:
    """Time of the processor, not of the clock: others may be using the machine."""
    quick_margins(shipped_case("winter-road"), seed=1)  # compiled by now
    begin = time.process_time()
    quick_margins(shipped_case("island-flight"), seed=2)  # the longest of the shipped trips
    assert time.process_time() - begin < 1.5


def test_the_same_case_is_remembered_and_a_changed_one_is_not() -> None:
    case = shipped_case("winter-road")
    again = Case(case.trip.model_copy(), case.unit, case.policy, "another name")
    first = quick_margins(case)
    assert quick_margins(again) is first
    assert quick_margins(case, seed=3) is not first
    warmer = part(case, "start", unit_state="warm")
    changed = quick_margins(warmer)
    assert changed.margins != first.margins
    for seed in range(100, 100 + quick.REMEMBERED):
        quick_margins(case, members=50, seed=seed)
    assert len(quick._remembered) == quick.REMEMBERED
    assert quick_margins(case) is not first
    assert quick_margins(case) == first


def test_a_case_beyond_the_model_cannot_be_told() -> None:
    case = shipped_case("winter-road")
    weeks = part(case, "baby", gestation_weeks=43.5)
    found = quick_margins(weeks, members=50)
    states = {margin.key: margin.state for margin in found.margins}
    assert states["cold"] == states["hot"] == "cannot tell"
    assert any("43.5 weeks" in what for what in found.outside)
    assert "Cannot tell" in found.headline


def test_too_few_members_are_refused() -> None:
    with pytest.raises(ValueError, match="50 or more"):
        quick_margins(shipped_case("winter-road"), members=49)
