"""The present and what is to come, read off the ensemble."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warmhold.science.air import saturation_vapour_kpa, vapour_pressure_kpa
from warmhold.science.battery import rate_share, temperature_share
from warmhold.simulate import layout as at
from warmhold.simulate.bands import Band, band_of
from warmhold.simulate.readouts import AXILLA_BELOW_CORE_K
from warmhold.simulate.restart import ALL_KEPT, advance_on_one
from warmhold.simulate.scenario import COARSE_STEP_S
from warmhold.watch.rows import OPEN_STEP_S, Rows

Floats = NDArray[np.float64]

GRID_MIN = 5.0  # between the moments of a forecast
OUTPUT_MIN = 4.0
OVERDUE_SHARE = 0.1  # a last leg that lasts longer than planned goes on for this share of it


@dataclass(frozen=True)
class CylinderNow:
    """One cylinder.

    litres : above its residual pressure
    minutes_present : at the flow drawn now if all of it came from this cylinder; None if none is
    minutes_planned : until it is at its residual on the legs as planned, infinite if it lasts
    in_use : whether gas is drawn from it
    """

    name: str
    gas: str
    litres: Band
    gauge_bar: Band
    minutes_present: Band | None
    minutes_planned: Band
    in_use: bool


@dataclass(frozen=True)
class Present:
    """The state now, 5th, 50th and 95th percentile of what fits the readings.

    at_s : seconds since the baby went in
    leg : name of the leg it is thought to be on, "loading" before the first
    battery_min_present : at the present draw on battery, if the unit were (or is) on battery
    battery_min_planned : until it is empty on the legs as planned, infinite if it lasts
    """

    at_s: float
    leg: str
    on_battery: float
    skin_c: Band
    body_c: Band
    air_c: Band
    wall_c: Band
    operative_c: Band
    heater_w: Band
    battery_wh: Band
    battery_min_present: Band
    battery_min_planned: Band
    cylinders: tuple[CylinderNow, ...]
    oxygen_percent: Band
    humidity_percent: Band


@dataclass(frozen=True)
class Forecast:
    """What is to come on the legs as planned.

    minutes : from now
    body_c, air_c, battery_min : a band for each moment; after its own arrival a member stands still
    cylinders_l : litres above the residual, name to bands
    handover_min : minutes from now to the end of the last leg
    handover_c : body temperature then
    holds : probability that each lasts or stays in policy's band to the end: ``battery``,
        ``temperature``, ``cylinder:NAME`` (alone), ``gas:oxygen``, ``gas:air`` (all together),
        ``reserve:oxygen``, ``reserve:air`` (all together, policy's factor on what is still needed)
    too_cold, too_hot : probability at handover
    """

    at_s: float
    minutes: tuple[float, ...]
    body_c: tuple[Band, ...]
    air_c: tuple[Band, ...]
    battery_min: tuple[Band, ...]
    cylinders_l: Mapping[str, tuple[Band, ...]]
    handover_min: Band
    handover_c: Band
    holds: Mapping[str, float]
    too_cold: float
    too_hot: float
    battery_empty_min: Band


def bounds_c(rows: Rows) -> tuple[float, float]:
    """Policy's temperature band for this baby [degC]."""
    rules = rows.case.policy.temperature
    if rows.case.trip.baby.cooled:
        return rules.cooled_low_c.value, rules.cooled_high_c.value
    return rules.low_c.value, rules.high_c.value


def deliverable_l(rows: Rows, number: int) -> Floats:
    """Litres above the residual of one cylinder, (members,)."""
    m = rows.members
    left = rows.content_at_bar(number, rows.cylinders[number].residual_bar)[:m]
    return np.asarray(np.maximum(rows.extra(f"content:{number}")[:m] - left, 0.0))


def minutes_on_battery(p: Floats, charge: Floats, pack_c: Floats, draw_w: Floats) -> Floats:
    """Minutes that the battery carries a draw, any shape that broadcasts [min]."""
    draw = np.maximum(draw_w, 1.0e-3)
    rate = rate_share(draw, p[:, at.RATED_W, None], p[:, at.PEUKERT, None])
    share = temperature_share(pack_c, p[:, at.IS_LEAD, None])
    return np.asarray(60.0 * np.maximum(charge, 0.0) * share / (draw * rate))


def flow_now_lpm(rows: Rows, gas: str) -> Floats:
    """What is drawn from cylinders of a gas now, (members,) [L/min]."""
    m = rows.members
    stage = rows.stage()[:m]
    lpm = rows.lpm[gas][:m][np.arange(m), stage]
    number = rows.in_use.get(gas)
    if number is None:
        return np.asarray(lpm)
    leak = rows.extra(f"gas:{number}")[:m] * 2.0
    return np.asarray(lpm * np.exp(rows.extra(f"flow:{number}")[:m]) + leak)


def present(rows: Rows, ahead: Forecast, planned_min: Mapping[str, Band]) -> Present:
    """Read the present off the rows."""
    m = rows.members
    y, p = rows.y[:m], rows.effective_p()[:m]
    flow = rows.flows_now()[:m]
    c = rows.current_conditions()[:m]
    stage = int(np.median(rows.stage()[:m]))
    air = y[:, at.AIR]
    humidity = 100.0 * vapour_pressure_kpa(y[:, at.VAPOUR], air) / saturation_vapour_kpa(air)
    minutes = minutes_on_battery(
        p, y[:, at.CHARGE, None], y[:, at.PACK, None], flow[:, at.F_BATTERY_W, None]
    )[:, 0]
    cylinders = []
    for number, cylinder in enumerate(rows.cylinders):
        litres = deliverable_l(rows, number)
        drawn = flow_now_lpm(rows, cylinder.gas)
        used = bool(np.median(drawn) > 1e-6)
        cylinders.append(
            CylinderNow(
                cylinder.name,
                cylinder.gas,
                band_of(litres),
                band_of(rows.gauge_bar(number)[:m]),
                band_of(litres / np.maximum(drawn, 1e-6)) if used else None,
                planned_min[f"cylinder:{cylinder.name}"],
                used and rows.in_use.get(cylinder.gas) == number,
            )
        )
    return Present(
        rows.now_s,
        "loading" if stage == 0 else rows.case.trip.legs[stage - 1].name,
        float(np.mean(c[:, at.ON_EXTERNAL] < 0.5)),
        band_of(y[:, at.SKIN]),
        band_of(rows.body_c()[:m]),
        band_of(air),
        band_of(y[:, at.WALL]),
        band_of(flow[:, at.F_OPERATIVE]),
        band_of(flow[:, at.F_HEATER]),
        band_of(np.maximum(y[:, at.CHARGE], 0.0)),
        band_of(minutes),
        ahead.battery_empty_min,
        tuple(cylinders),
        band_of(rows.oxygen_true_percent()[:m]),
        band_of(np.asarray(humidity)),
    )


@dataclass(frozen=True)
class Parts:
    """What is left of the trip, cut where something changes; (members, parts) lengths."""

    lasts_s: Floats
    conditions: Floats
    opening: tuple[bool, ...]
    stage: tuple[int, ...]


def _parts(rows: Rows) -> Parts:
    m, now = rows.members, rows.now_s
    lasts, conditions, openings, stages = [], [], [], []
    current = rows.stage()[:m]
    for stage in range(int(current.min()), rows.stages):
        begin, end = rows.edges_s[:m, stage], rows.edges_s[:m, stage + 1]
        if stage == rows.stages - 1:
            planned = rows.planned_s[:m, stage]
            begin_or_now = np.maximum(begin, now)
            end = np.maximum(begin + planned, begin_or_now + OVERDUE_SHARE * planned)
        here = rows.effective_conditions(np.array([stage]))[:m, 0]
        if rows.source and stage > int(np.median(current)):
            here[:, at.ON_EXTERNAL] = rows.conditions[:m, stage, at.ON_EXTERNAL]
            here[:, at.EXTERNAL_W] = rows.conditions[:m, stage, at.EXTERNAL_W]
        if rows.opened and stage > 0:  # what is open now is taken to be closed soon
            here[:, at.OPENING] -= rows.extra(rows.opened)[:m]
        cuts, kinds = [begin], []
        if stage > 0:
            for hole in sorted(
                rows.case.trip.legs[stage - 1].door_openings, key=lambda o: o.at_min
            ):
                if rows.leg_started == stage - 1 and begin.mean() + hole.at_min * 60.0 < now:
                    continue
                cuts += [begin + hole.at_min * 60.0, begin + (hole.at_min + hole.minutes) * 60.0]
                kinds += ["", hole.size]
        cuts.append(end)
        kinds.append("")
        floor = np.maximum(begin, now)
        held = [np.clip(cut, floor, np.maximum(end, floor)) for cut in cuts]
        for number, kind in enumerate(kinds):
            c = here.copy()
            if kind:
                c[:, at.OPENING] += rows.extra(kind)[:m]
            lasts.append(np.maximum(held[number + 1] - held[number], 0.0))
            conditions.append(c)
            openings.append(bool(kind) or stage == 0)
            stages.append(stage)
    keep = [n for n, length in enumerate(lasts) if (length > 0.0).any()]
    return Parts(
        np.column_stack([lasts[n] for n in keep]) if keep else np.zeros((m, 0)),
        np.stack([conditions[n] for n in keep], axis=1) if keep else np.zeros((m, 0, 13)),
        tuple(openings[n] for n in keep),
        tuple(stages[n] for n in keep),
    )


def look_ahead(rows: Rows, minutes: float) -> tuple[Forecast, dict[str, Band]]:
    """Run the ensemble on along the planned legs.

    Parameters
    ----------
    rows : as they stand now
    minutes : how far the courses reach; the handover is always reached [min]

    Returns
    -------
    The forecast, and until when each cylinder lasts alone on the legs as planned.
    """
    m = rows.members
    parts = _parts(rows)
    if parts.lasts_s.shape[1] == 0:
        parts = Parts(
            np.full((m, 1), 1.0), rows.current_conditions()[:m, None], (False,), (rows.stages - 1,)
        )
    outputs = np.array(
        [max(1, round(float(length) / 60.0 / OUTPUT_MIN)) for length in parts.lasts_s.mean(axis=0)],
        dtype=np.int64,
    )
    steps = np.array([OPEN_STEP_S if hole else COARSE_STEP_S for hole in parts.opening])
    p = rows.effective_p()[:m]
    run = advance_on_one(rows.y[:m], p, parts.lasts_s, parts.conditions, outputs, steps, ALL_KEPT)
    clock = run.clock_s / 60.0
    arrives = clock[:, -1]
    grid = np.arange(0.0, max(minutes, GRID_MIN) + 1e-9, GRID_MIN)
    core, air = run.trace[:, :, at.CORE], run.trace[:, :, at.AIR]
    baby = rows.case.trip.baby
    below = (
        np.full(m, AXILLA_BELOW_CORE_K)
        if baby.temperature_site == "skin"
        else rows.extra(baby.temperature_site)[:m]
    )
    body = core - below[:, None]
    left = minutes_on_battery(
        p, run.trace[:, :, at.CHARGE], run.trace[:, :, at.PACK],
        run.trace[:, :, at.N_STATE + at.F_BATTERY_W],
    )  # fmt: skip
    used, planned, litres = _gas_ahead(rows, parts, outputs, clock)
    low, high = bounds_c(rows)
    on_grid = _Onto(clock, grid)
    inside = (body.min(axis=1) >= low) & (body.max(axis=1) <= high)
    empty = run.empty_s / 60.0
    holds = {
        "battery": float(np.mean(~np.isfinite(empty))),
        "temperature": float(np.mean(inside)),
        **used,
    }
    end = body[:, -1]
    ahead = Forecast(
        rows.now_s,
        tuple(float(t) for t in grid),
        _bands(on_grid(body)),
        _bands(on_grid(air)),
        _bands(on_grid(left)),
        {name: _bands(on_grid(values)) for name, values in litres.items()},
        band_of(arrives),
        band_of(end),
        holds,
        float(np.mean(end < low)),
        float(np.mean(end > high)),
        band_of(empty),
    )
    return ahead, planned


class _Onto:
    """Takes traces from each member's own clock to common moments."""

    def __init__(self, clock: Floats, grid: Floats) -> None:
        rows, n = clock.shape
        place = np.empty((rows, len(grid)), dtype=np.int64)
        for row in range(rows):
            place[row] = np.searchsorted(clock[row], grid, side="right")
        self.after = np.clip(place, 1, n - 1)
        self.rows = np.arange(rows)[:, None]
        begin, end = clock[self.rows, self.after - 1], clock[self.rows, self.after]
        length = np.where(end > begin, end - begin, 1.0)
        self.share = np.clip((grid[None, :] - begin) / length, 0.0, 1.0)

    def __call__(self, values: Floats) -> Floats:
        first = values[self.rows, self.after - 1]
        return np.asarray(first + self.share * (values[self.rows, self.after] - first))


def _bands(values: Floats) -> tuple[Band, ...]:
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95), axis=0)
    return tuple(
        Band(float(a), float(b), float(c)) for a, b, c in zip(low, middle, high, strict=True)
    )


