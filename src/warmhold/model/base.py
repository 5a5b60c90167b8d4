"""Building stones of the typed inputs: numbers with their range, spread and origin.

Every number is checked against a physical, generous range. Whether a model is valid there
is judged later, by the plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

Provenance = Literal["measured", "manual", "published", "assumed", "stated"]
UnitProvenance = Literal["measured", "manual", "published", "assumed"]
Mark = Literal["verified", "memory", "practice", "derived", "own"]

SPREAD_BY_POLICY = "spread assumed by policy"


class Frozen(BaseModel):
    """Base of all inputs: strict, frozen, no unknown keys, no infinities."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


class Quantity(Frozen):
    """A number with its uncertainty: ``spread`` is one standard deviation, in the same unit."""

    value: float
    spread: float
    provenance: Provenance
    note: str = ""


class Sourced(Frozen):
    """A number of a policy or data table with how far its source was verified."""

    value: float
    mark: Mark
    source: str


@dataclass(frozen=True)
class Between:
    """Range of a number, ends included unless ``above``; it must be a plain finite number.

    low, high : ends of the range, ``None`` for no end
    above : the low end itself is not allowed
    fraction_below : a percentage above 0 and below this can only be meant as a fraction
    whole : only whole numbers
    """

    low: float | None = None
    high: float | None = None
    above: bool = False
    fraction_below: float = 0.0
    whole: bool = False

    def holds(self, number: float) -> bool:
        """Whether a number lies in the range."""
        if self.low is not None and (number <= self.low if self.above else number < self.low):
            return False
        if self.high is not None and number > self.high:
            return False
        return not 0 < number < self.fraction_below

    def check(self, given: object) -> float:
        """Return a number as a float, or raise with the range in the error's context."""
        if isinstance(given, bool) or not isinstance(given, int | float):
            raise PydanticCustomError("number", "a number is needed", {"range": self})
        if self.whole and not isinstance(given, int):
            raise PydanticCustomError("number", "a whole number is needed", {"range": self})
        try:
            number = float(given)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number) or not self.holds(number):
            raise PydanticCustomError("range", "outside the range", {"range": self})
        return number

    def check_whole(self, given: object) -> int:
        """Return a whole number, or raise with the range in the error's context."""
        return int(self.check(given))

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Check the number in place of pydantic's own float check."""
        check = self.check_whole if self.whole else self.check
        return core_schema.no_info_plain_validator_function(check)


SPREAD = Between(0)


def _quantity(fields: Any) -> Quantity:
    return Quantity.model_construct(**fields)


def _sourced(fields: Any) -> Sourced:
    return Sourced.model_construct(**fields)


def _number_field(check: Between, required: bool = True) -> core_schema.TypedDictField:
    return core_schema.typed_dict_field(
        core_schema.no_info_plain_validator_function(check.check), required=required
    )


def _dump(given: Frozen) -> dict[str, Any]:
    return given.model_dump()


_AS_TABLE = core_schema.plain_serializer_function_ser_schema(_dump)


def _word_field(words: tuple[str, ...]) -> core_schema.TypedDictField:
    return core_schema.typed_dict_field(core_schema.literal_schema(list(words)))


def _text_field(required: bool) -> core_schema.TypedDictField:
    return core_schema.typed_dict_field(
        core_schema.str_schema(strict=True, min_length=1 if required else 0), required=required
    )


def _spread_small_enough(fields: dict[str, Any], check: Between) -> None:
    positive = check.low is not None and (check.low > 0 or (check.low == 0 and check.above))
    if positive and fields["spread"] > fields["value"]:
        raise PydanticCustomError("wide", "the spread is wider than the value", {"range": check})


