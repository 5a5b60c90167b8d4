"""Compiled: members through their stretches, eight side by side, each at a pace of its own.

A lane holds one member. It has its own stretch, time and step; when its member is through, it takes
the next one. Lanes never mix, so a member's result does not depend on who is beside it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from warmhold.simulate.compiled import machine_code
from warmhold.simulate.lanes import (
    LANES,
    R_ALIVE,
    R_BETWEEN,
    R_C,
    R_END,
    R_ERROR,
    R_FACTOR,
    R_H,
    R_MOVE,
    R_P,
    R_SHARE,
    R_TOLERANCE,
    R_Y,
    between_block,
    flows_block,
    move_block,
    settle_block,
    step_block,
)
from warmhold.simulate.layout import (
    CHARGE,
    COMPRESSING,
    COMPRESSOR_W,
    ELECTRONICS_W,
    EXTERNAL_W,
    N_CONDITION,
    N_PARAM,
    N_STATE,
    ON_EXTERNAL,
    SUPPLY_EFFICIENCY,
)

FIRST_STEP_S: Final = 6.0  # after every edge; the error control takes it from there
LEAST_STEP_S: Final = 1.0e-3  # is taken whatever its error
EMPTY_WH: Final = 1.0e-6  # how near to nought a battery counts as empty: under a tenth of a ms
NEARLY: Final = 1.0e-12


def _fed(p: Any, c: Any) -> bool:
    """Whether outside power carries what must run."""
    must_run = p[ELECTRONICS_W] + c[COMPRESSING] * p[COMPRESSOR_W]
    return bool(c[ON_EXTERNAL] > 0.5 and p[SUPPLY_EFFICIENCY] * c[EXTERNAL_W] >= must_run)


def _next_step(t: float, length: float, wish: float, fixed: float) -> float:
    """Length of the next step from t: never past the end of the stretch.

    A fixed step ends on the grid of the outputs; a controlled one leaves no sliver at the end.
    """
    rest = length - t
    if length <= 0.0:
        return 1.0
    if fixed > 0.0:
        edge = (np.floor(t / fixed + 1.0e-9) + 1.0) * fixed
        return min(edge, length) - t if length - edge > 1.0e-9 * length else rest
    if wish >= rest:
        return rest
    return 0.5 * rest if wish > 0.5 * rest else wish


_compiled_fed = machine_code(_fed)
_compiled_next_step = machine_code(_next_step)


def _march(
    block: Any, start: Any, p: Any, durations: Any, conditions: Any, outputs: Any, step_s: Any,
    keep: Any, tolerance: float, first: int, stop: int, trace: Any, clock: Any, empty: Any,
    last: Any, steps: Any,
) -> None:  # fmt: skip
    stretches = outputs.shape[0]
    flows = False
    for k in range(keep.shape[0]):
        flows = flows or keep[k] >= N_STATE
    member = np.full(LANES, -1)
    stretch = np.zeros(LANES, np.int64)
    t = np.zeros(LANES)
    length = np.zeros(LANES)
    wish = np.zeros(LANES)
    fixed = np.zeros(LANES)
    fed = np.zeros(LANES, np.bool_)
    base_s = np.zeros(LANES)
    base = np.zeros(LANES, np.int64)
    following = np.zeros(LANES, np.int64)
    new = np.ones(LANES, np.bool_)  # lanes that want a stretch
    asks = np.zeros(LANES, np.bool_)
    moves = np.zeros(LANES, np.bool_)
    upcoming = first
    for lane in range(LANES):
        block[R_TOLERANCE * LANES + lane] = tolerance
        block[R_MOVE * LANES + lane] = 0.0
        block[R_H * LANES + lane] = 1.0
    running = LANES
    while True:
        # --- lanes that are through with a stretch, or with a member
        changed = False
        for lane in range(LANES):
            if not new[lane]:
                continue
            new[lane] = False
            changed = True
            m = member[lane]
            if m < 0 or stretch[lane] + 1 == stretches:
                if m >= 0:
                    for i in range(N_STATE):
                        last[m, i] = block[(R_Y + i) * LANES + lane]
                if upcoming < stop:
                    m = upcoming
                    upcoming += 1
                    stretch[lane] = -1
                    base[lane] = 0
                    base_s[lane] = 0.0
                    empty[m] = np.inf
                    steps[m] = 0
                else:
                    running -= 1
                    stretch[lane] = -2
                    if m < 0:  # a lane that never had one: any member's numbers, to no effect
                        m = first
                    member[lane] = -1
                if stretch[lane] == -1:
                    member[lane] = m
                for i in range(N_STATE):
                    block[(R_Y + i) * LANES + lane] = start[m, i]
                for i in range(N_PARAM):
                    block[(R_P + i) * LANES + lane] = p[m, i]
            s = max(stretch[lane] + 1, 0)
            for i in range(N_CONDITION):
                block[(R_C + i) * LANES + lane] = conditions[m, s, i]
            fed[lane] = _compiled_fed(p[m], conditions[m, s])
            lives = fed[lane] or block[(R_Y + CHARGE) * LANES + lane] > 0.0
            block[R_ALIVE * LANES + lane] = 1.0 if lives else 0.0
            if member[lane] < 0:
                continue
            stretch[lane] = s
            t[lane] = 0.0
            length[lane] = durations[m, s]
            wish[lane] = FIRST_STEP_S
            following[lane] = 0 if s == 0 else 1
            fixed[lane] = 0.0
            if step_s[s] > 0.0:
                interval = length[lane] / outputs[s]
                fixed[lane] = interval / max(np.ceil(interval / step_s[s] - 1.0e-9), 1.0)
            if not lives and length[lane] > 0.0 and empty[m] == np.inf:
                empty[m] = base_s[lane]
        if running == 0:
            return
        if changed:
            settle_block(block)

        # --- one step of every lane
        for lane in range(LANES):
            if member[lane] >= 0:
                block[R_H * LANES + lane] = _compiled_next_step(
                    t[lane], length[lane], wish[lane], fixed[lane]
                )
        step_block(block)

        # --- who takes it
        for lane in range(LANES):
            moves[lane] = member[lane] >= 0
            if not moves[lane]:
                continue
            steps[member[lane]] += 1
            h = block[R_H * LANES + lane]
            if length[lane] <= 0.0:
                continue
            if fixed[lane] == 0.0 and block[R_ERROR * LANES + lane] > 1.0 and h > LEAST_STEP_S:
                moves[lane] = False
                wish[lane] = h * min(block[R_FACTOR * LANES + lane], 0.9)
                continue
            left = block[(R_END + CHARGE) * LANES + lane]
            if block[R_ALIVE * LANES + lane] > 0.5 and not fed[lane] and left < -EMPTY_WH:
                before = block[(R_Y + CHARGE) * LANES + lane]
                moves[lane] = False
                wish[lane] = h * before / (before - left)
                if fixed[lane] > 0.0:
                    fixed[lane] = -fixed[lane]  # off its grid until the battery is empty
        # --- outputs inside it
        while keep.shape[0] > 0:
            pending = False
            for lane in range(LANES):
                asks[lane] = False
                if not moves[lane] or following[lane] > outputs[stretch[lane]]:
                    continue
                due = following[lane] * length[lane] / outputs[stretch[lane]]
                ends = t[lane] + block[R_H * LANES + lane]
                if due <= ends + NEARLY * length[lane]:
                    share = (due - t[lane]) / block[R_H * LANES + lane]
                    block[R_SHARE * LANES + lane] = min(max(share, 0.0), 1.0)
                    asks[lane] = True
                    pending = True
            if not pending:
                break
            between_block(block)
            if flows:
                flows_block(block)
            for lane in range(LANES):
                if asks[lane]:
                    n = base[lane] + following[lane]
                    for k in range(keep.shape[0]):
                        trace[member[lane], n, k] = block[(R_BETWEEN + keep[k]) * LANES + lane]
                    following[lane] += 1
        # --- on
        for lane in range(LANES):
            block[R_MOVE * LANES + lane] = 1.0 if moves[lane] and length[lane] > 0.0 else 0.0
        move_block(block)
        settled = True
        for lane in range(LANES):
            if not moves[lane]:
                continue
            m = member[lane]
            h = block[R_H * LANES + lane]
            if length[lane] > 0.0:
                t[lane] += h
                wish[lane] = h * block[R_FACTOR * LANES + lane]
                left = block[(R_Y + CHARGE) * LANES + lane]
                if block[R_ALIVE * LANES + lane] > 0.5 and not fed[lane] and left <= EMPTY_WH:
                    block[(R_Y + CHARGE) * LANES + lane] = 0.0
                    block[R_ALIVE * LANES + lane] = 0.0
                    settled = False
                    wish[lane] = FIRST_STEP_S
                    fixed[lane] = abs(fixed[lane])
                    if empty[m] == np.inf:
                        empty[m] = base_s[lane] + t[lane]
            if t[lane] >= length[lane] * (1.0 - NEARLY):
                s = stretch[lane]
                for n in range(outputs[s] + 1):
                    clock[m, base[lane] + n] = base_s[lane] + n * length[lane] / outputs[s]
                base_s[lane] += length[lane]
                base[lane] += outputs[s]
                new[lane] = True
        if not settled:
            settle_block(block)


march = machine_code(_march, nogil=True)
