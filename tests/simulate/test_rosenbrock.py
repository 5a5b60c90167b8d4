"""The step: its order conditions, its values in between, its sparse elimination."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from warmhold.simulate import rosenbrock as r
from warmhold.simulate.symbols import Graph, Symbol, derivatives


def coefficients() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Alpha, Gamma (with its diagonal) and the matrix from one form's weights to the other's."""
    a, c = np.zeros((4, 4)), np.zeros((4, 4))
    a[1, :1], a[2, :2], a[3, :2] = r.ARGUMENT_2, r.ARGUMENT_3, r.ARGUMENT_3
    c[1, :1], c[2, :2], c[3, :3] = r.COUPLING_2, r.COUPLING_3, r.COUPLING_4
    gamma = np.linalg.inv(np.eye(4) / r.GAMMA - c)
    return a @ gamma, gamma, gamma


def conditions(b: np.ndarray) -> np.ndarray:
    """Left sides of the eight order conditions to the fourth order (Hairer and Wanner, IV.7)."""
    alpha, gamma, _ = coefficients()
    beta = alpha + gamma
    ai, bi = alpha.sum(axis=1), beta.sum(axis=1)
    return np.array([
        b.sum(), b @ bi, b @ ai**2, b @ (beta @ bi),
        b @ ai**3, b @ (ai * (alpha @ bi)), b @ (beta @ ai**2), b @ (beta @ (beta @ bi)),
    ])  # fmt: skip


EXACT = np.array([1, 1 / 2, 1 / 3, 1 / 6, 1 / 4, 1 / 8, 1 / 12, 1 / 24])


def test_order_conditions_of_the_step_and_of_its_error() -> None:
    gamma = coefficients()[2]
    np.testing.assert_allclose(conditions(np.array(r.WEIGHTS) @ gamma), EXACT, atol=1e-14)
    embedded = (np.array(r.WEIGHTS) - np.array(r.ERRORS)) @ gamma
    np.testing.assert_allclose(conditions(embedded)[:4], EXACT[:4], atol=1e-14)
    assert np.abs(conditions(embedded)[4:] - EXACT[4:]).max() > 0.01


def test_it_is_stable_for_any_decaying_state() -> None:
    """Stability function by a step of y' = z y, h = 1: below one in the left half plane."""
    for z in (-0.1, -1.0, -10.0, -1e6, 3j, -1 + 5j, -0.01 + 50j):
        made = r.step([1.0 + 0j], 1.0, [z], _solver({(0, 0): z}, 1.0, 1).solve, _linear(z))
        assert abs(made.end[0]) <= 1.0 + 1e-12, z


def _linear(z: complex) -> Any:
    return lambda state: [z * state[0]]


def _solver(slopes: r.Matrix, h: float, count: int) -> r.Eliminated:
    return r.eliminate(slopes, 1.0 / (r.GAMMA * h), count)


@pytest.fixture(autouse=True)
def _error_of_what_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(r, "SCALE", {0: 1.0})


def problem(y: list[Any]) -> list[Any]:
    """Two states, not linear: a fast one that follows a slow one."""
    return [-20.0 * (y[0] - y[1] * y[1]), -y[1] + 0.1 * y[0] * y[1]]


def slopes(y: list[float]) -> r.Matrix:
    return {
        (0, 0): -20.0, (0, 1): 40.0 * y[1], (1, 0): 0.1 * y[1], (1, 1): -1.0 + 0.1 * y[0],
    }  # fmt: skip


def run(steps: int) -> tuple[np.ndarray, np.ndarray]:
    """End after one unit of time, and the state at 0.3 of the step over the middle."""
    y, h = [0.5, 1.0], 1.0 / steps
    middle = np.zeros(2)
    for n in range(steps):
        first = problem(y)
        made = r.step(y, h, first, _solver(slopes(y), h, 2).solve, problem)
        if n == steps // 2:
            middle = np.array(r.between(y, first, h, made.g, 0.3))
        y = made.end
    return np.array(y), middle


def exact(t: float) -> np.ndarray:
    from scipy.integrate import solve_ivp  # noqa: PLC0415

    found = solve_ivp(
        lambda _t, y: problem(list(y)), (0.0, t), [0.5, 1.0], method="DOP853", rtol=1e-13,
        atol=1e-13,
    )  # fmt: skip
    return np.asarray(found.y[:, -1])


