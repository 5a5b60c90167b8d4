"""The sheet's short lists: what was read, to look at, is assumed, is worth measuring next."""

from __future__ import annotations

import numpy as np

from warmhold.model import Case, Sourced
from warmhold.model.base import SPREAD_BY_POLICY, Quantity
from warmhold.plan.drivers import ASSUMED_SHARE, UNSURE, variance_shares
from warmhold.plan.margins import describe, measured, value_text
from warmhold.plan.measures import body_bounds_c, leg_minutes
from warmhold.plan.sheet import Margin
from warmhold.plan.words import band, band_of, clock, number, share
from warmhold.science.hood_gas import minutes_to_share, time_constant_min
from warmhold.science.oxygen import fraction_at_pressure, oxygen_at_saturation
from warmhold.simulate import layout as at
from warmhold.simulate.draws import Draws
from warmhold.simulate.readouts import body_temperature_c, minutes_from_loading
from warmhold.simulate.scenario import Outcome

SECOND_STEP_C = 37.0
REPLACE_BELOW = 0.8  # of its rating
FETAL_P50_KPA = 2.67  # 20 mmHg: mostly fetal haemoglobin, 18 to 20 mmHg (memory-level mix)
WARM_AGAIN_K = 0.2  # above the lower bound of a cooled baby: time to act
WHY = {
    "assumed": "assumed in the unit's profile",
    "memory": "unverified: recalled, not read",
    "own": "unverified: a choice of this project",
    "derived": "worked out from other figures",
    "practice": "common practice, no source",
    "policy": "spread taken from policy, not stated by the trip",
}
HOW_TO_MEASURE = {
    "unit.battery.health": "run the battery down on the bench and put its health in the profile",
    "unit.battery.energy_wh": "run the battery down on the bench",
    "unit.battery.usable_fraction": "run the battery down on the bench to the cut-off",
    "unit.power.electronics_w": "measure the draw with the heater off",
    "unit.power.battery_efficiency": "measure battery and bus power together",
    "unit.hood.air_wall_w_k": "log a warm-up with a wall sensor",
    "unit.hood.wall_area_m2": "measure the hood",
    "unit.hood.fresh_air_lpm": "measure oxygen wash-in at a known flow",
    "trip.start.battery_charge_percent": "read the charge after an hour on mains",
    "trip.baby.temperature_c": "take the temperature again, twice",
    "trip.baby.oxygen_percent": "watch the need for ten minutes before leaving",
    "physiology.site_offset": "take a rectal or second axillary temperature",
}


def identity(case: Case) -> str:
    """Which baby this sheet is for, in one line."""
    baby = case.trip.baby
    support = "no support" if baby.support == "none" else str(baby.support)
    if baby.flow_lpm is not None:
        support += f" {baby.flow_lpm.value:g} L/min"
    if baby.support != "none":
        support += f" {baby.oxygen_percent.value:g} %"
    parts = (
        baby.pseudonym,
        f"{baby.weight_g.value:.0f} g",
        f"{baby.gestation_weeks:g} weeks",
        support,
        f"first {baby.temperature_c.value:.1f} °C {baby.temperature_site}",
        case.unit.name,
        f"policy {case.policy.name}",
    )
    return " · ".join(parts)


def trip_facts(case: Case) -> tuple[tuple[str, str], ...]:
    """What was read from the trip, for the reader to check."""
    trip, baby, start = case.trip, case.trip.baby, case.trip.start
    support: str = baby.support
    if baby.flow_lpm is not None:
        support += f", {baby.flow_lpm.value:g} L/min"
    if baby.humidified_gas:
        support += ", humidified"
    cylinders = ", ".join(
        f"{c.name}: {c.gas}, {c.water_l:g} L water, {c.gauge_bar.value:g} bar"
        for c in trip.supplies.cylinders
    )
    spare = sum(s.carried for s in trip.supplies.spare_batteries)
    unit = f"{case.unit.name}, {start.unit_state}"
    if start.unit_state != "warm":
        unit += f", stood at {start.unit_stood_at_c.value:g} °C"
    facts = [
        ("Baby", f"{baby.pseudonym}, {baby.weight_g.value:.0f} g, {baby.gestation_weeks:g} weeks"),
        ("Age", f"{baby.age_h:g} h"),
        ("First temperature", f"{baby.temperature_c.value:.1f} °C, {baby.temperature_site}"),
        ("Cover", ", ".join(baby.dressing)),
        ("Support", support),
        ("Oxygen now", f"{baby.oxygen_percent.value:g} %"),
        ("Cooled on purpose", "yes" if baby.cooled else "no"),
        ("Answer to cold", baby.cold_response),
        ("Unit", unit),
        ("Battery", f"charge {start.battery_charge_percent.value:g} %, {spare} spare carried"),
        ("Cylinders", cylinders or "none"),
        ("Planned", f"baby goes in at {clock(start.baby_in, start.offset)}"),
        ("Policy", case.policy.name),
    ]
    for leg in trip.legs:
        facts.append(
            (
                leg.name,
                f"{leg.minutes.value:g} min, {leg.place}, {number(leg.ambient_c.value, 0)} °C, "
                f"power {leg.power}, gas {leg.gas}",
            )
        )
    for delay in trip.delays:
        facts.append(
            (
                delay.what,
                f"{delay.chance_percent:g} % chance of {delay.minutes.value:g} min on {delay.leg}",
            )
        )
    return tuple(facts)


