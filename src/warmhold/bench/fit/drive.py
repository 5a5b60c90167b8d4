"""One log as the conditions that drive the model, and what the model says it should have read.

The hood, the heater and its control run through the right-hand side of the planner with no baby
aboard. Every row of the arrays is one trial set of values, so that all the trial sets that a
derivative or a profile needs run together.

The battery is added up afterwards: in the right-hand side its charge feeds nothing back until it
is gone, so the same loss by rate and by cold (``science.battery``) may be summed over the power
that the run gives, with an exponent and a cold effect that can be moved. A test holds this sum
against the right-hand side's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.constants import (
    X_CHARGE_H,
    X_COLD,
    X_FRONT,
    X_PORT,
    X_USABLE,
    Constant,
    constants_of,
    fixed_values,
)
from warmhold.bench.log import Log
from warmhold.model import Unit
from warmhold.science.air import SEA_LEVEL_KPA, absolute_humidity_g_m3, saturation_vapour_kpa
from warmhold.science.battery import (
    CHARGE_ACCEPTANCE,
    charging_share,
    rate_share,
    temperature_share,
)
from warmhold.simulate import layout as at
from warmhold.simulate.restart import advance_on_one
from warmhold.simulate.scenario import OPEN_STEP_S, WARM_STATE_H
from warmhold.simulate.stepping import advance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

THIN_S: Final = 55.0  # rows closer than this are thinned out: their errors are not independent
STEP_S: Final = 15.0
NEVER_EMPTY_WH: Final = 1.0e6
EDGE_S: Final = 90.0  # powers this near to a change of source or setting are not compared
NEAR_FULL: Final = 0.01  # of the charge
FEW: Final = 600  # member-rows below which starting threads costs more than it saves

Began = Literal["told by the log", "cold", "warm"]


class UnfitLog(ValueError):
    """A log that cannot drive the model, with every reason."""

    def __init__(self, name: str, reasons: Sequence[str]) -> None:
        """Name the log and say why."""
        super().__init__(f"{name}: " + "; ".join(reasons))
        self.name = name
        self.reasons = tuple(reasons)


@dataclass(frozen=True)
class Observed:
    """A log and what was known when it was taken.

    began : whether the unit had soaked at the ambient, or had stood warm, at the first row
    charge, charge_spread : how full the battery was at the first row [-]
    gave_out : whether a change from battery to off, or the end of the log on battery, is the
        battery giving out; None: a change to off is, the end of the log is not
    source : taken where the log itself never names one; "" for none
    pressure_kpa : of the air, for the films outside [kPa]
    humidity : relative humidity around the unit where the log has none [-]
    """

    log: Log
    began: Began = "told by the log"
    charge: float = 1.0
    charge_spread: float = 0.02
    gave_out: bool | None = None
    source: str = ""
    pressure_kpa: float = SEA_LEVEL_KPA
    humidity: float = 0.4


@dataclass(frozen=True)
class Sense:
    """Errors expected of one kind of reading, all standard deviations (our own choices).

    noise : from row to row
    lasting : of what the model does not follow, over some minutes
    offset : of the instrument, the same for the whole log; a share of the reading for powers
    """

    title: str
    unit: str
    noise: float
    lasting: float
    offset: float


SENSES: Final[Mapping[str, Sense]] = {
    "air_c": Sense("air by the reference thermometer", "°C", 0.05, 0.10, 0.10),
    "air_shown_c": Sense("air as the unit shows it", "°C", 0.05, 0.10, 0.30),
    "wall_c": Sense("inner wall", "°C", 0.10, 0.20, 0.50),
    "heater_percent": Sense("heater output", "%", 1.0, 2.0, 0.0),
    "supply_w": Sense("power from the socket", "W", 1.0, 2.0, 0.01),
    "battery_w": Sense("power from the battery", "W", 1.0, 2.0, 0.01),
    "battery_c": Sense("battery temperature", "°C", 0.2, 0.5, 1.0),
    "battery_divisions": Sense("charge bar", "divisions", 0.2, 0.2, 0.3),
    "gave_out": Sense("energy when the battery gave out", "%", 1.0, 0.0, 0.0),
}
AMBIENT_OFFSET_K: Final = 0.3
DRAUGHT_K: Final = 0.25  # of what the ambient thermometer does not see, coming and going
DRAUGHT_S: Final = 900.0  # apart from one to the next
MOST_DRAUGHTS: Final = 12  # in one log
_POWERS = ("heater_percent", "supply_w", "battery_w")


@dataclass(frozen=True)
class Block:
    """Readings of one channel that are compared.

    rows : place of each in the grid
    values : what was read
    step : smallest step of the readings, 0 when fine
    """

    channel: str
    rows: Ints
    minutes: Floats
    values: Floats
    step: float

    @property
    def sense(self) -> Sense:
        """Errors expected of this channel."""
        return SENSES[self.channel]


@dataclass(frozen=True)
class Piece:
    """Intervals in a row over which the unit is on, or off."""

    first: int
    last: int  # one past the end
    on: bool


@dataclass(frozen=True)
class Track:
    """One log made ready: a grid of moments, and the conditions between them.

    grid_s : (intervals + 1,) [s]
    conditions : (intervals, N_CONDITION) as read, before offsets
    opening : (intervals,) 0 closed, 1 port, 2 front
    on_battery : (intervals,) whether the battery carries the unit
    start : (N_STATE,) first guess of the state
    start_spread : state -> its standard deviation
    wanders : names of the offsets that belong to this log, with a score each
    gave_out : place in the grid where the battery gave out, or None
    changes : places in the grid where source, setting or opening changed; each lies between two
        rows, half-way but for a score of its own
    room_s : time between those two rows [s]
    """

    observed: Observed
    began: Literal["cold", "warm"]
    grid_s: Floats
    conditions: Floats
    opening: Ints
    on_battery: NDArray[np.bool_]
    pieces: tuple[Piece, ...]
    start: Floats
    start_spread: Mapping[int, float]
    blocks: tuple[Block, ...]
    gave_out: int | None
    changes: Ints
    room_s: Floats
    wanders: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name for people."""
        log = self.observed.log
        return log.name or f"log of {log.start_utc:%Y-%m-%d %H:%M}"


