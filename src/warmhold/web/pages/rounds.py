"""What the service asks of its units between trips: rounds, tasks and limits, with their marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.model import shipped
from warmhold.web import own_files
from warmhold.web.fleet import rounds_of
from warmhold.web.pages.policies import MARKS, UNVERIFIED
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

ROUNDS = own_files.Sort(
    place="rounds",
    kind="rounds",
    mark="round",
    title="Rounds, tasks and limits",
    what="file",
    lead="Every interval and limit says how it is known: verified, from memory, practice, derived, "
    "or your own choice; and where it comes from. The first own file by name is used.",
    example="our-rounds",
)


def routes(service: Service) -> list[Route]:
    """Return the routes of the rounds."""

    def shown(request: Request) -> Response:
        key, rounds, problem = rounds_of(service.library)
        return render(
            request, "rounds.html", key=key, own=key not in shipped("rounds"), rounds=rounds,
            problem=problem, MARKS=MARKS, UNVERIFIED=UNVERIFIED,
            request_saved="saved" in request.query_params,
        )  # fmt: skip

    return [
        Route("/rounds", shown, methods=["GET"]),
        *own_files.routes(service, ROUNDS),
        Route("/rounds/{name}", shown, methods=["GET"]),
    ]
