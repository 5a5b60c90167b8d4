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
from warmhold.plan.margins import describe, measured
from warmhold.plan.sheet import Margin, Mend, Together, WarmUp
from warmhold.plan.start_point import WARMEST_C, choose_air_set, on_grid, powered
from warmhold.plan.warmup import warm_up
from warmhold.plan.words import number
from warmhold.science.air import SEA_LEVEL_KPA
from warmhold.science.atmosphere import altitude_m_at
from warmhold.simulate.scenario import Outcome, by_skin, prepare, run, skin_set_c

Change = Callable[[Case], Case]
Floats = NDArray[np.float64]
MEND_MEMBERS = 300
MOST_TOGETHER = 8
LEAST_GAIN = 0.01
MOST_OPTIONS = 4
COVERS = {"dressed", "wrap", "bag"}
# how much a middle value may fall before it counts as worse, in each margin's own unit
WORSE_MIDDLE = {
    "warm": 3.0, "cold": 0.1, "hot": 0.1, "heat": 0.3, "battery": 3.0, "oxygen": 40.0, "air": 40.0,
    "altitude": 2.0, "carbon-dioxide": 0.05, "humidity": 0.1,
}  # fmt: skip
WORSE_BY = 0.05  # a margin that loses this much of its probability is a side effect
OUTSIDE_POWER_W = 300.0
SHADE_C = 25.0
MOST_HUMIDITY = 90.0


@dataclass(frozen=True)
class Candidate:
    """A change that might help one margin.

    touches : what it settles ("air", "cover", "spares", a leg's power…): of two changes that
        touch the same, only one can be taken
    """

    title: str
    margin: str
    change: Change
    touches: frozenset[str]


@dataclass(frozen=True)
class Standing:
    """How one margin stands: share of members that keep it, and the middle of what is to spare."""

    kept: float
    middle: float


Standings = dict[str, Standing]


class Tries:
    """Runs changed cases with few members; a warm-up that did not change is not run again."""

    def __init__(self, members: int, seed: int) -> None:
        """Start with nothing known."""
        self.members = min(members, MEND_MEMBERS)
        self.seed = seed
        self._ready: list[tuple[object, Floats]] = []

    def standings(self, case: Case) -> Standings:
        """How every margin of a case stands whose air setting is stated."""
        air_set_c = case.trip.start.air_set_c
        assert air_set_c is not None
        outcome = run(prepare(case, self.members, self.seed, air_set_c=air_set_c, coarse=True))
        found = measured(outcome, self._ready_min(case, air_set_c))
        return {
            key: Standing(float(np.mean(item.spare >= 0.0)), float(np.median(item.spare)))
            for key, item in found.items()
        }

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
            found += _for_gas(case, short, gas, taken)
    if "heat" in failing:
        found += _for_heat(case, failing["heat"])
    required = case.policy.verdict.probability_percent.value / 100.0
    held = run(powered(outcome.ensemble))  # cold for want of power is the battery's to mend
    warming = "cold" in failing and np.mean(measures.cold(held).spare >= 0.0) < required
    if warming and "hot" in failing:  # both ways: only what holds the baby steadier
        found += [] if case.trip.baby.cooled else _skin_control(case, "cold", 0.0)
    elif warming:
        found += _for_cold(case, seed)
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
            frozenset({"start"}),
        )
    ]


def _for_battery(case: Case, margin: Margin, spares: int) -> list[Candidate]:
    found = []
    kinds = case.trip.supplies.spare_batteries
    carried, owned = sum(s.carried for s in kinds), sum(s.owned for s in kinds)
    if case.trip.start.battery_charge_percent.value < 97.0:
        title = "Leave with the battery full"
        found.append(Candidate(title, "battery", changes.fully_charged, frozenset({"charge"})))
    for count in sorted({carried + 1, spares, owned}):
        if carried < count <= owned:
            extra = count - carried
            word = "battery" if extra == 1 else "batteries"
            found.append(
                Candidate(
                    f"Carry {extra} more spare {word}",
                    "battery",
                    partial(changes.with_spares, carried=count),
                    frozenset({"spares"}),
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
            frozenset({f"power on {leg.name}"}),
        )
        for number_, leg in enumerate(case.trip.legs)
        if leg.name == leg_name and leg.power == "battery"
    ]


