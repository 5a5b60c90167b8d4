"""Read a TOML text, or say in plain words what stops it from being read."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

from warmhold.model.fault import Fault
from warmhold.model.locate import KeyPath, locate
from warmhold.model.words import plain

ONLY_FIRST = "only the first fault of this kind can be told; mend it and check again"


@dataclass(frozen=True)
class Source:
    """A TOML text that was read: its values, and the line of every key."""

    file: str
    raw: dict[str, Any]
    lines: dict[KeyPath, int]


def parse(text: str, file: str) -> Source | Fault:
    """Read a text as TOML; arrays become tuples. One fault when it is not TOML."""
    text = text.removeprefix("\ufeff")
    try:
        raw = tomllib.loads(text)
        return Source(file, _tuples(raw), locate(text))
    except tomllib.TOMLDecodeError as error:
        return _syntax_fault(text, file, str(error))
    except (ValueError, RecursionError, OverflowError) as error:
        return Fault(file, 1, "", f"text that cannot be read ({error})", "a plain file", ONLY_FIRST)


def _tuples(given: Any) -> Any:
    if isinstance(given, list):
        return tuple(_tuples(one) for one in given)
    if isinstance(given, dict):
        return {key: _tuples(one) for key, one in given.items()}
    return given


# What a line looks like -> what to do about it. The first that fits is told.
_SLIPS: tuple[tuple[str, str], ...] = (
    (r"[\u201c\u201d\u2018\u2019\u00ab\u00bb]", "write straight quotes, not curved ones"),
    (r"=\s*[+-]?\d+,\d+", "write a point for the decimals, not a comma"),
    (r"[=:]\s*[+-]?\d+(\.\d+)?\s*(%|[A-Za-z°])", "write the number alone: the unit is in the key"),
    (
        r"=\s*\d{4}-\d\d?-\d\d?[T ]\d\d?:\d\d(?!:?\d)",
        "write the time with seconds and offset, such as 2026-01-14T02:40:00+00:00",
    ),
    (r"=\s*\d\d?[./]\d\d?[./]\d{2,4}", "write the date as year-month-day: 2026-01-14"),
    (r"=\s*(True|TRUE|False|FALSE|yes|no|Yes|No)\b", "write true or false, in small letters"),
    (r"=\s*[+-]?0\d", "write the number without a leading zero"),
    (r"=\s*[+-]?(\.\d|\d+\.(?!\d))", "write a digit before and after the point"),
    (r"=\s*(#.*)?$", "write a value, or take the whole line out when it is not known"),
    (r"^\s*[A-Za-z0-9_-]+\s*:", "write = between key and value, not a colon"),
    (r"=\s*[A-Za-z]", "write text in straight quotes"),
    (r"^\s*\[[^\]]*$", "close the bracket"),
    (r"^\s*[^=\[\]]+$", "write key = value, or # before a remark"),
)


def _syntax_fault(text: str, file: str, message: str) -> Fault:
    rows = text.replace("\r\n", "\n").split("\n")
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    line = int(match[1]) if match else len(rows)
    reason = plain(re.sub(r"\s*\(at .*?\)$", "", message))
    row = rows[line - 1] if line <= len(rows) else ""
    found = f"`{plain(row.strip()[:60])}`" if row.strip() else "the end of the file"
    return Fault(
        file, line, "", found, "TOML", f"{_syntax_advice(reason, row)} ({reason}); {ONLY_FIRST}"
    )


def _syntax_advice(reason: str, row: str) -> str:
    if reason.startswith("Cannot declare"):
        return (
            "this table is there already: join the two, or write double brackets if the table "
            "may repeat"
        )
    if reason.startswith("Cannot overwrite"):
        return "this key is there already in its table: remove one of the two"
    if "Duplicate inline table key" in reason:
        return "a part is there twice: remove one of the two"
    for pattern, advice in _SLIPS:
        if re.search(pattern, row):
            return advice
    return "check quotes, brackets and the equals sign of this line and of the one above"
