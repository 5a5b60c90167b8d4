"""Mappings of trends: of a table as of a bench log, of signals by their names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from warmhold.bench.reading.mapping import (
    Column,
    MappedTable,
    OfUnit,
    TableMapping,
    check_columns,
    check_times,
    check_whose,
    checks,
    fingerprint,
    zone_problem,
)
from warmhold.bench.reading.strict import read_source, validated
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.exchange.trends.vocabulary import WHOSE, quantities
from warmhold.model.base import Between, Frozen, Moment, Text
from warmhold.model.explain import Problem
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.syntax import Source, parse
from warmhold.model.words import value_text

LONGEST_MAPPING = 200_000  # characters

_Number = Annotated[float, Between(-1e9, 1e9)]


class TrendColumn(Column):
    """One column or signal, and what its device writes when it reads nothing.

    nothing : values that mean so, in the file's unit
    file_unit : of a signal: the file's own word for the unit, where it is not one that is known
    held_s : a value that stands unchanged for longer counts as not read from then on [s]
    """

    nothing: tuple[_Number, ...] = ()
    file_unit: Text | None = None
    held_s: Annotated[float, Between(0, 86_400, above=True)] | None = None


class TrendTable(TableMapping):
    """How to read tables of one header: a text file, or a sheet of a spreadsheet.

    sheet : name of the sheet; the only one if not given
    """

    delimiter: Literal["comma", "semicolon", "tab", "bar"] = "comma"
    decimal: Literal["point", "comma"] = "point"
    sheet: Text | None = None
    source: OfUnit
    channel: tuple[TrendColumn, ...]

    @property
    def whose(self) -> OfUnit:
        """Which monitor or logger the table is of."""
        return self.source


class SignalTimes(Frozen):
    """Of which zone the clock of a record is, or when it began."""

    zone: Text | None = None
    start: Moment | None = None


class SourceName(Frozen):
    """Which monitor or logger it is of."""

    name: Text


class TrendSignals(Frozen):
    """How to read records of signals with one set of names."""

    format: Literal[1]
    name: Text
    fingerprint: Text | None = None
    time: SignalTimes = SignalTimes()
    source: SourceName
    channel: tuple[TrendColumn, ...]


@dataclass(frozen=True)
class MappedTrend(MappedTable):
    """The mapping of a table."""

    mapping: TrendTable


@dataclass(frozen=True)
class MappedSignals:
    """The mapping of a record of signals, with the place of every key."""

    mapping: TrendSignals
    source: Source

    @property
    def vocabulary(self) -> Vocabulary:
        """What the signals can hold."""
        return quantities()

    def fault(self, path: tuple[str | int, ...], found: str, allowed: str, todo: str) -> Fault:
        """Make a fault at a key of the mapping."""
        return Problem(path, found, allowed, todo).fault(self.source.file, self.source.lines)


AnyMapped = MappedTrend | MappedSignals


def load_mapping(path: Path, of_signals: bool) -> AnyMapped:
    """Read the mapping file of a table, or of signals.

    Raises ``FaultyInput`` with all faults, each with its line.
    """
    return _mapped(read_source(path), of_signals)


def parse_mapping(text: str, origin: str, of_signals: bool) -> AnyMapped:
    """Read a mapping from text; ``origin`` names it in faults.

    Raises ``FaultyInput``.
    """
    if len(text) > LONGEST_MAPPING:
        raise FaultyInput((Fault(origin, None, "", "too long a text", "a mapping", "check it"),))
    source = parse(text, origin)
    if isinstance(source, Fault):
        raise FaultyInput((source,))
    return _mapped(source, of_signals)


def stated(mapped: AnyMapped, zone: str | None, start: Any, source: str | None) -> AnyMapped:
    """Put in place what was stated for one file: zone, start and source.

    start : a moment with its zone

    Raises ``FaultyInput`` when that is no zone or source.
    """
    if zone is not None and (problem := zone_problem(zone)) is not None:
        raise FaultyInput((Fault("what was stated", None, "zone", value_text(zone), *problem),))
    if source is not None and not (0 < len(source.strip()) <= 150 and source.isprintable()):
        fault = Fault(
            "what was stated", None, "source", value_text(source), "a name of 1 to 150 characters",
            "write which monitor or logger told this",
        )  # fmt: skip
        raise FaultyInput((fault,))
    at = {name: value for name, value in (("zone", zone), ("start", start)) if value is not None}
    mapping = mapped.mapping
    times: Any = mapping.time.model_copy(update=at)
    update: dict[str, Any] = {"time": times}
    if source is not None:
        whose = OfUnit(name=source.strip())
        update["source"] = SourceName(name=source.strip()) if is_of_signals(mapped) else whose
    changed: Any = mapping.model_copy(update=update)
    if isinstance(mapped, MappedSignals):
        return MappedSignals(changed, mapped.source)
    return MappedTrend(changed, mapped.source, mapped.vocabulary)


def is_of_signals(mapped: AnyMapped) -> bool:
    """Whether a mapping is of signals."""
    return isinstance(mapped, MappedSignals)


def _mapped(source: Source, of_signals: bool) -> AnyMapped:
    if of_signals:
        return MappedSignals(validated(TrendSignals, source, _check_signals), source)
    table = validated(TrendTable, source, checks(quantities()))
    return MappedTrend(table, source, quantities())


def _check_signals(values: Any) -> Any:
    yield from check_times(values, quantities())
    yield from check_whose(values, quantities())
    yield from check_columns(values, quantities())


__all__ = [
    "WHOSE",
    "AnyMapped",
    "MappedSignals",
    "MappedTrend",
    "TrendColumn",
    "TrendSignals",
    "TrendTable",
    "fingerprint",
    "is_of_signals",
    "load_mapping",
    "parse_mapping",
    "stated",
]
