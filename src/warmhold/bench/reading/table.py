"""The cells of a log: decoded, parted, with the line of every row."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from warmhold.bench.reading.mapping import DELIMITERS, TableMapping
from warmhold.bench.reading.strict import read_bytes
from warmhold.model.fault import Fault, FaultyInput

LARGEST_LOG = 60_000_000  # bytes; a day at one reading a second has about 10 million


@dataclass(frozen=True)
class Cells:
    """A log as text.

    header : names of the columns; empty when the log has no header
    rows : cells of every row
    lines : line of every row in the file, from 1
    fingerprint : SHA-256 of the file, hexadecimal
    cut_off : whether a last row that ends too early was left out
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    fingerprint: str
    cut_off: bool = False

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.header) if self.header else len(self.rows[0]) if self.rows else 0


def decoded(content: bytes, encoding: str, file: str) -> str:
    """Return the text of a log.

    Raises ``FaultyInput`` when the bytes are not of that encoding.
    """
    try:
        text = content.decode({"utf-8": "utf-8-sig", "utf-16": "utf-16"}.get(encoding, encoding))
    except UnicodeError as error:
        at = getattr(error, "start", 0)
        line = content[:at].count(b"\n") + 1
        todo = 'write encoding = "utf-16" or "latin-1" in the mapping, whichever the logger writes'
        fault = Fault(file, line, "", f"bytes that are not {encoding}", encoding, todo)
        raise FaultyInput((fault,)) from error
    if "\0" in text:
        fault = Fault(
            file, None, "", "zero bytes", "a text file",
            'write encoding = "utf-16" in the mapping, or export the log anew',
        )  # fmt: skip
        raise FaultyInput((fault,))
    return text


def read_cells(path: Path, mapping: TableMapping) -> Cells:
    """Read a log's cells by its mapping.

    Raises ``FaultyInput`` for a file that cannot be read, or rows of another width.
    """
    content = read_bytes(path, LARGEST_LOG)
    text = decoded(content, mapping.encoding, str(path))
    header, rows, lines = part(text, DELIMITERS[mapping.delimiter], mapping.header_row, str(path))
    width = width_of(header, rows)
    cut_off = bool(rows) and len(rows[-1]) < width and not text.endswith(("\n", "\r"))
    if cut_off:
        rows, lines = rows[:-1], lines[:-1]
    digest = hashlib.sha256(content).hexdigest()
    return even_cells(header, rows, lines, str(path), digest, cut_off)


def width_of(header: Sequence[str], rows: Sequence[Sequence[str]]) -> int:
    """Return the number of columns: those of the header, or of the widest row without one."""
    return len(header) if header else max((len(row) for row in rows), default=0)


def even_cells(
    header: Sequence[str],
    rows: Sequence[list[str]],
    lines: Sequence[int],
    file: str,
    digest: str,
    cut_off: bool = False,
) -> Cells:
    """Check that all rows are as wide as the header.

    digest : SHA-256 of the file, hexadecimal

    Raises ``FaultyInput`` for rows of another width, or none.
    """
    width = width_of(header, rows)
    rows = [trimmed(row, width) for row in rows]
    odd = [i for i, row in enumerate(rows) if len(row) != width]
    if odd:
        first = odd[0]
        more = f", and {len(odd) - 1} more rows like it" if len(odd) > 1 else ""
        fault = Fault(
            file, lines[first], "", f"{len(rows[first])} cells{more}",
            f"{width} cells a row, as in the header",
            "check delimiter and decimal in the mapping, and the row itself",
        )  # fmt: skip
        raise FaultyInput((fault,))
    if not rows:
        fault = Fault(
            file, None, "", "no rows", "at least two rows of readings",
            "check header_row in the mapping, and that the export was whole",
        )  # fmt: skip
        raise FaultyInput((fault,))
    return Cells(tuple(header), tuple(map(tuple, rows)), tuple(lines), digest, cut_off)


def trimmed(row: list[str], width: int) -> list[str]:
    """Take empty cells off the end that a last delimiter makes."""
    while len(row) > width and not row[-1].strip():
        row = row[:-1]
    return row


def part(
    text: str, delimiter: str, header_row: int, file: str
) -> tuple[list[str], list[list[str]], list[int]]:
    """Part a text into header, rows and their lines; lines above the header are passed over.

    Raises ``FaultyInput`` for text that cannot be parted.
    """
    header: list[str] = []
    rows: list[list[str]] = []
    lines: list[int] = []
    if header_row:
        physical = text.splitlines(keepends=True)
        above = physical[: header_row - 1]
        text = "".join(physical[header_row - 1 :])
        before = len(above)
    else:
        before = 0
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            stripped = [cell.strip() for cell in cells]
            if header_row and not header:
                header = stripped
                while header and not header[-1]:
                    header.pop()
                continue
            rows.append(stripped)
            lines.append(before + reader.line_num)
    except csv.Error as error:
        line = before + reader.line_num
        fault = Fault(file, line, "", f"a row that cannot be parted ({error})", "plain cells",
                      "check the quotes of this row")  # fmt: skip
        raise FaultyInput((fault,)) from error
    return header, rows, lines


def place(header: Sequence[str], width: int, column: str) -> int | str:
    """Find a column by its name, or by its number as ``#3``; what is wrong when it is not there."""
    if column.startswith("#") and column[1:].isdigit() and column not in header:
        at = int(column[1:])
        return at - 1 if 1 <= at <= width else f"{column} of {width} columns"
    plain = " ".join(column.split()).casefold()
    found = [i for i, name in enumerate(header) if " ".join(name.split()).casefold() == plain]
    if len(found) == 1:
        return found[0]
    return f"{len(found)} columns of that name" if found else "no column of that name"
