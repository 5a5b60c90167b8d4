"""What the record holds of each unit: rounds, tests, tasks, faults, profiles and trips.

Rebuilt from the entries alone, corrections applied. An entry about a unit belongs to no trip.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from warmhold.bench.readiness import (
    WORST,
    ClosedFault,
    DoneRound,
    DoneTask,
    History,
    OpenFault,
    RunDown,
    Setting,
)
from warmhold.bench.rounds import RoomAir
from warmhold.record.bodies import OF_A_UNIT
from warmhold.record.chain import Event
from warmhold.record.clock import moment_of
from warmhold.record.views import Shown, corrected

STATE_OF = {"pass": "good", "fail": "stop", "invalid": "not judged", "cannot tell": "not judged"}


@dataclass
class _Gathered:
    """What is found of one unit while the entries are read."""

    shown: list[Shown] = field(default_factory=list)
    away: set[str] = field(default_factory=set)  # trips that were started and not handed over
    ended: datetime | None = None


def histories(events: Sequence[Event]) -> dict[str, History]:
    """Return the history of each unit that the record speaks of, by the unit's name.

    events : of the whole record, in order
    """
    found: dict[str, _Gathered] = {}
    unit_of_trip: dict[str, str] = {}
    over: set[str] = set()
    for event in events:
        if event.kind == "trip-planned":
            unit_of_trip[event.trip] = unit_named_in(str(event.body.get("trip_toml", "")))
    shown = corrected(events)
    for one in shown:
        if one.struck:
            continue
        kind, trip = one.event.kind, one.event.trip
        if kind in OF_A_UNIT:
            found.setdefault(str(one.body["unit"]), _Gathered()).shown.append(one)
        elif unit_of_trip.get(trip) and kind in {"trip-started", "handover"}:
            mine = found.setdefault(unit_of_trip[trip], _Gathered())
            if kind == "trip-started":
                mine.away.add(trip)
            else:
                over.add(trip)
                at = max(moment_of(one.body["at"]), one.when)  # it names its moment by the minute
                mine.ended = max(filter(None, (mine.ended, at)))
    for mine in found.values():
        mine.away -= over
    return {name: _history(name, gathered) for name, gathered in sorted(found.items())}


def unit_named_in(trip_toml: str) -> str:
    """Return the unit that a trip's text names; empty when it names none that can be read."""
    try:
        name = tomllib.loads(trip_toml.removeprefix("\ufeff")).get("unit", "")
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return ""
    if not isinstance(name, str):
        return ""
    return name.replace("\\", "/").rsplit("/", 1)[-1].removesuffix(".toml")


def _history(name: str, gathered: _Gathered) -> History:
    entries = sorted(gathered.shown, key=lambda one: (one.when, one.seq))
    rounds: dict[str, list[DoneRound]] = {}
    tasks: dict[str, list[DoneTask]] = {}
    trials: dict[str, list[DoneTask]] = {}
    faults: dict[int, OpenFault] = {}
    run_downs: list[RunDown] = []
    settings: list[Setting] = []
    decided: set[tuple[str, str]] = set()  # tests that a log was judged by, pass or fail
    whole_logs: dict[str, RunDown] = {}
    for one in entries:
        kind, body = one.event.kind, one.body
        if kind == "round":
            rounds.setdefault(str(body["round"]), []).append(_round(one))
            settings += _settings(one)
        elif kind == "task":
            tasks.setdefault(str(body["task"]), []).append(
                DoneTask(one.when, one.event.who, body["state"], str(body["says"]), one.seq)
            )
        elif kind == "bench-test":
            for result in body["results"]:
                key = (str(result["test"]), _log_of(one))
                if result["verdict"] in {"invalid", "cannot tell"} and key in decided:
                    continue  # the same log was judged more fully before
                if result["verdict"] in {"pass", "fail"}:
                    decided.add(key)
                elif _tells_nothing(result) and trials.get(str(result["test"])):
                    continue  # what was known of the unit stands
                state = STATE_OF[result["verdict"]]
                says = f"{result['verdict']}: {result.get('reason', '')}"
                done = DoneTask(one.when, one.event.who, state, says, one.seq)
                trials.setdefault(str(result["test"]), []).append(done)
            for run_down in _run_downs(one):
                fuller = whole_logs.get(_log_of(one))
                if fuller is None or run_down.complete:
                    run_downs.append(run_down)
                if run_down.complete:
                    whole_logs[_log_of(one)] = run_down
        elif kind == "fault":
            faults[one.seq] = OpenFault(
                one.seq, one.when, one.event.who, str(body["what"]), body["effect"]
            )
    closed: list[ClosedFault] = []
    for one in entries:
        if one.event.kind == "fault-closed":
            fault = faults.pop(int(one.body["fault"]), None)
            if fault is not None:
                how = str(one.body["how"])
                closed.append(ClosedFault(fault, one.when, one.event.who, how, one.seq))
    return History(
        unit=name,
        rounds={key: tuple(done) for key, done in rounds.items()},
        tasks={key: tuple(done) for key, done in tasks.items()},
        trials={key: tuple(done) for key, done in trials.items()},
        faults=tuple(faults.values()),
        closed=tuple(closed),
        run_downs=tuple(run_downs),
        settings=tuple(settings),
        on_the_road=bool(gathered.away),
        last_trip_end=gathered.ended,
    )