# --- from a log to a track -----------------------------------------------------------------------


def track_of(observed: Observed, unit: Unit, *, short: bool = False) -> Track:
    """Make a log ready to drive the model; ``short`` lets one through that is too short to fit.

    Raises ``UnfitLog`` with every reason why it cannot.
    """
    log = observed.log
    reasons, notes = _fit_to_drive(observed, short), []
    if reasons:
        raise UnfitLog(log.name or "log", reasons)
    seconds = log.seconds
    source = _carried(log.words.get("source", ()), seconds.size, observed.source)
    opening = _carried(log.words.get("opening", ()), seconds.size, "closed")
    setting = _held(log.numbers["air_set_c"])
    changed = [
        row
        for row in range(1, seconds.size)
        if source[row] != source[row - 1]
        or opening[row] != opening[row - 1]
        or abs(setting[row] - setting[row - 1]) > 1e-9
    ]
    keep = _thinned(seconds)
    keep[-1] = True
    between = 0.5 * (seconds[changed] + seconds[np.array(changed, dtype=int) - 1])
    grid = np.union1d(seconds[keep], between)
    # the row that holds from each moment of the grid on
    rows = np.searchsorted(seconds, grid, side="right") - 1
    changes = np.searchsorted(grid, between)
    rows[changes] = changed
    room = seconds[changed] - seconds[np.array(changed, dtype=int) - 1]
    if not log.words.get("opening"):
        notes.append("the log does not say what was open; the hood is taken as closed")
    widest = float(np.diff(seconds).max())
    if widest > 600.0:
        notes.append(
            f"a gap of {widest / 60.0:.0f} min; the ambient is taken as going straight across it"
        )
    c = _conditions(observed, unit, grid, setting[rows], [source[r] for r in rows])
    opened = np.array([{"port": 1, "front": 2}.get(opening[r], 0) for r in rows[:-1]])
    on = np.array([source[r] != "off" for r in rows[:-1]])
    on_battery = np.array([source[r] == "battery" for r in rows[:-1]])
    external = on & ~on_battery
    blocks = _blocks(log, keep, grid, between, on_battery)
    gave_out = _gave_out(observed, [source[r] for r in rows])
    if gave_out is not None:
        notes.append(f"the battery is taken to have given out at minute {grid[gave_out] / 60:.1f}")
        blocks = (
            *blocks,
            Block(
                "gave_out", np.array([gave_out]), grid[[gave_out]] / 60.0, np.array([0.0]), 0.0
            ),
        )  # fmt: skip
    if not blocks:
        raise UnfitLog(log.name or "log", ["nothing in it that the model could be held against"])
    began, start, spread = _start(observed, unit, c)
    draughts = int(min(MOST_DRAUGHTS, max(2, round((grid[-1] - grid[0]) / DRAUGHT_S) + 1)))
    wanders = (
        *_wanders(
            log, unit, began, blocks, bool((on_battery | external).any()), opened, len(changed)
        ),
        *(f"draught {number}" for number in range(draughts)),
    )
    return Track(
        observed, began, grid, c, opened, on_battery, _pieces(on), start, spread, blocks, gave_out,
        changes, room, wanders, tuple(notes),
    )  # fmt: skip


