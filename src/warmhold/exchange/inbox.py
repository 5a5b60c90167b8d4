"""What devices sent, on the disk before anybody is told that it arrived.

    with Inbox(folder) as inbox:
        taken = inbox.take("monitor 3", "MSG0001", raw, told)
        for kept in inbox.after(last_number):
            ...

One SQLite file beside the record, rollback journal and `synchronous=EXTRA`. Any number of processes
may write and read. Nothing is changed or deleted. What could not be understood is kept as it came,
with the reason.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import math
import os
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from warmhold.exchange.told import Told
from warmhold.record import Trouble
from warmhold.record import folder as places
from warmhold.record.clock import iso, moment_of
from warmhold.record.store import set_up

FILE: Final = "inbox.sqlite"
LARGEST_RAW: Final = 4_000_000  # bytes of one message
LARGEST_FILE: Final = 4_000_000_000  # bytes
MOST_TOLD: Final = 20_000  # values of one message
LONGEST_NAME: Final = 200  # characters of a source or of an identity
LATEST: Final = 10  # messages in which the last values of a source are looked for

_NEVER = datetime.min.replace(tzinfo=UTC)
_APPLICATION = 0x77686962  # "whib"
_FORMAT = 1
_BUSY_S = 10.0
_PAGE = 4096
_ROOM = 64 * _PAGE  # asked of the file before a message, over its own size
_TOGETHER = 20  # rows read at a time; no lock is held between
_SCHEMA = (
    """CREATE TABLE kept (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    source TEXT NOT NULL,
    identity TEXT NOT NULL,
    digest TEXT NOT NULL,
    taken INTEGER NOT NULL,
    received_utc TEXT NOT NULL,
    told TEXT NOT NULL,
    refused TEXT NOT NULL,
    said TEXT NOT NULL,
    raw BLOB NOT NULL,
    UNIQUE (source, identity, digest, taken)
)""",
    "CREATE INDEX of_a_source ON kept (source, taken, number)",
    """CREATE TRIGGER kept_is_never_changed BEFORE UPDATE ON kept
BEGIN SELECT RAISE(ABORT, 'messages are never changed'); END""",
    """CREATE TRIGGER kept_is_never_deleted BEFORE DELETE ON kept
