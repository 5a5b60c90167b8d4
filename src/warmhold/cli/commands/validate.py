"""`warmhold validate`: check files without working anything out."""

from __future__ import annotations

from pathlib import Path

import click

from warmhold.cli import status
from warmhold.cli.faults import fault_text


@click.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
def command(files: tuple[str, ...]) -> int:
    """Check trip, unit, policy and rounds files, and show every fault at once.

    Of a trip, the unit and the policy that it names are checked too.

    Exit status: 0 all are sound, 2 at least one is not.
    """
    from warmhold.model import check_file  # noqa: PLC0415

    faulty = 0
    for file in files:
        faults = check_file(_path(file))
        if not faults:
            click.echo(f"{file}: sound")
            continue
        faulty += 1
        noun = "fault" if len(faults) == 1 else "faults"
        click.echo(f"{file}: {len(faults)} {noun}")
        for fault in faults:
            click.echo(f"\n{fault_text(fault)}")
        click.echo()
    return status.BAD_INPUT if faulty else status.GO


def _path(name: str) -> Path:
    from warmhold.model import shipped, shipped_path  # noqa: PLC0415

    path = Path(name)
    if path.exists():
        return path
    for kind in ("trips", "units", "policies", "rounds"):
        if name in shipped(kind):
            return shipped_path(kind, name)
    return path
