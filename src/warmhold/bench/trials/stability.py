"""Stability: the largest departure of the air from its mean while steady."""

from __future__ import annotations

from warmhold.bench.trials.common import (
    CANCELS,
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

TITLE = "Stability"
CHANNELS = ("air_c",)


def run(bench: Bench) -> Result:
    """Judge the largest distance of a reading from the mean over the last hour looked at."""
    window = steady_before(bench, bench.end_s)
    judged, levels, facts = [], [], []
    if window.air is not None:
        mean = window.air.mean
        budget = (
            Parts(bench, "°C")
            .resolution("air_c")
            .plain("noise of one reading", window.air.noise(), "steps between neighbours")
            .of_mean("the mean", window.air.means_of_tenths())
            .note(CANCELS)
            .budget()
        )
        judged = [
            judge(bench, "stability_c", "largest departure from the mean", window.air.departure,
                  "°C", budget)
        ]  # fmt: skip
        levels = [("mean", mean)]
        facts = [("mean air", f"{number(mean)} °C")]
    return result(
        bench, "stability", TITLE,
        method="Largest distance of a reading in the middle from the mean weighted by time, over "
        "the last hour looked at.",
        conditions=steady_conditions(bench, window), judged=judged, facts=facts,
        window=(window.start_s, window.end_s),
        traces=[trace(bench, "stability", "Air in the middle", [("air", "air_c")],
                      levels=levels, window=(window.start_s, window.end_s))],
        no_figure="" if judged else "there is no hour of readings to judge",
    )  # fmt: skip
