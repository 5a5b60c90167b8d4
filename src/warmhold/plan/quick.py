"""Margins in well under a second, for a form whose fields are still changing.

The same equations, draws, measures and words as the full plan, with steps judged less strictly,
and without kit, mends, plots and alarm limits. Where no air setting is stated, the first
estimate is used (neutral sources, corrected for the cold wall by one small trial); the full plan
goes on from there and may settle on another one.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from datetime import timedelta, timezone

import numpy as np

from warmhold.model import Case
from warmhold.plan.margins import margin, measured
from warmhold.plan.planner import DEFAULT_SEED, verdict_of
from warmhold.plan.sheet import Margin, Verdict, WarmUp
from warmhold.plan.start_point import middle_of, on_grid, sources, trial
from warmhold.plan.validity import beyond
from warmhold.plan.warmup import HORIZON_MIN, Floats, ready_minutes, warm_up
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Ensemble, Stretch, prepare, run

FEWEST = 50
TRIAL_MEMBERS = 40  # the wall's lag is a median over members and differs little between them
REMEMBERED = 8
NO_SOURCE_C = 33.0  # where the full plan begins to try when no neutral source covers the baby
FIRST_LAG_K = 2.0  # air over operative temperature before the first trial, as in the full plan
NEVER_READY = "The unit does not get warm in time; the full plan says when it would."


@dataclass(frozen=True)
class Quick:
    """Margins of a case, worked out fast.

    margins : as on the sheet, in its order
    verdict : what these margins say by policy; the full plan has the last word
    headline : its one reason, in a sentence
    air_set_c : air setting that was used [degC]
    stated : whether the trip states that setting
    outside : where the model is beyond what it was checked for
    members : simulated trips behind every share
    """

    margins: tuple[Margin, ...]
    verdict: Verdict
    headline: str
    air_set_c: float
    stated: bool
    outside: tuple[str, ...]
    members: int


_Key = tuple[object, ...]
_remembered: OrderedDict[_Key, Quick] = OrderedDict()
_lock = threading.Lock()


def quick_margins(case: Case, *, members: int = 1000, seed: int = DEFAULT_SEED) -> Quick:
    """Work out the margins of a case, and nothing else.

    Parameters
    ----------
    case : trip, unit and policy
    members : simulated trips, 50 or more
    seed : of all draws; the same seed gives the same margins

    Returns
    -------
    A ``Quick``. The last few are remembered, so asking again for the same case costs nothing.
    """
    if members < FEWEST:
        raise ValueError(
            f"members: {members} is too few for a 5-95 % band; {FEWEST} or more are needed"
        )
    key: _Key = (case.trip, case.unit, case.policy, members, seed)
    with _lock:  # one at a time: the compiled loops use all processors by themselves
        if key in _remembered:
            _remembered.move_to_end(key)
            return _remembered[key]
        found = _work_out(case, members, seed)
        _remembered[key] = found
        while len(_remembered) > REMEMBERED:
            _remembered.popitem(last=False)
        return found


def _work_out(case: Case, members: int, seed: int) -> Quick:
    air_set_c = first_air_set_c(case, seed)
    ensemble = prepare(case, members, seed, air_set_c=air_set_c, coarse=True)
    ready = _ready_min(ensemble, seed)
    outcome = run(ensemble)
    outside = beyond(ensemble)
    found = measured(outcome, ready)
    margins = tuple(margin(key, item, outcome, outside) for key, item in found.items())
    verdict, headline = verdict_of(margins, found, _warm(case, ready))
    return Quick(
        margins,
        verdict,
        headline,
        air_set_c,
        case.trip.start.air_set_c is not None,
        tuple(item.what for item in outside),
        members,
    )


def _warm(case: Case, ready: Floats) -> WarmUp:
    """As much of the warm-up as the headline names."""
    start = case.trip.start
    needed = float(
        np.quantile(ready, case.policy.verdict.probability_percent.value / 100.0, method="higher")
    )
    if not np.isfinite(needed):
        return WarmUp(None, None, None, None, None, NEVER_READY)
    local = timezone(start.offset)
    earliest = (start.now + timedelta(minutes=float(np.ceil(needed)))).astimezone(local)
    return WarmUp(None, needed, None, earliest, None, "")


def first_air_set_c(case: Case, seed: int) -> float:
    """The stated air setting, or the full plan's first estimate [degC, on the unit's steps]."""
    stated = case.trip.start.air_set_c
    if stated is not None:
        return stated
    grid = case.unit.limits.air_set_c
    middle = middle_of(sources(case))
    if middle is None:
        return on_grid(NO_SOURCE_C + FIRST_LAG_K, grid)
    first = on_grid(middle + FIRST_LAG_K, grid)
    return on_grid(middle + trial(case, seed, first, TRIAL_MEMBERS).lag_k, grid)


def _ready_min(ensemble: Ensemble, seed: int) -> Floats:
    """Minutes from switch-on to a ready unit, with the ensemble's own draws, (members,)."""
    case, members = ensemble.case, ensemble.p.shape[0]
    if case.trip.baby.cooled:
        return np.zeros(members)
    if ensemble.stretches[0].kind != "warming":
        return warm_up(case, members, seed, ensemble.air_set_c, coarse=True)[1]
    warming = Stretch("warming up", "warming", None, HORIZON_MIN, round(HORIZON_MIN), "")
    alone = replace(
        ensemble,
        stretches=(warming,),
        durations_s=np.full((members, 1), HORIZON_MIN * 60.0),
        conditions=np.ascontiguousarray(ensemble.conditions[:, :1]),
    )
    assert not ensemble.conditions[:, 0, at.ABOARD].any()
    return ready_minutes(run(alone), case, ensemble.air_set_c)
