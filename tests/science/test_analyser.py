"""What a partial-pressure analyser shows away from where it was set."""

import tomllib
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.science import analyser
from warmhold.science.atmosphere import KPA_PER_MMHG as MMHG


def allowances() -> list[dict[str, Any]]:
    text = resources.files("warmhold").joinpath("data/tables/analyser.toml").read_text("utf-8")
    found: list[dict[str, Any]] = tomllib.loads(text)["allowance"]
    return found


@pytest.mark.parametrize("row", rows("analyser", "altitude_reading"))
def test_reading_at_altitude(row: Any) -> None:
    shown = analyser.reading_percent(
        row["true_percent"], row["used_mmhg"] * MMHG, 0.0, row["set_mmhg"] * MMHG, 0.0
    )
    assert shown == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("analyser", "humidity_reading"))
def test_reading_in_wet_gas(row: Any) -> None:
    pressure, water = row["pressure_mmhg"] * MMHG, row["water_mmhg"] * MMHG
    shown = analyser.reading_percent(row["true_percent"], pressure, water, pressure, 0.0)
    assert shown == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("analyser", "allowance"))
def test_allowance(row: Any) -> None:
    rule = next(a for a in allowances() if a["name"] == "particular standard")
    assert rule["mark"] == row["status"] == "memory"
    points = analyser.allowance_points(row["level"], rule["fixed_points"], rule["level_share"])
    assert points == pytest.approx(row["expected"], abs=row["tolerance"])


def test_every_shipped_allowance_says_where_it_comes_from() -> None:
    for rule in allowances():
        assert rule["source"].strip()
        assert rule["mark"] in {"verified", "memory", "practice", "derived", "own"}


pressures = st.floats(60.0, 105.0)
waters = st.floats(0.0, 7.0)


@given(st.floats(0.0, 100.0), pressures, waters, pressures, waters)
def test_reading_and_truth_are_inverse(
    true: float, used: float, used_water: float, was: float, was_water: float
) -> None:
    shown = analyser.reading_percent(true, used, used_water, was, was_water)
    assert analyser.true_percent(shown, used, used_water, was, was_water) == pytest.approx(true)


def test_set_where_it_is_used_it_shows_the_truth() -> None:
    levels = np.array([21.0, 40.0, 100.0])
    assert analyser.reading_percent(levels, 75.3, 1.2, 75.3, 1.2) == pytest.approx(levels)


def test_reads_lower_in_thin_and_in_wet_air() -> None:
    falling = np.linspace(101.3, 60.0, 50)
    shown = np.asarray(analyser.reading_percent(40.0, falling, 0.0, 101.3, 0.0))
    assert np.all(np.diff(shown) < 0.0)
    wetter = np.linspace(0.0, 6.3, 50)
    assert np.all(
        np.diff(np.asarray(analyser.reading_percent(40.0, 101.3, wetter, 101.3, 0.0))) < 0.0
    )


def test_two_points() -> None:
    assert analyser.two_point_percent(11.0, 11.0, 52.0) == pytest.approx(20.945)
    assert analyser.two_point_percent(52.0, 11.0, 52.0) == pytest.approx(100.0)
    assert analyser.two_point_percent(31.5, 11.0, 52.0) == pytest.approx((20.945 + 100.0) / 2)
    assert np.isnan(analyser.two_point_percent(31.5, 11.0, 11.0))


def test_a_setting_without_dry_air_is_unknown() -> None:
    assert np.isnan(analyser.reading_percent(21.0, 101.3, 0.0, 6.0, 6.3))
    assert np.isnan(analyser.true_percent(21.0, 6.0, 6.3, 101.3, 0.0))
