"""Plan a case: choose the setting, run the ensemble, weigh every margin, write the sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, timezone

import numpy as np
from numpy.typing import NDArray

from warmhold import __version__
from warmhold.model import Case
from warmhold.plan import measures
from warmhold.plan.alarms import alarm_limits
from warmhold.plan.changes import with_start
from warmhold.plan.drivers import assumed_behind
from warmhold.plan.facts import assumptions, attention, identity, measure_next, trip_facts
from warmhold.plan.gas_rows import cylinder_rows
from warmhold.plan.kit import lightest_kit
from warmhold.plan.margins import margin, measured
from warmhold.plan.measures import Measure
from warmhold.plan.mends import candidates, tried
from warmhold.plan.pictures import leg_spans, plots
from warmhold.plan.sheet import (
    AlarmLimit,
    Hold,
    Margin,
    Mend,
    OxygenRow,
    Sheet,
    Together,
    Verdict,
    WarmUp,
)
from warmhold.plan.start_point import choose_air_set, start_point
from warmhold.plan.validity import beyond
from warmhold.plan.warmup import warm_up
from warmhold.plan.words import band, band_of, number, share
from warmhold.science.air import vapour_pressure_kpa
from warmhold.science.analyser import reading_percent
from warmhold.science.atmosphere import altitude_m_at
from warmhold.science.oxygen import lowest_pressure_kpa
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Outcome, prepare, run

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]
DEFAULT_MEMBERS = 1000
DEFAULT_SEED = 20260101
KIT_MEMBERS = 400
HIGHEST_M = 4000.0  # cabin altitude up to which the model is used


def plan_case(
    case: Case,
    *,
    members: int = DEFAULT_MEMBERS,
    seed: int = DEFAULT_SEED,
    progress: Progress | None = None,
) -> Sheet:
    """Plan one case.

    Parameters
    ----------
    case : trip, unit and policy
    members : members of the ensemble, 50 or more
    seed : of all draws; the same seed gives the same sheet
    progress : told the present work and the share done, 0 to 1

    Returns
    -------
    The ``Sheet``.
    """
    if members < 50:
        raise ValueError(f"members: {members} is too few for a 5-95 % band; 50 or more are needed")
    tell = progress or (lambda _what, _done: None)
    tell("choosing the start temperature", 0.0)
    air_set_c, estimates, trials = choose_air_set(
        case, seed, lambda done: tell("choosing the start temperature", 0.3 * done)
    )
    asked, case = case, with_start(case, air_set_c=air_set_c)
    tell("warming up the unit", 0.3)
    warm, ready = warm_up(case, members, seed, air_set_c)
    tell("running the trip", 0.4)
    outcome = run(prepare(case, members, seed, air_set_c=air_set_c))
    outside = beyond(outcome.ensemble)
    found = measured(outcome, ready)
    margins = tuple(margin(key, item, outcome, outside) for key, item in found.items())
    tell("packing the lightest kit", 0.55)
    kit, taken, spares = lightest_kit(
        _once_warm(case, warm),
        outcome,
        min(members, KIT_MEMBERS),
        seed,
        lambda done: tell("packing the lightest kit", 0.55 + 0.1 * done),
    )
    failing = {m.key: m for m in margins if m.state == "falls short"}
    required = case.policy.verdict.probability_percent.value / 100.0
    mends, together = tried(
        case,
        candidates(case, failing, warm, outcome, taken, spares, seed),
        required,
        members,
        seed,
        lambda done: tell("trying what would mend it", 0.65 + 0.3 * done),
    )
    tell("writing the sheet", 0.97)
    verdict, headline = verdict_of(margins, found, warm)
    headline = _already(outcome) + headline
    unknown = frozenset(key for item in outside for key in item.unknown)
    untold = tuple(item.what for item in outside if {"cold", "hot"} & set(item.unknown))
    alarms = _alarms(case, outcome)
    critical = _critical(margins, found)
    sheet = Sheet(
        title=case.trip.title,
        identity=identity(case),
        verdict=verdict,
        headline=headline,
        first_to_fail=_first_to_fail(margins, found, outcome),
        needs_attention=(
            *_cannot_be_set(alarms),
            *attention(outcome, margins),
            *_unmended(margins, mends, together),
        ),
        start=start_point(asked, air_set_c, estimates, trials, outcome, untold),
        warm_up=warm,
        margins=margins,
        holds=() if "battery" in unknown else _holds(outcome),
        oxygen=_oxygen_rows(outcome),
        ceiling_altitude_m=_ceiling_m(outcome),
        kit=kit,
        cylinders=cylinder_rows(outcome),
        alarms=alarms,
        mends=mends,
        together=together,
        legs=leg_spans(outcome),
        plots=plots(outcome, unknown),
        assumptions=assumptions(case, outcome, margins),
        outside=tuple(item.what for item in outside),
        measure_next=measure_next(critical, outcome.ensemble.draws),
        trip_facts=trip_facts(case),
        now=case.trip.start.now.astimezone(timezone(case.trip.start.offset)),
        members=members,
        seed=seed,
        version=__version__,
    )
    tell("done", 1.0)
    return sheet


def _once_warm(case: Case, warm: WarmUp) -> Case:
    """The case with the baby going in when the unit is ready, if that is later than planned."""
    start = case.trip.start
    if warm.earliest_baby_in is None or warm.earliest_baby_in <= start.baby_in:
        return case
    return with_start(case, baby_in=warm.earliest_baby_in.astimezone(UTC))


def verdict_of(
    margins: tuple[Margin, ...], found: Mapping[str, Measure], warm: WarmUp
) -> tuple[Verdict, str]:
    """Go only when every margin that has to hold does."""
    must = [m for m in margins if m.must_hold]
    short = [m for m in must if m.state == "falls short"]
    unknown = [m for m in must if m.state == "cannot tell"]
    tail = f" Cannot tell: {_listed(unknown)}." if unknown else ""
    if short:
        return "not yet", _why_not_yet(short, found, warm) + tail
    if unknown:
        return "cannot tell", f"{tail.strip()} {unknown[0].reason}"
    if not must:
        return "cannot tell", "None of the margins that policy asks for could be worked out."
    tight = min(must, key=lambda m: (m.probability or 0.0, _spare(m)))
    return "go", f"Everything that has to hold does. Tightest: {tight.title}, {tight.sentence}"


def _why_not_yet(short: list[Margin], found: Mapping[str, Measure], warm: WarmUp) -> str:
    """The one reason first; the others named after it."""
    late = next((m for m in short if m.key == "warm"), None)
    planned = _in_time_order(_on_the_way(tuple(short)), found)
    others = planned + [m for m in short if m is not late and m not in planned]
    parts = []
    if late is not None and warm.earliest_baby_in is not None:
        parts.append(
            f"The unit is not warm in time: the baby can go in from {warm.earliest_baby_in:%H:%M}."
        )
    elif late is not None:
        parts.append(warm.sentence)
    if others:
        parts.append(f"{others[0].title}: {others[0].sentence}")
    if others[1:]:
        parts.append(f"Also short: {_listed(others[1:])}.")
    return " ".join(parts)


def _spare(item: Margin) -> float:
    return item.band.p05 if item.band is not None else 0.0


def _listed(items: list[Margin]) -> str:
    names = [item.title[0].lower() + item.title[1:] for item in items]
    return ", ".join(names[:-1]) + (" and " if len(names) > 1 else "") + names[-1]


def _in_time_order(items: list[Margin], found: Mapping[str, Measure]) -> list[Margin]:
    """Margins by how often each is the first to give out; the rest by probability."""
    firsts = _firsts(items, found)

    def rank(item: Margin) -> tuple[float, float]:
        return (-firsts[item.key], item.probability or 0.0)

    return sorted(items, key=rank)


def _firsts(items: list[Margin], found: Mapping[str, Measure]) -> dict[str, float]:
    """Share of members in which each thing is the first of all to give out on the way."""
    if not items:
        return {}
    moments = np.array([found[item.key].fails_min for item in items])
    first = np.where(np.isfinite(moments.min(axis=0)), moments.argmin(axis=0), -1)
    return {item.key: float(np.mean(first == number)) for number, item in enumerate(items)}


def _on_the_way(margins: tuple[Margin, ...]) -> list[Margin]:
    """What falls short of the trip as planned: not the warm-up, not what is only feared."""
    planned = [m for m in margins if m.key not in ("warm", "oxygen-worst", "air-worst")]
    return [m for m in planned if m.state == "falls short"]


def _first_to_fail(
    margins: tuple[Margin, ...], found: Mapping[str, Measure], outcome: Outcome
) -> str:
    short = _on_the_way(margins)
    if not short:
        return ""
    first = _in_time_order(short, found)[0]
    often = _firsts(short, found)[first.key]
    if often < 1.0 - first.required:
        return (
            "Nothing gives out in most simulated trips; the first reserve missed is "
            f"“{first.title}”."
        )
    fails = found[first.key].fails_min
    happens = np.isfinite(fails)
    legs = measures.leg_at(outcome, fails)[happens]
    legs = legs[legs >= 0]
    where = (
        f", most often on {outcome.ensemble.case.trip.legs[int(np.bincount(legs).argmax())].name}"
        if len(legs)
        else ""
    )
    return (
        f"{first.title}: the first to give out in {share(often)} of simulated trips, in the middle "
        f"case {number(float(np.median(fails[happens])), 0)} min after the baby goes in{where}."
    )


def _critical(margins: tuple[Margin, ...], found: Mapping[str, Measure]) -> Margin | None:
    """The margin on which the verdict hangs."""
    short = [m for m in margins if m.must_hold and m.state == "falls short"]
    if short:
        on_the_way = [m for m in _on_the_way(margins) if m.must_hold]
        return _in_time_order(on_the_way or short, found)[0]
    told = [m for m in margins if m.must_hold and m.probability is not None]
    return min(told, key=lambda m: (m.probability or 0.0, _spare(m))) if told else None


def _already(outcome: Outcome) -> str:
    """Said first when the baby comes outside the band."""
    outside = measures.starts_outside(outcome)
    if not outside:
        return ""
    case = outcome.ensemble.case
    low, high = measures.body_bounds_c(case.policy, case.trip.baby.cooled)
    first = number(case.trip.baby.temperature_c.value, 1)
    bound = f"below {number(low, 1)}" if outside == "cold" else f"above {number(high, 1)}"
    return f"The baby is already {bound} °C ({first} now, {case.trip.baby.temperature_site}). "


def _alarms(case: Case, outcome: Outcome) -> tuple[AlarmLimit, ...]:
    """Limits at the start, and those of oxygen on the leg where the need is clearly higher."""
    limits = alarm_limits(case, _oxygen_given(outcome), _on_oxygen(case))
    need = np.median(outcome.ensemble.gas.need_fraction, axis=0) * 100.0
    leg = int(need.argmax())
    if need[leg] < need[0] + 3.0:
        return limits
    most = case.policy.oxygen.highest_percent.value
    there = alarm_limits(case, float(round(min(need[leg], most))), _on_oxygen(case))
    name = case.trip.legs[leg].name
    return (
        *limits,
        *(
            replace(limit, title=f"{limit.title}, on {name} (corrected for pressure)")
            for limit in there
            if limit.title.startswith("Oxygen in the gas")
        ),
    )


def _cannot_be_set(alarms: tuple[AlarmLimit, ...]) -> tuple[str, ...]:
    return tuple(
        f"Alarm that this unit cannot be set to: {limit.title} (wanted {number(limit.wanted, 0)} "
        f"{limit.unit}). Have another monitor guard it."
        for limit in alarms
        if limit.state == "cannot be set" and limit.wanted is not None
    )


def _unmended(
    margins: tuple[Margin, ...], mends: tuple[Mend, ...], together: Together | None
) -> tuple[str, ...]:
    """What nothing that was tried makes hold."""
    if together is not None and together.holds:
        return ()
    mended = {mend.margin for mend in mends if mend.mends}
    left = [m for m in margins if m.must_hold and m.state == "falls short" and m.key not in mended]
    tried_for = {mend.margin for mend in mends}
    hard = [m for m in left if m.key in tried_for]
    return (f"Nothing that was tried makes this hold by itself: {_listed(hard)}.",) if hard else ()


def _holds(outcome: Outcome) -> tuple[Hold, ...]:
    """Minutes on battery at each leg's mean draw: left at its end, or if outside power is lost."""
    left = measures.minutes_at_leg_draw(outcome)
    found = []
    for index, leg in enumerate(outcome.ensemble.case.trip.legs):
        part = outcome.leg_outputs(index)
        if leg.power == "battery":
            minutes, source = left[:, part.stop - 1], "left when it ends"
        else:
            minutes, source = left[:, part].min(axis=1), f"if {leg.power} power is lost"
        assumed = assumed_behind(minutes, outcome.ensemble.draws.inputs)
        found.append(Hold(leg.name, band_of(minutes), source, assumed))
    return tuple(found)


