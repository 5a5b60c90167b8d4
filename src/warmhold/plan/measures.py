"""What an ensemble says about each thing that must last or stay in range.

Every measure gives one number to spare for each member, positive when there is something left,
and the moment at which that member fails, minutes from the baby going in, infinite if it does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, Cylinder
from warmhold.model.policy import Policy
from warmhold.science.battery import rate_share, temperature_share
from warmhold.science.gas import deliverable_l
from warmhold.simulate import layout as at
from warmhold.simulate.draws import Draws, drawn
from warmhold.simulate.readouts import (
    body_temperature_c,
    leg_of_output,
    minutes_from_loading,
    minutes_left,
)
from warmhold.simulate.scenario import Ensemble, Outcome, by_skin, skin_set_c

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SETTLING_MIN = 10.0  # after loading or an opening, before the air is held to its set point
GAS_COLDEST_C, GAS_WARMEST_C = -40.0, 60.0


@dataclass(frozen=True)
class Measure:
    """One thing measured over the ensemble.

    spare : (members,) what is to spare
    fails_min : (members,) when the thing itself gives out, inf if it does not [min]
    where : (members,) leg with the least to spare, -1 for none
    """

    spare: Floats
    fails_min: Floats
    where: Ints


def _first(condition: NDArray[np.bool_], minutes: Floats) -> Floats:
    happens = condition.any(axis=1)
    index = condition.argmax(axis=1)
    found = minutes[np.arange(len(index)), index]
    return np.where(happens, found, np.inf)


def _extreme(values: Floats, outcome: Outcome, *, lowest: bool) -> tuple[Floats, Ints]:
    """Least (or greatest) value with the baby aboard, and the leg where it is."""
    aboard = values[:, outcome.aboard_from :]
    index = aboard.argmin(axis=1) if lowest else aboard.argmax(axis=1)
    rows = np.arange(len(index))
    return aboard[rows, index], leg_of_output(outcome)[outcome.aboard_from :][index]


def body_bounds_c(policy: Policy, cooled: bool) -> tuple[float, float]:
    """Policy's temperature band for this baby [degC]."""
    rules = policy.temperature
    if cooled:
        return rules.cooled_low_c.value, rules.cooled_high_c.value
    return rules.low_c.value, rules.high_c.value


def starts_outside(outcome: Outcome) -> str:
    """Whether the baby comes already too "cold" or too "hot" for policy's band; "" if neither."""
    case = outcome.ensemble.case
    low, high = body_bounds_c(case.policy, case.trip.baby.cooled)
    first = float(np.median(body_temperature_c(outcome)[:, outcome.aboard_from]))
    return "cold" if first < low else "hot" if first > high else ""


def cold(outcome: Outcome) -> Measure:
    """Lowest body temperature over policy's lower bound [K].

    For a baby that comes too cold already: the temperature at handover.
    """
    case = outcome.ensemble.case
    low, _ = body_bounds_c(case.policy, case.trip.baby.cooled)
    if starts_outside(outcome) == "cold":
        return _at_handover(outcome, body_temperature_c(outcome)[:, -1] - low)
    body = body_temperature_c(outcome)
    least, where = _extreme(body, outcome, lowest=True)
    minutes = minutes_from_loading(outcome)[:, outcome.aboard_from :]
    return Measure(least - low, _first(body[:, outcome.aboard_from :] < low, minutes), where)


def hot(outcome: Outcome) -> Measure:
    """Policy's upper bound over the highest body temperature [K].

    For a baby that comes too hot already: the temperature at handover.
    """
    case = outcome.ensemble.case
    _, high = body_bounds_c(case.policy, case.trip.baby.cooled)
    if starts_outside(outcome) == "hot":
        return _at_handover(outcome, high - body_temperature_c(outcome)[:, -1])
    body = body_temperature_c(outcome)
    most, where = _extreme(body, outcome, lowest=False)
    minutes = minutes_from_loading(outcome)[:, outcome.aboard_from :]
    return Measure(high - most, _first(body[:, outcome.aboard_from :] > high, minutes), where)


def _at_handover(outcome: Outcome, spare: Floats) -> Measure:
    last = len(outcome.ensemble.case.trip.legs) - 1
    members = len(spare)
    return Measure(spare, np.full(members, np.inf), np.full(members, last, dtype=np.int64))


