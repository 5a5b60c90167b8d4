"""Changed copies of a case: what a mend or another kit does to it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from warmhold.model import Case, Cylinder, StoreItem
from warmhold.model.trip import Dressing


def with_trip(case: Case, **changes: Any) -> Case:
    """Copy of a case with changed parts of its trip."""
    trip = case.trip.model_copy(update=changes)
    return Case(trip, case.unit, case.policy, case.trip_file)


def with_baby(case: Case, **changes: Any) -> Case:
    """Copy with changes to the baby."""
    return with_trip(case, baby=case.trip.baby.model_copy(update=changes))


def with_start(case: Case, **changes: Any) -> Case:
    """Copy with changes to the start."""
    return with_trip(case, start=case.trip.start.model_copy(update=changes))


def with_supplies(case: Case, **changes: Any) -> Case:
    """Copy with changes to the supplies."""
    return with_trip(case, supplies=case.trip.supplies.model_copy(update=changes))


def with_leg(case: Case, leg: int, **changes: Any) -> Case:
    """Copy with changes to one leg."""
    legs = list(case.trip.legs)
    legs[leg] = legs[leg].model_copy(update=changes)
    return with_trip(case, legs=tuple(legs))


def later_by(case: Case, minutes: float) -> Case:
    """Copy in which the baby goes in later."""
    return with_start(case, baby_in=case.trip.start.baby_in + timedelta(minutes=minutes))


def fully_charged(case: Case) -> Case:
    """Copy that leaves with a full battery."""
    charge = case.trip.start.battery_charge_percent
    full = charge.model_copy(update={"value": 100.0, "spread": min(charge.spread, 1.0)})
    return with_start(case, battery_charge_percent=full)


def skin_controlled(case: Case) -> Case:
    """Copy whose heater follows the baby's skin."""
    return with_start(case, control="skin")


def shaded(case: Case) -> Case:
    """Copy without sun on the hood."""
    legs = tuple(leg.model_copy(update={"sun_w_m2": None}) for leg in case.trip.legs)
    return with_trip(case, legs=legs)


def no_warmer_than(case: Case, leg: int, ambient_c: float) -> Case:
    """Copy with one leg kept at most this warm."""
    now = case.trip.legs[leg].ambient_c
    kept = now.model_copy(update={"value": min(now.value, ambient_c)})
    return with_leg(case, leg, ambient_c=kept)


def twice_the_water(case: Case) -> Case:
    """Copy whose humidifier is filled a second time."""
    tank = case.unit.humidifier.tank_g
    water = tank.model_copy(update={"value": 2.0 * tank.value, "spread": 2.0 * tank.spread})
    humidifier = case.unit.humidifier.model_copy(update={"tank_g": water})
    unit = case.unit.model_copy(update={"humidifier": humidifier})
    return Case(case.trip, unit, case.policy, case.trip_file)


def dressed_in(case: Case, add: tuple[Dressing, ...]) -> Case:
    """Copy with the baby covered by more; plastic takes the place of clothes."""
    kept = [d for d in case.trip.baby.dressing if d != "bare"]
    if {"wrap", "bag"} & set(add):
        kept = [d for d in kept if d not in ("dressed", "wrap", "bag")]
    return with_baby(case, dressing=tuple(dict.fromkeys((*kept, *add))))


def with_spares(case: Case, carried: int) -> Case:
    """Copy that carries this many spare batteries, of the first kind that has them."""
    spares, left = [], carried
    for item in case.trip.supplies.spare_batteries:
        take = min(item.owned, left)
        left -= take
        spares.append(item.model_copy(update={"carried": take}))
    return with_supplies(case, spare_batteries=tuple(spares))


def with_cylinders(case: Case, taken: dict[str, int]) -> Case:
    """Copy that takes cylinders out of the store, by name."""
    added: list[Cylinder] = []
    store: list[StoreItem] = []
    for item in case.trip.supplies.store:
        count = taken.get(item.name, 0)
        for number in range(count):
            fields = {name: getattr(item, name) for name in Cylinder.model_fields if name != "name"}
            added.append(Cylinder.model_construct(name=f"{item.name} {number + 1}", **fields))
        if item.count > count:
            store.append(item.model_copy(update={"count": item.count - count}))
    cylinders = (*case.trip.supplies.cylinders, *added)
    return with_supplies(case, cylinders=cylinders, store=tuple(store))
