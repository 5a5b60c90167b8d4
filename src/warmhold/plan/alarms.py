"""Alarm limits: what policy asks for, placed on the steps that this unit really has.

A limit is only ever moved to the safe side: a low limit up, a high limit down, so that the alarm
sounds earlier than asked and never later. Where the unit cannot do that, the limit is not set in
silence at something near; the sheet says what the unit can do and what that leaves unguarded.

The sums are done with the decimal numbers as they were written: a step of 0.1 has no exact float.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from warmhold.model import Case, Grid, Policy, Sourced
from warmhold.plan.sheet import AlarmLimit

Side = Literal["low", "high"]

# A trip's own saturation target is guarded this many points outside it: a choice of this project.
OWN_TARGET_POINTS = 1.0

# What breathing gas can hold at all, from air to pure oxygen, in per cent.
_AIR_PERCENT = 20.9
_PURE_PERCENT = 100.0


@dataclass(frozen=True)
class _Wish:
    """One limit that somebody asks for."""

    title: str
    unit: str
    side: Side
    wanted: float
    asked_by: str
    source: str


def place_on_grid(wanted: float, grid: Grid, side: Side) -> float | None:
    """Where a limit can stand on the unit's own grid without moving to the unsafe side.

    Parameters
    ----------
    wanted : the limit that is asked for, finite [unit of the grid]
    grid : lowest, highest and step that the unit offers [unit of the grid]
    side : a low limit is moved up, a high limit down

    Returns
    -------
    The nearest settable value on the safe side [unit of the grid], ``None`` when there is none.
    """
    lowest, step = _exact(grid.lowest), _exact(grid.step)
    last = math.floor((_exact(grid.highest) - lowest) / step)
    steps = (_exact(wanted) - lowest) / step
    place = max(math.ceil(steps), 0) if side == "low" else min(math.floor(steps), last)
    return float(lowest + place * step) if 0 <= place <= last else None


def alarm_limits(case: Case, oxygen_percent: float, on_oxygen: bool) -> tuple[AlarmLimit, ...]:
    """All alarm limits of one trip, in the order in which they are shown.

    Parameters
    ----------
    case : trip, unit and policy
    oxygen_percent : oxygen in the gas that the baby breathes at the start [%]
    on_oxygen : whether the baby gets oxygen at any time of the trip

    Returns
    -------
    Low and high limit of saturation, of oxygen in the gas, and of pulse. Policy's rows are chosen
    by gestation at birth. Where no limit can be given, the sentence says why.
    """
    return (
        *_saturation(case, on_oxygen),
        *_oxygen(case, oxygen_percent),
        *_pulse(case),
    )


def _saturation(case: Case, on_oxygen: bool) -> tuple[AlarmLimit, AlarmLimit]:
    limits = case.unit.limits
    low_grid, high_grid = limits.alarm_saturation_low_percent, limits.alarm_saturation_high_percent
    titles = ("Oxygen saturation, low", "Oxygen saturation, high")
    weeks = case.trip.baby.gestation_weeks
    own = case.trip.baby.saturation_target_percent
    row = next((row for row in case.policy.saturation if weeks < row.below_weeks), None)
    if own is not None:
        asked_by = f"this trip's own target of {own[0]:g} to {own[1]:g} %"
        source = f"the trip's own target, {OWN_TARGET_POINTS:g} point outside it (own choice)"
        target = own
        low_wanted = float(_exact(own[0]) - _exact(OWN_TARGET_POINTS))
        high_wanted = min(float(_exact(own[1]) + _exact(OWN_TARGET_POINTS)), _PURE_PERCENT)
        sources = (source, source)
    elif row is not None:
        asked_by = "policy"
        target = (row.target_low_percent.value, row.target_high_percent.value)
        low_wanted, high_wanted = row.alarm_low_percent.value, row.alarm_high_percent.value
        sources = (
            _cite(case.policy, row.alarm_low_percent),
            _cite(case.policy, row.alarm_high_percent),
        )
    else:
        reason = f"policy has no saturation row for {weeks:g} weeks"
        return (
            _cannot_tell(titles[0], "%", reason, low_grid, case.policy),
            _cannot_tell(titles[1], "%", reason, high_grid, case.policy),
        )

    low = _placed(_Wish(titles[0], "%", "low", low_wanted, asked_by, sources[0]), low_grid)
    high = _placed(_Wish(titles[1], "%", "high", high_wanted, asked_by, sources[1]), high_grid)
    if low.set_to is not None and low.set_to >= target[0]:
        low = _say(low, f"It lies in the target from {target[0]:g} %: expect it to sound there.")
    if not on_oxygen:
        return low, _relaxed(high, high_grid)
    if high.set_to is not None and high.set_to <= target[1]:
        high = _say(high, f"It lies in the target up to {target[1]:g} %: expect it to sound there.")
    if high.set_to is not None and high.set_to >= _PURE_PERCENT:
        high = _say(
            high,
            "A high limit of 100 % can never sound: it is the same as no alarm. "
            "Too much oxygen then goes unnoticed by this alarm.",
        )
    return _with_room(low, high)


def _relaxed(high: AlarmLimit, grid: Grid) -> AlarmLimit:
    if high.set_to is None:
        later = f"if oxygen is started: {high.sentence[0].lower()}{high.sentence[1:]}"
    else:
        later = f"if oxygen is started, set it to {_text(high.set_to, '%')}."
    return AlarmLimit(
        title=high.title,
        unit=high.unit,
        wanted=high.wanted,
        set_to=None,
        state="not used",
        sentence="Not used in room air, where a high reading is not too much oxygen: relax it to "
        f"{_text(_top(grid), '%')}, the highest this unit offers; {later}",
        source=high.source,
    )


def _oxygen(case: Case, oxygen_percent: float) -> tuple[AlarmLimit, AlarmLimit]:
    limits, rules = case.unit.limits, case.policy.alarm_oxygen
    low_grid, high_grid = limits.alarm_oxygen_low_percent, limits.alarm_oxygen_high_percent
    titles = ("Oxygen in the gas, low", "Oxygen in the gas, high")
    if not _AIR_PERCENT <= oxygen_percent <= _PURE_PERCENT:
        reason = "the oxygen that is given is not known"
        return (
            _cannot_tell(titles[0], "%", reason, low_grid, case.policy),
            _cannot_tell(titles[1], "%", reason, high_grid, case.policy),
        )
    given = _exact(oxygen_percent)
    low_wanted = float(given - _exact(rules.below_points.value))
    high_wanted = float(given + _exact(rules.above_points.value))
    low = _placed(
        _Wish(titles[0], "%", "low", low_wanted, "policy", _cite(case.policy, rules.below_points)),
        low_grid,
    )
    if low.set_to is not None and low.set_to >= oxygen_percent:
        low = _say(low, f"That is not below the {_text(oxygen_percent, '%')} given: it will sound.")
    if high_wanted > _PURE_PERCENT:
        high = AlarmLimit(
            title=titles[1],
            unit="%",
            wanted=None,
            set_to=None,
            state="not used",
            sentence=f"Not used: {rules.above_points.value:g} points above the "
            f"{_text(oxygen_percent, '%')} given is more than pure oxygen.",
            source=_cite(case.policy, rules.above_points),
        )
        return low, high
    high = _placed(
        _Wish(
            titles[1], "%", "high", high_wanted, "policy", _cite(case.policy, rules.above_points)
        ),
        high_grid,
    )
    if high.set_to is not None and high.set_to >= _PURE_PERCENT:
        high = _say(high, "A high limit of 100 % can never sound: it is the same as no alarm.")
    elif high.set_to is not None and high.set_to <= oxygen_percent:
        high = _say(
            high, f"That is not above the {_text(oxygen_percent, '%')} given: it will sound."
        )
    return _with_room(low, high)


def _pulse(case: Case) -> tuple[AlarmLimit, AlarmLimit]:
    limits, baby = case.unit.limits, case.trip.baby
    low_grid, high_grid = limits.alarm_pulse_low_per_min, limits.alarm_pulse_high_per_min
    titles, unit = ("Pulse, low", "Pulse, high"), "/min"
    row = next((row for row in case.policy.pulse if baby.gestation_weeks < row.below_weeks), None)
    if baby.cooled or row is None:
        reason = (
            "policy's pulse limits are not for a baby cooled on purpose, whose pulse is lower; "
            "ask the clinician in charge"
            if baby.cooled
            else f"policy has no pulse row for {baby.gestation_weeks:g} weeks"
        )
        return (
            _cannot_tell(titles[0], unit, reason, low_grid, case.policy),
            _cannot_tell(titles[1], unit, reason, high_grid, case.policy),
        )

    def placed(title: str, side: Side, asked: Sourced, grid: Grid) -> AlarmLimit:
        source = _cite(case.policy, asked)
        return _placed(_Wish(title, unit, side, asked.value, "policy", source), grid)

    return _with_room(
        placed(titles[0], "low", row.alarm_low_per_min, low_grid),
        placed(titles[1], "high", row.alarm_high_per_min, high_grid),
    )


def _placed(wish: _Wish, grid: Grid) -> AlarmLimit:
    """One wish on the unit's grid, in words."""
    set_to = place_on_grid(wish.wanted, grid, wish.side)
    asked = f"{wish.asked_by} asks for {_text(wish.wanted, wish.unit)}"
    state: Literal["as wanted", "moved to the safe side", "cannot be set"]
    if set_to is None:
        state = "cannot be set"
        nearest = _top(grid) if wish.side == "low" else grid.lowest
        edge = "ends at" if wish.side == "low" else "starts at"
        silent = sorted((nearest, wish.wanted))
        sentence = (
            f"Cannot be set: {asked}, this unit's {wish.side} limit {edge} "
            f"{_text(nearest, wish.unit)}. From {_text(silent[0], wish.unit)} to "
            f"{_text(silent[1], wish.unit)} no alarm of this unit sounds: guard that with another "
            f"monitor or by eye, and set {_text(nearest, wish.unit)} rather than nothing."
        )
    elif _exact(set_to) == _exact(wish.wanted):
        state = "as wanted"
        sentence = f"Set it to {_text(set_to, wish.unit)}, as {wish.asked_by} asks."
    elif grid.lowest <= wish.wanted <= _top(grid):
        state = "moved to the safe side"
        direction = "up" if wish.side == "low" else "down"
        sentence = (
            f"Set it to {_text(set_to, wish.unit)}: {asked}, this unit has steps of "
            f"{grid.step:g}; moved {direction}, so that it sounds earlier."
        )
    else:
        state = "moved to the safe side"
        end = "lowest" if wish.side == "low" else "highest"
        sentence = (
            f"Set it to {_text(set_to, wish.unit)}, the {end} this unit offers: {asked}; "
            "it sounds earlier than asked."
        )
    return AlarmLimit(
        title=wish.title,
        unit=wish.unit,
        wanted=wish.wanted,
        set_to=set_to,
        state=state,
        sentence=sentence,
        source=wish.source,
    )


