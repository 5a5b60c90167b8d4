"""Trips, units and policies that this server can use: shipped ones, and the folder's own."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from warmhold.model import Fault, FaultyInput, parse_case, shipped, shipped_path
from warmhold.record.plan_texts import ORIGIN, case_of

Kind = Literal["trips", "units", "policies", "rounds"]
NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
__all__ = ["NAME", "Kind", "Library", "case_of", "complete"]


class Library:
    """The files by name. The folder's own lie in its ``trips``, ``units`` and ``policies``."""

    def __init__(self, folder: Path) -> None:
        """Look into one folder; nothing is written."""
        self.folder = folder

    def names(self, kind: Kind) -> tuple[str, ...]:
        """Return the names, shipped ones first."""
        return (*shipped(kind), *(name for name in self.own(kind) if name not in shipped(kind)))

    def own(self, kind: Kind) -> tuple[str, ...]:
        """Return the names of the folder's own files."""
        found = (path.stem for path in (self.folder / kind).glob("*.toml"))
        return tuple(sorted(name for name in found if NAME.fullmatch(name)))

    def text(self, kind: Kind, name: str) -> str | None:
        """Return the text of a file; ``None`` when there is none of that name."""
        if name in shipped(kind):
            return shipped_path(kind, name).read_text("utf-8")
        if not NAME.fullmatch(name):
            return None
        path = self.folder / kind / f"{name}.toml"
        try:
            return path.read_text("utf-8") if path.is_file() else None
        except (OSError, UnicodeDecodeError):
            return None


def complete(
    library: Library, trip_toml: str, unit_toml: str = "", policy_toml: str = ""
) -> tuple[str, str, str]:
    """Return the texts of trip, unit and policy; those not given are looked up by their names.

    Raises ``FaultyInput`` when a text cannot be read or names what there is not.
    """
    try:
        raw: Mapping[str, object] = tomllib.loads(trip_toml)
    except tomllib.TOMLDecodeError as error:
        parse_case(trip_toml, ORIGIN)  # tells the same fault with its line
        raise FaultyInput(
            (Fault(ORIGIN, None, "", str(error), "a trip file", "mend the text"),)
        ) from error
    texts: dict[str, str] = {}
    pairs: tuple[tuple[str, Kind, str], ...] = (
        ("unit", "units", unit_toml),
        ("policy", "policies", policy_toml),
    )
    faults = []
    for key, kind, given in pairs:
        name = raw.get(key)
        text = given or (library.text(kind, name) if isinstance(name, str) else None)
        if text is None:
            known = ", ".join(library.names(kind))
            faults.append(
                Fault(ORIGIN, None, key, f"{name!r:.80}", f"one of: {known}", "choose one of these")
            )
        else:
            texts[key] = text
    if faults:
        raise FaultyInput(tuple(faults))
    return trip_toml, texts["unit"], texts["policy"]
