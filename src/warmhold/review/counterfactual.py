"""Past trips run again with one thing changed, the same draws on both sides.

Each trip is simulated twice, as it was and with the change. Both sides share every draw (common
random numbers), so that their difference is what the change does in the model, and not chance;
a trip that the change does not touch differs by exactly nothing.

Two bands are told. A trip's own band goes over the members: one member holds one set of unknowns,
the same in every trip, as if all babies and units were off in the same way; that is the widest
reading. A pooled band also draws the trips anew: each of its drawings takes one member and counts
each trip 0, 1, 2, ... times by a Poisson number of mean 1 that depends on the trip's key alone
(bootstrap; Hanley and MacGibbon 2006, Comput Methods Programs Biomed 83:57, from memory).

All sums are of whole numbers (differences in millionths of a kelvin), so that neither the order of
the trips nor how the work was cut changes a bit.

What comes out is what the model says, not what would have happened: see `CAUTIONS`.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache, partial
from typing import Any, Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, Leg, Quantity, Unit, load_case, shipped_path
from warmhold.plan.changes import dressed_in, with_baby, with_start, with_trip
from warmhold.plan.quick import first_air_set_c
from warmhold.plan.start_point import middle_of, on_grid, sources
from warmhold.plan.validity import beyond
from warmhold.review.invented import Service
from warmhold.review.metrics import BY_GESTATION, HIGH_C, LOW_C
from warmhold.review.transfer import Transfer
from warmhold.review.work import Summary, Task
from warmhold.simulate.bands import Band, band_of
from warmhold.simulate.readouts import body_temperature_c
from warmhold.simulate.scenario import prepare, run

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Kind = Literal["wrap-below-weeks", "prewarm-minutes", "unit", "air-set-plus"]

KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
RANGES: Final[Mapping[str, tuple[float, float]]] = {
    "wrap-below-weeks": (22.0, 44.0), "prewarm-minutes": (1.0, 240.0), "air-set-plus": (-5.0, 5.0),
}  # fmt: skip
FEWEST_MEMBERS: Final = 20
DRAWINGS: Final = 400  # of a pooled band; as many as members when there are more
FEWEST_POOLED: Final = 5  # trips, as in a review: fewer give no pooled band and point at babies
TRIPS_IN_A_PIECE: Final = 25
MICRO: Final = 1.0e6

CAUTIONS: Final = (
    "This is what the model says of these trips, not what would have happened. It names no cause: "
    "baby, team and road would have answered to the change, and no simulation knows how.",
    "A band holds what the model does not know about baby, unit and road. It does not hold what is "
    "wrong with the model itself: docs/validation.md shows what was checked and what did not hold.",
    "Decision support, not a medical device. Change no policy by this alone: ask your protocol, "
    "the unit's manual and a licensed clinician, and watch what a change does.",
)
_NEUTRAL = (
    "In air near neutral (32 to 36 °C) the model's naked term baby loses a fifth to a half less "
    "heat than was measured: it leans to warm (docs/validation.md, C5, C6 and C6b, not held)."
)
RESTS_ON: Final[Mapping[str, tuple[str, ...]]] = {
    "wrap-below-weeks": (
        "That a wrap warms more than a hat and less than a bag agrees with a review of trials "
        "(docs/validation.md, cover order); how much it warms rests on recalled and own figures "
        "for its insulation, vapour and area.",
        "A wrap takes the place of clothes, as in the plan; hats stay. Nothing else changes.",
        _NEUTRAL,
    ),
    "prewarm-minutes": (
        "How fast a unit warms rests on the heat capacities in its profile, which are assumed "
        "unless they were measured on that unit.",
        "A cold mattress: the first 10 minutes agree with what was measured, later the model "
        "conducts too little (docs/validation.md, C27, not held).",
    ),
    "unit": (
        "What another unit does rests on its profile: look at which of its numbers were measured.",
        "The air setting stays as it was, on the nearest step that the unit has; a team with that "
        "unit might have chosen another one.",
        _NEUTRAL,
    ),
    "air-set-plus": (
        _NEUTRAL,
        "A team that saw the baby warm would have turned the air down; here nobody does.",
    ),
}


# --- the change ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Change:
    """One change of policy or unit.

    number : weeks, minutes or kelvin; 0 for another unit
    unit : the other unit
    """

    kind: Kind
    number: float = 0.0
    unit: Unit | None = None

    def __post_init__(self) -> None:
        """Check that the number can be meant."""
        if (self.kind == "unit") != (self.unit is not None):
            raise ValueError("another unit is needed for a change of the unit, and for no other")
        if self.kind in RANGES:
            low, high = RANGES[self.kind]
            if not low <= self.number <= high:
                raise ValueError(f"{self.kind} {self.number:g}: {low:g} to {high:g} is allowed")

    @property
    def sentence(self) -> str:
        """What is changed, in words."""
        if self.kind == "wrap-below-weeks":
            return f"every baby below {self.number:g} weeks in a wrap"
        if self.kind == "prewarm-minutes":
            return f"the unit on for {self.number:g} minutes or more before the baby goes in"
        if self.kind == "air-set-plus":
            way = "warmer" if self.number >= 0 else "colder"
            return f"the air set {abs(self.number):g} K {way}"
        assert self.unit is not None
        return f"the unit {self.unit.name} on every trip"


def change_of(text: str, unit: Unit | None = None) -> Change:
    """Read a change from words such as ``wrap-below-weeks 32``.

    unit : the unit that was named, when the change is one of the unit

    Raises ``ValueError`` with a sentence when it is none.
    """
    kind, _, rest = text.strip().partition(" ")
    if kind not in KINDS or not rest.strip():
        raise ValueError(f"{text!r} is no change; one of: {', '.join(KINDS)}, and a value")
    if kind == "unit":
        return Change("unit", unit=unit)
    try:
        number = float(rest)
    except ValueError as error:
        raise ValueError(f"{kind} needs a number, not {rest.strip()!r}") from error
    return Change(kind, number)


@dataclass(frozen=True)
class Side:
    """One side of a comparison: a case with its air setting [degC]."""

    case: Case
    air_set_c: float


def changed(side: Side, change: Change) -> Side:
    """Return the side with the change; the same side when it does not touch this trip."""
    case, start = side.case, side.case.trip.start
    if change.kind == "wrap-below-weeks":
        baby = case.trip.baby
        if baby.gestation_weeks >= change.number or {"wrap", "bag"} & set(baby.dressing):
            return side
        return replace(side, case=dressed_in(case, ("wrap",)))
    if change.kind == "prewarm-minutes":
        on = start.baby_in - timedelta(minutes=change.number)
        if start.unit_state == "warm" or start.now <= on:
            return side
        return replace(side, case=with_start(case, now=on))
    if change.kind == "air-set-plus":
        return replace(side, air_set_c=on_grid(side.air_set_c + change.number, _grid(case.unit)))
    assert change.unit is not None
    if change.unit == case.unit:
        return side
    other = Case(case.trip, change.unit, case.policy, case.trip_file)
    return Side(other, on_grid(side.air_set_c, _grid(change.unit)))


def _grid(unit: Unit) -> Any:
    return unit.limits.air_set_c


# --- past trips ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class PastTrip:
    """One trip as it was, or why it cannot be run.

    case : ``None`` when it cannot be run
    why : the reason; empty when it can
    came_c : the last body temperature up to the handover, ``None`` when not read [degC]
    cooled : cooled on purpose, which stands apart
    """

    key: str
    case: Case | None
    why: str = ""
    came_c: float | None = None
    cooled: bool = False


def as_it_was(case: Case, one: Transfer) -> PastTrip:
    """Return a planned trip with what became of it.

    The last body temperature before the baby went in, whether it was wrapped and how long the way
    took stand in for what was planned, where they are known; the legs keep their shares, and what
    might have delayed them no longer may. What is not known stays as planned.

    case : the plan in force
    """
    last = one.last_temperature
    came = None if last is None else last.value_c
    if case.trip.baby.cooled:
        return PastTrip(one.key, None, "cooled on purpose", came, True)
    went_in = one.moments.get("ready")
    before = [t for t in one.temperatures if went_in is not None and t.at <= went_in]
    if before:
        reading = _quantity(before[-1].value_c, case.trip.baby.temperature_c.spread)
        site = before[-1].site
        case = with_baby(case, temperature_c=reading, temperature_site=site)
    if one.wrapped is True and not {"wrap", "bag"} & set(case.trip.baby.dressing):
        case = dressed_in(case, ("wrap",))
    if one.wrapped is False and {"wrap", "bag"} & set(case.trip.baby.dressing):
        left = tuple(d for d in case.trip.baby.dressing if d not in ("wrap", "bag"))
        case = with_baby(case, dressing=left or ("bare",))
    took = one.minutes("leaves", "handed_over")
    if took:
        case = _lasting(case, took)
    return PastTrip(one.key, case, "", came)


def _lasting(case: Case, minutes: float) -> Case:
    times = minutes / sum(leg.minutes.value for leg in case.trip.legs)
    legs = tuple(
        leg.model_copy(
            update={
                "minutes": _quantity(
                    leg.minutes.value * times, min(leg.minutes.spread * times, 1.0)
                ),
                "door_openings": tuple(
                    o.model_copy(update={"at_min": o.at_min * times}) for o in leg.door_openings
                ),
            }
        )
        for leg in case.trip.legs
    )
    return with_trip(case, legs=legs, delays=())


def _quantity(value: float, spread: float) -> Quantity:
    return Quantity.model_construct(value=value, spread=spread, provenance="stated", note="")


# How an invented transfer becomes a case. All of it is invented, as the transfers are: one unit for
# all, switched on from the cold a fixed time before, a yard outdoors at each end, a warm vehicle.
INVENTED_UNIT: Final = "alder-single"
INVENTED_ON_MIN: Final = 25.0
INVENTED_YARD_MIN: Final = 4.0
INVENTED_YEAR_C: Final = (9.0, 9.0)  # outdoors: mean of the year, and how far the seasons go
INVENTED_ROOM_C: Final = 24.0
INVENTED_VEHICLE_C: Final = 20.0


def invented_trip(one: Transfer) -> PastTrip:
    """Return an invented transfer as a case, from leaving the hospital to the handover.

    Gestation, weight, age, support and wrap are the transfer's; the last body temperature before
    it leaves is the first one of the case. The yard, the road and the way to the bed take what
    the transfer's times say; outdoors has the temperature of its season. The air is set to 2 K over
    the neutral sources' mean. A transfer without one of these is not run.
    """
    last = one.last_temperature
    came = None if last is None else last.value_c
    if one.cooled:
        return PastTrip(one.key, None, "cooled on purpose", came, True)
    leaves = one.moments.get("leaves")
    road, rest = one.minutes("leaves", "at_hospital"), one.minutes("at_hospital", "handed_over")
    before = [t for t in one.temperatures if leaves is not None and t.at <= leaves]
    unknown = {
        "whether it was cooled": one.cooled is None,
        "gestation": one.gestation_weeks is None,
        "weight": one.weight_g is None,
        "age": one.age_h is None,
        "whether it was wrapped": one.wrapped is None,
        "support": one.support is None,
        "when it left": leaves is None,
        "when it arrived or was handed over": road is None or rest is None,
        "a temperature before it left": leaves is not None and not before,
    }
    lacking = next((what for what, lacks in unknown.items() if lacks), None)
    if lacking is not None:
        return PastTrip(one.key, None, f"unknown: {lacking}", came)
    assert one.gestation_weeks is not None
    assert leaves is not None
    assert road is not None
    assert rest is not None
    base = _base()
    yard = INVENTED_YARD_MIN
    outdoors = _outdoors_c(leaves)
    stood = 0.5 * (outdoors + INVENTED_VEHICLE_C)
    legs = (
        _leg("yard", "outdoors", yard, outdoors, 1.5, "battery"),
        _leg("road", "ambulance", max(road - 2.0 * yard, 1.0), INVENTED_VEHICLE_C, 0.2, "vehicle"),
        _leg("far yard", "outdoors", yard, outdoors, 1.5, "battery"),
        _leg("to the bed", "corridor", max(rest, 1.0), 22.0, 0.3, "mains"),
    )
    breathing = one.support in {"cpap", "ventilator"}
    flow = {"none": None, "hood": None, "cannula": 1.0}.get(str(one.support), 8.0)
    baby = base.trip.baby.model_copy(
        update={
            "pseudonym": one.key,
            "weight_g": _quantity(float(one.weight_g or 0.0), 10.0),
            "gestation_weeks": one.gestation_weeks,
            "age_h": one.age_h,
            "length_cm": None,
            "temperature_c": _quantity(before[-1].value_c, 0.1),
            "temperature_site": before[-1].site,
            "dressing": ("wrap", "hat") if one.wrapped
            else ("bare", "hat") if one.gestation_weeks < 32.0 else ("dressed", "hat"),
            "support": one.support,
            "flow_lpm": None if flow is None else _quantity(flow, 0.5),
            "humidified_gas": breathing,
        }
    )  # fmt: skip
    start = base.trip.start.model_copy(
        update={
            "now": leaves - timedelta(minutes=INVENTED_ON_MIN),
            "baby_in": leaves,
            "unit_state": "cold",
            "unit_stood_at_c": _quantity(stood, 2.0),
            "ambient_c": _quantity(INVENTED_ROOM_C, 1.0),
        }
    )
    case = with_trip(
        base, title=one.key, unit=INVENTED_UNIT, baby=baby, start=start, legs=legs, delays=()
    )
    middle = middle_of(sources(case))
    air = on_grid((33.0 if middle is None else middle) + 2.0, _grid(case.unit))
    return PastTrip(one.key, with_start(case, air_set_c=air), "", came)


@lru_cache(maxsize=1)
def _base() -> Case:
    """Supplies and policy of an invented case, and the unit that all of them have."""
    one = load_case(shipped_path("trips", "term-by-day"))
    unit = load_case(shipped_path("trips", "winter-road")).unit
    assert one.trip.unit != INVENTED_UNIT
    return Case(one.trip, unit, one.policy, "invented")


def _outdoors_c(at: datetime) -> float:
    mean, swing = INVENTED_YEAR_C
    day = at.timetuple().tm_yday
    return mean - swing * math.cos(2.0 * math.pi * day / 365.25)


def _leg(
    name: str, place: str, minutes: float, ambient_c: float, wind_m_s: float, power: str
) -> Leg:
    return Leg.model_construct(
        name=name,
        place=place,
        minutes=_quantity(minutes, min(0.5, 0.5 * minutes)),
        ambient_c=_quantity(ambient_c, 2.0),
        wind_m_s=_quantity(wind_m_s, 0.3 * wind_m_s),
        humidity_percent=_quantity(60.0 if place == "outdoors" else 40.0, 10.0),
        power=power,
        gas="cylinder" if power == "battery" else "vehicle" if power == "vehicle" else "wall",
    )


# --- running -------------------------------------------------------------------------------------


def handover_c(side: Side, members: int, seed: int) -> tuple[Floats, tuple[str, ...], bool]:
    """Run one side.

    members, seed : of the draws; the same two give the same draws on any side

    Returns
    -------
    Body temperature at the handover, (members,) [degC]; what lies outside the model's range, each
    a sentence; whether body temperature cannot be told because of it.
    """
    ensemble = prepare(side.case, members, seed, air_set_c=side.air_set_c, coarse=True)
    found = beyond(ensemble)
    outside = tuple(one.what for one in found if {"cold", "hot"} & set(one.unknown))
    if outside:
        return np.full(members, np.nan), outside, True
    care = tuple(one.what for one in found if not one.unknown)
    return body_temperature_c(run(ensemble))[:, -1], care, False


RUN, LACKING, OUTSIDE, COOLED = 0, 1, 2, 3  # what became of a trip

_GROUPS: Final = ("all trips that were run", "trips that the change touches",
                  *(name for name, _, _ in BY_GESTATION))  # fmt: skip
_ALL, _TOUCHED, _FIRST_STRATUM = 0, 1, 2
# what is summed up, for each drawing: weight, difference, and in range, cold and hot on both sides
_WEIGHT, _DIFFERENCE, _BEFORE, _AFTER, _SUMS = 0, 1, 2, 5, 8


@dataclass(frozen=True)
class WhatIfJob:
    """A change on the trips of an invented service, or on trips that are given.

    trips : those of a record; empty for the invented service
    """

    change: Change
    members: int
    seed: int
    service: Service | None = None
    trips: tuple[PastTrip, ...] = ()

    def __post_init__(self) -> None:
        """Check the number of members."""
        if self.members < FEWEST_MEMBERS:
            raise ValueError(f"members: {self.members} is too few; {FEWEST_MEMBERS} or more")

    @property
    def identity(self) -> str:
        """All that the results depend on."""
        mark = hashlib.sha256()
        for one in self.trips:
            mark.update(f"{one.key} {one.why} {one.came_c} {one.cooled}\n".encode())
            if one.case is not None:
                for part in (one.case.trip, one.case.unit, one.case.policy):
                    mark.update(repr(part).encode())
        return (
            f"what if {self.change!r} {self.members} {self.seed} {self.service} {mark.hexdigest()}"
        )

    @property
    def count(self) -> int:
        """How many trips there are."""
        return len(self.trips) if self.service is None else self.service.transfers

    def part(self, first: int, end: int) -> Task:
        """Return the work for some of the trips."""
        return partial(_part, replace(self, trips=self.trips[first:end]), first, end)


def _part(job: WhatIfJob, first: int, end: int) -> Summary:
    service = job.service
    trips = (
        job.trips
        if service is None
        else tuple(invented_trip(service.transfer(number)) for number in range(first, end))
    )
    drawings = max(DRAWINGS, job.members)
    sums = np.zeros((len(_GROUPS), drawings, _SUMS), dtype=np.int64)
    plain = np.zeros((len(_GROUPS), _SUMS), dtype=np.int64)
    rows = np.full((len(trips), 10), np.nan)
    state = np.zeros((len(trips), 2), dtype=np.int64)
    said: Counter[str] = Counter()
    for number, one in enumerate(trips):
        if one.case is None:
            state[number, 0] = COOLED if one.cooled else LACKING
            if not one.cooled:
                said[f"lacking|{one.why}"] += 1
            continue
        air = one.case.trip.start.air_set_c
        was = Side(one.case, first_air_set_c(one.case, job.seed) if air is None else air)
        other = changed(was, job.change)
        before, found, outside = handover_c(was, job.members, job.seed)
        after = before
        if other != was and not outside:
            after, more, outside = handover_c(other, job.members, job.seed)
            found = more if outside else (*found, *more)
        if not outside and not bool(np.isfinite(before).all() and np.isfinite(after).all()):
            outside, found = True, ("The model gives no finite temperature.",)
        for text in sorted({_without_numbers(text) for text in found}):
            said[f"{'outside' if outside else 'care'}|{text}"] += 1
        if outside:
            state[number, 0] = OUTSIDE
            continue
        state[number, 1] = other != was
        ends = (band_of(before), band_of(after), band_of(after - before))
        rows[number, :9] = [value for one_band in ends for value in vars(one_band).values()]
        rows[number, 9] = np.nan if one.came_c is None else one.came_c
        groups = [_ALL, *([_TOUCHED] if other != was else []), _stratum(one.case)]
        weights = _weights(one.key, job.seed, drawings)
        summed = _values(before, after)
        for group in groups:
            sums[group] += weights[:, None] * summed[np.arange(drawings) % job.members]
            plain[group] += summed.sum(axis=0)
    words = sorted(said)
    return {
        "key": np.array([one.key for one in trips], dtype=np.str_),
        "row": rows,
        "state": state,
        "sums": sums,
        "plain": plain,
        "word": np.array(words, dtype=np.str_),
        "word_count": np.array([said[word] for word in words], dtype=np.int64),
    }


def _values(before: Floats, after: Floats) -> Whole:
    """Whole numbers of each member, (members, 8)."""
    columns = [np.ones(len(before)), np.rint(MICRO * (after - before))]
    for body in (before, after):
        columns += [(body >= LOW_C) & (body <= HIGH_C), body < LOW_C, body > HIGH_C]
    return np.column_stack(columns).astype(np.int64)


def _weights(key: str, seed: int, drawings: int) -> Whole:
    """How often each drawing counts a trip; by its key, so that its place does not matter."""
    mark = int.from_bytes(hashlib.sha256(key.encode()).digest()[:8])
    stream = np.random.Generator(np.random.Philox(key=[seed, mark]))
    return stream.poisson(1.0, drawings).astype(np.int64)


def _stratum(case: Case) -> int:
    weeks = case.trip.baby.gestation_weeks
    for number, (_, low, high) in enumerate(BY_GESTATION):
        if low <= weeks < high:
            return _FIRST_STRATUM + number
    raise AssertionError(f"gestation {weeks}")  # a trip file has 22 to 44 weeks


_OWN_NUMBER = re.compile(
    r"^((?:Weight|Gestation|Age|First temperature) |[^:]*: (?:wind )?)[−-]?\d+(?:\.\d+)?"
)


def _without_numbers(text: str) -> str:
    """Take a trip's own number out of what is said of it, so that trips can be counted."""
    return _OWN_NUMBER.sub(r"\1…", text)


