"""A watcher for each trip under way, rebuilt from the record and nothing else.

The trunk is fed with what the record holds, in the order of the stated times; a leaf is copied off
it and moved on to the present. A late entry or a correction goes back to an earlier trunk and
comes forward again, so that the order in which entries were typed makes no difference.
"""

from __future__ import annotations

import copy
import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from warmhold.model import Case, Quantity
from warmhold.record.views import CLOCK_SAYS, Shown, TripView
from warmhold.watch import Condition, Forecast, Judgement, Present, Seen, Watcher
from warmhold.watch.quantities import of_device
from warmhold.watch.quantities import reading as watched
from warmhold.watch.read import PULSE, SATURATION
from warmhold.web.quantities import quantities, quantity_of_item

log = logging.getLogger("warmhold.web")

LONGEST_S = 12 * 3600.0  # a trip is not followed for longer after the baby went in
KEEP_EVERY_S = 600.0  # trip time between two trunks that are kept to go back to
STEP_S = 60.0  # trip time that a leaf goes at once
LOOK_EVERY_S = 5.0  # real time between two looks at the present
SPEAKS = (*SATURATION, PULSE)  # said by themselves, without the model
SETTINGS = ("air_set_c", "flow_lpm", "oxygen_set_percent")


@dataclass(frozen=True)
class Item:
    """One thing that the watch is told, with its moment in seconds since the baby went in."""

    at_s: float
    seq: int
    what: str  # "seen" or a happening
    quantity: str = ""
    value: float = 0.0
    detail: tuple[tuple[str, str | float], ...] = ()
    source: str = ""  # the device that told it; empty when a person read it
    doubted: bool = False  # it was asked about, and is kept as entered


@dataclass(frozen=True)
class Look:
    """What the watch says at one moment; ``trouble`` when it can say nothing."""

    as_of: datetime
    at_s: float
    last_seq: int
    present: Present | None = None
    forecast: Forecast | None = None
    conditions: tuple[Condition, ...] = ()
    judged: Mapping[tuple[int, str], Judgement] = field(default_factory=dict)
    trouble: str = ""
    note: str = ""  # what is counted otherwise than planned


def items_of(view: TripView) -> tuple[Item, ...]:
    """Return what the record of a started trip tells the watch, in the order of its moments."""
    start = view.start
    if start is None:
        return ()
    found = [*_observed(view, start), *_happened(view, start)]
    return tuple(sorted(found, key=lambda item: (item.at_s, item.seq)))


def as_checked(case: Case, view: TripView, warmed_as_planned: bool = False) -> Case:
    """Return the case with what was read before leaving in place of what was planned.

    The spreads stay those of the plan: a bar that was read says no more of what it holds. What is
    hard to believe is not used. The warm-up is as long as it was, and not as it was planned, but
    in a rehearsal, whose unit is warmed as planned.
    """
    start, baby, supplies = case.trip.start, case.trip.baby, case.trip.supplies
    known = quantities(case)
    minutes = None if warmed_as_planned else warmed_min(case, view)
    if minutes is not None:
        start = start.model_copy(update={"baby_in": start.now + timedelta(minutes=minutes)})

    def _read(view: TripView, item: str) -> float | None:
        value, one = _checked(view, item), known.get(quantity_of_item(item))
        return value if value is None or one is None or one.low <= value <= one.high else None

    bar = _read(view, "battery-bar")
    if bar is not None:
        percent = min(100.0, max(0.0, 100.0 * bar / case.unit.battery.bar_divisions))
        start = start.model_copy(
            update={"battery_charge_percent": _measured(start.battery_charge_percent, percent)}
        )
    body = _read(view, baby.temperature_site)
    if body is not None:
        baby = baby.model_copy(update={"temperature_c": _measured(baby.temperature_c, body)})
    cylinders = []
    for cylinder in supplies.cylinders:
        bars = _read(view, f"gauge:{cylinder.name}")
        gauge = cylinder.gauge_bar
        if bars is not None:
            gauge = _measured(gauge, bars)
        cylinders.append(cylinder.model_copy(update={"gauge_bar": gauge}))
    supplies = supplies.model_copy(update={"cylinders": tuple(cylinders)})
    parts = {"start": start, "baby": baby, "supplies": supplies}
    return replace(case, trip=case.trip.model_copy(update=parts))


