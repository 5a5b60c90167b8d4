"""Displayed against measured, and measured against set: two means off the steady air."""

from __future__ import annotations

from warmhold.bench.trials.common import (
    Bench,
    Parts,
    judge,
    number,
    result,
    steady_before,
    steady_conditions,
    trace,
)
from warmhold.bench.trials.result import Result
from warmhold.bench.trials.series import Lack

TITLE = "Displayed against measured air"
CHANNELS = ("air_c", "air_shown_c")


def run(bench: Bench) -> Result:
    """Judge the mean of the display less the mean of the reference thermometer."""
    window = steady_before(bench, bench.end_s)
    span = (window.start_s, window.end_s)
    shown = bench.piece("air_shown_c", *span)
    judged, facts, no_figure = [], [], ""
    if isinstance(shown, Lack):
        no_figure = shown.reason
    elif window.air is None:
        no_figure = "no steady hour in the middle"
    else:
        off = shown.mean - window.air.mean
        differences = [
            a - b
            for a, b in zip(shown.means_of_tenths(), window.air.means_of_tenths(), strict=True)
        ]
        budget = (
            Parts(bench, "°C")
            .certificate("air_c", window.air.mean, -1.0)
            .resolution("air_c", -1.0)
            .resolution("air_shown_c")
            .of_mean("the difference", differences)
            .budget()
        )
        judged = [
            judge(bench, "displayed_off_c", "display less measured", off, "°C", budget,
                  level=shown.mean)
        ]  # fmt: skip
        facts = [
            ("mean of the display", f"{number(shown.mean)} °C"),
            ("mean of the reference", f"{number(window.air.mean)} °C"),
        ]
    return result(
        bench, "displayed", TITLE,
        method="Mean of the display less mean of the reference in the middle, weighted by time, "
        "over the last hour looked at.",
        conditions=steady_conditions(bench, window), judged=judged, facts=facts, window=span,
        traces=[trace(bench, "displayed", "Displayed and measured air",
                      [("measured", "air_c"), ("displayed", "air_shown_c")], span_s=span)],
        no_figure=no_figure,
    )  # fmt: skip
