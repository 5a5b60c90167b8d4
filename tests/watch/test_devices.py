"""What the watch makes of a device: less sure of it than of a hand, and never of it alone."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from warmhold.watch import Seen, Watcher, quantities
from watch.drills import AIR_SET_C, FULL, MEMBERS, lasting

WINTER = "winter-road"
TRIPS = 24


def begun() -> Watcher:
    one = Watcher(
        lasting(WINTER), members=MEMBERS, air_set_c=AIR_SET_C[WINTER], trials=False, outlook=False
    )
    one.begin()
    return one


def names(one: Watcher) -> dict[str, str]:
    return {c.key: c.evidence for c in one.conditions() if c.cleared_s is None}


def test_two_readings_of_one_device_are_no_second_opinion() -> None:
    one = begun()
    for minute in range(1, 6):
        seen = Seen(60.0 * minute, "axillary_c", 34.6, source="monitor 3")
        assert one.observe(seen).used is False
    assert "apart:axillary_c" in names(one)
    assert one.present().body_c.p50 > 36.5
    assert "told by monitor 3" in names(one)["baby-cold"]


@pytest.mark.parametrize("source", ["", "another monitor"])
def test_a_person_or_another_device_settles_it(source: str) -> None:
    one = begun()
    one.observe(Seen(60.0, "axillary_c", 34.6, source="monitor 3"))
    assert one.observe(Seen(240.0, "axillary_c", 34.5, source=source)).used is True
    assert abs(one.present().body_c.p50 - 34.5) < 0.1


def test_a_device_that_fell_silent_says_nothing_of_now() -> None:
    told, read = begun(), begun()
    told.observe(Seen(60.0, "pulse_per_min", 230.0, source="monitor 3"))
    read.observe(Seen(60.0, "pulse_per_min", 230.0))
    for one, still in ((told, False), (read, True)):
        assert "pulse" in names(one)
        one.observe(Seen(60.0 + 11 * 60.0, "saturation_pre_percent", 93.0))
        assert ("pulse" in names(one)) is still


def test_the_ensemble_learns_less_from_a_device_than_from_a_hand() -> None:
    widths = []
    for source in ("", "monitor 3"):
        one = begun()
        one.observe(Seen(300.0, "axillary_c", 36.9, source=source))
        band = one.present().body_c
        widths.append(band.p95 - band.p05)
    alone = begun()
    alone.advance(300.0)
    untouched = alone.present().body_c
    assert widths[0] < widths[1] < untouched.p95 - untouched.p05


# --- errors that hang together ------------------------------------------------------------------


def benchmark() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks" / "device_readings.py"
    spec = importlib.util.spec_from_file_location("device_readings", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["device_readings"] = module
    spec.loader.exec_module(module)
    return module


def body_covered(way: str, size: float) -> float:
    """How often the body's band of nine in ten held the truth."""
    drawn = benchmark()
    hits: list[bool] = []
    for seed in range(7500, 7500 + TRIPS):  # not those that the two numbers were chosen on
        trip = drawn.Wandering(lasting(WINTER), seed, air_set_c=AIR_SET_C[WINTER], size=size)
        trip.events(trip.ends_s)
        with drawn.taken(drawn.WAYS[way]):
            hits += drawn.follow(trip, True, MEMBERS)[0]["body"]
    return float(np.mean(hits))


@pytest.mark.skipif(not FULL, reason="minutes long; with WARMHOLD_FULL=1")
@pytest.mark.parametrize("wander", [1.0, 2.0])
def test_a_device_each_minute_does_not_make_the_watch_too_sure(wander: float) -> None:
    """Two binomial standard deviations of TRIPS draws below 85 %."""
    assert body_covered("2 min x 1.5; 5 min x 3", wander) >= 0.85 - 2.0 * math.sqrt(
        0.85 * 0.15 / TRIPS
    )


@pytest.mark.skipif(not FULL, reason="minutes long; with WARMHOLD_FULL=1")
def test_taken_each_minute_as_if_by_hand_it_would() -> None:
    assert body_covered("each minute, as by hand", 1.0) < 0.75


def test_the_way_that_was_measured_is_the_way_that_is_used() -> None:
    monitor, others = benchmark().WAYS["2 min x 1.5; 5 min x 3"]
    assert {quantities.of_device(one) for one in ("skin_c", "air_c", "heater_percent")} == {monitor}
    assert quantities.of_device("axillary_c") == others
