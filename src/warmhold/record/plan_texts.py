"""A case out of the three texts of a plan, whatever lies in any folder."""

from __future__ import annotations

import re
import tempfile
import tomllib
from pathlib import Path

import tomli_w

from warmhold.model import Case, parse_case

ORIGIN = "the trip"


def case_of(trip_toml: str, unit_toml: str, policy_toml: str, origin: str = ORIGIN) -> Case:
    """Build a case from the three texts alone.

    origin : what a fault calls the trip's text

    Raises ``FaultyInput`` with every fault, or ``TOMLDecodeError`` when the trip's text is no TOML;
    lines are those of ``trip_toml``.
    """
    text = _pointed(trip_toml.removeprefix("\ufeff"))
    with tempfile.TemporaryDirectory(prefix="warmhold-") as name:
        folder = Path(name)
        (folder / "unit.toml").write_text(unit_toml, "utf-8")
        (folder / "policy.toml").write_text(policy_toml, "utf-8")
        return parse_case(text, origin, folder)


def _pointed(trip_toml: str) -> str:
    """Let the trip's keys ``unit`` and ``policy`` point at the two files beside it."""
    head, tail = _split_at_first_table(trip_toml)
    for key in ("unit", "policy"):
        head = re.sub(
            rf"^[ \t]*{key}[ \t]*=[^\n]*$", f'{key} = "./{key}.toml"', head, count=1, flags=re.M
        )
    text = head + tail
    raw = tomllib.loads(text)
    wanted = {"unit": "./unit.toml", "policy": "./policy.toml"}
    if {key: raw.get(key) for key in wanted} == wanted:
        return text
    return tomli_w.dumps({**raw, **wanted})


def _split_at_first_table(text: str) -> tuple[str, str]:
    found = re.search(r"^[ \t]*\[", text, flags=re.M)
    return (text[: found.start()], text[found.start() :]) if found else (text, "")
