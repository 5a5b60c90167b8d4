"""A review put together: every figure, chart and comparison of some transfers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from warmhold.review import metrics
from warmhold.review.alarms import LimitFigures, limit_figures
from warmhold.review.before_after import Comparison, counts, medians, shares
from warmhold.review.calibration import Calibration, calibrations
from warmhold.review.charts.funnel import Funnel, funnel
from warmhold.review.charts.p import p_chart
from warmhold.review.charts.result import Chart
from warmhold.review.charts.u import u_chart
from warmhold.review.charts.xmr import xmr
from warmhold.review.columns import Columns, Floats
from warmhold.review.metrics import Metric
from warmhold.review.rates import middle
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
    alarms : limits replayed on recorded trends; none when no transfer has one
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
    alarms: tuple[LimitFigures, ...] = ()


def review(transfers: Sequence[Transfer], title: str, since: str = "") -> Review:
    """Put a review together.

    transfers : in any order; none is left out in silence
    title : such as the service and the quarter
    since : month from which on something was done otherwise, such as 2026-07; empty for none
    """
    every = Columns.of(transfers)
    by_month = dict(sorted(metrics.by(every, "month").items()))
    months = list(by_month)
    change = metrics.change_in_our_care(every)
    groups = (
        Group("How babies arrived", (*metrics.temperature(every), change)),
        Group("Saturation", metrics.saturation(every)),
        Group("How long each phase took", metrics.phases(every)),
        Group("What was done of what was due", metrics.completeness(every)),
        Group("Equipment", metrics.equipment(every)),
    )
    return Review(
        title,
        len(every),
        months[0] if months else "unknown",
        months[-1] if months else "unknown",
        len(every) - sum(map(len, by_month.values())),
        groups,
        tuple(_strata(every)),
        calibrations(every),
        tuple(_charts(by_month)),
        tuple(_funnels(every)),
        since,
        tuple(_changes(every, since)) if since else (),
        limit_figures(every),
    )


def _small(transfers: Columns) -> Columns:
    return transfers.some(transfers.number("gestation_weeks") < SMALL_WEEKS)


def _changes(transfers: Columns, since: str) -> list[Changed]:
    """Compare what came before a month with what came from it on; the looks are counted."""
    dated = transfers.some(~transfers.lacks("month"))
    late = (dated.words("month") >= since).astype(bool)
    before, after = dated.some(~late), dated.some(late)
    asked: list[tuple[str, str, Columns, Columns]] = []
    for key, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
        asked.append((key, title, before, after))
        small = f"{title}, below {SMALL_WEEKS:g} weeks"
        asked.append((key, small, _small(before), _small(after)))
    looks = len(asked) + 2
    out = []
    for key, title, first, second in asked:
        pair = [metrics.temperature(part, (key,))[0] for part in (first, second)]
        found = shares(*((m.numerator, m.denominator) for m in pair), looks=looks)
        out.append(Changed(title, "%", found))
    for _, title, begin, end in metrics.INTERVALS[2:3]:
        lengths = [_known(part.minutes(begin, end)) for part in (before, after)]
        out.append(Changed(f"{title}, median", "min", medians(*lengths, looks=looks)))
    events = [metrics.equipment(part, of_all=True)[0] for part in (before, after)]
    rates = counts(*((m.numerator, m.denominator / 1000.0) for m in events), looks=looks)
    out.append(Changed("Equipment events", "per 1000 transfers", rates))
    return out


def _strata(transfers: Columns) -> list[Stratum]:
    out = []
    for title, mine in metrics.by_gestation(transfers).items():
        if len(mine) >= FEWEST_IN_STRATUM:
            shown = metrics.temperature(mine, metrics.TEMPERATURES[:4])
            out.append(Stratum(title, len(mine), (*shown, metrics.change_in_our_care(mine))))
    return out


def _charts(by_month: Mapping[str, Columns]) -> list[Chart]:
    labels = list(by_month)
    if not labels:
        return []

    def counted(key: str) -> tuple[list[int], list[int]]:
        found = [metrics.temperature(mine, (key,))[0] for mine in by_month.values()]
        return [one.numerator for one in found], [one.denominator for one in found]

    out = []
    for key, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
        hits, cases = counted(key)
        limits = "exact" if min(cases) < 30 else "three-sigma"
        out.append(p_chart(hits, cases, labels, title=title, limits=limits))  # type: ignore[arg-type]
    for _, title, begin, end in metrics.INTERVALS[:3]:
        middles = [middle(_known(mine.minutes(begin, end))) for mine in by_month.values()]
        out.append(xmr(middles, labels, title=f"{title}, median", unit="min").values)
    events = [metrics.equipment(mine, of_all=True)[0] for mine in by_month.values()]
    out.append(
        u_chart(
            [one.numerator for one in events], [float(one.denominator) for one in events], labels,
            title="Equipment events", unit="per 1000 transfers", per=1000.0,
        )
    )  # fmt: skip
    return out


def _funnels(transfers: Columns) -> list[Funnel]:
    """Compare units and teams on a funnel, in the order of their size and never of their rank."""
    out = []
    for what in ("unit", "team"):
        mine = metrics.by(transfers, what)
        if len(mine) < 3:
            continue
        for stem, title in (("cold", "Arrived too cold"), ("hot", "Arrived too warm")):
            found = [metrics.temperature(one, (stem,))[0] for one in mine.values()]
            out.append(
                funnel(
                    [one.numerator for one in found], [one.denominator for one in found],
                    list(mine), title=f"{title}, by {what}",
                )
            )  # fmt: skip
    return out


def _known(lengths: Floats) -> Floats:
    return lengths[~np.isnan(lengths)]
