"""Steps the coupled equations through the stretches of a trip, for every member.

Every stretch begins and ends on a step, so nothing that is known beforehand (leg edges, doors,
sources) falls inside one. The one event that is not known, an empty battery, is located inside
its step and the step is cut there. In between the length of each step follows from an estimate
of its error, for each member by itself; or it is fixed, for callers that need results to follow
their inputs smoothly.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate.lanes import LANES, ROWS
from warmhold.simulate.march import march

Floats = NDArray[np.float64]
NEVER = np.inf
CONTROLLED: Final = 0.0  # in place of a step length: let the error decide
TOLERANCE: Final = 0.003  # error let pass in one step [K]; justified in docs/performance.md
FEW: Final = 32  # members under which a second thread costs more than it saves


@dataclass(frozen=True)
class Run:
    """What a run leaves.

    trace : (members, outputs, kept) values at the outputs
    clock_s : (members, outputs) each member's own time at each output [s]
    empty_s : (members,) when the unit lost all power, inf if never [s]
    last : (members, N_STATE) state at the end
    steps : (members,) steps tried; empty if nobody counted
    """

    trace: Floats
    clock_s: Floats
    empty_s: Floats
    last: Floats
    steps: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


def processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _block() -> Floats:
    """Rows of a block, on the edge of a cache line."""
    raw = np.zeros(ROWS * LANES + LANES)
    begin = (-raw.ctypes.data // 8) % LANES
    return raw[begin : begin + ROWS * LANES]


def advance(
    start: Floats,
    p: Floats,
    durations_s: Floats,
    conditions: Floats,
    outputs: NDArray[np.int64],
    step_s: Floats,
    keep: NDArray[np.int64],
    *,
    tolerance: float = TOLERANCE,
    threads: int | None = None,
) -> Run:
    """Run an ensemble through its stretches.

    Parameters
    ----------
    start : (members, N_STATE) state at the start
    p : (members, N_PARAM) each member's constants
    durations_s : (members, stretches) how long each stretch takes; 0 is allowed [s]
    conditions : (members, stretches, N_CONDITION)
    outputs : (stretches,) outputs in each stretch at equal fractions of it, 1 or more
    step_s : (stretches,) largest step; CONTROLLED (0) leaves it to the error [s]
    keep : indices of what to keep: states, then flows shifted by N_STATE
    tolerance : error let pass in one controlled step [K]
    threads : how many; by default one for each processor

    Returns
    -------
    A ``Run``; output 0 is the start.
    """
    members = start.shape[0]
    total = 1 + int(outputs.sum())
    trace = np.empty((members, total, keep.shape[0]))
    clock = np.empty((members, total))
    empty = np.full(members, NEVER)
    last = np.empty((members, start.shape[1]))
    steps = np.zeros(members, dtype=np.int64)
    arrays = (
        np.ascontiguousarray(start), np.ascontiguousarray(p), np.ascontiguousarray(durations_s),
        np.ascontiguousarray(conditions), np.ascontiguousarray(outputs, dtype=np.int64),
        np.ascontiguousarray(step_s, dtype=np.float64),
        np.ascontiguousarray(keep, dtype=np.int64), float(tolerance),
    )  # fmt: skip
    left = (trace, clock, empty, last, steps)

    def part(first: int, stop: int) -> None:
        march(_block(), *arrays, first, stop, *left)

    count = processors() if threads is None else threads
    count = max(1, min(count, members // FEW))
    edges = np.linspace(0, members, count + 1).astype(int)
    spans = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    if count == 1:
        part(0, members)
    else:
        with ThreadPoolExecutor(count - 1) as pool:
            others = [pool.submit(part, *span) for span in spans[1:]]
            part(*spans[0])
            for other in others:
                other.result()
    return Run(trace, clock, empty, last, steps)
