"""A mapping: which column of a log is what, in which unit and zone. Written once, remembered."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from warmhold.bench.reading.strict import read_source, validated
from warmhold.bench.reading.units import BENCH
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.model.base import Between, Frozen, Moment, Text
from warmhold.model.checks import Values
from warmhold.model.explain import Problem
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.syntax import Source, parse
from warmhold.model.words import nearest, value_text

ASK = "?"  # stands in a proposed mapping where a person has to decide
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
ELAPSED = {"elapsed_s": 1.0, "elapsed_min": 60.0, "elapsed_h": 3600.0}
SINCE_1970 = {"unix_s": 1.0, "unix_ms": 0.001}
NAMED_FORMATS = ("iso", *SINCE_1970, *ELAPSED)
NOTHING_READ = ("", "-", "--", "---", "NaN", "nan", "NA", "N/A", "n/a", "null")

_POSITIVE = Between(0, above=True)


class Times(Frozen):
    """Where the times stand, how they are written and of which zone they are."""

    column: Text
    date_column: Text | None = None
    format: Text
    zone: Text | None = None
    start: Moment | None = None
    ambiguous: Literal["refuse", "order"] = "refuse"
    backwards: Literal["refuse", "sort"] = "refuse"
    backwards_why: Text | None = None
    repeats: Literal["refuse", "first", "mean"] = "refuse"


class OfUnit(Frozen):
    """Which unit the log is of: a column that names it, or its name."""

    column: Text | None = None
    name: Text | None = None


class Column(Frozen):
    """One column: what it holds, and in which unit."""

    name: Text
    column: Text
    unit: Text | None = None
    step: Annotated[float, _POSITIVE] | None = None
    words: dict[str, str] = {}  # noqa: RUF012  pydantic copies it


class Channel(Column):
    """One channel: its column, its unit, and the certificate of what measured it."""

    certificate: Text | None = None
    certificate_u: Annotated[float, Between(0)] | None = None
    certificate_u_percent: Annotated[float, Between(0, 100)] | None = None
    certificate_k: Annotated[float, Between(1, 4)] = 2.0
    drift: Annotated[float, Between(0)] | None = None


class TableMapping(Frozen):
    """How to read tables of one header, whatever they are of."""

    format: Literal[1]
    name: Text
    fingerprint: Text | None = None
    delimiter: Literal["comma", "semicolon", "tab", "bar"]
    decimal: Literal["point", "comma"]
    header_row: Annotated[int, Between(0, 1000, whole=True)] = 1
    encoding: Literal["utf-8", "utf-16", "latin-1"] = "utf-8"
    missing: tuple[str, ...] = NOTHING_READ
    time: Times
    channel: tuple[Column, ...]

    @property
    def whose(self) -> OfUnit:
        """What the table is of."""
        raise NotImplementedError


class LogMapping(TableMapping):
    """How to read logs of one header."""

    unit: OfUnit
    channel: tuple[Channel, ...]

    @property
    def whose(self) -> OfUnit:
        """Which unit the log is of."""
        return self.unit


@dataclass(frozen=True)
class MappedTable:
    """A mapping with the place of every key, so that what a file shows can be told there."""

    mapping: TableMapping
    source: Source
    vocabulary: Vocabulary

    def fault(self, path: tuple[str | int, ...], found: str, allowed: str, todo: str) -> Fault:
        """Make a fault at a key of the mapping."""
        return Problem(path, found, allowed, todo).fault(self.source.file, self.source.lines)


@dataclass(frozen=True)
class Mapped(MappedTable):
    """The mapping of a log of the bench."""

    mapping: LogMapping
    vocabulary: Vocabulary = BENCH


def load_mapping(path: Path) -> Mapped:
    """Read a mapping file.

    Raises ``FaultyInput`` with all faults, each with its line.
    """
    return _mapped(read_source(path))


def parse_mapping(text: str, origin: str) -> Mapped:
    """Read a mapping from text; ``origin`` names it in faults.

    Raises ``FaultyInput``.
    """
    source = parse(text, origin)
    if isinstance(source, Fault):
        raise FaultyInput((source,))
    return _mapped(source)


def _mapped(source: Source) -> Mapped:
    return Mapped(validated(LogMapping, source, checks(BENCH)), source)


def fingerprint(header: Sequence[str]) -> str:
    """Return the fingerprint of a header line: 16 hexadecimal digits.

    Case and blanks around a name do not count; the order of the columns does.
    """
    plain = "\x1f".join(" ".join(cell.split()).casefold() for cell in header)
    return hashlib.sha256(plain.encode("utf-8")).hexdigest()[:16]


# --- checks between keys ------------------------------------------------------------------------


def checks(vocabulary: Vocabulary) -> Callable[[Values], Iterator[Problem]]:
    """Return what tells every contradiction between the keys of a mapping."""

    def check(values: Values) -> Iterator[Problem]:
        yield from check_times(values, vocabulary)
        yield from _check_marks(values)
        yield from check_whose(values, vocabulary)
        yield from check_columns(values, vocabulary)

    return check


def _check_marks(values: Values) -> Iterator[Problem]:
    if values.at("delimiter") == "comma" and values.at("decimal") == "comma":
        yield Problem(
            ("decimal",), '"comma" with delimiter = "comma"', '"point" when commas part the cells',
            "check one line of the log in an editor",
        )  # fmt: skip


def check_columns(values: Values, vocabulary: Vocabulary) -> Iterator[Problem]:
    """Tell what contradicts itself in the tables ``[[channel]]``."""
    seen: dict[str, int] = {}
    for row in values.rows("channel"):
        name = values.at("channel", row, "name")
        if isinstance(name, str):
            if name in seen and name != ASK:
                yield Problem(
                    ("channel", row, "name"),
                    f"{value_text(name)}, as in channel {seen[name] + 1}",
                    "each channel once",
                    "take one of the two out",
                )
            seen.setdefault(name, row)
            yield from _check_channel(values, row, name, vocabulary)


def check_times(values: Values, vocabulary: Vocabulary) -> Iterator[Problem]:
    """Tell what contradicts itself in the table ``[time]``."""
    how = values.at("time", "format")
    if isinstance(how, str):
        yield from _check_format(how)
    zone = values.at("time", "zone")
    if isinstance(zone, str):
        problem = zone_problem(zone)
        if problem is not None:
            yield Problem(("time", "zone"), value_text(zone), *problem)
    needs_start = vocabulary.stated_start and isinstance(how, str) and how in ELAPSED
    if needs_start and not values.stands("time", "start"):
        yield Problem(
            ("time", "start"), "nothing", "the moment of 0, such as 2026-01-14T02:40:00+00:00",
            "add start = ... to [time]: the column counts from it",
        )  # fmt: skip
    if values.at("time", "backwards") == "sort" and not values.stands("time", "backwards_why"):
        yield Problem(
            ("time", "backwards_why"), "nothing", "why the rows may be sorted, in words",
            'say it, such as backwards_why = "two files were joined in the wrong order"',
        )  # fmt: skip


def _check_format(how: str) -> Iterator[Problem]:
    allowed = "one of " + ", ".join(NAMED_FORMATS) + ", or directives such as %d.%m.%Y %H:%M:%S"
    if how == ASK:
        yield Problem(
            ("time", "format"), '"?"', allowed,
            "say which number is the day and which the month: look at a date after the 12th",
        )  # fmt: skip
        return
    if how in NAMED_FORMATS:
        return
    needs = (("%Y", "%y", "%c", "%x"), ("%m", "%b", "%B", "%c", "%x", "%j"), ("%H", "%I", "%T"))
    if not all(any(one in how for one in group) for group in needs) or "%M" not in how:
        near = nearest(how, NAMED_FORMATS)
        yield Problem(
            ("time", "format"), value_text(how), allowed,
            f'write "{near}"' if near else "give year, month, day, hour and minute",
        )  # fmt: skip


def zone_problem(zone: str) -> tuple[str, str] | None:
    """Say what is allowed and what to do when a text is no zone; ``None`` when it is one."""
    allowed = 'a zone such as "Europe/Lisbon", an offset such as "+01:00", or "UTC"'
    if zone == ASK:
        return allowed, "ask who set the logger's clock; it is never guessed"
    if zone == "UTC" or re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", zone):
        return None
    if "/" in zone and zone in _zones():
        ZoneInfo(zone)
        return None
    if re.fullmatch(r"[A-Z]{3,5}", zone):
        return allowed, "an abbreviation means several zones: write the offset or the place"
    near = nearest(zone, sorted(_zones())) if "/" in zone else None
    return allowed, f'write "{near}"' if near else "check the spelling"


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def check_whose(values: Values, vocabulary: Vocabulary) -> Iterator[Problem]:
    """Tell what contradicts itself where a mapping says what a file is of."""
    whose, asked = vocabulary.whose, vocabulary.asked
    if not values.stands(whose):
        return
    named, column = values.stands(whose, "name"), values.stands(whose, "column")
    if named and values.at(whose, "name") == ASK:
        yield Problem(
            (whose, "name"), '"?"', f"the name of the {asked} that the log is of",
            f"write the name as the {asked}'s file has it" if whose == "unit"
            else f"write which {asked} told this, such as its kind and where it stands",
        )  # fmt: skip
    if named == column:
        yield Problem(
            (whose,),
            "both column and name" if named else "neither column nor name",
            f"the column that names the {asked}, or its name",
            "keep the column" if named else f'add name = "..." to [{whose}]',
        )


def _check_channel(
    values: Values, row: int, name: str, vocabulary: Vocabulary
) -> Iterator[Problem]:
    path = ("channel", row)
    known, units = vocabulary.known, vocabulary.units_for
    if name == ASK:
        yield Problem(
            (*path, "name"), '"?"', "one of " + ", ".join(known),
            "say what the column holds; where it was measured is never guessed",
        )  # fmt: skip
        return
    if name not in known:
        near = nearest(name, known)
        yield Problem(
            (*path, "name"), value_text(name), "one of " + ", ".join(known),
            f'write "{near}"' if near else "choose what the column holds",
        )  # fmt: skip
        return
    unit = values.at(*path, "unit")
    if name in vocabulary.words:
        yield from _check_words(values, row, vocabulary.words[name])
        return
    if isinstance(unit, str) and vocabulary.unit_named(unit) in units(name):
        pass
    elif isinstance(unit, str) or not values.stands(*path, "unit"):
        yield Problem(
            (*path, "unit"),
            value_text(unit) if isinstance(unit, str) else "nothing",
            "one of " + ", ".join(units(name)),
            f"say in which unit {name} is written; it is never guessed",
        )
    if values.stands(*path, "words"):
        yield Problem((*path, "words"), "words for a channel of numbers", "none", "take words out")
    certified = [
        key for key in ("certificate_u", "certificate_u_percent") if values.stands(*path, key)
    ]
    if len(certified) == 2:
        yield Problem(
            (*path, "certificate_u_percent"), "two uncertainties", "one of the two",
            "keep the one that stands in the certificate",
        )  # fmt: skip
    if certified and not values.stands(*path, "drift"):
        yield Problem(
            (*path, "drift"), "nothing", "0 or more, in the channel's unit",
            "add the largest drift since the calibration; 0 only if it was checked",
        )  # fmt: skip


def _check_words(values: Values, row: int, ours_all: tuple[str, ...]) -> Iterator[Problem]:
    given = values.at("channel", row, "words")
    if not given:
        yield Problem(
            ("channel", row, "words"), "nothing",
            "the log's own word for each of " + ", ".join(ours_all),
            f'add words = {{ "..." = "{ours_all[0]}", ... }}',
        )  # fmt: skip
        return
    for theirs, ours in given.items():
        if ours in ours_all:
            continue
        near = nearest(str(ours), ours_all)
        yield Problem(
            ("channel", row, "words", theirs), value_text(ours), "one of " + ", ".join(ours_all),
            f'write "{near}"' if near else "choose what it means",
        )  # fmt: skip
