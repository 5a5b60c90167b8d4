"""The units: every value of a profile with its spread and where it comes from; own profiles."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.model import Fault, shipped
from warmhold.model.words import unit_of
from warmhold.report import words
from warmhold.web import own_files
from warmhold.web.own_files import number_text
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

ASSUMED = ("assumed",)
UNITS = own_files.Sort(
    place="units",
    kind="unit",
    mark="hood",
    title="A unit's profile",
    what="profile",
    lead="Every value says how it is known: measured on this unit, read in its manual, published, "
    "or assumed. Write “assumed” where you do not know; the plan then shows what rests on it.",
    example="our-second-unit",
)

TABLES: Mapping[str, str] = {
    "limits": "What can be set and shown",
    "control": "Control of the heater",
    "power": "Power",
    "battery": "Battery",
    "hood": "Hood",
    "mattress": "Mattress",
    "humidifier": "Humidifier",
    "carriage": "Carriage",
}
LABELS: Mapping[str, str] = {
    "air_set_c": "Air setting", "skin_set_c": "Skin setting", "air_display_c": "Air display",
    "skin_display_c": "Skin display", "alarm_oxygen_low_percent": "Oxygen alarm, low",
    "alarm_oxygen_high_percent": "Oxygen alarm, high",
    "alarm_saturation_low_percent": "Saturation alarm, low",
    "alarm_saturation_high_percent": "Saturation alarm, high",
    "alarm_pulse_low_per_min": "Pulse alarm, low", "alarm_pulse_high_per_min": "Pulse alarm, high",
    "mode": "The heater follows", "gain_w_k": "Heater power for each kelvin of error",
    "integral_min": "Time over which an error is made up",
    "skin_gain_k_k": "Air for each kelvin of skin error", "heater_w": "Heater at full power",
    "heater_on_battery_w": "Heater on battery", "electronics_w": "Everything else that draws power",
    "fan_heat_w": "Heat of the fan in the hood", "mains_w": "Mains can deliver",
    "vehicle_w": "Vehicle can deliver", "aircraft_w": "Aircraft can deliver",
    "supply_efficiency": "Share from the socket that reaches the unit",
    "battery_efficiency": "Share from the battery that reaches the unit",
    "chemistry": "Kind", "packs": "Packs", "energy_wh": "Energy of one new pack",
    "rating_h": "Rated over", "age_years": "Age", "health": "Share of the new energy left",
    "usable_fraction": "Share that can be used", "charge_time_h": "Empty to full",
    "bar_divisions": "Divisions of the charge bar", "warming_min": "How slowly it follows the air",
    "warmer_than_ambient_k": "Warmer than the air around", "volume_l": "Volume",
    "fresh_air_lpm": "Fresh air", "air_speed_m_s": "Air speed at the baby",
    "air_capacity_j_k": "Heat held by the air", "inner_wall_capacity_j_k": "Heat held, inner wall",
    "outer_wall_capacity_j_k": "Heat held, outer wall", "deck_capacity_j_k": "Heat held, deck",
    "heater_capacity_j_k": "Heat held, heater", "air_wall_w_k": "Air to wall",
    "air_deck_w_k": "Air to deck", "deck_ambient_w_k": "Deck to the outside",
    "heater_air_w_k": "Heater to air", "wall_area_m2": "Wall area",
    "wall_resistance_m2k_w": "Resistance of one sheet", "wall_gap_w_m2k": "Gap of a double wall",
    "wall_view": "Share of the baby's view that is wall",
    "port_exchange_lps": "Air exchanged, port open",
    "front_exchange_lps": "Air exchanged, front open",
    "sun_window_m2": "Sunlight that gets in, as a clear opening",
    "fan_off_factor": "Left of the exchange with the fan stopped",
    "contact_fraction": "Share of skin on it", "contact_w_m2k": "Skin to mattress",
    "capacity_j_m2k": "Heat held", "below_w_m2k": "Mattress to deck", "output_g_h": "Output",
    "tank_g": "Water in it", "mass_kg": "Mass of the whole unit",
}  # fmt: skip


@dataclass(frozen=True)
class ValueRow:
    """One value of a unit, in words."""

    label: str
    value: str
    spread: str
    provenance: str
    note: str

    @property
    def assumed(self) -> bool:
        """Whether nobody measured or read it."""
        return self.provenance in ASSUMED


@dataclass(frozen=True)
class UnitView:
    """One unit of the library."""

    key: str
    own: bool
    name: str
    wall: str
    tables: tuple[tuple[str, tuple[ValueRow, ...]], ...]
    faults: tuple[Fault, ...]
    text: str

    @property
    def values(self) -> tuple[ValueRow, ...]:
        """Return all its values that say where they come from."""
        return tuple(row for _, rows in self.tables for row in rows if row.provenance)

    @property
    def assumed(self) -> int:
        """Count the values that nobody measured or read."""
        return sum(row.assumed for row in self.values)


def routes(service: Service) -> list[Route]:
    """Return the routes of the units."""

    def listed(request: Request) -> Response:
        names = service.library.names("units")
        units = [unit for name in names if (unit := _view(name)) is not None]
        return render(request, "units.html", units=units)

    def one(request: Request) -> Response:
        unit = _view(request.path_params["name"])
        if unit is None:
            raise HTTPException(404)
        return render(
            request, "units_one.html", unit=unit, request_saved="saved" in request.query_params
        )

    def _view(name: str) -> UnitView | None:
        text = service.library.text("units", name)
        return None if text is None else unit_view(name, text, name not in shipped("units"))

    return [
        Route("/units", listed, methods=["GET"]),
        *own_files.routes(service, UNITS),
        Route("/units/{name}", one, methods=["GET"]),
    ]


def unit_faults(text: str) -> tuple[Fault, ...]:
    """Return every fault of the text of a unit file; none when it can be used."""
    return own_files.faults_of(UNITS, text)


def unit_view(key: str, text: str, own: bool) -> UnitView:
    """Read a unit for showing; a file with faults is shown with them as far as it can be read."""
    faults = unit_faults(text) if own else ()
    try:
        raw: Mapping[str, Any] = tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        raw = {}
    tables = tuple(
        (title, tuple(_rows(table)))
        for name, title in TABLES.items()
        if isinstance(table := raw.get(name), dict)
    )
    wall, name = raw.get("wall"), raw.get("name")
    return UnitView(
        key,
        own,
        name if isinstance(name, str) else key,
        wall if isinstance(wall, str) else words.UNKNOWN,
        tables,
        faults,
        text,
    )


def _rows(table: Mapping[str, Any]) -> list[ValueRow]:
    return [_row(key, value) for key, value in table.items()]


def _row(key: str, value: Any) -> ValueRow:
    label = LABELS.get(key, key)
    unit = {"degC": "°C", "m2": "m²", "W/m2/K": "W/(m²·K)", "J/m2/K": "J/(m²·K)",
            "m2 K/W": "m²·K/W"}.get(unit_of(key), unit_of(key))  # fmt: skip
    tail = f" {unit}" if unit else ""
    if not isinstance(value, dict):
        return ValueRow(label, f"{number_text(value)}{tail}", "", "", "")
    note, provenance = str(value.get("note", "")), str(value.get("provenance", ""))
    if "step" in value:
        ends = f"{number_text(value.get('lowest'))} to {number_text(value.get('highest'))}{tail}"
        steps = f"{ends}, by {number_text(value['step'])}"
        return ValueRow(label, steps, "", provenance, note)
    spread = value.get("spread")
    return ValueRow(
        label,
        f"{number_text(value.get('value'))}{tail}",
        "" if spread is None else f"± {number_text(spread)}{tail}",
        provenance,
        note,
    )
