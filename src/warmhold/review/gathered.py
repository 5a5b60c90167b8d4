"""A review put together: every figure, chart and comparison of some transfers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from warmhold.review import metrics
from warmhold.review.before_after import Comparison, counts, medians, shares
from warmhold.review.calibration import Calibration, calibrations
from warmhold.review.charts.funnel import Funnel, funnel
from warmhold.review.charts.p import p_chart
from warmhold.review.charts.result import Chart
from warmhold.review.charts.u import u_chart
from warmhold.review.charts.xmr import xmr
from warmhold.review.metrics import Metric
from warmhold.review.rates import median
from warmhold.review.transfer import Transfer

SMALL_WEEKS: Final = 32.0  # babies whom a wrap is for, in the widest policy (own)
FEWEST_IN_STRATUM: Final = 5  # a figure of fewer would point at babies, and tell nothing (own)


@dataclass(frozen=True)
class Group:
    """Figures that belong together."""

    title: str
    metrics: tuple[Metric, ...]


@dataclass(frozen=True)
class Stratum:
    """The temperature figures of one part of the transfers, such as a gestation."""

    title: str
    transfers: int
    metrics: tuple[Metric, ...]


@dataclass(frozen=True)
class Changed:
    """One figure before and after a month in which something changed."""

    title: str
    unit: str
    comparison: Comparison


@dataclass(frozen=True)
class Review:
    """Everything that a review shows.

    first, last : months of the first and the last transfer, "unknown" when none says
    undated : transfers without a month, which are on no chart over time
    """

    title: str
    transfers: int
    first: str
    last: str
    undated: int
    groups: tuple[Group, ...]
    strata: tuple[Stratum, ...]
    calibrations: tuple[Calibration, ...]
    charts: tuple[Chart, ...]
    funnels: tuple[Funnel, ...]
    since: str = ""
    changes: tuple[Changed, ...] = ()


def review(transfers: Sequence[Transfer], title: str, since: str = "") -> Review:
    """Put a review together.

    transfers : in any order; none is left out in silence
    title : such as the service and the quarter
    since : month from which on something was done otherwise, such as 2026-07; empty for none
    """
    months = sorted({one.month for one in transfers if one.month is not None})
    change = metrics.change_in_our_care(transfers)
    groups = (
        Group("How babies arrived", (*metrics.temperature(transfers), change)),
        Group("Saturation", metrics.saturation(transfers)),
        Group("How long each phase took", metrics.phases(transfers)),
        Group("What was done of what was due", metrics.completeness(transfers)),
        Group("Equipment", metrics.equipment(transfers)),
    )
    by_month: dict[str, list[Transfer]] = {month: [] for month in months}
    for one in transfers:
        if one.month is not None:
            by_month[one.month].append(one)
    return Review(
        title,
        len(transfers),
        months[0] if months else "unknown",
        months[-1] if months else "unknown",
        sum(one.month is None for one in transfers),
        groups,
        tuple(_strata(transfers)),
        calibrations(transfers),
        tuple(_charts(by_month)),
        tuple(_funnels(transfers)),
        since,
        tuple(_changes(transfers, since)) if since else (),
    )


def _small(transfers: Sequence[Transfer]) -> list[Transfer]:
    return [
        one
        for one in transfers
        if one.gestation_weeks is not None and one.gestation_weeks < SMALL_WEEKS
    ]


def _changes(transfers: Sequence[Transfer], since: str) -> list[Changed]:
    """Compare what came before a month with what came from it on; the looks are counted."""
    dated = [one for one in transfers if one.month is not None]
    before = [one for one in dated if (one.month or "") < since]
    after = [one for one in dated if (one.month or "") >= since]
    asked: list[tuple[str, str, Sequence[Transfer], Sequence[Transfer]]] = []
    for key, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
        asked.append((key, title, before, after))
        small = f"{title}, below {SMALL_WEEKS:g} weeks"
        asked.append((key, small, _small(before), _small(after)))
    looks = len(asked) + 2
    out = []
    for key, title, first, second in asked:
        pair = [_metric(metrics.temperature(part), key) for part in (first, second)]
        found = shares(*((m.numerator, m.denominator) for m in pair), looks=looks)
        out.append(Changed(title, "%", found))
    for _, title, begin, end in metrics.INTERVALS[2:3]:
        lengths = [
            [length for one in part if (length := one.minutes(begin, end)) is not None]
            for part in (before, after)
        ]
        out.append(Changed(f"{title}, median", "min", medians(*lengths, looks=looks)))
    events = [_metric(metrics.equipment(part), "events-all") for part in (before, after)]
    rates = counts(*((m.numerator, m.denominator / 1000.0) for m in events), looks=looks)
    out.append(Changed("Equipment events", "per 1000 transfers", rates))
    return out


def _strata(transfers: Sequence[Transfer]) -> list[Stratum]:
    out = []
    for title, mine in metrics.by_gestation(transfers).items():
        if len(mine) >= FEWEST_IN_STRATUM:
            shown = metrics.temperature(mine)[:4]
            out.append(Stratum(title, len(mine), (*shown, metrics.change_in_our_care(mine))))
    return out


def _charts(by_month: Mapping[str, Sequence[Transfer]]) -> list[Chart]:
    labels = list(by_month)
    if not labels:
        return []

    by_part = [metrics.temperature(mine) for mine in by_month.values()]

    def counted(key: str) -> tuple[list[int], list[int]]:
        found = [_metric(part, key) for part in by_part]
        return [one.numerator for one in found], [one.denominator for one in found]

    out = []
    for key, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
        hits, cases = counted(key)
        limits = "exact" if min(cases) < 30 else "three-sigma"
        out.append(p_chart(hits, cases, labels, title=title, limits=limits))  # type: ignore[arg-type]
    for _, title, begin, end in metrics.INTERVALS[:3]:
        middles = [
            median([t for one in mine if (t := one.minutes(begin, end)) is not None]).estimate
            for mine in by_month.values()
        ]
        out.append(xmr(middles, labels, title=f"{title}, median", unit="min").values)
    events = [_metric(metrics.equipment(mine), "events-all") for mine in by_month.values()]
    out.append(
        u_chart(
            [one.numerator for one in events], [float(one.denominator) for one in events], labels,
            title="Equipment events", unit="per 1000 transfers", per=1000.0,
        )
    )  # fmt: skip
    return out


def _funnels(transfers: Sequence[Transfer]) -> list[Funnel]:
    """Compare units and teams on a funnel, in the order of their size and never of their rank."""
    out = []
    parts: tuple[tuple[str, Callable[[Transfer], str]], ...] = (
        ("unit", lambda one: one.unit), ("team", lambda one: one.team),
    )  # fmt: skip
    for what, key in parts:
        mine = metrics.by(transfers, key)
        if len(mine) < 3:
            continue
        by_part = [metrics.temperature(one) for one in mine.values()]
        for stem, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
            found = [_metric(part, stem) for part in by_part]
            out.append(
                funnel(
                    [one.numerator for one in found], [one.denominator for one in found],
                    list(mine), title=f"{title}, by {what}",
                )
            )  # fmt: skip
    return out


def _metric(found: Sequence[Metric], key: str) -> Metric:
    return next(one for one in found if one.key == key)
