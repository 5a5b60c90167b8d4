"""What would mend a margin that falls short: each change is run before it is offered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case
from warmhold.model.trip import Dressing
from warmhold.plan import changes, measures
from warmhold.plan.margins import measured
from warmhold.plan.sheet import Margin, Mend, WarmUp
from warmhold.plan.start_point import choose_air_set, on_grid, powered
from warmhold.plan.warmup import warm_up
from warmhold.plan.words import number
from warmhold.science.air import SEA_LEVEL_KPA
from warmhold.science.atmosphere import altitude_m_at
from warmhold.simulate.scenario import Outcome, by_skin, prepare, run, skin_set_c

Change = Callable[[Case], Case]
Floats = NDArray[np.float64]
MEND_MEMBERS = 300
WORSE_BY = 0.05  # a margin that loses this much of its probability is a side effect
OUTSIDE_POWER_W = 300.0
SHADE_C = 25.0
MOST_HUMIDITY = 90.0


@dataclass(frozen=True)
class Candidate:
    """A change that might help one margin."""

    title: str
    margin: str
    change: Change


class Tries:
    """Runs changed cases with few members; a warm-up that did not change is not run again."""

    def __init__(self, members: int, seed: int) -> None:
        """Start with nothing known."""
        self.members = min(members, MEND_MEMBERS)
        self.seed = seed
        self._ready: list[tuple[object, Floats]] = []

    def probabilities(self, case: Case) -> dict[str, float]:
        """Probability of every margin of a case whose air setting is stated."""
        air_set_c = case.trip.start.air_set_c
        assert air_set_c is not None
        outcome = run(prepare(case, self.members, self.seed, air_set_c=air_set_c, coarse=True))
        found = measured(outcome, self._ready_min(case, air_set_c))
        return {key: float(np.mean(item.spare >= 0.0)) for key, item in found.items()}

    def _ready_min(self, case: Case, air_set_c: float) -> Floats:
        start = case.trip.start
        rests_on = (start.model_copy(update={"baby_in": start.now}), case.unit)
        for known, ready in self._ready:
            if known == rests_on:
                return ready
        _, ready = warm_up(case, self.members, self.seed, air_set_c, coarse=True)
        self._ready.append((rests_on, ready))
        return ready


def candidates(
    case: Case,
    failing: dict[str, Margin],
    warm: WarmUp,
    outcome: Outcome,
    taken: dict[str, int],
    spares: int,
    seed: int,
) -> list[Candidate]:
    """Changes worth trying for the margins that fall short.

    taken, spares : the lightest kit that holds, to be tried as one change
    """
    found: list[Candidate] = []
    if "warm" in failing:
        found += _for_warm(case, warm)
    if "battery" in failing:
        found += _for_battery(case, failing["battery"], spares)
    for gas in ("oxygen", "air"):
        short = [key for key in (gas, f"{gas}-worst") if key in failing]
        if short:
            found += _for_gas(case, short[-1], gas, taken)
    if "heat" in failing:
        found += _for_heat(case, failing["heat"])
    required = case.policy.verdict.probability_percent.value / 100.0
    held = run(powered(outcome.ensemble))  # cold for want of power is the battery's to mend
    if "cold" in failing and np.mean(measures.cold(held).spare >= 0.0) < required:
        found += _for_cold(case)
    if "hot" in failing:
        found += _for_hot(case, seed)
    if "altitude" in failing:
        found += _for_altitude(case, outcome)
    if "humidity" in failing:
        found += _for_humidity(case)
    return found


def _for_warm(case: Case, warm: WarmUp) -> list[Candidate]:
    if warm.earliest_baby_in is None:
        return []
    late = (warm.earliest_baby_in - case.trip.start.baby_in).total_seconds() / 60.0
    minutes = float(5.0 * np.ceil((max(late, 0.0) + 2.0) / 5.0))  # few members: some room
    return [
        Candidate(
            f"Put the baby in {minutes:.0f} min later, after a longer warm-up",
            "warm",
            partial(changes.later_by, minutes=minutes),
        )
    ]


def _for_battery(case: Case, margin: Margin, spares: int) -> list[Candidate]:
    found = []
    kinds = case.trip.supplies.spare_batteries
    carried, owned = sum(s.carried for s in kinds), sum(s.owned for s in kinds)
    if case.trip.start.battery_charge_percent.value < 97.0:
        found.append(Candidate("Leave with the battery full", "battery", changes.fully_charged))
    for count in sorted({carried + 1, spares, owned}):
        if carried < count <= owned:
            extra = count - carried
            word = "battery" if extra == 1 else "batteries"
            found.append(
                Candidate(
                    f"Carry {extra} more spare {word}",
                    "battery",
                    partial(changes.with_spares, carried=count),
                )
            )
    return found + _outside_power(case, "battery", margin.worst_at)


def _outside_power(case: Case, key: str, leg_name: str) -> list[Candidate]:
    """Outside power on every battery leg of that name."""
    return [
        Candidate(
            f"Outside power on {leg.name}, {OUTSIDE_POWER_W:.0f} W",
            key,
            partial(
                changes.with_leg,
                leg=number_,
                power="mains",
                power_limit_w=OUTSIDE_POWER_W,
                shared_load_w=None,
            ),
        )
        for number_, leg in enumerate(case.trip.legs)
        if leg.name == leg_name and leg.power == "battery"
    ]


def _for_gas(case: Case, key: str, gas: str, taken: dict[str, int]) -> list[Candidate]:
    store = [item for item in case.trip.supplies.store if item.gas == gas and item.count]
    kit = {item.name: taken[item.name] for item in store if taken.get(item.name)}
    sets = [{item.name: 1} for item in store]
    if kit and kit not in sets:
        sets.append(kit)
    return [
        Candidate(
            "Take " + " and ".join(f"{count} × {name}" for name, count in chosen.items()),
            key,
            partial(changes.with_cylinders, taken=chosen),
        )
        for chosen in sets
    ]


def _for_cold(case: Case) -> list[Candidate]:
    """Covers, warmer air, a skin-controlled heater."""
    found = []
    worn = set(case.trip.baby.dressing)
    if not case.trip.baby.cooled:
        if "hat" not in worn:
            found.append(_cover("A lined hat", "hat"))
        if not worn & {"wrap", "bag", "dressed"}:
            found.append(_cover("Clothes, a light cover and a lined hat", "dressed", "hat"))
        if not worn & {"wrap", "bag"}:
            found.append(_cover("Plastic wrap and a lined hat", "wrap", "hat"))
        found += _skin_control(case, "cold")
    return found + _other_air(case, "cold", (0.5, 1.0))


def _cover(title: str, *add: Dressing) -> Candidate:
    return Candidate(title, "cold", partial(changes.dressed_in, add=add))


def _other_air(case: Case, key: str, shifts: tuple[float, ...]) -> list[Candidate]:
    now = case.trip.start.air_set_c
    assert now is not None
    grid = case.unit.limits.air_set_c
    settings = dict.fromkeys(on_grid(now + shift, grid) for shift in shifts)
    return [
        Candidate(
            f"Set the air to {number(setting, 1)} °C",
            key,
            partial(changes.with_start, air_set_c=setting),
        )
        for setting in settings
        if setting != now
    ]


def _skin_control(case: Case, key: str) -> list[Candidate]:
    if by_skin(case):
        return []
    skin = skin_set_c(case)
    title = f"Skin control at {number(skin, 1)} °C, probe well placed"
    return [Candidate(title, key, changes.skin_controlled)]


def _for_hot(case: Case, seed: int) -> list[Candidate]:
    found = []
    sunny = [n for n, leg in enumerate(case.trip.legs) if leg.sun_w_m2 is not None]
    if sunny:
        hottest = max(sunny, key=lambda n: case.trip.legs[n].ambient_c.value)
        name = case.trip.legs[hottest].name
        found.append(Candidate("Shade the hood from the sun", "hot", changes.shaded))
        title = f"Shade the hood, and no more than {SHADE_C:.0f} °C on {name}"
        cooler = partial(_shaded_and_cool, leg=hottest)
        found.append(Candidate(title, "hot", cooler))
        setting, _, _ = choose_air_set(changes.with_start(cooler(case), air_set_c=None), seed)
        if setting != case.trip.start.air_set_c:
            found.append(
                Candidate(
                    f"{title}, and the air at {number(setting, 1)} °C",
                    "hot",
                    lambda case: changes.with_start(cooler(case), air_set_c=setting),
                )
            )
    if not case.trip.baby.cooled:
        found += _skin_control(case, "hot")
    found += _other_air(case, "hot", (-0.5, -1.0, -2.0))
    if {"dressed", "hat"} & set(case.trip.baby.dressing):
        found.append(
            Candidate("Hat and clothes off", "hot", partial(changes.with_baby, dressing=("bare",)))
        )
    return found


def _shaded_and_cool(case: Case, leg: int) -> Case:
    return changes.no_warmer_than(changes.shaded(case), leg, SHADE_C)


def _for_heat(case: Case, margin: Margin) -> list[Candidate]:
    found = _outside_power(case, "heat", margin.worst_at)
    for number_, leg in enumerate(case.trip.legs):
        if leg.name == margin.worst_at and leg.shared_load_w is not None:
            found.append(
                Candidate(
                    f"Nothing else on the source on {leg.name}",
                    "heat",
                    partial(changes.with_leg, leg=number_, shared_load_w=None),
                )
            )
    return found + _other_air(case, "heat", (-0.5, -1.0))


def _for_altitude(case: Case, outcome: Outcome) -> list[Candidate]:
    """Half the cabin's climb, on every leg that asks for more oxygen than there is."""
    need = np.quantile(outcome.ensemble.gas.need_fraction, 0.95, axis=0)
    highest = case.policy.oxygen.highest_percent.value / 100.0
    found = []
    for index in np.flatnonzero(need > highest):
        leg = case.trip.legs[int(index)]
        metres = float(altitude_m_at(0.5 * (SEA_LEVEL_KPA + leg.pressure_kpa)))
        found.append(
            Candidate(
                f"Cabin at {metres:.0f} m ({metres / 0.3048:.0f} ft) on {leg.name}",
                "altitude",
                partial(
                    changes.with_leg,
                    leg=int(index),
                    cabin_altitude_m=metres,
                    cabin_altitude_ft=None,
                    cabin_pressure_hpa=None,
                ),
            )
        )
    return found


