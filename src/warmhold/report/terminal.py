"""The sheet on a terminal: one screen with the answer first, the tables below it."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from warmhold.plan.sheet import Band, Margin, Mend, Sheet, State
from warmhold.report import words
from warmhold.report.plain import sayable

_STYLE: dict[State, str] = {
    "holds": "green",
    "falls short": "bold red",
    "cannot tell": "bold magenta",
}
_ALARM_STYLE: dict[words.AlarmState, str] = {
    "as wanted": "green",
    "moved to the safe side": "yellow",
    "cannot be set": "bold red",
    "not used": "dim",
}

Say = Callable[[str], str]
Justify = Literal["left", "right"]


class UnknownMargin(KeyError):
    """No margin of the sheet has that key."""

    def __init__(self, key: str, known: Sequence[str]) -> None:
        """Keep the key that was asked for and the keys that there are."""
        super().__init__(key)
        self.key = key
        self.known = tuple(known)


def show(sheet: Sheet, console: Console) -> None:
    """Print the sheet on a rich console, within its width and its encoding."""
    for part in _parts(sheet, _speaker(console)):
        console.print(part, highlight=False)


def show_margin(sheet: Sheet, key: str, console: Console) -> None:
    """Print how one margin came about.

    Raises
    ------
    UnknownMargin
        The sheet has no margin of that key.
    """
    margin = find_margin(sheet, key)
    for part in _explained(sheet, margin, _speaker(console)):
        console.print(part, highlight=False)


def find_margin(sheet: Sheet, key: str) -> Margin:
    """Look a margin up by its key; raises ``UnknownMargin``."""
    for margin in sheet.margins:
        if margin.key == key:
            return margin
    raise UnknownMargin(key, [margin.key for margin in sheet.margins])


def text(sheet: Sheet, *, width: int = 80, encoding: str = "utf-8", colour: bool = False) -> str:
    """Write the sheet as text, for tests and for files."""
    return _captured(lambda console: show(sheet, console), width, encoding, colour)


def margin_text(
    sheet: Sheet, key: str, *, width: int = 80, encoding: str = "utf-8", colour: bool = False
) -> str:
    """Write how one margin came about as text."""
    return _captured(lambda console: show_margin(sheet, key, console), width, encoding, colour)


class _Tape(io.StringIO):
    """Text kept in memory that claims an encoding, so that rich draws boxes to suit."""

    def __init__(self, encoding: str) -> None:
        super().__init__()
        self._encoding = encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding


def _captured(draw: Callable[[Console], None], width: int, encoding: str, colour: bool) -> str:
    tape = _Tape(encoding)
    console = Console(
        file=tape,
        width=width,
        force_terminal=colour,
        color_system="truecolor" if colour else None,
        legacy_windows=False,
    )
    draw(console)
    return "\n".join(line.rstrip() for line in tape.getvalue().splitlines()) + "\n"


def _speaker(console: Console) -> Say:
    encoding = console.encoding
    return lambda value: sayable(value, encoding)


# --- the first screen ---------------------------------------------------------------------------


def _parts(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    yield Text(say(sheet.title), style="bold")
    yield Text(say(words.in_days(sheet.identity)))
    yield Text(say(f"worked out {words.stamp(sheet.now)}"), style="dim")
    yield Text(say(words.short_cautions(sheet.cautions)), style="dim")
    yield Text("")
    yield _verdict(sheet, say)
    yield Text("")
    yield _answers(sheet, say)
    if sheet.needs_attention:
        yield _heading("Before leaving", say)
        yield _bullets(map(words.capital, sheet.needs_attention), say)
    yield from _margins(sheet, say)
    yield from _holds(sheet, say)
    yield from _oxygen(sheet, say)
    yield from _cylinders(sheet, say)
    yield from _alarms(sheet, say)
    yield from _mends(words.sorted_mends(sheet), sheet, say)
    yield from _uncertain(sheet, say)
    if sheet.trip_facts:
        yield _heading("Read from the trip", say)
        yield _pairs([(name, words.in_days(value)) for name, value in sheet.trip_facts], say)
    yield _heading("Cautions", say)
    yield _bullets(sheet.cautions, say)
    yield Text(say(words.sample_size(sheet)), style="dim")


def _verdict(sheet: Sheet, say: Say) -> RenderableType:
    state = words.VERDICT_STATE[sheet.verdict]
    mark = words.VERDICT_MARK[sheet.verdict]
    line = Text(say(f" {mark} {sheet.verdict.upper()} "), style=f"{_STYLE[state]} reverse")
    first, rest = words.reason(sheet)
    lines = [line, Text(say(first), style="bold")]
    if rest:
        lines.append(Text(say(rest)))
    return Padding(Group(*lines), (0, 0, 0, 2))


def _answers(sheet: Sheet, say: Say) -> RenderableType:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True, style="dim")
    grid.add_column(ratio=1)

    def row(name: str, *lines: str | Text) -> None:
        cell = Text()
        for i, line in enumerate(line for line in lines if line):
            style = "not bold" if i else "bold"
            cell.append("\n" if i else "")
            cell.append_text(line if isinstance(line, Text) else Text(say(line), style=style))
        grid.add_row(Text(say(name)), cell)

    row("Fails first", sheet.first_to_fail or words.nothing_fails(sheet))
    row("Switch on", *_switch_on_lines(sheet, say))
    row("Start at", *_start_lines(sheet, say))
    row("Carry", *_carry_lines(sheet))
    if sheet.together is not None:
        state: State = "holds" if sheet.together.holds else "falls short"
        outcome = f"{words.STATE_MARK[state]} {words.together_outcome(sheet.together)}"
        changes = [f"• {change}" for change in sheet.together.changes]
        row("All together", outcome, *changes, words.together_next(sheet.together))
    return Padding(grid, (0, 0, 0, 2))


def _switch_on_lines(sheet: Sheet, say: Say) -> tuple[str | Text, ...]:
    warm_up = sheet.warm_up
    if words.no_warm_up(warm_up):
        return words.split(warm_up.sentence)
    strong, soft = words.switch_on(warm_up, sheet.now)
    return (
        f"{strong}, {soft}" if soft else strong,
        words.baby_in(sheet),
        _tagged(Text(say(words.warm_up_line(warm_up))), warm_up.assumed),
        words.in_time(warm_up),
    )


def _start_lines(sheet: Sheet, say: Say) -> tuple[str | Text, ...]:
    start = sheet.start
    if not words.known(start.air_set_c):
        return words.UNKNOWN, start.reason, start.sentence
    air = Text(say(f"{words.with_unit(start.air_set_c, '°C')} air"), style="bold")
    return _tagged(air, start.assumed), words.felt(start)


def _tagged(figure: Text, assumed: Sequence[str], gap: str = "  ") -> Text:
    """Put the word "assumed" beside a figure that rests on assumed values."""
    if assumed:
        figure.append(gap)
        figure.append("assumed", style="not bold italic underline")
    return figure


def _carry_lines(sheet: Sheet) -> tuple[str, ...]:
    kit = sheet.kit
    items = words.carry(kit)
    total = words.mass_in_all(kit)
    if not kit.holds:
        return kit.sentence or "no kit that is owned meets policy", *items, total
    if not items:
        return "nothing more than is on the unit", kit.sentence
    return *items, f"{total} {kit.sentence}".strip()


# --- the tables ---------------------------------------------------------------------------------


def _margins(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    yield _heading("Margins: what is to spare (5 to 95 % range in brackets)", say)
    table = _table(say, ("", 3), ("Margin", 4), ("To spare", 4), ("Holds in", 3), ("Worst at", 3))
    for margin in sheet.margins:
        name = Text(say(margin.title))
        name.append("\n" + say(margin.key), style="dim")
        if not margin.must_hold:
            name.append(say(", does not decide"), style="dim")
        table.add_row(
            _state(margin.state, say),
            name,
            _to_spare(margin, say),
            Text(say(_held(margin))),
            Text(say(margin.worst_at or "–")),
        )
    yield table
    yield Text(
        say("Details: warmhold explain TRIP MARGIN, with the small name under a margin."),
        style="dim",
    )


def _to_spare(margin: Margin, say: Say) -> Text:
    if not words.known_band(margin.band):
        return Text(say(f"{words.UNKNOWN}: {margin.reason}" if margin.reason else words.UNKNOWN))
    return _figure(margin.band, margin.unit, margin.assumed, say, gap="\n")


def _figure(
    band: Band | None, unit: str, assumed: Sequence[str], say: Say, *, gap: str = " "
) -> Text:
    """Write the middle, the range, and the word "assumed" where the figure rests on such."""
    cell = Text(say(words.middle(band, unit)), style="bold")
    if words.known_band(band):
        cell.append(gap + say(f"({words.spread(band, unit)})"), style="not bold")
    return _tagged(cell, assumed, gap)


def _held(margin: Margin) -> str:
    share = words.chance(margin.probability, margin.required)
    return f"{share}\nneeds {words.needed(margin.required)}"


def _state(state: State, say: Say) -> Text:
    return Text(say(f"{words.STATE_MARK[state]} {state}"), style=_STYLE[state])


def _holds(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    if not sheet.holds:
        return
    yield _heading("If outside power is lost: minutes the battery carries the unit", say)
    table = _table(say, ("Leg", 5), ("Minutes held", 5), ("", 4))
    for hold in sheet.holds:
        table.add_row(
            Text(say(hold.leg)),
            _figure(hold.minutes, "min", hold.assumed, say),
            Text(say(hold.sentence)),
        )
    yield table
    behind = words.behind_holds(sheet)
    if behind:
        line = f"Assumed behind these minutes: {words.rests_on_short(behind, 4)}."
        yield Text(say(line), style="dim")


def _oxygen(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    ceiling = words.known(sheet.ceiling_altitude_m)
    if not sheet.oxygen and not ceiling:
        return
    yield _heading("Oxygen by leg", say)
    if sheet.oxygen:
        table = _table(say, ("Leg", 4), ("Air pressure", 2), ("Need", 3), ("Analyser reads", 3))
        for row in words.alike(sheet.oxygen):
            name = Text(say(row.leg))
            if row.sentence:
                name.append("\n" + say(row.sentence), style="dim")
            table.add_row(
                name,
                Text(say(words.with_unit(row.pressure_kpa, "kPa"))),
                Text(say(words.middle_and_spread(row.need_percent, "%")), style="bold"),
                Text(say(words.middle_and_spread(row.analyser_reads_percent, "%"))),
            )
        yield table
    if ceiling:
        yield Text(say(f"Stay below: {words.with_unit(sheet.ceiling_altitude_m, 'm')}"))


def _cylinders(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    if not sheet.cylinders:
        return
    yield _heading("Cylinders carried (minutes from the baby going in, middle case)", say)
    table = _table(say, ("Cylinder", 5), ("Holds", 5), ("Opened", 3), ("Empty", 4))
    for row in sheet.cylinders:
        gas = "" if row.gas in row.name else f" ({row.gas})"
        name = Text(say(f"{row.name}{gas}"))
        if row.sentence:
            name.append("\n" + say(row.sentence), style="dim")
        table.add_row(
            name,
            _figure(row.litres, "L", (), say),
            Text(say(words.opened(row))),
            Text(say(words.empty(row))),
        )
    yield table


def _alarms(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    if not sheet.alarms:
        return
    yield _heading("Alarm limits to set on this unit", say)
    table = _table(say, ("", 4), ("Limit", 4), ("Set to", 2), ("Wanted", 2), ("", 5))
    for alarm in sheet.alarms:
        table.add_row(
            Text(
                say(f"{words.ALARM_MARK[alarm.state]} {alarm.state}"),
                style=_ALARM_STYLE[alarm.state],
            ),
            Text(say(alarm.title)),
            Text(say(words.set_to(alarm)), style="bold"),
            Text(say(words.wanted(alarm))),
            Text(say(alarm.sentence)),
        )
    yield table


def _mends(mends: Sequence[Mend], sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    if not mends:
        return
    titles = {margin.key: margin.title for margin in sheet.margins}
    yield _heading("What would mend it: share of trips in which the margin holds", say)
    table = _table(say, ("", 2), ("Change", 4), ("Margin", 4), ("Before → after", 4), ("But", 3))
    shown = [mend for mend in mends if not words.helps_little(mend)]
    for mend in shown:
        state: State = "holds" if mend.mends else "falls short"
        mark = words.STATE_MARK[state]
        table.add_row(
            Text(say(f"{mark} {'enough' if mend.mends else 'not alone'}"), style=_STYLE[state]),
            Text(say(mend.title)),
            Text(say(titles.get(mend.margin, mend.margin))),
            Text(
                say(
                    f"{words.chance(mend.before, mend.required)} → "
                    f"{words.chance(mend.after, mend.required)}"
                    f" (needs {words.needed(mend.required)})"
                )
            ),
            Text(say(mend.side_effect or "–")),
        )
    if shown:
        yield table
    little = words.little_help(mends)
    if little:
        yield Text(say(f"Tried, and moves its margin by less than 5 points: {little}."))


def _uncertain(sheet: Sheet, say: Say) -> Iterable[RenderableType]:
    if sheet.start.sentence or sheet.start.by_source:
        yield _heading("Where the start temperature comes from", say)
        if sheet.start.sentence:
            yield Padding(Text(say(sheet.start.sentence)), (0, 0, 0, 2))
        yield _pairs(sheet.start.by_source, say)
    if sheet.measure_next:
        yield _heading("Measure next", say)
        yield _bullets((sheet.measure_next,), say)
    if sheet.assumptions:
        yield _heading("Assumed, not known", say)
        table = _table(say, ("What", 4), ("Taken as", 3), ("Why it is not certain", 5))
        for name, value, why in sheet.assumptions:
            table.add_row(
                Text(say(name)), Text(say(value), style="italic underline"), Text(say(why))
            )
        yield table
    if sheet.outside:
        yield _heading("Outside what the model was checked for", say)
        yield _bullets(
            (words.in_days(s) if s.startswith("Gestation") else s for s in sheet.outside), say
        )


# --- one margin explained -----------------------------------------------------------------------


def _explained(sheet: Sheet, margin: Margin, say: Say) -> Iterable[RenderableType]:
    yield Text(say(f"{margin.title} ({margin.key})"), style="bold")
    yield Text(say(sheet.title), style="dim")
    yield Text(say(words.short_cautions(sheet.cautions)), style="dim")
    yield Text("")
    yield _state(margin.state, say)
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True, style="dim")
    grid.add_column(ratio=1)
    spare = words.middle_and_spread(margin.band, margin.unit)
    share = words.chance(margin.probability, margin.required)
    facts = (
        ("To spare", spare + (", rests on assumed values" if margin.assumed else "")),
        ("Holds in", f"{share} of trips; policy asks for {words.needed(margin.required)}"),
        (
            "Decides",
            "yes, it counts for the verdict" if margin.must_hold else "no, for information",
        ),
        ("Worst at", margin.worst_at),
        ("In words", margin.sentence),
        ("Why unknown", margin.reason),
        ("Formula", margin.formula),
    )
    for name, value in facts:
        if value:
            grid.add_row(Text(say(name)), Text(say(value)))
    yield grid
    yield from _explained_inputs(margin, say)
    if margin.drivers:
        yield _heading("What moves it most: share of the spread explained by each alone", say)
        table = _table(say, ("Input", 4), ("Share", 1), ("", 3), ("Known how", 2))
        for driver in margin.drivers:
            share = words.chance(driver.share)
            bars = round(20 * driver.share) if words.known(driver.share) else 0
            table.add_row(
                Text(say(driver.title)),
                Text(say(share)),
                Text(say("█" * max(0, min(20, bars)))),
                _provenance(driver.provenance, say),
            )
        yield table
    yield from _mends([mend for mend in sheet.mends if mend.margin == margin.key], sheet, say)
    if margin.assumed:
        yield _heading("Assumed or not verified", say)
        yield _bullets(margin.assumed, say)
    if margin.sources:
        yield _heading("Sources", say)
        yield _bullets(margin.sources, say)


def _explained_inputs(margin: Margin, say: Say) -> Iterable[RenderableType]:
    if not margin.inputs:
        return
    yield _heading("From", say)
    table = _table(say, ("Input", 4), ("Value", 3), ("Known how", 3))
    for name, value, origin in margin.inputs:
        table.add_row(Text(say(name)), Text(say(value)), _provenance(origin, say))
    yield table


def _provenance(origin: str, say: Say) -> Text:
    return Text(say(origin), style="italic underline" if origin.startswith("assumed") else "")


# --- pieces -------------------------------------------------------------------------------------


def _heading(title: str, say: Say) -> RenderableType:
    return Padding(Text(say(title), style="bold"), (1, 0, 0, 0))


def _bullets(lines: Iterable[str], say: Say) -> RenderableType:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(ratio=1)
    for line in lines:
        grid.add_row(say("•"), Text(say(line)))
    return Padding(grid, (0, 0, 0, 2))


def _pairs(pairs: Iterable[tuple[str, str]], say: Say) -> RenderableType:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style="dim", max_width=30)
    grid.add_column(ratio=1)
    for name, value in pairs:
        grid.add_row(Text(say(name)), Text(say(value)))
    return Padding(grid, (0, 0, 0, 2))


def _table(say: Say, *columns: tuple[str, int]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, expand=True, pad_edge=False, show_edge=False, safe_box=True)
    for title, ratio in columns:
        table.add_column(Text(say(title)), ratio=ratio, overflow="fold", vertical="top")
    return table
