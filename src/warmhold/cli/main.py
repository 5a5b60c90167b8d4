"""Entry point: finds the commands, and turns every way to end into an exit status."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import traceback
from collections.abc import Sequence
from importlib import metadata
from typing import NoReturn

import click

from warmhold.cli import commands, status
from warmhold.cli.lazy import Commands

# The sheet's cautions in full; kept here as well so that --help loads nothing that computes.
# A test compares them with warmhold.plan.sheet.
CAUTIONS = (
    "Decision support, not a medical device. It controls nothing and must never be wired to "
    "anything that does.",
    "Check every figure against the unit's manual, your local protocol and a licensed clinician.",
    "No drug doses. A figure the model does not know is called unknown, never zero and never go.",
)

_EPILOG = "\n\n".join(
    (
        "Cautions:",
        *CAUTIONS,
        "Exit status: 0 go or done; 1 not yet or cannot tell; 2 bad input; 3 warmhold failed.",
    )
)


def _version(ctx: click.Context, _: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    try:
        number = metadata.version("warmhold")
    except metadata.PackageNotFoundError:
        number = "unknown (not installed)"
    click.echo(f"warmhold {number}")
    ctx.exit()


@click.group(
    cls=Commands, package=commands, epilog=_EPILOG, context_settings={"max_content_width": 88}
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version,
    help="Show the version and leave.",
)  # fmt: skip
def cli() -> None:
    """Margins of heat, gas, oxygen and power for moving a sick newborn, from one trip file.

    Begin with: warmhold plan winter-road
    """


def main(argv: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its status.

    argv : the arguments after the program's name; those of the process when not given
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.exit(run(argv))


def run(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    try:
        result = cli.main(
            args=None if argv is None else list(argv),
            prog_name="warmhold",
            standalone_mode=False,
        )
        sys.stdout.flush()
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help() if error.ctx else str(error), err=True)
        return status.BAD_INPUT
    except click.ClickException as error:
        error.show()
        return status.BAD_INPUT
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped; nothing more was written.", err=True)
        return status.INTERRUPTED
    except BrokenPipeError:
        return _pipe_closed()
    except SystemExit as error:  # click leaves by itself with 1 when the pipe is closed
        return _pipe_closed() if error.code == 1 else int(error.code or 0)
    except Exception:  # the last line of defence: never leave with the status of a verdict
        traceback.print_exc()
        click.echo(
            "\nwarmhold itself failed; this is not a fault of your file, and not a go. "
            "Plan by hand, and report the lines above.",
            err=True,
        )
        return status.FAILED
    return result if isinstance(result, int) else status.GO


def _pipe_closed() -> int:
    """Point stdout at nothing, so that Python does not complain while it shuts down."""
    with contextlib.suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, sys.stdout.fileno())
        os.close(nothing)
    return status.PIPE_CLOSED


if __name__ == "__main__":
    main()
