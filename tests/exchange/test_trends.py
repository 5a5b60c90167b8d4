"""Trends of any columns or signals: read whole, or refused with every reason."""

from __future__ import annotations

import math
import tomllib
import warnings
from datetime import datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyedflib
import pytest
import scipy.constants
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from exchange.trend_files import (
    PULSE,
    SAT,
    SIGNALS,
    T0,
    TABLE,
    csv_text,
    edf_physical,
    mapped,
    read,
    wfdb,
    write_edf,
    write_wfdb,
    xlsx_bytes,
    zipped,
)
from warmhold.bench.reading.mapping import ASK, fingerprint
from warmhold.exchange.trends.mapping import stated
from warmhold.exchange.trends.reading import (
    File,
    file_at,
    propose_mapping,
    read_signals,
    read_trend,
    remembered,
)
from warmhold.exchange.trends.recorded import Series, thinned, without_held
from warmhold.exchange.trends.signals import Signals
from warmhold.exchange.trends.vocabulary import quantities
from warmhold.model import FaultyInput
from warmhold.record import NUMBERS

NAN = math.nan


def refused(path: Path, mapping: str | None = None) -> str:
    with pytest.raises(FaultyInput) as told:
        read(path, mapping)
    return str(told.value)


def swap(text: str, *pairs: tuple[str, str]) -> str:
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return text


def same(found: np.ndarray, expected: list[float | None]) -> bool:
    return np.array_equal(found, [NAN if one is None else one for one in expected], equal_nan=True)


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "night.csv"
    path.write_text(csv_text(), "utf-8")
    return path


# --- the vocabulary ------------------------------------------------------------------------------


def test_every_quantity_of_the_record_has_a_unit_and_a_range() -> None:
    words = quantities()
    assert set(words.numbers) == set(NUMBERS) == set(words.ranges)
    for key in NUMBERS:
        low, high = words.plausible(key)
        assert low < high
        assert words.units_for(key)[0] == words.numbers[key][0]
        assert words.to_base(key, words.units_for(key)[0], np.array([36.6]))[0] == 36.6
    for unit in words.spellings.values():
        assert any(unit in words.units_for(key) for key in NUMBERS), unit


@pytest.mark.parametrize(
    ("key", "unit", "written", "expected", "rel"),
    [
        # scipy.constants (CODATA and conventional units); its mmHg is the torr, 1.4e-7 smaller
        ("skin_c", "°F", 97.7, scipy.constants.convert_temperature(97.7, "F", "C"), 1e-12),
        ("skin_c", "K", 309.65, scipy.constants.convert_temperature(309.65, "K", "C"), 1e-12),
        ("pressure_mean_mmhg", "kPa", 4.0, 4000.0 / scipy.constants.mmHg, 3e-7),
        ("pressure_mean_mmhg", "hPa", 40.0, 4000.0 / scipy.constants.mmHg, 3e-7),
        ("pulse_per_min", "/s", 2.5, 2.5 * scipy.constants.minute, 1e-12),
        ("oxygen_percent", "fraction", 0.35, 35.0, 1e-12),
        ("flow_lpm", "mL/min", 500.0, 0.5, 1e-12),
        # molar mass of C6H12O6 from IUPAC's abridged atomic masses (C 12.011, H 1.008, O 15.999;
        # from memory): 180.156 g/mol
        ("glucose_mmol_l", "mg/dL", 50.0,
         500.0 / (6 * 12.011 + 12 * 1.008 + 6 * 15.999), 1e-5),
    ],
)  # fmt: skip
def test_units_are_brought_to_the_records_own(
    key: str, unit: str, written: float, expected: float, rel: float
) -> None:
    got = quantities().to_base(key, unit, np.array([written]))[0]
    assert got == pytest.approx(expected, rel=rel)


# --- tables --------------------------------------------------------------------------------------


def test_a_plain_trend(table: Path) -> None:
    trend = read(table)
    assert (trend.source, trend.start_utc, trend.name) == ("bedside monitor", T0, "night.csv")
    assert trend.seconds.tolist() == [0, 60, 120, 180, 240, 300]
    assert same(trend.numbers["saturation_pre_percent"], SAT)
    assert same(trend.numbers["pulse_per_min"], PULSE)
    assert len(trend.fingerprint) == 64
    assert any("read by the mapping" in one for one in trend.noticed)