def _for_gas(case: Case, keys: list[str], gas: str, taken: dict[str, int]) -> list[Candidate]:
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
            frozenset({gas}),
        )
        for key in keys
        for chosen in sets
    ]


def _for_cold(case: Case, seed: int) -> list[Candidate]:
    """Covers, warmer air, a skin-controlled heater.

    A naked baby's air already stands at the best that the neutral range allows, so warmer air is
    offered to a covered one only.
    """
    found = []
    worn = set(case.trip.baby.dressing)
    if not case.trip.baby.cooled:
        if "hat" not in worn:
            found.append(_cover(case, "A lined hat", ("hat",), seed))
        if not worn & COVERS:
            title = "Clothes, a light cover and a lined hat"
            found.append(_cover(case, title, ("dressed", "hat"), seed))
        if not worn & {"wrap", "bag"}:
            found.append(_cover(case, "Plastic wrap and a lined hat", ("wrap", "hat"), seed))
        found += _skin_control(case, "cold", 0.3)
    if case.trip.baby.cooled or worn & COVERS:
        found += _other_air(case, "cold", (0.5, 1.0))
    return found


def _cover(case: Case, title: str, add: tuple[Dressing, ...], seed: int) -> Candidate:
    return _with_its_air(
        case, title, "cold", partial(changes.dressed_in, add=add), frozenset({"cover"}), seed
    )


def _with_its_air(
    case: Case, title: str, key: str, change: Change, touches: frozenset[str], seed: int
) -> Candidate:
    """A change that asks for another air temperature, with the one that suits it."""
    setting, _, _ = choose_air_set(changes.with_start(change(case), air_set_c=None), seed)
    both = touches | {"air"}
    if setting == case.trip.start.air_set_c:
        return Candidate(title, key, change, both)
    return Candidate(
        f"{title}, and the air at {number(setting, 1)} °C",
        key,
        lambda case: changes.with_start(change(case), air_set_c=setting),
        both,
    )


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
            frozenset({"air"}),
        )
        for setting in settings
        if setting != now and setting <= max(now, WARMEST_C)
    ]


def _skin_control(case: Case, key: str, shift: float) -> list[Candidate]:
    """Skin control where it is not used, another skin setting where it is."""
    skin = skin_set_c(case)
    if by_skin(case):
        setting = on_grid(skin + shift, case.unit.limits.skin_set_c)
        title = f"Set the skin to {number(setting, 1)} °C"
        change: Change = partial(changes.with_start, skin_set_c=setting)
    else:
        title = f"Skin control at {number(skin, 1)} °C, probe well placed"
        change = changes.skin_controlled
    return [Candidate(title, key, change, frozenset({"air"}))]


def _for_hot(case: Case, seed: int) -> list[Candidate]:
    found = []
    sunny = [n for n, leg in enumerate(case.trip.legs) if leg.sun_w_m2 is not None]
    if sunny:
        hottest = max(sunny, key=lambda n: case.trip.legs[n].ambient_c.value)
        leg = case.trip.legs[hottest]
        title = "Shade the hood from the sun"
        found.append(_with_its_air(case, title, "hot", changes.shaded, frozenset({"sun"}), seed))
        if leg.ambient_c.value > SHADE_C:
            found.append(
                _with_its_air(
                    case,
                    f"Shade the hood, no more than {SHADE_C:.0f} °C on {leg.name}",
                    "hot",
                    partial(_shaded_and_cool, leg=hottest),
                    frozenset({"sun"}),
                    seed,
                )
            )
    if not case.trip.baby.cooled:
        found += _skin_control(case, "hot", -0.3)
    found += _other_air(case, "hot", (-0.5, -1.0, -2.0))
    if set(case.trip.baby.dressing) & {"dressed", "hat"}:
        worn = " and ".join(d for d in ("hat", "clothes") if _wears(case, d))
        bare = partial(changes.with_baby, dressing=("bare",))
        found.append(Candidate(f"Off with the {worn}", "hot", bare, frozenset({"cover"})))
    return found


def _wears(case: Case, what: str) -> bool:
    return {"hat": "hat", "clothes": "dressed"}[what] in case.trip.baby.dressing


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
                    frozenset({f"power on {leg.name}"}),
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
                frozenset({f"cabin on {leg.name}"}),
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
            frozenset({"humidity"}),
        ),
        Candidate(
            "Humidifier refilled once on the way",
            "humidity",
            changes.twice_the_water,
            frozenset({"water"}),
        ),
    ]


