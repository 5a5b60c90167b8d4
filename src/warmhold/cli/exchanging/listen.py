"""`warmhold exchange listen`: HL7 v2 reports of observations over a line, into the inbox."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import no_record_yet, usual_folder
from warmhold.cli.listening import listening

if TYPE_CHECKING:
    from warmhold.exchange.hl7.listener import Network
    from warmhold.exchange.hl7.times import Zones

DEFAULT_PORT = 2575
NOT_ALL = status.NOT_GO


@click.command()
@listening("messages", DEFAULT_PORT)
@click.option(
    "--zone", "zones", multiple=True, metavar="[SENDER=]ZONE",
    help="Zone of times that name no offset: UTC, +01:00 or Europe/Oslo; for one sender, as MSH-3 "
    "names it, with SENDER=. Without it such a message is refused. May be given again.",
)  # fmt: skip
@click.option(
    "--saturation-at", type=click.Choice(["right hand", "foot"]), default=None,
    help="Where the probe of a saturation is when the message does not say.",
)  # fmt: skip
@click.option(
    "--open-to-network", is_flag=True,
    help="Listen beyond this computer, to the addresses of --allow alone.",
)  # fmt: skip
@click.option(
    "--allow", "allow", multiple=True, metavar="ADDRESS",
    help="An address, or a network such as 10.1.2.0/28, that may send. May be given again.",
)  # fmt: skip
def command(
    folder: Path | None,
    host: str,
    port: int,
    zones: tuple[str, ...],
    saturation_at: str | None,
    open_to_network: bool,
    allow: tuple[str, ...],
) -> int:
    """Take HL7 v2 messages (ORU^R01 over MLLP) into the inbox, until Ctrl+C.

    Each message is on the disk before it is acknowledged; one that cannot be taken is kept as it
    came, with the reason, and answered so. No value goes to a baby by a number in a message: a
    person joins the source to a trip on the page Exchange of warmhold serve.

    Decision support, not a medical device. A value that came over a wire is checked by a person
    like any other; nothing but acknowledgements is ever sent to a device.

    Exit status: 0 all that came was taken, 1 something was refused, 2 bad input.
    """
    from warmhold.exchange.hl7.listener import Keeper, Listener, Place  # noqa: PLC0415
    from warmhold.exchange.hl7.reader import Rules  # noqa: PLC0415
    from warmhold.exchange.inbox import Inbox  # noqa: PLC0415
    from warmhold.record import Trouble  # noqa: PLC0415

    faults: list[str] = []
    networks, stated = _allowed(host, open_to_network, allow, faults), None
    try:
        stated = zones_of(zones)
    except click.UsageError as error:
        faults += error.message.split("\n")
    if faults or stated is None:
        raise click.UsageError("\n".join(faults))
    place, rules = Place(host, port, networks), Rules(stated, saturation_at or "")
    where = folder or usual_folder()
    if caution := no_record_yet(where):
        click.echo(caution, err=True)
    try:
        with Inbox(where, warn=lambda text: click.echo(f"Caution: {text}", err=True)) as inbox:
            keeper = Keeper(inbox, rules, click.echo)

            def started(port: int) -> None:
                click.echo(f"HL7 messages on {host}, port {port}. Ctrl+C ends it.")
                click.echo(f"The inbox: {inbox.path.resolve()}")
                if open_to_network:
                    click.echo(
                        "Caution: messages cross the network in the clear, and an address can be "
                        "forged. Use only a network that you trust."
                    )

            try:
                asyncio.run(Listener(place, keeper, started=started).run())
            except KeyboardInterrupt:
                pass
            except OSError as error:
                raise click.ClickException(
                    f"could not listen on {host}, port {port}: {error.strerror or error}. "
                    f"Another port: --port {DEFAULT_PORT + 1}."
                ) from error
            click.echo(f"Ended: {keeper.counts}.")
    except Trouble as trouble:
        raise click.ClickException(str(trouble)) from trouble
    return NOT_ALL if keeper.counts.refused or keeper.counts.not_kept else status.GO


def zones_of(stated: Sequence[str]) -> Zones:
    """Read what --zone said.

    Errors: click.UsageError with every fault, a line each
    """
    from warmhold.exchange.hl7.times import Zones, zone_of  # noqa: PLC0415

    found: dict[str, tzinfo] = {}  # by sender; the one without a sender is for every other
    faults = []
    for one in stated:
        sender, mark, text = one.rpartition("=")
        try:
            zone = zone_of(text)
        except ValueError as error:
            faults.append(f"--zone {one}: {error}.")
            continue
        if mark and not sender.strip():
            faults.append(f"--zone {one}: no sender before the sign =.")
        elif sender.strip() in found:
            faults.append(f"--zone {one}: stated twice.")
        else:
            found[sender.strip()] = zone
    if faults:
        raise click.UsageError("\n".join(faults))
    return Zones(found.pop("", None), found)


def _allowed(
    host: str, open_to_network: bool, allow: Sequence[str], faults: list[str]
) -> tuple[Network, ...]:
    """Return who may send; demand that listening beyond this computer is meant.

    faults : every fault is added to it
    """
    from warmhold.exchange.addresses import is_loopback  # noqa: PLC0415

    found = []
    for text in allow:
        try:
            found.append(ipaddress.ip_network(text.strip()))
        except ValueError:
            faults.append(
                f"--allow {text}: allowed are an address such as 10.1.2.3 or a network such as "
                "10.1.2.0/28."
            )
    if is_loopback(host):
        if allow or open_to_network:
            faults.append(
                f"--host {host} is reached from this computer alone; --open-to-network and "
                "--allow go with an address of the network."
            )
    elif not open_to_network:
        faults.append(
            f"--host {host} is reached from beyond this computer: whoever reaches it could send "
            "messages, in the clear. If that is meant, add --open-to-network, and --allow with "
            "each address that may send."
        )
    elif not allow:
        faults.append(
            "--open-to-network needs --allow with each address that may send, such as "
            "--allow 10.1.2.3."
        )
    return tuple(found)
