"""Copies of a record: a backup of the file, and an export as JSON that can be read in again."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
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
LARGEST_EXPORT = 500_000_000  # bytes
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
    given: list[Row] = []
    for row in rows:
        if (row.kind == WITHHELD and row.stands_in()) or trip not in (None, row.trip):
            events.append({"seq": row.seq, "withheld": True, "hash": row.hash})
            continue
        given.append(row)
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
        "contains": {"says": CONTAINS, **_contents(given), "withheld": len(rows) - len(given)},
        "head": {"seq": rows[-1].seq if rows else 0, "hash": rows[-1].hash if rows else GENESIS},
        "events": events,
    }


def read_export(path: Path) -> Any:
    """Read a file that an export was written to; whether it is one is for `import_into` to say.

    Errors: Trouble when it cannot be read, is too large or is not JSON
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_EXPORT:
            raise Trouble(
                f"{path} has {size / 1e6:.0f} MB; allowed up to {LARGEST_EXPORT / 1e6:.0f} MB.",
                "Pass a record of that size on as a copy: warmhold record backup.",
            )
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise Trouble(f"{path} cannot be read: {reason}.", "Name the file of an export.") from error
    try:
        return json.loads(raw.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        what = "nested too deep" if isinstance(error, RecursionError) else str(error)
        raise Trouble(
            f"{path} is not whole, or no export of a record: {what}.", "Export it again."
        ) from error


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def import_into(folder: Path, exported: Any) -> Verification:
    """Make a new record of an export, with the same hashes.

    What was withheld stays withheld: its number and hash are kept, so that the chain ends the same.

    Errors: Trouble with every fault when the folder has a record already, or the export is not
        whole; then nothing is left behind
    """
    rows, part = _rows_of(exported)
    made = not folder.exists()
    places.check_folder(folder, lambda _: None, places.kind_of_disk)
    path = folder / places.FILE
    lock = places.Lock(folder)
    started = folder / f"{places.FILE}.new"
    done = False
    try:
        if path.exists():
            raise Trouble(f"{folder} has a record already.", "Name a new folder.")
        started.unlink(missing_ok=True)
        store.create(started, rows, part)
        found = store.verify_file(started)
        if not found.whole:
            raise _not_whole(found.faults)
        os.replace(started, path)
        places.sync_folder(folder)
        done = True
    except FAILURES as error:
        raise from_sqlite(error) from error
    except OSError as error:
        raise from_os(error, f"The record in {folder}") from error
    finally:
        with contextlib.suppress(OSError):
            started.unlink(missing_ok=True)
        lock.release()
        if made and not done:
            with contextlib.suppress(OSError):
                (folder / places.LOCK).unlink(missing_ok=True)
                folder.rmdir()
    return found


def _not_whole(faults: Sequence[str]) -> Trouble:
    listed = list(faults[: store.MOST_FAULTS])
    if len(faults) > len(listed):
        listed.append(f"and {len(faults) - len(listed)} more")
    return Trouble(f"What was exported is not whole: {'; '.join(listed)}.", "Export it again.")


def _rows_of(exported: Any) -> tuple[list[Row], bool]:
    """Return the rows of an export, and whether it is a part.

    Errors: Trouble with every fault
    """
    if not isinstance(exported, Mapping) or exported.get("format") != FORMAT:
        raise Trouble("This is no export of a record.", f'Its format must be "{FORMAT}".')
    events, head = exported.get("events"), exported.get("head")
    if not isinstance(events, list) or not isinstance(head, Mapping):
        raise Trouble("This export has no entries or no head.", "Export it again.")
    rows: list[Row] = []
    faults: list[str] = []
    forms: dict[str, int] = {}
    prior, beyond = GENESIS, 0  # how far the numbers have run ahead of the places
    for number, values in enumerate(events, start=1):
        found = list(_faults_of(values, number, beyond))
        seq = values.get("seq") if isinstance(values, Mapping) else None
        if isinstance(seq, int) and not isinstance(seq, bool):
            beyond = seq - number  # said once, not of every entry that follows
        row = None
        if not found:
            row = _row_of(values, number, prior)
            if row is None:
                found = ["holds what no entry can hold"]
            elif not row.stands_in() and not row.is_own():
                found = ["was changed, or what it followed: its hash does not fit"]
            elif forms.setdefault(row.form_id, number) != number:
                found = [f"has the form of entry {forms[row.form_id]}"]
        if row is not None:
            rows.append(row)
        faults += [f"entry {number} {fault}" for fault in found]
        hash_ = values.get("hash") if isinstance(values, Mapping) else None
        prior = str(hash_) if _is_hash(hash_) else GENESIS
    last = len(events)
    if head.get("seq") != last or isinstance(head.get("seq"), bool):
        faults.append(f"it has {last} entries and names {_shown(head.get('seq'))} as its last")
    if head.get("hash") != prior:
        faults.append("it does not end with the fingerprint it names")
    if not faults:
        faults += _unlike(exported.get("contains"), rows)
    if faults:
        raise _not_whole(faults)
    return rows, any(row.kind == WITHHELD and row.stands_in() for row in rows)


def _unlike(contains: Any, rows: Sequence[Row]) -> Iterator[str]:
    """Compare what an export says of itself with what it holds."""
    if not isinstance(contains, Mapping):
        yield "it does not say what it contains"
        return
    for name, value in _contents(rows).items():
        if contains.get(name) != value:
            yield f"it says of its {name} what is not so"


def _contents(rows: Sequence[Row]) -> dict[str, Any]:
    there = [row for row in rows if not (row.kind == WITHHELD and row.stands_in())]
    return {
        "trips": list(dict.fromkeys(row.trip for row in there if row.trip)),
        "entries": dict(sorted(Counter(row.kind for row in there).items())),
        "withheld": len(rows) - len(there),
        "people": sorted({row.who for row in there if row.who}),
    }


def _is_hash(value: Any) -> bool:
    return isinstance(value, str) and len(value) == len(GENESIS) and value.isascii()


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _faults_of(values: Any, number: int, beyond: int) -> Iterator[str]:
    """Say what is wrong with the shape of one entry, the ``number``-th."""
    if not isinstance(values, Mapping):
        yield f"is {_shown(values)}, no table"
        return
    if values.get("seq") not in (number, number + beyond) or isinstance(values.get("seq"), bool):
        yield f"has the number {_shown(values.get('seq'))}: one is missing, doubled or out of order"
    if not _is_hash(values.get("hash")):
        yield f"has no hash but {_shown(values.get('hash'))}"
    if values.get("withheld") is True:
        if set(values) != {"seq", "withheld", "hash"}:
            yield "is withheld and yet says something"
        return
    for name in _COLUMNS:
        if name not in values:
            yield f"has no {name}"
    for name in values:
        if name not in _COLUMNS:
            yield f"has {_shown(name)}, which no entry has"
    for name in ("form_id", "trip", "kind", "saved_utc", "boot", "who", "stated_utc"):
        value = values.get(name, "")
        if not isinstance(value, str) and not (name == "stated_utc" and value is None):
            yield f"has {_shown(value)} as its {name}, no text"
        elif isinstance(value, str) and not _is_unicode(value):
            yield f"has a {name} that is no text"
    mono_ns = values.get("mono_ns", 0)
    if not isinstance(mono_ns, int) or isinstance(mono_ns, bool) or not -(2**63) <= mono_ns < 2**63:
        yield f"has {_shown(mono_ns)} as its mono_ns, no whole number of nanoseconds"
    if not isinstance(values.get("body", {}), Mapping):
        yield "has a body that is no table"


def _is_unicode(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeError:
        return False
    return True


def _row_of(values: Mapping[str, Any], number: int, prior: str) -> Row | None:
    """Return one row of sound shape; ``None`` when its body is none that JSON can hold."""
    hash_ = str(values["hash"])
    if values.get("withheld") is True:
        return stand_in(WITHHELD, number, "", prior, hash_)
    try:
        body = canonical(values["body"])
        return Row._make([*(values[name] for name in COLUMNS[:9]), body, prior, hash_])
    except (ValueError, RecursionError):
        return None
