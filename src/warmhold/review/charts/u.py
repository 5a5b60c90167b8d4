"""u chart: events for each of something, period by period, such as events per 1000 transfers.

References
----------
.. [1] Limits ubar +/- 3 sqrt(ubar / n), not below 0 (memory).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from warmhold.review.charts import signals
from warmhold.review.charts.p import ENOUGH
from warmhold.review.charts.result import (
    LOOK,
    Chart,
    Kind,
    Point,
    Rule,
    baseline_of,
    check_lengths,
    counts,
    finite,
    too_few,
)


def u_chart(
    events: Sequence[int | None],
    exposures: Sequence[float | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str,
    per: float = 1.0,
    baseline: int | None = None,
    rules: Collection[Rule] | None = None,
) -> Chart:
    """Chart rates, [1]_. One transfer may have several events.

    Parameters
    ----------
    events : ``None`` where unknown [events]
    exposures : what they are counted over; 0 or ``None`` leaves the point unknown [exposure]
    labels : one for each period
    title, unit : for the reader; the unit with its ``per``, such as "per 1000 transfers"
    per : exposure that a rate is told for, above 0 [exposure]
    baseline : the first points the limits are made from; ``None`` for all [points]
    rules : which rules may raise a signal; ``None`` for all, or for the limits alone where fewer
        than five events are expected at a point on average

    Raises
    ------
    ValueError : counts or exposures that cannot be, lengths that differ, a baseline out of range.
    """
    return rate_chart(
        "u",
        counts(events, "events"),
        finite(exposures, "exposures"),
        labels,
        title=title,
        unit=unit,
        per=per,
        baseline=baseline,
        rules=rules,
        method="mean rate ± 3 √(mean rate / exposure)",
    )


def rate_chart(
    kind: Kind,
    events: Sequence[int | None],
    exposures: Sequence[float | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str,
    per: float,
    baseline: int | None,
    rules: Collection[Rule] | None,
    method: str,
) -> Chart:
    """Make a chart of Poisson counts over exposures: what the u and the c chart share."""
    check_lengths(labels, events=events, exposures=exposures)
    if not (math.isfinite(per) and per > 0.0):
        raise ValueError(f"per: {per} is not above 0")
    rows: list[tuple[int, float] | None] = []
    for label, hits, exposure in zip(labels, events, exposures, strict=True):
        if exposure is not None and exposure < 0.0:
            raise ValueError(f"{label}: an exposure of {exposure} is below 0")
        if exposure == 0.0 and hits:
            raise ValueError(f"{label}: {hits} events without exposure")
        rows.append((hits, exposure) if hits is not None and exposure else None)
    base = baseline_of([row is not None for row in rows], baseline)
    inside = [row for row, ok in zip(rows, base, strict=True) if ok and row is not None]
    total = sum(e for _, e in inside)
    mean = sum(h for h, _ in inside) / total if total else None
    few = too_few(len(inside))
    points = []
    for label, row, exposure in zip(labels, rows, exposures, strict=True):
        if row is None or mean is None:
            why = "no exposure" if exposure == 0.0 else "unknown"
            centre = None if mean is None else mean * per
            size = exposure if kind == "u" else None
            points.append(Point(label, None, centre, size=size, note=why))
            continue
        sd = math.sqrt(mean / row[1])
        points.append(
            Point(
                label,
                row[0] / row[1] * per,
                mean * per,
                max(0.0, mean - 3 * sd) * per,
                (mean + 3 * sd) * per,
                (mean - 2 * sd) * per,
                (mean + 2 * sd) * per,
                row[1] if kind == "u" else None,
            )
        )
    notes = [LOOK]
    if baseline is not None:
        notes.append(f"Limits from the first {baseline} points.")
    if mean is not None:
        rough = sum(e * mean < ENOUGH for _, e in inside)
        if rules is None and total * mean < ENOUGH * len(inside):
            rules = signals.LIMIT_ONLY
            notes.append(signals.ROUGH)
        if rough:
            notes.append(
                f"{rough} of {len(inside)} points expect fewer than {ENOUGH:g} events: these "
                "limits are rough there. The time between events tells more."
            )
    shown = points if few else signals.find(points, signals.RULES if rules is None else rules)
    return Chart(kind, title, unit, tuple(shown), method, tuple(notes), few)