def attention(outcome: Outcome, margins: tuple[Margin, ...]) -> tuple[str, ...]:
    """Short lines to read before leaving."""
    case = outcome.ensemble.case
    rules = case.policy.temperature
    baby = case.trip.baby
    lines = []
    outdoors = [leg for leg in case.trip.legs if leg.place in ("outdoors", "tarmac")]
    cold = [leg for leg in outdoors if leg.ambient_c.value < rules.outdoor_risk_c.value]
    if cold:
        lines.append(
            f"Outdoors below {rules.outdoor_risk_c.value:g} °C more babies arrive cold: "
            f"{'; '.join(leg.name for leg in cold)}."
        )
    if baby.gestation_weeks < rules.wrap_below_weeks.value and not {"wrap", "bag"} & set(
        baby.dressing
    ):
        lines.append(
            f"Below {rules.wrap_below_weeks.value:g} weeks and not in plastic: a wrap or bag is "
            "usual."
        )
    if baby.cooled:
        lines.append(
            "Cooled on purpose: 33 to 34 °C rectal is the target; colder and warmer both count."
        )
        lines.append(_warm_again(outcome))
    lines += _battery_lines(outcome)
    if baby.support == "hood":
        least = case.policy.gas.hood_flow_min_lpm.value
        flow = float(np.median(outcome.ensemble.gas.hood_flow_lpm))
        fresh = float(np.median(outcome.ensemble.p[:, at.FRESH])) * 60000.0
        lines.append(
            f"Oxygen into the hood about {number(flow, 1)} L/min beside {number(fresh, 0)} L/min "
            f"of fresh air (assumed); policy asks {least:g} L/min in all against carbon dioxide."
        )
        lines.append(_wash_in(outcome))
    lines += _oxygen_lines(outcome)
    lines += _other_gas_lines(outcome)
    if (case.trip.start.air_set_c or 0.0) > SECOND_STEP_C:
        lines.append(
            f"Air above {SECOND_STEP_C:g} °C: the unit may ask for a second step to set it "
            "(recalled, unverified); watch skin and axilla closely, by your protocol."
        )
    lines += _display_lines(outcome)
    if any(m.key == "humidity" and m.state == "falls short" for m in margins):
        lines.append("Cold dry air makes the hood dry: the baby loses water and heat through skin.")
    lines += [
        "Skin probe: count its reading only 4 to 5 minutes after it is on (common practice, no "
        "source).",
        "Calibrate the oxygen sensor in room air before use, about 30 s (common practice, no "
        "source).",
    ]
    return tuple(lines)


def _wash_in(outcome: Outcome) -> str:
    """How long the hood's oxygen takes once the baby is in and the front is shut."""
    p, first = outcome.ensemble.p, outcome.ensemble.gas.hood_flow_lpm[:, 0]
    tau = time_constant_min(p[:, at.VOLUME] * 1000.0, first, p[:, at.FRESH] * 60000.0)
    minutes = np.asarray(minutes_to_share(0.95, tau))
    return (
        f"Oxygen in the hood needs {band(band_of(minutes), 0)} min to come to 95 % of its rise "
        "after the front is shut; every opening starts it again."
    )


