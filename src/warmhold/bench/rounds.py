"""A round of one unit: its items, and what each answer means.

Nothing here is left to a tick where a number can be read. What was not answered is unknown, and
an unknown answer to what must be answered keeps the unit from being ready.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from warmhold.model import Round, RoundItem, Rounds, Unit
from warmhold.plan.checklist import CheckItem, Judged, judge
from warmhold.plan.words import number
from warmhold.science.air import saturation_vapour_kpa
from warmhold.science.analyser import DRY_AIR_PERCENT, reading_percent

BAR_OF: Final = 10.0  # the limit counts divisions of a bar of ten
STANDARD_KPA: Final = 101.325
WEATHER_KPA: Final = 3.0  # between two days at one place (own choice)
PRESSURE_HPA: Final = (500.0, 1100.0)  # what a barometer on the ground or in a cabin can show
ROOM_C: Final = (-10.0, 45.0)


@dataclass(frozen=True)
class RoomAir:
    """The air of the room in which the oxygen sensor was read; ``None`` is unknown.

    pressure_hpa : of the room, not reduced to sea level, 500 to 1100 [hPa]
    room_c : -10 to 45 [degC]
    humidity_percent : relative, 0 to 100 [%]
    """

    pressure_hpa: float | None = None
    room_c: float | None = None
    humidity_percent: float | None = None

    @property
    def vapour_kpa(self) -> float | None:
        """Vapour pressure of the room's air [kPa]; ``None`` when it cannot be known."""
        if self.room_c is None or self.humidity_percent is None:
            return None
        return float(saturation_vapour_kpa(self.room_c)) * self.humidity_percent / 100.0

    def faults(self) -> dict[str, str]:
        """Return what is outside its range, by field."""
        found = {}
        for name, value, (low, high), unit in (
            ("pressure_hpa", self.pressure_hpa, PRESSURE_HPA, "hPa"),
            ("room_c", self.room_c, ROOM_C, "°C"),
            ("humidity_percent", self.humidity_percent, (0.0, 100.0), "%"),
        ):
            if value is not None and not low <= value <= high:
                allowed = f"{number(low, 0)} to {number(high, 0)} {unit}"
                found[name] = f"found {number(value, 1)}; allowed {allowed}"
        return found


@dataclass(frozen=True)
class Expected:
    """What the oxygen sensor should read, and how far that is known.

    percent : [%]
    low, high : the span over what is not known of the room [%]
    says : how it came about
    """

    percent: float
    low: float
    high: float
    says: str


def expected_in_room(now: RoomAir, set_in: RoomAir | None = None) -> Expected:
    """What a sensor of partial pressure should read in room air before it is set anew.

    now : the room's air now
    set_in : the air in which it was last set; ``None`` when that is not on record

    Returns the expected reading. Where the air of either moment is unknown the span covers air
    from dry to saturated at 25 degC, and a weather change of 3 kPa either way about the pressure
    that is known (own choice). Form:
    Dalton's law, `science.analyser.reading_percent` (verified there). A unit that corrects for
    pressure by itself does not follow this: see its manual.
    """
    damp = (0.0, float(saturation_vapour_kpa(25.0)))
    known = [
        air.pressure_hpa / 10.0
        for air in (now, set_in)
        if air is not None and air.pressure_hpa is not None
    ]
    about = known[0] if known else STANDARD_KPA  # weather about the place that is known

    def spans(air: RoomAir | None, alone: bool) -> tuple[tuple[float, ...], tuple[float, ...]]:
        vapour = damp if air is None or air.vapour_kpa is None else (air.vapour_kpa,)
        if air is not None and air.pressure_hpa is not None:
            return (air.pressure_hpa / 10.0,), vapour
        return ((about - WEATHER_KPA, about, about + WEATHER_KPA) if alone else (about,)), vapour

    now_p, now_v = spans(now, True)
    was_p, was_v = spans(set_in, bool(known))
    pairs = [(p, q) for p in now_p for q in was_p]
    values = [
        float(reading_percent(DRY_AIR_PERCENT, p, v, q, w))
        for p, q in pairs
        for v in now_v
        for w in was_v
    ]
    low, high = min(values), max(values)
    unknown = [
        what
        for what, known in (
            (
                "pressure and humidity now",
                now.pressure_hpa is not None and now.vapour_kpa is not None,
            ),
            (
                "pressure and humidity when it was last set",
                set_in is not None
                and set_in.pressure_hpa is not None
                and set_in.vapour_kpa is not None,
            ),
        )
        if not known
    ]
    middle = (low + high) / 2.0
    if unknown:
        says = (
            f"should read {number(low, 1)} to {number(high, 1)} %: not on record: "
            f"{' and '.join(unknown)}"
        )
    else:
        says = f"should read {number(middle, 1)} % at this pressure and humidity"
    return Expected(middle, low, high, says)


