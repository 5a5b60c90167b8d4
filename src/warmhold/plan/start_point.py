"""The air temperature to start at: neutral sources, corrected for the cold wall, then tried out.

1. Sources of the neutral temperature give an operative range for a naked baby of this size.
2. The model says how far the operative temperature lies below the air at this ambient, because
   the wall is colder; air has to be warmer by that much.
3. Settings round that point are run through the whole trip, power assumed to hold, and the one
   is taken that best keeps the baby in policy's band. It stands on the unit's own steps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, Grid
from warmhold.plan import measures
from warmhold.plan.drivers import assumed_behind
from warmhold.plan.sheet import Band, StartPoint
from warmhold.plan.tables import neutral_tables
from warmhold.plan.words import band, band_of, number, share
from warmhold.science.air import saturation_vapour_kpa
from warmhold.science.neutral import NeutralEstimate, neutral_sources
from warmhold.simulate import layout as at
from warmhold.simulate.readouts import body_temperature_c
from warmhold.simulate.scenario import (
    Ensemble,
    Outcome,
    by_skin,
    prepare,
    run,
    skin_set_c,
)

Floats = NDArray[np.float64]
TRIAL_MEMBERS = 200
ENDLESS_WH = 1.0e6
FAR_K = 4.0  # first steps when no source says where to begin
COARSE_K = 1.0
FINE_K = 0.3


@dataclass(frozen=True)
class Trial:
    """One air setting run through the trip with power that holds."""

    air_set_c: float
    keeps: float  # share of members that stay within both bounds
    too_cold: float
    too_hot: float
    miss_k: float  # distance of the middle course from the middle of the band, time averaged
    lag_k: float  # air over operative temperature at the end of the longest leg


def on_grid(value: float, grid: Grid) -> float:
    """Nearest setting that the unit has."""
    steps = round((min(max(value, grid.lowest), grid.highest) - grid.lowest) / grid.step)
    return round(grid.lowest + min(steps, grid.steps) * grid.step, 6)


def powered(ensemble: Ensemble) -> Ensemble:
    """The same ensemble with a battery that never empties, to ask about heat alone."""
    start = ensemble.start.copy()
    start[:, at.CHARGE] = ENDLESS_WH
    return replace(ensemble, start=start)


def longest_leg(case: Case) -> int:
    """Number of the longest leg."""
    minutes = [leg.minutes.value for leg in case.trip.legs]
    return int(np.argmax(minutes))


def trial(case: Case, seed: int, air_set_c: float, members: int = TRIAL_MEMBERS) -> Trial:
    """Run one setting."""
    outcome = run(powered(prepare(case, members, seed, air_set_c=air_set_c, coarse=True)))
    low, high = measures.body_bounds_c(case.policy, case.trip.baby.cooled)
    body = body_temperature_c(outcome)[:, outcome.aboard_from :]
    too_cold = body.min(axis=1) < low
    too_hot = body.max(axis=1) > high
    end = outcome.leg_outputs(longest_leg(case)).stop - 1
    lag = np.median(outcome.state(at.AIR)[:, end] - outcome.flow(at.F_OPERATIVE)[:, end])
    course = np.median(body, axis=0)
    return Trial(
        air_set_c,
        float(np.mean(~too_cold & ~too_hot)),
        float(too_cold.mean()),
        float(too_hot.mean()),
        float(np.mean(np.abs(course - 0.5 * (low + high)))),
        float(lag),
    )


def choose_air_set(
    case: Case, seed: int, progress: Callable[[float], None] | None = None
) -> tuple[float, tuple[NeutralEstimate, ...], tuple[Trial, ...]]:
    """Choose the air setting for a case.

    Returns
    -------
    The setting [degC] on the unit's steps, what each neutral source says, and the trials made.
    """
    estimates = sources(case)
    grid = case.unit.limits.air_set_c
    stated = case.trip.start.air_set_c
    if stated is not None:
        return stated, estimates, (trial(case, seed, stated),)
    middle = middle_of(estimates)
    first = on_grid((middle if middle is not None else 33.0) + 2.0, grid)
    trials = {first: trial(case, seed, first)}
    if middle is not None:
        nearer = on_grid(middle + trials[first].lag_k, grid)
        trials.setdefault(nearer, trial(case, seed, nearer))
    else:
        nearer = first
    allowed = _allowed(case, estimates, trials[nearer].lag_k)
    far = () if middle is not None else (FAR_K,)
    for step in (*far, max(COARSE_K, grid.step), max(FINE_K, grid.step)):
        nearer = _walk(case, seed, trials, nearer, step, allowed, progress)
    return nearer, estimates, tuple(sorted(trials.values(), key=lambda t: t.air_set_c))


def _allowed(
    case: Case, estimates: tuple[NeutralEstimate, ...], lag_k: float
) -> tuple[float, float]:
    """Air settings between which the trip may decide.

    A bare baby's neutral range, corrected for the cold wall, bounds the choice. A covered or
    cooled baby, or one whom no source covers, is bounded by the unit alone.
    """
    grid = case.unit.limits.air_set_c
    room_c = case.trip.start.ambient_c.value + case.trip.start.ambient_c.spread
    found = _range(estimates)
    if found is None:
        return min(max(grid.lowest, room_c), grid.highest), grid.highest
    below = COVERED_LOWER_K if covered(case) else 0.0
    low = max(found[0] + lag_k - below, room_c + ABOVE_ROOM_K)
    return low, max(low, min(found[1] + lag_k, WARMEST_C))


def covered(case: Case) -> bool:
    """Whether more than a hat lies between the baby and the hood."""
    return bool({"dressed", "wrap", "bag"} & set(case.trip.baby.dressing))


ABOVE_ROOM_K = 3.0  # a setting is at least this far above the room: IEC 60601-2-20 201.5.4
WARMEST_C = 38.0  # no warmer air is proposed: first high cut-out of nursery units (memory)
COVERED_LOWER_K = 5.0  # how far below the bare baby's range a covered baby's air may be


def _walk(
    case: Case,
    seed: int,
    trials: dict[float, Trial],
    begin: float,
    step: float,
    allowed: tuple[float, float],
    progress: Callable[[float], None] | None,
) -> float:
    """Step towards the better neighbour until neither side is better."""
    grid = case.unit.limits.air_set_c
    here = begin
    for _ in range(24):
        for side in (here - step, here + step):
            setting = on_grid(min(max(side, allowed[0]), allowed[1]), grid)
            if setting not in trials:
                trials[setting] = trial(case, seed, setting)
                if progress:
                    progress(min(0.9, len(trials) / 12.0))
        near = [
            on_grid(min(max(here + k * step, allowed[0]), allowed[1]), grid) for k in (-1, 0, 1)
        ]
        best = min(near, key=lambda s: _badness(trials[s]))
        if best == here:
            return here
        here = best
    return here


def _badness(tried: Trial) -> tuple[float, float]:
    # first the share that leaves the band (in steps of 2 %, so that chance does not lead),
    # then how far the middle course is from the middle of the band
    return (round((1.0 - tried.keeps) / 0.02), tried.miss_k)


def sources(case: Case) -> tuple[NeutralEstimate, ...]:
    """What each neutral-temperature source says for this baby; none for a cooled one."""
    baby, start = case.trip.baby, case.trip.start
    if baby.cooled:
        return ()
    if start.hood_humidity_percent > 0.0:
        vapour = float(saturation_vapour_kpa(34.0)) * start.hood_humidity_percent / 100.0
    else:
        leg = case.trip.legs[longest_leg(case)]
        vapour = (
            float(saturation_vapour_kpa(leg.ambient_c.value)) * leg.humidity_percent.value / 100.0
        )
    return neutral_sources(
        baby.weight_g.value, baby.gestation_weeks, baby.age_h, vapour, neutral_tables()
    )


def _range(estimates: tuple[NeutralEstimate, ...]) -> tuple[float, float] | None:
    lows = [e.low_c for e in estimates if e.low_c is not None]
    highs = [e.high_c for e in estimates if e.high_c is not None]
    mids = [e.mid_c for e in estimates if e.mid_c is not None]
    if not lows + mids or not highs + mids:
        return None
    return min(lows + mids), max(highs + mids)


def middle_of(estimates: tuple[NeutralEstimate, ...]) -> float | None:
    """Return the mean of what the neutral sources say [degC]; ``None`` when there is none."""
    mids = [e.mid_c for e in estimates if e.mid_c is not None]
    return float(np.mean(mids)) if mids else None


def start_point(
    case: Case, air_set_c: float, estimates: tuple[NeutralEstimate, ...],
    trials: tuple[Trial, ...], outcome: Outcome,
    untold: tuple[str, ...] = (),
) -> StartPoint:  # fmt: skip
    """Put the chosen setting and its reasons into the sheet's words.

    untold : why body temperature cannot be told; then no setting is offered
    """
    found = _range(estimates)
    end = outcome.leg_outputs(longest_leg(case)).stop - 1
    power_on = case.trip.legs[longest_leg(case)].power != "battery"
    air = outcome.state(at.AIR)[:, end]
    operative = band_of(outcome.flow(at.F_OPERATIVE)[:, end]) if power_on else None
    wall = band_of(air - outcome.state(at.WALL)[:, end]) if power_on else None
    chosen = next((t for t in trials if t.air_set_c == air_set_c), None)
    if untold:
        return StartPoint(
            None, found[0] if found else None, found[1] if found else None, None, None,
            tuple((e.source, _by_source(e)) for e in estimates),
            "Start temperature unknown: set it by protocol. " + " ".join(untold),
            "outside what the model was made for",
        )  # fmt: skip
    sentence = _sentence(case, air_set_c, found, operative, wall, chosen)
    return StartPoint(
        air_set_c,
        found[0] if found else None,
        found[1] if found else None,
        operative,
        wall,
        tuple((e.source, _by_source(e)) for e in estimates),
        sentence,
        "" if found else _no_sources(case),
        (
            *(f"{e.source} ({e.mark})" for e in estimates if e.mid_c is not None),
            *assumed_behind(outcome.flow(at.F_OPERATIVE)[:, end], outcome.ensemble.draws.inputs),
        ),
    )


def _no_sources(case: Case) -> str:
    if case.trip.baby.cooled:
        return "Cooled on purpose: no neutral temperature applies, the course of the trip decides."
    return "No source of the neutral temperature covers this baby: the course of the trip decides."


def _by_source(estimate: NeutralEstimate) -> str:
    if estimate.mid_c is None:
        note = estimate.note.removeprefix("unknown").lstrip(": ")
        return f"unknown: {note}" if note else "unknown"
    text = f"{number(estimate.mid_c, 1)} °C"
    if estimate.low_c is not None and estimate.high_c is not None:
        text += f" ({number(estimate.low_c, 1)} to {number(estimate.high_c, 1)})"
    mark = "verified" if estimate.mark == "verified" else f"unverified: {estimate.mark}"
    return f"{text}, {mark}" + (f"; {estimate.note}" if estimate.note else "")


def _sentence(
    case: Case,
    air_set_c: float,
    found: tuple[float, float] | None,
    operative: Band | None,
    wall: Band | None,
    chosen: Trial | None,
) -> str:
    stated = case.trip.start.air_set_c is not None
    parts = [f"{'Stated' if stated else 'Start with'} air at {number(air_set_c, 1)} °C."]
    if by_skin(case):
        parts.append(
            f"The heater then follows the skin, set to {number(skin_set_c(case), 1)} °C; air moves."
        )
    if operative is not None and wall is not None:
        parts.append(
            f"On {case.trip.legs[longest_leg(case)].name} the wall is {band(wall, 1)} °C colder "
            f"than the air, so the baby feels {band(operative, 1)} °C."
        )
    if found is not None:
        parts.append(
            f"Neutral for a naked baby of this size and age: {number(found[0], 1)} to "
            f"{number(found[1], 1)} °C felt."
        )
        if covered(case):
            parts.append("This baby is covered, so the course of the trip decides, not the table.")
    if chosen is not None:
        parts.append(
            f"With power that holds, {share(chosen.keeps)} of simulated trips stay in the band all "
            f"the way ({share(chosen.too_cold)} go too cold, {share(chosen.too_hot)} too hot)."
        )
    parts.append("A single baby may need more or less: watch the baby, not the table.")
    return " ".join(parts)
