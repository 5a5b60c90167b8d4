"""From a case to the arrays of an ensemble: members' constants, start, stretches, conditions.

Every uncertain number is drawn here, through ``Draws``, under the key it has in its file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Baby, Case, Leg, Quantity, Trip, Unit
from warmhold.model.physiology import Varied, physiology
from warmhold.science.air import absolute_humidity_g_m3, saturation_vapour_kpa
from warmhold.science.battery import (
    PEUKERT_LEAD,
    PEUKERT_LEAD_SPREAD,
    PEUKERT_LITHIUM,
    PEUKERT_LITHIUM_SPREAD,
    health_by_age,
)
from warmhold.science.blend import air_flow_lpm, oxygen_flow_lpm
from warmhold.science.body import (
    closed_vessels_w_m2k,
    open_vessels_w_m2k,
    surface_area_by_weight_m2,
    surface_area_m2,
)
from warmhold.science.hood_gas import flow_for_fraction_lpm
from warmhold.science.metabolism import cold_ceiling_w_kg, cold_readiness, resting_w_kg
from warmhold.science.oxygen import fraction_at_pressure
from warmhold.science.skin import skin_vapour_w_m2kpa
from warmhold.simulate import layout as at
from warmhold.simulate.draws import Draws, drawn
from warmhold.simulate.stepping import CONTROLLED, TOLERANCE, Run, advance

Floats = NDArray[np.float64]

COARSE_STEP_S = 20.0  # for callers that need equal steps
OPEN_STEP_S = 2.5  # while a port or the front is open: gas is exchanged within seconds
TRIAL_TOLERANCE = 0.02  # error let pass in one step while things are tried out [K]
OUTPUT_MIN = 2.0  # nominal minutes between outputs
WARM_STATE_H = 4.0  # a unit that stood warm has done so for this long
OXYGEN_IN_AIR = 0.2095
HEALTH_SPREAD = 0.08  # of a battery whose health is only guessed from its age

Kind = Literal["warming", "loading", "leg"]


@dataclass(frozen=True)
class Stretch:
    """A part of the trip with constant conditions.

    leg : its leg, None before the baby is aboard
    outputs : number of outputs, at equal fractions
    """

    name: str
    kind: Kind
    leg: int | None
    nominal_min: float
    outputs: int
    opening: Literal["", "port", "front"] = ""


@dataclass(frozen=True)
class GasUse:
    """What each leg takes from cylinders, (members, legs), standard litres a minute."""

    oxygen_lpm: Floats
    air_lpm: Floats
    worst_oxygen_lpm: Floats  # with the need risen to 100 %
    worst_air_lpm: Floats  # with air alone
    need_fraction: Floats  # oxygen fraction asked for on each leg, may exceed 1
    hood_flow_lpm: Floats  # oxygen into the hood, 0 for other support
    drawn_oxygen_lpm: Floats  # from whatever source the leg has
    drawn_air_lpm: Floats
    drawn_worst_lpm: Floats  # oxygen with the need risen to 100 %, from whatever source


@dataclass(frozen=True)
class Ensemble:
    """All arrays of one ensemble, ready to run."""

    case: Case
    draws: Draws
    p: Floats
    start: Floats
    durations_s: Floats
    conditions: Floats
    stretches: tuple[Stretch, ...]
    gas: GasUse
    air_set_c: float
    site_offset_k: Floats  # how far a reading at the baby's site is below core
    leg_min: Floats  # (members, legs) with delays
    coarse: bool = False  # steps judged less strictly, for trials

    @property
    def outputs(self) -> NDArray[np.int64]:
        """Outputs of each stretch."""
        return np.array([stretch.outputs for stretch in self.stretches], dtype=np.int64)

    @property
    def steps_s(self) -> Floats:
        """Largest step of each stretch: the error decides [s]."""
        return np.full(len(self.stretches), CONTROLLED)

    @property
    def tolerance_k(self) -> float:
        """Error let pass in one step [K]."""
        return TRIAL_TOLERANCE if self.coarse else TOLERANCE


READ: Final = (
    at.AIR, at.WALL, at.SKIN, at.CORE, at.CHARGE, at.PACK, at.OXYGEN, at.CARBON,
    *(at.N_STATE + flow for flow in (at.F_BATTERY_W, at.F_OPERATIVE, at.F_VAPOUR_KPA)),
)  # fmt: skip
"""What margins and plots read: states, then flows shifted by N_STATE."""
EVERYTHING: Final = tuple(range(at.N_STATE + at.N_FLOW))


@dataclass(frozen=True)
class Outcome:
    """An ensemble that was run. Output 0 is now; every stretch ends on an output."""

    ensemble: Ensemble
    run: Run
    kept: tuple[int, ...] = EVERYTHING

    def state(self, index: int) -> Floats:
        """One state at all outputs, (members, outputs). ``ValueError`` when it was not kept."""
        return self.run.trace[:, :, self.kept.index(index)]

    def flow(self, index: int) -> Floats:
        """One flow at all outputs, (members, outputs). ``ValueError`` when it was not kept."""
        return self.run.trace[:, :, self.kept.index(at.N_STATE + index)]

    @property
    def edges(self) -> NDArray[np.int64]:
        """Output at the start of each stretch, and the last output."""
        return np.concatenate(([0], np.cumsum(self.ensemble.outputs))).astype(np.int64)

    @property
    def aboard_from(self) -> int:
        """First output with the baby in."""
        for number, stretch in enumerate(self.ensemble.stretches):
            if stretch.kind != "warming":
                return int(self.edges[number])
        return 0

    def leg_outputs(self, leg: int) -> slice:
        """Outputs of one leg, both ends included."""
        numbers = [n for n, s in enumerate(self.ensemble.stretches) if s.leg == leg]
        return slice(int(self.edges[numbers[0]]), int(self.edges[numbers[-1] + 1]) + 1)


def prepare(
    case: Case,
    members: int,
    seed: int,
    *,
    air_set_c: float,
    warming_min: float | None = None,
    with_legs: bool = True,
    coarse: bool = False,
) -> Ensemble:
    """Draw an ensemble for a case.

    Parameters
    ----------
    case : trip, unit and policy
    members : how many, 1 or more
    seed : of all draws
    air_set_c : set air temperature [degC]
    warming_min : time from switch-on to the baby going in; the trip's own if None [min]
    with_legs : False for a warm-up alone
    coarse : steps judged less strictly, for trying things out

    Returns
    -------
    An ``Ensemble``.
    """
    draws = Draws(members, seed)
    trip, unit = case.trip, case.unit
    p = np.ones((members, at.N_PARAM))
    _unit_constants(p, unit, trip, draws)
    _baby_constants(p, trip.baby, draws)
    _mattress_constants(p, unit, draws)
    _skin_control(p, case)
    if warming_min is None:
        warming_min = (trip.start.baby_in - trip.start.now).total_seconds() / 60.0
    legs = trip.legs if with_legs else ()
    stretches = _stretches(trip, warming_min, legs)
    leg_min = _leg_minutes(trip, draws) if legs else np.empty((members, 0))
    durations = _durations(trip, stretches, leg_min, warming_min, draws)
    gas = _gas_use(case, legs, p, draws)
    conditions = _conditions(case, stretches, gas, draws, air_set_c)
    standing = _start_place(case, draws)
    standing[:, at.AIR_SET] = air_set_c
    standing[:, at.HUMIDITY_SET] = trip.start.hood_humidity_percent / 100.0
    start, offset = _start(case, p, standing, draws, air_set_c)
    return Ensemble(
        case, draws, p, start, durations * 60.0, conditions, stretches, gas, air_set_c, offset,
        leg_min, coarse,
    )  # fmt: skip


def run(ensemble: Ensemble, *, everything: bool = False) -> Outcome:
    """Run an ensemble, keeping at its outputs what margins and plots read.

    everything : keep all states and flows, which is three times as much
    """
    keep = EVERYTHING if everything else READ
    return Outcome(
        ensemble,
        advance(
            ensemble.start,
            ensemble.p,
            ensemble.durations_s,
            ensemble.conditions,
            ensemble.outputs,
            ensemble.steps_s,
            np.array(keep, dtype=np.int64),
            tolerance=ensemble.tolerance_k,
        ),
        keep,
    )


# --- constants of the members ------------------------------------------------------------------

_UNIT_VALUES = {
    # parameter: (path in the unit file, title, unit, factor to SI)
    at.C_AIR: ("hood.air_capacity_j_k", "heat capacity of the hood air", "J/K", 1.0),
    at.C_WALL: ("hood.inner_wall_capacity_j_k", "heat capacity of the inner wall", "J/K", 1.0),
    at.C_OUTER: ("hood.outer_wall_capacity_j_k", "heat capacity of the outer wall", "J/K", 1.0),
    at.C_DECK: ("hood.deck_capacity_j_k", "heat capacity of deck and mattress", "J/K", 1.0),
    at.C_HEATER: ("hood.heater_capacity_j_k", "heat capacity of the heater", "J/K", 1.0),
    at.G_AIR_WALL: ("hood.air_wall_w_k", "conductance air to wall", "W/K", 1.0),
    at.G_AIR_DECK: ("hood.air_deck_w_k", "conductance air to deck", "W/K", 1.0),
    at.G_DECK_AMBIENT: ("hood.deck_ambient_w_k", "conductance deck to outside", "W/K", 1.0),
    at.G_HEATER_AIR: ("hood.heater_air_w_k", "conductance heater to air", "W/K", 1.0),
    at.WALL_AREA: ("hood.wall_area_m2", "wall area", "m2", 1.0),
    at.WALL_RESISTANCE: ("hood.wall_resistance_m2k_w", "resistance of the wall", "m2K/W", 1.0),
    at.WALL_GAP: ("hood.wall_gap_w_m2k", "conductance between the two walls", "W/m2K", 1.0),
    at.VOLUME: ("hood.volume_l", "hood volume", "L", 1e-3),
    at.FRESH: ("hood.fresh_air_lpm", "fresh air and leaks", "L/min", 1.0 / 60000.0),
    at.AIR_SPEED: ("hood.air_speed_m_s", "air speed over the baby", "m/s", 1.0),
    at.SUN_WINDOW: ("hood.sun_window_m2", "window for the sun", "m2", 1.0),
    at.GAIN: ("control.gain_w_k", "gain of the air control", "W/K", 1.0),
    at.INTEGRAL_S: ("control.integral_min", "integral time of the air control", "min", 60.0),
    at.SKIN_GAIN: ("control.skin_gain_k_k", "gain of the skin control", "K/K", 1.0),
    at.HEATER_W: ("power.heater_w", "heater power", "W", 1.0),
    at.HEATER_BATTERY_W: ("power.heater_on_battery_w", "heater power on battery", "W", 1.0),
    at.ELECTRONICS_W: ("power.electronics_w", "power of the electronics", "W", 1.0),
    at.FAN_HEAT_W: ("power.fan_heat_w", "heat of the fan", "W", 1.0),
    at.PACK_LAG_S: ("battery.warming_min", "how slowly the battery follows the cold", "min", 60.0),
    at.PACK_WARMER_K: ("battery.warmer_than_ambient_k", "battery warmer than outside", "K", 1.0),
    at.HUMIDIFIER_G_S: ("humidifier.output_g_h", "output of the humidifier", "g/h", 1.0 / 3600.0),
}
_UNIT_SHARES = {
    at.WALL_VIEW: ("hood.wall_view", "share of wall in the baby's view"),
    at.FAN_OFF: ("hood.fan_off_factor", "what the stopped fan leaves"),
    at.SUPPLY_EFFICIENCY: ("power.supply_efficiency", "efficiency of the power supply"),
    at.BATTERY_EFFICIENCY: ("power.battery_efficiency", "efficiency from battery to unit"),
    at.CONTACT: ("mattress.contact_fraction", "share of skin on the mattress"),
}


def _unit_quantity(unit: Unit, path: str) -> Quantity:
    group, name = path.split(".")
    found: Quantity = getattr(getattr(unit, group), name)
    return found


def _draw_unit(draws: Draws, unit: Unit, path: str, title: str, label: str) -> Floats:
    q = _unit_quantity(unit, path)
    return draws.positive(f"unit.{path}", title, q.value, q.spread, label, q.provenance)


def _unit_constants(p: Floats, unit: Unit, trip: Trip, draws: Draws) -> None:
    for index, (path, title, label, factor) in _UNIT_VALUES.items():
        p[:, index] = _draw_unit(draws, unit, path, title, label) * factor
    for index, (path, title) in _UNIT_SHARES.items():
        q = _unit_quantity(unit, path)
        p[:, index] = draws.share(f"unit.{path}", title, q.value, q.spread, "", q.provenance)
    p[:, at.IS_DOUBLE] = float(unit.wall == "double")
    p[:, at.AIR_LOWEST] = unit.limits.air_set_c.lowest
    p[:, at.AIR_HIGHEST] = unit.limits.air_set_c.highest
    _battery_constants(p, unit, trip, draws)
    compressor = trip.supplies.compressor_w
    p[:, at.COMPRESSOR_W] = (
        drawn(
            draws.positive, "trip.supplies.compressor_w", "power of the compressor", compressor, "W"
        )
        if compressor is not None
        else 0.0
    )


def _battery_constants(p: Floats, unit: Unit, trip: Trip, draws: Draws) -> None:
    battery = unit.battery
    lead = float(battery.chemistry == "lead-acid")
    energy = _draw_unit(draws, unit, "battery.energy_wh", "battery energy when new", "Wh")
    q = battery.usable_fraction
    usable = drawn(
        draws.share, "unit.battery.usable_fraction", "usable share of the battery", q, ""
    )
    if battery.health is not None:
        h = battery.health
        health = drawn(
            draws.positive, "unit.battery.health", "battery health (last run-down)", h, ""
        )
    else:
        guessed = float(health_by_age(battery.age_years, lead))
        spread = HEALTH_SPREAD * min(1.0, battery.age_years / 2.0)
        health = draws.positive(
            "unit.battery.health", "battery health (guessed from its age)", guessed, spread, "",
            "assumed",
        )  # fmt: skip
    spares = sum(s.carried for s in trip.supplies.spare_batteries)
    one = energy * health * usable
    p[:, at.CHARGEABLE_WH] = one * battery.packs
    p[:, at.USABLE_WH] = one * (battery.packs + spares)
    p[:, at.RATED_W] = energy * battery.packs / battery.rating_h.value
    p[:, at.PEUKERT] = 1.0 + draws.positive(
        "unit.battery.rate", "loss by fast discharge (Peukert exponent less 1)",
        (PEUKERT_LEAD if lead else PEUKERT_LITHIUM) - 1.0,
        # a run-down was made at the unit's own draw: what it gave holds the loss already
        0.0 if battery.health is not None
        else PEUKERT_LEAD_SPREAD if lead else PEUKERT_LITHIUM_SPREAD,
        "", "published" if lead else "assumed",
    )  # fmt: skip
    p[:, at.IS_LEAD] = lead
    hours = _draw_unit(draws, unit, "battery.charge_time_h", "charging time", "h")
    # 80 % at full power and an exponential rest of which 90 % is waited for: 1.26 times
    p[:, at.CHARGER_W] = 1.26 * p[:, at.CHARGEABLE_WH] / hours


def skin_set_c(case: Case) -> float:
    """Skin temperature that a skin-controlled heater steers to [degC]."""
    stated = case.trip.start.skin_set_c
    return case.policy.temperature.skin_set_c.value if stated is None else stated


def by_skin(case: Case) -> bool:
    """Whether the heater follows the baby's skin on this trip."""
    return (case.trip.start.control or case.unit.control.mode) == "skin"


