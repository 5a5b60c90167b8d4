"""From a case to arrays: durations, places, gas, power and the start, worked by hand.

Unless a test says otherwise every spread of trip and unit is zero, so that all is exact.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from plan.cases import calm, exactly, leg, part, ruled, shipped_case, trip, with_legs
from warmhold.model import Case, Delay, DoorOpening, SpareBattery
from warmhold.model.physiology import physiology
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import TRIAL_TOLERANCE, Ensemble, prepare, run
from warmhold.simulate.stepping import CONTROLLED, TOLERANCE

MEMBERS = 40


def prepared(case: Case, **changes: Any) -> Ensemble:
    return prepare(case, **{"members": MEMBERS, "seed": 4, "air_set_c": 34.0, **changes})


def open_port(at_min: float, minutes: float, size: str = "port") -> DoorOpening:
    return DoorOpening.model_validate({"at_min": at_min, "minutes": minutes, "size": size})


def lasting(ensemble: Ensemble, member: int = 0) -> list[float]:
    return [round(float(s) / 60.0, 4) for s in ensemble.durations_s[member]]


@pytest.fixture(scope="module")
def term() -> Case:
    """The easy trip without spread: double wall, lithium, cannula, cylinders, sea level."""
    return calm(shipped_case("term-by-day"))


@pytest.fixture(scope="module")
def winter() -> Case:
    """The winter trip without spread: single wall, lead-acid, hood."""
    return calm(shipped_case("winter-road"))


# --- stretches and how long they take -----------------------------------------------------------


def test_legs_are_cut_at_their_openings(term: Case) -> None:
    case = with_legs(
        term, leg("a", 40, door_openings=(open_port(25, 1, "front"), open_port(10, 2)))
    )
    ensemble = prepared(case)
    assert [(s.name, s.kind, s.leg, s.opening) for s in ensemble.stretches] == [
        ("warming up", "warming", None, ""),
        ("baby goes in", "loading", None, "front"),
        ("a", "leg", 0, ""),
        ("a", "leg", 0, "port"),
        ("a", "leg", 0, ""),
        ("a", "leg", 0, "front"),
        ("a", "leg", 0, ""),
    ]
    # 90 min to the baby going in, 2 min of loading (the trip file), then 10 + 2 + 13 + 1 + 14
    assert lasting(ensemble) == [90, 2, 10, 2, 13, 1, 14]
    assert [s.nominal_min for s in ensemble.stretches] == [90, 2, 10, 2, 13, 1, 14]


def test_a_certain_delay_lengthens_the_leg_but_not_the_opening(term: Case) -> None:
    case = with_legs(term, leg("a", 40, door_openings=(open_port(10, 2),)), leg("b", 15))
    case = trip(
        case,
        delays=(Delay(what="queue", leg="a", minutes=exactly(20), chance_percent=100),),
    )
    # 40 + 20 = 60: before the opening 10, the opening 2, the rest 48
    assert lasting(prepared(case)) == [90, 2, 10, 2, 48, 15]


def test_a_chance_of_delay_falls_on_its_share_of_members(term: Case) -> None:
    case = with_legs(term, leg("a", 40, door_openings=(open_port(10, 2),)))
    case = trip(
        case, delays=(Delay(what="queue", leg="a", minutes=exactly(20), chance_percent=30),)
    )
    ensemble = prepared(case)
    total = ensemble.durations_s[:, 2:].sum(axis=1) / 60.0
    np.testing.assert_allclose(total, ensemble.leg_min[:, 0])
    assert (np.isclose(total, 60.0)).sum() == 0.3 * MEMBERS  # stratified: exactly
    assert (np.isclose(total, 40.0)).sum() == 0.7 * MEMBERS
    # nominal: 40 + 30 % of 20 = 46, so the parts are 10, 2, 34. Without delay 38 min are shared
    # in the ratio 10 : 34, with it 58 min.
    assert [s.nominal_min for s in ensemble.stretches[2:]] == pytest.approx([10, 2, 34])
    late = np.isclose(total, 60.0)
    minutes = ensemble.durations_s[:, 2:] / 60.0
    np.testing.assert_allclose(minutes[~late], [[38 * 10 / 44, 2, 38 * 34 / 44]] * 28)
    np.testing.assert_allclose(minutes[late], [[58 * 10 / 44, 2, 58 * 34 / 44]] * 12)


def test_stretches_of_a_leg_add_up_whatever_is_drawn() -> None:
    ensemble = prepared(shipped_case("island-flight"), members=200)
    for number in range(7):
        parts = [n for n, s in enumerate(ensemble.stretches) if s.leg == number]
        total = ensemble.durations_s[:, parts].sum(axis=1) / 60.0
        np.testing.assert_allclose(total, ensemble.leg_min[:, number], rtol=1e-9)
    doors = [n for n, s in enumerate(ensemble.stretches) if s.opening == "port"]
    assert len(doors) == 3
    np.testing.assert_array_equal(ensemble.durations_s[:, doors], 60.0)
    assert ensemble.durations_s[:, 1].std() > 0.0  # loading is drawn as well
    flight = ensemble.leg_min[:, 3]
    assert flight.mean() == pytest.approx(95 + 0.25 * 15, abs=0.8)  # 4 sigma


def test_openings_that_overlap_keep_their_length_one_after_the_other(term: Case) -> None:
    openings = (open_port(10, 5), open_port(12, 2))
    assert lasting(prepared(with_legs(term, leg("a", 40, door_openings=openings))))[2:] == [
        10, 5, 2, 23,
    ]  # fmt: skip


def test_an_opening_at_the_very_end_still_leaves_the_leg_its_length(term: Case) -> None:
    ensemble = prepared(with_legs(term, leg("a", 40, door_openings=(open_port(38, 2),))))
    assert sum(lasting(ensemble)[2:]) == pytest.approx(40.0)
    assert lasting(ensemble)[3] == 2


def test_a_leg_shorter_than_its_opening_is_as_long_as_the_opening(term: Case) -> None:
    """A member whose leg is drawn very short: the opening still happens, nothing is negative."""
    case = with_legs(term, leg("a", 2.5, door_openings=(open_port(0, 2),)))
    case = with_legs(
        case, case.trip.legs[0].model_copy(update={"minutes": exactly(2.5, spread=1.0)})
    )
    ensemble = prepared(case, members=200)
    assert (ensemble.leg_min < 2.0).any()
    assert (ensemble.durations_s >= 0.0).all()
    np.testing.assert_allclose(
        ensemble.durations_s[:, 2:].sum(axis=1) / 60.0, np.maximum(ensemble.leg_min[:, 0], 2.0)
    )


def test_a_baby_already_in_has_no_warm_up(term: Case) -> None:
    case = part(term, "start", now=term.trip.start.baby_in, loading_minutes=exactly(0))
    case = with_legs(case, leg("a", 10))
    assert [s.kind for s in prepared(case).stretches] == ["leg"]
    outcome = run(prepared(case))
    assert outcome.aboard_from == 0
    assert outcome.leg_outputs(0) == slice(0, 6)


def test_steps_and_outputs(term: Case) -> None:
    case = with_legs(term, leg("a", 40, door_openings=(open_port(10, 2),)))
    ensemble = prepared(case)
    # every minute while warming or open, every two minutes on a leg
    assert list(ensemble.outputs) == [90, 2, 5, 2, 14]
    assert list(ensemble.steps_s) == [CONTROLLED] * 5
    assert ensemble.tolerance_k == TOLERANCE
    assert prepared(case, coarse=True).tolerance_k == TRIAL_TOLERANCE
    outcome = run(ensemble)
    assert list(outcome.edges) == [0, 90, 92, 97, 99, 113]
    assert outcome.aboard_from == 90
    assert outcome.leg_outputs(0) == slice(92, 114)
    minutes = outcome.run.clock_s[0, outcome.edges] / 60.0
    np.testing.assert_allclose(minutes, [0, 90, 92, 102, 104, 132])


def test_a_warm_up_alone_has_no_legs(term: Case) -> None:
    ensemble = prepared(term, warming_min=150.0, with_legs=False)
    assert [(s.kind, s.nominal_min, s.outputs) for s in ensemble.stretches] == [
        ("warming", 150.0, 150)
    ]
    assert (ensemble.conditions[:, :, at.ABOARD] == 0.0).all()


# --- the right place at the right time --------------------------------------------------------


def two_places(case: Case) -> Case:
    port = (open_port(5, 1),)
    return with_legs(
        case,
        leg("in", 10, ambient_c=exactly(18), wind_m_s=exactly(0.5), door_openings=port),
        leg(
            "out", 20, place="tarmac", ambient_c=exactly(-6), wind_m_s=exactly(3),
            humidity_percent=exactly(75), sun_w_m2=exactly(150), cabin_altitude_m=500.0,
        ),
    )  # fmt: skip


def test_conditions_of_each_leg_stand_in_its_stretches(term: Case) -> None:
    term = part(term, "unit.hood", port_exchange_lps=exactly(2.5), front_exchange_lps=exactly(15))
    ensemble = prepared(two_places(term), air_set_c=35.5)
    c = ensemble.conditions[0]
    warming, loading, before, door, after, outside = range(6)
    assert list(c[:, at.AMBIENT]) == [24, 24, 18, 18, 18, -6]
    assert list(c[:, at.WIND]) == [0.1, 0.1, 0.5, 0.5, 0.5, 3]
    assert list(c[:, at.SUN]) == [0, 0, 0, 0, 0, 150]
    assert list(c[:, at.ABOARD]) == [0, 1, 1, 1, 1, 1]
    assert list(c[:, at.AIR_SET]) == [35.5] * 6
    assert list(c[:, at.OPENING]) == pytest.approx([0, 0.015, 0, 0.0025, 0, 0])
    # ICAO standard atmosphere at 500 m: 954.61 hPa (table value, memory)
    assert c[outside, at.PRESSURE] == pytest.approx(95.461, abs=0.01)
    assert list(c[:outside, at.PRESSURE]) == pytest.approx([101.325] * 5)
    # vapour: relative humidity x saturation / (Rv T). At 24 degC saturation is 2.985 kPa, at
    # -6 degC over ice 0.369 kPa, over water 0.391 kPa (handbook tables, memory); Rv = 0.4615 J/g/K
    assert c[warming, at.AMBIENT_VAPOUR] == pytest.approx(0.45 * 2985 / 0.4615 / 297.15, rel=0.01)
    dry = 0.75 * np.array([369, 391]) / 0.4615 / 267.15
    assert dry[0] * 0.99 < c[outside, at.AMBIENT_VAPOUR] < dry[1] * 1.01
    assert c[loading, at.ON_EXTERNAL] == 1.0
    assert c[before, at.ON_EXTERNAL] == c[door, at.ON_EXTERNAL] == c[after, at.ON_EXTERNAL] == 0.0


def test_cabin_pressure_can_be_stated_in_three_ways(term: Case) -> None:
    for how in ({"cabin_altitude_ft": 8000.0}, {"cabin_altitude_m": 2438.4},
                {"cabin_pressure_hpa": 752.6}):  # fmt: skip
        ensemble = prepared(with_legs(term, leg("a", 10, **how)))
        # 8000 ft: 752.6 hPa (gas notes section 3, computed from ICAO)
        assert ensemble.conditions[0, -1, at.PRESSURE] == pytest.approx(75.26, abs=0.01)


def test_outdoor_legs_share_the_weather_of_a_member_and_others_do_not() -> None:
    ensemble = prepared(shipped_case("winter-road"), members=300)
    names = [None if s.leg is None else s.leg for s in ensemble.stretches]
    ambient = {n: ensemble.conditions[:, names.index(n), at.AMBIENT] for n in range(5)}
    np.testing.assert_array_equal(ambient[1], ambient[3])  # both outdoors, both -6 +- 2
    assert ambient[1].mean() == pytest.approx(-6.0, abs=0.05)
    assert ambient[1].std() == pytest.approx(2.0, rel=0.02)
    assert abs(np.corrcoef(ambient[0], ambient[4])[0, 1]) < 4 / np.sqrt(300)


# --- power ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power", "limit", "shared", "expected"),
    [
        ("battery", None, None, 0.0),
        ("vehicle", None, None, 350.0),  # the unit's own figure
        ("vehicle", 300.0, None, 300.0),
        ("vehicle", 500.0, None, 350.0),  # the unit cannot take more
        ("vehicle", 300.0, 40.0, 260.0),
        ("vehicle", 390.0, 40.0, 350.0),
        ("vehicle", 30.0, 40.0, 0.0),  # nothing is left, never less than nothing
        ("mains", None, None, 450.0),
        ("aircraft", 250.0, 20.0, 230.0),
    ],
)
def test_what_a_source_gives(
    term: Case, power: str, limit: float | None, shared: float | None, expected: float
) -> None:
    load = None if shared is None else exactly(shared)
    term = part(
        term, "unit.power", vehicle_w=exactly(350), mains_w=exactly(450), aircraft_w=exactly(300)
    )
    ensemble = prepared(
        with_legs(term, leg("a", 10, power=power, power_limit_w=limit, shared_load_w=load))
    )
    last = ensemble.conditions[:, -1]
    np.testing.assert_allclose(last[:, at.EXTERNAL_W], expected)
    assert (last[:, at.ON_EXTERNAL] == float(power != "battery")).all()


def test_only_a_compressor_on_cylinder_legs_runs(term: Case) -> None:
    case = part(term, "supplies", air_from="compressor", compressor_w=exactly(45))
    ensemble = prepared(with_legs(case, leg("a", 10), leg("b", 10, gas="cylinder")))
    np.testing.assert_array_equal(ensemble.conditions[0, :, at.COMPRESSING], [0, 0, 0, 1])
    assert (ensemble.p[:, at.COMPRESSOR_W] == 45.0).all()
    assert (prepared(with_legs(term, leg("b", 10))).p[:, at.COMPRESSOR_W] == 0.0).all()


def lead_84(case: Case) -> Case:
    """A pack of 84 Wh at its 20-hour rating, 80 % of it usable, whatever the profile says."""
    given = {"energy_wh": exactly(84), "usable_fraction": exactly(0.8), "rating_h": exactly(20)}
    return part(case, "unit.battery", chemistry="lead-acid", packs=1, **given)


def test_battery_of_the_small_unit(winter: Case) -> None:
    """84 Wh, health 0.7, usable 0.8: 47.04 Wh, of which 90 % are in it."""
    case = part(lead_84(winter), "unit.battery", health=exactly(0.7))
    spares = (SpareBattery(owned=3, carried=2, mass_kg=2.6, charge_percent=exactly(50)),)
    case = part(case, "supplies", spare_batteries=spares)
    e = prepared(case)
    np.testing.assert_allclose(e.p[:, at.CHARGEABLE_WH], 47.04)
    np.testing.assert_allclose(e.p[:, at.USABLE_WH], 3 * 47.04)
    np.testing.assert_allclose(e.p[:, at.RATED_W], 84 / 20)  # 20-hour rating
    np.testing.assert_allclose(e.start[:, at.CHARGE], 0.9 * 47.04 + 2 * 0.5 * 47.04)
    assert (e.p[:, at.IS_LEAD] == 1.0).all()
    assert (e.p[:, at.PEUKERT] == 1.10).all()


def test_loss_by_fast_discharge_is_uncertain_until_a_run_down_was_measured(winter: Case) -> None:
    """AGM: 1.05 to 1.15 [science.battery, 2]; what a run-down gave holds the loss already."""
    guessed = prepared(part(winter, "unit.battery", health=None)).p[:, at.PEUKERT]
    assert guessed.mean() == pytest.approx(1.10, abs=0.002)
    assert 0.85 < ((guessed > 1.05) & (guessed < 1.15)).mean() < 0.95
    measured = prepared(part(winter, "unit.battery", health=exactly(0.7))).p[:, at.PEUKERT]
    assert (measured == 1.10).all()


def test_battery_of_two_packs_and_its_charger(term: Case) -> None:
    """Two packs of 190 Wh, health 1, usable 0.9: 171 Wh each. A spare is one pack more."""
    term = part(
        term, "unit.battery", packs=2, energy_wh=exactly(190), usable_fraction=exactly(0.9),
        rating_h=exactly(5), charge_time_h=exactly(4.5),
    )  # fmt: skip
    spares = (
        SpareBattery(owned=2, carried=1, mass_kg=1.9, charge_percent=exactly(100)),
        SpareBattery(owned=2, carried=0, mass_kg=1.9, charge_percent=exactly(100)),
    )
    case = part(term, "supplies", spare_batteries=spares)
    e = prepared(part(case, "start", battery_charge_percent=exactly(50)))
    np.testing.assert_allclose(e.p[:, at.CHARGEABLE_WH], 342.0)
    np.testing.assert_allclose(e.p[:, at.USABLE_WH], 513.0)
    np.testing.assert_allclose(e.start[:, at.CHARGE], 171.0 + 171.0)
    np.testing.assert_allclose(e.p[:, at.RATED_W], 2 * 190 / 5)
    # 80 % in 0.8 / k hours and the rest as exp(-t k / 0.2) to a tenth: k = 0.8 + 0.2 ln 10 = 1.26
    # of the charge an hour for each hour of charging time
    np.testing.assert_allclose(e.p[:, at.CHARGER_W], 1.26 * 342.0 / 4.5, rtol=1e-3)


def test_health_is_guessed_from_age_only_when_it_was_not_measured(winter: Case) -> None:
    winter = lead_84(winter)
    unknown = part(winter, "unit.battery", health=None, age_years=4.0)
    e = prepared(unknown, members=400)
    health = e.p[:, at.CHARGEABLE_WH] / (84 * 0.8)
    assert health.mean() == pytest.approx(1 - 4 * 0.06, abs=0.002)  # 6 % a year (assumed)
    assert health.std() == pytest.approx(0.08, rel=0.03)  # own choice of this project
    assert e.draws.inputs["unit.battery.health"].provenance == "assumed"
    new = prepared(part(winter, "unit.battery", health=None, age_years=0.0))
    np.testing.assert_allclose(new.p[:, at.CHARGEABLE_WH], 84 * 0.8)


# --- gas -----------------------------------------------------------------------------------------


def breathing(case: Case, percent: float, lpm: float, **supplies: Any) -> Case:
    """On a ventilator at sea level, everything out of cylinders."""
    case = part(
        case, "baby", support="ventilator", flow_lpm=exactly(lpm), oxygen_percent=exactly(percent)
    )
    case = part(case, "supplies", **supplies) if supplies else case
    return with_legs(case, leg("a", 30, gas="cylinder"))


def test_blender_splits_the_flow(term: Case) -> None:
    """10 L/min at 60 %: gas notes section 2, share .4937 (computed; formula verified)."""
    gas = prepared(breathing(term, 60, 10)).gas
    np.testing.assert_allclose(gas.oxygen_lpm, 4.937, atol=0.001)
    np.testing.assert_allclose(gas.air_lpm, 10 - 4.937, atol=0.001)
    np.testing.assert_allclose(gas.worst_oxygen_lpm, 10.0)
    np.testing.assert_allclose(gas.worst_air_lpm, 10.0)
    np.testing.assert_allclose(gas.need_fraction, 0.60)
    assert (gas.hood_flow_lpm == 0.0).all()


@pytest.mark.parametrize(
    ("percent", "share"),
    # gas notes section 2, column "O2 fraction of flow" (computed from the verified formula)
    [(24, 0.0380), (28, 0.0886), (30, 0.1139), (35, 0.1772), (40, 0.2405), (50, 0.3671),
     (70, 0.6203), (80, 0.7468), (100, 1.0), (21, 0.0)],
)  # fmt: skip
def test_share_of_oxygen_in_the_flow(term: Case, percent: float, share: float) -> None:
    gas = prepared(breathing(term, percent, 1.0)).gas
    np.testing.assert_allclose(gas.oxygen_lpm, share, atol=0.00006)
    np.testing.assert_allclose(gas.oxygen_lpm + gas.air_lpm, 1.0, atol=1e-12)


def test_gas_from_the_wall_takes_nothing_from_cylinders(term: Case) -> None:
    case = breathing(term, 60, 10)
    legs = (leg("a", 10, gas="wall"), leg("b", 10, gas="vehicle", place="ambulance"),
            leg("c", 10, gas="cylinder"))  # fmt: skip
    gas = prepared(with_legs(case, *legs)).gas
    for lpm in (gas.oxygen_lpm, gas.air_lpm, gas.worst_oxygen_lpm, gas.worst_air_lpm):
        assert (lpm[:, :2] == 0.0).all()
        assert (lpm[:, 2] > 0.0).all()


def test_drive_gas_comes_on_top(term: Case) -> None:
    by_oxygen = prepared(breathing(term, 60, 10, drive_gas="oxygen", drive_lpm=exactly(2))).gas
    np.testing.assert_allclose(by_oxygen.oxygen_lpm, 6.937, atol=0.001)
    np.testing.assert_allclose(by_oxygen.air_lpm, 5.063, atol=0.001)
    np.testing.assert_allclose(by_oxygen.worst_oxygen_lpm, 12.0)
    by_air = prepared(breathing(term, 60, 10, drive_gas="air", drive_lpm=exactly(2))).gas
    np.testing.assert_allclose(by_air.oxygen_lpm, 4.937, atol=0.001)
    np.testing.assert_allclose(by_air.air_lpm, 7.063, atol=0.001)
    np.testing.assert_allclose(by_air.worst_air_lpm, 12.0)


def test_compressed_air_spares_the_air_cylinder(term: Case) -> None:
    case = breathing(term, 60, 10, air_from="compressor", compressor_w=exactly(45))
    gas = prepared(case).gas
    np.testing.assert_allclose(gas.oxygen_lpm, 4.937, atol=0.001)
    assert (gas.air_lpm == 0.0).all()
    assert (gas.worst_air_lpm == 0.0).all()


def high_cabin(case: Case, basis: str) -> Case:
    case = breathing(case, 40, 10, flow_basis=basis)
    return with_legs(
        case, leg("ground", 10, gas="cylinder"),
        leg("cabin", 10, gas="cylinder", cabin_altitude_ft=8000.0, place="aircraft"),
    )  # fmt: skip


def test_need_rises_with_the_cabin(term: Case) -> None:
    """40 % on the ground is 55.1 % at 8000 ft, water vapour taken out: gas notes section 3."""
    gas = prepared(high_cabin(term, "standard")).gas
    np.testing.assert_allclose(gas.need_fraction[:, 0], 0.40)
    np.testing.assert_allclose(gas.need_fraction[:, 1], 0.551, atol=0.0006)
    # 10 L/min x (.551 - .21) / .79 = 4.316, standard litres whatever the pressure
    np.testing.assert_allclose(gas.oxygen_lpm, [[2.405, 4.316]] * MEMBERS, atol=0.008)
    np.testing.assert_allclose(gas.oxygen_lpm + gas.air_lpm, 10.0)


def test_litres_at_cabin_pressure_are_fewer_standard_litres(term: Case) -> None:
    """A flow kept in litres at 752.6 hPa takes 752.6 / 1013.25 = 0.7428 standard litres."""
    actual = prepared(high_cabin(term, "actual")).gas
    np.testing.assert_allclose(actual.oxygen_lpm[:, 0], 2.405, atol=0.001)
    np.testing.assert_allclose(actual.oxygen_lpm[:, 1], 4.316 * 0.7428, atol=0.006)
    np.testing.assert_allclose(actual.oxygen_lpm[:, 1] + actual.air_lpm[:, 1], 7.428, atol=0.002)
    np.testing.assert_allclose(actual.worst_oxygen_lpm[:, 1], 7.428, atol=0.002)


def test_need_beyond_what_can_be_given_is_kept_but_not_drawn_from_the_cylinder(term: Case) -> None:
    case = high_cabin(term, "standard")
    case = part(case, "baby", oxygen_percent=exactly(90))
    gas = prepared(case).gas
    # 90 % x (1013.25 - 62.7) / (752.6 - 62.7) = 124 %
    np.testing.assert_allclose(gas.need_fraction[:, 1], 1.240, atol=0.001)
    np.testing.assert_allclose(gas.oxygen_lpm[:, 1], 10.0)
    lower = part(case, "policy.oxygen", highest_percent=ruled(60.0))
    np.testing.assert_allclose(prepared(lower).gas.oxygen_lpm[:, 1], 4.937, atol=0.001)


def test_oxygen_into_the_hood_makes_up_for_its_leaks(winter: Case) -> None:
    """Css = (Q x 1 + QL x 0.21) / (Q + QL), gas notes section 2 (derivation): 30 % with 9 L/min
    of leak needs Q = 9 x 0.09 / 0.70 = 1.157 L/min."""
    winter = part(winter, "unit.hood", fresh_air_lpm=exactly(9))
    case = with_legs(winter, leg("a", 30, gas="cylinder"), leg("b", 10))
    gas = prepared(case).gas
    np.testing.assert_allclose(gas.hood_flow_lpm, 1.1571, atol=0.0005)
    np.testing.assert_allclose(gas.oxygen_lpm, [[1.1571, 0.0]] * MEMBERS, atol=0.0005)
    assert (gas.air_lpm == 0.0).all()
    # at its worst the baby goes to 10 L/min by mask (policy)
    np.testing.assert_allclose(gas.worst_oxygen_lpm, [[10.0, 0.0]] * MEMBERS)
    into = prepared(case).conditions[:, 2:, at.HOOD_OXYGEN]
    np.testing.assert_allclose(into, 1.1571 / 60000, rtol=0.001)
    assert (prepared(case).conditions[:, :2, at.HOOD_OXYGEN] == 0.0).all()


def test_a_baby_in_air_uses_no_gas_but_may_come_to_need_a_mask(term: Case) -> None:
    """Nothing as planned; at its worst policy's 10 L/min of oxygen, and no air."""
    case = part(term, "policy.gas", worst_hood_flow_lpm=ruled(10))
    case = part(case, "baby", support="none", flow_lpm=None, oxygen_percent=exactly(21))
    gas = prepared(with_legs(case, leg("a", 30, gas="cylinder"))).gas
    for lpm in (gas.oxygen_lpm, gas.air_lpm, gas.worst_air_lpm):
        assert (lpm == 0.0).all()
    np.testing.assert_array_equal(gas.worst_oxygen_lpm, 10.0)