def _fit_to_drive(observed: Observed, short: bool) -> list[str]:
    log = observed.log
    reasons = []
    least, length = (3, 60.0) if short else (10, 300.0)
    if log.seconds.size < least or float(log.seconds[-1] - log.seconds[0]) < length:
        reasons.append("too short: 10 rows over 5 minutes are needed")
    for channel, what in (("ambient_c", "the ambient"), ("air_set_c", "the air setting")):
        if not log.has(channel):
            reasons.append(f"{what} ({channel}) was not logged")
    if not log.has("air_c") and not log.has("air_shown_c"):
        reasons.append("no air temperature was logged (air_c or air_shown_c)")
    if not log.has("source") and not observed.source:
        reasons.append("the log does not say what powered the unit (source)")
    return reasons


def _carried(words: Sequence[str], count: int, otherwise: str) -> list[str]:
    """Words carried on to the rows that say nothing."""
    given = list(words) if words else [""] * count
    now = next((word for word in given if word), otherwise) or otherwise
    out = []
    for word in given:
        now = word or now
        out.append(now)
    return out


def _held(values: Floats) -> Floats:
    """Values held on from the last reading; before the first, the first."""
    known = np.flatnonzero(np.isfinite(values))
    place = np.searchsorted(known, np.arange(values.size), side="right") - 1
    return values[known[np.maximum(place, 0)]]


def _thinned(seconds: Floats) -> NDArray[np.bool_]:
    keep = np.zeros(seconds.size, dtype=bool)
    last = -np.inf
    for row, moment in enumerate(seconds):
        if moment - last >= THIN_S:
            keep[row] = True
            last = moment
    return keep


def _conditions(
    observed: Observed, unit: Unit, grid: Floats, setting: Floats, source: Sequence[str]
) -> Floats:
    log = observed.log
    c = np.zeros((grid.size - 1, at.N_CONDITION))
    ambient = _means(log.seconds, log.numbers["ambient_c"], grid)
    c[:, at.AMBIENT] = ambient
    c[:, at.AMBIENT_VAPOUR] = absolute_humidity_g_m3(
        observed.humidity * saturation_vapour_kpa(ambient), ambient
    )
    c[:, at.PRESSURE] = observed.pressure_kpa
    c[:, at.WIND] = (
        _means(log.seconds, log.numbers["ambient_air_speed_m_s"], grid)
        if log.has("ambient_air_speed_m_s")
        else 0.1
    )
    c[:, at.AIR_SET] = setting[:-1]
    for row, word in enumerate(source[:-1]):
        if word in ("mains", "vehicle", "aircraft"):
            c[row, at.ON_EXTERNAL] = 1.0
            c[row, at.EXTERNAL_W] = getattr(unit.power, f"{word}_w").value
    return c


