"""What imported trends say of a trip, by the source that told it.

A trend stands for itself: its readings never become a regular set and never take the place of what
a person entered. Doubtful readings count for nothing, and neither does a trend that was struck out.
Where a source told a moment twice, in two imports, the later import counts.

Which evidence a figure rests on is decided here, for the review and the replay alike, in a way that
can be said in a sentence: **the trend of a source counts when its readings cover at least half of
the time from start to end; then it counts alone, and its gaps stay unknown. Else what was entered
counts alone.** The two are never mixed in one figure. Of several sources the one that covers most.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from warmhold.record.clock import moment_of
from warmhold.record.views import Share, Shown, Target

Floats = NDArray[np.float64]

ENOUGH = 0.5  # of the time from start to end: a choice of this project
HOLDS_ROWS = 1.5  # a reading stands for so many usual distances of rows, as in the replay
LONGEST_HOLD_MIN = 22.5  # and never for longer than one that was entered by hand


@dataclass(frozen=True)
class RecordedTrend:
    """Readings of one quantity by one source.

    seconds : since ``start``, strictly rising, shape (n,) [s]
    values : shape (n,), NaN where nothing was read or the reading is doubtful
    stands_s : how long a reading stands when no row follows [s]
    """

    source: str
    quantity: str
    start: datetime
    seconds: Floats
    values: Floats
    stands_s: float

    @property
    def says(self) -> str:
        """Say in words where a figure of it came from."""
        return f"trend of {self.source}, {int(np.isfinite(self.values).sum())} readings"

    def known_s(self, end: datetime) -> float:
        """Return for how long it was known from start to end [s]."""
        return float(self._lasted(end).sum())

    def _lasted(self, end: datetime) -> Floats:
        """Return how long each reading stood between start and end, shape (n,) [s]."""
        last = (end - self.start).total_seconds()
        stops = np.append(self.seconds[1:], math.inf)
        stops = np.minimum(np.minimum(stops, self.seconds + self.stands_s), last)
        lasted = np.maximum(0.0, stops - np.maximum(self.seconds, 0.0))
        return np.where(np.isfinite(self.values), lasted, 0.0)

    def share(self, end: datetime, target: Target) -> Share:
        """Return the minutes inside, below and above a target, and those that are unknown."""
        low, high = target
        lasted = self._lasted(end) / 60.0
        below = self.values < low if low is not None else np.zeros(len(lasted), dtype=bool)
        above = self.values > high if high is not None else np.zeros(len(lasted), dtype=bool)
        known = float(lasted.sum())
        whole = max(0.0, (end - self.start).total_seconds() / 60.0)
        under, over = float(lasted[below].sum()), float(lasted[above].sum())
        inside = max(0.0, known - under - over)
        return Share(low, high, inside, under, over, known, max(0.0, whole - known))


def imported_rows(
    shown: Sequence[Shown], quantity: str, start: datetime
) -> dict[str, dict[float, float]]:
    """Return source -> seconds since the start -> value of every imported trend of a quantity.

    NaN where nothing was read or the reading is doubtful. Where a source told one moment twice the
    later import counts.

    shown : entries of one trip with their corrections, as ``corrected`` gives them
    """
    told: dict[str, dict[float, float]] = {}
    for one in shown:
        body = one.body
        if one.event.kind != "trend" or one.struck or quantity not in body["numbers"]:
            continue
        offset = (moment_of(body["start"]) - start).total_seconds()
        doubtful = set(body.get("doubtful", {}).get(quantity, ()))
        rows = told.setdefault(str(body["source"]), {})
        pairs = zip(body["seconds"], body["numbers"][quantity], strict=True)
        for number, (second, value) in enumerate(pairs):
            known = value is not None and number not in doubtful
            rows[round(offset + float(second), 6)] = float(value) if known else math.nan
    return told


def trends_of(
    shown: Sequence[Shown], quantity: str, start: datetime, end: datetime
) -> tuple[RecordedTrend, ...]:
    """Return what each source told of a quantity between start and end, in the order of entries.

    shown : entries of one trip with their corrections, as ``corrected`` gives them
    """
    last = (end - start).total_seconds()
    found = (
        _trend(source, quantity, start, {at: v for at, v in rows.items() if 0.0 <= at <= last})
        for source, rows in imported_rows(shown, quantity, start).items()
    )
    return tuple(one for one in found if one is not None)


def _trend(
    source: str, quantity: str, start: datetime, rows: Mapping[float, float]
) -> RecordedTrend | None:
    if len(rows) < 2:
        return None
    seconds = np.array(sorted(rows))
    values = np.array([rows[at] for at in seconds])
    if not np.isfinite(values).any():
        return None
    usual = float(np.median(np.diff(seconds)))
    stands_s = min(HOLDS_ROWS * usual, 60.0 * LONGEST_HOLD_MIN)
    return RecordedTrend(source, quantity, start, seconds, values, stands_s)


def better_trend(
    shown: Sequence[Shown], quantity: str, start: datetime | None, end: datetime | None
) -> RecordedTrend | None:
    """Return the trend that counts for a quantity; ``None`` when what was entered counts."""
    if start is None or end is None or end <= start:
        return None
    found = trends_of(shown, quantity, start, end)
    best = max(found, key=lambda one: one.known_s(end), default=None)
    if best is None or best.known_s(end) < ENOUGH * (end - start).total_seconds():
        return None
    return best


def better_share(
    shown: Sequence[Shown],
    targets: Mapping[str, Target],
    quantities: Sequence[str],
    start: datetime | None,
    end: datetime | None,
) -> tuple[Share, str] | None:
    """Return time in target by the trend that counts, and in words where it came from.

    quantities : where it is measured, those to be preferred first; sites are never mixed

    Returns ``None`` when no trend counts, or nothing says what the target is.
    """
    if start is None or end is None:
        return None
    found = []
    for quantity in quantities:
        target = targets.get(quantity, (None, None))
        if target == (None, None):
            continue
        one = better_trend(shown, quantity, start, end)
        if one is not None:
            found.append((one.share(end, target), one.says))
    return max(found, key=lambda one: one[0].known_min, default=None)
