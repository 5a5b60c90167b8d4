"""On the road: what to look at now, what is left, and what was seen."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.record.bodies import GAUGE
from warmhold.record.views import Reading
from warmhold.watch import Band, Present
from warmhold.watch.named import CAUTION
from warmhold.web import show
from warmhold.web.access import user_of
from warmhold.web.beside import (
    called_on,
    disagreements_now,
    fresh_readings,
    is_fresh,
    told_by_devices,
)
from warmhold.web.pages.limits import limits_off
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import POWER_SOURCES, Entered, number_in, question
from warmhold.web.service import NotSaved, Trip
from warmhold.web.trip_pages import (
    BadTime,
    entered,
    go_on,
    render_trip,
    saved_of,
    stated_in,
    trip_of,
)
from warmhold.web.watching import Look

if TYPE_CHECKING:
    from warmhold.web.service import Service

WAIT_FIRST_S, WAIT_SAVED_S = 4.0, 1.5
# Offered as one tap, in display steps from the last reading.
_NEAR: Mapping[str, tuple[float, ...]] = {
    "pulse_per_min": (-10, -5, 0, 5, 10),
    "battery_divisions": (-2, -1, 0, 1),
    GAUGE: (-20, -10, -5, 0),
}
_NEAR_ELSE = (-2, -1, 0, 1, 2)
_SITES = {"axillary": "axillary_c", "rectal": "rectal_c", "skin": "axillary_c"}
LONGEST_NOTE = 2000


@dataclass(frozen=True)
class Quick:
    """One quantity that is logged with two taps."""

    one: Entered
    last: Reading | None
    chips: tuple[str, ...]
    same: str  # the chip that repeats the last reading
    beside: Reading | None = None  # what a device told, where a person read it, too


@dataclass
class Again:
    """A form that has to be shown once more, with what was typed."""

    part: str = ""  # quick:QUANTITY, set or events
    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def routes(service: Service) -> list[Route]:
    """Return the routes of the road."""

    def road(request: Request) -> Response:
        trip = trip_of(service, request)
        if trip.view.start is None:
            return RedirectResponse(f"/trip/{trip.key}/before", 303)
        return _page(request, trip, Again())

    def tiles(request: Request) -> Response:
        trip = trip_of(service, request)
        return _page(request, trip, Again(), wait=False)

    def observe(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        again = Again(_part(form), form.form_id, dict(form))
        values = _values(form, trip, again)
        try:
            at = stated_in(form, trip)
            again.faults |= _before_the_baby(at, trip)
        except BadTime as error:
            at, again.faults["at"] = None, str(error)
        if not values and not again.faults:
            again.faults["set"] = "Nothing was written; fill in at least one field."
        if again.faults:
            return _page(request, trip, again, 422)
        known = service.entry_of_form(trip.key, form.form_id)
        if known is not None and known.kind == "observation":
            flags = dict(known.body.get("flags", {}))  # a repeat is not asked about again
        else:
            flags = _questions(service, trip, values, form, again)
        if again.questions:
            return _page(request, trip, again, 422)
        body: dict[str, Any] = {
            "values": values,
            "set": "regular" if form.text("set") == "regular" else "extra",
        }
        if flags:
            body["flags"] = flags
        return _save(request, trip, again, "observation", body, at)

    def happened(request: Request) -> Response:
        trip = trip_of(service, request)
        form = posted(request)
        again = Again("events", form.form_id, dict(form))
        body = _happening(form, trip, again)
        try:
            at = stated_in(form, trip)
            again.faults |= _before_the_baby(at, trip)
        except BadTime as error:
            at, again.faults["at"] = None, str(error)
        if body is None or again.faults:
            return _page(request, trip, again, 422)
        return _save(request, trip, again, "happening", body, at)

    def _save(
        request: Request, trip: Trip, again: Again, kind: str, body: dict[str, Any], at: Any
    ) -> Response:
        try:
            receipt = service.write(user_of(request), again.form_id, trip.key, kind, body, at)
        except NotSaved as error:
            again.trouble = error
            return _page(request, trip, again, 503)
        return go_on(trip, "road", receipt.seq)

    def _tiles(trip: Trip, at_most_s: float) -> dict[str, Any]:
        look = service.look(trip, at_most_s)
        joined = _joined(trip)
        return {
            "look": look,
            "zone": trip.zone,
            "speed": service.settings.speed if service.clock.began else 1,
            "leg_line": leg_line(trip, look),
            "leg_now": leg_now(look),
            "leg_place": leg_place(trip, look),
            "battery_soon": battery_soon(look),
            "measured": _measured(trip),
            "read": fresh_readings(trip.view, trip.now),
            "devices": told_by_devices(trip),
            "apart": disagreements_now(trip),
            "joined": joined,
            "called": called_on(trip, joined),
            "limits_off": limits_off(trip),
            "target": _target(trip),
            "watch_caution": CAUTION,
            "revealed": _revealed(),
            "isfinite": math.isfinite,
        }

    def _joined(trip: Trip) -> list[str]:
        try:
            return [one.source for one in service.live.joins() if one.trip == trip.key]
        except NotSaved:
            return []

    def _revealed() -> str:
        rehearsing = service.rehearsing
        return rehearsing.rehearsal.reveal() if rehearsing is not None and rehearsing.over else ""

    def _page(
        request: Request, trip: Trip, again: Again, status: int = 200, wait: bool = True
    ) -> Response:
        fresh = again.part == ""
        saved = saved_of(service, request, trip) if fresh else None
        at_most_s = 0.0
        if wait and fresh and saved is not None:
            at_most_s = WAIT_SAVED_S
        elif wait and fresh and service.look(trip) is None:
            at_most_s = WAIT_FIRST_S
        return render_trip(
            request,
            "road.html",
            trip,
            status,
            again=again,
            saved=saved,
            quick=quick_of(trip),
            groups=_groups(trip),
            sources=POWER_SOURCES,
            happenings=happenings_of(trip),
            **_tiles(trip, at_most_s),
        )

    return [
        Route("/trip/{trip}/road", road, methods=["GET"]),
        Route("/trip/{trip}/tiles", tiles, methods=["GET"]),
        Route("/trip/{trip}/observe", observe, methods=["POST"]),
        Route("/trip/{trip}/happened", happened, methods=["POST"]),
    ]


# --- what was typed -----------------------------------------------------------------------------


def _before_the_baby(at: datetime | None, trip: Trip) -> dict[str, str]:
    """Refuse a time before the baby went in: what was read then belongs on the list."""
    start = trip.view.start
    if at is None or start is None or at >= start.replace(second=0, microsecond=0):
        return {}
    went_in = show.minute(start, trip.zone)
    return {"at": f"The baby went in at {went_in}: write a time from then on."}


def _part(form: Posted) -> str:
    return form.text("part", 200) or "set"


def _values(form: Posted, trip: Trip, again: Again) -> dict[str, float | str]:
    """Read every quantity of a form; what cannot be read becomes a fault."""
    values: dict[str, float | str] = {}
    known = entered(trip)
    fields = dict(form)
    chip, _, chosen = (form.text("keep", 200) or form.text("chip", 200)).rpartition("=")
    if chip in known:
        fields[chip] = chosen
    for name, one in known.items():
        text = fields.get(name, "").strip()
        if not text:
            continue
        number = number_in(text)
        if number is None:
            again.faults[name] = f"“{text[:20]}” is not a number. Write it like {_example(one)}."
        else:
            values[name] = number
    source = form.text("power_source")
    if source in POWER_SOURCES:
        values["power_source"] = source
    vent = form.text("vent_text", LONGEST_NOTE)
    if vent:
        values["vent_text"] = vent
    again.typed = fields
    return values


def _example(one: Entered) -> str:
    return one.text(round((one.low + one.high) / 2, one.places))


def _questions(
    service: Service, trip: Trip, values: Mapping[str, float | str], form: Posted, again: Again
) -> dict[str, str]:
    """Ask about what is hard to believe; what was confirmed is kept with its question as flag."""
    look = service.look(trip)
    present = look.present if look is not None else None
    known, read = entered(trip), fresh_readings(trip.view, trip.now)
    flags = {}
    keep = bool(form.text("keep"))
    for name, value in values.items():
        if isinstance(value, str):
            continue
        last = read.get(name)
        age = None if last is None else (trip.now - last.when).total_seconds() / 60
        why = question(known[name], value, last, age, expected_of(present, name))
        if keep and number_in(form.text(f"was:{name}")) == value:
            flags[name] = form.text(f"why:{name}", 500) or why or "confirmed as entered"
        elif why:
            again.questions[name] = why
    return flags


def expected_of(present: Present | None, quantity: str) -> Band | None:
    """Return what the watch takes a quantity to be now."""
    if present is None:
        return None
    bands = {
        "skin_c": present.skin_c,
        "axillary_c": present.body_c,
        "rectal_c": present.body_c,
        "air_c": present.air_c,
        "oxygen_percent": present.oxygen_percent,
        "hood_humidity_percent": present.humidity_percent,
    }
    return bands.get(quantity)


def _happening(form: Posted, trip: Trip, again: Again) -> dict[str, Any] | None:
    """Read the button that was pressed; ``None`` when there is nothing to save."""
    what, _, detail = form.text("event", 200).partition("|")
    offered = {one["value"] for one in happenings_of(trip)}
    if what == "note":
        text = form.text("note", LONGEST_NOTE)
        if not text:
            again.faults["note"] = "Write the note first."
            return None
        return {"what": "note", "detail": text}
    if what == "delay":
        minutes = number_in(form.text("minutes"))
        if minutes is None or not 0 < minutes <= 600:
            again.faults["minutes"] = "Write the minutes, from 1 to 600."
            return None
        return {"what": "delay", "detail": {"minutes": minutes}}
    if form.text("event", 200) not in offered:
        again.faults["event"] = "Press one of the buttons."
        return None
    body: dict[str, Any] = {"what": what}
    if detail:
        body["detail"] = {"leg" if what.startswith("leg") else "to": detail}
    return body


# --- what is offered ----------------------------------------------------------------------------


def happenings_of(trip: Trip) -> list[dict[str, str]]:
    """Return the buttons of what may happen next, the likeliest first."""
    done = [item for item in trip.view.happenings if not item.struck]
    opened = ""
    for item in sorted(done, key=lambda one: (one.when, one.seq)):
        what = str(item.body["what"])
        if what in ("port opened", "front opened"):
            opened = what.split(maxsplit=1)[0]
        elif what in ("port closed", "front closed"):
            opened = ""
    started = [_detail(item.body, "leg") for item in done if item.body["what"] == "leg started"]
    names = [leg.name for leg in trip.case.trip.legs] if trip.case is not None else []
    following = next((name for name in names if name not in started), "")
    buttons: list[tuple[str, str]] = []
    if following:
        buttons.append((f"leg started|{following}", f"Leg begins: {following}"))
    elif started and names and not any(item.body["what"] == "leg ended" for item in done):
        buttons.append((f"leg ended|{names[-1]}", f"Leg ends: {names[-1]}"))
    for part in ("port", "front"):
        if not started and part == "front":
            buttons.insert(0, ("front closed", "Front closed"))
        elif opened == part:
            buttons.insert(0, (f"{part} closed", f"{part.capitalize()} closed"))
        else:
            buttons.append((f"{part} opened", f"{part.capitalize()} opened"))
    buttons += [(f"power source changed|{source}", f"On {source}") for source in _sources(trip)]
    if trip.case is not None:
        cylinders = trip.case.trip.supplies.cylinders
        buttons += [(f"cylinder changed|{c.name}", f"Cylinder now: {c.name}") for c in cylinders]
    buttons.append(("alarm silenced", "Alarm silenced"))
    return [{"value": value, "label": label} for value, label in buttons]


def _sources(trip: Trip) -> list[str]:
    if trip.case is None:
        return list(POWER_SOURCES)
    planned = {trip.case.trip.start.power, *(leg.power for leg in trip.case.trip.legs), "battery"}
    return [source for source in POWER_SOURCES if source in planned]


def _detail(body: Mapping[str, Any], key: str) -> str:
    detail = body.get("detail")
    return str(detail.get(key, "")) if isinstance(detail, Mapping) else ""


def quick_of(trip: Trip) -> list[Quick]:
    """Return the quantities that are logged with two taps."""
    if trip.case is None:
        return []
    known = entered(trip)
    site = _SITES[trip.case.trip.baby.temperature_site]
    names = [
        "skin_c", site, "saturation_pre_percent", "pulse_per_min", "oxygen_percent", "air_c",
        "battery_divisions", *(name for name in known if name.startswith(GAUGE)),
    ]  # fmt: skip
    read = fresh_readings(trip.view, trip.now)
    found = []
    for name in names:
        by_hand, told = _last_of_each(trip, name)
        quick = _quick(known[name], by_hand or read.get(name))
        found.append(replace(quick, beside=told if by_hand is not None else None))
    return found


def _last_of_each(trip: Trip, quantity: str) -> tuple[Reading | None, Reading | None]:
    """Return what a person read last, and what a device told last if it still counts."""
    course = trip.view.courses.get(quantity)
    readings = course.readings if course is not None else ()
    by_hand = next((one for one in reversed(readings) if not one.source), None)
    told = next((one for one in reversed(readings) if one.source), None)
    return by_hand, told if told is not None and is_fresh(told, trip.now) else None


def _quick(one: Entered, last: Reading | None) -> Quick:
    if last is None or not isinstance(last.value, int | float):
        return Quick(one, None, (), "")
    key = GAUGE if one.key.startswith(GAUGE) else one.key
    near = _NEAR.get(key, _NEAR_ELSE)
    scale = 1.0 if key in _NEAR else one.step
    values = (last.value + step * scale for step in near)
    chips = tuple(one.text(round(v, 4)) for v in values if one.low <= v <= one.high)
    return Quick(one, last, chips, one.text(last.value))


def _groups(trip: Trip) -> dict[str, list[Entered]]:
    found: dict[str, list[Entered]] = {}
    for one in entered(trip).values():
        found.setdefault(one.group, []).append(one)
    return found


def _measured(trip: Trip) -> Reading | None:
    """Return the baby's own temperature as last read, where the trip says it is read."""
    if trip.case is None:
        return None
    site = trip.case.trip.baby.temperature_site
    names = {"axillary": ("axillary_c",), "rectal": ("rectal_c",), "skin": ("skin_c",)}[site]
    read = fresh_readings(trip.view, trip.now)
    return next((read[name] for name in names if name in read), None)


