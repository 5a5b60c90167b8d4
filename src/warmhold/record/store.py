"""The SQLite file: how it is opened, what is in it, and whether it is whole.

Rollback journal and `synchronous=EXTRA`: a commit is on the disk, and so is the removal of its
journal, before it returns. Both are read back, because SQLite does not complain when a setting is
not taken.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from warmhold.record.chain import (
    COLUMNS,
    GENESIS,
    LOST,
    RECOVERED,
    WITHHELD,
    Event,
    Row,
    event_of,
)
from warmhold.record.trouble import FAILURES, Trouble, error_name, from_sqlite

PAGE = 4096
APPLICATION = 0x7761726D  # "warm"
WHOLE_RECORD, PART_OF_RECORD = 1, 2  # user_version; a part came out of an export of one trip
BUSY_S = 10.0

SCHEMA = (
    """CREATE TABLE event (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    form_id TEXT NOT NULL UNIQUE,
    trip TEXT NOT NULL,
    kind TEXT NOT NULL,
    saved_utc TEXT NOT NULL,
    mono_ns INTEGER NOT NULL,
    boot TEXT NOT NULL,
    stated_utc TEXT,
    who TEXT NOT NULL,
    body TEXT NOT NULL,
    prior TEXT NOT NULL,
    hash TEXT NOT NULL
)""",
    """CREATE TRIGGER event_is_never_changed BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END""",
    """CREATE TRIGGER event_is_never_deleted BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END""",
)
_INSERT = f"INSERT INTO event ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"
_SELECT = f"SELECT {', '.join(COLUMNS)} FROM event"
MOST_FAULTS = 50


@dataclass(frozen=True)
class Verification:
    """What a check of the whole record found.

    whole : no fault; losses that an earlier recovery already named are not counted as faults
    events : entries that are there
    head : hash of the last one, the record's fingerprint
    faults : each in plain words, the first `MOST_FAULTS` of them
    withheld : entries of other trips that were left out of an export
    lost : numbers of entries that an earlier recovery could not bring back
    """

    whole: bool
    events: int
    head: str
    faults: tuple[str, ...]
    withheld: int = 0
    lost: tuple[int, ...] = ()


def set_up(connection: sqlite3.Connection, wanted: Sequence[tuple[str, str, object]]) -> None:
    """Make settings of SQLite (name, value, what it says then), and read each back.

    Errors: Trouble when one was not taken
    """
    for name, value, expected in wanted:
        connection.execute(f"PRAGMA {name}={value}").fetchall()
        found = connection.execute(f"PRAGMA {name}").fetchone()
        if found is None or found[0] != expected:
            raise Trouble(
                f"SQLite did not take the setting {name}={value} (it says {found}).",
                "Use Python with SQLite 3.31 or later.",
            )


def connect(path: Path, *, write: bool, must_exist: bool = True) -> sqlite3.Connection:
    """Open the file with the settings the record needs, and read them back.

    Errors: sqlite3.Error; Trouble when a setting is not taken
    """
    mode = "rwc" if write and not must_exist else "rw"
    if not write and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
        mode = "ro"  # else "rw": a reader may have to roll back what a killed writer left
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    connection = sqlite3.connect(
        uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.text_factory = _text
        wanted: list[tuple[str, str, object]] = [
            ("cell_size_check", "ON", 1),
            ("trusted_schema", "OFF", 0),
        ]
        if write:
            wanted += [
                ("journal_mode", "DELETE", "delete"),
                ("synchronous", "EXTRA", 3),
                ("fullfsync", "ON", 1),
            ]
            if not must_exist:
                wanted.insert(0, ("page_size", str(PAGE), PAGE))
        else:
            wanted += [("query_only", "ON", 1)]
        set_up(connection, wanted)
    except BaseException:
        connection.close()
        raise
    return connection


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "surrogateescape")


def create(path: Path, rows: Iterable[Row], part: bool = False) -> None:
    """Write a new file with these rows, whole and on the disk when this returns.

    Errors: sqlite3.Error, Trouble
    """
    with contextlib.closing(connect(path, write=True, must_exist=False)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        for statement in SCHEMA:
            connection.execute(statement)
        connection.execute(f"PRAGMA application_id={APPLICATION}")
        connection.execute(f"PRAGMA user_version={PART_OF_RECORD if part else WHOLE_RECORD}")
        insert(connection, rows)
        connection.execute("COMMIT")


def insert(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
    """Add rows."""
    connection.executemany(_INSERT, rows)


def try_to_write(connection: sqlite3.Connection) -> None:
    """Write and take it back: SQLite opens a file that may only be read without a word.

    Errors: sqlite3.Error
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.execute(f"PRAGMA user_version={user_version(connection)}")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def rows(connection: sqlite3.Connection, after: int = 0, trip: str | None = None) -> Iterator[Row]:
    """Yield the rows in order."""
    if trip is None:
        found = connection.execute(f"{_SELECT} WHERE seq > ? ORDER BY seq", (after,))
    else:
        found = connection.execute(
            f"{_SELECT} WHERE seq > ? AND trip = ? ORDER BY seq", (after, trip)
        )
    return (Row._make(columns) for columns in found)


