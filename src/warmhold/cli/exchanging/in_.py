"""`warmhold exchange in`: a file of a monitor or logger onto one trip, looked at first."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.faults import or_leave
from warmhold.cli.folders import usual_folder

if TYPE_CHECKING:
    from collections.abc import Callable

    from warmhold.exchange.trends.mapping import AnyMapped
    from warmhold.exchange.trends.onto_trip import Preview
    from warmhold.exchange.trends.reading import File
    from warmhold.record import Event

# What is no trend is handed on: end of the name -> module and function, called as
# (path, folder, trip or None, signed or None, yes) and returning the exit status.
HANDED_ON = {".hl7": ("warmhold.cli.hl7_in", "take")}
RECORD = ".json"  # a whole record becomes a record of its own, and goes to no trip


@click.command(name="in")
@click.argument("file")
@click.option("--trip", metavar="TRIP", help="The trip it goes to, by its id in the record.")
@click.option("--folder", metavar="FOLDER",
              help="The record's folder; ~/.local/share/warmhold if none is named.")  # fmt: skip
@click.option("--mapping", metavar="FILE",
              help="Which column or signal is what. Found again, if not given.")  # fmt: skip
@click.option("--propose", is_flag=True, help="Only propose a mapping, and write it beside FILE.")
@click.option("--sheet", metavar="NAME", help="Sheet of a spreadsheet, for a proposal.")
@click.option("--zone", metavar="ZONE",
              help="Zone of the device's clock for this file, such as +01:00.")  # fmt: skip
@click.option("--start", metavar="TIME",
              help="Moment of the first row, with its offset, where FILE has none.")  # fmt: skip
@click.option("--source", metavar="NAME", help="Which monitor or logger told this file.")
@click.option("--every", type=click.FloatRange(1, 3600), metavar="SECONDS",
              help="Keep one row for each so many seconds, the median of them.")  # fmt: skip
@click.option("--signed", metavar="NAME", help="Who looked at it and confirms it.")
@click.option("--yes", is_flag=True, help="Units, zone and trip are confirmed: write the entry.")
def command(
    file: str,
    trip: str | None,
    folder: str | None,
    mapping: str | None,
    propose: bool,
    sheet: str | None,
    zone: str | None,
    start: str | None,
    source: str | None,
    every: float | None,
    signed: str | None,
    yes: bool,
) -> int:
    """Put a trend of a monitor or logger to a trip, after a look at it.

    FILE is a CSV file, a spreadsheet (.xlsx), an EDF or BDF file, a WFDB record (.hea, or a .zip
    with all of its files) or an .hl7 file. One that is seen for the first time gets a proposed
    mapping: read it, correct it, and run again. Nothing is written before a person has confirmed
    what it was read as.

    Exit status: 0 written or on record already, 1 nothing was written yet, 2 bad input.
    """
    path = Path(file).expanduser()
    where = Path(folder).expanduser() if folder else usual_folder()
    if path.suffix.lower() == RECORD:
        raise click.UsageError(
            f"{path}: an exported record goes into a folder of its own: warmhold record import."
        )
    handed = HANDED_ON.get(path.suffix.lower())
    if handed is not None:
        return _hand_on(handed)(path, where, trip, signed, yes)
    from warmhold.exchange.trends.mapping import stated as with_stated  # noqa: PLC0415
    from warmhold.exchange.trends.onto_trip import Stated, keep_mapping, preview  # noqa: PLC0415
    from warmhold.exchange.trends.reading import file_at, read_trend  # noqa: PLC0415

    given = file_at(path)
    or_leave(lambda: given.sort)
    if propose:
        return _propose(given, sheet)
    own = _mapping(given, mapping, where, sheet)
    if own is None:
        return status.BAD_INPUT
    if trip is None:
        raise click.UsageError("--trip TRIP: name the trip that this goes to.")
    events = _events(where, trip)
    said = Stated(zone, _moment(start), source, every or 0.0)
    mapped = or_leave(lambda: with_stated(own, said.zone, said.start, said.source))
    trend = or_leave(lambda: read_trend(given, mapped))
    now = datetime.now(UTC)
    found = or_leave(lambda: preview(trend, mapped, said, events, now))
    encoding = sys.stdout.encoding or "ascii"
    from warmhold.report.plain import sayable  # noqa: PLC0415

    for line in lines_of(found):
        click.echo(sayable(line, encoding))
    if found.receipt is not None:
        click.echo(f"On record already, as entry {found.receipt.seq}: nothing was written.")
        return status.GO
    name = _confirmed(yes, signed)
    if name is None:
        return status.NOT_GO
    _write(found, name, where)
    try:
        text = Path(mapped.source.file).read_text("utf-8")
        kept = or_leave(lambda: keep_mapping(where, given, mapped, text, now))
    except OSError as error:
        click.echo(f"The mapping was not remembered: {error.strerror or error}.", err=True)
    else:
        known = "The mapping is remembered for such files."
        click.echo(known if kept else "Without a header the mapping is not remembered.", err=True)
    return status.GO


def _hand_on(handed: tuple[str, str]) -> Callable[..., int]:
    try:
        found: Callable[..., int] = getattr(import_module(handed[0]), handed[1])
    except ModuleNotFoundError as error:
        if error.name != handed[0]:
            raise
        raise click.ClickException("files of this sort are not taken by this version.") from error
    return found


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise click.UsageError(f"--start {text}: write it as 2026-01-14T02:40:00+00:00.") from error
    if found.tzinfo is None:
        raise click.UsageError(f"--start {text}: its offset is missing, such as +00:00.")
    return found


def _events(folder: Path, trip: str) -> list[Event]:
    from warmhold.cli.keeping import events_in  # noqa: PLC0415

    every = events_in(folder)
    mine = [one for one in every if one.trip == trip]
    if not mine:
        known = list(dict.fromkeys(one.trip for one in every if one.trip))
        there = f"There are: {', '.join(known[-10:])}." if known else "It has no trip."
        raise click.UsageError(f"--trip {trip}: not a trip of the record in {folder}. {there}")
    return mine


def _mapping(file: File, named: str | None, folder: Path, sheet: str | None) -> AnyMapped | None:
    """Read the mapping that is named or remembered; else write a proposal and return ``None``."""
    from warmhold.exchange.trends.mapping import load_mapping  # noqa: PLC0415
    from warmhold.exchange.trends.onto_trip import mappings_in  # noqa: PLC0415
    from warmhold.exchange.trends.reading import remembered  # noqa: PLC0415

    if named is not None:
        return or_leave(lambda: load_mapping(Path(named), file.of_signals))
    for where in (mappings_in(folder), file.path.parent):
        found = or_leave(lambda where=where: remembered(file, where))  # type: ignore[misc]
        if found is not None:
            return found
    _propose(file, sheet)
    return None


def _propose(file: File, sheet: str | None) -> int:
    from warmhold.exchange.trends.reading import propose_mapping  # noqa: PLC0415
    from warmhold.report.plain import without_controls  # noqa: PLC0415

    found = or_leave(lambda: propose_mapping(file, sheet))
    target = file.path.with_name(f"{file.path.stem}.mapping.toml")
    try:
        with target.open("x", encoding="utf-8", newline="\n") as handle:
            handle.write(found.text)
    except FileExistsError:
        raise click.ClickException(
            f"{target} is there already. Name a mapping with --mapping, or move that file."
        ) from None
    except OSError as error:
        raise click.ClickException(f"{target} could not be written: {error.strerror}.") from error
    click.echo("A mapping was proposed from the header; nothing was read yet.")
    for quantity, column, unit in found.told:
        known = "to be filled in" if quantity == "?" else quantity
        click.echo(without_controls(f'  {known:<24} from "{column}", {unit}'))
    for column in found.left:
        click.echo(without_controls(f'  {"not used":<24} "{column}"'))
    for key in found.open:
        click.echo(without_controls(f"  {'to be filled in':<24} {key}"))
    click.echo(f"Read and correct {target}, then run again: it is used from then on.")
    return status.BAD_INPUT


# --- the preview --------------------------------------------------------------------------------


def lines_of(one: Preview) -> Iterator[str]:
    """Yield the lines of a preview."""
    trend = one.taken
    yield f"File      {trend.name}"
    yield f"Source    {trend.source}"
    yield f"Time      {one.zone}"
    end = "now" if one.goes_on else "handover"
    yield f"Trip      {one.trip}: {_at(one.began)} to {_at(one.ended)} ({end})"
    yield (
        f"Trend     {_at(trend.start_utc)} to {_at(trend.end_utc)}, {len(trend.seconds)} rows, "
        f"{100 * one.covered:.0f} % of the trip"
    )
    yield ""
    yield (
        f"{'quantity':<26}{'readings':>9}{'not read':>9}{'doubtful':>9}{'lowest':>9}{'median':>9}"
        f"{'highest':>9}  unit"
    )
    for told in one.told:
        figures = "".join(
            f"{'unknown' if value is None else format(value, '.5g'):>9}"
            for value in (told.lowest, told.median, told.highest)
        )
        yield (
            f"{told.quantity:<26}{told.count:>9}{told.unread:>9}{told.doubtful:>9}{figures}  "
            f"{told.unit}"
        )
    yield ""
    yield from _rows(one)
    yield ""
    for line in one.noticed:
        yield f"- {line}"
    if trend.unused:
        yield f"- not used: {', '.join(trend.unused)}"
    yield "Decision support, not a medical device: compare a few rows with the device itself."


def _rows(one: Preview) -> Iterator[str]:
    names = list(one.taken.numbers)
    wide = [max(9, len(name) + 2) for name in names]
    yield f"{'UTC':<20}" + "".join(f"{n:>{w}}" for n, w in zip(names, wide, strict=True))
    first, last = one.rows()
    for row in first:
        yield _row(one, row, names, wide)
    if last:
        yield f"... {len(one.taken.seconds) - len(first) - len(last)} more"
        for row in last:
            yield _row(one, row, names, wide)


def _row(one: Preview, row: int, names: list[str], wide: list[int]) -> str:
    cells = ""
    for name, width in zip(names, wide, strict=True):
        value = float(one.taken.numbers[name][row])
        text = "-" if math.isnan(value) else f"{value:.5g}"
        cells += f"{text:>{width}}"
    return f"{one.taken.moment(row):%Y-%m-%d %H:%M:%S} {cells}"


def _at(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


# --- writing ------------------------------------------------------------------------------------


def _confirmed(yes: bool, signed: str | None) -> str | None:
    """Return who confirms; ``None`` when nobody did."""
    from warmhold.cli.keeping import checked_name  # noqa: PLC0415

    if yes:
        return checked_name(signed)
    if not sys.stdin.isatty():
        click.echo("Nothing was written. Look at it, then run again with --yes --signed NAME.")
        return None
    if not click.confirm("Are source, time, units and trip right? Write it"):
        click.echo("Nothing was written.")
        return None
    return checked_name(signed or click.prompt("Who confirms it (name)"))


def _write(found: Preview, name: str, folder: Path) -> None:
    from warmhold.cli.keeping import opened, tell_saved  # noqa: PLC0415
    from warmhold.record import Trouble  # noqa: PLC0415

    with opened(folder) as record:
        try:
            receipt = record.append(found.entry(f"{name} (command line)"))
        except Trouble as trouble:
            raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble
    tell_saved(receipt, folder)
