"""Alarm limits: what policy wants, what the plan found this unit can do, what is set now."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.model import Grid
from warmhold.plan.sheet import AlarmLimit
from warmhold.web.access import user_of
from warmhold.web.posted import posted
from warmhold.web.quantities import number_in
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import go_on, render_trip, saved_of, trip_of

if TYPE_CHECKING:
    from warmhold.web.service import Service


@dataclass(frozen=True)
class Limit:
    """One limit with what is set now."""

    wanted: AlarmLimit
    now: float | str | None  # None: nobody wrote it down
    changed: datetime | None
    who: str
    state: str  # holds, falls short, cannot tell
    sentence: str
    grid: Grid | None = None  # where the unit's own limit can stand


@dataclass
class Again:
    """A form that has to be shown once more."""

    limit: str = ""
    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    asked: str = ""  # why what was typed is hard to believe
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def limits_of(trip: Trip) -> list[Limit]:
    """Return every limit of the plan with what is set now.

    What was read before leaving counts until a change is written down.
    """
    return [] if trip.sheet is None else [_limit(trip, one) for one in trip.sheet.alarms]


def check_key(limit: AlarmLimit) -> str:
    """Return the key that a limit has on the list before leaving."""
    return "limit:" + re.sub(r"[^a-z]+", "-", limit.title.lower()).strip("-")


def _limit(trip: Trip, wanted: AlarmLimit) -> Limit:
    now: Any = None
    changed, who = None, ""
    checked = trip.view.checks.get(check_key(wanted))
    if checked is not None and checked.body["done"]:
        now, changed, who = checked.body["value"], checked.when, checked.event.who
    logged = trip.view.limits_now.get(wanted.title)
    if logged is not None and (changed is None or logged.seq > (checked.seq if checked else 0)):
        now, changed, who = logged.body["to"], logged.when, logged.event.who
    grid = grid_of(trip, wanted)
    return Limit(wanted, now, changed, who, *_judged(wanted, now, grid), grid)


def grid_of(trip: Trip, wanted: AlarmLimit) -> Grid | None:
    """Return where this unit's own limit can stand, by the limit's title."""
    title = wanted.title.lower()
    kind = next((one for one in ("saturation", "pulse", "oxygen") if one in title), None)
    side = next((one for one in ("low", "high") if title.rstrip().endswith(one)), None)
    if trip.case is None or kind is None or side is None:
        return None
    unit = {"saturation": "percent", "pulse": "per_min", "oxygen": "percent"}[kind]
    found = getattr(trip.case.unit.limits, f"alarm_{kind}_{side}_{unit}", None)
    return found if isinstance(found, Grid) else None


def _on_grid(grid: Grid) -> str:
    return f"{grid.lowest:g} to {grid.highest:g} in steps of {grid.step:g}"


def limits_off(trip: Trip) -> list[Limit]:
    """Return the limits that are set so that they would sound late or not at all."""
    return [one for one in limits_of(trip) if one.state == "falls short"]


def _judged(wanted: AlarmLimit, now: Any, grid: Grid | None) -> tuple[str, str]:
    if isinstance(now, int | float) and grid is not None and not grid.contains(now):
        return "falls short", f"This unit can be set to {_on_grid(grid)}: read it again."
    if now is None:
        return "cannot tell", "Not written down yet."
    if isinstance(now, str):
        if wanted.wanted is None or wanted.state == "not used":
            return "holds", f"Set to {now}; policy asks for none."
        return "falls short", f"Set to {now}; policy asks for a limit."
    target = wanted.set_to if wanted.set_to is not None else wanted.wanted
    if target is None:
        return "cannot tell", "Policy asks for none here."
    if abs(now - target) < 1e-6:
        return "holds", "As planned."
    low = wanted.title.rstrip().endswith("low")
    late = now < target if low else now > target
    if late:
        return "falls short", "It would sound later than planned."
    return "cannot tell", "It sounds earlier than planned."


def routes(service: Service) -> list[Route]:
    """Return the routes of the alarm limits."""

    def limits(request: Request) -> Response:
        return _page(request, trip_of(service, request), Again())

    def change(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        found = next(
            (one for one in limits_of(trip) if one.wanted.title == form.text("limit", 200)), None
        )
        if found is None:
            raise HTTPException(404)
        again = Again(found.wanted.title, form.form_id, dict(form))
        to = form.text("to", 40).lower()
        number = number_in(to)
        if number is None and to != "off":
            again.faults["to"] = "Write a number, or off."
            return _page(request, trip, again, 422)
        if number is not None and found.grid is not None and not found.grid.contains(number):
            again.asked = f"{number:g}? This unit can be set to {_on_grid(found.grid)}."
        elif number is None and found.wanted.wanted is not None:
            again.asked = f"Off? Policy asks for {found.wanted.wanted:g} {found.wanted.unit}."
        if again.asked and form.text("keep", 40) != to:
            return _page(request, trip, again, 422)
        before = form.text("from", 40)
        was = number_in(before)
        body = {
            "limit": found.wanted.title,
            "from": was if was is not None else (before or None),
            "to": number if number is not None else to,
        }
        try:
            receipt = service.write(user_of(request), form.form_id, trip.key, "limits", body)
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        return go_on(trip, "limits", receipt.seq)

    def _page(request: Request, trip: Trip, again: Again, status: int = 200) -> Response:
        return render_trip(
            request,
            "limits.html",
            trip,
            status,
            limits=limits_of(trip),
            again=again,
            saved=None if again.limit else saved_of(service, request, trip),
            shown=lambda value: (
                "" if value is None else value if isinstance(value, str) else f"{value:g}"
            ),
        )

    return [
        Route("/trip/{trip}/limits", limits, methods=["GET"]),
        Route("/trip/{trip}/limits", change, methods=["POST"]),
    ]
