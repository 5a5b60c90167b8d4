"""Neutral temperature of a naked baby, from several published sources side by side.

A source is asked only inside its range. Outside it the answer is ``None``, unknown, with the
reason in words: nothing is stretched. The numbers come in as :class:`NeutralTables`.

Individual babies vary more than the sources differ (Rutter, Brown and Hull 1978; verified): show
the sources' range, never a single promise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from warmhold.science.types import Num

Mark = Literal["verified", "derived", "practice", "memory", "own"]

HOURS_PER_DAY = 24.0


@dataclass(frozen=True)
class NeutralEstimate:
    """What one source gives, as operative temperature.

    ``mid_c`` is its single value. ``low_c`` or ``high_c`` alone means "at least" or "at most". All
    three ``None`` means unknown; ``note`` then says why.
    """

    source: str
    low_c: float | None
    mid_c: float | None
    high_c: float | None
    mark: Mark
    note: str


@dataclass(frozen=True)
class SauerFirstWeek:
    """Equation for the first week: by gestation and age."""

    at_zero_c: float
    per_week_k: float
    per_day_k: float
    zero_weeks: float
    mark: Mark


@dataclass(frozen=True)
class SauerLater:
    """Equation after the first week: by weight and age."""

    at_zero_c: float
    per_kg_k: float
    per_day_k: float
    lowest_g: float
    highest_g: float
    highest_days: float
    mark: Mark


@dataclass(frozen=True)
class HumidityCorrection:
    """How the neutral temperature falls as the air gets moister, and where that was measured."""

    per_kpa_k: float
    driest_kpa: float
    wettest_kpa: float
    second_per_kpa_k: float
    second_driest_kpa: float
    second_wettest_kpa: float

    @property
    def middle_kpa(self) -> float:
        """Vapour pressure at which nothing is corrected [kPa]."""
        return 0.5 * (self.driest_kpa + self.wettest_kpa)


@dataclass(frozen=True)
class Sauer:
    """Both equations with the babies they were made from."""

    title: str
    lowest_weeks: float
    highest_weeks: float
    first_week_days: float
    first_week: SauerFirstWeek
    later: SauerLater
    humidity: HumidityCorrection


@dataclass(frozen=True)
class TableRow:
    """One cell of a table: an age span and the temperatures given for it."""

    from_h: float
    to_h: float
    mid_c: float
    low_c: float | None
    high_c: float | None
    mark: Mark
    note: str


@dataclass(frozen=True)
class TableGroup:
    """The rows for one group of babies, ``from_g`` included and ``below_g`` not."""

    from_g: float
    below_g: float  # infinity: the table prints no upper end
    above_weeks: float | None  # only for babies of more than these weeks
    rows: tuple[TableRow, ...]


@dataclass(frozen=True)
class NeutralTable:
    """A printed table by weight and age."""

    title: str
    mark: Mark
    note: str
    groups: tuple[TableGroup, ...]


@dataclass(frozen=True)
class SingleWallRule:
    """The rule for a single-walled hood and the coldest room it is good for."""

    air_above_room_k: float
    coldest_room_c: float
    mark: Mark


@dataclass(frozen=True)
class NeutralTables:
    """All sources of the neutral temperature."""

    sauer: Sauer
    scopes_ahmed: NeutralTable
    steps: NeutralTable
    single_wall: SingleWallRule


def sauer_first_week_c(gestation_weeks: Num, age_days: Num, equation: SauerFirstWeek) -> Num:
    """Neutral temperature in the first week of life, at the middle humidity of the source.

    The bare equation; :func:`neutral_sources` keeps it inside its range.

    Parameters
    ----------
    gestation_weeks : gestation at birth, 29 to 34 [wk]
    age_days : age since birth, 0 to 7 [d]
    equation : coefficients [degC, K/wk, K/d, wk]

    Returns
    -------
    Operative temperature [degC], with the broadcast shape of the inputs.

    Source
    ------
    Sauer, Dane, Visser 1984, Arch Dis Child 59:18. Coefficients verified in a summary of the
    paper; that gestation is counted from 30 weeks is from memory.
    """
    weeks = gestation_weeks - equation.zero_weeks
    return equation.at_zero_c + equation.per_week_k * weeks + equation.per_day_k * age_days


def sauer_later_c(weight_g: Num, age_days: Num, equation: SauerLater) -> Num:
    """Neutral temperature after the first week of life, at the middle humidity of the source.

    It does not meet the first week's equation at day 7 (31 wk and 1.4 kg: 34.30 against 33.83).

    Parameters
    ----------
    weight_g : weight now, 1000 to 2000 [g]
    age_days : age since birth, 7 to 28 [d]
    equation : coefficients [degC, K/kg, K/d]

    Returns
    -------
    Operative temperature [degC], with the broadcast shape of the inputs.

    Source
    ------
    Sauer, Dane, Visser 1984, Arch Dis Child 59:18. The equation is from memory.
    """
    kilograms = weight_g / 1000.0
    return equation.at_zero_c + equation.per_kg_k * kilograms + equation.per_day_k * age_days


def operative_c(air_c: Num, radiant_c: Num, radiant_weight: Num) -> Num:
    """Operative temperature of air and surroundings together.

    Parameters
    ----------
    air_c : air temperature around the baby [degC]
    radiant_c : mean temperature of the surfaces that the baby sees [degC]
    radiant_weight : share of the surfaces, h_r / (h_r + h_c), from 0 to 1 [-]

    Returns
    -------
    Operative temperature [degC], with the broadcast shape of the inputs.

    Source
    ------
    Definition T_op = (h_r T_r + h_c T_a) / (h_r + h_c). The weight is 0.6 after Hey (memory), 0.44
    to 0.48 out of manikin coefficients of Wheldon 1982 (derived).
    """
    return air_c + radiant_weight * (radiant_c - air_c)


def hey_operative(air_c: Num, room_c: Num, air_above_room_k: float = 7.0) -> Num:
    """Operative temperature in a single-walled hood: a seventh of air minus room below its air.

    Parameters
    ----------
    air_c : air temperature in the hood [degC]
    room_c : temperature of the room, 15 or more and not above the hood's air [degC]
    air_above_room_k : difference that costs one kelvin [K]

    Returns
    -------
    Operative temperature [degC], with the broadcast shape of the inputs. In a colder room the rule
    is stretched: check with :func:`single_wall_in_range`.

    Source
    ------
    T_op = T_air - (T_air - T_room) / 7: footnote of the step table after Hey (memory).
    """
    return air_c - (air_c - room_c) / air_above_room_k


def hey_air(operative: Num, room_c: Num, air_above_room_k: float = 7.0) -> Num:
    """Air temperature that gives an operative temperature in a single-walled hood.

    Parameters
    ----------
    operative : operative temperature that is wanted [degC]
    room_c : temperature of the room, 15 or more and not above the hood's air [degC]
    air_above_room_k : difference that costs one kelvin, more than 1 [K]

    Returns
    -------
    Air temperature [degC], the inverse of :func:`hey_operative` (derived).
    """
    return (air_above_room_k * operative - room_c) / (air_above_room_k - 1.0)


def single_wall_in_range(air_c: float, room_c: float, rule: SingleWallRule) -> bool:
    """Whether the single-wall rule may be used here.

    Parameters
    ----------
    air_c : air temperature in the hood [degC]
    room_c : temperature of the room [degC]
    rule : the rule with its coldest room [degC]

    Returns
    -------
    True from the rule's coldest room up to the hood's own air; False for a NaN.
    """
    return rule.coldest_room_c <= room_c <= air_c


def neutral_sources(
    weight_g: float,
    gestation_weeks: float,
    age_h: float,
    vapour_kpa: float | None,
    tables: NeutralTables,
) -> tuple[NeutralEstimate, ...]:
    """Neutral temperature of one naked, resting baby from each source.

    Parameters
    ----------
    weight_g : weight now, above 0 [g]
    gestation_weeks : gestation at birth [wk]
    age_h : age since birth, 0 or more [h]
    vapour_kpa : vapour pressure of the hood's air; None when it is not known [kPa]
    tables : the sources' numbers [degC, g, h]

    Returns
    -------
    One estimate per source, always all of them and in the same order: equations of Sauer, table of
    Scopes and Ahmed, step table after Hey. Outside a source's range all its temperatures are None.
    No error is raised; a NaN is outside every range.

    Source
    ------
    Named in each estimate and in the tables, with its mark.
    """
    return (
        _sauer(weight_g, gestation_weeks, age_h, vapour_kpa, tables.sauer),
        _from_table(weight_g, gestation_weeks, age_h, tables.scopes_ahmed),
        _from_table(weight_g, gestation_weeks, age_h, tables.steps),
    )


def _sauer(
    weight_g: float, gestation_weeks: float, age_h: float, vapour_kpa: float | None, sauer: Sauer
) -> NeutralEstimate:
    first, later = sauer.first_week, sauer.later
    in_first_week = age_h <= sauer.first_week_days * HOURS_PER_DAY
    mark = first.mark if in_first_week else later.mark

    reasons = []
    if not sauer.lowest_weeks <= gestation_weeks <= sauer.highest_weeks:
        reasons.append(
            f"made from babies of {sauer.lowest_weeks:g} to {sauer.highest_weeks:g} weeks, "
            f"this one is {gestation_weeks:g}"
        )
    if not age_h >= 0.0:
        reasons.append(f"an age of {age_h:g} h is not one")
    if age_h >= 0.0 and not in_first_week:
        if not later.lowest_g <= weight_g <= later.highest_g:
            reasons.append(
                f"after the first week used from {later.lowest_g:g} to {later.highest_g:g} g, "
                f"this baby has {weight_g:g}"
            )
        if not age_h <= later.highest_days * HOURS_PER_DAY:
            reasons.append(f"used up to {later.highest_days:g} days")
    if not weight_g > 0.0:
        reasons.append(f"a weight of {weight_g:g} g is not one")
    if vapour_kpa is not None and not vapour_kpa >= 0.0:
        reasons.append(f"a vapour pressure of {vapour_kpa:g} kPa is not one")
    if reasons:
        return _unknown(sauer.title, mark, "; ".join(reasons))

    # Whether the paper counts the first day as 0 or 1 was not read: the range covers both.
    def at(days: float) -> float:
        value = (
            sauer_first_week_c(gestation_weeks, days, first)
            if in_first_week
            else sauer_later_c(weight_g, days, later)
        )
        return float(value)

    days = age_h / HOURS_PER_DAY
    last_day = sauer.first_week_days if in_first_week else later.highest_days
    next_day = min(math.floor(days) + 1.0, last_day)
    low, mid, high = at(next_day), at(days), at(math.floor(days))
    notes = ["first week" if in_first_week else "after the first week"]
    notes.append("range: the day's count only; how babies scatter about it was not read")
    shift_low, shift_mid, shift_high, humidity_note = _humidity_shift(vapour_kpa, sauer.humidity)
    notes.append(humidity_note)
    return NeutralEstimate(
        source=sauer.title,
        low_c=None if shift_low is None else low + shift_low,
        mid_c=None if shift_mid is None else mid + shift_mid,
        high_c=None if shift_high is None else high + shift_high,
        mark=mark,
        note="; ".join(notes),
    )


def _humidity_shift(
    vapour_kpa: float | None, humidity: HumidityCorrection
) -> tuple[float | None, float | None, float | None, str]:
    """Shift of low, mid and high [K], and what to say about it.

    Inside what was measured: the measured slope. Beyond it, as far as a second and steeper source
    reaches: held at the edge, and widened by the steeper slope. Beyond both: only the side that is
    certain, because drier air can only ask for more warmth and moister air for less.
    """
    slope, middle = humidity.per_kpa_k, humidity.middle_kpa
    at_driest = slope * (humidity.driest_kpa - middle)
    at_wettest = slope * (humidity.wettest_kpa - middle)
    if vapour_kpa is None:
        return at_wettest, 0.0, at_driest, "humidity not known, range widened for it"
    if humidity.driest_kpa <= vapour_kpa <= humidity.wettest_kpa:
        shift = slope * (vapour_kpa - middle)
        return shift, shift, shift, f"corrected for {vapour_kpa:.2f} kPa of vapour"
    steep = humidity.second_per_kpa_k * (vapour_kpa - middle)
    if vapour_kpa < humidity.driest_kpa:
        said = f"air drier than measured ({vapour_kpa:.2f} below {humidity.driest_kpa:.2f} kPa)"
        if vapour_kpa >= humidity.second_driest_kpa:
            return at_driest, at_driest, steep, f"{said}, range widened upwards"
        return at_driest, None, None, f"{said}: at least this"
    said = f"air moister than measured ({vapour_kpa:.2f} above {humidity.wettest_kpa:.2f} kPa)"
    if vapour_kpa <= humidity.second_wettest_kpa:
        return steep, at_wettest, at_wettest, f"{said}, range widened downwards"
    return None, None, at_wettest, f"{said}: at most this"


def _from_table(
    weight_g: float, gestation_weeks: float, age_h: float, table: NeutralTable
) -> NeutralEstimate:
    by_weight = [g for g in table.groups if weight_g > 0.0 and g.from_g <= weight_g < g.below_g]
    if not by_weight:
        return _unknown(table.title, table.mark, f"no row for a weight of {weight_g:g} g")
    groups = [g for g in by_weight if g.above_weeks is None or gestation_weeks > g.above_weeks]
    if not groups:
        return _unknown(
            table.title,
            table.mark,
            f"{weight_g:g} g has a row only above {by_weight[0].above_weeks:g} weeks, "
            f"this baby is {gestation_weeks:g}",
        )
    for group in groups:
        for row in group.rows:
            if row.from_h <= age_h < row.to_h:
                return NeutralEstimate(
                    source=table.title,
                    low_c=row.low_c,
                    mid_c=row.mid_c,
                    high_c=row.high_c,
                    mark=row.mark,
                    note="; ".join(text for text in (table.note, row.note) if text),
                )
    return _unknown(table.title, table.mark, f"no row for {weight_g:g} g at {age_h:g} h")


def _unknown(source: str, mark: Mark, reason: str) -> NeutralEstimate:
    return NeutralEstimate(source, None, None, None, mark, f"unknown: {reason}")
