"""How readings that a device tells each minute change the watch, when their errors hang together.

    python benchmarks/device_readings.py [trips] [members] [first seed]
    python benchmarks/device_readings.py names [trips] [members] [first seed]

The watch takes the errors of two readings as independent, beside a lasting offset. A device that
tells a value each minute has errors that wander: here an error of its own for each quantity, with
a memory of 10 minutes (first-order autoregression), of the size of one reading's error and of twice
that. Printed is how often the true value lay in the watch's band of nine in ten, with the device's
readings taken each minute or thinned. With ``names``: how often and how soon hidden faults were
named, and what was named that was not there.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from warmhold.model import Case, load_case, shipped_path
from warmhold.watch import Seen, Watcher, quantities
from warmhold.watch.quantities import OfDevice, of_device, reading
from warmhold.watch.rehearsal import KEY_OF, TITLES_OF, Happened, HiddenFault, Rehearsal

AIR_SET_C = {"winter-road": 35.8, "island-flight": 37.0}
DEVICE = (
    "skin_c", "axillary_c", "air_c", "heater_percent", "hood_humidity_percent", "oxygen_percent",
)  # fmt: skip
MEMORY_MIN = 10.0
NEVER_S = 1e9
LOOK_S = 600.0
MONITOR = ("skin_c", "air_c", "heater_percent")
# For skin, air and heater, and for the others: minutes between two readings that are taken, and how
# many times as large their errors count. None: the device is not read at all.
Way = tuple[OfDevice, OfDevice] | None
WAYS: dict[str, Way] = {
    "not at all": None,
    "each minute, as by hand": (OfDevice(60.0, 1.0), OfDevice(60.0, 1.0)),
    "5 min, as by hand": (OfDevice(300.0, 1.0), OfDevice(300.0, 1.0)),
    "5 min x 3": (OfDevice(300.0, 3.0), OfDevice(300.0, 3.0)),
    "1 min x 1; 5 min x 3": (OfDevice(60.0, 1.0), OfDevice(300.0, 3.0)),
    "2 min x 1.5; 5 min x 3": (OfDevice(120.0, 1.5), OfDevice(300.0, 3.0)),
}


@contextmanager
def taken(way: Way) -> Iterator[None]:
    """Take a device's readings in one way for a while."""
    before = dict(quantities.OF_DEVICE), quantities.OTHERS_OF_DEVICE
    if way is not None:
        quantities.OF_DEVICE.update(dict.fromkeys(MONITOR, way[0]))
        quantities.__dict__["OTHERS_OF_DEVICE"] = way[1]
    try:
        yield
    finally:
        quantities.OF_DEVICE.update(before[0])
        quantities.__dict__["OTHERS_OF_DEVICE"] = before[1]


