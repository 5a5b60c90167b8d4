"""`warmhold round`: one round of one unit, asked item by item or read from a file, and signed."""

from __future__ import annotations

import json
import secrets
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from warmhold.cli import status
from warmhold.cli.faults import or_leave
from warmhold.cli.folders import usual_folder
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from warmhold.bench.rounds import Answer, RoomAir
    from warmhold.model import Round, RoundItem
    from warmhold.model.explain import Problem
    from warmhold.web.fleet import Fleet, FleetUnit

ASK = "?"  # in a blank file: not answered yet
SHORTEST_REASON = 3


@click.command(name="round")
@click.argument("unit_name", metavar="UNIT")
@click.option("--kind", default="daily", show_default=True, metavar="ROUND",
              help="Which round, by its key.")  # fmt: skip
@click.option(
    "--answers", metavar="FILE", help="Read the answers from this file; nothing is asked."
)
@click.option("--blank", metavar="FILE",
              help='Write a file of answers to fill in, "-" for stdout, and leave.')  # fmt: skip
@click.option("--signed", metavar="NAME", help="Who did the round.")
@click.option("--folder", metavar="DIR", help="Where record and units lie; the usual place if not.")
def command(
    unit_name: str,
    kind: str,
    answers: str | None,
    blank: str | None,
    signed: str | None,
    folder: str | None,
) -> int:
    """Do one round of UNIT and put it into the record, signed.

    What is left out needs a reason and counts as unknown. In a file of answers each item is true,
    a number, or a table of value, reason, pressure_hpa, room_c, humidity_percent.

    Exit status: 0 all was good, 1 anything else was found, 2 bad input.
    """
    from warmhold.bench.rounds import outcome  # noqa: PLC0415
    from warmhold.cli.keeping import append, checked_name, opened, tell_saved  # noqa: PLC0415
    from warmhold.plan.checklist import Judged  # noqa: PLC0415
    from warmhold.web.fleet import round_body  # noqa: PLC0415

    where = Path(folder).expanduser() if folder else usual_folder()
    if blank is not None:
        fleet, unit, wanted = _found(where, unit_name, kind)
        return _write_blank(blank, unit, wanted)
    name = checked_name(signed)
    _, _, wanted = _found(where, unit_name, kind)  # before a record is made in a wrong folder
    given = _answers(_read(Path(answers)), wanted) if answers is not None else None
    with opened(where) as record:
        fleet, unit, wanted = _found(where, unit_name, kind)
        found = _ask(wanted, unit) if given is None else given
        body = round_body(wanted, found, unit, fleet.rounds, name)
        receipt = append(record, secrets.token_urlsafe(18), "round", body, name)
    judged = {one["item"]: Judged(one["judged"], one["says"]) for one in body["answers"]}
    for one in body["answers"]:
        _say(f"{one['judged']:<11} {one['title']}: {one['says']}")
    worst = outcome(judged)
    words = {"good": "All good.", "care": "Take care: see above.", "stop": "Not ready: see above."}
    _say("", f"{wanted.title} of {unit.name}. {words[worst]}")
    tell_saved(receipt, where)
    return status.GO if worst == "good" else status.NOT_GO


def _found(where: Path, unit_name: str, kind: str) -> tuple[Fleet, FleetUnit, Round]:
    from warmhold.cli.keeping import events_in  # noqa: PLC0415
    from warmhold.record.unit_views import histories  # noqa: PLC0415
    from warmhold.web.fleet import fleet_in  # noqa: PLC0415
    from warmhold.web.library import Library  # noqa: PLC0415

    library = Library(where)
    fleet = fleet_in(library, histories(events_in(where)), datetime.now(UTC))
    unit = fleet.unit(unit_name)
    if unit is None:
        names = ", ".join(one.key for one in fleet.units)
        raise click.UsageError(f"{unit_name}: no unit of {where}. There are: {names}.")
    wanted = fleet.rounds.round_of(kind)
    if wanted is None:
        kinds = ", ".join(one.key for one in fleet.rounds.round)
        raise click.UsageError(f"--kind {kind}: no such round. There are: {kinds}.")
    return fleet, unit, wanted


# --- on a terminal ------------------------------------------------------------------------------


def _ask(wanted: Round, unit: FleetUnit) -> dict[str, Answer]:
    _say(f"{wanted.title} of {unit.name}. What is left out needs a reason. Ctrl+C saves nothing.")
    out = {}
    for number, item in enumerate(wanted.item, start=1):
        must = " (must)" if item.must else ""
        _say("", f"{number}/{len(wanted.item)}  {item.title}{must}", f"     {item.why}")
        if item.answer == "battery-bar" and unit.profile is not None:
            _say(f"     Out of {unit.profile.battery.bar_divisions} divisions.")
        out[item.key] = _ask_one(item)
    return out


def _ask_one(item: RoundItem) -> Answer:
    from warmhold.bench.rounds import Answer  # noqa: PLC0415
    from warmhold.web.quantities import number_in  # noqa: PLC0415

    seen = item.answer == "seen"
    what = "y when good, n and what is not" if seen else f"reading in {item.unit or 'figures'}"
    while True:
        text = str(click.prompt(f"     {what}, or why it is left out", default="",
                                show_default=False)).strip()  # fmt: skip
        if seen and text.lower() in {"y", "yes"}:
            return Answer(True)
        if seen and text.lower().startswith(("n ", "no ")) and len(text) >= SHORTEST_REASON:
            return Answer(False, text.split(maxsplit=1)[1])
        value = None if seen else number_in(text)
        if value is not None:
            return Answer(value, "", _ask_room() if item.answer == "room-air" else _no_air())
        if len(text) >= SHORTEST_REASON and not text[0].isdigit() and text[0] not in "+-.,":
            return Answer(None, text)
        _say("     Not understood." if text else "     Write one of the two.")


def _no_air() -> RoomAir:
    from warmhold.bench.rounds import RoomAir  # noqa: PLC0415

    return RoomAir()


def _ask_room() -> RoomAir:
    from warmhold.bench.rounds import RoomAir  # noqa: PLC0415
    from warmhold.web.quantities import number_in  # noqa: PLC0415

    given: dict[str, float | None] = {}
    for name, words in (
        ("pressure_hpa", "air pressure here, not at sea level, in hPa"),
        ("room_c", "room in °C"),
        ("humidity_percent", "humidity of the room in %"),
    ):
        while True:
            text = str(click.prompt(f"     {words}; empty: not known", default="",
                                    show_default=False)).strip()  # fmt: skip
            given[name] = number_in(text)
            fault = RoomAir(**{name: given[name]}).faults().get(name, "")
            if fault or (text and given[name] is None):
                _say(f"     {fault or 'Not a number.'}")
                continue
            break
    return RoomAir(**given)


# --- from a file --------------------------------------------------------------------------------


def _read(path: Path) -> Any:
    from warmhold.bench.reading.strict import read_source  # noqa: PLC0415

    return or_leave(lambda: read_source(path))


def _answers(source: Any, wanted: Round) -> dict[str, Answer]:
    """Read every answer, or leave with every fault."""
    from warmhold.bench.reading.strict import faults_of  # noqa: PLC0415
    from warmhold.bench.rounds import missing  # noqa: PLC0415
    from warmhold.model import FaultyInput  # noqa: PLC0415
    from warmhold.model.explain import Problem  # noqa: PLC0415
    from warmhold.model.words import nearest, value_text  # noqa: PLC0415

    items = {item.key: item for item in wanted.item}
    problems: list[Problem] = []
    found: dict[str, Answer] = {}
    for key, value in source.raw.items():
        if key in items:
            answer = _answer(items[key], value, problems)
            if answer is not None:
                found[key] = answer
            continue
        near = nearest(key, items)
        problems.append(
            Problem((key,), value_text(key), f"items of the round: {', '.join(items)}",
                    f'write "{near}"' if near else "take it out")
        )  # fmt: skip
    told = {problem.path[0] for problem in problems}
    for key, what in missing(wanted, found).items():
        if key not in told:
            odd = "nothing" if key not in source.raw else _shown(source.raw[key])
            problems.append(Problem((key,), odd, _allowed(items[key]), what))

    def checked() -> dict[str, Answer]:
        if problems:
            raise FaultyInput(faults_of(source, problems))
        return found

    return or_leave(checked)


def _shown(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, default=str)[:60]


def _allowed(item: RoundItem) -> str:
    if item.answer == "seen":
        return 'true, { value = false, reason = "..." }, or { reason = "..." }'
    return f'a number{f" in {item.unit}" if item.unit else ""}, or {{ reason = "..." }}'


def _answer(item: RoundItem, given: Any, problems: list[Problem]) -> Answer | None:
    from warmhold.bench.rounds import Answer, RoomAir  # noqa: PLC0415
    from warmhold.model.explain import Problem  # noqa: PLC0415

    table: Mapping[str, Any] = given if isinstance(given, Mapping) else {"value": given}
    inside = isinstance(given, Mapping)
    room = ("pressure_hpa", "room_c", "humidity_percent") if item.answer == "room-air" else ()
    allowed = ("value", "reason", *room)

    def path(key: str) -> tuple[str, ...]:
        return (item.key, key) if inside else (item.key,)

    count = len(problems)
    for key in table:
        if key not in allowed:
            problems.append(
                Problem((item.key, key), key, f"one of {', '.join(allowed)}", "take it out")
            )
    value, reason = table.get("value"), table.get("reason", "")
    if not isinstance(reason, str):
        problems.append(Problem(path("reason"), _shown(reason), "text", "write it in quotes"))
    if value == ASK:
        value = None
    fits = value is None or (
        isinstance(value, bool) if item.answer == "seen" else _is_number(value)
    )
    if not fits:
        problems.append(Problem(path("value"), _shown(value), _allowed(item), "answer it"))
    air: dict[str, float | None] = {}
    for name in room:
        number = table.get(name)
        if number is None:
            continue
        if not _is_number(number):
            problems.append(
                Problem(path(name), _shown(number), "a number", "write it, or take it out: unknown")
            )
            continue
        air[name] = float(number)
        fault = RoomAir(**{name: air[name]}).faults().get(name)
        if fault:
            said, _, may = fault.removeprefix("found ").partition("; allowed ")
            problems.append(Problem(path(name), said, may, "read it again"))
    if len(problems) > count:
        return None
    if isinstance(value, bool):
        return Answer(value, reason.strip())
    return Answer(None if value is None else float(value), reason.strip(), RoomAir(**air))


def _is_number(value: Any) -> bool:
    from math import isfinite  # noqa: PLC0415

    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _write_blank(target: str, unit: FleetUnit, wanted: Round) -> int:
    text = _blank(unit, wanted)
    if target == "-":
        write_stdout(text)
    else:
        check_target("--blank", target)
        if Path(target).exists():
            raise click.UsageError(f"--blank {target} is there already and was left alone.")
        write_whole(target, text)
    return status.GO


def _blank(unit: FleetUnit, wanted: Round) -> str:
    lines = [
        f"# {wanted.title} of {unit.name}. Put true for each thing seen and a number for each "
        "reading in",
        '# place of "?". Seen and not good: { value = false, reason = "what" }. What is left out:',
        '# { reason = "why" }. Then:',
        f"#   warmhold round {unit.key} --kind {wanted.key} --answers THIS-FILE --signed NAME",
    ]
    for item in wanted.item:
        must = " Must." if item.must else ""
        unit_ = f" [{item.unit}]" if item.unit else ""
        lines += ["", f"# {item.title}{unit_}.{must} {item.why}"]
        key = item.key if item.key.replace("-", "").replace("_", "").isalnum() else f'"{item.key}"'
        if item.answer == "room-air":
            lines.append("# Take out what is not known of the room.")
            lines.append(
                f'{key} = {{ value = "?", pressure_hpa = "?", room_c = "?", '
                'humidity_percent = "?" }'
            )
        else:
            lines.append(f'{key} = "?"')
    return "\n".join(lines) + "\n"


def _say(*lines: str) -> None:
    from warmhold.report.plain import sayable  # noqa: PLC0415

    for line in lines:
        click.echo(sayable(line, sys.stdout.encoding or "ascii"))
