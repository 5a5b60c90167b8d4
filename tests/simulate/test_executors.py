"""Two executors of one set of equations: machine code for eight members at once, and NumPy."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from typing import Any

import numba
import numpy as np
import pytest
from laboratory import KEEP_ALL
from trips import TRIPS, winter_road

from plan.cases import shipped_case
from warmhold.simulate import block, lanes, march, stepping
from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates
from warmhold.simulate.plain import derivatives_at, slopes_at
from warmhold.simulate.scenario import prepare
from warmhold.simulate.stepping import CONTROLLED, Run, advance

AGREE = 1e-10
SETTINGS = {"winter-road": 36.0, "island-flight": 37.0, "cooled-hot-day": 20.0, "term-by-day": 31.0}
SEED = 20260101


def _evaluate(row):  # type: ignore[no-untyped-def]
    lanes.settle_block(row)
    lanes.step_block(row)
    lanes.flows_block(row)


evaluate: Any = numba.njit(error_model="numpy")(_evaluate)


def on_scale(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Largest difference of each quantity (last axis) over its size."""
    rest = tuple(range(one.ndim - 1))
    return np.abs(one - other).max(axis=rest) / np.maximum(np.abs(other).max(axis=rest), 1e-3)


def random_members(count: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """States far wider than any trip, with the constants and conditions of the shipped trips."""
    generator = np.random.default_rng(seed)
    y, p, c = [], [], []
    for name, air_set_c in SETTINGS.items():
        e = prepare(shipped_case(name), count, seed, air_set_c=air_set_c)
        low = np.zeros(at.N_STATE)
        high = np.full(at.N_STATE, 1.0)
        for index in (at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.PACK):
            low[index], high[index] = -15.0, 45.0
        low[at.HEATER], high[at.HEATER] = -10.0, 90.0
        low[at.VAPOUR], high[at.VAPOUR] = 0.5, 45.0
        low[at.SKIN], high[at.SKIN] = 28.0, 39.0
        low[at.CORE], high[at.CORE] = 31.0, 40.0
        low[at.INTEGRAL], high[at.INTEGRAL] = -150.0, 250.0
        low[at.SKIN_INTEGRAL], high[at.SKIN_INTEGRAL] = -5.0, 5.0
        low[at.CHARGE], high[at.CHARGE] = -0.1, 1.05 * e.p[:, at.USABLE_WH].max()
        low[at.OXYGEN], high[at.OXYGEN] = 0.1, 1.0
        low[at.CARBON], high[at.CARBON] = 0.0, 0.02
        low[at.WATER], high[at.WATER] = -0.5, 3.0
        y.append(generator.uniform(low, high, (count, at.N_STATE)))
        p.append(e.p)
        stretch = generator.integers(0, e.conditions.shape[1], count)
        c.append(e.conditions[np.arange(count), stretch])
    alive = generator.integers(0, 2, len(SETTINGS) * count).astype(np.float64)
    return np.concatenate(y).T, np.concatenate(p).T, np.concatenate(c).T, alive


def test_rates_and_flows_agree_over_random_states() -> None:
    y, p, c, alive = random_members(400, 5)
    slow_dy, slow_flow = slopes_at(y, p, c, alive)
    row, _ = block.new_block()
    fast_dy, fast_flow = np.empty_like(slow_dy), np.empty_like(slow_flow)
    for begin in range(0, y.shape[1], block.LANES):
        here = slice(begin, begin + block.LANES)
        row[block.R_Y : block.R_Y + at.N_STATE] = y[:, here]
        row[block.R_BETWEEN : block.R_BETWEEN + at.N_STATE] = y[:, here]
        row[block.R_P : block.R_P + at.N_PARAM] = p[:, here]
        row[block.R_C : block.R_C + at.N_CONDITION] = c[:, here]
        row[block.R_ALIVE] = alive[here]
        row[block.R_LENGTH], row[block.R_WISH], row[block.R_TOLERANCE] = 1e4, 10.0, 1.0
        evaluate(row)
        fast_dy[:, here] = row[block.R_FIRST : block.R_FIRST + at.N_STATE]
        fast_flow[:, here] = row[block.R_FLOW : block.R_FLOW + at.N_FLOW]
    assert (on_scale(fast_dy.T, slow_dy.T) < 1e-13).all()
    assert (on_scale(fast_flow.T, slow_flow.T) < 1e-13).all()
    assert np.abs(slow_dy).max(axis=1).min() > 0.0, "a rate that is always nought compares nothing"


def test_derivatives_are_those_of_the_rates() -> None:
    """Against central differences, on random states that are not at a limit."""
    y, p, c, alive = random_members(50, 6)
    exact = derivatives_at(y, p, c, alive)
    for j in range(at.N_STATE):
        d = 1e-5 * max(1.0, float(np.abs(y[j]).max()) / 50.0)
        up, down = y.copy(), y.copy()
        up[j] += d
        down[j] -= d
        ahead, behind = slopes_at(up, p, c, alive)[0], slopes_at(down, p, c, alive)[0]
        here = slopes_at(y, p, c, alive)[0]
        smooth = np.abs(ahead - 2.0 * here + behind) < 1e-4 * np.abs(ahead - behind) + 1e-9
        differences = (ahead - behind) / (2.0 * d)
        for i in range(at.N_STATE):
            found = np.broadcast_to(exact.get((i, j), 0.0), alive.shape)
            rows = smooth[i]
            assert rows.mean() > 0.8
            np.testing.assert_allclose(
                found[rows], differences[i, rows], rtol=2e-4,
                atol=1e-6 * max(1.0, float(np.abs(here[i]).max())), err_msg=f"{i} by {j}",
            )  # fmt: skip


def assert_same(one: Run, other: Run) -> None:
    """To 1e-10; to 1e-9 what hangs on the humidifier, whose narrow band is crossed to and fro."""
    np.testing.assert_array_equal(one.steps, other.steps)
    np.testing.assert_allclose(one.clock_s, other.clock_s, rtol=1e-13)
    np.testing.assert_allclose(one.empty_s, other.empty_s, rtol=AGREE)
    apart = on_scale(one.trace, other.trace)
    moist = np.array([at.VAPOUR, at.INTEGRAL, at.WATER, at.HEAT_LEDGER, at.WATER_LEDGER])
    dry = np.setdiff1d(np.arange(at.N_STATE), moist)
    assert (apart[dry] < AGREE).all(), apart
    assert (apart < 10 * AGREE).all(), apart
    np.testing.assert_allclose(one.trace[:, -1, : at.N_STATE], one.last, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("name", SETTINGS)
def test_both_agree_over_a_shipped_trip(name: str) -> None:
    e = prepare(shipped_case(name), 24, SEED, air_set_c=SETTINGS[name])
    given = (e.start, e.p, e.durations_s, e.conditions, e.outputs, e.steps_s, KEEP_ALL)
    assert_same(advance(*given), advance(*given, executor="plain"))


@pytest.mark.parametrize("name", TRIPS)
@pytest.mark.parametrize("step_s", [CONTROLLED, 20.0])
def test_both_agree_over_an_invented_trip(name: str, step_s: float) -> None:
    s = TRIPS[name]()
    steps = np.full_like(s.step_s, step_s)
    given = (s.start, s.p, s.durations_s, s.conditions, s.outputs, steps, KEEP_ALL)
    assert_same(advance(*given), advance(*given, executor="plain"))


def test_a_member_comes_out_the_same_whoever_is_beside_it() -> None:
    """Bit by bit: in any lane, in any number of threads, at a pace of its own."""
    e = prepare(shipped_case("winter-road"), 101, SEED, air_set_c=36.0)
    given = (e.durations_s, e.conditions, e.outputs, e.steps_s, KEEP_ALL)
    many = advance(e.start, e.p, *given, threads=3)
    one = advance(e.start, e.p, *given, threads=1)
    np.testing.assert_array_equal(many.trace, one.trace)
    turned = np.random.default_rng(1).permutation(101)[:37]
    few = replace(
        e, start=e.start[turned], p=e.p[turned], durations_s=e.durations_s[turned],
        conditions=e.conditions[turned],
    )  # fmt: skip
    run = advance(
        few.start, few.p, few.durations_s, few.conditions, few.outputs, few.steps_s, KEEP_ALL
    )
    np.testing.assert_array_equal(run.trace, many.trace[turned])
    np.testing.assert_array_equal(run.empty_s, many.empty_s[turned])
    np.testing.assert_array_equal(run.steps, many.steps[turned])


def test_processes_beside_each_other_can_be_held_to_one_thread(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv(stepping.THREADS, raising=False)
    all_ = stepping.processors()
    monkeypatch.setenv(stepping.THREADS, "1")
    assert stepping.processors() == 1
    for nothing in ("", "0", "many", "-2"):
        monkeypatch.setenv(stepping.THREADS, nothing)
        assert stepping.processors() == all_


def test_what_is_kept_does_not_change_the_steps() -> None:
    e = prepare(shipped_case("term-by-day"), 20, SEED, air_set_c=31.0)
    given = (e.start, e.p, e.durations_s, e.conditions)
    all_ = advance(*given, e.outputs, e.steps_s, KEEP_ALL)
    none = advance(*given, np.ones_like(e.outputs), e.steps_s, np.zeros(0, dtype=np.int64))
    np.testing.assert_array_equal(all_.last, none.last)
    np.testing.assert_array_equal(all_.steps, none.steps)
    assert none.trace.shape == (20, 1 + e.outputs.size, 0)


def test_no_members_is_no_fault() -> None:
    s = winter_road()
    for executor in ("compiled", "plain"):
        run = advance(
            s.start[:0], s.p[:0], s.durations_s[:0], s.conditions[:0], s.outputs, s.step_s,
            KEEP_ALL, executor=executor,
        )  # fmt: skip
        assert run.trace.shape[0] == run.last.shape[0] == 0


def test_numbers_that_are_none_come_to_an_end() -> None:
    s = winter_road()
    start = np.repeat(s.start, 2, axis=0)
    start[0, at.AIR] = np.nan
    given = (
        np.repeat(s.p, 2, axis=0), 0.1 * np.repeat(s.durations_s, 2, axis=0),
        np.repeat(s.conditions, 2, axis=0), s.outputs, np.full_like(s.step_s, CONTROLLED), KEEP_ALL,
    )  # fmt: skip
    for executor in ("compiled", "plain"):
        run = advance(start, *given, executor=executor)
        assert np.isnan(run.last[0, at.AIR])
        assert np.isfinite(run.last[1]).all(), "one member's fault is not another's"


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"outputs": np.array([1])}, "stretches"),
        ({"durations_s": np.full((1, 8), -1.0)}, "durations"),
        ({"p": np.zeros((1, 3))}, "start and p"),
        ({"keep": np.array([at.N_STATE + at.N_FLOW])}, "keep"),
        ({"keep": np.array([-1])}, "keep"),
        ({"conditions": np.zeros((1, 8, 2))}, "conditions"),
        ({"tolerance": 0.0}, "tolerance"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(change: dict[str, Any], what: str) -> None:
    s = winter_road()
    given: dict[str, Any] = {
        "start": s.start, "p": s.p, "durations_s": s.durations_s, "conditions": s.conditions,
        "outputs": s.outputs, "step_s": s.step_s, "keep": KEEP_ALL, **change,
    }  # fmt: skip
    with pytest.raises(ValueError, match=what):
        advance(**given)


QUIET = """
import sys, warnings
warnings.simplefilter("error")
{before}
import numpy as np
sys.path[:0] = [{tests!r}, {here!r}]
from trips import winter_road
from warmhold.simulate import stepping
s = winter_road()
run = stepping.advance(
    s.start, s.p, s.durations_s, s.conditions, s.outputs, 0.0 * s.step_s, np.arange(9)
)
print(stepping._compiled() is None, repr(float(run.last[0, 0])))
"""


def in_a_fresh_process(before: str, **environment: str) -> tuple[bool, float]:
    here = os.path.dirname(__file__)
    code = QUIET.format(before=before, tests=os.path.dirname(here), here=here)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p), **environment},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    none, air = done.stdout.split()
    return none == "True", float(air)


