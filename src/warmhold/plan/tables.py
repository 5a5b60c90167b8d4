"""Reads the tables that ship with warmhold into the plain classes of science.

The files are part of the package. A fault in one is a fault of the build, so it is raised as a
``ValueError`` that names the file and the place.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from functools import cache
from importlib import resources
from typing import Any, get_args

from warmhold.science.neutral import (
    HumidityCorrection,
    Mark,
    NeutralTable,
    NeutralTables,
    Sauer,
    SauerFirstWeek,
    SauerLater,
    SingleWallRule,
    TableGroup,
    TableRow,
)

_FILE = "neutral.toml"
# From the strongest to the weakest: what rests on several numbers is as good as the weakest.
_STRENGTH: tuple[Mark, ...] = ("verified", "derived", "practice", "memory", "own")


@cache
def neutral_tables() -> NeutralTables:
    """The shipped sources of the neutral temperature, read once."""
    path = resources.files("warmhold").joinpath("data", "tables", _FILE)
    return parse_neutral(path.read_text(encoding="utf-8"))


def parse_neutral(text: str) -> NeutralTables:
    """Turn the text of a neutral temperature table into plain classes.

    Raises ``ValueError`` for a missing key, an unknown mark, a row out of order, or a confirmed
    cell whose numbers differ from the table's.
    """
    try:
        document = tomllib.loads(text)
        return NeutralTables(
            sauer=_sauer(document["sauer"]),
            scopes_ahmed=_table(document["scopes_ahmed"], "scopes_ahmed"),
            steps=_table(document["steps"], "steps"),
            single_wall=SingleWallRule(
                **_numbers(document["single_wall"], "air_above_room_k", "coldest_room_c"),
                mark=_weakest(document["single_wall"], "air_above_room_k"),
            ),
        )
    except KeyError as missing:
        raise ValueError(f"{_FILE}: key {missing} is missing") from missing


def _sauer(node: dict[str, Any]) -> Sauer:
    first = ("at_zero_c", "per_week_k", "per_day_k", "zero_weeks")
    later = ("at_zero_c", "per_kg_k", "per_day_k")
    return Sauer(
        title=node["title"],
        **_numbers(node["range"], "lowest_weeks", "highest_weeks", "first_week_days"),
        first_week=SauerFirstWeek(
            **_numbers(node["first_week"], *first), mark=_weakest(node["first_week"], *first)
        ),
        later=SauerLater(
            **_numbers(node["later"], *later, "lowest_g", "highest_g", "highest_days"),
            mark=_weakest(node["later"], *later),
        ),
        humidity=HumidityCorrection(
            **_numbers(
                node["humidity"],
                "per_kpa_k",
                "driest_kpa",
                "wettest_kpa",
                "second_per_kpa_k",
                "second_driest_kpa",
                "second_wettest_kpa",
            )
        ),
    )


def _table(node: dict[str, Any], where: str) -> NeutralTable:
    mark = _mark(node["mark"], where)
    confirmed = {(cell["from_g"], tuple(cell["row"])): cell for cell in node.get("confirmed", [])}
    groups = []
    for number, group in enumerate(node["group"], start=1):
        rows = []
        for row in group["rows"]:
            cell = confirmed.pop((group["from_g"], tuple(row)), None)
            rows.append(_row(row, mark, cell, f"{where} group {number}"))
        for before, after in itertools.pairwise(rows):
            if before.to_h != after.from_h:
                raise ValueError(
                    f"{_FILE}: {where} group {number}: ages leave a gap or overlap at "
                    f"{before.to_h:g} h"
                )
        groups.append(
            TableGroup(
                from_g=float(group["from_g"]),
                below_g=float(group.get("below_g", math.inf)),
                above_weeks=group.get("above_weeks"),
                rows=tuple(rows),
            )
        )
    if confirmed:
        raise ValueError(f"{_FILE}: {where}: confirmed cell is not in the table: {list(confirmed)}")
    return NeutralTable(
        title=node["title"], mark=mark, note=node.get("note", ""), groups=tuple(groups)
    )


def _row(row: list[float], mark: Mark, confirmed: dict[str, Any] | None, where: str) -> TableRow:
    from_h, to_h, mid_c = (float(number) for number in row[:3])
    low_c, high_c = (float(row[3]), float(row[4])) if len(row) == 5 else (None, None)
    in_order = from_h < to_h and (low_c is None or high_c is None or low_c <= mid_c <= high_c)
    if len(row) not in (3, 5) or not in_order:
        raise ValueError(f"{_FILE}: {where}: row {row} is not in order")
    return TableRow(
        from_h=from_h,
        to_h=to_h,
        mid_c=mid_c,
        low_c=low_c,
        high_c=high_c,
        mark=_mark(confirmed["mark"], where) if confirmed else mark,
        note=f"this cell: {confirmed['source']}" if confirmed else "",
    )


def _numbers(node: dict[str, Any], *keys: str) -> dict[str, float]:
    return {key: float(node[key]["value"]) for key in keys}


def _weakest(node: dict[str, Any], *keys: str) -> Mark:
    return max((_mark(node[key]["mark"], key) for key in keys), key=_STRENGTH.index)


def _mark(word: Any, where: str) -> Mark:
    for mark in get_args(Mark):
        if word == mark:
            known: Mark = mark
            return known
    raise ValueError(f"{_FILE}: {where}: mark {word!r} is not one of {', '.join(get_args(Mark))}")