def _skin_control(p: Floats, case: Case) -> None:
    p[:, at.SKIN_MODE] = float(by_skin(case))
    p[:, at.SKIN_SET] = skin_set_c(case)


def _varied(draws: Draws, key: str, title: str, varied: Varied, share: bool = False) -> Floats:
    draw = draws.share if share else draws.positive
    return draw(f"physiology.{key}", title, varied.value, varied.spread, "", varied.mark)


def _baby_constants(p: Floats, baby: Baby, draws: Draws) -> None:
    body = physiology()
    weight = drawn(draws.positive, "trip.baby.weight_g", "weight", baby.weight_g, "g")
    area = (
        surface_area_m2(weight, baby.length_cm)
        if baby.length_cm is not None
        else surface_area_by_weight_m2(weight)
    )
    weeks, hours = baby.gestation_weeks, baby.age_h
    rest = float(resting_w_kg(weeks, hours))
    answers = baby.cold_response == "present"
    p[:, at.MASS] = weight / 1000.0
    p[:, at.AREA] = area * _varied(draws, "area_factor", "body surface", body.area_factor)
    p[:, at.RADIATING] = _varied(
        draws, "radiating_fraction", "posture (share of skin that radiates)",
        body.radiating_fraction, share=True,
    )  # fmt: skip
    p[:, at.DRY_LOSS] = _varied(
        draws, "dry_loss_factor", "dry heat loss of this baby", body.dry_loss_factor
    )
    p[:, at.REST] = rest * _varied(
        draws, "rest_factor", "the baby's resting heat", body.rest_factor
    )
    p[:, at.CEILING] = np.maximum(
        p[:, at.REST],
        float(cold_ceiling_w_kg(weeks, rest))
        * _varied(draws, "ceiling_factor", "the baby's greatest heat", body.ceiling_factor),
    )
    p[:, at.READINESS] = float(cold_readiness(weeks, hours)) if answers else 0.0
    vessels = _varied(draws, "vessel_factor", "core to skin conductance", body.vessel_factor)
    p[:, at.VESSELS_CLOSED] = float(closed_vessels_w_m2k(weeks)) * vessels
    p[:, at.VESSELS_OPEN] = float(open_vessels_w_m2k(weeks)) * vessels
    p[:, at.SKIN_VAPOUR] = float(skin_vapour_w_m2kpa(weeks, hours / 24.0)) * _varied(
        draws, "skin_vapour_factor", "water loss through the skin", body.skin_vapour_factor
    )
    p[:, at.WEEKS] = weeks
    _dressing_constants(p, baby, draws)
    in_hood = baby.support in ("none", "hood", "cannula")
    p[:, at.BREATH_IN_HOOD] = float(in_hood)
    p[:, at.BREATH_LOSS] = 0.0 if baby.humidified_gas else 1.0
    p[:, at.BREATH_DRY] = 0.0 if in_hood else 1.0