def test_a_cannula_cannot_give_all_oxygen(term: Case) -> None:
    """1 L/min at 25 %: 0.0506 of oxygen; at its worst a mask at 10 L/min."""
    case = part(term, "policy.gas", worst_hood_flow_lpm=ruled(10))
    case = part(case, "baby", support="cannula", flow_lpm=exactly(1), oxygen_percent=exactly(25))
    gas = prepared(with_legs(case, leg("a", 30, gas="cylinder"))).gas
    np.testing.assert_allclose(gas.oxygen_lpm, 0.0506, atol=0.0001)
    np.testing.assert_array_equal(gas.worst_oxygen_lpm, 10.0)
    np.testing.assert_array_equal(gas.worst_air_lpm, 0.0)


# --- the start -----------------------------------------------------------------------------------


def test_a_cold_unit_is_as_cold_as_where_it_stood(winter: Case) -> None:
    y = prepared(winter).start
    for index in (at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.PACK):
        np.testing.assert_array_equal(y[:, index], 12.0)
    np.testing.assert_array_equal(y[:, at.OXYGEN], 0.2095)
    assert (y[:, at.INTEGRAL] == 0.0).all()


def test_a_warm_unit_stands_at_its_setting_with_colder_walls(winter: Case) -> None:
    y = prepared(part(winter, "start", unit_state="warm"), air_set_c=35.0).start
    np.testing.assert_allclose(y[:, at.AIR], 35.0, atol=0.1)
    room = winter.trip.start.ambient_c.value
    assert room == 22.0
    assert ((room + 3 < y[:, at.WALL]) & (y[:, at.WALL] < 35.0 - 2)).all()
    assert (y[:, at.HEATER] > 35.0).all()
    assert (y[:, at.CHARGE] == prepared(winter).start[:, at.CHARGE]).all()
    np.testing.assert_array_equal(y[:, at.CORE], prepared(winter).start[:, at.CORE])


