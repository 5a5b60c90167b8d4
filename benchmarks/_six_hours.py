"""The reference job of the speed benchmarks: an invented trip of six hours in five legs.

Not run by itself: ``trip_six_hours.py``, ``step_methods.py``, ``growth.py`` and ``sampling.py`` use
it.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import platform
from typing import Any

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate import layout as at
from warmhold.simulate.compiled import machine_code
from warmhold.simulate.equations import rates
from warmhold.simulate.pace import fed_from_outside

Floats = NDArray[np.float64]
Job = tuple[Floats, Floats, Floats, Floats, NDArray[np.int64]]

LEG_MIN = np.array([30.0, 20.0, 150.0, 20.0, 140.0])  # 360 min
OUTPUT_MIN = 2.0
KEPT = np.array([at.AIR, at.SKIN, at.CORE, at.CHARGE, at.OXYGEN, at.BUS_ENERGY])
TEMPERATURES = [
    at.AIR, at.WALL, at.PATCH, at.DECK, at.HEATER, at.SKIN, at.CORE, at.PACK,
]  # fmt: skip

# An invented single-walled unit with a term baby: an example, not anyone's data.
UNIT: dict[str, float] = {
    "MASS": 3.2, "AREA": 0.215, "CONTACT": 0.1, "RADIATING": 0.6, "REST": 1.7, "CEILING": 4.2,
    "READINESS": 1.0, "CORE_SHIFT": 0.0, "DRY_LOSS": 1.0, "VESSELS_CLOSED": 12.0,
    "VESSELS_OPEN": 30.0, "SKIN_VAPOUR": 1.0, "WEEKS": 39.5, "BODY_SHARE": 0.0,
    "BODY_INSULATION": 0.0, "BODY_VAPOUR": 1.0,
    "HEAD_SHARE": 0.18, "HEAD_INSULATION": 0.1, "BREATH_IN_HOOD": 1.0, "BREATH_LOSS": 1.0,
    "BREATH_DRY": 0.0, "C_AIR": 900.0, "C_WALL": 6200.0, "C_OUTER": 3000.0, "C_PATCH": 110.0,
    "C_DECK": 5200.0, "C_HEATER": 450.0, "G_AIR_WALL": 10.5, "G_AIR_DECK": 3.2,
    "G_DECK_AMBIENT": 0.45, "G_HEATER_AIR": 6.0, "WALL_AREA": 0.62, "WALL_RESISTANCE": 0.032,
    "WALL_GAP": 6.3, "IS_DOUBLE": 0.0, "WALL_VIEW": 0.62, "G_PATCH_BABY": 0.45,
    "G_PATCH_BELOW": 0.03, "G_PATCH_AIR": 0.13, "VOLUME": 0.085, "FRESH": 9.0 / 60000,
    "AIR_SPEED": 0.12, "SUN_WINDOW": 0.18, "FAN_OFF": 0.4, "GAIN": 60.0, "INTEGRAL_S": 480.0,
    "SKIN_MODE": 0.0, "SKIN_GAIN": 3.0, "SKIN_SET": 36.5, "AIR_LOWEST": 23.0,
    "AIR_HIGHEST": 38.0, "HEATER_W": 180.0, "HEATER_BATTERY_W": 150.0, "ELECTRONICS_W": 22.0,
    "FAN_HEAT_W": 4.0, "SUPPLY_EFFICIENCY": 0.88, "BATTERY_EFFICIENCY": 0.9, "USABLE_WH": 200.0,
    "CHARGEABLE_WH": 200.0, "RATED_W": 4.3, "PEUKERT": 1.1, "IS_LEAD": 1.0, "CHARGER_W": 15.0,
    "PACK_LAG_S": 5400.0, "PACK_WARMER_K": 5.0, "HUMIDIFIER_G_S": 0.0, "COMPRESSOR_W": 0.0,
}  # fmt: skip

# Ward (baby out), street, road, street, road: ambient, vapour, wind, external power, aboard.
LEGS: tuple[dict[str, float], ...] = (
    {"AMBIENT": 22.0, "AMBIENT_VAPOUR": 8.0, "WIND": 0.1, "EXTERNAL_W": 320.0, "ABOARD": 0.0},
    {"AMBIENT": -4.0, "AMBIENT_VAPOUR": 2.5, "WIND": 2.0, "ON_EXTERNAL": 0.0},
    {"AMBIENT": 16.0, "AMBIENT_VAPOUR": 5.5, "WIND": 0.2, "EXTERNAL_W": 170.0},
    {"AMBIENT": 2.0, "AMBIENT_VAPOUR": 4.0, "WIND": 3.0, "ON_EXTERNAL": 0.0, "SUN": 50.0},
    {"AMBIENT": 18.0, "AMBIENT_VAPOUR": 6.0, "WIND": 0.2, "EXTERNAL_W": 200.0, "PRESSURE": 90.0},
)
EVERYWHERE: dict[str, float] = {
    "PRESSURE": 101.3, "ON_EXTERNAL": 1.0, "ABOARD": 1.0, "AIR_SET": 34.0,
    "HOOD_OXYGEN": 1.5 / 60000,
}  # fmt: skip


def ensemble(members: int) -> Job:
    """Start, constants, durations, conditions and outputs, with spread inputs from one seed."""
    generator = np.random.default_rng(20260114)

    def spread(share: float) -> Floats:
        return np.asarray(generator.normal(1.0, share, members).clip(0.5, 1.5))

    p = np.empty((members, at.N_PARAM))
    for place, name in enumerate(at.P_NAMES):
        p[:, place] = UNIT[name]
    for place in (at.REST, at.VESSELS_OPEN, at.G_AIR_WALL, at.C_WALL, at.FRESH, at.SKIN_VAPOUR):
        p[:, place] *= spread(0.1)
    start = np.zeros((members, at.N_STATE))
    start[:, [at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.PACK]] = 12.0
    start[:, at.VAPOUR] = 7.0
    start[:, at.SKIN], start[:, at.CORE] = 35.9, 36.7
    start[:, at.CHARGE] = 130.0 * spread(0.2)
    start[:, at.OXYGEN], start[:, at.CARBON] = 0.2095, 0.0004
    conditions = np.zeros((members, len(LEGS), at.N_CONDITION))
    for number, leg in enumerate(LEGS):
        for name, figure in {**EVERYWHERE, **leg}.items():
            conditions[:, number, getattr(at, name)] = figure
        conditions[:, number, at.AMBIENT] += generator.normal(0.0, 2.0, members)
    durations = 60.0 * LEG_MIN * np.stack([spread(0.1) for _ in LEGS], axis=1)
    return start, p, durations, conditions, (LEG_MIN / OUTPUT_MIN).astype(np.int64)


def _slope(t: Any, y: Any, p: Any, c: Any, alive: Any) -> Any:
    dy = np.empty(at.N_STATE)
    flow = np.empty(at.N_FLOW)
    rates(y, p, c, alive, dy, flow)
    return dy


compiled_slope = machine_code(_slope)


def fed_legs(job: Job) -> Floats:
    """1 where outside power carries what must run, (members, legs)."""
    p, conditions = job[1].T[:, :, None], np.moveaxis(job[3], 2, 0)
    return np.asarray(fed_from_outside(p, conditions), dtype=np.float64)


def charge_left(_t: float, y: Floats, *_rest: Any) -> float:
    """Event: the battery is empty."""
    return float(y[at.CHARGE])


vars(charge_left).update(terminal=True, direction=-1.0)


def by_scipy(
    job: Job, method: str, rtol: float, *, compiled: bool = True, counts: list[int] | None = None
) -> Floats:
    """Members one by one, leg by leg, cut at the empty battery: all states at all outputs.

    ``counts`` gets the evaluations of each piece of a leg.
    """
    slope = compiled_slope if compiled else _slope
    counted: list[int] = [] if counts is None else counts
    return np.array(
        [_one_by_scipy(slope, job, m, method, rtol, counted) for m in range(len(job[0]))]
    )


def _one_by_scipy(
    slope: Any, job: Job, m: int, method: str, rtol: float, counts: list[int]
) -> Floats:
    solve_ivp: Any = importlib.import_module("scipy.integrate").solve_ivp
    start, p, durations, conditions, outputs = job
    y, kept = start[m].copy(), [start[m].copy()]
    for number, count in enumerate(outputs):
        c, length = conditions[m, number], float(durations[m, number])
        fed = bool(fed_from_outside(p[m], c))
        alive = 1.0 if fed or y[at.CHARGE] > 0.0 else 0.0
        wanted = np.arange(1, count + 1) / count * length
        if length == 0.0:
            kept.extend([y.copy()] * int(count))
        now = 0.0
        while now < length:
            events = charge_left if alive > 0.5 and not fed else None
            found = solve_ivp(
                slope, (now, length), y, method=method, t_eval=wanted[wanted > now],
                args=(p[m], c, alive), rtol=rtol, atol=rtol, events=events,
            )  # fmt: skip
            if not found.success:
                raise RuntimeError(found.message)
            counts.append(int(found.nfev))
            kept.extend(found.y.T if len(found.t) else [])  # a list when the event comes first
            if found.status == 1:
                now, y, alive = float(found.t_events[0][0]), found.y_events[0][0].copy(), 0.0
                y[at.CHARGE] = 0.0
            else:
                now, y = length, found.y[:, -1].copy()
    return np.array(kept)


def apart(one: Floats, other: Floats) -> float:
    """Largest temperature difference over members and outputs [K]; infinite if one has none."""
    found = float(np.abs(one[..., TEMPERATURES] - other[..., TEMPERATURES]).max())
    return found if np.isfinite(found) else np.inf


def chosen(job: Job, which: NDArray[np.int64]) -> Job:
    """These members of a job."""
    start, p, durations, conditions, outputs = job
    return start[which], p[which], durations[which], conditions[which], outputs


def load() -> str:
    """How busy the machine is: runnable processes over the last minute, in words."""
    return f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"


def processor() -> str:
    """Name of the processor as its system tells it."""
    with contextlib.suppress(OSError), open("/proc/cpuinfo", encoding="utf-8") as lines:
        for line in lines:
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()
