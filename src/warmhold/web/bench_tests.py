"""Bench tests that go into the record: logs and mappings kept, results in one signed entry.

Pages and commands share this. In the service's folder lie ``logs`` (by their content), ``mappings``
(remembered by the header of a log), ``limits`` (own sets) and ``reports`` (pages to print).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final, cast

from warmhold import __version__
from warmhold.bench.limits import USUAL, LimitSet, check_kind, find_set, load_set, shipped_sets
from warmhold.bench.reading import (
    Mapped,
    Proposal,
    Reading,
    find_mappings,
    fingerprint,
    load_mapping,
    parse_mapping,
    propose,
    read_log,
)
from warmhold.bench.reading.table import read_cells
from warmhold.bench.trials import Bench, Result, as_plain, possible, worst
from warmhold.bench.uncertainty import Verdict
from warmhold.model import Fault, FaultyInput
from warmhold.model.load import DATA
from warmhold.record.chain import Event
from warmhold.record.views import corrected
from warmhold.record.whole_files import write_bytes, write_text
from warmhold.report import bench as report
from warmhold.web.library import NAME
from warmhold.web.posted import FORM_ID

LOGS: Final = "logs"
MAPPINGS: Final = "mappings"
LIMITS: Final = "limits"
REPORTS: Final = "reports"
KEY: Final = re.compile(r"[0-9a-f]{16}")
PRIVATE: Final = 0o600
ANY: Final = "any"  # unit: of a log that names its unit in a column
LONGEST_MAPPING: Final = 200_000  # characters
AHEAD: Final = timedelta(minutes=10)  # a logger's clock may be this much ahead of this computer's
OWN: Final = "own/"  # before the name of an own set of limits


# --- logs ---------------------------------------------------------------------------------------


def keep_log(folder: Path, content: bytes) -> Path:
    """Keep a log by its content; one that is there is never written over.

    Raises ``OSError``.
    """
    digest = hashlib.sha256(content).hexdigest()
    path = folder / LOGS / f"{digest[:16]}.csv"
    if path.exists():
        if hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            raise OSError(f"{path.name} is there and holds something else")
        return path
    write_bytes(path, content, PRIVATE)
    return path


def kept_log(folder: Path, key: str) -> Path | None:
    """Return a kept log by the first 16 digits of its SHA-256."""
    if not KEY.fullmatch(key):
        return None
    path = folder / LOGS / f"{key}.csv"
    return path if path.is_file() else None


def read_kept(path: Path, mapped: Mapped, unit: str, name: str, now: datetime) -> Reading:
    """Read a kept log under the name that it came with.

    unit : name of the unit that it has to be of
    now : the moment, UTC; a log that ends later is refused

    Raises ``FaultyInput``.
    """
    try:
        found = read_log(path, mapped, unit)
    except FaultyInput as error:
        told = (
            replace(one, file=name) if one.file == str(path) else one for one in error.faults
        )  # fmt: skip
        raise FaultyInput(tuple(told)) from error
    log = found.log
    end = log.start_utc + timedelta(seconds=float(log.seconds[-1]))
    if end > now + AHEAD:
        raise FaultyInput(
            (
                mapped.fault(
                    ("time",), f"a log that ends at {end:%Y-%m-%d %H:%M} UTC, still to come",
                    "readings that were made", "check zone and format in [time]",
                ),
            )
        )  # fmt: skip
    columns = ", ".join(f"{one.name} from “{one.column}”" for one in mapped.mapping.channel)
    said = [f"read by the mapping “{mapped.mapping.name}”: {columns}"]
    if found.unused:
        said.append(f"columns not used: {', '.join(found.unused)}")
    return replace(found, log=replace(log, name=name, noticed=(*log.noticed, *said)))


def ended_at(reading: Reading) -> datetime:
    """Return the moment of a log's last reading."""
    log = reading.log
    return log.start_utc + timedelta(seconds=float(log.seconds[-1]))


# --- mappings -----------------------------------------------------------------------------------


