"""A plain NumPy loop over equal steps, all members abreast: what one would write first.

Not run by itself.
"""

from __future__ import annotations

import numpy as np
from _six_hours import Floats, Job, fed_legs

from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates


def _rates(y: Floats, p: Floats, c: Floats, alive: Floats) -> Floats:
    dy, flow = np.empty_like(y), np.empty((at.N_FLOW, y.shape[1]))
    rates(y, p, c, alive, dy, flow)
    return dy


def _classic(y: Floats, h: Floats, *rest: Floats) -> Floats:
    """One step of the classic Runge-Kutta method of fourth order."""
    k1 = _rates(y, *rest)
    k2 = _rates(y + 0.5 * h * k1, *rest)
    k3 = _rates(y + 0.5 * h * k2, *rest)
    k4 = _rates(y + h * k3, *rest)
    return y + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)


def numpy_loop(job: Job, parts: int) -> Floats:
    """States at all outputs, so many steps in between; one in which a battery empties is cut."""
    start, p, durations, conditions, outputs = job
    y, p, kept = start.T.copy(), np.ascontiguousarray(p.T), [start]
    fed_in = fed_legs(job)
    with np.errstate(all="ignore"):  # a step that is too long ends in numbers that are none
        for s, count in enumerate(outputs):
            c, fed = np.ascontiguousarray(conditions[:, s].T), fed_in[:, s] > 0.5
            alive = np.where(fed | (y[at.CHARGE] > 0.0), 1.0, 0.0)
            h = durations[:, s] / (count * parts)
            for n in range(count * parts):
                new = _classic(y, h, p, c, alive)
                empties = np.flatnonzero((alive > 0.5) & ~fed & (new[at.CHARGE] < 0.0))
                if empties.size:
                    before, after = y[at.CHARGE, empties], new[at.CHARGE, empties]
                    until = h[empties] * before / (before - after)
                    own = p[:, empties], c[:, empties]
                    there = _classic(y[:, empties], until, *own, alive[empties])
                    there[at.CHARGE] = 0.0
                    alive[empties] = 0.0
                    new[:, empties] = _classic(there, h[empties] - until, *own, alive[empties])
                y = new
                if (n + 1) % parts == 0:
                    kept.append(y.T.copy())
    return np.stack(kept, axis=1)
