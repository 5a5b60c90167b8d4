"""`warmhold characterise`: a unit's own numbers out of its bench logs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status
from warmhold.cli.commands.bench import _log, _mapping
from warmhold.cli.faults import or_leave
from warmhold.cli.writing import check_target, write_whole

if TYPE_CHECKING:
    from warmhold.bench.ageing import Trend
    from warmhold.bench.fit import Fitted, Observed
    from warmhold.bench.profile import Version
    from warmhold.model import Unit
    from warmhold.report.fit import Shown

CHARGE_SPREAD = 0.02  # of a battery that is said to be this full
BATTERY_LIMIT_PERCENT = 80.0
SENSOR_LIMIT_K = 0.8


@click.command()
@click.argument("logs", nargs=-1, required=True, metavar="LOGS...")
@click.option("--unit", "unit_name", metavar="FILE", required=True,
              help="The unit's file, or a shipped unit: what is known before.")  # fmt: skip
@click.option("--mapping", metavar="FILE", help="Which column is what. Found again, if not given.")
@click.option("--mappings", metavar="FOLDER",
              help="Where mappings are looked for; the log's own folder if not given.")  # fmt: skip
@click.option("--hold-out", "held_out", metavar="LOG", multiple=True,
              help="A log kept out of the fit and foretold instead; may be repeated.")  # fmt: skip
@click.option("--charged", metavar="LOG=PERCENT", multiple=True,
              help="How full the battery was at the first row; 100 if not given.")  # fmt: skip
@click.option("--gave-out", "gave_out", metavar="LOG", multiple=True,
              help="The battery gave out at the end of this log.")  # fmt: skip
@click.option("--stopped", metavar="LOG", multiple=True,
              help="Somebody switched off in this log; the battery did not give out.")  # fmt: skip
@click.option("--battery-limit", metavar="PERCENT", type=click.FloatRange(1, 100),
              default=BATTERY_LIMIT_PERCENT, show_default=True,
              help="Least energy your service allows, of a new battery's.")  # fmt: skip
@click.option("--sensor-limit", metavar="K", type=click.FloatRange(min=0.01),
              default=SENSOR_LIMIT_K, show_default=True,
              help="Greatest error of the air display your service allows.")  # fmt: skip
@click.option("--html", "html_file", metavar="FILE", help="Also write a page with the plots.")
@click.option("--dry-run", is_flag=True, help="Write no new version of the unit's file.")
def command(
    logs: tuple[str, ...],
    unit_name: str,
    mapping: str | None,
    mappings: str | None,
    held_out: tuple[str, ...],
    charged: tuple[str, ...],
    gave_out: tuple[str, ...],
    stopped: tuple[str, ...],
    battery_limit: float,
    sensor_limit: float,
    html_file: str | None,
    dry_run: bool,
) -> int:
    """Fit a unit's numbers to logs of bench tests without a baby.

    LOGS are CSV files as for warmhold bench. What they tell is written as "measured" into a new
    version beside the unit's file (beside you, for a shipped unit); the old file is left alone.
    What they cannot tell is said, and which test would teach most.

    Exit status: 0 something was told, 1 nothing was, 2 bad input.
    """
    fitted_names, kept_names = list(logs), list(held_out)
    every = {name: _log(name) for name in (*fitted_names, *kept_names)}
    if len({path.resolve() for path in every.values()}) != len(fitted_names) + len(kept_names):
        raise click.UsageError("a log is named twice.")
    shares = _shares(charged, every)
    ended = _ended(gave_out, stopped, every)
    unit, unit_path, text = _unit_file(unit_name)
    if html_file is not None:
        check_target("--html", html_file, unit_path, *every.values())
    observed = {}
    for name, path in every.items():
        one = _observed(path, unit, mapping, mappings, shares.get(name), ended.get(name))
        if one is None:
            return status.BAD_INPUT
        observed[name] = one
    _check_unlike([observed[name] for name in every])
    from warmhold.bench.ageing import trends_of  # noqa: PLC0415

    fitted = _fit([observed[name] for name in fitted_names], unit)
    version, kept_back = _version(fitted, text, unit_path.name)
    wrote = ""
    if version is not None and not dry_run:
        wrote = _write(version, unit_path)
    shown = _shown(
        fitted, version, wrote, unit, [observed[name] for name in kept_names],
        trends_of(list(observed.values()), unit, battery_limit, sensor_limit),
    )  # fmt: skip
    from warmhold.report import fit as report  # noqa: PLC0415
    from warmhold.report.plain import sayable  # noqa: PLC0415

    if html_file is not None:
        write_whole(html_file, report.page(shown))
    encoding = sys.stdout.encoding or "ascii"
    for line in report.text(shown).splitlines():
        click.echo(sayable(line, encoding))
    if kept_back:
        click.echo(f"No new version: {kept_back}.", err=True)
    return status.GO if fitted.told else status.NOT_GO


# --- what was asked for -------------------------------------------------------------------------


def _shares(charged: Sequence[str], every: dict[str, Path]) -> dict[str, float]:
    out = {}
    for item in charged:
        name, _, number = item.rpartition("=")
        if name not in every:
            raise click.UsageError(f"--charged {item}: name a log of this command and a per cent.")
        try:
            percent = float(number)
        except ValueError:
            raise click.UsageError(f"--charged {item}: {number} is not a number.") from None
        if not 5.0 <= percent <= 100.0:
            raise click.UsageError(f"--charged {item}: 5 to 100 % is allowed.")
        out[name] = percent / 100.0
    return out


def _ended(
    gave_out: Sequence[str], stopped: Sequence[str], every: dict[str, Path]
) -> dict[str, bool]:
    for option, names in (("--gave-out", gave_out), ("--stopped", stopped)):
        for name in names:
            if name not in every:
                raise click.UsageError(f"{option} {name}: no log of this command has this name.")
    if both := set(gave_out) & set(stopped):
        raise click.UsageError(f"{min(both)} cannot both have given out and been stopped.")
    return {**dict.fromkeys(gave_out, True), **dict.fromkeys(stopped, False)}


def _unit_file(name: str) -> tuple[Unit, Path, str]:
    """The unit, where versions of its file go, and its text."""
    from warmhold.model import parse_unit, shipped, shipped_path  # noqa: PLC0415

    path = Path(name)
    target = path
    if name in shipped("units") and not path.exists():
        path, target = shipped_path("units", name), Path.cwd() / f"{name}.toml"
    if not path.is_file():
        raise click.UsageError(
            f"--unit {name}: no such file. Shipped units: {', '.join(shipped('units'))}."
        )
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise click.UsageError(f"--unit {name} cannot be read.") from error
    return or_leave(lambda: parse_unit(text, str(path))), target, text


def _observed(
    path: Path,
    unit: Unit,
    mapping: str | None,
    mappings: str | None,
    share: float | None,
    gave_out: bool | None,
) -> Observed | None:
    from warmhold.bench.fit import Observed  # noqa: PLC0415
    from warmhold.bench.reading import read_log  # noqa: PLC0415

    mapped = _mapping(path, mapping, mappings)
    if mapped is None:
        return None
    reading = or_leave(lambda: read_log(path, mapped, unit.name))
    return Observed(
        reading.log,
        charge=1.0 if share is None else share,
        charge_spread=CHARGE_SPREAD,
        gave_out=gave_out,
    )


def _check_unlike(observed: Sequence[Observed]) -> None:
    """Refuse the same content under two names: it would count twice."""
    seen: dict[str, str] = {}
    for one in observed:
        mark = one.log.fingerprint
        if mark and mark in seen:
            raise click.UsageError(f"{seen[mark]} and {one.log.name} are the same log.")
        seen[mark] = one.log.name


# --- the work -------------------------------------------------------------------------------------


def _fit(observed: Sequence[Observed], unit: Unit) -> Fitted:
    from warmhold.bench.fit import UnfitLog, characterise  # noqa: PLC0415

    def work(report: Callable[[str, float], None] | None) -> Fitted:
        return characterise(observed, unit, report)

    try:
        if not sys.stderr.isatty():
            return work(None)
        return _with_bar(work)
    except UnfitLog as error:
        reasons = "\n".join(f"  {reason}" for reason in error.reasons)
        raise click.ClickException(
            f"{error.name} cannot drive the model; nothing was fitted.\n{reasons}"
        ) from error


def _with_bar(work: Callable[[Callable[[str, float], None] | None], Fitted]) -> Fitted:
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn  # noqa: PLC0415

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("reading", total=1.0)

        def report(stage: str, share: float) -> None:
            bar.update(task, description=stage, completed=min(1.0, max(0.0, share)))

        return work(report)


def _version(fitted: Fitted, text: str, name: str) -> tuple[Version | None, str]:
    from warmhold.bench.profile import NothingToWrite, new_version  # noqa: PLC0415

    try:
        return new_version(fitted, text, name, f"{datetime.now(UTC):%Y-%m-%d}"), ""
    except NothingToWrite as error:
        return None, str(error)
    except ValueError as error:
        return None, f"{error}; write the told values into a copy by hand"


def _write(version: Version, unit_path: Path) -> str:
    from warmhold.bench.profile import write_version  # noqa: PLC0415

    try:
        return str(write_version(version, unit_path))
    except OSError as error:
        raise click.ClickException(
            f"the new version could not be written beside {unit_path}: {error.strerror}."
        ) from error
    except ValueError as error:
        raise click.ClickException(f"the new version is not sound and was not kept: {error}.") \
            from error  # fmt: skip


def _shown(
    fitted: Fitted,
    version: Version | None,
    wrote: str,
    unit: Unit,
    kept: Sequence[Observed],
    trends: tuple[tuple[str, Trend], ...],
) -> Shown:
    from warmhold.bench.fit import UnfitLog  # noqa: PLC0415
    from warmhold.bench.fit.foretell import foretell  # noqa: PLC0415
    from warmhold.model import parse_unit  # noqa: PLC0415
    from warmhold.report.fit import Shown  # noqa: PLC0415

    held_out = []
    if kept and version is not None:
        new = parse_unit(version.text, "the new version")
        for one in kept:
            try:
                bands = foretell(unit, one), foretell(new, one)
            except UnfitLog as error:
                raise click.ClickException(str(error)) from error
            held_out.append((one.log.name, *bands))
    return Shown(fitted, datetime.now(UTC), version, wrote, tuple(held_out), trends)
