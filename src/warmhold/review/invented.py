"""Invented services: teams, units, seasons, faults and missing data, from a seed.

Nothing here describes a real service; it is for the demo, for tests and for scale. Each transfer
has a stream of its own, so that any part of a service can be made alone and is the same.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from warmhold.review.transfer import (
    EquipmentEvent,
    EventClass,
    Forecast,
    Purpose,
    Reason,
    Share,
    Temperature,
    Transfer,
    Urgency,
)

Floats = NDArray[np.float64]

FIRST_DAY: Final = datetime(2026, 1, 1, tzinfo=UTC)
TEAMS: Final = ("Northmoor", "Alder Bay", "Saltmarsh")
UNITS: Final = ("fern", "heather", "juniper", "lichen", "rowan", "sedge")
COLD_UNIT: Final = "lichen"  # loses more heat than the others
WEAK_UNIT: Final = "sedge"  # a battery that holds half
WRAP_FROM_DAY: Final = 180  # from here on babies below 32 weeks are wrapped
SETS_EVERY_MIN: Final = 15.0
TARGET: Final = (90.0, 95.0)

_EVENTS: Final[tuple[tuple[str, EventClass], ...]] = (
    ("air cylinder leaked at its regulator", "gas"), ("oxygen cylinder empty on the way", "gas"),
    ("battery gave out in the lift", "power"), ("vehicle outlet dead", "power"),
    ("heater alarm, hood left ajar", "heat"), ("skin probe came off", "monitor"),
    ("monitor lead broken", "monitor"), ("pump stopped", "pump"), ("flat tyre", "vehicle"),
    ("door of the vehicle stuck", "vehicle"),
)  # fmt: skip
_REASONS: Final[tuple[Reason, ...]] = ("medical", "surgical", "cardiac", "neurological")
_SUPPORT: Final = ("none", "hood", "cannula", "cpap", "ventilator")


@dataclass(frozen=True)
class Service:
    """One invented service.

    seed : of everything
    transfers : how many there are, over ``days``
    days : that they are spread over, from the first day of 2026
    missing : share of values that nobody wrote down, 0 to 1
    """

    seed: int
    transfers: int
    days: float = 365.0
    missing: float = 0.06

    def __iter__(self) -> Iterator[Transfer]:
        """Go through every transfer in order."""
        return (self.transfer(number) for number in range(self.transfers))

    def key(self, number: int) -> str:
        """Key of one transfer, without making it."""
        return f"s{self.seed}-{number:06d}"

    def transfer(self, number: int) -> Transfer:
        """Make one transfer.

        number : 0 to ``transfers`` - 1
        """
        return _transfer(self, number, self._stream(number, 0))

    def trend(self, number: int) -> Mapping[str, Floats]:
        """Make the minute by minute trend of one transfer, from first contact to handover.

        Returns ``seconds`` and the values of ``saturation``, ``pulse`` and ``skin``, all of one
        length; NaN where nothing was read.
        """
        return self.trend_of(self.transfer(number), number)

    def trend_of(self, one: Transfer, number: int) -> Mapping[str, Floats]:
        """Make the trend of a transfer that was made already, as `trend` does.

        one : what ``transfer(number)`` gave
        """
        return _trend(one, self._stream(number, 1))

    def _stream(self, number: int, which: int) -> np.random.Generator:
        if not 0 <= number < self.transfers:
            raise IndexError(number)
        return np.random.Generator(np.random.Philox(key=[self.seed, 2 * number + which]))


def _transfer(service: Service, number: int, rng: np.random.Generator) -> Transfer:
    day = service.days * (number + rng.random()) / service.transfers
    winter = math.cos(2.0 * math.pi * day / 365.25)  # 1 in the middle of winter
    team = TEAMS[_which(rng, (0.5, 0.8))]
    unit = UNITS[int(rng.integers(len(UNITS)))]
    early, late = rng.normal(29, 2.5), rng.normal(38, 2)
    weeks = min(max((early, late)[int(rng.integers(2))], 23.0), 42.0)
    weight = rng.normal(1.0, 0.15) * 3300 * math.exp(0.08 * (weeks - 39.5))
    weight = min(max(weight, 450.0), 5500.0)
    cooled = bool(weeks > 35 and rng.random() < 0.06)
    urgency: Urgency = ("time-critical", "urgent", "planned")[_which(rng, (0.1, 0.6))]
    wrapped = bool(weeks < 32 and day >= WRAP_FROM_DAY and rng.random() < 0.9)
    moments = _moments(rng, day, urgency, team)
    temperatures = _temperatures(rng, moments, weeks, winter, unit, cooled, wrapped)
    journey = (moments["handed_over"] - moments["arrives"]).total_seconds() / 60.0
    unread = journey * rng.beta(1, 12)
    read = journey - unread
    below = read * float(rng.beta(1, 14))
    above = (read - below) * float(rng.beta(2, 8))
    due = max(1, int(journey // SETS_EVERY_MIN))
    events = _events(rng, moments, unit)
    found = Transfer(
        key=service.key(number),
        unit=unit,
        team=team,
        moments=moments,
        gestation_weeks=round(weeks, 1),
        weight_g=round(weight),
        age_h=round(float(rng.gamma(1.2, 20.0)), 1),
        urgency=urgency,
        reason=_REASONS[_which(rng, (0.7, 0.85, 0.95))],
        purpose=_purpose(rng, urgency),
        support=_SUPPORT[int(rng.integers(5))],
        cooled=cooled,
        wrapped=wrapped,
        temperatures=temperatures,
        saturation=Share(read - below - above, below, above, unread),
        sets_due=due,
        sets_done=int(rng.binomial(due, 0.9)),
        checks_due=30,
        checks_done=int(rng.binomial(30, 0.94)),
        events=events,
        forecasts=_forecasts(rng, unit, temperatures),
        policy="wrap below 32 weeks" if day >= WRAP_FROM_DAY else "wrap below 28 weeks",
    )
    return _with_gaps(found, rng, service.missing)


def _moments(
    rng: np.random.Generator, day: float, urgency: Urgency, team: str
) -> dict[str, datetime]:
    call = FIRST_DAY + timedelta(days=day)
    slow = 1.25 if team == "Saltmarsh" else 1.0
    quick = {"time-critical": 0.7, "urgent": 1.0, "planned": 1.6}[urgency]

    def after(median_min: float, spread: float, factor: float = 1.0) -> timedelta:
        return timedelta(minutes=float(factor * rng.lognormal(math.log(median_min), spread)))

    found = {"call": call}
    steps: tuple[tuple[str, float, float, float], ...] = (
        ("accepted", 14, 0.6, quick), ("vehicle", 12, 0.5, quick * slow),
        ("departs", 12, 0.5, slow),
        ("arrives", 55, 0.5, 1.0), ("ready", 95, 0.45, 1.0), ("leaves", 14, 0.5, 1.0),
        ("at_hospital", 60, 0.5, 1.0), ("at_bed", 9, 0.4, 1.0), ("handed_over", 20, 0.4, 1.0),
        ("at_base", 30, 0.4, 1.0), ("ready_again", 50, 0.6, 1.0),
    )  # fmt: skip
    before = call
    for name, median, spread, factor in steps:
        before = found[name] = before + after(median, spread, factor)
    return found


def _temperatures(
    rng: np.random.Generator, moments: Mapping[str, datetime], weeks: float, winter: float,
    unit: str, cooled: bool, wrapped: bool,
) -> tuple[Temperature, ...]:  # fmt: skip
    site = "rectal" if cooled else "axillary"
    small = max(0.0, 32.0 - weeks)
    now = rng.normal(33.6, 0.5) if cooled else rng.normal(36.75 - 0.04 * small, 0.45)
    times = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    begin, end = moments["arrives"], moments["handed_over"]
    drift = rng.normal(0.1, 0.3) - 0.15 * winter - 0.04 * small
    drift += (0.35 if wrapped else 0.0) - (0.45 if unit == COLD_UNIT else 0.0)
    aim = 33.5 if cooled else 36.9
    out = []
    for share in times:
        value = now + share * (0.5 * (aim - now) + drift) + rng.normal(0.0, 0.07)
        out.append(Temperature(begin + share * (end - begin), round(float(value), 1), site))
    return tuple(out)


def _events(
    rng: np.random.Generator, moments: Mapping[str, datetime], unit: str
) -> tuple[EquipmentEvent, ...]:
    rate = 0.10 + (0.08 if unit == WEAK_UNIT else 0.0)
    found = []
    for _ in range(int(rng.poisson(rate))):
        what, kind = _EVENTS[
            2 if unit == WEAK_UNIT and rng.random() < 0.5 else int(rng.integers(10))
        ]
        at = moments["leaves"] + float(rng.random()) * (moments["at_bed"] - moments["leaves"])
        harm = "trivial" if rng.random() < 0.7 else "none"
        found.append(EquipmentEvent(at, what, kind, harm))  # type: ignore[arg-type]
    return tuple(found)


def _forecasts(
    rng: np.random.Generator, unit: str, temperatures: tuple[Temperature, ...]
) -> tuple[Forecast, ...]:
    """Plans that are honest, but for the unit whose battery is weaker than its profile."""

    def one(key: str, middle: float, spread: float, off: float = 0.0) -> Forecast:
        came = float(rng.normal(middle + off, spread))
        half = 1.645 * spread
        return Forecast(key, middle - half, middle, middle + half, round(came, 1))

    left = float(rng.uniform(15, 60))
    last = temperatures[-1].value_c
    planned = last - float(rng.normal(0.0, 0.3))
    return (
        one("battery_min_left", left, 6.0, -0.4 * left if unit == WEAK_UNIT else 0.0),
        one("oxygen_l_left", float(rng.uniform(80, 600)), 40.0),
        Forecast("temperature_at_handover_c", planned - 0.49, planned, planned + 0.49, last),
    )


def _purpose(rng: np.random.Generator, urgency: Urgency) -> Purpose:
    if urgency != "planned":
        return "uplift" if rng.random() < 0.8 else "capacity"
    return "back-transfer" if rng.random() < 0.7 else "out-patient"


def _which(rng: np.random.Generator, up_to: tuple[float, ...]) -> int:
    """Draw a number; ``up_to`` are the shares summed up, without the last one, which is 1."""
    return bisect_right(up_to, rng.random())


def _with_gaps(found: Transfer, rng: np.random.Generator, missing: float) -> Transfer:
    """Forget some of what was not written down."""

    def lost() -> bool:
        return bool(rng.random() < missing)

    moments = {name: at for name, at in found.moments.items() if name == "call" or not lost()}
    return replace(
        found,
        moments=moments,
        gestation_weeks=None if lost() else found.gestation_weeks,
        temperatures=tuple(one for one in found.temperatures if not lost()),
        saturation=None if lost() else found.saturation,
        cooled=found.cooled if found.cooled or not lost() else None,
        events=None if lost() else found.events,
        checks_done=None if lost() else found.checks_done,
        sets_done=None if lost() else found.sets_done,
        forecasts=tuple(replace(one, came=None) if lost() else one for one in found.forecasts),
    )


def _trend(one: Transfer, rng: np.random.Generator) -> dict[str, Floats]:
    begin, end = one.moments.get("arrives"), one.moments.get("handed_over")
    minutes = (
        240.0 if begin is None or end is None else max((end - begin).total_seconds() / 60, 5.0)
    )
    n = int(minutes) + 1
    seconds: Floats = 60.0 * np.arange(n, dtype=np.float64)
    remembering = _compiled()

    def wander(middle: float, spread: float, memory: float) -> Floats:
        noise = rng.normal(0.0, spread * math.sqrt(1.0 - memory**2), n)
        noise[0] = rng.normal(0.0, spread)
        out: Floats = remembering(noise, memory)
        return middle + out

    saturation = np.minimum(100.0, wander(93.5, 2.2, 0.8))
    for _ in range(int(rng.poisson(minutes / 120.0))):
        at = int(rng.integers(n))
        for step, depth in enumerate((10.0, 14.0, 8.0)):
            if at + step < n:
                saturation[at + step] -= depth
    found: dict[str, Floats] = {
        "saturation": np.asarray(np.round(saturation)),
        "pulse": np.asarray(np.round(wander(145.0, 12.0, 0.9))),
        "skin": np.asarray(np.round(wander(36.4, 0.3, 0.98), 1)),
    }
    for values in found.values():
        for _ in range(int(rng.poisson(minutes / 180.0))):
            at = int(rng.integers(n))
            values[at : at + int(rng.integers(2, 12))] = np.nan
    return {"seconds": seconds, **found}


def _remembering(noise: Any, memory: float) -> Any:
    out = np.empty(len(noise))
    value = 0.0
    for number in range(len(noise)):
        value = memory * value + noise[number]
        out[number] = value
    return out


@lru_cache(maxsize=1)
def _compiled() -> Any:
    """The loop in machine code; the compiler is loaded only when a trend is made."""
    from warmhold.simulate.compiled import machine_code  # noqa: PLC0415

    return machine_code(_remembering)
