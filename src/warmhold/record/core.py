"""The record: one folder, one file, one writer."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from warmhold.record import folder as places
from warmhold.record import sharing, store
from warmhold.record.bodies import CORRECTABLE, OF_A_UNIT, valid_body
from warmhold.record.chain import (
    GENESIS,
    RECOVERED,
    STANDING_IN,
    Event,
    Row,
    canonical,
    sealed,
)
from warmhold.record.clock import JUMP_S, Clock, SystemClock, iso, moment_of
from warmhold.record.rescue import salvage
from warmhold.record.store import Verification
from warmhold.record.trouble import FAILURES, Trouble, error_name, from_os, from_sqlite

OURSELVES = "warmhold"  # who wrote an entry that nobody asked for
MOST_TOGETHER = 64  # entries in one commit
WITHOUT_TRIP = ("access", "clock-jump", "correction", *OF_A_UNIT)  # need not belong to a trip


def log_warning(text: str) -> None:
    """Pass a warning to the log `warmhold.record`."""
    logging.getLogger("warmhold.record").warning(text)


@dataclass(frozen=True)
class Entry:
    """What is to be recorded.

    form_id : random id made in the form; the same again gives the first receipt again
    trip : id of the trip; may be empty for the kinds in `WITHOUT_TRIP`
    kind, body : see `bodies.valid_body`
    who : user and role
    stated_utc : the clinical time that was stated, with its zone. In a correction: the corrected
        clinical time, or ``None`` to leave it as it was
    """

    form_id: str
    trip: str
    kind: str
    body: Mapping[str, Any]
    who: str
    stated_utc: datetime | None = None


@dataclass(frozen=True)
class Receipt:
    """Given when an entry is on the disk, and not before."""

    seq: int
    form_id: str
    saved_utc: datetime
    hash: str
    repeated: bool


@dataclass(frozen=True)
class Recovery:
    """What was done about a damaged file when it was opened.

    kept_as : the damaged file, under its new name
    events : whole entries that were brought over
    lost : numbers of those that were not
    faults : what was found
    said : all of this in plain words
    """

    kept_as: Path
    events: int
    lost: tuple[int, ...]
    faults: tuple[str, ...]
    said: str


@dataclass(frozen=True)
class _Prepared:
    entry: Entry
    body: str
    stated: str | None


_Waiting = tuple[_Prepared, "Future[Receipt]"]


class Record:
    """A record that is open for writing; see `open`."""

    def __init__(
        self,
        folder: Path,
        *,
        clock: Clock,
        lock: places.Lock,
        writer: sqlite3.Connection,
        reader: sqlite3.Connection,
        recovered: Recovery | None,
    ) -> None:
        """Not called directly: see `open`."""
        self.folder = folder
        self.path = folder / places.FILE
        self.recovered = recovered
        self._clock = clock
        self._lock = lock
        self._writer = writer
        self._reader = reader
        self._disk = threading.Lock()  # one use of the file at a time within this process
        self._file = identity_of(self.path)
        self._last = store.last_row(writer)
        self._queue: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._door = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._write, name="record", daemon=True)
        self._thread.start()

    # --- opening and closing ----------------------------------------------------------------

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        clock: Clock | None = None,
        warn: Callable[[str], None] = log_warning,
        kind_of_disk: Callable[[Path], str | None] = places.kind_of_disk,
    ) -> Record:
        """Open the record in a folder, which is made if need be.

        The folder is checked, the settings of SQLite are read back and the whole chain is
        verified. A damaged file is kept under a name with the time; what is whole in it is
        brought over into a new one; `recovered` and a warning say so.

        folder : on a disk of this computer
        clock : this computer's, unless a test brings its own
        warn : is told what is doubtful, in plain words
        kind_of_disk : tells the kind of file system of a folder, for tests

        Errors: Trouble
        """
        folder = Path(folder)
        clock = SystemClock() if clock is None else clock
        places.check_folder(folder, warn, kind_of_disk)
        lock = places.Lock(folder)
        opened: list[sqlite3.Connection] = []
        try:
            recovered = _make_whole(folder, clock, warn)
            path = folder / places.FILE
            opened.append(store.connect(path, write=True))
            store.try_to_write(opened[0])
            opened.append(store.connect(path, write=False))
            return cls(
                folder, clock=clock, lock=lock, writer=opened[0], reader=opened[1],
                recovered=recovered,
            )  # fmt: skip
        except BaseException as error:
            for connection in opened:
                connection.close()
            lock.release()
            if isinstance(error, FAILURES):
                raise from_sqlite(error) from error
            if isinstance(error, OSError):
                raise from_os(error, f"The record in {folder}") from error
            raise

    def close(self) -> None:
        """Write what is waiting, then close; a second call does nothing."""
        with self._door:
            if self._closed:
                return
            self._closed = True
            self._queue.put(None)
        self._thread.join()
        with self._disk:
            self._writer.close()
            self._reader.close()
        self._lock.release()

    def __enter__(self) -> Self:
        """Use the record in a with statement."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    # --- writing ----------------------------------------------------------------------------

    def append(self, entry: Entry) -> Receipt:
        """Record an entry; returns when it is on the disk. Any thread may call.

        Errors: Trouble, and then nothing of it was kept; or, if the disk failed in the very moment
        of the commit, sending the same entry again tells
        """
        prepared = _prepare(entry)
        answer: Future[Receipt] = Future()
        with self._door:
            if self._closed:
                raise Trouble("The record is closed.", "Open it again.")
            self._queue.put((prepared, answer))
        return answer.result()

    def _write(self) -> None:
        """Take what waits, commit it together, then tell each caller."""
        going = True
        while going:
            waiting = [self._queue.get()]
            with contextlib.suppress(queue.Empty):
                while waiting[-1] is not None and len(waiting) < MOST_TOGETHER:
                    waiting.append(self._queue.get_nowait())
            going = waiting[-1] is not None
            batch = [item for item in waiting if item is not None]
            if batch:
                self._commit_all(batch)

    def _commit_all(self, batch: list[_Waiting]) -> None:
        """Commit a batch; if that fails, each entry alone, so that one cannot spoil the others."""
        try:
            outcome = self._commit([prepared for prepared, _ in batch])
        except Exception as error:
            if len(batch) > 1 and not _concerns_all(error):
                for item in batch:
                    self._commit_all([item])
                return
            outcome = [_as_trouble(error)]
        for (_, answer), result in zip(batch, outcome, strict=True):
            if isinstance(result, Trouble):
                answer.set_exception(result)
            else:
                answer.set_result(result)

    def _commit(self, batch: list[_Prepared]) -> list[Receipt | Trouble]:
        with self._disk:
            if identity_of(self.path) != self._file:
                raise Trouble(
                    f"The record's file {self.path} was moved, deleted or replaced while it was "
                    "in use: the entry was not saved.",
                    "Put the file back, then start warmhold again.",
                )
            last = self._last
            self._writer.execute("BEGIN IMMEDIATE")
            try:
                outcome: list[Receipt | Trouble] = []
                for prepared in batch:
                    try:
                        outcome.append(self._one(prepared))
                    except Trouble as trouble:  # of this entry alone; nothing of it was inserted
                        outcome.append(trouble)
                self._writer.execute("COMMIT")
            except BaseException:
                self._last = last
                with contextlib.suppress(sqlite3.Error):
                    if self._writer.in_transaction:
                        self._writer.execute("ROLLBACK")
                with contextlib.suppress(sqlite3.Error):
                    self._last = store.last_row(self._writer)
                raise
            return outcome

    def _one(self, prepared: _Prepared) -> Receipt:
        entry = prepared.entry
        known = store.row_of_form(self._writer, entry.form_id)
        if known is not None:
            return _repeat(known, prepared)
        if entry.kind == "correction":
            self._check_correction(entry)
        now, mono_ns = self._clock.now(), self._clock.mono_ns()
        jump = _jump(self._last, now, mono_ns, self._clock.boot)
        if jump is not None:
            self._insert(
                form_id=str(uuid.uuid4()), trip=entry.trip, kind="clock-jump", now=now,
                mono_ns=mono_ns, stated=None, who=OURSELVES, body=canonical(jump),
            )  # fmt: skip
        row = self._insert(
            form_id=entry.form_id, trip=entry.trip, kind=entry.kind, now=now, mono_ns=mono_ns,
            stated=prepared.stated, who=entry.who, body=prepared.body,
        )  # fmt: skip
        return Receipt(row.seq, row.form_id, moment_of(row.saved_utc), row.hash, False)

    def _insert(
        self, *, form_id: str, trip: str, kind: str, now: datetime, mono_ns: int,
        stated: str | None, who: str, body: str,
    ) -> Row:  # fmt: skip
        last = self._last
        row = sealed(
            Row(
                seq=last.seq + 1 if last else 1, form_id=form_id, trip=trip, kind=kind,
                saved_utc=iso(now), mono_ns=mono_ns, boot=self._clock.boot, stated_utc=stated,
                who=who, body=body, prior=last.hash if last else GENESIS, hash="",
            )
        )  # fmt: skip
        store.insert(self._writer, [row])
        self._last = row
        return row

    def _check_correction(self, entry: Entry) -> None:
        seq = entry.body["corrects"]
        row = store.row_of_seq(self._writer, seq) if seq < 2**62 else None
        if row is None or row.trip != entry.trip:
            raise Trouble(
                f"Entry {seq} is not one of this trip's.", "Name an entry of the same trip."
            )
        if row.kind not in CORRECTABLE:
            raise Trouble(
                f"Entry {seq} is a {row.kind} and cannot be corrected.",
                "Name the first entry of what is to be corrected, not a correction."
                if row.kind == "correction"
                else f"What can be corrected: {', '.join(CORRECTABLE)}.",
            )
        new = entry.body["body"]
        faults = () if new is None else valid_body(row.kind, new)
        if faults:
            raise Trouble(_listed(row.kind, faults), "Mend these, then send it again.")

    # --- reading ----------------------------------------------------------------------------

    def events(self, trip: str | None = None, after: int = 0) -> list[Event]:
        """Return the entries in order.

        trip : only those of this trip
        after : only those with a higher number

        Errors: Trouble
        """
        if trip is not None and not trip.isprintable():
            return []  # no trip has such an id, and SQLite may not take it
        with self._reading() as connection:
            found = list(store.rows(connection, max(-1, min(after, 2**62)), trip))
        return store.events(found)

    def trips(self) -> list[str]:
        """Return the trips in the order of their first entry."""
        with self._reading() as connection:
            found = connection.execute(
                "SELECT trip FROM event WHERE trip != '' GROUP BY trip ORDER BY MIN(seq)"
            ).fetchall()
        return [row[0] for row in found]

    def head(self) -> tuple[int, str]:
        """Return number and hash of the last entry on the disk: the record's fingerprint."""
        with self._disk:
            return (self._last.seq, self._last.hash) if self._last else (0, GENESIS)

    def verify(self) -> Verification:
        """Check the whole record, as it is on the disk.

        Errors: Trouble when it is locked by another program
        """
        with self._reading() as connection:
            return store.verify(connection)

    def backup(self, target: Path) -> Verification:
        """Copy the record to a file and verify the copy; see `sharing.backup`.

        Errors: Trouble
        """
        return sharing.backup(self._reading, target)[1]

    def export(self, trip: str | None = None) -> dict[str, Any]:
        """Return all entries, or those of one trip, with what they contain, ready for JSON.

        Errors: Trouble when there is no such trip
        """
        with self._reading() as connection:
            return sharing.export(connection, trip)

    @staticmethod
    def import_into(folder: Path, exported: Any) -> Verification:
        """Make a new record of what `export` gave, with the same hashes.

        Errors: Trouble when the folder has a record, or what was exported is not whole
        """
        return sharing.import_into(Path(folder), exported)

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._disk:
            if self._closed and not self._thread.is_alive():
                raise Trouble("The record is closed.", "Open it again.")
            try:
                yield self._reader
            except FAILURES as error:
                raise from_sqlite(error) from error