def mapping_of(folder: Path, log: Path, key: str, unit: str) -> Mapped | None:
    """Return the mapping that is remembered for a log of this unit.

    key, unit : of the unit, in the library and in its profile. A mapping that names another unit
        is not for this one. The shipped log brings its own.

    Raises ``FaultyInput`` when the mapping has faults, or several fit.
    """
    found: list[Mapped] = []
    where = folder / MAPPINGS
    for path in find_mappings(log, where) if where.is_dir() else ():
        try:
            mapped = load_mapping(path)
        except FaultyInput:
            if not path.stem.startswith(f"{key}-"):
                continue
            raise
        if _is_for(mapped, unit):
            found.append(replace_origin(mapped, path.name))
    if len(found) > 1:
        names = ", ".join(one.source.file for one in found)
        raise FaultyInput(
            (Fault(names, None, "fingerprint", "several mappings for these columns", "one of them",
                   f"take the others out of the folder {MAPPINGS}"),)
        )  # fmt: skip
    if found:
        return found[0]
    for whose in (key, ANY):  # of a log without a header
        path = where / f"{whose}-log-{log.stem}.toml"
        if path.is_file():
            return replace_origin(load_mapping(path), path.name)
    return _shipped_mapping(log, unit)


def replace_origin(mapped: Mapped, name: str) -> Mapped:
    """Name a mapping by its file alone: where a folder lies is nobody's matter on a page."""
    return replace(mapped, source=replace(mapped.source, file=name))


def _is_for(mapped: Mapped, unit: str) -> bool:
    name = mapped.mapping.unit.name
    return name is None or " ".join(name.split()).casefold() == " ".join(unit.split()).casefold()


def _shipped_mapping(log: Path, unit: str) -> Mapped | None:
    content = log.read_bytes()
    for path in sorted((DATA / "logs").glob("*.csv")):
        if path.read_bytes() != content:
            continue
        mapped = load_mapping(path.with_suffix(".mapping.toml"))
        return (
            replace_origin(mapped, f"{path.stem}.mapping.toml") if _is_for(mapped, unit) else None
        )
    return None


@dataclass(frozen=True)
class Offered:
    """A mapping to be read and filled in.

    text : of the file
    told : channel, column and unit of every column that was recognised
    open : what a person has to fill in
    left : columns that no channel names
    known : whether it is one that was used before, for this or another unit
    """

    text: str
    told: tuple[tuple[str, str, str], ...]
    open: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    known: str = ""


def offered_mapping(folder: Path, log: Path, name: str, unit: str) -> Offered:
    """Offer a mapping for a log: the one of another unit's logs with these columns, or a proposal.

    name : under which the log came
    unit : name of the unit that the page is of, which the person who sends the log says it is of

    Raises ``FaultyInput`` when the log has no header to go by.
    """
    where = folder / MAPPINGS
    for path in find_mappings(log, where) if where.is_dir() else ():
        try:
            mapped = load_mapping(path)
        except FaultyInput:
            continue
        text = path.read_text("utf-8")
        if not _is_for(mapped, unit):
            text = _of_unit(text, unit)
        told = tuple((one.name, one.column, one.unit or "words") for one in mapped.mapping.channel)
        return Offered(text, told, known=path.name)
    try:
        found: Proposal = propose(log)
    except FaultyInput as error:
        raise FaultyInput(tuple(replace(one, file=name) for one in error.faults)) from error
    text = found.text.replace(f"columns of {log.name}", _toml_plain(f"columns of {name}"))
    left_open = found.open
    if "unit.name" in left_open:
        text = _of_unit(text, unit)
        left_open = tuple(one for one in left_open if one != "unit.name")
    return Offered(text, found.told, left_open, found.left)


def _of_unit(text: str, unit: str) -> str:
    """Write the unit's name into the table ``[unit]`` of a mapping."""
    return re.sub(
        r"(?ms)(^\[unit\][^\[]*?^name[ \t]*=[ \t]*)(\"[^\"\n]*\"|'[^'\n]*')",
        lambda kept: f'{kept[1]}"{_toml_plain(unit)}"',
        text,
        count=1,
    )


