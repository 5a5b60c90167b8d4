"""What `warmhold exchange in` does with a file of HL7 v2 reports of observations."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import click

from warmhold.cli import status
from warmhold.cli.exchanging import in_
from warmhold.cli.exchanging.listen import zones_of
from warmhold.cli.faults import or_leave

if TYPE_CHECKING:
    from warmhold.exchange.hl7.files import Reports
    from warmhold.exchange.trends.mapping import AnyMapped

_READ_AS = "HL7 v2, ORU^R01"


def take(path: Path, folder: Path, trip: str | None, signed: str | None, yes: bool) -> int:
    """Show what a file holds, and put it to a trip once a person has confirmed it.

    The options --zone, --source and --every of the command are taken from its context.
    """
    from warmhold.exchange.hl7.files import read_file, trend_of  # noqa: PLC0415
    from warmhold.exchange.hl7.reader import Rules  # noqa: PLC0415
    from warmhold.exchange.trends.onto_trip import Stated, preview  # noqa: PLC0415

    given = _options()
    _refuse_others(given)
    zone, source, every = given.get("zone"), given.get("source"), given.get("every")
    rules = Rules(zones_of((zone,) if zone else ()))
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise click.UsageError(f"{path}: {error.strerror or error}.") from error
    reports = or_leave(lambda: read_file(raw, path.name, rules))
    _tell(reports)
    if source is None:
        if len(reports.sources) > 1:
            raise click.UsageError(
                "The file holds more than one source. Take one at a time: --source "
                f'"{_shown(reports.sources[0])}".'
            )
        source = reports.sources[0]
    elif source not in map(_shown, reports.sources):
        raise click.UsageError(f"--source {source}: the file holds none of that name.")
    name = next(one for one in reports.sources if source in (one, _shown(one)))
    trend = or_leave(lambda: trend_of(reports, name))
    if trip is None:
        raise click.UsageError("--trip TRIP: name the trip that this goes to.")
    events = in_._events(folder, trip)
    said = Stated(zone, None, name, every or 0.0)
    now = datetime.now(UTC)
    found = or_leave(lambda: preview(trend, _way(zone), said, events, now))
    for line in in_.lines_of(found):
        _say(line)
    if found.receipt is not None:
        _say(f"On record already, as entry {found.receipt.seq}: nothing was written.")
        return status.GO
    who = in_._confirmed(yes, signed)
    if who is None:
        return status.NOT_GO
    in_._write(found, who, folder)
    if reports.refused:
        _say(f"{len(reports.refused)} messages of the file were refused, see above.")
        return status.NOT_GO
    return status.GO


def _options() -> dict[str, Any]:
    context = click.get_current_context(silent=True)
    return {} if context is None else dict(context.params)


def _refuse_others(given: dict[str, Any]) -> None:
    for name in ("mapping", "propose", "sheet", "start"):
        if given.get(name):
            raise click.UsageError(f"--{name} does not go with a file of HL7 messages.")


def _way(zone: str | None) -> AnyMapped:
    """Return what stands for a mapping here: the codes of the messages say what is what."""
    mapping = SimpleNamespace(
        time=SimpleNamespace(start=None, zone=zone), model_dump=lambda **rest: {"name": _READ_AS}
    )
    return cast("AnyMapped", SimpleNamespace(mapping=mapping))


def _tell(reports: Reports) -> None:
    _say(f"Messages  {len(reports.messages)} understood, {len(reports.refused)} refused")
    for source in reports.sources:
        mine = reports.of(source)
        _say(f"Source    {_shown(source)} ({len(mine)} messages)")
        patients = sorted({one for message in mine for one in message.patients})
        for one in patients[:5]:
            _say(f"          says patient {_shown(one)}: compare it with the baby of the trip")


def _shown(text: str) -> str:
    from warmhold.model.words import plain  # noqa: PLC0415

    return plain(text)


def _say(text: str) -> None:
    from warmhold.report.plain import sayable  # noqa: PLC0415

    click.echo(sayable(text, sys.stdout.encoding or "ascii"))
