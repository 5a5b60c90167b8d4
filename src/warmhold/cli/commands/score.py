"""`warmhold score`: scores of a baby's state, switched off while their bands are unverified."""

from __future__ import annotations

import click

from warmhold.cli import status


@click.command()
@click.argument("name", required=False)
@click.argument("items", nargs=-1, metavar="[KEY=VALUE...]")
@click.option("--unverified", is_flag=True,
              help="Compute it although its bands were recalled and not read.")  # fmt: skip
def command(name: str | None, items: tuple[str, ...], unverified: bool) -> int:
    """Work out a score from its items, for a review and never for a decision at the bedside.

    Without a name the scores and their items are listed.

    Exit status: 0 computed or listed, 1 not computable or switched off, 2 bad input.
    """
    from warmhold.review.scores import SwitchedOff, items_of, names, score  # noqa: PLC0415

    if name is None:
        for one in names():
            click.echo(one)
            for key, title, allowed in items_of(one):
                click.echo(f"  {key:<20} {title}: {allowed}")
        return status.GO
    if name not in names():
        raise click.UsageError(f"{name}: no such score. There are: {', '.join(names())}.")
    values: dict[str, float | str] = {}
    known = {key: (title, allowed) for key, title, allowed in items_of(name)}
    faults = []
    for item in items:
        key, sign, text = item.partition("=")
        if not sign or key not in known:
            faults.append(f"{item}: write KEY=VALUE; the keys are {', '.join(known)}.")
            continue
        try:
            values[key] = float(text.replace(",", "."))
        except ValueError:
            values[key] = text
    cannot = score(name, values, unverified=True).missing
    for key, value in values.items():
        title, allowed = known[key]
        if title in cannot:
            shown = f"{value:g}" if isinstance(value, float) else f"“{value}”"
            faults.append(f"{key}: found {shown}; allowed: {allowed}.")
    if faults:
        raise click.UsageError("\n  ".join(faults))
    try:
        found = score(name, values, unverified=unverified)
    except SwitchedOff as error:
        click.echo(f"{error} --unverified computes it all the same, and says so.", err=True)
        return status.NOT_GO
    click.echo(f"{found.title}")
    for title, says, points in found.items:
        click.echo(f"  {points:>3}  {title}: {says}")
    for title in found.missing:
        click.echo(f"    ?  {title}: not known")
    total = "not computable" if found.points is None else f"{found.points} of {found.highest}"
    click.echo(f"  {total}")
    click.echo(found.says)
    click.echo("For a review. It gives no chance of death and decides nothing at the bedside.")
    return status.NOT_GO if found.points is None else status.GO
