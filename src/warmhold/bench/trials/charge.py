"""Battery charge: how long it takes, and how much energy goes back."""

from __future__ import annotations

import numpy as np

from warmhold.bench.trials.battery import LEAST_W, add_meter, longest, power
from warmhold.bench.trials.common import Bench, Parts, judge, number, result, trace
from warmhold.bench.trials.result import Condition, Measured, Result
from warmhold.bench.trials.run_down import ended
from warmhold.bench.trials.series import area
from warmhold.bench.uncertainty import Bound, rectangular

TITLE = "Battery charge"
CHANNELS = ("battery_w", "battery_v")
# A charge counts as ended once the pack takes less than this share of its greatest power for so
# long (own choice).
ENDED_SHARE, ENDED_S = 0.05, 600.0
BROKEN_SHARE = 0.2  # from above this to nothing at once is no taper (own choice)


def run(bench: Bench) -> Result:
    """Judge the time from the start of a charge until the pack takes next to nothing."""
    seconds, out, source = power(bench.log)
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    seconds, into = seconds[inside], -out[inside]
    found = longest(seconds, into > LEAST_W, bench.gap_s)
    if found is None:
        why = "no stretch of 5 min of charging without a gap"
        if not len(seconds):
            why = "neither battery_w nor battery_v with battery_a is in this log"
        return result(bench, "charge", TITLE, method=_METHOD, no_figure=why)
    first = found[0]
    at, taken = seconds[first:], into[first:]
    # a gap ends what can be told
    gaps = np.flatnonzero(np.diff(at) > bench.gap_s)
    if len(gaps):
        at, taken = at[: gaps[0] + 1], taken[: gaps[0] + 1]
    end_s, why_open = _ended(bench, at, taken)
    bound: Bound = "" if end_s is not None else "at least"
    last_s = float(at[-1]) if end_s is None else end_s
    start_s = float(at[0])
    hours = (last_s - start_s) / 3600
    within = at <= last_s + 1e-6
    energy_wh = area(at[within], taken[within]) / 3600
    step_h = float(np.max(np.diff(at))) / 3600
    budget = (
        Parts(bench, "h")
        .plain("start and end", rectangular(step_h), "one step between readings, rectangular")
        .plain("where the charge ends", 0.02 * hours, "own choice: 2 % of the time, for the level "
               "at which it counts as ended")
        .budget()
    )  # fmt: skip
    energy = Parts(bench, "Wh")
    add_meter(energy, bench, source, energy_wh / hours if hours else 0.0, hours)
    facts = [
        ("from, to", f"{bench.clock(start_s)} to {bench.clock(last_s)}"),
        ("greatest power", f"{number(float(taken.max()), 1)} W"),
    ]  # fmt: skip
    if bound:
        facts.append(("end", f"{why_open}: only a lower bound"))
    name, channel = ("into the battery, below zero", "battery_w")
    if source != "battery_w":
        name, channel = "voltage", "battery_v"
    return result(
        bench, "charge", TITLE, method=_METHOD, conditions=[_empty(bench, seconds, into, first)],
        judged=[judge(bench, "charge_h", "time to charge", hours, "h", budget, bound=bound)],
        window=(start_s, last_s), facts=facts,
        measured=[Measured("charged_wh", "energy into the battery", energy_wh, "Wh",
                           energy.budget().expanded, bound)],
        traces=[trace(bench, "charge", "Power out of the battery" if channel == "battery_w" else
                      "Battery voltage", [(name, channel)], window=(start_s, last_s))],
    )  # fmt: skip


_METHOD = (
    f"From the first reading of a charge until the pack takes less than {100 * ENDED_SHARE:g} % of "
    f"its greatest power for {ENDED_S / 60:g} min. Energy: power into the pack, summed."
)


def _ended(bench: Bench, at: np.ndarray, taken: np.ndarray) -> tuple[float | None, str]:
    """Tell when a charge ended by itself; one that was broken off is no end."""
    most = float(taken.max())
    low = taken < ENDED_SHARE * most
    for i in np.flatnonzero(low):
        stop = int(np.searchsorted(at, at[i] + ENDED_S - 1e-6))
        if stop >= len(at) or not low[i : stop + 1].all():
            continue
        if (taken[i : stop + 1] < -LEAST_W).any():
            return None, "broken off: the battery was drawn on"
        fed = _fed(bench, float(at[i]), float(at[stop]))
        if fed is False:
            return None, "broken off: the source was taken away"
        if fed is None and i > 0 and taken[i - 1] > BROKEN_SHARE * most:
            return None, "it stopped at once, and the source is not in the log"
        return float(at[i]), ""
    return None, "not reached in this log"


def _fed(bench: Bench, start_s: float, end_s: float) -> bool | None:
    """Whether outside power was there all the time; ``None`` when the log does not say."""
    words = bench.log.words.get("source", ())
    here = [
        word
        for word, at in zip(words, bench.log.seconds, strict=False)
        if word and start_s - 1e-6 <= at <= end_s + 1e-6
    ]
    return all(word not in {"battery", "off"} for word in here) if here else None


def _empty(bench: Bench, seconds: np.ndarray, into: np.ndarray, first: int) -> Condition:
    """Whether the pack was empty: it has to come from a run-down that ended at the cut-off."""
    title, wanted = "empty at the start", "a run-down to the cut-off just before"
    before = longest(seconds[:first], into[:first] < -LEAST_W, bench.gap_s)
    if before is not None:
        bound, how = ended(bench, float(seconds[before[1]]))
        if not bound:
            return Condition("empty", title, "met", how, wanted)
        return Condition("empty", title, "unmet" if how.startswith("stopped") else "unknown", how,
                         wanted, reason=how)  # fmt: skip
    if bench.entered.battery.ended == "cut-off":
        return Condition("empty", title, "met", "run down to the cut-off, entered", wanted)
    return Condition("empty", title, "unknown", "not known", wanted,
                     reason="no run-down in this log, and none was entered")  # fmt: skip
