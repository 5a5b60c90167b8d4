"""Exchange: what devices told, which trip it goes to, and the ways in and out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service


@dataclass(frozen=True)
class Offer:
    """One way in or out that has a page of its own.

    place : "in", "out" or "others": under which heading it stands
    role : who may open it: look, chart or lead
    """

    place: str
    title: str
    says: str
    address: str
    role: str = "look"


# Each way in or out adds its own line here.
OFFERS: tuple[Offer, ...] = (
    Offer(
        "in", "Trends in", "CSV, spreadsheet, EDF or WFDB of a monitor or logger onto one trip",
        "/exchange/trends", "chart",
    ),
)  # fmt: skip


def routes(service: Service) -> list[Route]:
    """Return the routes of the exchange."""

    def first(request: Request) -> Response:
        return render(request, "exchange.html", offers=OFFERS)

    return [Route("/exchange", first, methods=["GET"])]
