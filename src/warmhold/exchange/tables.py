"""One trip as tables: CSV or Parquet, with a dictionary that names every column and quantity.

Both forms hold the same values. What is missing is empty (CSV) or null (Parquet), never zero. A
text that a spreadsheet would take for a formula has an apostrophe before it, in both forms.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import import_module
from typing import Any, Literal

from warmhold.exchange.codes import LOINC, MDC, codes
from warmhold.exchange.fhir.names import STATUSES
from warmhold.exchange.outgoing import OTHERS, Happened, Outgoing, Value, code_for
from warmhold.record import Trouble
from warmhold.record.bodies import GAUGE

Type = Literal["text", "number", "whole number", "time"]
Cell = str | float | int | datetime | None
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
INSTALL = 'Install it with: pip install "warmhold[exchange]"'


@dataclass(frozen=True)
class Column:
    """One column of a table.

    allowed : what may stand in it, in words
    """

    name: str
    type: Type
    meaning: str
    unit: str = ""
    allowed: str = ""


_EMPTY = "empty when there is none"
_ENTRY = (
    Column("trip", "text", "id of the trip in the record"),
    Column("entry", "whole number", "number of the entry in the record", "", "from 1"),
)
_TIMES = (
    Column("at_utc", "time", "clinical time, UTC", "", "ISO 8601 with Z, microseconds"),
    Column("offset_min", "whole number", "local time less UTC; empty when it is not known", "min",
           "-840 to 840"),
    Column("saved_utc", "time", "when the entry was saved, UTC", "", "ISO 8601 with Z"),
)  # fmt: skip
_STATUS = Column(
    "status", "text", "final, corrected, or entered-in-error: struck out, counts for nothing", "",
    ", ".join(STATUSES),
)  # fmt: skip
VALUES: tuple[Column, ...] = (
    *_ENTRY,
    Column("row", "whole number", "row of a recorded trend; empty for a single value", "",
           "from 1"),
    *_TIMES,
    Column("quantity", "text", "what was read; see the rows of the dictionary about quantities"),
    Column("cylinder", "text", "which cylinder a gauge is of; empty for all else"),
    Column("number", "number", "the value; empty when nothing was read or it is a text",
           "as in the column unit"),
    Column("text", "text", "the value of a quantity in words; empty for a number"),
    Column("unit", "text", "unit of the number", "UCUM"),
    _STATUS,
    Column("kind", "text", "how it came: a regular or extra set, a device, a trend", "",
           "regular, extra, device, trend"),
    Column("told_by", "text", "the device that told it; empty when a person entered it"),
    Column("flag", "text", "why it was asked about and kept as entered; empty when it was not"),
    Column("was_number", "number", "the value before it was corrected; " + _EMPTY,
           "as in the column unit"),
    Column("was_text", "text", "the words before they were corrected; " + _EMPTY),
    Column("loinc", "text", "verified code of LOINC; " + _EMPTY),
    Column("mdc", "whole number", "verified code of ISO/IEEE 11073-10101; " + _EMPTY),
    Column("about", "text", "whom or what it is about; room is the incubator itself", "",
           "baby, room"),
)  # fmt: skip
HAPPENINGS: tuple[Column, ...] = (
    *_ENTRY,
    *_TIMES,
    Column("kind", "text", "kind of the entry", "", ", ".join(OTHERS)),
    Column("what", "text", "what it is about: an item, a limit, a moment; " + _EMPTY),
    _STATUS,
    Column("who", "text", "user and role; a name of staff"),
    Column("detail", "text", "the entry as JSON, with notes as they were typed: may name people"),
)
DICTIONARY: tuple[Column, ...] = (
    Column("table", "text", "values, happenings or dictionary; quantity for a row about one"),
    Column("name", "text", "of the column or quantity"),
    Column("type", "text", "what stands in it", "", "text, number, whole number, time"),
    Column("meaning", "text", "what it means"),
    Column("unit", "text", "unit; of quantities in UCUM; " + _EMPTY),
    Column("allowed", "text", "what may stand in it; empty when anything may"),
    Column("loinc", "text", "code of LOINC; " + _EMPTY),
    Column("loinc_status", "text", "how far it is known", "", "verified, memory"),
    Column("mdc", "whole number", "code of ISO/IEEE 11073-10101; " + _EMPTY),
    Column("mdc_status", "text", "how far it is known", "", "verified, memory"),
    Column("local", "text", "code in the system urn:warmhold:quantity"),
)
TABLES: Mapping[str, tuple[Column, ...]] = {
    "values": VALUES,
    "happenings": HAPPENINGS,
    "dictionary": DICTIONARY,
}


def rows_of(out: Outgoing, table: str) -> Iterator[tuple[Cell, ...]]:
    """Yield the rows of one table.

    Errors: KeyError when there is no such table
    """
    if table == "dictionary":
        return _dictionary()
    if table == "values":
        return (_value(out, value) for value in out.every_value())
    if table == "happenings":
        return (_happened(out, one) for one in out.others)
    raise KeyError(table)


def csv_text(out: Outgoing, table: str) -> str:
    """Write one table as CSV: UTF-8, comma, a heading, quoting and ends of lines as in RFC 4180."""
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow([column.name for column in TABLES[table]])
    for row in rows_of(out, table):
        writer.writerow([_written(cell) for cell in row])
    return file.getvalue()


def parquet_bytes(out: Outgoing, table: str) -> bytes:
    """Write one table as Parquet, with the meaning and unit of each column in its metadata.

    Errors: Trouble when pyarrow is not installed
    """
    try:
        pa: Any = import_module("pyarrow")
        pq: Any = import_module("pyarrow.parquet")
    except ImportError as error:
        raise Trouble("Parquet needs pyarrow, which is not installed.", f"{INSTALL}.") from error
    types: dict[str, Any] = {
        "text": pa.string(),
        "number": pa.float64(),
        "whole number": pa.int64(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    columns = TABLES[table]
    fields = [
        pa.field(
            one.name,
            types[one.type],
            metadata={"meaning": one.meaning, "unit": one.unit, "allowed": one.allowed},
        )
        for one in columns
    ]
    found: list[list[Cell]] = [[] for _ in columns]
    for row in rows_of(out, table):
        for cells, cell in zip(found, row, strict=True):
            cells.append(cell)
    arrays = [pa.array(cells, field.type) for cells, field in zip(found, fields, strict=True)]
    said = {"trip": out.trip, "fingerprint": out.head[1], "entry": str(out.head[0])}
    made = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=said))
    file = io.BytesIO()
    pq.write_table(made, file, compression="zstd")
    return file.getvalue()


def _value(out: Outgoing, value: Value) -> tuple[Cell, ...]:
    code = code_for(value)
    quantity, cylinder = value.quantity, ""
    if quantity.startswith(GAUGE):
        quantity, cylinder = code.key, quantity[len(GAUGE) :]
    loinc, mdc = _coded(code.key)
    return (
        _text(out.trip),
        value.entry,
        value.row or None,
        *_times(out, value.at, value.saved),
        quantity,
        _text(cylinder),
        value.value if isinstance(value.value, float) else None,
        _text(value.value) if isinstance(value.value, str) else None,
        _text(code.ucum),
        value.status,
        value.kind,
        _text(value.told_by),
        _text(value.flag),
        value.was if isinstance(value.was, float) else None,
        _text(value.was) if isinstance(value.was, str) else None,
        loinc,
        mdc,
        code.about,
    )


@cache
def _coded(key: str) -> tuple[str | None, int | None]:
    """Return the verified codes of a quantity."""
    codings = {one.system: one.code for one in reversed(codes()[key].codings())}
    return codings.get(LOINC), int(codings[MDC]) if MDC in codings else None


def _happened(out: Outgoing, one: Happened) -> tuple[Cell, ...]:
    return (
        _text(out.trip),
        one.entry,
        *_times(out, one.at, one.saved),
        one.kind,
        _text(one.what),
        one.status,
        _text(one.who),
        _text(one.detail),
    )


def _dictionary() -> Iterator[tuple[Cell, ...]]:
    for table, columns in TABLES.items():
        for one in columns:
            yield (
                table, one.name, one.type, one.meaning, _text(one.unit), _text(one.allowed),
                None, None, None, None, None,
            )  # fmt: skip
    for key, code in codes().items():
        meaning = code.title if not code.unsaid else f"{code.title}; coming in, {code.unsaid}"
        yield (
            "quantity", key, "number" if code.ucum else "text", meaning, _text(code.ucum), None,
            _text(code.loinc), _text(code.loinc_status), code.mdc, _text(code.mdc_status), key,
        )  # fmt: skip


def _times(out: Outgoing, at: datetime, saved: datetime) -> tuple[Cell, ...]:
    offset = None if out.offset is None else out.offset // timedelta(minutes=1)
    return at, offset, saved


def _text(text: str) -> str | None:
    """Return a text for a cell: none when it is empty, and never a formula."""
    if not text:
        return None
    return f"'{text}" if text.startswith(_FORMULA) else text


def _written(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        moment = cell.astimezone(UTC).isoformat(timespec="microseconds")
        return moment.replace("+00:00", "Z")
    return repr(cell) if isinstance(cell, float) else str(cell)


def as_dictionaries(out: Outgoing, table: str) -> Sequence[Mapping[str, Cell]]:
    """Return the rows of one table with the names of their columns."""
    names = [column.name for column in TABLES[table]]
    return [dict(zip(names, row, strict=True)) for row in rows_of(out, table)]
