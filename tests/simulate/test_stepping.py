"""How an ensemble is stepped: edges, members apart, outputs, the empty battery, compiled code."""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
import pytest
from laboratory import KEEP_ALL, TERM, hood_setup
from trips import TRIPS, winter_road

from warmhold.simulate import compiled
from warmhold.simulate import layout as at
from warmhold.simulate.compiled import machine_code
from warmhold.simulate.equations import rates
from warmhold.simulate.stepping import advance

# --- compiled code says what Python says -----------------------------------------------------

RANGES = {
    "temp_c": (-20, 60),
    "vapour_kpa": (0.1, 7),
    "humidity_g_m3": (0.5, 50),
    "pressure_kpa": (60, 105),
    "difference_k": (-20, 20),
    "air_speed_m_s": (0, 1),
    "natural_w_m2k": (0.5, 6),
    "forced_w_m2k": (0, 8),
    "warm_c": (20, 40),
    "cool_c": (-10, 40),
    "radiating_fraction": (0.4, 0.8),
    "wind_m_s": (0, 15),
    "film_w_m2k": (0.5, 9),
    "air_c": (10, 40),
    "radiant_c": (5, 40),
    "radiant_w_m2k": (1, 6),
    "weight_g": (400, 7000),
    "length_cm": (25, 60),
    "value": (-5, 5),
    "start": (-3, -1),
    "end": (1, 3),
    "gestation_weeks": (23, 43),
    "skin_c": (28, 40),
    "core_c": (30, 41),
    "age_days": (0, 28),
    "age_h": (0, 700),
    "first": (0.1, 20),
    "second": (0.1, 20),
    "insulation_m2k_w": (0, 0.3),
    "heat_w": (0, 20),
    "ventilation": (0, 3),
    "inspired_g_m3": (0, 40),
    "water_g_h": (0, 5),
    "inspired_c": (0, 40),
    "density_kg_m3": (0.8, 1.3),
    "rest_w_kg": (1.2, 2.6),
    "ceiling_w_kg": (1.2, 6),
    "readiness": (0, 1),
    "battery_c": (-25, 50),
    "is_lead": (0, 1),
    "power_w": (0, 300),
    "rated_power_w": (2, 80),
    "peukert": (1, 1.3),
    "age_years": (0, 15),
    "charged_share": (0, 1),
}


def registered() -> list[Callable[..., Any]]:
    """Every science function that the engine may compile."""
    found = []
    for name in compiled._SCIENCE:
        module = importlib.import_module(f"warmhold.science.{name}")
        found += [
            item
            for item in vars(module).values()
            if inspect.isfunction(item) and item.__module__ == module.__name__
        ]
    return found


def drawn(function: Callable[..., Any], count: int) -> list[np.ndarray]:
    generator = np.random.default_rng(7)
    columns = []
    for name in inspect.signature(function).parameters:
        low, high = RANGES[name]
        column = generator.uniform(low, high, count)
        columns.append(np.round(column) if name == "is_lead" else column)
    return columns


def each(function: Callable[..., Any]) -> str:
    return f"{function.__module__.rsplit('.', 1)[-1]}.{function.__name__}"


def test_there_are_functions_to_compare() -> None:
    assert len(registered()) > 30


@pytest.mark.parametrize("function", registered(), ids=each)
def test_arrays_and_floats_agree(function: Callable[..., Any]) -> None:
    columns = drawn(function, 200)
    together = np.asarray(function(*columns))
    one_by_one = [float(function(*(float(x) for x in row))) for row in zip(*columns, strict=True)]
    np.testing.assert_allclose(together, one_by_one, rtol=1e-13, atol=1e-15)