def heat(outcome: Outcome) -> Measure:
    """Least hood air over its allowed floor below the set point, once settled [K].

    Under skin control the air is meant to move: there the skin stands in for it, held to the same
    floor below its own setting.
    """
    ensemble = outcome.ensemble
    if by_skin(ensemble.case):
        floor = skin_set_c(ensemble.case)
        held = outcome.state(at.SKIN)
    else:
        floor, held = ensemble.air_set_c, outcome.state(at.AIR)
    floor -= ensemble.case.policy.temperature.air_floor_below_set_k.value
    counted = _settled_outputs(outcome)
    air = np.where(counted, held, np.inf)
    index = air.argmin(axis=1)
    rows = np.arange(len(index))
    least = air[rows, index]
    spare = np.where(np.isfinite(least), least, held[:, -1]) - floor
    return Measure(
        spare,
        _first(air < floor, minutes_from_loading(outcome)),
        leg_of_output(outcome)[index],
    )


def settles(outcome: Outcome) -> bool:
    """Whether most members have any moment at which the air can be held to its setting."""
    return bool(_settled_outputs(outcome).any(axis=1).mean() >= 0.5)


def _settled_outputs(outcome: Outcome) -> NDArray[np.bool_]:
    """Outputs of the legs that are not within settling time of an opening."""
    ensemble = outcome.ensemble
    clock = outcome.run.clock_s
    counted = np.zeros(clock.shape, dtype=np.bool_)
    closed_at = np.full(clock.shape[0], -np.inf)
    for number, stretch in enumerate(ensemble.stretches):
        first, last = int(outcome.edges[number]), int(outcome.edges[number + 1])
        if stretch.opening:
            closed_at = clock[:, last]
            continue
        if stretch.kind != "leg":
            continue
        part = slice(first + 1, last + 1)
        counted[:, part] = clock[:, part] - closed_at[:, None] >= SETTLING_MIN * 60.0
    return counted


def off_mains_runs(case: Case) -> list[tuple[int, int]]:
    """Unbroken runs of legs on battery, as first and last leg."""
    runs: list[tuple[int, int]] = []
    for number, leg in enumerate(case.trip.legs):
        if leg.power != "battery":
            continue
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def battery(outcome: Outcome) -> Measure:
    """Minutes of battery beyond what policy asks [min].

    A member whose battery never empties has the minutes left at the end of the tightest run of
    battery legs, at that run's mean draw, less policy's reserve. One whose battery does has the
    minutes without power, from the baby going in on, below zero, less the reserve of the run in
    which it first empties, or of the next one when that is outside (warming up, a weak source).
    """
    ensemble = outcome.ensemble
    members = ensemble.p.shape[0]
    clock, charge = outcome.run.clock_s / 60.0, outcome.state(at.CHARGE)
    fails = outcome.run.empty_s / 60.0 - clock[:, outcome.aboard_from]
    without = _minutes_without_power(outcome)
    died = (without > 0.0) | np.isfinite(fails)
    runs = off_mains_runs(ensemble.case)
    if runs:
        spare, reserve, where = _tightest_run(outcome, runs, clock, charge, fails)
    else:
        aboard = minutes_left(outcome)[:, outcome.aboard_from :]
        index = aboard.argmin(axis=1)
        spare, reserve = aboard[np.arange(members), index], np.zeros(members)
        where = leg_of_output(outcome)[outcome.aboard_from :][index]
    least = np.minimum(-without, -1.0e-6)  # a battery that emptied never holds
    return Measure(np.where(died, least - reserve, spare), fails, where)


def _tightest_run(
    outcome: Outcome, runs: list[tuple[int, int]], clock: Floats, charge: Floats, fails: Floats
) -> tuple[Floats, Floats, Ints]:
    """What is left at the tightest run; the reserve of the run where it empties; its first leg."""
    rules = outcome.ensemble.case.policy.battery
    members = len(fails)
    loaded = clock[:, outcome.aboard_from]
    spare = np.full(members, np.inf)
    reserve = np.zeros(members)
    where = np.where(np.isfinite(fails), leg_at(outcome, fails), -1)
    placed = np.zeros(members, dtype=np.bool_)
    for first, last in runs:
        begin = outcome.leg_outputs(first).start
        end = outcome.leg_outputs(last).stop - 1
        length = clock[:, end] - clock[:, begin]
        asked = (
            (rules.factor.value - 1.0) * length
            if rules.rule == "factor"
            else np.full(members, rules.plus_min.value)
        )
        used = np.maximum(charge[:, begin] - charge[:, end], 1.0e-9)
        left = charge[:, end] / used * length - asked
        moment = fails + loaded
        empties = (moment >= clock[:, begin]) & (moment <= clock[:, end])
        tighter = empties | (~np.isfinite(fails) & (left < spare))
        spare = np.where(tighter, left, spare)
        where = np.where(tighter, first, where)
        due = (moment <= clock[:, end]) & ~placed
        reserve = np.where(due, asked, reserve)
        placed |= due
    return spare, reserve, where