def _dressing_constants(p: Floats, baby: Baby, draws: Draws) -> None:
    body = physiology()
    for index in (at.BODY_SHARE, at.BODY_INSULATION, at.HEAD_SHARE, at.HEAD_INSULATION):
        p[:, index] = 0.0
    if "wrap" in baby.dressing or "bag" in baby.dressing:
        share = body.bag_share if "bag" in baby.dressing else body.wrap_share
        p[:, at.BODY_SHARE] = _varied(draws, "wrap_share", "skin under the wrap", share, share=True)
        p[:, at.BODY_INSULATION] = _varied(
            draws, "plastic_insulation_m2k_w", "insulation of the wrap",
            body.plastic_insulation_m2k_w,
        )  # fmt: skip
        p[:, at.BODY_VAPOUR] = _varied(
            draws, "plastic_vapour_share", "vapour through the wrap", body.plastic_vapour_share,
            share=True,
        )  # fmt: skip
    elif "dressed" in baby.dressing:
        p[:, at.BODY_SHARE] = _varied(
            draws, "dressed_share", "skin under clothes", body.dressed_share, share=True
        )
        p[:, at.BODY_INSULATION] = _varied(
            draws, "dressed_insulation_m2k_w", "insulation of the clothes",
            body.dressed_insulation_m2k_w,
        )  # fmt: skip
        p[:, at.BODY_VAPOUR] = _varied(
            draws, "dressed_vapour_share", "vapour through the clothes", body.dressed_vapour_share,
            share=True,
        )  # fmt: skip
    if "hat" in baby.dressing:
        p[:, at.HEAD_SHARE] = _varied(
            draws, "hat_share", "skin under the hat", body.hat_share, share=True
        )
        p[:, at.HEAD_INSULATION] = _varied(
            draws, "hat_insulation_m2k_w", "insulation of the hat", body.hat_insulation_m2k_w
        )


