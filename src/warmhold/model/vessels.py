"""Look cylinders up by country and letter."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from warmhold.model.explain import Problem
from warmhold.model.locate import KeyPath
from warmhold.model.words import nearest, value_text

TABLE = Path(__file__).resolve().parent.parent / "data" / "tables" / "cylinders.toml"
EITHER = "country and letter, or water_l and fill_bar"


@dataclass(frozen=True)
class Vessel:
    """One size of cylinder."""

    country: str
    letter: str
    water_l: float
    fill_bar: float


@cache
def vessels() -> tuple[Vessel, ...]:
    """Return the table of vessels that ships with warmhold."""
    rows = tomllib.loads(TABLE.read_text("utf-8"))["vessel"]
    return tuple(
        Vessel(row["country"], row["letter"], float(row["water_l"]), float(row["fill_bar"]))
        for row in rows
    )


def resolve(raw: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem], set[KeyPath]]:
    """Fill in water volume and fill pressure of every cylinder that is given by its letter.

    Returns the trip's values with the sizes filled in, what was wrong, and the keys whose absence
    is thereby told already.
    """
    supplies = raw.get("supplies")
    if not isinstance(supplies, Mapping):
        return dict(raw), [], set()
    problems: list[Problem] = []
    told: set[KeyPath] = set()
    filled = dict(supplies)
    for kind in ("cylinder", "store"):
        rows = supplies.get(kind)
        if isinstance(rows, tuple):
            filled[kind] = tuple(
                _resolve_row(row, ("supplies", kind, at), problems, told)
                for at, row in enumerate(rows)
            )
    return {**raw, "supplies": filled}, problems, told


def _resolve_row(row: Any, path: KeyPath, problems: list[Problem], told: set[KeyPath]) -> Any:
    if not isinstance(row, Mapping):
        return row
    sizes = [key for key in ("water_l", "fill_bar") if key in row]
    names = [key for key in ("country", "letter") if key in row]
    if sizes and not names:
        return row
    told.update((*path, key) for key in ("water_l", "fill_bar") if key not in row)
    if sizes:
        found = f"{names[0]} together with {sizes[0]}"
        problems.append(
            Problem((*path, names[0]), found, EITHER, "keep what is stamped on the vessel")
        )
        return row
    faults, vessel = _look_up(row, path)
    problems += faults
    if vessel is None:
        return row
    size = {"water_l": vessel.water_l, "fill_bar": vessel.fill_bar}
    return {**row, "country": vessel.country, **size}


def _look_up(row: Mapping[str, Any], path: KeyPath) -> tuple[list[Problem], Vessel | None]:
    letter, country = row.get("letter"), row.get("country")
    if letter is None:
        # a misspelt letter is told as an unknown key; nothing at all is told here
        if any(nearest(key, ("letter", "water_l", "fill_bar")) for key in row if key not in _KEYS):
            return [], None
        todo = "add both, as stamped on the vessel" if country is None else "add the letter"
        return [Problem((*path, "letter"), "nothing", EITHER, todo)], None
    if not isinstance(letter, str) or not (country is None or isinstance(country, str)):
        return [], None  # told where the type is checked
    fits = [one for one in vessels() if one.letter == letter]
    if country is None:
        return _without_country(letter, fits, path)
    for one in fits:
        if one.country == country:
            return [], one
    return [_no_such(letter, country, fits, path)], None


def _without_country(
    letter: str, fits: list[Vessel], path: KeyPath
) -> tuple[list[Problem], Vessel | None]:
    if len(fits) == 1:
        return [], fits[0]
    if not fits:
        return [
            _unknown_letter(letter, [one.letter for one in vessels()], path, "any country")
        ], None
    sizes = ", ".join(f"{one.country} ({one.water_l:g} L, {one.fill_bar:g} bar)" for one in fits)
    return [
        Problem(
            (*path, "country"),
            "nothing",
            f"one of {sizes}",
            f"add the country: letter {letter} means another vessel in each",
        )
    ], None


def _no_such(letter: str, country: str, fits: list[Vessel], path: KeyPath) -> Problem:
    countries = sorted({one.country for one in vessels()})
    if country not in countries:
        near = nearest(country, countries)
        return Problem(
            (*path, "country"),
            value_text(country),
            "one of " + ", ".join(countries),
            f'write "{near}"' if near else "or give water_l and fill_bar as stamped on the vessel",
        )
    letters = [one.letter for one in vessels() if one.country == country]
    return _unknown_letter(letter, letters, path, country)


def _unknown_letter(letter: str, letters: list[str], path: KeyPath, where: str) -> Problem:
    known = list(dict.fromkeys(letters))
    near = nearest(letter, known)
    return Problem(
        (*path, "letter"),
        value_text(letter),
        f"in {where}: " + ", ".join(known),
        f'write "{near}"' if near else "or give water_l and fill_bar as stamped on the vessel",
    )


_KEYS = {
    "name",
    "gas",
    "country",
    "letter",
    "water_l",
    "fill_bar",
    "gauge_bar",
    "gauge_at_c",
    "residual_bar",
    "mass_kg",
    "count",
}
