"""Bring back what is whole from a damaged file.

The file is not read through SQLite's tree, which may be what is broken. Every place in it is
searched that looks like the start of a row, by the layout SQLite documents ("Database File
Format", sqlite.org/fileformat2.html, sections 1.6 and 2.1). A row is believed only if its hash
fits all it says, so that a wrong guess cannot pass. What is missing between whole rows gets a row
that stands for it, with the hash that the next row says it had: every fingerprint printed before
stays good.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from warmhold.record.chain import COLUMNS, GENESIS, LOST, WITHHELD, Row, stand_in
from warmhold.record.store import PAGE

# A row's header ends with the types of `prior` and `hash`: two texts of 64 bytes, type 141.
_HEADER_END = re.compile(rb"\x81\x0d\x81\x0d", re.DOTALL)
_SHORTEST_HEADER, _LONGEST_HEADER = 15, 60
_SEQUENCE = re.compile(rb"\x03\x17[\x01-\x06\x08\x09]event", re.DOTALL)
_MOST_LOST_AT_END = 100_000
_INT_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_LARGEST = 64_000_000  # bytes of one row


@dataclass(frozen=True)
class Salvage:
    """What a damaged file still holds.

    rows : the rows of the new file, in order and without a gap
    whole : how many of them are whole entries
    lost : number, trip, and what can still be read but not trusted, of each that is not
    part : whether entries of other trips were withheld
    """

    rows: tuple[Row, ...]
    whole: int
    lost: tuple[dict[str, Any], ...]
    part: bool


def salvage(path: Path) -> Salvage:
    """Search a damaged file.

    Errors: OSError when nothing at all can be read
    """
    data = read_through(path)
    believed: dict[int, list[Row]] = {}
    standing: dict[int, Row] = {}
    doubtful: dict[int, Row] = {}
    for row in candidates(data):
        if row.is_own() and row.kind != LOST:
            rows = believed.setdefault(row.seq, [])
            if row not in rows:
                rows.append(row)
        elif row.stands_in():
            standing[row.seq] = row
        else:
            doubtful[row.seq] = row
    return _joined(believed, standing, doubtful, _counted(data))


def read_through(path: Path) -> bytes:
    """Read a file page by page; a page the disk refuses to give becomes zeros.

    Errors: OSError when the file cannot be opened
    """
    with path.open("rb", buffering=0) as file:
        size = file.seek(0, 2)
        pages = []
        for start in range(0, size, PAGE):
            wanted = min(PAGE, size - start)
            try:
                file.seek(start)
                page = file.read(wanted) or b""
            except OSError:
                page = b""
            pages.append(page.ljust(wanted, b"\0"))
    return b"".join(pages)


def candidates(data: bytes) -> Iterator[Row]:
    """Yield everything in a file that has the form of a row of the record."""
    for match in _HEADER_END.finditer(data):
        end = match.end()
        for size in range(_SHORTEST_HEADER, _LONGEST_HEADER + 1):
            start = end - size
            if start < 2:
                break
            if data[start] == size and data[start + 1] == 0:
                row = _row_at(data, start, end)
                if row is not None:
                    yield row


def _row_at(data: bytes, start: int, end: int) -> Row | None:
    types = _types(data, start + 1, end)
    if types is None or len(types) != len(COLUMNS):
        return None
    seq = _varint_before(data, start)
    length = end - start + sum(map(_bytes_of, types))
    if seq is None or length > _LARGEST:
        return None
    payload = _payload(data, start, length)
    if payload is None:
        return None
    values: list[Any] = []
    at = end - start
    for kind in types:
        size = _bytes_of(kind)
        raw = payload[at : at + size]
        at += size
        if kind == 0:
            values.append(None)
        elif kind in _INT_BYTES:
            values.append(int.from_bytes(raw, "big", signed=True))
        elif kind in (8, 9):
            values.append(kind - 8)
        elif kind >= 13 and kind % 2:
            values.append(raw.decode("utf-8", "surrogateescape"))
        else:
            return None  # no column holds a float or bytes
    values[0] = seq
    if not isinstance(values[-1], str) or not isinstance(values[1], str):
        return None
    return Row._make(values)


def _bytes_of(kind: int) -> int:
    if kind in _INT_BYTES:
        return _INT_BYTES[kind]
    if kind == 7:
        return 8
    return 0 if kind < 12 else (kind - 12) // 2


def _types(data: bytes, at: int, end: int) -> list[int] | None:
    types = []
    while at < end:
        value = 0
        for _ in range(9):
            if at >= end:
                return None
            byte = data[at]
            at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                break
        types.append(value)
    return types


def _varint_before(data: bytes, end: int) -> int | None:
    """Read the number that ends before a place: the row's number stands there."""
    at = end - 1
    if at < 0 or data[at] >= 0x80:
        return None
    first = at
    while first > 0 and data[first - 1] >= 0x80 and at - first < 8:
        first -= 1
    value = 0
    for byte in data[first : at + 1]:
        value = value << 7 | byte & 0x7F
    return value


