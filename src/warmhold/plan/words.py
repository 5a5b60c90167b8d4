"""How numbers and moments are put into words, the same everywhere."""

from __future__ import annotations

import math
from datetime import datetime, timedelta, timezone

import numpy as np
from numpy.typing import NDArray

from warmhold.plan.sheet import Band


def number(value: float, digits: int) -> str:
    """A number with a true minus sign and no negative zero."""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def band(values: Band, digits: int) -> str:
    """Middle value with its 5-95 % band."""
    low, middle, high = (number(v, digits) for v in (values.p05, values.p50, values.p95))
    return f"{middle} ({low} to {high})"


def band_of(values: NDArray[np.float64]) -> Band:
    """5th, 50th and 95th percentile of the members."""
    return Band(*(float(v) for v in np.quantile(values, (0.05, 0.5, 0.95))))


def share(probability: float) -> str:
    """A probability from an ensemble: rounded down, and never shown as certain."""
    if probability >= 0.995:
        return "over 99 %"
    if probability < 0.005:
        return "under 1 %"
    return f"{max(1, math.floor(100.0 * probability + 1e-9))} %"


def clock(moment: datetime, offset: timedelta) -> str:
    """Local time with its offset from UTC."""
    local = moment.astimezone(timezone(offset))
    zone = f"{local:%z}"
    return f"{local:%H:%M} {zone[:3]}:{zone[3:5]}"
