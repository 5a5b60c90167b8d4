"""What the pages of one trip share."""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from warmhold.record import Event
from warmhold.record.views import Shown
from warmhold.report import words
from warmhold.web import show
from warmhold.web.posted import Posted
from warmhold.web.quantities import Entered, quantities
from warmhold.web.rendering import render
from warmhold.web.service import NoSuchTrip, Service, Trip

_AT = re.compile(r"(?:(\d{4})-(\d{2})-(\d{2})[T ])?(\d{1,2})[:.]?(\d{2})(?::\d{2})?", re.ASCII)
_FUTURE_MIN = 2.0  # a stated time may be ahead of the clock by this much
_PLACES = (
    ("before", "Before leaving"),
    ("road", "On the road"),
    ("timeline", "Timeline"),
    ("limits", "Alarm limits"),
    ("handover", "Handover"),
    ("times", "Times"),
    ("sheet", "Plan sheet"),
)


def trip_of(service: Service, request: Request) -> Trip:
    """Return the trip that a page is about, or answer 404."""
    try:
        return service.trip(request.path_params["trip"])
    except NoSuchTrip as error:
        raise HTTPException(404) from error


def render_trip(
    request: Request, template: str, trip: Trip, status: int = 200, **context: Any
) -> HTMLResponse:
    """Write a page of a trip, with the ways to its other pages."""
    nav = [(f"/trip/{trip.key}/{place}", word) for place, word in _PLACES]
    shared = {"trip_nav": nav, "times_at": show.utc(trip.now, trip.zone)}
    return render(request, template, status, trip=trip, **{**shared, **context})


def entered(trip: Trip) -> dict[str, Entered]:
    """Return what can be entered on a trip."""
    return quantities(trip.case) if trip.case is not None else {}


def go_on(trip: Trip, place: str, seq: int) -> Response:
    """Go to a page of the trip that shows what was saved."""
    return RedirectResponse(f"/trip/{trip.key}/{place}?saved={seq}", 303)


# --- what was saved -----------------------------------------------------------------------------


class Saved:
    """What stands behind "saved hh:mm:ss": an entry that was read back from the record."""

    def __init__(self, event: Event, text: str, zone: Any) -> None:
        """Put it into words."""
        self.text = text
        self.at = show.second(event.saved_utc, zone, offset=True)
        self.who = event.who
        self.seq = event.seq


def saved_of(service: Service, request: Request, trip: Trip) -> Saved | None:
    """Return what the address says was saved, if it is in this trip's record."""
    given = request.query_params.get("saved", "")
    if not re.fullmatch(r"[0-9]{1,9}", given):
        return None
    for event in service.record.events(trip.key, int(given) - 1)[:1]:
        if event.seq == int(given):
            return Saved(event, said_of(trip, event.kind, event.body), trip.zone)
    return None


def said(
    kind: str,
    body: Mapping[str, Any],
    known: Mapping[str, Entered],
    titles: Mapping[str, str] = MappingProxyType({}),
    units: Mapping[str, str] = MappingProxyType({}),
) -> str:
    """Write an entry in words.

    known : quantities, and ``titles`` those of the list before leaving
    units : of what is read on that list, by its key, and of alarm limits, by their title
    """
    if kind == "observation":
        parts = []
        for name, value in body.get("values", {}).items():
            one = known.get(name)
            parts.append(
                f"{one.title} {one.with_unit(value)}" if one else f"{_plain_name(name)} {value}"
            )
        source = f" (told by {body['source']})" if body.get("source") else ""
        return ", ".join(parts) + source
    if kind == "source":
        joined = body.get("did") == "joined"
        return f"Device {body.get('source')} " + ("joined to this trip" if joined else "left")
    if kind == "trend":
        rows = len(body.get("seconds", ()))
        names = (one.title if (one := known.get(name)) else name for name in body["numbers"])
        return f"Trend of {body.get('source')}, {rows} rows: {', '.join(names)}"
    if kind == "happening":
        detail = detail_text(body.get("detail"))
        what = words.capital(str(body.get("what", "")))
        if body.get("what") == "note":
            return f"Note: {detail}"
        return f"{what}: {detail}" if detail else what
    if kind == "check":
        item = titles.get(str(body.get("item")), _plain_name(str(body.get("item"))))
        if not body.get("done"):
            return f"Left out: {item}. Reason: {body.get('reason')}"
        value = body.get("value")
        shown = "" if value is None else f": {_with(value, units.get(str(body.get('item'))))}"
        return f"Checked: {item}{shown}"
    if kind == "limits":
        before, after = body.get("from"), body.get("to")
        unit = units.get(str(body.get("limit")))
        both = isinstance(before, int | float) and isinstance(after, int | float)
        first = _with(before, None if both else unit)
        return f"Alarm limit {body.get('limit')}: {first} → {_with(after, unit)}"
    if kind == "handover":
        return f"Handed over to {body.get('to')}"
    if kind == "correction":
        return f"Correction of entry {body.get('corrects')}"
    if kind == "moment":
        return f"Time: {_plain_name(str(body.get('moment')))} {body.get('at', '')[:16]}"
    if kind == "facts":
        return "Facts: " + ", ".join(str(value) for value in body.values())
    if kind == "equipment":
        return f"Failed: {body.get('what')} ({body.get('class')})"
    if kind == "noticed":
        return f"The watch named, {body.get('priority')}: {body.get('title')}"
    return {
        "trip-planned": "Planned",
        "trip-started": "The baby went in",
        "clock-jump": f"This computer's clock was moved by {body.get('seconds', 0):.0f} s",
    }.get(kind, _plain_name(kind))