def test_compiled_science_agrees_with_python() -> None:
    """All registered functions, compiled as one, on random inputs."""
    functions = registered()
    lines = ["def _all(x, out):"]
    scope: dict[str, Any] = {}
    columns = [drawn(f, 200) for f in functions]
    place = 0
    for number, (function, cols) in enumerate(zip(functions, columns, strict=True)):
        scope[f"f{number}"] = function
        arguments = ", ".join(f"x[{place + i}, m]" for i in range(len(cols)))
        lines.append(
            f"    for m in range(x.shape[1]):\n        out[{number}, m] = f{number}({arguments})"
        )
        place += len(cols)
    exec("\n".join(lines), scope)
    table = np.array([column for cols in columns for column in cols])
    out = np.empty((len(functions), 200))
    numba.njit(error_model="numpy")(scope["_all"])(table, out)
    for number, (function, cols) in enumerate(zip(functions, columns, strict=True)):
        python = np.asarray(function(*cols))
        np.testing.assert_allclose(
            out[number], python, rtol=1e-12, atol=1e-14, err_msg=each(function)
        )


def _one(y, p, c, alive):  # type: ignore[no-untyped-def]
    dy = np.zeros(at.N_STATE)
    flow = np.zeros(at.N_FLOW)
    rates(y, p, c, alive, dy, flow)
    return dy, flow


def test_compiled_rates_agree_with_numpy_for_one_member_and_for_columns() -> None:
    fast = machine_code(_one)
    for setup in (make() for make in TRIPS.values()):
        trace = setup.run().run.trace[0, :, : at.N_STATE]
        ends = 1 + np.cumsum(setup.outputs)
        stretch = np.searchsorted(ends, np.arange(trace.shape[0]), side="right")
        stretch = np.minimum(stretch, setup.outputs.size - 1)
        c = setup.conditions[0, stretch]
        p = np.repeat(setup.p, trace.shape[0], axis=0)
        alive = np.where((c[:, at.ON_EXTERNAL] > 0.5) | (trace[:, at.CHARGE] > 0.0), 1.0, 0.0)
        dy = np.zeros((at.N_STATE, trace.shape[0]))
        flow = np.zeros((at.N_FLOW, trace.shape[0]))
        rates(trace.T, p.T, c.T, alive, dy, flow)
        for m in range(trace.shape[0]):
            fast_dy, fast_flow = fast(trace[m], p[m], c[m], alive[m])
            slow_dy, slow_flow = _one(trace[m], p[m], c[m], alive[m])
            for one, other, columns in ((fast_dy, slow_dy, dy), (fast_flow, slow_flow, flow)):
                np.testing.assert_allclose(one, other, rtol=1e-11, atol=1e-12)
                np.testing.assert_allclose(columns[:, m], other, rtol=1e-11, atol=1e-12)


# --- edges, outputs, members ------------------------------------------------------------------


def test_members_do_not_touch_one_another() -> None:
    temperatures = np.array([-10.0, 5.0, 20.0])
    stretches = [(20, {"AMBIENT": temperatures}), (10, {"AMBIENT": 15.0, "ON_EXTERNAL": 0.0})]
    together = hood_setup(TERM, stretches, members=3).run().run
    for m, ambient in enumerate(temperatures):
        alone = hood_setup(TERM, [(20, {"AMBIENT": ambient}), stretches[1]]).run().run
        np.testing.assert_array_equal(together.trace[m], alone.trace[0])
        np.testing.assert_array_equal(together.last[m], alone.last[0])


def test_outputs_stand_at_equal_fractions_of_each_members_own_stretches() -> None:
    s = hood_setup(TERM, [(20, {}), (10, {})], members=2)
    durations = np.array([[1200.0, 600.0], [1500.0, 0.0]])
    run = advance(s.start, s.p, durations, s.conditions, np.array([4, 2]), s.step_s, KEEP_ALL)
    np.testing.assert_allclose(run.clock_s[0], [0, 300, 600, 900, 1200, 1500, 1800])
    np.testing.assert_allclose(run.clock_s[1], [0, 375, 750, 1125, 1500, 1500, 1500])


def test_a_stretch_without_length_changes_nothing() -> None:
    s = hood_setup(TERM, [(20, {}), (5, {"AMBIENT": -20.0, "OPENING": 0.015})])
    durations = np.array([[1200.0, 0.0]])
    run = advance(s.start, s.p, durations, s.conditions, s.outputs, s.step_s, KEEP_ALL)
    states = run.trace[0, :, : at.N_STATE]
    np.testing.assert_array_equal(states[s.outputs[0]], states[-1])


