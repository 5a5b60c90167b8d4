"""The timeline: every entry as it stands, what it was before, and where none was made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from warmhold.record.bodies import CORRECTABLE, HAPPENINGS, NUMBERS
from warmhold.record.clock import iso
from warmhold.record.views import Shown
from warmhold.web.access import user_of
from warmhold.web.beside import disagreements
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import POWER_SOURCES, Entered, number_in, question
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import (
    BadTime,
    detail_text,
    entered,
    go_on,
    item_titles,
    render_trip,
    said,
    said_of,
    saved_of,
    shown_text,
    stated_in,
    trip_of,
    units_of,
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
    judged: str = ""  # of the list before leaving: good, care, stop, left out, not judged
    in_sight: tuple[tuple[str, str], ...] = ()  # state and text of what is not folded away
    folded: tuple[Line, ...] = ()
    source: str = ""  # the device that told it
    apart: tuple[str, ...] = ()  # where a device disagreed


@dataclass
class Again:
    """A correction that has to be shown once more."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None
    doubts: dict[str, float] = field(default_factory=dict)  # what is hard to believe


def lines_of(trip: Trip) -> list[Line]:
    """Return the lines, the latest first."""
    found = [*_entries(trip), *_gaps(trip), *_others(trip)]
    folded = _with_devices_folded(trip, _with_list_folded(trip, found))
    return sorted(folded, key=_order, reverse=True)


def _order(line: Line) -> tuple[datetime, int]:
    return line.when, line.seq


FEWEST_FOLDED = 4
QUARTER_MIN = 15  # what a device told is folded into one line for each of so many minutes


def _with_list_folded(trip: Trip, lines: list[Line]) -> list[Line]:
    """Fold the list before leaving into one line; what was bad or left out stays in sight."""
    of_list = sorted((line for line in lines if line.judged), key=_order, reverse=True)
    if len(of_list) < FEWEST_FOLDED:
        return lines
    standing = [line for line in of_list if line.correctable and not line.struck]
    count = {
        word: sum(line.judged == judged for line in standing)
        for judged, word in (
            ("good", "good"), ("not judged", "not judged"), ("care", "to take care with"),
            ("stop", "that say stop"), ("left out", "left out"),
        )
    }  # fmt: skip
    parts = ", ".join(f"{number} {word}" for word, number in count.items() if number)
    things = "entry" if len(of_list) == 1 else "entries"
    fold = Line(
        of_list[0].when,
        of_list[0].seq,
        "list",
        f"List before leaving, {len(of_list)} {things}: {parts or 'all struck out'}",
        in_sight=tuple(_in_sight(trip)),
        folded=tuple(of_list),
    )
    return [*(line for line in lines if not line.judged), fold]


def _with_devices_folded(trip: Trip, lines: list[Line]) -> list[Line]:
    """Fold what each device told in a quarter of an hour into one line."""
    groups: dict[tuple[str, datetime], list[Line]] = {}
    for line in lines:
        if line.source:
            groups.setdefault((line.source, _quarter(line.when)), []).append(line)
    folds = [
        _fold_of_device(trip, source, sorted(group, key=_order, reverse=True))
        for (source, _), group in groups.items()
    ]
    return [*(line for line in lines if not line.source), *folds]


def _quarter(when: datetime) -> datetime:
    return when.replace(minute=when.minute - when.minute % QUARTER_MIN, second=0, microsecond=0)


def _fold_of_device(trip: Trip, source: str, group: list[Line]) -> Line:
    """Say in one line what a device told: lowest, highest and last of each quantity."""
    seqs = {line.seq for line in group if not line.struck}
    values: dict[str, list[tuple[datetime, float]]] = {}
    for shown in trip.view.observations:
        if shown.seq in seqs:
            for name, value in shown.body["values"].items():
                values.setdefault(name, []).append((shown.when, float(value)))
    known = entered(trip)
    parts = [_span(known.get(name), name, values[name]) for name in NUMBERS if name in values]
    sets = "1 set" if len(group) == 1 else f"{len(group)} sets"
    struck = len(group) - len(seqs)
    flagged = sum(bool(line.flags) for line in group)
    more = "".join(
        f", {number} {word}"
        for number, word in ((struck, "struck out"), (flagged, "with a note"))
        if number
    )
    return Line(
        group[0].when,
        group[0].seq,
        "device",
        f"{source} told {sets}{more}: {'; '.join(parts) or 'nothing that stands'}",
        folded=tuple(replace(line, source="") for line in group),
    )


def _span(one: Entered | None, name: str, found: list[tuple[datetime, float]]) -> str:
    title = one.title if one is not None else name
    numbers = [value for _, value in found]
    low, high, last = min(numbers), max(numbers), max(found)[1]

    def text(value: float) -> str:
        return one.text(value).replace("-", "\u2212") if one is not None else f"{value:g}"

    shown = one.with_unit(last) if one is not None else f"{last:g}"
    if low == high:
        return f"{title} {shown}"
    return f"{title} {text(low)} to {text(high)}, last {shown}"


