"""From the record, the plan and the watch to the models of the answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from warmhold.bench.readiness import Due
from warmhold.exchange.codes import Code
from warmhold.plan.sheet import Margin, Sheet
from warmhold.record import Event
from warmhold.record.unit_views import unit_named_in
from warmhold.record.views import Shown
from warmhold.report import handover as page
from warmhold.report import words
from warmhold.review.metrics import Metric
from warmhold.watch import Condition, CylinderNow
from warmhold.web.fleet import Fleet, FleetUnit
from warmhold.web.interface import schemas as out
from warmhold.web.interface.schemas import Band, finite
from warmhold.web.service import Trip
from warmhold.web.watching import Look

# --- trips --------------------------------------------------------------------------------------


def offset_of(trip: Trip) -> str | None:
    """Return the offset of the trip's own clock; ``None`` when its plan cannot be read."""
    return words.offset(trip.now.astimezone(trip.zone)) if trip.case is not None else None


def trip_line(trip: Trip) -> out.TripLine:
    """Write a trip in short."""
    sheet, view = trip.sheet, trip.view
    return out.TripLine(
        trip=trip.key,
        title=sheet.title if sheet is not None else None,
        stage=trip.stage,  # type: ignore[arg-type]
        unit=unit_named_in(str((view.planned or {}).get("trip_toml", ""))) or None,
        unit_name=trip.case.unit.name if trip.case is not None else None,
        verdict=sheet.verdict if sheet is not None else None,
        headline=sheet.headline if sheet is not None else None,
        planned_utc=view.plans[-1].event.saved_utc if view.plans else None,
        started_utc=view.start,
        handed_over_utc=view.end if view.handover is not None else None,
        next_set_due_utc=view.next_set_due,
        missed_sets=view.missed_sets,
        local_offset=offset_of(trip),
        last_entry=view.last_seq,
    )


def lost_trip_line(key: str, last_entry: int) -> out.TripLine:
    """Write a trip whose plan is not in the record."""
    lost = "the plan of this trip is not in the record"
    names = ("title", "stage", "unit", "unit_name", "verdict", "headline", "planned_utc",
             "started_utc", "handed_over_utc", "next_set_due_utc", "local_offset")  # fmt: skip
    return out.TripLine.model_validate(
        {
            **dict.fromkeys(names), "trip": key, "missed_sets": 0, "last_entry": last_entry,
            "unknown": dict.fromkeys(names, lost),
        }
    )  # fmt: skip


def margin(one: Margin) -> out.MarginOut:
    """Write a margin."""
    return out.MarginOut(
        key=one.key, title=one.title, unit=one.unit, band=Band.of(one.band),
        probability=finite(one.probability), required=finite(one.required),
        must_hold=one.must_hold, state=one.state, worst_at=one.worst_at, says=one.sentence,
        assumed=one.assumed, reason=one.reason,
    )  # fmt: skip


def plan(sheet: Sheet | None, shown: Shown | None) -> out.PlanOut | None:
    """Write the plan in force."""
    if sheet is None or shown is None:
        return None
    return out.PlanOut(
        entry=shown.seq, made_utc=shown.event.saved_utc, who=shown.event.who,
        verdict=sheet.verdict, headline=sheet.headline, first_to_fail=sheet.first_to_fail,
        needs_attention=sheet.needs_attention, outside=sheet.outside,
        air_set_c=finite(sheet.start.air_set_c), margins=tuple(map(margin, sheet.margins)),
        members=sheet.members, version=sheet.version,
    )  # fmt: skip


def trip(found: Trip, look: Look | None) -> out.TripOut:
    """Write a trip with its plan, what was read last and what is left."""
    now, why = present(found, look)
    latest = tuple(
        out.ReadingOut(
            quantity=name, value=value(one.value), at_utc=one.when, entry=one.seq, flag=one.flag,
            source=one.source,
        )
        for name, one in found.view.latest.items()
    )  # fmt: skip
    made = plan(found.sheet, found.view.plans[-1] if found.view.plans else None)
    unknown = {}
    if now is None and why:
        unknown["now"] = why
    if made is None and found.problem:
        unknown["plan"] = found.problem
    return out.TripOut(
        trip=trip_line(found), plan=made, latest=latest, now=now, unknown=unknown,
        cautions=with_watch(),
    )  # fmt: skip


