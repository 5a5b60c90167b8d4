"""Faults of an input file, written so that each can be found and mended."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NoReturn, TypeVar

import click

from warmhold.cli import status
from warmhold.model import Fault, FaultyInput
from warmhold.report.plain import without_controls

_Result = TypeVar("_Result")


def fault_text(fault: Fault) -> str:
    """Write one fault: where, what was found, what is allowed, what to do."""
    place = fault.file if fault.line is None else f"{fault.file}:{fault.line}"
    lines = [f"{place}  {fault.key}".rstrip()]
    for name, value in (
        ("found", fault.found),
        ("allowed", fault.allowed),
        ("to do", fault.todo),
    ):
        if value:
            lines.append(f"  {name:<8} {value}")
    return "\n".join(without_controls(line) for line in lines)


def show_faults(faults: Sequence[Fault]) -> None:
    """Write all faults to stderr, their number first."""
    noun = "fault" if len(faults) == 1 else "faults"
    click.echo(f"{len(faults)} {noun}; nothing was worked out.", err=True)
    for fault in faults:
        click.echo(f"\n{fault_text(fault)}", err=True)


def or_leave(read: Callable[[], _Result]) -> _Result:
    """Return what ``read`` gives; on faulty input show every fault and leave with status 2."""
    try:
        return read()
    except FaultyInput as error:
        show_faults(error.faults)
        _leave()


def _leave() -> NoReturn:
    raise click.exceptions.Exit(status.BAD_INPUT)
