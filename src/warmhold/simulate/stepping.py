"""Steps the coupled equations through the stretches of a trip, for every member.

Every stretch begins and ends on a step, so nothing that is known beforehand (leg edges, doors,
sources) falls inside one. The one event that is not known, an empty battery, is located inside
its step and the step is cut there. In between the length of each step follows from an estimate
of its error, for each member by itself; or it is fixed, for callers that need results to follow
their inputs smoothly.
"""

from __future__ import annotations

import importlib
import logging
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate.block import ARGUMENTS, new_block
from warmhold.simulate.layout import N_CONDITION, N_FLOW, N_PARAM, N_STATE
from warmhold.simulate.plain import advance_plain

Floats = NDArray[np.float64]
NEVER = np.inf
CONTROLLED: Final = 0.0  # in place of a step length: let the error decide
TOLERANCE: Final = 0.003  # error let pass in one step [K]; justified in docs/performance.md
FEW: Final = 32  # members under which a second thread costs more than it saves
EXECUTOR: Final = (
    "WARMHOLD_EXECUTOR"  # environment: "plain" asks for NumPy in place of compiled code
)
THREADS: Final = "WARMHOLD_THREADS"  # environment: most threads, for many processes on one machine


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
    most = os.environ.get(THREADS, "")
    if most.isdigit() and int(most) > 0:
        return int(most)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@cache
def _compiled() -> Callable[..., None] | None:
    """Compiled steps; None where they cannot be had, which is only slower."""
    if os.environ.get(EXECUTOR) == "plain":
        return None
    try:
        kept = importlib.import_module("warmhold.simulate.kept")
        steps: Callable[..., None] = kept.function("march", tuple(ARGUMENTS.values()), _build)
    except Exception as fault:  # whatever stops a compiler: the other executor needs none
        logging.getLogger(__name__).info("no compiled steps, NumPy takes over: %s", fault)
        return None
    return steps


def _build() -> Any:
    """Compile the steps; the compiler is imported only here."""
    return importlib.import_module("warmhold.simulate.march").build()


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
    executor: Literal["compiled", "plain"] = "compiled",
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
    executor : compiled code, or NumPy with the same steps, which takes over where none can be had

    Returns
    -------
    A ``Run``; output 0 is the start.
    """
    members = start.shape[0]
    given = (
        np.ascontiguousarray(start, dtype=np.float64), np.ascontiguousarray(p, dtype=np.float64),
        np.ascontiguousarray(durations_s, dtype=np.float64),
        np.ascontiguousarray(conditions, dtype=np.float64),
        np.ascontiguousarray(outputs, dtype=np.int64),
        np.ascontiguousarray(step_s, dtype=np.float64),
        np.ascontiguousarray(keep, dtype=np.int64), float(tolerance),
    )  # fmt: skip
    _check(given)
    compiled = _compiled() if executor == "compiled" else None
    if compiled is None:
        return Run(*advance_plain(*given))
    total = 1 + int(outputs.sum())
    left = (
        np.empty((members, total, keep.shape[0])), np.empty((members, total)),
        np.full(members, NEVER), np.empty((members, N_STATE)), np.zeros(members, dtype=np.int64),
    )  # fmt: skip

    def part(first: int, stop: int) -> None:
        compiled(*new_block(), *given, first, stop, *left)

    count = processors() if threads is None else threads
    count = max(1, min(count, members // FEW))
    edges = [members * n // count for n in range(count + 1)]
    if count == 1:
        part(0, members)
    else:
        with ThreadPoolExecutor(count - 1) as pool:
            others = [pool.submit(part, edges[n], edges[n + 1]) for n in range(1, count)]
            part(edges[0], edges[1])
            for other in others:
                other.result()
    return Run(*left)


def _check(given: tuple[Any, ...]) -> None:
    """Refuse arrays that do not fit: compiled code does not look."""
    start, p, durations, conditions, outputs, step_s, keep, tolerance = given
    members, stretches = durations.shape
    if stretches < 1 or outputs.shape != (stretches,) or step_s.shape != (stretches,):
        raise ValueError("stretches: one or more, each with its outputs and its step")
    if start.shape != (members, N_STATE) or p.shape != (members, N_PARAM):
        raise ValueError(f"start and p: {start.shape} and {p.shape} do not fit {members} members")
    if conditions.shape != (members, stretches, N_CONDITION):
        raise ValueError(f"conditions: {conditions.shape} does not fit")
    if (outputs < 1).any() or (durations < 0.0).any() or not np.isfinite(durations).all():
        raise ValueError("outputs: 1 or more in a stretch; durations: finite, never negative")
    if ((keep < 0) | (keep >= N_STATE + N_FLOW)).any():
        raise ValueError("keep: states, then flows shifted by N_STATE")
    if not tolerance > 0.0:
        raise ValueError(f"tolerance: {tolerance} K is not above nought")
