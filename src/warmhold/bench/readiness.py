"""Whether a unit can go now, why not, and what falls due: from what is on record of it.

Not ready beats unknown, unknown beats ready with limits. What is not on record is unknown and is
never taken as done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final, Literal

from warmhold.bench.rounds import RoomAir
from warmhold.model import Effect, Rounds, Task
from warmhold.plan.words import number

State = Literal["ready", "ready with limits", "not ready", "unknown"]
Standing = Literal["fine", "soon", "overdue", "never"]

ORDER: Final[tuple[State, ...]] = ("not ready", "unknown", "ready with limits", "ready")
BY_EFFECT: Final[Mapping[Effect, State]] = {
    "not ready": "not ready",
    "with limits": "ready with limits",
}
WORST: Final = ("stop", "not judged", "care", "good")


@dataclass(frozen=True)
class DoneRound:
    """One round on record.

    state : its worst answer
    says : the answers that were that bad
    less : those that were not good, but less bad than these
    """

    at: datetime
    who: str
    state: str
    says: tuple[str, ...] = ()
    seq: int = 0
    less: tuple[str, ...] = ()


@dataclass(frozen=True)
class DoneTask:
    """One bench test or other task on record. ``state``: one of `WORST`."""

    at: datetime
    who: str
    state: str
    says: str = ""
    seq: int = 0


@dataclass(frozen=True)
class OpenFault:
    """A fault that was written down and not closed."""

    seq: int
    since: datetime
    who: str
    what: str
    effect: Effect


@dataclass(frozen=True)
class ClosedFault:
    """A fault that was closed: what it was, and how it was mended."""

    fault: OpenFault
    at: datetime
    who: str
    how: str
    seq: int


@dataclass(frozen=True)
class RunDown:
    """One battery run-down: energy as a share of the profile's, and how long it ran.

    share_percent : usable energy over the new pack's, same rate and temperature; None unknown
    minutes : until it was empty, at the load of the test
    complete : it ran to the unit's own cut-off; else both are at least that much
    share_expanded : expanded uncertainty of the share, k = 2 [%]; None unknown
    """

    at: datetime
    share_percent: float | None
    minutes: float | None
    energy_wh: float | None
    complete: bool
    share_expanded: float | None = None


@dataclass(frozen=True)
class Setting:
    """One reading of the oxygen sensor in room air before it was set."""

    at: datetime
    reading_percent: float
    error_points: float | None  # against what it should have read; None when that was not known
    air: RoomAir


@dataclass(frozen=True)
class History:
    """What is on record of one unit, oldest first."""

    unit: str
    rounds: Mapping[str, tuple[DoneRound, ...]] = field(default_factory=dict)
    tasks: Mapping[str, tuple[DoneTask, ...]] = field(default_factory=dict)
    trials: Mapping[str, tuple[DoneTask, ...]] = field(default_factory=dict)
    faults: tuple[OpenFault, ...] = ()
    closed: tuple[ClosedFault, ...] = ()
    run_downs: tuple[RunDown, ...] = ()
    settings: tuple[Setting, ...] = ()
    on_the_road: bool = False
    last_trip_end: datetime | None = None

    def last_round(self, key: str) -> DoneRound | None:
        """Return the newest round of one kind."""
        done = self.rounds.get(key, ())
        return done[-1] if done else None

    def last_task(self, task: Task) -> DoneTask | None:
        """Return what stands for a task: its newest entry by hand, or its bench tests together.

        The bench tests of a task count once all of them are on record, from the day of the oldest
        of their newest results, and with the worst of them.
        """
        by_hand = self.tasks.get(task.key, ())
        results = [self.trials.get(name, ())[-1:] for name in task.trials]
        together = [result[0] for result in results if result]
        if not together or len(together) < len(task.trials):
            return by_hand[-1] if by_hand else None
        worst = min(together, key=lambda one: WORST.index(one.state))
        oldest = min(together, key=lambda one: one.at)
        whole = DoneTask(oldest.at, worst.who, worst.state, worst.says, worst.seq)
        return by_hand[-1] if by_hand and by_hand[-1].at > whole.at else whole


@dataclass(frozen=True)
class Due:
    """When a round or task is due."""

    key: str
    title: str
    standing: Standing
    last: datetime | None
    due: datetime | None


@dataclass(frozen=True)
class Reason:
    """One thing that stands in the way, and what would mend it."""

    state: State
    text: str
    todo: str


@dataclass(frozen=True)
class Readiness:
    """Whether a unit can go now."""

    unit: str
    state: State
    reasons: tuple[Reason, ...]
    due: tuple[Due, ...]


def readiness(
    history: History, rounds: Rounds, now: datetime, profile_faults: int = 0
) -> Readiness:
    """Judge one unit.

    history : what is on record of it
    rounds : the service's own
    now : the moment, UTC
    profile_faults : faults of its profile; with any it cannot be planned with
    """
    due = tuple(due_of(history, rounds, now))
    reasons = [
        *_road(history),
        *_faults(history),
        *_profile(profile_faults),
        *_rounds(history, rounds, due),
        *_tasks(history, rounds, due),
        *_battery(history, rounds),
    ]
    reasons = [
        one if one.text.endswith(".") else replace(one, text=f"{one.text}.") for one in reasons
    ]
    reasons.sort(key=lambda reason: ORDER.index(reason.state))
    state = reasons[0].state if reasons else "ready"
    return Readiness(history.unit, state, tuple(reasons), due)


def due_of(history: History, rounds: Rounds, now: datetime) -> Iterator[Due]:
    """Yield when each round and task is due, in the order of the service's file."""
    for one in rounds.round:
        last = history.last_round(one.key)
        at = last.at if last else None
        if one.after_trip:
            ended = history.last_trip_end
            if ended is None or (at is not None and at >= ended):
                yield Due(one.key, one.title, "fine", at, None)
            else:
                yield Due(one.key, one.title, "overdue", at, ended)
        elif one.every_h is not None:
            every = timedelta(hours=one.every_h.value)
            yield _by_calendar(one.key, one.title, at, every, timedelta(0), now)
    for task in rounds.task:
        done = history.last_task(task)
        yield _by_calendar(
            task.key,
            task.title,
            done.at if done else None,
            timedelta(days=task.every_days.value),
            timedelta(days=task.soon_days),
            now,
        )


