"""`warmhold replay`: recorded trends through other alarm limits, and a search for better ones."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from warmhold.cli import status, working
from warmhold.cli.folders import usual_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from warmhold.model import Grid, Policy, Unit
    from warmhold.review.large import Replayed, SearchJob
    from warmhold.review.replay import Setting, Trend
    from warmhold.review.search import Bounds, Finding, Question, Told
    from warmhold.review.transfer import Transfer
    from warmhold.review.work import Job, Summary

AVERAGING_S = (0.0, 60.0, 120.0)
DELAYS_S = (0.0, 60.0, 120.0, 180.0)
USUAL_UNIT = "alder-single"  # where no plan names one
ROW_S = 60.0  # of an invented trend
UNITS = {"saturation": "%", "pulse": "/min", "skin": "°C"}


@click.command()
@click.argument("folder", required=False)
@click.option("--quantity", type=click.Choice(("saturation", "pulse", "skin")), required=True,
              help="Which trend.")  # fmt: skip
@click.option("--low", type=float, help="Low limit, for all transfers.")
@click.option("--high", type=float,
              help="High limit, for all transfers. With neither, each transfer's own.")  # fmt: skip
@click.option("--averaging", type=click.FloatRange(0, 3600), default=0.0, show_default=True,
              help="Seconds that the alarm averages over.")  # fmt: skip
@click.option("--delay", type=click.FloatRange(0, 3600), default=0.0, show_default=True,
              help="Seconds beyond a limit before it alarms.")  # fmt: skip
@click.option("--search", is_flag=True,
              help="Also look for a limit that alarms less and misses no harm.")  # fmt: skip
@click.option("--side", type=click.Choice(("low", "high")), default="low", show_default=True,
              help="Which limit is looked for.")  # fmt: skip
@click.option(
    "--weeks",
    type=click.FloatRange(22, 60),
    help="Gestation for policy's bounds where a plan does not tell it; for all of --invented.",
)
@click.option("--unit", "unit_name", metavar="UNIT",
              help="Unit whose steps the limits stand on: a file or a shipped unit. The plan's own "
              "if not given; alder-single where there is no plan.")  # fmt: skip
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
    weeks: float | None,
    unit_name: str | None,
    invented: int | None,
    seed: int,
    workers: int | None,
    on: str | None,
    keep: str | None,
) -> int:
    """Replay recorded trends through alarm limits: how often, how long, what went unalarmed.

    FOLDER is the folder with the record; ~/.local/share/warmhold when it is not given. Without
    --low and --high each transfer is replayed with the limits that were set on it, and with
    policy's for that baby. A search chooses on one half of the transfers and tells the result on
    the other, apart for babies for whom policy sets other bounds, as each plan says.

    Invented transfers are replayed and searched in pieces that need little memory, on all
    processors or on a cluster; the figures are the same.

    Exit status: 0 replayed, 2 bad input.
    """
    from warmhold.review.replay import Setting  # noqa: PLC0415

    if invented is not None and folder is not None:
        raise click.UsageError("Name a record or --invented, not both.")
    if invented is None and (workers, on, keep) != (None, None, None):
        raise click.UsageError("--workers, --on and --keep are for --invented: a record is small.")
    if low is None and high is None and quantity == "skin":
        raise click.UsageError("Give --low or --high: no plan sets a limit of skin temperature.")
    try:
        setting = Setting(low=low, high=high, averaging_s=averaging, delay_on_s=delay)
    except ValueError as error:
        raise click.UsageError(f"{error}.") from error
    asked = Asked(quantity, setting, side, weeks, unit_name, seed)
    if invented is not None:
        of_invented(asked, invented, search, Work(workers, on, keep))
    else:
        of_record(asked, Path(folder).expanduser() if folder else usual_folder(), search)
    return status.GO


@dataclass(frozen=True)
class Asked:
    """What a call asks about.

    setting : for all transfers; without limits each transfer's own are meant
    side : of a search
    weeks : gestation where no plan tells it; ``None`` for leaving such transfers out
    unit : whose steps count; ``None`` for that of the plan
    """

    quantity: str
    setting: Setting
    side: str
    weeks: float | None
    unit: str | None
    seed: int

    @property
    def own(self) -> bool:
        """Whether each transfer's own limits are meant."""
        return self.setting.low is None and self.setting.high is None


@dataclass(frozen=True)
class Work:
    """Where invented transfers are worked on, and where finished pieces are kept."""

    workers: int | None
    on: str | None
    keep: str | None

    def finished(self, job: Job, name: str = "", few: int = 1) -> Sequence[Summary]:
        """Run a job; ``name`` tells its pieces from those of the same call's other jobs."""
        from warmhold.review.large import TRIPS_IN_A_PIECE  # noqa: PLC0415

        keep = self.keep if self.keep is None or not name else str(Path(self.keep) / name)
        return working.finished(job, TRIPS_IN_A_PIECE, self.workers, self.on, keep, few)