def _warmed(planned: Case, counted: Case) -> str:
    """Say how long the unit is taken to have warmed up, when that is much less than planned."""
    then, now = (
        (case.trip.start.baby_in - case.trip.start.now).total_seconds() / 60.0
        for case in (planned, counted)
    )
    if planned.trip.start.unit_state == "warm" or now > then - LESS_WARMED_MIN:
        return ""
    return (
        f"The unit is counted as warmed for {now:.0f} min, not for the {then:.0f} of the plan. "
        "Read the air in the hood: the figures here follow it."
    )


LESS_WARMED_MIN = 4.0
MADE_FOR_S = 2 * 3600.0  # a plan whose own "now" is further from its making was made beforehand
LONGEST_WARMING_MIN = 240.0  # the unit is long steady by then


def warmed_min(case: Case, view: TripView) -> float | None:
    """Return the minutes between switching the unit on, as planned, and the baby going in.

    ``None`` when nothing says when the plan began. A plan begins with its own "now", unless it
    was made at another time: then with its making.
    """
    if view.start is None or not view.plans:
        return None
    made, now = view.plans[-1].event.saved_utc, case.trip.start.now
    began = now if abs((made - now).total_seconds()) <= MADE_FOR_S else made
    minutes = (view.start - began).total_seconds() / 60.0
    return min(minutes, LONGEST_WARMING_MIN) if minutes >= 0.0 else None


def _checked(view: TripView, item: str) -> float | None:
    shown = view.checks.get(item)
    if shown is None or not shown.body["done"]:
        return None
    value = shown.body["value"]
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def _measured(planned: Quantity, value: float) -> Quantity:
    return Quantity(value=value, spread=planned.spread, provenance="measured")


def _observed(view: TripView, start: datetime) -> Iterator[Item]:
    standing = sorted((o for o in view.observations if not o.struck), key=lambda o: o.when)
    power = ""
    chosen = _Chosen()
    for shown in standing:
        at_s = (shown.when - start).total_seconds()
        values = shown.body["values"]
        source = str(shown.body.get("source", ""))
        word = values.get("power_source")
        if isinstance(word, str) and word != power:
            power = word
            if at_s >= 0:
                yield Item(at_s, shown.seq, "power source changed", detail=(("to", word),))
        if at_s < 0:
            continue
        flags = shown.body.get("flags") or {}
        for quantity, value in values.items():
            if not isinstance(value, int | float):
                continue
            if source and not chosen.takes(
                source, quantity, value, at_s, str(flags.get(quantity, ""))
            ):
                continue
            chosen.note(quantity, value)
            yield Item(
                at_s, shown.seq, "seen", quantity, float(value), source=source,
                doubted=not source and quantity in flags,
            )  # fmt: skip
            if quantity == "oxygen_set_percent":
                detail = (("oxygen_percent", float(value)),)
                yield Item(at_s, shown.seq, "settings", detail=detail)


