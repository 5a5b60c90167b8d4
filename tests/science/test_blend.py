"""Blending, flows at altitude and carrying rules."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.science import atmosphere, blend


@pytest.mark.parametrize("row", rows("blend", "blend_table"))
def test_table_of_shares_and_ratios(row: Any) -> None:
    assert blend.oxygen_share(row["fraction"]) == pytest.approx(
        row["expected"], abs=row["tolerance"]
    )
    ratio = blend.air_to_oxygen(row["fraction"])
    assert ratio == pytest.approx(row["expected_ratio"], rel=0.006)


@pytest.mark.parametrize("row", rows("blend", "entrainment"))
def test_customary_ratios(row: Any) -> None:
    ratio = blend.air_to_oxygen(row["fraction"])
    assert ratio == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "fraction_of_flows"))
def test_fraction_of_two_flows(row: Any) -> None:
    fraction = blend.fraction_of_flows(row["air_lpm"], row["oxygen_lpm"])
    assert fraction == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "ratio"))
def test_oxygen_for_each_litre_of_air(row: Any) -> None:
    ratio = 1.0 / blend.air_to_oxygen(row["fraction"])
    assert ratio == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "split"))
def test_split_of_a_total_flow(row: Any) -> None:
    total, fraction, near = row["total_lpm"], row["fraction"], row["tolerance"]
    assert blend.oxygen_flow_lpm(total, fraction) == pytest.approx(row["expected"], abs=near)
    assert blend.air_flow_lpm(total, fraction) == pytest.approx(row["expected_air"], abs=near)


@pytest.mark.parametrize("row", rows("blend", "carry"))
def test_litres_to_carry(row: Any) -> None:
    flow = blend.ventilated_rule_lpm(row["minute_volume_lpm"], row["fraction"], row["drive_lpm"])
    litres = blend.litres_needed(flow, row["minutes"], row["factor"])
    assert litres == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("blend", "altitude_flow"))
def test_flows_at_cabin_pressure(row: Any) -> None:
    pressure = atmosphere.pressure_at_ft(row["altitude_ft"])
    near = row["tolerance"]
    lasts = blend.minutes_left(100.0, blend.standard_flow_lpm(10.0, pressure)) / 10.0
    assert lasts == pytest.approx(row["expected_lasts"], abs=near)
    shown = blend.float_tube_standard_lpm(1.0, pressure)
    assert shown == pytest.approx(row["expected_float"], abs=near)
    actual = blend.actual_flow_lpm(shown, pressure)
    assert actual == pytest.approx(1.0 / shown, rel=1e-9)  # the orifice law, seen from the cabin


@given(st.floats(0.1, 30.0), st.floats(0.21, 1.0))
def test_split_and_mix_are_inverse(total: float, fraction: float) -> None:
    air, oxygen = blend.air_flow_lpm(total, fraction), blend.oxygen_flow_lpm(total, fraction)
    assert air + oxygen == pytest.approx(total)
    assert blend.fraction_of_flows(air, oxygen) == pytest.approx(fraction)


@given(st.floats(0.1, 30.0), st.floats(20.0, 105.0))
def test_standard_and_actual_flow_are_inverse(flow: float, pressure: float) -> None:
    back = blend.actual_flow_lpm(blend.standard_flow_lpm(flow, pressure), pressure)
    assert back == pytest.approx(flow)


def test_more_oxygen_wanted_is_more_oxygen_drawn() -> None:
    fractions = np.linspace(0.21, 1.0, 200)
    assert np.all(np.diff(np.asarray(blend.oxygen_flow_lpm(8.0, fractions))) > 0.0)
    assert np.all(np.diff(np.asarray(blend.air_flow_lpm(8.0, fractions))) < 0.0)


def test_supply_counts_the_drive_gas_once_and_a_compressor_spares_the_cylinder() -> None:
    # bias flow 8 at 40 %: 1.924 oxygen and 6.076 air
    assert blend.oxygen_supply_lpm(8.0, 0.40, 3.0) == pytest.approx(4.924, abs=0.001)
    assert blend.air_supply_lpm(8.0, 0.40, 0.0, 1.0) == pytest.approx(6.076, abs=0.001)
    assert blend.air_supply_lpm(8.0, 0.40, 2.5, 0.0) == pytest.approx(2.5)


def test_edges_are_held_or_unknown_never_invented() -> None:
    assert blend.oxygen_flow_lpm(8.0, 0.15) == 0.0
    assert blend.oxygen_flow_lpm(8.0, 1.2) == 8.0
    assert np.isnan(blend.fraction_of_flows(0.0, 0.0))
    assert np.isinf(blend.minutes_left(100.0, 0.0))
    assert np.isinf(blend.air_to_oxygen(0.21))
    for unknown in (
        blend.oxygen_flow_lpm(8.0, float("nan")),
        blend.fraction_of_flows(float("nan"), 1.0),
        blend.standard_flow_lpm(8.0, float("nan")),
        blend.minutes_left(float("nan"), 1.0),
    ):
        assert np.isnan(unknown)
