"""The policies: every number that a verdict rests on with its mark and source; own policies."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.model import Fault, shipped
from warmhold.model.words import unit_of
from warmhold.report import words
from warmhold.web import own_files
from warmhold.web.own_files import number_text
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

POLICIES = own_files.Sort(
    place="policies",
    kind="policy",
    mark="verdict",
    title="A policy",
    what="policy",
    lead="Every number says how it is known: verified, from memory, practice, derived, or your own "
    "choice; and where it comes from.",
    example="our-service",
)
TABLES: Mapping[str, str] = {
    "verdict": "What counts as go",
    "temperature": "Temperature",
    "battery": "Battery",
    "gas": "Gas",
    "oxygen": "Oxygen",
    "saturation": "Saturation: targets and alarm limits",
    "pulse": "Pulse: alarm limits",
    "alarm_oxygen": "Oxygen: alarm limits",
    "spread": "Spread of a number that a trip states plainly",
}
MARKS: Mapping[str, str] = {
    "verified": "verified", "memory": "from memory, unverified", "practice": "practice, no source",
    "derived": "derived", "own": "own choice",
}  # fmt: skip
UNVERIFIED = ("memory", "practice")


@dataclass(frozen=True)
class PolicyRow:
    """One number of a policy, in words."""

    label: str
    value: str
    mark: str
    source: str
    unverified: bool


@dataclass(frozen=True)
class PolicyView:
    """One policy of the library."""

    key: str
    own: bool
    name: str
    tables: tuple[tuple[str, tuple[PolicyRow, ...]], ...]
    faults: tuple[Fault, ...]
    text: str

    @property
    def numbers(self) -> tuple[PolicyRow, ...]:
        """Return every number that says where it comes from."""
        return tuple(row for _, rows in self.tables for row in rows if row.mark)

    @property
    def unverified(self) -> int:
        """Count the numbers that were not read in a source."""
        return sum(row.unverified for row in self.numbers)


def routes(service: Service) -> list[Route]:
    """Return the routes of the policies."""

    def listed(request: Request) -> Response:
        names = service.library.names("policies")
        policies = [policy for name in names if (policy := _view(name)) is not None]
        return render(request, "policies.html", policies=policies)

    def one(request: Request) -> Response:
        policy = _view(request.path_params["name"])
        if policy is None:
            raise HTTPException(404)
        saved = "saved" in request.query_params
        return render(request, "policies_one.html", policy=policy, request_saved=saved)

    def _view(name: str) -> PolicyView | None:
        text = service.library.text("policies", name)
        return None if text is None else policy_view(name, text, name not in shipped("policies"))

    return [
        Route("/policies", listed, methods=["GET"]),
        *own_files.routes(service, POLICIES),
        Route("/policies/{name}", one, methods=["GET"]),
    ]


def policy_view(key: str, text: str, own: bool) -> PolicyView:
    """Read a policy for showing; one with faults is shown with them as far as it can be read."""
    faults = own_files.faults_of(POLICIES, text) if own else ()
    try:
        raw: Mapping[str, Any] = tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        raw = {}
    tables = tuple(
        (title, tuple(_rows(raw[name]))) for name, title in TABLES.items() if name in raw
    )
    name = raw.get("name")
    return PolicyView(key, own, name if isinstance(name, str) else key, tables, faults, text)


def _rows(table: Any) -> Iterator[PolicyRow]:
    """Yield the rows of a table, or of each table of a list of them."""
    parts = table if isinstance(table, list) else [table]
    for part in parts:
        if not isinstance(part, Mapping):
            continue
        below = f", below {number_text(part['below_weeks'])} weeks" if "below_weeks" in part else ""
        for key, value in part.items():
            if key != "below_weeks":
                yield _row(key, value, below)


def _row(key: str, value: Any, tail: str) -> PolicyRow:
    unit = unit_of(key)
    label = words.capital(_words_of(key)) + tail
    if isinstance(value, list):
        return PolicyRow(label, ", ".join(str(one) for one in value), "", "", False)
    if not isinstance(value, Mapping):
        return PolicyRow(label, number_text(value), "", "", False)
    shown = {"degC": "°C"}.get(unit, unit)
    mark = str(value.get("mark", ""))
    return PolicyRow(
        label,
        f"{number_text(value.get('value'))} {shown}".strip(),
        MARKS.get(mark, mark),
        str(value.get("source", "")),
        mark in UNVERIFIED,
    )


ENDINGS = ("_percent", "_points", "_per_min", "_kpa", "_lpm", "_min", "_weeks", "_c", "_k")


def _words_of(key: str) -> str:
    for ending in ENDINGS:
        if key.endswith(ending):
            key = key.removesuffix(ending)
            break
    return key.replace("_", " ")
