"""Options that what listens has in common."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from warmhold.cli.folders import USUAL

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def listening(what: str, port: int) -> Decorator:
    """Give a command ``--folder``, ``--host`` and ``--port``.

    what : comes in, and goes to the inbox
    port : taken when none is named
    """
    options = (
        click.option(
            "--folder",
            type=click.Path(path_type=Path, file_okay=False),
            help=f"The folder of the record, whose inbox takes the {what}; else {USUAL}.",
        ),
        click.option(
            "--host", default="127.0.0.1", show_default=True, help="Address to listen on."
        ),
        click.option(
            "--port", type=click.IntRange(0, 65535), default=port, show_default=True,
            help="Port to listen on; 0 takes a free one.",
        ),
    )  # fmt: skip

    def with_options(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return with_options