def _payload(data: bytes, start: int, length: int) -> bytes | None:
    """Gather a row that may go on in other pages; ``None`` when one of them is gone."""
    most = PAGE - 35
    if length <= most:
        found = data[start : start + length]
        return found if len(found) == length else None
    least = (PAGE - 12) * 32 // 255 - 23
    local = least + (length - least) % (PAGE - 4)
    if local > most:
        local = least
    parts = [data[start : start + local]]
    left = length - local
    page = int.from_bytes(data[start + local : start + local + 4], "big")
    while left > 0:
        place = (page - 1) * PAGE
        if page < 2 or place + 4 > len(data):
            return None
        parts.append(data[place + 4 : place + 4 + min(left, PAGE - 4)])
        left -= PAGE - 4
        page = int.from_bytes(data[place : place + 4], "big")
    found = b"".join(parts)
    return found if len(found) == length else None


def _counted(data: bytes) -> int:
    """Return up to what number the file counted, 0 when that cannot be read."""
    counts = [0]
    for match in _SEQUENCE.finditer(data):
        kind = data[match.start() + 2]
        size = _bytes_of(kind)
        raw = data[match.end() : match.end() + size]
        counts.append(kind - 8 if size == 0 else int.from_bytes(raw, "big", signed=True))
    return max(counts)


def _joined(
    believed: dict[int, list[Row]],
    standing: dict[int, Row],
    doubtful: dict[int, Row],
    counted: int,
) -> Salvage:
    last = max(believed, default=0)
    last = max([last, *(seq for seq, row in standing.items() if row.kind == WITHHELD)])
    top = counted if last < counted <= last + _MOST_LOST_AT_END else last
    chosen = _chosen(believed, top)
    rows: list[Row] = []
    lost: list[dict[str, Any]] = []
    trip, prior = "", GENESIS
    for seq in range(1, top + 1):
        row = chosen.get(seq)
        later = chosen.get(seq + 1)
        wanted = later.prior if later else ""
        if row is None:
            stands = standing.get(seq)
            if stands is not None and stands.kind == WITHHELD:
                row = stand_in(WITHHELD, seq, "", prior, wanted or stands.hash)
            else:
                doubt = doubtful.get(seq)
                row = stand_in(LOST, seq, trip, prior, wanted)
                found = None if doubt is None else _readable(doubt)
                lost.append({"seq": seq, "trip": trip, "found": found})
        else:
            trip = row.trip
        rows.append(row)
        prior = row.hash
    whole = sum(not row.stands_in() for row in rows)
    return Salvage(tuple(rows), whole, tuple(lost), any(row.kind == WITHHELD for row in rows))


def _chosen(believed: dict[int, list[Row]], top: int) -> dict[int, Row]:
    """Choose one row for each number, from the end: a later row tells the hash of the one before.

    A row that bears its own hash but not the one that the next row knew was put there later, and
    is not believed.
    """
    chosen: dict[int, Row] = {}
    for seq in range(top, 0, -1):
        rows: Sequence[Row] = believed.get(seq, ())
        later = chosen.get(seq + 1)
        if later is not None:
            rows = [row for row in rows if row.hash == later.prior]
        if seq == 1:
            rows = [row for row in rows if row.prior == GENESIS]
        before = {row.hash for row in believed.get(seq - 1, ())}
        linked = [row for row in rows if row.prior in before]
        best = (linked or rows)[-1:]
        if best:
            chosen[seq] = best[0]
    return chosen


def _readable(row: Row) -> str:
    text = f"{row.kind} {row.saved_utc} {row.who}: {row.body}"
    text = text.encode("ascii", "replace").decode("ascii")
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:2000]
