"""Alarm replay over more trips than fit into memory: trends are made, looked at and let go.

A piece gives the seconds of each trip and how often each length of an alarm came. Nothing else is
needed for the figures of a replay, and they are exact: sums are taken over the trips in their
order, and medians over counted lengths, so that it does not matter how the work was cut or who
did it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from warmhold.review.invented import Service
from warmhold.review.replay import HOLDS_ROWS, Alarms, Setting, Totals, Trends, replay
from warmhold.review.search import (
    TOO_FEW,
    Finding,
    Question,
    chosen,
    finding,
    halves,
    tell,
    tried,
)
from warmhold.review.transfer import Transfer
from warmhold.review.work import Summary, Task

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ROW_S = 60.0  # of an invented trend
TRIPS_IN_A_PIECE = 500  # about 150,000 rows of one a minute, a few megabytes


@dataclass(frozen=True)
class ReplayJob:
    """The trends of an invented service through one setting.

    quantity : saturation, pulse or skin
    """

    service: Service
    quantity: str
    setting: Setting

    @property
    def identity(self) -> str:
        """All that the results depend on."""
        return f"replay {self.service} {self.quantity} {self.setting}"

    @property
    def count(self) -> int:
        """How many transfers there are."""
        return self.service.transfers

    def part(self, first: int, end: int) -> Task:
        """Return the work for some of the transfers."""
        return partial(_part, self, first, end)


def _part(job: ReplayJob, first: int, end: int) -> Summary:
    service = job.service
    trends = table(service, job.quantity, first, [service.transfer(n) for n in range(first, end)])
    return summary_of(replay(trends, job.setting))


def table(service: Service, quantity: str, first: int, transfers: Sequence[Transfer]) -> Trends:
    """Return the trends of consecutive invented transfers, row behind row.

    transfers : those from number ``first`` on
    """
    return _table(quantity, [service.trend_of(one, first + n) for n, one in enumerate(transfers)])


def _table(quantity: str, made: Sequence[Mapping[str, Floats]]) -> Trends:
    begins = np.zeros(len(made) + 1, dtype=np.int64)
    np.cumsum([len(one["seconds"]) for one in made], out=begins[1:])
    return Trends.from_table(
        np.concatenate([one["seconds"] for one in made]),
        np.concatenate([one[quantity] for one in made]),
        begins,
        quantity,
        HOLDS_ROWS * ROW_S,
    )


@dataclass(frozen=True)
class SearchJob:
    """One half of a search on the trends of an invented service, or on some of them.

    numbers : of the transfers of that half
    settings : those to look at; ``None`` for every one that the question tries
    """

    service: Service
    question: Question
    numbers: tuple[int, ...]
    settings: tuple[Setting, ...] | None = None

    @property
    def identity(self) -> str:
        """All that the results depend on."""
        return f"search {self.service} {self.question} {self.numbers} {self.settings}"

    @property
    def count(self) -> int:
        """How many transfers there are."""
        return len(self.numbers)

    def part(self, first: int, end: int) -> Task:
        """Return the work for some of the transfers."""
        return partial(_search_part, replace(self, numbers=self.numbers[first:end]))


def _search_part(job: SearchJob) -> Summary:
    service, question = job.service, job.question
    trends = _table(question.what, [service.trend(number) for number in job.numbers])
    if job.settings is None:
        return tried(trends, question)
    return tell(trends, job.settings, question)


def search_in_pieces(
    service: Service,
    numbers: Sequence[int],
    question: Question,
    work: Callable[[SearchJob, str], Sequence[Summary]],
) -> Finding:
    """Search as `warmhold.review.search.search` does, without all trends at once.

    numbers : transfers of the service to search, all of babies for whom policy sets the same bounds
    work : runs a job, named for whoever keeps its pieces

    Raises ``ValueError`` when they are too few to split.
    """
    first, second = halves([service.key(number) for number in numbers], question.seed)
    if not first:
        raise ValueError(TOO_FEW)
    training, held_out = (tuple(numbers[k] for k in half) for half in (first, second))
    choice = chosen(work(SearchJob(service, question, training), "chosen"), question)
    told = work(SearchJob(service, question, held_out, choice.settings), "told")
    chose, kept = (tuple(map(service.key, half)) for half in (training, held_out))
    return finding(question, choice, chose, kept, told)


def summary_of(alarms: Alarms) -> Summary:
    """Return what the figures of a replay need, as a piece gives it."""
    length_s, length_count = _counted(alarms.episode_rows[:, 3] - alarms.episode_rows[:, 2])
    return {
        "by_trip": alarms.by_trip,
        "unread_s": np.array([alarms.unread_s]),
        "length_s": length_s,
        "length_count": length_count,
        "row_s": np.array([alarms.row_s]),
    }


def _counted(lengths: Floats) -> tuple[Floats, Whole]:
    values, counts = np.unique(lengths, return_counts=True)
    return values, counts.astype(np.int64)


@dataclass(frozen=True, eq=False)
class Replayed(Totals):
    """The figures of a replay, without its alarms one by one.

    trips : how many
    length_s, length_count : each length of an alarm that came, rising, and how often [s]

    The distance of the rows is that of the first piece that has two.
    """

    length_s: Floats
    length_count: Whole

    @classmethod
    def joined(cls, setting: Setting, found: Sequence[Summary]) -> Replayed:
        """Put what the pieces gave together, in their order."""
        lengths, counts = _added((one["length_s"], one["length_count"]) for one in found)
        rows = [float(one["row_s"][0]) for one in found]
        return cls(
            setting,
            np.concatenate([np.empty((0, 6)), *(one["by_trip"] for one in found)]),
            math.fsum(float(one["unread_s"][0]) for one in found),
            next((one for one in rows if not math.isnan(one)), math.nan),
            lengths,
            counts,
        )

    @property
    def trips(self) -> int:
        """How many transfers were replayed."""
        return len(self.by_trip)

    @property
    def count(self) -> int:
        """How many alarms."""
        return int(self.length_count.sum())

    @property
    def median_s(self) -> float | None:
        """Median length of an alarm; ``None`` if there was none [s]."""
        if self.count == 0:
            return None
        upto = np.cumsum(self.length_count)
        middle = [(self.count - 1) // 2, self.count // 2]
        low, high = self.length_s[np.searchsorted(upto, middle, side="right")]
        return float(0.5 * (low + high))


def replayed(alarms: Alarms) -> Replayed:
    """Return the figures of a replay that is in memory."""
    return Replayed.joined(alarms.setting, [summary_of(alarms)])


def _added(found: Iterable[tuple[Any, Any]]) -> tuple[Floats, Whole]:
    both = list(found)
    values = np.concatenate([np.empty(0), *(one for one, _ in both)])
    counts = np.concatenate([np.empty(0, dtype=np.int64), *(one for _, one in both)])
    every, place = np.unique(values, return_inverse=True)
    total = np.zeros(len(every), dtype=np.int64)
    np.add.at(total, place, counts)
    return every, total
