"""A transport incubator as its owner knows it: every value with spread and provenance.

Attribute names equal the keys of the unit file.
"""

from __future__ import annotations

from typing import Annotated, Literal

from warmhold.model.base import Between, Frozen, Known, Quantity, Text, UnitProvenance

_Watts = Annotated[Quantity, Known(0, 5000)]
_Share = Annotated[Quantity, Known(0, 1, above=True)]
_Capacity = Annotated[Quantity, Known(0, 1e6, above=True)]
_Conductance = Annotated[Quantity, Known(0, 1000, above=True)]


class Grid(Frozen):
    """Where a setting of the unit can stand: from lowest to highest in steps."""

    lowest: Annotated[float, Between(-50, 1000)]
    highest: Annotated[float, Between(-50, 1000)]
    step: Annotated[float, Between(0, 100, above=True)]
    provenance: UnitProvenance
    note: str = ""

    @property
    def steps(self) -> int:
        """How many steps lie between lowest and highest."""
        return round((self.highest - self.lowest) / self.step)

    def contains(self, value: float) -> bool:
        """Whether a value stands on the grid."""
        place = (value - self.lowest) / self.step
        return abs(place - round(place)) < 1e-6 and -1e-6 < place < self.steps + 1e-6


class Limits(Frozen):
    """The unit's own grids of set points, displays and alarm limits."""

    air_set_c: Grid
    skin_set_c: Grid
    air_display_c: Grid
    skin_display_c: Grid
    alarm_oxygen_low_percent: Grid
    alarm_oxygen_high_percent: Grid
    alarm_saturation_low_percent: Grid
    alarm_saturation_high_percent: Grid
    alarm_pulse_low_per_min: Grid
    alarm_pulse_high_per_min: Grid


class Control(Frozen):
    """How the heater is controlled."""

    mode: Literal["air", "skin"]
    gain_w_k: _Conductance
    integral_min: Annotated[Quantity, Known(0, 1440, above=True)]
    skin_gain_k_k: Annotated[Quantity, Known(0, 100)]


class PowerParts(Frozen):
    """What draws power and what each source can deliver."""

    heater_w: Annotated[Quantity, Known(0, 5000, above=True)]
    heater_on_battery_w: _Watts
    electronics_w: _Watts
    fan_heat_w: _Watts
    mains_w: _Watts
    vehicle_w: _Watts
    aircraft_w: _Watts
    supply_efficiency: _Share
    battery_efficiency: _Share


class Battery(Frozen):
    """The unit's battery."""

    chemistry: Literal["lead-acid", "lithium"]
    packs: Annotated[int, Between(1, 20, whole=True)]
    energy_wh: Annotated[Quantity, Known(0, 10000, above=True)]
    rating_h: Annotated[Quantity, Known(0, 100, above=True)]
    age_years: Annotated[float, Between(0, 30)]
    health: Annotated[Quantity, Known(0, 1.2, above=True)] | None = None
    usable_fraction: _Share
    charge_time_h: Annotated[Quantity, Known(0, 72, above=True)]
    bar_divisions: Annotated[int, Between(1, 100, whole=True)]
    warming_min: Annotated[Quantity, Known(0, 1440, above=True)]
    warmer_than_ambient_k: Annotated[Quantity, Known(0, 40)]


class Hood(Frozen):
    """The hood: volumes, heat capacities and conductances."""

    volume_l: Annotated[Quantity, Known(0, 1000, above=True)]
    fresh_air_lpm: Annotated[Quantity, Known(0, 500)]
    air_speed_m_s: Annotated[Quantity, Known(0, 5, above=True)]
    air_capacity_j_k: _Capacity
    inner_wall_capacity_j_k: _Capacity
    outer_wall_capacity_j_k: _Capacity
    deck_capacity_j_k: _Capacity
    heater_capacity_j_k: _Capacity
    air_wall_w_k: _Conductance
    air_deck_w_k: _Conductance
    deck_ambient_w_k: _Conductance
    heater_air_w_k: _Conductance
    wall_area_m2: Annotated[Quantity, Known(0, 10, above=True)]
    wall_resistance_m2k_w: Annotated[Quantity, Known(0, 10, above=True)]
    wall_gap_w_m2k: _Conductance
    wall_view: _Share
    port_exchange_lps: Annotated[Quantity, Known(0, 500)]
    front_exchange_lps: Annotated[Quantity, Known(0, 500)]
    sun_window_m2: Annotated[Quantity, Known(0, 10)]
    fan_off_factor: _Share


class Mattress(Frozen):
    """The mattress under the baby."""

    contact_fraction: Annotated[Quantity, Known(0, 1)]
    contact_w_m2k: _Conductance
    capacity_j_m2k: _Capacity
    below_w_m2k: _Conductance


class Humidifier(Frozen):
    """The hood's humidifier; an output of 0 means that none is fitted."""

    output_g_h: Annotated[Quantity, Known(0, 1000)]
    tank_g: Annotated[Quantity, Known(0, 10000)]


class Carriage(Frozen):
    """What the unit stands on."""

    mass_kg: Annotated[Quantity, Known(0, 500, above=True)]


class Unit(Frozen):
    """One transport incubator."""

    format: Literal[1]
    name: Text
    wall: Literal["single", "double"]
    limits: Limits
    control: Control
    power: PowerParts
    battery: Battery
    hood: Hood
    mattress: Mattress
    humidifier: Humidifier
    carriage: Carriage
