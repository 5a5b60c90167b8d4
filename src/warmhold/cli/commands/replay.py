"""`warmhold replay`: recorded trends through other alarm limits, and a search for better ones."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status, working
from warmhold.cli.folders import usual_folder

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from warmhold.model import Unit
    from warmhold.review.large import Replayed
    from warmhold.review.replay import Setting, Trend, Trends
    from warmhold.review.search import Finding, Told

AVERAGING_S = (0.0, 60.0, 120.0)
DELAYS_S = (0.0, 60.0, 120.0, 180.0)
UNITS = {"saturation": "%", "pulse": "/min", "skin": "°C"}


@click.command()
@click.argument("folder", required=False)
@click.option("--quantity", type=click.Choice(("saturation", "pulse", "skin")), required=True,
              help="Which trend.")  # fmt: skip
@click.option("--low", type=float, help="Low limit; none if not given.")
@click.option("--high", type=float, help="High limit; none if not given.")
@click.option("--averaging", type=click.FloatRange(0, 3600), default=0.0, show_default=True,
              help="Seconds that the alarm averages over.")  # fmt: skip
@click.option("--delay", type=click.FloatRange(0, 3600), default=0.0, show_default=True,
              help="Seconds beyond a limit before it alarms.")  # fmt: skip
@click.option("--search", is_flag=True,
              help="Also look for a limit that alarms less and misses no harm.")  # fmt: skip
@click.option("--side", type=click.Choice(("low", "high")), default="low", show_default=True,
              help="Which limit is looked for.")  # fmt: skip
@click.option("--weeks", type=click.FloatRange(22, 60), default=39.0, show_default=True,
              help="Gestation that policy's bounds are taken for.")  # fmt: skip
@click.option("--unit", "unit_name", metavar="UNIT", default="alder-single", show_default=True,
              help="Unit whose steps the limits stand on: a file or a shipped unit.")  # fmt: skip
@click.option("--invented", type=click.IntRange(2, 100_000), metavar="N",
              help="Use the trends of N invented transfers instead of a record.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True,
              help="Of the invented service and of the split in halves.")  # fmt: skip
@working.options
def command(
    folder: str | None,
    quantity: str,
    low: float | None,
    high: float | None,
    averaging: float,
    delay: float,
    search: bool,
    side: str,
    weeks: float,
    unit_name: str,
    invented: int | None,
    seed: int,
    workers: int | None,
    on: str | None,
    keep: str | None,
) -> int:
    """Replay recorded trends through alarm limits: how often, how long, what went unalarmed.

    FOLDER is the folder with the record; ~/.local/share/warmhold when it is not given. A search
    chooses on one half of the transfers and tells the result on the other.

    Invented transfers are replayed in pieces that need little memory, on all processors or on a
    cluster; the figures are the same.

    Exit status: 0 replayed, 2 bad input.
    """
    from warmhold.review.large import TRIPS_IN_A_PIECE, Replayed, ReplayJob, replayed  # noqa: PLC0415
    from warmhold.review.replay import Setting, Trends, replay  # noqa: PLC0415

    if low is None and high is None:
        raise click.UsageError("Give at least one of --low and --high.")
    try:
        setting = Setting(low=low, high=high, averaging_s=averaging, delay_on_s=delay)
    except ValueError as error:
        raise click.UsageError(f"{error}.") from error
    large = (workers, on, keep) != (None, None, None)
    if large and invented is None:
        raise click.UsageError("--workers, --on and --keep are for --invented: a record is small.")
    if large and search:
        raise click.UsageError(
            "A search needs every trend at once: leave out --workers, --on, --keep."
        )
    if invented is not None and not search:
        if folder is not None:
            raise click.UsageError("Name a record or --invented, not both.")
        from warmhold.review.invented import Service  # noqa: PLC0415

        job = ReplayJob(Service(seed, invented), quantity, setting)
        pieces = working.finished(job, TRIPS_IN_A_PIECE, workers, on, keep, few=10)
        _say(_replayed(Replayed.joined(setting, pieces), UNITS[quantity]))
        return status.GO
    found = _trends(folder, quantity, invented, seed)
    if not found:
        raise click.ClickException(
            f"no trip has two or more readings of {quantity}. Try --invented 200."
        )
    trends = Trends.of(found)
    _say(_replayed(replayed(replay(trends, setting)), UNITS[quantity]))
    if search:
        _say(_searched(trends, setting, side, weeks, unit_name, seed))
    return status.GO


def _trends(folder: str | None, quantity: str, invented: int | None, seed: int) -> Sequence[Trend]:
    if invented is not None:
        if folder is not None:
            raise click.UsageError("Name a record or --invented, not both.")
        from warmhold.review.invented import Service  # noqa: PLC0415
        from warmhold.review.replay import Trend  # noqa: PLC0415

        service = Service(seed, invented)
        out = []
        for number in range(invented):
            one = service.transfer(number)
            made = service.trend_of(one, number)
            out.append(Trend(made["seconds"], made[quantity], quantity, trip=one.key))
        return out
    from warmhold.cli.commands.review import entries  # noqa: PLC0415
    from warmhold.record.transfers import trends  # noqa: PLC0415

    path = Path(folder).expanduser() if folder else usual_folder()
    return trends(entries(path), quantity)


def _say(lines: Iterator[str]) -> None:
    from warmhold.report.plain import sayable  # noqa: PLC0415

    encoding = sys.stdout.encoding or "ascii"
    for line in lines:
        click.echo(sayable(line, encoding))


def _setting(one: Setting, unit: str) -> str:
    ends = [
        f"{word} {limit:g} {unit}"
        for word, limit in (("low", one.low), ("high", one.high))
        if limit is not None
    ]
    return f"{', '.join(ends)}; averaging {one.averaging_s:g} s, delay {one.delay_on_s:g} s"


def _hours(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h"


def _replayed(alarms: Replayed, unit: str) -> Iterator[str]:
    yield f"{alarms.trips} transfers, {_hours(alarms.read_s)} read, " + (
        f"{_hours(alarms.unread_s)} not read"
    )
    yield _setting(alarms.setting, unit)
    if alarms.too_coarse:
        yield (
            f"  Averaging or delay is shorter than the {alarms.row_s:g} s between two readings: "
            "what it does between them is not in the record."
        )
    rate = alarms.per_hour_interval
    band = "" if rate.lower is None else f" ({rate.lower:.2f} to {rate.upper:.2f})"
    per_hour = "unknown" if alarms.per_hour is None else f"{alarms.per_hour:.2f} an hour{band}"
    yield f"  alarms                     {alarms.count}, {per_hour}"
    middle = "none" if alarms.median_s is None else f"{alarms.median_s:g} s"
    yield f"  in alarm                   {_hours(alarms.seconds)}, median length {middle}"
    yield f"  beyond a limit             {_hours(alarms.violated_s)}"
    yield f"  of it without an alarm     {_hours(alarms.silent_s)}"
    yield f"  alarm without being beyond {_hours(alarms.idle_s)}"


def _searched(
    trends: Trends, present: Setting, side: str, weeks: float, unit_name: str, seed: int
) -> Iterator[str]:
    from warmhold.model import load_case, shipped_path  # noqa: PLC0415
    from warmhold.review.search import EXAMPLES, policy_bounds, search  # noqa: PLC0415

    harms = [harm for harm in EXAMPLES if harm.what == trends.what and harm.side == side]
    if not harms:
        raise click.ClickException(
            f"there is no harm of {trends.what}, {side}, to look for: nothing was searched."
        )
    unit = _unit(unit_name)
    policy = load_case(shipped_path("trips", "term-by-day")).policy
    key = {"saturation": f"alarm_saturation_{side}_percent", "pulse": f"alarm_pulse_{side}_per_min"}
    grid = getattr(unit.limits, key[trends.what])
    name = {"saturation": "saturation", "pulse": "pulse"}[trends.what]
    bounds = policy_bounds(policy, name, "low" if side == "low" else "high", weeks)
    try:
        found = search(
            trends, harms=harms, grid=grid, bounds=bounds, present=present,
            averaging_s=AVERAGING_S, delay_on_s=DELAYS_S, seed=seed,
        )  # fmt: skip
    except ValueError as error:
        raise click.ClickException(f"{error}.") from error
    yield from _finding(found, UNITS[trends.what])


def _unit(name: str, option: str = "--unit") -> Unit:
    from warmhold.model import FaultyInput, parse_unit, shipped, shipped_path  # noqa: PLC0415

    path = Path(name)
    if name in shipped("units") and not path.exists():
        path = shipped_path("units", name)
    try:
        return parse_unit(path.read_text("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise click.UsageError(f"{option} {name}: neither a file nor a shipped unit.") from error
    except FaultyInput as error:
        raise click.ClickException(str(error)) from error


def _finding(found: Finding, unit: str) -> Iterator[str]:
    yield ""
    for harm in found.harms:
        word = "below" if harm.side == "low" else "above"
        yield (
            f"Harm looked for: {harm.what} {word} {harm.value.value:g} {unit} for "
            f"{harm.for_s.value:g} s ({harm.value.mark}: {harm.value.source})"
        )
    if found.bounds is not None:
        yield (
            f"Policy lets the limit stand from {found.bounds.lowest:g} to {found.bounds.highest:g} "
            f"{unit} ({found.bounds.mark})"
        )
    yield f"{len(found.candidates)} settings tried on {len(found.training)} transfers"
    yield from _told("present, held out", found.present_told, unit)
    if found.chosen_told is not None:
        yield from _told("chosen, held out", found.chosen_told, unit)
    yield found.sentence
    if found.recommended is not None:
        yield f"Worth talking about: {_setting(found.recommended, unit)}"
    yield from found.notes
    yield found.caution


def _told(title: str, one: Told, unit: str) -> Iterator[str]:
    rate = "unknown" if one.per_hour.estimate is None else f"{one.per_hour.estimate:.2f} an hour"
    yield f"  {title}: {_setting(one.setting, unit)}"
    yield f"    {one.alarms} alarms, {rate}; harms alarmed {one.alarmed} of {one.harms}"