def with_watch() -> tuple[str, ...]:
    """Return the usual cautions and that of the watch."""
    from warmhold.plan.sheet import CAUTIONS  # noqa: PLC0415
    from warmhold.watch import CAUTION  # noqa: PLC0415

    return (*CAUTIONS, CAUTION)


def why_no_watch(found: Trip, look: Look | None) -> str:
    """Say why the watch says nothing of a trip; empty when it has not looked yet, or says it."""
    if found.view.start is None:
        return "the baby has not gone in yet: there is nothing to follow"
    if look is None or look.present is not None:
        return ""
    return look.trouble or "the watch says nothing"


def present(found: Trip, look: Look | None) -> tuple[out.NowOut | None, str]:
    """Write what is left now, or why it is not known."""
    now = look.present if look is not None else None
    if look is None or now is None or found.view.start is None:
        return None, why_no_watch(found, look)
    ahead = look.forecast
    holds = dict(ahead.holds) if ahead is not None else {}
    lasts = {key: value for key, value in holds.items() if finite(value) is not None}
    made = out.NowOut(
        as_of_utc=look.as_of,
        knows_up_to_entry=look.last_seq,
        leg=now.leg,
        skin_c=Band.of(now.skin_c),
        body_c=Band.of(now.body_c),
        air_c=Band.of(now.air_c),
        oxygen_percent=Band.of(now.oxygen_percent),
        humidity_percent=Band.of(now.humidity_percent),
        battery_wh=Band.of(now.battery_wh),
        battery_minutes_at_present=Band.of(now.battery_min_present),
        battery_minutes_as_planned=Band.of(now.battery_min_planned),
        cylinders=tuple(map(_cylinder, now.cylinders)),
        minutes_to_handover=Band.of(ahead.handover_min) if ahead is not None else None,
        body_at_handover_c=Band.of(ahead.handover_c) if ahead is not None else None,
        too_cold_at_handover=finite(ahead.too_cold) if ahead is not None else None,
        too_hot_at_handover=finite(ahead.too_hot) if ahead is not None else None,
        lasts={key: float(value) for key, value in lasts.items()},
        note=look.note,
        unknown={f"lasts.{key}": "not known" for key in holds if key not in lasts},
    )
    return made, ""


def _cylinder(one: CylinderNow) -> out.CylinderOut:
    return out.CylinderOut(
        name=one.name, gas=one.gas, litres=Band.of(one.litres), gauge_bar=Band.of(one.gauge_bar),
        minutes_at_present=Band.of(one.minutes_present),
        minutes_as_planned=Band.of(one.minutes_planned), in_use=bool(one.in_use),
    )  # fmt: skip


# --- entries ------------------------------------------------------------------------------------


def value(given: Any) -> float | str:
    """Return a value of an entry as JSON holds it."""
    return given if isinstance(given, str) else float(given)


def values(given: Mapping[str, Any]) -> dict[str, float | str]:
    """Return the values of an entry."""
    return {name: value(one) for name, one in given.items()}


def last_change(shown: Shown) -> int:
    """Return the number of the entry that last changed an entry, or made it."""
    return max(shown.seq, *(event.seq for event in shown.corrections), 0)


def _entry(shown: Shown) -> dict[str, Any]:
    return {
        "entry": shown.seq,
        "at_utc": shown.when,
        "saved_utc": shown.event.saved_utc,
        "who": shown.event.who,
        "struck_out": shown.struck,
        "corrections": tuple(
            out.Correction(entry=one.seq, saved_utc=one.saved_utc, who=one.who)
            for one in shown.corrections
        ),
    }


def observation(shown: Shown) -> out.ObservationOut:
    """Write an observation as it stands."""
    body, event = shown.body, shown.event
    first = None
    if shown.corrections:
        first = out.FirstValues(at_utc=event.when, values=values(event.body["values"]))
    return out.ObservationOut(
        **_entry(shown), set=body["set"], values=values(body["values"]),
        flags={name: str(why) for name, why in (body.get("flags") or {}).items()},
        source=str(body.get("source", "")), first=first,
    )  # fmt: skip


def saved(found: Trip, event: Event) -> out.SavedOut:
    """Write what was saved, out of the entry itself, so that a repeat is told the same."""
    return out.SavedOut(
        trip=found.key, entry=event.seq, at_utc=event.when, saved_utc=event.saved_utc,
        who=event.who, set=event.body["set"], values=values(event.body["values"]),
        flags={name: str(why) for name, why in (event.body.get("flags") or {}).items()},
        hash=event.hash, local_offset=offset_of(found),
    )  # fmt: skip


