"""Who did what: who came in, who left, and who tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.web.access import needs
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

MOST = 500


def routes(service: Service) -> list[Route]:
    """Return the route of the log."""

    @needs("lead")
    def log(request: Request) -> Response:
        events = [event for event in service.record.events("") if event.kind == "access"]
        return render(request, "access_log.html", events=events[::-1][:MOST], count=len(events))

    return [Route("/access", log, methods=["GET"])]
