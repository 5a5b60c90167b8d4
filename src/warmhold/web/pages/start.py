"""The first page: every trip, a plan to pick, and the page of a plan that is being worked out."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.model import FaultyInput
from warmhold.web import show
from warmhold.web.access import user_of
from warmhold.web.posted import posted
from warmhold.web.rendering import render
from warmhold.web.service import NotSaved

if TYPE_CHECKING:
    from warmhold.web.service import Service, Trip

STAGES = ("on the road", "planned", "handed over")


def routes(service: Service) -> list[Route]:
    """Return the routes of the first page."""

    def first(request: Request) -> Response:
        return _first(request)

    def pick(request: Request) -> Response:
        form = posted(request)
        name = form.text("trip")
        text = service.library.text("trips", name)
        if text is None:
            return _first(request, "Choose one of the plans in the list.", 422)
        try:
            job = service.plan_trip(user_of(request), form.form_id, text)
        except FaultyInput as error:
            return _first(request, f"This plan cannot be used. {error}", 422)
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def working(request: Request) -> Response:
        job = service.jobs.get(request.path_params["job"])
        if job is None:
            raise HTTPException(404)
        if job.state == "done":
            return RedirectResponse(job.address, 303)
        return render(request, "working.html", job=job)

    def _first(request: Request, problem: str = "", status: int = 200) -> Response:
        trouble = None
        trips = []
        try:
            trips = service.trips()
        except NotSaved as error:
            trouble, status = error, 503
        return render(
            request,
            "start.html",
            status,
            stages=[(stage, [trip for trip in trips if trip.stage == stage]) for stage in STAGES],
            shipped=[(name, _title(service, name)) for name in service.library.names("trips")],
            problem=problem,
            trouble=trouble,
            times_at=_times_at(trips),
            warnings=service.warnings,
            folder=str(service.folder),
            job=service.jobs.get("rehearsal-of-one-trip") if service.settings.rehearse else None,
        )

    return [
        Route("/", first, methods=["GET"]),
        Route("/plan/pick", pick, methods=["POST"]),
        Route("/plan/working/{job}", working, methods=["GET"]),
    ]


def _times_at(trips: list[Trip]) -> str:
    """Say once where the times of all trips stand; empty when they differ."""
    zones = {show.utc(trip.now, trip.zone) for trip in trips}
    return zones.pop() if len(zones) == 1 else ""


def _title(service: Service, name: str) -> str:
    text = service.library.text("trips", name) or ""
    try:
        title = tomllib.loads(text).get("title")
    except tomllib.TOMLDecodeError:
        title = None
    return title if isinstance(title, str) else name
