"""The update against an independent Kalman filter (filterpy), and what it may never do."""

from __future__ import annotations

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter, update
from numpy.typing import NDArray

from warmhold.watch.filter import gain, sure_weights
from warmhold.watch.filter import update as ensemble_update

Floats = NDArray[np.float64]
TOLERANCE = 1e-8  # asked for by the plan of this step; both do the same sums in doubles


def ensemble(members: int, seed: int) -> Floats:
    """Correlated normal members of three quantities."""
    mix = np.array([[1.0, 0.0, 0.0], [0.6, 0.8, 0.0], [-0.3, 0.2, 0.5]])
    return 5.0 + np.random.default_rng(seed).standard_normal((members, 3)) @ mix.T


def serial(x: Floats, h: Floats, value: float, variance: float) -> Floats:
    predicted = x @ h
    return ensemble_update(x, predicted, gain(x, predicted, value, variance))


@pytest.mark.parametrize("members", [4, 40, 400])
def test_a_linear_system_against_filterpy(members: int) -> None:
    """Twenty steps of a linear system, two observations each, from the ensemble's own moments."""
    f = np.array([[1.0, 0.1, 0.0], [0.0, 0.95, 0.05], [0.02, 0.0, 0.9]])
    h = np.array([[1.0, 0.0, 0.0], [0.3, 0.0, 1.0]])
    noise = np.array([0.25, 0.6])
    rng = np.random.default_rng(3)
    x = ensemble(members, 1)
    kf = KalmanFilter(dim_x=3, dim_z=2)
    kf.x, kf.P = x.mean(axis=0), np.cov(x.T)
    kf.F, kf.H, kf.R, kf.Q = f, h, np.diag(noise), np.zeros((3, 3))
    for _ in range(20):
        seen = rng.standard_normal(2) + 5.0
        x = x @ f.T
        kf.predict()
        kf.update(seen)
        for row in range(2):
            x = serial(x, h[row], float(seen[row]), float(noise[row]))
        assert np.allclose(x.mean(axis=0), kf.x, rtol=0.0, atol=TOLERANCE)
        assert np.allclose(np.cov(x.T), kf.P, rtol=0.0, atol=TOLERANCE)


def test_inflation_against_filterpy() -> None:
    """Deviations grown by a factor are a process noise of (factor squared - 1) times P."""
    x = ensemble(60, 2)
    factor = 1.03
    kf = KalmanFilter(dim_x=3, dim_z=1)
    kf.x, kf.P = x.mean(axis=0), np.cov(x.T)
    kf.F, kf.H, kf.R = np.eye(3), np.array([[0.0, 1.0, 0.0]]), np.array([[0.4]])
    for step in range(10):
        x = x.mean(axis=0) + factor * (x - x.mean(axis=0))
        kf.Q = (factor**2 - 1.0) * kf.P
        kf.predict()
        kf.update(5.0 + 0.1 * step)
        x = serial(x, np.array([0.0, 1.0, 0.0]), 5.0 + 0.1 * step, 0.4)
    assert np.allclose(x.mean(axis=0), kf.x, rtol=0.0, atol=TOLERANCE)
    assert np.allclose(np.cov(x.T), kf.P, rtol=0.0, atol=TOLERANCE)


def test_a_row_on_trial_moves_as_a_kalman_mean_would() -> None:
    """A row that takes the ensemble's gain with its own innovation is filterpy's update of it."""
    x = ensemble(30, 4)
    other = np.array([7.0, 3.0, 5.5])
    predicted = x[:, 0]
    g = gain(x, predicted, 5.4, 0.3)
    moved = other + (5.4 - other[0]) * g.mean
    expected, _ = update(other, np.cov(x.T), 5.4, 0.3, np.array([[1.0, 0.0, 0.0]]))
    assert np.allclose(moved, expected, rtol=0.0, atol=TOLERANCE)


def test_weights_of_nothing_leave_a_column_alone() -> None:
    x = ensemble(50, 5)
    g = gain(x, x[:, 0], 6.0, 0.2, np.array([1.0, 0.0, 1.0]))
    after = ensemble_update(x, x[:, 0], g)
    assert np.array_equal(after[:, 1], x[:, 1])
    assert not np.allclose(after[:, 0], x[:, 0])


def test_chance_correlations_are_damped_and_real_ones_kept() -> None:
    rng = np.random.default_rng(6)
    signal = rng.standard_normal(200)
    x = np.column_stack([signal, 0.9 * signal + 0.1 * rng.standard_normal(200)])
    unrelated = rng.standard_normal((200, 200))
    assert sure_weights(x, signal).min() > 0.99
    # of weights for columns that have nothing to do with it, most are near zero
    assert np.median(sure_weights(unrelated, signal)) < 0.05


def test_a_constant_column_gets_no_weight() -> None:
    x = np.column_stack([np.linspace(0, 1, 20), np.full(20, 3.0)])
    assert sure_weights(x, x[:, 0])[1] == 0.0