def _means(seconds: Floats, values: Floats, grid: Floats) -> Floats:
    """Mean over each interval of a line through the readings."""
    known = np.isfinite(values)
    fine = np.union1d(seconds, grid)
    line = np.interp(fine, seconds[known], values[known])
    area = np.concatenate(([0.0], np.cumsum(0.5 * (line[1:] + line[:-1]) * np.diff(fine))))
    return np.asarray(np.diff(np.interp(grid, fine, area)) / np.diff(grid))


def _blocks(
    log: Log,
    keep: NDArray[np.bool_],
    grid: Floats,
    edges: Floats,
    on_battery: NDArray[np.bool_],
) -> tuple[Block, ...]:
    out = []
    read = np.flatnonzero(keep)
    moments = log.seconds[read]
    place = np.searchsorted(grid, moments)
    near = (
        np.abs(moments[:, None] - edges[None, :]).min(axis=1) < EDGE_S
        if edges.size
        else np.zeros(moments.size, dtype=bool)
    )
    running = np.concatenate((on_battery[:1], on_battery))[place]
    for channel in SENSES:
        values = _battery_power(log) if channel == "battery_w" else log.numbers.get(channel)
        if values is None:
            continue
        found = values[read]
        good = np.isfinite(found)
        good[0] = False  # the first row is what the run starts from
        if channel in _POWERS:
            good &= ~near
        if channel == "supply_w":
            good &= ~running
        if channel == "battery_w":
            good &= running
        if good.any():
            step = log.steps.get(channel, 1.0 if channel == "battery_divisions" else 0.0)
            which = np.flatnonzero(good)
            out.append(
                Block(channel, place[which], moments[which] / 60.0, found[which], step)
            )  # fmt: skip
    return tuple(out)


def _battery_power(log: Log) -> Floats | None:
    if log.has("battery_w"):
        return log.numbers["battery_w"]
    if log.has("battery_v", "battery_a"):
        return log.numbers["battery_v"] * log.numbers["battery_a"]
    return None


def _gave_out(observed: Observed, source: Sequence[str]) -> int | None:
    if observed.gave_out is False:
        return None
    for row in range(1, len(source)):
        if source[row] == "off" and source[row - 1] == "battery":
            return row
    if observed.gave_out and source[-1] == "battery":
        return len(source) - 1
    return None


def _pieces(on: NDArray[np.bool_]) -> tuple[Piece, ...]:
    edges = [0, *(np.flatnonzero(np.diff(on.astype(int))) + 1).tolist(), on.size]
    return tuple(Piece(a, b, bool(on[a])) for a, b in pairwise(edges) if b > a)


def _start(
    observed: Observed, unit: Unit, c: Floats
) -> tuple[Literal["cold", "warm"], Floats, dict[int, float]]:
    """First state and how far it may be off: soaked at one temperature, or stood warm."""
    log = observed.log
    shown = log.numbers["air_c"] if log.has("air_c") else log.numbers["air_shown_c"]
    known = np.flatnonzero(np.isfinite(shown))
    air = float(shown[known[0]])
    ambient = float(c[0, at.AMBIENT])
    began: Literal["cold", "warm"] = "cold" if abs(air - ambient) < 1.5 else "warm"
    if observed.began != "told by the log":
        began = observed.began
    y = np.zeros(at.N_STATE)
    y[[at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER]] = air
    y[at.VAPOUR] = min(
        float(c[0, at.AMBIENT_VAPOUR]),
        float(absolute_humidity_g_m3(0.95 * saturation_vapour_kpa(air), air)),
    )
    y[at.SKIN], y[at.CORE] = 36.0, 37.0
    y[at.PACK] = ambient
    y[at.OXYGEN], y[at.CARBON] = 0.2095, 0.0004
    y[at.CHARGE] = NEVER_EMPTY_WH
    if began == "cold":
        return began, y, {
            at.AIR: 0.1, at.WALL: 0.5, at.OUTER: 0.5, at.DECK: 0.8, at.HEATER: 0.5, at.PACK: 1.5,
        }  # fmt: skip
    first = shown[known][(log.seconds[known] - log.seconds[known[0]]) <= 300.0]
    steady = float(np.ptp(first)) < 0.5 or observed.began == "warm"
    still = c[:1].copy()
    still[0, [at.ON_EXTERNAL, at.EXTERNAL_W, at.AIR_SET]] = 1.0, 1000.0, air
    settled = advance_on_one(
        y[None],
        fixed_values(unit)[None, : at.N_PARAM],
        np.array([[WARM_STATE_H * 3600.0]]),
        still[None],
        np.array([1]),
        np.array([STEP_S]),
        np.array([0]),
    ).last[0]
    for index in (at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.INTEGRAL, at.PACK):
        y[index] = settled[index]
    over = abs(air - ambient) * (0.15 if steady else 0.35)
    spread = {
        at.AIR: 0.1,
        at.WALL: 0.3 + over,
        at.OUTER: 0.3 + over,
        at.DECK: 0.5 + over,
        at.HEATER: 3.0 + over,
        at.INTEGRAL: 10.0 if steady else 50.0,
        at.PACK: 2.0,
    }
    return began, y, spread