def _mattress_constants(p: Floats, unit: Unit, draws: Draws) -> None:
    area = p[:, at.CONTACT] * p[:, at.AREA]
    contact = _draw_unit(draws, unit, "mattress.contact_w_m2k", "skin to mattress", "W/m2K")
    capacity = _draw_unit(
        draws, unit, "mattress.capacity_j_m2k", "heat capacity of the mattress", "J/m2K"
    )
    below = _draw_unit(draws, unit, "mattress.below_w_m2k", "insulation of the mattress", "W/m2K")
    p[:, at.G_PATCH_BABY] = contact * area
    p[:, at.C_PATCH] = capacity * area
    p[:, at.G_PATCH_BELOW] = below * area
    p[:, at.G_PATCH_AIR] = MATTRESS_FILM_W_M2K * area


MATTRESS_FILM_W_M2K = 6.0  # air and radiation on the bare mattress (assumed)


# --- stretches, durations, conditions ------------------------------------------------------------


def _stretches(trip: Trip, warming_min: float, legs: tuple[Leg, ...]) -> tuple[Stretch, ...]:
    found: list[Stretch] = []
    if warming_min > 0.0 or not legs:
        found.append(_stretch("warming up", "warming", None, warming_min))
    if not legs:
        return tuple(found)
    loading = trip.start.loading_minutes.value
    if loading > 0.0:
        found.append(_stretch("baby goes in", "loading", None, loading, "front"))
    for number, leg in enumerate(legs):
        nominal = leg.minutes.value + sum(
            d.minutes.value * d.chance_percent / 100.0 for d in trip.delays if d.leg == leg.name
        )
        since = 0.0
        for opening in sorted(leg.door_openings, key=lambda o: o.at_min):
            before = max(opening.at_min - since, 0.0)
            if before > 0.0:
                found.append(_stretch(leg.name, "leg", number, before))
            found.append(_stretch(leg.name, "leg", number, opening.minutes, opening.size))
            since = max(since, opening.at_min) + opening.minutes
        found.append(_stretch(leg.name, "leg", number, max(nominal - since, 0.5)))
    return tuple(found)


