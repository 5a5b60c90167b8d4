"""The same equations stepped by another's integrator: SciPy's, event by event.

``rates`` is the only thing shared with ``advance``: the steps, their size, the output and the
search for the empty battery are SciPy's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from warmhold.simulate.compiled import machine_code
from warmhold.simulate.equations import rates
from warmhold.simulate.layout import (
    AIR,
    BUS_ENERGY,
    CARBON,
    CHARGE,
    CORE,
    DECK,
    HEATER,
    N_FLOW,
    N_STATE,
    ON_EXTERNAL,
    OUTER,
    OXYGEN,
    PACK,
    PATCH,
    SKIN,
    USABLE_WH,
    VAPOUR,
    WALL,
)
from warmhold.simulate.stepping import TOLERANCE, advance

Floats = NDArray[np.float64]
TEMPERATURES = (AIR, WALL, OUTER, PATCH, DECK, HEATER, SKIN, CORE, PACK)


def _slope(t, y, p, c, alive):  # type: ignore[no-untyped-def]
    dy = np.empty(N_STATE)
    flow = np.empty(N_FLOW)
    rates(y, p, c, alive, dy, flow)
    return dy


_compiled_slope = machine_code(_slope)


def integrate(
    start: Floats,
    p: Floats,
    durations_s: Floats,
    conditions: Floats,
    outputs: NDArray[np.int64],
    *,
    method: str = "DOP853",
    rtol: float = 1e-9,
    atol: float = 1e-9,
) -> tuple[Floats, float]:
    """One member through its stretches: states (1 + outputs, N_STATE), and when power was lost."""
    y = start.copy()
    trace = [y.copy()]
    clock = 0.0
    empty_s = np.inf
    for number, count in enumerate(outputs):
        c = conditions[number]
        length = float(durations_s[number])
        fed = c[ON_EXTERNAL] > 0.5
        alive = 1.0 if fed or y[CHARGE] > 0.0 else 0.0
        at = np.arange(1, count + 1) / count * length
        if length == 0.0:
            trace.extend([y.copy()] * int(count))
            continue

        def charge(_t, state, *_rest):  # type: ignore[no-untyped-def]
            return state[CHARGE]

        charge.terminal = True  # type: ignore[attr-defined]
        charge.direction = -1.0  # type: ignore[attr-defined]
        events = charge if alive > 0.5 and not fed else None
        now = 0.0
        while now < length:
            wanted = at[at > now]
            found = solve_ivp(
                _compiled_slope,
                (now, length),
                y,
                method=method,
                t_eval=wanted,
                args=(p, c, alive),
                rtol=rtol,
                atol=atol,
                events=events,
            )
            assert found.success, found.message
            trace.extend(found.y.T.copy())
            if found.status == 1:
                now = float(found.t_events[0][0])
                y = found.y_events[0][0].copy()
                y[CHARGE] = 0.0
                alive = 0.0
                events = None
                empty_s = min(empty_s, clock + now)
            else:
                now = length
                y = found.y[:, -1].copy()
        clock += length
    return np.array(trace), empty_s


@dataclass(frozen=True)
class Worst:
    """Largest differences between ``advance`` and the independent integrator."""

    temperature_k: float
    energy_share: float  # of the usable energy, and of the energy used
    gas_share: float  # of the value: oxygen and carbon dioxide
    vapour_share: float
    empty_s: float  # 0 when both say never

    def within(self, temperature_k: float, share: float) -> bool:
        return (
            self.temperature_k <= temperature_k
            and max(self.energy_share, self.gas_share, self.vapour_share) <= share
        )


def compare(
    start: Floats,
    p: Floats,
    durations_s: Floats,
    conditions: Floats,
    outputs: NDArray[np.int64],
    step_s: Floats,
    *,
    method: str = "DOP853",
    rtol: float = 1e-9,
    atol: float = 1e-9,
    tolerance: float = TOLERANCE,
) -> Worst:
    """Run every member both ways; arrays as for ``advance``."""
    run = advance(
        start, p, durations_s, conditions, outputs, step_s, np.arange(N_STATE), tolerance=tolerance
    )
    worst = np.zeros(5)
    for m in range(start.shape[0]):
        there, empty = integrate(
            start[m], p[m], durations_s[m], conditions[m], outputs,
            method=method, rtol=rtol, atol=atol,
        )  # fmt: skip
        here = run.trace[m]
        assert here.shape == there.shape
        difference = np.abs(here - there)
        used = max(float(there[-1, BUS_ENERGY]), 1e-9)
        energy = max(
            float(difference[:, CHARGE].max()) / float(p[m, USABLE_WH]),
            float(difference[:, BUS_ENERGY].max()) / used,
        )
        gas = max(
            float((difference[1:, i] / np.maximum(there[1:, i], 1e-6)).max())
            for i in (OXYGEN, CARBON)
        )
        vapour = float((difference[1:, VAPOUR] / np.maximum(there[1:, VAPOUR], 0.1)).max())
        both_never = np.isinf(empty) and np.isinf(run.empty_s[m])
        apart = 0.0 if both_never else abs(float(run.empty_s[m]) - empty)
        found = (float(difference[:, list(TEMPERATURES)].max()), energy, gas, vapour, apart)
        worst = np.maximum(worst, found)
    return Worst(*(float(value) for value in worst))
