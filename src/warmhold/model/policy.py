"""Local policy: every number that a verdict rests on, with its source and mark.

Attribute names equal the keys of the policy file.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from warmhold.model.base import Between, Cited, Frozen, Sourced, Text

MarginKey = Literal[
    "warm", "cold", "hot", "heat", "battery", "oxygen", "air", "oxygen-worst", "air-worst",
    "altitude", "carbon-dioxide", "humidity",
]  # fmt: skip

_Body = Annotated[Sourced, Cited(25, 43)]
_Ambient = Annotated[Sourced, Cited(-40, 55)]
_Kelvin = Annotated[Sourced, Cited(0, 20, above=True)]
_Points = Annotated[Sourced, Cited(0, 100)]
_Factor = Annotated[Sourced, Cited(1, 10)]
_Weeks = Annotated[Sourced, Cited(22, 45)]
_Pulse = Annotated[Sourced, Cited(20, 350)]
_BelowWeeks = Annotated[float, Between(22, 60)]


class VerdictRules(Frozen):
    """When a margin holds, and which ones have to."""

    probability_percent: Annotated[Sourced, Cited(50, 99.9)]
    must_hold: Annotated[tuple[MarginKey, ...], Field(min_length=1)]


class TemperatureRules(Frozen):
    """Temperatures of the baby, the air and the surroundings."""

    low_c: _Body
    high_c: _Body
    cooled_low_c: _Body
    cooled_high_c: _Body
    skin_set_c: _Body
    air_stable_within_k: _Kelvin
    operative_stable_within_k: _Kelvin
    air_floor_below_set_k: _Kelvin
    ambient_rated_low_c: _Ambient
    ambient_rated_high_c: _Ambient
    outdoor_risk_c: _Ambient
    humidity_floor_kpa: Annotated[Sourced, Cited(0, 6)]
    humidity_below_weeks: _Weeks
    wrap_below_weeks: _Weeks


class BatteryRules(Frozen):
    """How much battery must be left."""

    rule: Literal["factor", "plus"]
    factor: _Factor
    plus_min: Annotated[Sourced, Cited(0, 1440)]
    connect_at_divisions: Annotated[Sourced, Cited(0, 100)]


class GasRules(Frozen):
    """How much gas must be carried."""

    factor: _Factor
    worst_case_factor: _Factor
    carbon_dioxide_limit_percent: Annotated[Sourced, Cited(0, 5, above=True)]
    hood_flow_min_lpm: Annotated[Sourced, Cited(0, 30)]
    worst_hood_flow_lpm: Annotated[Sourced, Cited(0, 30, above=True)]


class OxygenRules(Frozen):
    """What oxygen can be given."""

    highest_percent: Annotated[Sourced, Cited(21, 100)]
    water_vapour_kpa: Annotated[Sourced, Cited(0, 10)]


class SaturationRow(Frozen):
    """Saturation target and alarm limits below a gestation."""

    below_weeks: _BelowWeeks
    target_low_percent: Annotated[Sourced, Cited(50, 100)]
    target_high_percent: Annotated[Sourced, Cited(50, 100)]
    alarm_low_percent: Annotated[Sourced, Cited(50, 100)]
    alarm_high_percent: Annotated[Sourced, Cited(50, 100)]


class PulseRow(Frozen):
    """Pulse alarm limits below a gestation."""

    below_weeks: _BelowWeeks
    alarm_low_per_min: _Pulse
    alarm_high_per_min: _Pulse


class AlarmOxygen(Frozen):
    """Oxygen alarm limits, points away from what is given."""

    below_points: _Points
    above_points: _Points


class SpreadRules(Frozen):
    """One standard deviation for a number that a trip states plainly.

    Keys in ``_percent`` are per cent of the value; the others are absolute.
    """

    minutes_percent: _Points
    ambient_k: Annotated[Sourced, Cited(0, 20)]
    wind_percent: _Points
    humidity_points: _Points
    sun_percent: _Points
    weight_percent: _Points
    temperature_k: Annotated[Sourced, Cited(0, 20)]
    oxygen_points: _Points
    flow_percent: _Points
    gauge_percent: _Points
    charge_points: _Points
    load_percent: _Points

    def by_key(self) -> dict[str, float]:
        """Key and value of every default spread."""
        return {key: getattr(self, key).value for key in type(self).model_fields}


class Policy(Frozen):
    """One service's policy."""

    format: Literal[1]
    name: Text
    verdict: VerdictRules
    temperature: TemperatureRules
    battery: BatteryRules
    gas: GasRules
    oxygen: OxygenRules
    saturation: Annotated[tuple[SaturationRow, ...], Field(min_length=1)]
    pulse: Annotated[tuple[PulseRow, ...], Field(min_length=1)]
    alarm_oxygen: AlarmOxygen
    spread: SpreadRules