def _minutes_without_power(outcome: Outcome) -> Floats:
    """Minutes with the baby in and nothing that feeds the unit, (members,).

    To the output's own two minutes, but for the first time, which is known exactly.
    """
    begin = outcome.aboard_from
    ensemble = outcome.ensemble
    p, c = ensemble.p[:, None, :], ensemble.conditions
    must_run = p[..., at.ELECTRONICS_W] + c[..., at.COMPRESSING] * p[..., at.COMPRESSOR_W]
    fed = c[..., at.ON_EXTERNAL] > 0.5
    fed &= p[..., at.SUPPLY_EFFICIENCY] * c[..., at.EXTERNAL_W] >= must_run
    off = ~np.repeat(fed, ensemble.outputs, axis=1)
    dead = (outcome.state(at.CHARGE)[:, 1:] <= 0.0) & off
    clock = outcome.run.clock_s / 60.0
    since = np.maximum(clock[:, :-1], np.minimum(outcome.run.empty_s / 60.0, 1.0e9)[:, None])
    minutes = dead * np.maximum(clock[:, 1:] - since, 0.0)
    return np.asarray(minutes[:, begin:].sum(axis=1))


def minutes_at_leg_draw(outcome: Outcome) -> Floats:
    """Minutes the battery would carry the unit at the mean draw of each leg, (members, outputs)."""
    now = minutes_left(outcome)
    draw = outcome.flow(at.F_BATTERY_W)
    mean = draw.copy()
    for number in range(len(outcome.ensemble.case.trip.legs)):
        part = outcome.leg_outputs(number)
        running = np.where(draw[:, part] > 0.0, draw[:, part], np.nan)
        with np.errstate(invalid="ignore"):
            counted = np.isfinite(running).any(axis=1)
            leg_mean = np.where(counted, np.nansum(running, axis=1), 0.0)
            leg_mean = leg_mean / np.maximum(np.isfinite(running).sum(axis=1), 1)
        mean[:, part] = leg_mean[:, None]
    p = outcome.ensemble.p
    rate = rate_share(np.maximum(mean, 1.0e-3), p[:, at.RATED_W, None], p[:, at.PEUKERT, None])
    share = temperature_share(outcome.state(at.PACK), p[:, at.IS_LEAD, None])
    left = np.maximum(outcome.state(at.CHARGE), 0.0)
    minutes = 60.0 * left * share / (np.maximum(mean, 1.0e-3) * rate)
    return np.where((left > 0.0) & (mean > 0.0), minutes, np.where(left > 0.0, now, 0.0))


def leg_at(outcome: Outcome, minutes: Floats) -> Ints:
    """Leg that each member is on at its own moment, minutes from loading; -1 for none."""
    clock = minutes_from_loading(outcome)
    found = np.full(len(minutes), -1, dtype=np.int64)
    for number in range(len(outcome.ensemble.case.trip.legs)):
        part = outcome.leg_outputs(number)
        on = (minutes >= clock[:, part.start]) & (minutes <= clock[:, part.stop - 1])
        found = np.where(on & (found < 0), number, found)
    return found


@dataclass(frozen=True)
class Contents:
    """What the carried cylinders of one gas give, (members,), litres at 15 degC."""

    litres: Floats
    each: tuple[Floats, ...]


def use_temperature_c(ensemble: Ensemble) -> Floats:
    """Coldest ambient of the legs that use cylinders, for what must stay in them [degC]."""
    coldest = np.full(ensemble.p.shape[0], np.inf)
    for number, stretch in enumerate(ensemble.stretches):
        if stretch.leg is not None and ensemble.case.trip.legs[stretch.leg].gas == "cylinder":
            coldest = np.minimum(coldest, ensemble.conditions[:, number, at.AMBIENT])
    return np.clip(np.where(np.isfinite(coldest), coldest, 15.0), GAS_COLDEST_C, GAS_WARMEST_C)


def cylinder_litres(cylinder: Cylinder, key: str, draws: Draws, use_c: Floats) -> Floats:
    """Deliverable litres of one cylinder above its residual, (members,)."""
    gauge = drawn(
        draws.positive,
        f"trip.supplies.{key}.gauge_bar",
        f"gauge of {cylinder.name}",
        cylinder.gauge_bar,
        "bar",
    )
    temp = drawn(
        draws.normal,
        f"trip.supplies.{key}.gauge_at_c",
        f"temperature of {cylinder.name}",
        cylinder.gauge_at_c,
        "degC",
    )
    return np.asarray(
        deliverable_l(
            cylinder.gas,
            np.clip(gauge, 0.0, 350.0),
            np.clip(temp, GAS_COLDEST_C, GAS_WARMEST_C),
            cylinder.water_l,
            cylinder.residual_bar,
            use_c,
        ),
        dtype=np.float64,
    )