def _oxygen_rows(outcome: Outcome) -> tuple[OxygenRow, ...]:
    case = outcome.ensemble.case
    if case.trip.baby.support == "none":
        return ()
    ground = case.trip.legs[0].pressure_kpa
    most = case.policy.oxygen.highest_percent.value
    rows = []
    for index, leg in enumerate(case.trip.legs):
        need = outcome.ensemble.gas.need_fraction[:, index] * 100.0
        spread = band_of(need)
        notes = []
        over = float(np.mean(need > most))
        if over > 0.0:
            notes.append(f"over {most:.0f} % in {share(over)} of simulated trips")
        shown = reading_percent(
            np.minimum(need, most), leg.pressure_kpa, _gas_vapour_kpa(outcome, index), ground,
            _start_vapour_kpa(outcome),
        )  # fmt: skip
        reads = band_of(np.asarray(shown))
        if abs(leg.pressure_kpa - ground) > 1.0:
            notes.append(
                "an analyser calibrated at the start and not corrected for pressure shows "
                f"{band(reads, 0)} %"
            )
        sentence = "; ".join(notes)
        rows.append(OxygenRow(leg.name, leg.pressure_kpa, spread, reads, sentence))
    return tuple(rows)


def _start_vapour_kpa(outcome: Outcome) -> float:
    """Vapour pressure where the analyser is calibrated [kPa]."""
    first = outcome.ensemble.conditions[:, 0]
    return float(np.median(vapour_pressure_kpa(first[:, at.AMBIENT_VAPOUR], first[:, at.AMBIENT])))


