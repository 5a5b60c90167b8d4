"""A laboratory for the engine: a baby in a chamber, or in a hood with the numbers of a unit.

The chamber holds air, walls and humidity fixed by giving them a heat capacity and a volume without
end. Everything about the baby comes from the science functions and from the shipped table of
physiology; nothing is fitted here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from warmhold.science.air import SEA_LEVEL_KPA, absolute_humidity_g_m3, saturation_vapour_kpa
from warmhold.science.battery import PEUKERT_LEAD, PEUKERT_LITHIUM, health_by_age
from warmhold.science.body import (
    closed_vessels_w_m2k,
    open_vessels_w_m2k,
    surface_area_by_weight_m2,
    surface_area_m2,
)
from warmhold.science.breath import oxygen_use_ml_min
from warmhold.science.metabolism import cold_ceiling_w_kg, cold_readiness, resting_w_kg
from warmhold.science.skin import skin_vapour_w_m2kpa
from warmhold.simulate import layout
from warmhold.simulate.layout import N_CONDITION, N_FLOW, N_PARAM, N_STATE
from warmhold.simulate.stepping import Run, advance

Floats = NDArray[np.float64]
Value = float | Floats

DATA = Path(__file__).resolve().parents[2] / "src" / "warmhold" / "data"
KEEP_ALL = np.arange(N_STATE + N_FLOW)
ENDLESS = 1.0e12  # heat capacity of what shall not change [J/K]


def physiology() -> dict[str, float]:
    """Mean values of the shipped table of physiology."""
    with (DATA / "tables" / "physiology.toml").open("rb") as handle:
        table = tomllib.load(handle)
    return {key: item["value"] for key, item in table.items() if isinstance(item, dict)}


@dataclass(frozen=True)
class Baby:
    """One baby, and what it wears: bare, dressed, hat, wrap, bag."""

    weight_kg: float
    weeks: float
    age_h: float
    length_cm: float | None = None
    wears: tuple[str, ...] = ("bare",)
    core_c: float = 36.9
    skin_c: float = 36.0
    can_answer_cold: bool = True
    breathes: str = "hood"  # hood | dry circuit | humidified circuit

    def area_m2(self) -> float:
        if self.length_cm is None:
            return float(surface_area_by_weight_m2(1000.0 * self.weight_kg))
        return float(surface_area_m2(1000.0 * self.weight_kg, self.length_cm))

    def params(self) -> dict[str, float]:
        table = physiology()
        rest = float(resting_w_kg(self.weeks, self.age_h))
        found = {
            "MASS": self.weight_kg,
            "AREA": self.area_m2(),
            "RADIATING": table["radiating_fraction"],
            "REST": rest,
            "CEILING": float(cold_ceiling_w_kg(self.weeks, rest)),
            "CORE_SHIFT": 0.0,
            "DRY_LOSS": 1.0,
            "READINESS": float(cold_readiness(self.weeks, self.age_h)) * self.can_answer_cold,
            "VESSELS_CLOSED": float(closed_vessels_w_m2k(self.weeks)),
            "VESSELS_OPEN": float(open_vessels_w_m2k(self.weeks)),
            "SKIN_VAPOUR": float(skin_vapour_w_m2kpa(self.weeks, self.age_h / 24.0)),
            "WEEKS": self.weeks,
            "BODY_SHARE": 0.0,
            "BODY_INSULATION": 0.0,
            "BODY_VAPOUR": 1.0,
            "HEAD_SHARE": 0.0,
            "HEAD_INSULATION": 0.0,
            "BREATH_IN_HOOD": float(self.breathes == "hood"),
            "BREATH_LOSS": float(self.breathes != "humidified circuit"),
            "BREATH_DRY": float(self.breathes == "dry circuit"),
        }
        for name in self.wears:
            if name == "hat":
                found["HEAD_SHARE"] = table["hat_share"]
                found["HEAD_INSULATION"] = table["hat_insulation_m2k_w"]
            elif name in ("wrap", "bag"):
                found["BODY_SHARE"] = table[f"{name}_share"]
                found["BODY_INSULATION"] = table["plastic_insulation_m2k_w"]
                found["BODY_VAPOUR"] = table["plastic_vapour_share"]
            elif name == "dressed":
                found["BODY_SHARE"] = table["dressed_share"]
                found["BODY_INSULATION"] = table["dressed_insulation_m2k_w"]
                found["BODY_VAPOUR"] = table["dressed_vapour_share"]
            elif name != "bare":
                raise ValueError(f"unknown dress {name}")
        return found


TERM = Baby(weight_kg=3.3, weeks=39.5, age_h=12.0, length_cm=50.0)


def unit_params(name: str, area_m2: float = 0.2) -> dict[str, float]:
    """Constants of a shipped unit at their stated values, for a baby of this surface."""
    with (DATA / "units" / f"{name}.toml").open("rb") as handle:
        unit = tomllib.load(handle)

    def of(table: str, key: str) -> float:
        return float(unit[table][key]["value"])

    battery = unit["battery"]
    lead = battery["chemistry"] == "lead-acid"
    health = (
        battery["health"]["value"]
        if "health" in battery
        else float(health_by_age(battery["age_years"], float(lead)))
    )
    full_wh = of("battery", "energy_wh") * battery["packs"]
    usable = full_wh * health * of("battery", "usable_fraction")
    patch = of("mattress", "contact_fraction") * area_m2
    hood = {key: item["value"] for key, item in unit["hood"].items()}
    return {
        "CONTACT": of("mattress", "contact_fraction"),
        "C_AIR": hood["air_capacity_j_k"],
        "C_WALL": hood["inner_wall_capacity_j_k"],
        "C_OUTER": hood["outer_wall_capacity_j_k"],
        "C_PATCH": of("mattress", "capacity_j_m2k") * patch,
        "C_DECK": hood["deck_capacity_j_k"],
        "C_HEATER": hood["heater_capacity_j_k"],
        "G_AIR_WALL": hood["air_wall_w_k"],
        "G_AIR_DECK": hood["air_deck_w_k"],
        "G_DECK_AMBIENT": hood["deck_ambient_w_k"],
        "G_HEATER_AIR": hood["heater_air_w_k"],
        "WALL_AREA": hood["wall_area_m2"],
        "WALL_RESISTANCE": hood["wall_resistance_m2k_w"],
        "WALL_GAP": hood["wall_gap_w_m2k"],
        "IS_DOUBLE": float(unit["wall"] == "double"),
        "WALL_VIEW": hood["wall_view"],
        "G_PATCH_BABY": of("mattress", "contact_w_m2k") * patch,
        "G_PATCH_BELOW": of("mattress", "below_w_m2k") * patch,
        "G_PATCH_AIR": 6.0 * patch,
        "VOLUME": hood["volume_l"] / 1000.0,
        "FRESH": hood["fresh_air_lpm"] / 60000.0,
        "AIR_SPEED": hood["air_speed_m_s"],
        "SUN_WINDOW": hood["sun_window_m2"],
        "FAN_OFF": hood["fan_off_factor"],
        "GAIN": of("control", "gain_w_k"),
        "INTEGRAL_S": 60.0 * of("control", "integral_min"),
        "SKIN_MODE": float(unit["control"]["mode"] == "skin"),
        "SKIN_GAIN": of("control", "skin_gain_k_k"),
        "SKIN_SET": 36.5,
        "AIR_LOWEST": unit["limits"]["air_set_c"]["lowest"],
        "AIR_HIGHEST": unit["limits"]["air_set_c"]["highest"],
        "HEATER_W": of("power", "heater_w"),
        "HEATER_BATTERY_W": of("power", "heater_on_battery_w"),
        "ELECTRONICS_W": of("power", "electronics_w"),
        "FAN_HEAT_W": of("power", "fan_heat_w"),
        "SUPPLY_EFFICIENCY": of("power", "supply_efficiency"),
        "BATTERY_EFFICIENCY": of("power", "battery_efficiency"),
        "USABLE_WH": usable,
        "CHARGEABLE_WH": usable,
        "RATED_W": full_wh / of("battery", "rating_h"),
        "PEUKERT": PEUKERT_LEAD if lead else PEUKERT_LITHIUM,
        "IS_LEAD": float(lead),
        # 80 % at full power, then falling off: as in the planner
        "CHARGER_W": 1.26 * usable / of("battery", "charge_time_h"),
        "PACK_LAG_S": 60.0 * of("battery", "warming_min"),
        "PACK_WARMER_K": of("battery", "warmer_than_ambient_k"),
        "HUMIDIFIER_G_S": of("humidifier", "output_g_h") / 3600.0,
        "COMPRESSOR_W": 0.0,
    }


def param_rows(members: int, values: Mapping[str, Value]) -> Floats:
    """Rows of constants (members, N_PARAM) from names; every name has to be given."""
    missing = set(layout.P_NAMES) - set(values)
    unknown = set(values) - set(layout.P_NAMES)
    if missing or unknown:
        raise ValueError(f"missing {sorted(missing)}, unknown {sorted(unknown)}")
    out = np.empty((members, N_PARAM))
    for name, value in values.items():
        out[:, getattr(layout, name)] = value
    return out


CALM: dict[str, float] = {
    "AMBIENT": 22.0,
    "AMBIENT_VAPOUR": float(absolute_humidity_g_m3(0.5 * saturation_vapour_kpa(22.0), 22.0)),
    "PRESSURE": SEA_LEVEL_KPA,
    "WIND": 0.1,
    "SUN": 0.0,
    "EXTERNAL_W": 500.0,
    "ON_EXTERNAL": 1.0,
    "OPENING": 0.0,
    "ABOARD": 1.0,
    "AIR_SET": 34.0,
    "HUMIDITY_SET": 0.0,
    "HOOD_OXYGEN": 0.0,
    "COMPRESSING": 0.0,
}


def conditions(members: int, stretches: Sequence[Mapping[str, Value]]) -> Floats:
    """Conditions (members, stretches, N_CONDITION); what is not named is calm room air, mains."""
    out = np.empty((members, len(stretches), N_CONDITION))
    for number, given in enumerate(stretches):
        unknown = set(given) - set(CALM)
        if unknown:
            raise ValueError(f"unknown {sorted(unknown)}")
        for name in layout.C_NAMES:
            out[:, number, getattr(layout, name)] = given.get(name, CALM[name])
    return out


@dataclass(frozen=True)
class Record:
    """What a run gave, channel by channel; arrays of (members, outputs).

    Heat channels are in W per kg of baby and leave the baby when positive.
    """

    minutes: Floats
    run: Run
    mass_kg: Value

    def state(self, name: str) -> Floats:
        return self.run.trace[:, :, getattr(layout, name)]

    def flow(self, name: str) -> Floats:
        return self.run.trace[:, :, N_STATE + getattr(layout, name)]

    def per_kg(self, name: str) -> Floats:
        return self.flow(name) / np.reshape(self.mass_kg, (-1, 1))

    @property
    def metabolic(self) -> Floats:
        return self.per_kg("F_METABOLIC")

    @property
    def convection(self) -> Floats:
        return self.per_kg("F_CONVECTION")

    @property
    def radiation(self) -> Floats:
        return self.per_kg("F_RADIATION")

    @property
    def conduction(self) -> Floats:
        return self.per_kg("F_CONDUCTION")

    @property
    def skin_evaporation(self) -> Floats:
        return self.per_kg("F_SKIN_EVAPORATION")

    @property
    def breath(self) -> Floats:
        return self.per_kg("F_BREATH")

    @property
    def evaporation(self) -> Floats:
        """Skin and the latent part of the breath."""
        return self.skin_evaporation + self.breath - self.per_kg("F_SENSIBLE_BREATH")

    @property
    def total(self) -> Floats:
        return (
            self.convection + self.radiation + self.conduction + self.skin_evaporation + self.breath
        )

    @property
    def storage(self) -> Floats:
        return self.metabolic + self.per_kg("F_SUN_BABY") - self.total

    @property
    def oxygen_ml_min_kg(self) -> Floats:
        return np.asarray(oxygen_use_ml_min(self.metabolic))

    def mean(self, channel: Floats, start_min: float, end_min: float) -> Floats:
        """Mean of a channel over a span of time, one figure a member."""
        inside = (self.minutes[0] >= start_min - 1e-9) & (self.minutes[0] <= end_min + 1e-9)
        assert inside.sum() > 1, "no outputs in this span"
        return channel[:, inside].mean(axis=1)


def start_rows(members: int, values: Mapping[str, Value]) -> Floats:
    """States (members, N_STATE): zero but for what is named."""
    out = np.zeros((members, N_STATE))
    for name, value in values.items():
        out[:, getattr(layout, name)] = value
    return out


def chamber(
    baby: Baby,
    air_c: Value | Sequence[float],
    *,
    wall_c: Value | None = None,
    humidity: Value = 0.5,
    vapour_kpa: Value | None = None,
    air_speed_m_s: float = 0.0,
    mattress_c: float | None = None,
    minutes: float = 60.0,
    changes: Mapping[str, Value] | None = None,
) -> Record:
    """A baby in a chamber whose air, walls and humidity stay as they are.

    One member for each air temperature. Walls are at air temperature unless given; the mattress
    under the baby starts at chamber temperature unless given. An output every minute.
    """
    air = np.atleast_1d(np.asarray(air_c, dtype=np.float64))
    members = air.shape[0]
    wall = air if wall_c is None else wall_c
    kpa = humidity * saturation_vapour_kpa(air) if vapour_kpa is None else vapour_kpa
    values: dict[str, Value] = {**unit_params("alder-single", baby.area_m2()), **baby.params()}
    values.update(
        dict.fromkeys(("C_AIR", "C_WALL", "C_OUTER", "C_DECK", "C_HEATER", "VOLUME"), ENDLESS)
    )
    values.update(AIR_SPEED=air_speed_m_s, FRESH=0.0, **dict(changes or {}))
    first = {
        "AIR": air,
        "WALL": wall,
        "OUTER": wall,
        "DECK": wall,
        "HEATER": air,
        "PATCH": air if mattress_c is None else mattress_c,
        "VAPOUR": absolute_humidity_g_m3(kpa, air),
        "SKIN": baby.skin_c,
        "CORE": baby.core_c,
        "CHARGE": 10.0,
        "PACK": 20.0,
        "OXYGEN": 0.2095,
    }
    run = advance(
        start_rows(members, first),
        param_rows(members, values),
        np.full((members, 1), 60.0 * minutes),
        conditions(members, [{}]),
        np.array([int(minutes)]),
        np.array([10.0]),
        KEEP_ALL,
    )
    return Record(run.clock_s / 60.0, run, baby.weight_kg)


@dataclass(frozen=True)
class Setup:
    """Arrays for ``advance`` and for the independent integrator alike."""

    start: Floats
    p: Floats
    durations_s: Floats
    conditions: Floats
    outputs: NDArray[np.int64]
    step_s: Floats
    mass_kg: Value

    def run(self) -> Record:
        run = advance(
            self.start,
            self.p,
            self.durations_s,
            self.conditions,
            self.outputs,
            self.step_s,
            KEEP_ALL,
        )
        return Record(run.clock_s / 60.0, run, self.mass_kg)

    def finer(self, times: float) -> Setup:
        return replace(self, step_s=self.step_s / times)


def hood_setup(
    baby: Baby,
    stretches: Sequence[tuple[float, Mapping[str, Value]]],
    *,
    unit: str = "alder-single",
    stood_c: Value = 22.0,
    charge_share: float = 1.0,
    members: int = 1,
    output_s: float = 60.0,
    step_s: float = 10.0,
    open_step_s: float = 2.5,
    changes: Mapping[str, Value] | None = None,
    first: Mapping[str, Value] | None = None,
) -> Setup:
    """A baby in a shipped unit through stretches of (minutes, conditions).

    The unit starts at the temperature it stood at. Baby out is ``ABOARD`` 0 in a stretch.
    """
    values: dict[str, Value] = {**unit_params(unit, baby.area_m2()), **baby.params()}
    values.update(dict(changes or {}))
    given = [dict(item) for _, item in stretches]
    room_vapour = given[0].get("AMBIENT_VAPOUR", CALM["AMBIENT_VAPOUR"])
    held_g_m3 = absolute_humidity_g_m3(0.95 * saturation_vapour_kpa(stood_c), stood_c)
    state: dict[str, Value] = {
        **dict.fromkeys(("AIR", "WALL", "OUTER", "PATCH", "DECK", "HEATER", "PACK"), stood_c),
        "VAPOUR": np.minimum(room_vapour, held_g_m3),
        "SKIN": baby.skin_c,
        "CORE": baby.core_c,
        "CHARGE": charge_share * values["USABLE_WH"],
        "OXYGEN": 0.2095,
        "CARBON": 0.0004,
        "WATER": 100.0 * np.sign(values["HUMIDIFIER_G_S"]),
    }
    state.update(dict(first or {}))
    minutes = np.array([item[0] for item in stretches])
    opens = np.array([np.max(item.get("OPENING", 0.0)) > 0.0 for item in given])
    return Setup(
        start=start_rows(members, state),
        p=param_rows(members, values),
        durations_s=np.tile(60.0 * minutes, (members, 1)),
        conditions=conditions(members, given),
        outputs=np.maximum(1, np.round(60.0 * minutes / output_s)).astype(np.int64),
        step_s=np.where(opens, open_step_s, step_s),
        mass_kg=baby.weight_kg,
    )
