"""Steady condition: does the air stay within its range for an hour, and from when on."""

from __future__ import annotations

import numpy as np

from warmhold.bench.trials.common import (
    Bench,
    closed,
    number,
    result,
    setting,
    steady_before,
    surroundings,
    trace,
)
from warmhold.bench.trials.result import Judged, Result
from warmhold.bench.trials.series import read_at

TITLE = "Steady condition"
CHANNELS = ("air_c",)


def run(bench: Bench) -> Result:
    """Tell whether the last hour looked at is steady; not steady is "invalid", never "fail"."""
    window = steady_before(bench, bench.end_s)
    conditions = [
        *surroundings(bench, window.start_s, window.end_s),
        *setting(bench, window.start_s, window.end_s),
        *closed(bench, window.start_s, window.end_s),
        window.condition,
    ]
    facts, judged = [], []
    if window.air is not None:
        facts.append(("mean air", f"{number(window.air.mean)} °C"))
        row = window.condition.limits[0]
        # the definition is a state that is there or not: its uncertainty decides nothing
        judged.append(
            Judged(
                "steady_range_c", "highest less lowest air reading", window.air.spread, "°C",
                "pass" if window.condition.met == "met" else "invalid",
                "steady by definition" if window.condition.met == "met" else "not steady",
                row, row.value,
            )
        )  # fmt: skip
        since = steady_since(bench, row.value or 0.0, 60 * (row.over_min or 0.0))
        if since is not None:
            facts.append(("steady from", f"{bench.clock(since)}, minute {number(since / 60, 0)}"))
    return result(
        bench, "steady", TITLE,
        method="The last hour looked at: highest less lowest reading of the air in the middle.",
        conditions=conditions, judged=judged, window=(window.start_s, window.end_s), facts=facts,
        traces=[trace(bench, "steady", "Air in the middle", [("air", "air_c")],
                      window=(window.start_s, window.end_s))],
        no_figure="" if judged else "there is no hour of readings to judge",
    )  # fmt: skip


def steady_since(bench: Bench, reach: float, over_s: float) -> float | None:
    """Return the first reading from which on the air stayed in range for as long as asked.

    reach : highest less lowest that counts as steady [°C]
    over_s : how long it has to last [s]
    """
    seconds, values = read_at(bench.log, "air_c")
    inside = (seconds >= bench.start_s) & (seconds <= bench.end_s)
    seconds, values = seconds[inside], values[inside]
    last = np.searchsorted(seconds, seconds + over_s - 1e-6)
    for i, stop in enumerate(last):
        if stop >= len(seconds):
            return None
        if np.max(np.diff(seconds[i : stop + 1]), initial=0.0) > bench.gap_s:
            continue
        if np.ptp(values[i : stop + 1]) <= reach + 1e-9:
            return float(seconds[i])
    return None