_STATES = {
    at.AIR: "first air",
    at.WALL: "first wall",
    at.OUTER: "first outer wall",
    at.DECK: "first deck",
    at.HEATER: "first heater",
    at.INTEGRAL: "first integral",
    at.PACK: "first battery temperature",
}


def _wanders(
    log: Log,
    unit: Unit,
    began: str,
    blocks: Sequence[Block],
    battery: bool,
    opened: Ints,
    changes: int,
) -> tuple[str, ...]:
    """What this log alone does not know: a score for each."""
    have = {block.channel for block in blocks}
    names = ["ambient", "first air", "first wall", "first deck", "first heater"]
    if not log.has("ambient_air_speed_m_s"):
        names.append("air speed outside")
    if unit.wall == "double":
        names.append("first outer wall")
    if began == "warm":
        names.append("first integral")
    if "wall_c" in have:
        names.append("wall sensor")
    if battery or "battery_divisions" in have:
        names += ["first charge", "first battery temperature"]
    if "battery_divisions" in have:
        names.append("bar")
    if "battery_c" in have:
        names.append("battery sensor")
    if opened.any():
        names.append("opening")
    names += [f"moment of change {number}" for number in range(changes)]
    return tuple(names)


SHARED: Final = ("unit's air sensor", "reference thermometer", "socket meter", "battery meter")
OPENING_SPREAD: Final = 0.2  # of the exchange from one opening to the next, of its logarithm
WIND_SPREAD: Final = 0.5  # of the logarithm, where air speed was not measured


# --- the model under trial values ------------------------------------------------------------


@dataclass(frozen=True)
class Model:
    """A unit and its logs: from scores to what each log should have read.

    Scores stand in this order: the constants, what all logs share (``SHARED``), then each log's
    own (``Track.wanders``).
    """

    unit: Unit
    constants: tuple[Constant, ...]
    tracks: tuple[Track, ...]
    fixed: Floats

    @property
    def count(self) -> int:
        """How many scores there are."""
        return len(self.constants) + len(SHARED) + sum(len(track.wanders) for track in self.tracks)

    def begin(self) -> Floats:
        """Scores where a fit begins: nothing moved, but batteries a little less than full.

        A full battery takes no charge and a fuller one neither, so that at "full" itself no
        slope would show which way to go.
        """
        z = np.zeros(self.count)
        for number, track in enumerate(self.tracks):
            if "first charge" in track.wanders:
                z[self.own(number) + track.wanders.index("first charge")] = -0.5
        return z

    def own(self, number: int) -> int:
        """Where a log's own scores begin."""
        before = sum(len(track.wanders) for track in self.tracks[:number])
        return len(self.constants) + len(SHARED) + before

    def active(self, number: int) -> Ints:
        """Places of the scores that one log depends on."""
        first = self.own(number)
        common = np.arange(len(self.constants) + len(SHARED))
        return np.concatenate((common, np.arange(first, first + len(self.tracks[number].wanders))))

    def values(self, scores: Floats) -> Floats:
        """Vectors of values at scores (rows, count): shape (rows, N_VALUE)."""
        v = np.tile(self.fixed, (scores.shape[0], 1))
        for place, one in enumerate(self.constants):
            v[:, one.place] = one.shift + one.factor * one.at_score(scores[:, place])
        return _completed(v)

    def predict(self, number: int, scores: Floats) -> list[Floats]:
        """What a log should have read: one array (rows, readings) for each of its blocks."""
        track = self.tracks[number]
        first = self.own(number)
        shared = scores[:, len(self.constants) : len(self.constants) + len(SHARED)]
        own = {name: scores[:, first + i] for i, name in enumerate(track.wanders)}
        return readings(track, self.unit, self.values(scores), shared, own)


