"""Films of air, radiation, evaporation and operative temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.heat import (
    STEFAN_BOLTZMANN,
    forced_film_w_m2k,
    mixed_film_w_m2k,
    natural_film_w_m2k,
    operative_temperature_c,
    outside_film_w_m2k,
    radiant_film_w_m2k,
    wet_film_w_m2kpa,
)

films = st.floats(0.1, 20.0)
temps = st.floats(-20.0, 45.0)


@pytest.mark.parametrize("row", checks("thermal", "films"))
def test_films(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


def test_wheldons_convection_range_covers_a_forced_incubator() -> None:
    """4.0 to 5.4 W/m2/K (verified); that it belongs to 0.15 to 0.25 m/s is our reading."""
    speeds = np.linspace(0.15, 0.25, 11)
    film = mixed_film_w_m2k(natural_film_w_m2k(3.0), forced_film_w_m2k(speeds, 101.325))
    assert (film > 3.9).all()
    assert (film < 5.6).all()


@given(warm=temps, cool=temps, fraction=st.floats(0.4, 0.8))
def test_radiant_film_gives_the_law_of_the_fourth_power(
    warm: float, cool: float, fraction: float
) -> None:
    flux = radiant_film_w_m2k(warm, cool, fraction) * (warm - cool)
    law = 0.99 * STEFAN_BOLTZMANN * ((warm + 273.15) ** 4 - (cool + 273.15) ** 4) * fraction
    assert flux == pytest.approx(law, rel=1e-9, abs=1e-9)


@given(one=films, other=films)
def test_two_films_together_lie_above_the_larger_and_below_their_sum(
    one: float, other: float
) -> None:
    both = mixed_film_w_m2k(one, other)
    assert max(one, other) * (1.0 - 1e-12) <= both <= one + other
    assert both == mixed_film_w_m2k(other, one)


@given(speed=st.floats(0.0, 10.0), more=st.floats(0.01, 5.0))
def test_moving_air_cools_more_and_thin_air_less(speed: float, more: float) -> None:
    assert outside_film_w_m2k(speed + more) > outside_film_w_m2k(speed)
    assert forced_film_w_m2k(speed + more, 101.325) > forced_film_w_m2k(speed, 101.325)
    assert forced_film_w_m2k(speed + more, 75.0) < forced_film_w_m2k(speed + more, 101.325)
    assert wet_film_w_m2kpa(4.0, 75.0) > wet_film_w_m2kpa(4.0, 101.325)


@given(difference=st.floats(0.0, 30.0))
def test_still_air_works_the_same_both_ways(difference: float) -> None:
    assert natural_film_w_m2k(difference) == natural_film_w_m2k(-difference)
    assert natural_film_w_m2k(difference + 1.0) > natural_film_w_m2k(difference)


def test_lewis_relation() -> None:
    """16.5 K/kPa at sea level (memory)."""
    assert wet_film_w_m2kpa(1.0, 101.325) == pytest.approx(16.5)


@given(air=temps, wall=temps, one=films, other=films)
def test_operative_temperature_lies_between_and_gives_the_same_loss(
    air: float, wall: float, one: float, other: float
) -> None:
    operative = operative_temperature_c(air, wall, one, other)
    assert min(air, wall) - 1e-9 <= operative <= max(air, wall) + 1e-9
    apart = one * (36.0 - air) + other * (36.0 - wall)
    assert (one + other) * (36.0 - operative) == pytest.approx(apart, abs=1e-9)