def _gas_ahead(
    rows: Rows, parts: Parts, outputs: NDArray[np.int64], clock: Floats
) -> tuple[dict[str, float], dict[str, Band], dict[str, Floats]]:
    """What the planned legs take from the cylinders: who lasts, until when, litres at outputs."""
    m = rows.members
    part_of = np.repeat(np.arange(len(outputs)), outputs)
    lengths = np.diff(clock, axis=1)
    stage_of = np.array(parts.stage)[part_of]
    holds: dict[str, float] = {}
    planned: dict[str, Band] = {}
    litres: dict[str, Floats] = {}
    for gas in ("oxygen", "air"):
        mine = [n for n, c in enumerate(rows.cylinders) if c.gas == gas]
        if not mine:
            continue
        current = rows.in_use.get(gas, mine[0])
        lpm = rows.lpm[gas][:m][:, stage_of] * np.exp(rows.extra(f"flow:{current}")[:m])[:, None]
        taken = np.concatenate([np.zeros((m, 1)), np.cumsum(lpm * lengths, axis=1)], axis=1)
        need = taken[:, -1]
        have = np.zeros(m)
        passed = np.zeros((m, 1))  # what cylinders before this one give
        for number in [current, *(n for n in mine if n > current)]:
            name = rows.cylinders[number].name
            leak = (rows.extra(f"gas:{number}")[:m] * 2.0)[:, None] * clock
            full = deliverable_l(rows, number)
            alone = taken + leak
            gone = alone > full[:, None]
            first = np.clip(gone.argmax(axis=1), 1, None)
            r = np.arange(m)
            a, b = alone[r, first - 1], alone[r, first]
            share = np.clip((full - a) / np.maximum(b - a, 1e-9), 0.0, 1.0)
            when = clock[r, first - 1] + share * (clock[r, first] - clock[r, first - 1])
            planned[f"cylinder:{name}"] = band_of(np.where(gone.any(axis=1), when, np.inf))
            holds[f"cylinder:{name}"] = float(np.mean(~gone.any(axis=1)))
            mine_taken = np.clip(taken - passed, 0.0, None)
            litres[name] = np.clip(full[:, None] - leak - mine_taken, 0.0, None)
            kept = np.clip(full - leak[:, -1], 0.0, None)
            passed = passed + kept[:, None]
            have += kept
        holds[f"gas:{gas}"] = float(np.mean(have >= need))
        reserve = rows.case.policy.gas.factor.value
        holds[f"reserve:{gas}"] = float(np.mean(have >= reserve * need))
        for number in (n for n in mine if n < current):
            name = rows.cylinders[number].name
            full = deliverable_l(rows, number)
            planned[f"cylinder:{name}"] = band_of(np.full(m, np.inf))
            litres[name] = np.repeat(full[:, None], clock.shape[1], axis=1)
    return holds, planned, litres
