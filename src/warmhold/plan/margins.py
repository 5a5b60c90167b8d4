"""From measures to the sheet's margins: probability, band, words, drivers, what is assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, Sourced
from warmhold.plan import measures
from warmhold.plan.drivers import UNSURE, leading_of, unsure_of, variance_shares
from warmhold.plan.measures import Measure
from warmhold.plan.sheet import Band, Driver, Margin, State
from warmhold.plan.validity import Beyond
from warmhold.plan.warmup import HORIZON_MIN
from warmhold.plan.words import band_of, number, share
from warmhold.simulate.draws import Input
from warmhold.simulate.scenario import Outcome

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Described:
    """What is fixed about one margin: its words, and the policy numbers that it rests on."""

    title: str
    unit: str
    digits: int
    formula: str
    rules: tuple[tuple[str, Sourced, str], ...]  # name, number, its unit
    sources: tuple[str, ...] = ()

    @property
    def fails(self) -> str:
        """What happens when the thing itself gives out, as the start of a sentence."""
        return "The bound is passed" if self.unit == "°C" else "It gives out"


def measured(outcome: Outcome, ready_min: Floats) -> dict[str, Measure]:
    """Every measure that applies to this case, by margin key.

    ready_min : (members,) minutes from switch-on to a ready unit
    """
    ensemble = outcome.ensemble
    case, gas = ensemble.case, ensemble.gas
    rules = case.policy.gas
    found: dict[str, Measure] = {}
    if not case.trip.baby.cooled:
        start = case.trip.start
        available = (start.baby_in - start.now).total_seconds() / 60.0
        late = ready_min > available
        found["warm"] = Measure(
            available - np.minimum(ready_min, HORIZON_MIN),
            np.where(late, 0.0, np.inf),
            np.full(len(ready_min), -1, dtype=np.int64),
        )
    found["cold"] = measures.cold(outcome)
    found["hot"] = measures.hot(outcome)
    if not case.trip.baby.cooled and measures.settles(outcome):
        found["heat"] = measures.heat(outcome)
    found["battery"] = measures.battery(outcome)
    for key, kind, usual, worst in (
        ("oxygen", "oxygen", gas.oxygen_lpm, gas.worst_oxygen_lpm),
        ("air", "air", gas.air_lpm, gas.worst_air_lpm),
    ):
        ever = worst.max(initial=0.0) > 0.0
        if ever or usual.max(initial=0.0) > 0.0:
            litres = measures.contents(ensemble, kind).litres
            if usual.max(initial=0.0) > 0.0:
                found[key] = measures.gas(outcome, usual, litres, rules.factor.value)
        if ever:
            found[f"{key}-worst"] = measures.gas(
                outcome, worst, litres, rules.worst_case_factor.value
            )
    if case.trip.baby.support != "none" and flown(case):
        found["altitude"] = measures.altitude(outcome)
    if case.trip.baby.support in ("none", "hood", "cannula"):
        found["carbon-dioxide"] = measures.carbon_dioxide(outcome)
    if case.trip.baby.gestation_weeks < case.policy.temperature.humidity_below_weeks.value:
        found["humidity"] = measures.humidity(outcome)
    return found


def flown(case: Case) -> bool:
    """Whether any leg has clearly less pressure than the first."""
    ground = case.trip.legs[0].pressure_kpa
    return any(leg.pressure_kpa < ground - 1.0 for leg in case.trip.legs)


def describe(key: str, case: Case) -> Described:
    """The fixed words of one margin."""
    policy = case.policy
    body, battery, gas = policy.temperature, policy.battery, policy.gas
    cooled = case.trip.baby.cooled
    low = body.cooled_low_c if cooled else body.low_c
    high = body.cooled_high_c if cooled else body.high_c
    heat_sources = (
        "coupled model of hood, walls, deck, mattress, heater and baby: simulate/equations.py, "
        "sources beside each term in science/",
    )
    asked: tuple[tuple[str, Sourced, str], ...] = (
        (("off-mains factor", battery.factor, "×"),)
        if battery.rule == "factor"
        else (("minutes beyond the legs", battery.plus_min, "min"),)
    )
    gas_sources = (
        "real gas: Schmidt & Wagner 1985 (oxygen), Lemmon et al. 2000 (air), science/gas.py",
        "blend: oxygen flow = total × (fraction − 0.21) / 0.79, gas_oxygen notes",
    )
    table = {
        "warm": Described(
            "Unit ready when the baby goes in", "min", 0,
            "minutes from now to the baby going in − minutes from switch-on until air and "
            "operative temperature are settled for good",
            (
                ("air within", body.air_stable_within_k, "K"),
                ("operative temperature within", body.operative_stable_within_k, "K"),
            ),
            heat_sources,
        ),
        "cold": Described(
            "Baby warm enough" if not cooled else "Cooled baby not below target", "°C", 1,
            "lowest body temperature from loading to handover − lower bound",
            (("lower bound", low, "°C"),),
            heat_sources,
        ),
        "hot": Described(
            "Baby not too hot" if not cooled else "Cooled baby not above target", "°C", 1,
            "upper bound − highest body temperature from loading to handover",
            (("upper bound", high, "°C"),),
            heat_sources,
        ),
        "heat": Described(
            "Hood air holds its setting", "°C", 1,
            "lowest hood air on the legs, from 10 min after the last opening − (set temperature − "
            "allowed drop)",
            (("allowed drop", body.air_floor_below_set_k, "K"),),
            heat_sources,
        ),
        "battery": Described(
            "Battery on the legs without outside power", "min", 0,
            "minutes left at the end of the tightest run of battery legs, at its mean draw, or the "
            "minutes without power below zero"
            + (
                " − (factor − 1) × length of the run"
                if battery.rule == "factor"
                else " − minutes that policy adds"
            )
            + ". Usable energy = rated × health × usable share; it "
            "empties faster by draw / rated power to the power (Peukert − 1), and by the cold",
            asked,
            (
                "Peukert exponents: bdbatteries.com, utilitiesbunker.com; cold: "
                "discover-energy.com",
                *heat_sources,
            ),
        ),
        "oxygen": Described(
            "Oxygen in the cylinders", "L", 0,
            "litres above the residual at the temperature of use − factor × sum over legs of "
            "oxygen flow × minutes",
            (("gas factor", gas.factor, "×"),), gas_sources,
        ),
        "air": Described(
            "Air in the cylinders", "L", 0,
            "litres above the residual at the temperature of use − factor × sum over legs of air "
            "flow × minutes",
            (("gas factor", gas.factor, "×"),), gas_sources,
        ),
        "oxygen-worst": Described(
            "Oxygen if the need rises to 100 %", "L", 0,
            "litres above the residual − factor × sum over legs of the whole flow as oxygen × "
            "minutes",
            (
                ("worst-case factor", gas.worst_case_factor, "×"),
                ("flow when hood or cannula is not enough", gas.worst_hood_flow_lpm, "L/min"),
            ),
            gas_sources,
        ),
        "air-worst": Described(
            "Air if it has to do alone", "L", 0,
            "litres above the residual − factor × sum over legs of the whole flow as air × minutes",
            (("worst-case factor", gas.worst_case_factor, "×"),), gas_sources,
        ),
        "altitude": Described(
            "Room to raise oxygen in the cabin", "points", 0,
            "highest oxygen that can be given − oxygen needed at cabin pressure for the same "
            "inspired partial pressure, water vapour taken out",
            (
                ("highest oxygen", policy.oxygen.highest_percent, "%"),
                ("water vapour", policy.oxygen.water_vapour_kpa, "kPa"),
            ),
            ("ICAO standard atmosphere; constant inspired partial pressure, not arterial",),
        ),
        "carbon-dioxide": Described(
            "Carbon dioxide in the hood", "%", 2,
            "limit − highest carbon dioxide; production = oxygen use × 0.8, washed out by fresh "
            "air and oxygen flow",
            (("limit", gas.carbon_dioxide_limit_percent, "%"),), heat_sources,
        ),
        "humidity": Described(
            "Vapour in the hood", "kPa", 1,
            "lowest vapour pressure in the hood, from 10 min after the last opening − floor",
            (("floor", body.humidity_floor_kpa, "kPa"),), heat_sources,
        ),
    }  # fmt: skip
    return table[key]


def margin(key: str, found: Measure, outcome: Outcome, outside: tuple[Beyond, ...]) -> Margin:
    """One margin of the sheet."""
    ensemble = outcome.ensemble
    case = ensemble.case
    words = describe(key, case)
    required = case.policy.verdict.probability_percent.value / 100.0
    probability = float(np.mean(found.spare >= 0.0))
    unknown = [item.what for item in outside if key in item.unknown]
    if not np.isfinite(found.spare).all():
        unknown.append("the model gave no number for some of the simulated trips")
    state: State = "holds" if probability >= required else "falls short"
    if unknown:
        state = "cannot tell"
    spread = band_of(found.spare) if np.isfinite(found.spare).all() else None
    where = _where(found, case)
    inputs = ensemble.draws.inputs
    shares = variance_shares(found.spare, inputs) if spread else {}
    leading = leading_of(shares, inputs)
    return Margin(
        key=key,
        title=words.title,
        unit=words.unit,
        band=spread if state != "cannot tell" else None,
        probability=probability if state != "cannot tell" else None,
        required=required,
        must_hold=key in case.policy.verdict.must_hold,
        state=state,
        worst_at=where,
        sentence=_sentence(words, spread, probability, found, where, state, required, unknown),
        formula=words.formula,
        inputs=_inputs(words, leading, inputs),
        sources=(*words.sources, *(f"{name}: {rule.source}" for name, rule, _ in words.rules)),
        drivers=leading,
        assumed=(*_ruled(words), *unsure_of(shares, inputs)),
        reason="; ".join(unknown),
    )


def _where(found: Measure, case: Case) -> str:
    legs = found.where[found.where >= 0]
    if not len(legs):
        return ""
    return case.trip.legs[int(np.bincount(legs).argmax())].name


def _sentence(
    words: Described,
    spread: Band | None,
    probability: float,
    found: Measure,
    where: str,
    state: State,
    required: float,
    unknown: list[str],
) -> str:
    if state == "cannot tell" or spread is None:
        return "Unknown: " + " ".join(unknown)
    kept = f"kept in {share(probability)} of simulated trips"
    unit, digits = words.unit, words.digits
    if spread.p50 >= 0.0:
        text = f"{_spare_text(spread, unit, digits)}; {kept}"
        if state != "holds":
            text = (
                f"kept in only {share(probability)} of simulated trips, {100 * required:.0f} % "
                f"needed; {_spare_text(spread, unit, digits)}"
            )
    elif spread.p95 <= 0.0:
        missing = (number(-v, digits) for v in (spread.p50, spread.p95, spread.p05))
        text = "short by {} {unit} ({} to {}); {kept}".format(*missing, unit=unit, kept=kept)
    else:
        text = (
            f"short by {number(-spread.p50, digits)} {unit} (from {number(-spread.p05, digits)} "
            f"short to {number(spread.p95, digits)} to spare); {kept}"
        )
    if where:
        text += f"; tightest on {where}"
    failing = found.fails_min[np.isfinite(found.fails_min)]
    if where and len(failing) >= 0.05 * len(found.fails_min):
        middle = float(np.median(failing))
        when = f"{number(middle, 0)} min after" if middle >= 0.5 else "as soon as"
        text += (
            f". {words.fails} in {share(len(failing) / len(found.fails_min))}, typically {when} "
            "the baby goes in"
        )
    return text + "."


def _spare_text(spread: Band, unit: str, digits: int) -> str:
    low, middle, high = (number(v, digits) for v in (spread.p05, spread.p50, spread.p95))
    if spread.p05 >= 0.0:
        return f"{middle} {unit} to spare ({low} to {high})"
    short = number(-spread.p05, digits)
    return f"{middle} {unit} to spare (from {short} short to {high} to spare)"


def value_text(item: Input) -> str:
    """An input's value with its spread and unit."""
    percent = item.unit == "" and 0.0 < item.value <= 1.5
    scale, unit = (100.0, " %") if percent else (1.0, f" {item.unit}" if item.unit else "")
    value, spread = item.value * scale, item.spread * scale
    unit = unit.replace("degC", "°C").replace("m2", "m²").replace("L/min", "L/min")
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{number(value, digits)} ± {number(spread, digits)}{unit}"


def _inputs(
    words: Described, leading: tuple[Driver, ...], inputs: Mapping[str, Input]
) -> tuple[tuple[str, str, str], ...]:
    rules = tuple(
        (name, f"{number(rule.value, 2).rstrip('0').rstrip('.')} {unit}", rule.mark)
        for name, rule, unit in words.rules
    )
    moved = tuple(
        (inputs[item.key].title, value_text(inputs[item.key]), item.provenance) for item in leading
    )
    return rules + moved


def _ruled(words: Described) -> tuple[str, ...]:
    return tuple(f"{name} ({rule.mark})" for name, rule, _ in words.rules if rule.mark in UNSURE)
