"""Overshoot and recovery after a step of the setting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from warmhold.bench.trials.common import (
    CANCELS,
    SET_NEAR_C,
    Bench,
    Parts,
    closed,
    judge,
    number,
    result,
    steady_before,
    surroundings,
    trace,
)
from warmhold.bench.trials.result import Judged, Result
from warmhold.bench.trials.series import Piece, crossing, read_at, settled, slope
from warmhold.bench.uncertainty import Bound, Budget, rectangular

TITLE = "Overshoot and recovery"
CHANNELS = ("air_c", "air_set_c")


def run(bench: Bench) -> Result:
    """Judge the overshoot over the new mean, and the time until the air stays near it."""
    step_s, steps = find_step(bench)
    if step_s is None:
        why = "no rise of the setting" if not steps else f"{steps} changes of the setting, not one"
        why += ": look at a part of the log with one step (--from, --to)"
        return result(bench, "overshoot", TITLE, method=_METHOD, no_figure=why)
    before = steady_before(bench, step_s, "steady before the step")
    after = steady_before(bench, bench.end_s, "steady at the end")
    if after.start_s < step_s:
        have = (bench.end_s - step_s) / 60
        row = after.condition.limits[0] if after.condition.limits else None
        need = row.over_min if row is not None and row.over_min else 0.0
        after = replace(
            after, air=None,
            condition=replace(
                after.condition, met="unknown", found="",
                reason=f"{have:.0f} min after the step, and {need:g} steady ones are needed",
            ),
        )  # fmt: skip
    span = (step_s, bench.end_s)
    whole = bench.piece("air_c", *span)
    conditions = [
        *surroundings(bench, *span),
        *closed(bench, *span),
        before.condition,
        after.condition,
    ]
    judged: list[Judged] = []
    facts = [("step of the setting", bench.clock(step_s))]
    levels = []
    no_figure = ""
    if after.air is None:
        no_figure = after.condition.reason or "no steady hour after the step"
    elif not isinstance(whole, Piece):
        no_figure = whole.reason
    else:
        mean = after.air.mean
        levels = [("new mean", mean)]
        facts.append(("new mean", f"{number(mean)} °C"))
        budget = (
            Parts(bench, "°C")
            .resolution("air_c")
            .plain("noise of one reading", after.air.noise(), "steps between neighbours")
            .of_mean("the new mean", after.air.means_of_tenths())
            .note(CANCELS)
            .budget()
        )
        judged = [
            judge(bench, "overshoot_c", "overshoot over the new mean", whole.highest - mean, "°C",
                  budget)
        ]  # fmt: skip
        judged += _recovery(bench, whole, mean, step_s, budget, facts)
    return result(
        bench, "overshoot", TITLE, method=_METHOD, conditions=conditions, judged=judged,
        window=span, facts=facts, no_figure=no_figure,
        traces=[trace(bench, "overshoot", "Air and setting",
                      [("air", "air_c"), ("set", "air_set_c")], levels=levels,
                      moments=[("step", step_s)], window=span)],
    )  # fmt: skip


_METHOD = (
    "Highest reading after the step less the mean of the last hour. Recovery: until the air stays "
    "within the stability limit of that mean, from the step, and from first reaching the mean."
)


def find_step(bench: Bench) -> tuple[float | None, int]:
    """Return the one moment at which the setting was raised, and how many changes there are."""
    seconds, values = read_at(bench.log, "air_set_c")
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    seconds, values = seconds[inside], values[inside]
    changes = np.flatnonzero(np.abs(np.diff(values)) > SET_NEAR_C)
    if len(changes) != 1:
        return None, len(changes)
    at = int(changes[0])
    if values[at + 1] < values[at]:
        return None, 0
    return float(seconds[at + 1]), 1


def _recovery(
    bench: Bench,
    whole: Piece,
    mean: float,
    step_s: float,
    budget: Budget,
    facts: list[tuple[str, str]],
) -> list[Judged]:
    row = bench.limits.get("stability_c")
    title = "recovery"
    if row is None or row.value is None:
        return [
            Judged("recovery_min", title, None, "min", "cannot tell",
                   f"the set {bench.limits.name} does not say how near is near enough")
        ]  # fmt: skip
    seconds, values = whole.edge_seconds, whole.edge_values
    settled_s = settled(seconds, values, mean, row.value)
    reached_s = crossing(seconds, values, mean)
    bound: Bound = "" if settled_s is not None else "at least"
    end_s = float(seconds[-1]) if settled_s is None else settled_s
    from_step = (end_s - step_s) / 60
    from_reached = 0.0 if reached_s is None else max(0.0, end_s - reached_s) / 60
    facts += [
        ("near the new mean, counted from the step", f"{number(from_step, 1)} min"),
        ("the same from first reaching the mean", f"{number(from_reached, 1)} min"),
    ]
    rate = abs(slope(seconds, values, end_s, 300.0))
    error_c = budget.standard
    parts = Parts(bench, "min")
    if error_c is None:
        parts.lack("the uncertainty of the air readings")
    elif rate > 0:
        parts.plain("where the air comes near enough", error_c, "air readings and mean",
                    1 / rate / 60)  # fmt: skip
    step_min = float(np.max(np.diff(seconds), initial=0.0)) / 60
    parts.plain(
        "moment of the step", rectangular(step_min), "one step between readings, rectangular"
    )
    own = parts.budget()
    limit = bench.limits.get("recovery_min")
    both = [
        judge(bench, "recovery_min", f"{title}, from the step", from_step, "min", own,
              bound=bound, name="recovery_from_step_min"),
        judge(bench, "recovery_min", f"{title}, from reaching the mean", from_reached, "min", own,
              bound=bound, name="recovery_from_reached_min"),
    ]  # fmt: skip
    counted = None if limit is None else limit.counted_from
    if counted == "step":
        return both[:1]
    if counted == "reached":
        return both[1:]
    if limit is not None and both[0].verdict != both[1].verdict:
        why = "the two ways of counting differ, and which one is meant is not known from the set"
        return [replace(one, verdict="cannot tell", reason=why) for one in both]
    return both