def test_a_warm_unit_is_ready_and_a_cold_one_is_not(winter: Case) -> None:
    """Ten minutes on, the warm unit has not moved."""
    warm = prepared(
        part(winter, "start", unit_state="warm"), air_set_c=35.0, warming_min=10.0, with_legs=False
    )
    outcome = run(warm, everything=True)
    for index in (at.AIR, at.WALL, at.DECK):
        moved = outcome.state(index)[:, -1] - outcome.state(index)[:, 0]
        assert np.abs(moved).max() < 0.3
    cold = run(prepared(winter, air_set_c=35.0, warming_min=10.0, with_legs=False), everything=True)
    assert (cold.state(at.AIR)[:, -1] > cold.state(at.AIR)[:, 0] + 2.0).all()


def test_a_unit_on_standby_stands_where_it_was_kept(winter: Case) -> None:
    kept = part(winter, "start", unit_state="standby", unit_stood_at_c=exactly(28))
    y = prepared(kept, air_set_c=35.0).start
    np.testing.assert_allclose(y[:, at.AIR], 28.0, atol=0.2)
    assert (y[:, at.WALL] < 28.0).all()
    assert (y[:, at.WALL] > 22.0).all()


def test_first_temperature_is_what_the_thermometer_reads(winter: Case) -> None:
    """Core = reading + how far the place is below core, each member its own."""
    for site in ("axillary", "rectal", "skin"):
        case = part(winter, "baby", temperature_site=site, temperature_c=exactly(36.4))
        e = prepared(case, members=400)
        np.testing.assert_allclose(e.start[:, at.CORE], 36.4 + e.site_offset_k)
        table = getattr(physiology(), f"{site}_below_core_k")
        assert e.site_offset_k.mean() == pytest.approx(table.value, abs=0.005)
        assert e.site_offset_k.std() == pytest.approx(table.spread, rel=0.03)
        assert (e.start[:, at.SKIN] < e.start[:, at.CORE]).all()


# --- the baby and the heater's master ------------------------------------------------------------


def test_baby_constants(term: Case) -> None:
    e = prepared(term, members=400)
    np.testing.assert_allclose(e.p[:, at.MASS], 3.4)
    # Haycock 1978: 0.024265 W^0.5378 H^0.3964 = 0.024265 x 1.9311 x 4.7516 = 0.2227 m2 (memory);
    # other formulas differ by a few per cent
    assert e.p[:, at.AREA].mean() == pytest.approx(0.2227, rel=0.05)
    assert (e.p[:, at.BREATH_IN_HOOD] == 1.0).all()  # cannula
    assert (e.p[:, at.READINESS] > 0.0).all()
    assert (e.p[:, at.BODY_SHARE] > 0.3).all()  # dressed
    assert (e.p[:, at.HEAD_SHARE] > 0.0).all()  # and a hat
    assert (e.p[:, at.CEILING] >= e.p[:, at.REST]).all()


def test_a_bare_baby_wears_nothing(term: Case) -> None:
    p = prepared(part(term, "baby", dressing=("bare",))).p
    for index in (at.BODY_SHARE, at.HEAD_SHARE, at.BODY_INSULATION, at.HEAD_INSULATION):
        assert (p[:, index] == 0.0).all()


def test_plastic_keeps_vapour_in_and_a_bag_covers_more(term: Case) -> None:
    wrap = prepared(part(term, "baby", dressing=("wrap",))).p
    bag = prepared(part(term, "baby", dressing=("bag",))).p
    dressed = prepared(part(term, "baby", dressing=("dressed",))).p
    assert (bag[:, at.BODY_SHARE].mean()) > wrap[:, at.BODY_SHARE].mean()
    assert wrap[:, at.BODY_VAPOUR].mean() < dressed[:, at.BODY_VAPOUR].mean()


def test_no_answer_to_cold_when_sedated() -> None:
    cooled = calm(shipped_case("cooled-hot-day"))
    assert (prepared(cooled).p[:, at.READINESS] == 0.0).all()
    awake = part(cooled, "baby", cold_response="present")
    assert (prepared(awake).p[:, at.READINESS] > 0.0).all()


@pytest.mark.parametrize(
    ("support", "humidified", "in_hood", "loss", "dry"),
    [
        ("none", False, 1, 1, 0),
        ("hood", False, 1, 1, 0),
        ("cannula", True, 1, 0, 0),
        ("ventilator", True, 0, 0, 1),
        ("cpap", False, 0, 1, 1),
    ],
)
def test_what_the_baby_breathes(
    term: Case, support: str, humidified: bool, in_hood: int, loss: int, dry: int
) -> None:
    p = prepared(part(term, "baby", support=support, humidified_gas=humidified)).p
    assert (p[:, at.BREATH_IN_HOOD] == in_hood).all()
    assert (p[:, at.BREATH_LOSS] == loss).all()
    assert (p[:, at.BREATH_DRY] == dry).all()


def test_a_trip_may_ask_for_skin_control(term: Case) -> None:
    assert (prepared(term).p[:, at.SKIN_MODE] == 0.0).all()
    by_skin = prepared(part(term, "start", control="skin")).p
    assert (by_skin[:, at.SKIN_MODE] == 1.0).all()
    assert (by_skin[:, at.SKIN_SET] == 36.5).all()  # policy
    own = prepared(part(term, "start", control="skin", skin_set_c=36.8)).p
    assert (own[:, at.SKIN_SET] == 36.8).all()
    profile = part(term, "unit.control", mode="skin")
    assert (prepared(profile).p[:, at.SKIN_MODE] == 1.0).all()
    assert (prepared(part(profile, "start", control="air")).p[:, at.SKIN_MODE] == 0.0).all()


