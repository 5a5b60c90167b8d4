"""Percentage points against SciPy, the standard library and the printed check values."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from scipy import special

from warmhold.science.normal import normal_quantile


def test_against_scipy_and_the_standard_library() -> None:
    inner = np.random.default_rng(3).random(20_000)
    tails = np.geomspace(1e-300, 0.5, 4000, endpoint=False)
    share = np.concatenate([inner, tails, 1.0 - tails[tails > 1e-15], [0.075, 0.925, 0.5]])
    found = normal_quantile(share)
    np.testing.assert_allclose(found, special.ndtri(share), rtol=3e-15, atol=1e-16)
    library = [NormalDist().inv_cdf(float(one)) for one in share]
    np.testing.assert_allclose(found, library, rtol=2e-15, atol=1e-16)


def test_the_check_values_of_the_algorithm() -> None:
    """Wichura (1988), test values of PPND16 (memory; SciPy gives the same)."""
    found = normal_quantile(np.array([0.25, 0.001, 1e-20]))
    np.testing.assert_allclose(
        found, [-0.6744897501960817, -3.090232306167814, -9.262340089798408], rtol=1e-15
    )


def test_any_shape_and_what_is_refused() -> None:
    assert normal_quantile(np.full((2, 3), 0.5)).tolist() == [[0.0] * 3] * 2
    for wrong in (0.0, 1.0, -0.1, np.nan):
        with pytest.raises(ValueError, match="above 0 and below 1"):
            normal_quantile(np.array([0.5, wrong]))
