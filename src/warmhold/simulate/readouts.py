"""What can be read off a run: clocks, legs, the thermometer, minutes of battery."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from warmhold.science.battery import rate_share, temperature_share
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Outcome

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AXILLA_BELOW_CORE_K = 0.2  # how a skin reading is turned into an axillary one (memory)


def minutes_from_loading(outcome: Outcome) -> Floats:
    """Each member's own clock, minutes from the baby going in, (members, outputs)."""
    clock = outcome.run.clock_s
    loaded = clock[:, outcome.aboard_from]
    return np.asarray((clock - loaded[:, None]) / 60.0)


def leg_of_output(outcome: Outcome) -> Ints:
    """Leg of each output, -1 before the legs; an edge belongs to the leg that ends there."""
    legs = np.full(outcome.run.clock_s.shape[1], -1, dtype=np.int64)
    for number, stretch in enumerate(outcome.ensemble.stretches):
        if stretch.leg is not None:
            legs[outcome.edges[number] + 1 : outcome.edges[number + 1] + 1] = stretch.leg
    return legs


def body_temperature_c(outcome: Outcome) -> Floats:
    """What a thermometer at an axillary or rectal site would read, (members, outputs)."""
    site = outcome.ensemble.case.trip.baby.temperature_site
    core = outcome.state(at.CORE)
    if site == "skin":
        return core - AXILLA_BELOW_CORE_K
    return np.asarray(core - outcome.ensemble.site_offset_k[:, None])


def minutes_left(outcome: Outcome) -> Floats:
    """Minutes the battery would carry the unit at the present draw, (members, outputs)."""
    p = outcome.ensemble.p
    draw = np.maximum(outcome.flow(at.F_BATTERY_W), 1.0e-3)
    rate = rate_share(draw, p[:, at.RATED_W, None], p[:, at.PEUKERT, None])
    share = temperature_share(outcome.state(at.PACK), p[:, at.IS_LEAD, None])
    left = np.maximum(outcome.state(at.CHARGE), 0.0)
    return np.where(left > 0.0, 60.0 * left * share / (draw * rate), 0.0)
