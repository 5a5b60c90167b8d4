"""Altitude and pressure against print, a library and its own inverse."""

from typing import Any

import ambiance
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.science import atmosphere, oxygen

MMHG = atmosphere.KPA_PER_MMHG


@pytest.mark.parametrize("row", rows("altitude", "altitude_print"))
def test_printed_pressure(row: Any) -> None:
    pressure = atmosphere.pressure_at_m(row["altitude_m"])
    assert pressure == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("altitude", "altitude_mmhg"))
def test_printed_pressure_in_mmhg(row: Any) -> None:
    pressure = atmosphere.pressure_at_m(row["altitude_m"]) / MMHG
    assert pressure == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("altitude", "inspired_air"))
def test_printed_inspired_oxygen_in_air(row: Any) -> None:
    pressure = atmosphere.pressure_at_m(row["altitude_m"])
    inspired = oxygen.inspired_oxygen_kpa(0.21, pressure, 47.0 * MMHG) / MMHG
    assert inspired == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("altitude", "cabin"))
def test_printed_cabin_pressure(row: Any) -> None:
    pressure = atmosphere.pressure_at_ft(row["altitude_ft"])
    assert pressure == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("altitude", "altitude_table"))
def test_altitude_table(row: Any) -> None:
    water = 47.0 * MMHG
    ground = atmosphere.SEA_LEVEL_KPA
    there = atmosphere.pressure_at_ft(row["altitude_ft"])
    near = row["tolerance"]
    assert there * 10.0 == pytest.approx(row["expected_hpa"], abs=near)
    assert there / MMHG == pytest.approx(row["expected_mmhg"], abs=near)
    inspired = oxygen.inspired_oxygen_kpa(0.2095, there, water) / MMHG
    assert inspired == pytest.approx(row["expected_inspired_mmhg"], abs=near)
    for name, ours in {
        "wet": oxygen.fraction_at_pressure(0.40, ground, there, water),
        "dry": oxygen.fraction_at_pressure(0.40, ground, there, 0.0),
        "trapped_dry": atmosphere.trapped_gas_ratio(ground, there, 0.0),
        "trapped_wet": atmosphere.trapped_gas_ratio(ground, there, water),
        "highest": oxygen.highest_coverable_fraction(1.0, ground, there, water),
    }.items():
        assert ours == pytest.approx(row[f"expected_{name}"], abs=0.0006), name


@pytest.mark.parametrize("row", rows("altitude", "trapped_gas"))
def test_trapped_gas(row: Any) -> None:
    there = atmosphere.pressure_at_m(row["altitude_m"])
    ratio = atmosphere.trapped_gas_ratio(atmosphere.SEA_LEVEL_KPA, there, 47.0 * MMHG)
    assert ratio == pytest.approx(row["expected"], abs=row["tolerance"])


def test_agrees_with_the_library() -> None:
    # the library is asked with geometric altitude and says which pressure altitude that is
    library = ambiance.Atmosphere(np.linspace(-500.0, 11000.0, 60))
    ours = atmosphere.pressure_at_m(np.asarray(library.H))
    assert ours == pytest.approx(np.asarray(library.pressure) / 1000.0, rel=1e-5)


@given(st.floats(-600.0, 11000.0))
def test_altitude_and_pressure_are_inverse(altitude_m: float) -> None:
    pressure = atmosphere.pressure_at_m(altitude_m)
    assert atmosphere.altitude_m_at(pressure) == pytest.approx(altitude_m, abs=1e-6)
    feet = altitude_m / atmosphere.M_PER_FT
    assert atmosphere.altitude_ft_at(atmosphere.pressure_at_ft(feet)) == pytest.approx(
        atmosphere.altitude_ft_at(pressure), abs=1e-5
    )


def test_pressure_falls_with_altitude() -> None:
    pressures = np.asarray(atmosphere.pressure_at_m(np.linspace(-600.0, 11000.0, 500)))
    assert np.all(np.diff(pressures) < 0.0)


def test_outside_the_range_nothing_is_guessed() -> None:
    assert np.all(np.isnan(atmosphere.pressure_at_m(np.array([-601.0, 11001.0, np.nan]))))
    assert np.all(np.isnan(atmosphere.altitude_m_at(np.array([22.0, 109.0, np.nan]))))
    assert np.isnan(atmosphere.trapped_gas_ratio(101.3, 6.0, 6.27))
    assert np.isnan(atmosphere.trapped_gas_ratio(5.0, 80.0, 6.27))
