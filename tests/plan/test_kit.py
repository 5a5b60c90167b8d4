"""The lightest kit is the lightest: by hand, and against trying every set."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from plan.cases import (
    Floats,
    by_hand,
    calm,
    exactly,
    leg,
    part,
    shipped_case,
    store_item,
    with_legs,
)
from warmhold.model import Case, SpareBattery, StoreItem
from warmhold.plan import measures
from warmhold.plan.kit import lightest_kit
from warmhold.plan.sheet import Kit
from warmhold.simulate.scenario import Outcome, prepare, run

MEMBERS = 60


def hour_on_oxygen(*store: StoreItem, carried: bool = False) -> Case:
    """60 min of 10 L/min at 60 %: 296.2 L of oxygen, twice that by policy; 600 L at the worst.

    Air comes from a compressor; power comes from the vehicle, so no spare is needed.
    """
    case = calm(shipped_case("term-by-day"))
    case = part(
        case, "baby", support="ventilator", flow_lpm=exactly(10), oxygen_percent=exactly(60)
    )
    case = part(case, "start", air_set_c=31.0, unit_state="cold")
    case = part(
        case, "supplies", air_from="compressor", compressor_w=exactly(20), store=store,
        cylinders=case.trip.supplies.cylinders[:1] if carried else (), spare_batteries=(),
    )  # fmt: skip
    road = {"power": "vehicle", "place": "ambulance", "ambient_c": exactly(15)}
    return with_legs(case, leg("road", 60, gas="cylinder", **road))


def packed(case: Case, members: int = MEMBERS) -> tuple[Kit, dict[str, int], int]:
    air_set_c = case.trip.start.air_set_c
    assert air_set_c is not None
    outcome = by_hand(prepare(case, members, 3, air_set_c=air_set_c), {})
    return lightest_kit(case, outcome, members, 3, lambda _done: None)


# 2 L at 200 bar give 424 L, 5 L give 1059 L, 10 L give 2118 L (gas notes 1.4, computed)
SMALL, MIDDLE, LARGE = 2.0, 5.0, 10.0


def test_two_small_ones_are_lighter_than_one_in_the_middle() -> None:
    kit, taken, spares = packed(
        hour_on_oxygen(store_item("small", SMALL, 4.0, 3), store_item("middle", MIDDLE, 8.5, 1))
    )
    assert taken == {"small": 2}  # 848 L for 600, 8.0 kg
    assert spares == 0
    assert kit.holds
    assert kit.mass_kg == 8.0
    assert [(item.title, item.count, item.mass_kg) for item in kit.items] == [
        ("small (from the store)", 2, 4.0)
    ]
    assert "8.0 kg" in kit.sentence


def test_one_in_the_middle_is_lighter_than_two_heavier_small_ones() -> None:
    kit, taken, _ = packed(
        hour_on_oxygen(store_item("small", SMALL, 4.5, 3), store_item("middle", MIDDLE, 8.5, 1))
    )
    assert taken == {"middle": 1}
    assert kit.mass_kg == 8.5


def test_the_worst_case_counts_only_where_policy_says_so() -> None:
    """Usual 592.4 L, worst 600 L: a store of 424 + 170 L is enough for the first alone."""
    store = (store_item("small", SMALL, 4.0, 1), store_item("tiny", 0.815, 2.0, 1))
    case = hour_on_oxygen(*store)  # 0.815 L at 212 L per litre: 172.8 L; together 596.6 L
    kit, _, _ = packed(case)
    assert not kit.holds
    must = tuple(k for k in case.policy.verdict.must_hold if k != "oxygen-worst")
    kit, taken, _ = packed(part(case, "policy.verdict", must_hold=must))
    assert kit.holds
    assert taken == {"small": 1, "tiny": 1}


def test_what_is_carried_counts_first() -> None:
    """One 5 L cylinder at 190 bar on the unit gives over 900 L: nothing has to be added."""
    kit, taken, spares = packed(hour_on_oxygen(store_item("small", SMALL, 4.0, 3), carried=True))
    assert (taken, spares) == ({}, 0)
    assert kit.holds
    assert kit.mass_kg == 0.0
    assert "nothing has to be added" in kit.sentence


def test_an_empty_store_is_short_and_says_so() -> None:
    kit, taken, _ = packed(hour_on_oxygen())
    assert not kit.holds
    assert taken == {}
    assert "oxygen" in kit.sentence
    assert "not enough by itself" in kit.sentence
    assert kit.sentence.startswith("All that the service owns")


def test_a_store_that_is_not_enough_is_listed_whole() -> None:
    kit, taken, _ = packed(hour_on_oxygen(store_item("small", SMALL, 4.0, 1)))
    assert not kit.holds
    assert taken == {"small": 1}


def test_an_item_of_which_none_is_left_is_not_taken() -> None:
    kit, taken, _ = packed(
        hour_on_oxygen(store_item("small", SMALL, 1.0, 0), store_item("middle", MIDDLE, 8.5, 2))
    )
    assert taken == {"middle": 1}
    assert kit.holds


def test_air_is_packed_apart_from_oxygen() -> None:
    case = hour_on_oxygen(
        store_item("oxygen", MIDDLE, 8.5, 1),
        store_item("air", MIDDLE, 8.0, 2, gas="air"),
        store_item("air, small", SMALL, 3.5, 2, gas="air"),
    )
    case = part(case, "supplies", air_from="cylinder", compressor_w=None)
    # air: 60 x 5.063 = 303.8 L, twice 607.6; its worst case is not asked for. Two of 2 L give
    # 2 x 386 = 772 L for 7.0 kg; one of 5 L 965 L for 8.0 kg
    assert "air-worst" not in case.policy.verdict.must_hold
    kit, taken, _ = packed(case)
    assert taken == {"oxygen": 1, "air, small": 2}
    assert kit.mass_kg == 15.5


@pytest.mark.parametrize("seed", range(12))
def test_no_lighter_set_holds(seed: int) -> None:
    """Every set of a random store is tried here, with uncertain gauges and need."""
    chance = np.random.default_rng(seed)
    store = tuple(
        store_item(
            f"kind {n}",
            float(np.round(chance.uniform(0.8, 3.0), 2)),
            float(np.round(chance.uniform(1.5, 9.0), 1)),
            int(chance.integers(0, 4)),
            gauge_bar=exactly(float(np.round(chance.uniform(90, 200))), 9.0),
        )
        for n in range(int(chance.integers(1, 5)))
    )
    case = part(hour_on_oxygen(*store), "baby", oxygen_percent=exactly(60, spread=6))
    case = with_legs(case, case.trip.legs[0].model_copy(update={"minutes": exactly(60, spread=8)}))
    outcome = by_hand(prepare(case, MEMBERS, 3, air_set_c=31.0), {})
    kit, taken, _ = lightest_kit(case, outcome, MEMBERS, 3, lambda _done: None)
    each = [
        measures.cylinder_litres(
            item, f"store.{item.name}", outcome.ensemble.draws, np.full(MEMBERS, 15.0)
        )
        for item in store
    ]
    holding = {}
    for counts in product(*(range(item.count + 1) for item in store)):
        if _holds(outcome, each, counts):
            mass = sum(n * item.mass_kg for n, item in zip(counts, store, strict=True))
            holding[counts] = round(mass, 6)
    assert kit.holds == bool(holding)
    if holding:
        counts = tuple(taken.get(item.name, 0) for item in store)
        assert holding[counts] == min(holding.values())
        assert kit.mass_kg == pytest.approx(min(holding.values()), abs=0.006)


def _holds(outcome: Outcome, each: list[Floats], counts: tuple[int, ...]) -> bool:
    """19 in 20 members have twice what they use and once the worst; the flows are the plan's."""
    e = outcome.ensemble
    litres = sum((n * one for n, one in zip(counts, each, strict=True)), np.zeros(MEMBERS))
    minutes = e.durations_s[:, -1] / 60.0
    usual = 2.0 * e.gas.oxygen_lpm[:, 0] * minutes
    worst = 10.0 * minutes
    return bool(np.mean(litres >= usual) >= 0.95 and np.mean(litres >= worst) >= 0.95)