def _stretch(
    name: str,
    kind: Kind,
    leg: int | None,
    nominal_min: float,
    opening: Literal["", "port", "front"] = "",
) -> Stretch:
    every = 1.0 if opening or kind == "warming" else OUTPUT_MIN
    return Stretch(name, kind, leg, nominal_min, max(1, round(nominal_min / every)), opening)


def _leg_minutes(trip: Trip, draws: Draws) -> Floats:
    columns = []
    for leg in trip.legs:
        minutes = drawn(
            draws.positive,
            f"trip.leg.{leg.name}.minutes",
            f"duration: {leg.name}",
            leg.minutes,
            "min",
        )
        for delay in trip.delays:
            if delay.leg == leg.name:
                key = f"trip.delay.{delay.what}"
                happens = draws.chance(
                    f"{key}.chance", f"whether it happens: {delay.what}",
                    delay.chance_percent / 100.0,
                )  # fmt: skip
                minutes = minutes + happens * drawn(
                    draws.positive,
                    f"{key}.minutes",
                    f"length of delay: {delay.what}",
                    delay.minutes,
                    "min",
                )
        columns.append(minutes)
    return np.column_stack(columns)


def _durations(
    trip: Trip,
    stretches: tuple[Stretch, ...],
    leg_min: Floats,
    warming_min: float,
    draws: Draws,
) -> Floats:
    """Minutes of each stretch: door openings keep their length, the rest of a leg scales."""
    durations = np.empty((draws.members, len(stretches)))
    loading = trip.start.loading_minutes
    for number, stretch in enumerate(stretches):
        if stretch.kind == "warming":
            durations[:, number] = warming_min
        elif stretch.kind == "loading":
            durations[:, number] = drawn(
                draws.positive,
                "trip.start.loading_minutes",
                "how long the front is open at loading",
                loading,
                "min",
            )
        else:
            parts = [s for s in stretches if s.leg == stretch.leg]
            fixed = sum(s.nominal_min for s in parts if s.opening)
            scaled = sum(s.nominal_min for s in parts if not s.opening)
            assert stretch.leg is not None
            if stretch.opening:
                durations[:, number] = stretch.nominal_min
            else:
                left = np.maximum(leg_min[:, stretch.leg] - fixed, 0.0)
                durations[:, number] = left * stretch.nominal_min / scaled
    return durations


