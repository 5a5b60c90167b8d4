"""What requests hold and what answers look like: one set of models that validates and documents.

A value that is not known is ``null``, and then ``unknown`` of the same object says why: a field
that may be ``null`` states its usual reason (`Why`), so that none can go without.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
    ValidationError,
    WithJsonSchema,
    create_model,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from warmhold.plan.sheet import CAUTIONS
from warmhold.record.bodies import GAUGE, NUMBERS
from warmhold.record.clock import iso
from warmhold.web.interface.problems import readable
from warmhold.web.quantities import POWER_SOURCES

MOST_IN_PAGE: Final = 500
LARGEST_NUMBER: Final = 999_999.0
LONGEST_TEXT: Final = 2000
LONGEST_PATH: Final = 200


@dataclass(frozen=True)
class Why:
    """Why a field is ``null`` when nothing more is known about it."""

    text: str


class Out(BaseModel):
    """Part of an answer."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="forbid", allow_inf_nan=False,
        json_schema_serialization_defaults_required=True,
    )  # fmt: skip

    unknown: Annotated[
        dict[str, str], Field(description="why each field that is null is not known, by its name")
    ] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _readable(cls, given: Any) -> Any:
        return readable(given) if isinstance(given, Mapping) else given

    def model_post_init(self, _context: Any) -> None:
        """Say why of every field that is not known."""
        for name, field in type(self).model_fields.items():
            shown = field.alias or name
            if getattr(self, name) is None and shown not in self.unknown:
                self.unknown[shown] = next(
                    (one.text for one in field.metadata if isinstance(one, Why)), "not known"
                )


class Answer(Out):
    """A whole answer."""

    cautions: Annotated[
        tuple[str, ...], Field(description="to be shown beside whatever is shown of this")
    ] = CAUTIONS


class Page(Answer):
    """A whole answer that is part of a longer list."""

    next: Annotated[
        int | None,
        Field(description="`after` of the request for what follows; null at the end"),
        Why("this was the last page, for now"),
    ]


