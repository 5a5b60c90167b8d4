"""The list before leaving, made from one plan: what to see, and what to read and write down.

A number that is read is judged against what the plan rests on, so that a plan made on another
battery, another cylinder or a warmer baby is noticed before the wheels roll. No item is about a
drug. An item that rests on no source says so.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from warmhold.model import Case, Cylinder, Quantity
from warmhold.model.checks import FULL_ABOVE
from warmhold.model.physiology import physiology
from warmhold.plan.measures import body_bounds_c
from warmhold.plan.sheet import AlarmLimit, Sheet
from warmhold.plan.words import number
from warmhold.simulate.scenario import by_skin, skin_set_c

Kind = Literal["tick", "number"]
State = Literal["good", "care", "stop"]
Group = Literal["power", "gas", "heat", "breathing", "alarms", "baby and papers"]

PRACTICE = "common practice, no source"
OWN = "own choice of this project"
_ANALYSER = Path(__file__).resolve().parent.parent / "data" / "tables" / "analyser.toml"

SENSIBLE_SKIN_C = (30.0, 42.0)  # a probe reads sensibly here (common practice, no source)
PROBE_MIN = (4.0, 5.0)  # a probe counts after 4 to 5 minutes (common practice, no source)
DRY_AIR_SHOWN = 21.0
CARE_BODY_K = 0.5  # how far outside the band is still care and not stop (own)
CARE_SKIN_K = 1.0
FLOW_SHARE = (0.1, 0.3)  # of the planned flow: good within the first, stop beyond the second (own)
BAR_OF = 10.0  # policy counts divisions of a bar of ten


@dataclass(frozen=True)
class CheckItem:
    """One thing to do or to read before leaving.

    key : stable; names the item in the record
    title : what to do, in a few words
    why : one sentence
    kind : "tick" is seen or done; "number" is read and written down
    unit : of the number; "" for a tick
    low, high : from and up to which a number is good; ``None`` without such an end [unit]
    stop_low, stop_high : below and above which one should not leave on this plan [unit]
    planned : what the plan rests on, as text; "" when it rests on nothing
    source, mark : where the item or its limits come from, and how far that was verified
    must : leaving without it needs more than a reason: it is kept in sight to the end
    group : heading that it stands under
    if_low, if_high : what to do about a number that is too low or too high
    """

    key: str
    title: str
    why: str
    kind: Kind
    unit: str
    low: float | None
    high: float | None
    source: str
    mark: str
    must: bool
    group: Group
    stop_low: float | None = None
    stop_high: float | None = None
    planned: str = ""
    if_low: str = ""
    if_high: str = ""


@dataclass(frozen=True)
class Judged:
    """What an entered value means."""

    state: State
    sentence: str


def checklist(case: Case, sheet: Sheet) -> tuple[CheckItem, ...]:
    """Build the list for one plan.

    case : trip, unit and policy that were planned
    sheet : the plan

    Returns the items in the order in which they are done: power, gas, heat, breathing, alarms,
    baby and papers. Keys are unique.
    """
    items = (
        *_power(case),
        *_gas(case),
        *_heat(case, sheet),
        *_breathing(case),
        *_alarms(case, sheet),
        *_baby_and_papers(),
    )
    seen: dict[str, int] = {}
    return tuple(_unique(item, seen) for item in items)


def _unique(item: CheckItem, seen: dict[str, int]) -> CheckItem:
    """Number a key that stands there already: two cylinders may share a name."""
    seen[item.key] = seen.get(item.key, 0) + 1
    if seen[item.key] == 1:
        return item
    fields = {**vars(item), "key": f"{item.key}-{seen[item.key]}"}
    return CheckItem(**fields)


def judge(item: CheckItem, value: float | str | None) -> Judged:
    """Judge what was entered for an item.

    item : one of the list
    value : a number; of a tick True, False; ``None`` when nothing is known. Text is read as a
        number, with a point or a comma for the decimals.

    Returns the state and one sentence. What is missing or cannot be read is never good.
    """
    if item.kind == "tick":
        return _judge_tick(item, value)
    reading = _number_in(value)
    if reading is None:
        shown = "" if value is None or value == "" else f" “{value}” is no number."
        return Judged("stop" if item.must else "care", f"Unknown.{shown} {item.why}".strip())
    shown = f"{_short(reading)}{_with_unit(item)}"
    plan = f" The plan rests on {item.planned}." if item.planned else ""
    if item.stop_low is not None and reading < item.stop_low:
        return Judged("stop", f"{shown} is too low.{plan} {item.if_low}".strip())
    if item.stop_high is not None and reading > item.stop_high:
        return Judged("stop", f"{shown} is too high.{plan} {item.if_high}".strip())
    if item.low is not None and reading < item.low:
        return Judged("care", f"{shown} is lower than hoped for.{plan} {item.if_low}".strip())
    if item.high is not None and reading > item.high:
        return Judged("care", f"{shown} is higher than hoped for.{plan} {item.if_high}".strip())
    return Judged("good", f"{shown}: good.{plan}".strip())


def _judge_tick(item: CheckItem, value: float | str | None) -> Judged:
    if value is True or (isinstance(value, str) and value.strip().lower() in {"yes", "done"}):
        return Judged("good", "Seen or done.")
    missing = "Unknown" if value is None else "Not done"
    return Judged("stop" if item.must else "care", f"{missing}. {item.why}")


_NUMBER = re.compile(r"[+-]?\d{1,9}(?:[.,]\d{1,9})?")


def _number_in(value: float | str | None) -> float | None:
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, str):
        text = value.strip().replace("−", "-")
        return float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else None
    return float(value) if math.isfinite(value) else None


def _short(value: float) -> str:
    return f"{value:.6g}".replace("-", "−")


def _with_unit(item: CheckItem) -> str:
    return f" {item.unit}" if item.unit else ""


# --- power --------------------------------------------------------------------------------------


def _tick(
    key: str, group: Group, title: str, why: str, *, must: bool = False,
    source: str = PRACTICE, mark: str = "practice", planned: str = "",
) -> CheckItem:  # fmt: skip
    return CheckItem(
        key, title, why, "tick", "", None, None, source, mark, must, group, planned=planned
    )


def _power(case: Case) -> Iterator[CheckItem]:
    yield _tick(
        "battery-minute", "power", "Run everything on battery for a minute before unplugging",
        "A battery that fails shows it while the socket is still at hand.", must=True,
    )  # fmt: skip
    yield _battery_bar(case)
    for battery in case.trip.supplies.spare_batteries:
        if battery.carried:
            packs = "pack" if battery.carried == 1 else "packs"
            yield _tick(
                "spare-battery", "power", f"{battery.carried} spare {packs} on board",
                "The plan counts on spare power.", must=True,
                source="the trip: spare batteries carried", mark="own",
                planned=f"{battery.carried} {packs} at {battery.charge_percent.value:g} %",
            )  # fmt: skip
    sources = dict.fromkeys(
        leg.power for leg in case.trip.legs if leg.power not in ("battery", case.trip.start.power)
    )
    for power in sources:
        yield _tick(
            f"lead-{power}", "power", f"Lead and outlet for {power} power tried or at hand",
            f"The plan counts on {power} power under way.",
        )  # fmt: skip


def _battery_bar(case: Case) -> CheckItem:
    divisions = float(case.unit.battery.bar_divisions)
    charge = case.trip.start.battery_charge_percent
    planned, spread = charge.value / 100 * divisions, charge.spread / 100 * divisions
    connect = case.policy.battery.connect_at_divisions
    # up to this many divisions the bar says: connect now; it shows whole ones
    above_floor = math.floor(connect.value / BAR_OF * divisions) + 1.0
    # a reading up to half a division low can be the planned charge
    stop = max(planned - max(2 * spread, 1.0), above_floor)
    low = max(planned - max(spread, 0.5), stop)
    return CheckItem(
        "battery-bar",
        f"Battery bar, out of {divisions:g}",
        "The minutes on battery rest on this charge.",
        "number",
        "divisions",
        low,
        divisions,
        f"planned charge less one and two of its spreads ({OWN}); {connect.source}",
        connect.mark,
        True,
        "power",
        stop_low=stop,
        stop_high=divisions,
        planned=f"{_planned(charge, '%')}, or {number(planned, 1)} of {divisions:g} divisions",
        if_low="Charge, take a spare, or plan again with what the bar shows.",
        if_high=f"The bar has only {divisions:g} divisions: read it again.",
    )


def _planned(quantity: Quantity, unit: str) -> str:
    return f"{quantity.value:g} ± {quantity.spread:.2g} {unit}"


# --- gas ----------------------------------------------------------------------------------------


def _gas(case: Case) -> Iterator[CheckItem]:
    trip = case.trip
    for cylinder in trip.supplies.cylinders:
        yield _gauge(cylinder)
    breathes = trip.baby.support != "none"
    if not breathes:
        return
    if any(leg.gas == "cylinder" for leg in trip.legs):
        yield _tick(
            "cylinder-open", "gas",
            "Cylinder open, and flow felt, before the wall hose is pulled",
            "Once the hose is out nothing flows until a cylinder is open.", must=True,
        )  # fmt: skip
        yield _tick(
            "cylinder-tools", "gas", "Key, washer and regulator of the next cylinder at hand",
            "A change-over without them cannot be done on the road.",
        )  # fmt: skip
    if any(leg.gas == "vehicle" for leg in trip.legs):
        yield _tick(
            "vehicle-gas", "gas", "Vehicle gas read, and the hose fits its outlet",
            "The plan counts on the vehicle's gas.",
        )  # fmt: skip
    if trip.baby.flow_lpm is not None:
        flow = trip.baby.flow_lpm.value
        near, far = (share * flow for share in FLOW_SHARE)
        yield CheckItem(
            "flow", "Flow as set", "The unit measures oxygen, but you set the flow.", "number",
            "L/min", flow - near, flow + near,
            f"planned flow within {FLOW_SHARE[0]:.0%}, {FLOW_SHARE[1]:.0%} at most: {OWN}", "own",
            False, "gas", stop_low=flow - far, stop_high=flow + far,
            planned=_planned(trip.baby.flow_lpm, "L/min"),
            if_low="Set it, or plan again with this flow.",
            if_high="More flow empties the cylinders sooner: plan again with this flow.",
        )  # fmt: skip


def _gauge(cylinder: Cylinder) -> CheckItem:
    planned, spread = cylinder.gauge_bar.value, cylinder.gauge_bar.spread
    near = max(spread, 1.0)
    stop = max(planned - 2 * near, cylinder.residual_bar)
    fullest = FULL_ABOVE * cylinder.fill_bar
    return CheckItem(
        f"gauge:{cylinder.name}",
        f"Gauge of {cylinder.name}",
        "The litres on board rest on this pressure. A warmer cylinder reads higher without "
        "holding more.",
        "number",
        "bar",
        max(planned - near, stop),
        min(planned + 3 * near, fullest),
        f"planned reading less one and two of its spreads: {OWN}",
        "own",
        True,
        "gas",
        stop_low=stop,
        stop_high=fullest,
        planned=f"{_planned(cylinder.gauge_bar, 'bar')} at {cylinder.gauge_at_c.value:g} °C",
        if_low="Take another cylinder, or plan again with this reading.",
        if_high="Is it the cylinder that was planned? Read it again.",
    )


# --- heat ---------------------------------------------------------------------------------------


def _heat(case: Case, sheet: Sheet) -> Iterator[CheckItem]:
    trip, rules = case.trip, case.policy.temperature
    air = sheet.start.air_set_c
    if not trip.baby.cooled and air is not None:
        within = rules.air_stable_within_k
        yield CheckItem(
            "air", "Air in the hood, as shown", "The baby goes in only once the unit is warm.",
            "number", "°C", air - within.value, air + within.value, within.source, within.mark,
            True, "heat", stop_low=air - 2 * within.value, stop_high=air + 2 * within.value,
            planned=f"air set to {air:g} °C",
            if_low="Wait until it has settled.", if_high="Wait until it has settled.",
        )  # fmt: skip
    if trip.baby.cooled:
        yield _tick(
            "warming-ready", "heat", "The unit runs, and is ready to warm when asked",
            "A cooled baby may need warming before arrival.",
        )  # fmt: skip
    yield CheckItem(
        "probe-minutes", "Minutes since the skin probe was attached and plugged in",
        "A probe reads low until it has warmed up.", "number", "min", PROBE_MIN[1], None,
        PRACTICE, "practice", False, "heat", stop_low=PROBE_MIN[0],
        if_low=f"Wait: it needs {PROBE_MIN[0]:g} to {PROBE_MIN[1]:g} minutes.",
    )  # fmt: skip
    yield _skin(case)
    yield _body(case)
    covered = [word for word in trip.baby.dressing if word != "bare"]
    if covered:
        yield _tick(
            "covered", "heat", f"Covered as planned: {', '.join(covered)}",
            "The plan counts on this cover.", must=True, source="the trip: dressing", mark="own",
        )  # fmt: skip
    yield _tick(
        "hood-shut", "heat", "Hood and every port shut",
        "An open port costs more heat than the heater can give.", must=True,
    )  # fmt: skip
    if trip.start.hood_humidity_percent > 0:
        yield _tick(
            "hood-water", "heat", "Humidifier of the hood filled",
            f"The plan humidifies the hood to {trip.start.hood_humidity_percent:g} %.",
        )  # fmt: skip


def _skin(case: Case) -> CheckItem:
    low, high = body_bounds_c(case.policy, case.trip.baby.cooled)
    table = physiology()
    below = table.skin_below_core_k.value - table.axillary_below_core_k.value
    if by_skin(case):
        planned = f"a heater that follows the skin at {number(skin_set_c(case), 1)} °C"
    else:
        planned = ""
    if case.trip.baby.cooled:
        below = table.skin_below_core_k.value
    return CheckItem(
        "skin", "Skin temperature", "A probe that lies wrong misleads the heater and you.",
        "number", "°C", low - below - CARE_BODY_K, high,
        f"policy's band for the body, lower by what skin is below it "
        f"({table.skin_below_core_k.source}); probes read sensibly from {SENSIBLE_SKIN_C[0]:g} to "
        f"{SENSIBLE_SKIN_C[1]:g} °C ({PRACTICE})",
        "derived", False, "heat",
        stop_low=max(low - below - CARE_BODY_K - CARE_SKIN_K, SENSIBLE_SKIN_C[0])
        if not case.trip.baby.cooled else SENSIBLE_SKIN_C[0],
        stop_high=min(high + CARE_SKIN_K, SENSIBLE_SKIN_C[1]),
        planned=planned,
        if_low="Is the probe on, dry and on bare skin? Compare with the other temperature.",
        if_high="Is the baby lying on the probe? Compare with the other temperature.",
    )  # fmt: skip


def _body(case: Case) -> CheckItem:
    low, high = body_bounds_c(case.policy, case.trip.baby.cooled)
    rules = case.policy.temperature
    source = rules.cooled_low_c if case.trip.baby.cooled else rules.low_c
    site = "rectal" if case.trip.baby.temperature_site == "rectal" else "axillary"
    return CheckItem(
        site,
        f"{site.capitalize()} temperature",
        "The plan begins with this temperature.",
        "number",
        "°C",
        low,
        high,
        f"{source.source}; care within {CARE_BODY_K:g} K outside the band: {OWN}",
        source.mark,
        True,
        "heat",
        stop_low=low - CARE_BODY_K,
        stop_high=high + CARE_BODY_K,
        planned=f"{_planned(case.trip.baby.temperature_c, '°C')}, "
        f"{case.trip.baby.temperature_site}",
        if_low="Warm first, or plan again from this temperature."
        if not case.trip.baby.cooled
        else "Below the cooling target: tell the clinician, and plan again from here.",
        if_high="Find out why, and plan again from this temperature.",
    )


# --- breathing ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Allowance:
    fixed_points: float
    level_share: float
    mark: str
    source: str


@cache
def _allowance() -> _Allowance:
    """Allowed error of an oxygen analyser, the first row of its table."""
    row = tomllib.loads(_ANALYSER.read_text("utf-8"))["allowance"][0]
    return _Allowance(row["fixed_points"], row["level_share"], row["mark"], row["source"])


def _breathing(case: Case) -> Iterator[CheckItem]:
    baby = case.trip.baby
    if baby.support != "none":
        yield _tick(
            "oxygen-calibrated", "breathing",
            "Oxygen sensor calibrated in room air today, about 30 s",
            "A sensor drifts, and it senses pressure, not per cent.",
        )  # fmt: skip
        allowed = _allowance()
        within = allowed.fixed_points + allowed.level_share * DRY_AIR_SHOWN
        yield CheckItem(
            "oxygen-in-air", "Oxygen reading in room air", "It shows whether the sensor is right.",
            "number", "%", DRY_AIR_SHOWN - within, DRY_AIR_SHOWN + within, allowed.source,
            allowed.mark, False, "breathing", stop_low=DRY_AIR_SHOWN - 2 * within,
            stop_high=DRY_AIR_SHOWN + 2 * within,
            if_low="Calibrate again in room air; if it stays off, change the sensor.",
            if_high="Calibrate again in room air; if it stays off, change the sensor.",
        )  # fmt: skip
    yield _tick(
        "bag-and-mask", "breathing", "Self-inflating bag and a mask that fits, within reach",
        "It is the one way to breathe for the baby without gas or power.", must=True,
    )  # fmt: skip
    yield _tick(
        "suction", "breathing", "Suction works off its own power, catheter on",
        "Suction off the wall stays behind.",
    )  # fmt: skip
    if baby.support == "ventilator":
        yield _tick(
            "tube", "breathing", "Tube depth at the lip read and written down, fixing firm",
            "A tube moves when the baby is moved.", must=True,
        )  # fmt: skip
    if baby.humidified_gas:
        yield _tick(
            "gas-water", "breathing", "Humidifier of the breathing gas filled, circuit drained",
            "The plan counts on warmed, humid gas.",
        )  # fmt: skip


# --- alarms -------------------------------------------------------------------------------------


def _alarms(case: Case, sheet: Sheet) -> Iterator[CheckItem]:
    yield _tick(
        "alarm-heard", "alarms", "Alarm lamp seen and sound heard, loud enough for the vehicle",
        "An alarm that cannot be heard guards nobody.",
    )  # fmt: skip
    for limit in sheet.alarms:
        yield _limit(limit)


def _limit(limit: AlarmLimit) -> CheckItem:
    key = "limit:" + re.sub(r"[^a-z]+", "-", limit.title.lower()).strip("-")
    mark = _mark_in(limit.source)
    if limit.set_to is None:
        title = f"{limit.title}: {limit.state}"
        return _tick(
            key, "alarms", title, limit.sentence, must=limit.state == "cannot be set",
            source=limit.source, mark=mark,
        )  # fmt: skip
    value, low_side = limit.set_to, limit.title.rstrip().endswith("low")
    unguarded = f"Set it to {value:g} {limit.unit}: it would sound later than planned."
    early = f"Set it to {value:g} {limit.unit}, or expect it to sound earlier than planned."
    return CheckItem(
        key, f"{limit.title}: set to {value:g} {limit.unit}", limit.sentence, "number", limit.unit,
        value, value, limit.source, mark, True, "alarms",
        stop_low=value if low_side else None,
        stop_high=None if low_side else value,
        planned=f"{value:g} {limit.unit}",
        if_low=unguarded if low_side else early,
        if_high=early if low_side else unguarded,
    )  # fmt: skip


def _mark_in(source: str) -> str:
    """How far a limit's source was verified, as its text says."""
    for word in ("verified", "memory", "practice", "derived", "own"):
        if re.search(rf"\b{word}\b", source):
            return word
    return "own"


