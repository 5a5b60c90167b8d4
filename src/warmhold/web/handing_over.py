"""From the record and the watch to what the handover page says."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from warmhold import __version__
from warmhold.plan.sheet import Band
from warmhold.record import Event
from warmhold.record.bodies import GAUGE
from warmhold.record.clock import moment_of
from warmhold.record.views import Course, Shown
from warmhold.record.views import Reading as Seen
from warmhold.report import handover as page
from warmhold.report import words
from warmhold.web import show
from warmhold.web.beside import called_on, disagreements_now
from warmhold.web.pages.limits import limits_of
from warmhold.web.service import Trip
from warmhold.web.trip_pages import detail_text, item_titles
from warmhold.web.watching import Look

# Heading in the form, key in the record, where it stands on the page.
TEXTS: tuple[tuple[str, str, str], ...] = (
    ("from", "Moved from", "identification"),
    ("to", "Moved to", "identification"),
    ("reason", "Why the baby was moved", "situation"),
    ("state", "How the baby is now", "situation"),
    ("problem", "Main problem", "situation"),
    ("birth", "Birth and course so far", "background"),
    ("lines", "Lines and tubes", "background"),
    ("infection", "Infection and screening", "background"),
    ("family", "Family, and what they were told", "background"),
    ("infusions", "Infusions, blood gas, what was given", "assessment"),
    ("next", "What is asked of the next team", "recommendation"),
    ("watch", "What to watch for", "recommendation"),
)


def handover_of(trip: Trip, look: Look | None, head: tuple[int, str], by: str) -> page.Handover:
    """Fill in the page; what is not known stays unknown.

    head : number and hash of the record's last entry
    by : who hands over, while nobody has
    """
    view, case = trip.view, trip.case
    done = view.handover
    body = done.body if done is not None else {}
    texts = body.get("texts", {})
    baby = case.trip.baby if case is not None else None
    age_h = None
    if baby is not None and case is not None and view.end is not None:
        age_h = baby.age_h + (view.end - case.trip.start.now).total_seconds() / 3600
        if view.start is not None:  # the plan's own clock may be another night's
            before = case.trip.start.baby_in - case.trip.start.now
            age_h = baby.age_h + (before + (view.end - view.start)).total_seconds() / 3600
    return page.Handover(
        title=trip.title,
        pseudonym=baby.pseudonym if baby is not None else "",
        weight_g=baby.weight_g.value if baby is not None else None,
        gestation_weeks=baby.gestation_weeks if baby is not None else None,
        age_h=age_h,
        unit=case.unit.name if case is not None else "",
        place_from=str(texts.get("from", "")),
        place_to=str(texts.get("to", "")),
        times=_times(trip),
        handed_over_by=done.event.who if done is not None else by,
        taken_over_by=str(body.get("to", "")),
        taken_over_at=view.end if done is not None else None,
        taken_over_correction=_correction(trip, done, _moment_before) if done else None,
        reason=str(texts.get("reason", "")),
        present_state=str(texts.get("state", "")),
        main_problem=str(texts.get("problem", "")),
        background=_notes(texts, "background"),
        temperatures=_span(trip, _temperature(trip)),
        in_target=_targets(trip),
        target_rule=(
            f"A value counts until the next one, for {1.5 * view.interval_min:.0f} minutes at most."
        ),
        latest=tuple(
            _reading(trip, one) for name, one in view.latest.items() if name not in _SUPPORT
        ),
        devices=tuple(_devices(trip)),
        support=_support(trip),
        assessment=_notes(texts, "assessment"),
        happenings=tuple(_happenings(trip)),
        noticed=_noticed(trip, look),
        gaps=tuple(page.Gap(gap.start, gap.end, _missed(gap.missed)) for gap in view.gaps),
        skipped=_skipped(trip),
        left=tuple(_left(trip, look)),
        limits=tuple(_limits(trip)),
        recommendation=_notes(texts, "recommendation"),
        made=trip.now,
        offset=trip.zone.utcoffset(None) or timedelta(0),
        record_seq=head[0],
        record_head=head[1],
        version=__version__,
    )


_SUPPORT = ("flow_lpm", "oxygen_set_percent", "oxygen_percent", "vent_text")


def _missed(sets: int) -> str:
    return "1 whole set missed" if sets == 1 else f"{sets} whole sets missed"


def _notes(texts: Any, place: str) -> tuple[page.Note, ...]:
    return tuple(
        page.Note(title, str(texts.get(key, ""))) for key, title, where in TEXTS if where == place
    )


def _correction(
    trip: Trip, shown: Shown, before: Callable[[Trip, datetime, Mapping[str, Any]], str]
) -> page.Correction | None:
    """Say how an entry stood before its last correction, which was when and by whom.

    before : puts the former time and body into words
    """
    if not shown.corrections:
        return None
    *earlier, last = shown.corrections
    when, body = shown.event.when, shown.event.body
    for event in earlier:
        when = event.stated_utc or when
        body = event.body["body"] or body
    return page.Correction(before(trip, when, body), last.saved_utc, last.who)


def _moment_before(trip: Trip, when: datetime, body: Mapping[str, Any]) -> str:
    if "at" in body:  # a handover names its own moment
        when = moment_of(str(body["at"]))
    return show.minute(when, trip.zone)


def _happening_before(trip: Trip, when: datetime, body: Mapping[str, Any]) -> str:
    detail = detail_text(body.get("detail"))
    return f"{show.minute(when, trip.zone)} {body['what']}" + (f": {detail}" if detail else "")


def _times(trip: Trip) -> tuple[page.Milestone, ...]:
    legs = [
        item.when
        for item in trip.view.happenings
        if not item.struck and item.body["what"] == "leg started"
    ]
    ended = [
        item.when
        for item in trip.view.happenings
        if not item.struck and item.body["what"] == "leg ended"
    ]
    started = trip.view.started
    return (
        page.Milestone(
            "Baby went in",
            trip.view.start,
            _correction(trip, started, _moment_before) if started else None,
        ),
        page.Milestone("Left", min(legs, default=None)),
        page.Milestone("Arrived", max(ended, default=None)),
    )


def _reading(trip: Trip, one: Seen) -> page.Reading:
    correction = None
    if one.corrected:
        last = _changed(trip, one)
        was = "not written down" if one.original is None else one.original
        correction = page.Correction(
            was, last.saved_utc if last else None, last.who if last else ""
        )
    apart = ""
    if one.source:
        apart = "; ".join(
            f"read by hand {other.one.with_unit(other.hand.value)} at "
            f"{show.minute(other.hand.when, trip.zone)}"
            for other in disagreements_now(trip)
            if other.one.key == one.quantity and other.device.source == one.source
        )
    name = called_on(trip).get(one.source, one.source)
    return page.Reading(one.quantity, one.value, one.when, "", one.flag, correction, name, apart)


def _devices(trip: Trip) -> Iterator[page.DeviceTold]:
    """Yield how much each device told, by its name."""
    times: dict[str, list[datetime]] = {}
    for shown in trip.view.observations:
        if shown.body["set"] == "device" and not shown.struck:
            times.setdefault(str(shown.body["source"]), []).append(shown.when)
    for source, found in sorted(times.items()):
        yield page.DeviceTold(source, len(found), min(found), max(found))


def _changed(trip: Trip, one: Seen) -> Event | None:
    """Return the last correction that changed a reading."""
    found = None
    for shown in trip.view.observations:
        if shown.seq != one.seq:
            continue
        value = shown.event.body["values"].get(one.quantity)
        for event in shown.corrections:
            body = event.body["body"]
            if body is not None and body["values"].get(one.quantity) != value:
                value, found = body["values"].get(one.quantity), event
    return found


def _span(trip: Trip, course: Course | None) -> page.TemperatureSpan:
    if course is None:
        return page.TemperatureSpan()
    four = (course.first, course.lowest, course.highest, course.last)
    return page.TemperatureSpan(*(None if one is None else _reading(trip, one) for one in four))


def _temperature(trip: Trip) -> Course | None:
    """Return the baby's temperature where the plan says it is read, else where it was most."""
    if trip.case is not None:
        course = trip.view.courses.get(f"{trip.case.trip.baby.temperature_site}_c")
        if course is not None and course.first is not None:
            return course
    return trip.view.temperature


