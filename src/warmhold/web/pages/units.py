"""The units: every value of a profile with its spread and where it comes from; own profiles."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.model import Fault, check_file, shipped, template
from warmhold.model.words import unit_of
from warmhold.report import words
from warmhold.web.access import needs, user_of
from warmhold.web.library import NAME
from warmhold.web.posted import posted
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

LONGEST_FILE = 200_000  # characters
ASSUMED = ("assumed",)

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

    @needs("lead")
    def edit(request: Request) -> Response:
        start = request.query_params.get("from", "")
        unit = _view(start) if start else None
        if start and unit is None:
            raise HTTPException(404)
        own = unit is not None and unit.own
        return _edit(
            request,
            start if own else "",
            unit.text if unit is not None else template("unit"),
            before=_mark_of(unit.text) if unit is not None and own else "",
        )

    @needs("lead")
    def save(request: Request) -> Response:
        form = posted(request)
        name, text, before = form.text("name", 100), form.get("toml", ""), form.text("before", 100)
        problem = _name_problem(name)
        faults = unit_faults(text)
        target = service.folder / "units" / f"{name}.toml"
        if not problem:
            now = service.library.text("units", name)
            if now is not None and before != _mark_of(now) and now != text:
                problem = (
                    f"There is a unit {name} already, and it is not the one that you began from. "
                    "Choose another name, or open that one."
                )
        if problem or faults:
            return _edit(request, name, text, before, problem, faults, 422)
        try:
            _write(target, text)
        except OSError as error:
            why = error.strerror or "the folder cannot be written"
            return _edit(request, name, text, before, f"Not saved: {why}.", (), 503)
        address = request.client.host if request.client else "unknown"
        service.log_access(user_of(request), f"wrote the unit {name}", address)
        return RedirectResponse(f"/units/{name}?saved=1", 303)

    def _view(name: str) -> UnitView | None:
        text = service.library.text("units", name)
        return None if text is None else unit_view(name, text, name not in shipped("units"))

    def _edit(
        request: Request, name: str, text: str, before: str = "", problem: str = "",
        faults: tuple[Fault, ...] = (), status: int = 200,
    ) -> Response:  # fmt: skip
        return render(
            request, "units_edit.html", status, name=name, text=text, before=before,
            problem=problem, faults=faults,
        )  # fmt: skip

    return [
        Route("/units", listed, methods=["GET"]),
        Route("/units/edit", edit, methods=["GET"]),
        Route("/units/edit", save, methods=["POST"]),
        Route("/units/{name}", one, methods=["GET"]),
    ]


def _name_problem(name: str) -> str:
    if not NAME.fullmatch(name):
        return "Write a name of small letters, digits and hyphens, up to 61 of them."
    if name == "edit":  # the address of the page itself
        return "Choose another name: this one is taken."
    if name in shipped("units"):
        return f"{name} is a shipped example and stays as it is: choose another name."
    return ""


def _mark_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def unit_faults(text: str) -> tuple[Fault, ...]:
    """Return every fault of the text of a unit file; none when it can be used."""
    if len(text) > LONGEST_FILE:
        return (Fault("the text", None, "", "too long a text", "a unit file", "check the text"),)
    with tempfile.TemporaryDirectory(prefix="warmhold-") as folder:
        path = Path(folder) / "unit.toml"
        path.write_bytes(text.encode("utf-8", "replace"))
        faults = tuple(replace(fault, file="the text") for fault in check_file(path))
    if faults:
        return faults
    if "hood" not in tomllib.loads(text.removeprefix("\ufeff")):
        todo = "begin from one of the units"
        return (Fault("the text", 1, "", "a file of another kind", "a unit file", todo),)
    return ()


def _write(path: Path, text: str) -> None:
    """Write a file beside its target and move it there, so that no half file is ever seen."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with part.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text if text.endswith("\n") else f"{text}\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise


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
        return ValueRow(label, f"{_number(value)}{tail}", "", "", "")
    note, provenance = str(value.get("note", "")), str(value.get("provenance", ""))
    if "step" in value:
        ends = f"{_number(value.get('lowest'))} to {_number(value.get('highest'))}{tail}"
        steps = f"{ends}, by {_number(value['step'])}"
        return ValueRow(label, steps, "", provenance, note)
    spread = value.get("spread")
    return ValueRow(
        label,
        f"{_number(value.get('value'))}{tail}",
        "" if spread is None else f"± {_number(spread)}{tail}",
        provenance,
        note,
    )


def _number(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value) if value is not None else words.UNKNOWN
    return f"{value:.6g}".replace("-", words.MINUS)
