"""Limits as data: a set has a kind, every row its standard, edition, clause, status and source.

Transport and nursery limits never stand in one set, and two sets are never used together. A
unit of another kind than the set is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from warmhold.bench.reading.strict import read_source, validated
from warmhold.bench.uncertainty import Relation
from warmhold.model.base import Between, Frozen, Text
from warmhold.model.checks import Values
from warmhold.model.explain import Problem
from warmhold.model.load import DATA
from warmhold.model.words import nearest, value_text

Kind = Literal["transport", "nursery", "local"]
Status = Literal["verified", "memory", "practice", "own"]
Need = Literal["heard", "seen", "heater off"]

FOLDER = DATA / "limits"
USUAL = "transport-2020"
STATUS_WORDS: dict[Status, str] = {
    "verified": "read in the named source",
    "memory": "unverified: recalled, not read",
    "practice": "unverified: common practice, no source",
    "own": "own choice, from no standard",
}

# Everything a trial asks a set for; a key here, a row in a set.
KNOWN: dict[str, str] = {
    # conditions
    "ambient_low_c": "°C",
    "ambient_high_c": "°C",
    "air_speed_low_m_s": "m/s",
    "air_speed_high_m_s": "m/s",
    "set_c": "°C",
    "set_above_ambient_c": "°C",
    "steady_range_c": "°C",
    "warm_up_set_above_ambient_c": "°C",
    "warm_up_set_near_c": "°C",
    "warm_up_rise_c": "°C",
    "warm_up_start_near_ambient_c": "°C",
    "reference_range_c": "°C",
    "oxygen_apart_percent": "%",
    # figures
    "warm_up_off_stated_percent": "%",
    "overshoot_c": "°C",
    "recovery_min": "min",
    "stability_c": "°C",
    "uniformity_c": "°C",
    "uniformity_tilted_c": "°C",
    "displayed_off_c": "°C",
    "control_off_c": "°C",
    "skin_off_c": "°C",
    "oxygen_off_percent": "%",
    "battery_share_percent": "%",
    "charge_h": "h",
    "door_recovery_min": "min",
    "door_fall_c": "°C",
    # alarms
    "alarm_fan": "",
    "alarm_air_path": "",
    "alarm_skin_sensor": "",
    "alarm_supply": "",
    "alarm_supply_min": "min",
    "alarm_high_temperature": "",
    "alarm_air_max_c": "°C",
    "alarm_air_deviation": "",
}
_SETTINGS = ("set_c", "warm_up_set_above_ambient_c")  # to be set near, not judged
_NEEDS_OVER = ("steady_range_c", "reference_range_c")
_TRANSPORT = re.compile(r"\b(?:60)?601-2-20\b")
_NURSERY = re.compile(r"\b(?:60)?601-2-19\b|\bGB 11243\b")


class Limit(Frozen):
    """One row of a set.

    ``over_min`` is how long a condition has to hold. ``plus_percent_of_level`` widens a limit
    with the level it is read at; ``from_level`` and ``to_level`` say at which levels the limit
    holds at all. ``needs`` stands instead of relation and value in rows that are
    met or not. ``counted_from`` says where a recovery is counted from, when the set knows.
    """

    id: Text
    quantity: Text
    relation: Relation | None = None
    value: Annotated[float, Between()] | None = None
    unit: str = ""
    over_min: Annotated[float, Between(0, 1440, above=True)] | None = None
    plus_percent_of_level: Annotated[float, Between(0, 100)] = 0.0
    counted_from: Literal["step", "reached"] | None = None
    from_level: Annotated[float, Between()] | None = None
    to_level: Annotated[float, Between()] | None = None
    needs: tuple[Need, ...] = ()
    standard: Text
    edition: Text
    clause: Text
    status: Status
    source: Text

    @property
    def verified(self) -> bool:
        """Whether the value was read in the source that it names."""
        return self.status == "verified"

    def covers(self, level: float) -> bool:
        """Whether the limit holds at a level of the quantity that it is read at."""
        low = -math.inf if self.from_level is None else self.from_level
        high = math.inf if self.to_level is None else self.to_level
        return low <= level <= high

    def at(self, level: float) -> float:
        """Return the limit at a level of the quantity that it is read at."""
        return (math.nan if self.value is None else self.value) + (
            self.plus_percent_of_level / 100 * level
        )


class LimitFile(Frozen):
    """A file of limits."""

    format: Literal[1]
    name: Text
    title: Text
    kind: Kind
    note: str = ""
    limit: tuple[Limit, ...]


@dataclass(frozen=True)
class LimitSet:
    """One set of limits: the only one that a result rests on."""

    name: str
    title: str
    kind: Kind
    note: str
    rows: tuple[Limit, ...]

    def get(self, key: str) -> Limit | None:
        """Return the row of a key of `KNOWN`; ``None`` when this set has none."""
        if key not in KNOWN:
            raise KeyError(key)
        return next((row for row in self.rows if row.id == key), None)


class WrongKind(ValueError):
    """Limits of one kind of incubator asked for another."""


def shipped_sets() -> tuple[str, ...]:
    """Return the names of the sets that ship with warmhold."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def find_set(name: str) -> LimitSet:
    """Read a set: a shipped name, or the path of a file.

    Raises ``KeyError`` when there is neither, ``FaultyInput`` for a file with faults.
    """
    if name in shipped_sets():
        return load_set(FOLDER / f"{name}.toml")
    path = Path(name)
    if not path.is_file():
        raise KeyError(name)
    return load_set(path)


