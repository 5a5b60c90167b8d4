"""`warmhold review`: what the trips of a record tell, or those of an invented service."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.folders import USUAL, usual_folder
from warmhold.cli.services import Discreet, address_option, or_leave, pairs_said
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warmhold.record import Event
    from warmhold.review.invented import Service
    from warmhold.review.transfer import Transfer
    from warmhold.service import Pair

MOST_REPLAYED = 10_000  # invented transfers: some 10 s of work
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


@click.command(cls=Discreet)
@click.argument("folder", required=False)
@click.option("--from", "first", metavar="YYYY-MM", help="Only transfers from this month on.")
@click.option("--to", "last", metavar="YYYY-MM", help="Only transfers up to this month.")
@click.option("--since", metavar="YYYY-MM",
              help="Compare what came before this month with what came from it on.")  # fmt: skip
@click.option(
    "--invented", type=click.IntRange(1, 1_000_000), metavar="N",
    help="Review N invented transfers instead of a record.",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True,
              help="Of the invented service.")  # fmt: skip
@address_option("--service", "Review all devices of a service", required=False)
@click.option("--html", "html_file", metavar="FILE", help="Also write a page to read or print.")
@click.option(
    "--json", "json_file", metavar="FILE",
    help='Also write the figures as JSON; "-" writes them to stdout instead.',
)  # fmt: skip
def command(
    folder: str | None,
    first: str | None,
    last: str | None,
    since: str | None,
    invented: int | None,
    seed: int,
    where: str | None,
    html_file: str | None,
    json_file: str | None,
) -> int:
    """Review transfers: how babies arrived, phases, margins, events, signals.

    FOLDER is the folder with the record, or the file of a copy; ~/.local/share/warmhold when it
    is not given. The record is only read.

    Exit status: 0 reviewed, 2 bad input.
    """
    faults = [
        f"{option} {month}: write a month such as 2026-01."
        for option, month in (("--from", first), ("--to", last), ("--since", since))
        if month is not None and not _MONTH.fullmatch(month)
    ]
    if not faults and first is not None and last is not None and first > last:
        faults.append(f"--from {first} comes after --to {last}: no month lies between them.")
    if faults:
        raise click.UsageError("\n  ".join(faults))
    for option, target in (("--html", html_file), ("--json", json_file)):
        if target not in (None, "-"):
            check_target(option, str(target))
    if html_file == "-":
        raise click.UsageError("--html needs a file.")
    if sum(one is not None for one in (folder, invented, where)) > 1:
        raise click.UsageError("Name a record, --invented or --service: only one of them.")
    found: Sequence[Transfer]
    pairs: Sequence[Pair] = ()
    if where is not None:
        found, title, pairs = _of_service(where)
    elif invented is not None:
        from warmhold.review.invented import Service  # noqa: PLC0415

        found = with_alarms(Service(seed, invented))
        title = f"Invented service, seed {seed}: no real baby"
    else:
        path = Path(folder).expanduser() if folder else usual_folder()
        found, title = _read(path), f"Review of {path}"
    kept = [one for one in found if _within(one.month, first, last)]
    _write(kept, title, since or "", html_file, json_file)
    keys = {one.key for one in kept}
    for line in pairs_said(pair for pair in pairs if {pair.one.key, pair.other.key} <= keys):
        click.echo(line, err=True)
    return status.GO


def with_alarms(service: Service) -> Sequence[Transfer]:
    """Return an invented service; its alarm limits are replayed where that is soon done."""
    every = list(service)
    if len(every) > MOST_REPLAYED:
        click.echo(
            f"Alarm limits are replayed for up to {MOST_REPLAYED} invented transfers here; "
            "warmhold replay --invented, with --low or --high, takes more.",
            err=True,
        )
        return every
    from warmhold.model import load_case, shipped_path  # noqa: PLC0415
    from warmhold.review.alarms import invented  # noqa: PLC0415

    policy = load_case(shipped_path("trips", "term-by-day")).policy
    return invented(service, every, policy)


def _of_service(where: str) -> tuple[Sequence[Transfer], str, Sequence[Pair]]:
    from warmhold import service  # noqa: PLC0415

    with or_leave(lambda: service.Service.open(where)) as place:
        found = or_leave(lambda: service.trips(place))
        return service.transfers(found), f"Review of {place.shown}", service.pairs(found)


def _within(month: str | None, first: str | None, last: str | None) -> bool:
    if first is None and last is None:
        return True
    return month is not None and (first or "") <= month <= (last or "9999")


def _read(path: Path) -> Sequence[Transfer]:
    from warmhold.record.transfers import transfers  # noqa: PLC0415

    return transfers(entries(path))


def entries(path: Path) -> list[Event]:
    """Read every entry of a record, by its folder or its file; it is only read."""
    from warmhold.record import FILE, Trouble, store  # noqa: PLC0415

    file = path / FILE if path.is_dir() else path
    if not file.is_file():
        raise click.ClickException(
            f"There is no record at {path}. Name its folder, or try --invented 400. "
            f"Without a folder it is looked for in {USUAL}."
        )
    try:
        connection = store.connect(file, write=False)
        try:
            return store.events(list(store.rows(connection)))
        finally:
            connection.close()
    except Trouble as trouble:
        raise click.ClickException(f"{trouble.reason} {trouble.todo}".strip()) from trouble


def _write(
    found: Sequence[Transfer], title: str, since: str, html_file: str | None, json_file: str | None
) -> None:
    import json  # noqa: PLC0415
    import sys  # noqa: PLC0415
    from dataclasses import asdict  # noqa: PLC0415

    from warmhold.report import review as report  # noqa: PLC0415
    from warmhold.report.plain import sayable  # noqa: PLC0415
    from warmhold.review.gathered import review  # noqa: PLC0415

    made = review(found, title, since)
    if html_file is not None:
        from warmhold.report.review_page import page  # noqa: PLC0415

        write_whole(html_file, page(made))
    if json_file is not None:
        plain = {"format": 1, "what": "review", "review": asdict(made), "cautions": report.CAUTIONS}
        text = json.dumps(plain, indent=1, ensure_ascii=True, allow_nan=False, default=str) + "\n"
        if json_file == "-":
            write_stdout(text)
            return
        write_whole(json_file, text)
    encoding = sys.stdout.encoding or "ascii"
    for line in report.text(made).splitlines():
        click.echo(sayable(line, encoding))
