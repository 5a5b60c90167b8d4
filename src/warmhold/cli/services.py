"""What the commands around a service share: its address, and that no password is ever shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Iterable

    from warmhold.service import Pair

VARIABLE = "WARMHOLD_SERVICE"
_Result = TypeVar("_Result")


class Discreet(click.Command):
    """A command that refuses a password among its arguments before anything could repeat it."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments, unless one of them holds a password."""
        refuse_passwords(args)
        return super().parse_args(ctx, args)


class DiscreetGroup(click.Group):
    """A group of such commands."""

    command_class = Discreet

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments, unless one of them holds a password."""
        refuse_passwords(args)
        return super().parse_args(ctx, args)


def refuse_passwords(args: Iterable[str]) -> None:
    """Refuse an address with a password.

    Errors: UsageError
    """
    for arg in args:
        if "://" not in arg:
            continue
        from warmhold.service.address import A_PASSWORD, holds_password  # noqa: PLC0415

        text = arg.split("=", 1)[1] if arg.startswith("--") and "=" in arg else arg
        if holds_password(text):
            raise click.UsageError(" ".join(A_PASSWORD))


def address_option(name: str, says: str, required: bool = True) -> Callable[[Any], Any]:
    """Return the option for a service's address, which the environment may give as well."""
    return click.option(
        name, "where", metavar="URL", required=required,
        envvar=VARIABLE if required else None,
        help=f"{says}: postgresql://USER@HOST/DATABASE or sqlite:////FOLDER/FILE"
        + (f"; else {VARIABLE} says." if required else "."),
    )  # fmt: skip


def or_leave(work: Callable[[], _Result]) -> _Result:
    """Do it; what stands in the way is said in plain words."""
    from warmhold.record import Trouble  # noqa: PLC0415

    try:
        return work()
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble


def pairs_said(found: Iterable[Pair]) -> list[str]:
    """Say which trips a person may want to look at."""
    pairs = list(found)
    if not pairs:
        return []
    lines = [
        "To look at: on two devices the same pseudonym at the same time. Nothing was merged; each "
        "is counted by itself. It may be one baby written down twice, or a pseudonym used twice."
    ]
    for pair in pairs:
        one, other = pair.one, pair.other
        lines.append(
            f"  {one.baby}: {one.key} ({one.device.name}) and {other.key} ({other.device.name})"
        )
    return lines
