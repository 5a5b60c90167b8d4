"""Read one log by its mapping, or say every reason why not."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Protocol

import numpy as np

from warmhold.bench.log import Floats, Log
from warmhold.bench.reading.mapping import Channel, Column, Mapped, MappedTable, fingerprint
from warmhold.bench.reading.table import Cells, place, read_cells
from warmhold.bench.reading.times import to_utc
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import nearest, plain, value_text

GAP_OF_MEDIAN = 3.0  # a step longer than this many usual ones is told as a gap
TELL = 4  # so many places are named, the rest counted


@dataclass(frozen=True)
class Instrument:
    """What measured one channel, as its certificate says.

    certificate : which certificate, in words
    expanded : expanded uncertainty of the certificate [unit of the channel]; ``None`` if given
        in per cent
    percent : the same in per cent of the reading [%]
    coverage : its coverage factor
    drift : largest drift since the calibration [unit of the channel]
    """

    certificate: str
    expanded: float | None
    percent: float | None
    coverage: float
    drift: float


@dataclass(frozen=True)
class Reading:
    """A log, what measured it, and what was passed over."""

    log: Log
    instruments: dict[str, Instrument]
    unused: tuple[str, ...]  # columns that no channel names


def read_log(path: Path, mapped: Mapped, unit: str = "") -> Reading:
    """Read a log.

    path : the CSV file
    mapped : its mapping
    unit : name of the unit that was asked for; a log of another unit is refused

    Raises ``FaultyInput`` with every reason why the log cannot be read.
    """
    return read_rows(read_cells(path, mapped.mapping), mapped, str(path), path.name, unit)


def read_rows(cells: Cells, mapped: MappedTable, file: str, name: str, asked: str = "") -> Reading:
    """Read rows of cells, whatever file they came from.

    file : how the file is called in faults
    name : under which name it is kept
    asked : name of what the file has to be of; a file of another is refused

    Raises ``FaultyInput`` with every reason why they cannot be read.
    """
    mapping, vocabulary = mapped.mapping, mapped.vocabulary
    faults: list[Fault] = []
    noticed: list[str] = []
    if cells.cut_off:
        noticed.append("the last row ends too early and was left out")
    if mapping.fingerprint is not None and cells.header:
        own = fingerprint(cells.header)
        if own != mapping.fingerprint:
            faults.append(
                mapped.fault(
                    ("fingerprint",), f"{plain(mapping.fingerprint)}; the log's header has {own}",
                    "the fingerprint of the log's header",
                    "this log has other columns: check them and write a mapping of its own",
                )
            )  # fmt: skip
    times, dates = _times(cells, mapped, faults)
    whose = _unit_name(cells, mapped, file, asked, faults)
    numbers: dict[str, Floats] = {}
    words: dict[str, tuple[str, ...]] = {}
    for row, channel in enumerate(mapping.channel):
        at = _column(cells, mapped, ("channel", row, "column"), channel.column, faults)
        if at is None:
            continue
        if channel.name in vocabulary.words:
            words[channel.name] = _words(cells, at, channel, mapped, file, faults)
        else:
            values = _numbers(cells, at, channel, mapped, file, faults)
            _check_unit(cells, at, values, row, channel, mapped, faults)
            numbers[channel.name] = vocabulary.to_base(
                channel.name, vocabulary.unit_named(channel.unit or "") or "", values
            )
    moments: tuple[datetime, ...] = ()
    if times is not None:
        texts = times if dates is None else [f"{d} {t}" for d, t in zip(dates, times, strict=True)]
        told = to_utc(texts, cells.lines, mapped, file)
        faults += told.faults
        noticed += told.noticed
        moments = told.utc
    if faults:
        raise FaultyInput(tuple(faults))
    order, kept = _ordered(moments, numbers, words, cells, mapped, file, noticed)
    numbers = {key: values[order] for key, values in numbers.items()}
    words = {key: tuple(value[i] for i in order) for key, value in words.items()}
    stamps = [moments[i] for i in order]
    if len(stamps) < 2:
        fault = Fault(file, None, "", "one row", "at least two rows of readings", "check the log")
        raise FaultyInput((fault,))
    for key, rows in kept.items():
        numbers[key] = rows
    start = stamps[0]
    seconds = np.array([(one - start).total_seconds() for one in stamps])
    noticed += gaps_told(seconds, start)
    noticed += odd_told(numbers, seconds, start, vocabulary)
    log = Log(
        unit=whose,
        start_utc=start,
        seconds=seconds,
        numbers=numbers,
        words=words,
        steps=_steps(mapping.channel, numbers, vocabulary),
        fingerprint=cells.fingerprint,
        name=name,
        noticed=tuple(noticed),
    )
    instruments = {
        one.name: instrument
        for one in mapping.channel
        if (instrument := _instrument(one, vocabulary))
    }
    return Reading(log, instruments, _unused(cells, mapped))


def _column(
    cells: Cells, mapped: MappedTable, path: tuple[str | int, ...], column: str, faults: list[Fault]
) -> int | None:
    found = place(cells.header, cells.width, column)
    if isinstance(found, int):
        return found
    near = nearest(column, cells.header)
    faults.append(
        mapped.fault(
            path, f"{value_text(column)}: {found}",
            "a column of the log: " + plain(", ".join(cells.header) or "#1, #2, ...")[:300],
            f'write "{plain(near)}"' if near and found.startswith("no") else
            "check it against the log's header; a number such as #3 names the third column",
        )
    )  # fmt: skip
    return None


def _times(
    cells: Cells, mapped: MappedTable, faults: list[Fault]
) -> tuple[list[str] | None, list[str] | None]:
    times = mapped.mapping.time
    at = _column(cells, mapped, ("time", "column"), times.column, faults)
    dates = None
    if times.date_column is not None:
        day = _column(cells, mapped, ("time", "date_column"), times.date_column, faults)
        if day is None:
            return None, None
        dates = [row[day] for row in cells.rows]
    return (None if at is None else [row[at] for row in cells.rows]), dates


def _unit_name(
    cells: Cells, mapped: MappedTable, file: str, asked: str, faults: list[Fault]
) -> str:  # fmt: skip
    of, whose, what = mapped.mapping.whose, mapped.vocabulary.whose, mapped.vocabulary.asked
    if of.name is not None:
        if asked and not _same(of.name, asked):
            faults.append(
                mapped.fault(
                    (whose, "name"), value_text(of.name), f"{value_text(asked)}, as was asked for",
                    f"check which {what} this log is of; nothing is judged for another {what}",
                )
            )  # fmt: skip
        return of.name
    at = _column(cells, mapped, (whose, "column"), of.column or "", faults)
    if at is None:
        return ""
    first: dict[str, int] = {}
    for row, line in zip(cells.rows, cells.lines, strict=True):
        if row[at]:
            first.setdefault(row[at], line)
    names = list(first)
    if len(names) > 1:
        faults.append(
            Fault(file, first[names[1]], of.column or "", value_text(names[1]),
                  f"one {what} in a log; it begins with {value_text(names[0])}",
                  f"part the log by {what}")
        )  # fmt: skip
        return ""
    if not names:
        faults.append(
            mapped.fault((whose, "column"), "no name in that column", f"the name of the {what}",
                         'write name = "..." instead of column')
        )  # fmt: skip
        return ""
    if asked and not _same(names[0], asked):
        faults.append(
            Fault(file, first[names[0]], of.column or "", value_text(names[0]),
                  f"{value_text(asked)}, as was asked for",
                  f"check which {what} this log is of; nothing is judged for another {what}")
        )  # fmt: skip
    return names[0]


def _same(one: str, other: str) -> bool:
    def bare(name: str) -> str:
        return " ".join(name.replace("-", " ").split()).casefold()

    return bare(one) == bare(other)


# --- cells --------------------------------------------------------------------------------------


def _numbers(
    cells: Cells, at: int, channel: Column, mapped: MappedTable, file: str, faults: list[Fault]
) -> Floats:
    comma = mapped.mapping.decimal == "comma"
    missing = set(mapped.mapping.missing)
    pattern = re.compile(r"[+-]?(\d+[,]?\d*|[,]\d+)([eE][+-]?\d+)?" if comma else
                         r"[+-]?(\d+[.]?\d*|[.]\d+)([eE][+-]?\d+)?")  # fmt: skip
    out = np.full(len(cells.rows), np.nan)
    odd: list[int] = []
    for i, row in enumerate(cells.rows):
        text = row[at].replace("\u2212", "-")
        if text in missing:
            continue
        if pattern.fullmatch(text):
            out[i] = float(text.replace(",", "."))
        else:
            odd.append(i)
    if odd:
        text = cells.rows[odd[0]][at]
        more = f", and {len(odd) - 1} more cells of this column" if len(odd) > 1 else ""
        faults.append(
            Fault(file, cells.lines[odd[0]], channel.column, f"{value_text(text)}{more}",
                  f"a number with a decimal {'comma' if comma else 'point'}, or one of the "
                  "mapping's missing", _cell_advice(text, comma))
        )  # fmt: skip
    return out


def _cell_advice(text: str, comma: bool) -> str:
    if re.fullmatch(r"[+-]?\d+[.,]\d+", text):
        return f'write decimal = "{"point" if comma else "comma"}" in the mapping'
    if re.fullmatch(r"[+-]?\d+([.,]\d+)?\s*\D+", text):
        return "export the numbers without their unit"
    if re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+([.,]\d+)?", text):
        return "export the numbers without marks between the thousands"
    return f"if it means that nothing was read, add {value_text(text)} to missing in the mapping"


def _words(
    cells: Cells, at: int, channel: Column, mapped: MappedTable, file: str, faults: list[Fault]
) -> tuple[str, ...]:
    nothing = set(mapped.mapping.missing)
    ours_all = ", ".join(mapped.vocabulary.words[channel.name])
    told = {" ".join(key.split()).casefold(): ours for key, ours in channel.words.items()}
    out: list[str] = []
    odd: dict[str, int] = {}
    for row, line in zip(cells.rows, cells.lines, strict=True):
        text = row[at]
        ours = told.get(" ".join(text.split()).casefold())
        if ours is None and text not in nothing:
            odd.setdefault(text, line)
        out.append(ours or "")
    for text, line in list(odd.items())[:TELL]:
        faults.append(
            Fault(file, line, channel.column, value_text(text),
                  "a word of the mapping: " + plain(", ".join(channel.words)),
                  f"say in words what it means: one of {ours_all}")
        )  # fmt: skip
    return tuple(out)


def _check_unit(
    cells: Cells, at: int, values: Floats, row: int, channel: Column, mapped: MappedTable,
    faults: list[Fault],
) -> None:  # fmt: skip
    """Tell a unit that the header or the numbers themselves contradict."""
    written = cells.header[at] if cells.header else ""
    check_unit(written, values, row, channel, mapped, faults)


class Placing(Protocol):
    """A mapping that knows its vocabulary and can tell a fault at one of its keys."""

    @property
    def vocabulary(self) -> Vocabulary:
        """What the columns can hold."""

    def fault(self, path: tuple[str | int, ...], found: str, allowed: str, todo: str) -> Fault:
        """Make a fault at a key of the mapping."""


def check_unit(
    header: str, values: Floats, row: int, channel: Column, mapped: Placing,
    faults: list[Fault],
) -> None:  # fmt: skip
    """Tell a unit that a column's name or its numbers contradict.

    header : name of the column as the file has it
    values : as they stand in the file, shape (n,) [channel.unit]
    row : of the channel in the mapping
    """
    vocabulary = mapped.vocabulary
    unit = vocabulary.unit_named(channel.unit or "") or ""
    units_for, written = vocabulary.units_for, vocabulary.unit_in(header)
    if written is not None and written in units_for(channel.name) and written != unit:
        faults.append(
            mapped.fault(
                ("channel", row, "unit"), f"{value_text(channel.unit)}; the log's header says "
                f"{value_text(header)}", f'"{written}"', "write what the header says",
            )
        )  # fmt: skip
        return
    read = values[np.isfinite(values)]
    if not len(read):
        return

    def share(name: str) -> float:
        low, high = vocabulary.plausible(channel.name)
        base = vocabulary.to_base(channel.name, name, read)
        return float(np.mean((base >= low) & (base <= high)))

    if share(unit) >= 0.5:
        return
    better = [one for one in units_for(channel.name) if one != unit and share(one) > 0.9]
    if better:
        faults.append(
            mapped.fault(
                ("channel", row, "unit"),
                f"{value_text(channel.unit)}, and values such as {float(np.median(read)):g}",
                "the unit that the log is written in",
                f'looks like {better[0]}: check the logger and write unit = "{better[0]}"',
            )
        )  # fmt: skip


# --- order --------------------------------------------------------------------------------------


def _ordered(
    moments: Sequence[datetime],
    numbers: dict[str, Floats],
    words: dict[str, tuple[str, ...]],
    cells: Cells,
    mapped: MappedTable,
    file: str,
    noticed: list[str],
) -> tuple[list[int], dict[str, Floats]]:
    """Bring the rows into the order of time; repeats are joined or refused."""
    times = mapped.mapping.time
    order = list(range(len(moments)))
    backs = [i for i in order[1:] if moments[i] < moments[i - 1]]
    if backs:
        if times.backwards == "refuse":
            far = moments[backs[0] - 1] - moments[backs[0]]
            fault = Fault(
                file, cells.lines[backs[0]], times.column,
                f"a time {_length(far)} before the row above it; {len(backs)} such places",
                "times that go forward",
                "find out why (a clock that was set, two files joined), then write backwards = "
                '"sort" and backwards_why in [time]',
            )  # fmt: skip
            raise FaultyInput((fault,))
        order.sort(key=lambda i: moments[i])
        noticed.append(
            f"time went backwards in {len(backs)} places; the rows were sorted, because: "
            f"{plain(times.backwards_why or '')}"
        )
    groups: list[list[int]] = []
    for i in order:
        if groups and moments[groups[-1][0]] == moments[i]:
            groups[-1].append(i)
        else:
            groups.append([i])
    if len(groups) == len(order):
        return order, {}
    return _joined(groups, numbers, words, cells, mapped, file, noticed)


def _joined(
    groups: list[list[int]],
    numbers: dict[str, Floats],
    words: dict[str, tuple[str, ...]],
    cells: Cells,
    mapped: MappedTable,
    file: str,
    noticed: list[str],
) -> tuple[list[int], dict[str, Floats]]:
    times = mapped.mapping.time

    def alike(rows: list[int]) -> bool:
        return all(
            np.array_equal(values[i], values[rows[0]], equal_nan=True)
            for values in numbers.values()
            for i in rows
        ) and all(value[i] == value[rows[0]] for value in words.values() for i in rows)

    same = sum(len(rows) - 1 for rows in groups if len(rows) > 1 and alike(rows))
    differing = [rows for rows in groups if len(rows) > 1 and not alike(rows)]
    if same:
        noticed.append(f"{same} rows stand twice, alike to the last cell, and count once")
    if differing and times.repeats == "refuse":
        fault = Fault(
            file, cells.lines[differing[0][1]], times.column,
            f"the time of line {cells.lines[differing[0][0]]} once more, with other values; "
            f"{len(differing)} such times",
            "one row a time",
            'write repeats = "first" or "mean" in [time], if the logger rounds its times',
        )  # fmt: skip
        raise FaultyInput((fault,))
    if differing:
        how = "the first counts" if times.repeats == "first" else "their mean counts"
        noticed.append(f"{len(differing)} times stand on several rows with other values; {how}")
    order = [rows[0] for rows in groups]
    if times.repeats != "mean" or not differing:
        return order, {}
    kept = {}
    for key, values in numbers.items():
        means = values[order].copy()
        for at, rows in enumerate(groups):
            if len(rows) > 1:
                finite = values[rows][np.isfinite(values[rows])]
                means[at] = finite.mean() if len(finite) else np.nan
        kept[key] = means
    return order, kept


# --- what a reader should know ------------------------------------------------------------------


def _length(span: timedelta) -> str:
    seconds = span.total_seconds()
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _clock(start: datetime, seconds: float) -> str:
    return f"{start + timedelta(seconds=seconds):%H:%M:%S}"


def gaps_told(seconds: Floats, start: datetime) -> list[str]:
    """Say how often readings come as a rule, and where they do not."""
    steps = np.diff(seconds)
    usual = float(np.median(steps))
    long = [(a, b) for a, b in pairwise(seconds) if b - a > GAP_OF_MEDIAN * usual]
    out = [f"readings come every {usual:g} s as a rule"]
    if long:
        shown = ", ".join(
            f"{_clock(start, a)} to {_clock(start, b)} ({_length(timedelta(seconds=b - a))})"
            for a, b in long[:TELL]
        )
        more = f" and {len(long) - TELL} more" if len(long) > TELL else ""
        out.append(f"{len(long)} gap{'s' if len(long) > 1 else ''}, times in UTC: {shown}{more}")
    return out


def odd_told(
    numbers: Mapping[str, Floats], seconds: Floats, start: datetime, vocabulary: Vocabulary
) -> list[str]:
    """Say which readings cannot be."""
    out = []
    for key, values in numbers.items():
        low, high = vocabulary.plausible(key)
        odd = np.flatnonzero((values < low) | (values > high))
        if len(odd):
            i = odd[0]
            first = f"{values[i]:g} {vocabulary.numbers[key][0]}"
            out.append(
                f"{key}: {len(odd)} readings cannot be ({first} at "
                f"{_clock(start, seconds[i])} UTC); {vocabulary.odd}"
            )
    return out


def _steps(
    channels: Sequence[Column], numbers: dict[str, Floats], vocabulary: Vocabulary
) -> dict[str, float]:
    out = {}
    for one in channels:
        if one.name not in numbers:
            continue
        if one.step is not None:
            out[one.name] = one.step * _size(one, vocabulary)
        elif (step := estimated_step(numbers[one.name])) is not None:
            out[one.name] = step
    return out


def _size(column: Column, vocabulary: Vocabulary) -> float:
    """Return what a difference of one in a column's unit is in the unit of what it holds."""
    return vocabulary.scale(column.name, vocabulary.unit_named(column.unit or "") or "")