# --- entries --------------------------------------------------------------------------------


def _prepare(entry: Entry) -> _Prepared:
    """Check an entry and write its body; all faults come together.

    Errors: Trouble
    """
    faults = [
        *_id_faults(entry.form_id),
        *_name_faults("trip", entry.trip, entry.kind in WITHOUT_TRIP),
        *_name_faults("who", entry.who, False),
    ]
    stated = None
    if entry.stated_utc is not None:
        try:
            if entry.stated_utc.tzinfo is None:
                raise ValueError
            stated = iso(entry.stated_utc)
        except (AttributeError, ValueError, OverflowError):
            faults.append(f"stated_utc: found {entry.stated_utc!r}; allowed a time with its zone")
    faults += valid_body(entry.kind, entry.body)
    if faults:
        raise Trouble(_listed(str(entry.kind), faults), "Mend these, then send it again.")
    return _Prepared(entry, canonical(entry.body), stated)


def _listed(kind: str, faults: list[str] | tuple[str, ...]) -> str:
    return f"This entry ({kind[:40]}) cannot be kept: {'; '.join(faults)}."


def _id_faults(form_id: Any) -> list[str]:
    sound = (
        isinstance(form_id, str)
        and 1 <= len(form_id) <= 128
        and form_id.isascii()
        and form_id.isprintable()
        and " " not in form_id
        and not form_id.startswith(tuple(f"{kind}-" for kind in STANDING_IN))
    )
    return [] if sound else ["form_id: allowed 1 to 128 plain characters without a space"]