def _gas_vapour_kpa(outcome: Outcome, leg: int) -> float:
    """Vapour pressure of what the analyser sees: hood air, or dry gas from a circuit [kPa]."""
    if outcome.ensemble.case.trip.baby.support != "hood":
        return 0.0
    return float(np.median(outcome.flow(at.F_VAPOUR_KPA)[:, outcome.leg_outputs(leg)]))


def _ceiling_m(outcome: Outcome) -> float | None:
    """Cabin altitude up to which the need can be given, for 95 of 100 simulated babies [m].

    None when no leg is flown, or when oxygen sets no ceiling inside the model's range.
    """
    case = outcome.ensemble.case
    flown = any(leg.pressure_kpa < case.trip.legs[0].pressure_kpa - 1.0 for leg in case.trip.legs)
    if case.trip.baby.support == "none" or not flown:
        return None
    need = float(np.quantile(outcome.ensemble.gas.need_fraction[:, 0], 0.95))
    pressure = lowest_pressure_kpa(
        need,
        case.trip.legs[0].pressure_kpa,
        case.policy.oxygen.highest_percent.value / 100.0,
        case.policy.oxygen.water_vapour_kpa.value,
    )
    metres = float(altitude_m_at(pressure))
    return metres if 0.0 < metres < HIGHEST_M else None


def _oxygen_given(outcome: Outcome) -> float:
    """Oxygen given at the start, in whole per cent as it is set, for the alarm limits [%]."""
    most = outcome.ensemble.case.policy.oxygen.highest_percent.value
    return float(round(min(most, outcome.ensemble.case.trip.baby.oxygen_percent.value)))


def _on_oxygen(case: Case) -> bool:
    return case.trip.baby.support != "none" and case.trip.baby.oxygen_percent.value > 21.0
