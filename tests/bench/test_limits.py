"""Limits as data: what ships, what is refused, and that the two kinds never mix."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from warmhold.bench.limits import (
    KNOWN,
    WrongKind,
    check_kind,
    find_set,
    load_set,
    shipped_sets,
)
from warmhold.bench.log import NUMBERS, WORDS
from warmhold.bench.reading import LogMapping, load_entered, parse_mapping
from warmhold.bench.reading.entered import (
    AlarmTried,
    BatteryTest,
    Conditions,
    OxygenPoint,
    StatedValues,
)
from warmhold.bench.reading.mapping import Channel, OfUnit, Times
from warmhold.bench.trials import TRIALS
from warmhold.model import FaultyInput

ROW = """
[[limit]]
id = "stability_c"
quantity = "departure"
relation = "at most"
value = 1.0
unit = "°C"
standard = "IEC 60601-2-20"
edition = "2020"
clause = "201.12.1.101"
status = "own"
source = "own copy, read by AB 2026-03-01"
"""
HEAD = 'format = 1\nname = "own"\ntitle = "Own"\nkind = "transport"\n'


def _faults(tmp_path: Path, text: str) -> str:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FaultyInput) as told:
        load_set(path)
    return str(told.value)


def test_the_shipped_sets_are_sound_and_named_as_their_files() -> None:
    assert set(shipped_sets()) == {"transport-2020", "transport-1990", "nursery", "legal-2014"}
    for name in shipped_sets():
        limits = find_set(name)
        assert limits.name == name
        assert all(row.id in KNOWN for row in limits.rows)


def test_nothing_recalled_is_called_verified() -> None:
    """No limit of clause 201.12 or 201.15 could be read in any edition after 1990."""
    rows = find_set("transport-2020").rows
    recalled = [row for row in rows if row.clause.startswith(("201.12", "201.15", "201.11"))]
    assert len(recalled) >= 10
    assert {row.status for row in recalled} == {"memory"}
    verified = {row.id for row in rows if row.verified}
    assert {"ambient_low_c", "air_speed_low_m_s", "warm_up_rise_c", "alarm_fan"} <= verified
    for name in shipped_sets():
        for row in find_set(name).rows:
            assert (
                row.verified
                or "recalled" in row.source
                or "own choice" in row.source
                or (row.status == "practice")
            )


def test_every_verified_row_names_a_page() -> None:
    for name in shipped_sets():
        for row in find_set(name).rows:
            assert not row.verified or "/" in row.source, (name, row.id)


def test_transport_and_nursery_differ_where_mixing_would_hurt() -> None:
    transport, nursery = find_set("transport-2020"), find_set("nursery")
    assert transport.get("uniformity_c").value == 1.5
    assert nursery.get("uniformity_c").value == 0.8
    assert transport.get("air_speed_low_m_s").relation == "above"
    assert nursery.get("air_speed_low_m_s") is None


def test_limits_of_another_kind_are_refused() -> None:
    with pytest.raises(WrongKind, match="nursery"):
        check_kind(find_set("nursery"), "transport")
    check_kind(find_set("legal-2014"), "transport")
    check_kind(find_set("transport-1990"), "transport")


@pytest.mark.parametrize(
    ("kind", "standard"),
    [("transport", "IEC 60601-2-19"), ("transport", "IEC 601-2-19"), ("nursery", "IEC 60601-2-20")],
)
def test_a_set_with_both_kinds_is_refused_with_its_line(
    tmp_path: Path, kind: str, standard: str
) -> None:
    text = HEAD.replace("transport", kind) + ROW.replace("IEC 60601-2-20", standard)
    told = _faults(tmp_path, text)
    assert "line 12" in told
    assert "two files" in told


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    text = (
        HEAD
        + ROW.replace('"stability_c"', '"stabilty_c"')
        + ROW.replace('unit = "°C"', 'unit = "K"')
        + ROW.replace('"own"', '"sure"').replace("stability_c", "control_off_c")
        + ROW.replace("stability_c", "steady_range_c")
        + ROW.replace("stability_c", "overshoot_c").replace("value = 1.0\n", "")
    )
    told = _faults(tmp_path, text)
    assert 'write "stability_c"' in told
    assert '"K"' in told
    assert '"sure"' in told
    assert "add over_min" in told
    assert "add value" in told


def test_an_own_file_is_found_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(HEAD + ROW, encoding="utf-8")
    limits = find_set(str(path))
    assert limits.get("stability_c").value == 1.0
    assert limits.get("uniformity_c") is None
    with pytest.raises(KeyError):
        find_set("no-such-set")
    with pytest.raises(KeyError):
        limits.get("nonsense")


def test_the_guide_names_every_row_test_channel_and_key() -> None:
    page = (Path(__file__).parents[2] / "docs" / "bench.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z0-9_-]+)`", page)) | set(re.findall(r"\b([a-z_]+) = ", page))
    named |= set(re.findall(r"^(?:# )?([a-z_]+) = ", page, flags=re.MULTILINE))
    assert [key for key in KNOWN if key not in named] == []
    assert [
        name for name in (*TRIALS, *NUMBERS, *WORDS, *shipped_sets()) if name not in named
    ] == []
    models = (LogMapping, Times, OfUnit, Channel, Conditions, StatedValues, BatteryTest,
              OxygenPoint, AlarmTried)  # fmt: skip
    keys = {key for model in models for key in model.model_fields}
    assert sorted(keys - named - {"time", "channel", "unit"}) == []


def test_the_files_of_the_guide_can_be_read(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "bench.md").read_text(encoding="utf-8")
    mapping, entered = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    assert parse_mapping(mapping, "guide").mapping.channel[0].name == "air_c"
    path = tmp_path / "entered.toml"
    path.write_text(entered, encoding="utf-8")
    assert load_entered(path).alarm[0].what == "supply"


def test_a_limit_that_goes_with_the_level() -> None:
    row = find_set("transport-2020").get("oxygen_off_percent")
    assert row.at(100.0) == pytest.approx(5.0)
    assert row.at(21.0) == pytest.approx(3.025)
    local = find_set("legal-2014").get("oxygen_off_percent")
    assert local.at(21.0) == 5.0
    assert local.covers(99.0)
    assert not local.covers(100.0)
