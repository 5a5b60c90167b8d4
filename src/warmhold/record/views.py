"""What a trip looks like, rebuilt from its entries each time; pure functions.

Rules that show in the figures:

- Order is by `seq`; times are the stated ones, else those of saving.
- A corrected entry counts with its new body, and with the correction's stated time if it has one.
  The original stays in it. An entry that was struck out counts for nothing and stays visible.
- A value counts until the next one of its kind, for at most `holds_min`; minutes without one are
  unknown, neither in nor out of target. Shares are of the known minutes.
- A regular set is missed when the next comes half an interval late or more.
- What a device told counts until its next value, for at most `DEVICE_HOLDS_MIN`; what it doubts
  itself (a test, a demonstration) stays in the entry and counts for nothing.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from warmhold.record.bodies import CORRECTABLE, valid_body
from warmhold.record.chain import LOST, RECOVERED, Event
from warmhold.record.clock import moment_of

INTERVAL_MIN = 15.0
DEVICE_HOLDS_MIN = 5.0  # a value that a device told says nothing of later than this (own choice)
CLOCK_SAYS = "the device's clock says"  # begins a flag that is about the time, not the value
TEMPERATURES = ("axillary_c", "rectal_c", "skin_c")
SATURATIONS = ("saturation_pre_percent", "saturation_post_percent")

Target = tuple[float | None, float | None]


@dataclass(frozen=True)
class Shown:
    """An entry as it stands now, with how it stood before.

    event : the entry as it was first made
    body : its body after corrections
    when : its time after corrections
    corrections : in order; empty when it was never corrected
    struck : whether the last correction struck it out
    """

    event: Event
    body: Mapping[str, Any]
    when: datetime
    corrections: tuple[Event, ...] = ()
    struck: bool = False

    @property
    def seq(self) -> int:
        """Number of the entry."""
        return self.event.seq

    @property
    def corrected(self) -> bool:
        """Whether it was ever corrected."""
        return bool(self.corrections)


@dataclass(frozen=True)
class Reading:
    """One value of one quantity.

    original : the value before corrections, when it differs
    source : the device that told it; empty when a person entered it
    """

    quantity: str
    value: float | str
    when: datetime
    seq: int
    flag: str = ""
    corrected: bool = False
    original: float | str | None = None
    source: str = ""

    @property
    def doubted(self) -> bool:
        """Whether the device that told it doubts it itself."""
        return bool(self.source and self.flag) and not self.flag.startswith(CLOCK_SAYS)


@dataclass(frozen=True)
class Share:
    """How long something stayed in its target.

    ``inside + below + above`` is ``known``; ``known + unknown`` is the time from start to end.
    """

    low: float | None
    high: float | None
    inside_min: float
    below_min: float
    above_min: float
    known_min: float
    unknown_min: float


@dataclass(frozen=True)
class Course:
    """One measured quantity over the trip.

    readings : all of them by time, also before the start
    first, lowest, highest, last : between start and end; of equal ones the earliest
    in_target : ``None`` without a target or before the start
    """

    quantity: str
    readings: tuple[Reading, ...]
    first: Reading | None
    lowest: Reading | None
    highest: Reading | None
    last: Reading | None
    in_target: Share | None


@dataclass(frozen=True)
class Gap:
    """A stretch in which regular sets were due and not made."""

    start: datetime
    end: datetime
    missed: int


@dataclass(frozen=True)
class TripView:
    """All that the entries of one trip say.

    start : when the baby went in; ``None`` before that
    end : the handover, else the moment asked for, else the last entry's time
    plans : every plan, the last one in force; `planned` is its body
    checks : the last state of each item
    limits : every change; `limits_now` the last of each limit
    handover : the last one
    noticed : what the watch named, in order, whatever it made of it later
    lost : entries that stand for lost ones, and the recoveries that name them
    latest : the last reading of each quantity
    """

    trip: str
    last_seq: int
    interval_min: float
    plans: tuple[Shown, ...] = ()
    started: Shown | None = None
    start: datetime | None = None
    end: datetime | None = None
    checks: Mapping[str, Shown] = field(default_factory=dict)
    observations: tuple[Shown, ...] = ()
    happenings: tuple[Shown, ...] = ()
    limits: tuple[Shown, ...] = ()
    limits_now: Mapping[str, Shown] = field(default_factory=dict)
    handover: Shown | None = None
    clock_jumps: tuple[Event, ...] = ()
    access: tuple[Event, ...] = ()
    noticed: tuple[Event, ...] = ()
    lost: tuple[Event, ...] = ()
    gaps: tuple[Gap, ...] = ()
    next_set_due: datetime | None = None
    latest: Mapping[str, Reading] = field(default_factory=dict)
    courses: Mapping[str, Course] = field(default_factory=dict)

    @property
    def planned(self) -> Mapping[str, Any] | None:
        """Body of the plan in force."""
        return self.plans[-1].body if self.plans else None

    @property
    def skipped(self) -> dict[str, str]:
        """Item and reason of each check that was left out."""
        return {
            item: str(shown.body.get("reason") or "")
            for item, shown in self.checks.items()
            if not shown.body["done"]
        }

    @property
    def missed_sets(self) -> int:
        """Regular sets that were due and not made."""
        return sum(gap.missed for gap in self.gaps)

    @property
    def temperature(self) -> Course | None:
        """The baby's temperature where it was read most often; the sites are never mixed."""
        return self._most_read(TEMPERATURES)

    @property
    def saturation(self) -> Course | None:
        """Saturation where it was read most often; pre-ductal of equal ones."""
        return self._most_read(SATURATIONS)

    def _most_read(self, names: Sequence[str]) -> Course | None:
        found = [self.courses[name] for name in names if name in self.courses]
        return max(found, key=lambda course: len(course.readings), default=None)


