"""XmR chart: single values in order of time, with limits from the change between neighbours.

References
----------
.. [1] Natural limits: mean +/- 3 x mean moving range / d2, with d2 = 1.128 for two values; in
   common use rounded to 2.66 x mean moving range. Upper limit of the moving range: 3.267 x its
   mean (memory; d2 = 2 / sqrt(pi) and D4 = 1 + 3 sqrt(2 - 4 / pi) / d2 for normal values: derived,
   tested).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from warmhold.review.charts import signals
from warmhold.review.charts.result import (
    LOOK,
    Chart,
    Point,
    Rule,
    baseline_of,
    check_lengths,
    finite,
    too_few,
)

Constant = Literal["2.66", "3/1.128"]
CONSTANTS: Final[dict[Constant, float]] = {"2.66": 2.66, "3/1.128": 3.0 / 1.128}
RANGE_LIMIT: Final = 3.267


@dataclass(frozen=True)
class Xmr:
    """The two charts of one series.

    values : the values themselves
    ranges : the changes from each to the next, without sign
    mean, mean_range : what the limits are made of, ``None`` when unknown [unit of the values]
    """

    values: Chart
    ranges: Chart
    mean: float | None
    mean_range: float | None


def xmr(
    values: Sequence[float | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str,
    constant: Constant = "2.66",
    baseline: int | None = None,
    rules: Collection[Rule] = signals.RULES,
) -> Xmr:
    """Chart single values, [1]_.

    A moving range is taken between neighbours only: across an unknown point there is none. Times
    are skewed: chart their medians, or their logarithms.

    Parameters
    ----------
    values : in order of time, ``None`` where unknown [any]
    labels : one for each
    title, unit : for the reader
    constant : which of the two constants makes the limits; it is said in ``method``
    baseline : the first points the limits are made from; ``None`` for all [points]
    rules : which rules may raise a signal; moving ranges use the limit alone

    Returns
    -------
    Without limits where there is no moving range.

    Raises
    ------
    ValueError : values not finite, lengths that differ, a baseline out of range.
    """
    known = finite(values, "values")
    check_lengths(labels, values=known)
    base = baseline_of([v is not None for v in known], baseline)
    ranges = _moving_ranges(known)
    inside = [v for v, ok in zip(known, base, strict=True) if ok and v is not None]
    steps = [r for i, r in enumerate(ranges) if r is not None and base[i] and base[i - 1]]
    mean = sum(inside) / len(inside) if inside else None
    mean_range = sum(steps) / len(steps) if steps else None
    few = too_few(len(inside))
    reach = None if mean_range is None else CONSTANTS[constant] * mean_range

    def at(thirds: float) -> float | None:
        return None if mean is None or reach is None else mean + thirds / 3.0 * reach

    points = [
        Point(label, v, mean, at(-3), at(3), at(-2), at(2), note="" if v is not None else "unknown")
        for label, v in zip(labels, known, strict=True)
    ]
    top = None if mean_range is None else RANGE_LIMIT * mean_range
    moving = [
        Point(label, r, mean_range, 0.0 if top is not None else None, top, note=_why_none(i, r))
        for i, (label, r) in enumerate(zip(labels, ranges, strict=True))
    ]
    notes = [LOOK]
    if baseline is not None:
        notes.append(f"Limits from the first {baseline} points.")
    if mean_range == 0.0:
        notes.append("No value differs from the next: the limits have no width.")
    shown = points if few else signals.find(points, rules)
    shown_moving = moving if few else signals.find(moving, signals.LIMIT_ONLY)
    return Xmr(
        Chart(
            "xmr",
            title,
            unit,
            tuple(shown),
            f"mean ± {constant} × mean moving range of neighbours",
            tuple(notes),
            few,
        ),
        Chart(
            "moving range",
            f"{title}: change from one to the next",
            unit,
            tuple(shown_moving),
            f"mean moving range; upper limit {RANGE_LIMIT} × that",
            tuple(notes),
            few,
        ),
        mean,
        mean_range,
    )


def _moving_ranges(values: Sequence[float | None]) -> list[float | None]:
    out: list[float | None] = [None] * len(values)
    for i in range(1, len(values)):
        before, now = values[i - 1], values[i]
        if before is not None and now is not None:
            out[i] = abs(now - before)
    return out


def _why_none(place: int, moving_range: float | None) -> str:
    if moving_range is not None:
        return ""
    return "no point before it" if place == 0 else "a neighbour is unknown"