# --- what came out -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Estimate:
    """A pooled figure; ``band`` is ``None`` for fewer than 5 trips."""

    value: float
    band: Band | None


@dataclass(frozen=True)
class Pooled:
    """Figures of some trips together.

    difference_k : mean of body temperature at the handover, with the change less as it was [K]
    before, after, more : shares in range, cold and hot, and with the change less as it was, 0 to 1
    """

    title: str
    trips: int
    difference_k: Estimate
    before: tuple[Estimate, Estimate, Estimate]
    after: tuple[Estimate, Estimate, Estimate]
    more: tuple[Estimate, Estimate, Estimate]


@dataclass(frozen=True)
class TripResult:
    """One trip: what became of it and, if it was run, body temperature at the handover [degC]."""

    key: str
    state: Literal["run", "unknown", "outside the model's range", "cooled on purpose"]
    touched: bool
    before: Band | None
    after: Band | None
    difference_k: Band | None
    came_c: float | None


@dataclass(frozen=True)
class WhatIf:
    """A comparison over all trips.

    groups : those with fewer than 5 trips are left out, but for the first two
    lacking, outside, care : sentence and how many trips
    cooled : left out, for they stand apart
    held, came : of ``came`` trips whose last temperature was read, as many lay in the model's
        5 to 95 % band of the trip as it was; ``off_k`` the median of read less model [K]
    """

    title: str
    change: str
    members: int
    seed: int
    trips: tuple[TripResult, ...]
    groups: tuple[Pooled, ...]
    lacking: tuple[tuple[str, int], ...]
    outside: tuple[tuple[str, int], ...]
    care: tuple[tuple[str, int], ...]
    cooled: int
    held: int
    came: int
    off_k: float | None
    rests_on: tuple[str, ...]
    invented: bool
    cautions: tuple[str, ...] = CAUTIONS

    def count(self, state: str) -> int:
        """How many trips ended in a state."""
        return sum(one.state == state for one in self.trips)