def test_every_fault_comes_at_once(table: Path) -> None:
    text = swap(
        TABLE, ('"SpO2 [%]"', '"SpO [%]"'), ('zone = "UTC"', 'zone = "CET"'),
        ('unit = "/min"', 'unit = "%"'), ("[source]", "[source]\ncolumn = 3"),
    )  # fmt: skip
    told = refused(table, text)
    assert all(one in told for one in ("time.zone", "channel[2].unit", "source.column"))


def test_the_zone_is_stated_and_never_guessed(table: Path) -> None:
    told = refused(table, swap(TABLE, ('zone = "UTC"\n', "")))
    assert "never guessed" in told
    for zone, offset in (("+05:30", 5.5), ("Europe/Lisbon", 0.0), ("Asia/Tokyo", 9.0)):
        file = file_at(table)
        own = mapped(swap(TABLE, ('zone = "UTC"\n', "")))
        trend = read_trend(file, stated(own, zone, None, None))
        assert trend.start_utc == T0 - timedelta(hours=offset)
    with pytest.raises(FaultyInput, match="abbreviation"):
        stated(mapped(TABLE), "EST", None, None)


def test_a_unit_that_the_header_contradicts(table: Path) -> None:
    told = refused(table, swap(TABLE, ('unit = "/min"', 'unit = "/s"')))
    assert '"/min"' in told