def row_of_form(connection: sqlite3.Connection, form_id: str) -> Row | None:
    """Return the row of a form id."""
    found = connection.execute(f"{_SELECT} WHERE form_id = ?", (form_id,)).fetchone()
    return None if found is None else Row._make(found)


def row_of_seq(connection: sqlite3.Connection, seq: int) -> Row | None:
    """Return one row."""
    found = connection.execute(f"{_SELECT} WHERE seq = ?", (seq,)).fetchone()
    return None if found is None else Row._make(found)


def last_row(connection: sqlite3.Connection) -> Row | None:
    """Return the last row."""
    found = connection.execute(f"{_SELECT} ORDER BY seq DESC LIMIT 1").fetchone()
    return None if found is None else Row._make(found)


def user_version(connection: sqlite3.Connection) -> int:
    """Return the number of the format."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def same_schema(connection: sqlite3.Connection) -> bool:
    """Tell whether the file has the table and the triggers, as they were made."""
    found = connection.execute(
        "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name != 'sqlite_sequence'"
    )
    return sorted(row[0] for row in found) == sorted(SCHEMA)


def verify(connection: sqlite3.Connection) -> Verification:
    """Check the file, its schema and every link of the chain, in one reading.

    Errors: sqlite3.OperationalError when the file is locked or cannot be opened; damage is a fault
    """
    check = _Check()
    try:
        connection.execute("BEGIN")
        try:
            check.file(connection)
            for row in rows(connection):
                check.row(row)
            check.end(connection)
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
    except FAILURES as error:
        if not is_damage(error):
            raise
        check.fault(f"the file cannot be read to its end: {error}")
    return check.result()


def is_damage(error: Exception) -> bool:
    """Tell whether an error of `FAILURES` says that the file itself is damaged.

    It does not when the fault lies with a lock or with the rights.
    """
    if isinstance(error, UnicodeDecodeError):
        return True
    return isinstance(error, sqlite3.DatabaseError) and not error_name(error).startswith(
        ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_READONLY")
    )


# Bytes of the header that never change, by their place ("Database File Format", section 1.3).
# SQLite itself says nothing about most of them; one of them wrong can make a file read-only.
_HEADER = (
    (0, b"SQLite format 3\0" + PAGE.to_bytes(2, "big") + b"\1\1\0\x40\x20\x20"),
    (44, (4).to_bytes(4, "big")),
    (52, bytes(4) + (1).to_bytes(4, "big")),
    (64, bytes(4) + APPLICATION.to_bytes(4, "big") + bytes(20)),
)


def _header_faults(connection: sqlite3.Connection) -> Iterator[str]:
    """Compare the header, read through SQLite.

    Opening the file here and closing it would drop the locks that SQLite holds on it.
    """
    data = connection.serialize()
    for place, expected in _HEADER:
        if data[place : place + len(expected)] != expected:
            yield f"the file's header is damaged near byte {place}"


class _Check:
    """The state of one reading of the chain."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self.events = 0
        self.last: Row | None = None
        self.withheld = 0
        self.lost: dict[int, str] = {}  # number to trip
        self.named: dict[int, str] = {}  # the same, as the recoveries name them
        self.part = False
        self.more = 0

    def fault(self, text: str) -> None:
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(text)
        else:
            self.more += 1

    def file(self, connection: sqlite3.Connection) -> None:
        for (line,) in connection.execute(f"PRAGMA integrity_check({MOST_FAULTS})").fetchall():
            if line != "ok":
                self.fault(f"SQLite finds: {line}")
        for fault in _header_faults(connection):
            self.fault(fault)
        version = user_version(connection)
        self.part = version == PART_OF_RECORD
        if version not in (WHOLE_RECORD, PART_OF_RECORD):
            self.fault(f"the format {version} is not known to this warmhold")
        if not same_schema(connection):
            self.fault("the table or its guards against changes are not as warmhold made them")

    def row(self, row: Row) -> None:
        seq = (self.last.seq if self.last else 0) + 1
        prior = self.last.hash if self.last else GENESIS
        if row.seq != seq:
            gap = f"entry {seq}" if row.seq == seq + 1 else f"entries {seq} to {row.seq - 1}"
            self.fault(f"{gap} missing")
        elif row.prior != prior:
            self.fault(f"entry {row.seq} does not follow from the entry before it")
        if row.stands_in():
            self._stand_in(row)
        else:
            self.events += 1
            self._own(row)
        self.last = row

    def _stand_in(self, row: Row) -> None:
        if row.kind == LOST:
            self.lost[row.seq] = row.trip
            return
        self.withheld += 1
        if not self.part:
            self.fault(f"entry {row.seq} is withheld, though this is no part of a record")

    def _own(self, row: Row) -> None:
        if not row.is_own():
            self.fault(f"entry {row.seq} was changed: its hash does not fit what it says")
            return
        try:
            event = event_of(row)
        except (TypeError, ValueError, RecursionError) as error:
            self.fault(f"entry {row.seq} cannot be read: {error}")
            return
        if event.kind == RECOVERED:
            self.named.update(named_lost(event))

    def end(self, connection: sqlite3.Connection) -> None:
        for seq, trip in self.lost.items():
            if self.named.get(seq) != trip:
                self.fault(f"entry {seq} is lost, and no recovery names it")
        last = self.last
        if last is not None and last.kind == LOST and not last.is_own():
            self.fault(f"entry {last.seq} is lost, and nothing follows it")
        found = connection.execute("SELECT seq FROM sqlite_sequence WHERE name='event'").fetchone()
        top, reached = (found[0] if found else 0), (last.seq if last else 0)
        if top != reached:
            self.fault(f"the last entry is {reached}; the file counted up to {top}")

    def result(self) -> Verification:
        faults = list(self.faults)
        if self.more:
            faults.append(f"and {self.more} more")
        return Verification(
            whole=not faults,
            events=self.events,
            head=self.last.hash if self.last and isinstance(self.last.hash, str) else GENESIS,
            faults=tuple(faults),
            withheld=self.withheld,
            lost=tuple(self.lost),
        )


