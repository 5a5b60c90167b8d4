"""A trip as CSV and Parquet: the same values in both, what is missing is missing in both."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.plain_outgoing import plain_outgoing
from exchange.trips import TRIP, record_with
from record.sample import FULL
from warmhold.exchange import tables
from warmhold.exchange.outgoing import Outgoing, Value, outgoing
from warmhold.exchange.tables import TABLES, as_dictionaries, csv_text, parquet_bytes
from warmhold.record import NUMBERS, WORDS, Trouble


@pytest.fixture(scope="module")
def out(tmp_path_factory) -> Outgoing:
    with record_with(tmp_path_factory.mktemp("tables") / "r") as record:
        return outgoing(record.events(), TRIP, record.head())


def _parquet(raw: bytes) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = pq.read_table(io.BytesIO(raw)).to_pylist()
    return found


def _csv(text: str, table: str) -> list[dict[str, Any]]:
    """Read with pandas, by the types that the dictionary names; only the empty is missing."""
    frame = pd.read_csv(
        io.StringIO(text, newline=""), dtype=str, keep_default_na=False, na_values=[""],
        lineterminator=None,
    )  # fmt: skip
    found = []
    for row in frame.to_dict("records"):
        one: dict[str, Any] = {}
        for column in TABLES[table]:
            cell = row[column.name]
            if not isinstance(cell, str):
                one[column.name] = None
            elif column.type == "number":
                one[column.name] = float(cell)
            elif column.type == "whole number":
                one[column.name] = int(cell)
            elif column.type == "time":
                one[column.name] = datetime.fromisoformat(cell)
            else:
                one[column.name] = cell
        found.append(one)
    return found


@pytest.mark.parametrize("table", TABLES)
def test_both_forms_hold_the_same_values(out, table) -> None:
    plain = as_dictionaries(out, table)
    assert plain
    assert _parquet(parquet_bytes(out, table)) == plain
    assert _csv(csv_text(out, table), table) == plain
    frame = pd.read_parquet(io.BytesIO(parquet_bytes(out, table)))
    assert list(frame.columns) == [column.name for column in TABLES[table]]
    assert len(frame) == len(plain)


def test_arrow_reads_the_same_numbers_from_csv(out) -> None:
    options = pyarrow.csv.ParseOptions(newlines_in_values=True)
    found = pyarrow.csv.read_csv(
        io.BytesIO(csv_text(out, "values").encode()), parse_options=options
    )  # fmt: skip
    same = _parquet(parquet_bytes(out, "values"))
    assert found.column("number").to_pylist() == [row["number"] for row in same]
    assert found.column("at_utc").to_pylist() == [row["at_utc"] for row in same]


def test_what_is_missing_is_empty_and_never_zero(out) -> None:
    rows = [row for row in as_dictionaries(out, "values") if row["entry"] == 12]
    assert [row["number"] for row in rows] == [34.25, None, 35.125]
    lines = csv_text(out, "values").split("\r\n")
    assert [line.split(",")[8] for line in lines if line.startswith("T1,12,")] == [
        "34.25", "", "35.125",
    ]  # fmt: skip
    frame = pd.read_parquet(io.BytesIO(parquet_bytes(out, "values")))
    assert frame[frame["entry"] == 12]["number"].isna().tolist() == [False, True, False]


def test_times_are_utc_with_the_local_offset_beside(out) -> None:
    rows = as_dictionaries(out, "values")
    assert rows[0]["at_utc"] == datetime(2026, 1, 14, 3, 20, tzinfo=UTC)
    assert {row["offset_min"] for row in rows} == {0}
    assert ",2026-01-14T03:20:00.000000Z,0," in csv_text(out, "values")


def test_an_unknown_offset_is_empty(out) -> None:
    for offset, expected in ((None, None), (timedelta(hours=-3, minutes=-30), -210)):
        found = as_dictionaries(replace(out, offset=offset), "values")
        assert {row["offset_min"] for row in found} == {expected}


def test_no_text_is_taken_for_a_formula(out) -> None:
    for table in TABLES:
        for row in as_dictionaries(out, table):
            for cell in row.values():
                assert not (isinstance(cell, str) and cell.startswith(tables._FORMULA))
    for text, shown in (("=1+1", "'=1+1"), ("@x", "'@x"), ("\tx", "'\tx"), ("", None), ("x", "x")):
        assert tables._text(text) == shown


def test_the_dictionary_names_every_column_and_quantity_with_unit_and_codes(out) -> None:
    rows = as_dictionaries(out, "dictionary")
    for table, columns in TABLES.items():
        named = [row["name"] for row in rows if row["table"] == table]
        assert named == [column.name for column in columns]
    about = {row["name"]: row for row in rows if row["table"] == "quantity"}
    assert set(about) == {*NUMBERS, *WORDS, "gauge_bar"}
    assert about["skin_c"]["loinc"] == "60839-8"
    assert about["skin_c"]["mdc"] == 150388
    assert about["glucose_mmol_l"]["loinc_status"] == "memory"
    assert about["air_c"]["loinc"] is None
    assert about["air_c"]["unit"] == "Cel"
    assert all(row["meaning"] for row in rows)
    used = {row["quantity"] for row in as_dictionaries(out, "values")}
    assert used <= set(about)


def test_parquet_carries_meaning_unit_and_fingerprint(out) -> None:
    schema = pq.read_schema(io.BytesIO(parquet_bytes(out, "values")))
    assert schema.metadata[b"fingerprint"].decode() == out.head[1]
    assert schema.field("offset_min").metadata[b"unit"] == b"min"
    assert str(schema.field("at_utc").type) == "timestamp[us, tz=UTC]"


def test_notes_keep_their_lines_and_who_made_them(out) -> None:
    (row,) = [r for r in as_dictionaries(out, "happenings") if r["what"] == "note"]
    assert json.loads(row["detail"])["detail"] == "+ family told\nby phone"
    assert row["who"].startswith("mira")
    struck = [r["status"] for r in as_dictionaries(out, "values") if r["entry"] == 5]
    assert struck == ["entered-in-error"]


def test_without_the_library_parquet_says_what_to_install(out, monkeypatch) -> None:
    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(tables, "import_module", missing)
    with pytest.raises(Trouble, match=r"pip install \"warmhold\[exchange\]\""):
        parquet_bytes(out, "values")


_text = st.text(st.characters(codec="utf-8"), max_size=12)
_moments = st.datetimes(
    min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1)
).map(lambda moment: moment.replace(tzinfo=UTC))  # fmt: skip


@st.composite
def _values(draw) -> Value:
    name = draw(st.sampled_from((*NUMBERS, *WORDS, 'gauge_bar:A, "b"\r\n;c')))
    value = draw(_text if name in WORDS else st.none() | st.floats(
        allow_nan=False, allow_infinity=False))  # fmt: skip
    was = draw(st.none() | (_text if name in WORDS else st.floats(-1e9, 1e9)))
    return Value(
        draw(st.integers(1, 10**12)), name, value, draw(_moments), draw(_moments),
        "final", "extra", draw(_text), draw(_text), was,
    )  # fmt: skip


@settings(max_examples=600 if FULL else 60, deadline=None)
@given(values=st.lists(_values(), max_size=6), trip=st.text(st.characters(codec="utf-8"),
       min_size=1, max_size=9))  # fmt: skip
def test_any_values_are_read_back_the_same_from_both(values, trip) -> None:
    out = plain_outgoing(trip, values)
    plain = as_dictionaries(out, "values")
    assert _parquet(parquet_bytes(out, "values")) == plain
    text = csv_text(out, "values")
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert len(rows) == len(plain)
    for row, same in zip(rows, plain, strict=True):
        for column in TABLES["values"]:
            cell, expected = row[column.name], same[column.name]
            if expected is None:
                assert cell == ""
            elif isinstance(expected, float):
                assert math.copysign(1, float(cell)) == math.copysign(1, expected)
                assert float(cell) == expected
            elif isinstance(expected, datetime):
                assert datetime.fromisoformat(cell) == expected
            else:
                assert cell == str(expected)
