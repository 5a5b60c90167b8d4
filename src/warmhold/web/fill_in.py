"""What a proposed mapping leaves open, as fields to choose from, and back into the mapping."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from warmhold.bench.reading.mapping import ASK
from warmhold.bench.reading.propose import head_text, mapping_text
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.exchange.hl7.times import zone_of
from warmhold.web.posted import Posted

MOST_LEFT: Final = 60  # columns without a channel that get a field
ZONE, SOURCE = "fill-zone", "fill-source"


@dataclass(frozen=True)
class Column:
    """One column or signal of the file.

    holds : title of the quantity; empty while a person has to say it
    unit : empty while a person has to say it
    at : channel in the mapping that holds it; ``None`` for a column that none holds
    """

    name: str
    holds: str
    unit: str
    at: int | None = None


@dataclass(frozen=True)
class Open:
    """What a mapping says of its columns and what it leaves open."""

    columns: tuple[Column, ...] = ()
    zone: bool = False
    source: bool = False

    @property
    def left(self) -> tuple[str, ...]:
        """Columns that no channel holds."""
        return tuple(one.name for one in self.columns if one.at is None)


def choices(known: Vocabulary) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """Return what a column can hold, by key and title, and the units there are."""
    units = {unit for changes in known.changes.values() for unit in changes}
    return tuple((key, title) for key, (_, title) in known.numbers.items()), tuple(sorted(units))


def open_in(text: str, left: Sequence[str], known: Vocabulary) -> Open:
    """Say what a mapping leaves open; nothing of a text that cannot be read.

    left : columns of the file that no channel held when it was proposed
    """
    raw = _read(text)
    if raw is None:
        return Open()
    titles = {key: title for key, (_, title) in known.numbers.items()}
    columns = [
        Column(
            str(one.get("column", "")),
            "" if one.get("name") == ASK else titles.get(str(one.get("name")), str(one["name"])),
            "" if one.get("unit") == ASK else str(one.get("unit", "")),
            at,
        )
        for at, one in enumerate(raw["channel"])
        if "name" in one
    ]
    held = {one.name for one in columns}
    columns += [
        Column(name, "", known.unit_in(name) or "") for name in left[:MOST_LEFT] if name not in held
    ]
    return Open(tuple(columns), _no_zone(raw.get("time")), _asks(raw.get(known.whose), "name"))


def filled(text: str, typed: Mapping[str, str], left: Sequence[str], known: Vocabulary) -> str:
    """Return a mapping with what was chosen put in; a text that cannot be read as it came.

    typed : values of the fields: ``ZONE``, ``SOURCE``, and ``holds-N``, ``unit-N`` for channel N,
        ``more-holds-N``, ``more-unit-N`` for the Nth column of ``left``
    """
    given = {name: value.strip() for name, value in typed.items() if value.strip()}
    raw = _read(text)
    if raw is None or not any(name.startswith((*_FIELDS, ZONE, SOURCE)) for name in given):
        return text
    if ZONE in given and _no_zone(raw.get("time")):
        raw["time"]["zone"] = given[ZONE]
    if SOURCE in given and _asks(raw.get(known.whose), "name"):
        raw[known.whose]["name"] = given[SOURCE]
    for at, one in enumerate(raw["channel"]):
        for name, key in ((f"holds-{at}", "name"), (f"unit-{at}", "unit")):
            if name in given and one.get(key) == ASK:
                one[key] = given[name]
    for at, column in enumerate(left[:MOST_LEFT]):
        if f"more-holds-{at}" in given:
            unit = given.get(f"more-unit-{at}", ASK)
            raw["channel"].append(
                {"name": given[f"more-holds-{at}"], "column": column, "unit": unit}
            )
    return head_text(known) + mapping_text(raw)


def left_of(form: Posted) -> list[str]:
    """Return the columns that no channel held when the form was made."""
    return list(form.all("left")[:MOST_LEFT])


def is_field(name: str) -> bool:
    """Tell whether a form's name is one of these fields."""
    return name == "left" or name.startswith((*_FIELDS, "more-unit-", ZONE, SOURCE))


_FIELDS: Final = ("holds-", "unit-", "more-holds-")


def _read(text: str) -> dict[str, Any] | None:
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None
    channels = raw.setdefault("channel", [])
    if not isinstance(channels, list) or not all(isinstance(one, dict) for one in channels):
        return None
    return raw


def _asks(table: object, key: str) -> bool:
    return isinstance(table, dict) and table.get(key) == ASK


def _no_zone(table: object) -> bool:
    """Tell whether a zone is to be said, or was said and is none."""
    if not isinstance(table, dict) or not isinstance(table.get("zone"), str):
        return False
    try:
        zone_of(table["zone"])
    except ValueError:
        return True
    return False