# --- baby and papers ----------------------------------------------------------------------------


def _baby_and_papers() -> Iterator[CheckItem]:
    group: Group = "baby and papers"
    yield _tick(
        "harness", group, "Harness closed, unit locked down, nothing loose",
        "Everything moves when the vehicle brakes.", must=True,
    )  # fmt: skip
    yield _tick(
        "bands", group, "Two identity bands on the baby, read aloud",
        "A baby between two houses is known by them alone.", must=True,
    )  # fmt: skip
    yield _tick(
        "glucose", group, "Glucose measured within the last hour",
        "It is hard to measure under way, and its fall is silent.",
    )  # fmt: skip
    yield _tick(
        "access", group, "Lines and pumps checked, running on battery",
        "A pump that stops at the socket is found too late.",
    )  # fmt: skip
    yield _tick(
        "consent", group, "Consent given and written down", "It cannot be asked for on the road."
    )
    yield _tick(
        "papers", group, "Notes, results, images and samples packed",
        "What stays behind is asked for at night.",
    )  # fmt: skip
    yield _tick(
        "family", group, "Family told where, when and how, and have a number to call",
        "They follow, and are asked for consent.",
    )  # fmt: skip
    yield _tick(
        "receiver", group, "Receiving unit called: coming when, and needing what",
        "The bed, the socket and the gas have to be ready.",
    )  # fmt: skip
