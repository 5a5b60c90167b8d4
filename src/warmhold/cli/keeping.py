"""What commands put into the record of a folder, and what they read there."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from warmhold.cli.faults import or_leave
from warmhold.model import Unit, parse_unit
from warmhold.model.load import DATA
from warmhold.record import FILE, Entry, Event, Receipt, Record, Trouble, events_of_file
from warmhold.web.library import NAME, Library

if TYPE_CHECKING:
    from warmhold.bench.reading import Mapped, Reading
    from warmhold.bench.trials import Result

LONGEST_NAME = 100


def checked_name(signed: str | None) -> str:
    """Return who signs."""
    name = (signed or "").strip()
    if len(name) < 2 or len(name) > LONGEST_NAME or not name.isprintable():
        raise click.UsageError("--signed NAME: write who signs; an entry is signed.")
    return name


def events_in(folder: Path) -> list[Event]:
    """Return what the record of a folder holds; nothing when there is none yet.

    A server may have it open at the same time.
    """
    path = folder / FILE
    try:
        return events_of_file(path) if path.is_file() else []
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble


@contextmanager
def opened(folder: Path) -> Iterator[Record]:
    """Open a record for writing; one that a server has open is told."""
    try:
        record = Record.open(folder, warn=lambda text: click.echo(text, err=True))
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble
    with record:
        yield record


def append(
    record: Record,
    form_id: str,
    kind: str,
    body: Mapping[str, Any],
    signed: str,
    at: datetime | None = None,
) -> Receipt:
    """Put an entry about a unit into an open record."""
    entry = Entry(form_id, "", kind, body, f"{signed} (command line)", at)
    try:
        return record.append(entry)
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble


def tell_saved(receipt: Receipt, folder: Path) -> None:
    """Say on stderr where an entry is."""
    click.echo(f"Saved: entry {receipt.seq} of the record in {folder}.", err=True)


@dataclass(frozen=True)
class Keeping:
    """Where bench tests are to be kept, of which unit, and who signs."""

    folder: Path
    key: str
    unit: Unit
    signed: str

    @classmethod
    def of(cls, folder: Path, given: str, signed: str) -> Keeping:
        """Find a unit among those of a folder: by its name, or by its file there."""
        library = Library(folder)
        known = library.names("units")
        key = given if given in known else Path(given).stem
        text = library.text("units", key) if NAME.fullmatch(key) else None
        if text is None:
            raise click.UsageError(
                f"--unit {given}: not a unit of {folder}, so the record could not tell whose test "
                f"it is. There are: {', '.join(known)}."
            )
        if given not in known and Path(given).is_file():
            try:
                same = Path(given).read_text("utf-8") == text
            except (OSError, UnicodeDecodeError):
                same = False
            if not same:
                raise click.UsageError(
                    f"--unit {given} is not the same as the unit {key} of {folder}. Name {key}, or "
                    "bring the two together."
                )
        return cls(folder, key, or_leave(lambda: parse_unit(text, key)), signed)

    def opened(self) -> Any:
        """Open the record."""
        return opened(self.folder)

    def read(self, path: Path, mapped: Mapped) -> Reading:
        """Read a log so that what it was read by is told in the report."""
        from warmhold.web.bench_tests import read_kept  # noqa: PLC0415

        now = datetime.now(UTC)
        return or_leave(lambda: read_kept(path, mapped, self.unit.name, path.name, now))

    def keep(
        self,
        record: Record,
        path: Path,
        mapped: Mapped,
        reading: Reading,
        results: Sequence[Result],
    ) -> None:
        """Keep log, mapping and report in the folder, and the results in its record."""
        from warmhold.web import bench_tests  # noqa: PLC0415

        form_id = secrets.token_urlsafe(18)
        try:
            log_path = bench_tests.keep_log(self.folder, path.read_bytes())
            source = Path(mapped.source.file)
            if DATA not in source.resolve().parents:  # the shipped one holds invented certificates
                text = source.read_text("utf-8")
                now = datetime.now(UTC)
                bench_tests.keep_mapping(self.folder, self.key, mapped, text, log_path, now)
            bench_tests.keep_report(self.folder, form_id, results)
        except OSError as error:
            raise click.ClickException(
                f"the log could not be kept in {self.folder}: {error.strerror or error}; nothing "
                "was put into the record."
            ) from error
        log = (reading.log.name, reading.log.fingerprint)
        body = bench_tests.body_of(self.key, results, log, self.signed, self.unit.name)
        at = bench_tests.ended_at(reading)
        tell_saved(append(record, form_id, "bench-test", body, self.signed, at), self.folder)