_SITES = {"axillary_c": "axillary", "rectal_c": "rectal", "skin_c": "skin"}


def _targets(trip: Trip) -> tuple[page.TimeInTarget, ...]:
    found = []
    for what, unit, course in (
        ("Temperature", "°C", _temperature(trip)),
        ("Saturation", "%", trip.view.saturation),
    ):
        share = course.in_target if course is not None else None
        site = _SITES.get(course.quantity) if course is not None else None
        title = f"{what}, {site}" if site else what
        if share is None:
            found.append(page.TimeInTarget(title, unit))
        else:
            found.append(
                page.TimeInTarget(
                    title, unit, share.low, share.high, share.inside_min, share.known_min,
                    share.unknown_min, share.below_min, share.above_min,
                )
            )  # fmt: skip
    return tuple(found)


def _support(trip: Trip) -> page.Support:
    latest = trip.view.latest

    def one(name: str) -> page.Reading:
        return _reading(trip, latest[name]) if name in latest else page.Reading(name)

    kind = trip.case.trip.baby.support if trip.case is not None else ""
    return page.Support(
        kind,
        one("flow_lpm"),
        one("oxygen_set_percent"),
        one("oxygen_percent"),
        one("vent_text") if kind not in ("none", "hood", "") or "vent_text" in latest else None,
    )


