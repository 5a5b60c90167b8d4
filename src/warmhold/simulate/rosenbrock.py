"""One step of the integrator, written once for numbers, arrays and symbols.

A linearly implicit method of fourth order with an error estimate of third: Kaps and Rentrop
(1979), Numer. Math. 33:55, with the coefficients of Shampine (1982), ACM TOMS 8:93 (memory;
``tests/simulate/test_rosenbrock.py`` checks every order condition). It needs three evaluations of
the equations and one of their exact derivatives a step, and solves one sparse linear system four
times. It was chosen by its cost at a given error over the example trip: docs/performance.md.

Values are in lists by state, so that one text serves symbols, floats and arrays of members.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from warmhold.simulate import layout as at

Values = list[Any]

GAMMA: Final = 0.5
# an evaluation is made at y + sum of ARGUMENT g; COUPLING g over the step is added to its rates
ARGUMENT_2: Final = (2.0,)
ARGUMENT_3: Final = (48.0 / 25.0, 6.0 / 25.0)
COUPLING_2: Final = (-8.0,)
COUPLING_3: Final = (372.0 / 25.0, 12.0 / 5.0)
COUPLING_4: Final = (-112.0 / 125.0, -54.0 / 125.0, -2.0 / 5.0)
WEIGHTS: Final = (19.0 / 9.0, 0.5, 25.0 / 108.0, 125.0 / 108.0)
ERRORS: Final = (17.0 / 54.0, 7.0 / 36.0, 0.0, 125.0 / 108.0)

SAFETY: Final = 0.9
LEAST_FACTOR: Final = 0.2
MOST_FACTOR: Final = 6.0

# How much error in one step counts as much as one kelvin. Heat, water and energy counted on the way
# follow from these, and so does their error.
SCALE: Final[Mapping[int, float]] = {
    at.AIR: 1.0, at.WALL: 1.0, at.OUTER: 1.0, at.PATCH: 1.0, at.DECK: 1.0, at.HEATER: 0.5,
    at.VAPOUR: 0.3, at.SKIN: 1.0, at.CORE: 1.0, at.INTEGRAL: 20.0, at.SKIN_INTEGRAL: 1.0,
    at.CHARGE: 10.0, at.PACK: 1.0, at.OXYGEN: 0.01, at.CARBON: 0.01, at.WATER: 10.0,
}  # fmt: skip

Matrix = dict[tuple[int, int], Any]


@dataclass(frozen=True)
class Eliminated:
    """A sparse matrix taken apart, to solve with.

    order : the unknowns in the order of their elimination
    lower : of each pivot, the rows under it and their multipliers
    upper : of each pivot, the columns to its right and what is left there
    inverse : one over each pivot
    """

    order: tuple[int, ...]
    lower: dict[int, list[tuple[int, Any]]]
    upper: dict[int, list[tuple[int, Any]]]
    inverse: dict[int, Any]

    def solve(self, right: Sequence[Any]) -> Values:
        """Solve for one right side."""
        x = list(right)
        for k in self.order:
            for i, value in self.lower[k]:
                x[i] = x[i] - value * x[k]
        for k in reversed(self.order):
            for j, value in self.upper[k]:
                x[k] = x[k] - value * x[j]
            x[k] = x[k] * self.inverse[k]
        return x


def eliminate(slopes: Matrix, shift: Any, unknowns: int) -> Eliminated:
    """Take ``shift`` times the unit matrix less ``slopes`` apart, sparsest pivots first.

    Parameters
    ----------
    slopes : derivative of each rate (row) by each state (column), only what is not nought [1/s]
    shift : one over GAMMA times the step [1/s]
    unknowns : number of states

    Returns
    -------
    The matrix ``Eliminated``. Pivots are not exchanged by size: the diagonal leads, as every
    exchange of heat or gas is felt most by its own state.
    """
    a: Matrix = {key: -value for key, value in slopes.items()}
    for k in range(unknowns):
        a[k, k] = a[k, k] + shift if (k, k) in a else shift
    lower: dict[int, list[tuple[int, Any]]] = {}
    upper: dict[int, list[tuple[int, Any]]] = {}
    inverse: dict[int, Any] = {}
    left, order = set(range(unknowns)), []
    while left:
        k = min(left, key=lambda n: (_fill(a, left, n), n))
        left.discard(k)
        order.append(k)
        inverse[k] = 1.0 / a[k, k]
        along = [j for j in sorted(left) if (k, j) in a]
        upper[k], lower[k] = [(j, a[k, j]) for j in along], []
        for i in sorted(left):
            if (i, k) not in a:
                continue
            times = a[i, k] * inverse[k]
            lower[k].append((i, times))
            for j in along:
                product = times * a[k, j]
                a[i, j] = a[i, j] - product if (i, j) in a else -product
    return Eliminated(tuple(order), lower, upper, inverse)


def _fill(a: Matrix, left: set[int], k: int) -> int:
    rows = sum((i, k) in a for i in left if i != k)
    columns = sum((k, j) in a for j in left if j != k)
    return rows * columns


def _moved(y: Values, weights: Sequence[float], g: Sequence[Values]) -> Values:
    moved = list(y)
    for weight, part in zip(weights, g, strict=False):
        if weight != 0.0:
            moved = [m + weight * x for m, x in zip(moved, part, strict=True)]
    return moved


@dataclass(frozen=True)
class Step:
    """What a step gives.

    end : state at its end
    g : (4, states) its stages, for values in between
    error : largest error of a state on its scale, for one kelvin
    """

    end: Values
    g: tuple[Values, ...]
    error: Any


def step(
    y: Values, h: Any, first: Values, solve: Callable[[Values], Values],
    slope: Callable[[Values], Values],
) -> Step:  # fmt: skip
    """Make one step.

    Parameters
    ----------
    y : state
    h : length [s]
    first : rates at ``y``
    solve : ``Eliminated.solve`` of the derivatives at ``y``
    slope : rates at another state

    Returns
    -------
    The ``Step``.
    """
    per_s = 1.0 / h

    def right(rates: Values, weights: Sequence[float], g: Sequence[Values]) -> Values:
        pull = _moved([x * weights[0] for x in g[0]], weights[1:], g[1:])
        return [r + x * per_s for r, x in zip(rates, pull, strict=True)]

    g1 = solve(first)
    g2 = solve(right(slope(_moved(y, ARGUMENT_2, (g1,))), COUPLING_2, (g1,)))
    third = slope(_moved(y, ARGUMENT_3, (g1, g2)))
    g3 = solve(right(third, COUPLING_3, (g1, g2)))
    g4 = solve(right(third, COUPLING_4, (g1, g2, g3)))
    g = (g1, g2, g3, g4)
    error: Any = 0.0
    for state, scale in SCALE.items():
        off = sum(w * part[state] for w, part in zip(ERRORS, g, strict=True) if w != 0.0)
        error = np.maximum(error, np.abs(off) * (1.0 / scale))
    return Step(_moved(y, WEIGHTS, g), g, error)


def factor(error: Any, tolerance: Any) -> Any:
    """By how much the step may grow, or must shrink, after an error [-]."""
    share = np.maximum(error * (1.0 / tolerance), 1.0e-6)
    return np.minimum(MOST_FACTOR, np.maximum(LEAST_FACTOR, SAFETY / np.sqrt(np.sqrt(share))))


def between(y: Values, first: Values, h: Any, g: Sequence[Values], share: Any) -> Values:
    """State inside a step, of third order.

    The unique weights of the stages (the third left as in the step: unused) and of the first rates
    that meet every order condition to the third at each share and the step's own at 1 (derived).

    Parameters
    ----------
    y, first : state and rates at the step's start
    h : length of the step [s]
    g : its stages
    share : where, 0 start to 1 end [-]

    Returns
    -------
    The state there.
    """
    square = share * share
    cube = square * share
    weights = (
        35.0 / 3.0 * square - 86.0 / 9.0 * cube,
        0.5 * square,
        25.0 / 27.0 * cube - 25.0 / 36.0 * square,
        125.0 / 27.0 * cube - 125.0 / 36.0 * square,
    )
    rising = h * (share - 3.0 * square + 2.0 * cube)
    moved = [m + rising * f for m, f in zip(y, first, strict=True)]
    for weight, part in zip(weights, g, strict=True):
        moved = [m + weight * x for m, x in zip(moved, part, strict=True)]
    return moved
