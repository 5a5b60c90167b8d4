"""The cells of a spreadsheet, as text that the reader of tables takes.

A cell that holds a date is a local time without a zone, as in a text file. A formula counts with
the value that was saved with it; without one it is an empty cell.
"""

from __future__ import annotations

import hashlib
import io
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from itertools import pairwise
from typing import Any

from warmhold.bench.reading.mapping import NAMED_FORMATS
from warmhold.bench.reading.propose import names_above_numbers
from warmhold.bench.reading.table import Cells, even_cells
from warmhold.exchange.trends.mapping import TrendTable
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import nearest, plain, value_text

LARGEST_INSIDE = 300_000_000  # bytes that a spreadsheet may unpack to
MOST_COLUMNS = 400
MOST_CELLS = 6_000_000
LOOKED_AT = 60  # rows from the top in which a header is looked for
NEEDS = "reading spreadsheets needs openpyxl: pip install 'warmhold[exchange]'"


def sheet_cells(content: bytes, mapping: TrendTable, file: str) -> Cells:
    """Read the cells of a sheet by its mapping.

    content : of the file
    file : how it is called in faults

    Raises ``FaultyInput``.
    """
    header: list[str] = []
    rows: list[list[str]] = []
    lines: list[int] = []
    for line, row in enumerate(_rows(content, mapping.sheet, file), start=1):
        if line < mapping.header_row or not any(cell not in (None, "") for cell in row):
            continue
        if mapping.header_row and not header:
            header = [_text(cell, mapping, "").strip() for cell in row]
            while header and not header[-1]:
                header.pop()
            continue
        rows.append(_texts(row, header, mapping))
        lines.append(line)
    width = len(header) if header else max((len(row) for row in rows), default=0)
    rows = [row + [""] * (width - len(row)) for row in rows]
    return even_cells(header, rows, lines, file, hashlib.sha256(content).hexdigest())


def sheet_top(content: bytes, sheet: str | None, file: str) -> tuple[int, str, list[list[str]]]:
    """Return the row of the header, the sheet's name and the cells from there on, some rows.

    Raises ``FaultyInput`` when there is no row that looks like a header.
    """
    name = _chosen(_names(content, file), sheet, file)
    top: list[list[str]] = []
    for row in _rows(content, name, file):
        top.append([_plain_text(cell) for cell in row])
        if len(top) > LOOKED_AT:
            break
    counts = [names_above_numbers(names, below) for names, below in pairwise(top)]
    if any(counts):
        at = counts.index(max(counts))
        return at + 1, name, top[at:]
    fault = Fault(
        file, 1, "", "no row that looks like a header", "a row that names the columns",
        "write a mapping by hand, with header_row: docs/exchange.md",
    )  # fmt: skip
    raise FaultyInput((fault,))


def _rows(content: bytes, sheet: str | None, file: str) -> Iterator[Sequence[Any]]:
    """Yield the rows of a sheet, bounded."""
    cells = 0
    for row in _library_rows(content, sheet, file):
        if len(row) > MOST_COLUMNS:
            raise _fault(file, f"{len(row)} columns", f"up to {MOST_COLUMNS}")
        cells += max(1, len(row))
        if cells > MOST_CELLS:
            raise _fault(file, f"more than {MOST_CELLS} cells", "a trend of one trip")
        yield row


def _library_rows(content: bytes, sheet: str | None, file: str) -> Iterator[Sequence[Any]]:
    book = _opened(content, file)
    try:
        name = _chosen([one.title for one in book.worksheets], sheet, file)
        found = next(one for one in book.worksheets if one.title == name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found.reset_dimensions()
            yield from found.iter_rows(values_only=True)
    except FaultyInput:
        raise
    except Exception as error:  # whatever a broken file brings the library to
        raise _unreadable(file, error) from error
    finally:
        book.close()


def _names(content: bytes, file: str) -> list[str]:
    book = _opened(content, file)
    try:
        return [one.title for one in book.worksheets]
    finally:
        book.close()


def _opened(content: bytes, file: str) -> Any:
    try:
        import openpyxl  # type: ignore[import-untyped]  # noqa: PLC0415
    except ImportError as error:
        raise _fault(file, "a spreadsheet", NEEDS) from error
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            inside = sum(one.file_size for one in packed.infolist())
        if inside > LARGEST_INSIDE:
            raise _fault(
                file, f"{inside // 1_000_000} MB once unpacked",
                f"up to {LARGEST_INSIDE // 1_000_000} MB",
            )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(
                io.BytesIO(content), read_only=True, data_only=True, keep_links=False
            )
    except FaultyInput:
        raise
    except Exception as error:  # whatever a broken file brings the libraries to
        raise _unreadable(file, error) from error


def _unreadable(file: str, error: Exception) -> FaultyInput:
    why = plain(f"{type(error).__name__}: {error}")[:160]
    return _fault(file, f"no spreadsheet that can be read ({why})", "an .xlsx file")


def _chosen(names: Sequence[str], sheet: str | None, file: str) -> str:
    if sheet is None and len(names) == 1:
        return names[0]
    if sheet in names:
        return str(sheet)
    listed = plain(", ".join(names))[:300] or "none"
    if sheet is None:
        raise _fault(file, f"{len(names)} sheets: {listed}", "one of them",
                     'name it: sheet = "..." in the mapping, or --sheet')  # fmt: skip
    near = nearest(sheet, names)
    raise _fault(file, f"no sheet {value_text(sheet)}", f"one of: {listed}",
                 f'write "{plain(near)}"' if near else "check the name")  # fmt: skip


def _fault(file: str, found: str, allowed: str, todo: str = "export the file anew") -> FaultyInput:
    return FaultyInput((Fault(file, None, "", found, allowed, todo),))


# --- cells --------------------------------------------------------------------------------------


def _texts(row: Sequence[Any], header: Sequence[str], mapping: TrendTable) -> list[str]:
    times = mapping.time

    def is_column(at: int, name: str | None) -> bool:
        if name is None:
            return False
        plain_name = " ".join(name.split()).casefold()
        own = " ".join(header[at].split()).casefold() if at < len(header) else ""
        return plain_name in (own, f"#{at + 1}")

    how = times.format
    whole = how in NAMED_FORMATS
    out = []
    for at, cell in enumerate(row):
        if is_column(at, times.date_column):
            form = "" if whole else how.partition(" ")[0]
        elif is_column(at, times.column):
            form = "" if whole else how.partition(" ")[2] if times.date_column else how
        else:
            form = ""
        out.append(_text(cell, mapping, form).strip())
    return out


def _text(cell: Any, mapping: TrendTable, form: str) -> str:
    """Write a cell as the mapping reads it; a date in another form where that would lose some."""
    if isinstance(cell, (datetime, date, time)) and form:
        try:
            text = cell.strftime(form)
            again = datetime.strptime(text, form)
        except ValueError:
            return _plain_text(cell)
        same = {datetime: again, date: again.date(), time: again.time()}.get(type(cell))
        return text if same == cell else _plain_text(cell)
    text = _plain_text(cell)
    if isinstance(cell, float) and mapping.decimal == "comma":
        return text.replace(".", ",")
    return text


def _plain_text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, (datetime, date, time)):
        return cell.isoformat()
    return repr(cell) if isinstance(cell, (int, float)) else str(cell)