def trip_view(
    events: Sequence[Event],
    *,
    interval_min: float = INTERVAL_MIN,
    holds_min: float | None = None,
    targets: Mapping[str, Target] | None = None,
    until: datetime | None = None,
) -> TripView:
    """Rebuild one trip from its entries.

    events : of one trip, as `Record.events` gives them
    interval_min : between two regular sets [min]
    holds_min : how long a value counts; one and a half intervals when not given [min]
    targets : quantity → lowest and highest; those of the plan when not given
    until : now, for a trip that goes on; a handover ends it before

    Errors: ValueError for an interval that is not above zero
    """
    if not interval_min > 0:
        raise ValueError(f"interval_min must be above 0, not {interval_min}")
    holds = 1.5 * interval_min if holds_min is None else holds_min
    shown = corrected(events)
    of = {kind: [item for item in shown if item.event.kind == kind] for kind in CORRECTABLE}
    standing = {kind: [item for item in items if not item.struck] for kind, items in of.items()}
    plans = tuple(item for item in shown if item.event.kind == "trip-planned")
    if targets is None:
        targets = planned_targets(plans[-1].body) if plans else {}
    started = next(iter(standing["trip-started"]), None)
    handover = next(reversed(standing["handover"]), None)
    start = started.when if started else None
    end = _end(handover, until, shown)
    readings = _readings(standing["observation"])
    gaps, due = _gaps(standing["observation"], start, end, interval_min)
    return TripView(
        trip=next((event.trip for event in events if event.trip), ""),
        last_seq=events[-1].seq if events else 0,
        interval_min=interval_min,
        plans=plans,
        started=started,
        start=start,
        end=end,
        checks={item.body["item"]: item for item in standing["check"]},
        observations=tuple(of["observation"]),
        happenings=tuple(of["happening"]),
        limits=tuple(of["limits"]),
        limits_now={item.body["limit"]: item for item in standing["limits"]},
        handover=handover,
        clock_jumps=_of_kind(events, "clock-jump"),
        access=_of_kind(events, "access"),
        noticed=_of_kind(events, "noticed"),
        lost=_of_kind(events, LOST, RECOVERED),
        gaps=gaps,
        next_set_due=None if handover else due,
        latest={name: found[-1] for name, found in readings.items()},
        courses={
            name: _course(name, found, start, end, targets.get(name), holds)
            for name, found in readings.items()
            if all(isinstance(reading.value, (int, float)) for reading in found)
        },
    )


