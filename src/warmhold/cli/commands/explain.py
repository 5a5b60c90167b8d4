"""`warmhold explain`: how one margin came about."""

from __future__ import annotations

import click

from warmhold.cli import status
from warmhold.cli.planning import members_option, seed_option, sheet_of, show


@click.command()
@click.argument("trip")
@click.argument("margin")
@members_option
@seed_option
def command(trip: str, margin: str, members: int, seed: int) -> int:
    """Show how one margin came about.

    That is its formula, what went in, what moves it most, and what is assumed.

    TRIP is a trip file or the name of a shipped one; MARGIN is the small name that the sheet
    shows under each margin, such as battery.

    Exit status: 0 done, 2 bad input.
    """
    sheet = sheet_of(trip, members, seed)
    from warmhold.report import terminal  # noqa: PLC0415

    try:
        show(
            lambda console: terminal.show_margin(sheet, margin, console),
            lambda encoding: terminal.margin_text(sheet, margin, encoding=encoding),
        )
    except terminal.UnknownMargin as error:
        raise click.UsageError(
            f"this trip has no margin {margin!r}; it has: {', '.join(error.known)}."
        ) from error
    return status.GO
