"""Logs of a unit with hidden numbers, made by another's integrator.

What a log shows is the hidden unit's truth with draughts that no thermometer sees, offsets of
every instrument, noise from row to row, displays rounded to their step, and gaps. The equations
are the model's (``rates``); the integration over time, the changing ambient, the end of the
battery and all errors of reading are not the fit's own: SciPy's LSODA follows an ambient that
changes from moment to moment.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from warmhold.bench.fit import constants as k
from warmhold.bench.log import Log
from warmhold.model import Unit, shipped_path
from warmhold.science.air import SEA_LEVEL_KPA, absolute_humidity_g_m3, saturation_vapour_kpa
from warmhold.science.battery import temperature_share
from warmhold.simulate import layout as at
from warmhold.simulate.compiled import machine_code
from warmhold.simulate.equations import rates

Floats = NDArray[np.float64]
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def _slope(t, y, p, c, alive, when, ambient, cold):  # type: ignore[no-untyped-def]
    now = c.copy()
    now[at.AMBIENT] = np.interp(t, when, ambient)
    dy = np.empty(at.N_STATE)
    flow = np.empty(at.N_FLOW)
    rates(y, p, now, alive, dy, flow)
    if c[at.ON_EXTERNAL] < 0.5:  # a cold effect other than the model's
        own = temperature_share(y[at.PACK], p[at.IS_LEAD])
        dy[at.CHARGE] *= own / max(0.2, 1.0 - cold * (1.0 - own))
    return dy


_compiled = machine_code(_slope)


def _flow(y, p, c, alive):  # type: ignore[no-untyped-def]
    dy = np.empty(at.N_STATE)
    flow = np.empty(at.N_FLOW)
    rates(y, p, c, alive, dy, flow)
    return flow, dy


_compiled_flow = machine_code(_flow)


@dataclass(frozen=True)
class Part:
    """A stretch of a bench test.

    minutes : how long; on battery it ends sooner if the battery gives out
    """

    minutes: float
    source: str = "mains"
    air_set_c: float = 36.0
    opening: str = "closed"


@dataclass(frozen=True)
class Test:
    """A bench test as done: where, from what, through which parts."""

    name: str
    ambient_c: float
    parts: tuple[Part, ...]
    warm_c: float | None = None  # had stood at this air for hours; else soaked at the ambient
    charge: float = 1.0


@dataclass(frozen=True)
class Instruments:
    """Errors of reading, all standard deviations; 0 for a perfect one."""

    noise: float = 1.0  # times those below
    draught_k: float = 0.25
    offset: float = 1.0
    step: bool = True
    gap_share: float = 0.04
    channels: tuple[str, ...] = (
        "air_c", "air_shown_c", "wall_c", "heater_percent", "supply_w", "battery_w",
    )  # fmt: skip


NOISE: Mapping[str, float] = {
    "air_c": 0.05, "air_shown_c": 0.05, "wall_c": 0.1, "heater_percent": 1.0, "supply_w": 1.0,
    "battery_w": 1.0, "ambient_c": 0.1,
}  # fmt: skip
STEPS: Mapping[str, float] = {
    "air_c": 0.1, "air_shown_c": 0.1, "wall_c": 0.1, "heater_percent": 1.0, "supply_w": 1.0,
    "battery_w": 0.1, "ambient_c": 0.1, "air_set_c": 0.1,
}  # fmt: skip

COLD_START = Test("cold start", 20.0, (Part(75.0), Part(25.0, air_set_c=34.0)))
RUN_DOWN = Test("run-down", 14.0, (Part(600.0, "battery", 36.0), Part(8.0, "off")), warm_c=36.0)
STEP_AND_PORT = Test(
    "step and port", 23.0,
    (Part(20.0, air_set_c=33.0), Part(30.0, air_set_c=37.0), Part(2.0, air_set_c=37.0,
     opening="port"), Part(25.0, air_set_c=37.0), Part(25.0, "off")),
    warm_c=33.0,
)  # fmt: skip
HELD_OUT = Test(  # another room, other settings
    "kept back", 8.0,
    (Part(60.0, air_set_c=35.0), Part(12.0, "battery", 35.0), Part(20.0, air_set_c=37.0)),
)  # fmt: skip
USUAL = (COLD_START, RUN_DOWN, STEP_AND_PORT)


def hidden_values(
    unit: Unit, rng: np.random.Generator, wider: float = 1.0
) -> tuple[Floats, dict[str, float]]:
    """Hidden numbers of a unit drawn around its profile: vector of values, and each by its key."""
    v = k.fixed_values(unit)
    truth = {}
    for one in k.constants_of(unit):
        value = float(one.at_score(wider * rng.standard_normal()))
        truth[one.key] = value
        v[one.place] = one.shift + one.factor * value
    v[at.USABLE_WH] = v[at.CHARGEABLE_WH] = v[k.X_USABLE]
    v[at.CHARGER_W] = 1.26 * v[k.X_USABLE] / v[k.X_CHARGE_H]
    return v, truth


def shipped_unit(name: str) -> Unit:
    """A unit that ships with warmhold."""
    return Unit.model_validate(tomllib.loads(shipped_path("units", name).read_text("utf-8")))


def score_of(one: k.Constant, value: float) -> float:
    """Score at which a constant has this value."""
    if one.kind == "share":
        return (value - one.value) / one.spread
    width = one.width
    return float((np.log(value / one.value) + 0.5 * width * width) / width)


def _wander(
    rng: np.random.Generator, seconds: Floats, deviation: float, lasting_s: float
) -> Floats:
    out = np.empty(seconds.size)
    out[0] = deviation * rng.standard_normal()
    for i in range(1, seconds.size):
        kept = np.exp(-(seconds[i] - seconds[i - 1]) / lasting_s)
        out[i] = out[i - 1] * kept + deviation * np.sqrt(1 - kept**2) * rng.standard_normal()
    return out


def _base(
    unit: Unit, v: Floats, part: Part, ambient: float, sensor_k: float, wind: float
) -> Floats:
    c = np.zeros(at.N_CONDITION)
    c[at.AMBIENT] = ambient
    c[at.AMBIENT_VAPOUR] = absolute_humidity_g_m3(0.45 * saturation_vapour_kpa(ambient), ambient)
    c[at.PRESSURE] = SEA_LEVEL_KPA
    c[at.WIND] = wind
    c[at.AIR_SET] = part.air_set_c - sensor_k
    if part.source in ("mains", "vehicle", "aircraft"):
        c[at.ON_EXTERNAL] = 1.0
        c[at.EXTERNAL_W] = getattr(unit.power, f"{part.source}_w").value
    if part.opening != "closed":
        c[at.OPENING] = v[k.X_PORT if part.opening == "port" else k.X_FRONT]
    return c


def shared_offsets(rng: np.random.Generator, instruments: Instruments) -> dict[str, float]:
    """Offsets of the instruments that all tests of one unit share."""
    size = instruments.offset
    return {
        "unit": 0.3 * size * rng.standard_normal(),
        "reference": 0.1 * size * rng.standard_normal(),
        "socket": float(np.exp(0.01 * size * rng.standard_normal())),
        "battery": float(np.exp(0.01 * size * rng.standard_normal())),
    }


def simulated(
    unit: Unit,
    v: Floats,
    test: Test,
    rng: np.random.Generator,
    instruments: Instruments,
    offsets: Mapping[str, float],
    every_s: float = 60.0,
    start: datetime = START,
) -> Log:
    """Do a test on the hidden unit and write its log."""
    p = v[: at.N_PARAM].copy()
    total_s = 60.0 * sum(part.minutes for part in test.parts)
    fine = np.arange(-300.0, total_s + 600.0, 30.0)
    slow = 0.4 * np.sin(2 * np.pi * (fine / 3600.0 / 1.7 + rng.random()))
    room = test.ambient_c + slow
    felt = room + _wander(rng, fine, instruments.draught_k, 600.0)  # draughts, seen by no one
    wind = float(0.1 * np.exp(0.4 * instruments.offset * rng.standard_normal()))
    y = np.zeros(at.N_STATE)
    first = test.ambient_c if test.warm_c is None else test.warm_c
    soaked = float(np.interp(0.0, fine, room))
    y[[at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.PACK]] = soaked
    y[at.SKIN], y[at.CORE] = 36.0, 37.0
    y[at.OXYGEN], y[at.CARBON] = 0.2095, 0.0004
    base = _base(unit, v, Part(0.0), soaked, 0.0, wind)
    y[at.VAPOUR] = base[at.AMBIENT_VAPOUR]
    if test.warm_c is not None:
        c = _base(unit, v, Part(0.0, air_set_c=first), soaked, offsets["unit"], wind)
        y[at.CHARGE] = v[k.X_USABLE]
        flat = np.array([soaked, soaked])
        y = solve_ivp(
            _compiled, (0.0, 4 * 3600.0), y, method="LSODA", rtol=1e-7, atol=1e-7,
            args=(p, c, 1.0, np.array([0.0, 1e6]), flat, v[k.X_COLD]),
        ).y[:, -1]  # fmt: skip
        y[at.DECK] += instruments.offset * rng.standard_normal()  # not quite settled
    y[at.CHARGE] = (
        v[k.X_USABLE] * test.charge * (1 + 0.01 * instruments.offset * rng.standard_normal())
    )
    times, states, flows, words = [], [], [], []
    clock = 0.0
    for number, part in enumerate(test.parts):
        off = part.source == "off"
        if off:
            y[at.CHARGE] = 0.0
        alive = 0.0 if off else 1.0
        c = _base(unit, v, part, test.ambient_c, offsets["unit"], wind)
        c[at.OPENING] *= np.exp(0.2 * instruments.offset * rng.standard_normal())
        end = clock + 60.0 * part.minutes
        if number < len(test.parts) - 1:
            end += every_s * rng.uniform(-0.5, 0.5)  # hands do not keep to the logger's rows
        rows = np.arange(np.ceil(clock / every_s - 1e-9) * every_s, end - 1e-6, every_s)
        if number == len(test.parts) - 1:
            rows = np.append(rows, end)

        def empty(_t, state, *_rest):  # type: ignore[no-untyped-def]
            return state[at.CHARGE]

        empty.terminal, empty.direction = True, -1.0  # type: ignore[attr-defined]
        found = solve_ivp(
            _compiled, (clock, end), y, method="LSODA", rtol=1e-6, atol=1e-6, max_step=120.0,
            t_eval=np.append(rows, end) if rows.size and rows[-1] < end else rows,
            args=(p, c, alive, fine, felt, v[k.X_COLD]),
            events=empty if part.source == "battery" else None,
        )  # fmt: skip
        assert found.success, found.message
        ended = end
        if found.status == 1:
            ended = float(found.t_events[0][0])
        for t, state in zip(found.t, found.y.T, strict=True):
            if t > rows[-1] + 1e-6 or t > ended:
                continue
            now = c.copy()
            now[at.AMBIENT] = np.interp(t, fine, felt)
            flow, rate = _compiled_flow(state, p, now, alive)
            times.append(t)
            states.append(state.copy())
            charging = max(rate[at.CHARGE], 0.0) * 3600.0 / 0.87 if c[at.ON_EXTERNAL] > 0.5 else 0.0
            flows.append(np.append(flow, charging))
            words.append((part.source, part.opening, part.air_set_c))
        y = found.y_events[0][0].copy() if found.status == 1 else found.y[:, -1].copy()
        clock = ended  # what follows begins when the battery gave out
    return _written(unit, test, v, rng, instruments, offsets, np.array(times), np.array(states),
                    np.array(flows), words, (fine, room), start)  # fmt: skip


def _written(
    unit: Unit, test: Test, v: Floats, rng: np.random.Generator, instruments: Instruments,
    offsets: Mapping[str, float], times: Floats, states: Floats, flows: Floats,
    words: Sequence[tuple[str, str, float]], room: tuple[Floats, Floats], start: datetime,
) -> Log:  # fmt: skip
    size = instruments.offset
    on = np.array([w[0] != "off" for w in words])
    external = np.array([w[0] in ("mains", "vehicle", "aircraft") for w in words])
    battery = np.array([w[0] == "battery" for w in words])
    bus = flows[:, at.F_BUS]
    limit = np.maximum(flows[:, at.F_HEATER_LIMIT], 1.0)
    true = {
        "air_c": states[:, at.AIR] + offsets["reference"],
        "air_shown_c": np.where(on, states[:, at.AIR] + offsets["unit"], np.nan),
        "wall_c": states[:, at.WALL] + 0.5 * size * rng.standard_normal(),
        "heater_percent": np.where(on, 100 * flows[:, at.F_HEATER] / limit, np.nan),
        "supply_w": np.where(
            external, offsets["socket"] * (bus + flows[:, -1]) / v[at.SUPPLY_EFFICIENCY], np.nan
        ),
        "battery_w": np.where(battery, offsets["battery"] * bus / v[at.BATTERY_EFFICIENCY], np.nan),
    }
    true = {name: true[name] for name in instruments.channels}
    true["ambient_c"] = np.interp(times, *room) + 0.3 * size * rng.standard_normal()
    numbers = {}
    for name, values in true.items():
        noise = NOISE[name] * instruments.noise
        read = values + noise * rng.standard_normal(values.size)
        if name == "air_c":
            read = read + _wander(rng, times, 0.05 * instruments.noise, 400.0)  # stirring
        if name == "heater_percent":
            read = np.clip(read, 0.0, 100.0)
        if instruments.step:
            read = np.round(read / STEPS[name]) * STEPS[name]
        if name != "ambient_c":
            read = np.where(rng.random(read.size) < instruments.gap_share, np.nan, read)
        numbers[name] = read
    numbers["air_set_c"] = np.array([w[2] for w in words])
    keep = np.ones(times.size, dtype=bool)
    if instruments.gap_share > 0.0 and times.size > 40:  # and rows lost in one piece
        lost = int(rng.integers(10, times.size - 20))
        change = [i for i in range(1, len(words)) if words[i] != words[i - 1]]
        if all(not lost - 2 <= i <= lost + 8 for i in change):
            keep[lost : lost + 6] = False
    times = np.round(times[keep])
    return Log(
        unit=unit.name,
        start_utc=start,
        seconds=times - times[0],
        numbers={name: values[keep] for name, values in numbers.items()},
        words={
            "source": tuple(w[0] for w, one in zip(words, keep, strict=True) if one),
            "opening": tuple(w[1] for w, one in zip(words, keep, strict=True) if one),
        },
        steps=dict(STEPS) if instruments.step else {},
        fingerprint=hashlib.sha256(f"{test.name} {start} {v[:9]}".encode()).hexdigest(),
        name=f"{test.name.replace(' ', '-')}.csv",
    )


def series(start: datetime, days: int) -> datetime:
    """A later date."""
    return start + timedelta(days=days)
