"""`warmhold whatif`: past trips run again with another policy or unit."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status, working
from warmhold.cli.folders import usual_folder
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from warmhold.review.counterfactual import Change, WhatIf, WhatIfJob

MOST_SEED = 2**32 - 1


@click.command()
@click.argument("folder", required=False)
@click.option(
    "--change", "words", metavar="CHANGE", required=True,
    help='"wrap-below-weeks N", "prewarm-minutes M", "unit NAME" or "air-set-plus K".',
)  # fmt: skip
@click.option("--invented", type=click.IntRange(1, 1_000_000), metavar="N",
              help="Use N invented transfers instead of a record.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, MOST_SEED), default=1, show_default=True,
              help="Of the draws and of the invented service.")  # fmt: skip
@click.option("--members", type=click.IntRange(20, 10_000), default=100, show_default=True,
              help="Simulated courses of each trip.")  # fmt: skip
@working.options
@click.option("--html", "html_file", metavar="FILE", help="Also write a page to read or print.")
@click.option(
    "--json", "json_file", metavar="FILE",
    help='Also write the figures as JSON, trip by trip; "-" for stdout instead.',
)  # fmt: skip
def command(
    folder: str | None,
    words: str,
    invented: int | None,
    seed: int,
    members: int,
    workers: int | None,
    on: str | None,
    keep: str | None,
    html_file: str | None,
    json_file: str | None,
) -> int:
    """Run past trips again with one change: what the model says would differ at the handover.

    FOLDER is the folder with the record; ~/.local/share/warmhold when it is not given. Each trip
    is run as it was and with the change, with the same draws. This is what the model says, not
    what would have happened.

    Exit status: 0 worked out, 2 bad input.
    """
    for option, target in (("--html", html_file), ("--json", json_file)):
        if target not in (None, "-"):
            check_target(option, str(target))
    if html_file == "-":
        raise click.UsageError("--html needs a file.")
    if invented is not None and folder is not None:
        raise click.UsageError("Name a record or --invented, not both.")
    change = _change(words)
    job, title = _job(change, folder, invented, seed, members)
    from warmhold.review.counterfactual import TRIPS_IN_A_PIECE, what_if  # noqa: PLC0415

    pieces = working.finished(job, TRIPS_IN_A_PIECE, workers, on, keep)
    _write(what_if(job, pieces, title), html_file, json_file)
    return status.GO


def _change(words: str) -> Change:
    from warmhold.cli.commands.replay import _unit  # noqa: PLC0415
    from warmhold.review.counterfactual import change_of  # noqa: PLC0415

    kind, _, name = words.strip().partition(" ")
    unit = _unit(name.strip(), "--change unit") if kind == "unit" and name.strip() else None
    try:
        return change_of(words, unit)
    except ValueError as error:
        raise click.UsageError(f"--change: {error}.") from error


def _job(
    change: Change, folder: str | None, invented: int | None, seed: int, members: int
) -> tuple[WhatIfJob, str]:
    from warmhold.review.counterfactual import WhatIfJob  # noqa: PLC0415

    if invented is not None:
        from warmhold.review.invented import Service  # noqa: PLC0415

        service = Service(seed, invented)
        title = f"Invented service, seed {seed}: no real baby"
        return WhatIfJob(change, members, seed, service), title
    from warmhold.cli.commands.review import entries  # noqa: PLC0415
    from warmhold.record.cases import past_trips  # noqa: PLC0415

    path = Path(folder).expanduser() if folder else usual_folder()
    trips = past_trips(entries(path))
    if not trips:
        raise click.ClickException("the record has no trip that was started. Try --invented 50.")
    return WhatIfJob(change, members, seed, None, trips), f"Trips of {path}"


def _write(found: WhatIf, html_file: str | None, json_file: str | None) -> None:
    from warmhold.report import whatif as report  # noqa: PLC0415
    from warmhold.report.plain import sayable  # noqa: PLC0415

    if html_file is not None:
        write_whole(html_file, report.page(found))
    if json_file is not None:
        text = json.dumps(report.plain(found), indent=1, ensure_ascii=True, allow_nan=False) + "\n"
        if json_file == "-":
            write_stdout(text)
            return
        write_whole(json_file, text)
    encoding = sys.stdout.encoding or "ascii"
    for line in report.text(found).splitlines():
        click.echo(sayable(line, encoding))
