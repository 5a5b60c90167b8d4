"""From a file and its mapping to one recorded trend, or every reason why not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
import tomli_w

from warmhold.bench.reading import Proposal
from warmhold.bench.reading.mapping import ASK, ELAPSED, fingerprint
from warmhold.bench.reading.propose import (
    channels_for,
    head_text,
    mapping_text,
    open_keys,
    propose,
    proposed,
)
from warmhold.bench.reading.reader import check_unit, read_rows
from warmhold.bench.reading.remember import header_by, mappings_that_fit
from warmhold.bench.reading.strict import read_bytes
from warmhold.bench.reading.table import LARGEST_LOG, place, read_cells
from warmhold.bench.reading.times import zone_of
from warmhold.exchange.trends.mapping import (
    AnyMapped,
    MappedSignals,
    MappedTrend,
    TrendColumn,
    load_mapping,
)
from warmhold.exchange.trends.recorded import (
    Recorded,
    Series,
    rows_of,
    slowest_of,
    without_held,
)
from warmhold.exchange.trends.sheets import sheet_cells, sheet_top
from warmhold.exchange.trends.signals import Signals, read_edf, read_wfdb, read_wfdb_zip
from warmhold.exchange.trends.vocabulary import quantities
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import nearest, plain, value_text

Sort = Literal["table", "sheet", "edf", "wfdb", "zip"]
SORTS: Mapping[str, Sort] = {
    ".csv": "table", ".txt": "table", ".tsv": "table", ".xlsx": "sheet", ".edf": "edf",
    ".bdf": "edf", ".hea": "wfdb", ".zip": "zip",
}  # fmt: skip
NO_UNIT = ("", "nu", "nd", "-", "?")  # a signal's unit that says nothing
FEWEST_ROWS = 2
_YEARS = (2000, 2100)


@dataclass(frozen=True)
class File:
    """A file of a trend on this computer.

    name : how it is called to people
    """

    path: Path
    name: str

    @property
    def sort(self) -> Sort:
        """What it is, by the end of its name.

        Raises ``FaultyInput``.
        """
        found = SORTS.get(Path(self.name).suffix.lower())
        if found is None:
            ends = ", ".join(SORTS)
            fault = Fault(
                self.name, None, "", "a name that ends in none of these", ends,
                "give the file the end that says what it is",
            )  # fmt: skip
            raise FaultyInput((fault,))
        return found

    @property
    def of_signals(self) -> bool:
        """Whether it holds signals, not a table."""
        return self.sort in ("edf", "wfdb", "zip")


def file_at(path: Path) -> File:
    """Return the file at a path, called by its own name."""
    return File(path, path.name)


def read_trend(file: File, mapped: AnyMapped) -> Recorded:
    """Read a trend, every row of it.

    Raises ``FaultyInput`` with every reason why it cannot be read.
    """
    if isinstance(mapped, MappedSignals) != file.of_signals:
        found = "a mapping of signals" if isinstance(mapped, MappedSignals) else "one of a table"
        raise _fault(file.name, found, "a mapping for this sort of file", "let one be proposed")
    if isinstance(mapped, MappedTrend):
        return _from_table(file, mapped)
    return _from_signals(file, mapped)


def _fault(file: str, found: str, allowed: str, todo: str, key: str = "") -> FaultyInput:
    return FaultyInput((Fault(file, None, key, found, allowed, todo),))


# --- tables -------------------------------------------------------------------------------------


def _from_table(file: File, mapped: MappedTrend) -> Recorded:
    mapping = mapped.mapping
    if mapping.time.format in ELAPSED and mapping.time.start is None:
        raise _no_start(file, "the column counts from a moment that the file does not say")
    try:
        if file.sort == "sheet":
            cells = sheet_cells(read_bytes(file.path, LARGEST_LOG), mapping, file.name)
        else:
            cells = read_cells(file.path, mapping)
        reading = read_rows(cells, mapped, file.name, file.name)
    except FaultyInput as error:
        raise _called(error, file) from error
    log = reading.log
    numbers = {key: Series(log.seconds, values) for key, values in log.numbers.items()}
    return _recorded(
        file, mapped, log.unit, log.start_utc, numbers, log.fingerprint, log.noticed,
        reading.unused,
    )  # fmt: skip


def _called(error: FaultyInput, file: File) -> FaultyInput:
    """Call the file in faults as people call it."""
    return FaultyInput(
        tuple(
            Fault(file.name, one.line, one.key, one.found, one.allowed, one.todo)
            if one.file == str(file.path)
            else one
            for one in error.faults
        )
    )


def _no_start(file: File, why: str) -> FaultyInput:
    return _fault(
        file.name, why, "the moment of its first row, such as 2026-01-14T02:40:00+00:00",
        "state it for this file: --start on the command line, or the field of the page", "start",
    )  # fmt: skip


# --- signals ------------------------------------------------------------------------------------


def read_signals(file: File) -> Signals:
    """Read the signals of a file as they are.

    Raises ``FaultyInput``.
    """
    try:
        if file.sort == "edf":
            return read_edf(file.path, file.name)
        if file.sort == "zip":
            return read_wfdb_zip(read_bytes(file.path, LARGEST_LOG), file.name)
        return read_wfdb(file.path, file.name)
    except FaultyInput as error:
        raise _called(error, file) from error


def _from_signals(file: File, mapped: MappedSignals) -> Recorded:
    found = read_signals(file)
    mapping, faults = mapped.mapping, []
    own = fingerprint(found.header)
    if mapping.fingerprint is not None and mapping.fingerprint != own:
        faults.append(
            mapped.fault(
                ("fingerprint",), f"{plain(mapping.fingerprint)}; the signals have {own}",
                "the fingerprint of the signals",
                "this record has other signals: check them and write a mapping of its own",
            )
        )  # fmt: skip
    names = [one.name for one in found.signals]
    numbers: dict[str, Series] = {}
    used: set[int] = set()
    for row, channel in enumerate(mapping.channel):
        at = place(names, len(names), channel.column)
        if isinstance(at, str):
            faults.append(_no_signal(mapped, row, channel, at, names))
            continue
        used.add(at)
        signal = found.signals[at]
        unit = quantities().unit_named(channel.unit or "") or ""
        _check_physical(mapped, row, channel, signal.unit, unit, faults)
        check_unit("", signal.values, row, channel, mapped, faults)
        values = quantities().to_base(channel.name, unit, signal.values)
        numbers[channel.name] = Series(signal.seconds, values)
    start = mapping.time.start or _clock_start(file, found, mapped, faults)
    if faults or start is None:
        raise FaultyInput(tuple(faults))
    unused = tuple(one for at, one in enumerate(names) if at not in used and one)
    said = [
        one for one in found.noticed if any(f"“{c.column}”" in one for c in mapping.channel)
    ]  # fmt: skip
    return _recorded(
        file, mapped, mapping.source.name, start.astimezone(UTC), numbers, found.fingerprint,
        said, unused,
    )  # fmt: skip


def _no_signal(
    mapped: MappedSignals, row: int, channel: TrendColumn, why: str, names: Sequence[str]
) -> Fault:
    near = nearest(channel.column, names)
    return mapped.fault(
        ("channel", row, "column"),
        f"{value_text(channel.column)}: {why.replace('column', 'signal')}",
        "a signal of the record: " + plain(", ".join(names))[:300],
        f'write "{plain(near)}"' if near and why.startswith("no") else
        "check it against the record's signals; a number such as #3 names the third",
    )  # fmt: skip


def _check_physical(
    mapped: MappedSignals, row: int, channel: TrendColumn, said: str, unit: str,
    faults: list[Fault],
) -> None:  # fmt: skip
    """Tell a unit of the mapping that the file itself contradicts."""
    if said.lower() in NO_UNIT or channel.file_unit == said:
        return
    if quantities().unit_named(said) == unit:
        return
    faults.append(
        mapped.fault(
            ("channel", row, "unit"),
            f"{value_text(channel.unit)}; the file says {value_text(said)}",
            "the unit that the file says",
            "check that this is the right signal; if the file's word means this unit, write "
            f'file_unit = "{plain(said)}" at the channel',
        )
    )  # fmt: skip


def _clock_start(
    file: File, found: Signals, mapped: MappedSignals, faults: list[Fault]
) -> datetime | None:
    """Bring the record's own start into UTC; its zone is stated, never guessed."""
    if found.start is None:
        faults += _no_start(file, "no start time in the record").faults
        return None
    zone = mapped.mapping.time.zone
    if zone is None:
        faults.append(
            mapped.fault(
                ("time", "zone"), f"nothing, and the record begins at {found.start.isoformat(' ')} "
                "of a clock whose zone it does not say",
                'a zone such as "Europe/Lisbon", an offset such as "+01:00", or "UTC"',
                "ask who set the device's clock; it is never guessed",
            )
        )  # fmt: skip
        return None
    sides = [found.start.replace(tzinfo=zone_of(zone), fold=fold) for fold in (0, 1)]
    if sides[0].utcoffset() != sides[1].utcoffset():
        faults.append(
            mapped.fault(
                ("time", "zone"), f"{found.start.isoformat(' ')}, an hour that came twice or never "
                f"in {zone}", "a start that means one moment", "give the offset as zone",
            )
        )  # fmt: skip
        return None
    return sides[0]


