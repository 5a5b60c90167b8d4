"""One log of a unit in plain arrays, whatever file it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NUMBERS: Mapping[str, tuple[str, str]] = {
    # channel: (its unit, what it is)
    "air_c": ("°C", "air 10 cm above the middle of the mattress, by a reference thermometer"),
    "air_b_c": ("°C", "air above the middle of the first quarter of the mattress"),
    "air_c_c": ("°C", "air above the middle of the second quarter of the mattress"),
    "air_d_c": ("°C", "air above the middle of the third quarter of the mattress"),
    "air_e_c": ("°C", "air above the middle of the fourth quarter of the mattress"),
    "air_shown_c": ("°C", "air as the unit shows it"),
    "air_set_c": ("°C", "air setting"),
    "skin_shown_c": ("°C", "skin sensor as the unit shows it"),
    "skin_set_c": ("°C", "skin setting"),
    "reference_c": ("°C", "reference thermometer beside the skin sensor"),
    "wall_c": ("°C", "temperature of the inner wall"),
    "ambient_c": ("°C", "air around the unit"),
    "ambient_air_speed_m_s": ("m/s", "air speed around the unit"),
    "heater_percent": ("%", "heater output"),
    "supply_w": ("W", "power drawn from the socket"),
    "battery_w": ("W", "power out of the battery; negative while it charges"),
    "battery_v": ("V", "battery voltage"),
    "battery_a": ("A", "current out of the battery; negative while it charges"),
    "battery_divisions": ("divisions", "lit divisions of the charge bar"),
    "battery_c": ("°C", "temperature of the battery"),
    "oxygen_shown_percent": ("%", "oxygen as the unit shows it"),
    "oxygen_reference_percent": ("%", "oxygen of the test gas"),
    "humidity_shown_percent": ("%", "relative humidity as the unit shows it"),
    "humidity_percent": ("%", "relative humidity by a reference"),
}
WORDS: Mapping[str, tuple[str, ...]] = {
    "source": ("mains", "vehicle", "aircraft", "battery", "off"),
    "opening": ("closed", "port", "front"),
}


@dataclass(frozen=True)
class Log:
    """One log, in the order of time.

    unit : name of the unit the log says it is of; empty when it does not say
    start_utc : moment of the first row, UTC
    seconds : since the first row, strictly increasing, shape (n,) [s]
    numbers : channel of `NUMBERS` -> values, shape (n,); NaN where nothing was read
    words : channel of `WORDS` -> one of its words a row, or "" where nothing was said
    steps : channel -> smallest step its values move in; absent when unknown
    name : name of the file it was read from
    fingerprint : SHA-256 of the file it was read from, hexadecimal
    noticed : what a reader should know about it, in words (gaps, repeats, mended times)
    """

    unit: str
    start_utc: datetime
    seconds: Floats
    numbers: Mapping[str, Floats]
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    steps: Mapping[str, float] = field(default_factory=dict)
    fingerprint: str = ""
    name: str = ""
    noticed: tuple[str, ...] = ()

    def has(self, *channels: str) -> bool:
        """Whether each of these channels was read at least once."""
        return all(
            bool(np.isfinite(self.numbers[name]).any())
            if name in self.numbers
            else any(self.words.get(name, ()))
            for name in channels
        )