def _for_humidity(case: Case) -> list[Candidate]:
    if case.unit.humidifier.output_g_h.value <= 0.0:
        return []
    asked = min(MOST_HUMIDITY, max(60.0, case.trip.start.hood_humidity_percent + 20.0))
    return [
        Candidate(
            f"Humidifier at {asked:.0f} %",
            "humidity",
            partial(changes.with_start, hood_humidity_percent=asked),
        ),
        Candidate("Humidifier refilled once on the way", "humidity", changes.twice_the_water),
    ]


def tried(
    case: Case,
    tries: list[Candidate],
    required: float,
    members: int,
    seed: int,
    progress: Callable[[float], None],
) -> tuple[Mend, ...]:
    """Run every candidate and say what it does to its margin and to the others.

    The last row takes together the first change that mends each margin, or does most for it.
    """
    if not tries:
        return ()
    tries_of = Tries(members, seed)
    before = tries_of.probabilities(case)
    found: list[Mend] = []
    best: dict[str, tuple[tuple[bool, float], Candidate]] = {}
    for done, candidate in enumerate(tries):
        progress(done / (len(tries) + 1))
        after = tries_of.probabilities(candidate.change(case))
        key = candidate.margin
        found.append(_mend(candidate.title, key, before, after, required))
        reached = (not found[-1].side_effect, min(after[key], required))
        if key not in best or reached > best[key][0]:
            best[key] = (reached, candidate)
    if len({candidate.title for _, candidate in best.values()}) > 1:
        together = case
        chosen = {candidate.title: candidate for _, candidate in best.values()}
        for candidate in chosen.values():
            together = candidate.change(together)
        after = tries_of.probabilities(together)
        counted = [k for k in case.policy.verdict.must_hold if k in before and k in after]
        title = "All of these together: " + "; ".join(chosen)
        weakest = min(counted, key=lambda k: after[k])
        found.append(_mend(title, weakest, before, after, required))
    return tuple(found)


def _mend(
    title: str, key: str, before: dict[str, float], after: dict[str, float], required: float
) -> Mend:
    worse = [
        other
        for other, value in after.items()
        if other != key
        and other in before
        and value < required
        and value < before[other] - WORSE_BY
    ]
    return Mend(
        title,
        key,
        before[key],
        after[key],
        required,
        after[key] >= required and not worse,
        f"makes worse: {', '.join(worse)}" if worse else "",
    )