def named_lost(event: Event) -> dict[int, str]:
    """Return number and trip of each entry that a recovery says is lost."""
    entries: Any = event.body.get("lost", ())
    if not isinstance(entries, list):
        return {}
    return {
        entry["seq"]: str(entry.get("trip", ""))
        for entry in entries
        if isinstance(entry, dict) and isinstance(entry.get("seq"), int)
    }


def verify_file(path: Path) -> Verification:
    """Check a file that is not open here; it is only read.

    Errors: Trouble when it is not there, locked or may not be read
    """
    if not path.is_file():
        raise Trouble(f"There is no record at {path}.", "Name the folder of a record, or its file.")
    try:
        with contextlib.closing(connect(path, write=False)) as connection:
            return verify(connection)
    except FAILURES as error:
        if not is_damage(error):
            raise from_sqlite(error) from error
        return Verification(False, 0, GENESIS, (f"the file cannot be read: {error}",))


def events_of_file(path: Path) -> list[Event]:
    """Return the entries of a file that is not open here, in order; it is only read.

    Errors: Trouble when it is not there, damaged, locked or may not be read
    """
    if not path.is_file():
        raise Trouble(f"There is no record at {path}.", "Name the folder of a record, or its file.")
    try:
        with contextlib.closing(connect(path, write=False)) as connection:
            return events(list(rows(connection)))
    except FAILURES as error:
        raise from_sqlite(error) from error


def copy(source: sqlite3.Connection, target: Path) -> str:
    """Copy a record page by page with SQLite's backup interface; returns the hash it ends with.

    Errors: sqlite3.Error
    """
    source.execute("BEGIN")  # what is copied and the hash are of the same moment
    try:
        row = last_row(source)
        with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as connection:
            source.backup(connection)
    finally:
        if source.in_transaction:
            source.execute("ROLLBACK")
    return row.hash if row else GENESIS


def events(found: Sequence[Row]) -> list[Event]:
    """Read rows; those that only stand for a withheld entry are left out.

    Errors: Trouble when a row cannot be read
    """
    try:
        return [event_of(row) for row in found if not (row.kind == WITHHELD and row.stands_in())]
    except (TypeError, ValueError, RecursionError) as error:
        raise Trouble(
            f"An entry of the record cannot be read: {error}.",
            "Start warmhold again: it keeps the damaged file and recovers what is whole.",
        ) from error
