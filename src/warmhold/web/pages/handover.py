"""Handing over: what the next team is told, who took over and when; the page and its PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.record.clock import iso
from warmhold.report.handover import Handover, handover_html, handover_pdf
from warmhold.web.access import user_of
from warmhold.web.handing_over import TEXTS, handover_of
from warmhold.web.posted import posted
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import (
    BadTime,
    go_on,
    render_trip,
    saved_of,
    standing_alone,
    stated_in,
    trip_of,
)

if TYPE_CHECKING:
    from warmhold.web.service import Service

WAIT_S = 5.0
LONGEST_TEXT = 4000


@dataclass
class Again:
    """The form once more, with what was typed."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def routes(service: Service) -> list[Route]:
    """Return the routes of the handover."""

    def form_page(request: Request) -> Response:
        return _page(request, trip_of(service, request), Again())

    def hand_over(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        again = Again(form.form_id, dict(form))
        to = " ".join(form.text("to", 150).split())
        if not to:
            again.faults["to"] = "Write who takes over, name or role."
        if trip.view.start is None:
            again.faults["to"] = "The trip has not started; there is nothing to hand over."
        try:
            at = stated_in(form, trip)
        except BadTime as error:
            at, again.faults["at"] = None, str(error)
        if at is None and "at" not in again.faults:
            again.faults["at"] = "Write when, such as 04:35."
        if again.faults or at is None:
            return _page(request, trip, again, 422)
        texts = {key: form.text(f"text:{key}", LONGEST_TEXT) for key, _, _ in TEXTS}
        body = {"to": to, "at": iso(at), "texts": {k: text for k, text in texts.items() if text}}
        try:
            receipt = service.write(user_of(request), form.form_id, trip.key, "handover", body, at)
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        return go_on(trip, "handover", receipt.seq)

    def one_page(request: Request) -> Response:
        trip = trip_of(service, request)
        text = handover_html(_handover(request))
        return standing_alone(_with_way_back(text, "<main>", trip))

    def pdf(request: Request) -> Response:
        content = handover_pdf(_handover(request))
        name = f"handover-{request.path_params['trip']}.pdf"
        return Response(
            content,
            media_type="application/pdf",
            headers={"Content-Disposition": f'inline; filename="{name}"'},
        )

    def _handover(request: Request) -> Handover:
        trip = trip_of(service, request)
        look = service.look(trip, WAIT_S)
        return handover_of(trip, look, service.record.head(), user_of(request).who)

    def _page(request: Request, trip: Trip, again: Again, status: int = 200) -> Response:
        done = trip.view.handover
        return render_trip(
            request,
            "handover_form.html",
            trip,
            status,
            texts=TEXTS,
            written=done.body.get("texts", {}) if done is not None else {},
            again=again,
            saved=None if again.typed else saved_of(service, request, trip),
            at=trip.now.astimezone(trip.zone).strftime("%H:%M"),
        )

    def plan(request: Request) -> Response:
        trip = trip_of(service, request)
        if trip.sheet is None:
            return RedirectResponse(f"/trip/{trip.key}/timeline", 303)
        text = service.sheet_page(trip)
        return standing_alone(_with_way_back(text, '<main id="main">', trip))

    return [
        Route("/trip/{trip}/handover", form_page, methods=["GET"]),
        Route("/trip/{trip}/handover", hand_over, methods=["POST"]),
        Route("/trip/{trip}/handover/page", one_page, methods=["GET"]),
        Route("/trip/{trip}/handover/page.pdf", pdf, methods=["GET"]),
        Route("/trip/{trip}/sheet", plan, methods=["GET"]),
    ]


def _with_way_back(text: str, main: str, trip: Trip) -> str:
    """Put a link to the trip's page at the head of a page that stands alone; never in print."""
    place = "before" if trip.view.start is None else "road"
    way = f'<p class="way-back"><a href="/trip/{trip.key}/{place}">Back to the trip</a></p>'
    return text.replace(main, f"{main}{way}", 1)
