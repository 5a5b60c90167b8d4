"""Scores of a baby's state: switched off unless their bands were read in the paper.

The bands are data with their paper and mark. A score that is not verified is refused unless it is
asked for by name as unverified, and says so in its answer. A missing item makes a score not
computable. No score here gives a chance of death.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

_TABLE = Path(__file__).resolve().parent.parent / "data" / "tables" / "scores.toml"


class SwitchedOff(Exception):
    """A score whose bands nobody has read in the paper; the text says what would switch it on."""


@dataclass(frozen=True)
class Score:
    """One score of one baby at one moment.

    points : ``None`` when it is not computable
    missing : titles of the items that are not known or outside their range
    items : title, what was found, points
    says : its standing: paper, direction, how far its bands are verified
    """

    name: str
    title: str
    points: int | None
    highest: int
    missing: tuple[str, ...]
    items: tuple[tuple[str, str, int], ...]
    says: str


@lru_cache(maxsize=1)
def _scores() -> Mapping[str, Any]:
    found: Mapping[str, Any] = tomllib.loads(_TABLE.read_text("utf-8"))["score"]
    return found


def names() -> tuple[str, ...]:
    """Return the scores there are, switched on or off."""
    return tuple(_scores())


def items_of(name: str) -> tuple[tuple[str, str, str], ...]:
    """Return key, title and what is allowed of each item of a score.

    Raises ``KeyError`` for a score there is not.
    """
    out = []
    for item in _scores()[name]["item"]:
        if "words" in item:
            allowed = ", ".join(f"{one['word']} ({one['says']})" for one in item["words"])
        else:
            allowed = f"{item['low']:g} to {item['high']:g} {item['unit']}"
        out.append((item["key"], item["title"], allowed))
    return tuple(out)


def score(name: str, values: Mapping[str, float | str], *, unverified: bool = False) -> Score:
    """Work a score out.

    name : one of `names`
    values : by the keys of its items; one that is not there is not known
    unverified : compute it although its bands were recalled and not read

    Raises ``KeyError`` for a score there is not, ``SwitchedOff`` for one that is not verified.
    """
    table = _scores()[name]
    if not table["verified"] and not unverified:
        raise SwitchedOff(
            f"{table['title']} is switched off: its bands are from {table['mark']} and were not "
            f"read in {table['source']}; it stays off until somebody has compared them."
        )
    found: list[tuple[str, str, int]] = []
    missing: list[str] = []
    for item in table["item"]:
        band = _band(item, values.get(item["key"]))
        if band is None:
            missing.append(item["title"])
        else:
            found.append((item["title"], band["says"], int(band["points"])))
    standing = "verified" if table["verified"] else "UNVERIFIED, bands recalled and not read"
    return Score(
        name,
        table["title"],
        None if missing else sum(points for _, _, points in found),
        int(table["highest"]),
        tuple(missing),
        tuple(found),
        f"{table['source']}; {table['direction']}; {standing}. {table['note']}.",
    )


def _band(item: Mapping[str, Any], value: float | str | None) -> Mapping[str, Any] | None:
    """Return the band that a value falls in; ``None`` for what is not known or cannot be."""
    if "words" in item:
        return next((one for one in item["words"] if one["word"] == value), None)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not item["low"] <= value <= item["high"]:
        return None
    step = item.get("round_to")
    read = round(round(value / step) * step, 6) if step else float(value)
    for band in item["bands"]:
        if ("below" in band and read < band["below"]) or (
            "up_to" in band and read <= band["up_to"]
        ):
            return dict(band)
        if "below" not in band and "up_to" not in band:
            return dict(band)
    return None
