"""Warm-up time: from a cold start until the air has risen by so much."""

from __future__ import annotations

import numpy as np

from warmhold.bench.log import Log
from warmhold.bench.trials.common import (
    SET_NEAR_C,
    Bench,
    Parts,
    asked,
    judge,
    number,
    result,
    surroundings,
    trace,
)
from warmhold.bench.trials.result import Condition, Judged, Measured, Result
from warmhold.bench.trials.series import Piece, crossing, read_at, slope
from warmhold.bench.uncertainty import Bound, rectangular

TITLE = "Warm-up time"
CHANNELS = ("air_c",)
_ON_PERCENT, _ON_W = 1.0, 5.0  # heater output and draw that show that a unit runs


def run(bench: Bench) -> Result:
    """Judge the time to the rise that the set asks for, against the time that is stated."""
    on_s, how = switched_on(bench)
    rise = bench.limits.get("warm_up_rise_c")
    seconds, values = read_at(bench.log, "air_c")
    inside = (seconds >= on_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    if rise is None or rise.value is None or not inside.any():
        why = "air_c was not read after the switch-on"
        if rise is None:
            why = f"the set {bench.limits.name} does not say which rise ends the warm-up"
        return result(bench, "warm-up", TITLE, method=_METHOD, no_figure=why)
    at, read = seconds[inside], values[inside]
    start_c = float(np.interp(on_s, seconds, values))
    end_s = crossing(at, read, start_c + rise.value)
    bound: Bound = "" if end_s is not None else "at least"
    last_s = float(at[-1]) if end_s is None else end_s
    span = (on_s, last_s)
    air = bench.piece("air_c", *span)
    conditions = [*surroundings(bench, *span), *_setting(bench, *span), *_cold(bench, on_s)]
    minutes = (last_s - on_s) / 60
    facts = [("switched on", f"{bench.clock(on_s)}, {how}"), ("air then", f"{number(start_c)} °C")]
    judged: list[Judged] = []
    measured: list[Measured] = []
    no_figure = ""
    if not isinstance(air, Piece):
        no_figure = air.reason
    else:
        judged = [_judged(bench, minutes, bound, at, read, last_s, rise.value)]
        measured = [
            Measured("warm_up_min", f"time to {rise.value:g} °C more", minutes, "min", None, bound)
        ]
    stated = bench.entered.stated.warm_up_min
    if stated is not None:
        facts.append(("stated in the documents", f"{stated:g} min, entered"))
    return result(
        bench, "warm-up", TITLE, method=_METHOD, conditions=conditions, judged=judged,
        window=span, facts=facts, measured=measured, no_figure=no_figure,
        traces=[trace(bench, "warm-up", "Air in the middle", [("air", "air_c")],
                      levels=[(f"{rise.value:g} °C more", start_c + rise.value)],
                      moments=[("on", on_s)] + ([("there", last_s)] if not bound else []),
                      window=span)],
    )  # fmt: skip


_METHOD = (
    "From switch-on at a cold start to the first moment at which the air in the middle has risen "
    "by what the set asks for, straight lines between readings."
)


def _judged(
    bench: Bench, minutes: float, bound: Bound, at: np.ndarray, read: np.ndarray, end_s: float,
    rise: float,
) -> Judged:  # fmt: skip
    stated = bench.entered.stated.warm_up_min
    rate = slope(at, read, end_s, 300.0)  # [°C/s]
    per_c = 1 / rate / 60 if rate > 0 else 0.0  # [min/°C]
    scale = 100 / stated if stated else 1.0
    unit = "%" if stated else "min"
    parts = Parts(bench, unit).certificate("air_c", float(read[-1]), per_c * scale)
    parts.resolution("air_c", per_c * scale)
    if rate <= 0 and not bound:
        parts.lack("how fast the air rises at the end")
    between = float(np.max(np.diff(at), initial=0.0)) / 60
    parts.plain(
        "moment of switch-on", rectangular(between),
        "the longest step between readings, rectangular", scale,
    )  # fmt: skip
    budget = parts.note("calibration is taken whole, though part of it cancels").budget()
    if stated is None:
        return Judged(
            "warm_up_min", f"time to {rise:g} °C more", minutes, "min", "cannot tell",
            "the stated time was not entered, so there is nothing to compare with", None, None,
            budget, bound,
        )  # fmt: skip
    off = 100 * (minutes - stated) / stated
    return judge(
        bench, "warm_up_off_stated_percent", f"{number(minutes, 1)} min, off the stated time", off,
        "%", budget, bound=bound,
    )  # fmt: skip


def switched_on(bench: Bench) -> tuple[float, str]:
    """Return when the unit was switched on, and how that is known."""
    log, start_s = bench.log, bench.start_s
    found = _first_on(log, start_s)
    return found if found is not None else (start_s, "taken as the first reading looked at")


def _first_on(log: Log, start_s: float) -> tuple[float, str] | None:
    looked = log.seconds >= start_s - 1e-6
    seconds = log.seconds[looked]
    words = [w for w, here in zip(log.words.get("source", ()), looked, strict=False) if here]
    if words and words[0] == "off":
        for at, word in zip(seconds, words, strict=True):
            if word not in {"off", ""}:
                return float(at), "where the source is no longer off"
    for channel, least in (("heater_percent", _ON_PERCENT), ("supply_w", _ON_W)):
        at, values = read_at(log, channel)
        later = at >= start_s - 1e-6
        at, values = at[later], values[later]
        if len(values) and values[0] < least and (values >= least).any():
            i = int(np.argmax(values >= least))
            return float(at[i - 1]), f"the last reading with {channel} still at rest"
    return None


def _setting(bench: Bench, start_s: float, end_s: float) -> list[Condition]:
    wanted, near = (
        bench.limits.get("warm_up_set_above_ambient_c"),
        bench.limits.get("warm_up_set_near_c"),
    )
    if wanted is None or near is None:
        return [Condition("air_set_c", "air setting", "not asked", "", "nothing by this set")]
    rows = (wanted, near)
    text = f"{asked(wanted)} above the air around, {asked(near)} off"
    title = "air setting"
    read = bench.piece("air_set_c", start_s, end_s)
    ambient = bench.piece("ambient_c", start_s, end_s)
    level = bench.entered.conditions.air_set_c
    if isinstance(read, Piece):
        if read.spread > SET_NEAR_C:
            return [Condition("air_set_c", title, "unmet", "it was changed", text, rows)]
        level = read.mean
    if level is None or not isinstance(ambient, Piece):
        reason = "the setting is neither in the log nor entered"
        if level is not None and not isinstance(ambient, Piece):
            reason = ambient.reason
        return [Condition("air_set_c", title, "unknown", "not known", text, rows, reason)]
    above = level - ambient.mean
    met = abs(above - (wanted.value or 0.0)) <= (near.value or 0.0) + 1e-9
    found = f"{number(level, 1)} °C, {number(above, 1)} °C above the air around"
    return [Condition("air_set_c", title, "met" if met else "unmet", found, text, rows)]


def _cold(bench: Bench, on_s: float) -> list[Condition]:
    row = bench.limits.get("warm_up_start_near_ambient_c")
    if row is None:
        return []
    title = "cold start"
    at, ambient = read_at(bench.log, "ambient_c")
    seconds, air = read_at(bench.log, "air_c")
    if not len(at) or np.min(np.abs(at - on_s)) > bench.gap_s:
        reason = "ambient_c was not read at switch-on"
        return [Condition("cold", title, "unknown", "not known", asked(row), (row,), reason)]
    off = float(np.interp(on_s, seconds, air) - np.interp(on_s, at, ambient))
    met = "met" if abs(off) <= (row.value or 0.0) + 1e-9 else "unmet"
    found = f"{number(off)} °C off the air around"
    return [Condition("cold", title, "met" if met == "met" else "unmet", found, asked(row), (row,))]


def rises(bench: Bench) -> bool:
    """Whether the log looks like a warm-up: the air rises by half of what one asks for."""
    rise = bench.limits.get("warm_up_rise_c")
    seconds, values = read_at(bench.log, "air_c")
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    if rise is None or rise.value is None or not inside.any():
        return False
    read = values[inside]
    return bool(read.max() - read[0] >= rise.value / 2)
