"""Reading: what the laptops sent, as it lies in the service.

Two devices are never made one. A transfer is known by its device and its trip; where two devices
speak of a baby with the same pseudonym at the same time, the pair is listed for a person to look
at, and both stay.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy import Connection

from warmhold.record import Trouble, Verification, sharing, store
from warmhold.record.chain import COLUMNS, Event, Row
from warmhold.record.transfers import transfer
from warmhold.record.views import trip_view
from warmhold.review.transfer import Transfer
from warmhold.service.check import verification
from warmhold.service.database import Service
from warmhold.service.tables import device, entry

FORMAT: Final = "warmhold service 1"
CONTAINS: Final = (
    "Every device with the name its users gave it, and its record: see what each says of itself."
)
PAGE = 1000  # rows read at a time
SHORT = 12  # digits of a device's identity in the key of a transfer
_BEFOREHAND = ("trip-planned", "access", "clock-jump")  # tell nothing about when a baby was moved


@dataclass(frozen=True)
class Device:
    """One laptop's record.

    id : fingerprint of its first entry
    key : the same in short, in the keys of its transfers
    head : number and fingerprint of its last entry here
    added_utc, acknowledged_utc : when it first and last sent, by its own clock
    """

    id: str
    key: str
    name: str
    head: tuple[int, str]
    added_utc: str
    acknowledged_utc: str


@dataclass(frozen=True)
class Trip:
    """One trip of one device.

    key : device and trip
    baby : its pseudonym; empty when it was never written
    began, ended : of its entries, the plan left out; ``None`` for a trip that was only planned
    transfer : as a review counts it; ``None`` for one that was never started
    """

    key: str
    device: Device
    trip: str
    baby: str
    entries: int
    began: datetime | None
    ended: datetime | None
    handed_over: bool
    transfer: Transfer | None


@dataclass(frozen=True)
class Pair:
    """Two trips of two devices that may be of one baby: the same pseudonym at the same time."""

    one: Trip
    other: Trip


def devices(service: Service) -> tuple[Device, ...]:
    """Return the devices in the order of their first sending.

    Errors: Trouble
    """
    with service.reading() as connection:
        return _devices(connection)


def verify(service: Service) -> tuple[tuple[Device, Verification], ...]:
    """Check every link of every device's chain, as it lies in the database.

    Errors: Trouble
    """
    found = []
    for one in devices(service):
        with service.reading() as connection:  # its head and its rows are of the same moment
            now = next(d for d in _devices(connection) if d.id == one.id)
            found.append((now, verification(_rows(connection, now.id), now.id, now.head)))
    return tuple(found)


def trips(service: Service) -> tuple[Trip, ...]:
    """Return every trip of every device, in the order of devices and first entries.

    Errors: Trouble
    """
    with service.reading() as connection:
        return tuple(
            trip for one in _devices(connection) for trip in _trips(one, _rows(connection, one.id))
        )


def transfers(found: Sequence[Trip]) -> tuple[Transfer, ...]:
    """Return those that were started, each under its own key."""
    return tuple(one.transfer for one in found if one.transfer is not None)


def pairs(found: Sequence[Trip]) -> tuple[Pair, ...]:
    """List trips of different devices with an equal pseudonym whose times overlap.

    Nothing is concluded from it: a pseudonym may have been used twice.
    """
    by_baby: dict[str, list[Trip]] = {}
    for one in found:
        name = " ".join(one.baby.casefold().split())
        if name and one.transfer is not None and one.began is not None:
            by_baby.setdefault(name, []).append(one)
    made: list[Pair] = []
    for same in by_baby.values():
        same.sort(key=lambda one: (one.began, one.key))
        for place, one in enumerate(same):
            for other in same[place + 1 :]:
                if other.began is None or one.ended is None or other.began > one.ended:
                    break
                if other.device.id != one.device.id:
                    made.append(Pair(one, other))
    return tuple(made)


def export(service: Service, which: str | None = None) -> dict[str, Any]:
    """Return all devices with their records, or the record of one, ready for JSON.

    which : name, short or full identity of one device. Its record has the format of
        `warmhold record export`, and can be read in again with the same hashes

    Errors: Trouble
    """
    with service.reading() as connection:
        known = _devices(connection)
        if which is not None:
            one = _chosen(known, which)
            return _record(connection, one)
        return {
            "format": FORMAT,
            "contains": {
                "says": CONTAINS,
                "devices": [one.name for one in known],
                "entries": sum(one.head[0] for one in known),
            },
            "devices": [
                {
                    "id": one.id,
                    "name": one.name,
                    "added_utc": one.added_utc,
                    "acknowledged_utc": one.acknowledged_utc,
                    "record": _record(connection, one),
                }
                for one in known
            ],
        }


def _chosen(known: Sequence[Device], which: str) -> Device:
    found = [one for one in known if which in (one.name, one.key, one.id)]
    if not found and re.fullmatch(r"[0-9a-f]{6,64}", which):
        found = [one for one in known if one.id.startswith(which)]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(f"{one.name} ({one.key})" for one in known) or "none"
    what = "More than one device is" if found else "No device is"
    raise Trouble(f"{what} called {which!r}.", f"There are: {listed}.")


def _record(connection: Connection, one: Device) -> dict[str, Any]:
    """Export one device as its laptop would."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as memory:
        memory.execute(store.SCHEMA[0])
        store.insert(memory, _rows(connection, one.id))
        return sharing.export(memory, None)


