"""Cases for the tests of the plan: shipped ones, calm ones without spread, outcomes by hand.

Nothing here works out an expected value: cases are changed and traces are laid by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydantic import BaseModel

from warmhold.model import Case, Leg, Quantity, Sourced, StoreItem, load_case, shipped_path
from warmhold.plan.mends import Candidate, tried
from warmhold.plan.planner import plan_case
from warmhold.plan.sheet import Mend, Sheet, Together
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Ensemble, Outcome
from warmhold.simulate.stepping import Run

Floats = NDArray[np.float64]
Points = Sequence[tuple[float, float]]
MEMBERS = 100
SEED = 20260101


@dataclass(frozen=True)
class Planned:
    """A case, its sheet, what was told while it was made, and what was tried to mend it.

    settled : the case with the air setting that was chosen, to which the candidates apply
    """

    case: Case
    sheet: Sheet
    told: tuple[tuple[str, float], ...]
    settled: Case
    candidates: tuple[Candidate, ...]


def plan_and_keep(case: Case, members: int = MEMBERS, seed: int = SEED) -> Planned:
    """Plan a case and keep what was tried on the way."""
    told: list[tuple[str, float]] = []
    tries: list[tuple[Case, tuple[Candidate, ...]]] = []

    def keep(
        case: Case,
        offered: list[Candidate],
        required: float,
        members: int,
        seed: int,
        progress: Callable[[float], None],
    ) -> tuple[tuple[Mend, ...], Together | None]:
        tries.append((case, tuple(offered)))
        return tried(case, offered, required, members, seed, progress)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("warmhold.plan.planner.tried", keep)
        sheet = plan_case(
            case, members=members, seed=seed, progress=lambda what, done: told.append((what, done))
        )
    ((settled, offered),) = tries
    return Planned(case, sheet, tuple(told), settled, offered)


@cache
def shipped_case(name: str) -> Case:
    """A shipped trip with its unit and policy."""
    return load_case(shipped_path("trips", name))


def exactly(value: float, spread: float = 0.0) -> Quantity:
    """A number as a trip states it; without spread unless given."""
    return Quantity(value=value, spread=spread, provenance="stated")


def ruled(value: float) -> Sourced:
    """A number of a policy."""
    return Sourced(value=value, mark="own", source="a test")


def _calm(given: Any) -> Any:
    if isinstance(given, Quantity):
        return given.model_copy(update={"spread": 0.0})
    if isinstance(given, BaseModel):
        fields = type(given).model_fields
        return given.model_copy(update={name: _calm(getattr(given, name)) for name in fields})
    if isinstance(given, tuple):
        return tuple(_calm(one) for one in given)
    return given


def calm(case: Case, health: float = 1.0) -> Case:
    """The case with every spread of trip and unit at zero, and a battery of known health.

    What differs from baby to baby (physiology) still does.
    """
    unit = _calm(case.unit)
    battery = unit.battery.model_copy(update={"health": exactly(health)})
    unit = unit.model_copy(update={"battery": battery})
    return Case(_calm(case.trip), unit, case.policy, case.trip_file)


def part(case: Case, where: str, **changes: Any) -> Case:
    """The case with changes to one table, such as ``baby``, ``supplies`` or ``unit.battery``."""
    if where.startswith(("unit.", "policy.")):
        owner, table = where.split(".")
        whole = getattr(case, owner)
        inner = getattr(whole, table).model_copy(update=changes)
        changed = whole.model_copy(update={table: inner})
        parts = {"unit": case.unit, "policy": case.policy, owner: changed}
        return Case(case.trip, parts["unit"], parts["policy"], case.trip_file)
    table_now = getattr(case.trip, where).model_copy(update=changes)
    return trip(case, **{where: table_now})


def trip(case: Case, **changes: Any) -> Case:
    """The case with other parts of its trip."""
    return Case(case.trip.model_copy(update=changes), case.unit, case.policy, case.trip_file)


def leg(name: str, minutes: float, **changes: Any) -> Leg:
    """A calm leg: a corridor at 20 degC on battery, gas out of the wall."""
    given: dict[str, Any] = {
        "name": name,
        "place": "corridor",
        "minutes": exactly(minutes),
        "ambient_c": exactly(20.0),
        "wind_m_s": exactly(0.2),
        "humidity_percent": exactly(40.0),
        "power": "battery",
        "gas": "wall",
    }
    return Leg(**{**given, **changes})


def with_legs(case: Case, *legs: Leg) -> Case:
    """The case on other legs, without delays."""
    return trip(case, legs=legs, delays=())


def now_before(case: Case, minutes: float) -> Case:
    """The case seen so many minutes before the baby goes in."""
    start = case.trip.start
    return part(case, "start", now=start.baby_in - timedelta(minutes=minutes))


def store_item(name: str, water_l: float, mass_kg: float, count: int, **changes: Any) -> StoreItem:
    """Cylinders in the store: oxygen, 200 bar at 15 degC, to be emptied to ambient."""
    given: dict[str, Any] = {
        "name": name,
        "gas": "oxygen",
        "water_l": water_l,
        "fill_bar": 200.0,
        "gauge_bar": exactly(200.0),
        "gauge_at_c": exactly(15.0),
        "residual_bar": 0.0,
        "mass_kg": mass_kg,
        "count": count,
    }
    return StoreItem(**{**given, **changes})


def by_hand(
    ensemble: Ensemble,
    values: Mapping[int, Any],
    flows: Mapping[int, Any] | None = None,
    empty_min: float | Floats = np.inf,
) -> Outcome:
    """An outcome whose courses are laid by hand instead of run.

    values : state index to values that fit (members, outputs)
    flows : flow index to the same
    empty_min : when power was lost, minutes from now
    """
    members, total = ensemble.p.shape[0], 1 + int(ensemble.outputs.sum())
    trace = np.zeros((members, total, at.N_STATE + at.N_FLOW))
    clock = np.zeros((members, total))
    output = 0
    for number, count in enumerate(ensemble.outputs):
        begin = clock[:, output].copy()
        for k in range(1, int(count) + 1):
            clock[:, output + k] = begin + ensemble.durations_s[:, number] * k / count
        output += int(count)
    for index, course in values.items():
        trace[:, :, index] = course
    for index, course in (flows or {}).items():
        trace[:, :, at.N_STATE + index] = course
    empty = np.broadcast_to(np.asarray(empty_min, dtype=np.float64) * 60.0, (members,)).copy()
    run = Run(trace, clock, empty, trace[:, -1, : at.N_STATE].copy())
    return Outcome(ensemble, run)


def course(outcome_min: Floats, points: Points) -> Floats:
    """Straight lines through (minute, value) points, at these minutes."""
    return np.interp(outcome_min, [p[0] for p in points], [p[1] for p in points])
