"""Exchange: what devices told, which trip it goes to, and the ways in and out."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.record import Trouble
from warmhold.web.access import user_of
from warmhold.web.beside import read_by_hand
from warmhold.web.live import NotJoined, why_ended
from warmhold.web.posted import posted
from warmhold.web.rendering import render
from warmhold.web.seen_sources import Refused, Source, refused_before, sources_of
from warmhold.web.service import NoSuchTrip, NotSaved
from warmhold.web.trip_pages import Saved, entered, render_trip, saved_of

if TYPE_CHECKING:
    from warmhold.web.service import Service, Trip


@dataclass(frozen=True)
class Offer:
    """One way in or out that has a page of its own.

    role : who may open it: look, chart or lead
    """

    title: str
    says: str
    address: str
    role: str = "look"


# Each way in or out adds its own line here.
OFFERS: tuple[Offer, ...] = (
    Offer(
        "Trends in", "CSV, spreadsheet, EDF or WFDB of a monitor or logger onto one trip",
        "/exchange/trends", "chart",
    ),
    Offer(
        "Records out", "One trip as FHIR, CSV, Parquet, HL7, JSON or PDF; each says what "
        "it contains", "/exchange/records", "chart",
    ),
    Offer(
        "HTTP interface", "The record as JSON for a service's own boards and programs, "
        "with tokens by role", "/exchange/interface",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Running:
    """A trip that a source can be joined to."""

    key: str
    title: str
    pseudonym: str


@dataclass
class Again:
    """The page once more, with why nothing was saved."""

    form_id: str = ""
    why: str = ""
    trouble: NotSaved | None = None


def routes(service: Service) -> list[Route]:
    """Return the routes of the exchange."""

    def first(request: Request) -> Response:
        return _first(request, Again())

    def _first(request: Request, again: Again, status: int = 200) -> Response:
        sources: list[Source] = []
        running: list[Running] = []
        refused: list[Refused] = []
        problem, older, now = "", 0, service.clock.now()
        titles: dict[str, str] = {}
        try:
            running = _running()
            joins = service.live.joins()
            titles = {one.trip: service.trip(one.trip).title for one in joins}
            inbox = service.live.inbox()
            sources = sources_of(inbox, joins, now)
            if any(one.refused for one in sources):
                refused, older = refused_before(inbox, 0)
        except NotSaved as error:
            again.trouble, status = again.trouble or error, 503
        except Trouble as trouble:
            problem = str(trouble)
        return render(
            request,
            "exchange.html",
            status,
            offers=OFFERS,
            sources=sources,
            running=running,
            titles=titles,
            refused=refused,
            older=older,
            problem=problem,
            behind=service.live.trouble,
            rehearsed=bool(service.settings.rehearse),
            folder=shlex.quote(str(service.folder)) if user_of(request).may("lead") else "",
            again=again,
            saved=_saved(request),
            now=now,
        )

    def _running() -> list[Running]:
        return [
            Running(trip.key, trip.title, pseudonym_of(trip))
            for trip in service.trips()
            if why_ended(trip) is None
        ]

    def _saved(request: Request) -> Saved | None:
        trip = request.query_params.get("trip", "")
        try:
            return saved_of(service, request, service.trip(trip)) if trip else None
        except NoSuchTrip:
            return None

    def ask(request: Request) -> Response:
        source, trip = request.query_params.get("source", ""), request.query_params.get("trip", "")
        return _ask(request, source, trip, Again())

    def _ask(request: Request, source: str, key: str, again: Again, status: int = 200) -> Response:
        found, now = _found(key), service.clock.now()
        try:
            every = sources_of(service.live.inbox(), service.live.joins(), now)
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble
        one = next((one for one in every if one.name == source), None)
        if one is None:
            raise HTTPException(404)
        known = entered(found)
        read = {name: r for name, r in read_by_hand(found.view).items() if name in known}
        return render_trip(
            request,
            "exchange_join.html",
            found,
            status,
            source=one,
            baby=pseudonym_of(found),
            read=[(known[name], reading) for name, reading in read.items()],
            again=again,
            now=now,
        )

    def _found(key: str) -> Trip:
        try:
            return service.trip(key)
        except NoSuchTrip as error:
            raise HTTPException(404) from error

    def join(request: Request) -> Response:
        form = posted(request)
        source, key = form.text("source", 200), form.text("trip", 100)
        found = _found(key)
        again = Again(form.form_id)
        try:
            receipt = service.live.join(user_of(request), form.form_id, source, found.key)
        except NotJoined as error:
            again.why = str(error)
            return _ask(request, source, key, again, 422)
        except NotSaved as error:
            again.trouble = error
            return _ask(request, source, key, again, 503)
        return _done(found.key, receipt.seq)

    def leave(request: Request) -> Response:
        form = posted(request)
        source, found = form.text("source", 200), _found(form.text("trip", 100))
        again = Again(form.form_id)
        try:
            receipt = service.live.leave(user_of(request), form.form_id, source, found.key)
        except NotJoined as error:
            again.why = str(error)
            return _first(request, again, 422)
        except NotSaved as error:
            again.trouble = error
            return _first(request, again, 503)
        return _done(found.key, receipt.seq)

    def refused(request: Request) -> Response:
        given = request.query_params.get("before", "")
        before = int(given) if re.fullmatch(r"[0-9]{1,15}", given) else 0
        try:
            found, older = refused_before(service.live.inbox(), before)
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble
        return render(request, "exchange_refused.html", refused=found, older=older, before=before)

    return [
        Route("/exchange", first, methods=["GET"]),
        Route("/exchange/join", ask, methods=["GET"]),
        Route("/exchange/join", join, methods=["POST"]),
        Route("/exchange/leave", leave, methods=["POST"]),
        Route("/exchange/refused", refused, methods=["GET"]),
    ]


def _done(trip: str, seq: int) -> Response:
    return RedirectResponse(f"/exchange?trip={trip}&saved={seq}", 303)


def pseudonym_of(trip: Trip) -> str:
    """Return what the baby of a trip is called."""
    return trip.case.trip.baby.pseudonym if trip.case is not None else "unknown"
