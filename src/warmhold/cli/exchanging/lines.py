"""`warmhold exchange lines`: lines of a bench rig, over TCP or a serial line, into the inbox."""

from __future__ import annotations

import os
import threading
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import no_record_yet, usual_folder
from warmhold.cli.listening import listening

if TYPE_CHECKING:
    from warmhold.exchange.inbox import Inbox
    from warmhold.exchange.line import Collector

DEFAULT_PORT = 8721
READ_S = 0.2  # a serial port is asked this often whether anything came
NOT_ALL = status.NOT_GO


@click.command()
@click.option(
    "--source", required=True, metavar="NAME",
    help="What the rig is called in the record: it stands beside every value it told.",
)  # fmt: skip
@listening("lines", DEFAULT_PORT)
@click.option(
    "--serial", "device", metavar="DEVICE",
    help="Read this serial port instead of listening on TCP. Nothing is written to it.",
)  # fmt: skip
@click.option(
    "--baud", type=click.IntRange(300, 4_000_000), default=9600, show_default=True,
    help="Speed of the serial port; eight bits, no parity, one stop bit.",
)  # fmt: skip
def command(
    source: str, folder: Path | None, host: str, port: int, device: str | None, baud: int
) -> int:
    """Take readings of a bench rig, a text line each, until Ctrl+C.

    Each line is on the disk before it is answered. No value goes to a trip by itself: a person
    joins the source to one on the page Exchange of warmhold serve. The format of the lines is in
    docs/exchange.md.

    Decision support, not a medical device: nothing is ever sent to a rig but the answer that its
    line was kept, and over a serial line nothing at all.

    Exit status: 0 all that came was taken, 1 something was refused or missing (it is kept, with
    the reason), 2 bad input.
    """
    from warmhold.exchange.inbox import Inbox  # noqa: PLC0415
    from warmhold.exchange.line import Collector  # noqa: PLC0415
    from warmhold.record import Trouble  # noqa: PLC0415

    if not source.strip() or len(source) > 150 or not source.isprintable():
        raise click.UsageError("--source: 1 to 150 printable characters.")
    place = folder or usual_folder()
    if caution := no_record_yet(place):
        click.echo(caution, err=True)
    try:
        place.mkdir(parents=True, exist_ok=True)
        with Inbox(place, warn=lambda text: click.echo(f"Caution: {text}", err=True)) as inbox:
            collector = Collector(inbox, source.strip())
            try:
                if device is not None:
                    _serial(collector, device, baud)
                else:
                    _tcp(collector, inbox, host, port)
            except KeyboardInterrupt:
                pass
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}") from trouble
    except OSError as error:
        raise click.ClickException(f"{device or place}: {error.strerror or error}.") from error
    click.echo(
        f"Taken {collector.taken}, repeated {collector.repeated}, refused or missing "
        f"{collector.refused}."
    )
    return NOT_ALL if collector.refused else status.GO


def _say(text: str) -> None:
    click.echo(text, err=True)


def _tcp(collector: Collector, inbox: Inbox, host: str, port: int) -> None:
    from warmhold.exchange.addresses import is_loopback  # noqa: PLC0415
    from warmhold.exchange.line import TcpLines  # noqa: PLC0415

    try:
        server = TcpLines((host, port), collector, _say)
    except OSError as error:
        raise click.ClickException(
            f"could not listen on {host}, port {port}: {error.strerror or error}. "
            "Another port: --port 8722."
        ) from error
    with server:
        click.echo(f"Lines of {collector.source} on {host}, port {server.port}. Ctrl+C ends it.")
        click.echo(f"The inbox: {inbox.path}")
        if not is_loopback(host):
            click.echo(
                "Caution: whoever reaches this address can send lines, and they cross the network "
                "in the clear. Use only a network that you trust."
            )
        server.serve_forever()


def _serial(collector: Collector, device: str, baud: int) -> None:
    from warmhold.exchange.line import collect_serial  # noqa: PLC0415

    try:
        serial, tools = import_module("serial"), import_module("serial.tools.list_ports")
    except ImportError as error:
        raise click.ClickException(
            "a serial line needs pyserial: pip install 'warmhold[exchange]'."
        ) from error
    try:
        port = serial.Serial(device, baud, timeout=READ_S)
    except (OSError, ValueError) as error:
        ports = ", ".join(sorted(one.device for one in tools.comports())) or "none"
        raise click.ClickException(
            f"the serial port {device} cannot be opened: {_why(error)}. Found here: {ports}."
        ) from error
    stop = threading.Event()
    with port:
        click.echo(f"Lines of {collector.source} on {device}, {baud} baud. Ctrl+C ends it.")
        click.echo(f"The inbox: {collector.inbox.path}")
        try:
            collect_serial(port, collector, stop.is_set, _say)
        finally:
            stop.set()


def _why(error: Exception) -> str:
    number = getattr(error, "errno", None)
    return os.strerror(number) if isinstance(number, int) else str(error)
