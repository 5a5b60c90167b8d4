"""A trip: the baby, the start, the legs, what may go wrong, and what is carried.

Attribute names equal the keys of the trip file, but for repeated tables, which are plural here.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from warmhold.model.base import Between, Frozen, Moment, Quantity, Stated, Text
from warmhold.science.atmosphere import SEA_LEVEL_KPA, pressure_at_ft, pressure_at_m

Dressing = Literal["bare", "dressed", "hat", "wrap", "bag"]
Support = Literal["none", "hood", "cannula", "cpap", "high-flow", "ventilator"]
Place = Literal["ward", "corridor", "lift", "outdoors", "ambulance", "tarmac", "aircraft"]
Power = Literal["mains", "vehicle", "aircraft", "battery"]
GasSource = Literal["wall", "vehicle", "cylinder"]

_Percent = Annotated[float, Between(0, 100, fraction_below=1.01)]
_Ambient = Annotated[Quantity, Stated(-40, 55, default="ambient_k")]
_Humidity = Annotated[Quantity, Stated(0, 100, fraction_below=1.01, default="humidity_points")]
_Minutes = Annotated[Quantity, Stated(0, 1440, above=True, default="minutes_percent")]
_Charge = Annotated[Quantity, Stated(0, 100, fraction_below=1.01, default="charge_points")]
_Load = Annotated[Quantity, Stated(0, 2000, default="load_percent")]
_Mass = Annotated[float, Between(0, 200, above=True)]


class Baby(Frozen):
    """The baby, under a pseudonym."""

    pseudonym: Text
    weight_g: Annotated[Quantity, Stated(300, 6000, default="weight_percent")]
    gestation_weeks: Annotated[float, Between(22, 44)]
    age_h: Annotated[float, Between(0, 4000)]
    length_cm: Annotated[float, Between(20, 70)] | None = None
    temperature_c: Annotated[Quantity, Stated(25, 43, default="temperature_k")]
    temperature_site: Literal["skin", "axillary", "rectal"]
    dressing: Annotated[tuple[Dressing, ...], Field(min_length=1)]
    support: Support
    flow_lpm: Annotated[Quantity, Stated(0, 60, above=True, default="flow_percent")] | None = None
    oxygen_percent: Annotated[Quantity, Stated(20.9, 100, default="oxygen_points")]
    saturation_target_percent: tuple[_Saturation, _Saturation] | None = None
    humidified_gas: bool
    cooled: bool
    cold_response: Literal["present", "absent"]


_Saturation = Annotated[float, Between(50, 100)]


class Start(Frozen):
    """Now, and the moment that the baby is planned to go in. Moments are kept as UTC."""

    now: Moment
    baby_in: Moment
    offset: timedelta = timedelta(0)  # from UTC, as stated with ``now``: for showing only
    unit_state: Literal["cold", "standby", "warm"]
    unit_stood_at_c: _Ambient
    battery_charge_percent: _Charge
    place: Place
    ambient_c: _Ambient
    humidity_percent: _Humidity
    power: Power
    loading_minutes: Annotated[Quantity, Stated(0, 60, default="minutes_percent")]
    air_set_c: Annotated[float, Between(15, 42)] | None = None
    control: Literal["air", "skin"] | None = None  # None: as the unit's profile says
    skin_set_c: Annotated[float, Between(30, 39)] | None = None
    hood_humidity_percent: _Percent

    @model_validator(mode="before")
    @classmethod
    def _keep_offset(cls, given: Any) -> Any:
        if isinstance(given, Mapping) and "offset" not in given:
            shift = getattr(given.get("now"), "utcoffset", lambda: None)()
            if shift is not None:
                return {**given, "offset": shift}
        return given


class DoorOpening(Frozen):
    """One opening of the hood during a leg, minutes from the leg's start."""

    at_min: Annotated[float, Between(0, 1440)]
    minutes: Annotated[float, Between(0, 240, above=True)]
    size: Literal["port", "front"]


class Leg(Frozen):
    """One stretch of the trip with one surrounding, one power source, one gas source."""

    name: Text
    place: Place
    minutes: _Minutes
    ambient_c: _Ambient
    wind_m_s: Annotated[Quantity, Stated(0, 30, default="wind_percent")]
    humidity_percent: _Humidity
    sun_w_m2: Annotated[Quantity, Stated(0, 1400, default="sun_percent")] | None = None
    power: Power
    power_limit_w: Annotated[float, Between(0, 5000)] | None = None
    shared_load_w: _Load | None = None
    gas: GasSource
    cabin_altitude_ft: Annotated[float, Between(-1500, 15000)] | None = None
    cabin_altitude_m: Annotated[float, Between(-450, 4600)] | None = None
    cabin_pressure_hpa: Annotated[float, Between(500, 1100)] | None = None
    door_openings: tuple[DoorOpening, ...] = ()

    @property
    def pressure_kpa(self) -> float:
        """Pressure of the surrounding air [kPa]; sea level when nothing is stated."""
        if self.cabin_pressure_hpa is not None:
            return self.cabin_pressure_hpa / 10
        if self.cabin_altitude_ft is not None:
            return float(pressure_at_ft(self.cabin_altitude_ft))
        if self.cabin_altitude_m is not None:
            return float(pressure_at_m(self.cabin_altitude_m))
        return SEA_LEVEL_KPA


class Delay(Frozen):
    """Something that may lengthen a leg."""

    what: Text
    leg: Text
    minutes: _Minutes
    chance_percent: Annotated[float, Between(0, 100, fraction_below=1)]


class Cylinder(Frozen):
    """A gas cylinder that goes along. Letters are looked up before: the size is always known."""

    name: Text
    gas: Literal["oxygen", "air"]
    country: Text | None = None
    letter: Text | None = None
    water_l: Annotated[float, Between(0.1, 60)]
    fill_bar: Annotated[float, Between(50, 350)]
    gauge_bar: Annotated[Quantity, Stated(0, 400, default="gauge_percent")]
    gauge_at_c: _Ambient
    residual_bar: Annotated[float, Between(0, 100)]


class StoreItem(Cylinder):
    """A kind of cylinder that the service owns and could also take."""

    mass_kg: _Mass
    count: Annotated[int, Between(0, 100, whole=True)]


class SpareBattery(Frozen):
    """Spare packs, the same as in the unit."""

    owned: Annotated[int, Between(0, 50, whole=True)]
    carried: Annotated[int, Between(0, 50, whole=True)]
    mass_kg: _Mass
    charge_percent: _Charge


class Supplies(Frozen):
    """Gas and spare power."""

    delivery: Literal["blender", "separate"]
    air_from: Literal["cylinder", "compressor", "none"]
    compressor_w: _Load | None = None
    drive_gas: Literal["none", "oxygen", "air"]
    drive_lpm: Annotated[Quantity, Stated(0, 60, default="flow_percent")]
    flow_basis: Literal["standard", "actual"]
    cylinders: tuple[Cylinder, ...] = Field(default=(), alias="cylinder")
    store: tuple[StoreItem, ...] = ()
    spare_batteries: tuple[SpareBattery, ...] = Field(default=(), alias="spare_battery")


class Trip(Frozen):
    """One planned transfer."""

    format: Literal[1]
    title: Text
    unit: Text
    policy: Text
    baby: Baby
    start: Start
    legs: Annotated[tuple[Leg, ...], Field(min_length=1, alias="leg")]
    delays: tuple[Delay, ...] = Field(default=(), alias="delay")
    supplies: Supplies
