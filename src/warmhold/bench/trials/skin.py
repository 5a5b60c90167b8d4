"""Skin sensor against a reference thermometer beside it, at every level that was held."""

from __future__ import annotations

import numpy as np

from warmhold.bench.log import Floats
from warmhold.bench.trials.common import (
    Bench,
    Parts,
    asked,
    judge,
    number,
    result,
    trace,
)
from warmhold.bench.trials.result import Condition, Judged, Result
from warmhold.bench.trials.series import Lack, Piece, read_at

TITLE = "Skin sensor against reference"
CHANNELS = ("skin_shown_c", "reference_c")


def run(bench: Bench) -> Result:
    """Judge the mean of what the unit shows less the reference, at each level of the bath."""
    row = bench.limits.get("reference_range_c")
    if row is None or row.over_min is None or row.value is None:
        why = f"the set {bench.limits.name} does not say when a reference is still enough"
        return result(bench, "skin", TITLE, method=_METHOD, no_figure=why)
    lines = [("shown", "skin_shown_c"), ("reference", "reference_c")]
    seconds, values = read_at(bench.log, "reference_c")
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    spans = held(seconds[inside], values[inside], row.value, 60 * row.over_min, bench.gap_s)
    drawn = trace(bench, "skin", "Skin sensor and reference", lines)
    lacking = next(
        (f"{name} is not in this log" for name in CHANNELS if not bench.log.has(name)), ""
    )
    if lacking or not spans:
        condition = Condition(
            "reference", "reference held still", "unknown" if lacking else "unmet",
            "not known" if lacking else "never still for so long", asked(row), (row,), lacking,
        )  # fmt: skip
        return result(bench, "skin", TITLE, method=_METHOD, conditions=[condition],
                      traces=[] if lacking else [drawn], no_figure=lacking)  # fmt: skip
    judged, facts = [], []
    for start_s, end_s in spans:
        shown = bench.piece("skin_shown_c", start_s, end_s)
        reference = bench.piece("reference_c", start_s, end_s)
        if isinstance(shown, Lack) or isinstance(reference, Lack):
            reason = shown.reason if isinstance(shown, Lack) else ""
            if isinstance(reference, Lack):
                reason = reference.reason
            return result(bench, "skin", TITLE, method=_METHOD, no_figure=reason, traces=[drawn],
                          window=(start_s, end_s))  # fmt: skip
        judged.append(_judged(bench, shown, reference))
        facts.append(
            (f"{bench.clock(start_s)} to {bench.clock(end_s)}",
             f"shown {number(shown.mean)}, reference {number(reference.mean)} °C")
        )  # fmt: skip
    found = f"{len(spans)} stretches" if len(spans) > 1 else "one stretch"
    condition = Condition("reference", "reference held still", "met", found, asked(row), (row,))
    return result(
        bench, "skin", TITLE, method=_METHOD, conditions=[condition], judged=judged, facts=facts,
        window=(spans[0][0], spans[-1][1]), traces=[drawn],
    )  # fmt: skip


_METHOD = (
    "Wherever the reference stays still for as long as the set asks: mean of what the unit shows "
    "less mean of the reference, weighted by time, over the last stretch of that length."
)


def _judged(bench: Bench, shown: Piece, reference: Piece) -> Judged:
    differences = [
        a - b for a, b in zip(shown.means_of_tenths(), reference.means_of_tenths(), strict=True)
    ]
    budget = (
        Parts(bench, "°C")
        .certificate("reference_c", reference.mean, -1.0)
        .resolution("reference_c", -1.0)
        .resolution("skin_shown_c")
        .of_mean("the difference", differences)
        .budget()
    )
    return judge(
        bench, "skin_off_c", f"shown less reference at {number(reference.mean, 1)} °C",
        shown.mean - reference.mean, "°C", budget, level=reference.mean,
        name=f"skin_off_at_{reference.mean:.0f}_c",
    )  # fmt: skip


def held(
    seconds: Floats, values: Floats, reach: float, over_s: float, gap_s: float
) -> list[tuple[float, float]]:
    """Return the stretches in which values stayed within a reach for so long.

    From each still stretch its last ``over_s`` are taken, so that a sensor has had the time
    before to follow.

    reach : highest less lowest that counts as still [unit]
    over_s : how long it has to last [s]
    gap_s : longest step between readings [s]
    """
    out: list[tuple[float, float]] = []
    first = 0
    while first < len(seconds):
        low = high = values[first]
        last = first
        while last + 1 < len(seconds) and seconds[last + 1] - seconds[last] <= gap_s:
            low, high = min(low, values[last + 1]), max(high, values[last + 1])
            if high - low > reach + 1e-9:
                break
            last += 1
        if seconds[last] - seconds[first] >= over_s - 1e-6:
            out.append((float(max(seconds[first], seconds[last] - over_s)), float(seconds[last])))
            first = last + 1
        else:
            first += 1
    return _merged(out, seconds, values, reach)


def _merged(
    spans: list[tuple[float, float]], seconds: Floats, values: Floats, reach: float
) -> list[tuple[float, float]]:
    """Of stretches at one level keep the last: a slow drift is not several levels."""
    out: list[tuple[float, float]] = []
    for span in spans:
        level = float(np.mean(values[(seconds >= span[0]) & (seconds <= span[1])]))
        if out:
            before = out[-1]
            was = float(np.mean(values[(seconds >= before[0]) & (seconds <= before[1])]))
            if abs(level - was) <= 2 * reach:
                out[-1] = span
                continue
        out.append(span)
    return out