def _of_kind(events: Iterable[Event], *kinds: str) -> tuple[Event, ...]:
    return tuple(event for event in events if event.kind in kinds)


def corrected(events: Sequence[Event]) -> list[Shown]:
    """Apply the corrections, in order, each on the entry that it names."""
    found: dict[int, Shown] = {}
    for event in events:
        if event.kind in (*CORRECTABLE, "trip-planned", "profile"):
            found[event.seq] = Shown(event, event.body, event.when)
        elif event.kind == "correction":
            before = found.get(event.body["corrects"])
            if before is None:
                continue
            new = event.body["body"]
            found[before.seq] = Shown(
                event=before.event,
                body=before.body if new is None else new,
                when=event.stated_utc or before.when,
                corrections=(*before.corrections, event),
                struck=new is None,
            )
    return list(found.values())


def _end(handover: Shown | None, until: datetime | None, shown: Sequence[Shown]) -> datetime | None:
    if handover is not None:
        return moment_of(handover.body["at"])
    if until is not None:
        return until
    return max((item.when for item in shown if not item.struck), default=None)


def _readings(observations: Iterable[Shown]) -> dict[str, list[Reading]]:
    """Return the readings of each quantity by time."""
    found: dict[str, list[Reading]] = {}
    for shown in observations:
        flags = shown.body.get("flags") or {}
        before = shown.event.body["values"]
        for name, value in shown.body["values"].items():
            changed = name in before and before[name] != value
            reading = Reading(
                quantity=name,
                value=value,
                when=shown.when,
                seq=shown.seq,
                flag=str(flags.get(name, "")),
                corrected=shown.corrected and (changed or name not in before),
                original=before[name] if changed else None,
                source=str(shown.body.get("source", "")),
            )
            if not reading.doubted:
                found.setdefault(name, []).append(reading)
    for readings in found.values():
        readings.sort(key=lambda reading: (reading.when, reading.seq))
    return found


def _course(
    name: str,
    readings: Sequence[Reading],
    start: datetime | None,
    end: datetime | None,
    target: Target | None,
    holds_min: float,
) -> Course:
    inside = [
        reading
        for reading in readings
        if (start is None or reading.when >= start) and (end is None or reading.when <= end)
    ]
    share = None
    if target is not None and start is not None and end is not None and target != (None, None):
        share = share_in_target(readings, start, end, target, holds_min)
    return Course(
        quantity=name,
        readings=tuple(readings),
        first=inside[0] if inside else None,
        lowest=min(inside, key=_value, default=None),
        highest=max(inside, key=_value, default=None),
        last=inside[-1] if inside else None,
        in_target=share,
    )


def _value(reading: Reading) -> float:
    return float(reading.value)


