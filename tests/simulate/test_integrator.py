"""``advance`` against SciPy's integrators on the same equations: another library's steps."""

from __future__ import annotations

import numpy as np
import pytest
from independent import TEMPERATURES, compare, integrate
from laboratory import TERM, hood_setup
from trips import TRIPS, winter_road

from warmhold.simulate.layout import INTEGRAL

TEMPERATURE_K = 0.02  # a tenth of what a thermometer shows
SHARE = 0.001


@pytest.mark.parametrize("name", TRIPS)
@pytest.mark.parametrize("method", ["DOP853", "LSODA"])
def test_default_steps_agree_with_an_independent_integrator(name: str, method: str) -> None:
    s = TRIPS[name]()
    worst = compare(s.start, s.p, s.durations_s, s.conditions, s.outputs, s.step_s, method=method)
    assert worst.temperature_k <= TEMPERATURE_K, worst
    assert worst.energy_share <= SHARE, worst
    assert worst.gas_share <= SHARE, worst
    # vapour follows the humidifier's narrow band, a kink in the slope: twice the share
    assert worst.vapour_share <= 2 * SHARE, worst
    assert worst.empty_s <= 0.1, worst


def test_the_winter_road_runs_its_battery_empty() -> None:
    s = winter_road()
    assert np.isfinite(s.run().run.empty_s[0]), "else the check above would never locate it"


def test_the_comparison_can_fail() -> None:
    s = winter_road()
    changed = s.conditions.copy()
    changed[:, 0, 0] += 1.0
    moved, _ = integrate(s.start[0], s.p[0], s.durations_s[0], changed[0], s.outputs)
    here = s.run().run.trace[0][:, list(TEMPERATURES)]
    assert np.abs(here - moved[:, list(TEMPERATURES)]).max() > TEMPERATURE_K
    coarse = compare(s.start, s.p, s.durations_s, s.conditions, s.outputs, s.step_s * 12)
    assert not coarse.within(TEMPERATURE_K, SHARE)


def test_halving_the_step_divides_the_error_by_about_sixteen() -> None:
    """Where no limit is reached the steps are of fourth order."""
    s = hood_setup(
        TERM,
        [(20, {"AMBIENT": 20.0, "AIR_SET": 34.0})],
        stood_c=32.0,
        first={"HEATER": 40.0, "INTEGRAL": 40.0},
        output_s=120.0,
    )
    exact, _ = integrate(
        s.start[0], s.p[0], s.durations_s[0], s.conditions[0], s.outputs, rtol=1e-12, atol=1e-12
    )
    watched = [*TEMPERATURES, INTEGRAL]
    errors = []
    for step in (20.0, 10.0, 5.0):
        run = s.finer(10.0 / step).run()
        limit = run.flow("F_HEATER_LIMIT")[0]
        heater = run.flow("F_HEATER")[0]
        assert (heater > 1.0).all()
        assert (heater < limit - 1.0).all()
        errors.append(np.abs(run.run.trace[0][:, watched] - exact[:, watched]).max())
    order = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert (order > 3.6).all(), (errors, order)
    assert (order < 4.6).all(), (errors, order)


@pytest.mark.parametrize("name", TRIPS)
def test_smaller_steps_never_make_a_whole_trip_worse(name: str) -> None:
    """Over limits and doors the order is lower, but the error goes on falling."""
    errors = []
    for times in (1.0, 4.0, 16.0):
        s = TRIPS[name]().finer(times)
        worst = compare(s.start, s.p, s.durations_s, s.conditions, s.outputs, s.step_s)
        errors.append(worst.temperature_k)
    assert errors[0] > errors[1] > errors[2], errors
    assert errors[2] < errors[0] / 16.0, errors