def test_a_cooled_baby_starts_at_its_own_temperature() -> None:
    e = prepared(calm(shipped_case("cooled-hot-day")), air_set_c=20.0, members=200)
    rectal = physiology().rectal_below_core_k
    assert e.start[:, at.CORE].mean() == pytest.approx(33.5 + rectal.value, abs=0.01)
    assert (e.conditions[:, :, at.AIR_SET] == 20.0).all()


def test_a_change_of_one_input_leaves_every_other_draw_alone() -> None:
    """What a mend rests on: same seed, same luck."""
    case = shipped_case("winter-road")
    heavier = part(case, "baby", weight_g=exactly(3300, spread=32))
    first, second = prepared(case), prepared(heavier)
    differs = [
        index for index in range(at.N_PARAM) if (first.p[:, index] != second.p[:, index]).any()
    ]
    patch = [at.C_PATCH, at.G_PATCH_BABY, at.G_PATCH_BELOW, at.G_PATCH_AIR]  # by surface
    assert differs == sorted([at.MASS, at.AREA, *patch])
    np.testing.assert_array_equal(first.durations_s, second.durations_s)
    np.testing.assert_array_equal(first.conditions, second.conditions)
    np.testing.assert_array_equal(first.start, second.start)


def test_what_is_not_kept_is_not_read_and_what_is_kept_does_not_change_the_rest(
    term: Case,
) -> None:
    e = prepared(term)
    few, all_ = run(e), run(e, everything=True)
    np.testing.assert_array_equal(few.state(at.CORE), all_.state(at.CORE))
    np.testing.assert_array_equal(few.flow(at.F_OPERATIVE), all_.flow(at.F_OPERATIVE))
    assert all_.flow(at.F_METABOLIC)[:, -1].min() > 0.0
    with pytest.raises(ValueError, match="not in tuple"):
        few.flow(at.F_METABOLIC)
    assert few.run.trace.nbytes < 0.4 * all_.run.trace.nbytes
