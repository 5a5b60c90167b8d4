"""A review as text for a terminal; the page stands in `review_page`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from warmhold.report import words
from warmhold.review.alarms import COARSE_S, DELAY_S, LimitFigures, WayFigures
from warmhold.review.calibration import Calibration
from warmhold.review.charts.funnel import Funnel
from warmhold.review.charts.result import Chart, Point
from warmhold.review.gathered import Changed, Review
from warmhold.review.metrics import Metric
from warmhold.review.rates import Interval
from warmhold.review.transfer import Way

CAUTIONS: Final = (
    "A review counts what was written down. What was not is shown as missing, never as good.",
    "A signal says that a cause is worth looking for. It names no cause and no person.",
    "Decision support, not a medical device: talk it over with the people who were there.",
)
REPLAYED: Final = (
    "Worked out from recorded trends, not read from any unit: the unit's own alarms are not on "
    "record. What happens between two rows, or what somebody who acted on an alarm changed, is not "
    "in it. Alarms for each one as set are those of the transfers that have both."
)
WAYS: Final[dict[Way, str]] = {
    "as set": "as set",
    "policy": "policy's limit for that baby",
    "policy, later": f"the same, {DELAY_S:g} s beyond it before it alarms",
}
UNREADABLE: Final = {
    "battery_min_left": "a charge bar does not tell minutes, and a battery that held shows no end"
}
LEANING: Final = {
    "honest": "the band holds about nine in ten, as it should",
    "too sure": "plans are too sure: the band holds too few",
    "wider than needed": "the band is wider than it need be",
    "leans high": "plans lean high: what came was lower than planned too often",
    "leans low": "plans lean low: what came was higher than planned too often",
    "too few": "too few to tell",
}


def value_of(one: Metric) -> str:
    """Write a figure with its unit."""
    return _figure(one, one.value)


def interval_of(one: Metric) -> str:
    """Write its 95 % interval; empty when there is none."""
    if one.value is None or (one.low is None and one.high is None):
        return ""
    ends = [
        "open" if end is None else words.number(_scaled(one, end), _places(one))
        for end in (one.low, one.high)
    ]
    return f"{ends[0]} to {ends[1]}"


def counts_of(one: Metric) -> str:
    """Write what was counted, out of what, what was left out and what is missing."""
    parts = [
        str(one.denominator) if one.kind == "minutes" else f"{one.numerator} of {one.denominator}"
    ]
    if one.excluded:
        parts.append(f"{one.excluded} left out")
    parts.append(f"{one.missing} missing")
    return ", ".join(parts)


def late_of(one: Metric) -> str:
    """Write the 90th centile of a phase; empty for other figures."""
    if one.unit != "min" or one.spread is None or one.spread[0] is None:
        return ""
    return f"9 in 10 within {words.with_unit(one.spread[0], one.unit, _places(one))}"


def _figure(one: Metric, value: float | None) -> str:
    if value is None:
        return words.UNKNOWN
    text = words.number(_scaled(one, value), _places(one))
    return f"{text} {one.unit}"


def _scaled(one: Metric, value: float) -> float:
    return 100.0 * value if one.kind == "share" else value


def _places(one: Metric) -> int:
    return 2 if one.unit == "K" else 0 if one.unit == "min" else 1


def text(review: Review) -> str:
    """Write a review for a terminal."""
    return "\n".join(_lines(review)) + "\n"


def _lines(review: Review) -> Iterator[str]:
    yield review.title
    if not review.transfers:
        yield "0 transfers: there is nothing to count."
        yield ""
        yield from CAUTIONS
        return
    yield f"{review.transfers} transfers, {review.first} to {review.last}" + (
        f"; {review.undated} without a date are on no chart" if review.undated else ""
    )
    for group in review.groups:
        yield ""
        yield group.title
        for one in group.metrics:
            band = interval_of(one)
            more = "; ".join(
                part for part in (f"95 %: {band}" if band else "", late_of(one)) if part
            )
            yield f"  {one.title:<45} {value_of(one):>24}  {more}".rstrip()
            yield f"  {'':<45} {counts_of(one)}"
    if review.strata:
        yield ""
        yield "By gestation"
        for part in review.strata:
            yield f"  {part.title}: {part.transfers} transfers"
            for one in part.metrics:
                figure = f"{value_of(one):>8}  {counts_of(one)}"
                yield f"    {one.title[:1].lower()}{one.title[1:]:<42} {figure}"
    if review.calibrations:
        yield ""
        yield "Were the plans honest (a 90 % band should hold nine in ten)"
        for plan in review.calibrations:
            yield f"  {plan.title:<45} {calibration_of(plan)}"
    yield ""
    yield "Alarm limits, replayed"
    yield f"  {REPLAYED}"
    if not review.alarms:
        yield f"  {no_trend(review)}"
    for line in limit_lines(review.alarms):
        yield f"  {line}"
    if review.changes:
        yield ""
        yield f"Before {review.since} and from then on"
        for change in review.changes:
            yield f"  {change.title:<45} {change_of(change)}"
            yield f"  {'':<45} {change.comparison.words}"
    signals = [(chart, point) for chart in _charts(review) for point in chart.signals]
    yield ""
    none = "Signals: none" if judged(review) else "Signals: cannot tell, too few points"
    yield "Signals" if signals else none
    for chart, point in signals:
        yield f"  {chart.title}, {point.label}: {_point(chart, point)}; {point.why}"
    few = [chart for chart in _charts(review) if chart.too_few]
    for chart in few:
        yield f"  {chart.title}: {chart.too_few}"
    yield ""
    yield from CAUTIONS


def limit_lines(limits: Iterable[LimitFigures]) -> Iterator[str]:
    """Write what each limit would have done, as set and as policy asks."""
    for limit in limits:
        yield f"{limit.title} ({trend_of(limit)})"
        for way in limit.ways:
            yield f"  {WAYS[way.way]:<43} {alarms_of(way)}"
            yield f"  {'':<43} {silent_of(way)}"
            yield f"  {'':<43} {counted_of(way)}"


def no_trend(review: Review) -> str:
    """Say that there is nothing to replay."""
    return f"No trend of saturation, pulse or oxygen on record: {review.transfers} missing."


def trend_of(limit: LimitFigures) -> str:
    """Write how many transfers have a trend, how close its rows are, and who wrote what was set."""
    apart = words.UNKNOWN if limit.row_s is None else f"every {_apart(limit.row_s)}"
    parts = [f"{limit.with_trend} of {limit.transfers} have a trend, a row {apart}"]
    if limit.coarse:
        parts.append(
            f"{limit.coarse} with rows more than {_apart(COARSE_S)} apart, which show few alarms"
        )
    if limit.unwritten:
        parts.append(
            f"in {limit.unwritten} nobody wrote what was set: the plan's limit stands for it"
        )
    return "; ".join(parts)


def _apart(seconds: float) -> str:
    return f"{seconds:g} s" if seconds < 180 else f"{words.number(seconds / 60, 0)} min"


def alarms_of(way: WayFigures) -> str:
    """Write how often and for how long a limit would have alarmed."""
    if way.per_hour.estimate is None:
        return words.UNKNOWN
    stood = f"{words.number(way.alarm_h, 1)} h in alarm"
    number = "1 alarm" if way.alarms == 1 else f"{way.alarms} alarms"
    return f"{number}, {rate_of(way)} an hour; {stood}"


def rate_of(way: WayFigures) -> str:
    """Write alarms in an hour, with the 95 % interval."""
    if way.per_hour.estimate is None:
        return words.UNKNOWN
    return f"{_rate(way.per_hour.estimate)}{_band(way.per_hour)}"


def silent_of(way: WayFigures) -> str:
    """Write how long a reading was beyond policy's limit without the alarm."""
    if way.silent_h is None or way.judged_h is None:
        return f"beyond policy's limit without it: {words.UNKNOWN}"
    silent, judged = (words.number(hours, 1) for hours in (way.silent_h, way.judged_h))
    return f"beyond policy's limit without it: {silent} of {judged} h"