def _target(trip: Trip) -> tuple[float, float] | None:
    if trip.case is None:
        return None
    rules = trip.case.policy.temperature
    if trip.case.trip.baby.cooled:
        return rules.cooled_low_c.value, rules.cooled_high_c.value
    return rules.low_c.value, rules.high_c.value


def leg_now(look: Look | None) -> str:
    """Return the name of the present leg; empty when it is not known."""
    if look is None or look.present is None:
        return ""
    return "The baby goes in" if look.present.leg == "loading" else look.present.leg


def leg_place(trip: Trip, look: Look | None) -> str:
    """Say which leg of how many this is, and what comes next."""
    if trip.case is None or look is None or look.present is None:
        return ""
    names = [leg.name for leg in trip.case.trip.legs]
    if look.present.leg not in names:
        return f"Before the first leg. Next: {names[0]}"
    here = names.index(look.present.leg)
    following = f". Next: {names[here + 1]}" if here + 1 < len(names) else ", the last"
    written = {
        _detail(item.body, "leg")
        for item in trip.view.happenings
        if item.body["what"] == "leg started" and not item.struck
    }
    how = "" if look.present.leg in written else ", by the plan: not written down"
    return f"Leg {here + 1} of {len(names)}{how}{following}"


BATTERY_SOON_MIN = 10.0  # minutes left in use under which the page says so at once (own choice)


