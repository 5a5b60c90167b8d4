"""`warmhold exchange token`: who may ask the HTTP interface, and for what."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import USUAL, usual_folder

if TYPE_CHECKING:
    from warmhold.web.interface.tokens import Tokens

_FOLDER = click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help=f"Where the record lies; else {USUAL}.",
)
_ROLES = ("look", "chart", "lead")


@click.group()
def command() -> None:
    """Tokens for programs that ask the HTTP interface of warmhold serve.

    A token is shown once, when it is made; only a hash of it is kept. One that is removed opens
    nothing from that moment on, also while the server runs.

    Exit status: 0 done, 2 bad input.
    """


@command.command()
@click.argument("name")
@click.option(
    "--role", type=click.Choice(_ROLES), required=True,
    help="look reads; chart writes observations as well; lead reads the review as well.",
)  # fmt: skip
@click.option(
    "--until", metavar="DATE",
    help="Last day on which it opens anything, in UTC, or a moment with its zone; without an "
    "end when not given.",
)  # fmt: skip
@_FOLDER
def add(name: str, role: str, until: str | None, folder: Path | None) -> int:
    """Make a token and show it, this once.

    The token alone goes to standard output, the words about it to standard error.
    """
    from warmhold.web.interface.tokens import TokenFault, until_of  # noqa: PLC0415

    tokens = _tokens(folder)
    try:
        end = None if until is None else until_of(until)
        made = tokens.add(name, role, end)
    except TokenFault as error:
        raise click.UsageError(_said(error)) from error
    last = "until it is removed" if end is None else f"until {end:%Y-%m-%d %H:%M} UTC"
    click.echo(
        f"Token {name}, role {role}, opens the interface {last}. It is shown this once and cannot "
        "be shown again: keep it as you would a passcode.",
        err=True,
    )
    click.echo(made)
    return status.GO


@command.command("list")
@_FOLDER
def list_(folder: Path | None) -> int:
    """Show the tokens: names, roles, ends and last uses, never the tokens themselves."""
    from warmhold.web.interface.tokens import TokenFault  # noqa: PLC0415

    try:
        found = _tokens(folder).all()
    except TokenFault as error:
        raise click.UsageError(_said(error)) from error
    if not found:
        click.echo("No tokens.")
        return status.GO
    click.echo(f"{'Name':40}  {'Role':5}  {'Made, UTC':16}  {'Until, UTC':16}  Last used, UTC")
    for one in found:
        until = "no end" if one.until is None else f"{one.until:%Y-%m-%d %H:%M}"
        used = "never" if one.used is None else f"{one.used:%Y-%m-%d %H:%M}"
        click.echo(f"{one.name:40}  {one.role:5}  {one.made:%Y-%m-%d %H:%M}  {until:16}  {used}")
    return status.GO


@command.command()
@click.argument("name")
@_FOLDER
def remove(name: str, folder: Path | None) -> int:
    """Take a token away: it opens nothing from now on."""
    from warmhold.web.interface.tokens import TokenFault  # noqa: PLC0415

    try:
        gone = _tokens(folder).remove(name)
    except TokenFault as error:
        raise click.UsageError(_said(error)) from error
    if not gone:
        raise click.UsageError(f"There is no token {name}. See: warmhold exchange token list.")
    click.echo(f"Token {name} is removed; it opens nothing any more.")
    return status.GO


def _said(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."


def _tokens(folder: Path | None) -> Tokens:
    from warmhold.web.interface.tokens import Tokens  # noqa: PLC0415

    where = folder.expanduser() if folder is not None else usual_folder()
    if folder is not None and not where.is_dir():
        raise click.UsageError(f"--folder {where}: there is no such folder.")
    return Tokens(where)
