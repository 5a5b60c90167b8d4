"""XmR chart: single values in order of time, with limits from the change between neighbours.

References
----------
.. [1] Natural limits: mean +/- 3 x mean moving range / d2, with d2 = 1.128 for two values; in
   common use rounded to 2.66 x mean moving range. Upper limit of the moving range: 3.267 x its
   mean (memory; d2 = 2 / sqrt(pi) and D4 = 1 + 3 sqrt(2 - 4 / pi) / d2 for normal values: derived,
   tested).
.. [2] Times are skewed: limits of their logarithms, taken back (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
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
    log: bool = False,
    baseline: int | None = None,
    rules: Collection[Rule] = signals.RULES,
) -> Xmr:
    """Chart single values, [1]_.

    A moving range is taken between neighbours only: across an unknown point there is none. Skewed
    values, such as times, signal falsely far more often than even ones (see the benchmark): chart
    medians of several, or use ``log``.

    Parameters
    ----------
    values : in order of time, ``None`` where unknown [any]
    labels : one for each
    title, unit : for the reader
    constant : which of the two constants makes the limits; it is said in ``method``
    log : make the limits from logarithms, [2]_; values have to be above 0. The centre is then the
        geometric mean, and the moving range is the factor from one to the next
    baseline : the first points the limits are made from; ``None`` for all [points]
    rules : which rules may raise a signal; moving ranges use the limit alone

    Returns
    -------
    Without limits where there is no moving range.

    Raises
    ------
    ValueError : values not finite, lengths that differ, a baseline out of range.
    """
    given = finite(values, "values")
    check_lengths(labels, values=given)
    if log and any(v is not None and v <= 0.0 for v in given):
        raise ValueError("values: a logarithm needs every value above 0")
    known = [math.log(v) if log and v is not None else v for v in given]
    base = baseline_of([v is not None for v in known], baseline)
    ranges = _moving_ranges(known)
    inside = [v for v, ok in zip(known, base, strict=True) if ok and v is not None]
    steps = [r for i, r in enumerate(ranges) if r is not None and base[i] and base[i - 1]]
    mean = _mean(inside)
    mean_range = _mean(steps)
    few = too_few(len(inside))
    top = None if mean_range is None else RANGE_LIMIT * mean_range
    frame = _frame(mean, mean_range, constant)
    points: Sequence[Point] = [
        replace(frame, label=label, value=v, note="" if v is not None else "unknown")
        for label, v in zip(labels, known, strict=True)
    ]
    moving: Sequence[Point] = [
        Point(label, r, mean_range, None if top is None else 0.0, top, note=_why_none(i, r))
        for i, (label, r) in enumerate(zip(labels, ranges, strict=True))
    ]
    if not few:
        points = signals.find(points, rules)
        moving = signals.find(moving, signals.LIMIT_ONLY)
    if log:
        points = [replace(_taken_back(p), value=v) for p, v in zip(points, given, strict=True)]
        moving = [_taken_back(p) for p in moving]
        mean, mean_range = _exp(mean), _exp(mean_range)
    notes = [LOOK]
    if baseline is not None:
        notes.append(f"Limits from the first {baseline} points.")
    if steps and not any(steps):
        notes.append("No value differs from the next: the limits have no width.")
    of = "of logarithms, taken back: " if log else ""
    change = "factor" if log else "change"
    return Xmr(
        Chart(
            "xmr",
            title,
            unit,
            tuple(points),
            f"{of}mean ± {constant} × mean moving range of neighbours",
            tuple(notes),
            few,
        ),
        Chart(
            "moving range",
            f"{title}: {change} from one to the next",
            "factor" if log else unit,
            tuple(moving),
            f"{of}mean moving range; upper limit {RANGE_LIMIT} × that",
            tuple(notes),
            few,
        ),
        mean,
        mean_range,
    )


def _mean(values: Sequence[float]) -> float | None:
    if not values:
        return None
    # the sum of equal values, divided, may be off by a last digit: then limits without width
    # would leave every point outside
    return values[0] if min(values) == max(values) else math.fsum(values) / len(values)


def _frame(mean: float | None, mean_range: float | None, constant: Constant) -> Point:
    """A point with its centre and limits, without a value."""
    if mean is None or mean_range is None:
        return Point("", None, mean)
    reach = CONSTANTS[constant] * mean_range
    return Point(
        "",
        None,
        mean,
        mean - reach,
        mean + reach,
        mean - 2 / 3 * reach,
        mean + 2 / 3 * reach,
    )


def _taken_back(point: Point) -> Point:
    return replace(
        point,
        value=_exp(point.value),
        centre=_exp(point.centre),
        lower=_exp(point.lower),
        upper=_exp(point.upper),
        near_lower=_exp(point.near_lower),
        near_upper=_exp(point.near_upper),
    )


def _exp(value: float | None) -> float | None:
    return None if value is None else math.exp(value)


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