BEGIN SELECT RAISE(ABORT, 'messages are never deleted'); END""",
)
_COLUMNS = "number, source, identity, received_utc, told, refused, said, raw"


@dataclass(frozen=True)
class Taken:
    """Given when a message is on the disk, and not before.

    number : its number in the inbox, from 1
    repeated : the same message was there already; nothing was added
    refused : the reason with which it is kept; empty when it was understood
    said : what is odd about it, in words, such as an identity used before for another message
    received_utc : when it was put on the disk
    """

    number: int
    repeated: bool
    refused: str = ""
    said: str = ""
    received_utc: datetime = _NEVER


@dataclass(frozen=True)
class Kept:
    """A message of the inbox.

    number : in the order in which they came, from 1; rises, without gaps that mean anything
    source : who sent it
    identity : what the sender calls the message
    received_utc : when it was put on the disk
    told : what it says; empty when it was refused
    refused : why it could not be taken, in words; empty when it was
    said : what is odd about it
    raw : as it came
    """

    number: int
    source: str
    identity: str
    received_utc: datetime
    told: tuple[Told, ...]
    refused: str
    said: str
    raw: bytes = field(repr=False)


@dataclass(frozen=True)
class SeenSource:
    """What is known of a source.

    last_utc : when its last message was put on the disk, taken or refused
    count : its messages
    refused : how many of them were refused
    last_refused : why the last refused one was; empty when none was
    values : the last value of each quantity in its last `LATEST` messages that were taken
    """

    name: str
    last_utc: datetime
    count: int
    refused: int
    last_refused: str
    values: tuple[Told, ...]


def _log(text: str) -> None:
    logging.getLogger("warmhold.exchange").warning(text)


class Inbox:
    """The inbox of a folder; made if it is not there. Any thread may use it."""

    def __init__(
        self,
        folder: Path,
        *,
        warn: Callable[[str], None] = _log,
        largest_bytes: int = LARGEST_FILE,
        least_free_bytes: int = places.REFUSE_BELOW,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        """Open it.

        folder : the record's folder, on a disk of this computer
        warn : is told what is doubtful about the folder
        largest_bytes : the file grows no further than this
        least_free_bytes : left free on the disk, so that a talkative device cannot take the room
            that the record needs

        Errors: Trouble
        """
        self.folder = Path(folder)
        self.path = self.folder / FILE
        self._largest = largest_bytes
        self._least_free = least_free_bytes
        self._now = now
        self._use = threading.RLock()
        places.check_folder(self.folder, warn, places.kind_of_disk)
        try:
            self._connection = _opened(self.path)
        except sqlite3.Error as error:
            raise _trouble(error, self.path) from error
        except OSError as error:
            raise Trouble(
                f"The inbox {self.path} cannot be opened: {error.strerror or error}.",
                "Choose a folder that this user may write to.",
            ) from error

    def close(self) -> None:
        """Close it; a second call does nothing."""
        with self._use:
            self._connection.close()

    def __enter__(self) -> Self:
        """Use it in a with statement."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    def take(
        self, source: str, identity: str, raw: bytes, told: Sequence[Told], refused: str = ""
    ) -> Taken:
        """Keep a message; returns when it is on the disk.

        The same bytes of the same source and identity are kept once, and the first answer is given
        again; a message that was refused and is now understood is kept again, as understood. Other
        bytes under the same identity are another message; the answer says so.

        source : who sent it, up to `LONGEST_NAME` characters
        identity : what the sender calls the message, up to `LONGEST_NAME` characters
        raw : as it came, up to `LARGEST_RAW` bytes
        told : what it says
        refused : why it cannot be taken

        Errors: Trouble, and then nothing was kept; ValueError when an argument cannot be
        """
        source, identity = _name("source", source), _name("identity", identity, blank=True)
        refused = _plain(refused)
        if refused and told:
            raise ValueError("a refused message tells nothing")
        if len(raw) > LARGEST_RAW:
            raise Trouble(
                f"A message of {len(raw)} bytes from {source} is too long.",
                f"Send messages of up to {LARGEST_RAW} bytes.",
            )
        if len(told) > MOST_TOLD:
            raise Trouble(
                f"A message from {source} holds {len(told)} values, which is too many.",
                f"Send up to {MOST_TOLD} values in a message.",
            )
        text = _written(told)
        key = (source, identity, hashlib.sha256(raw).hexdigest())
        with self._use, self._in_our_words():
            known = self._known(key, refused)
            if known is not None:
                return known
            self._check_room(len(raw) + len(text))
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                answer = self._known(key, refused) or self._put(key, raw, text, refused)
                self._connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    if self._connection.in_transaction:
                        self._connection.execute("ROLLBACK")
                raise
            return answer

    def _known(self, key: tuple[str, str, str], refused: str) -> Taken | None:
        row = self._connection.execute(
            "SELECT number, refused, said, received_utc FROM kept "
            "WHERE source = ? AND identity = ? AND digest = ? ORDER BY taken DESC LIMIT 1",
            key,
        ).fetchone()
        if row is None or (row[1] and not refused):
            return None
        return Taken(row[0], True, row[1], row[2], moment_of(row[3]))

    def _put(self, key: tuple[str, str, str], raw: bytes, told: str, refused: str) -> Taken:
        source, identity, digest = key
        said = ""
        if identity:  # any one of them: a sender may use one identity for all it ever sends
            other = self._connection.execute(
                "SELECT number FROM kept WHERE source = ? AND identity = ? AND digest != ? LIMIT 1",
                (source, identity, digest),
            ).fetchone()
            if other is not None:
                said = f"{source} used {identity} before, for message {other[0]}"
        now = self._now()
        number = self._connection.execute(
            "INSERT INTO kept (source, identity, digest, taken, received_utc, told, refused, said,"
            " raw) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (source, identity, digest, not refused, iso(now), told, refused, said, raw),
        ).lastrowid
        assert number is not None
        return Taken(number, False, refused, said, now)

    def _check_room(self, more: int) -> None:
        size = self.path.stat().st_size
        if size + more + _ROOM > self._largest:
            raise Trouble(
                f"The inbox has reached its limit of {self._largest / 1e6:.0f} MB: the message was "
                "not kept.",
                f"Stop what listens, move {self.path} to where you keep it, and start again: a new "
                "one is made.",
            )
        free = shutil.disk_usage(self.folder).free
        if free - more < self._least_free:
            raise Trouble(
                f"Only {free / 1e6:.0f} MB are free where {self.folder} is, which the record "
                "needs: the message was not kept.",
                "Free some space; the sender may then send it again.",
            )

    @contextlib.contextmanager
    def _in_our_words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise _trouble(error, self.path) from error
        except OSError as error:
            raise Trouble(
                f"The inbox {self.path} cannot be used: {error.strerror or error}.",
                "Put the file back, then start again.",
            ) from error

    def last_number(self) -> int:
        """Return the number of the last message, 0 when there is none.

        Less than a number seen before: the file was moved away and a new one was made.

        Errors: Trouble
        """
        with self._use, self._in_our_words():
            return int(
                self._connection.execute("SELECT COALESCE(MAX(number), 0) FROM kept").fetchone()[0]
            )

    def after(self, number: int, source: str | None = None) -> Iterator[Kept]:
        """Yield the messages after a number, in order, up to the last one that is there.

        source : only those of this source

        Errors: Trouble
        """
        wanted = "" if source is None else "AND source = ? "
        while True:
            more = () if source is None else (source,)
            with self._use, self._in_our_words():
                found = self._connection.execute(
                    f"SELECT {_COLUMNS} FROM kept WHERE number > ? {wanted}"
                    f"ORDER BY number LIMIT {_TOGETHER}",
                    (number, *more),
                ).fetchall()
            for row in found:
                yield self._kept(row)
            if len(found) < _TOGETHER:
                return
            number = found[-1][0]

    def _kept(self, row: tuple[Any, ...]) -> Kept:
        number, source, identity, received, told, refused, said, raw = row
        try:
            read, moment = _read(told), moment_of(received)
        except (TypeError, ValueError, KeyError, RecursionError) as error:
            raise _damaged(self.path, f"message {number}: {error}") from error
        return Kept(number, source, identity, moment, read, refused, said, raw)

    def sources(self) -> tuple[SeenSource, ...]:
        """Return what is known of each source, by name.

        Errors: Trouble
        """
        with self._use, self._in_our_words():
            counted: dict[str, dict[int, tuple[int, int]]] = {}
            for name, taken, count, last in self._connection.execute(
                "SELECT source, taken, COUNT(*), MAX(number) FROM kept "
                "GROUP BY source, taken ORDER BY source"
            ).fetchall():
                counted.setdefault(name, {})[taken] = (count, last)
            return tuple(self._seen(name, counts) for name, counts in counted.items())

    def _seen(self, name: str, counts: dict[int, tuple[int, int]]) -> SeenSource:
        (refused, last_refused), (taken, last_taken) = counts.get(0, (0, 0)), counts.get(1, (0, 0))
        last, why = self._connection.execute(
            "SELECT (SELECT received_utc FROM kept WHERE number = ?), "
            "COALESCE((SELECT refused FROM kept WHERE number = ?), '')",
            (max(last_taken, last_refused), last_refused),
        ).fetchone()
        values: dict[str, Told] = {}
        for number, text in self._connection.execute(
            "SELECT number, told FROM kept WHERE source = ? AND taken = 1 "
            f"ORDER BY number DESC LIMIT {LATEST}",
            (name,),
        ).fetchall():
            try:
                told = _read(text)
            except (TypeError, ValueError, KeyError, RecursionError) as error:
                raise _damaged(self.path, f"message {number}: {error}") from error
            for one in reversed(told):
                if one.quantity:
                    values.setdefault(one.quantity, one)
        return SeenSource(
            name, moment_of(last), refused + taken, refused, why,
            tuple(values[key] for key in sorted(values)),
        )  # fmt: skip


