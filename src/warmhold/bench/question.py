"""Which unit can do this trip: a made-up trip of a few figures, asked of each unit's own profile.

Only what the unit itself decides is asked: warmth, and the battery. The baby breathes air; gas is
a matter of the cylinders on board and is left to the plan.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, Literal

import tomli_w

from warmhold.bench.readiness import History
from warmhold.model import Case, FaultyInput, Policy, Quantity, Unit, parse_case, parse_unit
from warmhold.plan.planner import Progress
from warmhold.plan.quick import Quick, quick_margins
from warmhold.plan.sheet import Verdict

MEMBERS: Final = 400
ASKED: Final = ("warm", "cold", "hot", "heat", "battery")  # margins that the unit itself decides
WALK_MIN: Final = 12.0  # in corridors and outside, at each end
RUN_DOWN_SPREAD: Final = 0.04  # of a health that one run-down measured (own choice)


@dataclass(frozen=True)
class Question:
    """One trip in a few figures.

    hours : on the road, 0.1 to 12 [h]
    outside_c : -35 to 45 [degC]
    weight_g : of the baby, 400 to 6000 [g]
    gestation_weeks : 22 to 44 [weeks]
    age_h : of the baby, 0 to 2000 [h]
    power : what the vehicle gives on the road
    """

    hours: float
    outside_c: float
    weight_g: float
    gestation_weeks: float
    age_h: float = 12.0
    power: Literal["vehicle", "battery"] = "vehicle"

    def faults(self) -> dict[str, str]:
        """Return what is outside its range, by field."""
        found = {}
        for name, (low, high, unit) in RANGES.items():
            value = float(getattr(self, name))
            if not low <= value <= high:
                found[name] = f"found {value:g}; allowed {low:g} to {high:g} {unit}"
        return found

    @property
    def title(self) -> str:
        """The trip in one line."""
        outside = f"{self.outside_c:g}".replace("-", "−")
        return (
            f"{self.hours:g} h on the road at {outside} °C, {self.weight_g:g} g, "
            f"{self.gestation_weeks:g} weeks, {self.power} power"
        )


RANGES: Final[dict[str, tuple[float, float, str]]] = {
    "hours": (0.1, 12.0, "h"),
    "outside_c": (-35.0, 45.0, "°C"),
    "weight_g": (400.0, 6000.0, "g"),
    "gestation_weeks": (22.0, 44.0, "weeks"),
    "age_h": (0.0, 2000.0, "h"),
}


@dataclass(frozen=True)
class Reply:
    """What one unit can do. ``plan`` is missing when its profile cannot be planned with."""

    unit: str
    verdict: Verdict
    first: str
    plan: Quick | None
    says: tuple[str, ...] = ()


def case_for(question: Question, unit: Unit, policy: Policy, now: datetime) -> Case:
    """Build the trip for one unit.

    policy : the service's; a baby below its weeks for a wrap is wrapped and has a hat on
    now : the moment, UTC; the unit is in standby in a room of 21 degC and the baby goes in after
        45 minutes

    Raises ``FaultyInput`` when the question cannot be a trip.
    """
    cabin = min(max(question.outside_c + 24.0, 14.0), max(24.0, question.outside_c))
    walk: dict[str, Any] = {"wind_m_s": 0.5, "humidity_percent": 40, "gas": "cylinder"}
    outside = {
        **walk, "place": "outdoors", "minutes": {"value": 4.0, "spread": 1.5}, "power": "battery",
        "ambient_c": {"value": question.outside_c, "spread": 2.0}, "humidity_percent": 70,
        "wind_m_s": {"value": 2.0, "spread": 1.0},
    }  # fmt: skip
    corridor = {
        **walk, "place": "corridor", "minutes": {"value": WALK_MIN - 4.0, "spread": 2.0},
        "ambient_c": {"value": 20.0, "spread": 2.0}, "power": "battery",
    }  # fmt: skip
    road = {
        **walk, "place": "ambulance", "power": question.power,
        "minutes": {"value": question.hours * 60.0, "spread": question.hours * 6.0},
        "ambient_c": {"value": cabin, "spread": 3.0}, "name": "road",
    }  # fmt: skip
    small = question.gestation_weeks < policy.temperature.wrap_below_weeks.value
    baby = {
        "pseudonym": "A question", "weight_g": question.weight_g, "age_h": question.age_h,
        "gestation_weeks": question.gestation_weeks, "temperature_c": 36.8,
        "temperature_site": "axillary", "support": "none",
        "dressing": ["wrap", "hat"] if small else ["dressed", "hat"],
        "oxygen_percent": 21.0, "humidified_gas": False, "cooled": False,
        "cold_response": "present",
    }  # fmt: skip
    trip = {
        "format": 1, "title": question.title, "unit": "alder-single", "policy": "cautious",
        "baby": baby,
        "start": {
            "now": now, "baby_in": now + timedelta(minutes=45), "unit_state": "standby",
            "unit_stood_at_c": 21.0, "battery_charge_percent": {"value": 97.0, "spread": 3.0},
            "place": "ward", "ambient_c": 22.0, "humidity_percent": 40, "power": "mains",
            "loading_minutes": 3, "hood_humidity_percent": 0,
        },
        "leg": [
            {**corridor, "name": "walk to the door"},
            {**outside, "name": "outside to the ambulance"}, road,
            {**outside, "name": "outside from the ambulance"},
            {**corridor, "name": "walk to the ward"},
        ],
        "supplies": {
            "delivery": "separate", "air_from": "none", "drive_gas": "none", "drive_lpm": 0,
            "flow_basis": "standard",
            "cylinder": [{
                "name": "oxygen", "gas": "oxygen", "water_l": 10.0, "fill_bar": 137.0,
                "gauge_bar": 137.0, "gauge_at_c": 15.0, "residual_bar": 14.0,
            }],
        },
    }  # fmt: skip
    case = parse_case(tomli_w.dumps(trip), "the question")
    must_hold = tuple(key for key in policy.verdict.must_hold if key in ASKED) or ASKED
    verdict = policy.verdict.model_copy(update={"must_hold": must_hold})
    return replace(case, unit=unit, policy=policy.model_copy(update={"verdict": verdict}))


def with_run_down(unit: Unit, history: History | None) -> tuple[Unit, str]:
    """Let the last complete run-down speak where the profile says nothing of the battery's health.

    Returns the unit and what was changed, in words; empty when nothing was.
    """
    if unit.battery.health is not None or history is None:
        return unit, ""
    shares = [one for one in history.run_downs if one.complete and one.share_percent is not None]
    if not shares:
        return unit, ""
    last = shares[-1]
    share = float(last.share_percent or 0.0) / 100.0
    if not 0.0 < share <= 1.2:
        return unit, ""
    health = Quantity(
        value=share, spread=RUN_DOWN_SPREAD * share, provenance="measured",
        note=f"run-down of {last.at:%Y-%m-%d}",
    )  # fmt: skip
    battery = unit.battery.model_copy(update={"health": health})
    says = f"battery at {share * 100:.0f} % of new, from the run-down of {last.at:%Y-%m-%d}"
    return unit.model_copy(update={"battery": battery}), says


def ask(
    question: Question,
    units: Iterable[tuple[str, Unit | None, History | None]],
    policy: Policy,
    now: datetime,
    *,
    members: int = MEMBERS,
    seed: int = 20260101,
    progress: Progress | None = None,
) -> tuple[Reply, ...]:
    """Plan one trip with each unit's own profile, with the same draws for all.

    units : name, profile (``None`` when it has faults) and history of each
    members : of each ensemble, 50 or more
    progress : told the unit and the share done

    Returns one reply for each unit, those that can go first.
    """
    asked = list(units)
    tell = progress or (lambda _what, _done: None)
    replies = []
    for number, (name, unit, history) in enumerate(asked):
        tell(name, number / len(asked))
        if unit is None:
            todo = ("mend its profile",)
            replies.append(Reply(name, "cannot tell", "Its profile has faults.", None, todo))
            continue
        measured, says_battery = with_run_down(unit, history)
        case = case_for(question, measured, policy, now)
        found = quick_margins(case, members=members, seed=seed)
        says = (says_battery,) if says_battery else ()
        replies.append(Reply(name, found.verdict, found.headline, found, says))
    order: tuple[Verdict, ...] = ("go", "cannot tell", "not yet")
    return tuple(sorted(replies, key=lambda reply: order.index(reply.verdict)))


def text_with_run_down(unit_toml: str, history: History | None) -> tuple[str, str]:
    """Write what the last complete run-down measured into a unit's text that says nothing of it.

    Returns the text and what was changed, in words; both as they were when nothing was.
    """
    try:
        unit = parse_unit(unit_toml, "the unit")
    except FaultyInput:
        return unit_toml, ""
    measured, says = with_run_down(unit, history)
    health = measured.battery.health
    if not says or health is None:
        return unit_toml, ""
    line = (
        f"health = {{ value = {health.value:.4f}, spread = {health.spread:.4f}, "
        f'provenance = "measured", note = "{health.note}" }}'
    )
    changed = re.sub(
        r"^(\s*\[battery\][^\n]*\n)", lambda found: f"{found[1]}{line}\n", unit_toml, count=1,
        flags=re.MULTILINE,
    )  # fmt: skip
    try:
        parse_unit(changed, "the unit")
    except FaultyInput:
        return unit_toml, ""
    return (changed, says) if changed != unit_toml else (unit_toml, "")
