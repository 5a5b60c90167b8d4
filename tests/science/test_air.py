"""Humid air against PsychroLib and hand figures; its own inverses."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.air import (
    absolute_humidity_g_m3,
    air_density_kg_m3,
    relative_humidity,
    saturation_vapour_kpa,
    vapour_pressure_kpa,
)

temperatures = st.floats(-20.0, 60.0)


@pytest.mark.parametrize("row", checks("air", "relative_humidity", "psychrolib"))
def test_air(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


@given(kpa=st.floats(0.05, 15.0), temp=temperatures)
def test_humidity_and_vapour_pressure_are_inverse(kpa: float, temp: float) -> None:
    back = vapour_pressure_kpa(absolute_humidity_g_m3(kpa, temp), temp)
    assert back == pytest.approx(kpa, rel=1e-12)


@given(temp=st.floats(-20.0, 59.0), share=st.floats(0.01, 1.0))
def test_warm_air_holds_more_and_warming_dries(temp: float, share: float) -> None:
    assert saturation_vapour_kpa(temp + 1.0) > saturation_vapour_kpa(temp)
    kpa = share * saturation_vapour_kpa(temp)
    assert relative_humidity(kpa, temp) == pytest.approx(share, abs=1e-12)
    assert relative_humidity(kpa, temp + 1.0) <= share


@given(temp=temperatures, kpa=st.floats(60.0, 105.0))
def test_density_falls_with_heat_and_rises_with_pressure(temp: float, kpa: float) -> None:
    assert air_density_kg_m3(temp + 1.0, kpa) < air_density_kg_m3(temp, kpa)
    assert air_density_kg_m3(temp, 2.0 * kpa) == pytest.approx(2.0 * air_density_kg_m3(temp, kpa))
