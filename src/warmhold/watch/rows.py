"""Rows of babies under way: the ensemble, and beside it the rows of faults on trial.

A row is a state, its own constants, its own conditions in each stage of the trip, and what the
coupled model has no place for: sensor offsets, cylinders, faults. Stage 0 is the loading, stage
n + 1 is leg n. Rows are moved on together in one call, so that a fault on trial costs no more
than one more member.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, Cylinder
from warmhold.model.physiology import Varied, physiology
from warmhold.science.air import saturation_vapour_kpa, vapour_pressure_kpa
from warmhold.science.analyser import reading_percent
from warmhold.science.blend import air_flow_lpm, oxygen_flow_lpm
from warmhold.science.gas import content_l
from warmhold.simulate import layout as at
from warmhold.simulate.equations import rates
from warmhold.simulate.readouts import AXILLA_BELOW_CORE_K
from warmhold.simulate.restart import go_on, state_at_loading
from warmhold.simulate.scenario import COARSE_STEP_S, Ensemble, prepare
from warmhold.watch import faults
from warmhold.watch.quantities import (
    FLOW_SPREAD,
    FLOW_STEP_LPM,
    GAUGE,
    GAUGE_TEMPERATURE_SHARE,
    OFFSETS,
    reading,
)

Floats = NDArray[np.float64]

OPEN_STEP_S = 5.0  # while something is open; gas is exchanged within half a minute
PIECE_S = 60.0  # skin control follows the probe's reading, so time moves in pieces of this
EMPTY = np.empty(0)
PRIOR_REACH = 3.0  # constants stay within this many standard deviations of what was known before
TABLE_BAR = np.concatenate([np.arange(0.0, 20.0, 1.0), np.arange(20.0, 351.0, 5.0)])

Y_LEARNT = (
    at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.VAPOUR, at.SKIN, at.CORE,
    at.INTEGRAL, at.SKIN_INTEGRAL, at.CHARGE, at.PACK, at.OXYGEN, at.CARBON,
)  # fmt: skip
P_LEARNT = (
    at.G_AIR_WALL, at.G_AIR_DECK, at.G_DECK_AMBIENT, at.G_HEATER_AIR, at.FRESH, at.C_AIR, at.C_WALL,
    at.C_DECK, at.HEATER_W, at.HEATER_BATTERY_W, at.ELECTRONICS_W, at.BATTERY_EFFICIENCY, at.REST,
    at.DRY_LOSS, at.VESSELS_CLOSED, at.SKIN_VAPOUR, at.CHARGEABLE_WH,
)  # fmt: skip
FOLLOWS = {
    at.VESSELS_CLOSED: (at.VESSELS_OPEN,),
    at.CHARGEABLE_WH: (at.USABLE_WH, at.RATED_W, at.CHARGER_W),
}
_HOOD_Y = (
    at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.VAPOUR, at.INTEGRAL,
    at.SKIN_INTEGRAL,
)  # fmt: skip
_HOOD_P = (
    at.G_AIR_WALL, at.G_AIR_DECK, at.G_DECK_AMBIENT, at.G_HEATER_AIR, at.FRESH, at.C_AIR,
    at.C_WALL, at.C_DECK, at.HEATER_W, at.HEATER_BATTERY_W,
)  # fmt: skip
_BABY_P = (at.REST, at.DRY_LOSS, at.VESSELS_CLOSED, at.SKIN_VAPOUR)

# which states and constants learn from which kind of reading; other correlations are chance
_LEARNS_Y: dict[str, tuple[int, ...]] = {
    "baby": (*_HOOD_Y, at.SKIN, at.CORE),
    "air": (*_HOOD_Y, at.SKIN, at.CORE),
    "humidity": (at.VAPOUR, at.AIR, at.WALL),
    "oxygen": (at.OXYGEN, at.CARBON),
    "battery": (at.CHARGE, at.PACK),
    "gauge": (),
}
_LEARNS_P: dict[str, tuple[int, ...]] = {
    "baby": _BABY_P,
    "air": (*_HOOD_P, *_BABY_P),
    "humidity": (at.FRESH, at.SKIN_VAPOUR),
    "oxygen": (at.FRESH,),
    "battery": (at.CHARGEABLE_WH, at.ELECTRONICS_W, at.BATTERY_EFFICIENCY),
    "gauge": (),
}
_LEARNS_E: dict[str, tuple[str, ...]] = {
    "baby": ("skin", "axillary", "rectal", "shift", "probe-air", "probe-shift", "loss"),
    "air": ("air", "leak", "heater", "loss"),
    "humidity": ("humidity", "leak", "loss"),
    "oxygen": ("oxygen", "leak", "drift", "drifted"),
    "battery": ("battery",),
    "gauge": (),
}


@dataclass
class Rows:
    """Arrays of all rows; the first ``members`` are the ensemble.

    y : (rows, N_STATE) states
    p : (rows, N_PARAM) constants
    e : (rows, extras) offsets, cylinders, faults, see ``columns``
    conditions : (rows, stages, N_CONDITION)
    edges_s : (rows, stages + 1) when each stage begins, from the baby going in; last is infinity
    planned_s : (rows, stages) how long each stage was planned to last
    lpm : gas to (rows, stages) taken from cylinders, by the flow meter
    need : (rows, stages) oxygen fraction given
    flow : (rows, N_FLOW) flows at the last moment
    """

    case: Case
    members: int
    columns: dict[str, int]
    y: Floats
    p: Floats
    e: Floats
    conditions: Floats
    edges_s: Floats
    planned_s: Floats
    lpm: dict[str, Floats]
    need: Floats
    flow: Floats
    now_s: float = 0.0
    opened: str = ""  # "", port or front, as logged
    loading: bool = True
    source: dict[str, float] = field(default_factory=dict)  # as logged, until the next leg
    in_use: dict[str, int] = field(default_factory=dict)  # gas to cylinder
    leg_started: int = -1
    planned_lpm: dict[str, float] = field(default_factory=dict)  # most of any leg, by the plan
    set_lpm: dict[str, float] = field(default_factory=dict)
    flow_scores: Floats = field(default_factory=lambda: np.empty(0))
    calibrated_vapour_kpa: float = 0.0
    limits_p: tuple[Floats, Floats] = (EMPTY, EMPTY)
    limits_ambient: tuple[Floats, Floats] = (EMPTY, EMPTY)
    _tables: list[tuple[Floats, Floats]] = field(default_factory=list)

    # --- names -----------------------------------------------------------------------------

    @property
    def cylinders(self) -> tuple[Cylinder, ...]:
        """Cylinders that go along, in the order they are used."""
        return self.case.trip.supplies.cylinders

    def extra(self, name: str) -> Floats:
        """One of the extra columns, (rows,), as a view."""
        return self.e[:, self.columns[name]]

    def stage(self) -> NDArray[np.int64]:
        """Stage that each row is in, (rows,)."""
        return np.asarray(
            np.clip((self.edges_s[:, 1:-1] <= self.now_s).sum(axis=1), 0, self.stages - 1),
            dtype=np.int64,
        )

    @property
    def stages(self) -> int:
        """Number of stages: the loading and the legs."""
        return int(self.conditions.shape[1])

    # --- moving on -------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Move all rows on to a moment [s from the baby going in]."""
        while self.now_s < to_s - 1e-9:
            by_skin = bool(self.p[0, at.SKIN_MODE] > 0.5)
            end = min(to_s, self.now_s + PIECE_S) if by_skin else to_s
            self._piece(end)

    def _piece(self, end_s: float) -> None:
        begin = np.maximum(self.edges_s[:, :-1], self.now_s)
        lasts = np.clip(np.minimum(self.edges_s[:, 1:], end_s) - begin, 0.0, None)
        used = np.flatnonzero((lasts > 0.0).any(axis=0))
        lasts = np.ascontiguousarray(lasts[:, used])
        open_now = bool(self.opened) or 0 in used
        p = self.effective_p()
        c = self.effective_conditions(used)
        self.y, self.flow = go_on(self.y, p, lasts, c, OPEN_STEP_S if open_now else COARSE_STEP_S)
        self._use_gas(lasts, used)
        hours = (end_s - self.now_s) / 3600.0
        self.extra("drifted")[:] += self.extra(faults.DRIFT) * faults.DRIFT_POINTS_H * hours
        self.now_s = end_s

    def _use_gas(self, lasts_s: Floats, used: NDArray[np.intp]) -> None:
        for gas, lpm in self.lpm.items():
            if gas not in self.in_use:
                continue
            number = self.in_use[gas]
            drawn = (lpm[:, used] * lasts_s).sum(axis=1) / 60.0
            self.extra(f"content:{number}")[:] -= drawn * np.exp(self.extra(f"flow:{number}"))
        minutes = lasts_s.sum(axis=1) / 60.0
        for number in range(len(self.cylinders)):
            content = self.extra(f"content:{number}")
            content -= self.extra(f"{faults.GAS}{number}") * faults.GAS_LPM * minutes
            np.maximum(content, 0.0, out=content)

    def effective_p(self) -> Floats:
        """Constants with the faults of each row in them."""
        p = self.p.copy()
        power = np.clip(1.0 - faults.HEATER_LOST * self.extra(faults.HEATER), 0.02, 1.3)
        for index in (at.HEATER_W, at.HEATER_BATTERY_W, at.GAIN):
            p[:, index] *= power
        more = np.clip(1.0 + faults.LOSS_MORE * self.extra(faults.LOSS), 0.3, 4.0)
        for index in (at.DRY_LOSS, at.SKIN_VAPOUR):
            p[:, index] *= more
        holds = np.clip(1.0 - faults.BATTERY_LOST * self.extra(faults.BATTERY), 0.05, 1.3)
        for index in (at.USABLE_WH, at.CHARGEABLE_WH, at.RATED_W, at.CHARGER_W):
            p[:, index] *= holds
        p[:, at.SKIN_SET] -= self.skin_reading_c() - self.y[:, at.SKIN]
        return p

    def effective_conditions(self, used: NDArray[np.intp]) -> Floats:
        """Conditions of some stages with what was logged and the faults in them."""
        c = np.ascontiguousarray(self.conditions[:, used])
        if self.opened:
            c[:, :, at.OPENING] = self.extra(self.opened)[:, None]
        leak = np.clip(self.extra(faults.LEAK), 0.0, None) * self.extra("port")
        c[:, :, at.OPENING] += leak[:, None]
        if self.source:
            c[:, :, at.ON_EXTERNAL] = self.source["on"]
            c[:, :, at.EXTERNAL_W] = self.source["watts"]
        c[:, :, at.AIR_SET] -= self.extra("air")[:, None]  # the control believes its own sensor
        return c

    def current_conditions(self) -> Floats:
        """Conditions of each row now, (rows, N_CONDITION)."""
        all_stages = self.effective_conditions(np.arange(self.stages))
        return np.asarray(all_stages[np.arange(len(self.y)), self.stage()])

    def flows_now(self) -> Floats:
        """Flows of each row worked out from its present state, (rows, N_FLOW)."""
        p, c = self.effective_p(), self.current_conditions()
        powered = (c[:, at.ON_EXTERNAL] > 0.5) | (self.y[:, at.CHARGE] > 0.0)
        dy = np.empty((at.N_STATE, len(self.y)))
        flow = np.empty((at.N_FLOW, len(self.y)))
        rates(self.y.T, p.T, c.T, powered.astype(np.float64), dy, flow)
        return np.ascontiguousarray(flow.T)

    # --- what would be read ----------------------------------------------------------------

    def skin_reading_c(self) -> Floats:
        """What the skin probe shows [degC]."""
        skin, air = self.y[:, at.SKIN], self.y[:, at.AIR]
        mixed = np.clip(self.extra(faults.PROBE_AIR) * faults.PROBE_SHARE, -0.2, 1.0)
        return np.asarray(
            skin
            + self.extra("skin")
            + mixed * (air - skin)
            + self.extra(faults.PROBE_SHIFT) * faults.SHIFT_K
        )

    def body_c(self) -> Floats:
        """What a thermometer at the trip's own place would read [degC]."""
        site = self.case.trip.baby.temperature_site
        core = self.y[:, at.CORE]
        if site == "skin":
            return np.asarray(core - AXILLA_BELOW_CORE_K)
        return np.asarray(core - self.extra(site))

    def bar_share(self) -> Floats:
        """How full the unit's own battery shows itself, 0 to 1."""
        holds = np.clip(1.0 - faults.BATTERY_LOST * self.extra(faults.BATTERY), 0.05, 1.3)
        unit_wh = self.p[:, at.CHARGEABLE_WH] * holds
        spare = self.extra("spare_wh") * holds
        return np.asarray(np.clip((self.y[:, at.CHARGE] - spare) / unit_wh, 0.0, 1.0))

    def oxygen_true_percent(self) -> Floats:
        """Oxygen that the baby is given [%]."""
        if self.case.trip.baby.support in ("hood", "none"):
            return np.asarray(100.0 * self.y[:, at.OXYGEN])
        return np.asarray(100.0 * self.need[np.arange(len(self.y)), self.stage()])

    def gauge_bar(self, number: int) -> Floats:
        """What the gauge of a cylinder would show [bar]."""
        cylinder = self.cylinders[number]
        size = np.clip(1.0 - faults.SMALL_LOST * self.extra(f"{faults.SMALL}{number}"), 0.1, 2.0)
        per_litre = self.extra(f"content:{number}") / (cylinder.water_l * size)
        litres, bars = self._tables[number]
        warmer = (273.15 + self.extra(f"cylinder_c:{number}")) / (
            273.15 + cylinder.gauge_at_c.value
        )
        return np.asarray(np.interp(per_litre, litres, bars) * warmer)

    def content_at_bar(self, number: int, gauge_bar: float) -> Floats:
        """Litres in a cylinder when its gauge shows this, each row's own size [L]."""
        cylinder = self.cylinders[number]
        size = np.clip(1.0 - faults.SMALL_LOST * self.extra(f"{faults.SMALL}{number}"), 0.1, 2.0)
        litres, bars = self._tables[number]
        return np.asarray(np.interp(gauge_bar, bars, litres) * cylinder.water_l * size)

    def _content_for(self, number: int, gauge_bar: Floats) -> Floats:
        """Litres in a cylinder at which its gauge shows this, by row: undoes ``gauge_bar``."""
        cylinder = self.cylinders[number]
        size = np.clip(1.0 - faults.SMALL_LOST * self.extra(f"{faults.SMALL}{number}"), 0.1, 2.0)
        litres, bars = self._tables[number]
        warmer = (273.15 + self.extra(f"cylinder_c:{number}")) / (
            273.15 + cylinder.gauge_at_c.value
        )
        per_litre = np.interp(gauge_bar / warmer, bars, litres)
        return np.asarray(per_litre * cylinder.water_l * size)

    def number_of(self, name: str) -> int | None:
        """Number of a cylinder by its name."""
        names = [cylinder.name for cylinder in self.cylinders]
        return names.index(name) if name in names else None

    def expected(self, quantity: str) -> tuple[Floats, float] | None:
        """What each row would read, and the variance of one reading; None for what is not used."""
        kind = reading(quantity)
        if kind is None:
            return None
        variance = kind.variance
        if quantity == "skin_c":
            return self.skin_reading_c(), variance
        if quantity in ("axillary_c", "rectal_c"):
            below = self.extra(quantity.removesuffix("_c"))
            return np.asarray(self.y[:, at.CORE] - below), variance
        if quantity == "air_c":
            return np.asarray(self.y[:, at.AIR] + self.extra("air")), variance
        if quantity == "heater_percent":
            flow = self.flows_now()
            limit = np.maximum(flow[:, at.F_HEATER_LIMIT], 1.0)
            return np.asarray(np.clip(100.0 * flow[:, at.F_HEATER] / limit, 0.0, 100.0)), variance
        if quantity == "hood_humidity_percent":
            air = self.y[:, at.AIR]
            wet = vapour_pressure_kpa(self.y[:, at.VAPOUR], air) / saturation_vapour_kpa(air)
            return np.asarray(100.0 * wet + self.extra("humidity")), variance
        if quantity == "oxygen_percent":
            return self._oxygen_reading(variance)
        if quantity == "battery_divisions":
            return self.bar_share() * self.case.unit.battery.bar_divisions, variance
        number = self.number_of(quantity.removeprefix(GAUGE))
        if number is None:
            return None
        bar = self.gauge_bar(number)
        return bar, variance + float((GAUGE_TEMPERATURE_SHARE * bar[: self.members].mean()) ** 2)

    def _oxygen_reading(self, variance: float) -> tuple[Floats, float]:
        """An analyser that may or may not correct for the cabin's pressure: half-way, and wider."""
        true = self.oxygen_true_percent()
        legs = self.case.trip.legs
        ground = legs[0].pressure_kpa
        here = self.conditions[np.arange(len(self.y)), self.stage(), at.PRESSURE]
        vapour = self.calibrated_vapour_kpa
        shown = np.asarray(reading_percent(true, here, vapour, ground, vapour))
        half = 0.5 * (shown - true)
        wider = float(half[: self.members].mean() ** 2)
        offset = self.extra("oxygen") + self.extra("drifted")
        return true + half + offset, variance + wider

    # --- the vector that the filter works on -------------------------------------------------

    def gather(self) -> Floats:
        """Everything that observations can change, (rows, columns), positive numbers as logs."""
        rows, stage = np.arange(len(self.y)), self.stage()
        place = self.conditions[rows, stage]
        return np.hstack(
            [
                self.y[:, Y_LEARNT],
                np.log(self.p[:, P_LEARNT]),
                self.e,
                place[:, at.AMBIENT, None],
                np.log(self.need[rows, stage])[:, None],
                np.log(np.maximum(place[:, at.HOOD_OXYGEN], 1e-9))[:, None],
            ]
        )

    def scatter(self, x: Floats) -> None:
        """Put the vector back, kept to what is possible."""
        rows, stage = np.arange(len(self.y)), self.stage()
        n_y, n_p, n_e = len(Y_LEARNT), len(P_LEARNT), self.e.shape[1]
        shift = x[:, n_y + n_p + self.columns["shift"]] - self.extra("shift")
        self.y[:, Y_LEARNT] = x[:, :n_y]
        new = np.exp(np.clip(x[:, n_y : n_y + n_p], *self.limits_p))
        for column, index in enumerate(P_LEARNT):
            for other in FOLLOWS.get(index, ()):
                self.p[:, other] *= new[:, column] / self.p[:, index]
            self.p[:, index] = new[:, column]
        self.p[:, at.BATTERY_EFFICIENCY] = np.minimum(self.p[:, at.BATTERY_EFFICIENCY], 1.0)
        self.p[:, at.CEILING] = np.maximum(self.p[:, at.CEILING], self.p[:, at.REST])
        self.p[:, at.CORE_SHIFT] += shift
        self.e = np.ascontiguousarray(x[:, n_y + n_p : n_y + n_p + n_e])
        ambient, need, hood = x[:, n_y + n_p + n_e :].T
        low, high = self.limits_ambient
        self.conditions[rows, stage, at.AMBIENT] = np.clip(ambient, low[stage], high[stage])
        ratio = np.exp(need) / self.need[rows, stage]
        self.need = np.clip(self.need * ratio[:, None], 0.2, 1.0)
        if self.case.trip.baby.support == "hood":
            was = np.maximum(self.conditions[rows, stage, at.HOOD_OXYGEN], 1e-9)
            factor = np.clip(np.exp(hood) / was, 0.2, 5.0)
            self.conditions[:, :, at.HOOD_OXYGEN] *= factor[:, None]
            if "oxygen" in self.lpm:
                self.lpm["oxygen"] = self.lpm["oxygen"] * factor[:, None]
        self.keep_possible()

    def keep_possible(self) -> None:
        """Hold states inside what can be."""
        y = self.y
        for index in (at.VAPOUR, at.CHARGE):
            np.maximum(y[:, index], 0.0, out=y[:, index])
        y[:, at.OXYGEN] = np.clip(y[:, at.OXYGEN], 0.15, 1.0)
        y[:, at.CARBON] = np.clip(y[:, at.CARBON], 0.0, 0.2)
        y[:, at.SKIN] = np.clip(y[:, at.SKIN], 15.0, 44.0)
        y[:, at.CORE] = np.clip(y[:, at.CORE], 20.0, 44.0)
        for index in (at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK):
            y[:, index] = np.clip(y[:, index], -45.0, 60.0)
        y[:, at.HEATER] = np.clip(y[:, at.HEATER], -45.0, 150.0)
        y[:, at.PACK] = np.clip(y[:, at.PACK], -40.0, 60.0)
        for number in range(len(self.cylinders)):
            content = self.extra(f"content:{number}")
            np.maximum(content, 0.0, out=content)

    def set_to(self, quantity: str, value: float) -> None:
        """Set what a quantity is read from to a reading that was seen twice.

        quantity : axillary_c, rectal_c or a gauge
        value : of the reading [°C or bar]

        All rows move by the same, so that what tells faults on trial apart is kept; the ensemble's
        spread about a body temperature becomes at least the error of a reading.
        """
        found = self.expected(quantity)
        if found is None:
            return
        predicted, variance = found
        mine = predicted[: self.members]
        off = value - float(mine.mean())
        if quantity.startswith(GAUGE):
            number = self.number_of(quantity.removeprefix(GAUGE))
            assert number is not None
            wanted = np.maximum(predicted + off, 0.0)
            self.extra(f"content:{number}")[:] = self._content_for(number, wanted)
        else:
            core = self.y[:, at.CORE]
            grow = max(1.0, float(np.sqrt(variance)) / max(float(mine.std(ddof=1)), 1e-6))
            middle = float(core[: self.members].mean())
            core[: self.members] = middle + (core[: self.members] - middle) * grow
            self.y[:, at.CORE] += off
            self.y[:, at.SKIN] += off
        self.keep_possible()

    def weights(self, quantity: str) -> Floats:
        """Which columns learn from a quantity, 0 or 1."""
        kind = reading(quantity)
        assert kind is not None
        family = kind.family
        n_y, n_p, n_e = len(Y_LEARNT), len(P_LEARNT), self.e.shape[1]
        found = np.zeros(n_y + n_p + n_e + 3)
        for column, index in enumerate(Y_LEARNT):
            found[column] = float(index in _LEARNS_Y[family])
        for column, index in enumerate(P_LEARNT):
            found[n_y + column] = float(index in _LEARNS_P[family])
        names: tuple[str, ...] = _LEARNS_E[family]
        if family == "gauge":
            n = self.number_of(quantity.removeprefix(GAUGE))
            names = (
                f"content:{n}", f"flow:{n}", f"cylinder_c:{n}", f"{faults.GAS}{n}",
                f"{faults.SMALL}{n}",
            )  # fmt: skip
        for name in names:
            found[n_y + n_p + self.columns[name]] = 1.0
        found[-3] = float(family in ("air", "baby"))
        found[-2] = float(family == "oxygen")
        found[-1] = float(family == "oxygen" and self.case.trip.baby.support == "hood")
        return found

    # --- rows on trial -------------------------------------------------------------------------

    def add_middle(self, count: int) -> slice:
        """Add rows that stand at the middle of the ensemble; gives their place."""
        m, begin = self.members, len(self.y)

        def middle(values: Floats) -> Floats:
            return np.concatenate([values, np.repeat(values[:m].mean(axis=0)[None], count, axis=0)])

        p = middle(self.p)
        p[begin:, P_LEARNT] = np.exp(np.log(self.p[:m][:, P_LEARNT]).mean(axis=0))
        self.y, self.p, self.e = middle(self.y), p, middle(self.e)
        self.conditions = middle(self.conditions)
        edges = self.edges_s.copy()
        edges[:, -1] = 0.0
        self.edges_s = middle(edges)
        self.edges_s[:, -1] = np.inf
        self.planned_s = middle(self.planned_s)
        self.lpm = {gas: middle(values) for gas, values in self.lpm.items()}
        self.need, self.flow = middle(self.need), middle(self.flow)
        return slice(begin, begin + count)

    def keep(self, which: NDArray[np.bool_]) -> None:
        """Keep some rows only, (rows,)."""
        self.y, self.p, self.e = self.y[which], self.p[which], self.e[which]
        self.conditions, self.edges_s = self.conditions[which], self.edges_s[which]
        self.planned_s, self.need = self.planned_s[which], self.need[which]
        self.lpm = {gas: values[which] for gas, values in self.lpm.items()}
        self.flow = self.flow[which]

    def apart(self) -> Rows:
        """A copy that shares no array with this one that can change."""
        own = copy.copy(self)
        own.keep(np.ones(len(self.y), dtype=np.bool_))
        own.source, own.in_use = dict(self.source), dict(self.in_use)
        own.set_lpm = dict(self.set_lpm)
        return own

    def thinned(self, every: int) -> Rows:
        """A copy with one member in so many of the ensemble and no rows on trial, for looks."""
        light = copy.copy(self)
        which = np.zeros(len(self.y), dtype=np.bool_)
        which[: self.members : every] = True
        light.members = int(which.sum())
        light.keep(which)
        return light

    # --- what was logged -----------------------------------------------------------------------

    def begin_stage(self, stage: int, at_s: float) -> None:
        """A stage has begun: the stages after it follow in their planned lengths."""
        self.edges_s[:, 1 : stage + 1] = np.minimum(self.edges_s[:, 1 : stage + 1], at_s)
        self.edges_s[:, stage] = at_s if stage else self.edges_s[:, 0]
        for later in range(stage + 1, self.stages):
            self.edges_s[:, later] = self.edges_s[:, later - 1] + self.planned_s[:, later - 1]
        self.source = {}
        self.leg_started = stage - 1
        if stage > 0:
            self.loading = False
            self.opened = ""

    def lengthen(self, minutes: float) -> None:
        """A delay: the stage each row is in lasts longer, all later ones begin later."""
        stage = self.stage()
        later = np.arange(self.stages)[None, :] > stage[:, None]
        self.edges_s[:, : self.stages] += later * minutes * 60.0
        self.planned_s[np.arange(len(self.y)), stage] += minutes * 60.0

    def set_source(self, power: str, watts: float | None) -> None:
        """Another power source, until the next leg begins."""
        if power == "battery":
            self.source = {"on": 0.0, "watts": 0.0}
            return
        given = float(getattr(self.case.unit.power, f"{power}_w").value)
        self.source = {"on": 1.0, "watts": given if watts is None else min(given, watts)}

    def set_flow(self, oxygen_lpm: float | None, air_lpm: float | None) -> None:
        """Flows as set on the flow meters, from now on; nothing changes if they are the same."""
        if oxygen_lpm is not None and oxygen_lpm != self.set_lpm.get("oxygen"):
            self.set_lpm["oxygen"] = oxygen_lpm
            true_lpm = oxygen_lpm * np.exp(self._meter(oxygen_lpm))
            if "oxygen" in self.lpm:
                self.lpm["oxygen"] = self._drawn("oxygen", oxygen_lpm)
            if self.case.trip.baby.support == "hood":
                given = self.conditions[:, 1:, at.HOOD_OXYGEN]
                given[:] = (true_lpm / 60000.0)[:, None]
        if air_lpm is not None and "air" in self.lpm:
            self.lpm["air"] = self._drawn("air", air_lpm)

    def _drawn(self, gas: str, lpm: Floats | float) -> Floats:
        """A flow in the stages in which the gas comes from cylinders, (rows, stages)."""
        legs = self.case.trip.legs
        planned = self.planned_lpm[gas] > 0.0
        here = np.array([False, *(planned and leg.gas == "cylinder" for leg in legs)])
        return np.where(here, lpm, np.zeros(self.need.shape))

    def _meter(self, lpm: float) -> Floats:
        """A new setting read between marks: true flow over reading, as logs, (rows,)."""
        m = self.members
        number = self.in_use.get("oxygen")
        spread = float(np.hypot(FLOW_SPREAD, 0.5 * FLOW_STEP_LPM / max(lpm, 0.25)))
        scores = self.flow_scores / self.flow_scores.std()
        factor = np.zeros(len(self.y))
        factor[:m] = spread * (scores - scores.mean())
        if number is not None:
            self.extra(f"flow:{number}")[:] = factor
        return factor

    def set_blend(self, flow_lpm: float | None, oxygen_percent: float | None) -> None:
        """Total flow, oxygen fraction or both as set on a blender, from now on."""
        if oxygen_percent is not None:
            self.need[:] = min(max(oxygen_percent / 100.0, 0.21), 1.0)
        planned = self.case.trip.baby.flow_lpm
        flow = flow_lpm if flow_lpm is not None else planned.value if planned is not None else None
        if flow is None:
            return
        for gas, share in (("oxygen", oxygen_flow_lpm), ("air", air_flow_lpm)):
            self.lpm[gas] = self._drawn(gas, np.asarray(share(flow, self.need)))

    def settings(self, air_c: float | None, skin_c: float | None, control: object) -> None:
        """Set points of the heater, from now on."""
        if air_c is not None:
            self.conditions[:, :, at.AIR_SET] = air_c
        if skin_c is not None:
            self.p[:, at.SKIN_SET] = skin_c
        if control in ("skin", "air"):
            self.p[:, at.SKIN_MODE] = float(control == "skin")