def test_numpy_takes_over_in_silence() -> None:
    s = winter_road()
    steps = np.full_like(s.step_s, CONTROLLED)
    given = (s.start, s.p, s.durations_s, s.conditions, s.outputs, steps, KEEP_ALL)
    expected = float(advance(*given).last[0, at.AIR])
    absent = "import sys\nsys.modules['llvmlite'] = None"
    broken = (
        "import llvmlite.binding as b\ndef no(*a): raise RuntimeError('no engine')\n"
        "b.create_mcjit_compiler = no"
    )
    for before, environment in (("", {stepping.EXECUTOR: "plain"}), (absent, {}), (broken, {})):
        none, air = in_a_fresh_process(before, **environment)
        assert none, before
        assert air == pytest.approx(expected, rel=AGREE)


# --- exponentials and logarithms of compiled code ------------------------------------------------


def _write_functions(w: Any) -> None:
    w.store(1, w.exp(w.load(0)))
    w.store(3, w.log(w.load(2)))
    w.store(5, w.pow(w.load(2), w.load(4)))


functions_block = lanes._code(_write_functions)


def _functions(block):  # type: ignore[no-untyped-def]
    functions_block(block)


def apart_ulp(found: np.ndarray, exact: np.ndarray) -> float:
    return float((np.abs(found.astype(np.longdouble) - exact) / np.spacing(np.abs(found))).max())


