"""The well-mixed hood: wash-in, leaks, carbon dioxide, open doors."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from reference_rows import rows
from warmhold.science import hood_gas


@pytest.mark.parametrize("row", rows("blend", "wash_in"))
def test_wash_in(row: Any) -> None:
    tau = hood_gas.time_constant_min(row["volume_l"], row["flow_lpm"], 0.0)
    fraction = hood_gas.fraction_after(row["start"], row["final"], row["minutes"], tau)
    assert fraction == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "wash_share"))
def test_time_to_a_share(row: Any) -> None:
    tau = hood_gas.time_constant_min(row["volume_l"], row["flow_lpm"], 0.0)
    minutes = hood_gas.minutes_to_share(row["share"], tau)
    assert minutes == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "incubator_leak"))
def test_leak_behind_a_settled_reading(row: Any) -> None:
    leak = hood_gas.equivalent_leak_lpm(row["settled"], 1.0, row["flow_lpm"])
    assert leak == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "carbon_dioxide"))
def test_carbon_dioxide(row: Any) -> None:
    fraction = hood_gas.steady_carbon_dioxide(row["production_lpm"], row["flow_lpm"], 0.0)
    rise = fraction - hood_gas.AIR_CARBON_DIOXIDE
    assert rise == pytest.approx(row["expected"], abs=row["tolerance"])


def test_against_an_integrator() -> None:
    # the balance itself, stepped by scipy: V dC/dt = Q (Cin - C) + L (0.21 - C)
    volume, flow, leak, inlet, start = 60.0, 6.0, 2.5, 0.7, 0.24
    solved = solve_ivp(
        lambda _, c: (flow * (inlet - c) + leak * (0.21 - c)) / volume,
        (0.0, 25.0),
        [start],
        t_eval=np.linspace(0.0, 25.0, 26),
        rtol=1e-9,
        atol=1e-12,
    )
    final = hood_gas.steady_fraction(inlet, flow, leak)
    tau = hood_gas.time_constant_min(volume, flow, leak)
    ours = np.asarray(hood_gas.fraction_after(start, final, solved.t, tau))
    assert ours == pytest.approx(solved.y[0], abs=1e-7)


@given(st.floats(0.22, 0.9), st.floats(0.01, 0.09), st.floats(0.1, 20.0))
def test_flow_settles_at_what_it_was_asked_for(wanted: float, richer: float, leak: float) -> None:
    flow = hood_gas.flow_for_fraction_lpm(wanted, wanted + richer, leak)
    assert hood_gas.steady_fraction(wanted + richer, flow, leak) == pytest.approx(wanted)
    assert hood_gas.equivalent_leak_lpm(wanted, wanted + richer, flow) == pytest.approx(leak)


@given(st.floats(0.21, 1.0), st.floats(0.21, 1.0), st.floats(0.01, 0.99), st.floats(0.1, 30.0))
def test_time_to_a_fraction_lands_on_it(
    start: float, final: float, share: float, tau: float
) -> None:
    wanted = start + share * (final - start)
    minutes = hood_gas.minutes_to_fraction(start, final, wanted, tau)
    assert hood_gas.fraction_after(start, final, minutes, tau) == pytest.approx(wanted, abs=1e-9)


def test_time_to_a_fraction_that_is_there_or_is_never_met() -> None:
    assert hood_gas.minutes_to_fraction(0.3, 0.5, 0.3, 4.0) == 0.0
    assert np.isinf(hood_gas.minutes_to_fraction(0.3, 0.5, 0.5, 4.0))
    assert np.isinf(hood_gas.minutes_to_fraction(0.3, 0.5, 0.6, 4.0))
    assert np.isinf(hood_gas.minutes_to_fraction(0.3, 0.5, 0.25, 4.0))
    assert np.isinf(hood_gas.minutes_to_fraction(0.3, 0.3, 0.4, 4.0))


def test_more_flow_is_faster_and_clears_carbon_dioxide() -> None:
    flows = np.linspace(1.0, 20.0, 50)
    assert np.all(np.diff(np.asarray(hood_gas.time_constant_min(60.0, flows, 2.0))) < 0.0)
    assert np.all(np.diff(np.asarray(hood_gas.steady_carbon_dioxide(0.018, flows, 0.0))) < 0.0)
    assert np.all(np.diff(np.asarray(hood_gas.steady_fraction(1.0, flows, 3.0))) > 0.0)


def test_an_open_door() -> None:
    kept = hood_gas.kept_share(30.0, 2.0, 60.0)
    assert kept == pytest.approx(np.exp(-1.0))
    assert hood_gas.fraction_after_opening(0.50, kept) == pytest.approx(0.21 + 0.29 * np.exp(-1.0))
    assert hood_gas.fraction_after_opening(0.50, 0.0) == pytest.approx(0.21)
    assert hood_gas.fraction_after_opening(0.50, 1.0) == pytest.approx(0.50)


def test_edges_are_unknown_never_invented() -> None:
    assert np.isnan(hood_gas.steady_fraction(1.0, 0.0, 0.0))
    assert np.isnan(hood_gas.steady_carbon_dioxide(0.018, 0.0, 0.0))
    assert np.isinf(hood_gas.time_constant_min(60.0, 0.0, 0.0))
    assert np.isinf(hood_gas.flow_for_fraction_lpm(0.5, 0.4, 2.0))
    assert hood_gas.flow_for_fraction_lpm(0.21, 1.0, 2.0) == 0.0
    assert np.isnan(hood_gas.equivalent_leak_lpm(0.21, 1.0, 2.0))
    assert np.all(np.isnan(hood_gas.minutes_to_share(np.array([-0.1, 1.0, np.nan]), 5.0)))
