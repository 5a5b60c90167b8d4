"""`warmhold plan`: the sheet of one transfer."""

from __future__ import annotations

import click

from warmhold.cli import status
from warmhold.cli.planning import members_option, seed_option, sheet_of, show, trip_path
from warmhold.cli.writing import check_target, write_stdout, write_whole


@click.command()
@click.argument("trip")
@click.option("--html", "html_file", metavar="FILE", help="Also write the sheet as a web page.")
@click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help='Also write the sheet as JSON; "-" writes it to stdout instead of the text.',
)
@members_option
@seed_option
def command(
    trip: str, html_file: str | None, json_file: str | None, members: int, seed: int
) -> int:
    """Work out one transfer and show its margins.

    TRIP is a trip file, or the name of a shipped one such as winter-road.

    Exit status: 0 go, 1 not yet or cannot tell, 2 bad input.
    """
    source = trip_path(trip)
    if html_file is not None:
        check_target("--html", html_file, source)
    if json_file not in (None, "-"):
        check_target("--json", str(json_file), source)
    if html_file is not None and html_file == json_file:
        raise click.UsageError("--html and --json name the same file.")
    sheet = sheet_of(trip, members, seed)
    if html_file is not None:
        from warmhold.report import html  # noqa: PLC0415

        write_whole(html_file, html.page(sheet))
    if json_file is not None:
        from warmhold.report import json  # noqa: PLC0415

        if json_file == "-":
            write_stdout(json.dumps(sheet))
        else:
            write_whole(json_file, json.dumps(sheet))
    if json_file != "-":
        from warmhold.report import terminal  # noqa: PLC0415

        show(
            lambda console: terminal.show(sheet, console),
            lambda encoding: terminal.text(sheet, encoding=encoding),
        )
    return status.GO if sheet.verdict == "go" else status.NOT_GO
