"""Compiled: members through their stretches, eight side by side, each at a pace of its own.

A lane holds one member. It has its own stretch, time and step; when its member is through, it takes
the next one. Lanes never mix, so a member's result does not depend on who is beside it.

This module is the compiler's side and slow to import: ``kept`` runs what it made without it.
"""

from __future__ import annotations

from typing import Any

import llvmlite.binding as llvm  # type: ignore[import-untyped]
import numba
import numpy as np
from numba import types

from warmhold.simulate.block import (
    ARGUMENTS,
    LANES,
    R_ALIVE,
    R_BEGAN,
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
    WHOLE,
)
from warmhold.simulate.compiled import machine_code
from warmhold.simulate.kept import Built, machine
from warmhold.simulate.lanes import (
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
    row: Any, lanes: Any, start: Any, p: Any, durations: Any, conditions: Any, outputs: Any,
    step_s: Any, keep: Any, tolerance: float, first: int, stop: int, trace: Any, clock: Any,
    empty: Any, last: Any, steps: Any,
) -> None:  # fmt: skip
    stretches = outputs.shape[0]
    flows = False
    for k in range(keep.shape[0]):
        flows = flows or keep[k] >= N_STATE
    # of each lane: member, stretch, its output 0, which of its outputs comes next, wants a stretch
    member, stretch, base, following, new = lanes[0], lanes[1], lanes[2], lanes[3], lanes[4]
    base_s = row[R_BEGAN]  # when the stretch began
    member[:] = -1
    new[:] = 1
    upcoming = first
    running = 0
    changed = True
    while True:
        if changed:
            for lane in range(LANES):
                if new[lane] == 0:
                    continue
                new[lane] = 0
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
            settle_block(row)
            changed = False

        step_block(row)
        eventful = False
        for lane in range(LANES):
            eventful = eventful or row[R_EVENT, lane] > 0.0
        if not eventful:
            move_block(row)
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
            between_block(row)
            if flows:
                flows_block(row)
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
        move_block(row)
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
                new[lane] = 1
                changed = True
        if not settled and not changed:
            settle_block(row)


def _kind_of(name: str, kind: Any) -> Any:
    if not isinstance(kind, int):
        return types.float64 if kind is float else types.int64
    return types.Array(types.int64 if name in WHOLE else types.float64, kind, "C")


SIGNATURE = tuple(_kind_of(name, kind) for name, kind in ARGUMENTS.items())


def build() -> Built:
    """Compile it to one function that calls nothing outside itself.

    Raises ``RuntimeError`` when it would.
    """
    jit: Any = numba.njit
    bare = jit(
        error_model="numpy", nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False
    )(_march)
    bare.compile(SIGNATURE)
    (made,) = bare.overloads.values()
    code = llvm.parse_assembly(made.library.get_llvm_str())
    outside = [f.name for f in code.functions if f.is_declaration and not _of_llvm(f.name)]
    if outside:
        raise RuntimeError(f"the steps call {', '.join(outside)}")
    return made.fndesc.llvm_func_name, machine().emit_object(code)


def _of_llvm(name: str) -> bool:
    return str(name).startswith("llvm.")