def _conditions(
    case: Case, stretches: tuple[Stretch, ...], gas: GasUse, draws: Draws, air_set_c: float
) -> Floats:
    trip, unit = case.trip, case.unit
    members = draws.members
    conditions = np.zeros((members, len(stretches), at.N_CONDITION))
    port = _draw_unit(draws, unit, "hood.port_exchange_lps", "air through an open port", "L/s")
    front = _draw_unit(draws, unit, "hood.front_exchange_lps", "air through the open front", "L/s")
    places = [_start_place(case, draws)] + [_leg_place(case, leg, draws) for leg in trip.legs]
    humidity_set = trip.start.hood_humidity_percent / 100.0
    for number, stretch in enumerate(stretches):
        c = conditions[:, number]
        c[:] = places[0 if stretch.leg is None else stretch.leg + 1]
        if stretch.opening:
            c[:, at.OPENING] = (port if stretch.opening == "port" else front) / 1000.0
        c[:, at.ABOARD] = float(stretch.kind != "warming")
        c[:, at.AIR_SET] = air_set_c
        c[:, at.HUMIDITY_SET] = humidity_set
        c[:, at.COMPRESSING] = float(
            trip.supplies.air_from == "compressor"
            and stretch.leg is not None
            and trip.legs[stretch.leg].gas == "cylinder"
        )
        if stretch.leg is not None:
            c[:, at.HOOD_OXYGEN] = gas.hood_flow_lpm[:, stretch.leg] / 60000.0
    return conditions


def _surroundings(
    draws: Draws, key: str, title: str, ambient: Quantity, humidity: Quantity, group: str
) -> tuple[Floats, Floats]:
    """Ambient temperature, shared by the legs of one group, and each leg's absolute humidity."""
    place = key.removeprefix("trip.leg.") if key.startswith("trip.leg.") else title
    temp = drawn(draws.normal, f"trip.ambient.{group}", f"temperature: {title}", ambient, "degC")
    relative = draws.share(
        f"{key}.humidity_percent", f"humidity: {place}", humidity.value / 100.0,
        humidity.spread / 100.0, "", humidity.provenance,
    )  # fmt: skip
    vapour = absolute_humidity_g_m3(relative * saturation_vapour_kpa(temp), temp)
    return temp, np.asarray(vapour)


def _start_place(case: Case, draws: Draws) -> Floats:
    start = case.trip.start
    c = np.zeros((draws.members, at.N_CONDITION))
    c[:, at.AMBIENT], c[:, at.AMBIENT_VAPOUR] = _surroundings(
        draws, "trip.start", "where the unit warms up", start.ambient_c, start.humidity_percent,
        "start",
    )  # fmt: skip
    c[:, at.PRESSURE] = case.trip.legs[0].pressure_kpa
    c[:, at.WIND] = 0.1
    c[:, at.ON_EXTERNAL] = float(start.power != "battery")
    c[:, at.EXTERNAL_W] = _source_w(case.unit, start.power)
    return c


