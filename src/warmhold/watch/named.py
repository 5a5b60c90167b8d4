"""Conditions in words: what is thought to be wrong, on what evidence, and where to look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from warmhold.simulate import layout as at
from warmhold.simulate.bands import Band
from warmhold.watch import faults
from warmhold.watch.matrix import Priority, onset_of, priority
from warmhold.watch.outlook import Forecast, Present
from warmhold.watch.quantities import GAUGE
from warmhold.watch.rows import Rows

CAUTION: Final = (
    "Decision support: these conditions come from a model and may be wrong or late. They never "
    "replace the alarms of the incubator, the monitor or the ventilator, nor looking at the baby."
)

MUCH_BETTER: Final = 6.0  # standard deviations, from which on words say so

TITLES: Final[dict[str, str]] = {
    "hood-leak": "Hood not closed, or a heat leak",
    "heater-weak": "Heater or its source too weak",
    "probe": "Skin probe off the skin or in the wrong place",
    "heat-loss": "Baby loses heat faster than the plan",
    "battery-weak": "Battery weaker than its profile",
    "oxygen-sensor": "Oxygen sensor drifts",
}
KEYS: Final[dict[str, str]] = {
    faults.LEAK: "hood-leak",
    faults.HEATER: "heater-weak",
    faults.PROBE_AIR: "probe",
    faults.PROBE_SHIFT: "probe",
    faults.LOSS: "heat-loss",
    faults.DRIFT: "oxygen-sensor",
    faults.BATTERY: "battery-weak",
}
# what the watch needs to name it: docs/watching.md has the measured delays
DELAYS: Final[dict[str, str]] = {
    "hood-leak": "named some minutes after it begins, from air and heater each minute",
    "heater-weak": "named some minutes after it begins while the heater works, from air and heater",
    "probe": "named within minutes of a step of 1 degC, from skin each minute",
    "heat-loss": "named after 10 to 30 minutes of skin each minute, later by hand",
    "battery-weak": "needs readings of the bar while the unit runs on battery",
    "oxygen-sensor": "named after half an hour and more, from readings every 10 to 15 minutes",
    "cylinder": "named at the second or third reading of the gauge after it begins",
    "baby": "as soon as readings put the baby there with 9 chances in 10",
    "outlook": "worked out anew every 5 minutes",
}


@dataclass(frozen=True)
class Condition:
    """Something to look at.

    key : stable name, ``cylinder:NAME`` and ``gas-short:GAS`` for each cylinder and gas
    priority : by the matrix of IEC 60601-1-8 (recalled), for this page's own use only
    since_s : when it was named, seconds since the baby went in
    began_s : when it is thought to have begun, None if that has no meaning
    latched : stays listed as found after it is over
    cleared_s : when it was over, None while it lasts
    delay : how long it takes to be named
    also : what else would fit nearly as well, in words, "" if nothing
    """

    key: str
    title: str
    priority: Priority
    since_s: float
    evidence: str
    what_to_look_at: str
    latched: bool
    cleared_s: float | None
    delay: str
    began_s: float | None = None
    also: str = ""


def fault_key(kind: str, rows: Rows) -> str:
    """Key of the condition that a fault belongs to."""
    if kind in KEYS:
        return KEYS[kind]
    return f"cylinder:{rows.cylinders[int(kind.split(':')[1])].name}"


def title_of(key: str) -> str:
    """Title of a condition."""
    if key in TITLES:
        return TITLES[key]
    if key.startswith("cylinder:"):
        return f"Cylinder {key.removeprefix('cylinder:')}: leaking, or not the planned contents"
    return key


def delay_of(key: str) -> str:
    """How long a condition takes to be named."""
    return DELAYS["cylinder"] if key.startswith("cylinder:") else DELAYS[key]


@dataclass
class Traces:
    """Sums of what was read and expected of late, for sentences."""

    read: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)

    def add(self, quantity: str, at_s: float, value: float, expected: float) -> None:
        """Keep a reading."""
        kept = self.read.setdefault(quantity, [])
        kept.append((at_s, value, expected))
        del kept[:-400]

    def last(self, quantity: str) -> tuple[float, float, float] | None:
        """Latest reading: moment, value, expected."""
        kept = self.read.get(quantity)
        return kept[-1] if kept else None

    def since(self, quantity: str, at_s: float) -> list[tuple[float, float, float]]:
        """Readings from a moment on."""
        return [r for r in self.read.get(quantity, []) if r[0] >= at_s]


def _minutes(seconds: float) -> str:
    whole = max(0, round(seconds / 60.0))
    return "1 minute" if whole == 1 else f"{whole} minutes"


def _number(value: float, digits: int = 1) -> str:
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def _against(
    rows: Rows, traces: Traces, quantity: str, without: Mapping[str, float], words: str, unit: str,
    digits: int,
) -> str:  # fmt: skip
    last = traces.last(quantity)
    if last is None:
        return ""
    expected = without.get(quantity, last[2])
    return (
        f"{words} reads {_number(last[1], digits)} {unit}, "
        f"{_number(expected, digits)} {unit} was expected from what was known then"
    )


def fault_words(
    kind: str, size: float, onset_s: float, z: float, rows: Rows, traces: Traces,
    without: Mapping[str, float],
) -> tuple[str, str]:  # fmt: skip
    """Evidence and what to look at, for a fault that the readings speak for.

    without : quantity to what would be read now had the fault not begun
    """
    m = rows.members
    ago = _minutes(rows.now_s - onset_s)
    much = "much better" if z >= MUCH_BETTER else "better"
    strength = f"fits the readings {much} than no fault"
    parts: list[str] = []

    def say(quantity: str, words: str, unit: str, digits: int) -> None:
        text = _against(rows, traces, quantity, without, words, unit, digits)
        if text:
            parts.append(text)

    if kind == faults.LEAK:
        say("heater_percent", "heater", "%", 0)
        say("air_c", "air", "°C", 1)
        say("oxygen_percent", "oxygen", "%", 0)
        litres = size * 1000.0 * float(rows.extra("port")[:m].mean())
        evidence = (
            f"For about {ago}: {'; '.join(parts)}. About {_number(litres)} L/s of outside air "
            f"through the hood {strength}."
        )
        look = "Look at every port, sleeve, tubing gap and the front: closed and latched?"
    elif kind == faults.HEATER:
        say("heater_percent", "heater", "%", 0)
        say("air_c", "air", "°C", 1)
        share = 100.0 * (1.0 - faults.HEATER_LOST * size)
        evidence = (
            f"For about {ago}: {'; '.join(parts)}. A heater that gives about "
            f"{_number(max(share, 0.0), 0)} % of its power {strength}."
        )
        look = (
            "Look at the power lead, the outlet and what else is on it, the fan and its filter; "
            "compare the unit's own heater and source lights."
        )
    elif kind in (faults.PROBE_AIR, faults.PROBE_SHIFT):
        say("skin_c", "skin", "°C", 1)
        what = (
            "A probe that partly feels the air"
            if kind == faults.PROBE_AIR
            else f"A probe that reads {_number(abs(size) * faults.SHIFT_K)} K too "
            + ("high" if size > 0 else "low")
        )
        evidence = (
            f"For about {ago}: {'; '.join(parts)}. {what} {strength}; a baby's own skin cannot "
            "change that way."
        )
        look = (
            "Look at the skin probe: stuck on, metal side to the skin, not under the baby, cover "
            "on. Take an axillary temperature. Under skin control the heater follows this probe."
        )
    elif kind == faults.LOSS:
        say("skin_c", "skin", "°C", 1)
        say("axillary_c", "axillary", "°C", 1)
        say("rectal_c", "rectal", "°C", 1)
        more = 100.0 * faults.LOSS_MORE * size
        evidence = (
            f"For about {ago}: {'; '.join(parts)}. A heat loss about {_number(more, 0)} % above "
            f"the plan {strength}."
        )
        look = (
            "Look at the baby: wrap, hat and clothes in place, dry, no draught or wet sheet, "
            "mattress warm?"
        )
    elif kind == faults.DRIFT:
        say("oxygen_percent", "analyser", "%", 0)
        rate = faults.DRIFT_POINTS_H * size
        evidence = (
            f"For about {ago}: {'; '.join(parts)}, with settings as logged. A sensor that drifts "
            f"by {_number(rate, 0)} points an hour {strength}."
        )
        look = (
            "Set the sensor anew in room air; compare with the flow meters and the baby's "
            "saturation before changing the oxygen."
        )
    elif kind == faults.BATTERY:
        say("battery_divisions", "battery bar", "divisions", 1)
        share = 100.0 * (1.0 - faults.BATTERY_LOST * size)
        evidence = (
            f"On battery: {'; '.join(parts)}. A battery that holds about "
            f"{_number(max(share, 0.0), 0)} % of its profile {strength}."
        )
        look = "Keep on outside power where you can; have the spare at hand; trust the bar less."
    else:
        number = int(kind.split(":")[1])
        name = rows.cylinders[number].name
        say(f"{GAUGE}{name}", "gauge", "bar", 0)
        if kind.startswith(faults.GAS):
            what = f"A loss of about {_number(size * faults.GAS_LPM)} L/min beyond the set flow"
        else:
            share = 100.0 * (1.0 - faults.SMALL_LOST * size)
            what = f"A cylinder with about {_number(max(share, 0.0), 0)} % of the planned contents"
        evidence = f"For about {ago}: {'; '.join(parts)}. {what} {strength}."
        look = (
            f"Look at {name}: valve, seals, hoses, flow meter and blender bleed; listen for a "
            "hiss; check the label and size against the plan."
        )
    return evidence, look


def fault_priority(kind: str, size: float, rows: Rows, ahead: Forecast) -> Priority:
    """Priority of a fault that was found."""
    if kind in (faults.LEAK, faults.HEATER, faults.LOSS):
        return priority("harm that heals", "prompt")
    if kind in (faults.PROBE_AIR, faults.PROBE_SHIFT):
        led = bool(rows.p[0, at.SKIN_MODE] > 0.5)
        return priority("harm that heals" if led else "discomfort", "prompt")
    if kind == faults.DRIFT:
        return priority("harm that heals", "prompt")
    if kind == faults.BATTERY:
        return priority("harm that heals", "delayed" if ahead.holds["battery"] > 0.5 else "prompt")
    number = int(kind.split(":")[1])
    name = rows.cylinders[number].name
    holds = ahead.holds.get(f"cylinder:{name}", 1.0)
    if holds > 0.95:
        return priority("harm that heals", "delayed")
    return priority("death or lasting harm", "delayed" if holds > 0.5 else "prompt")


def outlook_conditions(
    rows: Rows, now: Present, ahead: Forecast, low: float, high: float
) -> dict[str, tuple[str, Priority, str, str, str]]:
    """Conditions that need no fault: key to title, priority, evidence, look, delay."""
    found: dict[str, tuple[str, Priority, str, str, str]] = {}
    body = rows.body_c()[: rows.members]
    cold, hot = float(np.mean(body < low)), float(np.mean(body > high))
    cooled = rows.case.trip.baby.cooled
    band = f"policy's {_number(low)} to {_number(high)} °C"
    state = (
        f"body {_number(now.body_c.p50)} °C ({_number(now.body_c.p05)} to "
        f"{_number(now.body_c.p95)}), {band}"
    )
    arrival = (
        f"at handover in about {_minutes(60.0 * ahead.handover_min.p50)}: "
        f"{_number(ahead.handover_c.p50)} °C ({_number(ahead.handover_c.p05)} to "
        f"{_number(ahead.handover_c.p95)}), {band}"
    )
    warm_look = "Take the baby's temperature; look at set point, hood, wrap and hat."
    far = 1.0
    if cold >= 0.9:
        worse = now.body_c.p50 < low - far
        p = priority("death or lasting harm" if worse else "harm that heals", "prompt")
        found["baby-cold"] = ("Baby too cold now", p, f"Now {state}.", warm_look, DELAYS["baby"])
    elif ahead.too_cold >= 0.8:
        found["baby-cold"] = (
            "Baby expected too cold at handover", priority("harm that heals", "delayed"),
            f"In {_share(ahead.too_cold)} of simulated courses, {arrival}.",
            warm_look, DELAYS["outlook"],
        )  # fmt: skip
    hot_look = (
        "Take the baby's temperature; look at set point, sun on the hood, wrap and probe."
        + (" Cooled on purpose: the bounds are the cooling bounds." if cooled else "")
    )
    if hot >= 0.9:
        worse = now.body_c.p50 > high + far
        p = priority("death or lasting harm" if worse else "harm that heals", "prompt")
        found["baby-hot"] = ("Baby too hot now", p, f"Now {state}.", hot_look, DELAYS["baby"])
    elif ahead.too_hot >= 0.8:
        found["baby-hot"] = (
            "Baby expected too hot at handover", priority("harm that heals", "delayed"),
            f"In {_share(ahead.too_hot)} of simulated courses, {arrival}.",
            hot_look, DELAYS["outlook"],
        )  # fmt: skip
    lasts = ahead.holds["battery"]
    if lasts < 0.8:
        when = ahead.battery_empty_min.p05
        middle = ahead.battery_empty_min.p50
        until = f"earliest (1 in 20) in {_minutes(60 * when)}" if np.isfinite(when) else ""
        soon = middle if np.isfinite(middle) else 60.0
        found["battery-short"] = (
            "Battery may not last to the end", priority("harm that heals", onset_of(soon)),
            f"It lasts to the end in {_share(lasts)} of simulated courses; {until}; "
            f"{_number(now.battery_min_present.p50, 0)} minutes left at the present draw.",
            "Stay on outside power as long as you can; plug in at every chance; spare battery.",
            DELAYS["outlook"],
        )  # fmt: skip
    for gas in ("oxygen", "air"):
        share = ahead.holds.get(f"gas:{gas}")
        if share is None or share >= 0.9:
            continue
        limits = [c.minutes_planned for c in now.cylinders if c.gas == gas and c.in_use]
        soonest = min((one.p50 for one in limits), default=np.inf)
        found[f"gas-short:{gas}"] = (
            f"{gas.capitalize()} may not last to the end",
            priority("death or lasting harm", onset_of(soonest)),
            f"The cylinders carried last to the end in {_share(share)} of simulated courses; "
            f"the one in use {_at_residual(limits)}.",
            "Look at flow and cylinder; ask for a cylinder on the way; use wall or vehicle gas.",
            DELAYS["outlook"],
        )
    return found


def _at_residual(limits: Sequence[Band]) -> str:
    """When a cylinder is at its residual, which some courses never see."""
    earliest = min((one.p05 for one in limits), default=np.inf)
    middle = min((one.p50 for one in limits), default=np.inf)
    if not np.isfinite(earliest):
        return "lasts"
    half = f"half by {_minutes(60 * middle)}" if np.isfinite(middle) else "fewer than half at all"
    return f"is at its residual in {_minutes(60 * earliest)} at the earliest (1 in 20), {half}"


def _share(probability: float) -> str:
    if probability >= 0.995:
        return "over 99 %"
    if probability < 0.005:
        return "under 1 %"
    return f"{max(1, int(100.0 * probability + 1e-9))} %"