Time = Annotated[
    AwareDatetime,
    PlainSerializer(iso, return_type=str),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
Offset = Annotated[
    str, Field(pattern=r"^[+-][0-9]{2}:[0-9]{2}$", description="of the trip's own clock from UTC")
]
Words = Annotated[str | None, BeforeValidator(lambda text: text or None)]
Count = Annotated[int, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
Value = float | str
Detail = dict[str, float | str | bool] | str


def finite(value: float | None) -> float | None:
    """Return a number that JSON can hold; ``None`` for one that is not known or has no end."""
    return None if value is None or not math.isfinite(value) else float(value)


# --- requests -----------------------------------------------------------------------------------


class In(BaseModel):
    """What a request holds."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


def _whole(text: object) -> object:
    """Read a whole number as an address holds it, in plain digits and in no other way."""
    plain = isinstance(text, str) and re.fullmatch(r"0|[1-9][0-9]{0,14}", text)
    return int(str(text)) if plain else text


MOST: Final = 10**15 - 1
Whole = Annotated[int, Field(ge=0, le=MOST), BeforeValidator(_whole)]
Limit = Annotated[int, Field(ge=1, le=MOST_IN_PAGE), BeforeValidator(_whole)]
Month = Annotated[str, StringConstraints(pattern=r"^[0-9]{4}-(0[1-9]|1[0-2])$")]


class PageIn(In):
    """Which part of a list."""

    after: Annotated[
        Whole, Field(description="go on after this number: `next` of the page before")
    ] = 0
    limit: Annotated[Limit, Field(description="at most so many at once")] = 100


Stage = Literal["planned", "on the road", "handed over"]


class TripsIn(PageIn):
    """Which trips."""

    stage: Annotated[Stage | None, Field(description="only trips at this stage")] = None


class EntriesIn(PageIn):
    """Which entries of a trip."""

    changed_after: Annotated[
        Whole,
        Field(
            description="only what was written, corrected or struck out after this entry of the "
            "record: `last_entry` of an answer before"
        ),
    ] = 0


Standing = Literal["fine", "soon", "overdue", "never"]


class RoundsIn(In):
    """Which rounds and tasks."""

    standing: Annotated[Standing | None, Field(description="only those that stand so")] = None


class ReviewIn(In):
    """Which transfers."""

    first: Annotated[
        Month | None, Field(alias="from", description="first month, such as 2026-01")
    ] = None
    last: Annotated[Month | None, Field(alias="to", description="last month")] = None


def _without_default(schema: dict[str, Any]) -> None:
    schema.pop("default", None)


Number = Annotated[float, Field(ge=-LARGEST_NUMBER, le=LARGEST_NUMBER)]
_GAUGE: Final = rf"^{GAUGE}[^\u0000-\u001f\u007f]{{1,100}}$"
_GAUGE_NAME: Final = re.compile(_GAUGE.removesuffix("$")).fullmatch
_TYPED: Final = r"^[^\u0000-\u0008\u000b-\u001f\u007f-\u009f]*$"


def _values_schema(schema: dict[str, Any]) -> None:
    schema["patternProperties"] = {_GAUGE: schema.pop("additionalProperties")}
    schema["additionalProperties"] = False
    schema["minProperties"] = 1


class _Values(In):
    """Values by quantity, each in the unit of its name; a gauge as `gauge_bar:CYLINDER`."""

    model_config = ConfigDict(extra="allow", json_schema_extra=_values_schema, title="Values")
    __pydantic_extra__: dict[str, Number]

    @model_validator(mode="wrap")
    @classmethod
    def _known(cls, given: Any, handler: Any) -> Any:
        """Tell every name that is none together with every value that does not fit."""
        wrong: list[InitErrorDetails] = []
        if isinstance(given, Mapping):
            names = [n for n in given if n not in cls.model_fields and not _GAUGE_NAME(str(n))]
            text = f"no such quantity; allowed {', '.join(cls.model_fields)}, or {GAUGE}CYLINDER"
            unknown = PydanticCustomError("quantity", text)
            wrong += [InitErrorDetails(type=unknown, loc=(n,), input=given[n]) for n in names]
            given = {name: value for name, value in given.items() if name not in names}
            if not given and not wrong:
                raise PydanticCustomError("empty", "at least one value has to be given")
        try:
            made = handler(given)
        except ValidationError as error:
            wrong += [
                InitErrorDetails(
                    type=PydanticCustomError(one["type"], _literal(one["msg"])),
                    loc=one["loc"], input=one["input"],
                )
                for one in error.errors(include_url=False, include_context=False)
            ]  # fmt: skip
        if wrong:
            raise ValidationError.from_exception_data(cls.__name__, wrong)
        return made


def _literal(text: str) -> Any:
    """Keep braces in a message from being taken for places to fill in."""
    return text.replace("{", "(").replace("}", ")")


def _values() -> type[_Values]:
    left_out = Field(default=None, json_schema_extra=_without_default)
    fields: dict[str, Any] = dict.fromkeys(NUMBERS, (Number, left_out))
    fields["power_source"] = (Literal[POWER_SOURCES], left_out)
    fields["vent_text"] = (
        Annotated[str, StringConstraints(max_length=LONGEST_TEXT, pattern=_TYPED)],
        Field(
            default=None, json_schema_extra=_without_default,
            description="the ventilator's settings, as text",
        ),
    )  # fmt: skip
    return create_model("Values", __base__=_Values, **fields)


Values = _values()

_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})"
)


def moment_in(text: object) -> datetime | None:
    """Read a moment with its zone; ``None`` when it is none."""
    if not isinstance(text, str) or not _MOMENT.fullmatch(text.upper()):
        return None
    try:
        return datetime.fromisoformat(text.upper())
    except ValueError:
        return None


def _moment(text: object) -> object:
    found = moment_in(text)
    if found is None:
        raise PydanticCustomError(
            "moment", "a moment with its zone, such as 2026-01-14T03:05:00+01:00"
        )
    return found


class NewObservation(In):
    """One set of values that a person read."""

    at: Annotated[
        AwareDatetime,
        BeforeValidator(_moment),
        WithJsonSchema({"type": "string", "format": "date-time"}),
        Field(
            default=None, json_schema_extra=_without_default,
            description="when it was read, with its zone; left out: the moment of saving",
        ),
    ]  # fmt: skip
    set: Annotated[
        Literal["regular", "extra"],
        Field(description="whether it stands for a regular set, which falls due in its interval"),
    ] = "extra"
    values: Values  # type: ignore[valid-type]
    confirmed: Annotated[
        tuple[Annotated[str, Field(max_length=LONGEST_PATH)], ...],
        Field(
            max_length=50, strict=False,
            description="quantities whose values are hard to believe and were confirmed by the "
            "person who read them; they are kept as they came, with the doubt as their flag",
        ),
    ] = ()  # fmt: skip


# --- pieces of answers --------------------------------------------------------------------------

LASTS: Final = "it lasts: no end is in sight"


class Band(Out):
    """Middle and ends of what fits: 5 of 100 lie below p05, 5 above p95."""

    p05: Annotated[float | None, Why("not known")]
    p50: Annotated[float | None, Why("not known")]
    p95: Annotated[float | None, Why("not known")]

    @classmethod
    def of(cls, given: Any) -> Band | None:
        """Take a band; ``None`` when nothing of it is known."""
        if given is None or any(math.isnan(v) for v in (given.p05, given.p50, given.p95)):
            return None
        ends = {name: getattr(given, name) for name in ("p05", "p50", "p95")}
        lasts = {name: LASTS for name, value in ends.items() if value == math.inf}
        return cls(**{name: finite(v) for name, v in ends.items()}, unknown=lasts)


_NO_PLAN = Why("the plan in the record cannot be read")
_NOT_STARTED = Why("the baby has not gone in yet")


class RecordOut(Answer):
    """The record as it stands: number and hash of its last entry, its fingerprint."""

    last_entry: Count
    fingerprint: Annotated[str, Field(description="hash of the last entry, hexadecimal")]
    trips: Count
    as_of_utc: Time
    version: Annotated[str, Field(description="of warmhold")]
    rehearsal: Annotated[bool, Field(description="a simulated trip, of which nothing is kept")]


class VerificationOut(Answer):
    """A check of the whole record against its chain of hashes."""

    whole: bool
    entries: Count
    fingerprint: str
    faults: tuple[str, ...]
    lost: Annotated[
        tuple[int, ...], Field(description="entries that an earlier recovery could not bring back")
    ]
    checked_utc: Annotated[Time, Field(description="the check is made once a minute at most")]


class TripLine(Out):
    """One trip in short."""

    trip: Annotated[str, Field(description="its key, for every address below it")]
    title: Annotated[str | None, _NO_PLAN]
    stage: Annotated[Stage | None, _NO_PLAN]
    unit: Annotated[str | None, Field(description="key of the unit"), _NO_PLAN]
    unit_name: Annotated[str | None, _NO_PLAN]
    verdict: Annotated[
        Literal["go", "not yet", "cannot tell"] | None,
        Field(description="of the plan, as it was made before leaving"),
        _NO_PLAN,
    ]
    headline: Annotated[str | None, _NO_PLAN]
    planned_utc: Annotated[Time | None, _NO_PLAN]
    started_utc: Annotated[Time | None, Field(description="the baby went in"), _NOT_STARTED]
    handed_over_utc: Annotated[Time | None, Why("nobody has handed over yet")]
    next_set_due_utc: Annotated[
        Time | None, Why("no regular set is due: not started yet, or handed over")
    ]
    missed_sets: Count
    local_offset: Annotated[Offset | None, _NO_PLAN]
    last_entry: Annotated[Count, Field(description="number of the trip's last entry")]


class TripsOut(Page):
    """Trips in the order of their first entries."""

    trips: tuple[TripLine, ...]


class MarginOut(Out):
    """How much there is to spare of one thing, as it was planned."""

    key: str
    title: str
    unit: str
    band: Annotated[
        Band | None, Field(description="above zero: to spare, in `unit`; below: missing"),
        Why("the model cannot tell"),
    ]  # fmt: skip
    probability: Annotated[
        Share | None, Field(description="share of simulated trips that keep it"),
        Why("the model cannot tell"),
    ]  # fmt: skip
    required: Annotated[
        float | None, Field(description="share that policy asks for"), Why("policy does not say")
    ]
    must_hold: Annotated[bool, Field(description="counts for the verdict")]
    state: Literal["holds", "falls short", "cannot tell"]
    worst_at: Annotated[Words, Why("it has no single moment")]
    says: str
    assumed: Annotated[
        tuple[str, ...], Field(description="values it rests on that nobody verified")
    ]
    reason: Annotated[Words, Field(description="why it cannot tell"), Why("it can tell")]


class PlanOut(Out):
    """The plan in force, as it was made before leaving."""

    entry: Count
    made_utc: Time
    who: str
    verdict: Literal["go", "not yet", "cannot tell"]
    headline: str
    first_to_fail: Annotated[Words, Why("nothing falls short")]
    needs_attention: tuple[str, ...]
    outside: Annotated[
        tuple[str, ...], Field(description="where the model is beyond what it was checked for")
    ]
    air_set_c: Annotated[float | None, Why("the plan found no setting")]
    margins: tuple[MarginOut, ...]
    members: Annotated[Count, Field(description="simulated trips behind it")]
    version: str


class ReadingOut(Out):
    """The last value of one quantity."""

    quantity: str
    value: Value
    at_utc: Time
    entry: Count
    flag: Annotated[
        Words, Field(description="why it is hard to believe; it was confirmed and kept"),
        Why("it was not in doubt"),
    ]  # fmt: skip
    source: Annotated[
        Words, Field(description="the device that told it"), Why("a person entered it")
    ]


class CylinderOut(Out):
    """What the watch takes one cylinder to hold."""

    name: str
    gas: str
    litres: Annotated[Band | None, Why("not known")]
    gauge_bar: Annotated[Band | None, Why("not known")]
    minutes_at_present: Annotated[Band | None, Why("none is drawn from it")]
    minutes_as_planned: Annotated[Band | None, Why("not known")]
    in_use: bool


class NowOut(Out):
    """What the watch makes of model and readings together; it may be wrong or late."""

    as_of_utc: Time
    knows_up_to_entry: Count
    leg: Annotated[str, Field(description="the leg it is thought to be on")]
    skin_c: Annotated[Band | None, Why("not known")]
    body_c: Annotated[Band | None, Why("not known")]
    air_c: Annotated[Band | None, Why("not known")]
    oxygen_percent: Annotated[Band | None, Why("not known")]
    humidity_percent: Annotated[Band | None, Why("not known")]
    battery_wh: Annotated[Band | None, Why("not known")]
    battery_minutes_at_present: Annotated[
        Band | None, Field(description="if it were, or is, on battery"), Why("not known")
    ]
    battery_minutes_as_planned: Annotated[Band | None, Why("not known")]
    cylinders: tuple[CylinderOut, ...]
    minutes_to_handover: Annotated[Band | None, Why("not known")]
    body_at_handover_c: Annotated[Band | None, Why("not known")]
    too_cold_at_handover: Annotated[Share | None, Why("not known")]
    too_hot_at_handover: Annotated[Share | None, Why("not known")]
    lasts: Annotated[
        dict[str, float],
        Field(description="probability that each lasts, or stays in policy's band, to the end"),
    ]
    note: Annotated[Words, Field(description="what is counted otherwise than planned"),
                    Why("everything is counted as planned")]  # fmt: skip


class TripOut(Answer):
    """One trip: its plan with margins, its stage, what was read last and what is left."""

    trip: TripLine
    plan: Annotated[PlanOut | None, _NO_PLAN]
    latest: tuple[ReadingOut, ...]
    now: Annotated[NowOut | None, Why("the watch has not looked yet; ask again in some seconds")]


class Correction(Out):
    """One later change of an entry."""

    entry: Count
    saved_utc: Time
    who: str


class EntryOut(Out):
    """What every entry of a trip has."""

    entry: Annotated[Count, Field(description="its number in the record")]
    at_utc: Annotated[Time, Field(description="the time that was stated, else that of saving")]
    saved_utc: Time
    who: str
    struck_out: Annotated[bool, Field(description="it counts for nothing and is kept")]
    corrections: tuple[Correction, ...]


class FirstValues(Out):
    """An observation as it was first made."""

    at_utc: Time
    values: dict[str, Value]


class ObservationOut(EntryOut):
    """One set of values, as it stands after its corrections."""

    set: Annotated[
        Literal["regular", "extra", "device"], Field(description="device: told by a machine")
    ]
    values: Annotated[dict[str, Value], Field(description="by quantity, in the unit of its name")]
    flags: Annotated[dict[str, str], Field(description="by quantity, why it is hard to believe")]
    source: Annotated[Words, Field(description="the device"), Why("a person entered it")]
    first: Annotated[FirstValues | None, Why("it was never corrected")]


class Entries(Page):
    """A page of a trip's entries."""

    trip: str
    local_offset: Annotated[Offset | None, _NO_PLAN]
    last_entry: Annotated[Count, Field(description="the trip's last entry that this page knows")]


class ObservationsOut(Entries):
    """Observations in the order in which they were written."""

    observations: tuple[ObservationOut, ...]


class OneObservationOut(Answer):
    """One observation, as it stands."""

    trip: str
    local_offset: Annotated[Offset | None, _NO_PLAN]
    observation: ObservationOut


class SavedOut(Answer):
    """An observation is on the disk. The same key and content give the same answer again."""

    trip: str
    entry: Annotated[Count, Field(description="its number in the record")]
    at_utc: Time
    saved_utc: Time
    who: str
    set: Literal["regular", "extra"]
    values: dict[str, Value]
    flags: dict[str, str]
    hash: Annotated[str, Field(description="of the entry in the record's chain")]
    local_offset: Annotated[Offset | None, _NO_PLAN]


class HappeningOut(EntryOut):
    """One thing that happened."""

    what: str
    detail: Annotated[Detail | None, Why("nothing more was written")]


class HappeningsOut(Entries):
    """What happened, in the order in which it was written."""

    happenings: tuple[HappeningOut, ...]


Priority = Literal["high", "medium", "low"]


class NamedBefore(Out):
    """A condition that the watch named and that stays in the record, whatever became of it."""

    entry: Count
    key: str
    title: str
    priority: Priority
    evidence: Annotated[Words, Why("nothing was written down")]
    at_utc: Time


class ConditionOut(Out):
    """A condition that the watch names now."""

    key: str
    title: str
    priority: Priority
    since_utc: Time
    cleared_utc: Annotated[Time | None, Why("it lasts")]
    evidence: str
    look_at: str
    also: Annotated[Words, Field(description="what else would fit"), Why("nothing else fits")]


class ConditionsOut(Entries):
    """What the watch names now, and what it named before."""

    as_of_utc: Annotated[Time | None, Why("the watch has not looked yet")]
    now: Annotated[
        tuple[ConditionOut, ...] | None,
        Field(description="null: nobody can tell, which is not the same as none"),
        Why("the watch has not looked yet; ask again in some seconds"),
    ]
    named: tuple[NamedBefore, ...]


# --- handover -----------------------------------------------------------------------------------

_UNREAD = Why("nobody wrote it down")


class HandoverReading(Out):
    """One value of the handover."""

    quantity: str
    value: Annotated[Value | None, _UNREAD]
    at_utc: Annotated[Time | None, _UNREAD]
    flag: Annotated[Words, Why("it was not in doubt")]
    before_correction: Annotated[Value | None, Why("it was not corrected")]


class Milestone(Out):
    """A moment that every handover names."""

    title: str
    at_utc: Annotated[Time | None, _UNREAD]


class Note(Out):
    """Words under a heading, as someone wrote them."""

    title: str
    text: Annotated[Words, _UNREAD]


class Spans(Out):
    """The baby's temperatures from going in to the handover."""

    first: Annotated[HandoverReading | None, _UNREAD]
    lowest: Annotated[HandoverReading | None, _UNREAD]
    highest: Annotated[HandoverReading | None, _UNREAD]
    last: Annotated[HandoverReading | None, _UNREAD]


class InTarget(Out):
    """Minutes in a target; shares are of the minutes that are known."""

    title: str
    unit: str
    low: Annotated[float | None, Why("no target is stated")]
    high: Annotated[float | None, Why("no target is stated")]
    inside_min: Annotated[float | None, _UNREAD]
    below_min: Annotated[float | None, _UNREAD]
    above_min: Annotated[float | None, _UNREAD]
    known_min: Annotated[float | None, _UNREAD]
    unknown_min: Annotated[float | None, _UNREAD]


class Happened(Out):
    """One thing that happened on the way."""

    at_utc: Annotated[Time | None, _UNREAD]
    what: str
    detail: Annotated[Words, Why("nothing more was written")]


class Named(Out):
    """A condition that the watch named on the way."""

    title: str
    priority: Priority
    since_utc: Annotated[Time | None, Why("not known")]
    ended_utc: Annotated[Time | None, Why("it was still there")]
    evidence: Annotated[Words, Why("not known")]


class GapOut(Out):
    """A stretch without a set that was due."""

    start_utc: Annotated[Time | None, Why("not known")]
    end_utc: Annotated[Time | None, Why("it lasts")]
    what: str


class SkippedOut(Out):
    """An item of the list before leaving that was left out."""

    title: str
    reason: Annotated[Words, _UNREAD]


class LeftOut(Out):
    """What is left of a gas or of the battery."""

    title: str
    unit: str
    amount: Annotated[Band | None, Why("the watch says nothing of it")]
    minutes: Annotated[Band | None, Why("the watch says nothing of it")]
    at_utc: Annotated[Time | None, Why("the watch says nothing of it")]
    known_how: Annotated[Literal["read", "worked out"] | None, Why("the watch says nothing of it")]
    note: Annotated[Words, Why("nothing to add")]


class LimitOut(Out):
    """One alarm limit of the unit or monitor."""

    title: str
    unit: str
    set_to: Annotated[Value | None, _UNREAD]
    wanted: Annotated[float | None, Why("policy asks for nothing")]
    changed_utc: Annotated[Time | None, Why("no change was written down")]


class HandoverOut(Answer):
    """What the next team is told: the same as the handover page."""

    trip: str
    local_offset: Annotated[Offset | None, _NO_PLAN]
    title: str
    pseudonym: Annotated[Words, _NO_PLAN]
    unit: Annotated[Words, _NO_PLAN]
    weight_g: Annotated[float | None, _NO_PLAN]
    gestation_weeks: Annotated[float | None, _NO_PLAN]
    age_h: Annotated[float | None, _NO_PLAN]
    place_from: Annotated[Words, _UNREAD]
    place_to: Annotated[Words, _UNREAD]
    times: tuple[Milestone, ...]
    handed_over_by: Annotated[Words, Why("nobody has handed over yet")]
    taken_over_by: Annotated[Words, Why("nobody has handed over yet")]
    taken_over_utc: Annotated[Time | None, Why("nobody has handed over yet")]
    reason: Annotated[Words, _UNREAD]
    present_state: Annotated[Words, _UNREAD]
    main_problem: Annotated[Words, _UNREAD]
    background: tuple[Note, ...]
    temperatures: Spans
    in_target: tuple[InTarget, ...]
    target_rule: str
    latest: tuple[HandoverReading, ...]
    support: Annotated[Words, _NO_PLAN]
    support_readings: tuple[HandoverReading, ...]
    assessment: tuple[Note, ...]
    happenings: Annotated[tuple[Happened, ...] | None, Why("nobody can tell")]
    noticed: Annotated[tuple[Named, ...] | None, Why("the watch was not running")]
    gaps: Annotated[tuple[GapOut, ...] | None, Why("nobody can tell")]
    skipped: Annotated[tuple[SkippedOut, ...] | None, Why("no list was kept")]
    left: tuple[LeftOut, ...]
    limits: tuple[LimitOut, ...]
    recommendation: tuple[Note, ...]
    made_utc: Time
    last_entry: Count
    fingerprint: str
    version: str


# --- units --------------------------------------------------------------------------------------

State = Literal["ready", "ready with limits", "not ready", "unknown"]


class ReasonOut(Out):
    """One thing that stands in a unit's way."""

    state: State
    text: str
    todo: str


class DueOut(Out):
    """When a round or task of a unit is due."""

    unit: str
    unit_name: str
    key: str
    title: str
    standing: Annotated[Standing, Field(description="never: nothing is on record")]
    last_utc: Annotated[Time | None, Why("nothing is on record")]
    due_utc: Annotated[
        Time | None, Why("nothing is on record to count from, or it is due after the next trip")
    ]


class OpenFaultOut(Out):
    """A fault that was written down and not closed."""

    entry: Count
    since_utc: Time
    who: str
    what: str
    effect: Literal["not ready", "with limits"]


class BatteryOut(Out):
    """The last run-down of a unit's battery."""

    at_utc: Time
    share_percent: Annotated[
        float | None, Field(description="usable energy, of the new pack's"), Why("not known")
    ]
    minutes: Annotated[float | None, Why("not known")]
    energy_wh: Annotated[float | None, Why("not known")]
    complete: Annotated[
        bool, Field(description="it ran to the cut-off; else the figures are at least so much")
    ]


class UnitLine(Out):
    """One unit and what it is ready for."""

    unit: Annotated[str, Field(description="its key")]
    name: str
    own: Annotated[bool, Field(description="the service's own; else it ships with warmhold")]
    state: Annotated[State, Field(description="unknown is never ready")]
    reasons: tuple[ReasonOut, ...]
    on_the_road: bool
    last_trip_ended_utc: Annotated[Time | None, Why("no ended trip is on record")]
    open_faults: tuple[OpenFaultOut, ...]
    battery: Annotated[BatteryOut | None, Why("no run-down with figures is on record")]


class UnitsOut(Answer):
    """Every unit, the ready ones first."""

    as_of_utc: Time
    rounds: Annotated[str, Field(description="name of the rounds they are judged by")]
    problem: Annotated[
        Words, Field(description="why own rounds are not used"), Why("there is none")
    ]
    units: tuple[UnitLine, ...]


class UnitOut(Answer):
    """One unit, with what falls due."""

    as_of_utc: Time
    unit: UnitLine
    due: tuple[DueOut, ...]


class RoundsOut(Answer):
    """Rounds and tasks of every unit, what is overdue or was never done first."""

    as_of_utc: Time
    rounds: str
    due: tuple[DueOut, ...]


# --- review -------------------------------------------------------------------------------------


class SpreadOut(Out):
    """The 90th centile of a length of time, with its 95 % interval."""

    value: Annotated[float | None, Why("too few to tell")]
    low: Annotated[float | None, Why("too few to tell")]
    high: Annotated[float | None, Why("too few to tell")]


class FigureOut(Out):
    """One figure, with what was counted out of what."""

    key: str
    title: str
    kind: Annotated[
        Literal["share", "minutes", "rate"],
        Field(description="a share of 1, the median in minutes, or events in 1000 transfers"),
    ]
    unit: str
    says: Annotated[str, Field(description="its definition")]
    excludes: Annotated[Words, Why("nothing is excluded")]
    numerator: Count
    denominator: Count
    excluded: Annotated[Count, Field(description="transfers that do not belong")]
    missing: Annotated[Count, Field(description="transfers that could not be counted")]
    value: Annotated[float | None, Why("nothing was counted")]
    low: Annotated[float | None, Field(description="of its 95 % interval"), Why("too few to tell")]
    high: Annotated[float | None, Why("too few to tell")]
    spread: Annotated[SpreadOut | None, Why("only lengths of time have one")]


class FiguresOut(Out):
    """Figures that belong together."""

    title: str
    figures: tuple[FigureOut, ...]


class StratumOut(Out):
    """The same of one part of the transfers."""

    title: str
    transfers: Count
    figures: tuple[FigureOut, ...]


class ReviewOut(Answer):
    """What the transfers of a span tell. No transfer is left out in silence."""

    first: Annotated[Words, Field(alias="from"), Why("from the first transfer on")]
    last: Annotated[Words, Field(alias="to"), Why("up to the last transfer")]
    transfers: Annotated[Count, Field(description="in the span")]
    undated: Annotated[
        Count,
        Field(description="started trips without a month: in no span, and in all without one"),
    ]
    groups: tuple[FiguresOut, ...]
    strata: Annotated[
        tuple[StratumOut, ...], Field(description="parts of fewer than five are not shown")
    ]
    last_entry: Count
    fingerprint: str


# --- codes --------------------------------------------------------------------------------------


class CodingOut(Out):
    """One code in one system."""

    system: str
    code: str
    title: str
    status: Annotated[
        Literal["verified", "memory", "local"],
        Field(description="memory: recalled and not read; check it before you rely on it"),
    ]


class CodeOut(Out):
    """What one quantity is called elsewhere."""

    quantity: str
    title: str
    ucum: Annotated[Words, Field(description="unit of its values"), Why("its values are texts")]
    about: str
    body_site: Annotated[Words, Why("it is not of the baby, or the site is not known")]
    codings: tuple[CodingOut, ...]


class CodesOut(Answer):
    """The quantities of an observation, with their codes."""

    codes: tuple[CodeOut, ...]