def contents(ensemble: Ensemble, gas: str) -> Contents:
    """Litres that the carried cylinders of one gas deliver."""
    use_c = use_temperature_c(ensemble)
    each = tuple(
        cylinder_litres(cylinder, f"cylinder.{cylinder.name}", ensemble.draws, use_c)
        for cylinder in ensemble.case.trip.supplies.cylinders
        if cylinder.gas == gas
    )
    total = np.sum(each, axis=0) if each else np.zeros(ensemble.p.shape[0])
    return Contents(np.asarray(total), each)


def leg_minutes(ensemble: Ensemble) -> Floats:
    """Minutes of each leg as simulated, (members, legs)."""
    legs = len(ensemble.case.trip.legs)
    minutes = np.zeros((ensemble.p.shape[0], legs))
    for number, stretch in enumerate(ensemble.stretches):
        if stretch.leg is not None:
            minutes[:, stretch.leg] += ensemble.durations_s[:, number] / 60.0
    return minutes


def runs_out_min(outcome: Outcome, lpm: Floats, litres: Floats) -> tuple[Floats, Ints]:
    """When a supply runs out, minutes from loading, inf if it does not; and on which leg.

    lpm : (members, legs) flow from it
    litres : (members,) what it delivers
    """
    used = lpm * leg_minutes(outcome.ensemble)
    running = np.cumsum(used, axis=1)
    out = running > litres[:, None]
    starts = minutes_from_loading(outcome)[
        :, [outcome.leg_outputs(n).start for n in range(lpm.shape[1])]
    ]
    rows = np.arange(len(litres))
    leg = out.argmax(axis=1)
    before = np.where(leg > 0, running[rows, leg - 1], 0.0)
    flow = np.maximum(lpm[rows, leg], 1.0e-9)
    moment = starts[rows, leg] + np.maximum(litres - before, 0.0) / flow
    happens = out.any(axis=1)
    return np.where(happens, moment, np.inf), np.where(happens, leg, -1).astype(np.int64)


def gas(outcome: Outcome, lpm: Floats, litres: Floats, factor: float) -> Measure:
    """Litres in the cylinders beyond ``factor`` times what the legs use [L].

    lpm : (members, legs) flow from cylinders
    litres : (members,) what they deliver
    """
    total = (lpm * leg_minutes(outcome.ensemble)).sum(axis=1)
    fails, leg = runs_out_min(outcome, lpm, litres)
    users = np.flatnonzero((lpm > 0.0).any(axis=0))
    last = int(users[-1]) if len(users) else -1
    return Measure(litres - factor * total, fails, np.where(leg >= 0, leg, last).astype(np.int64))


def altitude(outcome: Outcome) -> Measure:
    """Highest oxygen that can be given over what is needed in the cabin [percentage points]."""
    ensemble = outcome.ensemble
    most = ensemble.case.policy.oxygen.highest_percent.value
    need = ensemble.gas.need_fraction * 100.0
    leg = need.argmax(axis=1)
    rows = np.arange(len(leg))
    starts = minutes_from_loading(outcome)[
        :, [outcome.leg_outputs(n).start for n in range(need.shape[1])]
    ]
    over = need > most
    fails = np.where(over.any(axis=1), starts[rows, over.argmax(axis=1)], np.inf)
    return Measure(most - need[rows, leg], fails, leg.astype(np.int64))


def carbon_dioxide(outcome: Outcome) -> Measure:
    """Policy's limit over the highest carbon dioxide in the hood [%]."""
    limit = outcome.ensemble.case.policy.gas.carbon_dioxide_limit_percent.value
    percent = outcome.state(at.CARBON) * 100.0
    most, where = _extreme(percent, outcome, lowest=False)
    minutes = minutes_from_loading(outcome)[:, outcome.aboard_from :]
    over = percent[:, outcome.aboard_from :] > limit
    return Measure(limit - most, _first(over, minutes), where)


def humidity(outcome: Outcome) -> Measure:
    """Least vapour pressure in the hood, once settled, over policy's floor [kPa]."""
    floor = outcome.ensemble.case.policy.temperature.humidity_floor_kpa.value
    counted = _settled_outputs(outcome)
    vapour = np.where(counted, outcome.flow(at.F_VAPOUR_KPA), np.inf)
    index = vapour.argmin(axis=1)
    least = vapour[np.arange(len(index)), index]
    last = outcome.flow(at.F_VAPOUR_KPA)[:, -1]
    spare = np.where(np.isfinite(least), least, last) - floor
    fails = _first(vapour < floor, minutes_from_loading(outcome))
    return Measure(spare, fails, leg_of_output(outcome)[index])
