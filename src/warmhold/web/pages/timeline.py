"""The timeline: every entry as it stands, what it was before, and where none was made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.record.bodies import CORRECTABLE, HAPPENINGS
from warmhold.record.views import Shown
from warmhold.web.access import user_of
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import POWER_SOURCES, number_in
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import (
    BadTime,
    detail_text,
    entered,
    go_on,
    item_titles,
    render_trip,
    said,
    saved_of,
    shown_text,
    stated_in,
    trip_of,
)

if TYPE_CHECKING:
    from warmhold.web.service import Service


@dataclass(frozen=True)
class Line:
    """One line of the timeline."""

    when: datetime
    seq: int
    kind: str  # that of the entry, "gap", or "plain" for what nobody corrects
    text: str
    who: str = ""
    saved: datetime | None = None
    stated: bool = False
    before: tuple[tuple[str, datetime, str], ...] = ()  # as it stood, corrected when, by whom
    struck: bool = False
    flags: tuple[str, ...] = ()
    correctable: bool = False


@dataclass
class Again:
    """A correction that has to be shown once more."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def lines_of(trip: Trip) -> list[Line]:
    """Return the lines, the latest first."""
    found = [*_entries(trip), *_gaps(trip), *_others(trip)]
    return sorted(found, key=lambda line: (line.when, line.seq), reverse=True)


def all_shown(trip: Trip) -> list[Shown]:
    """Return every entry of a trip that can be corrected, also those that were struck out."""
    view = trip.view
    found = [*view.observations, *view.happenings, *view.limits, *view.checks.values()]
    return found + [one for one in (view.started, view.handover) if one is not None]


def _entries(trip: Trip) -> Iterator[Line]:
    known, titles = entered(trip), item_titles(trip)
    for shown in all_shown(trip):
        event = shown.event
        before = []
        body: Mapping[str, Any] = event.body
        for correction in shown.corrections:
            before.append(
                (said(event.kind, body, known, titles), correction.saved_utc, correction.who)
            )
            body = correction.body["body"] if correction.body["body"] is not None else body
        flags = shown.body.get("flags") if event.kind == "observation" else None
        yield Line(
            shown.when,
            shown.seq,
            event.kind,
            shown_text(trip, shown),
            event.who,
            event.saved_utc,
            event.stated_utc is not None,
            tuple(before),
            shown.struck,
            tuple(str(why) for why in (flags or {}).values()),
            event.kind in CORRECTABLE,
        )


def _gaps(trip: Trip) -> Iterator[Line]:
    for gap in trip.view.gaps:
        minutes = (gap.end - gap.start).total_seconds() / 60
        sets = "set" if gap.missed == 1 else "sets"
        yield Line(
            gap.end,
            10**9,
            "gap",
            f"No whole set for {minutes:.0f} min: {gap.missed} {sets} missed.",
        )


def _others(trip: Trip) -> Iterator[Line]:
    view = trip.view
    for plan in view.plans:
        yield Line(plan.when, plan.seq, "plain", "Planned", plan.event.who, plan.event.saved_utc)
    shown = {one.seq for one in all_shown(trip)}
    known, titles = entered(trip), item_titles(trip)
    struck = {
        event.body["corrects"]
        for event in trip.events
        if event.kind == "correction" and event.body["body"] is None
    }
    for event in trip.events:  # a former state of a check, a start that was struck out
        if event.kind in CORRECTABLE and event.seq not in shown:
            yield Line(
                event.when,
                event.seq,
                "plain",
                said(event.kind, event.body, known, titles),
                event.who,
                event.saved_utc,
                struck=event.seq in struck,
            )
    for event in (*view.noticed, *view.clock_jumps, *view.lost):
        text = said(event.kind, event.body, {})
        yield Line(event.saved_utc, event.seq, "plain", text, event.who, event.saved_utc)


