"""A review as one stand-alone page: figures, plots with their tables, what was missing."""

from __future__ import annotations

from importlib import metadata

import jinja2
from markupsafe import Markup

from warmhold.report import html, review_plots, words
from warmhold.report import review as said
from warmhold.review.charts.result import LOOK
from warmhold.review.gathered import Review


def page(review: Review) -> str:
    """Write a review as a whole HTML page that needs nothing else."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(html._template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=html._finalize,
    )
    environment.globals.update(
        w=words, value_of=said.value_of, interval_of=said.interval_of, counts_of=said.counts_of,
        late_of=said.late_of, calibration_of=said.calibration_of, funnel_says=said.funnel_says,
        change_of=said.change_of, trend_of=said.trend_of, alarms_of=said.alarms_of,
        rate_of=said.rate_of, ratio_of=said.ratio_of, counted_of=said.counted_of,
        no_trend=said.no_trend, WAYS=said.WAYS, REPLAYED=said.REPLAYED,
    )  # fmt: skip
    drawings = [
        (chart, review_plots.over_time(chart, f"chart-{number}"))
        for number, chart in enumerate(review.charts)
    ]
    funnels = [
        (one, review_plots.funnel(one, f"funnel-{number}"))
        for number, one in enumerate(review.funnels)
    ]
    signals = [
        (chart, point)
        for chart in (*review.charts, *(one.chart for one in review.funnels))
        for point in chart.signals
    ]
    return environment.get_template("review.html").render(
        r=review,
        css=Markup(html._template("sheet.css") + html._template("review.css")),
        cautions=said.CAUTIONS,
        drawings=[(chart, drawing, Markup(drawing.svg)) for chart, drawing in drawings],
        funnels=[(one, drawing, Markup(drawing.svg)) for one, drawing in funnels],
        signals=signals,
        judged=said.judged(review),
        look=LOOK,
        version=_version(),
    )


def _version() -> str:
    try:
        return metadata.version("warmhold")
    except metadata.PackageNotFoundError:
        return "unknown"
