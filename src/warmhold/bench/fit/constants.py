"""Which numbers of a unit a log can move, and what is known of each before the log is read.

Each moved number has a score: 0 is the middle of what the profile says, 1 is one standard
deviation of it. Positive numbers are log-normal in their score and shares normal, exactly as the
planner draws them. Places in the vector of values are those of ``simulate.layout`` for what the
right-hand side takes, and the ``X_`` places below for the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Quantity, Unit
from warmhold.science.battery import (
    PEUKERT_LEAD,
    PEUKERT_LEAD_SPREAD,
    PEUKERT_LITHIUM,
    PEUKERT_LITHIUM_SPREAD,
    health_by_age,
)
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import (
    _UNIT_SHARES,
    _UNIT_VALUES,
    HEALTH_SPREAD,
    MATTRESS_FILM_W_M2K,
)

Floats = NDArray[np.float64]

X_USABLE: Final = at.N_PARAM  # energy of the packs in the unit, 25 degC, rated power [Wh]
X_COLD: Final = at.N_PARAM + 1  # loss of energy in the cold over the model's own [-]
X_CHARGE_H: Final = at.N_PARAM + 2  # charging time [h]
X_PORT: Final = at.N_PARAM + 3  # exchange through an open port [m3/s]
X_FRONT: Final = at.N_PARAM + 4  # through the open front [m3/s]
N_VALUE: Final = at.N_PARAM + 5

USABLE_KEY: Final = "battery.health"
RATE_KEY: Final = "battery.rate"
COLD_KEY: Final = "battery.cold"
COLD_SPREAD: Final = 0.25  # of the cold effect, own choice

BODY_MASS_KG: Final = 3.0  # no baby is aboard: only keeps the unused equations finite
BODY_AREA_M2: Final = 0.2

_MOVED = (
    at.C_AIR, at.C_WALL, at.C_OUTER, at.C_DECK, at.C_HEATER, at.G_AIR_WALL, at.G_AIR_DECK,
    at.G_DECK_AMBIENT, at.G_HEATER_AIR, at.WALL_AREA, at.WALL_RESISTANCE, at.WALL_GAP, at.FRESH,
    at.FAN_OFF, at.GAIN, at.INTEGRAL_S, at.HEATER_W, at.HEATER_BATTERY_W, at.ELECTRONICS_W,
    at.FAN_HEAT_W, at.SUPPLY_EFFICIENCY, at.BATTERY_EFFICIENCY, at.PACK_LAG_S, at.PACK_WARMER_K,
)  # fmt: skip
_DOUBLE_ONLY = (at.C_OUTER, at.WALL_GAP)
# beside what the planner draws by itself
_OTHERS = {
    X_CHARGE_H: ("battery.charge_time_h", "charging time", "h", 1.0),
    X_PORT: ("hood.port_exchange_lps", "air through an open port", "L/s", 1e-3),
    X_FRONT: ("hood.front_exchange_lps", "air through the open front", "L/s", 1e-3),
}

Kind = Literal["positive", "share"]


@dataclass(frozen=True)
class Constant:
    """One number that a log can move.

    key : its place in the unit file, or a name of our own where the file has none
    place : where it stands in the vector of values
    factor, shift : value in the vector = shift + factor x value in the file's unit
    value, spread : as the profile says, in the file's unit
    in_file : whether the unit file has this key
    """

    key: str
    title: str
    unit: str
    place: int
    factor: float
    kind: Kind
    value: float
    spread: float
    provenance: str
    shift: float = 0.0
    in_file: bool = True

    @property
    def width(self) -> float:
        """Spread of the logarithm of a positive number; of a share, its spread."""
        if self.kind == "share":
            return self.spread
        return math.sqrt(math.log1p((self.spread / self.value) ** 2))

    def at_score(self, score: Floats | float) -> Floats:
        """Value in the file's unit at a score, any shape."""
        z = np.asarray(score, dtype=np.float64)
        if self.kind == "share":
            return np.clip(self.value + self.spread * z, 0.01, 1.0)
        width = self.width
        return np.asarray(self.value * np.exp(width * z - 0.5 * width * width))

    def mean_and_spread(self, score: float, deviation: float) -> tuple[float, float]:
        """Mean and standard deviation when the score is normal with this middle and deviation."""
        if self.kind == "share":
            return float(self.at_score(score)), self.spread * deviation
        narrow = self.width * deviation
        mean = float(self.at_score(score)) * math.exp(0.5 * narrow * narrow)
        return mean, mean * math.sqrt(math.expm1(narrow * narrow))


