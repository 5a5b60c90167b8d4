"""`warmhold exchange`: trends in, records out."""

from __future__ import annotations

import click

from warmhold.cli import exchanging
from warmhold.cli.lazy import Commands


@click.group(cls=Commands, package=exchanging)
def command() -> None:
    """Trends of monitors and loggers in, records out, in the forms a hospital speaks.

    Decision support, not a medical device: a value that came over a wire is checked by a person
    like any other.

    Exit status: 0 done, 1 not everything was taken, 2 bad input.
    """