def estimated_step(values: Floats) -> float | None:
    """Return the smallest step that values move in, ``None`` when it cannot be told.

    The values must take at least three levels that all lie on one grid. A grid seen too coarse
    (a step that never came) makes the uncertainty larger, never smaller.

    values : shape (n,); NaN where nothing was read
    """
    levels = np.unique(np.round(values[np.isfinite(values)], 9))
    if len(levels) < 3:
        return None
    step = float(np.min(np.diff(levels)))
    places = (levels - levels[0]) / step
    if np.max(np.abs(places - np.round(places))) > 0.02 * max(1.0, step):
        return None
    exact = (levels[-1] - levels[0]) / round(float(places[-1]))
    return float(f"{exact:.6g}")


def _instrument(channel: Column, vocabulary: Vocabulary) -> Instrument | None:
    if (
        not isinstance(channel, Channel)
        or channel.drift is None
        or (channel.certificate_u is None and channel.certificate_u_percent is None)
    ):
        return None
    size = _size(channel, vocabulary)
    return Instrument(
        certificate=channel.certificate or "not named",
        expanded=None if channel.certificate_u is None else channel.certificate_u * size,
        percent=channel.certificate_u_percent,
        coverage=channel.certificate_k,
        drift=channel.drift * size,
    )


def _unused(cells: Cells, mapped: MappedTable) -> tuple[str, ...]:
    mapping = mapped.mapping
    named = [mapping.time.column, mapping.time.date_column, mapping.whose.column]
    named += [one.column for one in mapping.channel]
    used = {
        at
        for column in named
        if column and isinstance(at := place(cells.header, cells.width, column), int)
    }
    return tuple(name for i, name in enumerate(cells.header) if i not in used and name)
