"""The application: pages, guard and service put together."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from warmhold.web.access import NotAllowed
from warmhold.web.guard import Door, KnownHost, OwnErrors, SafeHeaders
from warmhold.web.interface.door import InterfaceDoor
from warmhold.web.pages import all_routes
from warmhold.web.posted import BadForm, posted
from warmhold.web.rendering import problem_page
from warmhold.web.service import NotSaved, Service
from warmhold.web.settings import Settings


def make_app(settings: Settings, service: Service | None = None) -> Starlette:
    """Build the application.

    settings : how the server runs
    service : made from the settings when not given
    """
    held = service or Service(settings)

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        held.begin()
        try:
            yield
        finally:
            held.close()

    routes: list[BaseRoute] = [
        *all_routes(held),
        Mount("/static", StaticFiles(packages=[("warmhold.web", "static")])),
    ]
    app = Starlette(
        routes=routes,
        lifespan=lifespan,
        middleware=[
            Middleware(SafeHeaders, https=settings.https),
            Middleware(OwnErrors),
            Middleware(KnownHost, only_loopback=settings.loopback and not held.passcodes.roles),
            Middleware(InterfaceDoor, service=held),
            Middleware(
                Door,
                sessions=held.sessions,
                passcodes_needed=bool(held.passcodes.roles),
                https=settings.https,
            ),
        ],
        exception_handlers={
            HTTPException: _http_problem,
            BadForm: _bad_form,
            NotAllowed: _not_allowed,
            NotSaved: _not_saved,
        },
    )
    app.state.service = held
    app.state.rehearsal = held.rehearsal_words()
    return app


def _http_problem(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    return problem_page(request, status)


def _bad_form(request: Request, error: Exception) -> Response:
    return problem_page(request, 400, str(error), kept=posted(request))


def _not_allowed(request: Request, error: Exception) -> Response:
    return problem_page(request, 403, str(error), kept=posted(request))


def _not_saved(request: Request, error: Exception) -> Response:
    todo = error.todo if isinstance(error, NotSaved) else ""
    return problem_page(request, 503, str(error), todo, kept=posted(request))