def of_invented(asked: Asked, count: int, search: bool, work: Work) -> None:
    """Replay the trends of an invented service."""
    from warmhold.model import load_case, shipped_path  # noqa: PLC0415
    from warmhold.review.invented import Service  # noqa: PLC0415
    from warmhold.review.large import Replayed, ReplayJob, search_in_pieces  # noqa: PLC0415

    service, quantity = Service(asked.seed, count), asked.quantity
    if asked.own:
        from warmhold.cli.commands.review import MOST_REPLAYED, with_alarms  # noqa: PLC0415

        if count > MOST_REPLAYED and not search:
            raise click.UsageError(f"Give --low or --high for more than {MOST_REPLAYED} transfers.")
        if count <= MOST_REPLAYED:
            _say(_own(with_alarms(service), quantity))
    else:
        name = "replay" if search else ""
        pieces = work.finished(ReplayJob(service, quantity, asked.setting), name, few=10)
        _say(_replayed(Replayed.joined(asked.setting, pieces), UNITS[quantity]))
    if not search:
        _say(_caution())
        return
    policy = load_case(shipped_path("trips", "term-by-day")).policy
    unit = _unit(asked.unit or USUAL_UNIT)
    babies: list[tuple[int, Baby | None, Policy | None, Unit | None]] = []
    for number in range(count):
        if asked.weeks is not None:
            babies.append((number, Baby(asked.weeks), policy, unit))
            continue
        one = service.transfer(number)
        known = one.cooled is not None or quantity != "pulse"
        weeks = one.gestation_weeks if known else None
        baby = None if weeks is None else Baby(weeks, bool(one.cooled))
        babies.append((number, baby, policy, unit))

    def found(members: Sequence[int], question: Question, group: int) -> Finding:
        def run(job: SearchJob, name: str) -> Sequence[Summary]:
            return work.finished(job, f"group-{group}-{name}")

        return search_in_pieces(service, members, question, run)

    _say(_searched(asked, babies, ROW_S, found))


def of_record(asked: Asked, path: Path, search: bool) -> None:
    """Replay the trends of a record."""
    from warmhold.cli.commands.review import entries  # noqa: PLC0415
    from warmhold.record.cases import cases  # noqa: PLC0415
    from warmhold.record.transfers import transfers, trends  # noqa: PLC0415
    from warmhold.review.large import replayed  # noqa: PLC0415
    from warmhold.review.replay import Setting, Trends, replay  # noqa: PLC0415
    from warmhold.review.search import search_of  # noqa: PLC0415

    events = entries(path)
    each = trends(events, asked.quantity)
    if not each:
        raise click.ClickException(
            f"no trip has two or more readings of {asked.quantity}. Try --invented 200."
        )
    every = Trends.of(each)
    known = transfers(events)
    _say(_whence(each, len(known)))
    if asked.own:
        _say(_own(known, asked.quantity))
    else:
        _say(_replayed(replayed(replay(every, asked.setting)), UNITS[asked.quantity]))
    if not search:
        _say(_caution())
        return
    plans = cases(events)
    babies: list[tuple[int, Baby | None, Policy | None, Unit | None]] = []
    for number, name in enumerate(every.trips):
        case = plans.get(name)
        unit = None if asked.unit is None else _unit(asked.unit)
        if case is not None:
            mine = case.trip.baby
            baby = Baby(mine.gestation_weeks, mine.cooled, mine.saturation_target_percent)
            babies.append((number, baby, case.policy, unit or case.unit))
        elif asked.weeks is not None:
            babies.append((number, Baby(asked.weeks), None, unit or _unit(USUAL_UNIT)))
        else:
            babies.append((number, None, None, None))

    def found(members: Sequence[int], question: Question, _group: int) -> Finding:
        return search_of(every.some(members), question)

    _say(_searched(asked, babies, replay(every, Setting()).row_s, found))


def _whence(trends: Sequence[Trend], transfers: int) -> Iterator[str]:
    """Say how many transfers have a trend, and where it came from."""
    imported = sum(one.imported for one in trends)
    told = sum(bool(one.source) and not one.imported for one in trends)
    by_hand = len(trends) - imported - told
    yield (
        f"Trends: {len(trends)} of {transfers} transfers have one, "
        f"{max(transfers - len(trends), 0)} missing. {by_hand} of entries by hand, {told} told "
        f"by a device, {imported} imported from a file"
    )


@dataclass(frozen=True)
class Baby:
    """What policy's bounds go by."""

    weeks: float
    cooled: bool = False
    target: tuple[float, float] | None = None


def _own(transfers: Sequence[Transfer], quantity: str) -> Iterator[str]:
    from warmhold.report.review import REPLAYED, limit_lines  # noqa: PLC0415
    from warmhold.review.alarms import LIMITS, limit_figures  # noqa: PLC0415

    mine = [one for one in limit_figures(transfers) if LIMITS[one.title][0] == quantity]
    yield "The limits of each transfer, as set and as policy asks for that baby"
    yield REPLAYED
    yield from limit_lines(mine)


