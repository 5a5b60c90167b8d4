"""Records out: one trip in the forms that others read, each with what it contains."""

from __future__ import annotations

import re
from importlib.util import find_spec
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.exchange.outgoing import outgoing
from warmhold.exchange.tables import INSTALL
from warmhold.record import Trouble
from warmhold.report.handover import handover_pdf
from warmhold.web import records_out as forms
from warmhold.web.access import needs, user_of
from warmhold.web.handing_over import handover_of
from warmhold.web.rendering import render
from warmhold.web.service import NoSuchTrip
from warmhold.web.trip_pages import render_trip, trip_of

if TYPE_CHECKING:
    from warmhold.web.service import Service

ADDRESS = "/exchange/records"
MOST_TRIPS = 200
RECORD = "record.json"
HANDOVER = "handover.pdf"
WAIT_S = 5.0
_PLAIN = re.compile(r"[^A-Za-z0-9_-]")


def routes(service: Service) -> list[Route]:
    """Return the routes of the records out."""

    @needs("chart")
    def choose(request: Request) -> Response:
        names = list(reversed(service.record.trips()))
        trips = []
        for name in names[:MOST_TRIPS]:
            try:
                trips.append(service.trip(name))
            except NoSuchTrip:
                continue
        return render(
            request, "records_out.html", trips=trips, address=ADDRESS,
            more=max(0, len(names) - MOST_TRIPS),
        )  # fmt: skip

    @needs("chart")
    def show(request: Request) -> Response:
        return _page(request)

    @needs("chart")
    def send(request: Request) -> Response:
        trip = trip_of(service, request)
        name = request.path_params["name"]
        try:
            if name == RECORD:
                content = forms.json_text(service.record.export(trip.key)).encode()
                media = "application/json"
            elif name == HANDOVER:
                look = service.look(trip, WAIT_S)
                head, who = service.record.head(), user_of(request).who
                content = handover_pdf(handover_of(trip, look, head, who))
                media = "application/pdf"
            else:
                form = next((one for one in forms.offered() if one.name == name), None)
                if form is None:
                    raise HTTPException(404)
                head = service.record.head()
                content = form.make(outgoing(trip.events, trip.key, head))
                media = form.media
        except Trouble as trouble:
            return _page(request, trouble, 503)
        where = request.client.host if request.client else "unknown"
        service.log_access(user_of(request), f"took {name} of trip {trip.key}", where)
        kept_as = f"{_PLAIN.sub('-', trip.key)[:60]}-{name}"
        return Response(
            content,
            media_type=media,
            headers={
                "Content-Disposition": f'attachment; filename="{kept_as}"',
                "Cache-Control": "no-store",
            },
        )

    def _page(request: Request, trouble: Trouble | None = None, status: int = 200) -> Response:
        trip = trip_of(service, request)
        return render_trip(
            request,
            "records_out_trip.html",
            trip,
            status,
            address=f"{ADDRESS}/{trip.key}",
            groups=_groups(),
            trouble=trouble,
            record=RECORD,
            handover=HANDOVER,
            json_says=forms.JSON_SAYS,
            pdf_says=forms.PDF_SAYS,
            head=service.record.head(),
            install="" if find_spec("pyarrow") else f"Parquet needs pyarrow. {INSTALL}.",
        )

    return [
        Route(ADDRESS, choose, methods=["GET"]),
        Route(f"{ADDRESS}/{{trip}}", show, methods=["GET"]),
        Route(f"{ADDRESS}/{{trip}}/{{name}}", send, methods=["GET"]),
    ]


def _groups() -> list[tuple[str, list[forms.Form]]]:
    every = forms.offered()
    tables = [one for one in every if one.name.endswith((".csv", ".parquet"))]
    return [
        ("For a hospital’s own systems", [one for one in every if one not in tables]),
        ("Tables", tables),
    ]
