"""p chart: the share of cases with an event, period by period, for cases of any number.

References
----------
.. [1] Limits pbar +/- 3 sqrt(pbar (1 - pbar) / n), not below 0 nor above 1; NIST/SEMATECH
   e-Handbook 6.3.3.2 (memory).
.. [2] Exact limits: the counts beyond which the binomial chance is at most 0.00135 on each side,
   that of three standard deviations of a normal value (derived).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from statistics import NormalDist
from typing import Final, Literal

from warmhold.review.charts import signals
from warmhold.review.charts.result import (
    LOOK,
    Chart,
    Point,
    Rule,
    baseline_of,
    check_lengths,
    counts,
    too_few,
)
from warmhold.review.rates import binomial_span

Limits = Literal["three-sigma", "exact"]
TAIL: Final = NormalDist().cdf(-3.0)
NEAR_TAIL: Final = NormalDist().cdf(-2.0)
ENOUGH: Final = 5.0  # expected events, and cases without one, for [1]_ to serve (memory)


def p_chart(
    events: Sequence[int | None],
    cases: Sequence[int | None],
    labels: Sequence[str],
    *,
    title: str,
    limits: Limits = "three-sigma",
    baseline: int | None = None,
    rules: Collection[Rule] | None = None,
) -> Chart:
    """Chart shares, [1]_ or [2]_.

    With few expected events the limits of [1]_ are rough and a note says so; take the exact ones,
    or for rare events the time between them.

    Parameters
    ----------
    events : cases with an event, ``None`` where unknown [cases]
    cases : cases that could be judged; 0 or ``None`` leaves the point unknown [cases]
    labels : one for each period
    title : for the reader
    limits : which limits; said in ``method``
    baseline : the first points the limits are made from; ``None`` for all [points]
    rules : which rules may raise a signal; ``None`` for all, or for the limits alone where fewer
        than five events (or cases without one) are expected at a point on average

    Returns
    -------
    Shares, 0 to 1.

    Raises
    ------
    ValueError : counts that cannot be, lengths that differ, a baseline out of range.
    """
    hits, sizes = counts(events, "events"), counts(cases, "cases")
    check_lengths(labels, events=hits, cases=sizes)
    rows = [(h, n) if h is not None and n else None for h, n in zip(hits, sizes, strict=True)]
    for label, h, n in zip(labels, hits, sizes, strict=True):
        if h is not None and n is not None and h > n:
            raise ValueError(f"{label}: {h} events in {n} cases")
    base = baseline_of([row is not None for row in rows], baseline)
    inside = [row for row, ok in zip(rows, base, strict=True) if ok and row is not None]
    total = sum(n for _, n in inside)
    centre = sum(h for h, _ in inside) / total if total else None
    few = too_few(len(inside))
    points = [
        Point(
            label,
            None,
            centre,
            size=None if n is None else float(n),
            note="nothing could be judged" if n == 0 else "unknown",
        )
        if row is None or centre is None
        else _point(label, row[0], row[1], centre, limits)
        for label, row, n in zip(labels, rows, sizes, strict=True)
    ]
    notes = [LOOK]
    if baseline is not None:
        notes.append(f"Limits from the first {baseline} points.")
    if centre is not None:
        rare = min(centre, 1 - centre)
        rough = sum(n * rare < ENOUGH for _, n in inside)
        if rules is None and total * rare < ENOUGH * len(inside):
            rules = signals.LIMIT_ONLY
            notes.append(signals.ROUGH)
        if rough and limits == "three-sigma":
            notes.append(
                f"{rough} of {len(inside)} points expect fewer than {ENOUGH:g} events (or cases "
                "without one): these limits are rough there. Exact limits, or the time between "
                "events, tell more."
            )
    method = (
        "mean share ± 3 √(p (1 − p) / n)"
        if limits == "three-sigma"
        else f"mean share; exact binomial limits, {TAIL:.5f} beyond each"
    )
    shown = points if few else signals.find(points, signals.RULES if rules is None else rules)
    return Chart("p", title, "share", tuple(shown), method, tuple(notes), few)


def _point(label: str, hits: int, n: int, centre: float, limits: Limits) -> Point:
    value = hits / n
    if limits == "exact":
        low, high = binomial_span(n, centre, TAIL)
        near_low, near_high = binomial_span(n, centre, NEAR_TAIL)
        return Point(label, value, centre, low / n, high / n, near_low / n, near_high / n, float(n))
    sd = math.sqrt(centre * (1 - centre) / n)
    return Point(
        label,
        value,
        centre,
        max(0.0, centre - 3 * sd),
        min(1.0, centre + 3 * sd),
        centre - 2 * sd,
        centre + 2 * sd,
        float(n),
    )
