"""Pieces of a log: a channel between two moments, weighted by time, refused when it has gaps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np

from warmhold.bench.log import NUMBERS, Floats, Log
from warmhold.bench.reading.units import plausible

_NEAR_S = 1e-6


@dataclass(frozen=True)
class Piece:
    """Readings of one channel in a window.

    seconds, values : readings inside the window, shape (n,)
    edge_seconds, edge_values : the same with the window's own ends, interpolated
    """

    seconds: Floats
    values: Floats
    edge_seconds: Floats
    edge_values: Floats

    @property
    def mean(self) -> float:
        """Mean weighted by time: the area under the straight lines between readings."""
        span = self.edge_seconds[-1] - self.edge_seconds[0]
        if span <= 0:
            return float(self.edge_values[0])
        return float(np.trapezoid(self.edge_values, self.edge_seconds) / span)

    @property
    def lowest(self) -> float:
        """Lowest reading."""
        return float(self.values.min())

    @property
    def highest(self) -> float:
        """Highest reading."""
        return float(self.values.max())

    @property
    def spread(self) -> float:
        """Highest less lowest reading."""
        return self.highest - self.lowest

    @property
    def departure(self) -> float:
        """Largest distance of a reading from the mean."""
        return float(np.max(np.abs(self.values - self.mean)))

    def means_of_tenths(self) -> list[float]:
        """Means of ten equal parts of the window, for the spread of its mean.

        Long enough to be nearly independent even though readings follow one another.
        """
        ends = np.linspace(self.edge_seconds[0], self.edge_seconds[-1], 11)
        out = []
        for start, end in pairwise(ends):
            inside = (self.edge_seconds > start) & (self.edge_seconds < end)
            at = np.concatenate(([start], self.edge_seconds[inside], [end]))
            values = np.interp(at, self.edge_seconds, self.edge_values)
            out.append(float(np.trapezoid(values, at) / (end - start)))
        return out

    def noise(self) -> float:
        """Standard deviation of one reading, from the steps between neighbours (von Neumann)."""
        if len(self.values) < 3:
            return 0.0
        return float(np.sqrt(np.mean(np.diff(self.values) ** 2) / 2))


@dataclass(frozen=True)
class Lack:
    """Why a piece cannot be used."""

    reason: str


def clock(log: Log, seconds: float) -> str:
    """Write a moment of a log as a clock time in UTC."""
    return f"{log.start_utc + timedelta(seconds=seconds):%H:%M:%S} UTC"


def read_at(log: Log, channel: str) -> tuple[Floats, Floats]:
    """Return when a channel was read and what, shape (n,) each; empty when it never was."""
    values = log.numbers.get(channel)
    if values is None:
        return np.empty(0), np.empty(0)
    there = np.isfinite(values)
    return log.seconds[there], values[there]


def piece(log: Log, channel: str, start_s: float, end_s: float, gap_s: float) -> Piece | Lack:
    """Return a channel between two moments, or why it cannot be used.

    start_s, end_s : window, since the first row of the log [s]
    gap_s : longest time without a reading that is let pass [s]
    """
    seconds, values = read_at(log, channel)
    if not len(seconds):
        return Lack(f"{channel} ({NUMBERS[channel][1]}) is not in this log")
    inside = (seconds >= start_s - _NEAR_S) & (seconds <= end_s + _NEAR_S)
    if not inside.any():
        return Lack(f"{channel} was not read in this window")
    at, read = seconds[inside], values[inside]
    stops = np.concatenate(([start_s], at, [end_s]))
    steps = np.diff(stops)
    if steps.max() > gap_s + _NEAR_S:
        where = int(np.argmax(steps))
        return Lack(
            f"{channel} has a gap of {steps.max() / 60:.1f} min from {clock(log, stops[where])}; "
            f"up to {gap_s / 60:g} min is let pass"
        )
    low, high = plausible(channel)
    odd = np.flatnonzero((read < low) | (read > high))
    if len(odd):
        return Lack(
            f"{channel} reads {read[odd[0]]:g} {NUMBERS[channel][0]} at {clock(log, at[odd[0]])}, "
            "which cannot be"
        )
    edges = np.interp([start_s, end_s], seconds, values)
    first = at[0] > start_s + _NEAR_S
    last = at[-1] < end_s - _NEAR_S
    edge_at = np.concatenate(([start_s] if first else [], at, [end_s] if last else []))
    edge_values = np.concatenate((edges[:1] if first else [], read, edges[1:] if last else []))
    return Piece(at, read, edge_at, edge_values)


def crossing(seconds: Floats, values: Floats, level: float) -> float | None:
    """Return when values first rise to a level, by linear interpolation; ``None`` when never.

    seconds, values : readings in the order of time, shape (n,)
    level : in the unit of the values
    """
    if not len(values):
        return None
    if values[0] >= level:
        return float(seconds[0])
    above = np.flatnonzero(values >= level)
    if not len(above):
        return None
    i = above[0]
    share = (level - values[i - 1]) / (values[i] - values[i - 1])
    return float(seconds[i - 1] + share * (seconds[i] - seconds[i - 1]))


def settled(seconds: Floats, values: Floats, middle: float, reach: float) -> float | None:
    """Return when values come within reach of a middle to stay, by linear interpolation.

    seconds, values : readings in the order of time, shape (n,)
    middle, reach : in the unit of the values

    ``None`` when the last reading is still outside.
    """
    outside = np.flatnonzero(np.abs(values - middle) > reach + 1e-12)
    if not len(outside):
        return float(seconds[0])
    i = outside[-1]
    if i + 1 >= len(values):
        return None
    edge = middle + reach if values[i] > middle else middle - reach
    share = (edge - values[i]) / (values[i + 1] - values[i])
    return float(seconds[i] + share * (seconds[i + 1] - seconds[i]))


def slope(seconds: Floats, values: Floats, at_s: float, over_s: float) -> float:
    """Return the slope of values around a moment, by least squares [unit/s].

    over_s : width of the stretch it is fitted over [s]
    """
    near = np.abs(seconds - at_s) <= over_s / 2
    if near.sum() < 3:
        order = np.argsort(np.abs(seconds - at_s))[:3]
        near = np.zeros(len(seconds), dtype=bool)
        near[order] = True
    x = seconds[near] - seconds[near].mean()
    below = float(np.sum(x**2))
    return float(np.sum(x * values[near]) / below) if below > 0 else 0.0


def area(seconds: Floats, values: Floats) -> float:
    """Return the area under readings, by straight lines between them [unit s]."""
    return float(np.trapezoid(values, seconds))


def thinned(seconds: Floats, values: Floats, most: int = 480) -> tuple[Floats, Floats]:
    """Thin a curve for drawing; the lowest and highest reading of every stretch stay."""
    if len(seconds) <= most:
        return seconds, values
    keep: list[int] = []
    for block in np.array_split(np.arange(len(seconds)), most // 2):
        keep += sorted({block[int(values[block].argmin())], block[int(values[block].argmax())]})
    keep = sorted({0, *keep, len(seconds) - 1})
    return seconds[keep], values[keep]
