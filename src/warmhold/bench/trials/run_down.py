"""Battery run-down: energy, minutes at the mean power, and what is left of a new battery."""

from __future__ import annotations

import numpy as np

from warmhold.bench.trials.battery import LEAST_W, add_meter, longest, power
from warmhold.bench.trials.common import Bench, Parts, judge, number, result, trace
from warmhold.bench.trials.result import Judged, Measured, Result, Trace
from warmhold.bench.trials.series import Piece, area, read_at
from warmhold.bench.uncertainty import Bound
from warmhold.science.battery import (
    PEUKERT_LEAD,
    PEUKERT_LITHIUM,
    rate_share,
    temperature_share,
)

TITLE = "Battery run-down"
CHANNELS = ("battery_w", "battery_v")
COLDEST_C, WARMEST_C = -20.0, 45.0  # range of science.battery.temperature_share


def run(bench: Bench) -> Result:
    """Judge the energy of one run-down against a new battery at the same power and temperature."""
    seconds, watts, source = power(bench.log)
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    seconds, watts = seconds[inside], watts[inside]
    found = longest(seconds, watts > LEAST_W, bench.gap_s)
    if found is None:
        why = "no stretch of 5 min on battery without a gap"
        if not len(seconds):
            why = "neither battery_w nor battery_v with battery_a is in this log"
        return result(bench, "run-down", TITLE, method=_METHOD, no_figure=why)
    at, drawn = seconds[found[0] : found[1] + 1], watts[found[0] : found[1] + 1]
    start_s, end_s = float(at[0]), float(at[-1])
    hours = (end_s - start_s) / 3600
    energy_wh = area(at, drawn) / 3600
    mean_w = energy_wh / hours
    bound, how_ended = ended(bench, end_s)
    facts = [
        ("from, to", f"{bench.clock(start_s)} to {bench.clock(end_s)}"),
        ("lowest and highest power", f"{number(float(drawn.min()), 1)} to "
         f"{number(float(drawn.max()), 1)} W"),
        ("how it ended", how_ended),
    ]  # fmt: skip
    full, how_full = _full(bench, start_s)
    if found[0] > 0 and watts[found[0] - 1] > LEAST_W:
        full, how_full = False, "a gap lies before it on battery: only a lower bound"
    facts.append(("charged at the start", how_full))
    if not full:
        bound = "at least"
    temperature, how_warm = _temperature(bench, start_s, end_s)
    facts.append(("battery temperature", how_warm))
    parts = Parts(bench, "Wh")
    add_meter(parts, bench, source, mean_w, hours)
    step = float(np.max(np.diff(at)))
    parts.plain("ends of the run-down", mean_w * step / 3600 / 3**0.5,
                "one step between readings at each end, rectangular")  # fmt: skip
    measured = [
        Measured("battery_energy_wh", "energy out of the battery", energy_wh, "Wh",
                 parts.budget().expanded, bound),
        Measured("battery_min", "time on battery", 60 * hours, "min", 2 * step / 60 / 3**0.5,
                 bound),
        Measured("battery_mean_w", "mean power", mean_w, "W"),
    ]  # fmt: skip
    if temperature is not None:
        measured.append(Measured("battery_mean_c", "battery temperature", temperature, "°C"))
    share = _share(bench, energy_wh, mean_w, temperature, parts, bound)
    return result(
        bench, "run-down", TITLE, method=_METHOD, judged=[share], window=(start_s, end_s),
        facts=facts, measured=measured, traces=_traces(bench, source, start_s, end_s),
    )  # fmt: skip


_METHOD = (
    "Power out of the battery, straight lines between readings, summed over the longest stretch "
    "on battery. A new battery's energy is taken at the same mean power (Peukert) and "
    "temperature, as the planner does."
)


def ended(bench: Bench, end_s: float) -> tuple[Bound, str]:
    """Tell whether a run-down ended at the unit's own cut-off; else it is only a lower bound."""
    entered = bench.entered.battery.ended
    if entered == "cut-off":
        return "", "the unit cut off, entered"
    if entered == "stopped":
        return "at least", "stopped by hand, entered: only a lower bound"
    words = bench.log.words.get("source", ())
    later = [
        word
        for word, at in zip(words, bench.log.seconds, strict=False)
        if word and end_s - 1e-6 < at <= end_s + 2 * bench.gap_s and word != "battery"
    ]
    if later and later[0] == "off":
        return "", "the unit cut off: the source reads off"
    if later:
        return "at least", f"stopped: the source reads {later[0]}; only a lower bound"
    return "at least", "not known: only a lower bound (enter ended)"