def _leg_place(case: Case, leg: Leg, draws: Draws) -> Floats:
    c = np.zeros((draws.members, at.N_CONDITION))
    outside = leg.place in ("outdoors", "tarmac")
    c[:, at.AMBIENT], c[:, at.AMBIENT_VAPOUR] = _surroundings(
        draws, f"trip.leg.{leg.name}", "outdoors" if outside else leg.name, leg.ambient_c,
        leg.humidity_percent, "outdoors" if outside else leg.name,
    )  # fmt: skip
    c[:, at.PRESSURE] = leg.pressure_kpa
    c[:, at.WIND] = drawn(
        draws.positive, f"trip.leg.{leg.name}.wind_m_s", f"wind: {leg.name}", leg.wind_m_s, "m/s"
    )
    if leg.sun_w_m2 is not None:
        c[:, at.SUN] = drawn(
            draws.positive,
            f"trip.leg.{leg.name}.sun_w_m2",
            f"sun: {leg.name}",
            leg.sun_w_m2,
            "W/m2",
        )
    c[:, at.ON_EXTERNAL] = float(leg.power != "battery")
    given: Floats | float = _source_w(case.unit, leg.power)
    if leg.power_limit_w is not None:
        given = np.minimum(given, leg.power_limit_w)
        if leg.shared_load_w is not None:
            shared = drawn(
                draws.positive,
                f"trip.leg.{leg.name}.shared_load_w",
                f"shared load: {leg.name}",
                leg.shared_load_w,
                "W",
            )
            given = np.minimum(given, np.maximum(leg.power_limit_w - shared, 0.0))
    c[:, at.EXTERNAL_W] = given if leg.power != "battery" else 0.0
    return c


def _source_w(unit: Unit, power: str) -> float:
    if power == "battery":
        return 0.0
    source: Quantity = getattr(unit.power, f"{power}_w")
    return source.value


# --- gas -----------------------------------------------------------------------------------------


def _gas_use(case: Case, legs: tuple[Leg, ...], p: Floats, draws: Draws) -> GasUse:
    trip = case.trip
    baby, supplies, rules = trip.baby, trip.supplies, case.policy.oxygen
    shape = (draws.members, len(legs))
    oxygen, air, worst_oxygen, worst_air = (np.zeros(shape) for _ in range(4))
    drawn_oxygen, drawn_air, drawn_worst = (np.zeros(shape) for _ in range(3))
    need_leg, hood = np.full(shape, OXYGEN_IN_AIR), np.zeros(shape)
    need = np.clip(
        drawn(draws.normal, "trip.baby.oxygen_percent", "oxygen need", baby.oxygen_percent, "%")
        / 100.0,
        OXYGEN_IN_AIR,
        1.0,
    )
    if baby.support == "none":  # in air, whatever the file says of oxygen
        need = np.full(draws.members, OXYGEN_IN_AIR)
    flow = (
        drawn(draws.positive, "trip.baby.flow_lpm", "flow to the baby", baby.flow_lpm, "L/min")
        if baby.flow_lpm is not None
        else np.zeros(draws.members)
    )  # fmt: skip
    drive = drawn(
        draws.positive, "trip.supplies.drive_lpm", "drive gas", supplies.drive_lpm, "L/min"
    )
    ground_kpa = trip.legs[0].pressure_kpa
    highest = rules.highest_percent.value / 100.0
    from_cylinder = supplies.air_from == "cylinder"
    for number, leg in enumerate(legs):
        pressure = leg.pressure_kpa
        wanted = np.asarray(
            fraction_at_pressure(need, ground_kpa, pressure, rules.water_vapour_kpa.value)
        )
        need_leg[:, number] = wanted
        given = np.minimum(wanted, highest)
        basis = pressure / 101.325 if supplies.flow_basis == "actual" else 1.0
        if baby.support == "hood":
            leak_lpm = p[:, at.FRESH] * 60000.0
            into_hood = np.asarray(flow_for_fraction_lpm(np.minimum(given, 0.9), 1.0, leak_lpm))
            hood[:, number] = into_hood
            blend_o2, blend_air = into_hood, np.zeros(draws.members)
        else:
            blend_o2 = np.asarray(oxygen_flow_lpm(flow, given))
            blend_air = np.asarray(air_flow_lpm(flow, given))
        if baby.support in ("none", "hood", "cannula"):  # a mask or a tube would be needed
            most_o2 = np.maximum(flow, case.policy.gas.worst_hood_flow_lpm.value)
            most_air = np.zeros(draws.members)
        else:
            most_o2, most_air = flow, flow
        drive_o2 = drive if supplies.drive_gas == "oxygen" else 0.0
        drive_air = drive if supplies.drive_gas == "air" else 0.0
        drawn_oxygen[:, number] = (blend_o2 + drive_o2) * basis
        drawn_air[:, number] = (blend_air + drive_air) * basis
        drawn_worst[:, number] = (most_o2 + drive_o2) * basis
        if leg.gas == "cylinder":
            oxygen[:, number] = drawn_oxygen[:, number]
            worst_oxygen[:, number] = drawn_worst[:, number]
            if from_cylinder:
                air[:, number] = drawn_air[:, number]
                worst_air[:, number] = (most_air + drive_air) * basis
    return GasUse(
        oxygen, air, worst_oxygen, worst_air, need_leg, hood, drawn_oxygen, drawn_air, drawn_worst
    )


