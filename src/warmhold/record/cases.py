"""Trips of the record as they were, ready to be run again.

A trip is run from the plan in force when it began, with the air setting of its sheet where the
trip states none, and with what became of it (`warmhold.review.counterfactual.as_it_was`). A trip
whose plan cannot be read is kept, with the reason.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from warmhold.model import Case, FaultyInput
from warmhold.plan.changes import with_start
from warmhold.record.chain import Event
from warmhold.record.plan_texts import case_of
from warmhold.record.transfers import by_trip, transfer
from warmhold.record.views import trip_view
from warmhold.review.counterfactual import PastTrip, as_it_was

TEXTS = ("trip_toml", "unit_toml", "policy_toml")


def past_trips(events: Sequence[Event]) -> tuple[PastTrip, ...]:
    """Return every trip that was started, in the order of their first entries.

    events : of the whole record, in order
    """
    found = (past_trip(mine) for mine in by_trip(events).values())
    return tuple(one for one in found if one is not None)


def cases(events: Sequence[Event]) -> dict[str, Case | None]:
    """Return the case that each planned trip's plan in force makes, by the trip's key.

    events : of the whole record, in order

    Returns
    -------
    ``None`` for a trip that was never planned, or whose plan this version cannot read.
    """
    return {name: _case(trip_view(mine).planned) for name, mine in by_trip(events).items()}


def _case(plan: Mapping[str, Any] | None) -> Case | None:
    if plan is None:
        return None
    trip_toml, unit_toml, policy_toml = (str(plan.get(key, "")) for key in TEXTS)
    try:
        return case_of(trip_toml, unit_toml, policy_toml, "a trip of the record")
    except (FaultyInput, tomllib.TOMLDecodeError, RecursionError):
        return None


def past_trip(events: Sequence[Event]) -> PastTrip | None:
    """Return one trip as it was; ``None`` when it was never started."""
    one = transfer(events)
    if one is None:
        return None
    plan = trip_view(events).planned
    if plan is None:
        return PastTrip(one.key, None, "it was never planned")
    case = _case(plan)
    if case is None:
        return PastTrip(one.key, None, "its plan cannot be read by this version")
    return as_it_was(_as_set(case, plan.get("sheet")), one)


def _as_set(case: Case, sheet: Any) -> Case:
    """Take the air setting that the sheet gave, where the trip states none."""
    if case.trip.start.air_set_c is not None:
        return case
    for key in ("sheet", "start", "air_set_c"):
        sheet = sheet.get(key) if isinstance(sheet, Mapping) else None
    if isinstance(sheet, (int, float)) and not isinstance(sheet, bool):
        grid = case.unit.limits.air_set_c
        if grid.lowest <= sheet <= grid.highest:
            return with_start(case, air_set_c=float(sheet))
    return case