def _toml_plain(text: str) -> str:
    return "".join(
        char for char in text.replace("\\", "/").replace('"', "'") if char.isprintable()
    )  # fmt: skip


def checked_mapping(text: str) -> Mapped:
    """Read a mapping as it was typed.

    Raises ``FaultyInput`` with every fault and its line.
    """
    if len(text) > LONGEST_MAPPING:
        raise FaultyInput(
            (Fault("the mapping", None, "", "too long a text", "a mapping", "check the text"),)
        )
    return parse_mapping(text, "the mapping")


def keep_mapping(
    folder: Path, key: str, mapped: Mapped, text: str, log: Path, now: datetime
) -> Path:
    """Remember a mapping for the logs of one unit, or of all when the log names its unit.

    A mapping without the fingerprint of the header gets it; one of a log without a header is
    remembered for that log alone. What stood there before is kept in ``before``.

    log : as it is kept

    Raises ``OSError``.
    """
    whose = key if mapped.mapping.unit.column is None else ANY
    mark = mapped.mapping.fingerprint
    if mapped.mapping.header_row == 0:
        mark = f"log-{log.stem}"
    elif mark is None:
        mark = fingerprint(_header(mapped, log))
        text = f'fingerprint = "{mark}"\n{text}'
    path = folder / MAPPINGS / f"{whose}-{mark}.toml"
    if path.is_file():
        before = path.read_text("utf-8")
        if before.strip() == text.strip():
            return path
        write_text(path.parent / "before" / f"{path.stem}-{now:%Y%m%dT%H%M%SZ}.toml", before)
    write_text(path, text)
    return path


def _header(mapped: Mapped, log: Path) -> tuple[str, ...]:
    return read_cells(log, mapped.mapping).header


# --- limits -------------------------------------------------------------------------------------


def limit_sets(folder: Path) -> tuple[tuple[str, str], ...]:
    """Return name and title of every set that a transport unit can be judged by, shipped first."""
    out = list(_shipped_titles())
    for path in sorted((folder / LIMITS).glob("*.toml")):
        if NAME.fullmatch(path.stem):
            out.append((f"{OWN}{path.stem}", f"Own set {path.stem}"))
    return tuple(out)


@cache
def _shipped_titles() -> tuple[tuple[str, str], ...]:
    sets = [find_set(name) for name in shipped_sets()]
    found = [(one.name, one.title) for one in sets if one.kind != "nursery"]
    return tuple(sorted(found, key=lambda one: one[0] != USUAL))


def limits_named(folder: Path, name: str) -> LimitSet:
    """Read a set by the name that `limit_sets` gives.

    Raises ``KeyError`` when there is none, ``FaultyInput``, ``WrongKind``.
    """
    if name.startswith(OWN) and NAME.fullmatch(name.removeprefix(OWN)):
        path = folder / LIMITS / f"{name.removeprefix(OWN)}.toml"
        if not path.is_file():
            raise KeyError(name)
        try:
            found = load_set(path)
        except FaultyInput as error:
            told = tuple(replace(one, file=path.name) for one in error.faults)
            raise FaultyInput(told) from error
    elif name in shipped_sets():
        found = find_set(name)
    else:
        raise KeyError(name)
    check_kind(found, "transport")
    return found


# --- results ------------------------------------------------------------------------------------


def chosen_tests(bench: Bench, names: Sequence[str]) -> tuple[str, ...]:
    """Return the tests that were asked for, or all that the log has something for.

    Raises ``ValueError`` when that is none, or nothing is left to look at.
    """
    if bench.start_s >= bench.end_s:
        last = bench.log.seconds[-1] / 60
        raise ValueError(f"Nothing is left to look at: the log has {last:.1f} min.")
    chosen = tuple(names) or possible(bench)
    if not chosen:
        raise ValueError(
            "This log has nothing for any test. Choose one by name to see what it lacks."
        )
    return chosen


