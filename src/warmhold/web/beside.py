"""What a device told beside what a person read: which is fresh, and where the two disagree."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from warmhold.record.bodies import NUMBERS
from warmhold.record.views import Reading, TripView
from warmhold.web.quantities import Entered, quantities, readings_of

if TYPE_CHECKING:
    from warmhold.web.service import Trip

_TABLE = Path(__file__).resolve().parent.parent / "data" / "tables" / "devices.toml"
NEAR = timedelta(minutes=2)  # two readings are held against each other within this
SAID_FOR = timedelta(minutes=30)  # a disagreement stays on the road page for so long


@dataclass(frozen=True)
class Instrument:
    """What one instrument may be off by, and how long what it told says something of now.

    within : [unit of the quantity]
    fresh_min : [min]
    """

    within: float
    fresh_min: float


@lru_cache(maxsize=1)
def instruments() -> Mapping[str, Instrument]:
    """Return the instruments by quantity."""
    raw = tomllib.loads(_TABLE.read_text("utf-8"))
    return {
        key: Instrument(float(row["within"]), float(row["fresh_min"]))
        for key, row in raw["quantity"].items()
    }


def may_differ(one: Entered) -> float:
    """Return how far two readings of a quantity may differ by their instruments alone [unit].

    Independent errors add as squares; one display step more.
    """
    return math.sqrt(2.0) * instruments()[one.key].within + one.step


def is_fresh(reading: Reading, now: datetime) -> bool:
    """Tell whether a reading may stand for now: a person's always, a device's for a while."""
    found = instruments().get(reading.quantity)
    if not reading.source or found is None:
        return True
    return now - reading.when <= timedelta(minutes=found.fresh_min)


def fresh_readings(view: TripView, now: datetime) -> dict[str, Reading]:
    """Return the last reading of each quantity that may stand for now.

    A device's value that is too old leaves the place to what a person read last, or to nothing.
    """
    found, by_hand = readings_of(view), read_by_hand(view)
    for name, reading in list(found.items()):
        if is_fresh(reading, now):
            continue
        if name in by_hand:
            found[name] = by_hand[name]
        else:
            del found[name]
    return found


def read_by_hand(view: TripView) -> dict[str, Reading]:
    """Return what a person read last, of each quantity that is a number."""
    found = {}
    for name, course in view.courses.items():
        last = next((one for one in reversed(course.readings) if not one.source), None)
        if last is not None:
            found[name] = last
    return found


@dataclass(frozen=True)
class Told:
    """The last value of one quantity that a device told.

    fresh : whether it still says something of now
    doubt : what there is to say against it; empty when nothing
    doubted : whether it is the device itself that says so
    """

    one: Entered
    source: str
    value: float
    when: datetime
    fresh: bool
    doubt: str
    doubted: bool = False


def told_by_devices(trip: Trip) -> dict[str, list[Told]]:
    """Return what each device told last, by the device's name."""
    if trip.case is None:
        return {}
    known = quantities(trip.case)
    latest: dict[tuple[str, str], Told] = {}
    for shown in trip.view.observations:
        if shown.struck or shown.body["set"] != "device":
            continue
        source, flags = str(shown.body["source"]), shown.body.get("flags") or {}
        for name, value in shown.body["values"].items():
            if name not in known or not isinstance(value, int | float):
                continue
            before = latest.get((source, name))
            if before is not None and before.when > shown.when:
                continue
            reading = Reading(
                name, value, shown.when, shown.seq, str(flags.get(name, "")), source=source
            )
            latest[source, name] = Told(
                known[name], source, float(value), shown.when, is_fresh(reading, trip.now),
                reading.flag, reading.doubted,
            )  # fmt: skip
    found: dict[str, list[Told]] = {}
    order = {name: number for number, name in enumerate(NUMBERS)}
    for (source, _), told in sorted(latest.items(), key=lambda i: (i[0][0], order[i[0][1]])):
        found.setdefault(source, []).append(told)
    return found


def called(sources: Iterable[str]) -> dict[str, str]:
    """Return a short name for each source: as many of its parts as tell it from the others.

    The parts of a name stand between commas: "BEDSIDE 2, T 1 2, patient mark bf9c" is called
    "BEDSIDE 2" beside "rig 1". A name that another one begins with stays whole.
    """
    every = sorted(set(sources))
    found = {}
    for name in every:
        parts = name.split(", ")
        others = [other.split(", ") for other in every if other != name]
        alone = (
            count
            for count in range(1, len(parts))
            if all(other[:count] != parts[:count] for other in others)
        )
        found[name] = ", ".join(parts[: next(alone, len(parts))])
    return found


def called_on(trip: Trip, joined: Iterable[str] = ()) -> dict[str, str]:
    """Return the short names of the sources that told something on a trip or are joined to it."""
    told = {
        str(shown.body["source"])
        for shown in trip.view.observations
        if not shown.struck and shown.body["set"] == "device"
    }
    return called({*told, *joined})


@dataclass(frozen=True)
class Apart:
    """A person and a device who read the same thing differently, at about the same time.

    may : how far they may differ by their instruments alone [unit]
    name : what the device is called in short
    """

    one: Entered
    hand: Reading
    device: Reading
    may: float
    name: str

    @property
    def by(self) -> float:
        """How far they differ [unit]."""
        return abs(float(self.hand.value) - float(self.device.value))

    @property
    def says(self) -> str:
        """What is known of it, calmly."""
        places = max(self.one.places, 1 if self.may < 1.0 else 0)
        return (
            f"{self.one.title}: {self.one.with_unit(self.hand.value)} read by hand, "
            f"{self.one.with_unit(self.device.value)} told by {self.name}. "
            f"{self.by:.{places}f} {self.one.unit} apart; two such instruments may be "
            f"{self.may:.{places}f} {self.one.unit} apart. Both are kept."
        )


def disagreements(trip: Trip) -> Iterator[Apart]:
    """Yield where a person and a device disagree, each reading with the nearest of each device."""
    if trip.case is None:
        return
    known = quantities(trip.case)
    short = called_on(trip)
    for name, course in trip.view.courses.items():
        if name not in known or name not in instruments():
            continue
        of_devices: dict[str, list[Reading]] = {}
        for reading in course.readings:
            if reading.source:
                of_devices.setdefault(reading.source, []).append(reading)
        if not of_devices:
            continue
        may = may_differ(known[name])
        for hand in course.readings:
            if hand.source:
                continue
            for told in of_devices.values():
                near = min(told, key=lambda one: abs(one.when - hand.when))
                apart = abs(float(hand.value) - float(near.value))
                if abs(near.when - hand.when) <= NEAR and apart > may + 1e-9:
                    yield Apart(known[name], hand, near, may, short.get(near.source, near.source))


def disagreements_now(trip: Trip) -> list[Apart]:
    """Return those of the last reading by hand of each quantity, while they are recent."""
    last = {name: one.seq for name, one in read_by_hand(trip.view).items()}
    now = trip.view.end if trip.view.handover is not None and trip.view.end else trip.now
    return [
        one
        for one in disagreements(trip)
        if one.hand.seq == last.get(one.one.key) and now - one.hand.when <= SAID_FOR
    ]
