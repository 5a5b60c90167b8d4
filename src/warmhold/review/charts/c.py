"""c chart: how many events in each period, when every period has the same exposure.

References
----------
.. [1] Limits cbar +/- 3 sqrt(cbar), not below 0; NIST/SEMATECH e-Handbook 6.3.3.1 (memory).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from warmhold.review.charts.result import Chart, Rule, counts
from warmhold.review.charts.u import rate_chart


def c_chart(
    events: Sequence[int | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str = "events",
    baseline: int | None = None,
    rules: Collection[Rule] | None = None,
) -> Chart:
    """Chart counts, [1]_. Where the periods differ in exposure take the u chart.

    Parameters
    ----------
    events : ``None`` where unknown [events]
    labels : one for each period
    title, unit : for the reader
    baseline : the first points the limits are made from; ``None`` for all [points]
    rules : which rules may raise a signal; ``None`` for all, or for the limits alone where fewer
        than five events are expected at a point on average

    Raises
    ------
    ValueError : counts that cannot be, lengths that differ, a baseline out of range.
    """
    hits = counts(events, "events")
    return rate_chart(
        "c",
        hits,
        [1.0] * len(hits),
        labels,
        title=title,
        unit=unit,
        per=1.0,
        baseline=baseline,
        rules=rules,
        method="mean count ± 3 √(mean count)",
    )
