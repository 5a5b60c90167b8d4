"""`warmhold exchange out`: one trip of the record, in the forms that others read."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from warmhold.cli import status
from warmhold.cli.folders import USUAL, usual_folder

if TYPE_CHECKING:
    from warmhold.exchange.outgoing import Outgoing
    from warmhold.record import Event, Verification
    from warmhold.web.records_out import Form


@dataclass(frozen=True)
class _File:
    """One file to write: where, what it is and contains, and how it is made."""

    path: Path
    title: str
    says: str
    make: Callable[[], bytes]


@click.command()
@click.argument("trip")
@click.option("--fhir", metavar="FILE", help="A FHIR R4 Bundle.")
@click.option("--csv", "csv_folder", metavar="DIR", help="Tables as CSV, with a data dictionary.")
@click.option("--parquet", metavar="DIR", help="The same tables as Parquet.")
@click.option("--hl7", metavar="FILE", help="HL7 v2 observation reports.")
@click.option("--pdf", metavar="FILE", help="The handover page.")
@click.option("--json", "json_file", metavar="FILE",
              help="The record's own form; read in again by warmhold record import.")  # fmt: skip
@click.option("--alerts-r6", metavar="FILE",
              help="Alerts in a draft of FHIR R6 that may change: not for live use.")  # fmt: skip
@click.option("--codes-from-memory", is_flag=True,
              help="In the Bundle, also codes recalled and not read in a source.")  # fmt: skip
@click.option("--folder", metavar="FOLDER", help=f"The record's folder; else {USUAL}.")
def command(
    trip: str,
    fhir: str | None,
    csv_folder: str | None,
    parquet: str | None,
    hl7: str | None,
    pdf: str | None,
    json_file: str | None,
    alerts_r6: str | None,
    codes_from_memory: bool,
    folder: str | None,
) -> int:
    """Write one trip in the forms that others read, and say what each file contains.

    TRIP is the trip's id in the record. The record is only read; warmhold serve may go on
    meanwhile. A file that is there already is never overwritten: then nothing is written at all.

    The baby appears under a pseudonym. Notes and other free text are as they were typed: read
    them before passing a file on, they may name people.

    Exit status: 0 written, 1 written but the record is not whole, 2 bad input.
    """
    from warmhold.exchange.fhir import bundle_of, to_text  # noqa: PLC0415
    from warmhold.exchange.outgoing import outgoing  # noqa: PLC0415
    from warmhold.record import FILE, events_of_file, sharing, verify_file  # noqa: PLC0415
    from warmhold.web import records_out as forms  # noqa: PLC0415

    if not any((fhir, csv_folder, parquet, hl7, pdf, json_file, alerts_r6)):
        raise click.UsageError(
            "Name at least one file: --fhir, --csv, --parquet, --hl7, --pdf, --json, --alerts-r6."
        )
    if codes_from_memory and fhir is None:
        raise click.UsageError("--codes-from-memory is for --fhir.")
    place = Path(folder).expanduser() if folder else usual_folder()
    path = place / FILE if place.is_dir() else place
    found: Verification = _or_leave(lambda: verify_file(path))
    if not found.whole:
        click.echo(f"Caution: the record is not whole: {'; '.join(found.faults)}.", err=True)
    events: list[Event] = _or_leave(lambda: events_of_file(path))
    head = (events[-1].seq if events else 0, found.head)
    if found.whole:  # entries that a server adds meanwhile are left for the next time
        head = (found.events + found.withheld + len(found.lost), found.head)
        events = [event for event in events if event.seq <= head[0]]
    out: Outgoing = _or_leave(lambda: outgoing(events, trip, head))

    wanted: list[_File] = []
    if fhir is not None:
        made = lambda: to_text(bundle_of(out, codes_from_memory)).encode("utf-8")  # noqa: E731
        wanted.append(_File(Path(fhir), forms.FHIR.title, forms.FHIR.says, made))
    for directory, those in ((csv_folder, forms.CSV), (parquet, forms.PARQUET)):
        if directory is not None:
            wanted += [_one(Path(directory) / form.name, form, out) for form in those]
    if hl7 is not None:
        wanted.append(_one(Path(hl7), forms.HL7, out))
    if pdf is not None:
        wanted.append(_File(Path(pdf), "Handover, PDF", forms.PDF_SAYS, lambda: _pdf(events, out)))
    if json_file is not None:
        written = lambda: forms.json_text(sharing.export_file(path, trip)).encode()  # noqa: E731
        wanted.append(
            _File(Path(json_file), "The record of this trip, JSON", forms.JSON_SAYS, written)
        )
    if alerts_r6 is not None:
        click.echo(f"Caution: {forms.ALERTS.says}", err=True)
        wanted.append(_one(Path(alerts_r6), forms.ALERTS, out))
    folders = [Path(one) for one in (csv_folder, parquet) if one is not None]
    _check(wanted, folders)
    contents = [_or_leave(one.make) for one in wanted]
    _write(wanted, contents, folders)
    _tell(out, wanted, contents)
    return status.GO if found.whole else status.NOT_GO


def _one(path: Path, form: Form, out: Outgoing) -> _File:
    return _File(path, form.title, form.says, lambda: form.make(out))


def _pdf(events: Sequence[Event], out: Outgoing) -> bytes:
    from warmhold.web.records_out import handover_bytes  # noqa: PLC0415
    from warmhold.web.settings import Settings  # noqa: PLC0415

    usual = Settings(Path())
    return handover_bytes(events, out.trip, out.head, usual.watch_members, usual.seed)


def _check(wanted: Sequence[_File], folders: Sequence[Path]) -> None:
    """Refuse what cannot be written, before anything is made."""
    faults = []
    for folder in dict.fromkeys(folders):
        if folder.exists() and not folder.is_dir():
            faults.append(f"{folder} is a file, not a folder.")
        elif not folder.exists() and not folder.parent.is_dir():
            faults.append(f"There is no folder {folder.parent}.")
    seen: dict[str, str] = {}
    for one in wanted:
        where = os.path.abspath(one.path)
        if where in seen:
            faults.append(f"{one.path} is named twice: {seen[where]} and {one.title}.")
        seen[where] = one.title
        if os.path.lexists(one.path):
            faults.append(f"{one.path} is there already and was left alone: name another.")
        elif one.path.parent not in folders and not one.path.parent.is_dir():
            faults.append(f"There is no folder {one.path.parent}.")
    if faults:
        raise click.UsageError("Nothing was written. " + " ".join(faults))


def _write(wanted: Sequence[_File], contents: Sequence[bytes], folders: Sequence[Path]) -> None:
    try:
        for folder in folders:
            folder.mkdir(exist_ok=True)
        for one, content in zip(wanted, contents, strict=True):
            _write_new(one.path, content)
    except OSError as error:
        name = error.filename2 or error.filename or ""
        raise click.ClickException(
            f"{name} could not be written: {error.strerror or error}. Files named before it may be "
            "there."
        ) from error


def _write_new(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and never over another.

    Errors: OSError
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        try:
            os.link(name, path)  # unlike a move it fails when the name is taken
        except FileExistsError:
            raise
        except OSError:  # a disk without links
            with path.open("xb") as file:
                file.write(content)
    finally:
        with contextlib.suppress(OSError):
            os.unlink(name)


def _tell(out: Outgoing, wanted: Sequence[_File], contents: Sequence[bytes]) -> None:
    from warmhold.exchange.outgoing import says  # noqa: PLC0415
    from warmhold.plan.sheet import CAUTIONS  # noqa: PLC0415
    from warmhold.report.plain import without_controls  # noqa: PLC0415

    for one, content in zip(wanted, contents, strict=True):
        click.echo(without_controls(f"{one.path}  {one.title}, {len(content)} bytes"))
        click.echo(f"  {one.says}")
    click.echo(without_controls(says(out)))
    click.echo(CAUTIONS[0])


def _or_leave(work: Callable[[], Any]) -> Any:
    from warmhold.record import Trouble  # noqa: PLC0415

    try:
        return work()
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble
