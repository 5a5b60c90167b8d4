"""One transfer in plain values, as a review counts it.

Whatever is not known is ``None``: it is counted as missing and never as zero, normal or in time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

Urgency = Literal["time-critical", "urgent", "planned"]
Reason = Literal["medical", "surgical", "cardiac", "neurological"]
Purpose = Literal["uplift", "capacity", "back-transfer", "out-patient", "palliative", "other"]
Way = Literal["as set", "policy", "policy, later"]  # how a limit is replayed
Why = Literal["no trend", "limit not known", "none asked for", "rows too far apart"]
EventClass = Literal["gas", "power", "heat", "monitor", "pump", "vehicle", "other"]

MOMENTS: Final[Mapping[str, str]] = {
    "call": "referral call begins",
    "accepted": "team tasked",
    "vehicle": "vehicle at base",
    "departs": "team departs base",
    "arrives": "arrives at the referring unit: first contact",
    "ready": "baby in the transport incubator, ready",
    "leaves": "leaves the referring unit",
    "at_hospital": "arrives at the receiving hospital",
    "at_bed": "at the receiving bed",
    "handed_over": "handover complete",
    "at_base": "team back at base",
    "ready_again": "cleaned, restocked and charged",
}


@dataclass(frozen=True)
class Temperature:
    """One body temperature. ``site`` is axillary or rectal; skin is kept apart."""

    at: datetime
    value_c: float
    site: str


@dataclass(frozen=True)
class EquipmentEvent:
    """Something that went wrong with equipment: the facts, of which the class is derived."""

    at: datetime | None
    what: str
    kind: EventClass
    harm: Literal["none", "trivial", "harm", "unknown"] = "unknown"


@dataclass(frozen=True)
class Forecast:
    """One planned figure with its 90 % band, and what it came to.

    key : such as battery_min_left, oxygen_l_left, temperature_at_handover_c
    came : ``None`` when it was not read
    """

    key: str
    p05: float
    p50: float
    p95: float
    came: float | None


@dataclass(frozen=True)
class Share:
    """Minutes a quantity was in, below and above its target, and minutes that were not read.

    source : the imported trend that it was taken from, in words; empty when from what was entered
    """

    inside_min: float
    below_min: float
    above_min: float
    unread_min: float
    source: str = ""


@dataclass(frozen=True)
class Heard:
    """What one limit, set in one way, would have done on one recorded trend.

    alarms : how many
    seconds : in alarm [s]
    read_s : in which there was a reading and the limit was known [s]
    beyond_s : of these, beyond policy's limit for this baby; ``None`` when that is not known [s]
    silent_s : of these, without this alarm [s]
    """

    alarms: int
    seconds: float
    read_s: float
    beyond_s: float | None
    silent_s: float | None


@dataclass(frozen=True)
class LimitReplay:
    """One limit of one transfer, replayed on its recorded trend: not the unit's own alarms.

    row_s : median distance of the trend's rows; ``None`` without a trend [s]
    written : whether anybody wrote what was set; else the plan's limit stands for it
    ways : what each way of setting it would have done
    why : why a way is not in ``ways``
    """

    row_s: float | None = None
    written: bool = False
    ways: Mapping[Way, Heard] = field(default_factory=dict)
    why: Mapping[Way, Why] = field(default_factory=dict)


@dataclass(frozen=True)
class Transfer:
    """One transfer.

    key : pseudonymous, stable
    moments : names of `MOMENTS` to the moment, UTC; those not known are not in it
    gestation_weeks, weight_g, age_h : at the first contact
    temperatures : of the body, in order
    cooled : cooled on purpose
    saturation, warmth : time against their targets
    sets_due, sets_done : regular sets of observations
    checks_due, checks_done : items of the list before leaving; what was skipped with a reason
        counts as due and not done
    alarms : by title of a limit, such as "Pulse, low"; empty when no trend was looked at
    """

    key: str
    unit: str
    team: str
    moments: Mapping[str, datetime]
    gestation_weeks: float | None = None
    weight_g: float | None = None
    age_h: float | None = None
    urgency: Urgency | None = None
    reason: Reason | None = None
    purpose: Purpose | None = None
    support: str | None = None
    cooled: bool | None = None
    wrapped: bool | None = None
    temperatures: tuple[Temperature, ...] = ()
    saturation: Share | None = None
    warmth: Share | None = None
    sets_due: int | None = None
    sets_done: int | None = None
    checks_due: int | None = None
    checks_done: int | None = None
    events: tuple[EquipmentEvent, ...] | None = None
    forecasts: tuple[Forecast, ...] = ()
    alarms: Mapping[str, LimitReplay] = field(default_factory=dict)
    policy: str = ""

    def minutes(self, begin: str, end: str) -> float | None:
        """Return the minutes between two moments; ``None`` when one is not known.

        A negative length is a clock or a slip, and is not known either.
        """
        first, last = self.moments.get(begin), self.moments.get(end)
        if first is None or last is None:
            return None
        length = (last - first).total_seconds() / 60.0
        return length if length >= 0.0 else None

    @property
    def month(self) -> str | None:
        """Year and month in which it began, such as 2026-01."""
        began = self.moments.get("call") or self.moments.get("arrives")
        return None if began is None else f"{began.year:04}-{began.month:02}"

    @property
    def first_temperature(self) -> Temperature | None:
        """The first body temperature after the team arrived."""
        arrived = self.moments.get("arrives")
        for one in self.temperatures:
            if arrived is None or one.at >= arrived:
                return one
        return None

    @property
    def last_temperature(self) -> Temperature | None:
        """The last body temperature up to the handover."""
        over = self.moments.get("handed_over")
        for one in reversed(self.temperatures):
            if over is None or one.at <= over:
                return one
        return None
