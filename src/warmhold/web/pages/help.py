"""Help: what each page does, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold import __version__
from warmhold.web.access import ROLE_MEANING
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service


def routes(service: Service) -> list[Route]:
    """Return the route of the help page."""

    def page(request: Request) -> Response:
        return render(
            request,
            "help.html",
            roles=ROLE_MEANING,
            codes=bool(service.passcodes.roles),
            folder=str(service.folder),
            version=__version__,
        )

    return [Route("/help", page, methods=["GET"])]