def model_of(unit: Unit, observed: Sequence[Observed]) -> Model:
    """Model of a unit with its logs.

    Raises ``UnfitLog`` for the first log that cannot drive it.
    """
    tracks = tuple(track_of(one, unit) for one in observed)
    return Model(unit, constants_of(unit), tracks, fixed_values(unit))


def _completed(v: Floats) -> Floats:
    """Fill in the values that follow from others."""
    v[:, at.USABLE_WH] = v[:, at.CHARGEABLE_WH] = v[:, X_USABLE]
    v[:, at.CHARGER_W] = 1.26 * v[:, X_USABLE] / v[:, X_CHARGE_H]
    return v


@dataclass(frozen=True)
class Ran:
    """Traces of trial runs at the moments of the grid, (rows, intervals + 1)."""

    air_c: Floats
    wall_c: Floats
    pack_c: Floats
    heater_w: Floats
    limit_w: Floats
    bus_w: Floats
    bus_wh: Floats
    length_s: Floats  # of each interval, (rows, intervals)


_KEPT = np.array(
    [
        at.AIR, at.WALL, at.PACK, at.N_STATE + at.F_HEATER, at.N_STATE + at.F_HEATER_LIMIT,
        at.N_STATE + at.F_BUS, at.BUS_ENERGY,
    ],
    dtype=np.int64,
)  # fmt: skip


def driven(track: Track, v: Floats, sensor_k: Floats, own: Mapping[str, Floats]) -> Ran:
    """Run trial values through a track.

    v : (rows, N_VALUE)
    sensor_k : (rows,) how much the unit's air sensor reads above the air [K]
    own : the log's own scores, each (rows,)
    """
    members = v.shape[0]
    nothing = np.zeros(members)
    y = np.tile(track.start, (members, 1))
    for index, spread in track.start_spread.items():
        y[:, index] += spread * own.get(_STATES[index], nothing)
    y[:, at.PATCH] = y[:, at.DECK]
    c = np.repeat(track.conditions[None], members, axis=0)
    c[:, :, at.AMBIENT] += AMBIENT_OFFSET_K * own.get("ambient", nothing)[:, None]
    c[:, :, at.AMBIENT] += DRAUGHT_K * _draughts(track, own, members)
    c[:, :, at.AIR_SET] -= sensor_k[:, None]
    c[:, :, at.WIND] *= np.exp(WIND_SPREAD * own.get("air speed outside", nothing))[:, None]
    wide = np.exp(OPENING_SPREAD * own.get("opening", nothing))
    for kind, place in ((1, X_PORT), (2, X_FRONT)):
        rows = track.opening == kind
        c[:, rows, at.OPENING] = (v[:, place] * wide)[:, None]
    durations = _durations(track, own, members)
    steps = np.where(track.opening > 0, 2.0 * OPEN_STEP_S, STEP_S)
    p = np.ascontiguousarray(v[:, : at.N_PARAM])
    out = np.empty((members, track.grid_s.size, _KEPT.size))
    run_it = advance_on_one if members * track.grid_s.size < FEW else advance
    for number, piece in enumerate(track.pieces):
        y[:, at.CHARGE] = NEVER_EMPTY_WH if piece.on else 0.0
        if piece.on and number > 0:
            y[:, at.INTEGRAL] = 0.0  # the control starts afresh
        part = slice(piece.first, piece.last)
        run = run_it(
            y,
            p,
            durations[:, part],
            c[:, part],
            np.ones(piece.last - piece.first, dtype=np.int64),
            steps[part],
            _KEPT,
        )
        first = 0 if number == 0 else 1
        out[:, piece.first + first : piece.last + 1] = run.trace[:, first:]
        y = run.last.copy()
    air, wall, pack, heater, limit, bus, energy = (out[:, :, i] for i in range(_KEPT.size))
    return Ran(air, wall, pack, heater, limit, bus, energy, durations)


