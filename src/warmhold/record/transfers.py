"""One transfer for the review, out of the entries of one trip.

What was not written down is not known. Where the trip itself says when something happened, that
stands for a moment that nobody wrote: the baby went in (ready), the first leg began (leaves), the
last leg ended (at the hospital), the handover.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, cast

from warmhold.model.vessels import resolve
from warmhold.record.bodies import GAUGE, MOMENTS
from warmhold.record.chain import Event
from warmhold.record.clock import moment_of
from warmhold.record.recorded import better_share
from warmhold.record.trends import QUANTITIES, recorded, trend_of
from warmhold.record.unit_views import unit_named_in
from warmhold.record.views import (
    SATURATIONS,
    Shown,
    TripView,
    corrected,
    planned_targets,
    trip_view,
)
from warmhold.review import forecasts
from warmhold.review.alarms import limit_replays
from warmhold.review.replay import Trend
from warmhold.review.transfer import EquipmentEvent, Forecast, Share, Temperature, Transfer
from warmhold.science.gas import Gas

SITES = ("axillary_c", "rectal_c")
__all__ = ["QUANTITIES", "by_trip", "transfer", "transfers", "trends"]


@dataclass(frozen=True)
class _Facts:
    team: str | None = None
    urgency: str | None = None
    reason: str | None = None
    purpose: str | None = None
    wrapped: str | None = None
    equipment: str | None = None


def transfers(events: Sequence[Event], *, alarms: bool = True) -> tuple[Transfer, ...]:
    """Return every trip that was started, in the order of their first entries.

    events : of the whole record, in order
    alarms : also replay their limits, which takes milliseconds a trip and loads what compiles
    """
    views = [_Trip.of(mine) for mine in by_trip(events).values()]
    started = [one for one in views if one.view.start is not None]
    made = [_transfer(one) for one in started]
    if not alarms:
        return tuple(made)
    replayed = limit_replays([recorded(one.view, one.shown) for one in started])
    return tuple(replace(one, alarms=mine) for one, mine in zip(made, replayed, strict=True))


def by_trip(events: Sequence[Event]) -> dict[str, list[Event]]:
    """Part entries by their trip, in the order of first entries; those of no trip are left out."""
    found: dict[str, list[Event]] = {}
    for event in events:
        if event.trip:
            found.setdefault(event.trip, []).append(event)
    return found


@dataclass(frozen=True)
class _Trip:
    """One trip's entries, and what they make after corrections."""

    view: TripView
    shown: Sequence[Shown]

    @classmethod
    def of(cls, events: Sequence[Event]) -> _Trip:
        return cls(trip_view(events), [one for one in corrected(events) if not one.struck])


def transfer(events: Sequence[Event], *, alarms: bool = False) -> Transfer | None:
    """Return one trip as a transfer; ``None`` when it was never started.

    alarms : also replay its limits, which takes milliseconds and loads what compiles
    """
    trip = _Trip.of(events)
    if trip.view.start is None:
        return None
    made = _transfer(trip)
    if alarms:
        return replace(made, alarms=limit_replays([recorded(trip.view, trip.shown)])[0])
    return made


def _transfer(trip: _Trip) -> Transfer:
    view, shown = trip.view, trip.shown
    facts, plan = _facts(shown), view.planned or {}
    baby = _table(_toml(plan.get("trip_toml")).get("baby"))
    cooled = baby.get("cooled")
    due, done = _checks(view)
    sets_done = sum(1 for one in view.observations if _regular(one))
    return Transfer(
        key=view.trip,
        unit=unit_named_in(str(plan.get("trip_toml", ""))) or "unknown",
        team=facts.team or "unknown",
        moments=dict(_moments(view, shown)),
        gestation_weeks=_number(baby.get("gestation_weeks")),
        weight_g=_number(baby.get("weight_g")),
        age_h=_number(baby.get("age_h")),
        urgency=cast(Any, facts.urgency),
        reason=cast(Any, facts.reason),
        purpose=cast(Any, facts.purpose),
        support=_word(baby.get("support")),
        cooled=cooled if isinstance(cooled, bool) else None,
        wrapped=None if facts.wrapped is None else facts.wrapped == "yes",
        temperatures=tuple(_temperatures(view)),
        saturation=_evidence(view, shown, SATURATIONS) or _share(view.saturation),
        warmth=_evidence(view, shown, SITES) or _share(view.temperature),
        sets_due=sets_done + view.missed_sets if view.handover is not None else None,
        sets_done=sets_done if view.handover is not None else None,
        checks_due=due,
        checks_done=done,
        events=_equipment(shown, facts),
        forecasts=tuple(_forecasts(view, plan)),
        policy=_word(_toml(plan.get("policy_toml")).get("name")) or "",
    )


def trends(events: Sequence[Event], quantity: str) -> tuple[Trend, ...]:
    """Return what was read of one quantity on every started trip that read it twice or more.

    events : of the whole record, in order
    quantity : a key of `QUANTITIES`
    """
    trips = (_Trip.of(mine) for mine in by_trip(events).values())
    found = (trend_of(one.view, one.shown, quantity) for one in trips)
    return tuple(one for one in found if one is not None)