def ratio_of(way: WayFigures) -> str:
    """Write how many alarms there are for each one as set; empty for those as set."""
    if way.to_as_set is None or way.to_as_set.estimate is None:
        return ""
    return f"{_rate(way.to_as_set.estimate)}{_band(way.to_as_set)} for each one as set"


def counted_of(way: WayFigures, *, ratio: bool = True) -> str:
    """Write in how many transfers and hours it was counted, and what is missing and why.

    ratio : also how many alarms there are for each one as set
    """
    transfers = "1 transfer" if way.transfers == 1 else f"{way.transfers} transfers"
    parts = [f"{transfers}, {words.number(way.hours, 1)} h"]
    if ratio and ratio_of(way):
        parts.insert(0, ratio_of(way))
    if way.excluded:
        parts.append(f"{way.excluded} for which policy asks for none")
    missing = sum(way.missing.values())
    gone = ", ".join(
        why if number == missing else f"{number} {why}" for why, number in way.missing.items()
    )
    parts.append(f"{missing} missing ({gone})" if gone else "0 missing")
    return "; ".join(parts)


def _rate(value: float) -> str:
    """Two decimals; what is not zero is not written as zero."""
    if 0.0 < value < 0.005:
        return "below 0.001" if value < 0.001 else f"{value:.3f}"
    return words.number(value, 2)


