"""Door recovery: how far the air falls while an opening is open, and how long until it is back."""

from __future__ import annotations

import numpy as np

from warmhold.bench.trials.common import (
    CANCELS,
    Bench,
    Parts,
    judge,
    number,
    result,
    steady_before,
    surroundings,
    trace,
)
from warmhold.bench.trials.result import Condition, Judged, Result
from warmhold.bench.trials.series import Lack, settled, slope
from warmhold.bench.uncertainty import Bound, rectangular

TITLE = "Door recovery"
CHANNELS = ("air_c", "opening")


def run(bench: Bench) -> Result:
    """Judge the first opening in the part of the log that is looked at."""
    found = find_opening(bench)
    if found is None:
        why = "no opening in this part of the log"
        if "opening" not in bench.log.words:
            why = "opening is not in this log"
        return result(bench, "door", TITLE, method=_METHOD, no_figure=why)
    open_s, shut_s, next_s, which, others = found
    before = steady_before(bench, open_s, "steady before the opening")
    end_s = min(bench.end_s, next_s)
    conditions: list[Condition] = [*surroundings(bench, open_s, end_s), before.condition]
    facts = [
        ("opened", f"{which}, {bench.clock(open_s)} for {number((shut_s - open_s) / 60, 1)} min")
    ]
    if others:
        facts.append(("more openings", f"{others}; only the first is judged"))
    near = bench.limits.get("stability_c")
    whole = bench.piece("air_c", open_s, end_s)
    judged: list[Judged] = []
    no_figure = ""
    if near is None or near.value is None:
        no_figure = f"the set {bench.limits.name} does not say how near is near enough"
    elif before.air is None:
        no_figure = before.condition.reason or "no steady hour before the opening"
    elif isinstance(whole, Lack):
        no_figure = whole.reason
    else:
        mean = before.air.mean
        budget = (
            Parts(bench, "°C")
            .resolution("air_c")
            .plain("noise of one reading", before.air.noise(), "steps between neighbours")
            .of_mean("the mean before", before.air.means_of_tenths())
            .note(CANCELS)
            .budget()
        )
        fall = mean - whole.lowest
        judged = [judge(bench, "door_fall_c", "fall of the air", fall, "°C", budget)]
        later = whole.edge_seconds >= shut_s - 1e-6
        seconds, values = whole.edge_seconds[later], whole.edge_values[later]
        back_s = settled(seconds, values, mean, near.value) if len(seconds) else None
        bound: Bound = "" if back_s is not None else "at least"
        last_s = float(whole.edge_seconds[-1]) if back_s is None else back_s
        rate = abs(slope(whole.edge_seconds, whole.edge_values, last_s, 300.0))
        parts = Parts(bench, "min")
        if budget.standard is None:
            parts.lack("the uncertainty of the air readings")
        elif rate > 0:
            parts.plain("where the air comes near enough", budget.standard,
                        "air readings and mean", 1 / rate / 60)  # fmt: skip
        step = float(np.max(np.diff(whole.edge_seconds), initial=0.0)) / 60
        parts.plain(
            "moment of shutting", rectangular(step), "one step between readings, rectangular"
        )
        judged.append(
            judge(bench, "door_recovery_min", "back near the mean after shutting",
                  (last_s - shut_s) / 60, "min", parts.budget(), bound=bound)
        )  # fmt: skip
        facts.append(("mean before", f"{number(mean)} °C"))
    return result(
        bench, "door", TITLE, method=_METHOD, conditions=conditions, judged=judged,
        window=(open_s, end_s), facts=facts, no_figure=no_figure,
        traces=[trace(bench, "door", "Air in the middle", [("air", "air_c")],
                      span_s=(max(bench.start_s, open_s - 900), end_s),
                      moments=[("open", open_s), ("shut", shut_s)])],
    )  # fmt: skip


_METHOD = (
    "Mean of the hour before the opening less the lowest reading; then the time from shutting "
    "until the air stays within the stability limit of that mean."
)


def find_opening(bench: Bench) -> tuple[float, float, float, str, int] | None:
    """Return when an opening was opened and shut, when the next one is, its kind, and how many."""
    words = bench.log.words.get("opening", ())
    spans: list[tuple[float, float, str]] = []
    since: tuple[float, str] | None = None
    for at, word in zip(bench.log.seconds, words, strict=False):
        if not bench.start_s - 1e-6 <= at <= bench.end_s + 1e-6 or not word:
            continue
        if word != "closed" and since is None:
            since = (float(at), word)
        elif word == "closed" and since is not None:
            spans.append((since[0], float(at), since[1]))
            since = None
    if not spans:
        return None
    first = spans[0]
    later = spans[1][0] if len(spans) > 1 else float("inf")
    if since is not None:
        later = min(later, since[0])
    return first[0], first[1], later, first[2], len(spans) - 1