def _cannot_tell(title: str, unit: str, reason: str, grid: Grid, policy: Policy) -> AlarmLimit:
    return AlarmLimit(
        title=title,
        unit=unit,
        wanted=None,
        set_to=None,
        state="cannot be set",
        sentence=f"Cannot tell: {reason}. This unit offers {grid.lowest:g} to "
        f"{_text(_top(grid), unit)} in steps of {grid.step:g}.",
        source=f"policy {policy.name}: no figure for this baby",
    )


def _with_room(low: AlarmLimit, high: AlarmLimit) -> tuple[AlarmLimit, AlarmLimit]:
    """The pair, with a word where the two limits leave nothing between them."""
    if low.set_to is None or high.set_to is None or low.set_to < high.set_to:
        return low, high
    text = "Low and high limit leave no room between them: one of the two always sounds."
    return _say(low, text), _say(high, text)


def _say(limit: AlarmLimit, more: str) -> AlarmLimit:
    return AlarmLimit(
        title=limit.title,
        unit=limit.unit,
        wanted=limit.wanted,
        set_to=limit.set_to,
        state=limit.state,
        sentence=f"{limit.sentence} {more}",
        source=limit.source,
    )


def _cite(policy: Policy, asked: Sourced) -> str:
    return f"policy {policy.name}: {asked.source} ({asked.mark})"


def _top(grid: Grid) -> float:
    """Highest value that stands on the grid, counted from the lowest."""
    lowest, step = _exact(grid.lowest), _exact(grid.step)
    return float(lowest + math.floor((_exact(grid.highest) - lowest) / step) * step)


def _exact(number: float) -> Fraction:
    """The decimal number that a person wrote, not the float that stands nearest to it."""
    return Fraction(repr(float(number)))


def _text(number: float, unit: str) -> str:
    text = f"{round(number, 2):g}"
    return f"{text} {unit}" if unit == "%" else f"{text}{unit}"