def constants_of(unit: Unit) -> tuple[Constant, ...]:
    """Every number of a unit that a log without a baby can move; those without spread stay."""
    found: list[Constant] = []
    double = unit.wall == "double"
    for place in _MOVED:
        if place in _DOUBLE_ONLY and not double:
            continue
        if place in _UNIT_SHARES:
            path, title = _UNIT_SHARES[place]
            found.append(_from_file(unit, path, title, "", place, 1.0, "share"))
        else:
            path, title, label, factor = _UNIT_VALUES[place]
            found.append(_from_file(unit, path, title, label, place, factor, "positive"))
    found.append(usable_energy(unit))
    lead = unit.battery.chemistry == "lead-acid"
    spread = PEUKERT_LEAD_SPREAD if lead else PEUKERT_LITHIUM_SPREAD
    middle = (PEUKERT_LEAD if lead else PEUKERT_LITHIUM) - 1.0
    found.append(
        Constant(
            RATE_KEY, "loss by fast discharge (Peukert exponent less 1)", "", at.PEUKERT,
            1.0, "positive", middle, spread, "published", shift=1.0, in_file=False,
        )
    )  # fmt: skip
    found.append(
        Constant(
            COLD_KEY, "loss in the cold, over the model's own", "", X_COLD, 1.0,
            "positive", 1.0, COLD_SPREAD, "assumed", in_file=False,
        )
    )  # fmt: skip
    for place, (path, title, label, factor) in _OTHERS.items():
        found.append(_from_file(unit, path, title, label, place, factor, "positive"))
    return tuple(one for one in found if one.value > 0.0 and one.spread > 0.0)


def usable_energy(unit: Unit) -> Constant:
    """Energy that the packs in the unit give to their end, at 25 degC and rated power [Wh].

    It is the product of energy when new, health and usable share: a run-down tells the product
    alone, so the product is what is moved. Its spread is that of the three together.
    """
    battery = unit.battery
    health, health_spread, known = health_of(unit)
    energy, usable = battery.energy_wh, battery.usable_fraction
    value = energy.value * battery.packs * health * usable.value
    parts = (
        energy.spread / energy.value, health_spread / health, usable.spread / usable.value,
    )  # fmt: skip
    return Constant(
        USABLE_KEY, "energy of the battery now", "Wh", X_USABLE, 1.0, "positive", value,
        value * math.sqrt(sum(part * part for part in parts)), known,
    )  # fmt: skip


def health_of(unit: Unit) -> tuple[float, float, str]:
    """Health of the packs as the planner takes it: value, spread, provenance."""
    battery = unit.battery
    if battery.health is not None:
        return battery.health.value, battery.health.spread, battery.health.provenance
    guessed = float(health_by_age(battery.age_years, float(battery.chemistry == "lead-acid")))
    return guessed, HEALTH_SPREAD * min(1.0, battery.age_years / 2.0), "assumed"


def quantity_of(unit: Unit, path: str) -> Quantity:
    """The quantity at a dotted path of the unit file."""
    group, name = path.split(".")
    found: Quantity = getattr(getattr(unit, group), name)
    return found


def _from_file(
    unit: Unit, path: str, title: str, label: str, place: int, factor: float, kind: Kind
) -> Constant:
    q = quantity_of(unit, path)
    return Constant(path, title, label, place, factor, kind, q.value, q.spread, q.provenance)


def fixed_values(unit: Unit) -> Floats:
    """Vector of values with every number as the profile says, shape (N_VALUE,)."""
    v = np.ones(N_VALUE)
    for place, (path, _, _, factor) in {**_UNIT_VALUES, **_OTHERS}.items():
        v[place] = quantity_of(unit, path).value * factor
    for place, (path, _) in _UNIT_SHARES.items():
        v[place] = quantity_of(unit, path).value
    lead = unit.battery.chemistry == "lead-acid"
    battery, mattress = unit.battery, unit.mattress
    patch = mattress.contact_fraction.value * BODY_AREA_M2
    v[at.MASS], v[at.AREA] = BODY_MASS_KG, BODY_AREA_M2
    v[at.BODY_SHARE] = v[at.HEAD_SHARE] = v[at.BODY_INSULATION] = v[at.HEAD_INSULATION] = 0.0
    v[at.CORE_SHIFT] = v[at.SKIN_MODE] = v[at.COMPRESSOR_W] = 0.0
    v[at.WEEKS], v[at.SKIN_SET] = 40.0, 36.5
    v[at.G_PATCH_BABY] = mattress.contact_w_m2k.value * patch
    v[at.C_PATCH] = mattress.capacity_j_m2k.value * patch
    v[at.G_PATCH_BELOW] = mattress.below_w_m2k.value * patch
    v[at.G_PATCH_AIR] = MATTRESS_FILM_W_M2K * patch
    v[at.IS_DOUBLE], v[at.IS_LEAD] = float(unit.wall == "double"), float(lead)
    v[at.AIR_LOWEST] = unit.limits.air_set_c.lowest
    v[at.AIR_HIGHEST] = unit.limits.air_set_c.highest
    v[at.PEUKERT] = PEUKERT_LEAD if lead else PEUKERT_LITHIUM
    v[at.RATED_W] = battery.energy_wh.value * battery.packs / battery.rating_h.value
    v[X_USABLE] = usable_energy(unit).value
    v[at.USABLE_WH] = v[at.CHARGEABLE_WH] = v[X_USABLE]
    v[at.CHARGER_W] = 1.26 * v[X_USABLE] / v[X_CHARGE_H]
    v[X_COLD] = 1.0
    return v
