"""Before leaving: what to see, do and read; each entry judged; and the start of the trip."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.plan.checklist import CheckItem, Judged, judge
from warmhold.record.unit_views import unit_named_in
from warmhold.record.views import Shown
from warmhold.web import show
from warmhold.web.access import user_of
from warmhold.web.fleet import FleetUnit, fleet_of
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import number_in, quantity_of_item, question
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import (
    BadTime,
    entered,
    go_on,
    render_trip,
    saved_of,
    stated_in,
    trip_of,
)

if TYPE_CHECKING:
    from warmhold.web.service import Service

STATE = {"good": "holds", "care": "cannot tell", "stop": "falls short"}
READY = {
    "ready": "holds", "ready with limits": "cannot tell", "unknown": "cannot tell",
    "not ready": "falls short",
}  # fmt: skip
WORD = {"good": "good", "care": "take care", "stop": "stop"}
NEAR = timedelta(hours=2)  # a plan whose times are further off than this is of another time (own)
LONGEST_REASON = 500
SHORTEST_REASON = 3  # characters: a full stop is no reason


@dataclass(frozen=True)
class Row:
    """One item with what was entered for it."""

    item: CheckItem
    shown: Shown | None
    judged: Judged | None  # None: not done yet, or left out

    @property
    def left_out(self) -> bool:
        """Whether it was skipped, with a reason."""
        return self.shown is not None and not self.shown.body["done"]

    @property
    def open(self) -> bool:
        """Whether nothing was entered."""
        return self.shown is None

    @property
    def bad(self) -> bool:
        """Whether the entry says not to leave."""
        return self.judged is not None and self.judged.state == "stop"


@dataclass
class Again:
    """A form that has to be shown once more, with what was typed."""

    item: str = ""
    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None
    asked: bool = False  # the start is asked about
    doubt: str = ""  # why a reading is hard to believe


def rows_of(trip: Trip) -> list[Row]:
    """Return every item with what the record holds of it."""
    rows = []
    for item in trip.items:
        shown = trip.view.checks.get(item.key)
        judged = None
        if shown is not None and shown.body["done"]:
            judged = judge(item, True if item.kind == "tick" else shown.body["value"])
        rows.append(Row(item, shown, judged))
    return rows


def routes(service: Service) -> list[Route]:
    """Return the routes of the list before leaving."""

    def before(request: Request) -> Response:
        return _page(request, trip_of(service, request), Again())

    def check(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        item = next((one for one in trip.items if one.key == form.text("item")), None)
        if item is None:
            raise HTTPException(404)
        again = Again(item.key, form.form_id, dict(form))
        reason = form.text("reason", LONGEST_REASON)
        value: float | None = None
        if form.text("do") == "skip":
            if len(reason) < SHORTEST_REASON:
                again.faults = {"reason": "Say why it is left out; the reason stays in sight."}
                return _page(request, trip, again, 422)
            body = {
                "item": item.key, "done": False, "value": None, "judged": "not judged",
                "reason": reason,
            }  # fmt: skip
        else:
            if item.kind == "number":
                value = number_in(form.text("value"))
                if value is None:
                    what = "a number" + (f" in {item.unit}" if item.unit else "")
                    again.faults = {"value": f"Write {what}, such as 12 or 36.5."}
                    return _page(request, trip, again, 422)
            again.doubt = _doubt(trip, item, value)
            if again.doubt and number_in(form.text("keep")) != value:
                return _page(request, trip, again, 422)
            judged = judge(item, True if item.kind == "tick" else value)
            body = {"item": item.key, "done": True, "value": value, "judged": judged.state}
            if again.doubt:
                body["reason"] = f"Kept as entered. {again.doubt}"
        try:
            receipt = service.write(user_of(request), form.form_id, trip.key, "check", body)
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        answer = go_on(trip, "before", receipt.seq)
        answer.headers["Location"] += f"#item-{anchor(item.key)}"
        return answer

    def _unit(trip: Trip) -> FleetUnit | None:
        """Return the unit that goes along, as the board has it."""
        planned = trip.view.planned or {}
        return fleet_of(service).unit(unit_named_in(str(planned.get("trip_toml", ""))))

    def _doubt(trip: Trip, item: CheckItem, value: float | None) -> str:
        one = entered(trip).get(quantity_of_item(item.key))
        return question(one, value, None, None, None) if one and value is not None else ""

    def start(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        again = Again("start", form.form_id, dict(form))
        known = service.entry_of_form(trip.key, form.form_id)
        if trip.view.start is not None:
            if known is not None:
                return go_on(trip, "road", known.seq)
            again.faults = {"at": "The trip has already started."}
            return _page(request, trip, again, 422)
        try:
            at = stated_in(form, trip)
        except BadTime as error:
            again.faults = {"at": str(error)}
            return _page(request, trip, again, 422)
        rows = rows_of(trip)
        left = [row for row in rows if row.open]
        reason = form.text("reason", LONGEST_REASON)
        not_go = trip.sheet is not None and trip.sheet.verdict != "go"
        unit = _unit(trip)
        not_go = not_go or (unit is not None and unit.readiness.state == "not ready")
        if (left or not_go or any(row.bad for row in rows)) and len(reason) < SHORTEST_REASON:
            again.faults = {"reason": "Write a few words."} if reason else {}
            again.asked = True
            return _page(request, trip, again, 422)
        try:
            _leave_out(request, trip, form, left, reason)
            receipt = service.write(
                user_of(request), form.form_id, trip.key, "trip-started", {}, at
            )
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        return go_on(trip, "road", receipt.seq)

    def _leave_out(
        request: Request, trip: Trip, form: Posted, left: list[Row], reason: str
    ) -> None:
        for row in left:
            own = hashlib.sha256(row.item.key.encode()).hexdigest()[:12]
            body = {
                "item": row.item.key, "done": False, "value": None, "judged": "not judged",
                "reason": reason,
            }  # fmt: skip
            service.write(user_of(request), f"{form.form_id}.{own}", trip.key, "check", body)

    def _page(request: Request, trip: Trip, again: Again, status: int = 200) -> Response:
        rows = rows_of(trip)
        groups: dict[str, list[Row]] = {}
        for row in rows:
            groups.setdefault(row.item.group, []).append(row)
        return render_trip(
            request,
            "before.html",
            trip,
            status,
            groups=groups,
            rows=rows,
            unit=_unit(trip) if trip.view.start is None else None,
            made_for=_made_for(trip),
            READY=READY,
            open_rows=sorted((row for row in rows if row.open), key=lambda row: not row.item.must),
            again=again,
            saved=None if again.trouble or again.faults else saved_of(service, request, trip),
            STATE=STATE,
            WORD=WORD,
            anchor=anchor,
        )

    return [
        Route("/trip/{trip}/before", before, methods=["GET"]),
        Route("/trip/{trip}/check", check, methods=["POST"]),
        Route("/trip/{trip}/start", start, methods=["POST"]),
    ]


def _made_for(trip: Trip) -> str:
    """Return the day and time that a plan was worked out for, when that is not about now."""
    if trip.case is None or trip.view.start is not None:
        return ""
    times = trip.case.trip.start
    if times.now - NEAR <= trip.now <= times.baby_in + NEAR:
        return ""
    return show.day_and_minute(times.now, trip.zone)


def anchor(key: str) -> str:
    """Write the key of an item as part of an id."""
    plain = "".join(char if char.isalnum() and char.isascii() else "-" for char in key)
    return plain if plain == key else f"{plain}-{hashlib.sha256(key.encode()).hexdigest()[:4]}"