_STATES: Final[tuple[Any, ...]] = (
    "run", "unknown", "outside the model's range", "cooled on purpose",
)  # fmt: skip


def what_if(job: WhatIfJob, found: Sequence[Summary], title: str) -> WhatIf:
    """Put what the pieces of a job gave together.

    found : of `warmhold.review.work.run`
    title : such as the record
    """
    trips = tuple(one for part in found for one in _results(part))
    drawings = max(DRAWINGS, job.members)
    sums = sum(
        (part["sums"] for part in found), np.zeros((len(_GROUPS), drawings, _SUMS), np.int64)
    )
    plain = sum((part["plain"] for part in found), np.zeros((len(_GROUPS), _SUMS), np.int64))
    groups = []
    for number, name in enumerate(_GROUPS):
        count = int(plain[number, _WEIGHT]) // job.members
        if count >= FEWEST_POOLED or (count > 0 and number < _FIRST_STRATUM):
            groups.append(_pooled(name, count, plain[number], sums[number]))
    words: Counter[str] = Counter()
    for part in found:
        for word, number in zip(part["word"].tolist(), part["word_count"].tolist(), strict=True):
            words[word] += number
    read = [one for one in trips if one.came_c is not None and one.before is not None]
    off = [one.came_c - one.before.p50 for one in read if one.came_c is not None and one.before]
    return WhatIf(
        title, job.change.sentence, job.members, job.seed, trips, tuple(groups),
        _told(words, "lacking"), _told(words, "outside"), _told(words, "care"),
        sum(one.state == "cooled on purpose" for one in trips),
        sum(_holds(one.before, one.came_c) for one in read), len(read),
        float(np.median(off)) if off else None, RESTS_ON[job.change.kind],
        job.service is not None,
    )  # fmt: skip