def _name_faults(name: str, text: Any, may_be_empty: bool) -> list[str]:
    if text == "" and may_be_empty:
        return []
    sound = (
        isinstance(text, str) and 1 <= len(text) <= 200 and text.strip() != ""
        and text.isprintable()
    )  # fmt: skip
    return [] if sound else [f"{name}: allowed 1 to 200 printable characters"]


def _repeat(row: Row, prepared: _Prepared) -> Receipt:
    entry = prepared.entry
    same = (row.trip, row.kind, row.body, row.who, row.stated_utc) == (
        entry.trip, entry.kind, prepared.body, entry.who, prepared.stated,
    )  # fmt: skip
    if not same:
        raise Trouble(
            f"This form was already saved as entry {row.seq}, with other content.",
            "Look at that entry; correct it, or start a new form.",
        )
    return Receipt(row.seq, row.form_id, moment_of(row.saved_utc), row.hash, True)


def _jump(last: Row | None, now: datetime, mono_ns: int, boot: str) -> dict[str, Any] | None:
    """Return the body of a clock jump when wall clock and counter parted since the last entry.

    Without a common counter only a clock that went back can be seen.
    """
    if last is None or last.kind in STANDING_IN:
        return None
    before = moment_of(last.saved_utc)
    if last.boot == boot and mono_ns >= last.mono_ns:
        before += timedelta(microseconds=(mono_ns - last.mono_ns) / 1000)
        seconds = (now - before).total_seconds()
        seen = abs(seconds) > JUMP_S
    else:
        seconds = (now - before).total_seconds()
        seen = seconds < -JUMP_S
    if not seen:
        return None
    return {"seconds": round(seconds, 6), "before": iso(before), "after": iso(now)}


