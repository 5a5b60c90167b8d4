"""The working memory of the compiled steps: eight members side by side, a row for each value.

A block holds eight members, a lane each; a row holds one value of all eight.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate import layout as at

LANES: Final = 8

R_Y: Final = 0  # state
R_P: Final = R_Y + at.N_STATE  # constants of the member
R_C: Final = R_P + at.N_PARAM  # conditions of the stretch
R_ALIVE: Final = R_C + at.N_CONDITION  # 1 the unit has power
R_RUNS: Final = R_ALIVE + 1  # 1 a member is in the lane
R_FED: Final = R_RUNS + 1  # 1 outside power carries what must run
R_TOLERANCE: Final = R_FED + 1  # error of a step that is let pass [K]
R_LENGTH: Final = R_TOLERANCE + 1  # of the stretch [s]
R_T: Final = R_LENGTH + 1  # time in the stretch [s]
R_WISH: Final = R_T + 1  # length wished for the next step [s]
R_FIXED: Final = R_WISH + 1  # equal length of steps, 0 controlled [s]
R_DUE: Final = R_FIXED + 1  # when the next output is due, infinite if none is [s]
R_STEPS: Final = R_DUE + 1  # steps tried
R_H: Final = R_STEPS + 1  # length of the step [s]
R_END: Final = R_H + 1  # state at the end of the step
R_FIRST: Final = R_END + at.N_STATE  # rates at its start
R_G: Final = R_FIRST + at.N_STATE  # its stages
R_MOVES: Final = R_G + 4 * at.N_STATE  # 1 the step is taken
R_GOES: Final = R_MOVES + 1  # 1 it is taken and has a length
R_AFTER: Final = R_GOES + 1  # time in the stretch afterwards [s]
R_EMPTIED: Final = R_AFTER + 1  # 1 the battery is empty at its end
R_ENDS: Final = R_EMPTIED + 1  # 1 so is the stretch
R_EVENT: Final = R_ENDS + 1  # above 0: an output, an empty battery or an end
R_SHARE: Final = R_EVENT + 1  # where in the step a state is asked for
R_BEGAN: Final = R_SHARE + 1  # when the stretch began [s]
R_BETWEEN: Final = R_BEGAN + 1  # state there
R_FLOW: Final = R_BETWEEN + at.N_STATE  # flows there
R_SETTLED: Final = R_FLOW + at.N_FLOW
SETTLED_ROWS: Final = 160
ROWS: Final = R_SETTLED + SETTLED_ROWS

Kind = int | type[int] | type[float]

ARGUMENTS: Final[Mapping[str, Kind]] = {
    "row": 2, "lanes": 2, "start": 2, "p": 2, "durations": 2, "conditions": 3, "outputs": 1,
    "step_s": 1, "keep": 1, "tolerance": float, "first": int, "stop": int, "trace": 3, "clock": 2,
    "empty": 1, "last": 2, "steps": 1,
}  # fmt: skip
"""What the compiled steps take: arrays by their dimensions, and numbers."""

WHOLE: Final = frozenset(("lanes", "outputs", "keep", "steps"))  # arrays of whole numbers
_KEPT_OF_A_LANE: Final = 5  # see ``march``


def new_block() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Working memory of one thread: rows on the edge of a cache line, and what lanes are at."""
    raw = np.zeros(ROWS * LANES + LANES)
    begin = (-raw.ctypes.data // 8) % LANES
    rows: Any = raw[begin : begin + ROWS * LANES].reshape(ROWS, LANES)
    return rows, np.zeros((_KEPT_OF_A_LANE, LANES), dtype=np.int64)