def _opened(path: Path) -> sqlite3.Connection:
    """Open the file with the settings that make a commit last, read back; make it if need be."""
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw",
        uri=True,
        timeout=_BUSY_S,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        set_up(
            connection,
            (
                ("page_size", str(_PAGE), _PAGE),
                ("trusted_schema", "OFF", 0),
                ("journal_mode", "DELETE", "delete"),
                ("synchronous", "EXTRA", 3),
                ("fullfsync", "ON", 1),
            ),
        )
        connection.execute("BEGIN IMMEDIATE")
        try:
            _make(connection, path)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        places.sync_folder(path.parent)
    except BaseException:
        connection.close()
        raise
    return connection


def _make(connection: sqlite3.Connection, path: Path) -> None:
    """Put the table into an empty file; refuse a file that is something else."""
    found = [
        row[0]
        for row in connection.execute(
            "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name != 'sqlite_sequence'"
        )
    ]
    made = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if not found and made == 0 and version == 0:
        for statement in _SCHEMA:
            connection.execute(statement)
        connection.execute(f"PRAGMA application_id={_APPLICATION}")
        connection.execute(f"PRAGMA user_version={_FORMAT}")
    elif made != _APPLICATION or version != _FORMAT or sorted(found) != sorted(_SCHEMA):
        raise Trouble(
            f"{path} is no inbox that this warmhold knows.",
            "Move the file away; a new one is made.",
        )