def test_error_falls_with_the_fourth_power_of_the_step() -> None:
    end = exact(1.0)
    errors = [np.abs(run(n)[0] - end).max() for n in (80, 160, 320)]
    order = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert (order > 3.7).all(), (errors, order)


def test_values_in_between_are_of_third_order_and_meet_both_ends() -> None:
    errors = []
    for n in (40, 80, 160):
        errors.append(np.abs(run(n)[1] - exact((n // 2 + 0.3) / n)).max())
    order = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert (order > 3.5).all(), (errors, order)  # the error of one step: a power more
    y, h = [0.5, 1.0], 0.1
    first = problem(y)
    made = r.step(y, h, first, _solver(slopes(y), h, 2).solve, problem)
    np.testing.assert_array_equal(r.between(y, first, h, made.g, 0.0), y)
    np.testing.assert_allclose(r.between(y, first, h, made.g, 1.0), made.end, rtol=1e-14)
    small = np.array(r.between(y, first, h, made.g, 1e-6)) - y
    np.testing.assert_allclose(small / (1e-6 * h), first, rtol=1e-4)


def test_elimination_solves_sparse_systems() -> None:
    generator = np.random.default_rng(4)
    for _ in range(50):
        count = int(generator.integers(1, 12))
        matrix = generator.normal(size=(count, count)) * (generator.random((count, count)) < 0.3)
        given = {
            (int(i), int(j)): float(matrix[i, j]) for i, j in zip(*matrix.nonzero(), strict=True)
        }
        right = generator.normal(size=count)
        found = r.eliminate(given, 8.0, count).solve(list(right))
        np.testing.assert_allclose(
            (8.0 * np.eye(count) - matrix) @ np.array(found), right, atol=1e-10
        )


def test_factor_shrinks_after_an_error_and_is_held() -> None:
    errors = np.array([0.0, 1e-3, 1.0, 16.0, 1e9])
    factors = r.factor(errors, 1.0)
    assert (np.diff(factors) <= 0.0).all()
    assert factors[0] == r.MOST_FACTOR
    assert factors[-1] == r.LEAST_FACTOR
    assert factors[2] == pytest.approx(r.SAFETY)
    assert factors[3] == pytest.approx(r.SAFETY / 2.0)


# --- symbols ---------------------------------------------------------------------------------


def test_derivatives_of_every_operation() -> None:
    def text(x: Any, z: Any) -> list[Any]:
        return [
            x * z + x / z - 3.0 * x, np.exp(x) * np.sqrt(z), (z + x) ** 0.23, np.abs(x - 2.0) / z,
            np.maximum(x, z) * np.minimum(x, 0.5 * z), np.where(x > z, x * x, z)[()],
            1.0 - (x if True else z),
        ]  # fmt: skip

    graph = Graph()
    leaves = [graph.leaf("y", 0), graph.leaf("y", 1)]
    outputs = text(Symbol(graph, leaves[0]), Symbol(graph, leaves[1]))
    found = derivatives(graph, [o.node for o in outputs], leaves)
    from warmhold.simulate.symbols import LEAVES, NUMPY  # noqa: PLC0415

    for x, z in ((1.3, 0.7), (0.2, 2.1), (2.7, 2.6)):
        values: dict[int, Any] = {}
        for node, (op, args) in enumerate(graph.nodes):
            if op == "number":
                values[node] = args[0]
            elif op in LEAVES:
                values[node] = (x, z)[args[0]]
            else:
                values[node] = NUMPY[op](*(values[a] for a in args))
        np.testing.assert_allclose(
            [values[o.node] for o in outputs], [float(v) for v in text(x, z)], rtol=1e-14
        )
        d = 1e-6
        for j, (dx, dz) in enumerate(((d, 0.0), (0.0, d))):
            ahead, behind = text(x + dx, z + dz), text(x - dx, z - dz)
            for i, (one, other) in enumerate(zip(ahead, behind, strict=True)):
                slope = values[found[i, j]] if (i, j) in found else 0.0
                assert slope == pytest.approx((one - other) / (2 * d), rel=1e-7, abs=1e-8), (i, j)


def test_text_that_branches_is_refused() -> None:
    graph = Graph()
    x = Symbol(graph, graph.leaf("y", 0))
    with pytest.raises(TypeError, match="choose"):
        bool(x > 1.0)
    with pytest.raises(TypeError):
        np.sin(x)
