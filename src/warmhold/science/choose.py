"""Choosing between two values, for floats, arrays and compiled code alike."""

from __future__ import annotations

import numpy as np

from warmhold.science.types import Condition, Num


def choose(condition: Condition, when_true: Num, when_false: Num) -> Num:
    """Take one of two values, element by element.

    Both values are worked out before the choice is made: keep each of them finite on both sides
    (for instance with ``np.maximum``), or NumPy warns. Compiled code puts a plain
    ``a if c else b`` in the place of this function.

    Parameters
    ----------
    condition : where to take the first value [-]
    when_true : value where the condition holds [any]
    when_false : value elsewhere [any]

    Returns
    -------
    The chosen value, with the broadcast shape of the three; a scalar for scalars.
    """
    chosen: Num = np.where(condition, when_true, when_false)[()]
    return chosen