def _columns(cylinders: int) -> dict[str, int]:
    names = [
        "skin", "air", "oxygen", "humidity", "axillary", "rectal", "shift", "port", "front",
        "spare_wh", "drifted",
    ]  # fmt: skip
    for number in range(cylinders):
        names += [f"content:{number}", f"flow:{number}", f"cylinder_c:{number}"]
    names += list(faults.kinds(cylinders))
    return {name: column for column, name in enumerate(names)}


def rows_at_loading(case: Case, members: int, seed: int, air_set_c: float) -> Rows:
    """Draw an ensemble and take it to the moment that the baby goes in; see ``_drawn_rows``.

    The last few are kept, so that a trip that is followed anew is not drawn anew.
    """
    return _drawn_rows(case, members, seed, air_set_c).apart()


@lru_cache(maxsize=4)
def _drawn_rows(case: Case, members: int, seed: int, air_set_c: float) -> Rows:
    """Draw an ensemble and take it to the moment that the baby goes in.

    Parameters
    ----------
    case : trip, unit and policy
    members : rows of the ensemble
    seed : of all draws
    air_set_c : set air temperature [degC]

    Returns
    -------
    ``Rows`` with no fault.
    """
    ensemble = prepare(case, members, seed, air_set_c=air_set_c)
    draws, cylinders = ensemble.draws, case.trip.supplies.cylinders
    columns = _columns(len(cylinders))
    e = np.zeros((members, len(columns)))
    for name, spread in OFFSETS.items():
        e[:, columns[name]] = draws.normal(f"watch.{name}", name, 0.0, spread, "", "derived")
    ensemble.conditions[:, :, at.AIR_SET] -= e[:, columns["air"], None]
    y = state_at_loading(ensemble)
    _body_sites(ensemble, e, columns)
    for name, path in (("port", "port_exchange_lps"), ("front", "front_exchange_lps")):
        q = getattr(case.unit.hood, path)
        e[:, columns[name]] = 0.001 * draws.positive(
            f"unit.hood.{path}", name, q.value, q.spread, "L/s", q.provenance
        )
    tables = _cylinder_columns(case, ensemble, e, columns)
    packs = case.unit.battery.packs
    one = ensemble.p[:, at.CHARGEABLE_WH] / packs
    for number, spare in enumerate(case.trip.supplies.spare_batteries):
        if spare.carried:
            q = spare.charge_percent
            full = draws.share(
                f"trip.supplies.spare_battery.{number}.charge_percent", "spare", q.value / 100.0,
                q.spread / 100.0, "", q.provenance,
            )  # fmt: skip
            e[:, columns["spare_wh"]] += full * one * spare.carried
    conditions, planned = _stages(ensemble)
    conditions[:, :, at.AIR_SET] += e[:, columns["air"], None]
    edges = np.zeros((members, planned.shape[1] + 1))
    edges[:, 1:] = np.cumsum(planned, axis=1)
    edges[:, -1] = np.inf
    before = np.zeros((members, 1))
    gas = ensemble.gas
    first = conditions[:, 0]
    rows = Rows(
        case, members, columns, y, ensemble.p.copy(), e, conditions, edges, planned,
        {
            "oxygen": np.hstack([before, gas.oxygen_lpm]),
            "air": np.hstack([before, gas.air_lpm]),
        },
        np.hstack([gas.need_fraction[:, :1], np.minimum(gas.need_fraction, 1.0)]),
        np.zeros((members, at.N_FLOW)),
        calibrated_vapour_kpa=float(
            np.median(vapour_pressure_kpa(first[:, at.AMBIENT_VAPOUR], first[:, at.AMBIENT]))
        ),
        _tables=tables,
    )  # fmt: skip
    np.minimum(rows.need, 1.0, out=rows.need)
    for number, cylinder in enumerate(cylinders):
        rows.in_use.setdefault(cylinder.gas, number)
    rows.planned_lpm = {g: float(v.max()) for g, v in rows.lpm.items()}
    rows.flow_scores = ensemble.draws.scores("watch.flow")
    rows.limits_p = _reach(np.log(rows.p[:, P_LEARNT]))
    rows.limits_ambient = _reach(rows.conditions[:, :, at.AMBIENT])
    return rows