def test_many_kinds_of_one_each() -> None:
    """Twenty kinds make a million sets; the lightest that gives 600 L is the two lightest.

    Each gives 424 L; masses 3.0, 3.1, ... kg: the two lightest are 6.1 kg.
    """
    store = tuple(store_item(f"kind {n}", SMALL, 3.0 + 0.1 * n, 1) for n in range(20))
    kit, taken, _ = packed(hour_on_oxygen(*store), members=20)
    assert taken == {"kind 0": 1, "kind 1": 1}
    assert kit.mass_kg == 6.1


def test_a_huge_store() -> None:
    """A hundred of each of five kinds: still the lightest, not one from a thinned-out list."""
    store = tuple(
        store_item(f"kind {n}", 0.25, 0.60 + 0.03 * n, 100) for n in range(4)
    )  # 53 L each: twelve of the lightest give 635 L for 7.2 kg
    kit, taken, _ = packed(
        hour_on_oxygen(*store, store_item("middle", MIDDLE, 8.5, 100)), members=20
    )
    assert kit.holds
    assert taken == {"kind 0": 12}
    assert kit.mass_kg == 7.2


def test_a_huge_store_of_which_many_are_needed() -> None:
    """Twenty-nine of a hundred tiny ones, the rest too heavy: it is not said to be too little."""
    store = (
        store_item("tiny", 0.1, 0.5, 100),
        store_item("heavy", 0.1, 20.0, 100),
        store_item("heavier", 0.1, 21.0, 100),
    )
    kit, taken, _ = packed(hour_on_oxygen(*store), members=20)
    assert kit.holds
    assert taken == {"tiny": 29}  # 600 / (0.1 x 212) = 28.3


