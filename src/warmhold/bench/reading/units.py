"""What a log of the bench can hold: its channels, their units, what a reading can be at all."""

from __future__ import annotations

from collections.abc import Mapping

from warmhold.bench.log import NUMBERS, WORDS
from warmhold.bench.reading.vocabulary import Rules, Vocabulary

# base unit -> unit of a log -> (factor, offset): base = factor * value + offset
_CHANGES: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "°C": {"°C": (1.0, 0.0), "°F": (1 / 1.8, -32 / 1.8), "K": (1.0, -273.15)},
    "m/s": {
        "m/s": (1.0, 0.0),
        "cm/s": (0.01, 0.0),
        "km/h": (1 / 3.6, 0.0),
        "ft/min": (0.00508, 0.0),
    },
    "W": {"W": (1.0, 0.0), "mW": (0.001, 0.0), "kW": (1000.0, 0.0)},
    "V": {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
    "A": {"A": (1.0, 0.0), "mA": (0.001, 0.0)},
    "%": {"%": (1.0, 0.0), "fraction": (100.0, 0.0)},
    "divisions": {"divisions": (1.0, 0.0)},
}
_SPELLINGS = {
    "c": "°C", "degc": "°C", "deg c": "°C", "°c": "°C", "celsius": "°C", "ºc": "°C",
    "f": "°F", "degf": "°F", "deg f": "°F", "°f": "°F", "fahrenheit": "°F", "ºf": "°F",
    "k": "K", "kelvin": "K",
    "m/s": "m/s", "cm/s": "cm/s", "km/h": "km/h", "ft/min": "ft/min", "fpm": "ft/min",
    "w": "W", "watt": "W", "watts": "W", "kw": "kW",
    "v": "V", "volt": "V", "volts": "V", "a": "A", "amp": "A", "amps": "A", "ampere": "A",
    "mv": "mV", "ma": "mA",
    "%": "%", "percent": "%", "%rh": "%", "% rh": "%", "vol%": "%", "vol %": "%", "fraction":
    "fraction", "divisions": "divisions", "div": "divisions", "bars": "divisions",
}  # fmt: skip

# What a reading can be on a bench at all; outside it is kept and flagged.
_PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "air_set_c": (15.0, 45.0),
    "skin_shown_c": (5.0, 50.0),
    "skin_set_c": (30.0, 45.0),
    "reference_c": (5.0, 50.0),
    "ambient_air_speed_m_s": (0.0, 15.0),
    "heater_percent": (-1.0, 101.0),
    "supply_w": (-5.0, 2000.0),
    "battery_w": (-1500.0, 1500.0),
    "battery_v": (0.0, 60.0),
    "battery_a": (-100.0, 100.0),
    "battery_divisions": (0.0, 100.0),
    "battery_c": (-40.0, 80.0),
    "oxygen_shown_percent": (0.0, 105.0),
    "oxygen_reference_percent": (0.0, 100.0),
    "humidity_shown_percent": (0.0, 105.0),
    "humidity_percent": (0.0, 105.0),
}
_USUAL = (-30.0, 60.0)


# Words in a column's name -> channel. The first rule whose words all occur is taken; each group
# of words counts when one of them occurs. Common words only.
_AIR = ("air", "hood", "chamber")
_SHOWN = ("shown", "display", "displayed", "indicated", "unit reads", "reads")
_SET = ("set", "setting", "setpoint", "target")
_BATTERY = ("battery", "batt", "accu", "pack")
_RULES: Rules = (
    ("ambient_air_speed_m_s", (("speed", "wind", "anemometer", "draught"),)),
    ("ambient_c", (("ambient", "room", "outside", "lab"),)),
    ("oxygen_reference_percent", (("oxygen", "o2"), ("reference", "ref", "test gas", "gas"))),
    ("oxygen_shown_percent", (("oxygen", "o2"),)),
    ("humidity_shown_percent", (("humidity", "rh"), _SHOWN)),
    ("humidity_percent", (("humidity", "rh"),)),
    ("skin_set_c", (("skin",), _SET)),
    ("skin_shown_c", (("skin",),)),
    ("reference_c", (("reference", "ref", "bath"),)),
    ("battery_v", (_BATTERY, ("voltage", "volt", "volts", "v"))),
    ("battery_a", (_BATTERY, ("current", "amp", "amps", "ampere", "a"))),
    ("battery_w", (_BATTERY, ("power", "watt", "watts", "w"))),
    ("battery_c", (_BATTERY, ("temp", "temperature", "c"))),
    ("battery_divisions", (_BATTERY, ("bars", "divisions", "bar"))),
    ("heater_percent", (("heater", "heating"),)),
    ("supply_w", (("supply", "mains", "socket"), ("power", "watt", "watts", "w"))),
    ("source", (("source", "supply", "powered by"),)),
    ("opening", (("opening", "door", "port", "ports", "hatch"),)),
    ("wall_c", (("wall",),)),
    ("air_set_c", (_SET,)),
    ("air_shown_c", (_AIR, _SHOWN)),
    ("air_shown_c", (_SHOWN,)),
    ("air_b_c", (("point b", "air b", "b"),)),
    ("air_c_c", (("point c", "quarter c", "air point c"),)),
    ("air_d_c", (("point d", "air d", "d"),)),
    ("air_e_c", (("point e", "air e", "e"),)),
    ("air_c", (("centre", "center", "middle", "mid", "point a", "air a"),)),
    ("air_c", (_AIR,)),
)
_UNIT_COLUMN = ("unit", "device", "incubator", "unit name")
_WORDS = {
    "source": {
        "mains": "mains", "ac": "mains", "vehicle": "vehicle", "dc": "vehicle",
        "aircraft": "aircraft", "battery": "battery", "batt": "battery", "off": "off",
    },
    "opening": {
        "closed": "closed", "shut": "closed", "port": "port", "ports": "port", "front": "front",
    },
}  # fmt: skip

BENCH = Vocabulary(
    numbers=NUMBERS,
    words=WORDS,
    changes=_CHANGES,
    spellings=_SPELLINGS,
    ranges=_PLAUSIBLE,
    usual=_USUAL,
    rules=_RULES,
    known_words=_WORDS,
    whose="unit",
    whose_columns=_UNIT_COLUMN,
    asked="unit",
    odd="they are kept, and no verdict rests on them",
)

unit_named = BENCH.unit_named
units_for = BENCH.units_for
to_base = BENCH.to_base
scale = BENCH.scale
plausible = BENCH.plausible
