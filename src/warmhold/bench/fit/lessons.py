"""What matters to a plan, and which half hour on the bench would tell most about it.

A test that has not been done can be judged beforehand: the model says how much its readings would
move with each number, and so how much narrower everything would be. Only the straight-line part of
the model is used, around the present fit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.drive import (
    SENSES,
    SHARED,
    Began,
    Model,
    Observed,
    Track,
    driven,
    stored,
    track_of,
)
from warmhold.bench.fit.errors import Scale, expected_scales, whitener
from warmhold.bench.fit.estimate import NUDGE, Estimate, _pieces
from warmhold.bench.log import Log
from warmhold.model import Unit

Floats = NDArray[np.float64]

# The situation that the trade speaks of when it speaks of a unit's own battery (common practice).
PLAN_AMBIENT_C: Final = 15.0
PLAN_AIR_C: Final = 36.0
TEST_MIN: Final = 30
LONGEST_MIN: Final = 360
COLD_ROOM_C: Final = 8.0


@dataclass(frozen=True)
class Matter:
    """A figure that plans rest on, with what is known of it.

    short : its title in two words
    value, low, high : 90 % interval by the present fit
    profile : the same by the profile alone
    spread : standard deviation of its logarithm
    before : the same by the profile alone
    slope : change of the logarithm per score, (constants,)
    """

    key: str
    short: str
    title: str
    unit: str
    value: float
    low: float
    high: float
    profile: tuple[float, float, float]
    spread: float
    before: float
    slope: Floats


@dataclass(frozen=True)
class Lesson:
    """One test that could be done next.

    spreads : the spread each ``Matter`` would have after it, in the same order
    worth : sum over matters of the logarithm of the fall in spread
    """

    key: str
    title: str
    how: str
    minutes: int
    spreads: tuple[float, ...]
    worth: float


@dataclass(frozen=True)
class _Plan:
    key: str
    title: str
    how: str
    ambient_c: float
    parts: tuple[tuple[int, str, float, str], ...]  # minutes, source, setting, opening
    warm_c: float | None
    ends: bool = False


def made_up(
    unit: Unit,
    ambient_c: float,
    parts: Sequence[tuple[int, str, float, str]],
    warm_c: float | None,
    channels: Sequence[str],
    gave_out: bool | None = False,
) -> Track:
    """A track of a test that was not done, one row a minute; its readings mean nothing."""
    rows: list[tuple[str, float, str]] = []
    for minutes, source, setting, opening in parts:
        rows += [(source, setting, opening)] * minutes
    rows.append(rows[-1])
    n = len(rows)
    air = ambient_c if warm_c is None else warm_c
    numbers = {name: np.full(n, 1.0) for name in channels if name != "gave_out"}
    numbers |= {
        "air_c": np.full(n, air),
        "ambient_c": np.full(n, ambient_c),
        "air_set_c": np.array([row[1] for row in rows]),
    }
    log = Log(
        unit.name,
        datetime(2000, 1, 1, tzinfo=UTC),
        60.0 * np.arange(n, dtype=np.float64),
        numbers,
        {"source": tuple(r[0] for r in rows), "opening": tuple(r[2] for r in rows)},
        {"air_c": 0.1, "air_shown_c": 0.1, "wall_c": 0.1, "heater_percent": 1.0},
    )
    began: Began = "cold" if warm_c is None else "warm"
    return track_of(Observed(log, began, gave_out=gave_out), unit, short=True)


def matters(found: Estimate) -> tuple[Matter, ...]:
    """The figures that plans rest on, by the profile and by the fit."""
    model = found.model
    unit = model.unit
    up = made_up(
        unit, PLAN_AMBIENT_C, ((60, "mains", PLAN_AIR_C, "closed"),), None, ("air_c",)
    )  # fmt: skip
    away = made_up(
        unit, PLAN_AMBIENT_C, ((LONGEST_MIN, "battery", PLAN_AIR_C, "closed"),), PLAN_AIR_C,
        ("air_c",),
    )  # fmt: skip
    nothing: Mapping[str, Floats] = {}

    def warm_up(v: Floats) -> Floats:
        ran = driven(up, v, np.zeros(v.shape[0]), nothing)
        return np.array([_reached(up.grid_s / 60.0, row, PLAN_AIR_C - 1.0) for row in ran.air_c])

    def carried(v: Floats) -> Floats:
        ran = driven(away, v, np.zeros(v.shape[0]), nothing)
        held = stored(away, v, ran, np.ones(v.shape[0]))
        minutes = away.grid_s / 60.0
        return np.array(
            [
                _reached(minutes, used, full)
                for used, full in zip(held.used_wh, held.charge_wh[:, 0], strict=True)
            ]
        )

    where = f"from {PLAN_AMBIENT_C:g} °C around the unit, air set to {PLAN_AIR_C:g} °C"
    return (
        _matter(
            found,
            "warm-up",
            "warm-up",
            f"warm-up on mains to within 1 K of the setting, {where}",
            warm_up,
        ),
        _matter(
            found, "battery", "time on battery", f"time on a full battery in {where[5:]}", carried
        ),
    )


def _reached(minutes: Floats, values: Floats, level: float) -> float:
    """First time at which values reach a level; straight on at the last mean rate if they do not.

    A value that never nears its level gets a time beyond the track, so that slopes stay finite.
    """
    over = np.flatnonzero(values >= level)
    if over.size and over[0] > 0:
        i = int(over[0])
        share = (level - values[i - 1]) / (values[i] - values[i - 1])
        return float(minutes[i - 1] + share * (minutes[i] - minutes[i - 1]))
    if over.size:
        return float(minutes[0]) + 1e-3
    rate = max(float(values[-1] - values[0]) / float(minutes[-1] - minutes[0]), 1e-6)
    return float(minutes[-1] + (level - values[-1]) / rate)


def _matter(
    found: Estimate, key: str, short: str, title: str, of: Callable[[Floats], Floats]
) -> Matter:
    model = found.model
    n = len(model.constants)

    def slopes(z: Floats) -> tuple[float, Floats]:
        rows = np.tile(z, (2 * n + 1, 1))
        rows[np.arange(1, n + 1), np.arange(n)] += NUDGE
        rows[np.arange(n + 1, 2 * n + 1), np.arange(n)] -= NUDGE
        size = np.log(of(model.values(rows)))
        return float(np.exp(size[0])), (size[1 : n + 1] - size[n + 1 :]) / (2.0 * NUDGE)

    old, first = slopes(np.zeros_like(found.scores))
    value, slope = slopes(found.scores)
    spread = float(np.sqrt(slope @ found.covariance[:n, :n] @ slope))
    before = float(np.sqrt(first @ first))
    wide, wider = float(np.exp(1.645 * spread)), float(np.exp(1.645 * before))
    return Matter(
        key, short, title, "min", value, value / wide, value * wide,
        (old, old / wider, old * wider), spread, before, slope,
    )  # fmt: skip


def lessons(found: Estimate, about: Sequence[Matter]) -> tuple[Lesson, ...]:
    """Judge the tests that could be done next, the most telling first."""
    model = found.model
    unit = model.unit
    channels = _channels(found)
    room = float(
        np.median([np.median(t.conditions[:, 0]) for t in model.tracks])
    )  # column 0: ambient
    room = min(max(room, 15.0), 26.0)
    carried = next(one.value for one in about if one.key == "battery")
    out = []
    scales = {**expected_scales(tuple(SENSES)), **found.scales}
    for plan in _plans(unit, room, carried):
        track = made_up(
            unit, plan.ambient_c, plan.parts, plan.warm_c, channels, None if plan.ends else False
        )
        covariance = _after(found, track, scales)
        spreads = tuple(float(np.sqrt(one.slope @ covariance @ one.slope)) for one in about)
        worth = sum(
            float(np.log(one.spread / spread)) for one, spread in zip(about, spreads, strict=True)
        )
        minutes = sum(part[0] for part in plan.parts if part[1] != "off" or not plan.ends)
        out.append(Lesson(plan.key, plan.title, plan.how, minutes, spreads, worth))
    return tuple(sorted(out, key=lambda one: -one.worth))


def _channels(found: Estimate) -> tuple[str, ...]:
    """Channels of which the logs at hand had any: the next log will have them too."""
    have = {block.channel for row in found.blocks for block in row}
    return tuple(sorted(have | {"air_c"}))


def _plans(unit: Unit, room: float, carried_min: float) -> tuple[_Plan, ...]:
    top = min(PLAN_AIR_C, unit.limits.air_set_c.highest)
    low = max(top - 4.0, unit.limits.air_set_c.lowest)
    here = f"in a room of about {room:.0f} °C"
    stood = f"Let the unit stand for hours at {top:.0f} °C on mains {here}"
    cold = f"Let the unit stand switched off {here} until everything has its temperature"
    out = [
        _Plan(
            "cold-mains", "Cold start on mains", f"{cold}; switch on, air set to {top:.0f} °C.",
            room, ((TEST_MIN, "mains", top, "closed"),), None,
        ),
        _Plan(
            "cold-battery", "Cold start on the battery",
            f"{cold}, battery full; switch on without mains, air set to {top:.0f} °C.",
            room, ((min(TEST_MIN, max(5, int(carried_min * 0.8))), "battery", top, "closed"),),
            None,
        ),
        _Plan(
            "warm-battery", "Half an hour on the battery, warm",
            f"{stood}, battery full; pull the plug and plug in again before it gives out.",
            room, ((min(TEST_MIN, max(5, int(carried_min * 0.8))), "battery", top, "closed"),),
            top,
        ),
        _Plan(
            "step", "Step of the setting",
            f"Let the unit stand for hours at {low:.0f} °C on mains {here}; set {top:.0f} °C.",
            room, ((2, "mains", low, "closed"), (28, "mains", top, "closed")), low,
        ),
        _Plan(
            "port", "Port open for two minutes",
            f"{stood}; open one port for two minutes, close it, go on for 26 minutes.",
            room,
            ((2, "mains", top, "closed"), (2, "mains", top, "port"), (26, "mains", top, "closed")),
            top,
        ),
        _Plan(
            "front", "Front open for two minutes",
            f"{stood}; open the front for two minutes, close it, go on for 26 minutes.",
            room,
            ((2, "mains", top, "closed"), (2, "mains", top, "front"),
             (26, "mains", top, "closed")),
            top,
        ),
        _Plan(
            "cold-room", "Cold start in a cold room",
            f"As a cold start on mains, in a room of about {COLD_ROOM_C:.0f} °C.",
            COLD_ROOM_C, ((TEST_MIN, "mains", top, "closed"),), None,
        ),
        _Plan(
            "switched-off", "Cooling, switched off",
            f"{stood}; switch off, leave the hood closed and go on reading the thermometers.",
            room, ((1, "mains", top, "closed"), (29, "off", top, "closed")), top,
        ),
    ]  # fmt: skip
    if carried_min <= 1.5 * TEST_MIN:
        length = max(5, round(carried_min))
        out.append(
            _Plan(
                "run-down", "Run-down to the end",
                f"{stood}, battery full; pull the plug and go on reading until the unit falls "
                f"silent, about {length} minutes.",
                room, ((length, "battery", top, "closed"), (1, "off", top, "closed")), top,
                ends=True,
            )
        )  # fmt: skip
    return tuple(out)


def _after(found: Estimate, track: Track, scales: Mapping[str, Scale]) -> Floats:
    """Covariance of the constants' scores after one more log."""
    model = found.model
    common = len(model.constants) + len(SHARED)
    one = Model(model.unit, model.constants, (track,), model.fixed)
    z = np.zeros(one.count)
    z[:common] = found.scores[:common]
    a = np.eye(one.count)
    a[:common, :common] = np.linalg.inv(found.covariance[:common, :common])
    for piece in _pieces(one, z, central=True)[0]:
        white, _ = whitener(piece.block, scales[piece.block.channel])
        j = white @ piece.slope
        a[np.ix_(piece.active, piece.active)] += j.T @ j
    n = len(model.constants)
    return np.asarray(np.linalg.inv(a)[:n, :n])
