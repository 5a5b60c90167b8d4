"""Heat and water of breathing."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.breath import (
    breath_latent_w,
    breath_warming_w,
    breath_water_g_h,
    oxygen_use_ml_min,
    ventilation_lpm,
)


@pytest.mark.parametrize("row", checks("thermal", "breath"))
def test_breath(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


@given(heat=st.floats(0.1, 20.0), humid=st.floats(0.1, 35.0))
def test_damp_gas_costs_less_than_dry(heat: float, humid: float) -> None:
    breathed = ventilation_lpm(heat)
    assert breath_water_g_h(breathed, humid) < breath_water_g_h(breathed, 0.0)
    assert breath_water_g_h(breathed, humid) > 0.0
    assert breathed == pytest.approx(0.035 * oxygen_use_ml_min(heat))


@given(heat=st.floats(0.1, 20.0), temp=st.floats(0.0, 35.5))
def test_warming_the_breath_is_small_in_a_warm_hood(heat: float, temp: float) -> None:
    warming = breath_warming_w(ventilation_lpm(heat), temp, 1.15)
    assert warming > 0.0
    # usually under 0.05 W/kg in a hood (derived): 2 W/kg breathed at 32 degC
    assert breath_warming_w(ventilation_lpm(2.0), 32.0, 1.15) < 0.05


def test_latent_heat() -> None:
    assert breath_latent_w(3600.0 / 2425.0) == pytest.approx(1.0)
