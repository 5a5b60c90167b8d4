"""The shipped trips as they are planned, against SciPy's integrator on the same equations.

Members are those of a plan: their own start, constants, durations and conditions. What is asked
for is 0.01 degC at every output of every temperature, a tenth of the last digit that a thermometer
shows, and 0.1 % of energy and gas.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.integrate
from independent import Worst, compare

from plan.cases import shipped_case
from warmhold.plan.start_point import powered
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Ensemble, prepare, run
from warmhold.simulate.stepping import TOLERANCE

SEED = 20260101
# air settings near those that the plans choose
SETTINGS = {"winter-road": 36.0, "island-flight": 37.0, "cooled-hot-day": 20.0, "term-by-day": 31.0}
MEMBERS = 24
TAKEN = (1, 7, 11, 17)  # of a small ensemble; 7 and 11 are the worst of it


@pytest.fixture(autouse=True)
def _no_output_before_the_event(monkeypatch: pytest.MonkeyPatch) -> None:
    """SciPy gives a list in place of an array when an event comes before the first output."""

    def solve(*args: Any, **kwargs: Any) -> Any:
        found = scipy.integrate.solve_ivp(*args, **kwargs)
        if len(found.t) == 0:
            found.y = np.empty((at.N_STATE, 0))
        return found

    monkeypatch.setattr("independent.solve_ivp", solve)


def members(name: str, taken: tuple[int, ...], *, coarse: bool = False) -> Ensemble:
    e = prepare(shipped_case(name), MEMBERS, SEED, air_set_c=SETTINGS[name], coarse=coarse)
    rows = list(taken)
    return replace(
        e, p=e.p[rows], start=e.start[rows], durations_s=e.durations_s[rows],
        conditions=e.conditions[rows],
    )  # fmt: skip


def apart(e: Ensemble) -> Worst:
    return compare(
        e.start, e.p, e.durations_s, e.conditions, e.outputs, e.steps_s, rtol=1e-8, atol=1e-8,
        tolerance=e.tolerance_k,
    )  # fmt: skip


@pytest.mark.parametrize("name", SETTINGS)
def test_a_planned_trip_agrees_with_an_independent_integrator(name: str) -> None:
    worst = apart(members(name, TAKEN))
    assert worst.temperature_k <= 0.01, worst
    assert worst.energy_share <= 0.001, worst
    assert worst.gas_share <= 0.001, worst
    assert worst.empty_s <= 0.1, worst


@pytest.mark.parametrize("name", SETTINGS)
def test_the_looser_control_for_trying_out_stays_within_a_tenth(name: str) -> None:
    """Every temperature within 0.1 degC, charge within 0.1 %: what a trial decides by."""
    e = members(name, TAKEN, coarse=True)
    assert e.tolerance_k > TOLERANCE
    worst = apart(e)
    assert worst.temperature_k <= 0.1, worst
    assert worst.energy_share <= 0.001, worst


def test_a_battery_that_never_empties_changes_nothing_else() -> None:
    """Trials of the air setting hold the power: only the charge differs at the start."""
    e = members("winter-road", TAKEN)
    held = powered(e)
    same = [i for i in range(at.N_STATE) if i != at.CHARGE]
    np.testing.assert_array_equal(e.start[:, same], held.start[:, same])
    assert (held.start[:, at.CHARGE] > 1e5).all()
    np.testing.assert_array_equal(e.conditions, held.conditions)


def test_the_winter_trip_runs_its_battery_empty() -> None:
    """Else the search for the empty battery would not have been compared on a planned trip."""
    assert np.isfinite(run(members("winter-road", TAKEN)).run.empty_s).any()