def _oxygen_lines(outcome: Outcome) -> list[str]:
    """What the target means in partial pressure, and what happens if oxygen is left alone."""
    case = outcome.ensemble.case
    baby, water = case.trip.baby, case.policy.oxygen.water_vapour_kpa.value
    if baby.support == "none":
        return []
    lines = []
    target = baby.saturation_target_percent
    if target is not None and target[1] < 99.0:
        low, high = (
            float(oxygen_at_saturation(percent / 100.0, FETAL_P50_KPA)) for percent in target
        )
        lines.append(
            f"Saturation {target[0]:g} to {target[1]:g} %: about {number(low, 1)} to "
            f"{number(high, 1)} kPa arterial with mostly fetal haemoglobin "
            f"(half saturated at {FETAL_P50_KPA:.1f} kPa, unverified)."
        )
    ground = case.trip.legs[0].pressure_kpa
    highest = min(case.trip.legs, key=lambda leg: leg.pressure_kpa)
    if highest.pressure_kpa < ground - 1.0:
        alike = float(
            fraction_at_pressure(
                baby.oxygen_percent.value / 100.0, highest.pressure_kpa, ground, water
            )
        )
        lines.append(
            f"Left at {baby.oxygen_percent.value:g} % on {highest.name}, the baby would be as if "
            f"on {100.0 * alike:.0f} % here: raise it as the table of oxygen by leg says."
        )
    return lines


def _other_gas_lines(outcome: Outcome) -> list[str]:
    """Gas out of walls and vehicles is not checked: say how much is drawn from it."""
    ensemble = outcome.ensemble
    gas, legs = ensemble.gas, ensemble.case.trip.legs
    minutes = leg_minutes(ensemble)
    lines = []
    for source in ("wall", "vehicle"):
        on = np.array([leg.gas == source for leg in legs])
        drawn = gas.drawn_oxygen_lpm[:, on] * minutes[:, on]
        worst = gas.drawn_worst_lpm[:, on] * minutes[:, on]
        air = gas.drawn_air_lpm[:, on] * minutes[:, on]
        if on.any() and float(np.median(worst.sum(axis=1))) > 0.0:
            amounts = [np.quantile(part.sum(axis=1), 0.95) for part in (drawn, air, worst)]
            lines.append(
                f"Gas from the {source} is not checked: the trip draws up to "
                f"{amounts[0]:.0f} L of oxygen and {amounts[1]:.0f} L of air from it, "
                f"{amounts[2]:.0f} L of oxygen if the need rises to 100 %."
            )
    return lines


def _display_lines(outcome: Outcome) -> list[str]:
    """Where the unit's own displays would not show what is expected."""
    limits = outcome.ensemble.case.unit.limits
    shown = (
        ("hood air", limits.air_display_c, outcome.state(at.AIR)),
        ("skin", limits.skin_display_c, outcome.state(at.SKIN)),
    )
    lines = []
    for name, grid, values in shown:
        aboard = values[:, outcome.aboard_from :]
        low, high = np.quantile(aboard.min(axis=1), 0.05), np.quantile(aboard.max(axis=1), 0.95)
        if low < grid.lowest or high > grid.highest:
            lines.append(
                f"The unit shows {name} from {grid.lowest:g} to {grid.highest:g} °C; expected are "
                f"{number(float(low), 0)} to {number(float(high), 0)} °C: outside it shows nothing."
            )
    return lines


def _warm_again(outcome: Outcome) -> str:
    """When a cooled baby nears the lower bound, so that warming is due."""
    low, _ = body_bounds_c(outcome.ensemble.case.policy, cooled=True)
    body = body_temperature_c(outcome)[:, outcome.aboard_from :]
    near = body < low + WARM_AGAIN_K
    share_near = float(near.any(axis=1).mean())
    said = f"{number(low + WARM_AGAIN_K, 1)} °C"
    if share_near < 0.05:
        return f"Warming back on: fewer than 5 % of simulated trips come down to {said}."
    minutes = minutes_from_loading(outcome)[:, outcome.aboard_from :]
    rows = np.flatnonzero(near.any(axis=1))
    first = minutes[rows, near[rows].argmax(axis=1)]
    return (
        f"Warming back on: {share(share_near)} of simulated trips come down to {said}, in the "
        f"middle case {number(float(np.median(first)), 0)} min after the baby goes in: raise the "
        "air then, by small steps, as your protocol says."
    )


def _battery_lines(outcome: Outcome) -> list[str]:
    case = outcome.ensemble.case
    spares = sum(s.carried for s in case.trip.supplies.spare_batteries)
    if spares:
        return [
            f"{spares} spare {'battery' if spares == 1 else 'batteries'} carried: change over "
            f"before the bar is at {case.policy.battery.connect_at_divisions.value:g} of ten "
            "(common practice, no source).",
            *_health_line(outcome),
        ]
    full = outcome.ensemble.p[:, at.CHARGEABLE_WH]
    least = np.clip(outcome.state(at.CHARGE)[:, outcome.aboard_from :].min(axis=1) / full, 0.0, 1.0)
    divisions = case.unit.battery.bar_divisions
    shown = int(np.floor(np.median(least) * divisions))
    asked = case.policy.battery.connect_at_divisions.value
    line = (
        f"Battery bar at its lowest: about {shown} of {divisions} divisions in the middle of the "
        "simulated trips."
    )
    if shown <= asked * divisions / 10.0:
        line += f" At {asked:g} of ten, connect to outside power now (common practice, no source)."
    return [line, *_health_line(outcome)]


