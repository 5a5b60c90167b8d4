"""Cylinder gas against printed labels and rules, a library, and its own inverse."""

import time
import tomllib
from importlib import resources
from typing import Any

import CoolProp.CoolProp as coolprop
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.science import gas

FLUID = {"oxygen": "Oxygen", "air": "Air"}
GASES = ("oxygen", "air")


def vessels() -> list[dict[str, Any]]:
    text = resources.files("warmhold").joinpath("data/tables/cylinders.toml").read_text("utf-8")
    found: list[dict[str, Any]] = tomllib.loads(text)["vessel"]
    return found


def vessel(country: str, letter: str) -> dict[str, Any]:
    (only,) = (v for v in vessels() if (v["country"], v["letter"]) == (country, letter))
    return only


# Against another library: same coefficients, so this checks our evaluation, not the equation.


@pytest.mark.parametrize("which", GASES)
def test_agrees_with_the_library_over_the_whole_range(which: Any) -> None:
    temps = np.linspace(-40.0, 60.0, 21)
    gauges = np.concatenate([[0.0, 1.0, 5.0], np.linspace(10.0, 350.0, 35)])
    ours = gas.compressibility(which, gauges[None, :], temps[:, None])
    theirs = np.array(
        [
            [
                coolprop.PropsSI("Z", "T", t + 273.15, "P", (p + 1.01325) * 1e5, FLUID[which])
                for p in gauges
            ]
            for t in temps
        ]
    )
    # asked: 0.1 %; the same equation and coefficients should do far better
    assert np.max(np.abs(ours / theirs - 1.0)) < 1e-7


@pytest.mark.parametrize("row", rows("gas", "oxygen_grid"))
def test_oxygen_table(row: Any) -> None:
    check_grid("oxygen", row)


@pytest.mark.parametrize("row", rows("gas", "air_grid"))
def test_air_table(row: Any) -> None:
    check_grid("air", row)


def check_grid(which: Any, row: Any) -> None:
    factor = gas.compressibility(which, row["gauge_bar"], row["temp_c"])
    litres = gas.content_l(which, row["gauge_bar"], row["temp_c"], 1.0)
    assert factor == pytest.approx(row["expected"], abs=row["tolerance"])
    assert litres == pytest.approx(row["expected_litres"], abs=0.06)


@pytest.mark.parametrize("row", rows("gas", "contents"))
def test_contents(row: Any) -> None:
    litres = gas.content_l(row["gas"], row["gauge_bar"], row["temp_c"], row["water_l"])
    assert litres == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "deliverable"))
def test_deliverable(row: Any) -> None:
    temp = row["temp_c"]
    litres = gas.deliverable_l("oxygen", row["gauge_bar"], temp, row["water_l"], 0.0, temp)
    assert litres == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "linear_rule"))
def test_how_far_the_linear_gauge_rule_is_off(row: Any) -> None:
    held = gas.deliverable_l(row["gas"], row["gauge_bar"], 15.0, 1.0, 0.0, 15.0)
    full = gas.deliverable_l(row["gas"], row["full_bar"], 15.0, 1.0, 0.0, 15.0)
    ratio = held / (full * row["gauge_bar"] / row["full_bar"])
    assert ratio == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "cold_gauge"))
def test_gauge_of_the_same_gas_colder_or_warmer(row: Any) -> None:
    reading = gas.gauge_at_bar(row["gas"], row["full_bar"], 15.0, row["temp_c"])
    assert reading == pytest.approx(row["expected"], abs=row["tolerance"])


# Against print, and against an equation of another form.


@pytest.mark.parametrize("row", rows("gas", "supplier_factor"))
def test_supplier_factor(row: Any) -> None:
    litres = gas.content_l("oxygen", row["gauge_bar"], row["temp_c"], row["water_l"])
    factor = litres / (row["gauge_bar"] * row["water_l"])
    assert factor == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "uk_label") + rows("gas", "uk_label_recalled"))
def test_label_contents(row: Any) -> None:
    known = vessel("UK", row["letter"])
    assert known["nominal_oxygen_l"] == row["expected"]
    litres = gas.content_l("oxygen", float(known["fill_bar"]), 15.0, known["water_l"])
    assert litres == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "uk_litres_per_water"))
def test_litres_for_each_litre_of_water(row: Any) -> None:
    litres = gas.content_l("oxygen", row["gauge_bar"], row["temp_c"], 1.0)
    assert litres == pytest.approx(row["expected"], rel=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "virial"))
