"""`warmhold service`: prepare, check and read what many laptops sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.services import DiscreetGroup, address_option, or_leave, pairs_said
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from datetime import datetime

    from warmhold.service import Trip

NOT_WHOLE = status.NOT_GO
_on = address_option("--on", "Where the service is")


@click.group(cls=DiscreetGroup)
def command() -> None:
    """One database for the records of many laptops, on PostgreSQL or in an SQLite file.

    A password is never written here: use PGPASSWORD or the file ~/.pgpass.
    """


@command.command()
@_on
def prepare(where: str) -> int:
    """Make the tables of a service, or bring them to this version.

    Nothing else ever does this: laptops refuse a service whose tables have another version.
    Copy the database first when it holds entries.

    Exit status: 0 prepared, 2 not.
    """
    from warmhold.service import address_of  # noqa: PLC0415
    from warmhold.service import prepare as make  # noqa: PLC0415

    before, after = or_leave(lambda: make(where))
    what = "is prepared" if before == after else "was made" if before == 0 else "was brought"
    which = f" from version {before} to {after}" if 0 < before < after else f": version {after}"
    click.echo(f"The service at {or_leave(lambda: address_of(where)).shown} {what}{which}.")
    return status.GO


@command.command()
@_on
def verify(where: str) -> int:
    """Check every entry of every device, as it lies in the database.

    Exit status: 0 whole, 1 not whole, 2 bad input.
    """
    from warmhold.record.core import spans  # noqa: PLC0415
    from warmhold.service import Service  # noqa: PLC0415
    from warmhold.service import verify as check  # noqa: PLC0415

    with or_leave(lambda: Service.open(where)) as service:
        found = or_leave(lambda: check(service))
    if not found:
        click.echo("No device has sent anything yet.")
    for device, result in found:
        click.echo(f"{device.name} ({device.key})")
        click.echo(f"  Entries      {result.events}")
        if result.withheld:
            click.echo(f"  Withheld     {result.withheld}: it sent a part of its record")
        if result.lost:
            click.echo(f"  Lost before  {spans(result.lost)}: on the laptop itself")
        click.echo(f"  Fingerprint  {result.head}")
        click.echo(f"  Whole        {'yes' if result.whole else 'NO'}")
        for fault in result.faults:
            click.echo(f"    {fault}")
    return status.GO if all(result.whole for _, result in found) else NOT_WHOLE


@command.command()
@_on
def trips(where: str) -> int:
    """List the trips of all devices, and pairs that a person may want to look at.

    Exit status: 0 listed, 2 bad input.
    """
    from warmhold.service import Service, pairs  # noqa: PLC0415
    from warmhold.service import trips as read  # noqa: PLC0415

    with or_leave(lambda: Service.open(where)) as service:
        found = or_leave(lambda: read(service))
    if not found:
        click.echo("There is no trip yet.")
    device = ""
    for one in found:
        if one.device.id != device:
            device = one.device.id
            click.echo(f"{one.device.name} ({one.device.key})")
        click.echo(f"  {one.key}  {_when(one.began)}  {_state(one)}  {one.entries} entries")
    for line in pairs_said(pairs(found)):
        click.echo(line)
    return status.GO


@command.command()
@_on
@click.option("--device", "which", metavar="NAME",
              help="Only this device's record, as warmhold record export writes it.")  # fmt: skip
@click.option("--out", metavar="FILE", help="Write to this file; else to stdout.")
def export(where: str, which: str | None, out: str | None) -> int:
    """Write the records of all devices as JSON, or that of one.

    Exit status: 0 written, 2 bad input.
    """
    import json  # noqa: PLC0415

    from warmhold.service import Service  # noqa: PLC0415
    from warmhold.service import export as read  # noqa: PLC0415

    if out is not None:
        check_target("--out", out)
    with or_leave(lambda: Service.open(where)) as service:
        exported = or_leave(lambda: read(service, which))
    text = json.dumps(exported, indent=1, ensure_ascii=True, allow_nan=False) + "\n"
    if out is None:
        write_stdout(text)
    else:
        write_whole(out, text)
    click.echo(exported["contains"]["says"], err=out is None)
    return status.GO


def _when(moment: datetime | None) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC" if moment is not None else "not begun"


def _state(one: Trip) -> str:
    if one.transfer is None:
        return "only planned"
    return "handed over" if one.handed_over else "no handover written"