def routes(service: Service) -> list[Route]:
    """Return the routes of the timeline."""

    def timeline(request: Request) -> Response:
        trip = trip_of(service, request)
        return render_trip(
            request,
            "timeline.html",
            trip,
            lines=lines_of(trip),
            saved=saved_of(service, request, trip),
        )

    def ask(request: Request) -> Response:
        trip = trip_of(service, request)
        return _page(request, trip, _shown(request, trip), Again())

    def correct(request: Request) -> Response:
        trip = trip_of(service, request)
        shown = _shown(request, trip)
        form = posted(request)
        again = Again(form.form_id, dict(form))
        strike = form.text("do") == "strike"
        body = None if strike else _new_body(form, trip, shown, again)
        try:
            at = stated_in(form, trip)
        except BadTime as error:
            at, again.faults["at"] = None, str(error)
        if again.faults:
            return _page(request, trip, shown, again, 422)
        entry = {"corrects": shown.seq, "body": body}
        try:
            known = service.entry_of_form(trip.key, form.form_id)
            if known is None and at is None and service.clock.began is not None:
                at = shown.when  # in a rehearsal, too, a correction leaves the time as it was
            receipt = service.write(
                user_of(request), form.form_id, trip.key, "correction", entry, at
            )
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, shown, again, 503)
        return go_on(trip, "timeline", receipt.seq)

    def _page(
        request: Request, trip: Trip, shown: Shown, again: Again, status: int = 200
    ) -> Response:
        known = entered(trip)
        values = shown.body.get("values", {}) if shown.event.kind == "observation" else {}
        return render_trip(
            request,
            "correct.html",
            trip,
            status,
            shown=shown,
            text=shown_text(trip, shown),
            again=again,
            known={**known, **{name: known[name] for name in values if name in known}},
            values=values,
            happenings=HAPPENINGS,
            sources=POWER_SOURCES,
            detail=detail_text(shown.body.get("detail")),
        )

    return [
        Route("/trip/{trip}/timeline", timeline, methods=["GET"]),
        Route("/trip/{trip}/timeline/{seq:int}", ask, methods=["GET"]),
        Route("/trip/{trip}/timeline/{seq:int}", correct, methods=["POST"]),
    ]


def _shown(request: Request, trip: Trip) -> Shown:
    seq = request.path_params["seq"]
    found = next((one for one in all_shown(trip) if one.seq == seq), None)
    if found is None:
        raise HTTPException(404)
    return found


def _new_body(form: Posted, trip: Trip, shown: Shown, again: Again) -> Mapping[str, Any]:
    """Read the whole new body of an entry; what cannot be read becomes a fault."""
    kind = shown.event.kind
    old = dict(shown.body)
    if kind == "observation":
        return _new_observation(form, trip, old, again)
    if kind == "happening":
        what = form.text("what")
        if what not in HAPPENINGS:
            again.faults["what"] = "Choose one of the list."
        text = form.text("detail")
        body: dict[str, Any] = {"what": what}
        kept = old.get("detail")
        if isinstance(kept, Mapping) and text == detail_text(kept) and what == old["what"]:
            body["detail"] = kept
        elif text:
            body["detail"] = _detail_of(what, text)
        elif what == "note":
            again.faults["detail"] = "A note says something."
        return body
    if kind == "limits":
        to = form.text("to", 40)
        number = number_in(to)
        if number is None and to != "off":
            again.faults["to"] = "Write a number, or off."
        return {**old, "to": to if number is None else number}
    return old


def _detail_of(what: str, text: str) -> Any:
    if what.startswith("leg "):
        return {"leg": text}
    if what in ("power source changed", "cylinder changed"):
        return {"to": text}
    minutes = number_in(text.removesuffix("minutes").removesuffix("min").strip())
    if what == "delay" and minutes is not None:
        return {"minutes": minutes}
    return text


def _new_observation(
    form: Posted, trip: Trip, old: dict[str, Any], again: Again
) -> Mapping[str, Any]:
    values: dict[str, float | str] = {}
    known = entered(trip)
    for name in {**dict.fromkeys(old["values"]), **known}:
        text = form.text(f"value:{name}", 2000)
        if not text:
            continue
        if name in ("power_source", "vent_text"):
            values[name] = text
            continue
        number = number_in(text)
        if number is None:
            again.faults[name] = f"“{text[:20]}” is not a number."
        else:
            values[name] = number
    if not values and not again.faults:
        again.faults["set"] = "Nothing is left. To take the whole entry out, strike it out."
    body: dict[str, Any] = {"values": values, "set": old["set"]}
    flags = {
        name: why
        for name, why in (old.get("flags") or {}).items()
        if name in values and values[name] == old["values"].get(name)
    }
    if flags:
        body["flags"] = flags
    return body
