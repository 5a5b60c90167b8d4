"""Water through the skin, sweat, covers."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.air import LATENT_J_G, saturation_vapour_kpa
from warmhold.science.skin import (
    REFERENCE_DRIVE_KPA,
    REFERENCE_WET_W_M2KPA,
    covered_film_w_m2k,
    series,
    skin_vapour_w_m2kpa,
    sweat_factor,
    water_loss_age_share,
    water_loss_first_day_g_m2h,
)

weeks_ = st.floats(23.0, 43.0)
days_ = st.floats(0.0, 28.0)


@pytest.mark.parametrize(
    "row", checks("thermal", "water_loss_fit", "water_loss_predicted", "water_loss_age")
)
def test_water_loss(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


def test_reference_drive_is_half_humidity_against_warm_skin() -> None:
    drive = saturation_vapour_kpa(36.0) - 0.5 * saturation_vapour_kpa(34.5)
    assert pytest.approx(drive, abs=0.01) == REFERENCE_DRIVE_KPA


@given(weeks=weeks_, days=days_)
def test_skin_and_film_in_series_give_back_the_measured_loss(weeks: float, days: float) -> None:
    through = series(skin_vapour_w_m2kpa(weeks, days), REFERENCE_WET_W_M2KPA)
    loss = water_loss_first_day_g_m2h(weeks) * water_loss_age_share(weeks, days)
    assert through * REFERENCE_DRIVE_KPA * 3600.0 / LATENT_J_G == pytest.approx(loss, rel=1e-9)


@given(weeks=weeks_, days=days_)
def test_skin_of_the_youngest_is_still_less_than_free_water(weeks: float, days: float) -> None:
    assert 0.0 < skin_vapour_w_m2kpa(weeks, days) < 20.0 * REFERENCE_WET_W_M2KPA


@given(weeks=st.floats(23.0, 42.0), days=st.floats(0.25, 27.0))
def test_loss_falls_with_gestation_and_never_rises_with_age(weeks: float, days: float) -> None:
    assert water_loss_first_day_g_m2h(weeks + 1.0) < water_loss_first_day_g_m2h(weeks)
    assert water_loss_age_share(weeks, days + 1.0) <= water_loss_age_share(weeks, days)


def test_the_first_four_hours_are_higher_only_from_34_weeks_on() -> None:
    """Verified as a fact without a figure; 1.5 is assumed."""
    assert water_loss_age_share(39.0, 1.0 / 24) > 1.4
    assert water_loss_age_share(30.0, 1.0 / 24) <= 1.0


@given(core=st.floats(35.0, 40.0), weeks=weeks_)
def test_sweat(core: float, weeks: float) -> None:
    factor = sweat_factor(core, weeks)
    assert 1.0 <= factor <= 3.0
    if core <= 37.2 or weeks <= 35.5:
        assert factor == 1.0


def test_sweat_reaches_two_to_four_times_when_hot_at_term() -> None:
    """PMC1350516 (verified): onset above 37.2, then 2 to 4 times the total loss; fitted."""
    assert 2.0 <= sweat_factor(38.0, 40.0) <= 4.0


@given(film=st.floats(1.0, 15.0), insulation=st.floats(0.0, 0.5))
def test_a_cover_only_insulates(film: float, insulation: float) -> None:
    covered = covered_film_w_m2k(film, insulation)
    assert 0.0 < covered <= film
    assert 1.0 / covered == pytest.approx(1.0 / film + insulation)
