"""What a plan says: the sheet of margins, as plain data.

Everything that is shown (terminal, HTML, JSON) is drawn from these classes and from
nothing else, so that two ways of showing a plan cannot disagree.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

Verdict = Literal["go", "not yet", "cannot tell"]
State = Literal["holds", "falls short", "cannot tell"]

CAUTIONS: tuple[str, ...] = (
    "Decision support, not a medical device. It controls nothing and must never be wired to "
    "anything that does.",
    "Check every figure against the unit's manual, your local protocol and a licensed clinician.",
    "No drug doses. A figure the model does not know is called unknown, never zero and never go.",
)


@dataclass(frozen=True)
class Band:
    """A value with its uncertainty: 5th, 50th and 95th percentile of the ensemble."""

    p05: float
    p50: float
    p95: float


@dataclass(frozen=True)
class Driver:
    """One input and the share of a margin's variance that it explains by itself (0 to 1)."""

    key: str
    title: str
    share: float
    provenance: str  # measured | manual | published | assumed | stated (by the trip file)


@dataclass(frozen=True)
class Margin:
    """How much is to spare of one thing that must last or stay in range.

    ``band`` is positive when there is something to spare, in ``unit``; ``None`` when unknown.
    """

    key: str  # stable, used by ``warmhold explain TRIP MARGIN``
    title: str
    unit: str
    band: Band | None
    probability: float | None  # share of members that keep the margin
    required: float  # share that policy asks for
    must_hold: bool  # counts for the verdict
    state: State
    worst_at: str  # leg or moment where it is smallest; "" when it has none
    sentence: str  # one plain sentence with the numbers
    formula: str  # how it came about, for ``explain``
    inputs: tuple[tuple[str, str, str], ...] = ()  # name, value with unit, provenance or source
    sources: tuple[str, ...] = ()
    drivers: tuple[Driver, ...] = ()
    assumed: tuple[str, ...] = ()  # assumed or unverified values that it rests on
    reason: str = ""  # why "cannot tell", when it is


@dataclass(frozen=True)
class Mend:
    """One change that was tried by running it."""

    title: str  # "take one more small oxygen cylinder"
    margin: str  # key of the margin it was meant for
    before: float  # probability of that margin
    after: float
    required: float
    mends: bool  # after >= required
    side_effect: str = ""  # "" or what else it changes for the worse


@dataclass(frozen=True)
class Together:
    """The fewest of the changes that were tried which, taken together, do most."""

    changes: tuple[str, ...]
    holds: bool  # every margin that has to hold does
    weakest: str  # title of the margin with the least probability then
    probability: float
    required: float


@dataclass(frozen=True)
class LegSpan:
    """One stretch of the trip on the plots' time axis, minutes from the baby going in."""

    name: str
    start_min: float
    end_min: float
    place: str
    power: str
    gas: str
    ambient_c: float


@dataclass(frozen=True)
class Series:
    """One curve with its band, over the plots' shared time axis."""

    key: str
    title: str
    p05: tuple[float, ...]
    p50: tuple[float, ...]
    p95: tuple[float, ...]


@dataclass(frozen=True)
class Plot:
    """One plot of the sheet."""

    key: str  # temperature | battery | cylinders | oxygen
    title: str
    unit: str
    time_min: tuple[float, ...]
    series: tuple[Series, ...]
    target: tuple[float, float] | None = None  # a band to draw behind, e.g. 36.5 to 37.5
    note: str = ""


@dataclass(frozen=True)
class StartPoint:
    """Air temperature to start at, and how it came about."""

    air_set_c: float | None
    neutral_low_c: float | None  # operative, lowest of the sources
    neutral_high_c: float | None
    operative_at_set: Band | None  # operative temperature that the baby feels at that setting
    wall_below_air_k: Band | None
    by_source: tuple[tuple[str, str], ...]  # source, what it gives (as text with unit and mark)
    sentence: str
    reason: str = ""  # when it is None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class WarmUp:
    """When the unit must be switched on."""

    minutes: Band | None  # from switch-on to stable air
    minutes_needed: float | None  # at the probability that policy asks for
    latest_switch_on: datetime | None
    earliest_baby_in: datetime | None  # if switched on now
    in_time: float | None  # probability that the air is stable at the planned time
    sentence: str
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class KitItem:
    """One thing to carry."""

    title: str
    count: int
    mass_kg: float | None


@dataclass(frozen=True)
class Kit:
    """The lightest kit that meets policy, out of what the service owns."""

    items: tuple[KitItem, ...]
    holds: bool
    mass_kg: float | None
    sentence: str


@dataclass(frozen=True)
class CylinderRow:
    """One carried cylinder: what it delivers and when it is time to change over."""

    name: str
    gas: str
    litres: Band  # above its residual, at 15 °C and one atmosphere
    opened_min: float | None  # middle case, minutes from the baby going in; None: not needed
    empty_min: Band | None  # None: it outlasts the trip in most simulated trips
    sentence: str


@dataclass(frozen=True)
class AlarmLimit:
    """One alarm limit: what policy wants and what this unit can be set to."""

    title: str  # "Oxygen saturation, low"
    unit: str
    wanted: float | None
    set_to: float | None  # None: cannot be set, or relaxed on purpose
    state: Literal["as wanted", "moved to the safe side", "cannot be set", "not used"]
    sentence: str
    source: str


@dataclass(frozen=True)
class OxygenRow:
    """Oxygen need on one leg."""

    leg: str
    pressure_kpa: float
    need_percent: Band | None
    analyser_reads_percent: Band | None  # what an uncorrected analyser set at the start shows
    sentence: str


@dataclass(frozen=True)
class Hold:
    """Minutes that the battery carries the unit if outside power is lost on a leg."""

    leg: str
    minutes: Band
    sentence: str
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """One plan, whole."""

    title: str
    identity: str  # one line: which baby, which unit, which policy
    verdict: Verdict
    headline: str  # the verdict's one reason, in a sentence
    first_to_fail: str  # sentence; "" when nothing falls short
    needs_attention: tuple[str, ...]  # short lines to read before leaving
    start: StartPoint
    warm_up: WarmUp
    margins: tuple[Margin, ...]
    holds: tuple[Hold, ...]
    oxygen: tuple[OxygenRow, ...]
    ceiling_altitude_m: float | None
    kit: Kit
    cylinders: tuple[CylinderRow, ...]
    alarms: tuple[AlarmLimit, ...]
    mends: tuple[Mend, ...]
    together: Together | None
    legs: tuple[LegSpan, ...]
    plots: tuple[Plot, ...]
    assumptions: tuple[tuple[str, str, str], ...]  # name, value, why it is not certain
    outside: tuple[str, ...]  # where the model is beyond what it was checked for
    measure_next: str  # which input would narrow the critical margin most
    trip_facts: tuple[tuple[str, str], ...]  # what was read from the trip, name and value
    now: datetime
    members: int
    seed: int
    version: str
    cautions: tuple[str, ...] = field(default=CAUTIONS)