def _round(one: Shown) -> DoneRound:
    answers: Sequence[Mapping[str, Any]] = one.body["answers"]
    states = [answer["judged"] for answer in answers]
    state = next((worst for worst in WORST if worst in states), "not judged")
    not_good = [
        (answer["judged"], f"{answer['title']}: {answer['says']}")
        for answer in answers
        if answer["judged"] != "good"
    ]
    bad = tuple(says for judged, says in not_good if judged == state)
    less = tuple(says for judged, says in not_good if judged != state)
    return DoneRound(one.when, one.event.who, state, bad, one.seq, less)


def _tells_nothing(result: Mapping[str, Any]) -> bool:
    """Whether a result says nothing of the unit: invalid, or without any figure.

    A log of a run-down is looked at for steady air as well; that it has none takes nothing away.
    """
    figures = [one for one in result.get("figures", ()) if isinstance(one, Mapping)]
    return result["verdict"] == "invalid" or not any(
        _value(one) is not None or one.get("words") for one in figures
    )


def _settings(one: Shown) -> Iterable[Setting]:
    """Yield the readings of the oxygen sensor in room air."""
    for answer in one.body["answers"]:
        room, value = answer.get("room"), answer["value"]
        if room is None or isinstance(value, bool) or not isinstance(value, (int, float)):
            continue
        air = RoomAir(**{key: None if x is None else float(x) for key, x in room.items()})
        yield Setting(one.when, float(value), None, air)


def _log_of(one: Shown) -> str:
    """Return what tells one log from another; an entry by hand stands for itself."""
    log = str(one.body.get("log", ""))
    return log if "SHA-256" in log else f"entry {one.seq}"


def _run_downs(one: Shown) -> Iterable[RunDown]:
    """Yield battery run-downs; a figure that is not there is unknown."""
    for result in one.body["results"]:
        if result["test"] != "run-down":
            continue
        found = {
            figure.get("key"): figure
            for figure in (*result.get("measured", ()), *result.get("figures", ()))
            if isinstance(figure, Mapping)
        }
        energy, minutes, share = (
            found.get(key, {})
            for key in ("battery_energy_wh", "battery_min", "battery_share_percent")
        )
        if _value(energy) is None and _value(minutes) is None:
            continue
        yield RunDown(
            at=one.when,
            share_percent=_value(share),
            minutes=_value(minutes),
            energy_wh=_value(energy),
            complete=not any(figure.get("bound") for figure in (energy, minutes, share)),
            share_expanded=_value(share, "expanded_uncertainty"),
        )


def _value(figure: Mapping[str, Any], key: str = "value") -> float | None:
    value = figure.get(key)
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