def _health_line(outcome: Outcome) -> list[str]:
    """A battery at the end of its life."""
    p, battery = outcome.ensemble.p, outcome.ensemble.case.unit.battery
    new = battery.energy_wh.value * battery.packs * battery.usable_fraction.value
    health = float(np.median(p[:, at.CHARGEABLE_WH])) / new
    if health >= REPLACE_BELOW:
        return []
    known = "measured" if battery.health is not None else "guessed from its age"
    return [
        f"Battery at about {100 * health:.0f} % of its rating ({known}): below "
        f"{100 * REPLACE_BELOW:.0f} % it is due for replacement (by analogy with stationary ones)."
    ]


def assumptions(
    case: Case, outcome: Outcome, margins: tuple[Margin, ...]
) -> tuple[tuple[str, str, str], ...]:
    """Everything that the margins rest on and that nobody measured, read or verified.

    An input is listed when it explains 1 % or more of the variance of any margin; a policy number
    when a margin uses it.
    """
    inputs = outcome.ensemble.draws.inputs
    found = measured(outcome, np.zeros(outcome.ensemble.p.shape[0]))
    largest: dict[str, float] = {}
    for measure in found.values():
        if np.isfinite(measure.spare).all():
            for key, part in variance_shares(measure.spare, inputs).items():
                largest[key] = max(part, largest.get(key, 0.0))
    rows: list[tuple[str, str, str]] = []
    for key, part in sorted(largest.items(), key=lambda entry: -entry[1]):
        item = inputs[key]
        if part < ASSUMED_SHARE:
            continue
        if item.provenance in UNSURE:
            rows.append((item.title, value_text(item), WHY[item.provenance]))
        elif item.provenance == "stated" and _spread_by_policy(case, key):
            rows.append((item.title, value_text(item), WHY["policy"]))
    seen = set()
    for margin in margins:
        for name, rule, unit in describe(margin.key, case).rules:
            if rule.mark in UNSURE and name not in seen:
                seen.add(name)
                rows.append((f"policy: {name}", _rule_text(rule, unit), WHY[rule.mark]))
    return tuple(rows)


def _rule_text(rule: Sourced, unit: str) -> str:
    return f"{rule.value:g} {unit}".strip()


def _spread_by_policy(case: Case, key: str) -> bool:
    """Whether a trip's number was written plainly, so that its spread is policy's."""
    parts = key.split(".")
    if parts[:2] == ["trip", "baby"] or parts[:2] == ["trip", "start"]:
        owner = getattr(case.trip, parts[1])
        quantity = getattr(owner, parts[2], None)
        return isinstance(quantity, Quantity) and quantity.note == SPREAD_BY_POLICY
    if parts[:2] == ["trip", "leg"]:
        for leg in case.trip.legs:
            if key.startswith(f"trip.leg.{leg.name}."):
                quantity = getattr(leg, parts[-1], None)
                return isinstance(quantity, Quantity) and quantity.note == SPREAD_BY_POLICY
    if parts[:3] == ["trip", "supplies", "cylinder"]:
        for cylinder in case.trip.supplies.cylinders:
            if key.startswith(f"trip.supplies.cylinder.{cylinder.name}."):
                return bool(getattr(cylinder, parts[-1]).note == SPREAD_BY_POLICY)
    return False


def measure_next(critical: Margin | None, draws: Draws) -> str:
    """Which single measurement would narrow the deciding margin most."""
    if critical is None or not critical.drivers:
        return ""
    for driver in critical.drivers:
        how = HOW_TO_MEASURE.get(driver.key)
        if how is None and driver.key.startswith("trip.supplies."):
            how = "read the gauge again with the cylinder at rest"
        if how is None and driver.key.startswith("unit."):
            how = "measure it on the bench"
        if how is not None:
            item = draws.inputs[driver.key]
            return (
                f"{item.title} ({value_text(item)}, {driver.provenance}) explains "
                f"{100 * driver.share:.0f} % of how uncertain “{critical.title}” is: {how}."
            )
    leading = critical.drivers[0]
    return (
        f"{leading.title} explains {100 * leading.share:.0f} % of how uncertain "
        f"“{critical.title}” is; nothing on the unit's bench would narrow it."
    )