# --- both ---------------------------------------------------------------------------------------


def _recorded(
    file: File, mapped: AnyMapped, source: str, start: datetime, numbers: Mapping[str, Series],
    digest: str, noticed: Iterable[str], unused: Sequence[str],
) -> Recorded:  # fmt: skip
    if not numbers:
        raise _fault(file.name, "a mapping without a channel", "at least one", "add [[channel]]")
    if not _YEARS[0] <= start.year <= _YEARS[1]:
        raise _fault(file.name, f"a start in {start.year}", f"years {_YEARS[0]} to {_YEARS[1]}",
                     "state the start", "start")  # fmt: skip
    endless = [
        channel.column
        for channel in mapped.mapping.channel
        if bool(np.isinf(numbers[channel.name].values).any())
    ]
    if endless:
        raise _fault(
            file.name, f"a number past all numbers in {plain(', '.join(endless))}",
            "numbers that can be written", "mend these cells",
        )  # fmt: skip
    said = [one for one in noticed if "as a rule" not in one and " times in UTC: " not in one]
    said = [one for one in said if quantities().odd not in one]
    kept: dict[str, Series] = {}
    for channel in mapped.mapping.channel:
        one, more = _not_read(numbers[channel.name], channel)
        kept[channel.name] = one
        said += more
    seconds, values = rows_of(kept)
    if len(seconds) < FEWEST_ROWS:
        raise _fault(file.name, f"{len(seconds)} row", "at least two rows", "check the file")
    try:
        start + timedelta(seconds=float(seconds[-1]))
    except OverflowError:
        raise _fault(file.name, "a time past all calendars", "one trip", "check it") from None
    columns = ", ".join(
        f"{one.name} from “{one.column}” in {one.unit}" for one in mapped.mapping.channel
    )
    said.append(f"read by the mapping “{mapped.mapping.name}”: {columns}"[:2000])
    shown = tuple(plain(one) for one in said)
    return Recorded(
        source.strip(),
        start,
        seconds,
        values,
        file.name,
        digest,
        shown,
        tuple(unused),
        slowest_of(kept),
    )


