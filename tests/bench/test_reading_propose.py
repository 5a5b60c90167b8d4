"""Proposing a mapping from a header, finding it again, and never guessing in silence."""

from __future__ import annotations

from pathlib import Path

import pytest

from warmhold.bench.reading import (
    find_mappings,
    fingerprint,
    load_mapping,
    parse_mapping,
    propose,
    read_log,
)
from warmhold.bench.reading.entered import load_entered
from warmhold.model import FaultyInput

LOG = """\
bench 2, made up;;;;;;
Time;Air centre [°C];Air B [°C];Display;Set;Room temp [°F];Feed source
04.03.2026 08:00:00;36,01;35,5;36,1;36,0;74,3;mains
04.03.2026 08:01:00;36,02;35,5;36,1;36,0;74,5;battery
"""


def written(tmp_path: Path, text: str = LOG, name: str = "log.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_proposal_names_what_it_took_and_leaves_open_what_it_cannot_know(tmp_path: Path) -> None:
    found = propose(written(tmp_path))
    assert {channel: column for channel, column, _ in found.told} == {
        "air_c": "Air centre [°C]",
        "air_b_c": "Air B [°C]",
        "air_shown_c": "Display",
        "air_set_c": "Set",
        "ambient_c": "Room temp [°F]",
        "source": "Feed source",
    }
    assert set(found.open) == {"time.zone", "unit.name", "unit of air_shown_c", "unit of air_set_c"}
    with pytest.raises(FaultyInput) as told:
        parse_mapping(found.text, "p.toml")
    assert len(told.value.faults) == 4
    assert all(fault.line for fault in told.value.faults)


def test_a_proposal_filled_in_reads_the_log(tmp_path: Path) -> None:
    path = written(tmp_path)
    text = propose(path).text
    text = text.replace('zone = "?"', 'zone = "UTC"').replace('name = "?"', 'name = "Alder single"')
    text = text.replace('unit = "?"', 'unit = "°C"')
    log = read_log(path, parse_mapping(text, "p.toml"), "Alder single").log
    assert log.numbers["ambient_c"][0] == pytest.approx(23.5, abs=0.01)
    assert log.numbers["air_shown_c"].tolist() == [36.1, 36.1]
    assert log.words["source"] == ("mains", "battery")


def test_day_and_month_that_may_be_either_are_asked(tmp_path: Path) -> None:
    either = "Time,Air\n03/04/2026 08:00,36.0\n03/04/2026 08:01,36.1\n"
    assert "time.format" in propose(written(tmp_path, either)).open
    clear = either.replace("03/04", "23/04")
    assert 'format = "%d/%m/%Y %H:%M"' in propose(written(tmp_path, clear)).text


def test_two_columns_for_one_channel_are_left_to_the_person(tmp_path: Path) -> None:
    text = "Time,Skin 1,Skin 2\n2026-03-04 08:00,36.0,36.1\n2026-03-04 08:01,36.0,36.1\n"
    found = propose(written(tmp_path, text))
    assert found.told == ()
    assert found.left == ("Skin 1", "Skin 2")


@pytest.mark.parametrize(
    "above", ["Export of a logger;;;\n", "Kind;Logger\nStart;04.03.2026 08:00:00\n", "\n\n"]
)
def test_lines_above_the_table_are_passed_over(tmp_path: Path, above: str) -> None:
    table = "Time;Skin [°C];SpO2 [%];Pulse [/min]\n04.03.2026 08:00:00;36,0;94;140\n"
    found = propose(written(tmp_path, above + table))
    assert f"header_row = {above.count(chr(10)) + 1}" in found.text
    assert [quantity for quantity, _, _ in found.told] == ["skin_shown_c"]
    assert found.left == ("SpO2 [%]", "Pulse [/min]"), "a saturation is no oxygen of the gas"


def test_a_log_without_a_header_is_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(FaultyInput, match="header_row = 0"):
        propose(written(tmp_path, "1,2\n3,4\n"))


def test_a_mapping_is_found_again_by_the_header(tmp_path: Path) -> None:
    path = written(tmp_path)
    folder = tmp_path / "mappings"
    folder.mkdir()
    assert find_mappings(path, folder) == ()
    (folder / "bench2.toml").write_text(propose(path).text, encoding="utf-8")
    (folder / "broken.toml").write_text("format = ", encoding="utf-8")
    (folder / "other.toml").write_text("format = 1\n", encoding="utf-8")
    assert find_mappings(path, folder) == (folder / "bench2.toml",)
    longer = written(tmp_path, LOG + LOG.splitlines()[-1].replace("08:01", "08:02") + "\n", "b.csv")
    assert find_mappings(longer, folder) == (folder / "bench2.toml",)
    changed = written(tmp_path, LOG.replace("Air B", "Air C"), "c.csv")
    assert find_mappings(changed, folder) == ()


def test_a_mapping_of_other_columns_is_refused(tmp_path: Path) -> None:
    text = propose(written(tmp_path)).text.replace('zone = "?"', 'zone = "UTC"')
    text = text.replace('name = "?"', 'name = "Alder single"').replace('unit = "?"', 'unit = "°C"')
    changed = written(tmp_path, LOG.replace("Feed source", "Feed source;Extra").replace(
        ";mains", ";mains;1").replace(";battery", ";battery;2"), "c.csv")  # fmt: skip
    with pytest.raises(FaultyInput, match="other columns"):
        read_log(changed, parse_mapping(text, "p.toml"))


def test_the_fingerprint_passes_over_case_and_blanks_only() -> None:
    one = fingerprint(["Time", "Air  B"])
    assert one == fingerprint([" time ", "AIR B"])
    assert one != fingerprint(["Air B", "Time"])
    assert len(one) == 16


def test_entered_values_are_strict(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        'format = 1\n[conditions]\nambient_c = [24, 22]\nmattress = "flat"\n'
        '[[alarm]]\nwhat = "fan"\nheard = "yes"\n[[alarm]]\nwhat = "fan"\n',
        "entered.toml",
    )
    with pytest.raises(FaultyInput) as told:
        load_entered(path)
    assert [fault.line for fault in told.value.faults] == [3, 4, 7, 9]
    assert load_entered(written(tmp_path, "format = 1\n", "e.toml")).alarm == ()


def test_a_mapping_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FaultyInput, match="no such file"):
        load_mapping(tmp_path / "nowhere.toml")