def test_a_store_too_large_to_search_through_still_holds() -> None:
    """Many light kinds, dozens of them needed: enough is packed, the best gas for its mass."""
    store = tuple(store_item(f"kind {n}", 0.1, 0.5 + 0.01 * n, 6) for n in range(16))
    kit, taken, _ = packed(hour_on_oxygen(*store), members=20)
    assert kit.holds
    # 29 are needed, 6 of each kind: four kinds whole and five of the fifth
    assert taken == {**{f"kind {n}": 6 for n in range(4)}, "kind 4": 5}


def spare(owned: int, carried: int = 0, mass_kg: float = 1.9) -> SpareBattery:
    return SpareBattery(owned=owned, carried=carried, mass_kg=mass_kg, charge_percent=exactly(100))


def on_battery(minutes: float, owned: int) -> Case:
    case = hour_on_oxygen(store_item("large", LARGE, 15.0, 2))
    case = part(case, "supplies", spare_batteries=(spare(owned),))
    return with_legs(case, leg("ward", 30), leg("road", minutes, ambient_c=exactly(20)))


def test_the_fewest_spare_batteries(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told by a stand-in which number holds: the first that does is taken, no more are tried."""
    tried = []

    def stand_in(case: Case, *_rest: object) -> float:
        carried = sum(s.carried for s in case.trip.supplies.spare_batteries)
        tried.append(carried)
        return (0.2, 0.949, 0.95, 1.0, 1.0)[carried]

    monkeypatch.setattr("warmhold.plan.kit.battery_probability", stand_in)
    kit, _, spares = packed(on_battery(30, 4))
    assert spares == 2
    assert tried == [0, 1, 2]
    assert kit.holds
    assert (kit.items[-1].title, kit.items[-1].count, kit.items[-1].mass_kg) == (
        "spare battery", 2, 1.9,
    )  # fmt: skip
    assert kit.mass_kg == 3.8


def test_spare_batteries_that_are_really_run() -> None:
    """Five and a half hours on battery: none is too few, and one fewer than told falls short."""
    case = on_battery(300, 9)
    kit, _, spares = packed(case)
    assert kit.holds
    assert 0 < spares <= 9
    for count, holds in ((spares, True), (spares - 1, False)):
        carried = part(case, "supplies", spare_batteries=(spare(9, count),))
        outcome = run_battery(carried)
        assert bool(np.mean(outcome.spare >= 0.0) >= 0.95) is holds


def run_battery(case: Case) -> measures.Measure:
    return measures.battery(run(prepare(case, MEMBERS, 3, air_set_c=31.0)))


def test_too_few_spare_batteries_are_said_to_be_short() -> None:
    kit, _, spares = packed(on_battery(900, 1))
    assert not kit.holds
    assert spares == 1
    assert "battery" in kit.sentence
