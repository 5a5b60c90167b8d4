"""A value with its uncertainty, and how it is taken from an ensemble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SHARES = (0.05, 0.5, 0.95)


@dataclass(frozen=True)
class Band:
    """5th, 50th and 95th percentile of an ensemble."""

    p05: float
    p50: float
    p95: float


def band_of(values: Floats) -> Band:
    """Band of the members; a member may be infinite (something that never happens).

    Parameters
    ----------
    values : (members,) at least one, none of them NaN

    Returns
    -------
    A ``Band`` in the unit of the values.
    """
    if np.isfinite(values).all():
        return Band(*(float(v) for v in np.quantile(values, SHARES)))
    return Band(*(float(v) for v in np.quantile(values, SHARES, method="inverted_cdf")))