def _draughts(track: Track, own: Mapping[str, Floats], members: int) -> Floats:
    """Straight lines between knots spread evenly over the log, (rows, intervals)."""
    knots = [own[name] for name in track.wanders if name.startswith("draught ") and name in own]
    middle = 0.5 * (track.grid_s[1:] + track.grid_s[:-1])
    if not knots:
        return np.zeros((members, middle.size))
    place = np.linspace(track.grid_s[0], track.grid_s[-1], len(knots))
    share = np.maximum(0.0, 1.0 - np.abs(middle[None] - place[:, None]) / (place[1] - place[0]))
    return np.asarray(np.stack(knots, axis=1) @ share)


def _durations(track: Track, own: Mapping[str, Floats], members: int) -> Floats:
    """Length of every interval, with each change somewhere between its two rows."""
    durations = np.tile(np.diff(track.grid_s), (members, 1))
    for number, place in enumerate(track.changes):
        score = own.get(f"moment of change {number}")
        if score is None:
            continue
        # normal scores make the moment uniform between the rows
        later = 0.98 * track.room_s[number] * (_normal_share(score) - 0.5)
        durations[:, place - 1] += later
        if place < durations.shape[1]:
            durations[:, place] -= later
    return durations


_normal_share = np.vectorize(lambda z: 0.5 * math.erfc(-z / math.sqrt(2.0)), otypes=[np.float64])


def cold_share(pack_c: Floats, lead: Floats | float, effect: Floats | float) -> Floats:
    """Share of the 25 °C energy with a moved effect of cold: 1 leaves the model's own [-]."""
    own = np.asarray(temperature_share(pack_c, lead))
    return np.maximum(0.2, 1.0 - effect * (1.0 - own))


@dataclass(frozen=True)
class Stored:
    """The battery over the grid.

    used_wh : (rows, intervals + 1) taken so far, as energy at 25 °C and rated power [Wh]
    charge_wh : (rows, intervals + 1) what is left [Wh]
    charging_w : (rows, intervals) what charging draws from the bus [W]
    """

    used_wh: Floats
    charge_wh: Floats
    charging_w: Floats


def stored(track: Track, v: Floats, ran: Ran, first_share: Floats) -> Stored:
    """Add up the battery over a run, by the right-hand side's own rules."""
    length = ran.length_s
    bus = np.diff(ran.bus_wh, axis=1) * 3600.0 / length
    pack = 0.5 * (ran.pack_c[:, 1:] + ran.pack_c[:, :-1])
    lead = v[:, [at.IS_LEAD]]
    drawn = bus / v[:, [at.BATTERY_EFFICIENCY]] * track.on_battery
    loss = (
        drawn
        * np.asarray(rate_share(drawn, v[:, [at.RATED_W]], v[:, [at.PEUKERT]]))
        / cold_share(pack, lead, v[:, [X_COLD]])
        * length
        / 3600.0
    )
    used = np.concatenate((np.zeros((v.shape[0], 1)), np.cumsum(loss, axis=1)), axis=1)
    charge = np.empty_like(used)
    charge[:, 0] = first_share * v[:, X_USABLE]
    external = track.conditions[:, at.ON_EXTERNAL] > 0.5
    spare = (
        v[:, [at.SUPPLY_EFFICIENCY]] * track.conditions[:, at.EXTERNAL_W] - bus
    ) * CHARGE_ACCEPTANCE
    charging = np.zeros_like(loss)
    for i in range(loss.shape[1]):
        charge[:, i + 1] = charge[:, i] - loss[:, i]
        if external[i]:
            held = _below_full(charge[:, i] / v[:, X_USABLE])
            share = np.asarray(charging_share(held, pack[:, i], v[:, at.IS_LEAD]))
            taken = np.minimum(np.maximum(spare[:, i], 0.0), v[:, at.CHARGER_W] * share)
            charge[:, i + 1] += taken * length[:, i] / 3600.0
            charging[:, i] = taken / CHARGE_ACCEPTANCE
    return Stored(used, charge, charging)