def _reach(values: Floats) -> tuple[Floats, Floats]:
    """How far constants may be moved, from what was known of them before."""
    middle, spread = values.mean(axis=0), PRIOR_REACH * values.std(axis=0)
    return np.asarray(middle - spread), np.asarray(middle + spread)


def _body_sites(ensemble: Ensemble, e: Floats, columns: Mapping[str, int]) -> None:
    body = physiology()
    own = ensemble.case.trip.baby.temperature_site
    sites: tuple[tuple[str, Varied], ...] = (
        ("axillary", body.axillary_below_core_k),
        ("rectal", body.rectal_below_core_k),
    )
    for name, varied in sites:
        e[:, columns[name]] = (
            ensemble.site_offset_k
            if own == name
            else ensemble.draws.normal(
                f"watch.{name}", name, varied.value, varied.spread, "K", varied.mark
            )
        )


def _cylinder_columns(
    case: Case, ensemble: Ensemble, e: Floats, columns: Mapping[str, int]
) -> list[tuple[Floats, Floats]]:
    """Contents, flow factors and temperatures of the cylinders; tables from litres to bar."""
    draws = ensemble.draws
    tables: list[tuple[Floats, Floats]] = []
    for number, cylinder in enumerate(case.trip.supplies.cylinders):
        key = f"trip.supplies.cylinder.{cylinder.name}"
        gauge = draws.positive(
            f"{key}.gauge_bar", cylinder.name, cylinder.gauge_bar.value, cylinder.gauge_bar.spread,
            "bar", cylinder.gauge_bar.provenance,
        )  # fmt: skip
        temp = draws.normal(
            f"{key}.gauge_at_c", cylinder.name, cylinder.gauge_at_c.value,
            cylinder.gauge_at_c.spread, "degC", cylinder.gauge_at_c.provenance,
        )  # fmt: skip
        temp = np.clip(temp, -40.0, 60.0)
        e[:, columns[f"cylinder_c:{number}"]] = temp
        e[:, columns[f"content:{number}"]] = content_l(
            cylinder.gas, np.clip(gauge, 0.0, 350.0), temp, cylinder.water_l
        )
        e[:, columns[f"flow:{number}"]] = draws.normal(
            f"watch.flow.{cylinder.name}", "flow meter", 0.0, FLOW_SPREAD, "", "own"
        )
        litres: Any = content_l(
            cylinder.gas, TABLE_BAR, np.full_like(TABLE_BAR, cylinder.gauge_at_c.value), 1.0
        )
        tables.append((np.asarray(litres), TABLE_BAR))
    return tables


def _stages(ensemble: Ensemble) -> tuple[Floats, Floats]:
    """Conditions and planned lengths of the loading and of each leg, openings left out."""
    legs = len(ensemble.case.trip.legs)
    members = ensemble.p.shape[0]
    conditions = np.zeros((members, legs + 1, at.N_CONDITION))
    planned = np.zeros((members, legs + 1))
    conditions[:, 0] = ensemble.conditions[:, 0]
    conditions[:, 0, at.ABOARD] = 1.0
    for number, stretch in enumerate(ensemble.stretches):
        if stretch.kind == "loading":
            conditions[:, 0] = ensemble.conditions[:, number]
            planned[:, 0] = ensemble.durations_s[:, number]
        elif stretch.leg is not None:
            planned[:, stretch.leg + 1] += ensemble.durations_s[:, number]
            conditions[:, stretch.leg + 1] = ensemble.conditions[:, number]
    conditions[:, 1:, at.OPENING] = 0.0
    return conditions, planned
