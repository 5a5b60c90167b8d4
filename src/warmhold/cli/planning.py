"""What `plan` and `explain` share: from the name of a trip to its sheet."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli.faults import or_leave

if TYPE_CHECKING:
    from rich.console import Console

    from warmhold.plan.sheet import Sheet

# Fewer members than this cannot show a 95 % margin; more only takes time.
FEWEST, MOST = 100, 100_000
WIDEST = 100  # columns; longer lines are hard to follow

members_option = click.option(
    "--members",
    type=click.IntRange(FEWEST, MOST),
    default=1000,
    show_default=True,
    help="Simulated trips; more of them make the shares finer.",
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=20260101,
    show_default=True,
    help="Start of the random draws; the same seed gives the same sheet.",
)


def trip_path(name: str) -> Path:
    """Find a trip: a file of that name, else the trip of that name that ships with warmhold."""
    from warmhold.model import shipped, shipped_path  # noqa: PLC0415

    path = Path(name)
    if not path.exists() and name in shipped("trips"):
        return shipped_path("trips", name)
    return path


def sheet_of(trip: str, members: int, seed: int) -> Sheet:
    """Work the sheet out, with a progress bar on a terminal; leave with status 2 on faults."""
    from warmhold.model import load_case, shipped  # noqa: PLC0415

    path = trip_path(trip)
    if not path.exists():
        click.echo(f"Trips that ship with warmhold: {', '.join(shipped('trips'))}.\n", err=True)
    case = or_leave(lambda: load_case(path))
    from warmhold.plan import plan_case  # noqa: PLC0415

    if not sys.stderr.isatty():
        return or_leave(lambda: plan_case(case, members=members, seed=seed, progress=None))
    return or_leave(
        lambda: _with_bar(
            lambda report: plan_case(case, members=members, seed=seed, progress=report)
        )
    )


def _with_bar(work: Callable[[Callable[[str, float], None]], Sheet]) -> Sheet:
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn  # noqa: PLC0415

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=1.0)

        def report(stage: str, share: float) -> None:
            bar.update(task, description=stage, completed=min(1.0, max(0.0, share)))

        return work(report)


def show(draw: Callable[[Console], None], draw_text: Callable[[str], str]) -> None:
    """Show a result on a terminal in its width, in a pipe or a file as plain text.

    draw : prints on a console
    draw_text : gives the same as text with the characters of an encoding
    """
    from rich.console import Console  # noqa: PLC0415

    if sys.stdout.isatty():
        console = Console(highlight=False)
        console.width = min(console.width, WIDEST)
        draw(console)
    else:
        click.echo(draw_text(sys.stdout.encoding or "ascii"), nl=False)
