"""How a member is paced through its stretches: one text for both executors.

Flags are 1.0 and 0.0, so that the text runs on symbols as well as on columns of members.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from warmhold.science.choose import choose
from warmhold.simulate.layout import (
    COMPRESSING,
    COMPRESSOR_W,
    ELECTRONICS_W,
    EXTERNAL_W,
    ON_EXTERNAL,
    SUPPLY_EFFICIENCY,
)

FIRST_STEP_S: Final = 6.0  # after every edge; the error control takes it from there
LEAST_STEP_S: Final = 1.0e-3  # is taken whatever its error
EMPTY_WH: Final = 1.0e-6  # how near to nought a battery counts as empty: under a tenth of a ms
NEARLY: Final = 1.0e-12


def fed_from_outside(p: Any, c: Any) -> Any:
    """Whether outside power carries what must run; for one member and for columns of them."""
    must_run = p[ELECTRONICS_W] + c[COMPRESSING] * p[COMPRESSOR_W]
    return (c[ON_EXTERNAL] > 0.5) & (p[SUPPLY_EFFICIENCY] * c[EXTERNAL_W] >= must_run)


def fixed_step_s(length: Any, outputs: Any, step_s: Any) -> Any:
    """Equal steps inside each output interval, none longer than asked for; 0 when controlled."""
    interval = length / outputs
    parts = np.maximum(np.ceil(interval / np.maximum(step_s, LEAST_STEP_S) - 1.0e-9), 1.0)
    return choose(step_s > 0.0, interval / parts, 0.0)


def next_step_s(t: Any, length: Any, wish: Any, fixed: Any) -> Any:
    """Length of the next step from t, never past the end of the stretch.

    A fixed step ends on the grid of the outputs; a controlled one leaves no sliver at the end. A
    stretch without length gets one second, which is not taken.
    """
    rest = length - t
    edge = (np.floor(t / np.maximum(fixed, LEAST_STEP_S) + 1.0e-9) + 1.0) * fixed
    on_grid = choose(length - edge > 1.0e-9 * length, edge - t, rest)
    controlled = choose(rest > wish, np.minimum(wish, 0.5 * rest), rest)
    return choose(length > 0.0, choose(fixed > 0.0, on_grid, controlled), 1.0)


@dataclass(frozen=True)
class Judged:
    """What becomes of a step that was tried.

    moves : 1 it is taken
    goes : 1 it is taken and has a length
    t : time in the stretch afterwards [s]
    wish : length wished for the next one [s]
    fixed : equal length, negative while the end of the battery is looked for off the grid [s]
    emptied : 1 the battery is empty at its end
    ends : 1 so is the stretch
    """

    moves: Any
    goes: Any
    t: Any
    wish: Any
    fixed: Any
    emptied: Any
    ends: Any


def judge(
    h: Any, t: Any, length: Any, fixed: Any, fed: Any, alive: Any, error: Any, factor: Any,
    before_wh: Any, left_wh: Any,
) -> Judged:  # fmt: skip
    """Take a step or refuse it, and say how long the next should be.

    Refused is a controlled step with too much error, and one that goes past the moment of the empty
    battery: the next one is then aimed at it along the secant.

    Parameters
    ----------
    h, t, length : step, time in the stretch, length of the stretch [s]
    fixed : equal length, 0 when controlled [s]
    fed, alive : 1 outside power carries what must run; 1 the unit has power
    error : error over the tolerance [-]
    factor : by how much the next may be longer [-]
    before_wh, left_wh : charge at both ends [Wh]

    Returns
    -------
    What was ``Judged``.
    """
    has_length = choose(length > 0.0, 1.0, 0.0)
    controlled = choose(np.abs(fixed) > 0.0, 0.0, has_length)
    rough = controlled * choose(error > 1.0, 1.0, 0.0) * choose(h > LEAST_STEP_S, 1.0, 0.0)
    draining = has_length * (1.0 - rough) * alive * (1.0 - fed)
    crosses = draining * choose(left_wh < -EMPTY_WH, 1.0, 0.0)
    share = before_wh / choose(crosses > 0.5, before_wh - left_wh, 1.0)
    grown = h * choose(rough > 0.5, np.minimum(factor, 0.9), factor)
    wish = choose(crosses > 0.5, h * share, grown)
    moves = (1.0 - rough) * (1.0 - crosses)
    goes = moves * has_length
    after = t + goes * h
    emptied = moves * draining * choose(left_wh > EMPTY_WH, 0.0, 1.0)
    ends = moves * choose(length * (1.0 - NEARLY) > after, 0.0, 1.0)
    return Judged(
        moves=moves,
        goes=goes,
        t=after,
        wish=choose(emptied > 0.5, FIRST_STEP_S, choose(wish > 0.0, wish, FIRST_STEP_S)),
        fixed=choose(crosses > 0.5, -np.abs(fixed), choose(emptied > 0.5, np.abs(fixed), fixed)),
        emptied=emptied,
        ends=ends,
    )
