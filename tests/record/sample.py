"""Invented entries, a clock that a test sets, and a record to damage."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from warmhold.record import FILE, Entry, Record
from warmhold.record.store import SCHEMA

FULL = os.environ.get("WARMHOLD_FULL") == "1"  # heavy tests at their full size
START = datetime(2026, 1, 14, 3, 5, tzinfo=UTC)
NURSE = "mira (chart)"


class SetClock:
    """A clock that runs only when told."""

    def __init__(self, now: datetime = START, mono_ns: int = 5_000_000_000, boot: str = "b1"):
        self.wall, self.count, self.boot = now, mono_ns, boot

    def now(self) -> datetime:
        return self.wall

    def mono_ns(self) -> int:
        return self.count

    def run(self, seconds: float, wall_seconds: float | None = None) -> None:
        """Let time pass; the wall clock may go another way than the counter."""
        self.count += round(seconds * 1e9)
        self.wall += timedelta(seconds=seconds if wall_seconds is None else wall_seconds)


def observation(number: int, trip: str = "T1", **values: Any) -> Entry:
    """Return a regular set; its stated time is that many minutes after the start."""
    body = {"values": values or {"skin_c": 36.0 + number % 10 / 10}, "set": "regular"}
    stated = START + timedelta(minutes=number)
    return Entry(f"form-{trip}-{number}", trip, "observation", body, NURSE, stated)


def plan(trip: str = "T1", size: int = 9000, **texts: str) -> Entry:
    """Return a plan that is too large for one page of the file."""
    body = {
        "trip_toml": texts.get("trip_toml", "# Alder Bay\n" * (size // 24)),
        "unit_toml": "name = 'invented'",
        "policy_toml": texts.get("policy_toml", "name = 'invented'"),
        "sheet": {"margins": [0.1] * (size // 16)},
    }
    return Entry(f"plan-{trip}", trip, "trip-planned", body, NURSE)


def fill(record: Record, count: int, trip: str = "T1", size: int = 9000) -> None:
    """Append a plan, a start and some sets."""
    record.append(plan(trip, size))
    record.append(Entry(f"start-{trip}", trip, "trip-started", {}, NURSE, START))
    for number in range(count):
        record.append(observation(number, trip))


@contextmanager
def tampering(folder: Path) -> Iterator[sqlite3.Connection]:
    """Open the file as someone would who wants to change it, and put the guards back after."""
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER event_is_never_changed")
        connection.execute("DROP TRIGGER event_is_never_deleted")
        yield connection
        for statement in SCHEMA[1:]:
            connection.execute(statement)
