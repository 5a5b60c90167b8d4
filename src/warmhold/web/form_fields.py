"""Every field of the trip form: its label, its unit, what it may hold. The key is the trip file's.

A field is optional here exactly where the trip file lets its key be left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from warmhold.model.vessels import vessels

FieldKind = Literal[
    "text", "number", "whole", "weeks", "choice", "many", "yes-no", "moment", "offset", "pair"
]
Words = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Field:
    """One field of a form.

    key : key of the trip file, or its own name where several keys are one field
    spread : the number may carry a spread; left empty it takes policy's
    signed : the number may be below zero, so that its keypad needs a minus
    words : value and label of each choice; empty for those filled in by the page
    """

    key: str
    label: str
    kind: FieldKind
    unit: str = ""
    words: Words = ()
    spread: bool = False
    optional: bool = False
    hint: str = ""
    signed: bool = False

    @property
    def keypad(self) -> str:
        """Return the on-screen keypad that has every sign it needs."""
        return "text" if self.signed or self.kind == "weeks" else "decimal"


def _same(*words: str) -> Words:
    return tuple((word, word) for word in words)


PLACES = _same("ward", "corridor", "lift", "outdoors", "ambulance", "tarmac", "aircraft")
POWER = _same("mains", "vehicle", "aircraft", "battery")
GAS = _same("oxygen", "air")
ZONES = tuple(
    (f"{sign}{hours:02d}:{minutes:02d}", f"UTC {'−' if sign == '-' else '+'}{hours}:{minutes:02d}")
    for sign, hours, minutes in sorted(
        (
            *(("-", h, 0) for h in range(1, 13)), *(("+", h, 0) for h in range(15)),
            ("-", 9, 30), ("-", 3, 30), ("-", 2, 30), ("+", 3, 30), ("+", 4, 30), ("+", 5, 30),
            ("+", 5, 45), ("+", 6, 30), ("+", 8, 45), ("+", 9, 30), ("+", 10, 30), ("+", 12, 45),
            ("+", 13, 45),
        ),
        key=lambda zone: (-1 if zone[0] == "-" else 1) * (zone[1] * 60 + zone[2]),
    )
)  # fmt: skip
CABIN: Words = (
    ("cabin_altitude_ft", "feet up"),
    ("cabin_altitude_m", "metres up"),
    ("cabin_pressure_hpa", "hPa"),
)
SIZES: Words = tuple(
    (f"{one.country}/{one.letter}", f"{one.country} {one.letter}: {one.water_l:g} L, "
     f"{one.fill_bar:g} bar")
    for one in vessels()
)  # fmt: skip

HEAD = (
    Field("title", "Title of the trip", "text", hint="From where to where"),
    Field("unit", "Transport unit", "choice"),
    Field("policy", "Policy", "choice"),
)
BABY = (
    Field("pseudonym", "Pseudonym", "text", hint="Never a name"),
    Field("weight_g", "Weight now", "number", "g", spread=True),
    Field("length_cm", "Length", "number", "cm", optional=True),
    Field(
        "gestation_weeks", "Gestation at birth", "weeks", "weeks",
        hint="Weeks + days, such as 39+4",
    ),
    Field("age_h", "Age since birth", "number", "h"),
    Field("temperature_c", "Temperature", "number", "°C", spread=True),
    Field("temperature_site", "Taken at", "choice", words=_same("skin", "axillary", "rectal")),
    Field(
        "cooled", "Cooled on purpose", "yes-no", hint="33 to 34 °C rectal: targets turn round"
    ),
    Field(
        "cold_response", "Answer to cold", "choice", words=_same("present", "absent"),
        hint="Absent: sedated, paralysed, first hour",
    ),
    Field("dressing", "Covered by", "many", words=_same("bare", "dressed", "hat", "wrap", "bag")),
    Field(
        "support", "Breathing support", "choice",
        words=_same("none", "hood", "cannula", "cpap", "high-flow", "ventilator"),
    ),
    Field(
        "flow_lpm", "Total flow", "number", "L/min", spread=True, optional=True,
        hint="Not for none; may be left out for a hood",
    ),
    Field(
        "oxygen_percent", "Oxygen now, on the ground", "number", "%", spread=True,
        hint="21 for air",
    ),
    Field(
        "saturation_target_percent", "Saturation target", "pair", "%", optional=True,
        hint="Else policy's for this baby",
    ),
    Field("humidified_gas", "Breathing gas humidified", "yes-no"),
)  # fmt: skip
START = (
    Field("now", "Now", "moment"),
    Field("baby_in", "Baby goes in at", "moment"),
    Field("offset", "Both times in", "offset", words=ZONES, hint="Local time against UTC"),
    Field(
        "unit_state", "The unit is", "choice", words=_same("cold", "standby", "warm"),
        hint="Standby: on, without a baby's setting",
    ),
    Field("unit_stood_at_c", "It stood at", "number", "°C", spread=True, signed=True),
    Field("battery_charge_percent", "Battery charge", "number", "%", spread=True),
    Field("place", "Place now", "choice", words=PLACES),
    Field("ambient_c", "Air around the unit", "number", "°C", spread=True, signed=True),
    Field("humidity_percent", "Relative humidity", "number", "%", spread=True),
    Field("power", "Power now", "choice", words=POWER),
    Field(
        "loading_minutes", "Front open to load", "number", "min", spread=True,
    ),
    Field(
        "hood_humidity_percent", "Humidifier target", "number", "%", hint="0: not humidified"
    ),
    Field(
        "air_set_c", "Air set to", "number", "°C", optional=True,
        hint="Left empty, a setting is proposed",
    ),
    Field(
        "control", "Heater follows", "choice", words=_same("air", "skin"), optional=True,
        hint="Left empty: as the unit's profile says",
    ),
    Field(
        "skin_set_c", "Skin set to", "number", "°C", optional=True, hint="Left empty: policy's"
    ),
)  # fmt: skip
LEG = (
    Field("name", "Name of the leg", "text"),
    Field("place", "Place", "choice", words=PLACES),
    Field("minutes", "Length", "number", "min", spread=True),
    Field("ambient_c", "Air around the unit", "number", "°C", spread=True, signed=True),
    Field("wind_m_s", "Wind or draught", "number", "m/s", spread=True),
    Field("humidity_percent", "Relative humidity", "number", "%", spread=True),
    Field("power", "Power", "choice", words=POWER),
    Field("gas", "Breathing gas from", "choice", words=_same("wall", "vehicle", "cylinder")),
    Field(
        "sun_w_m2", "Sun on the hood", "number", "W/m²", spread=True, optional=True,
        hint="Left empty: none",
    ),
    Field("power_limit_w", "Outlet gives at most", "number", "W", optional=True),
    Field(
        "shared_load_w", "Others on that outlet", "number", "W", spread=True, optional=True
    ),
    Field(
        "cabin", "Cabin of an aircraft", "number", optional=True,
        hint="Its height or pressure; ask the crew",
    ),
    Field("cabin.in", "Stated as", "choice", words=CABIN, optional=True),
)  # fmt: skip
DOOR = (
    Field("at_min", "Minutes into the leg", "number", "min"),
    Field("minutes", "Open for", "number", "min"),
    Field("size", "What is opened", "choice", words=_same("port", "front")),
)
DELAY = (
    Field("what", "What may happen", "text"),
    Field("leg", "On which leg", "choice"),
    Field("minutes", "Lasting", "number", "min", spread=True),
    Field("chance_percent", "Chance", "number", "%"),
)
SUPPLIES = (
    Field("delivery", "Gas is mixed by", "choice", words=_same("blender", "separate")),
    Field(
        "air_from", "Compressed air from", "choice", words=_same("cylinder", "compressor", "none")
    ),
    Field(
        "compressor_w", "Compressor draws", "number", "W", spread=True, optional=True,
        hint="Only with a compressor",
    ),
    Field("drive_gas", "Ventilator driven by", "choice", words=_same("none", "oxygen", "air")),
    Field("drive_lpm", "Drive flow", "number", "L/min", spread=True, hint="0 when not driven"),
    Field(
        "flow_basis", "Litres counted at", "choice",
        words=(("standard", "standard conditions"), ("actual", "cabin pressure")),
    ),
)  # fmt: skip
CYLINDER = (
    Field("name", "Name", "text"),
    Field("gas", "Gas", "choice", words=GAS),
    Field(
        "size", "Size by letter", "choice", words=SIZES, optional=True,
        hint="Or what is stamped on it:",
    ),
    Field("water_l", "Water volume", "number", "L", optional=True),
    Field("fill_bar", "Full at", "number", "bar", optional=True),
    Field("gauge_bar", "Gauge now", "number", "bar", spread=True, hint="psi / 14.5 = bar"),
    Field("gauge_at_c", "Cylinder was then at", "number", "°C", spread=True, signed=True),
    Field("residual_bar", "Leave in it", "number", "bar"),
)  # fmt: skip
STORE = (
    *CYLINDER,
    Field("mass_kg", "Mass of one", "number", "kg"),
    Field("count", "How many", "whole"),
)
SPARE = (
    Field("owned", "Packs owned", "whole"),
    Field("carried", "Packs taken along", "whole"),
    Field("mass_kg", "Mass of one", "number", "kg"),
    Field("charge_percent", "Charge", "number", "%", spread=True),
)

# Repeated tables: where they stand, their fields, what one is called, how many there may be.
ROWS: dict[str, tuple[tuple[Field, ...], str, int]] = {
    "leg": (LEG, "Leg", 40),
    "delay": (DELAY, "Delay", 20),
    "supplies.cylinder": (CYLINDER, "Cylinder", 20),
    "supplies.store": (STORE, "In the store", 20),
    "supplies.spare_battery": (SPARE, "Spare packs", 10),
}
DOORS = "door_openings"
MOST_DOORS = 20
TABLES: dict[str, tuple[Field, ...]] = {"baby": BABY, "start": START, "supplies": SUPPLIES}
ONES = {"": "Trip", "baby": "Baby", "start": "Start", "supplies": "Supplies"}
