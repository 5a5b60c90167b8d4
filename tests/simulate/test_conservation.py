"""Heat and water are neither made nor lost by the equations or by the steps.

What the nodes hold is summed here, apart from the engine, and set against the engine's ledgers of
what crossed the boundary. The boundary's own terms are checked one by one in test_chamber.py and
against hand calculations below.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laboratory import TERM, Baby, Floats, Record, Setup, hood_setup, unit_params
from trips import TRIPS, vapour

from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates

SPECIFIC_HEAT_J_KG_K = 3480.0  # of the body, as stated in science/body.py [3]
CLOSES = 1e-9  # share of what was turned over; the brief figure is 1e-3


def stored_heat_j(y: Floats, p: Floats) -> Floats:
    """Heat in all nodes; y (..., N_STATE), p (N_PARAM,)."""
    body = SPECIFIC_HEAT_J_KG_K * p[at.MASS]
    return np.asarray(
        p[at.C_AIR] * y[..., at.AIR]
        + p[at.C_WALL] * y[..., at.WALL]
        + p[at.IS_DOUBLE] * p[at.C_OUTER] * y[..., at.OUTER]
        + p[at.C_PATCH] * y[..., at.PATCH]
        + p[at.C_DECK] * y[..., at.DECK]
        + p[at.C_HEATER] * y[..., at.HEATER]
        + 0.35 * body * y[..., at.SKIN]
        + 0.65 * body * y[..., at.CORE]
    )


def heat_gap(setup: Setup, record: Record) -> float:
    """Largest (stored heat - ledger) over the heat turned over, all members."""
    worst = 0.0
    for m in range(setup.p.shape[0]):
        y = record.run.trace[m, :, : at.N_STATE]
        gap = stored_heat_j(y, setup.p[m]) - y[:, at.HEAT_LEDGER]
        hours = record.minutes[m, -1] / 60.0
        through = np.abs(np.diff(y[:, at.HEAT_LEDGER])).sum() + 3600.0 * y[-1, at.BUS_ENERGY]
        assert hours > 0.0
        assert through > 1e4, "nothing happened"
        worst = max(worst, float(np.abs(gap - gap[0]).max() / through))
    return worst


def water_gap(setup: Setup, record: Record) -> float:
    """The same for the vapour in the hood."""
    worst = 0.0
    for m in range(setup.p.shape[0]):
        y = record.run.trace[m, :, : at.N_STATE]
        held = setup.p[m, at.VOLUME] * y[:, at.VAPOUR]
        gap = held - y[:, at.WATER_LEDGER]
        through = np.abs(np.diff(y[:, at.WATER_LEDGER])).sum() + y[-1, at.BABY_WATER]
        assert through > 1e-2, "nothing happened"
        worst = max(worst, float(np.abs(gap - gap[0]).max() / through))
    return worst


@pytest.mark.parametrize("name", TRIPS)
def test_heat_and_water_close_over_an_eventful_trip(name: str) -> None:
    setup = TRIPS[name]()
    record = setup.run()
    assert heat_gap(setup, record) < CLOSES
    assert water_gap(setup, record) < CLOSES


def test_the_trips_do_have_their_events() -> None:
    winter = TRIPS["winter road"]().run()
    assert np.isfinite(winter.run.empty_s[0])
    assert (winter.flow("F_SUN_BABY") > 0.0).any()
    wall_full = 0.61094 * np.exp(17.625 * winter.state("WALL") / (winter.state("WALL") + 243.04))
    assert (winter.flow("F_VAPOUR_KPA") < wall_full * 1.2).all()
    small = TRIPS["small baby by air"]()
    record = small.run()
    wall = record.state("WALL")
    assert (
        record.flow("F_VAPOUR_KPA") > 0.61094 * np.exp(17.625 * wall / (wall + 243.04))
    ).any(), "no condensation"
    assert record.state("WATER")[0, -1] < 99.0, "the humidifier gave nothing"


def test_the_closing_check_can_fail() -> None:
    setup = TRIPS["winter road"]()
    record = setup.run()
    record.run.trace[0, :, at.WALL] += 0.01 * np.arange(record.run.trace.shape[1])
    assert heat_gap(setup, record) > 1e-5


@settings(max_examples=25, deadline=None)
@given(
    unit=st.sampled_from(["alder-single", "rowan-double"]),
    weight=st.floats(0.5, 4.5),
    weeks=st.floats(23.0, 42.0),
    age_h=st.floats(0.0, 600.0),
    wears=st.sampled_from([("bare",), ("hat",), ("wrap", "hat"), ("bag",), ("dressed",)]),
    breathes=st.sampled_from(["hood", "dry circuit", "humidified circuit"]),
    skin_mode=st.sampled_from([0.0, 1.0]),
    stood=st.floats(-5.0, 35.0),
    rooms=st.lists(
        st.tuples(
            st.floats(1.0, 40.0),  # minutes
            st.floats(-15.0, 40.0),  # ambient
            st.floats(0.1, 0.95),  # humidity
            st.floats(0.0, 12.0),  # wind
            st.floats(0.0, 800.0),  # sun
            st.sampled_from([0.0, 1.0]),  # on external
            st.sampled_from([0.0, 0.0025, 0.015]),  # opening
            st.sampled_from([0.0, 1.0]),  # aboard
            st.floats(65.0, 103.0),  # pressure
        ),
        min_size=1,
        max_size=4,
    ),
    charge=st.floats(0.0, 1.0),
)
def test_heat_and_water_close_for_any_trip(  # type: ignore[no-untyped-def]
    unit, weight, weeks, age_h, wears, breathes, skin_mode, stood, rooms, charge
) -> None:
    stretches = [
        (
            minutes,
            {
                "AMBIENT": ambient,
                "AMBIENT_VAPOUR": vapour(ambient, humidity),
                "WIND": wind,
                "SUN": sun,
                "ON_EXTERNAL": fed,
                "OPENING": opening,
                "ABOARD": aboard,
                "PRESSURE": pressure,
                "HUMIDITY_SET": 0.8,
                "HOOD_OXYGEN": 2.0 / 60000.0,
            },
        )
        for minutes, ambient, humidity, wind, sun, fed, opening, aboard, pressure in rooms
    ]
    setup = hood_setup(
        Baby(weight, weeks, age_h, wears=wears, breathes=breathes),
        [(10.0, {"AMBIENT": 20.0, "AIR_SET": 36.0}), *stretches],
        unit=unit,
        stood_c=stood,
        charge_share=charge,
        changes={"SKIN_MODE": skin_mode},
    )
    record = setup.run()
    assert np.isfinite(record.run.trace).all()
    assert heat_gap(setup, record) < CLOSES
    assert water_gap(setup, record) < CLOSES
    # nothing leaves its bounds
    assert (record.state("VAPOUR") > 0.0).all()
    assert (record.state("CHARGE") >= 0.0).all()
    assert (record.state("CHARGE") <= setup.p[:, at.USABLE_WH] * (1 + 1e-9)).all()
    assert (record.state("OXYGEN") > 0.0).all()
    assert (record.state("OXYGEN") < 1.0).all()
    assert (record.state("WATER") >= -1e-6).all()
    heater = record.flow("F_HEATER")
    assert (heater >= 0.0).all()
    assert (heater <= record.flow("F_HEATER_LIMIT") + 1e-9).all()


def test_the_rates_conserve_heat_at_any_state() -> None:
    """The right-hand side as plain NumPy, at random states: no step is involved."""
    generator = np.random.default_rng(20260114)
    for unit in ("alder-single", "rowan-double"):
        base = hood_setup(TERM, [(1.0, {})], unit=unit)
        for _ in range(50):
            y = base.start[0] + 0.0
            y[[at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER]] = generator.uniform(
                -5.0, 45.0, 6
            )
            y[[at.SKIN, at.CORE]] = generator.uniform(30.0, 40.0, 2)
            y[at.VAPOUR] = generator.uniform(1.0, 40.0)
            c = base.conditions[0, 0].copy()
            c[at.AMBIENT] = generator.uniform(-15.0, 40.0)
            c[at.SUN] = generator.uniform(0.0, 800.0)
            c[at.OPENING] = generator.choice([0.0, 0.015])
            dy = np.zeros(at.N_STATE)
            flow = np.zeros(at.N_FLOW)
            rates(y, base.p[0], c, generator.choice([0.0, 1.0]), dy, flow)
            gap = stored_heat_j(dy, base.p[0]) - dy[at.HEAT_LEDGER]
            assert abs(gap) < 1e-9 * max(1.0, abs(dy[at.HEAT_LEDGER]) + 1000.0)


# --- boundary terms against hand calculations -----------------------------------------------


@pytest.mark.parametrize("unit", ["alder-single", "rowan-double"])
def test_an_empty_hood_settles_where_a_linear_network_says(unit: str) -> None:
    """Heater power at rest in still, dry surroundings, solved by hand as resistances.

    Single wall: air - film - sheet - outside film. Double: air - film - gap - outside film.
    """
    room, air, wind = 20.0, 34.0, 0.0
    setup = hood_setup(
        TERM,
        [(2400, {"ABOARD": 0.0, "AMBIENT": room, "AIR_SET": air, "WIND": wind})],
        unit=unit,
        stood_c=room,
        output_s=3600.0,
    )
    record = setup.run()
    p = unit_params(unit, TERM.area_m2())
    outside = p["WALL_AREA"] * 8.0  # still air, science/heat.py [4]
    if p["IS_DOUBLE"]:
        beyond = 1.0 / (1.0 / (p["WALL_AREA"] * p["WALL_GAP"]) + 1.0 / outside)
    else:
        beyond = 1.0 / (p["WALL_RESISTANCE"] / p["WALL_AREA"] + 1.0 / outside)
    through_wall = 1.0 / (1.0 / p["G_AIR_WALL"] + 1.0 / beyond)
    to_deck = p["G_AIR_DECK"] + 1.0 / (1.0 / p["G_PATCH_AIR"] + 1.0 / p["G_PATCH_BELOW"])
    through_deck = 1.0 / (1.0 / to_deck + 1.0 / p["G_DECK_AMBIENT"])
    density = 101325.0 / (287.05 * (air + 273.15))
    fresh = density * 1006.0 * p["FRESH"]
    expected = (through_wall + through_deck + fresh) * (air - room) - p["FAN_HEAT_W"]
    assert record.flow("F_HEATER")[0, -1] == pytest.approx(expected, rel=1e-3)
    wall = room + through_wall * (air - room) / beyond
    assert record.state("WALL")[0, -1] == pytest.approx(wall, abs=0.01)


def test_battery_energy_is_what_the_bus_used_by_efficiency_and_rate() -> None:
    """Constant load, warm pack: time to empty by Peukert's law, worked by hand."""
    values = {
        "HEATER_BATTERY_W": 0.0,
        "ELECTRONICS_W": 20.0,
        "BATTERY_EFFICIENCY": 0.9,
        "USABLE_WH": 50.0,
        "CHARGEABLE_WH": 50.0,
        "RATED_W": 4.0,
        "PEUKERT": 1.1,
        "PACK_LAG_S": 1e12,
    }
    setup = hood_setup(
        TERM,
        [(240, {"ABOARD": 0.0, "ON_EXTERNAL": 0.0, "AMBIENT": 25.0})],
        stood_c=25.0,
        changes=values,
    )
    drawn = 20.0 / 0.9
    hours = 50.0 / (drawn * (drawn / 4.0) ** 0.1)
    record = setup.run()
    assert record.run.empty_s[0] == pytest.approx(3600.0 * hours, rel=1e-9)
    assert record.state("BUS_ENERGY")[0, -1] == pytest.approx(20.0 * hours, rel=1e-9)
