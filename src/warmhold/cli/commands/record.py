"""`warmhold record`: check, copy and pass on a record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from warmhold.cli import status
from warmhold.cli.folders import USUAL, usual_folder
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from warmhold.record import Verification

NOT_WHOLE = status.NOT_GO
_Result = TypeVar("_Result")

_folder = click.option(
    "--folder",
    "named",
    metavar="FOLDER",
    help=f"The record's folder, if it is not the first argument; else {USUAL}.",
)


@click.group()
def command() -> None:
    """Check a record, copy it, write it out, or make a new one of what was written out.

    verify, backup and export only read the record; they may be used while warmhold serve runs.

    FOLDER is the folder with the record, or the file of a copy; ~/.local/share/warmhold when it
    is not given.

    Exit status: 0 whole, 1 not whole, 2 bad input.
    """


@command.command()
@click.argument("folder", required=False)
@_folder
@click.option(
    "--head",
    metavar="FINGERPRINT",
    help="A fingerprint from a handover sheet: is it in this record?",
)
def verify(folder: str | None, named: str | None, head: str | None) -> int:
    """Check that every entry is there and unchanged.

    Prints the record's fingerprint: compare it with the one on the handover sheet.

    Exit status: 0 whole, 1 not whole, 2 bad input.
    """
    from warmhold.record import sharing, verify_file  # noqa: PLC0415

    path = _file(folder, named)
    found = _or_leave(lambda: verify_file(path))
    click.echo(f"Record       {path}")
    _tell(found)
    if head is None:
        return status.GO if found.whole else NOT_WHOLE
    wanted = "".join(head.lower().split())
    if len(wanted) < 16 or not set(wanted) <= set("0123456789abcdef"):
        raise click.UsageError("--head needs at least 16 of the fingerprint's digits 0-9, a-f.")
    seq = _or_leave(lambda: sharing.find_hash(path, wanted))
    if seq is None:
        click.echo("On the sheet not in this record: entries were changed, or it is another one.")
        return NOT_WHOLE
    click.echo(f"On the sheet the fingerprint of entry {seq} of this record")
    return status.GO if found.whole else NOT_WHOLE


@command.command()
@click.argument("paths", nargs=-1, metavar="[FOLDER] TARGET")
@_folder
def backup(paths: tuple[str, ...], named: str | None) -> int:
    """Copy the record to a file and check the copy.

    TARGET is a file that is not there yet, or a folder: then the copy is named by the time.

    Exit status: 0 the copy is whole, 1 it is not, 2 bad input.
    """
    from warmhold.record import sharing  # noqa: PLC0415

    if not 1 <= len(paths) <= 2:
        raise click.UsageError("Name the record's folder and the target of the copy.")
    path = _file(paths[0] if len(paths) == 2 else None, named)
    copied, found = _or_leave(lambda: sharing.backup_file(path, Path(paths[-1])))
    click.echo(f"Copy         {copied}")
    _tell(found)
    return status.GO if found.whole else NOT_WHOLE


@command.command()
@click.argument("folder", required=False)
@_folder
@click.option("--trip", metavar="ID", help="Only this trip; entries of others are withheld.")
@click.option("--out", metavar="FILE", help="Write to this file; else to stdout.")
def export(folder: str | None, named: str | None, trip: str | None, out: str | None) -> int:
    """Write the record as JSON, and say what it contains.

    Exit status: 0 written and whole, 1 written but the record is not whole, 2 bad input.
    """
    import json  # noqa: PLC0415

    from warmhold.record import sharing, verify_file  # noqa: PLC0415

    path = _file(folder, named)
    if out is not None:
        check_target("--out", out, path)
    exported = _or_leave(lambda: sharing.export_file(path, trip))
    text = json.dumps(exported, indent=1, ensure_ascii=True, allow_nan=False) + "\n"
    if out is None:
        write_stdout(text)
    else:
        write_whole(out, text)
    contains = exported["contains"]
    entries = sum(contains["entries"].values())
    lines = [
        f"{_counted(entries, 'entry', 'entries')} of "
        f"{_counted(len(contains['trips']), 'trip', 'trips')}; {contains['withheld']} withheld.",
        contains["says"],
    ]
    for line in lines:
        click.echo(line, err=out is None)
    found = _or_leave(lambda: verify_file(path))
    if not found.whole:
        click.echo(f"The record is not whole: {'; '.join(found.faults)}.", err=True)
        return NOT_WHOLE
    return status.GO


@command.command(name="import")
@click.argument("file", metavar="FILE")
@click.option(
    "--folder", required=True, metavar="NEW",
    help="The new record's folder: one that is not there yet, or is empty.",
)  # fmt: skip
def import_(file: str, folder: str) -> int:
    """Make a new record of an export, with the same entries and the same fingerprint.

    FILE is what warmhold record export wrote. Every entry is checked first; what is damaged or not
    whole is refused with every reason, and nothing is left behind. Entries that the export
    withheld stay withheld: their places and hashes are kept.

    Exit status: 0 done and whole, 2 bad input.
    """
    from warmhold.record import sharing  # noqa: PLC0415

    target = Path(folder).expanduser()
    try:
        if target.exists() and not target.is_dir():
            raise click.UsageError(f"--folder {folder} is a file; name a new folder.")
        if target.is_dir() and any(target.iterdir()):
            raise click.UsageError(f"--folder {folder} is not empty; name a new folder.")
    except OSError as error:
        raise click.UsageError(f"--folder {folder}: {error.strerror or error}.") from error
    exported = _or_leave(lambda: sharing.read_export(Path(file).expanduser()))
    found = _or_leave(lambda: sharing.import_into(target, exported))
    click.echo(f"Record       {target}")
    _tell(found)
    return status.GO


def _file(folder: str | None, named: str | None) -> Path:
    """Find the record's file."""
    from warmhold.record import FILE  # noqa: PLC0415

    if folder is not None and named is not None and folder != named:
        raise click.UsageError("The folder is named twice.")
    given = folder or named
    path = Path(given).expanduser() if given else usual_folder()
    return path / FILE if path.is_dir() else path


def _counted(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"


def _tell(found: Verification) -> None:
    from warmhold.record.core import spans  # noqa: PLC0415

    click.echo(f"Entries      {found.events}")
    if found.withheld:
        click.echo(f"Withheld     {found.withheld} of other trips; this is a part of a record")
    if found.lost:
        click.echo(f"Lost before  {spans(found.lost)}: named by an earlier recovery")
    click.echo(f"Fingerprint  {found.head}")
    if found.whole:
        click.echo("Whole        yes: every entry is there and follows from the one before")
        return
    click.echo("Whole        NO")
    for fault in found.faults:
        click.echo(f"  {fault}")
    click.echo("Keep this file as it is. Compare with the last copy and with paper.")


def _or_leave(work: Callable[[], _Result]) -> _Result:
    from warmhold.record import Trouble  # noqa: PLC0415

    try:
        return work()
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble
