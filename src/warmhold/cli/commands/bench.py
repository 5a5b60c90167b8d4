"""`warmhold bench`: bench tests of one unit from a log."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from warmhold.cli import status
from warmhold.cli.faults import or_leave
from warmhold.cli.folders import usual_folder
from warmhold.cli.writing import check_target, write_stdout, write_whole

if TYPE_CHECKING:
    from warmhold.bench.limits import LimitSet
    from warmhold.bench.reading import Mapped, Reading
    from warmhold.bench.trials import Bench, Result
    from warmhold.cli.keeping import Keeping
    from warmhold.model import Unit


@click.command()
@click.argument("log")
@click.option(
    "--test", "tests", metavar="NAME", multiple=True,
    help="A test, such as stability; may be repeated. All that the log has something for, if none.",
)  # fmt: skip
@click.option(
    "--limits", "limits_name", metavar="SET", default="transport-2020", show_default=True,
    help="A shipped set of limits, or a file of your own.",
)  # fmt: skip
@click.option(
    "--unit", "unit_name", metavar="UNIT", required=True,
    help="A unit file, a shipped unit, or only the unit's name.",
)  # fmt: skip
@click.option("--mapping", metavar="FILE", help="Which column is what. Found again, if not given.")
@click.option(
    "--mappings", metavar="FOLDER",
    help="Where mappings are looked for and proposed; the log's own folder if not given.",
)  # fmt: skip
@click.option("--entered", metavar="FILE", help="What was read or tried by hand beside the log.")
@click.option(
    "--accept", type=click.Choice(("guarded", "simple")), default="guarded", show_default=True,
    help="Guarded: the uncertainty counts against a pass. Simple: the figure alone decides.",
)  # fmt: skip
@click.option("--from", "from_min", metavar="MIN", type=click.FloatRange(min=0),
              help="Look at the log from this minute on.")  # fmt: skip
@click.option("--to", "to_min", metavar="MIN", type=click.FloatRange(min=0),
              help="Look at the log up to this minute.")  # fmt: skip
@click.option("--html", "html_file", metavar="FILE", help="Also write a page to print and file.")
@click.option(
    "--json", "json_file", metavar="FILE",
    help='Also write the results as JSON; "-" writes them to stdout instead of the text.',
)  # fmt: skip
@click.option(
    "--record", "folder", metavar="FOLDER", is_flag=False, flag_value="",
    help="Also put the results into the record of this folder, of the usual one if none is named. "
    "The log, its mapping and the report are kept there. The unit is one of the folder's.",
)  # fmt: skip
@click.option("--signed", metavar="NAME", help="Who signs the entry of --record.")
def command(
    log: str,
    tests: tuple[str, ...],
    limits_name: str,
    unit_name: str,
    mapping: str | None,
    mappings: str | None,
    entered: str | None,
    accept: Literal["guarded", "simple"],
    from_min: float | None,
    to_min: float | None,
    html_file: str | None,
    json_file: str | None,
    folder: str | None,
    signed: str | None,
) -> int:
    """Judge bench tests of one unit from a log, conditions first.

    LOG is a CSV file of any columns, or the shipped alder-steady. A log seen for the first time
    gets a proposed mapping: read it, correct it, and run again.

    Exit status: 0 every test passed, 1 at least one did not, 2 bad input.
    """
    path = _log(log)
    _check_names(tests)
    if from_min is not None and to_min is not None and from_min >= to_min:
        raise click.UsageError("--from has to lie before --to.")
    sources = [path, *(Path(name) for name in (mapping, entered) if name)]
    for option, target in (("--html", html_file), ("--json", json_file)):
        if target not in (None, "-"):
            check_target(option, str(target), *sources)
    if html_file == "-":
        raise click.UsageError("--html needs a file.")
    if html_file is not None and html_file == json_file:
        raise click.UsageError("--html and --json name the same file.")
    limits = _limits(limits_name)
    keeping = _keeping(folder, signed, unit_name, limits)
    if keeping is None:
        unit, name = _unit(unit_name, limits)
    else:
        unit, name = keeping.unit, keeping.unit.name
    mapped = _mapping(path, mapping, mappings)
    if mapped is None:
        return status.BAD_INPUT
    from warmhold.bench.reading import Entered, load_entered, read_log  # noqa: PLC0415
    from warmhold.bench.trials import Bench, possible, run_trials  # noqa: PLC0415

    if keeping is None:
        reading = or_leave(lambda: read_log(path, mapped, name))
    else:
        reading = keeping.read(path, mapped)
    by_hand = or_leave(lambda: load_entered(Path(entered))) if entered else Entered()
    bench = Bench(reading.log, limits, reading.instruments, by_hand, unit, accept, from_min, to_min)
    _check_span(bench)
    names = tests or possible(bench)
    if not names:
        raise click.ClickException(
            "this log has nothing for any test. Name one with --test to see what it lacks."
        )
    with keeping.opened() if keeping is not None else nullcontext() as record:
        results = run_trials(bench, names)
        _tell_mapping(mapped, reading)
        _write(results, html_file, json_file)
        if keeping is not None and record is not None:
            keeping.keep(record, path, mapped, reading, results)
    return status.GO if all(one.verdict == "pass" for one in results) else status.NOT_GO


def _keeping(
    folder: str | None, signed: str | None, unit_name: str, limits: LimitSet
) -> Keeping | None:
    """What --record asks for; ``None`` without it."""
    if folder is None:
        if signed is not None:
            raise click.UsageError("--signed goes with --record.")
        return None
    from warmhold.bench.limits import WrongKind, check_kind  # noqa: PLC0415
    from warmhold.cli.keeping import Keeping, checked_name  # noqa: PLC0415

    name = checked_name(signed)
    try:
        check_kind(limits, "transport")
    except WrongKind as error:
        raise click.UsageError(f"{str(error).capitalize()}.") from error
    where = Path(folder).expanduser() if folder else usual_folder()
    return Keeping.of(where, unit_name, name)


def _log(name: str) -> Path:
    from warmhold.model.load import DATA  # noqa: PLC0415

    path = Path(name)
    shipped = DATA / "logs" / f"{name}.csv"
    return shipped if not path.exists() and "/" not in name and shipped.is_file() else path


def _check_names(tests: tuple[str, ...]) -> None:
    from warmhold.bench.trials import TRIALS  # noqa: PLC0415

    for name in tests:
        if name not in TRIALS:
            raise click.UsageError(f"--test {name}: no such test. There are: {', '.join(TRIALS)}.")


def _limits(name: str) -> LimitSet:
    from warmhold.bench.limits import find_set, shipped_sets  # noqa: PLC0415

    try:
        return or_leave(lambda: find_set(name))
    except KeyError as error:
        raise click.UsageError(
            f"--limits {name}: neither a file nor one of {', '.join(shipped_sets())}."
        ) from error


def _unit(name: str, limits: LimitSet) -> tuple[Unit | None, str]:
    """Find the unit's file; without one its name is enough, and only some tests lack something."""
    from warmhold.bench.limits import WrongKind, check_kind  # noqa: PLC0415
    from warmhold.model import parse_unit, shipped, shipped_path  # noqa: PLC0415

    path = Path(name)
    if name in shipped("units") and not path.exists():
        path = shipped_path("units", name)
    if not path.is_file():
        if name.endswith(".toml") or "/" in name:
            raise click.UsageError(f"--unit {name}: no such file.")
        return None, name
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise click.UsageError(f"--unit {name} cannot be read.") from error
    unit = or_leave(lambda: parse_unit(text, str(path)))
    try:
        check_kind(limits, "transport")
    except WrongKind as error:
        raise click.UsageError(f"{str(error).capitalize()}.") from error
    return unit, unit.name


def _mapping(log: Path, named: str | None, folder: str | None) -> Mapped | None:
    """Read the mapping that is named or remembered; else write a proposal and return ``None``."""
    from warmhold.bench.reading import find_mappings, load_mapping  # noqa: PLC0415

    if named is not None:
        return or_leave(lambda: load_mapping(Path(named)))
    where = Path(folder) if folder else log.parent
    if not where.is_dir():
        raise click.UsageError(f"--mappings {where}: there is no such folder.")
    found = or_leave(lambda: find_mappings(log, where))
    if len(found) > 1:
        names = ", ".join(str(one) for one in found)
        raise click.UsageError(f"several mappings fit this log: {names}. Name one with --mapping.")
    if found:
        return or_leave(lambda: load_mapping(found[0]))
    _propose(log, where)
    return None


def _propose(log: Path, where: Path) -> None:
    from warmhold.bench.reading import propose  # noqa: PLC0415
    from warmhold.report.plain import without_controls  # noqa: PLC0415

    found = or_leave(lambda: propose(log))
    target = where / f"{log.stem}.mapping.toml"
    try:
        with target.open("x", encoding="utf-8", newline="\n") as handle:
            handle.write(found.text)
    except FileExistsError:
        raise click.ClickException(
            f"{target} is there and is not for this header. Name a mapping with --mapping, or "
            "move that file."
        ) from None
    except OSError as error:
        raise click.ClickException(f"{target} could not be written: {error.strerror}.") from error
    click.echo("No mapping is known for these columns. One was proposed; nothing was judged.")
    for channel, column, unit in found.told:
        click.echo(without_controls(f'  {channel:<24} from "{column}", {unit}'))
    for column in found.left:
        click.echo(without_controls(f'  {"not used":<24} "{column}"'))
    for key in found.open:
        click.echo(f"  {'to be filled in':<24} {key}")
    click.echo(f"Read and correct {target}, then run again: it is used from then on.")


def _check_span(bench: Bench) -> None:
    if bench.start_s >= bench.end_s:
        last = bench.log.seconds[-1] / 60
        raise click.UsageError(f"--from and --to leave nothing: the log has {last:.1f} min.")


def _tell_mapping(mapped: Mapped, reading: Reading) -> None:
    """Say on stderr which columns were taken for what, every time."""
    from warmhold.report.plain import without_controls  # noqa: PLC0415

    taken = ", ".join(f'{one.name} from "{one.column}"' for one in mapped.mapping.channel)
    lines = [f"Mapping {mapped.source.file}: {taken}."]
    if reading.unused:
        lines.append(f"Columns not used: {', '.join(reading.unused)}.")
    for line in lines:
        click.echo(without_controls(line), err=True)


def _write(results: tuple[Result, ...], html_file: str | None, json_file: str | None) -> None:
    import json  # noqa: PLC0415
    import sys  # noqa: PLC0415
    from importlib import metadata  # noqa: PLC0415

    from warmhold.bench.trials import as_plain  # noqa: PLC0415
    from warmhold.report import bench as report  # noqa: PLC0415

    if html_file is not None:
        try:
            version = metadata.version("warmhold")
        except metadata.PackageNotFoundError:
            version = "not installed"
        write_whole(html_file, report.page(results, version=version))
    if json_file is not None:
        plain = json.dumps(as_plain(results), indent=1, ensure_ascii=True, allow_nan=False) + "\n"
        if json_file == "-":
            write_stdout(plain)
        else:
            write_whole(json_file, plain)
    if json_file != "-":
        click.echo(report.text(results, sys.stdout.encoding or "ascii"), nl=False)
