"""Logs of any columns: units, gaps, repeats, other units, and every reason for a refusal."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.alder_log import START, as_csv, steady_log
from warmhold.bench.reading import estimated_step, load_mapping, parse_mapping, read_log
from warmhold.model import FaultyInput

MAPPING = """\
format = 1
name = "demo logger"
delimiter = "comma"
decimal = "point"

[time]
column = "Time"
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"

[unit]
name = "Alder single"

[[channel]]
name = "air_c"
column = "T mid"
unit = "°C"
certificate = "no. 7"
certificate_u = 0.1
drift = 0.05

[[channel]]
name = "ambient_c"
column = "Room"
unit = "°C"
"""
ROWS = """\
Time,T mid,Room
2026-03-04 08:00:00,36.00,23.1
2026-03-04 08:01:00,36.05,23.2
2026-03-04 08:02:00,36.10,23.1
2026-03-04 08:03:00,36.20,23.3
"""


def read(tmp_path: Path, text: str = ROWS, mapping: str = MAPPING, unit: str = "Alder single",
         encoding: str = "utf-8"):  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode(encoding))
    return read_log(path, parse_mapping(mapping, "map.toml"), unit)


def refused(*arguments, **named) -> str:
    with pytest.raises(FaultyInput) as told:
        read(*arguments, **named)
    return str(told.value)


def swap(text: str, *pairs: tuple[str, str]) -> str:
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return text


# --- what is read -------------------------------------------------------------------------------


def test_a_plain_log(tmp_path: Path) -> None:
    reading = read(tmp_path)
    log = reading.log
    assert (log.unit, log.name, log.start_utc) == ("Alder single", "log.csv", START)
    assert log.seconds.tolist() == [0, 60, 120, 180]
    assert log.numbers["air_c"].tolist() == [36.0, 36.05, 36.1, 36.2]
    assert log.steps["air_c"] == pytest.approx(0.05)
    assert len(log.fingerprint) == 64
    one = reading.instruments["air_c"]
    assert (one.certificate, one.expanded, one.coverage, one.drift) == ("no. 7", 0.1, 2.0, 0.05)
    assert "ambient_c" not in reading.instruments
    assert "60 s" in " ".join(log.noticed)


@pytest.mark.parametrize(
    ("unit", "written", "expected"),
    [("°F", "96.8", 36.0), ("degF", "96.8", 36.0), ("K", "309.15", 36.0), ("C", "36.0", 36.0)],
)
def test_units_are_brought_to_one(tmp_path: Path, unit: str, written: str, expected: float) -> None:
    text = "\n".join(line if i == 0 else line.replace(line.split(",")[1], written)
                     for i, line in enumerate(ROWS.splitlines()))  # fmt: skip
    mapping = MAPPING.replace('unit = "°C"', f'unit = "{unit}"', 1)
    reading = read(tmp_path, text, mapping)
    assert reading.log.numbers["air_c"] == pytest.approx([expected] * 4)
    share = {"°F": 1 / 1.8, "degF": 1 / 1.8}.get(unit, 1.0)
    assert reading.instruments["air_c"].expanded == pytest.approx(0.1 * share)


def test_decimal_comma_semicolons_and_latin_letters(tmp_path: Path) -> None:
    text = swap(ROWS, (",", ";"), (".", ","), ("Room", "Prüfraum"))
    mapping = swap(MAPPING, ('"comma"', '"semicolon"'), ('decimal = "point"', 'decimal = "comma"'),
                   ("Room", "Prüfraum"))  # fmt: skip
    mapping = mapping.replace("format = 1", 'format = 1\nencoding = "latin-1"', 1)
    assert read(tmp_path, text, mapping, encoding="latin-1").log.numbers["ambient_c"][3] == 23.3


def test_what_was_not_read_is_not_zero(tmp_path: Path) -> None:
    log = read(tmp_path, swap(ROWS, ("36.05", "---"))).log
    assert np.isnan(log.numbers["air_c"][1])
    assert not np.isnan(log.numbers["air_c"][2])


def test_words_of_the_log_become_ours(tmp_path: Path) -> None:
    text = "Time,Feed,Port\n2026-03-04 08:00:00,AC,shut\n2026-03-04 08:01:00,Pack,left\n"
    mapping = MAPPING[: MAPPING.index("[[channel]]")] + (
        '[[channel]]\nname = "source"\ncolumn = "Feed"\n'
        'words = { AC = "mains", pack = "battery" }\n'
        '[[channel]]\nname = "opening"\ncolumn = "Port"\n'
        'words = { shut = "closed", left = "port" }\n'
    )
    log = read(tmp_path, text, mapping).log
    assert log.words == {"source": ("mains", "battery"), "opening": ("closed", "port")}
    told = refused(tmp_path, text.replace("Pack", "Solar"), mapping)
    assert "line 3" in told
    assert "Solar" in told


def test_irregular_sampling_and_gaps_are_told(tmp_path: Path) -> None:
    text = swap(ROWS, ("08:03:00", "08:20:30"))
    log = read(tmp_path, text).log
    assert log.seconds.tolist() == [0, 60, 120, 1230]
    assert any("1 gap, times" in one and "08:02:00 to 08:20:30" in one for one in log.noticed)


def test_a_header_below_other_lines_and_columns_by_number(tmp_path: Path) -> None:
    mapping = MAPPING.replace("format = 1", "format = 1\nheader_row = 3", 1)
    above = "made for the demo\nserial;7\n"
    assert read(tmp_path, above + ROWS, mapping).log.numbers["air_c"][0] == 36.0
    bare = ROWS.split("\n", 1)[1]
    mapping = swap(MAPPING, ('"Time"', '"#1"'), ('"T mid"', '"#2"'), ('"Room"', '"#3"'))
    mapping = mapping.replace("format = 1", "format = 1\nheader_row = 0", 1)
    assert read(tmp_path, bare, mapping).log.numbers["ambient_c"][0] == 23.1


def test_a_row_cut_off_at_the_end_is_left_out_and_told(tmp_path: Path) -> None:
    log = read(tmp_path, ROWS + "2026-03-04 08:04:00,36").log
    assert len(log.seconds) == 4
    assert any("ends too early" in one for one in log.noticed)


def test_a_reading_that_cannot_be_is_kept_and_flagged(tmp_path: Path) -> None:
    log = read(tmp_path, swap(ROWS, ("36.10", "-127.0"))).log
    assert log.numbers["air_c"][2] == -127.0
    assert any("air_c: 1 readings cannot be" in one for one in log.noticed)


def test_the_generated_log_comes_back_as_it_was(tmp_path: Path) -> None:
    made = steady_log()
    text = as_csv(made, {"air_c": ("T mid", ".2f"), "ambient_c": ("Room", ".1f")})
    log = read(tmp_path, text).log
    assert log.numbers["air_c"] == pytest.approx(made.numbers["air_c"])
    assert log.seconds == pytest.approx(made.seconds)
    assert log.steps["air_c"] == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([36.0, 36.1, 36.3, 36.2], 0.1),
        ([36.0, 36.5, 37.0, 39.5], 0.5),
        ([36.0, 36.0, 36.0], None),
        ([36.0, 36.1, 36.25], None),
        ([float("nan"), 20.0, 21.0, 23.0], 1.0),
    ],
)
def test_the_display_step_is_estimated_or_not_known(values: list[float], step) -> None:
    found = estimated_step(np.array(values))
    assert found == (step if step is None else pytest.approx(step))


# --- repeats, and time that goes backwards ------------------------------------------------------


def test_rows_alike_count_once(tmp_path: Path) -> None:
    line = "2026-03-04 08:02:00,36.10,23.1\n"
    log = read(tmp_path, ROWS.replace(line, line * 3)).log
    assert len(log.seconds) == 4
    assert any("2 rows stand twice" in one for one in log.noticed)


def test_rows_of_one_time_with_other_values(tmp_path: Path) -> None:
    line = "2026-03-04 08:02:00,36.10,23.1\n"
    text = ROWS.replace(line, line + "2026-03-04 08:02:00,36.30,23.1\n")
    assert "other values" in refused(tmp_path, text)
    first = MAPPING.replace("[unit]", 'repeats = "first"\n[unit]')
    assert read(tmp_path, text, first).log.numbers["air_c"][2] == 36.10
    mean = MAPPING.replace("[unit]", 'repeats = "mean"\n[unit]')
    assert read(tmp_path, text, mean).log.numbers["air_c"][2] == pytest.approx(36.20)


def test_time_that_goes_backwards_is_refused_or_sorted_with_a_reason(tmp_path: Path) -> None:
    lines = ROWS.splitlines()
    text = "\n".join([lines[0], lines[3], lines[1], lines[2], lines[4]]) + "\n"
    told = refused(tmp_path, text)
    assert "line 3" in told
    assert "2 min before" in told or "120 s before" in told
    bare = MAPPING.replace("[unit]", 'backwards = "sort"\n[unit]')
    assert "backwards_why" in refused(tmp_path, text, bare)
    why = bare.replace("[unit]", 'backwards_why = "two files joined"\n[unit]')
    log = read(tmp_path, text, why).log
    assert log.numbers["air_c"].tolist() == [36.0, 36.05, 36.1, 36.2]
    assert any("two files joined" in one for one in log.noticed)


# --- refusals -----------------------------------------------------------------------------------


def test_a_log_of_another_unit_is_refused(tmp_path: Path) -> None:
    assert "asked for" in refused(tmp_path, unit="Rowan double")
    text = ROWS.replace("Room", "Room,Unit").replace(".1\n", ".1,Alder single\n")
    text = text.replace(".2\n", ".2,Alder single\n").replace(".3\n", ".3,Rowan double\n")
    mapping = MAPPING.replace('name = "Alder single"', 'column = "Unit"')
    told = refused(tmp_path, text, mapping)
    assert "line 5" in told
    assert "part the log by unit" in told
    assert read(tmp_path, text.replace("Rowan double", "alder-single").replace("alder-single",
                "Alder single"), mapping).log.unit == "Alder single"  # fmt: skip


def test_a_unit_of_measure_mixed_up_is_refused(tmp_path: Path) -> None:
    hot = ROWS
    for old, new in (("36.00", "96.80"), ("36.05", "96.90"), ("36.10", "97.00"), ("36.20", "97.2")):
        hot = hot.replace(old, new)
    told = refused(tmp_path, hot)
    assert "map.toml, line 17" in told
    assert 'write unit = "°F"' in told
    named = ROWS.replace("T mid", "T mid [°F]")
    told = refused(tmp_path, named, MAPPING.replace('"T mid"', '"T mid [°F]"'))
    assert "the log's header says" in told


def test_all_faults_of_a_log_come_at_once(tmp_path: Path) -> None:
    text = swap(ROWS, ("36.05", "36,05x"), ("23.3", "warm"), ("08:02:00", "25:02:00"))
    text = text.replace("36,05x", '"36,05x"')
    mapping = MAPPING + '\n[[channel]]\nname = "wall_c"\ncolumn = "Wall"\nunit = "°C"\n'
    told = refused(tmp_path, text, mapping)
    for part in ("36,05x", "warm", "25:02:00", "no column of that name"):
        assert part in told


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Time,T mid,Room\n", "no rows"),
        (ROWS.split("\n2026", maxsplit=1)[0] + "\n2026-03-04 08:00:00,36,23\n", "one row"),
        (ROWS + "2026-03-04 08:04:00,36\n2026-03-04 08:05:00,36,23\n", "2 cells"),
        (ROWS.replace("T mid", "Room"), "2 columns of that name"),
        (ROWS.replace("36.05", '"36.05'), "cannot be parted"),
        (ROWS.replace("36.05", "1e999"), "cannot be"),
    ],
)
def test_refusals_of_the_shape(tmp_path: Path, text: str, said: str) -> None:
    if said == "cannot be":  # an endless number is kept and flagged, never used
        assert any(said in one for one in read(tmp_path, text).log.noticed)
    else:
        assert said in refused(tmp_path, text)


def test_bytes_of_another_encoding(tmp_path: Path) -> None:
    assert "not utf-8" in refused(tmp_path, ROWS.replace("Room", "Räume"), encoding="latin-1")
    assert "utf-16" in refused(tmp_path, ROWS, encoding="utf-16")
    with pytest.raises(FaultyInput, match="no such file"):
        read_log(tmp_path / "nowhere.csv", parse_mapping(MAPPING, "map.toml"))


def test_a_decimal_comma_that_was_not_said(tmp_path: Path) -> None:
    text = swap(ROWS, (",", ";"), (".", ","))
    mapping = swap(MAPPING, ('"comma"', '"semicolon"'))
    assert 'write decimal = "comma"' in refused(tmp_path, text, mapping)


# --- the mapping itself -------------------------------------------------------------------------


def mapping_faults(text: str) -> str:
    with pytest.raises(FaultyInput) as told:
        parse_mapping(text, "map.toml")
    return str(told.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "air_c"', 'name = "air_C"', 'write "air_c"'),
        ('unit = "°C"', 'unit = "W"', "it is never guessed"),
        ('unit = "°C"\n', "", "it is never guessed"),
        ('zone = "UTC"', 'zone = "?"', "ask who set the logger's clock"),
        ('zone = "UTC"', 'zone = "CET"', "an abbreviation means several zones"),
        ('zone = "UTC"', 'zone = "Europe/Lisbonn"', 'write "Europe/Lisbon"'),
        ('"%Y-%m-%d %H:%M:%S"', '"%H:%M:%S"', "give year, month"),
        ('"%Y-%m-%d %H:%M:%S"', '"elapsed_min"', "the moment of 0"),
        ("drift = 0.05\n", "", "add the largest drift"),
        ('decimal = "point"', 'decimal = "comma"', "commas part the cells"),
        ('[unit]\nname = "Alder single"', "[unit]", "neither column nor name"),
        ('name = "ambient_c"', 'name = "air_c"', "each channel once"),
        ('delimiter = "comma"', 'delimiter = ","', "one of"),
        ("format = 1", "format = 2", "newer formats"),
        ('column = "Room"', 'colum = "Room"', "write column"),
    ],
)
def test_faults_of_a_mapping_have_their_line(old: str, new: str, said: str) -> None:
    told = mapping_faults(MAPPING.replace(old, new))
    assert said in told
    assert "map.toml, line" in told


def test_all_faults_of_a_mapping_come_at_once(tmp_path: Path) -> None:
    bad = swap(MAPPING, ('"air_c"', '"air"'), ('zone = "UTC"', 'zone = "here"'), ("0.1", "-0.1"))
    path = tmp_path / "map.toml"
    path.write_text(bad, encoding="utf-8")
    with pytest.raises(FaultyInput) as told:
        load_mapping(path)
    assert [fault.line for fault in told.value.faults] == [9, 15, 19]
