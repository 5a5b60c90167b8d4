"""`warmhold new`: a commented file to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from warmhold.cli import status
from warmhold.cli.writing import write_stdout


@click.command()
@click.argument("file", required=False)
@click.option(
    "--kind",
    type=click.Choice(("trip", "unit", "policy", "rounds")),
    default="trip",
    show_default=True,
    help="What the file describes.",
)
def command(file: str | None, kind: Literal["trip", "unit", "policy", "rounds"]) -> int:
    """Write a commented file to fill in; never overwrites one.

    FILE is trip.toml, or the kind's name, when it is not given; "-" writes to stdout.

    The numbers in it are invented: replace every one.
    """
    from warmhold.model import template  # noqa: PLC0415

    text = template(kind)
    if file == "-":
        write_stdout(text)
        return status.GO
    path = Path(file or f"{kind}.toml")
    try:
        with path.open("x", encoding="utf-8", newline="\n") as handle:
            handle.write(text)
    except FileExistsError:
        raise click.ClickException(
            f"{path} is there already and was left alone; name another file."
        ) from None
    except OSError as error:
        raise click.ClickException(f"{path} could not be written: {error.strerror}.") from error
    click.echo(f"{path} written. Its numbers are invented: replace every one, then run")
    click.echo(f"  warmhold {'plan' if kind == 'trip' else 'validate'} {path}")
    return status.GO