def _trouble(error: sqlite3.Error, path: Path) -> Trouble:
    name = str(getattr(error, "sqlite_errorname", "") or "")
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return Trouble(
            "The disk did not take the message: it was not kept.",
            "See whether the disk is full or failing; the sender may send it again.",
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return Trouble(
            f"Another program kept {path} locked: nothing was kept.",
            "Close the other program; the sender may send the message again.",
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN")):
        return Trouble(
            f"The inbox {path} cannot be written.", "Choose a folder that this user may write to."
        )
    return _damaged(path, str(error))


def _damaged(path: Path, what: str) -> Trouble:
    return Trouble(
        f"The inbox {path} is damaged ({what}).",
        "Stop what listens, move the file away and keep it; a new one is made.",
    )


def _name(what: str, text: str, blank: bool = False) -> str:
    if (not text.strip() and not blank) or len(text) > LONGEST_NAME or "\0" in text:
        raise ValueError(f"{what}: found {text[:60]!r}; allowed 1 to {LONGEST_NAME} characters")
    return _plain(text)


def _plain(text: str) -> str:
    """Return a text that can be stored."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\0")


def _written(told: Sequence[Told]) -> str:
    rows = []
    for one in told:
        if one.at is not None and one.at.tzinfo is None:
            raise ValueError(f"{one.quantity or one.code}: a moment without its zone")
        if one.value is not None and not math.isfinite(one.value):
            raise ValueError(f"{one.quantity or one.code}: {one.value} is no number")
        row = asdict(one)
        row["at"] = None if one.at is None else one.at.isoformat()
        rows.append(row)
    return json.dumps(rows, separators=(",", ":"), allow_nan=False)


def _read(text: str) -> tuple[Told, ...]:
    return tuple(
        replace(Told(**row), at=None if row["at"] is None else datetime.fromisoformat(row["at"]))
        for row in json.loads(text)
    )