def item_for(item: RoundItem, unit: Unit | None, rounds: Rounds) -> CheckItem:
    """Make an item that `judge` takes: the battery's bar on the unit's own divisions.

    item : of a round
    unit : its profile; ``None`` when it cannot be read, and the bar cannot be judged
    """
    low, high, stop_low, stop_high = item.low, item.high, item.stop_low, item.stop_high
    planned, if_low = "", ""
    if item.answer == "battery-bar":
        if unit is not None:
            divisions = unit.battery.bar_divisions
            share = rounds.limits.battery_connect_of_ten.value / BAR_OF
            low, high, stop_high = float(divisions), float(divisions), float(divisions)
            stop_low = share * divisions + 1e-9
            planned = f"{divisions} of {divisions} when it stood on mains"
        if_low = "Connect it to mains now, and find out why it was not full."
    elif low is not None or stop_low is not None:
        if_low = "Change it, and look for a leak if nothing was used."
    return CheckItem(
        key=item.key, title=item.title, why=item.why,
        kind="tick" if item.answer == "seen" else "number",
        unit=item.unit, low=low, high=high, source=item.source, mark=item.mark, must=item.must,
        group="power", stop_low=stop_low, stop_high=stop_high, planned=planned, if_low=if_low,
        if_high="Read it again: is it another vessel, or another scale?",
    )  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """What was answered to one item of a round.

    value : True for seen and good, False for seen and not good, a number for a reading, ``None``
        when it was left out
    reason : why it was left out, or what is not good
    air : the room's air, for the oxygen sensor
    """

    value: float | bool | None
    reason: str = ""
    air: RoomAir = RoomAir()


def judge_answer(
    item: RoundItem,
    answer: Answer,
    unit: Unit | None,
    rounds: Rounds,
    set_in: RoomAir | None = None,
) -> Judged:
    """Judge one answer; what was left out is never good."""
    bad: Literal["stop", "care"] = "stop" if item.must else "care"
    if answer.value is None:
        why = f" Left out: {answer.reason}" if answer.reason else ""
        return Judged(bad, f"Unknown.{why}")
    if answer.value is False:
        return Judged(bad, f"Not good: {answer.reason or 'nobody wrote why'}")
    if item.answer == "room-air":
        return _room_air(float(answer.value), answer.air, set_in, rounds)
    if item.answer == "battery-bar" and unit is None:
        return Judged("care", "The unit's profile cannot be read: its bar cannot be judged.")
    return judge(item_for(item, unit, rounds), answer.value)


def _room_air(reading: float, air: RoomAir, set_in: RoomAir | None, rounds: Rounds) -> Judged:
    faults = air.faults()
    if faults:
        return Judged("care", "Cannot be judged: " + "; ".join(faults.values()) + ".")
    expected = expected_in_room(air, set_in)
    off = max(expected.low - reading, reading - expected.high, 0.0)
    within = rounds.limits.room_air_within_points.value
    stop = rounds.limits.room_air_stop_points.value
    says = f"{number(reading, 1)} %; {expected.says}."
    if off > stop:
        return Judged(
            "stop",
            f"{says} Off by {number(off, 1)} points: set it; if it will not, change the cell.",
        )
    if off > within:
        return Judged(
            "care", f"{says} Off by {number(off, 1)} points: set it, and watch how it drifts."
        )
    return Judged("good", f"{says} Set it in this air.")


def outcome(judged: Mapping[str, Judged]) -> str:
    """Return the state of a whole round: the worst of its answers."""
    states = {one.state for one in judged.values()}
    return "stop" if "stop" in states else "care" if "care" in states else "good"


def impossible(item: RoundItem, value: float, unit: Unit | None) -> str:
    """Say why a reading cannot be, with what can; empty when it can."""
    if item.answer == "battery-bar":
        high = 100.0 if unit is None else float(unit.battery.bar_divisions)
    elif item.unit == "%":
        high = 100.0
    else:
        high = 350.0 if item.unit == "bar" else float("inf")
    low = 0.0 if item.unit in {"%", "bar", "divisions"} else float("-inf")
    if low <= value <= high:
        return ""
    return f"{item.title}: {value:g} cannot be; 0 to {high:g} {item.unit} can. Read it again"


def missing(round_: Round, answers: Mapping[str, Answer]) -> dict[str, str]:
    """Return, by item, what has to be answered still: a value, or a reason for leaving it out."""
    left = {}
    for item in round_.item:
        answer = answers.get(item.key)
        if answer is not None and answer.value is False and not answer.reason:
            left[item.key] = f"{item.title}: say in a few words what is not good"
        elif answer is None or (answer.value is None and not answer.reason):
            what = (
                "say whether it is good"
                if item.answer == "seen"
                else f"write the reading in {item.unit or 'figures'}"
            )
            left[item.key] = f"{item.title}: {what}, or why it is left out"
        elif answer.value is True and answer.reason:
            left[item.key] = f"{item.title}: it is good and has words against it: take one out"
    return left