def body_of(
    unit: str, results: Sequence[Result], log: tuple[str, str], signed: str, profile: str
) -> dict[str, Any]:
    """Return the body of the entry of several bench tests of one log.

    unit : its name in the library
    log : name and SHA-256
    profile : name of the profile that it was judged with; empty when there was none
    """
    body: dict[str, Any] = {
        "unit": unit,
        "results": as_plain(results)["results"],
        "log": f"{log[0]}, SHA-256 {log[1]}",
        "signed": signed,
    }
    return {**body, "profile": profile} if profile else body


def keep_report(folder: Path, form_id: str, results: Sequence[Result]) -> None:
    """Keep the page of bench tests, under the id of the form that they came from.

    Raises ``OSError``.
    """
    keep_page(folder, form_id, report.page(results, version=__version__))


def keep_page(folder: Path, form_id: str, text: str) -> None:
    """Keep a page under the id of a form.

    Raises ``OSError``.
    """
    write_bytes(folder / REPORTS / f"{form_id}.html", text.encode("utf-8"), PRIVATE)


def has_report(folder: Path, form_id: str) -> bool:
    """Whether a page is kept under the id of a form."""
    return bool(FORM_ID.fullmatch(form_id)) and (folder / REPORTS / f"{form_id}.html").is_file()


def report_page(folder: Path, form_id: str) -> str | None:
    """Return a page that was kept."""
    if not has_report(folder, form_id):
        return None
    return (folder / REPORTS / f"{form_id}.html").read_text("utf-8")


# --- what is on record --------------------------------------------------------------------------


@dataclass(frozen=True)
class Figure:
    """One figure on record. ``expanded``: k = 2, None unknown; ``limit``: None without."""

    value: float
    expanded: float | None
    limit: float | None


@dataclass(frozen=True)
class Tried:
    """One bench test on record."""

    test: str
    title: str
    verdict: Verdict
    reason: str
    figures: Mapping[str, Figure]


@dataclass(frozen=True)
class Entered:
    """One entry of bench tests from one log, oldest first in a list.

    at : end of the log
    log, fingerprint : name and SHA-256 of the log
    """

    unit: str
    form_id: str
    seq: int
    at: datetime
    who: str
    signed: str
    log: str
    fingerprint: str
    tried: tuple[Tried, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of all."""
        return worst([one.verdict for one in self.tried])

    @property
    def key(self) -> str:
        """Key of the log among those that are kept."""
        return self.fingerprint[:16]


def on_record(events: Sequence[Event]) -> dict[str, tuple[Entered, ...]]:
    """Return the bench tests of each unit, by the end of their logs, corrections applied."""
    found: dict[str, list[Entered]] = {}
    for one in corrected(events):
        if one.struck or one.event.kind != "bench-test":
            continue
        body = one.body
        results = [_tried(result) for result in body["results"]]
        first = body["results"][0]
        log = str(body.get("log", ""))
        mark = str(first.get("log_sha256", "")) or log.rpartition("SHA-256 ")[2]
        entry = Entered(
            str(body["unit"]), one.event.form_id, one.seq, one.when, one.event.who,
            str(body["signed"]), log.partition(", SHA-256")[0], mark, tuple(results),
        )  # fmt: skip
        found.setdefault(entry.unit, []).append(entry)
    return {
        unit: tuple(sorted(entries, key=lambda entry: (entry.at, entry.seq)))
        for unit, entries in found.items()
    }


def _tried(result: Mapping[str, Any]) -> Tried:
    figures = {}
    for one in (*result.get("measured", ()), *result.get("figures", ())):
        if not isinstance(one, Mapping) or one.get("bound"):
            continue
        value = _number(one.get("value"))
        if value is None:
            continue
        limit = one.get("limit")
        at = _number(limit.get("at")) if isinstance(limit, Mapping) else None
        figures[str(one.get("key"))] = Figure(value, _number(one.get("expanded_uncertainty")), at)
    test = str(result["test"])
    return Tried(
        test, str(result.get("title", test)), cast(Verdict, result["verdict"]),
        str(result.get("reason", "")), figures,
    )  # fmt: skip


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
