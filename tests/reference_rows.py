"""Reads the reference rows in tests/reference/*.toml for ``pytest.mark.parametrize``.

A file holds tables in one of two shapes. What a table says for all its rows may be written once::

    [altitude_print]                 # shared fields, then rows; a row may override any of them
    unit = "hPa"
    tolerance = 0.05
    why = "printed to 0.001 hPa, coefficients rounded"
    source = "title, year, page or address"
    status = "verified"              # verified | memory | computed | practice
    rows = [{ altitude_m = 5000, expected = 540.197 }]

    [[single_values]]                # or rows that each say everything
    ...

Use: ``@pytest.mark.parametrize("row", rows("altitude", "altitude_print"))``.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

STATUS = ("verified", "memory", "computed", "practice")
KINDS = ("print", "library", "arithmetic", "earlier self")
_FOLDER = Path(__file__).parent / "reference"


def rows(file: str, table: str) -> list[Any]:
    """All rows of one table as pytest parameters; a row is a plain dictionary."""
    with (_FOLDER / f"{file}.toml").open("rb") as handle:
        found = tomllib.load(handle)[table]
    if isinstance(found, dict):
        shared = {key: value for key, value in found.items() if key != "rows"}
        merged = [{**shared, **row} for row in found["rows"]]
    else:
        merged = found
    assert merged, f"{file}.toml [{table}] has no rows"
    for number, row in enumerate(merged, start=1):
        _check(row, f"{file}.toml [{table}] row {number}")
    return [pytest.param(row, id=_name(row, number)) for number, row in enumerate(merged, 1)]


def _check(row: dict[str, Any], where: str) -> None:
    for key in ("source", "why", "unit"):
        assert isinstance(row.get(key), str), f"{where}: needs {key} as text"
        assert row[key].strip(), f"{where}: {key} is empty"
    assert row.get("status") in STATUS, f"{where}: status must be one of {STATUS}"
    assert row.get("kind", "print") in KINDS, f"{where}: kind must be one of {KINDS}"
    tolerance = row.get("tolerance")
    assert isinstance(tolerance, int | float), f"{where}: needs a tolerance as a number"
    assert not isinstance(tolerance, bool), f"{where}: needs a tolerance as a number"
    assert tolerance >= 0, f"{where}: tolerance below zero"
    assert any(key.startswith("expected") for key in row), f"{where}: expects nothing"


def _name(row: dict[str, Any], number: int) -> str:
    given = row.get("name")
    return str(given) if given else f"row{number}"
