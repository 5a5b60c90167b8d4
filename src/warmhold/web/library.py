"""Trips, units and policies that this server can use: shipped ones, and the folder's own."""

from __future__ import annotations

import re
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

import tomli_w

from warmhold.model import Case, Fault, FaultyInput, parse_case, shipped, shipped_path

Kind = Literal["trips", "units", "policies", "rounds"]
NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
ORIGIN = "the trip"


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


def case_of(trip_toml: str, unit_toml: str, policy_toml: str) -> Case:
    """Build a case from the three texts alone, whatever lies in any folder.

    Raises ``FaultyInput`` with every fault; lines are those of ``trip_toml``.
    """
    text = _pointed(trip_toml)
    with tempfile.TemporaryDirectory(prefix="warmhold-") as name:
        folder = Path(name)
        (folder / "unit.toml").write_text(unit_toml, "utf-8")
        (folder / "policy.toml").write_text(policy_toml, "utf-8")
        return parse_case(text, ORIGIN, folder)


def _pointed(trip_toml: str) -> str:
    """Let the trip's keys ``unit`` and ``policy`` point at the two files beside it."""
    head, bracket, tail = _split_at_first_table(trip_toml)
    for key in ("unit", "policy"):
        head = re.sub(
            rf"^[ \t]*{key}[ \t]*=[^\n]*$", f'{key} = "./{key}.toml"', head, count=1, flags=re.M
        )
    text = head + bracket + tail
    raw = tomllib.loads(text)
    wanted = {"unit": "./unit.toml", "policy": "./policy.toml"}
    if {key: raw.get(key) for key in wanted} == wanted:
        return text
    return tomli_w.dumps({**raw, **wanted})


def _split_at_first_table(text: str) -> tuple[str, str, str]:
    found = re.search(r"^[ \t]*\[", text, flags=re.M)
    return (text[: found.start()], "", text[found.start() :]) if found else (text, "", "")
