"""Compiled: members through their stretches, eight side by side, each at a pace of its own.

A lane holds one member. It has its own stretch, time and step; when its member is through, it takes
the next one. Lanes never mix, so a member's result does not depend on who is beside it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import types
from numpy.typing import NDArray

from warmhold.simulate.compiled import machine_code
from warmhold.simulate.lanes import (
    LANES,
    R_ALIVE,
    R_BETWEEN,
    R_C,
    R_DUE,
    R_EMPTIED,
    R_ENDS,
    R_EVENT,
    R_FED,
    R_FIXED,
    R_H,
    R_LENGTH,
    R_MOVES,
    R_P,
    R_RUNS,
    R_SHARE,
    R_STEPS,
    R_T,
    R_TOLERANCE,
    R_WISH,
    R_Y,
    ROWS,
    between_block,
    flows_block,
    move_block,
    settle_block,
    step_block,
)
from warmhold.simulate.layout import CHARGE, N_CONDITION, N_PARAM, N_STATE
from warmhold.simulate.pace import FIRST_STEP_S, NEARLY, fed_from_outside, fixed_step_s

_fed = machine_code(fed_from_outside)
_fixed_step_s = machine_code(fixed_step_s)


def _march(
    block: Any, start: Any, p: Any, durations: Any, conditions: Any, outputs: Any, step_s: Any,
    keep: Any, tolerance: float, first: int, stop: int, trace: Any, clock: Any, empty: Any,
    last: Any, steps: Any,
) -> None:  # fmt: skip
    stretches = outputs.shape[0]
    flows = False
    for k in range(keep.shape[0]):
        flows = flows or keep[k] >= N_STATE
    row = block.reshape((-1, LANES))
    member = np.full(LANES, -1)
    stretch = np.zeros(LANES, np.int64)
    base_s = np.zeros(LANES)  # when the stretch began
    base = np.zeros(LANES, np.int64)  # its output 0
    following = np.zeros(LANES, np.int64)  # which of its outputs comes next
    new = np.ones(LANES, np.bool_)  # lanes that want a stretch
    upcoming = first
    running = 0
    changed = True
    while True:
        if changed:
            for lane in range(LANES):
                if not new[lane]:
                    continue
                new[lane] = False
                m = member[lane]
                if m < 0 or stretch[lane] + 1 == stretches:
                    if m >= 0:
                        for i in range(N_STATE):
                            last[m, i] = row[R_Y + i, lane]
                        steps[m] = np.int64(row[R_STEPS, lane])
                        running -= 1
                        member[lane] = -1
                        row[R_RUNS, lane] = 0.0
                    fresh = upcoming < stop
                    if not fresh and m >= 0:
                        continue  # it stays as it is, to no effect
                    m = upcoming if fresh else first
                    for i in range(N_STATE):
                        row[R_Y + i, lane] = start[m, i]
                    for i in range(N_PARAM):
                        row[R_P + i, lane] = p[m, i]
                    row[R_TOLERANCE, lane] = tolerance
                    row[R_STEPS, lane] = 0.0
                    stretch[lane] = -1
                    base[lane] = 0
                    base_s[lane] = 0.0
                    if fresh:
                        upcoming += 1
                        running += 1
                        member[lane] = m
                        row[R_RUNS, lane] = 1.0
                stretch[lane] += 1
                s = stretch[lane]
                for i in range(N_CONDITION):
                    row[R_C + i, lane] = conditions[m, s, i]
                fed = _fed(p[m], conditions[m, s])
                lives = fed or row[R_Y + CHARGE, lane] > 0.0
                row[R_FED, lane] = 1.0 if fed else 0.0
                row[R_ALIVE, lane] = 1.0 if lives else 0.0
                row[R_T, lane] = 0.0
                row[R_LENGTH, lane] = durations[m, s]
                row[R_WISH, lane] = FIRST_STEP_S
                row[R_FIXED, lane] = _fixed_step_s(durations[m, s], outputs[s], step_s[s])
                following[lane] = 0 if s == 0 else 1
                due = following[lane] * durations[m, s] / outputs[s]
                row[R_DUE, lane] = due if keep.shape[0] > 0 else np.inf
                dead = member[lane] >= 0 and not lives and durations[m, s] > 0.0
                if dead and empty[m] == np.inf:
                    empty[m] = base_s[lane]
            if running == 0:
                return
            settle_block(block)
            changed = False

        step_block(block)
        eventful = False
        for lane in range(LANES):
            eventful = eventful or row[R_EVENT, lane] > 0.0
        if not eventful:
            move_block(block)
            continue

        # --- outputs inside the step
        while True:
            pending = False
            for lane in range(LANES):
                ends = row[R_T, lane] + row[R_H, lane] + NEARLY * row[R_LENGTH, lane]
                asks = row[R_MOVES, lane] > 0.5 and row[R_DUE, lane] <= ends
                if asks:
                    share = (row[R_DUE, lane] - row[R_T, lane]) / row[R_H, lane]
                    row[R_SHARE, lane] = min(max(share, 0.0), 1.0)
                    pending = True
                else:
                    row[R_SHARE, lane] = -1.0
            if not pending:
                break
            between_block(block)
            if flows:
                flows_block(block)
            for lane in range(LANES):
                if row[R_SHARE, lane] < 0.0:
                    continue
                m = member[lane]
                n = base[lane] + following[lane]
                for k in range(keep.shape[0]):
                    trace[m, n, k] = row[R_BETWEEN + keep[k], lane]
                following[lane] += 1
                count = outputs[stretch[lane]]
                row[R_DUE, lane] = (
                    following[lane] * row[R_LENGTH, lane] / count
                    if following[lane] <= count
                    else np.inf
                )

        # --- on
        move_block(block)
        settled = True
        for lane in range(LANES):
            m = member[lane]
            if row[R_EMPTIED, lane] > 0.5:
                row[R_Y + CHARGE, lane] = 0.0
                row[R_ALIVE, lane] = 0.0
                settled = False
                if empty[m] == np.inf:
                    empty[m] = base_s[lane] + row[R_T, lane]
            if row[R_ENDS, lane] > 0.5:
                count = outputs[stretch[lane]]
                for n in range(count + 1):
                    clock[m, base[lane] + n] = base_s[lane] + n * row[R_LENGTH, lane] / count
                base_s[lane] += row[R_LENGTH, lane]
                base[lane] += count
                new[lane] = True
                changed = True
        if not settled and not changed:
            settle_block(block)


march = machine_code(_march, nogil=True)


def _rows(dimensions: int, kind: Any = types.float64) -> Any:
    return types.Array(kind, dimensions, "C")


_SIGNATURE = (
    _rows(1), _rows(2), _rows(2), _rows(2), _rows(3), _rows(1, types.int64), _rows(1),
    _rows(1, types.int64), types.float64, types.int64, types.int64, _rows(3), _rows(2), _rows(1),
    _rows(2), _rows(1, types.int64),
)  # fmt: skip


def prepare() -> None:
    """Have the machine code ready: compiled, or read from the cache."""
    compile_: Any = getattr(march, "compile")  # noqa: B009 (a numba dispatcher, typed as a function)
    compile_(_SIGNATURE)


def new_block() -> NDArray[np.float64]:
    """Working memory of one thread, on the edge of a cache line."""
    raw = np.zeros(ROWS * LANES + LANES)
    begin = (-raw.ctypes.data // 8) % LANES
    return raw[begin : begin + ROWS * LANES]