def _concerns_all(error: Exception) -> bool:
    """Tell whether each entry alone would fail the same way, after the same wait."""
    return isinstance(error, Trouble) or error_name(error).startswith(
        ("SQLITE_BUSY", "SQLITE_LOCKED")
    )


def _as_trouble(error: Exception) -> Trouble:
    if isinstance(error, Trouble):
        return error
    if isinstance(error, FAILURES):
        return from_sqlite(error)
    trouble = Trouble(
        f"The entry was not saved: {type(error).__name__}: {error}.",
        "Write on paper until an entry is saved; report this line.",
    )
    trouble.__cause__ = error
    return trouble


def identity_of(path: Path) -> tuple[int, int] | None:
    """Return what tells one file from another of the same name."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


# --- damaged files --------------------------------------------------------------------------


def _make_whole(folder: Path, clock: Clock, warn: Callable[[str], None]) -> Recovery | None:
    """See that the folder has a whole file; make the first one, or recover a damaged one."""
    path = folder / places.FILE
    started = folder / f"{places.FILE}.new"
    for left in (started, Path(f"{started}-journal")):
        left.unlink(missing_ok=True)
    if not path.exists():
        if Path(f"{path}-journal").exists():
            _set_aside(Path(f"{path}-journal"), folder, clock)
        if any(folder.glob("record-damaged-*")):
            warn(f"{folder} has damaged records but no {places.FILE}; a new one was begun.")
        _put(started, path, [], part=False)
        return None
    faults = _faults_of(path)
    if not faults:
        return None
    return _recover(folder, faults, clock, warn)


def _faults_of(path: Path) -> tuple[str, ...]:
    try:
        with contextlib.closing(store.connect(path, write=True)) as connection:
            version = store.user_version(connection)
            if version > store.PART_OF_RECORD and store.same_schema(connection) is False:
                raise Trouble(
                    f"The record {path} has the format {version}, which this warmhold does not "
                    "know.",
                    "Use the newer warmhold that made it.",
                )
            return store.verify(connection).faults
    except FAILURES as error:
        if not store.is_damage(error):
            raise
        return (f"the file cannot be read: {error}",)


def _put(started: Path, path: Path, rows: list[Row], part: bool) -> None:
    """Write a new file beside its place and move it there, whole or not at all."""
    store.create(started, rows, part)
    os.replace(started, path)
    places.sync_folder(path.parent)


def _set_aside(path: Path, folder: Path, clock: Clock) -> Path:
    """Give a second name to a file that must not be lost; a copy where links are not possible."""
    stamp = clock.now().astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    ending = ".sqlite" if path.name == places.FILE else ".sqlite-journal"
    kept = next(places.free_names(folder, f"record-damaged-{stamp}", ending))
    try:
        os.link(path, kept)
    except OSError:
        from shutil import copyfile  # noqa: PLC0415

        copyfile(path, kept)
        with kept.open("rb+") as file:
            os.fsync(file.fileno())
    places.sync_folder(folder)
    return kept


def _recover(
    folder: Path, faults: tuple[str, ...], clock: Clock, warn: Callable[[str], None]
) -> Recovery:
    path = folder / places.FILE
    kept = _set_aside(path, folder, clock)
    journal = Path(f"{path}-journal")
    if journal.exists():  # it must never be played into the new file
        _set_aside(journal, folder, clock)
        journal.unlink()
    found = salvage(path)
    rows = list(found.rows)
    last = rows[-1] if rows else None
    now = clock.now()
    body = {
        "kept_as": kept.name,
        "events": found.whole,
        "lost": list(found.lost),
        "faults": list(faults),
    }
    rows.append(
        sealed(
            Row(
                seq=last.seq + 1 if last else 1, form_id=str(uuid.uuid4()),
                trip=last.trip if last else "", kind=RECOVERED, saved_utc=iso(now),
                mono_ns=clock.mono_ns(), boot=clock.boot, stated_utc=None, who=OURSELVES,
                body=canonical(body), prior=last.hash if last else GENESIS, hash="",
            )
        )
    )  # fmt: skip
    _put(folder / f"{places.FILE}.new", path, rows, found.part)
    lost = tuple(entry["seq"] for entry in found.lost)
    said = _said(kept.name, found.whole, lost, faults)
    warn(said)
    return Recovery(kept, found.whole, lost, faults, said)


def _said(name: str, whole: int, lost: tuple[int, ...], faults: tuple[str, ...]) -> str:
    gone = f"{len(lost)} could not be ({spans(lost)})" if lost else "none is known to be lost"
    return (
        f"The record's file was damaged ({faults[0]}). It is kept as {name}. "
        f"{whole} whole {'entry was' if whole == 1 else 'entries were'} recovered; {gone}. "
        "Entries after the last one that was found may be missing: compare with paper."
    )


def spans(numbers: tuple[int, ...]) -> str:
    """Write numbers in short: 3, 5 to 9."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1] = [parts[-1][0], number]
        else:
            parts.append([number])
    return ", ".join(" to ".join(map(str, part)) for part in parts)