def _not_read(one: Series, channel: TrendColumn) -> tuple[Series, list[str]]:
    """Take out what the mapping says means that nothing was read."""
    said = []
    if channel.nothing:
        unit = quantities().unit_named(channel.unit or "") or ""
        marks = quantities().to_base(channel.name, unit, np.array(channel.nothing))
        out = np.isin(one.values, marks) | np.any(
            np.isclose(one.values[:, None], marks[None, :], rtol=0, atol=1e-9), axis=1
        )
        if out.any():
            said.append(f"{channel.name}: {int(out.sum())} readings mean that nothing was read")
        one = Series(one.seconds, np.where(out, np.nan, one.values))
    if channel.held_s is not None:
        one, count = without_held(one, channel.held_s)
        if count:
            said.append(
                f"{channel.name}: {count} readings were taken out, the same for over "
                f"{channel.held_s:g} s"
            )
    return one, said


# --- mappings -----------------------------------------------------------------------------------


def find_mappings(file: File, folder: Path) -> tuple[Path, ...]:
    """Return the mapping files of a folder that were made for the header of this file.

    Raises ``FaultyInput`` when the file cannot be read.
    """
    if not folder.is_dir():
        return ()
    if file.of_signals:
        header = read_signals(file).header
        return mappings_that_fit(lambda raw: header if "source" in raw else None, folder)
    content = read_bytes(file.path, LARGEST_LOG)
    tops: dict[Any, Sequence[str] | None] = {}

    def header_of(raw: Mapping[str, Any]) -> Sequence[str] | None:
        if "source" not in raw:
            return None
        if file.sort == "table":
            return header_by({"delimiter": "comma", **raw}, content, file.name)
        sheet = raw.get("sheet")
        if sheet not in tops:
            try:
                tops[sheet] = sheet_top(content, sheet, file.name)[2][0]
            except FaultyInput:
                tops[sheet] = None
        header = list(tops[sheet] or ())
        while header and not header[-1]:
            header.pop()
        return header or None

    return mappings_that_fit(header_of, folder)