@dataclass
class _Chosen:
    """Which readings of a device the watch is given.

    The errors of one device hang together, so that the filter would be too sure of a reading each
    minute: of what it learns from, it gets the first in each `of_device(quantity).every_s`. Pulse
    and saturation speak for themselves and are all given; a setting, when it changed. What a device
    doubts itself is not given.
    """

    taken: set[tuple[str, str, int]] = field(default_factory=set)
    set_to: dict[str, float] = field(default_factory=dict)

    def takes(self, source: str, quantity: str, value: float, at_s: float, flag: str) -> bool:
        if flag and not flag.startswith(CLOCK_SAYS):
            return False
        if quantity in SETTINGS:
            return self.set_to.get(quantity) != value
        if watched(quantity) is None:
            return quantity in SPEAKS
        slot = (source, quantity, int(at_s // of_device(quantity).every_s))
        if slot in self.taken:
            return False
        self.taken.add(slot)
        return True

    def note(self, quantity: str, value: float) -> None:
        self.set_to[quantity] = value


def _happened(view: TripView, start: datetime) -> Iterator[Item]:
    for shown in view.happenings:
        at_s = (shown.when - start).total_seconds()
        if shown.struck or at_s < 0:
            continue
        yield Item(at_s, shown.seq, str(shown.body["what"]), detail=_detail(shown))


def _detail(shown: Shown) -> tuple[tuple[str, str | float], ...]:
    given = shown.body.get("detail")
    if not isinstance(given, Mapping):
        return ()
    return tuple((k, v) for k, v in given.items() if isinstance(v, str | int | float))


class LiveTrip:
    """One started trip and its watcher. One thread at a time works on it."""

    def __init__(
        self,
        case: Case,
        air_set_c: float | None,
        members: int,
        seed: int,
        warmed_as_planned: bool = False,
    ) -> None:
        """Keep what the watcher starts from."""
        self.case = case
        self._warmed_as_planned = warmed_as_planned
        self._air_set_c = air_set_c
        self._members = members
        self._seed = seed
        self._start: datetime | None = None
        self._from: Case | None = None
        self._fed: list[Item] = []
        self._judged: dict[tuple[int, str], Judgement] = {}
        self._trunk: Watcher | None = None
        self._leaf: Watcher | None = None
        self._leaf_s = 0.0
        self._kept: list[tuple[int, float, Watcher]] = []  # items fed by then, moment, trunk

    def look(self, view: TripView, now: datetime) -> Look:
        """Bring the trunk up to the record, then look at the present from a leaf."""
        start = view.start
        if start is None:
            return Look(now, 0.0, view.last_seq, trouble="The trip has not started.")
        at_s = (now - start).total_seconds()
        if self._air_set_c is None:
            return Look(now, at_s, view.last_seq, trouble=_NO_SETTING)
        if at_s > LONGEST_S:
            return Look(now, at_s, view.last_seq, trouble=_TOO_LONG)
        items = [item for item in items_of(view) if item.at_s <= LONGEST_S]
        checked = as_checked(self.case, view, self._warmed_as_planned)
        self._bring_up(items, start, checked)
        leaf = self._leaf_at(max(at_s, 0.0))
        return Look(
            now,
            at_s,
            view.last_seq,
            leaf.present(),
            leaf.forecast(),
            leaf.conditions(),
            dict(self._judged),
            note=_warmed(self.case, checked),
        )

    def _leaf_at(self, at_s: float) -> Watcher:
        """Return a watcher at a moment, the same whenever and however often was looked before.

        It goes in steps that end on whole minutes, and the last of them is kept to go on from.
        """
        assert self._trunk is not None
        if self._leaf is None or at_s < self._leaf_s:
            self._leaf = copy.deepcopy(self._trunk)
            self._leaf_s = self._fed[-1].at_s if self._fed else 0.0
        while (following := STEP_S * (self._leaf_s // STEP_S + 1.0)) <= at_s:
            self._leaf.advance(following)
            self._leaf_s = following
        leaf = copy.deepcopy(self._leaf)
        leaf.advance(at_s)
        return leaf

    def _bring_up(self, items: list[Item], start: datetime, case: Case) -> None:
        same = 0
        going = self._trunk is not None and (start, case) == (self._start, self._from)
        if going:
            for old, new in zip(self._fed, items, strict=False):
                if old != new:
                    break
                same += 1
        if not going:
            self._restart(start, case)
        elif same < len(self._fed):
            self._go_back(same)
        for item in items[len(self._fed) :]:
            self._feed(item)
            self._leaf = None

    def _restart(self, start: datetime, case: Case) -> None:
        assert self._air_set_c is not None
        trunk = Watcher(case, members=self._members, seed=self._seed, air_set_c=self._air_set_c)
        trunk.begin()
        self._start, self._from = start, case
        self._trunk, self._fed, self._judged = trunk, [], {}
        self._kept, self._leaf = [(0, 0.0, copy.deepcopy(trunk))], None

    def _go_back(self, same: int) -> None:
        """Take the last kept trunk that was fed only with what still holds."""
        self._kept = [kept for kept in self._kept if kept[0] <= same]
        count, _, trunk = self._kept[-1]
        self._trunk, self._leaf = copy.deepcopy(trunk), None
        self._fed = self._fed[:count]

    def _feed(self, item: Item) -> None:
        trunk = self._trunk
        assert trunk is not None
        if item.at_s >= self._kept[-1][1] + KEEP_EVERY_S:
            self._kept.append((len(self._fed), item.at_s, copy.deepcopy(trunk)))
        if item.what == "seen":
            seen = Seen(
                item.at_s, item.quantity, item.value, source=item.source, doubted=item.doubted
            )
            self._judged[item.seq, item.quantity] = trunk.observe(seen)
        else:
            trunk.happened(item.at_s, item.what, dict(item.detail))
        self._fed.append(item)


_NO_SETTING = (
    "The watch is not available: this plan has no start temperature, so there is nothing to follow."
)
_TOO_LONG = "The watch is not available: the baby went in more than 12 hours ago."
_FAILED = (
    "The watch is not available: it failed on this trip. The record is not touched by this; go on "
    "charting. The reason stands in the server's terminal."
)


@dataclass(frozen=True)
class Subject:
    """What is needed to look at a trip: its state in the record and its own clock."""

    live: LiveTrip
    view: TripView
    now: datetime


class Watching:
    """One thread that looks at the trips that are looked at."""

    def __init__(
        self,
        subject: Callable[[str], Subject | None],
        noticed: Callable[[str, Subject, Look], None] = lambda _trip, _subject, _look: None,
    ) -> None:
        """Begin the thread.

        subject : gives a trip as it stands now; ``None`` for one that is not under way
        noticed : is told every look, to keep what was named
        """
        self._subject = subject
        self._noticed = noticed
        self._looks: dict[str, Look] = {}
        self._done: dict[str, float] = {}  # real time of the last look, by trip
        self._wanted: dict[str, float] = {}
        self._news = threading.Condition()
        self._going = True
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        self._thread.start()

    def look(self, trip: str, seq: int = 0, at_most_s: float = 0.0) -> Look | None:
        """Return the last look at a trip and ask for a new one.

        seq : wait for a look that knows the record up to this entry
        at_most_s : but no longer than this [s]
        """
        deadline = time.monotonic() + at_most_s
        with self._news:
            self._wanted[trip] = time.monotonic()
            self._news.notify_all()
            while True:
                found = self._looks.get(trip)
                left = deadline - time.monotonic()
                if left <= 0 or (found is not None and found.last_seq >= seq):
                    return found
                self._news.wait(left)

    def hurry(self, trip: str) -> None:
        """Let the next look at a trip come at once: there is a new entry."""
        with self._news:
            self._done.pop(trip, None)
            self._wanted[trip] = time.monotonic()
            self._news.notify_all()

    def close(self) -> None:
        """End the thread."""
        with self._news:
            self._going = False
            self._news.notify_all()
        self._thread.join(10)

    def _due(self) -> str | None:
        now = time.monotonic()
        for trip, asked in list(self._wanted.items()):
            last = self._done.get(trip)
            if last is None or (asked > last and now - last >= LOOK_EVERY_S):
                return trip
        return None

    def _run(self) -> None:
        while True:
            with self._news:
                trip = self._due()
                while self._going and trip is None:
                    self._news.wait(1.0)
                    trip = self._due()
                if not self._going:
                    return
                assert trip is not None
                self._done[trip] = time.monotonic()
            found = self._look_at(trip)
            with self._news:
                if found is not None:
                    self._looks[trip] = found
                self._news.notify_all()

    def _look_at(self, trip: str) -> Look | None:
        subject: Subject | None = None
        try:
            subject = self._subject(trip)
            if subject is None:
                return None
            found = subject.live.look(subject.view, subject.now)
            self._noticed(trip, subject, found)
            return found
        except Exception:
            log.exception("the watch failed on trip %s", trip)
            if subject is None:
                return None
            at_s = (subject.now - (subject.view.start or subject.now)) / timedelta(seconds=1)
            return Look(subject.now, at_s, subject.view.last_seq, trouble=_FAILED)
