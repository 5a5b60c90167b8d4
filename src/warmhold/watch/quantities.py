"""What can be read on the way: errors, display steps, and what is believable.

Errors are one standard deviation. ``noise`` is what one reading differs from the next by,
``model`` what the model is trusted to at best; a lasting offset of a sensor is a state of its own
(``OFFSETS``), not noise. Legal limits of error that they rest on: second reading of the standards,
skin 0.3 degC, air 0.8 degC, humidity 10 %, oxygen 5 vol% (verified there as a law's figures),
taken as about two standard deviations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

GAUGE = "gauge_bar:"


@dataclass(frozen=True)
class Reading:
    """One kind of reading.

    title : in words
    unit : of its value
    low, high : outside this no such reading exists
    far : further than this from what is expected, it is asked about
    noise : from one reading to the next
    step : of the display; half of it is added to the error
    model : what the model is trusted to at best
    family : which states learn from it
    """

    title: str
    unit: str
    low: float
    high: float
    far: float
    noise: float
    step: float
    model: float
    family: str

    @property
    def variance(self) -> float:
        """Variance of one reading about what the model expects."""
        return self.noise**2 + (0.5 * self.step) ** 2 + self.model**2


READINGS: Final[dict[str, Reading]] = {
    "skin_c": Reading("skin temperature", "°C", 20, 43, 5, 0.05, 0.1, 0.05, "baby"),
    "axillary_c": Reading("axillary temperature", "°C", 25, 43, 3, 0.1, 0.1, 0.05, "baby"),
    "rectal_c": Reading("rectal temperature", "°C", 25, 43, 3, 0.1, 0.1, 0.05, "baby"),
    "air_c": Reading("hood air", "°C", -20, 50, 12, 0.1, 0.1, 0.1, "air"),
    "heater_percent": Reading("heater output", "%", 0, 100, 101, 2, 1, 3, "air"),
    "hood_humidity_percent": Reading("hood humidity", "%", 0, 100, 60, 1.5, 1, 2, "humidity"),
    "oxygen_percent": Reading("oxygen", "%", 15, 100, 50, 0.5, 1, 0.5, "oxygen"),
    "battery_divisions": Reading("battery bar", "divisions", 0, 100, 101, 0.3, 1, 0.2, "battery"),
    GAUGE: Reading("gauge", "bar", 0, 350, 401, 1.5, 5, 0.5, "gauge"),
}

OFFSETS: Final[dict[str, float]] = {
    "skin": 0.25,  # probe and its place on the skin against the model's mean skin [K]
    "air": 0.3,  # [K]
    "oxygen": 1.0,  # [points]
    "humidity": 4.0,  # [points]
}


@dataclass(frozen=True)
class OfDevice:
    """How readings of a device are taken, whose errors hang together from minute to minute.

    every_s : one in so long is taken [s]
    times : each counts as if its error were so many times that of a reading by hand
    """

    every_s: float
    times: float


# Own choices, set on benchmarks/device_readings.py; see docs/watching.md.
OF_DEVICE: Final[dict[str, OfDevice]] = {
    "skin_c": OfDevice(120.0, 1.5),
    "air_c": OfDevice(120.0, 1.5),
    "heater_percent": OfDevice(120.0, 1.5),
}
OTHERS_OF_DEVICE: Final = OfDevice(300.0, 3.0)


def of_device(quantity: str) -> OfDevice:
    """How a device's readings of a quantity are taken."""
    return OF_DEVICE.get(quantity, OTHERS_OF_DEVICE)


FLOW_STEP_LPM: Final = 0.25  # between the marks of a flow meter
FLOW_SPREAD: Final = 0.05  # flow meter against true flow, as a share
GAUGE_TEMPERATURE_SHARE: Final = 0.015  # of the gauge, for a cylinder that cools or warms


def reading(quantity: str) -> Reading | None:
    """The kind of reading a quantity is, None for one that the model does not use."""
    if quantity.startswith(GAUGE):
        return READINGS[GAUGE]
    return READINGS.get(quantity)