def remembered(file: File, folder: Path) -> AnyMapped | None:
    """Return the mapping that is remembered for files like this one.

    Raises ``FaultyInput`` when it has faults, or several fit.
    """
    found = find_mappings(file, folder)
    if len(found) > 1:
        names = ", ".join(one.name for one in found)
        raise _fault(names, "several mappings for these columns", "one of them", "name one")
    return load_mapping(found[0], file.of_signals) if found else None


def header_of(file: File, mapped: AnyMapped) -> tuple[str, ...]:
    """Return the header that a mapping sees; empty for a table without one.

    Raises ``FaultyInput``.
    """
    if isinstance(mapped, MappedSignals):
        return read_signals(file).header
    if file.sort == "sheet":
        content = read_bytes(file.path, LARGEST_LOG)
        return sheet_cells(content, mapped.mapping, file.name).header
    return read_cells(file.path, mapped.mapping).header


def propose_mapping(file: File, sheet: str | None = None) -> Proposal:
    """Propose a mapping from the header of a table, or from the signals of a record.

    sheet : of a spreadsheet with several

    Raises ``FaultyInput``.
    """
    try:
        if file.sort == "table":
            found = propose(file.path, quantities())
            given = f"columns of {file.path.name}"
            return Proposal(
                found.text.replace(given, _toml_plain(f"columns of {file.name}")), found.told,
                found.open, found.left,
            )  # fmt: skip
        if file.sort == "sheet":
            content = read_bytes(file.path, LARGEST_LOG)
            row, name, top = sheet_top(content, sheet, file.name)
            header = [" ".join(cell.split()) for cell in top[0]]
            while header and not header[-1]:
                header.pop()
            rows = [one[: len(header)] for one in top[1:]]
            layout = {"sheet": name, "header_row": row}
            return proposed(header, rows, _toml_plain(file.name), layout, quantities())
    except FaultyInput as error:
        raise _called(error, file) from error
    return _propose_signals(file, read_signals(file))


def _propose_signals(file: File, found: Signals) -> Proposal:
    channels, told, left = channels_for(found.header, [], set(), quantities())
    by_title = {one.titled: one for one in found.signals}
    for one in channels:
        signal = by_title[str(one["column"])]
        one["column"] = signal.name
        known = quantities().unit_named(signal.unit)
        name = str(one["name"])
        fits = name == ASK or known in quantities().units_for(name)
        one["unit"] = known if known is not None and fits else ASK
    times: dict[str, object] = {"zone": ASK}
    document: dict[str, object] = {
        "format": 1,
        "name": f"signals of {_toml_plain(file.name)}"[:200],
        "fingerprint": fingerprint(found.header),
        "time": times,
        "source": {"name": ASK},
        "channel": channels,
    }
    text = head_text(quantities()) + mapping_text(document)
    if found.start is None:
        text += "\n# The record has no start: it is stated for each file, with --start.\n"
    names = tuple(by_title[one].name for one in left)
    return Proposal(text, tuple(told), tuple(open_keys(document, quantities())), names)


def _toml_plain(text: str) -> str:
    return "".join(
        char for char in text.replace("\\", "/").replace('"', "'") if char.isprintable()
    )  # fmt: skip


def said_text(every_s: float, zone: str | None, start: datetime | None, source: str | None) -> str:
    """Return what was stated for one file beside its mapping, in one form, for its form id."""
    at = "" if start is None else start.astimezone(UTC).isoformat()
    return tomli_w.dumps({"every_s": every_s, "zone": zone or "", "start": at,
                          "source": source or ""})  # fmt: skip