def test_exponentials_logarithms_and_powers_are_within_two_units_of_the_last_place() -> None:
    """Against NumPy in extended precision, over a wider range than the equations use."""
    if np.finfo(np.longdouble).eps > 1e-18:
        pytest.skip("no extended precision on this machine")
    compiled: Any = numba.njit(error_model="numpy")(_functions)
    generator = np.random.default_rng(3)
    row = np.zeros((6, 8))
    worst = np.zeros(3)
    for _ in range(4000):
        row[0] = generator.uniform(-30.0, 30.0, 8)
        row[2] = np.exp(generator.uniform(-12.0, 12.0, 8))
        row[4] = generator.uniform(0.03, 1.0, 8)
        compiled(row.reshape(-1))
        x, a = row[2].astype(np.longdouble), row[4].astype(np.longdouble)
        exact = (np.exp(row[0].astype(np.longdouble)), np.log(x), x**a)
        worst = np.maximum(worst, [apart_ulp(row[2 * k + 1], e) for k, e in enumerate(exact)])
    assert worst[0] <= 2.0, worst
    assert worst[1] <= 2.0, worst
    # a power's error grows with its exponent's size: up to 12 here, under 2 in the equations
    assert worst[2] <= 10.0, worst


def test_the_ends_of_the_range() -> None:
    compiled: Any = numba.njit(error_model="numpy")(_functions)
    row = np.zeros((6, 8))
    row[0] = [0.0, -0.0, 700.0, -700.0, 1e300, -1e300, 1e-300, np.inf]
    row[2] = [1.0, 0.0, 2.0, 0.5, 1e-300, 1e300, np.nextafter(1.0, 2.0), np.nextafter(1.0, 0.0)]
    row[4] = [0.6, 0.6, 0.0, 1.0, 0.1, 0.1, 1.0, 1.0]
    compiled(row.reshape(-1))
    np.testing.assert_array_equal(row[1, :2], 1.0)
    np.testing.assert_allclose(row[1, 2:4], np.exp([700.0, -700.0]), rtol=1e-15)
    np.testing.assert_allclose(row[1, 4:6], np.exp([700.0, -700.0]), rtol=1e-15)
    assert row[5, 1] < 1e-180  # a power of nought: the wind that does not blow
    held = [0, 2, 3, 4, 5, 6, 7]
    np.testing.assert_allclose(row[3, held], np.log(row[2, held]), rtol=4e-16, atol=1e-17)
    np.testing.assert_allclose(row[5, held], row[2, held] ** row[4, held], rtol=3e-14)


