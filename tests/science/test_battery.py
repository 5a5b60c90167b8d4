"""Batteries: temperature, rate, age, charging."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermal_values import checks, value
from warmhold.science.battery import (
    charging_share,
    health_by_age,
    rate_share,
    temperature_share,
)

lead_or_lithium = st.sampled_from([0.0, 1.0])


@pytest.mark.parametrize(
    "row", checks("battery", "lead_temperature", "cold_packs", "peukert", "charging")
)
def test_battery(row: dict[str, Any]) -> None:
    assert value(row) == pytest.approx(row["expected"], abs=row["tolerance"])


@given(temp=st.floats(-30.0, 50.0), lead=lead_or_lithium)
def test_cold_packs_give_less_and_warm_ones_no_gain(temp: float, lead: float) -> None:
    now = temperature_share(temp, lead)
    assert 0.5 <= now <= 1.0
    assert temperature_share(temp + 1.0, lead) >= now


@given(power=st.floats(0.0, 500.0), peukert=st.floats(1.0, 1.3))
def test_faster_is_never_cheaper(power: float, peukert: float) -> None:
    assert rate_share(power, 10.0, peukert) >= 1.0
    assert rate_share(power + 5.0, 10.0, peukert) >= rate_share(power, 10.0, peukert)


def test_peukert_from_two_rates() -> None:
    """k = ln(t2/t1)/ln(I1/I2), from the same note: the rule gives its exponent back."""
    hours = [20.0 * (2.0 / i) / float(rate_share(i, 2.0, 1.15)) for i in (5.0, 15.0)]
    assert math.log(hours[0] / hours[1]) / math.log(15.0 / 5.0) == pytest.approx(1.15)


@given(age=st.floats(0.0, 30.0), lead=lead_or_lithium)
def test_health_falls_with_age_to_a_floor(age: float, lead: float) -> None:
    assert 0.3 <= health_by_age(age, lead) <= 1.0
    assert health_by_age(age + 1.0, lead) <= health_by_age(age, lead)


@given(charged=st.floats(0.0, 1.0), temp=st.floats(-10.0, 50.0), lead=lead_or_lithium)
def test_charging_tapers_and_stops_when_full(charged: float, temp: float, lead: float) -> None:
    share = charging_share(charged, temp, lead)
    assert 0.0 <= share <= 1.0
    assert charging_share(1.0, temp, lead) == 0.0
    assert charging_share(min(1.0, charged + 0.1), temp, lead) <= share