def load_set(path: Path) -> LimitSet:
    """Read a file of limits.

    Raises ``FaultyInput`` with all faults, each with its line.
    """
    file = validated(LimitFile, read_source(path), _check)
    return LimitSet(file.name, file.title, file.kind, file.note, file.limit)


def check_kind(limits: LimitSet, unit_kind: Literal["transport", "nursery"]) -> None:
    """Refuse limits of another kind of incubator.

    Raises ``WrongKind``.
    """
    if limits.kind not in {unit_kind, "local"}:
        raise WrongKind(
            f"{limits.name} holds limits for {limits.kind} incubators, and this is a {unit_kind} "
            "incubator: judged by them it would fail, or pass, wrongly"
        )


def _check(values: Values) -> Iterator[Problem]:
    kind = values.at("kind")
    seen: set[str] = set()
    for row in values.rows("limit"):
        key = values.at("limit", row, "id")
        if isinstance(key, str):
            yield from _check_id(values, row, key, seen)
        standard = values.at("limit", row, "standard")
        if not isinstance(standard, str) or kind is None:
            continue
        foreign = {"transport": _NURSERY, "nursery": _TRANSPORT}.get(kind)
        if foreign is not None and foreign.search(standard):
            yield Problem(
                ("limit", row, "standard"), value_text(standard),
                f"no limit for another kind than {kind}, the kind of this set",
                "keep transport and nursery limits in two files",
            )  # fmt: skip


def _check_id(values: Values, row: int, key: str, seen: set[str]) -> Iterator[Problem]:
    path = ("limit", row)
    if key not in KNOWN:
        near = nearest(key, KNOWN)
        yield Problem(
            (*path, "id"), value_text(key), "one of " + ", ".join(KNOWN),
            f'write "{near}"' if near else "choose what the limit is about",
        )  # fmt: skip
        return
    if key in seen:
        yield Problem((*path, "id"), f"{value_text(key)} once more", "each id once",
                      "keep the row that counts")  # fmt: skip
    seen.add(key)
    unit = values.at(*path, "unit")
    if isinstance(unit, str) and unit != KNOWN[key]:
        yield Problem((*path, "unit"), value_text(unit), f'"{KNOWN[key]}"',
                      f'bring the value to it and write unit = "{KNOWN[key]}"')  # fmt: skip
    if unit is None and KNOWN[key]:
        yield Problem((*path, "unit"), "nothing", f'"{KNOWN[key]}"',
                      f'add unit = "{KNOWN[key]}"')  # fmt: skip
    has_needs = values.stands(*path, "needs")
    for part in ("relation", "value"):
        stands = values.stands(*path, part)
        if stands == has_needs:
            yield Problem(
                (*path, part), part if stands else "nothing",
                "relation and value, or needs alone",
                f"take {part} out" if stands else f"add {part} = ...",
            )  # fmt: skip
    relation = values.at(*path, "relation")
    if relation is not None and (relation == "near") != (key in _SETTINGS):
        asked = '"near"' if key in _SETTINGS else "a relation to be judged, not near"
        yield Problem((*path, "relation"), value_text(relation), asked, "exchange it")
    if key in _NEEDS_OVER and not values.stands(*path, "over_min"):
        yield Problem((*path, "over_min"), "nothing", "minutes over which it has to hold",
                      "add over_min = ...")  # fmt: skip