def _happenings(trip: Trip) -> Iterator[page.Happening]:
    for item in sorted(trip.view.happenings, key=lambda one: (one.when, one.seq)):
        if not item.struck:
            yield page.Happening(
                item.when,
                str(item.body["what"]),
                detail_text(item.body.get("detail")),
                _correction(trip, item, _happening_before),
            )


def _noticed(trip: Trip, look: Look | None) -> tuple[page.Noticed, ...] | None:
    """Return what the watch names now, and before that what it named and names no more."""
    start = trip.view.start
    if look is None or look.present is None or start is None:
        return None

    def moment(at_s: float | None) -> datetime | None:
        return None if at_s is None else start + timedelta(seconds=at_s)

    now = [
        page.Noticed(c.title, c.priority, moment(c.since_s), c.evidence, moment(c.cleared_s))
        for c in look.conditions
    ]
    listed = {one.title for one in now}
    gone: dict[str, page.Noticed] = {}
    for event in trip.view.noticed:
        title, evidence = str(event.body["title"]), str(event.body["evidence"])
        if title not in listed:
            gone[title] = page.Noticed(
                title, event.body["priority"], event.when, evidence, look.as_of
            )
    return (*gone.values(), *now)


def _skipped(trip: Trip) -> tuple[page.Skipped, ...] | None:
    titles = item_titles(trip)
    if not titles:
        return None
    return tuple(page.Skipped(titles.get(key, key), why) for key, why in trip.view.skipped.items())


def _left(trip: Trip, look: Look | None) -> Iterator[page.Left]:
    present = look.present if look is not None else None
    at = look.as_of if look is not None else None
    if present is None:
        for title, unit in (("Battery", "Wh"), ("Cylinders", "L")):
            yield page.Left(title, unit)
        return
    yield page.Left(
        "Battery", "Wh", _band(present.battery_wh), "worked out", at,
        _band(present.battery_min_present),
        "in use" if present.on_battery > 0.5 else "on outside power",
    )  # fmt: skip
    for one in present.cylinders:
        gauge = trip.view.latest.get(f"{GAUGE}{one.name}")
        note = "in use" if one.in_use else "not in use"
        if gauge is not None:
            note += (
                f"; gauge {gauge.value:g} bar at {show.minute(gauge.when, trip.zone)}"
                if isinstance(gauge.value, int | float)
                else ""
            )
        yield page.Left(
            _cylinder(one.gas, one.name), "L", _band(one.litres), "worked out", at,
            None if one.minutes_present is None else _band(one.minutes_present), note,
        )  # fmt: skip


def _cylinder(gas: str, name: str) -> str:
    """Name a cylinder: gas and name, once where the name says the gas."""
    return (
        words.capital(name)
        if gas.lower() in name.lower().split()
        else f"{gas}, {name}".capitalize()
    )


def _band(band: Any) -> Band:
    return Band(band.p05, band.p50, band.p95)


def _limits(trip: Trip) -> Iterator[page.LimitSet]:
    for one in limits_of(trip):
        yield page.LimitSet(
            one.wanted.title, one.wanted.unit, one.now, one.wanted.wanted, one.changed
        )