def tried(
    case: Case,
    tries: list[Candidate],
    required: float,
    members: int,
    seed: int,
    progress: Callable[[float], None],
) -> tuple[tuple[Mend, ...], Together | None]:
    """Run every candidate, then the fewest of them that together mend the trip.

    Returns
    -------
    A row for each change, with what it does to its margin and to the others; and the changes that
    together make every margin hold, or come nearest.
    """
    if not tries:
        return (), None
    runs = Tries(members, seed)
    before = runs.standings(case)
    found: list[Mend] = []
    for done, candidate in enumerate(tries):
        progress(0.8 * done / len(tries))
        after = runs.standings(candidate.change(case))
        found.append(_mend(case, candidate, before, after, required))
    ranked = sorted(
        zip(found, tries, strict=True),
        key=lambda pair: (bool(pair[0].side_effect), -min(pair[0].after, required)),
    )
    return tuple(found), _together(case, [c for _, c in ranked], before, required, runs, progress)


# What has to be mended first, because the rest hangs on it: a warm unit, then power, then gas.
_ORDER = (
    "warm", "battery", "oxygen", "oxygen-worst", "air", "air-worst", "altitude", "heat", "cold",
    "hot", "humidity", "carbon-dioxide",
)  # fmt: skip


def _together(
    case: Case,
    ranked: list[Candidate],
    before: Standings,
    required: float,
    runs: Tries,
    progress: Callable[[float], None],
) -> Together | None:
    """Add the best change for the first margin that still falls short, until none does.

    No two changes that touch the same thing, and none that makes another margin worse.
    """
    must = [key for key in _ORDER if key in case.policy.verdict.must_hold and key in before]
    now, state, hopeless = case, before, set[str]()
    chosen: list[Candidate] = []
    for step in range(MOST_TOGETHER):
        progress(0.8 + 0.2 * step / MOST_TOGETHER)
        short = [key for key in must if state[key].kept < required and key not in hopeless]
        if not short:
            break
        key = short[0]
        taken = frozenset().union(*(c.touches for c in chosen))
        options = [c for c in ranked if _group(c.margin) == _group(key) and not c.touches & taken]
        family = [other for other in must if _group(other) == _group(key)]
        best: tuple[float, Candidate, Case, Standings] | None = None
        for option in {c.title: c for c in options[:MOST_OPTIONS]}.values():
            changed = option.change(now)
            after = runs.standings(changed)
            reached = sum(min(after[other].kept, required) for other in family)
            gains = after[key].kept > state[key].kept + LEAST_GAIN
            harms = _worse(key, state, after, required)
            if gains and not harms and (best is None or reached > best[0]):
                best = (reached, option, changed, after)
        if best is None:
            hopeless.add(key)
        else:
            chosen.append(best[1])
            _, _, now, state = best
    if len(chosen) < 2:
        return None
    weakest = min(must, key=lambda key: state[key].kept)
    return Together(
        tuple(c.title for c in chosen),
        all(state[key].kept >= required for key in must),
        describe(weakest, now).title,
        state[weakest].kept,
        required,
    )


def _group(key: str) -> str:
    """Oxygen and oxygen at its worst are mended by the same things; so is air."""
    return key.removesuffix("-worst")


def _worse(key: str, before: Standings, after: Standings, required: float) -> list[str]:
    """Other margins that a change for one of them makes clearly worse, below what is required.

    One that hardly any member keeps can only be made worse in its middle value: that counts too.
    """
    found = []
    for other, new in after.items():
        old = before.get(other)
        if other == key or old is None or new.kept >= required:
            continue
        rarer = new.kept < old.kept - WORSE_BY
        deeper = new.middle < min(old.middle, 0.0) - WORSE_MIDDLE[_group(other)]
        if rarer or deeper:
            found.append(other)
    return found


def _mend(
    case: Case, candidate: Candidate, before: Standings, after: Standings, required: float
) -> Mend:
    key = candidate.margin
    worse = _worse(key, before, after, required)
    return Mend(
        candidate.title,
        key,
        before[key].kept,
        after[key].kept,
        required,
        after[key].kept >= required and not worse,
        f"makes worse: {'; '.join(describe(other, case).title for other in worse)}"
        if worse
        else "",
    )
