"""The fleet as pages and commands show it: units, their history on record, the service's rounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from warmhold.bench.readiness import History, Readiness, readiness
from warmhold.bench.rounds import Answer, judge_answer
from warmhold.model import (
    FaultyInput,
    Policy,
    Round,
    RoundItem,
    Rounds,
    Unit,
    load_case,
    parse_rounds,
    parse_unit,
    shipped,
    shipped_path,
)
from warmhold.record.unit_views import histories
from warmhold.web.library import Library, case_of

if TYPE_CHECKING:
    from warmhold.record import Event
    from warmhold.web.service import Service

USUAL = "usual"
ROOM = ("pressure_hpa", "room_c", "humidity_percent")


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


def rounds_of(library: Library) -> tuple[str, Rounds, str]:
    """Return the service's rounds: its own file, the first by name, else the shipped ones.

    The third is a problem in words, when an own file cannot be used.
    """
    problem = ""
    for key in library.own("rounds"):
        if key in shipped("rounds"):
            continue
        try:
            return key, parse_rounds(library.text("rounds", key) or "", key), ""
        except FaultyInput as error:
            problem = f"The rounds {key} have faults and are not used. {error}"
    text = shipped_path("rounds", USUAL).read_text("utf-8")
    return USUAL, parse_rounds(text, USUAL), problem


def fleet_of(service: Service) -> Fleet:
    """Read every unit of a server's library with what its record holds of it.

    Raises ``NotSaved`` when the record cannot be read.
    """
    found = service.from_whole_record("histories", _histories)
    return fleet_in(service.library, found, datetime.now(UTC))


def fleet_in(library: Library, found: Mapping[str, History], now: datetime) -> Fleet:
    """Read every unit of a library with what is on record of it.

    A service that has own units sees those, and any other that the record speaks of; one that has
    none sees the shipped examples.

    found : what is on record, by the unit's name
    now : the moment, UTC
    """
    key, rounds, problem = rounds_of(library)
    own = tuple(name for name in library.own("units") if name not in shipped("units"))
    names = dict.fromkeys((*(own or library.names("units")), *found))
    units = [_unit(library, name, found.get(name), rounds, now) for name in names]
    order = ("ready", "ready with limits", "unknown", "not ready")
    units.sort(key=lambda one: (order.index(one.readiness.state), one.name))
    return Fleet(tuple(units), rounds, key, problem, now)


def _histories(events: list[Event]) -> dict[str, History]:
    return histories(events)


def _unit(
    library: Library, key: str, history: History | None, rounds: Rounds, now: datetime
) -> FleetUnit:
    text = library.text("units", key)
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


def policy_of(library: Library) -> Policy:
    """Return the policy that a question is asked by: the first own one, else the shipped one."""
    base = load_case(shipped_path("trips", "term-by-day"))
    for key in library.own("policies"):
        text = library.text("policies", key)
        if text is None or key in shipped("policies"):
            continue
        trip = shipped_path("trips", "term-by-day").read_text("utf-8")
        unit = shipped_path("units", "alder-single").read_text("utf-8")
        try:
            return case_of(trip, unit, text).policy
        except FaultyInput:
            continue
    return base.policy


def round_body(
    wanted: Round, answers: Mapping[str, Answer], unit: FleetUnit, rounds: Rounds, signed: str
) -> dict[str, Any]:
    """Return the body of the entry of one round, each answer judged.

    answers : by item, one for each
    """
    return {
        "unit": unit.key,
        "round": wanted.key,
        "title": wanted.title,
        "signed": signed,
        "answers": [_entry(item, answers[item.key], unit, rounds) for item in wanted.item],
    }


def _entry(item: RoundItem, answer: Answer, unit: FleetUnit, rounds: Rounds) -> dict[str, Any]:
    before = unit.history.settings[-1].air if unit.history.settings else None
    judged = judge_answer(item, answer, unit.profile, rounds, before)
    entry: dict[str, Any] = {
        "item": item.key,
        "title": item.title,
        "value": answer.value,
        "judged": judged.state,
        "says": judged.sentence,
    }
    if answer.reason:
        entry["reason"] = answer.reason
    if item.answer == "room-air":
        entry["room"] = {name: getattr(answer.air, name) for name in ROOM}
    return entry