def _plain_name(key: str) -> str:
    known = {"power_source": "Power from", "vent_text": "Ventilator"}
    return known.get(key, key.replace("_", " ").replace("-", " ").replace(":", " "))


def _with(value: Any, unit: str | None) -> str:
    """Write a value of an entry with its unit."""
    if value is None:
        return "not known"
    if isinstance(value, str):
        return value
    number = f"{value:g}".replace("-", words.MINUS)
    return f"{number}\u00a0{unit}" if unit else number


def said_of(trip: Trip, kind: str, body: Mapping[str, Any]) -> str:
    """Write an entry of a trip in words, with the titles and units of its plan."""
    return said(kind, body, entered(trip), item_titles(trip), units_of(trip))


def detail_text(detail: Any) -> str:
    """Write the detail of a happening."""
    if isinstance(detail, Mapping):
        return ", ".join(
            str(value) if key in {"leg", "to", "text"} else f"{value} {key}"
            for key, value in detail.items()
            if value not in (None, "")
        )
    return "" if detail is None else str(detail)


def shown_text(trip: Trip, shown: Shown) -> str:
    """Write an entry as it stands after its corrections."""
    return said_of(trip, shown.event.kind, shown.body)


def item_titles(trip: Trip) -> dict[str, str]:
    """Return the titles of the list before leaving."""
    return {item.key: item.title for item in trip.items}


def units_of(trip: Trip) -> dict[str, str]:
    """Return the unit of each item that is read before leaving, and of each alarm limit."""
    limits = trip.sheet.alarms if trip.sheet is not None else ()
    return {item.key: item.unit for item in trip.items} | {one.title: one.unit for one in limits}


# --- stated times -------------------------------------------------------------------------------


class BadTime(ValueError):
    """A time that cannot be read; the text says what can."""


def stated_in(form: Posted, trip: Trip, name: str = "at") -> datetime | None:
    """Read a stated time, "03:12" of today or yesterday in the trip's own zone; ``None``: now.

    Raises ``BadTime``.
    """
    given = form.text(name, 40)
    if not given:
        return None
    found = _AT.fullmatch(given)
    if found is None:
        raise BadTime("Write the time as hours and minutes, such as 03:12.")
    here = trip.now.astimezone(trip.zone)
    try:
        moment = here.replace(hour=int(found[4]), minute=int(found[5]), second=0, microsecond=0)
        if found[1]:
            moment = moment.replace(year=int(found[1]), month=int(found[2]), day=int(found[3]))
    except ValueError as error:
        raise BadTime("Write the time as hours and minutes, such as 03:12.") from error
    ahead = (moment - here).total_seconds() / 60
    if ahead > _FUTURE_MIN:
        if found[1]:
            raise BadTime("That time is still to come.")
        moment -= timedelta(days=1)
        if (here - moment) > timedelta(hours=12):
            raise BadTime(
                "That time is still to come, or more than 12 hours ago. For an earlier day write "
                "the date as well: 2026-01-14 03:12."
            )
    return moment


# --- pages that stand alone ---------------------------------------------------------------------

_STYLE = re.compile(r"<style>(.*?)</style>", re.S)
_TAG = re.compile(r"<[a-zA-Z][^<>]*\sstyle=\"[^\"]*\"[^<>]*>")
_ATTRIBUTE = re.compile(r"\sstyle=\"([^\"]*)\"")
_CLASS = re.compile(r"\sclass=\"([^\"]*)\"")


def standing_alone(text: str, change: Callable[[str], str] = lambda text: text) -> HTMLResponse:
    """Serve a page that brings its own style, under a policy that names that style's hash.

    Style attributes become classes, because a policy that allows them would allow any.
    """
    names: dict[str, str] = {}

    def in_class(found: re.Match[str]) -> str:
        tag = found[0]
        style = _ATTRIBUTE.search(tag)
        assert style is not None
        name = names.setdefault(style[1], f"own-{len(names) + 1}")
        tag = tag.replace(style[0], "", 1)
        if _CLASS.search(tag):
            return _CLASS.sub(lambda kept: f' class="{kept[1]} {name}"', tag, count=1)
        end = 2 if tag.endswith("/>") else 1
        return f'{tag[:-end]} class="{name}"{tag[-end:]}'

    text = _TAG.sub(in_class, text)
    rules = "\n".join(f".{name} {{ {_unescaped(style)} }}" for style, name in names.items())
    text = _STYLE.sub(lambda kept: f"<style>{kept[1]}{rules}\n</style>", text, count=1)
    text = change(text)
    hashes = " ".join(
        f"'sha256-{b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"
        for style in _STYLE.findall(text)
    )
    policy = (
        f"default-src 'self'; style-src 'self' {hashes}; img-src 'self' data:; object-src 'none'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return HTMLResponse(text, headers={"Content-Security-Policy": policy})


def _unescaped(style: str) -> str:
    return style.replace("&quot;", '"').replace("&amp;", "&").replace("&#39;", "'")
