"""Heat that the baby makes: rest, cold, cooled on purpose."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.metabolism import (
    cold_ceiling_w_kg,
    cold_readiness,
    metabolic_heat_w_kg,
    resting_w_kg,
)

weeks_ = st.floats(23.0, 43.0)


@pytest.mark.parametrize("row", checks("thermal", "rest", "summit"))
def test_metabolism(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


@given(weeks=weeks_, hours=st.floats(0.0, 600.0))
def test_rest_rises_with_age_and_with_gestation(weeks: float, hours: float) -> None:
    now = resting_w_kg(weeks, hours)
    assert 1.2 < now < 2.8
    assert resting_w_kg(weeks, hours + 12.0) >= now
    assert resting_w_kg(weeks + 0.5, hours) >= now


def test_the_first_hour_has_no_answer_to_cold_and_six_hours_have() -> None:
    """Verified: cannot raise heat enough in the first hour; well developed by 2 to 6 h."""
    assert cold_readiness(40.0, 1.0) == 0.0
    assert cold_readiness(40.0, 6.0) == 1.0
    assert cold_readiness(26.0, 24.0) == 0.0


@given(
    weeks=weeks_,
    hours=st.floats(0.0, 600.0),
    skin=st.floats(26.0, 40.0),
    core=st.floats(30.0, 40.0),
)
def test_heat_stays_between_its_bounds(
    weeks: float, hours: float, skin: float, core: float
) -> None:
    rest = resting_w_kg(weeks, hours)
    ceiling = cold_ceiling_w_kg(weeks, rest)
    ready = cold_readiness(weeks, hours)
    made = metabolic_heat_w_kg(rest, ceiling, ready, skin, core)
    slowed = rest * np.exp(0.07 * min(0.0, core - 36.5))
    assert slowed - 1e-12 <= made <= max(ceiling, rest) + 1e-12
    colder = metabolic_heat_w_kg(rest, ceiling, ready, skin - 0.5, core)
    assert colder >= made - 1e-12
    assert metabolic_heat_w_kg(rest, ceiling, 0.0, skin, core) == pytest.approx(slowed)


def test_warmth_leaves_heat_at_rest() -> None:
    """Mild hyperthermia of 1.5 to 2 K: no change in minimum oxygen use (verified, abstract)."""
    for core in (37.0, 38.0, 39.0):
        assert metabolic_heat_w_kg(2.0, 5.0, 1.0, core - 0.3, core) == 2.0