def test_second_virial_coefficient(row: Any) -> None:
    # Z = 1 + B x density at low density; independent of the library's coefficients
    gauge = 1.0
    factor = float(gas.compressibility(row["gas"], gauge, row["temp_c"]))
    rt_bar_l = 0.0831446 * (row["temp_c"] + 273.15)
    density_mol_ml = (gauge + 1.01325) / (factor * rt_bar_l) / 1000.0
    assert (factor - 1.0) / density_mol_ml == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize(("which", "temp_c"), [("oxygen", 0.0), ("oxygen", 40.0), ("air", 15.0)])
def test_agrees_roughly_with_a_cubic_equation(which: Any, temp_c: float) -> None:
    # Peng-Robinson shares no coefficient with ours; 4 % is what it is good for at 50 to 200 bar
    for gauge in (50.0, 100.0, 200.0):
        if which == "oxygen":
            state = coolprop.AbstractState("PR", "Oxygen")
        else:
            state = coolprop.AbstractState("PR", "Nitrogen&Oxygen&Argon")
            state.set_mole_fractions([0.7812, 0.2096, 0.0092])
        state.update(coolprop.PT_INPUTS, (gauge + 1.01325) * 1e5, temp_c + 273.15)
        ours = float(gas.compressibility(which, gauge, temp_c))
        assert ours == pytest.approx(state.compressibility_factor(), rel=0.04)


@pytest.mark.parametrize("row", rows("gas", "tank_minutes"))
def test_tank_factor_minutes(row: Any) -> None:
    minutes = gas.tank_factor_minutes(
        row["gauge_psi"], row["residual_psi"], row["factor_l_psi"], row["flow_lpm"]
    )
    assert minutes == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("gas", "tank_litres"))
def test_tank_factor_litres(row: Any) -> None:
    litres = gas.tank_factor_litres(row["gauge_psi"], row["residual_psi"], row["factor_l_psi"])
    assert litres == pytest.approx(row["expected"], abs=row["tolerance"])


def test_tank_factor_below_its_residual_gives_nothing_and_needs_a_flow() -> None:
    assert gas.tank_factor_litres(150.0, 200.0, 0.16) == 0.0
    with pytest.raises(ValueError, match="flow_lpm"):
        gas.tank_factor_minutes(2000.0, 200.0, 0.16, 0.0)


@pytest.mark.parametrize("row", rows("gas", "us_factor"))
def test_derived_us_vessels_fit_their_printed_factors(row: Any) -> None:
    known = vessel("US", row["letter"])
    gauge = 2200.0 / gas.PSI_PER_BAR
    factor = gas.content_l("oxygen", gauge, 21.1, known["water_l"]) / 2200.0
    assert factor == pytest.approx(row["expected"], rel=row["tolerance"])
    # and err towards less gas, apart from the sheet's rounding (E: 625 L, but 0.28 x 2200 = 616)
    assert factor <= row["expected"] * 1.015


# The shipped table.


def test_vessels_are_told_apart_by_country_and_letter() -> None:
    keys = [(v["country"], v["letter"]) for v in vessels()]
    assert len(set(keys)) == len(keys)
    assert len({vessel(c, "E")["water_l"] for c in ("UK", "US", "AU")}) == 3


@pytest.mark.parametrize("known", vessels(), ids=lambda v: f"{v['country']}-{v['letter']}")
def test_every_vessel_is_complete_and_holds_about_its_nominal_content(known: Any) -> None:
    assert set(known) == {
        *("country", "letter", "water_l", "fill_bar"),
        *("nominal_oxygen_l", "mark", "source", "note"),
    }
    assert known["mark"] in {"verified", "memory", "practice", "derived", "own"}
    temp = 21.1 if known["country"] == "US" else 15.0
    litres = gas.content_l("oxygen", float(known["fill_bar"]), temp, known["water_l"])
    # labels are rounded and metric labels leave out the real gas: 6.5 % covers them
    assert litres == pytest.approx(known["nominal_oxygen_l"], rel=0.065)


# Against itself.


def test_the_edges_of_the_range_come_back_whatever_the_rounding() -> None:
    temps = np.linspace(-40.0, 60.0, 501)
    for which in GASES:
        for gauge in (0.0, 350.0):
            litres = gas.content_l(which, gauge, temps, 9.9)
            np.testing.assert_allclose(
                gas.gauge_for_content_bar(which, litres, temps, 9.9), gauge, atol=1e-7
            )


