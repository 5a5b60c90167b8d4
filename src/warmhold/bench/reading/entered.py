"""What a person enters beside a log: conditions read by hand, what is stated, what was tried."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from warmhold.bench.reading.strict import read_source, validated
from warmhold.model.base import Between, Frozen, Text
from warmhold.model.checks import Values
from warmhold.model.explain import Problem
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.syntax import parse
from warmhold.model.words import number_text

Trial = Literal["fan", "air path", "skin sensor", "supply", "high temperature", "air deviation"]

_Temperature = Annotated[float, Between(-30, 60)]
_Speed = Annotated[float, Between(0, 15)]
_Percent = Annotated[float, Between(0, 105)]


class Conditions(Frozen):
    """Conditions that were read by hand; each pair is lowest and highest."""

    ambient_c: tuple[_Temperature, _Temperature] | None = None
    ambient_air_speed_m_s: tuple[_Speed, _Speed] | None = None
    air_set_c: Annotated[float, Between(15, 45)] | None = None
    supply: Literal["mains", "vehicle", "aircraft", "battery"] | None = None
    mattress: Literal["level", "tilted"] | None = None
    hood: Literal["closed", "open"] | None = None
    humidity: Text | None = None


class StatedValues(Frozen):
    """What the unit's accompanying documents state."""

    warm_up_min: Annotated[float, Between(0, 600, above=True)] | None = None


class BatteryTest(Frozen):
    """How a run-down began and ended."""

    fully_charged: bool | None = None
    ended: Literal["cut-off", "stopped"] | None = None


class OxygenPoint(Frozen):
    """One gas of the oxygen check: what the gas is, and what the unit shows."""

    reference_percent: Annotated[float, Between(0, 100)]
    shown_percent: _Percent
    reference_u: Annotated[float, Between(0, 20)] | None = None
    step: Annotated[float, Between(0, 5, above=True)] | None = None


class AlarmTried(Frozen):
    """One alarm that was tried: what was brought about and what came of it."""

    what: Trial
    heard: bool | None = None
    seen: bool | None = None
    heater_off: bool | None = None
    kept_min: Annotated[float, Between(0, 1440)] | None = None
    air_max_c: _Temperature | None = None
    note: Text | None = None


class Entered(Frozen):
    """Everything that was entered beside a log."""

    format: Literal[1] = 1
    by: Text | None = None
    conditions: Conditions = Conditions()
    stated: StatedValues = StatedValues()
    battery: BatteryTest = BatteryTest()
    oxygen: tuple[OxygenPoint, ...] = ()
    alarm: tuple[AlarmTried, ...] = ()


def load_entered(path: Path) -> Entered:
    """Read a file of entered values.

    Raises ``FaultyInput`` with all faults, each with its line.
    """
    return validated(Entered, read_source(path), _check)


def parse_entered(text: str, origin: str) -> Entered:
    """Read entered values from text; ``origin`` names it in faults.

    Raises ``FaultyInput``.
    """
    source = parse(text, origin)
    if isinstance(source, Fault):
        raise FaultyInput((source,))
    return validated(Entered, source, _check)


def _check(values: Values) -> Iterator[Problem]:
    for key in ("ambient_c", "ambient_air_speed_m_s"):
        pair = values.at("conditions", key)
        if isinstance(pair, tuple) and len(pair) == 2 and pair[0] > pair[1]:
            yield Problem(
                ("conditions", key), f"[{number_text(pair[0])}, {number_text(pair[1])}]",
                "the lowest first, then the highest", "exchange the two",
            )  # fmt: skip
    seen: set[str] = set()
    for row in values.rows("alarm"):
        what = values.at("alarm", row, "what")
        if what in seen:
            yield Problem(
                ("alarm", row, "what"), f'"{what}" once more', "each alarm once",
                "keep the trial that counts",
            )  # fmt: skip
        if isinstance(what, str):
            seen.add(what)
