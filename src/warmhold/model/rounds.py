"""What a service asks of its units between trips: rounds, tasks that fall due, and limits.

Attribute names equal the keys of the rounds file.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from warmhold.model.base import Between, Cited, Frozen, Mark, Sourced, Text

Effect = Literal["not ready", "with limits"]
Answer = Literal["seen", "number", "battery-bar", "room-air"]

_Number = Annotated[float, Between(-1000, 100_000)]


class RoundItem(Frozen):
    """One thing to see, do or read on a round.

    A number below ``low`` or above ``high`` asks for care; beyond ``stop_low`` and ``stop_high``
    the unit is not ready. ``battery-bar`` is judged against the unit's own bar, ``room-air``
    against what the oxygen sensor should read in this room.
    """

    key: Text
    title: Text
    why: Text
    answer: Answer = "seen"
    unit: Annotated[str, Field(max_length=20)] = ""
    low: _Number | None = None
    high: _Number | None = None
    stop_low: _Number | None = None
    stop_high: _Number | None = None
    must: bool = False
    mark: Mark
    source: Text


class Round(Frozen):
    """One round: its items in the order in which they are done, and how often it is due."""

    key: Text
    title: Text
    every_h: Annotated[Sourced, Cited(1, 8784)] | None = None  # none: only after a trip
    after_trip: bool = False
    overdue: Effect
    item: Annotated[tuple[RoundItem, ...], Field(min_length=1)]


class Task(Frozen):
    """Something that falls due by the calendar: a bench test, a filter, an inspection.

    ``trials`` names the bench tests that fulfil it, all of them, by the names that `warmhold
    bench` gives them; a task without any is written down by hand.
    """

    key: Text
    title: Text
    every_days: Annotated[Sourced, Cited(1, 4000)]
    soon_days: Annotated[float, Between(0, 400)]
    overdue: Effect
    trials: tuple[Text, ...] = ()


class FleetLimits(Frozen):
    """At which measured values a unit is not, or only with limits, ready."""

    battery_health_low_percent: Annotated[Sourced, Cited(10, 120)]
    battery_connect_of_ten: Annotated[Sourced, Cited(0, 10)]
    room_air_within_points: Annotated[Sourced, Cited(0, 10, above=True)]
    room_air_stop_points: Annotated[Sourced, Cited(0, 20, above=True)]


class Rounds(Frozen):
    """One service's rounds, tasks and limits."""

    format: Literal[1]
    name: Text
    limits: FleetLimits
    round: Annotated[tuple[Round, ...], Field(min_length=1)]
    task: tuple[Task, ...] = ()

    def round_of(self, key: str) -> Round | None:
        """Return a round by its key."""
        return next((one for one in self.round if one.key == key), None)
