"""Control: the mean of the steady air against what was set."""

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
from warmhold.bench.trials.series import Piece

TITLE = "Measured against set air"
CHANNELS = ("air_c", "air_set_c")


def run(bench: Bench) -> Result:
    """Judge the mean of the reference thermometer less the setting."""
    window = steady_before(bench, bench.end_s)
    span = (window.start_s, window.end_s)
    read = bench.piece("air_set_c", *span)
    level = read.mean if isinstance(read, Piece) else bench.entered.conditions.air_set_c
    judged, facts, no_figure = [], [], ""
    if level is None:
        no_figure = "the setting is neither in the log nor entered"
    elif window.air is None:
        no_figure = "no steady hour in the middle"
    else:
        budget = (
            Parts(bench, "°C")
            .certificate("air_c", window.air.mean)
            .resolution("air_c")
            .of_mean("the mean", window.air.means_of_tenths())
            .note("a setting is a number, without an uncertainty of its own")
            .budget()
        )
        off = window.air.mean - level
        judged = [judge(bench, "control_off_c", "measured less set", off, "°C", budget)]
        facts = [
            ("set", f"{number(level, 1)} °C"),
            ("mean of the reference", f"{number(window.air.mean)} °C"),
        ]
    return result(
        bench, "control", TITLE,
        method="Mean of the reference in the middle, weighted by time, less the setting, over the "
        "last hour looked at.",
        conditions=steady_conditions(bench, window), judged=judged, facts=facts, window=span,
        traces=[trace(bench, "control", "Measured and set air",
                      [("measured", "air_c"), ("set", "air_set_c")], span_s=span)],
        no_figure=no_figure,
    )  # fmt: skip
