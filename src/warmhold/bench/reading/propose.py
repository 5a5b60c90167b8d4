"""Propose a mapping for a log that has none: words of its header, nothing more.

A proposal is written out and read by a person before it is used. What the header does not say
(zone, unit of a column, day or month first) stands as "?" and is refused until it is filled in.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import tomli_w

from warmhold.bench.reading.mapping import ASK, DELIMITERS, fingerprint
from warmhold.bench.reading.strict import read_bytes
from warmhold.bench.reading.table import LARGEST_LOG, decoded, part
from warmhold.bench.reading.units import BENCH
from warmhold.bench.reading.vocabulary import Vocabulary
from warmhold.model.fault import Fault, FaultyInput

_TIME = (
    "time",
    "timestamp",
    "datetime",
    "date",
    "zeit",
    "datum",
    "heure",
    "fecha",
    "hora",
    "utc",
    "clock",
)
_FORMATS = (
    "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y/%m/%d %H:%M:%S", "%Y/%m/%d %H:%M",
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M",
)  # fmt: skip
_EITHER = (  # day and month may be meant either way round
    ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"),
    ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"),
    ("%d-%m-%Y %H:%M:%S", "%m-%d-%Y %H:%M:%S"),
)


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping.

    text : the file's text, TOML
    told : channel, column and unit of every column that was recognised
    open : what a person has to fill in, as dotted keys
    left : columns that were not recognised
    """

    text: str
    told: tuple[tuple[str, str, str], ...]
    open: tuple[str, ...]
    left: tuple[str, ...]


def propose(path: Path, vocabulary: Vocabulary = BENCH) -> Proposal:
    """Propose a mapping from the header of a log.

    vocabulary : what its columns can hold

    Raises ``FaultyInput`` when there is no header line to go by.
    """
    content = read_bytes(path, LARGEST_LOG)
    encoding = _encoding(content)
    text = decoded(content, encoding, str(path))
    top = "".join(text[:400_000].splitlines(keepends=True)[:400])
    delimiter, header_row = _shape(top)
    if not header_row:
        fault = Fault(
            str(path), 1, "", "no line that looks like a header", "a line that names the columns",
            "write a mapping by hand, with header_row = 0 and columns such as #1: "
            + vocabulary.guide,
        )  # fmt: skip
        raise FaultyInput((fault,))
    header, rows, _ = part(top, DELIMITERS[delimiter], header_row, str(path))
    layout = {"delimiter": delimiter, "header_row": header_row, "encoding": encoding}
    return proposed(header, rows, path.name, layout, vocabulary)


def proposed(
    header: Sequence[str], rows: Sequence[Sequence[str]], name: str,
    layout: Mapping[str, object], vocabulary: Vocabulary,
) -> Proposal:  # fmt: skip
    """Propose a mapping from a header and some rows below it.

    layout : how the file is parted; goes into the mapping as it is
    """
    delimiter = layout.get("delimiter")
    rows = [row for row in rows if len(row) >= len(header)]
    cells = [cell for row in rows for cell in row]
    decimal = "point"
    if delimiter not in (None, "comma") and any(
        re.fullmatch(r"[+-]?\d+,\d+", cell) for cell in cells
    ):
        decimal = "comma"
    time, used = _time(header, rows)
    unit, at = _unit(header, vocabulary)
    used |= {at} if at is not None else set()
    channels, told, left = channels_for(header, rows, used, vocabulary)
    document = {
        "format": 1,
        "name": f"columns of {name}"[:200],
        "fingerprint": fingerprint(header),
        **layout,
        "decimal": decimal,
        "time": time,
        vocabulary.whose: unit,
        "channel": channels,
    }
    return Proposal(
        text=head_text(vocabulary) + mapping_text(document) + _left_text(left),
        told=tuple(told),
        open=tuple(open_keys(document, vocabulary)),
        left=tuple(left),
    )


