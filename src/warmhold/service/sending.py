"""Sending: what the service has not acknowledged goes there, batch by batch.

Entries are never changed, so there is nothing to settle between two laptops: each has a chain of
its own, and the service has the beginning of it. A batch is one transaction that locks the head of
the device, checks that the record goes on from there, adds rows and moves the head. Whatever
happens to the network, a batch is there or it is not, and the head tells which. Nothing is
remembered on the laptop, and nothing is ever deleted there.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection
from sqlalchemy.dialects import postgresql, sqlite

from warmhold.record import Clock, SystemClock, Trouble
from warmhold.record.chain import GENESIS, STANDING_IN, Row
from warmhold.record.clock import iso
from warmhold.service.check import Chain, fault_of
from warmhold.service.database import Service, Unreachable
from warmhold.service.laptop import Laptop
from warmhold.service.tables import device, entry

BATCH = 200  # entries in one transaction
BATCH_TEXT = 1_000_000  # characters of their bodies
PATIENCE_S = 60.0  # how long a network that went away in the middle is waited for
LONGEST_NAME = 80

Progress = Callable[[int, int], None]


class Parted(Trouble):
    """The record does not go on from what the service has of it; nothing was written."""


@dataclass(frozen=True)
class Sent:
    """What came of it.

    device : the record's identity
    name : the device's, as the service has it
    sent : entries that were added now
    filled : of earlier ones, those that so far were only stood in for
    acknowledged : number and fingerprint of the last entry that the service has
    last : number of the last entry of this record: lower than the above for an older copy, higher
        when entries were written meanwhile
    """

    device: str
    name: str
    sent: int
    filled: int
    acknowledged: tuple[int, str]
    last: int


@dataclass(frozen=True)
class _Step:
    sent: int
    filled: int
    name: str
    head: tuple[int, str]


def sync(
    service: Service,
    path: Path,
    *,
    name: str = "",
    told: Progress | None = None,
    batch: int = BATCH,
    patience_s: float = PATIENCE_S,
    pause: Callable[[float], None] = time.sleep,
    clock: Clock | None = None,
) -> Sent:
    """Send what the service has not acknowledged; a repeat sends nothing.

    path : the record's folder, or its file; it is only read, and may be in use
    name : of this device, for people; left as it is when empty
    told : is told how many entries are acknowledged, and of how many
    batch : entries in one transaction
    patience_s : how long to try again after the network went away in the middle [s]
    pause : waits, for tests

    Errors: Parted when the record was changed or replaced; Unreachable; Trouble. What was
    acknowledged before that stays so
    """
    clock = SystemClock() if clock is None else clock
    _check_name(name)
    with Laptop.open(path) as laptop:
        identity = laptop.identity()
        if identity is None:
            raise Trouble("This record has no entry yet.", "There is nothing to send.")
        sending = _Sending(service, laptop, identity, name, batch, clock)
        goal = laptop.last_seq()  # what is written meanwhile may wait for the next time
        sent = filled = 0
        patience = _Patience(patience_s, pause)
        while True:
            try:
                step = sending.step()
            except Unreachable as error:
                patience.wait(error)
                continue
            patience.renew()
            sent, filled = sent + step.sent, filled + step.filled
            if told is not None:
                told(step.head[0], max(goal, step.head[0]))
            if step.head[0] >= goal and not step.filled:
                return Sent(identity, step.name, sent, filled, step.head, laptop.last_seq())


class _Patience:
    """How much longer to try again."""

    def __init__(self, seconds: float, pause: Callable[[float], None]) -> None:
        self._most, self._pause = seconds, pause
        self.renew()

    def renew(self) -> None:
        self._left, self._next = self._most, 0.25

    def wait(self, error: Unreachable) -> None:
        """Wait a while, each time longer; raises the error when that was long enough."""
        if self._left <= 0:
            raise error
        self._pause(min(self._next, self._left))
        self._left -= self._next
        self._next = min(2 * self._next, 8.0)


class _Sending:
    """One record on its way to one service."""

    def __init__(
        self, service: Service, laptop: Laptop, identity: str, name: str, batch: int, clock: Clock
    ) -> None:
        self._service, self._laptop, self._identity = service, laptop, identity
        self._name, self._batch, self._clock = name, batch, clock
        self._filled_up_to = 0

    def step(self) -> _Step:
        """Do one transaction; it sent nothing and filled nothing when there was nothing left."""
        with self._service.writing() as connection:
            name, seq, hash_ = self._lock(connection)
            self._check_head(connection, seq, hash_)
            fills, looked_up_to = self._fills(connection, seq)
            rows: list[Row] = []
            changes: dict[str, Any] = {}
            if not fills:
                rows = _sound(self._laptop.rows(seq, self._batch, BATCH_TEXT), seq, hash_)
            if rows:
                seq, hash_ = rows[-1].seq, rows[-1].hash
                connection.execute(
                    sa.insert(entry), [{"device": self._identity, **row._asdict()} for row in rows]
                )
            if rows or fills:
                now = iso(self._clock.now())
                changes = {"head_seq": seq, "head_hash": hash_, "acknowledged_utc": now}
            if self._name and self._name != name:
                name = changes["name"] = self._name
            if changes:
                connection.execute(
                    sa.update(device).where(device.c.id == self._identity).values(changes)
                )
        self._filled_up_to = looked_up_to
        return _Step(len(rows), len(fills), name, (seq, hash_))

    def _lock(self, connection: Connection) -> tuple[str, int, str]:
        """Lock the device, which is made if need be; returns its name and its head."""
        find = (
            sa.select(device.c.name, device.c.head_seq, device.c.head_hash)
            .where(device.c.id == self._identity)
            .with_for_update()
        )
        found = connection.execute(find).one_or_none()
        if found is None:
            now = iso(self._clock.now())
            insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
            connection.execute(
                insert(device)
                .values(
                    id=self._identity, name=self._name or f"record {self._identity[:12]}",
                    head_seq=0, head_hash=GENESIS, added_utc=now, acknowledged_utc=now,
                )
                .on_conflict_do_nothing()
            )  # fmt: skip
            found = connection.execute(find).one()
        return found.name, found.head_seq, found.head_hash

    def _check_head(self, connection: Connection, seq: int, hash_: str) -> None:
        """See that the record goes on from the service's head, or is an older copy of it.

        Errors: Parted, Trouble
        """
        if seq == 0:
            return
        ours = self._laptop.row(seq)
        if ours is None:
            last = self._laptop.last()
            if last is None or last.seq > seq:
                raise _not_whole(f"entry {seq} missing")
            kept = sa.select(entry.c.hash).where(
                entry.c.device == self._identity, entry.c.seq == last.seq
            )
            ours, seq, hash_ = last, last.seq, str(connection.execute(kept).scalar_one())
        if ours.hash != hash_:
            raise Parted(
                f"This record does not go on from what the service has of it. Entry {seq} has the "
                f"fingerprint {ours.hash} here and {hash_} in the service. Nothing was written.",
                "The record was changed or replaced, or two computers went on with copies of one "
                "record. Keep it as it is, check it with warmhold record verify, and pass on what "
                "the service does not have with warmhold record export.",
            )

    def _fills(self, connection: Connection, head: int) -> tuple[list[Row], int]:
        """Put entries where the service has rows that stand for them, as far as this record can.

        Such rows come from a part of a record, or from a damaged one of which there was a copy.
        """
        kept = connection.execute(
            sa.select(entry.c.seq, entry.c.prior, entry.c.hash)
            .where(
                entry.c.device == self._identity,
                entry.c.kind.in_(STANDING_IN),
                entry.c.seq > self._filled_up_to,
            )
            .order_by(entry.c.seq)
        ).all()
        fills: list[Row] = []
        for seq, prior, hash_ in kept:
            if len(fills) == self._batch:
                return fills, fills[-1].seq
            row = self._laptop.row(seq)
            if (
                row is not None
                and (row.prior, row.hash) == (prior, hash_)
                and not row.stands_in()
                and (fault_of(row) or _fault_of_text(row)) is None
            ):
                fills.append(row)
                connection.execute(
                    sa.update(entry)
                    .where(entry.c.device == self._identity, entry.c.seq == seq)
                    .values(row._asdict())
                )
        return fills, head


def _sound(rows: Sequence[Row], seq: int, hash_: str) -> list[Row]:
    """Return the rows up to the first that does not follow.

    Errors: Trouble when that is the very first
    """
    chain = Chain(seq, hash_)
    sound: list[Row] = []
    for row in rows:
        faults = [*chain.add(row), *filter(None, [_fault_of_text(row)])]
        if faults:
            if not sound:
                raise _not_whole(faults[0])
            break
        sound.append(row)
    return sound


def _fault_of_text(row: Row) -> str | None:
    """Tell whether a row holds text that a database does not take: warmhold makes none such."""
    for text in row:
        if isinstance(text, str) and ("\0" in text or not _encodes(text)):
            return f"entry {row.seq} holds what is no text"
    return None


def _encodes(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _not_whole(fault: str) -> Trouble:
    return Trouble(
        f"The record is not whole: {fault}. What comes before was sent; from there on nothing was.",
        "Start warmhold serve, which keeps the damaged file and recovers what is whole; then send "
        "again.",
    )


def _check_name(name: str) -> None:
    if name and (len(name) > LONGEST_NAME or not name.isprintable() or not name.strip()):
        raise Trouble(
            "The name of a device has 1 to 80 printable characters.", "Name it otherwise: --name."
        )