def _results(part: Summary) -> list[TripResult]:
    out = []
    for key, row, (state, touched) in zip(
        part["key"].tolist(), part["row"].tolist(), part["state"].tolist(), strict=True
    ):
        before, after, difference = (
            Band(*row[at : at + 3]) if state == RUN else None for at in (0, 3, 6)
        )
        came = None if math.isnan(row[9]) else row[9]
        out.append(TripResult(key, _STATES[state], bool(touched), before, after, difference, came))
    return out


def _told(words: Mapping[str, int], kind: str) -> tuple[tuple[str, int], ...]:
    mine = [(w.partition("|")[2], n) for w, n in words.items() if w.startswith(f"{kind}|")]
    return tuple(sorted(mine, key=lambda one: (-one[1], one[0])))


def _holds(band: Band | None, value: float | None) -> bool:
    return band is not None and value is not None and band.p05 <= value <= band.p95


def _pooled(title: str, count: int, plain: Whole, sums: Whole) -> Pooled:
    drawn = sums[sums[:, _WEIGHT] > 0]

    def figure(column: int, less: int | None = None, scale: float = 1.0) -> Estimate:
        def of(table: Whole) -> Any:
            part = table[..., column] - (0 if less is None else table[..., less])
            return part / (scale * table[..., _WEIGHT])

        value = float(of(plain))
        if count < FEWEST_POOLED:
            return Estimate(value, None)
        band = band_of(of(drawn))
        # a share that few members have lies beyond its quantiles: the band is widened to hold it
        return Estimate(value, Band(min(band.p05, value), band.p50, max(band.p95, value)))

    def three(begin: int, less: int | None = None) -> tuple[Estimate, Estimate, Estimate]:
        one, two, last = (
            figure(begin + k, None if less is None else less + k) for k in range(3)
        )  # fmt: skip
        return one, two, last

    return Pooled(
        title, count, figure(_DIFFERENCE, scale=MICRO), three(_BEFORE), three(_AFTER),
        three(_AFTER, _BEFORE),
    )  # fmt: skip