# --- the state at the start -------------------------------------------------------------------


def _start(
    case: Case, p: Floats, warming: Floats, draws: Draws, air_set_c: float
) -> tuple[Floats, Floats]:
    trip, unit = case.trip, case.unit
    start, baby = trip.start, trip.baby
    y = np.zeros((draws.members, at.N_STATE))
    stood = drawn(
        draws.normal,
        "trip.start.unit_stood_at_c",
        "temperature the unit stood at",
        start.unit_stood_at_c,
        "degC",
    )
    body = (at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER)
    for index in body:
        y[:, index] = stood
    y[:, at.PACK] = stood
    y[:, at.VAPOUR] = warming[:, at.AMBIENT_VAPOUR]
    y[:, at.OXYGEN] = OXYGEN_IN_AIR
    y[:, at.CARBON] = 0.0004
    tank = unit.humidifier.tank_g
    y[:, at.WATER] = drawn(
        draws.positive, "unit.humidifier.tank_g", "water in the humidifier", tank, "g"
    )
    charge = start.battery_charge_percent
    charged = draws.share(
        "trip.start.battery_charge_percent", "battery charge at the start", charge.value / 100.0,
        charge.spread / 100.0, "", charge.provenance,
    )  # fmt: skip
    y[:, at.CHARGE] = charged * p[:, at.CHARGEABLE_WH]
    one = p[:, at.CHARGEABLE_WH] / unit.battery.packs
    for number, spare in enumerate(trip.supplies.spare_batteries):
        if spare.carried:
            full = draws.share(
                f"trip.supplies.spare_battery.{number}.charge_percent",
                "charge of the spare batteries", spare.charge_percent.value / 100.0,
                spare.charge_percent.spread / 100.0, "", spare.charge_percent.provenance,
            )  # fmt: skip
            y[:, at.CHARGE] += full * one * spare.carried
    offset = _site_offset(baby, draws)
    first = drawn(
        draws.normal, "trip.baby.temperature_c", "first temperature", baby.temperature_c, "degC"
    )
    y[:, at.CORE] = first + offset
    # what is known of babies' own set points are readings, so an offset of the site moves both
    p[:, at.CORE_SHIFT] = offset - _site(baby).value
    gap = draws.positive(
        "physiology.start_gap", "skin below core at the start", 0.8, 0.3, "K", "own"
    )
    y[:, at.SKIN] = y[:, at.CORE] - gap
    if start.unit_state != "cold":
        y = _stood_warm(p, y, warming, stood if start.unit_state == "standby" else None, air_set_c)
    return y, offset


def _site_offset(baby: Baby, draws: Draws) -> Floats:
    """How far the thermometer's place is below core."""
    varied = _site(baby)
    return draws.normal(
        "physiology.site_offset", f"{baby.temperature_site} below core", varied.value,
        varied.spread, "K", varied.mark,
    )  # fmt: skip


def _site(baby: Baby) -> Varied:
    body = physiology()
    return {
        "axillary": body.axillary_below_core_k,
        "rectal": body.rectal_below_core_k,
        "skin": body.skin_below_core_k,
    }[baby.temperature_site]


def _stood_warm(
    p: Floats, y: Floats, warming: Floats, stood_c: Floats | None, air_set_c: float
) -> Floats:
    """State of a unit that has stood on its source at an air temperature for hours."""
    conditions = warming[:, None, :].copy()
    conditions[:, 0, at.ABOARD] = 0.0
    conditions[:, 0, at.ON_EXTERNAL] = 1.0
    conditions[:, 0, at.EXTERNAL_W] = np.maximum(conditions[:, 0, at.EXTERNAL_W], 1000.0)
    conditions[:, 0, at.AIR_SET] = air_set_c if stood_c is None else stood_c
    members = p.shape[0]
    full = y.copy()
    full[:, at.CHARGE] = p[:, at.CHARGEABLE_WH]  # nothing to charge: heat alone is looked at
    settled = advance(
        full,
        p,
        np.full((members, 1), WARM_STATE_H * 3600.0),
        conditions,
        np.array([1], dtype=np.int64),
        np.array([CONTROLLED]),
        np.array([0], dtype=np.int64),
    ).last
    kept = y.copy()
    for index in (
        at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.VAPOUR, at.INTEGRAL, at.PACK,
    ):  # fmt: skip
        kept[:, index] = settled[:, index]
    return kept