def _devices(connection: Connection) -> tuple[Device, ...]:
    columns = (
        device.c.id, device.c.name, device.c.head_seq, device.c.head_hash, device.c.added_utc,
        device.c.acknowledged_utc,
    )  # fmt: skip
    rows = connection.execute(sa.select(*columns).order_by(device.c.added_utc, device.c.id)).all()
    short = Counter(row.id[:SHORT] for row in rows)
    return tuple(
        Device(
            id=row.id,
            key=row.id[:SHORT] if short[row.id[:SHORT]] == 1 else row.id,
            name=row.name,
            head=(row.head_seq, row.head_hash),
            added_utc=row.added_utc,
            acknowledged_utc=row.acknowledged_utc,
        )
        for row in rows
    )


def _rows(connection: Connection, of: str) -> Iterator[Row]:
    """Yield the rows of a device in order, a page at a time."""
    columns = [entry.c[name] for name in COLUMNS]
    after = 0
    while True:
        page = connection.execute(
            sa.select(*columns)
            .where(entry.c.device == of, entry.c.seq > after)
            .order_by(entry.c.seq)
            .limit(PAGE)
        ).all()
        for columns_ in page:
            yield Row._make(columns_)
        if len(page) < PAGE:
            return
        after = page[-1].seq


def _trips(one: Device, rows: Iterator[Row]) -> Iterator[Trip]:
    by_trip: dict[str, list[Event]] = {}
    try:
        events_ = store.events(list(rows))
    except Trouble as trouble:
        raise Trouble(f"{one.name}: {trouble.reason}", "See warmhold service verify.") from trouble
    for event in events_:
        if event.trip:
            by_trip.setdefault(event.trip, []).append(event)
    for name, events in by_trip.items():
        key = f"{one.key}:{name}"
        view, counted = trip_view(events), transfer(events, alarms=True)
        moments = [event.when for event in events if event.kind not in _BEFOREHAND]
        if counted is not None:
            counted = replace(counted, key=key)
            moments += counted.moments.values()
        yield Trip(
            key=key,
            device=one,
            trip=name,
            baby=_pseudonym(view.planned or {}),
            entries=len(events),
            began=min(moments, default=None),
            ended=max(moments, default=None),
            handed_over=view.handover is not None,
            transfer=counted,
        )


def _pseudonym(plan: Mapping[str, Any]) -> str:
    try:
        found = tomllib.loads(str(plan.get("trip_toml", "")).removeprefix("\ufeff")).get("baby")
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return ""
    name = found.get("pseudonym") if isinstance(found, dict) else None
    if not isinstance(name, str):
        return ""
    return "".join(one if one.isprintable() else " " for one in name).strip()
