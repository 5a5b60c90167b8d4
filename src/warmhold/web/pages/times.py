"""Times and facts of a trip, for the review: when each phase began, what for, what failed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.record.bodies import EQUIPMENT, FACTS, HARM, MOMENTS
from warmhold.record.transfers import transfer
from warmhold.review.transfer import MOMENTS as MEANING
from warmhold.web.access import user_of
from warmhold.web.posted import posted
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import BadTime, render_trip, stated_in, trip_of

if TYPE_CHECKING:
    from warmhold.web.service import Service

LABELS: Mapping[str, str] = {
    "urgency": "Urgency", "reason": "Clinical reason", "purpose": "What it was for",
    "wrapped": "In a plastic wrap or bag", "equipment": "Equipment",
}  # fmt: skip


@dataclass
class Again:
    """A form that has to be shown once more, with what was typed."""

    part: str = ""
    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def routes(service: Service) -> list[Route]:
    """Return the routes of times and facts."""

    def shown(request: Request) -> Response:
        return _page(request, trip_of(service, request), Again())

    def save(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        again = Again(form.text("part", 20), form.form_id, dict(form))
        entries: list[tuple[str, dict[str, Any], datetime | None]] = []
        if again.part == "moments":
            for name in MOMENTS:
                known = _known(trip).get(name)
                if form.text(name, 40) in {"", "" if known is None else _typed(known, trip)}:
                    continue
                try:
                    at = stated_in(form, trip, name)
                except BadTime as error:
                    again.faults[name] = str(error)
                    continue
                if at is not None:
                    body = {"moment": name, "at": at.isoformat()}
                    entries.append(("moment", body, None))
            again.faults |= _out_of_order(entries, _known(trip))
        elif again.part == "facts":
            body = {name: form.text(name) for name in FACTS if form.text(name) in FACTS[name]}
            if form.text("team", 100):
                body["team"] = form.text("team", 100)
            if body:
                entries.append(("facts", body, None))
        elif again.part == "equipment":
            what, kind = form.text("what", 500), form.text("class")
            harm = form.text("harm") or "unknown"
            if len(what) < 3:
                again.faults["what"] = "Write what failed."
            if kind not in EQUIPMENT:
                again.faults["class"] = "Choose one."
            if harm not in HARM:
                again.faults["harm"] = "Choose one."
            entries.append(("equipment", {"what": what, "class": kind, "harm": harm}, None))
        if not entries and not again.faults:
            again.faults["none"] = "Nothing new was written."
        if again.faults:
            return _page(request, trip, again, 422)
        seq = 0
        try:
            for number, (kind, entry, at) in enumerate(entries):
                own = form.form_id if number == 0 else f"{form.form_id}.{number}"
                seq = service.write(user_of(request), own, trip.key, kind, entry, at).seq
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        return RedirectResponse(f"/trip/{trip.key}/times?saved={seq}", 303)

    def _page(request: Request, trip: Trip, again: Again, status: int = 200) -> Response:
        known = transfer(trip.events)
        facts: dict[str, str] = {}
        for event in trip.events:
            if event.kind == "facts":
                facts |= {name: str(value) for name, value in event.body.items()}
        return render_trip(
            request, "times.html", trip, status, again=again, known=_known(trip), meaning=MEANING,
            facts=facts, FACTS=FACTS, LABELS=LABELS, EQUIPMENT=EQUIPMENT, HARM=HARM,
            typed=lambda moment: _typed(moment, trip),
            twice=lambda words: [(word, word) for word in words],
            failed=() if known is None else known.events or (),
            saved=request.query_params.get("saved", "")[:12] if not again.part else "",
        )  # fmt: skip

    return [
        Route("/trip/{trip}/times", shown, methods=["GET"]),
        Route("/trip/{trip}/times", save, methods=["POST"]),
    ]


def _out_of_order(
    entries: list[tuple[str, dict[str, Any], datetime | None]], known: Mapping[str, datetime]
) -> dict[str, str]:
    """Tell which new moments lie before one that comes earlier, or after one that comes later."""
    new = {str(body["moment"]): datetime.fromisoformat(body["at"]) for _, body, _ in entries}
    whole = {**known, **new}
    there = [name for name in MOMENTS if name in whole]
    found = {}
    for place, name in enumerate(there):
        before = [one for one in there[:place] if whole[one] > whole[name]]
        after = [one for one in there[place + 1 :] if whole[one] < whole[name]]
        if name in new and (before or after):
            other, word = (before[0], "before") if before else (after[0], "after")
            found[name] = f"It lies {word} “{MEANING[other]}”: check the two."
    return found


def _typed(moment: datetime, trip: Trip) -> str:
    """Write a moment as its field takes it."""
    return f"{moment.astimezone(trip.zone):%Y-%m-%d %H:%M}"


def _known(trip: Trip) -> Mapping[str, datetime]:
    found = transfer(trip.events)
    return {} if found is None else found.moments