def _in_sight(trip: Trip) -> Iterator[tuple[str, str]]:
    """Yield what was bad, hard to believe or left out: its state and its words."""
    left: dict[str, list[str]] = {}
    titles = item_titles(trip)
    for key, shown in trip.view.checks.items():
        reason = str(shown.body.get("reason") or "")
        if not shown.body["done"]:
            left.setdefault(reason, []).append(titles.get(key, key))
        elif shown.body["judged"] == "stop" or reason:
            word = "Stop" if shown.body["judged"] == "stop" else "Hard to believe"
            text = shown_text(trip, shown).removeprefix("Checked: ")
            yield "falls short", f"{word}: {text}" + (f". {reason}" if reason else "")
    for reason, items in left.items():
        yield "cannot tell", f"Left out: {'; '.join(items)}. Reason: {reason}"


def _judged(kind: str, body: Mapping[str, Any]) -> str:
    if kind != "check":
        return ""
    return str(body.get("judged") or "not judged") if body.get("done") else "left out"


def all_shown(trip: Trip) -> list[Shown]:
    """Return every entry of a trip that can be corrected, also those that were struck out."""
    view = trip.view
    found = [*view.observations, *view.happenings, *view.limits, *view.checks.values()]
    return found + [one for one in (view.started, view.handover) if one is not None]


def _entries(trip: Trip) -> Iterator[Line]:
    apart: dict[int, list[str]] = {}
    for one in disagreements(trip):
        apart.setdefault(one.hand.seq, []).append(one.says)
    for shown in all_shown(trip):
        event = shown.event
        before = []
        body: Mapping[str, Any] = event.body
        for correction in shown.corrections:
            before.append((said_of(trip, event.kind, body), correction.saved_utc, correction.who))
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
            _judged(event.kind, shown.body),
            source=_device(shown),
            apart=tuple(apart.get(shown.seq, ())),
        )


def _device(shown: Shown) -> str:
    """Return the device that told an entry; empty when a person wrote it."""
    if shown.event.kind != "observation" or shown.body["set"] != "device":
        return ""
    return str(shown.body["source"])


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
                said_of(trip, event.kind, event.body),
                event.who,
                event.saved_utc,
                struck=event.seq in struck,
                judged=_judged(event.kind, event.body),
            )
    sources = tuple(event for event in trip.events if event.kind == "source")
    for event in (*view.noticed, *view.clock_jumps, *view.lost, *sources):
        text = said(event.kind, event.body, {})
        who = "" if event.kind == "noticed" else event.who  # the text says already: the watch
        yield Line(event.saved_utc, event.seq, "plain", text, who, event.saved_utc)


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
        known = service.entry_of_form(trip.key, form.form_id)
        if strike and shown.struck and known is None:
            again.faults["set"] = "It is struck out already; nothing more was written."
        body = None if strike else _new_body(form, trip, shown, again)
        try:
            at = stated_in(form, trip)
        except BadTime as error:
            at, again.faults["at"] = None, str(error)
        if again.faults:
            return _page(request, trip, shown, again, 422)
        if shown.event.kind == "handover" and body is not None and at is not None:
            body = {**body, "at": iso(at)}  # a handover names its own moment
        entry = {"corrects": shown.seq, "body": body}
        try:
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
        typed = {name.removeprefix("value:") for name, text in again.typed.items() if text.strip()}
        written = {*values, *typed, *again.faults}
        return render_trip(
            request,
            "correct.html",
            trip,
            status,
            shown=shown,
            text=shown_text(trip, shown),
            again=again,
            first={name: one for name, one in known.items() if name in written},
            others={name: one for name, one in known.items() if name not in written},
            written=written,
            values=values,
            happenings=HAPPENINGS,
            sources=POWER_SOURCES,
            limit_unit=units_of(trip).get(str(shown.body.get("limit")), ""),
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
    if kind == "handover":
        to = " ".join(form.text("to", 150).split())
        if not to:
            again.faults["to"] = "Write who took over, name or role."
        return {**old, "to": to}
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
    if "source" in old:  # a device told it first; the correction says who changed it
        body["source"] = old["source"]
    flags = {
        name: why
        for name, why in (old.get("flags") or {}).items()
        if name in values and values[name] == old["values"].get(name)
    }
    for name, value in values.items():
        if isinstance(value, str) or value == old["values"].get(name):
            continue
        why = question(known[name], value, None, None, None)
        if why and number_in(form.text(f"was:{name}")) == value:
            flags[name] = why
        elif why:
            again.faults[name] = f"{why} Save it once more to keep it as entered."
            again.doubts[name] = value
    if flags:
        body["flags"] = flags
    return body
