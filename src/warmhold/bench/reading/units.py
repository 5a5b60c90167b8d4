"""Units a log may be written in, and what a channel can plausibly hold."""

from __future__ import annotations

import re
from collections.abc import Mapping

from warmhold.bench.log import NUMBERS, Floats

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
_AIR = (-30.0, 60.0)


def unit_named(text: str) -> str | None:
    """Return the unit that a text names; ``None`` when it names none that is known."""
    text = text.strip()
    if text == "mW":
        return "mW"
    return _SPELLINGS.get(re.sub(r"\s+", " ", text).lower())


def units_for(channel: str) -> tuple[str, ...]:
    """Return the units that a channel may be written in, its own first."""
    return tuple(_CHANGES[NUMBERS[channel][0]])


def to_base(channel: str, unit: str, values: Floats) -> Floats:
    """Bring values to the unit of their channel.

    channel : one of `bench.log.NUMBERS`
    unit : one of ``units_for(channel)``
    values : as written in the log, shape (n,) [unit]
    """
    factor, offset = _CHANGES[NUMBERS[channel][0]][unit]
    return factor * values + offset


def scale(channel: str, unit: str) -> float:
    """Return what a difference of one in ``unit`` is in the unit of the channel."""
    return _CHANGES[NUMBERS[channel][0]][unit][0]


def plausible(channel: str) -> tuple[float, float]:
    """Return the lowest and highest value that a channel can plausibly hold."""
    return _PLAUSIBLE.get(channel, _AIR)