@dataclass(frozen=True)
class Stated(Between):
    """A number of a trip, plain or ``{ value, spread }``; ``default`` names policy's spread."""

    default: str = ""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Check value and spread; a plain number takes policy's spread out of the context."""
        fields = {"value": _number_field(self), "spread": _number_field(SPREAD)}

        def wrap(
            given: object,
            inner: core_schema.ValidatorFunctionWrapHandler,
            info: core_schema.ValidationInfo,
        ) -> Quantity:
            provenance, note = "stated", ""
            if isinstance(given, Quantity):
                given = given.model_dump()
            if isinstance(given, Mapping):
                parts = dict(given)
                if info.context is None:  # not out of a file: a quantity that was written out
                    provenance = parts.pop("provenance", provenance)
                    note = parts.pop("note", note)
                fields = inner(parts)
                _spread_small_enough(fields, self)
            else:
                number = self.check(given)
                note = SPREAD_BY_POLICY
                fields = inner(
                    {"value": number, "spread": self._default_spread(number, info.context)}
                )
            return Quantity.model_validate({**fields, "provenance": provenance, "note": note})

        return core_schema.with_info_wrap_validator_function(
            wrap,
            core_schema.typed_dict_schema(fields, extra_behavior="forbid"),
            serialization=_AS_TABLE,
        )

    def _default_spread(self, number: float, context: Any) -> float:
        if context is None:
            raise PydanticCustomError("no_spread", "a spread is needed", {"range": self})
        spread = float(context["spread"].get(self.default, 0.0))
        return abs(number) * spread / 100 if self.default.endswith("_percent") else spread


@dataclass(frozen=True)
class Known(Between):
    """A value of a unit: ``{ value, spread, provenance, note }``, the last one optional."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Check every part, so that each fault is told."""
        fields = {
            "value": _number_field(self),
            "spread": _number_field(SPREAD),
            "provenance": _word_field(("measured", "manual", "published", "assumed")),
            "note": _text_field(required=False),
        }

        def before(given: object) -> object:
            if isinstance(given, Quantity):
                return given.model_dump()
            if not isinstance(given, Mapping):
                raise PydanticCustomError("known", "a table of parts", {"range": self})
            return given

        def after(fields: dict[str, Any]) -> Quantity:
            _spread_small_enough(fields, self)
            return _quantity(fields)

        return core_schema.no_info_after_validator_function(
            after,
            core_schema.no_info_before_validator_function(
                before, core_schema.typed_dict_schema(fields, extra_behavior="forbid")
            ),
            serialization=_AS_TABLE,
        )


@dataclass(frozen=True)
class Cited(Between):
    """A number of a policy: ``{ value, mark, source }``."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Check every part, so that each fault is told."""
        fields = {
            "value": _number_field(self),
            "mark": _word_field(("verified", "memory", "practice", "derived", "own")),
            "source": _text_field(required=True),
        }

        def before(given: object) -> object:
            if isinstance(given, Sourced):
                return given.model_dump()
            if not isinstance(given, Mapping):
                raise PydanticCustomError("cited", "a table of parts", {"range": self})
            return given

        return core_schema.no_info_after_validator_function(
            _sourced,
            core_schema.no_info_before_validator_function(
                before, core_schema.typed_dict_schema(fields, extra_behavior="forbid")
            ),
            serialization=_AS_TABLE,
        )


def _check_text(given: object) -> str:
    if not isinstance(given, str):
        raise PydanticCustomError("text", "text in quotes is needed")
    if not given.strip() or len(given) > 200 or not given.isprintable():
        raise PydanticCustomError("text", "1 to 200 printable characters are needed")
    return given


@dataclass(frozen=True)
class _Text:
    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(_check_text)


def _check_moment(given: object) -> datetime:
    if not isinstance(given, datetime):
        raise PydanticCustomError("moment", "a date and time is needed")
    if given.tzinfo is None:
        raise PydanticCustomError("offset", "the offset from UTC is needed")
    if not 2000 <= given.year <= 2100:
        raise PydanticCustomError("year", "a year from 2000 to 2100 is needed")
    return given.astimezone(UTC)


@dataclass(frozen=True)
class _Moment:
    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(_check_moment)


Text = Annotated[str, _Text()]
Moment = Annotated[datetime, _Moment()]
