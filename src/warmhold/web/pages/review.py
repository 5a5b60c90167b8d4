"""The review of this record's trips, as a page."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.record.transfers import transfers
from warmhold.web.access import needs
from warmhold.web.rendering import render
from warmhold.web.trip_pages import standing_alone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warmhold.review.transfer import Transfer
    from warmhold.web.service import Service

_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


def routes(service: Service) -> list[Route]:
    """Return the routes of the review."""

    replayed: dict[tuple[int, int], Sequence[Transfer]] = {}

    def found() -> Sequence[Transfer]:
        return service.from_whole_record("transfers", lambda all_: transfers(all_, alarms=False))

    def with_alarms() -> Sequence[Transfer]:
        """Return the same with their limits replayed; whoever saves meanwhile does not wait."""
        entries = service.from_whole_record("entries", tuple)
        mark = (len(entries), entries[-1].seq if entries else 0)
        kept = replayed.get(mark)
        if kept is None:
            kept = transfers(entries)
            replayed.clear()
            replayed[mark] = kept
        return kept

    @needs("lead")
    def choose(request: Request) -> Response:
        every = found()
        months = sorted({one.month for one in every if one.month is not None})
        asked = [request.query_params.get(name, "") for name in ("from", "to", "since")]
        first, last, since = asked
        problem = _fault(first, last, since)
        return render(
            request, "review.html", 422 if problem else 200, count=len(every), months=months,
            first=first[:20], last=last[:20], since=since[:20], problem=problem,
            timed=sum(one.minutes("call", "arrives") is not None for one in every),
        )  # fmt: skip

    @needs("lead")
    def shown(request: Request) -> Response:
        from warmhold.report.review_page import page  # noqa: PLC0415, it loads what draws
        from warmhold.review.gathered import review  # noqa: PLC0415

        asked = [request.query_params.get(name, "") for name in ("from", "to", "since")]
        first, last, since = asked
        if _fault(first, last, since):
            return choose(request)
        kept = [
            one
            for one in with_alarms()
            if not (first or last)
            or (one.month is not None and first <= one.month <= (last or "9999"))
        ]
        when = f"{datetime.now(UTC):%Y-%m-%d}"
        return standing_alone(page(review(kept, f"This record, {when}", since)))

    return [
        Route("/review", choose, methods=["GET"]),
        Route("/review/page", shown, methods=["GET"]),
    ]


def _fault(first: str, last: str, since: str) -> str:
    """Say every fault of the months that were asked for; empty when there is none."""
    faults = [
        f"{label}: “{month[:20]}” is no month; write it like 2026-01."
        for label, month in (("From", first), ("To", last), ("Changed from", since))
        if month and not _MONTH.fullmatch(month)
    ]
    if not faults and first and last and first > last:
        faults.append(f"From {first} comes after to {last}: no month lies between them.")
    return " ".join(faults)
