"""One recorded trend in plain arrays, whatever file it came from; thinned where a person says so.

Thinning: the time from the first row on is parted into windows of one length. Each window that was
read makes one row, at the window's begin; of each quantity the median of its readings counts, the
lower of the two in the middle when their number is even. So every value is one that was told, a
single odd reading counts for nothing, and a row stands for the time until the next one. The lowest
and highest of all readings before are kept in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from warmhold.bench.log import Floats
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.exchange.trends.vocabulary import quantities

SAME_S = 1e-6  # moments closer than this are one row [s]
STEADY_MIN = 10.0  # a pulse that does not move for so long is told
MOVING = (
    "pulse_per_min", "breaths_per_min", "saturation_pre_percent", "saturation_post_percent",
)  # fmt: skip


@dataclass(frozen=True)
class Series:
    """Readings of one quantity.

    seconds : since the start of the trend, rising, shape (n,) [s]
    values : in the record's unit, shape (n,), NaN where nothing was read
    """

    seconds: Floats
    values: Floats


@dataclass(frozen=True)
class Recorded:
    """One trend of one source.

    source : the monitor or logger that told it
    start_utc : moment of second 0, UTC
    seconds : of each row, strictly rising, shape (n,) [s]
    numbers : quantity of the record -> values, shape (n,), NaN where nothing was read
    name, fingerprint : of the file, and its SHA-256
    noticed : what a reader should know about it, in words
    unused : columns or signals that the mapping does not name
    slowest_s : distance of the rows of the slowest signal, where signals come at different rates:
        then a row without a value does not mean that nothing was read; else 0 [s]
    """

    source: str
    start_utc: datetime
    seconds: Floats
    numbers: Mapping[str, Floats]
    name: str
    fingerprint: str
    noticed: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    slowest_s: float = 0.0

    def moment(self, row: int) -> datetime:
        """Return the moment of a row, UTC."""
        return self.start_utc + timedelta(seconds=float(self.seconds[row]))

    @property
    def end_utc(self) -> datetime:
        """Moment of the last row, UTC."""
        return self.moment(-1)

    def between(self, start: datetime, end: datetime) -> Recorded | None:
        """Return the rows from one moment to another, both with them; ``None`` without any."""
        low, high = ((one - self.start_utc).total_seconds() for one in (start, end))
        inside = (self.seconds >= low - SAME_S) & (self.seconds <= high + SAME_S)
        if not inside.any():
            return None
        first = float(self.seconds[inside][0])
        return replace(
            self,
            start_utc=self.start_utc + timedelta(seconds=first),
            seconds=np.round(self.seconds[inside] - first, 6),
            numbers={key: values[inside] for key, values in self.numbers.items()},
        )

    @property
    def series(self) -> dict[str, Series]:
        """Each quantity by itself."""
        return {key: Series(self.seconds, values) for key, values in self.numbers.items()}

    def thinned(self, every_s: float) -> Recorded:
        """Return one row for each window of a length; see the head of this module.

        every_s : from 1 to 3600 [s]

        Raises ``ValueError`` for another length.
        """
        if not 1.0 <= every_s <= 3600.0:
            raise ValueError(f"{every_s:g} s; a length from 1 to 3600 s is needed")
        seconds, values = rows_of({key: thinned(one, every_s) for key, one in self.series.items()})
        return replace(self, seconds=seconds, numbers=values, slowest_s=0.0)

    def doubtful(self) -> dict[str, list[int]]:
        """Return the rows of each quantity whose reading cannot be, from 0."""
        out = {}
        for key, values in self.numbers.items():
            low, high = quantities().plausible(key)
            rows = np.flatnonzero((values < low) | (values > high))
            if len(rows):
                out[key] = [int(one) for one in rows]
        return out


def without_held(one: Series, held_s: float) -> tuple[Series, int]:
    """Take out readings that stand unchanged for too long, and say how many.

    held_s : a value counts for so long since it was first told in a row [s]
    """
    if not len(one.values):
        return one, 0
    began = _runs(one.values)
    held = one.seconds - one.seconds[began] > held_s + SAME_S
    held &= np.isfinite(one.values)
    return Series(one.seconds, np.where(held, np.nan, one.values)), int(held.sum())


def _runs(values: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return for each reading where the run of equal readings began that it is in."""
    at = np.arange(len(values))
    new = np.ones(len(values), dtype=bool)
    new[1:] = values[1:] != values[:-1]
    return np.maximum.accumulate(np.where(new, at, 0))


def steady(numbers: Mapping[str, Series]) -> Iterator[str]:
    """Say where what always moves did not: the device may have held its last value."""
    for key in MOVING:
        one = numbers.get(key)
        if one is None or not len(one.values):
            continue
        lasted = np.where(
            np.isfinite(one.values), one.seconds - one.seconds[_runs(one.values)], 0.0
        )
        at = int(np.argmax(lasted))
        if lasted[at] > 60.0 * STEADY_MIN:
            yield (
                f"{key} stood at {one.values[at]:g} for {lasted[at] / 60:.0f} min: the device may "
                "have held its last value; held_s at its channel takes such readings out"
            )


def thinned(one: Series, every_s: float) -> Series:
    """Return one reading for each window; see the head of this module.

    every_s : length of a window [s]
    """
    read = np.isfinite(one.values)
    windows = np.floor((one.seconds[read] + SAME_S) / every_s).astype(np.int64)
    values = one.values[read]
    if not len(values):
        return Series(np.empty(0), np.empty(0))
    order = np.lexsort((values, windows))
    kept, first, count = np.unique(windows[order], return_index=True, return_counts=True)
    return Series(np.round(kept * every_s, 6), values[order][first + (count - 1) // 2])


def slowest_of(numbers: Mapping[str, Series]) -> float:
    """Return the distance of the rows of the slowest; 0 when all come at the same moments [s]."""
    every = list(numbers.values())
    if all(np.array_equal(one.seconds, every[0].seconds) for one in every):
        return 0.0
    return max(float(np.median(np.diff(one.seconds))) for one in every if len(one.seconds) > 1)


def rows_of(numbers: Mapping[str, Series]) -> tuple[Floats, dict[str, Floats]]:
    """Bring the readings of all quantities into common rows.

    Returns the seconds of the rows, shape (n,), and quantity -> values, shape (n,), NaN where a
    quantity has no reading in a row.
    """
    ticks = {key: np.round(one.seconds / SAME_S).astype(np.int64) for key, one in numbers.items()}
    every = list(ticks.values())
    if all(len(one) == len(every[0]) and bool((one == every[0]).all()) for one in every):
        rows = every[0]
    else:
        rows = np.unique(np.concatenate(every))
    out = {}
    for key, one in numbers.items():
        values = np.full(len(rows), np.nan)
        values[np.searchsorted(rows, ticks[key])] = one.values
        out[key] = values
    return np.round(rows * SAME_S, 6), out


def lowest_and_highest(numbers: Mapping[str, Series], vocabulary: Vocabulary) -> Iterator[str]:
    """Say the lowest and highest of each quantity, for what thinning leaves out."""
    for key, one in numbers.items():
        read = one.values[np.isfinite(one.values)]
        if len(read):
            unit = vocabulary.numbers[key][0]
            yield (
                f"{key}: {len(read)} readings before thinning, lowest {read.min():g}, "
                f"highest {read.max():g} {unit}"
            )