def test_a_count_of_seconds_needs_its_start_for_each_file(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("s,SpO2 [%],PR [/min]\n0,97,140\n30,96,141\n", "utf-8")
    text = swap(TABLE, ("%Y-%m-%d %H:%M:%S", "elapsed_s"), ('"Time"', '"s"'), ('zone = "UTC"', ""))
    assert "--start" in refused(path, text)
    trend = read_trend(file_at(path), stated(mapped(text), None, T0, "other"))
    assert (trend.start_utc, trend.source) == (T0, "other")
    assert trend.seconds.tolist() == [0, 30]


def test_what_means_that_nothing_was_read_is_not_zero(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(csv_text().replace(",140\n", ",0\n").replace(",97,", ",0,"), "utf-8")
    text = swap(TABLE, ('unit = "/min"\n', 'unit = "/min"\nnothing = [0]\n'))
    trend = read(path, text)
    assert same(trend.numbers["pulse_per_min"], [None, *PULSE[1:]])
    assert trend.numbers["saturation_pre_percent"][0] == 0.0, "only where the mapping says so"
    assert trend.doubtful() == {"saturation_pre_percent": [0]}


def test_a_value_that_is_held_is_taken_out() -> None:
    seconds = np.arange(8) * 60.0
    values = np.array([140.0, 141, 141, 141, 141, NAN, 141, 140])
    got, count = without_held(Series(seconds, values), 120.0)
    assert count == 1
    assert np.array_equal(got.values, [140, 141, 141, 141, NAN, NAN, 141, 140], equal_nan=True)


# --- thinning ------------------------------------------------------------------------------------


def test_thinning_takes_the_lower_median_of_each_window() -> None:
    seconds = np.array([0.0, 20, 40, 60, 80, 100, 119.9, 180, 200])
    values = np.array([95.0, 60, 96, 94, NAN, 90, 92, NAN, NAN])
    got = thinned(Series(seconds, values), 60.0)
    assert got.seconds.tolist() == [0, 60], "a window in which nothing was read has no row"
    assert got.values.tolist() == [95, 92], "a dip of one reading counts for nothing here"


@given(
    st.lists(st.tuples(st.integers(1, 90), st.none() | st.integers(0, 5)), min_size=1, max_size=60),
    st.integers(1, 120),
)
def test_thinned_values_were_told_and_lie_in_the_middle(
    rows: list[tuple[int, int | None]], every: int
) -> None:
    seconds = np.cumsum([step for step, _ in rows]).astype(float)
    values = np.array([NAN if one is None else float(one) for _, one in rows])
    got = thinned(Series(seconds, values), float(every))
    by_window: dict[int, list[float]] = {}
    for at, value in zip(seconds, values, strict=True):
        if not math.isnan(value):
            by_window.setdefault(int(at // every), []).append(value)
    assert got.seconds.tolist() == [key * every for key in sorted(by_window)]
    for value, key in zip(got.values, sorted(by_window), strict=True):
        inside = sorted(by_window[key])
        assert value == inside[(len(inside) - 1) // 2]


# --- spreadsheets --------------------------------------------------------------------------------


def sheet_rows() -> list[list[object]]:
    rows: list[list[object]] = [["made by the demo monitor"], ["Time", "SpO2 [%]", "PR [/min]"]]
    start = T0.replace(tzinfo=None)
    pairs = enumerate(zip(SAT, PULSE, strict=True))
    return [*rows, *([start + timedelta(minutes=i), a, b] for i, (a, b) in pairs)]


def test_a_spreadsheet_reads_as_its_csv_does(tmp_path: Path, table: Path) -> None:
    path = tmp_path / "night.xlsx"
    path.write_bytes(xlsx_bytes(sheet_rows(), more=1))
    text = swap(TABLE, ("format = 1\n", 'format = 1\nheader_row = 2\nsheet = "Trend"\n'))
    trend, other = read(path, text), read(table)
    assert trend.start_utc == other.start_utc
    assert np.array_equal(trend.seconds, other.seconds)
    for key, values in other.numbers.items():
        assert np.array_equal(trend.numbers[key], values, equal_nan=True)


def test_a_sheet_is_chosen_and_never_the_first_by_chance(tmp_path: Path) -> None:
    path = tmp_path / "night.xlsx"
    path.write_bytes(xlsx_bytes(sheet_rows(), more=2))
    text = swap(TABLE, ("format = 1\n", "format = 1\nheader_row = 2\n"))
    assert "3 sheets: Trend, other 0, other 1" in refused(path, text)
    wrong = swap(text, ("header_row", 'sheet = "Trends"\nheader_row'))
    assert 'write "Trend"' in refused(path, wrong)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (["2026-01-14 03:06:00", "n/a?", 140], "n/a?"),
        (["2026-01-14 03:06:00", 97, 140, 5], "4 cells"),
        ([T0.replace(tzinfo=None) + timedelta(seconds=360.5), 97, 140], "03:06:00.5"),
        ([True, 97, 140], "TRUE"),
    ],
)
def test_a_cell_that_is_something_else(tmp_path: Path, row: list[object], said: str) -> None:
    path = tmp_path / "night.xlsx"
    path.write_bytes(xlsx_bytes([*sheet_rows(), row]))
    assert said in refused(path, swap(TABLE, ("format = 1\n", "format = 1\nheader_row = 2\n")))


# --- signals -------------------------------------------------------------------------------------


def test_an_edf_file_is_what_its_own_rule_says(tmp_path: Path) -> None:
    digital = np.array([985, 980, -1000, 990, 970, 960]), np.array([100, 110, 120, 130, 140, 150])
    path = tmp_path / "night.edf"
    write_edf(path, [("SpO2", "%", 1.0, digital[0]), ("PR", "bpm", 1.0, digital[1])])
    trend = read(path, swap(SIGNALS, ('unit = "%"\n', 'unit = "%"\nnothing = [-100]\n')))
    expected = edf_physical(digital[0])
    expected[2] = NAN
    assert trend.numbers["saturation_pre_percent"] == pytest.approx(expected, abs=1e-9, nan_ok=True)
    assert trend.numbers["pulse_per_min"] == pytest.approx(edf_physical(digital[1]), abs=1e-9)
    assert trend.start_utc == T0
    assert trend.seconds.tolist() == [0, 1, 2, 3, 4, 5]


def test_the_zone_of_an_edf_file_is_stated(tmp_path: Path) -> None:
    path = tmp_path / "night.edf"
    write_edf(path, [("SpO2", "%", 1.0, np.arange(4)), ("PR", "bpm", 1.0, np.arange(4))])
    bare = swap(SIGNALS, ('zone = "UTC"\n', ""))
    assert "whose zone it does not say" in refused(path, bare)
    start = datetime(2026, 1, 14, 9, 0, tzinfo=timezone(timedelta(hours=2)))
    trend = read_trend(file_at(path), stated(mapped(bare, True), None, start, None))
    assert trend.start_utc == start


def test_an_hour_that_came_twice_is_no_start(tmp_path: Path) -> None:
    path = tmp_path / "night.edf"
    twice = datetime(2026, 10, 25, 1, 30, tzinfo=ZoneInfo("Europe/Lisbon"))
    write_edf(path, [("SpO2", "%", 1.0, np.arange(4)), ("PR", "bpm", 1.0, np.arange(4))], twice)
    told = refused(path, swap(SIGNALS, ('zone = "UTC"', 'zone = "Europe/Lisbon"')))
    assert "twice or never" in told


def test_physical_units_are_checked(tmp_path: Path) -> None:
    path = tmp_path / "night.edf"
    write_edf(path, [("SpO2", "uV", 1.0, np.arange(4)), ("PR", "pm", 1.0, np.arange(4))])
    told = refused(path)
    assert 'the file says "uV"' in told
    assert 'the file says "pm"' in told
    text = swap(SIGNALS, ('unit = "/min"\n', 'unit = "/min"\nfile_unit = "pm"\n'),
                ('unit = "%"\n', 'unit = "%"\nfile_unit = "uV"\n'))  # fmt: skip
    assert len(read(path, text).seconds) == 4


def test_a_signal_that_is_not_there_or_twice(tmp_path: Path) -> None:
    path = tmp_path / "night.edf"
    write_edf(path, [("SpO2", "%", 1.0, np.arange(4)), ("SpO2", "%", 1.0, np.arange(4))])
    told = refused(path)
    assert "2 signals of that name" in told
    assert "no signal of that name" in told
    text = swap(SIGNALS, ('"SpO2"', '"#2"'), ('"PR"', '"#1"'), ('unit = "/min"',
                'unit = "/min"\nfile_unit = "%"'))  # fmt: skip
    assert len(read(path, text).seconds) == 4


def test_a_wfdb_record_and_the_same_in_a_zip(tmp_path: Path) -> None:
    sat, pulse = np.array([970, 960, -32768, 950]), np.array([1400, 1410, 1420, -32768])
    path = write_wfdb(tmp_path, "night", {"SpO2": ("%", sat), "PR": ("bpm", pulse)}, 1 / 60)
    trend = read(path)
    assert same(trend.numbers["saturation_pre_percent"], [97.0, 96.0, None, 95.0])
    assert same(trend.numbers["pulse_per_min"], [140.0, 141.0, 142.0, None])
    assert trend.seconds == pytest.approx([0, 60, 120, 180])
    packed = tmp_path / "night.zip"
    packed.write_bytes(zipped(tmp_path, ["night.hea", "night.dat"]))
    again = read(packed)
    assert again.fingerprint == trend.fingerprint
    assert np.array_equal(again.seconds, trend.seconds)


def test_a_wfdb_record_without_a_start(tmp_path: Path) -> None:
    one = {"SpO2": ("%", np.arange(4)), "PR": ("bpm", np.arange(4))}
    path = write_wfdb(tmp_path, "night", one, 1.0, start=None)
    assert "no start time in the record" in refused(path)
    assert read_trend(file_at(path), stated(mapped(SIGNALS, True), None, T0, None)).start_utc == T0


def test_segments_of_a_wfdb_record_are_joined_with_their_gap(tmp_path: Path) -> None:
    columns = {"SpO2": ("%", np.array([970, 960])), "PR": ("bpm", np.array([1400, 1410]))}
    write_wfdb(tmp_path, "one", columns, 1.0)
    write_wfdb(tmp_path, "two", {"PR": columns["PR"]}, 1.0)
    head = tmp_path / "all.hea"
    layout = "lay 2 1 0\n~ 0 10/% 16 0 0 0 0 SpO2\n~ 0 10/bpm 16 0 0 0 0 PR\n"
    (tmp_path / "lay.hea").write_text(layout, "utf-8")
    whole = "all/4 2 1 7 03:00:00 14/01/2026\nlay 0\none 2\n~ 3\ntwo 2\n"
    head.write_text(whole, "utf-8")
    trend = read(head)
    sat = [97.0, 96.0, None, None, None, None, None]
    assert same(trend.numbers["saturation_pre_percent"], sat)
    pulse = [140.0, 141.0, None, None, None, 140.0, 141.0]
    assert same(trend.numbers["pulse_per_min"], pulse)
    packed = tmp_path / "all.zip"
    names = ["all.hea", "lay.hea", "one.hea", "one.dat", "two.hea", "two.dat"]
    packed.write_bytes(zipped(tmp_path, names))
    assert same(read(packed).numbers["saturation_pre_percent"], sat)


@pytest.mark.parametrize(
    "name",
    ["../night.dat", "sub/night.dat", "http://127.0.0.1:9/x.dat", "a::file://night.dat",
     "%2e%2e", "night.dat:x", "s3://x"],
)  # fmt: skip
def test_nothing_is_looked_for_elsewhere(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the library was asked for a file that is not beside the header")

    one = {"SpO2": ("%", np.arange(4)), "PR": ("bpm", np.arange(4))}
    path = write_wfdb(tmp_path, "night", one, 1.0)
    path.write_text(path.read_text("utf-8").replace("night.dat", name), "utf-8")
    monkeypatch.setattr(wfdb, "rdrecord", never)
    monkeypatch.setattr(wfdb, "rdheader", never)
    assert "a plain name beside the header" in refused(path)


def test_samples_that_are_not_those_of_the_header(tmp_path: Path) -> None:
    one = {"SpO2": ("%", np.arange(40)), "PR": ("bpm", np.arange(40))}
    path = write_wfdb(tmp_path, "night", one, 1.0)
    samples = bytearray((tmp_path / "night.dat").read_bytes())
    samples[10] ^= 1
    (tmp_path / "night.dat").write_bytes(bytes(samples))
    assert "check sum" in refused(path)


# --- records that an installed package carries ---------------------------------------------------

# Read from the installed package at test time, nothing of it is copied. pyedflib is under the BSD
# licence and carries these files of its own test generator; they are test signals, not of a baby.
PACKAGED = sorted((Path(pyedflib.__file__).parent / "tests" / "data").glob("*.?df"))


def digital_by_hand(content: bytes) -> list[tuple[str, np.ndarray]]:
    """Decode an EDF or BDF file by the format's own description, without any library."""
    count, records = int(content[252:256]), int(content[236:244])
    wide = 3 if content[0] == 0xFF else 2

    def fields(start: int, size: int) -> list[str]:
        at = 256 + start * count
        parts = (content[at + size * i : at + size * (i + 1)] for i in range(count))
        return [part.decode("utf-8", "replace").strip() for part in parts]

    labels, each = fields(0, 16), [int(one) for one in fields(216, 8)]
    ends = [[float(one) for one in fields(start, 8)] for start in (104, 112, 120, 128)]
    raw = np.frombuffer(content[256 * (count + 1) :], np.uint8).reshape(records, -1, wide)
    top = raw[..., -1].astype(np.int8).astype(np.int64) << (8 * (wide - 1))
    whole = top + sum(raw[..., i].astype(np.int64) << (8 * i) for i in range(wide - 1))
    out, at = [], 0
    for i, label in enumerate(labels):
        low, high, bottom, ceiling = (end[i] for end in ends)
        values = whole[:, at : at + each[i]].reshape(-1)
        at += each[i]
        out.append((label, low + (values - bottom) * (high - low) / (ceiling - bottom)))
    plus = content[192:196] in (b"EDF+", b"BDF+")  # only there are annotations no signal
    return [one for one in out if not (plus and one[0].endswith("Annotations"))]


@pytest.mark.parametrize("path", PACKAGED, ids=lambda path: path.name)
def test_packaged_records_come_whole(path: Path) -> None:
    found = read_signals(file_at(path))
    assert isinstance(found, Signals)
    by_hand = digital_by_hand(path.read_bytes())
    with pyedflib.EdfReader(str(path)) as library:
        assert len(found.signals) == library.signals_in_file == len(by_hand)
        for at, signal in enumerate(found.signals):
            assert signal.name == library.getLabel(at).strip()
            assert np.array_equal(signal.values, library.readSignal(at))
            assert signal.per_s == pytest.approx(library.getSampleFrequency(at))
            size = float(np.max(np.abs(by_hand[at][1])))  # the two round in another order
            assert np.allclose(signal.values, by_hand[at][1], rtol=0, atol=1e-9 * size)


def test_there_are_packaged_records() -> None:
    assert len(PACKAGED) >= 5


@pytest.mark.parametrize("name", ["test_generator.edf", "test_subsecond.edf"])
def test_a_packaged_record_becomes_a_trend_sample_by_sample(name: str) -> None:
    path = next(one for one in PACKAGED if one.name == name)
    first = read_signals(file_at(path)).signals[0]
    text = SIGNALS[: SIGNALS.index("[[channel]]")] + (
        f'[[channel]]\nname = "heater_percent"\ncolumn = "{first.name}"\nunit = "%"\n'
        f'file_unit = "{first.unit}"\n'
    )
    trend = read(path, text)
    with pyedflib.EdfReader(str(path)) as library:
        assert np.array_equal(trend.numbers["heater_percent"], library.readSignal(0))
        assert trend.start_utc.replace(tzinfo=None) == library.getStartdatetime()
        length = (len(trend.seconds) - 1) / library.getSampleFrequency(0)
    assert trend.seconds[-1] == pytest.approx(length, abs=1e-6)


# --- proposals and what is remembered ------------------------------------------------------------


def test_a_proposal_leaves_open_what_the_names_do_not_say(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        "Time,SpO2 %,SpO2 pre [%],Foot sat [%],HR [bpm],Temp 1 [°C],T skin [°C],Rectal,"
        "Set air [°C],FiO2 [%],Resp\n2026-01-14 03:00:00,1,1,1,1,1,1,1,1,1,1\n",
        "utf-8",
    )  # fmt: skip
    found = propose_mapping(file_at(path))
    told = {column: (name, unit) for name, column, unit in found.told}
    assert told == {
        "SpO2 %": (ASK, "%"), "SpO2 pre [%]": ("saturation_pre_percent", "%"),
        "Foot sat [%]": ("saturation_post_percent", "%"), "HR [bpm]": ("pulse_per_min", "/min"),
        "Temp 1 [°C]": (ASK, "°C"), "T skin [°C]": ("skin_c", "°C"), "Rectal": ("rectal_c", ASK),
        "Set air [°C]": ("air_set_c", "°C"), "FiO2 [%]": ("oxygen_percent", "%"),
        "Resp": ("breaths_per_min", ASK),
    }  # fmt: skip
    assert {"time.zone", "source.name", "unit of rectal_c"} <= set(found.open)
    assert tomllib.loads(found.text)["channel"]
    assert "never guessed" in refused(path, found.text)


def test_a_proposal_of_signals_and_of_a_sheet(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    write_edf(path, [("SpO2", "%", 1.0, np.arange(4)), ("Pulse", "bpm", 1.0, np.arange(4))])
    found = tomllib.loads(propose_mapping(file_at(path)).text)
    assert found["channel"] == [
        {"name": ASK, "column": "SpO2", "unit": "%"},
        {"name": "pulse_per_min", "column": "Pulse", "unit": "/min"},
    ]
    assert found["fingerprint"] == fingerprint(["SpO2 [%]", "Pulse [bpm]"])
    sheet = tmp_path / "a.xlsx"
    sheet.write_bytes(xlsx_bytes(sheet_rows()))
    found = tomllib.loads(propose_mapping(file_at(sheet)).text)
    assert (found["header_row"], found["sheet"], found["time"]["format"]) == (2, "Trend", "iso")


def test_a_mapping_is_found_again_by_the_header(tmp_path: Path, table: Path) -> None:
    folder = tmp_path / "mappings"
    folder.mkdir()
    edf = tmp_path / "a.edf"
    write_edf(edf, [("SpO2", "%", 1.0, np.arange(4)), ("PR", "bpm", 1.0, np.arange(4))])
    sheet = tmp_path / "a.xlsx"
    sheet.write_bytes(xlsx_bytes(sheet_rows()))
    for file in (table, edf, sheet):
        assert remembered(file_at(file), folder) is None
    marks = {
        "table": (TABLE, ["Time", "SpO2 [%]", "PR [/min]"]),
        "signals": (SIGNALS, ["SpO2 [%]", "PR [bpm]"]),
    }
    for name, (text, header) in marks.items():
        marked = f'fingerprint = "{fingerprint(header)}"\n{text}'
        (folder / f"{name}.toml").write_text(marked, "utf-8")
    for file, name in ((table, "demo monitor"), (edf, "demo signals"), (sheet, "demo monitor")):
        found = remembered(file_at(file), folder)
        assert found is not None
        assert found.mapping.name == name
    (folder / "more.toml").write_text((folder / "table.toml").read_text("utf-8"), "utf-8")
    with pytest.raises(FaultyInput, match="several mappings"):
        remembered(file_at(table), folder)
    other = tmp_path / "other.csv"
    other.write_text(csv_text().replace("PR [", "Pulse ["), "utf-8")
    assert remembered(file_at(other), folder) is None
    assert "has other columns" in refused(other, (folder / "table.toml").read_text("utf-8"))


def test_a_name_that_says_nothing(tmp_path: Path) -> None:
    with pytest.raises(FaultyInput, match="a name that ends in none"):
        _ = File(tmp_path, "night.pdf").sort


# --- round trips ---------------------------------------------------------------------------------

CELLS = st.none() | st.floats(21, 100, allow_nan=False).map(lambda value: round(value, 6))
SOME = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
ZONES = st.sampled_from(["UTC", "+05:45", "-03:30", "Asia/Tokyo"])
MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}


def zone_of(name: str) -> timezone | ZoneInfo:
    if "/" in name:
        return ZoneInfo(name)
    if name == "UTC":
        return timezone.utc  # noqa: UP017
    sign = -1 if name[0] == "-" else 1
    return timezone(sign * timedelta(hours=int(name[1:3]), minutes=int(name[4:])))


@SOME
@given(
    st.lists(st.tuples(st.integers(1, 4000), CELLS, CELLS), min_size=2, max_size=40),
    st.sampled_from(list(MARKS)), st.booleans(), ZONES,
    st.sampled_from(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "iso", "unix_s"]),
    st.sampled_from(["utf-8", "utf-16", "latin-1"]), st.sampled_from(["", "---", "NaN"]),
)  # fmt: skip
def test_what_is_written_as_csv_is_read_back(
    tmp_path: Path, rows: list[tuple[int, float | None, float | None]], delimiter: str,
    comma: bool, zone: str, form: str, encoding: str, nothing: str,
) -> None:  # fmt: skip
    comma = comma and delimiter != "comma"
    at, moments = T0, []
    lines = [MARKS[delimiter].join(["Time", "SpO2 [%]", "PR [/min]"])]
    for step, one, other in rows:
        at += timedelta(seconds=step)
        moments.append(at)
        here = at.astimezone(zone_of(zone)).replace(tzinfo=None)
        if form == "unix_s":
            text = repr(int(at.timestamp()))
        else:
            text = here.isoformat() if form == "iso" else here.strftime(form)
        cells = [nothing if value is None else repr(value) for value in (one, other)]
        cells = [cell.replace(".", ",") for cell in cells] if comma else cells
        lines.append(MARKS[delimiter].join([text, *cells]))
    path = tmp_path / "night.csv"
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    text = swap(
        TABLE, ('"comma"', f'"{delimiter}"'), ("%Y-%m-%d %H:%M:%S", form),
        ('decimal = "point"', f'decimal = "{"comma" if comma else "point"}"\n'
         f'encoding = "{encoding}"'), ('zone = "UTC"', f'zone = "{zone}"'),
    )  # fmt: skip
    trend = read(path, text)
    assert trend.start_utc == moments[0]
    assert trend.seconds.tolist() == [(one - moments[0]).total_seconds() for one in moments]
    assert same(trend.numbers["saturation_pre_percent"], [one for _, one, _ in rows])
    assert same(trend.numbers["pulse_per_min"], [other for _, _, other in rows])


@settings(SOME, max_examples=15)
@given(st.lists(st.tuples(st.integers(1, 4000), CELLS, CELLS), min_size=2, max_size=20), ZONES)
def test_what_is_written_as_a_spreadsheet_is_read_back(
    tmp_path: Path, rows: list[tuple[int, float | None, float | None]], zone: str
) -> None:
    at, moments, cells = T0, [], [["Time", "SpO2 [%]", "PR [/min]"]]
    for step, one, other in rows:
        at += timedelta(seconds=step)
        moments.append(at)
        cells.append([at.astimezone(zone_of(zone)).replace(tzinfo=None), one, other])
    path = tmp_path / "night.xlsx"
    path.write_bytes(xlsx_bytes(cells))
    trend = read(path, swap(TABLE, ('zone = "UTC"', f'zone = "{zone}"')))
    assert [trend.moment(row) for row in range(len(rows))] == moments
    assert same(trend.numbers["saturation_pre_percent"], [one for _, one, _ in rows])
    assert same(trend.numbers["pulse_per_min"], [other for _, _, other in rows])


WHOLE = st.integers(-390, 0)  # 22 to 100 once decoded: what can be of both quantities


@settings(SOME, max_examples=15)
@given(st.lists(st.tuples(WHOLE, WHOLE), min_size=2, max_size=40), ZONES)
def test_what_is_written_as_edf_is_read_back(
    tmp_path: Path, rows: list[tuple[int, int]], zone: str
) -> None:
    path = tmp_path / "night.edf"
    sat, pulse = (np.array(one) for one in zip(*rows, strict=True))
    start = T0.astimezone(zone_of(zone))
    write_edf(path, [("SpO2", "%", 1.0, sat), ("PR", "bpm", 1.0, pulse)], start)
    trend = read(path, swap(SIGNALS, ('zone = "UTC"', f'zone = "{zone}"')))
    assert trend.start_utc == T0
    for key, digital in (("saturation_pre_percent", sat), ("pulse_per_min", pulse)):
        assert trend.numbers[key] == pytest.approx(edf_physical(digital), abs=1e-9)


@settings(SOME, max_examples=15)
@given(
    st.lists(
        st.tuples(*[st.just(-32768) | st.integers(210, 1000)] * 2), min_size=2, max_size=40
    ),
    ZONES, st.sampled_from([1.0, 0.5, 0.2]),
)  # fmt: skip
def test_what_is_written_as_wfdb_is_read_back(
    tmp_path: Path, rows: list[tuple[int, int]], zone: str, per_s: float
) -> None:
    sat, pulse = (np.array(one) for one in zip(*rows, strict=True))
    start = T0.astimezone(zone_of(zone))
    columns = {"SpO2": ("%", sat), "PR": ("bpm", pulse)}
    path = write_wfdb(tmp_path, "night", columns, per_s, start)
    trend = read(path, swap(SIGNALS, ('zone = "UTC"', f'zone = "{zone}"')))
    assert trend.start_utc == T0
    assert trend.seconds == pytest.approx(np.arange(len(rows)) / per_s)
    with warnings.catch_warnings():  # of pandas, on behalf of wfdb
        warnings.simplefilter("ignore")
        library = wfdb.rdrecord(str(path.with_suffix("")))
    for at, (key, digital) in enumerate(
        (("saturation_pre_percent", sat), ("pulse_per_min", pulse))
    ):
        expected = np.where(digital == -32768, NAN, digital / 10.0)
        assert np.array_equal(trend.numbers[key], expected, equal_nan=True)
        assert np.array_equal(trend.numbers[key], library.p_signal[:, at], equal_nan=True)