class Wandering(Rehearsal):
    """A trip with a device that tells its values each minute, its errors hanging together.

    size : standard deviation of the wandering error, in errors of one reading
    """

    def __init__(
        self,
        case: Case,
        seed: int,
        fault: HiddenFault | None = None,
        *,
        air_set_c: float,
        size: float,
    ) -> None:
        super().__init__(case, seed, fault, air_set_c=air_set_c, monitor_s=NEVER_S)
        self.told: list[Seen] = []
        self.size = size
        self._errors = dict.fromkeys(DEVICE, 0.0)
        self._own = np.random.default_rng([seed, 11])
        self._keep = math.exp(-1.0 / MEMORY_MIN)
        for name in self._errors:
            self._errors[name] = float(self._own.standard_normal())

    def _read(self, now: float) -> None:
        super()._read(now)
        for name, before in self._errors.items():
            fresh = float(self._own.standard_normal()) * math.sqrt(1.0 - self._keep**2)
            error = self._errors[name] = self._keep * before + fresh
            kind, found = reading(name), self._rows.expected(name)
            assert kind is not None
            if found is None:
                continue
            value = float(found[0][0]) + self.size * kind.noise * error
            value = kind.step * round(value / kind.step)
            value = min(max(value, kind.low), kind.high)
            self.told.append(Seen(now, name, round(value, 6), source="device"))

    def thinned(self) -> list[Seen]:
        """Return the first reading of each quantity in each stretch that it is taken in."""
        taken: set[tuple[str, int]] = set()
        found = []
        for one in self.told:
            slot = (one.quantity, int(one.at_s // of_device(one.quantity).every_s))
            if slot not in taken:
                taken.add(slot)
                found.append(one)
        return found


def lasting(case: Case) -> Case:
    """The trip with three packs in the unit: an empty battery would hide the rest."""
    battery = case.unit.battery.model_copy(update={"packs": 3})
    return replace(case, unit=case.unit.model_copy(update={"battery": battery}))


def in_order(trip: Wandering, with_device: bool) -> Iterator[Seen | Happened]:
    """Everything that the watch is given, by time."""
    device = trip.thinned() if with_device else []
    items: list[Seen | Happened] = [*trip.events(trip.ends_s), *device]
    yield from sorted(items, key=lambda one: one.at_s)


def follow(
    trip: Wandering, with_device: bool, members: int
) -> tuple[dict[str, list[bool]], dict[str, list[float]]]:
    """Return whether each quantity's band held the truth, and how wide it was."""
    one = Watcher(trip.case, members=members, air_set_c=trip.air_set_c, outlook=False, trials=False)
    one.begin()
    hits: dict[str, list[bool]] = {}
    widths: dict[str, list[float]] = {}
    next_s = LOOK_S
    for item in in_order(trip, with_device):
        while item.at_s > next_s:
            _look(one, trip, next_s, hits, widths)
            next_s += LOOK_S
        _give(one, item)
    return hits, widths


def _give(one: Watcher, item: Seen | Happened) -> None:
    if isinstance(item, Seen):
        one.observe(item)
    else:
        one.happened(item.at_s, item.what, item.detail)


def named(trip: Wandering, with_device: bool, members: int) -> tuple[float | None, list[str]]:
    """Return after how many minutes the hidden fault was named, and the false names."""
    one = Watcher(trip.case, members=members, air_set_c=trip.air_set_c, outlook=False)
    one.begin()
    for item in in_order(trip, with_device):
        _give(one, item)
    key = KEY_OF[trip.fault] if trip.fault else "nothing"
    right = [
        c
        for c in one.history()
        if (c.key.startswith(key) or (trip.fault and c.also == TITLES_OF[trip.fault]))
        and c.since_s >= trip.begins_s
    ]
    false = list(dict.fromkeys(c.key for c in one.history() if c not in right))
    return ((right[0].since_s - trip.begins_s) / 60.0 if right else None), false


def _look(
    one: Watcher,
    trip: Wandering,
    at_s: float,
    hits: dict[str, list[bool]],
    widths: dict[str, list[float]],
) -> None:
    one.advance(at_s)
    now = one.present()
    truth = next(t for t in trip.truths if abs(t.at_s - at_s) < 1.0)
    pairs = {
        "body": (now.body_c, truth.body_c),
        "skin": (now.skin_c, truth.skin_c),
        "air": (now.air_c, truth.air_c),
        "wall": (now.wall_c, truth.wall_c),
        "oxygen": (now.oxygen_percent, truth.oxygen_percent),
        "battery": (now.battery_wh, truth.battery_wh),
    }
    for name, (band, value) in pairs.items():
        hits.setdefault(name, []).append(bool(band.p05 <= value <= band.p95))
        widths.setdefault(name, []).append(float(band.p95 - band.p05))


def coverage(trips: int, members: int, first: int) -> None:
    """Print how often the bands held the truth."""
    case = lasting(load_case(shipped_path("trips", "winter-road")))
    names = ("body", "skin", "air", "wall", "oxygen", "battery")
    print(f"winter-road, {trips} trips, {members} members, seeds {first} on")
    print("| wander | device read | " + " | ".join(names) + " | width of body, skin |")
    for size in (1.0, 2.0):
        drawn = [
            Wandering(case, seed, air_set_c=AIR_SET_C["winter-road"], size=size)
            for seed in range(first, first + trips)
        ]
        for trip in drawn:
            trip.events(trip.ends_s)
        for word, way in WAYS.items():
            hits: dict[str, list[bool]] = {}
            widths: dict[str, list[float]] = {}
            for trip in drawn:
                with taken(way):
                    own, wide = follow(trip, way is not None, members)
                for name in own:
                    hits.setdefault(name, []).extend(own[name])
                    widths.setdefault(name, []).extend(wide[name])
            shares = " | ".join(f"{100 * np.mean(hits[name]):.0f} %" for name in names)
            width = ", ".join(f"{np.mean(widths[name]):.2f}" for name in ("body", "skin"))
            print(f"| {size:.0f} | {word} | {shares} | {width} |")
            sys.stdout.flush()


def names(trips: int, members: int, first: int) -> None:
    """Print how soon hidden faults were named, and what was named falsely."""
    case = lasting(load_case(shipped_path("trips", "winter-road")))
    print(f"winter-road, {trips} trips each, {members} members, seeds {first} on, wander 1")
    print("| hidden | device read | named | median min | false names |")
    hidden: tuple[HiddenFault | None, ...] = ("hood", "heater", "probe", None)
    for fault in hidden:
        for word, way in WAYS.items():
            if way is None or word.startswith("5 min, as"):
                continue
            delays: list[float] = []
            wrong: list[str] = []
            for seed in range(first, first + trips):
                trip = Wandering(case, seed, fault, air_set_c=AIR_SET_C["winter-road"], size=1.0)
                trip.events(trip.ends_s)
                with taken(way):
                    delay, false = named(trip, True, members)
                wrong += false
                if delay is not None:
                    delays.append(delay)
            middle = f"{np.median(delays):.0f}" if delays else "-"
            told = ", ".join(f"{wrong.count(k)} {k}" for k in sorted(set(wrong))) or "none"
            print(f"| {fault} | {word} | {len(delays)} | {middle} | {told} |")
            sys.stdout.flush()


def main() -> None:
    """Run it all."""
    given = sys.argv[1:]
    what = names if given[:1] == ["names"] else coverage
    numbers = [int(one) for one in given if one.isdigit()]
    trips, members, first = (*numbers, *(24, 150, 7000)[len(numbers) :])
    began = time.perf_counter()
    what(trips, members, first)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
