"""The other executor: the same steps in NumPy, all members abreast.

The rates are the text of ``equations`` itself, run on arrays; derivatives come from its graph; the
step is the text of ``rosenbrock``. It takes over where nothing can be compiled, and it is what the
compiled one is held against.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate import layout as at
from warmhold.simulate import rosenbrock
from warmhold.simulate.equations import rates
from warmhold.simulate.pace import (
    FIRST_STEP_S,
    NEARLY,
    fed_from_outside,
    fixed_step_s,
    judge,
    next_step_s,
)
from warmhold.simulate.symbols import CONSTANT, LEAVES, NUMPY, Graph
from warmhold.simulate.traced import matrix_nodes

Floats = NDArray[np.float64]


@cache
def _matrix() -> tuple[Graph, dict[tuple[int, int], int], list[int]]:
    """Graph of the derivatives, what they are, and every node they need in order."""
    graph, found = matrix_nodes()
    return graph, found, graph.needed(list(found.values()), CONSTANT)


def derivatives_at(y: Floats, p: Floats, c: Floats, alive: Floats) -> rosenbrock.Matrix:
    """Derivatives of the rates by the states, for columns of members [1/s]."""
    graph, found, order = _matrix()
    places = {"y": y, "p": p, "c": c, "alive": alive[None, :]}
    values: dict[int, Any] = {}
    for node in order:
        op, args = graph.nodes[node]
        if op == "number":
            values[node] = args[0]
        elif op in LEAVES:
            values[node] = places[op][args[0]]
        else:
            values[node] = NUMPY[op](*(values[a] for a in args))
    return {key: values[node] for key, node in found.items()}


def slopes_at(
    y: Sequence[Any] | Floats, p: Floats, c: Floats, alive: Floats
) -> tuple[Floats, Floats]:
    """Rates (N_STATE, members) and flows (N_FLOW, members)."""
    dy = np.empty((at.N_STATE, p.shape[1]))
    flow = np.empty((at.N_FLOW, p.shape[1]))
    rates(y, p, c, alive, dy, flow)
    return dy, flow


class _Members:
    """All members on their way, by columns."""

    def __init__(
        self, start: Floats, p: Floats, durations: Floats, conditions: Floats,
        outputs: NDArray[np.int64], step_s: Floats, keep: NDArray[np.int64], tolerance: float,
    ) -> None:  # fmt: skip
        self.given = durations, conditions, outputs, step_s
        self.keep, self.tolerance = keep, tolerance
        members, total = start.shape[0], 1 + int(outputs.sum())
        self.y, self.p = start.T.copy(), np.ascontiguousarray(p.T)
        self.c = np.empty((at.N_CONDITION, members))
        self.alive, self.length, self.fixed = np.ones(members), np.zeros(members), np.zeros(members)
        self.t, self.wish, self.base_s = np.zeros(members), np.zeros(members), np.zeros(members)
        self.fed = np.zeros(members, dtype=bool)
        self.stretch = np.full(members, -1)
        self.base, self.following = np.zeros(members, np.int64), np.zeros(members, np.int64)
        self.trace = np.empty((members, total, keep.shape[0]))
        self.clock = np.empty((members, total))
        self.empty = np.full(members, np.inf)
        self.steps = np.zeros(members, dtype=np.int64)
        self.begin(np.arange(members))

    def begin(self, m: NDArray[np.int64]) -> None:
        """Take these members into their next stretch."""
        durations, conditions, outputs, step_s = self.given
        self.stretch[m] += 1
        m = m[self.stretch[m] < outputs.shape[0]]
        s = self.stretch[m]
        self.c[:, m] = conditions[m, s].T
        self.fed[m] = fed_from_outside(self.p[:, m], self.c[:, m])
        self.alive[m] = np.where(self.fed[m] | (self.y[at.CHARGE, m] > 0.0), 1.0, 0.0)
        self.t[m], self.length[m], self.wish[m] = 0.0, durations[m, s], FIRST_STEP_S
        self.fixed[m] = fixed_step_s(self.length[m], outputs[s], step_s[s])
        self.following[m] = np.where(s == 0, 0, 1)
        lost = m[(self.alive[m] < 0.5) & (self.length[m] > 0.0) & np.isinf(self.empty[m])]
        self.empty[lost] = self.base_s[lost]

    def step(self, m: NDArray[np.int64]) -> None:
        """Try a step of these members."""
        y, p, c, alive = self.y[:, m], self.p[:, m], self.c[:, m], self.alive[m]
        length, fixed = self.length[m], self.fixed[m]
        h = next_step_s(self.t[m], length, self.wish[m], fixed)
        first = list(slopes_at(y, p, c, alive)[0])
        matrix = derivatives_at(y, p, c, alive)
        taken = rosenbrock.eliminate(matrix, 1.0 / (rosenbrock.GAMMA * h), at.N_STATE)
        made = rosenbrock.step(
            list(y), h, first, taken.solve, lambda state: list(slopes_at(state, p, c, alive)[0])
        )
        error, factor = made.error / self.tolerance, rosenbrock.factor(made.error, self.tolerance)
        self.steps[m] += 1
        fed = self.fed[m].astype(np.float64)
        done = judge(
            h, self.t[m], length, fixed, fed, alive, error, factor, y[at.CHARGE],
            made.end[at.CHARGE],
        )  # fmt: skip
        self._outputs(m, done.moves > 0.5, h, list(y), first, made.g)
        self.y[:, m] = np.where(done.goes > 0.5, np.array(made.end), y)
        self.t[m], self.wish[m], self.fixed[m] = done.t, done.wish, done.fixed
        lost = m[done.emptied > 0.5]
        self.y[at.CHARGE, lost] = 0.0
        self.alive[lost] = 0.0
        first_time = lost[np.isinf(self.empty[lost])]
        self.empty[first_time] = self.base_s[first_time] + self.t[first_time]
        self._ends(m[done.ends > 0.5])

    def _outputs(
        self, m: NDArray[np.int64], moves: NDArray[np.bool_], h: Floats, y: list[Any],
        first: list[Any], g: Sequence[list[Any]],
    ) -> None:  # fmt: skip
        outputs = self.given[2]
        count = outputs[self.stretch[m]]
        while len(self.keep):
            due = self.following[m] * self.length[m] / count
            asks = moves & (self.following[m] <= count)
            asks &= due <= self.t[m] + h + NEARLY * self.length[m]
            if not asks.any():
                return
            share = np.minimum(np.maximum((due - self.t[m]) / h, 0.0), 1.0)
            state = np.array(rosenbrock.between(y, first, h, g, share))[:, asks]
            who = m[asks]
            flow = slopes_at(state, self.p[:, who], self.c[:, who], self.alive[who])[1]
            both = np.concatenate([state, flow])
            self.trace[who, self.base[who] + self.following[who]] = both[self.keep].T
            self.following[who] += 1

    def _ends(self, m: NDArray[np.int64]) -> None:
        """Close the stretch of these members."""
        outputs = self.given[2]
        for member in m:
            count = outputs[self.stretch[member]]
            share = np.arange(count + 1) * self.length[member] / count
            begin = self.base[member]
            self.clock[member, begin : begin + count + 1] = self.base_s[member] + share
        self.base_s[m] += self.length[m]
        self.base[m] += outputs[self.stretch[m]]
        self.begin(m)


def advance_plain(
    start: Floats, p: Floats, durations_s: Floats, conditions: Floats,
    outputs: NDArray[np.int64], step_s: Floats, keep: NDArray[np.int64], tolerance: float,
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.int64]]:  # fmt: skip
    """Run an ensemble in NumPy: trace, clock, moment of the empty battery, last state, steps.

    Parameters are those of ``stepping.advance``, whose ``Run`` has the same five in this order.
    """
    with np.errstate(all="ignore"):  # both sides of every choice are worked out
        all_ = _Members(start, p, durations_s, conditions, outputs, step_s, keep, tolerance)
        while (under_way := np.flatnonzero(all_.stretch < outputs.shape[0])).size:
            all_.step(under_way)
    return all_.trace, all_.clock, all_.empty, np.ascontiguousarray(all_.y.T), all_.steps
