"""Running an ensemble on from a state: the moment the baby goes in, and pieces after it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Ensemble
from warmhold.simulate.stepping import CONTROLLED, Run, advance

Floats = NDArray[np.float64]

FLOWS_KEPT = np.arange(at.N_STATE, at.N_STATE + at.N_FLOW, dtype=np.int64)
ALL_KEPT = np.arange(at.N_STATE + at.N_FLOW, dtype=np.int64)


def advance_on_one(
    start: Floats,
    p: Floats,
    durations_s: Floats,
    conditions: Floats,
    outputs: NDArray[np.int64],
    step_s: Floats,
    keep: NDArray[np.int64],
) -> Run:
    """Run an ensemble like ``stepping.advance``, on the calling thread alone.

    For short pieces, where starting threads costs more than it saves, and for callers that have
    threads of their own. Parameters and what is returned are those of ``stepping.advance``.
    """
    return advance(start, p, durations_s, conditions, outputs, step_s, keep, threads=1)


def state_at_loading(ensemble: Ensemble) -> Floats:
    """State at the moment the baby goes in, after the planned warm-up.

    Parameters
    ----------
    ensemble : as prepared, its first stretch the warm-up if there is one

    Returns
    -------
    (members, N_STATE) state.
    """
    if not ensemble.stretches or ensemble.stretches[0].kind != "warming":
        return ensemble.start.copy()
    return advance_on_one(
        ensemble.start,
        ensemble.p,
        ensemble.durations_s[:, :1],
        ensemble.conditions[:, :1],
        np.array([1], dtype=np.int64),
        np.array([CONTROLLED]),
        FLOWS_KEPT[:1],
    ).last


def go_on(
    y: Floats, p: Floats, durations_s: Floats, conditions: Floats, step_s: float
) -> tuple[Floats, Floats]:
    """Run a piece on from a state and keep only its end.

    Parameters
    ----------
    y : (members, N_STATE) state now
    p : (members, N_PARAM) each member's constants
    durations_s : (members, parts) how long each part takes; 0 is allowed [s]
    conditions : (members, parts, N_CONDITION)
    step_s : largest step [s]

    Returns
    -------
    State at the end (members, N_STATE), flows at the end (members, N_FLOW).
    """
    parts = durations_s.shape[1]
    run = advance_on_one(
        y,
        p,
        durations_s,
        conditions,
        np.ones(parts, dtype=np.int64),
        np.full(parts, step_s),
        FLOWS_KEPT,
    )
    return run.last, run.trace[:, -1, :]