@given(
    which=st.sampled_from(GASES),
    gauge=st.floats(0.0, 350.0),
    temp_c=st.floats(-40.0, 60.0),
    water=st.floats(0.5, 50.0),
)
@example("oxygen", 350.0, 15.0, 9.9)
@example("air", 350.0, -3.0, 10.0)
def test_gauge_and_content_are_inverse(
    which: Any, gauge: float, temp_c: float, water: float
) -> None:
    litres = gas.content_l(which, gauge, temp_c, water)
    back = gas.gauge_for_content_bar(which, litres, temp_c, water)
    assert back == pytest.approx(gauge, abs=1e-7)
    assert gas.water_volume_l(which, litres, gauge, temp_c) == pytest.approx(water, rel=1e-9)


@given(
    which=st.sampled_from(GASES),
    gauge=st.floats(3.0, 150.0),
    temp_c=st.floats(-40.0, 60.0),
    other_c=st.floats(-40.0, 60.0),
)
def test_a_gauge_taken_to_another_temperature_keeps_the_mass(
    which: Any, gauge: float, temp_c: float, other_c: float
) -> None:
    there = gas.gauge_at_bar(which, gauge, temp_c, other_c)
    held = gas.content_l(which, gauge, temp_c, 1.0)
    assert gas.content_l(which, there, other_c, 1.0) == pytest.approx(held, rel=1e-9)
    assert gas.gauge_at_bar(which, there, other_c, temp_c) == pytest.approx(gauge, abs=1e-7)


@pytest.mark.parametrize("which", GASES)
def test_more_pressure_is_more_gas_and_warmth_is_less(which: Any) -> None:
    gauges = np.linspace(0.0, 350.0, 300)
    temps = np.linspace(-40.0, 60.0, 50)
    litres = np.asarray(gas.content_l(which, gauges[None, :], temps[:, None], 1.0))
    assert np.all(np.diff(litres, axis=1) > 0.0)
    assert np.all(np.diff(litres, axis=0) < 0.0)


def test_a_residual_is_left_at_the_temperature_of_use() -> None:
    # read warm, used cold: the residual gauge pressure then holds more gas back
    warm = gas.deliverable_l("oxygen", 100.0, 20.0, 10.0, 14.0, 20.0)
    cold = gas.deliverable_l("oxygen", 100.0, 20.0, 10.0, 14.0, -20.0)
    held = gas.content_l("oxygen", 100.0, 20.0, 10.0)
    assert cold < warm < held
    assert warm == pytest.approx(held - gas.content_l("oxygen", 14.0, 20.0, 10.0))
    assert gas.deliverable_l("oxygen", 10.0, 20.0, 10.0, 14.0, 20.0) == 0.0


def test_scalars_and_arrays_agree() -> None:
    gauges = np.array([[20.0, 137.0], [200.0, 300.0]])
    temps = np.array([-20.0, 30.0])
    litres = np.asarray(gas.content_l("oxygen", gauges, temps, 2.0))
    assert litres.shape == (2, 2)
    for index in np.ndindex(2, 2):
        alone = gas.content_l("oxygen", float(gauges[index]), float(temps[index[1]]), 2.0)
        assert np.ndim(alone) == 0
        assert litres[index] == pytest.approx(alone, rel=1e-12)


def test_a_thousand_members_at_once_are_quick() -> None:
    draws = np.random.default_rng(1)
    gauges, temps = draws.uniform(20.0, 300.0, 1000), draws.uniform(-20.0, 40.0, 1000)
    gas.content_l("oxygen", gauges, temps, 2.0)
    start = time.perf_counter()
    gas.content_l("oxygen", gauges, temps, 2.0)
    # about 2 ms alone; the bound is wide for a busy machine, a loop over members takes longer
    assert time.perf_counter() - start < 0.2


def test_refuses_out_of_range_and_names_everything_at_once() -> None:
    with pytest.raises(ValueError, match="gauge_bar is 400") as caught:
        gas.content_l("oxygen", np.array([100.0, 400.0]), -60.0, 0.0)
    for part in ("1 of 2 values", "temp_c is -60 degC; allowed -40 to 60", "water_l is 0 L"):
        assert part in str(caught.value)
    with pytest.raises(ValueError, match="nan"):
        gas.content_l("oxygen", float("nan"), 15.0, 1.0)
    with pytest.raises(ValueError, match="must be one of oxygen, air"):
        gas.content_l("helium", 100.0, 15.0, 1.0)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="gauge pressure at other_temp_c"):
        gas.gauge_at_bar("oxygen", 340.0, 0.0, 60.0)
    with pytest.raises(ValueError, match="content per litre"):
        gas.gauge_for_content_bar("oxygen", 1e6, 15.0, 1.0)
    with pytest.raises(ValueError, match="gauge pressure for that content"):
        gas.gauge_for_content_bar("oxygen", 0.5, 15.0, 1.0)