def _full(bench: Bench, start_s: float) -> tuple[bool, str]:
    entered = bench.entered.battery.fully_charged
    if entered is not None:
        return entered, "full, entered" if entered else "not full, entered: only a lower bound"
    at, divisions = read_at(bench.log, "battery_divisions")
    if len(at) and bench.unit is not None and np.min(np.abs(at - start_s)) <= bench.gap_s:
        lit = float(divisions[np.argmin(np.abs(at - start_s))])
        of = bench.unit.battery.bar_divisions
        text = f"{lit:g} of {of} divisions"
        return (True, text) if lit >= of else (False, f"{text}: only a lower bound")
    return False, "not known: only a lower bound (enter fully_charged)"


def _temperature(bench: Bench, start_s: float, end_s: float) -> tuple[float | None, str]:
    pack = bench.piece("battery_c", start_s, end_s)
    if isinstance(pack, Piece):
        return pack.mean, f"mean {number(pack.mean, 1)} °C"
    around = bench.piece("ambient_c", start_s, end_s)
    if isinstance(around, Piece) and bench.unit is not None:
        warmer = bench.unit.battery.warmer_than_ambient_k.value
        value = around.mean + warmer
        how = f"about {number(value, 1)} °C: air around and {warmer:g} from the unit's file"
        return value, how
    return None, "not known"


def _share(
    bench: Bench, energy_wh: float, mean_w: float, temperature: float | None, parts: Parts,
    bound: Bound,
) -> Judged:  # fmt: skip
    title, key = "share of a new battery", "battery_share_percent"

    def unknown(reason: str) -> Judged:
        row = bench.limits.get(key)
        limit = None if row is None else row.value
        return Judged(key, title, None, "%", "cannot tell", reason, row, limit)

    if bench.unit is None:
        return unknown("the unit has no file, so the energy of a new battery is not known")
    if temperature is None:
        return unknown("the battery's temperature is neither in the log nor to be told")
    if not COLDEST_C <= temperature <= WARMEST_C:
        return unknown(
            f"{number(temperature, 1)} °C: what a new battery gives is known from "
            f"{number(COLDEST_C, 0)} to {number(WARMEST_C, 0)} °C"
        )
    battery = bench.unit.battery
    lead = float(battery.chemistry == "lead-acid")
    new_wh = battery.energy_wh.value * battery.packs
    rated_w = new_wh / battery.rating_h.value
    peukert = PEUKERT_LEAD if lead else PEUKERT_LITHIUM
    usable = battery.usable_fraction
    rate = float(rate_share(mean_w, rated_w, peukert))
    warm = float(temperature_share(temperature, lead))
    expected = new_wh * usable.value * warm / rate
    percent = 100 * energy_wh / expected
    budget = parts.budget()
    own = Parts(bench, "%")
    for lacking in budget.lacking:
        own.lack(lacking)
    for part in budget.parts:
        own.plain(part.name, part.standard, part.how, part.sensitivity * 100 / expected)
    own.plain("energy when new", battery.energy_wh.spread / battery.energy_wh.value, "unit's file",
              percent)  # fmt: skip
    own.plain("usable share", usable.spread / usable.value, "unit's file", percent)
    own.plain("temperature and rate of a new battery", 0.03, "own choice: 3 %", percent)
    return judge(bench, key, f"{title}, {number(expected, 1)} Wh expected", percent, "%",
                 own.budget(), bound=bound)  # fmt: skip


def _traces(bench: Bench, source: str, start_s: float, end_s: float) -> list[Trace]:
    span = (max(bench.start_s, start_s - 600), min(bench.end_s, end_s + 600))
    window = (start_s, end_s)
    if source == "battery_w":
        return [trace(bench, "run-down", "Power out of the battery", [("power", "battery_w")],
                      span_s=span, window=window)]  # fmt: skip
    return [trace(bench, "run-down", "Battery voltage", [("voltage", "battery_v")], span_s=span,
                  window=window)]  # fmt: skip