def happening(shown: Shown) -> out.HappeningOut:
    """Write something that happened."""
    given = shown.body.get("detail")
    detail: dict[str, float | str | bool] | str | None = None
    unknown: dict[str, str] = {}
    if isinstance(given, Mapping):
        detail = {
            key: one if isinstance(one, str | bool) else float(one)
            for key, one in given.items()
            if one is not None
        }
        unknown = {f"detail.{key}": "not written down" for key, one in given.items() if one is None}
    elif given:
        detail = str(given)
    return out.HappeningOut(
        **_entry(shown), what=str(shown.body["what"]), detail=detail, unknown=unknown
    )


def named(event: Event) -> out.NamedBefore:
    """Write a condition of the record."""
    body = event.body
    return out.NamedBefore(
        entry=event.seq, key=body["key"], title=body["title"], priority=body["priority"],
        evidence=body["evidence"], at_utc=event.when,
    )  # fmt: skip


def conditions_now(
    found: Trip, look: Look | None
) -> tuple[tuple[out.ConditionOut, ...] | None, str]:
    """Write what the watch names now, or why nobody can tell."""
    start = found.view.start
    if look is None or look.present is None or start is None:
        return None, why_no_watch(found, look)
    return tuple(_condition(one, start) for one in look.conditions), ""


def _condition(one: Condition, start: datetime) -> out.ConditionOut:
    def at(seconds: float | None) -> datetime | None:
        return None if seconds is None else start + timedelta(seconds=float(seconds))

    since = at(one.since_s)
    assert since is not None
    return out.ConditionOut(
        key=one.key, title=one.title, priority=one.priority, since_utc=since,
        cleared_utc=at(one.cleared_s), evidence=one.evidence, look_at=one.what_to_look_at,
        also=one.also,
    )  # fmt: skip


# --- handover -----------------------------------------------------------------------------------


def handover(found: Trip, one: page.Handover) -> out.HandoverOut:
    """Write the handover page as data."""
    support = one.support
    read = [support.flow, support.oxygen_set, support.oxygen_read]
    if support.ventilator is not None:
        read.append(support.ventilator)
    spans = one.temperatures
    return out.HandoverOut(
        trip=found.key,
        local_offset=offset_of(found),
        title=one.title,
        pseudonym=one.pseudonym,
        unit=one.unit,
        weight_g=finite(one.weight_g),
        gestation_weeks=finite(one.gestation_weeks),
        age_h=finite(one.age_h),
        place_from=one.place_from,
        place_to=one.place_to,
        times=tuple(out.Milestone(title=x.title, at_utc=x.at) for x in one.times),
        handed_over_by=one.handed_over_by,
        taken_over_by=one.taken_over_by,
        taken_over_utc=one.taken_over_at,
        reason=one.reason,
        present_state=one.present_state,
        main_problem=one.main_problem,
        background=_notes(one.background),
        temperatures=out.Spans(
            first=_reading(spans.first), lowest=_reading(spans.lowest),
            highest=_reading(spans.highest), last=_reading(spans.last),
        ),
        in_target=tuple(map(_in_target, one.in_target)),
        target_rule=one.target_rule,
        latest=tuple(_some(x) for x in one.latest),
        support=support.kind,
        support_readings=tuple(_some(x) for x in read),
        assessment=_notes(one.assessment),
        happenings=None if one.happenings is None else tuple(
            out.Happened(at_utc=x.at, what=x.what, detail=x.detail) for x in one.happenings
        ),
        noticed=None if one.noticed is None else tuple(
            out.Named(title=x.title, priority=x.priority, since_utc=x.since, ended_utc=x.ended,
                      evidence=x.evidence)
            for x in one.noticed
        ),
        gaps=None if one.gaps is None else tuple(
            out.GapOut(start_utc=x.start, end_utc=x.end, what=x.what) for x in one.gaps
        ),
        skipped=None if one.skipped is None else tuple(
            out.SkippedOut(title=x.title, reason=x.reason) for x in one.skipped
        ),
        left=tuple(map(_left, one.left)),
        limits=tuple(
            out.LimitOut(
                title=x.title, unit=x.unit, set_to=None if x.set_to is None else value(x.set_to),
                wanted=finite(x.wanted), changed_utc=x.changed,
            )
            for x in one.limits
        ),
        recommendation=_notes(one.recommendation),
        made_utc=one.made or found.now,
        last_entry=one.record_seq or 0,
        fingerprint=one.record_head,
        version=one.version,
        cautions=with_watch(),
    )  # fmt: skip