def battery_soon(look: Look | None) -> bool:
    """Whether the unit is counted as on battery, with a few minutes left in the middle case."""
    if look is None or look.present is None or look.present.on_battery <= 0.5:
        return False
    return look.present.battery_min_present.p50 < BATTERY_SOON_MIN


def leg_line(trip: Trip, look: Look | None) -> Markup:
    """Draw the legs as a line, as long as they were planned; the present one is filled."""
    if trip.case is None or look is None or look.present is None:
        return Markup("")
    legs = trip.case.trip.legs
    names = [leg.name for leg in legs]
    here = names.index(look.present.leg) if look.present.leg in names else -1
    whole = sum(leg.minutes.value for leg in legs)
    gap, width, x = 6.0, 600.0, 0.0
    parts = []
    for number, leg in enumerate(legs):
        wide = (width - gap * (len(legs) - 1)) * leg.minutes.value / whole
        state = "gone" if number < here else "here" if number == here else "ahead"
        parts.append(
            Markup('<rect x="{:.1f}" y="1" width="{:.1f}" height="14" class="{}"/>').format(
                x, max(wide, 4.0), state
            )
        )
        x += wide + gap
    return Markup(
        '<svg class="leg-line" viewBox="0 0 600 16" preserveAspectRatio="none"'
        ' aria-hidden="true">{}</svg>'
    ).format(Markup("").join(parts))
