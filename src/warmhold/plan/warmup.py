"""When the unit must be switched on so that it is ready for the baby."""

from __future__ import annotations

from datetime import timedelta, timezone

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case
from warmhold.plan.drivers import assumed_behind
from warmhold.plan.sheet import Band, WarmUp
from warmhold.plan.words import band, clock, number, share
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Outcome, prepare, run

HORIZON_MIN = 150.0
STANDS_WARM = "The unit stands warm and is ready now: leave it on."
COOLED = (
    "Cooled on purpose: the unit need not be warm. Switch it on in time to see that it runs, and "
    "have it ready to warm when the clinician says so."
)
Floats = NDArray[np.float64]


def warm_up(
    case: Case, members: int, seed: int, air_set_c: float, *, coarse: bool = False
) -> tuple[WarmUp, Floats]:
    """Simulate the warm-up alone and say when the unit is ready.

    Ready means that hood air stays within policy's ``air_stable_within_k`` of the set point, and
    that air, walls and deck together (operative temperature) stay within
    ``operative_stable_within_k`` of where they settle.

    Returns
    -------
    The sheet's part, and minutes to ready of each member (inf if not within three hours).
    """
    if case.trip.baby.cooled:
        nothing = np.zeros(members)
        return WarmUp(None, None, None, None, None, COOLED), nothing
    outcome = run(
        prepare(
            case,
            members,
            seed,
            air_set_c=air_set_c,
            warming_min=HORIZON_MIN,
            with_legs=False,
            coarse=coarse,
        )
    )
    minutes = ready_minutes(outcome, case, air_set_c)
    start = case.trip.start
    available = (start.baby_in - start.now).total_seconds() / 60.0
    wanted = case.policy.verdict.probability_percent.value / 100.0
    in_time = float(np.mean(minutes <= available))
    ready = minutes[np.isfinite(minutes)]
    needed = float(np.quantile(minutes, wanted, method="higher"))
    if not np.isfinite(needed) or not len(ready):
        return (
            WarmUp(
                None, None, None, None, in_time,
                f"The unit is not ready within {HORIZON_MIN:.0f} min of switch-on in "
                f"{100 * wanted:.0f} % of the simulated warm-ups at {air_set_c:.1f} °C: it cannot "
                "reach or hold that air temperature here.",
            ),
            minutes,
        )  # fmt: skip
    low, middle, high = np.quantile(minutes, (0.05, 0.5, 0.95), method="higher")
    if np.isfinite(high):
        spread = Band(float(low), float(middle), float(high))
        after = f"Ready {band(spread, 0)} min after switch-on"
    else:  # policy asks for less than 95 of 100, and some never get there
        spread = None
        after = (
            f"Ready {number(float(middle), 0)} min after switch-on in the middle case, in "
            f"{share(1.0 - len(ready) / members)} not within {HORIZON_MIN:.0f} min"
        )
    local = timezone(start.offset)
    latest = (start.baby_in - timedelta(minutes=needed)).astimezone(local)
    earliest = (start.now + timedelta(minutes=float(np.ceil(needed)))).astimezone(local)
    if start.unit_state == "warm" and needed < 1.0:
        return WarmUp(None, None, None, None, None, STANDS_WARM), minutes
    sentence = (
        f"{after}; allow {number(np.ceil(needed), 0)} min. "
        f"Switch on by {clock(latest, start.offset)} for the baby at "
        f"{clock(start.baby_in, start.offset)}; switched on now, the baby can go in from "
        f"{clock(earliest, start.offset)}."
    )
    assumed = assumed_behind(minutes, outcome.ensemble.draws.inputs)
    return WarmUp(spread, needed, latest, earliest, in_time, sentence, assumed), minutes


def ready_minutes(outcome: Outcome, case: Case, air_set_c: float) -> Floats:
    """Minutes from switch-on until air and operative temperature are settled for good."""
    rules = case.policy.temperature
    air = outcome.state(at.AIR)
    operative = outcome.flow(at.F_OPERATIVE)
    off = np.abs(air - air_set_c) > rules.air_stable_within_k.value
    off |= np.abs(operative - operative[:, -1:]) > rules.operative_stable_within_k.value
    outputs = air.shape[1]
    last_off = outputs - 1 - off[:, ::-1].argmax(axis=1)
    clock_min = outcome.run.clock_s[0] / 60.0
    after = np.append(clock_min[1:], np.inf)
    return np.where(off.any(axis=1), after[last_off], 0.0)