def head_text(vocabulary: Vocabulary) -> str:
    """Return the remarks at the head of a proposed mapping."""
    return _HEAD + (_CERTIFICATES if vocabulary is BENCH else "")


_HEAD = """\
# Proposed from the header of a log. Read every line and correct it: each channel must name the
# column that holds it. "?" stands where the header does not say; fill it in.
"""
_CERTIFICATES = """\
# Certificates are added by hand to the channel of a reference instrument, in its own unit:
#   certificate = "no. 123, 2026-02", certificate_u = 0.10, certificate_k = 2, drift = 0.05
"""


def mapping_text(document: dict[str, object]) -> str:
    """Write a mapping with one table a channel, so that each has lines of its own."""
    plain = {key: value for key, value in document.items() if key != "channel"}
    parts = [tomli_w.dumps(plain)]
    channels = document["channel"]
    assert isinstance(channels, list)
    for one in channels:
        words = one.get("words")
        text = tomli_w.dumps({key: value for key, value in one.items() if key != "words"})
        if isinstance(words, dict):
            inside = ", ".join(f"{_quoted(key)} = {_quoted(value)}" for key, value in words.items())
            text += f"words = {{ {inside} }}\n"
        parts.append("[[channel]]\n" + text)
    return "\n".join(parts)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _left_text(left: Sequence[str]) -> str:
    if not left:
        return ""
    names = ", ".join(" ".join(name.split()) for name in left)
    shown = "".join(one if one.isprintable() else " " for one in names)
    return f"\n# Columns that no channel names: {shown}\n"


def open_keys(document: dict[str, object], vocabulary: Vocabulary) -> list[str]:
    """Return what a person has to fill in, as dotted keys."""
    out = []
    for key in ("time", vocabulary.whose):
        table = document[key]
        assert isinstance(table, dict)
        out += [f"{key}.{name}" for name, value in table.items() if value == ASK]
    channels = document["channel"]
    assert isinstance(channels, list)
    out += [f"what “{one['column']}” holds" for one in channels if one["name"] == ASK]
    out += [
        f"unit of {one['name'] if one['name'] != ASK else one['column']}"
        for one in channels
        if one.get("unit") == ASK
    ]
    return out