def _band(interval: Interval) -> str:
    ends = ["open" if end is None else _rate(end) for end in (interval.lower, interval.upper)]
    if ends == ["open", "open"]:
        return " (too few for an interval)" if interval.why.startswith("fewer") else ""
    return f" ({ends[0]} to {ends[1]})"


def change_of(one: Changed) -> str:
    """Write a figure before and after, and the verdict."""
    scale, places = (100.0, 1) if one.unit == "%" else (1.0, 0 if one.unit == "min" else 1)
    ends = [
        words.UNKNOWN if part.estimate is None else words.number(scale * part.estimate, places)
        for part in (one.comparison.before, one.comparison.after)
    ]
    gap = one.comparison.difference
    band = ""
    if gap.lower is not None and gap.upper is not None:
        low, high = (words.number(scale * end, places) for end in (gap.lower, gap.upper))
        unit = "points" if one.unit == "%" else one.unit
        band = f" (difference {low} to {high} {unit})"
    return f"{ends[0]} to {ends[1]} {one.unit}{band}: {one.comparison.verdict}"


def judged(review: Review) -> bool:
    """Whether any chart has points enough to raise a signal at all."""
    return any(not chart.too_few for chart in _charts(review))


def calibration_of(plan: Calibration) -> str:
    """Write how often a plan's band held what came."""
    read = plan.inside + plan.below + plan.above
    if plan.share is None:
        why = UNREADABLE.get(plan.key, "")
        return f"unknown; {plan.unread} not read" + (f": {why}" if why else "")
    band = ""
    if plan.held.lower is not None and plan.held.upper is not None:
        low, high = (words.number(100 * end, 0) for end in (plan.held.lower, plan.held.upper))
        band = f" ({low} to {high})"
    return (
        f"{words.number(100 * plan.share, 0)} %{band} of {read}; {plan.below} below, "
        f"{plan.above} above, {plan.unread} not read: {LEANING[plan.leaning]}"
    )


def _charts(review: Review) -> Iterator[Chart]:
    yield from review.charts
    yield from (one.chart for one in review.funnels)


def _point(chart: Chart, point: Point) -> str:
    if point.value is None:
        return words.UNKNOWN
    if chart.unit == "share":
        return f"{words.number(100 * point.value, 1)} %"
    return f"{words.number(point.value, 1)} {chart.unit}"


def funnel_says(one: Funnel) -> str:
    """Say whether units differ by more than chance."""
    if one.dispersion.phi is None:
        return "too few to test whether they differ by more than chance"
    if one.dispersion.over:
        return "they differ by more than chance among each other: no single one is flagged"
    return "they do not differ among each other by more than chance allows"