def _say(lines: Iterator[str]) -> None:
    from warmhold.report.plain import sayable  # noqa: PLC0415

    encoding = sys.stdout.encoding or "ascii"
    for line in lines:
        click.echo(sayable(line, encoding))


def _caution() -> Iterator[str]:
    from warmhold.review.search import CAUTION  # noqa: PLC0415

    yield ""
    yield CAUTION


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
    asked: Asked,
    babies: Sequence[tuple[int, Baby | None, Policy | None, Unit | None]],
    row_s: float,
    search: Callable[[Sequence[int], Question, int], Finding],
) -> Iterator[str]:
    """Search apart for transfers with the same bounds and the same steps.

    babies : of each transfer its number, its baby, policy (``None`` for the shipped one) and unit
    row_s : distance of the trends' rows [s]
    search : searches some transfers
    """
    from warmhold.model import load_case, shipped_path  # noqa: PLC0415
    from warmhold.review.search import CAUTION, EXAMPLES, ask, policy_bounds  # noqa: PLC0415

    what, side = asked.quantity, asked.side
    harms = [harm for harm in EXAMPLES if harm.what == what and harm.side == side]
    if not harms:
        raise click.ClickException(
            f"there is no harm of {what}, {side}, to look for: nothing was searched."
        )
    name = {
        "saturation": f"alarm_saturation_{side}_percent",
        "pulse": f"alarm_pulse_{side}_per_min",
    }
    shipped = load_case(shipped_path("trips", "term-by-day")).policy
    groups: dict[tuple[Bounds, tuple[float, float, float]], tuple[Grid, list[int]]] = {}
    no_plan = silent = 0
    for number, baby, policy, unit in babies:
        if baby is None or unit is None:
            no_plan += 1
            continue
        bounds = policy_bounds(
            policy or shipped, what, "low" if side == "low" else "high", baby.weeks,
            cooled=baby.cooled, target=baby.target,
        )  # fmt: skip
        if bounds is None:
            silent += 1
            continue
        grid: Grid = getattr(unit.limits, name[what])
        steps = (grid.lowest, grid.highest, grid.step)
        groups.setdefault((bounds, steps), (grid, []))[1].append(number)
    for place, ((bounds, _), (grid, members)) in enumerate(groups.items(), start=1):
        yield ""
        yield f"{len(members)} of {len(babies)} transfers, for whom policy sets the same bounds:"
        present = asked.setting
        if side == "low" and present.low is None:
            present = replace(present, low=bounds.lowest, high=None)
        elif side == "high" and present.high is None:
            present = replace(present, high=bounds.highest, low=None)
        question = ask(
            what, row_s, harms=harms, grid=grid, bounds=bounds, present=present,
            averaging_s=AVERAGING_S, delay_on_s=DELAYS_S, seed=asked.seed,
        )  # fmt: skip
        try:
            found = search(members, question, place)
        except ValueError as error:
            yield f"Cannot tell: {error}."
            continue
        yield from _finding(found, UNITS[what])
    yield ""
    yield CAUTION
    if len(groups) > 1:
        yield (
            f"{len(groups)} groups were searched: the more are searched, the sooner one looks good "
            "by chance."
        )
    for number, why in (
        (no_plan, "whose gestation is not known (see --weeks)"),
        (silent, "policy says nothing for such a baby"),
    ):
        if number:
            yield f"Not searched: {number} of {len(babies)} transfers, {why}."


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
    for harm in found.harms:
        word = "below" if harm.side == "low" else "above"
        yield (
            f"Harm looked for: {harm.what} {word} {harm.value.value:g} {unit} for "
            f"{harm.for_s.value:g} s ({harm.value.mark}: {harm.value.source})"
        )
    if found.bounds is not None:
        yield (
            f"Policy lets the limit stand {_span(found.bounds, unit)} "
            f"({found.bounds.mark}: {found.bounds.source})"
        )
    yield f"{len(found.candidates)} settings tried on {len(found.training)} transfers"
    yield from _told("present, held out", found.present_told, unit)
    if found.chosen_told is not None:
        yield from _told("chosen, held out", found.chosen_told, unit)
    yield found.sentence
    if found.recommended is not None:
        yield f"Worth talking about: {_setting(found.recommended, unit)}"
    yield from found.notes


def _span(bounds: Bounds, unit: str) -> str:
    if math.isinf(bounds.highest):
        return f"at {bounds.lowest:g} {unit} or above"
    if math.isinf(bounds.lowest):
        return f"at {bounds.highest:g} {unit} or below"
    return f"from {bounds.lowest:g} to {bounds.highest:g} {unit}"


def _told(title: str, one: Told, unit: str) -> Iterator[str]:
    rate = "unknown" if one.per_hour.estimate is None else f"{one.per_hour.estimate:.2f} an hour"
    yield f"  {title}: {_setting(one.setting, unit)}"
    yield f"    {one.alarms} alarms, {rate}; harms alarmed {one.alarmed} of {one.harms}"