def share_in_target(
    readings: Sequence[Reading],
    start: datetime,
    end: datetime,
    target: Target,
    holds_min: float,
) -> Share:
    """Return the minutes inside, below and above a target, and those that are unknown.

    readings : of one quantity, by time; one before the start counts on into the trip
    target : lowest and highest that are still inside; ``None`` where there is no end
    holds_min : how long a value counts at most [min]
    """
    low, high = target
    minutes = {"inside": 0.0, "below": 0.0, "above": 0.0}
    for number, reading in enumerate(readings):
        holds = min(holds_min, DEVICE_HOLDS_MIN) if reading.source else holds_min
        stops = reading.when + timedelta(minutes=holds)
        if number + 1 < len(readings):
            stops = min(stops, readings[number + 1].when)
        lasted = (min(stops, end) - max(reading.when, start)).total_seconds() / 60
        if lasted <= 0:
            continue
        value = _value(reading)
        where = "inside"
        if low is not None and value < low:
            where = "below"
        elif high is not None and value > high:
            where = "above"
        minutes[where] += lasted
    known = math.fsum(minutes.values())
    whole = max(0.0, (end - start).total_seconds() / 60)
    return Share(
        low, high, minutes["inside"], minutes["below"], minutes["above"], known,
        max(0.0, whole - known),
    )  # fmt: skip


def _gaps(
    observations: Iterable[Shown],
    start: datetime | None,
    end: datetime | None,
    interval_min: float,
) -> tuple[tuple[Gap, ...], datetime | None]:
    """Return the gaps between regular sets, and when the next one is due."""
    if start is None or end is None:
        return (), None
    made = sorted(
        shown.when
        for shown in observations
        if shown.body["set"] == "regular" and start <= shown.when <= end
    )
    times = [start, *made, end]
    gaps = []
    for before, after in itertools.pairwise(times):
        intervals = (after - before).total_seconds() / 60 / interval_min
        missed = max(0, math.floor(intervals + 0.5 + 1e-9) - 1)
        if missed:
            gaps.append(Gap(before, after, missed))
    last = made[-1] if made else start
    return tuple(gaps), last + timedelta(minutes=interval_min)


def planned_targets(planned: Mapping[str, Any]) -> dict[str, Target]:
    """Read the targets out of a plan's own trip and policy files; none where they do not say.

    The policy's band is of the baby's body: it is used for axillary and rectal readings, of a
    baby cooled on purpose for rectal ones alone. A skin probe over the liver or under the baby
    reads something else, and gets no target here.

    planned : body of a `trip-planned`
    """
    try:
        trip = tomllib.loads(str(planned.get("trip_toml", "")))
        policy = tomllib.loads(str(planned.get("policy_toml", "")))
    except tomllib.TOMLDecodeError:
        return {}
    baby = _table(trip.get("baby"))
    rules = _table(policy.get("temperature"))
    targets: dict[str, Target] = {}
    cooled = baby.get("cooled")
    if isinstance(cooled, bool):
        names = ("cooled_low_c", "cooled_high_c") if cooled else ("low_c", "high_c")
        low, high = (_number(rules.get(name)) for name in names)
        if low is not None and high is not None:
            for site in ("rectal_c",) if cooled else ("axillary_c", "rectal_c"):
                targets[site] = (low, high)
    wanted = _saturation(baby, policy)
    if wanted is not None:
        targets.update(dict.fromkeys(SATURATIONS, wanted))
    return targets


def _saturation(baby: Mapping[str, Any], policy: Mapping[str, Any]) -> Target | None:
    own = baby.get("saturation_target_percent")
    if isinstance(own, list) and len(own) == 2:
        low, high = (_number(end) for end in own)
        return None if low is None or high is None else (low, high)
    weeks = _number(baby.get("gestation_weeks"))
    rows = policy.get("saturation")
    if weeks is None or not isinstance(rows, list):
        return None
    for row in map(_table, rows):
        below = _number(row.get("below_weeks"))
        if below is not None and weeks < below:
            low, high = (_number(row.get(f"target_{end}_percent")) for end in ("low", "high"))
            return None if low is None or high is None else (low, high)
    return None


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _number(value: Any) -> float | None:
    """Read a number that may be written with its spread or source."""
    if isinstance(value, dict):
        value = value.get("value")
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    return None


__all__ = [
    "Course",
    "Gap",
    "Reading",
    "Share",
    "Shown",
    "TripView",
    "planned_targets",
    "share_in_target",
    "trip_view",
    "valid_body",
]