def _by_calendar(
    key: str, title: str, last: datetime | None, every: timedelta, soon: timedelta, now: datetime
) -> Due:
    if last is None:
        return Due(key, title, "never", None, None)
    due = last + every
    standing: Standing = "overdue" if now > due else "soon" if now > due - soon else "fine"
    return Due(key, title, standing, last, due)


def _road(history: History) -> Iterator[Reason]:
    if history.on_the_road:
        yield Reason("not ready", "It is on the road with a baby in it.", "wait for its handover")


def _faults(history: History) -> Iterator[Reason]:
    for fault in history.faults:
        yield Reason(BY_EFFECT[fault.effect], f"Open fault: {fault.what}", "mend it and close it")


def _profile(faults: int) -> Iterator[Reason]:
    if faults:
        yield Reason(
            "unknown",
            "Its profile has faults: no trip can be planned with it.",
            "mend the profile on its own page",
        )


def _rounds(history: History, rounds: Rounds, due: tuple[Due, ...]) -> Iterator[Reason]:
    standing = {one.key: one for one in due}
    for one in rounds.round:
        found = standing[one.key].standing
        last = history.last_round(one.key)
        if found == "never":
            yield Reason("unknown", f"No {one.title.lower()} is on record.", "do it now")
        elif found == "overdue":
            what = "was not done since its last trip" if one.after_trip else "is overdue"
            yield Reason(BY_EFFECT[one.overdue], f"{one.title}: it {what}.", "do it now")
        if last is not None and last.state != "good":  # what was found stands until the next one
            state: State = "not ready" if last.state == "stop" else "ready with limits"
            told = [(state, says) for says in last.says]
            told += [("ready with limits", says) for says in last.less]
            for worse, says in told:
                yield Reason(worse, f"{one.title}: {says}", "mend it and do the round again")


def _tasks(history: History, rounds: Rounds, due: tuple[Due, ...]) -> Iterator[Reason]:
    standing = {one.key: one for one in due}
    for task in rounds.task:
        found = standing[task.key].standing
        last = history.last_task(task)
        there = [name for name in task.trials if history.trials.get(name)]
        if found == "never" and there:
            lacking = ", ".join(name for name in task.trials if name not in there)
            yield Reason("unknown", f"{task.title}: not on record yet: {lacking}.", "do these too")
            for name in there:
                newest = history.trials[name][-1]
                if newest.state == "stop":
                    yield Reason(
                        "not ready",
                        f"{task.title}: {name}: {newest.says}",
                        "mend it and test again",
                    )
        elif found == "never":
            yield Reason(
                "unknown",
                f"{task.title}: nothing is on record.",
                "do it, or write down the last one",
            )
        elif found == "overdue":
            yield Reason(BY_EFFECT[task.overdue], f"{task.title} is overdue.", "do it")
        failed = list(_failed(history, task))
        for name, trial in failed:
            yield Reason(
                "not ready", f"{task.title}: {name}: {trial.says}", "mend it and test again"
            )
        if last is not None and last.state != "good" and not failed:
            if last.state == "stop":
                yield Reason("not ready", f"{task.title}: {last.says}", "mend it and test again")
            else:
                todo = "bring what is missing, and test again"
                yield Reason("unknown", f"{task.title}: {last.says}", todo)


def _failed(history: History, task: Task) -> Iterator[tuple[str, DoneTask]]:
    """Yield the bench tests of a task that failed and were not passed since.

    A failure stands however old it is, and though the task's other tests are not on record; a
    later test that is invalid or could not tell does not take it away.
    """
    by_hand = history.tasks.get(task.key, ())
    for name in task.trials:
        told = [one for one in history.trials.get(name, ()) if one.state in {"good", "stop"}]
        if not told or told[-1].state == "good":
            continue
        if not by_hand or by_hand[-1].at <= told[-1].at:
            yield name, told[-1]


def _battery(history: History, rounds: Rounds) -> Iterator[Reason]:
    if not history.run_downs:
        if any(task.key in history.tasks for task in rounds.task if "run-down" in task.trials):
            yield Reason(
                "ready with limits",
                "Its run-down was written down without figures: how much its battery holds is "
                "unknown.",
                "write minutes and share of new, or judge a log of it",
            )
        return  # else told by its task
    last = history.run_downs[-1]
    low = rounds.limits.battery_health_low_percent.value
    if last.share_percent is None:
        yield Reason(
            "unknown",
            "The last run-down says nothing about the battery's health.",
            "run it down again",
        )
    elif last.share_percent < low and not last.complete:
        yield Reason(
            "unknown",
            f"The last run-down came to {number(last.share_percent, 0)} % of the new "
            f"energy, below the {number(low, 0)} % that it has to hold; it is not known to have "
            "ended at the cut-off.",
            "run it down to the unit's own cut-off",
        )
    elif last.share_percent < low:
        minutes = "" if last.minutes is None else f", {number(last.minutes, 0)} minutes"
        yield Reason(
            "ready with limits",
            f"Its battery held {number(last.share_percent, 0)} % of the new energy{minutes}; the "
            f"service asks for {number(low, 0)} %.",
            "change it; until then only trips planned with the measured battery",
        )