def _encoding(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _shape(top: str) -> tuple[str, int]:
    """Find the delimiter and the line of the header: text cells above a row of as many cells.

    Of several such lines it is the first of those that name most columns: the lines above a table
    often tell the device or the start.
    """
    lines = top.splitlines()
    best = ("comma", 0, 1)
    for name, mark in DELIMITERS.items():
        for at, (one, after) in enumerate(pairwise(lines), start=1):
            names, below = one.split(mark), after.split(mark)
            if len(names) <= len(below) + 1 and (count := names_above_numbers(names, below)):
                best = max(best, (name, at, count), key=lambda found: found[2])
    return best[0], best[1]


def names_above_numbers(names: Sequence[str], below: Sequence[str]) -> int:
    """Return how many columns a line names, if it may be the header of the line below; else 0."""
    named = [cell.strip(" \t\"'") for cell in names if cell.strip(" \t\"'")]
    wordy = all(not re.fullmatch(r"[\d.,:+\s-]*", cell) for cell in named)
    has_numbers = any(re.match(r"[\s\"']*[+-]?[.,]?\d", cell) for cell in below)
    return len(named) if wordy and has_numbers and len(named) >= 2 else 0


def _plain(name: str) -> str:
    name = re.sub(r"[\[(][^\])]*[\])]", " ", name)
    name = re.sub(r"(?i)(?<![a-z])s[pa][ _]?o2(?![a-z0-9])", "saturation", name)  # no oxygen
    name = re.sub(r"([a-z])([A-Z0-9])", r"\1 \2", name).lower()
    return " " + " ".join(re.split(r"[^a-z0-9]+", name)).strip() + " "


def _fits(name: str, group: Sequence[str], unit: str | None) -> bool:
    text = _plain(name)
    if any(f" {word} " in text for word in group):
        return True
    letter = {"V": "v", "A": "a", "W": "w", "°C": "c", "°F": "c"}.get(unit or "")
    return letter in group if letter else False


def _time(header: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[dict[str, str], set[int]]:
    found = [i for i, name in enumerate(header) if _fits(name, _TIME, None)]
    if not found:
        return {"column": ASK, "format": ASK, "zone": ASK}, set()
    date_at = next((i for i in found if "date" in _plain(header[i]).split()), None)
    clock_at = next((i for i in found if "time" in _plain(header[i]).split()), None)
    if date_at is not None and clock_at is not None and date_at != clock_at:
        texts = [f"{row[date_at]} {row[clock_at]}" for row in rows]
        table = {"column": header[clock_at], "date_column": header[date_at]}
        used = {date_at, clock_at}
    else:
        at = found[0]
        texts, table, used = [row[at] for row in rows], {"column": header[at]}, {at}
    form, aware = _format(texts)
    table["format"] = form
    if not aware:
        table["zone"] = "UTC" if " utc " in _plain(table["column"]) else ASK
    return table, used


def _format(texts: Sequence[str]) -> tuple[str, bool]:
    def all_read(form: str) -> bool:
        try:
            return bool(texts) and all(datetime.strptime(text, form) for text in texts)
        except ValueError:
            return False

    try:
        if texts and "T" in texts[0]:
            read = [datetime.fromisoformat(text) for text in texts]
            return "iso", all(one.utcoffset() is not None for one in read)
    except ValueError:
        pass
    for form in _FORMATS:
        if all_read(form):
            return form, False
    for one, other in _EITHER:
        fit = [form for form in (one, other) if all_read(form)]
        if len(fit) == 1:
            return fit[0], False
    return ASK, False


def _unit(header: Sequence[str], vocabulary: Vocabulary) -> tuple[dict[str, str], int | None]:
    for i, name in enumerate(header):
        if _plain(name).strip() in vocabulary.whose_columns:
            return {"column": name}, i
    return {"name": ASK}, None


def channels_for(
    header: Sequence[str], rows: Sequence[Sequence[str]], used: set[int], vocabulary: Vocabulary
) -> tuple[list[dict[str, object]], list[tuple[str, str, str]], list[str]]:
    """Return the channels that a header tells, each with column and unit, and what is left."""
    wishes: dict[str, list[int]] = {}
    for i, name in enumerate(header):
        if i in used or not name:
            continue
        unit = vocabulary.unit_in(name)
        for channel, groups in vocabulary.rules:
            if not all(_fits(name, group, unit) for group in groups):
                continue
            if (
                channel in vocabulary.numbers
                and unit is not None
                and unit not in vocabulary.units_for(channel)
            ):
                continue
            if channel in vocabulary.words and any(re.search(r"\d", row[i]) for row in rows[:20]):
                continue
            wishes.setdefault(channel, []).append(i)
            break
    taken = {
        at: channel
        for channel, places in wishes.items()
        for at in places
        if len(places) == 1 or channel == ASK
    }
    out: list[dict[str, object]] = []
    told = []
    for i, channel in sorted(taken.items()):
        one: dict[str, object] = {"name": channel, "column": header[i]}
        if channel in vocabulary.words:
            seen = dict.fromkeys(row[i] for row in rows if row[i])
            known = vocabulary.known_words[channel]
            one["words"] = {word: known.get(word.lower(), ASK) for word in seen} or {ASK: ASK}
            told.append((channel, header[i], "words"))
        else:
            one["unit"] = vocabulary.unit_in(header[i]) or ASK
            told.append((channel, header[i], str(one["unit"])))
        out.append(one)
    left = [n for i, n in enumerate(header) if n and i not in taken and i not in used]
    return out, told, left