def _notes(given: Sequence[page.Note]) -> tuple[out.Note, ...]:
    return tuple(out.Note(title=one.title, text=one.text) for one in given)


def _some(one: page.Reading) -> out.HandoverReading:
    was = one.correction.was if one.correction is not None else None
    return out.HandoverReading(
        quantity=one.key, value=None if one.value is None else value(one.value), at_utc=one.at,
        flag=one.flag, before_correction=None if was is None else value(was),
    )  # fmt: skip


def _reading(one: page.Reading | None) -> out.HandoverReading | None:
    return None if one is None else _some(one)


def _in_target(one: page.TimeInTarget) -> out.InTarget:
    return out.InTarget(
        title=one.title, unit=one.unit, low=finite(one.low), high=finite(one.high),
        inside_min=finite(one.inside_min), below_min=finite(one.below_min),
        above_min=finite(one.above_min), known_min=finite(one.known_min),
        unknown_min=finite(one.unknown_min),
    )  # fmt: skip


def _left(one: page.Left) -> out.LeftOut:
    return out.LeftOut(
        title=one.title, unit=one.unit, amount=Band.of(one.amount), minutes=Band.of(one.minutes),
        at_utc=one.at, known_how=one.how, note=one.note,
    )  # fmt: skip


# --- units --------------------------------------------------------------------------------------


def unit_line(one: FleetUnit) -> out.UnitLine:
    """Write a unit and what it is ready for."""
    last = one.history.run_downs[-1] if one.history.run_downs else None
    return out.UnitLine(
        unit=one.key,
        name=one.name,
        own=one.own,
        state=one.readiness.state,
        reasons=tuple(
            out.ReasonOut(state=x.state, text=x.text, todo=x.todo) for x in one.readiness.reasons
        ),
        on_the_road=one.history.on_the_road,
        last_trip_ended_utc=one.history.last_trip_end,
        open_faults=tuple(
            out.OpenFaultOut(
                entry=x.seq, since_utc=x.since, who=x.who, what=x.what, effect=x.effect
            )
            for x in one.history.faults
        ),
        battery=None if last is None else out.BatteryOut(
            at_utc=last.at, share_percent=finite(last.share_percent), minutes=finite(last.minutes),
            energy_wh=finite(last.energy_wh), complete=last.complete,
        ),
    )  # fmt: skip


def due(unit: FleetUnit) -> Iterable[out.DueOut]:
    """Write what falls due on a unit."""
    return (_due(unit, one) for one in unit.readiness.due)


def _due(unit: FleetUnit, one: Due) -> out.DueOut:
    return out.DueOut(
        unit=unit.key, unit_name=unit.name, key=one.key, title=one.title, standing=one.standing,
        last_utc=one.last, due_utc=one.due,
    )  # fmt: skip


_URGENT = ("overdue", "never", "soon", "fine")


def all_due(fleet: Fleet) -> list[out.DueOut]:
    """Write what falls due on every unit, the most urgent first."""
    found = [one for unit in fleet.units for one in due(unit)]
    return sorted(found, key=lambda one: (_URGENT.index(one.standing), one.unit))


# --- review and codes ---------------------------------------------------------------------------


def figure(one: Metric) -> out.FigureOut:
    """Write a figure with what was counted out of what."""
    spread = None
    if one.spread is not None:
        middle, low, high = map(finite, one.spread)
        spread = out.SpreadOut(value=middle, low=low, high=high)
    return out.FigureOut(
        key=one.key, title=one.title, kind=one.kind, unit=one.unit, says=one.says,
        excludes=one.excludes, numerator=one.numerator, denominator=one.denominator,
        excluded=one.excluded, missing=one.missing, value=finite(one.value), low=finite(one.low),
        high=finite(one.high), spread=spread,
    )  # fmt: skip


def code(one: Code) -> out.CodeOut:
    """Write what a quantity is called elsewhere."""
    return out.CodeOut(
        quantity=one.key, title=one.title, ucum=one.ucum, about=one.about,
        body_site=one.body_site,
        codings=tuple(
            out.CodingOut(system=x.system, code=x.code, title=x.title, status=x.status)  # type: ignore[arg-type]
            for x in one.codings(memory=True)
        ),
    )  # fmt: skip
