"""Copies of a record: a backup of the file, and an export as JSON that can be read in again."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from warmhold.record import folder as places
from warmhold.record import store
from warmhold.record.chain import COLUMNS, GENESIS, WITHHELD, Row, canonical, stand_in
from warmhold.record.store import Verification
from warmhold.record.trouble import FAILURES, Trouble, from_os, from_sqlite

FORMAT = "warmhold record 1"
CONTAINS = (
    "Every entry with who made it (user and role), when it was saved and the clinical time that "
    "was stated. The baby appears under the pseudonym of the trip file. Notes, reasons and "
    "handover texts are as they were typed: read them before passing this on, they may name "
    "people. The trip, unit and policy files of the plan are included in full."
)
_COLUMNS = tuple(name for name in COLUMNS if name != "prior")


def backup(
    source: Callable[[], AbstractContextManager[sqlite3.Connection]], target: Path
) -> tuple[Path, Verification]:
    """Copy a record and verify the copy; returns where it is and what was found.

    source : gives the connection for as long as the copying takes; the copy is verified after
    target : a file that is not there yet; or a folder, in which it gets a name with the time

    Errors: Trouble; then nothing is left of the copy
    """
    target = Path(target)
    if target.is_dir():
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        target = next(places.free_names(target, f"record-backup-{stamp}", ".sqlite"))
    if target.exists():
        raise Trouble(f"{target} is there already and was left alone.", "Name another file.")
    if not target.parent.is_dir():
        raise Trouble(f"There is no folder {target.parent}.", "Name a folder that is there.")
    part = target.with_name(f"{target.name}.part")
    try:
        try:
            part.unlink(missing_ok=True)
            with source() as connection:
                head = store.copy(connection, part)
            _flush(part)
            found = store.verify_file(part)
            if found.whole and found.head != head:
                raise Trouble("The copy does not end like the record.", "Try again.")
            os.replace(part, target)
            places.sync_folder(target.parent)
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
    except FAILURES as error:
        raise from_sqlite(error) from error
    except OSError as error:
        raise from_os(error, f"The copy {target}") from error
    return target, found


def backup_file(path: Path, target: Path) -> tuple[Path, Verification]:
    """Copy a record that is not open here; see `backup`.

    Errors: Trouble
    """
    return backup(lambda: _opened(path), target)


def export_file(path: Path, trip: str | None) -> dict[str, Any]:
    """Export a record that is not open here; see `export`.

    Errors: Trouble
    """
    with _opened(path) as source:
        return export(source, trip)


def find_hash(path: Path, start: str) -> int | None:
    """Return the number of the last entry whose hash begins so; ``None`` when there is none.

    Errors: Trouble
    """
    with _opened(path) as source:
        found = [row.seq for row in store.rows(source) if str(row.hash).startswith(start)]
    return found[-1] if found else None


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    if not path.is_file():
        raise Trouble(f"There is no record at {path}.", "Name the folder of a record, or its file.")
    try:
        with contextlib.closing(store.connect(path, write=False)) as source:
            yield source
    except FAILURES as error:
        raise from_sqlite(error) from error


def _flush(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def export(source: sqlite3.Connection, trip: str | None) -> dict[str, Any]:
    """Return the record, or one trip of it, as plain values ready for JSON.

    trip : entries of other trips are withheld: only their number and hash are given, so that the
        chain can still be followed to the fingerprint of the whole record

    Errors: Trouble when there is no such trip; sqlite3.Error
    """
    rows = list(store.rows(source))
    if trip is not None and not any(row.trip == trip for row in rows):
        raise Trouble(f"The record has no trip {trip!r}.", "Name one of its trips.")
    events: list[dict[str, Any]] = []
    kinds: Counter[str] = Counter()
    people: set[str] = set()
    trips: dict[str, None] = {}
    for row in rows:
        if (row.kind == WITHHELD and row.stands_in()) or trip not in (None, row.trip):
            events.append({"seq": row.seq, "withheld": True, "hash": row.hash})
            continue
        kinds[row.kind] += 1
        if row.trip:
            trips[row.trip] = None
        if row.who:
            people.add(row.who)
        values = row._asdict()
        del values["prior"]
        try:
            values["body"] = json.loads(row.body)
        except ValueError as error:
            raise Trouble(
                f"Entry {row.seq} cannot be read, so nothing was exported.",
                "Start warmhold again: it keeps the damaged file and recovers what is whole.",
            ) from error
        events.append(values)
    return {
        "format": FORMAT,
        "contains": {
            "says": CONTAINS,
            "trips": list(trips),
            "entries": dict(sorted(kinds.items())),
            "withheld": len(events) - kinds.total(),
            "people": sorted(people),
        },
        "head": {"seq": rows[-1].seq if rows else 0, "hash": rows[-1].hash if rows else GENESIS},
        "events": events,
    }


def import_into(folder: Path, exported: Any) -> Verification:
    """Make a new record of an export, with the same hashes.

    Errors: Trouble when the folder has a record already, or the export is not whole
    """
    rows, part = _rows_of(exported)
    places.check_folder(folder, lambda _: None, places.kind_of_disk)
    path = folder / places.FILE
    lock = places.Lock(folder)
    started = folder / f"{places.FILE}.new"
    try:
        if path.exists():
            raise Trouble(f"{folder} has a record already.", "Name a new folder.")
        started.unlink(missing_ok=True)
        store.create(started, rows, part)
        found = store.verify_file(started)
        head = rows[-1].hash if rows else GENESIS
        if not found.whole or exported["head"] != {"seq": len(rows), "hash": head}:
            why = "; ".join(found.faults) or "it does not end with the fingerprint it names"
            raise Trouble(f"What was exported is not whole: {why}.", "Export it again.")
        os.replace(started, path)
        places.sync_folder(folder)
    except FAILURES as error:
        raise from_sqlite(error) from error
    except OSError as error:
        raise from_os(error, f"The record in {folder}") from error
    finally:
        with contextlib.suppress(OSError):
            started.unlink(missing_ok=True)
        lock.release()
    return found


def _rows_of(exported: Any) -> tuple[list[Row], bool]:
    if not isinstance(exported, Mapping) or exported.get("format") != FORMAT:
        raise Trouble("This is no export of a record.", f'Its format must be "{FORMAT}".')
    events = exported.get("events")
    if not isinstance(events, list) or not isinstance(exported.get("head"), Mapping):
        raise Trouble("This export has no entries or no head.", "Export it again.")
    rows: list[Row] = []
    prior = GENESIS
    part = False
    for number, values in enumerate(events, start=1):
        row = _row_of(values, number, prior)
        part = part or row.kind == WITHHELD
        rows.append(row)
        prior = row.hash
    return rows, part


def _row_of(values: Any, number: int, prior: str) -> Row:
    wrong = Trouble(f"Entry {number} of this export is not as it was written.", "Export it again.")
    if not isinstance(values, Mapping) or values.get("seq") != number:
        raise wrong
    hash_ = values.get("hash")
    if not isinstance(hash_, str) or len(hash_) != len(GENESIS) or not hash_.isascii():
        raise wrong
    if values.get("withheld") is True:
        return stand_in(WITHHELD, number, "", prior, hash_)
    if set(values) != set(_COLUMNS):
        raise wrong
    texts = [values[name] for name in ("form_id", "trip", "kind", "saved_utc", "boot", "who")]
    stated, mono_ns = values["stated_utc"], values["mono_ns"]
    if (
        not all(isinstance(text, str) for text in texts)
        or not (stated is None or isinstance(stated, str))
        or not isinstance(mono_ns, int)
        or isinstance(mono_ns, bool)
        or not -(2**63) <= mono_ns < 2**63
    ):
        raise wrong
    try:
        for text in texts:
            text.encode("utf-8")
        body = canonical(values["body"])
        return Row._make([*(values[name] for name in COLUMNS[:9]), body, prior, hash_])
    except (ValueError, RecursionError) as error:
        raise wrong from error