def _below_full(share: Floats) -> Floats:
    """Share of charge, kept between 0 and 1, rounded off within 1 % of full.

    At a sharp end a battery that is a little more than full would show no slope, and no fit could
    find its way back.
    """
    lacking = 1.0 - share
    round_off = (lacking + NEAR_FULL) ** 2 / (4.0 * NEAR_FULL)
    lacking = np.where(lacking < -NEAR_FULL, 0.0, np.where(lacking < NEAR_FULL, round_off, lacking))
    return np.clip(1.0 - lacking, 0.0, 1.0)


def readings(
    track: Track, unit: Unit, v: Floats, shared: Floats, own: Mapping[str, Floats]
) -> list[Floats]:
    """What each block of a track should have read, (rows, readings) each."""
    nothing = np.zeros(v.shape[0])
    sensor = SENSES["air_shown_c"].offset * shared[:, 0]
    ran = driven(track, v, sensor, own)
    wants = {block.channel for block in track.blocks}
    first_share = track.observed.charge + track.observed.charge_spread * own.get(
        "first charge", nothing
    )
    battery: Stored | None = None
    if wants & {"supply_w", "battery_divisions", "gave_out"}:
        battery = stored(track, v, ran, np.clip(first_share, 0.02, 1.05))
    out = []
    for block in track.blocks:
        rows = block.rows
        if block.channel == "air_c":
            found = ran.air_c[:, rows] + (SENSES["air_c"].offset * shared[:, 1])[:, None]
        elif block.channel == "air_shown_c":
            found = ran.air_c[:, rows] + sensor[:, None]
        elif block.channel == "wall_c":
            offset = block.sense.offset * own["wall sensor"]
            found = ran.wall_c[:, rows] + offset[:, None]
        elif block.channel == "heater_percent":
            limit = np.maximum(ran.limit_w[:, rows], 1.0)
            found = np.clip(100.0 * ran.heater_w[:, rows] / limit, 0.0, 100.0)
        elif block.channel == "supply_w":
            assert battery is not None
            charging = battery.charging_w[:, np.maximum(rows - 1, 0)]
            meter = np.exp(block.sense.offset * shared[:, 2])[:, None]
            found = meter * (ran.bus_w[:, rows] + charging) / v[:, [at.SUPPLY_EFFICIENCY]]
        elif block.channel == "battery_w":
            meter = np.exp(block.sense.offset * shared[:, 3])[:, None]
            found = meter * ran.bus_w[:, rows] / v[:, [at.BATTERY_EFFICIENCY]]
        elif block.channel == "battery_c":
            offset = block.sense.offset * own["battery sensor"]
            found = ran.pack_c[:, rows] + offset[:, None]
        elif block.channel == "battery_divisions":
            assert battery is not None
            share = np.clip(battery.charge_wh[:, rows] / v[:, [X_USABLE]], 0.0, 1.0)
            found = share * unit.battery.bar_divisions
            found = found + (block.sense.offset * own["bar"])[:, None]
        else:  # the battery gave out: what was taken over what was there, in per cent
            assert battery is not None
            there = np.clip(first_share, 0.02, 1.05) * v[:, X_USABLE]
            found = 100.0 * np.log(np.maximum(battery.used_wh[:, rows], 1e-3) / there[:, None])
        out.append(found)
    return out