def _facts(shown: Sequence[Shown]) -> _Facts:
    found: dict[str, Any] = {}
    for one in shown:
        if one.event.kind == "facts":
            found |= one.body
    return _Facts(**{name: str(value) for name, value in found.items()})


def _moments(view: TripView, shown: Sequence[Shown]) -> Iterator[tuple[str, datetime]]:
    written = {
        str(one.body["moment"]): moment_of(one.body["at"])
        for one in shown
        if one.event.kind == "moment"
    }
    happened = sorted((h for h in view.happenings if not h.struck), key=lambda one: one.when)
    began = [one.when for one in happened if one.body["what"] == "leg started"]
    ended = [one.when for one in happened if one.body["what"] == "leg ended"]
    told = {
        "ready": view.start,
        "leaves": began[0] if began else None,
        "at_hospital": ended[-1] if ended else None,
        "handed_over": view.end if view.handover is not None else None,
    }
    for name in MOMENTS:
        at = written.get(name) or told.get(name)
        if at is not None:
            yield name, at


def _temperatures(view: TripView) -> Iterator[Temperature]:
    found = [
        Temperature(reading.when, float(reading.value), site.removesuffix("_c"))
        for site in SITES
        if site in view.courses
        for reading in view.courses[site].readings
        if not reading.flag and isinstance(reading.value, (int, float))
    ]
    yield from sorted(found, key=lambda one: one.at)


def _evidence(view: TripView, shown: Sequence[Shown], names: Sequence[str]) -> Share | None:
    """Return time in target by an imported trend, where one covers enough; see `recorded`."""
    targets = planned_targets(view.planned or {})
    found = better_share(shown, targets, names, view.start, view.end)
    if found is None:
        return None
    one, says = found
    return Share(one.inside_min, one.below_min, one.above_min, one.unknown_min, says)


def _share(course: Any) -> Share | None:
    found = None if course is None else course.in_target
    if found is None:
        return None
    return Share(found.inside_min, found.below_min, found.above_min, found.unknown_min)


def _checks(view: TripView) -> tuple[int | None, int | None]:
    if not view.checks:
        return None, None
    return len(view.checks), sum(bool(one.body["done"]) for one in view.checks.values())


def _regular(one: Shown) -> bool:
    return not one.struck and one.body.get("set") == "regular"


def _equipment(shown: Sequence[Shown], facts: _Facts) -> tuple[EquipmentEvent, ...] | None:
    """What failed; ``None`` when nobody wrote whether anything did."""
    found = tuple(
        EquipmentEvent(one.when, str(one.body["what"]), one.body["class"], one.body["harm"])
        for one in shown
        if one.event.kind == "equipment"
    )
    return found if found or facts.equipment == "nothing failed" else None


def _forecasts(view: TripView, plan: Mapping[str, Any]) -> Iterator[Forecast]:
    """Hold the plan against what was read near the handover."""
    over, sheet = view.end, plan.get("sheet")
    if view.handover is None or over is None or not isinstance(sheet, Mapping):
        return
    read = list(_temperatures(view))
    last = (read[-1].at, read[-1].value_c, read[-1].site) if read else None
    found = [forecasts.temperature(sheet, last, over)]
    gauges = list(_gauges(view, _toml(plan.get("trip_toml"))))
    found += [forecasts.gas(sheet, kind, gauges, over) for kind in ("oxygen", "air")]
    found.append(forecasts.battery(sheet))
    yield from (one for one in found if one is not None)


def _gauges(view: TripView, trip: Mapping[str, Any]) -> Iterator[forecasts.Gauge]:
    supplies = _table(trip.get("supplies"))
    rows = tuple(one for one in supplies.get("cylinder", ()) if isinstance(one, Mapping))
    filled = resolve({"supplies": {"cylinder": rows}})[0]["supplies"]["cylinder"]
    for one in filled:
        cylinder = _table(one)
        name, gas = cylinder.get("name"), cylinder.get("gas")
        water, residual = (_number(cylinder.get(key)) for key in ("water_l", "residual_bar"))
        at_c = _number(cylinder.get("gauge_at_c"))
        kinds: dict[Any, Gas] = {"oxygen": "oxygen", "air": "air"}
        kind = kinds.get(gas)
        if not isinstance(name, str) or water is None or kind is None:
            continue
        reading = view.latest.get(f"{GAUGE}{name}")
        value = None if reading is None else _number(reading.value)
        yield forecasts.Gauge(
            kind, water, residual or 0.0, 15.0 if at_c is None else at_c, value,
            None if reading is None else reading.when,
        )  # fmt: skip


def _toml(text: Any) -> Mapping[str, Any]:
    try:
        return tomllib.loads(str(text or "").removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return {}


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _number(value: Any) -> float | None:
    if isinstance(value, Mapping):
        value = value.get("value")
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _word(value: Any) -> str | None:
    return value if isinstance(value, str) else None
