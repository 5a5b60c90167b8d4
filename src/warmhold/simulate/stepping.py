"""Steps the coupled equations through the stretches of a trip, for every member.

Classical fourth-order Runge-Kutta with equal steps inside each output interval. Every stretch
begins and ends on a step, so nothing that is known beforehand (leg edges, doors, sources) falls
inside one. The one event that is not known, an empty battery, is located inside its step and the
step is split there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from warmhold.simulate.compiled import machine_code
from warmhold.simulate.equations import rates
from warmhold.simulate.layout import (
    CHARGE,
    COMPRESSING,
    COMPRESSOR_W,
    ELECTRONICS_W,
    EXTERNAL_W,
    N_FLOW,
    N_STATE,
    ON_EXTERNAL,
    SUPPLY_EFFICIENCY,
)

Floats = NDArray[np.float64]
NEVER = np.inf


@dataclass(frozen=True)
class Run:
    """What a run leaves.

    trace : (members, outputs, kept) values at the outputs
    clock_s : (members, outputs) each member's own time at each output [s]
    empty_s : (members,) when the unit lost all power, inf if never [s]
    last : (members, N_STATE) state at the end
    """

    trace: Floats
    clock_s: Floats
    empty_s: Floats
    last: Floats


def _step(y: Any, p: Any, c: Any, alive: float, h: float, k: Any, work: Any, flow: Any) -> None:
    """Advance one member by one Runge-Kutta step, writing the new state into ``work[1]``."""
    rates(y, p, c, alive, k[0], flow)
    for i in range(N_STATE):
        work[0, i] = y[i] + 0.5 * h * k[0, i]
    rates(work[0], p, c, alive, k[1], flow)
    for i in range(N_STATE):
        work[0, i] = y[i] + 0.5 * h * k[1, i]
    rates(work[0], p, c, alive, k[2], flow)
    for i in range(N_STATE):
        work[0, i] = y[i] + h * k[2, i]
    rates(work[0], p, c, alive, k[3], flow)
    for i in range(N_STATE):
        work[1, i] = y[i] + h / 6.0 * (k[0, i] + 2.0 * k[1, i] + 2.0 * k[2, i] + k[3, i])


_compiled_step = machine_code(_step)


def _advance(
    start: Any, p: Any, durations: Any, conditions: Any, outputs: Any, step_s: Any, keep: Any
) -> Any:
    members = start.shape[0]
    total = 1 + outputs.sum()
    trace = np.empty((members, total, keep.shape[0]))
    clock = np.empty((members, total))
    empty = np.full(members, np.inf)
    last = np.empty((members, N_STATE))
    for m in numba.prange(members):
        y = start[m].copy()
        k = np.empty((4, N_STATE))
        work = np.empty((2, N_STATE))
        flow = np.empty(N_FLOW)
        pm = p[m]
        now = 0.0
        at = 0
        for s in range(outputs.shape[0]):
            c = conditions[m, s]
            must_run = pm[ELECTRONICS_W] + c[COMPRESSING] * pm[COMPRESSOR_W]
            fed = c[ON_EXTERNAL] > 0.5 and pm[SUPPLY_EFFICIENCY] * c[EXTERNAL_W] >= must_run
            alive = 1.0 if fed or y[CHARGE] > 0.0 else 0.0
            if alive < 0.5 and durations[m, s] > 0.0 and empty[m] == np.inf:
                empty[m] = now
            if at == 0:
                rates(y, pm, c, alive, k[0], flow)
                for j in range(keep.shape[0]):
                    i = keep[j]
                    trace[m, 0, j] = y[i] if i < N_STATE else flow[i - N_STATE]
                clock[m, 0] = 0.0
            interval = durations[m, s] / outputs[s]
            steps = int(np.ceil(interval / step_s[s] - 1e-9))
            steps = max(steps, 1)
            h = interval / steps
            for _ in range(outputs[s]):
                for n in range(steps):
                    _compiled_step(y, pm, c, alive, h, k, work, flow)
                    if alive > 0.5 and not fed and work[1, CHARGE] <= 0.0:
                        part = y[CHARGE] / (y[CHARGE] - work[1, CHARGE])
                        _compiled_step(y, pm, c, alive, h * part, k, work, flow)
                        y[:] = work[1]
                        y[CHARGE] = 0.0
                        alive = 0.0
                        if empty[m] == np.inf:
                            empty[m] = now + (n + part) * h
                        _compiled_step(y, pm, c, alive, h * (1.0 - part), k, work, flow)
                    y[:] = work[1]
                now += interval
                at += 1
                rates(y, pm, c, alive, k[0], flow)
                for j in range(keep.shape[0]):
                    i = keep[j]
                    trace[m, at, j] = y[i] if i < N_STATE else flow[i - N_STATE]
                clock[m, at] = now
        last[m] = y
    return trace, clock, empty, last


_compiled_advance = machine_code(_advance, parallel=True)


def advance(
    start: Floats,
    p: Floats,
    durations_s: Floats,
    conditions: Floats,
    outputs: NDArray[np.int64],
    step_s: Floats,
    keep: NDArray[np.int64],
) -> Run:
    """Run an ensemble through its stretches.

    Parameters
    ----------
    start : (members, N_STATE) state at the start
    p : (members, N_PARAM) each member's constants
    durations_s : (members, stretches) how long each stretch takes; 0 is allowed [s]
    conditions : (members, stretches, N_CONDITION)
    outputs : (stretches,) outputs in each stretch at equal fractions of it, 1 or more
    step_s : (stretches,) largest step [s]
    keep : indices of what to keep: states, then flows shifted by N_STATE

    Returns
    -------
    A ``Run``; output 0 is the start.
    """
    trace, clock, empty, last = _compiled_advance(
        np.ascontiguousarray(start),
        np.ascontiguousarray(p),
        np.ascontiguousarray(durations_s),
        np.ascontiguousarray(conditions),
        outputs,
        step_s,
        keep,
    )
    return Run(trace, clock, empty, last)
