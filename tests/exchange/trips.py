"""Invented trips in a record, with everything that goes out in it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from record.sample import NURSE, START, SetClock
from warmhold.model.load import DATA
from warmhold.record import Entry, Record

TRIP = "T1"
MONITOR = "monitor one"


def plan(trip: str = TRIP, name: str = "winter-road") -> Entry:
    texts = {
        "trip_toml": (DATA / "trips" / f"{name}.toml").read_text("utf-8"),
        "unit_toml": (DATA / "units" / "alder-single.toml").read_text("utf-8"),
        "policy_toml": (DATA / "policies" / "cautious.toml").read_text("utf-8"),
        "sheet": {},
    }
    return Entry(f"plan-{trip}", trip, "trip-planned", texts, NURSE)


def entries(trip: str = TRIP) -> list[Entry]:
    """One trip: sets, a device's values, corrections, a trend, alerts, notes, the handover."""
    found: list[Entry] = [plan(trip)]

    def add(kind: str, body: dict[str, Any], minute: float | None = None) -> int:
        stated = None if minute is None else START + timedelta(minutes=minute)
        found.append(Entry(f"{trip}-{len(found)}", trip, kind, body, NURSE, stated))
        return len(found)

    add("trip-started", {}, 0)
    first = add("observation", {"set": "regular", "values": {
        "skin_c": 36.1, "axillary_c": 36.9, "rectal_c": 37.1, "pulse_per_min": 141,
        "saturation_pre_percent": 95, "saturation_post_percent": 93, "breaths_per_min": 48,
        "pressure_mean_mmhg": 41, "glucose_mmol_l": 3.4, "air_c": 34.9, "air_set_c": 35,
        "heater_percent": 40, "hood_humidity_percent": 38, "oxygen_percent": 29,
        "oxygen_set_percent": 30, "battery_divisions": 9, "flow_lpm": 8,
        "gauge_bar:oxygen A": 146.5, "power_source": "battery", "vent_text": "hood, =2+3",
    }, "flags": {"skin_c": "lower than the watch expects, by 0.9"}}, 15)  # fmt: skip
    second = add("observation", {"set": "extra", "values": {"skin_c": 63.4, "air_c": 35.2}}, 21)
    third = add("observation", {"set": "extra", "values": {"skin_c": 36.2}}, 22)
    add("observation", {"set": "device", "source": MONITOR, "values": {
        "skin_c": 36.15, "pulse_per_min": 144, "air_c": 35.05,
    }}, 23)  # fmt: skip
    add("correction", {"corrects": second, "body": {"set": "extra", "values": {"skin_c": 36.4}}})
    add("correction", {"corrects": third, "body": None})
    add("happening", {"what": "note", "detail": "+ family told\nby phone"}, 25)
    add("noticed", {"key": "probe off", "title": "Skin probe may be off", "priority": "medium",
                    "evidence": "skin fell 1 degree in 3 minutes"}, 26)  # fmt: skip
    add("trend", {"source": MONITOR, "start": "2026-01-14T03:10:00Z", "seconds": [0, 60, 120, 180],
                  "numbers": {"saturation_pre_percent": [95, None, 94.5, 96],
                              "pulse_per_min": [140, 141, None, 143]}})  # fmt: skip
    air = {"air_c": [34.25, None, 35.125]}
    add("trend", {"source": "logger two", "start": "2026-01-14T03:10:00Z",
                  "seconds": [3, 60.5, 200], "numbers": air})  # fmt: skip
    add("handover", {"to": "ward team", "at": "2026-01-14T04:30:00Z", "texts": {"state": "calm"}})
    assert first == 3
    return found


def record_with(folder: Path, *trips: str) -> Record:
    """Open a record that holds these trips, or one."""
    record = Record.open(folder, clock=SetClock(), warn=lambda _: None)
    numbers: list[Entry] = []
    for trip in trips or (TRIP,):
        before = len(numbers)
        for one in entries(trip):
            body = dict(one.body)
            if one.kind == "correction":
                body["corrects"] += before
            record.append(replace(one, body=body))
            numbers.append(one)
    return record
