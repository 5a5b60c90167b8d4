"""The lightest set of cylinders and spare batteries, of those the service owns, that meets policy.

Gas does not change the heat of the hood, so every set of cylinders is judged on one ensemble;
batteries do, so each number of spares is run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from heapq import heappop, heappush
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, StoreItem
from warmhold.plan import measures
from warmhold.plan.changes import with_spares
from warmhold.plan.sheet import Kit, KitItem
from warmhold.simulate.scenario import Outcome, prepare, run

Floats = NDArray[np.float64]
MOST_SETS = 20000


def lightest_kit(
    case: Case, outcome: Outcome, members: int, seed: int, progress: Callable[[float], None]
) -> tuple[Kit, dict[str, int], int]:
    """Search the store.

    Returns
    -------
    The sheet's part, what to take out of the store by name, and the spare batteries to carry.
    """
    required = case.policy.verdict.probability_percent.value / 100.0
    taken: dict[str, int] = {}
    short: list[str] = []
    for gas in ("oxygen", "air"):
        best = _lightest_cylinders(case, outcome, gas, required)
        if best is None:
            short.append(gas)
            taken.update({item.name: item.count for item in _store(case, gas)})
        else:
            taken.update(best)
    spares, powered = _fewest_spares(case, members, seed, required, progress)
    if not powered:
        short.append("battery")
    return _kit(case, taken, spares, short), taken, spares


def _store(case: Case, gas: str) -> tuple[StoreItem, ...]:
    return tuple(item for item in case.trip.supplies.store if item.gas == gas)


def _lightest_cylinders(
    case: Case, outcome: Outcome, gas: str, required: float
) -> dict[str, int] | None:
    """Counts by name of the lightest set that holds, None when even all of it does not."""
    ensemble = outcome.ensemble
    use = ensemble.gas
    usual = use.oxygen_lpm if gas == "oxygen" else use.air_lpm
    worst = use.worst_oxygen_lpm if gas == "oxygen" else use.worst_air_lpm
    if max(usual.max(initial=0.0), worst.max(initial=0.0)) <= 0.0:
        return {}
    rules = case.policy.gas
    minutes = measures.leg_minutes(ensemble)
    needs = [rules.factor.value * (usual * minutes).sum(axis=1)]
    if f"{gas}-worst" in case.policy.verdict.must_hold:
        needs.append(rules.worst_case_factor.value * (worst * minutes).sum(axis=1))
    carried = measures.contents(ensemble, gas).litres
    store = _store(case, gas)
    use_c = measures.use_temperature_c(ensemble)
    each = [
        measures.cylinder_litres(item, f"store.{item.name}", ensemble.draws, use_c)
        for item in store
    ]
    most = np.array([item.count for item in store], dtype=np.float64)

    def holds(counts: NDArray[np.float64]) -> bool:
        litres = carried + counts @ np.array(each) if each else carried
        return all(bool(np.mean(litres >= need) >= required) for need in needs)

    if not holds(most):
        return None
    best = next(
        (counts for counts in islice(_from_lightest(store), MOST_SETS) if holds(np.array(counts))),
        None,
    )
    if best is None:  # a store without end: lean towards the most gas for its mass
        best = _greedy(store, each, holds)
    return {item.name: n for item, n in zip(store, best, strict=True) if n}


def _from_lightest(store: tuple[StoreItem, ...]) -> Iterator[tuple[int, ...]]:
    """Every set of cylinders once, in the order of its mass."""
    waiting: list[tuple[float, tuple[int, ...], int]] = [(0.0, (0,) * len(store), 0)]
    while waiting:
        mass, counts, first = heappop(waiting)
        yield counts
        for place in range(first, len(store)):
            if counts[place] < store[place].count:
                more = (*counts[:place], counts[place] + 1, *counts[place + 1 :])
                heappush(waiting, (mass + store[place].mass_kg, more, place))


def _greedy(
    store: tuple[StoreItem, ...],
    each: list[Floats],
    holds: Callable[[NDArray[np.float64]], bool],
) -> tuple[int, ...]:
    """Add the cylinder with the most gas for its mass until the set holds."""
    counts = np.zeros(len(store))
    worth = [float(np.median(one)) / item.mass_kg for item, one in zip(store, each, strict=True)]
    for place in sorted(range(len(store)), key=lambda n: -worth[n]):
        while counts[place] < store[place].count and not holds(counts):
            counts[place] += 1
    return tuple(int(n) for n in counts)


def battery_probability(case: Case, members: int, seed: int, air_set_c: float) -> float:
    """Share of members that keep the battery margin."""
    outcome = run(prepare(case, members, seed, air_set_c=air_set_c, coarse=True))
    return float(np.mean(measures.battery(outcome).spare >= 0.0))


def _fewest_spares(
    case: Case, members: int, seed: int, required: float, progress: Callable[[float], None]
) -> tuple[int, bool]:
    owned = sum(item.owned for item in case.trip.supplies.spare_batteries)
    air_set_c = case.trip.start.air_set_c
    assert air_set_c is not None
    for carried in range(owned + 1):
        progress(carried / (owned + 1))
        if battery_probability(with_spares(case, carried), members, seed, air_set_c) >= required:
            return carried, True
    return owned, False


def _kit(case: Case, taken: dict[str, int], spares: int, short: list[str]) -> Kit:
    carried = [KitItem(c.name, 1, None) for c in case.trip.supplies.cylinders]
    added = [
        KitItem(f"{item.name} (from the store)", taken[item.name], item.mass_kg)
        for item in case.trip.supplies.store
        if taken.get(item.name)
    ]
    if spares:
        mass = case.trip.supplies.spare_batteries[0].mass_kg
        added.append(KitItem("spare battery", spares, mass))
    extra = sum((item.mass_kg or 0.0) * item.count for item in added)
    if short:
        sentence = (
            "All that the service owns of kit is listed, and is not enough by itself for "
            + " and ".join(short)
            + "."
        )
    elif not added:
        sentence = "What is already on the unit is enough; nothing has to be added."
    else:
        sentence = f"Add {extra:.1f} kg to what is on the unit."
    sentence += (
        f" The unit itself is {case.unit.carriage.mass_kg.value:.0f} kg, without what is on it."
    )
    return Kit((*carried, *added), not short, round(extra, 2), sentence)