def test_machine_code_is_of_vectors() -> None:
    """No call is made from the step, and where the processor has wide registers they are used."""
    evaluate.compile((march.SIGNATURE[0],))
    text = next(iter(evaluate.inspect_asm().values()))
    arithmetic = [line for line in text.splitlines() if "mulpd" in line or "fmadd" in line]
    assert len(arithmetic) > 1000
    alone = [line for line in text.splitlines() if "mulsd" in line or "divsd" in line]
    assert len(alone) < 0.01 * len(arithmetic)
    for name in ("exp", "log", "pow"):
        assert f"@{name}" not in text
    if "zmm" in text:
        assert sum("zmm" in line for line in arithmetic) > 0.95 * len(arithmetic)


def test_the_graph_is_of_the_equations_text() -> None:
    """One evaluation with plain numbers, node by node, is one evaluation of the text."""
    y, p, c, alive = random_members(2, 8)
    counted = lanes.counted()
    assert 200 < sum(counted["rates"].values()) < 600
    assert sum(counted["step"].values()) < 5000
    dy, flow = np.empty((at.N_STATE, 8)), np.empty((at.N_FLOW, 8))
    rates(y, p, c, alive, dy, flow)
    np.testing.assert_array_equal(dy, slopes_at(y, p, c, alive)[0])
