"""`warmhold fleet`: which units can go now, and why not; which of them can do a trip."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from warmhold.cli import status
from warmhold.cli.folders import usual_folder

if TYPE_CHECKING:
    from warmhold.bench.question import Question, Reply
    from warmhold.web.fleet import Fleet, FleetUnit
    from warmhold.web.library import Library

CAN_GO = ("ready", "ready with limits")
STANDING = (("overdue", "overdue"), ("never", "never on record"), ("soon", "soon"))
WIDTHS = (27, 17, 30, 20)  # of the board's columns; a word that is longer goes on in the next line
MEMBERS = 400
MOST_NAMED = 2  # of what is due, in each standing; the rest is counted


@click.command()
@click.option("--folder", metavar="DIR", help="Where record and units lie; the usual place if not.")
@click.option("--hours", type=float, metavar="H", help="A trip: hours on the road.")
@click.option("--outside", "outside_c", type=float, metavar="C", help="Outside, in °C.")
@click.option("--weight", "weight_g", type=float, metavar="G", help="The baby's weight, in g.")
@click.option("--weeks", "gestation_weeks", type=float, metavar="W", help="Gestation, in weeks.")
@click.option("--age", "age_h", type=float, metavar="H", default=12.0, show_default=True,
              help="The baby's age, in hours.")  # fmt: skip
@click.option("--power", type=click.Choice(("vehicle", "battery")), default="vehicle",
              show_default=True, help="What the unit runs on, on the road.")  # fmt: skip
def command(
    folder: str | None,
    hours: float | None,
    outside_c: float | None,
    weight_g: float | None,
    gestation_weeks: float | None,
    age_h: float,
    power: Literal["vehicle", "battery"],
) -> int:
    """Show which units can go now and why not; with a trip, which of them can do it.

    A trip is told by --hours, --outside, --weight and --weeks together. Warmth and battery only:
    gas depends on the cylinders taken and is left to the plan.

    Exit status: 0 a unit is ready, or can do the trip and is ready, if only with limits; 1 none;
    2 bad input.
    """
    figures = {
        "--hours": hours, "--outside": outside_c, "--weight": weight_g, "--weeks": gestation_weeks,
    }  # fmt: skip
    lacking = [name for name, value in figures.items() if value is None]
    if lacking and len(lacking) < len(figures):
        raise click.UsageError(f"a trip needs {', '.join(lacking)} as well.")
    from warmhold.cli.keeping import events_in  # noqa: PLC0415
    from warmhold.record.unit_views import histories  # noqa: PLC0415
    from warmhold.web.fleet import fleet_in  # noqa: PLC0415
    from warmhold.web.library import Library  # noqa: PLC0415

    where = Path(folder).expanduser() if folder else usual_folder()
    if folder is not None and not where.is_dir():
        raise click.UsageError(f"--folder {where}: there is no such folder.")
    library = Library(where)
    fleet = fleet_in(library, histories(events_in(where)), datetime.now(UTC))
    if fleet.problem:
        click.echo(fleet.problem, err=True)
    if hours is None or outside_c is None or weight_g is None or gestation_weeks is None:
        _say(_board(fleet))
        ready = any(one.readiness.state == "ready" for one in fleet.units)
        return status.GO if ready else status.NOT_GO
    from warmhold.bench.question import Question  # noqa: PLC0415

    question = Question(hours, outside_c, weight_g, gestation_weeks, age_h, power)
    names = {"hours": "--hours", "outside_c": "--outside", "weight_g": "--weight",
             "gestation_weeks": "--weeks", "age_h": "--age"}  # fmt: skip
    faults = [f"{names[key]}: {said}" for key, said in question.faults().items()]
    if faults:
        raise click.UsageError("; ".join(faults))
    return _answer(question, fleet, library)


def _board(fleet: Fleet) -> list[str]:
    from warmhold.report import words  # noqa: PLC0415

    rows = []
    for unit in fleet.units:
        reasons = unit.readiness.reasons
        first = reasons[0].text if reasons else "nothing stands in the way"
        if len(reasons) > 1:
            first += f" And {len(reasons) - 1} more."
        rows.append((f"{unit.name} ({unit.key})", unit.readiness.state, first, _due(unit)))
    at = words.stamp(fleet.now.astimezone())
    head = ("Unit", "State", "First reason", "Due")
    return [
        f"Fleet at {at}, by the rounds “{fleet.rounds.name}”", "",
        *_table((head, *rows)), "", *_cautions(),
    ]  # fmt: skip


def _due(unit: FleetUnit) -> str:
    parts = []
    for standing, word in STANDING:
        titles = [one.title for one in unit.readiness.due if one.standing == standing]
        more = f" and {len(titles) - MOST_NAMED} more" if len(titles) > MOST_NAMED else ""
        if titles:
            parts.append(f"{word}: {', '.join(titles[:MOST_NAMED])}{more}")
    return "; ".join(parts) or "nothing"


def _answer(question: Question, fleet: Fleet, library: Library) -> int:
    from warmhold.bench.question import ask  # noqa: PLC0415
    from warmhold.web.fleet import policy_of  # noqa: PLC0415

    policy = policy_of(library)
    units = [(one.key, one.profile, one.history) for one in fleet.units]
    replies = ask(question, units, policy, fleet.now, members=MEMBERS)
    rows, can = [], False
    for reply in replies:
        unit = fleet.unit(reply.unit)
        state = unit.readiness.state if unit is not None else "unknown"
        can = can or (reply.verdict == "go" and state in CAN_GO)
        name = f"{unit.name} ({unit.key})" if unit is not None else reply.unit
        rows.append(
            (name, f"{reply.verdict}; today {state}", _reason(reply), "; ".join(reply.says))
        )
    lines = [question.title, f"By the policy {policy.name}; the same {MEMBERS} trips for each", ""]
    lines += _table((("Unit", "This trip", "First reason", "Noted"), *rows))
    _say([*lines, "", "Gas is left to the plan.", *_cautions()])
    return status.GO if can else status.NOT_GO


def _reason(reply: Reply) -> str:
    beyond = reply.plan.outside if reply.plan is not None else ()
    if not beyond:
        return reply.first
    more = f" And {len(beyond) - 1} more." if len(beyond) > 1 else ""
    return f"{reply.first} Beyond what the model was checked for: {beyond[0]}{more}"


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Write rows as columns of plain text, each cell wrapped."""
    out = []
    for number, row in enumerate(rows):
        cells = [
            textwrap.wrap(cell, width) or [""] for cell, width in zip(row, WIDTHS, strict=True)
        ]
        for line in range(max(len(cell) for cell in cells)):
            parts = [
                (cell[line] if line < len(cell) else "").ljust(width)
                for cell, width in zip(cells, WIDTHS, strict=True)
            ]
            out.append("  ".join(parts).rstrip())
        if number == 0:
            out.append("  ".join("-" * width for width in WIDTHS))
    return out


def _cautions() -> tuple[str, ...]:
    from warmhold.plan.sheet import CAUTIONS  # noqa: PLC0415

    return tuple(CAUTIONS)


def _say(lines: Sequence[str]) -> None:
    from warmhold.report.plain import sayable  # noqa: PLC0415

    encoding = sys.stdout.encoding or "ascii"
    for line in lines:
        click.echo(sayable(line, encoding))
