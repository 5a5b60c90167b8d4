"""The fleet as the pages show it: units, their history in the record, the service's rounds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from warmhold.bench.readiness import History, Readiness, readiness
from warmhold.model import (
    FaultyInput,
    Policy,
    Rounds,
    Unit,
    load_case,
    parse_rounds,
    parse_unit,
    shipped,
    shipped_path,
)
from warmhold.record.unit_views import histories

if TYPE_CHECKING:
    from warmhold.record import Event
    from warmhold.web.service import Service

USUAL = "usual"


@dataclass(frozen=True)
class FleetUnit:
    """One unit of the fleet. ``profile`` is missing when its file has faults."""

    key: str
    name: str
    own: bool
    profile: Unit | None
    faults: int
    history: History
    readiness: Readiness


@dataclass(frozen=True)
class Fleet:
    """Every unit, by what it is ready for; the rounds it was judged by."""

    units: tuple[FleetUnit, ...]
    rounds: Rounds
    rounds_key: str
    problem: str
    now: datetime

    def unit(self, key: str) -> FleetUnit | None:
        """Return a unit by its key."""
        return next((one for one in self.units if one.key == key), None)


def rounds_of(service: Service) -> tuple[str, Rounds, str]:
    """Return the service's rounds: its own file, the first by name, else the shipped ones.

    The third is a problem in words, when an own file cannot be used.
    """
    problem = ""
    for key in service.library.own("rounds"):
        if key in shipped("rounds"):
            continue
        try:
            return key, parse_rounds(service.library.text("rounds", key) or "", key), ""
        except FaultyInput as error:
            problem = f"The rounds {key} have faults and are not used. {error}"
    text = shipped_path("rounds", USUAL).read_text("utf-8")
    return USUAL, parse_rounds(text, USUAL), problem


def fleet_of(service: Service) -> Fleet:
    """Read every unit of the library with what the record holds of it.

    A service that has own units sees those, and any other that the record speaks of; one that has
    none sees the shipped examples.

    Raises ``NotSaved`` when the record cannot be read.
    """
    key, rounds, problem = rounds_of(service)
    found = service.from_whole_record("histories", _histories)
    now = datetime.now(UTC)
    own = tuple(name for name in service.library.own("units") if name not in shipped("units"))
    names = dict.fromkeys((*(own or service.library.names("units")), *found))
    units = [_unit(service, name, found.get(name), rounds, now) for name in names]
    order = ("ready", "ready with limits", "unknown", "not ready")
    units.sort(key=lambda one: (order.index(one.readiness.state), one.name))
    return Fleet(tuple(units), rounds, key, problem, now)


def _histories(events: list[Event]) -> dict[str, History]:
    return histories(events)


def _unit(
    service: Service, key: str, history: History | None, rounds: Rounds, now: datetime
) -> FleetUnit:
    text = service.library.text("units", key)
    profile, faults = None, 1
    if text is not None:
        try:
            profile, faults = parse_unit(text, key), 0
        except FaultyInput as error:
            faults = len(error.faults)
    history = history or History(key)
    name = profile.name if profile is not None else key
    own = key not in shipped("units")
    judged = readiness(history, rounds, now, faults)
    return FleetUnit(key, name, own, profile, faults, history, judged)


def policy_of(service: Service) -> Policy:
    """Return the policy that a question is asked by: the first own one, else the shipped one."""
    from warmhold.web.library import case_of  # noqa: PLC0415

    base = load_case(shipped_path("trips", "term-by-day"))
    for key in service.library.own("policies"):
        text = service.library.text("policies", key)
        if text is None or key in shipped("policies"):
            continue
        trip = shipped_path("trips", "term-by-day").read_text("utf-8")
        unit = shipped_path("units", "alder-single").read_text("utf-8")
        try:
            return case_of(trip, unit, text).policy
        except FaultyInput:
            continue
    return base.policy
