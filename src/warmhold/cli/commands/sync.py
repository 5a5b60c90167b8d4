"""`warmhold sync`: send a record to the service that gathers the records of many laptops."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import usual_folder
from warmhold.cli.services import Discreet, address_option, or_leave

if TYPE_CHECKING:
    from warmhold.service import Sent, Service

NOT_ALL = status.NOT_GO


@click.command(cls=Discreet)
@click.argument("folder", required=False)
@address_option("--to", "Where the service is")
@click.option(
    "--name", default="", metavar="NAME",
    help="What this device is called there; else as before, or by its fingerprint.",
)  # fmt: skip
def command(folder: str | None, where: str, name: str) -> int:
    """Send what the service has not acknowledged.

    FOLDER is the folder with the record, or the file of a copy; ~/.local/share/warmhold when it
    is not given. The record is only read, and warmhold serve may go on meanwhile. Nothing is
    deleted from it. Sending again sends only what is new; after a broken line, just send again.

    A password is never written here: use PGPASSWORD or the file ~/.pgpass.

    Exit status: 0 everything is acknowledged, 1 not yet everything, 2 bad input.
    """
    from warmhold.service import Parted, Service, Unreachable, hidden  # noqa: PLC0415

    path = Path(folder).expanduser() if folder else usual_folder()
    try:
        with or_leave(lambda: Service.open(where)) as service:
            click.echo(f"Record        {hidden(str(path))}")
            click.echo(f"Service       {service.shown}")
            sent = or_leave(lambda: _send(service, path, name))
    except click.ClickException as error:
        if not isinstance(error.__cause__, (Parted, Unreachable)):
            raise
        error.show()
        return NOT_ALL
    return _tell(sent)


def _send(service: Service, path: Path, name: str) -> Sent:
    from warmhold.service import sync  # noqa: PLC0415

    if not sys.stderr.isatty():
        return sync(service, path, name=name)
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn  # noqa: PLC0415

    columns = (TextColumn("acknowledged"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("acknowledged", total=None)
        told: Callable[[int, int], None] = lambda done, of: bar.update(  # noqa: E731
            task, completed=done, total=of
        )
        return sync(service, path, name=name, told=told)


def _tell(sent: Sent) -> int:
    seq, head = sent.acknowledged
    click.echo(f"Device        {sent.name}, known by {sent.device}")
    click.echo(f"Sent          {sent.sent or 'nothing'}" + ("" if sent.sent else ": all is there"))
    if sent.filled:
        click.echo(f"Filled in     {sent.filled} that the service only had a place for")
    click.echo(f"Acknowledged  up to entry {seq}, fingerprint {head}")
    if sent.last < seq:
        click.echo(
            f"Caution: the service has {seq - sent.last} more of this record than this record "
            "itself. This is an older copy. Do not go on writing in it: what it adds would be "
            "refused."
        )
        return NOT_ALL
    if sent.last > seq:
        click.echo(f"Meanwhile     {sent.last - seq} more were written: send again for those.")
        return NOT_ALL
    return status.GO
