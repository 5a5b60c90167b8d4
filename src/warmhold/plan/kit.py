"""The lightest set of cylinders and spare batteries, of those the service owns, that meets policy.

Gas does not change the heat of the hood, so every set of cylinders is judged on one ensemble;
batteries do, so each number of spares is run.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

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
    if worst.max(initial=0.0) <= 0.0:
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
    best: tuple[float, tuple[int, ...]] | None = None
    for counts in _sets(store):
        mass = sum(n * item.mass_kg for n, item in zip(counts, store, strict=True))
        if best is not None and mass >= best[0]:
            continue
        litres = carried + sum(
            (n * one for n, one in zip(counts, each, strict=True)), np.zeros_like(carried)
        )
        if all(np.mean(litres >= need) >= required for need in needs):
            best = (mass, counts)
    if best is None:
        return None
    return {item.name: n for item, n in zip(store, best[1], strict=True) if n}


def _sets(store: tuple[StoreItem, ...]) -> list[tuple[int, ...]]:
    ranges = [range(item.count + 1) for item in store]
    total = int(np.prod([len(r) for r in ranges], dtype=np.int64)) if ranges else 1
    while total > MOST_SETS:  # a huge store: no more than what could ever be carried of each
        ranges = [range(min(len(r), max(2, len(r) // 2))) for r in ranges]
        total = int(np.prod([len(r) for r in ranges], dtype=np.int64))
    return list(product(*ranges))


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
            "Nothing that the service owns is enough for "
            + " and ".join(short)
            + ": what is listed is all of it."
        )
    elif not added:
        sentence = "What is already on the unit is enough; nothing has to be added."
    else:
        sentence = f"Add {extra:.1f} kg to what is on the unit."
    sentence += (
        f" The unit itself is {case.unit.carriage.mass_kg.value:.0f} kg, without what is on it."
    )
    return Kit((*carried, *added), not short, round(extra, 2), sentence)
