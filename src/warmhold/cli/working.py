"""Large work from the command line: its three options, its progress, its faults."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from warmhold.review.work import Job, Summary

_OPTIONS = (
    click.option("--workers", type=click.IntRange(1, 1024), metavar="N",
                 help="Processes on this computer; as many as it has processors if not given."),
    click.option("--on", metavar="ADDRESS",
                 help="Work on a Dask cluster instead: dask://host:port."),
    click.option("--keep", metavar="DIR",
                 help="Keep finished pieces in this folder; a run that was stopped goes on."),
)  # fmt: skip


def options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --workers, --on and --keep to a command."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def finished(
    job: Job, size: int, workers: int | None, on: str | None, keep: str | None, few: int = 1
) -> Sequence[Summary]:
    """Run a job as asked, with its progress on a terminal; faults become plain words."""
    from warmhold.review.work import WorkFault, run, where_of  # noqa: PLC0415

    try:
        where = where_of(workers, on, job.count, size, few)
        folder = None if keep is None else Path(keep).expanduser()
        return run(job, where=where, size=size, keep=folder, progress=_progress(), say=_say)
    except WorkFault as fault:
        raise click.ClickException(str(fault)) from fault


def _say(sentence: str) -> None:
    click.echo(sentence, err=True)


def _progress() -> Callable[[int, int], None] | None:
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        end = "\n" if done == total else ""
        sys.stderr.write(f"\r{done} of {total} pieces{end}")
        sys.stderr.flush()

    return show