def test_cutting_a_stretch_in_two_changes_nothing() -> None:
    whole = hood_setup(TERM, [(60, {"AMBIENT": 5.0})]).run().run
    parts = hood_setup(TERM, [(20, {"AMBIENT": 5.0}), (40, {"AMBIENT": 5.0})]).run().run
    np.testing.assert_allclose(whole.trace, parts.trace, rtol=1e-12, atol=1e-12)


def test_inputs_are_left_as_they_were_and_need_not_be_contiguous() -> None:
    s = winter_road()
    start, p = np.asfortranarray(np.repeat(s.start, 3, axis=0)), np.repeat(s.p, 3, axis=0)[::1]
    before = start.copy(), p.copy()
    run = advance(
        start, p, np.repeat(s.durations_s, 3, axis=0), np.repeat(s.conditions, 3, axis=0),
        s.outputs, s.step_s, KEEP_ALL,
    )  # fmt: skip
    np.testing.assert_array_equal(start, before[0])
    np.testing.assert_array_equal(p, before[1])
    np.testing.assert_array_equal(run.trace[2], s.run().run.trace[0])


def test_only_what_is_kept_comes_back_in_the_order_asked_for() -> None:
    s = winter_road()
    full = s.run().run.trace
    keep = np.array([at.N_STATE + at.F_HEATER, at.CORE, at.AIR])
    some = advance(s.start, s.p, s.durations_s, s.conditions, s.outputs, s.step_s, keep)
    np.testing.assert_array_equal(some.trace, full[:, :, keep])


# --- the empty battery ------------------------------------------------------------------------


def test_the_moment_of_an_empty_battery_does_not_hang_on_the_step() -> None:
    found = []
    for step in (60.0, 10.0, 1.0):
        s = hood_setup(
            TERM, [(60, {"ON_EXTERNAL": 0.0, "AMBIENT": 10.0})], stood_c=33.0, step_s=step
        )
        found.append(s.run().run.empty_s[0])
    assert np.isfinite(found).all()
    assert np.ptp(found) < 1.0


def test_without_power_heater_bus_and_fan_are_off_and_power_comes_back() -> None:
    s = hood_setup(
        TERM,
        [(60, {"ON_EXTERNAL": 0.0, "AMBIENT": 10.0}), (30, {"AMBIENT": 10.0})],
        stood_c=33.0,
        charge_share=0.2,
    )
    record = s.run()
    dead = (record.minutes[0] > record.run.empty_s[0] / 60.0) & (record.minutes[0] <= 60.0)
    assert dead.sum() > 10
    assert (record.flow("F_HEATER")[0, dead] == 0.0).all()
    assert (record.flow("F_BUS")[0, dead] == 0.0).all()
    assert (record.state("CHARGE")[0, dead] == 0.0).all()
    assert (np.diff(record.state("AIR")[0, dead]) < 0.0).all()
    after = record.minutes[0] > 61.0
    assert (record.flow("F_HEATER")[0, after] > 0.0).all()
    assert record.state("CHARGE")[0, -1] > 0.0


def test_a_unit_that_starts_empty_is_off_from_the_first_output() -> None:
    s = hood_setup(TERM, [(10, {"ON_EXTERNAL": 0.0})], charge_share=0.0)
    record = s.run()
    assert (record.flow("F_BUS") == 0.0).all()


def test_a_unit_that_starts_empty_says_when_it_lost_power() -> None:
    s = hood_setup(
        TERM,
        [(0, {"ON_EXTERNAL": 0.0}), (10, {"EXTERNAL_W": 25.0}), (10, {"ON_EXTERNAL": 0.0})],
        charge_share=0.0,
    )
    assert s.run().run.empty_s[0] == 600.0


def test_a_source_too_weak_for_the_electronics_draws_on_the_battery() -> None:
    s = hood_setup(TERM, [(60, {"EXTERNAL_W": 0.0, "AMBIENT": 15.0})])
    record = s.run()
    assert record.state("CHARGE")[0, -1] < record.state("CHARGE")[0, 0]
