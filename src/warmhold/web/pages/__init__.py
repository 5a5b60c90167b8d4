"""One module for each page.

A module here offers ``routes(service) -> list[Route]``; `all_routes` finds it by itself.
Endpoints are plain functions ``(request) -> Response`` (they run in a worker thread) and write
their page with ``warmhold.web.rendering.render(request, "name.html", ...)``. The form of a post is
``warmhold.web.posted.posted(request)``: its token was checked before. Reading needs the role look,
posting the role chart; ``warmhold.web.access.needs("lead")`` asks for more. A template extends
``base.html``, fills the blocks ``title`` and ``main``, and every form holds ``{{ marks() }}``.
No inline script or style; colours and parts are in ``static/web.css``.
"""

from __future__ import annotations

import pkgutil
from importlib import import_module
from typing import TYPE_CHECKING

from starlette.routing import Route

if TYPE_CHECKING:
    from warmhold.web.service import Service


def all_routes(service: Service) -> list[Route]:
    """Return the routes of every page module, in the order of their names."""
    found: list[Route] = []
    for module in sorted(pkgutil.iter_modules(__path__), key=lambda one: one.name):
        if not module.name.startswith("_"):
            found += import_module(f"{__name__}.{module.name}").routes(service)
    return found
