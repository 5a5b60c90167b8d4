"""Recorded trends run through any alarm limits, averaging and delays.

A trend is what was written down, row by row. A reading stands from its row until the next one, but
no longer than ``holds_s``; what lies beyond is a gap. Whatever cannot be seen is unread: it is
neither inside nor outside a limit, it ends an averaging window, a running delay and any alarm, and
nothing is invented over it. The last row only says when the record ends.

The rule, for each side on its own, at every moment that is read:

* a value is in violation when it is beyond the limit; on the limit is not beyond it;
* what the alarm looks at is the mean of the readings of the last ``averaging_s`` seconds up to and
  with the newest, each counted once, taken anew at every row; after a gap of those since the gap;
* an alarm begins when that mean has been beyond the limit for ``delay_on_s`` and still is;
* it ends when the mean has been back by ``hysteresis`` for ``delay_off_s`` and still is; a latching
  alarm does not end by itself.

Both delays run on from row to row. Definitions of our own; that a total delay is made of one until
the condition is recognised and one until the signal begins is how IEC 60601-1-8 sees it (memory).
A replay is a sum over a record, not an alarm system: see ``CAUTION`` in `warmhold.review.search`.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.review.rates import LARGEST, Interval, poisson
from warmhold.simulate.compiled import machine_code

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Side = Literal["low", "high"]

SIDES: Final[tuple[Side, Side]] = ("low", "high")

# Without a length of its own, a reading stands for this many usual distances of rows: own choice.
HOLDS_ROWS: Final = 1.5

# Values closer to a limit than this are on it; moments closer than this are the same moment [s].
_ON_LIMIT: Final = 1e-9
_SAME_S: Final = 1e-6


@dataclass(frozen=True, eq=False)
class Trend:
    """One recorded trend of one quantity of one trip.

    seconds : (rows,) when each row was written, strictly rising, from any moment [s]
    value : (rows,) reading, NaN where the row says that nothing was read [unit of the quantity]
    what : name of the quantity, such as saturation_percent
    holds_s : how long a reading stands when no row follows; ``None`` for 1.5 times the median
        distance of the rows, a choice of this project [s]
    trip : key of the trip
    source : the device that told it; empty when people entered it
    imported : whether it came out of a file of that device

    Raises ``ValueError`` when the two do not match, time does not rise or a value is infinite.
    """

    seconds: Floats
    value: Floats
    what: str
    holds_s: float | None = None
    trip: str = ""
    source: str = ""
    imported: bool = False

    def __post_init__(self) -> None:
        """Check shapes, order and values."""
        object.__setattr__(self, "seconds", np.ascontiguousarray(self.seconds, dtype=np.float64))
        object.__setattr__(self, "value", np.ascontiguousarray(self.value, dtype=np.float64))
        if self.seconds.ndim != 1 or self.seconds.shape != self.value.shape:
            raise ValueError(
                f"trend {self.trip or self.what}: {self.seconds.shape} moments and "
                f"{self.value.shape} values; one value is needed for each moment"
            )
        _check_rows(self.seconds, self.value, self.trip or self.what)
        if self.holds_s is not None and not (math.isfinite(self.holds_s) and self.holds_s > 0.0):
            raise ValueError(f"holds_s is {self.holds_s}; a length above 0 s is needed")

    @property
    def stands_s(self) -> float:
        """How long a reading stands when no row follows [s]."""
        if self.holds_s is not None:
            return self.holds_s
        return HOLDS_ROWS * float(np.median(np.diff(self.seconds))) if len(self.seconds) > 1 else 0


@dataclass(frozen=True, eq=False)
class Trends:
    """Trends of one quantity of many trips, row behind row.

    seconds, value : (rows,) as in `Trend`
    until : (rows,) when each reading stops to stand; the row's own moment where nothing was read
    begins : (trips + 1,) first row of each trip, and the number of rows
    what : name of the quantity
    trips : keys of the trips
    """

    seconds: Floats
    value: Floats
    until: Floats
    begins: Whole
    what: str
    trips: tuple[str, ...]

    @classmethod
    def of(cls, trends: Sequence[Trend]) -> Trends:
        """Put trends of the same quantity behind one another.

        Raises ``ValueError`` when there is none, or when they are not of one quantity.
        """
        kinds = sorted({trend.what for trend in trends})
        if len(kinds) != 1:
            raise ValueError(f"trends of one quantity are needed, these are of: {kinds or 'none'}")
        begins = np.zeros(len(trends) + 1, dtype=np.int64)
        np.cumsum([len(trend.seconds) for trend in trends], out=begins[1:])
        return cls._joined(
            np.concatenate([trend.seconds for trend in trends]),
            np.concatenate([trend.value for trend in trends]),
            begins,
            np.array([trend.stands_s for trend in trends]),
            kinds[0],
            tuple(trend.trip for trend in trends),
        )

    @classmethod
    def from_table(
        cls, seconds: Floats, value: Floats, begins: Whole, what: str, holds_s: float
    ) -> Trends:
        """Take many trips from one long table; trips are called by their number.

        Parameters
        ----------
        seconds, value : (rows,) as in `Trend`; time rises within each trip [s]
        begins : (trips + 1,) first row of each trip, and the number of rows
        what : name of the quantity
        holds_s : how long a reading stands when no row follows [s]

        Raises ``ValueError`` when the table is not in order.
        """
        if begins[0] != 0 or begins[-1] != len(seconds) or np.any(np.diff(begins) < 0):
            raise ValueError("begins must rise from 0 to the number of rows")
        if seconds.ndim != 1 or seconds.shape != value.shape:
            raise ValueError("one value is needed for each moment")
        if not (math.isfinite(holds_s) and holds_s > 0.0):
            raise ValueError(f"holds_s is {holds_s}; a length above 0 s is needed")
        _check_rows(seconds, value, what, begins)
        count = len(begins) - 1
        return cls._joined(
            np.ascontiguousarray(seconds, dtype=np.float64),
            np.ascontiguousarray(value, dtype=np.float64),
            np.ascontiguousarray(begins, dtype=np.int64),
            np.full(count, holds_s),
            what,
            tuple(str(number) for number in range(count)),
        )

    @classmethod
    def _joined(
        cls,
        seconds: Floats,
        value: Floats,
        begins: Whole,
        holds_s: Floats,
        what: str,
        trips: tuple[str, ...],
    ) -> Trends:
        until: Floats = _compiled_until(seconds, value, begins, holds_s)
        return cls(seconds, value, until, begins, what, trips)

    def some(self, numbers: Sequence[int] | Whole) -> Trends:
        """Return the trips with these numbers, in this order."""
        chosen = [slice(self.begins[n], self.begins[n + 1]) for n in numbers]
        begins = np.zeros(len(chosen) + 1, dtype=np.int64)
        np.cumsum([part.stop - part.start for part in chosen], out=begins[1:])

        def joined(column: Floats) -> Floats:
            return np.concatenate([column[part] for part in chosen]) if chosen else column[:0]

        return Trends(
            joined(self.seconds),
            joined(self.value),
            joined(self.until),
            begins,
            self.what,
            tuple(self.trips[n] for n in numbers),
        )

    def averaged(self, averaging_s: float) -> Floats:
        """Return what an alarm with this averaging looks at.

        Parameters
        ----------
        averaging_s : window, 0 for the reading itself [s]

        Returns
        -------
        (rows,) mean of the readings in the window that ends with each row, since the last gap;
        NaN where nothing was read.
        """
        if averaging_s == 0.0:
            return self.value
        mean: Floats = _compiled_average(
            self.seconds, self.value, self.until, self.begins, averaging_s
        )
        return mean


@dataclass(frozen=True)
class Setting:
    """How an alarm is set.

    low, high : limits, ``None`` for no alarm on that side [unit of the quantity]
    averaging_s : window of the mean that the alarm looks at [s]
    delay_on_s : how long it must be beyond a limit before the alarm begins [s]
    delay_off_s : how long it must be back before the alarm ends [s]
    hysteresis : how far it must be back [unit of the quantity]
    latching : the alarm does not end by itself; a replay knows of nobody who ends it, so it stands
        to the end of the record or to the next gap

    Raises ``ValueError`` when a number is not finite or negative, or the limits leave no room.
    """

    low: float | None = None
    high: float | None = None
    averaging_s: float = 0.0
    delay_on_s: float = 0.0
    delay_off_s: float = 0.0
    hysteresis: float = 0.0
    latching: bool = False

    def __post_init__(self) -> None:
        """Check that the numbers make sense together."""
        limits = [limit for limit in (self.low, self.high) if limit is not None]
        lengths = (self.averaging_s, self.delay_on_s, self.delay_off_s, self.hysteresis)
        if not all(math.isfinite(number) for number in (*limits, *lengths)):
            raise ValueError(f"every number of a setting must be finite: {self}")
        if min(lengths) < 0.0:
            raise ValueError(f"averaging, delays and hysteresis cannot be negative: {self}")
        if len(limits) == 2 and limits[1] - limits[0] <= self.hysteresis:
            raise ValueError(
                f"low {self.low:g} and high {self.high:g} leave no room between them: the low "
                "limit has to be below the high one"
            )


@dataclass(frozen=True)
class Episode:
    """One alarm.

    start_s, end_s : on the trend's own clock [s]
    cut : a gap or the end of the record ended it, so its true end is not known
    """

    trip: str
    side: Side
    start_s: float
    end_s: float
    cut: bool

    @property
    def seconds(self) -> float:
        """How long it stood [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Violation:
    """One stretch in which the readings themselves were beyond a limit, without a gap.

    start_s, end_s : on the trend's own clock [s]
    alarmed_after_s : how long it had lasted when its alarm stood, 0 when that stood already;
        ``None`` when it ended without [s]
    """

    trip: str
    side: Side
    start_s: float
    end_s: float
    alarmed_after_s: float | None


@dataclass(frozen=True, eq=False)
class Totals(ABC):
    """What the sums of a replay tell, whether its alarms are there one by one or not.

    by_trip : (trips, 6) alarms, and seconds read, in alarm, in violation, in violation without an
        alarm, in alarm without a violation [s]
    unread_s : seconds of the records in which nothing was read [s]
    row_s : median distance of the rows, NaN when there are not two [s]
    """

    setting: Setting
    by_trip: Floats
    unread_s: float
    row_s: float

    @property
    @abstractmethod
    def count(self) -> int:
        """How many alarms."""

    @property
    def read_s(self) -> float:
        """Seconds in which there was a reading [s]."""
        return float(self.by_trip[:, 1].sum())

    @property
    def seconds(self) -> float:
        """Seconds in which an alarm of either side stood [s]."""
        return float(self.by_trip[:, 2].sum())

    @property
    def violated_s(self) -> float:
        """Seconds in which the readings were beyond a limit [s]."""
        return float(self.by_trip[:, 3].sum())

    @property
    def silent_s(self) -> float:
        """Seconds in violation without an alarm of that side [s]."""
        return float(self.by_trip[:, 4].sum())

    @property
    def idle_s(self) -> float:
        """Seconds of alarm in which no side that alarmed was in violation [s]."""
        return max(float(self.by_trip[:, 5].sum()), 0.0)

    @property
    def per_hour(self) -> float | None:
        """Alarms in an hour that was read; ``None`` when nothing was [1/h]."""
        return 3600.0 * self.count / self.read_s if self.read_s > 0.0 else None

    @property
    def per_hour_interval(self) -> Interval:
        """Alarms in an hour that was read, with the exact Poisson interval, 95 % [1/h].

        Exact for alarms that come by chance alone. Alarms mostly come in bunches, a few babies
        having most of them; then the true interval is wider.
        """
        if self.count > LARGEST:
            return Interval(
                self.per_hour, None, None, 0.95, "none", "more alarms than the interval is for"
            )
        return poisson(self.count, self.read_s / 3600.0)

    @property
    def too_coarse(self) -> bool:
        """Whether averaging or delay is shorter than the distance of the rows.

        What such a setting does between two rows is not in the record.
        """
        short = (self.setting.averaging_s, self.setting.delay_on_s, self.setting.delay_off_s)
        return any(0.0 < length < self.row_s for length in short)


@dataclass(frozen=True, eq=False)
class Alarms(Totals):
    """What a setting would have done on recorded trends.

    episode_rows : (alarms, 5) trip number, side (0 low, 1 high), start, end, whether it was cut;
        by trip, start and side
    violation_rows : (violations, 5) trip number, side, start, end, alarmed after [s], NaN if never
    what : the quantity
    trips : their keys
    """

    what: str
    trips: tuple[str, ...]
    episode_rows: Floats
    violation_rows: Floats

    @cached_property
    def episodes(self) -> tuple[Episode, ...]:
        """Every alarm."""
        return tuple(
            Episode(self.trips[int(row[0])], SIDES[int(row[1])], row[2], row[3], row[4] > 0.5)
            for row in self.episode_rows.tolist()
        )

    @cached_property
    def violations(self) -> tuple[Violation, ...]:
        """Every stretch of readings beyond a limit."""
        return tuple(
            Violation(
                self.trips[int(row[0])],
                SIDES[int(row[1])],
                row[2],
                row[3],
                None if math.isnan(row[4]) else row[4],
            )
            for row in self.violation_rows.tolist()
        )

    @property
    def count(self) -> int:
        """How many alarms."""
        return len(self.episode_rows)

    @property
    def cut(self) -> int:
        """How many of them a gap or the end of the record ended."""
        return int(self.episode_rows[:, 4].sum())

    @property
    def median_s(self) -> float | None:
        """Median length of an alarm, those cut as long as they were seen; ``None`` if none [s]."""
        if self.count == 0:
            return None
        return float(np.median(self.episode_rows[:, 3] - self.episode_rows[:, 2]))

    @property
    def median_alarmed_after_s(self) -> float | None:
        """Median time until a violation was alarmed, those never alarmed as longer than any [s].

        ``None`` when there was no violation, or half of them or more were never alarmed.
        """
        after = self.violation_rows[:, 4]
        if len(after) == 0:
            return None
        middle = float(np.median(np.where(np.isnan(after), np.inf, after)))
        return middle if math.isfinite(middle) else None


def replay(trends: Trends | Trend, setting: Setting) -> Alarms:
    """Run recorded trends through one setting.

    Parameters
    ----------
    trends : of one quantity, of one trip or many
    setting : limits, averaging, delays, hysteresis, latching

    Returns
    -------
    Every alarm and violation, and the seconds of each kind.
    """
    many = Trends.of([trends]) if isinstance(trends, Trend) else trends
    return replay_averaged(many, many.averaged(setting.averaging_s), setting)


def replay_averaged(trends: Trends, mean: Floats, setting: Setting) -> Alarms:
    """Run trends whose mean was taken before, for many settings with one averaging window.

    Parameters
    ----------
    trends : of one quantity
    mean : (rows,) from ``trends.averaged(setting.averaging_s)``
    setting : limits, averaging, delays, hysteresis, latching

    Returns
    -------
    As `replay`.
    """
    episodes, violations, by_trip, unread_s = _compiled_run(
        trends.seconds,
        trends.value,
        mean,
        trends.until,
        trends.begins,
        -np.inf if setting.low is None else setting.low,
        np.inf if setting.high is None else setting.high,
        setting.delay_on_s,
        setting.delay_off_s,
        setting.hysteresis,
        setting.latching,
    )
    return Alarms(
        setting=setting,
        what=trends.what,
        trips=trends.trips,
        episode_rows=_in_order(episodes),
        violation_rows=_in_order(violations),
        by_trip=by_trip,
        unread_s=float(unread_s),
        row_s=_row_s(trends),
    )


def one_clock(trends: Trends) -> Floats:
    """Seconds to add to the moments of each trip so that no two trips touch, (trips,) [s]."""
    first = trends.begins[:-1]
    filled = first < trends.begins[1:]
    last = np.where(filled, trends.begins[1:] - 1, 0)
    start = np.where(filled, trends.seconds[np.where(filled, first, 0)], 0.0)
    lasts = np.where(filled, trends.seconds[last] - start, 0.0)
    shift: Floats = np.concatenate([[0.0], np.cumsum(lasts[:-1] + 1.0)]) - start
    return shift


def _check_rows(seconds: Floats, value: Floats, name: str, begins: Whole | None = None) -> None:
    """Raise when time does not rise within a trip, or a number is not one that can be read."""
    if not np.all(np.isfinite(seconds)):
        raise ValueError(f"trend {name}: every row needs a moment")
    if np.any(np.isinf(value)):
        raise ValueError(f"trend {name}: a reading cannot be infinite; NaN says that none was read")
    falls = np.diff(seconds) <= 0.0
    if begins is not None:
        edges = begins[(begins > 0) & (begins < len(seconds))]
        falls[edges - 1] = False
    if np.any(falls):
        raise ValueError(f"trend {name}: time does not rise at row {int(np.argmax(falls)) + 2}")


def _row_s(trends: Trends) -> float:
    steps = np.diff(trends.seconds[: 1 + min(len(trends.seconds) - 1, 100_000)])
    steps = steps[steps > 0.0]
    return float(np.median(steps)) if len(steps) else math.nan


def _in_order(rows: Floats) -> Floats:
    return rows[np.lexsort((rows[:, 1], rows[:, 2], rows[:, 0]))]


def _until(seconds: Any, value: Any, begins: Any, holds_s: Any) -> Any:
    until = np.empty(len(seconds))
    for trip in range(len(begins) - 1):
        for k in range(begins[trip], begins[trip + 1]):
            if np.isnan(value[k]) or k + 1 == begins[trip + 1]:
                until[k] = seconds[k]
            elif seconds[k] + holds_s[trip] >= seconds[k + 1] - _SAME_S:
                until[k] = seconds[k + 1]
            else:
                until[k] = seconds[k] + holds_s[trip]
    return until


def _average(seconds: Any, value: Any, until: Any, begins: Any, window_s: float) -> Any:
    mean = np.empty(len(seconds))
    for trip in range(len(begins) - 1):
        left = begins[trip]
        for k in range(begins[trip], begins[trip + 1]):
            if k > begins[trip] and until[k - 1] < seconds[k]:
                left = k
            if np.isnan(value[k]):
                mean[k] = np.nan
                continue
            while left < k and seconds[left] <= seconds[k] - window_s + _SAME_S:
                left += 1
            total = 0.0
            for j in range(left, k + 1):
                total += value[j]
            mean[k] = total / (k + 1 - left)
    return mean


def _grown(rows: Any) -> Any:
    wider = np.empty((2 * rows.shape[0], rows.shape[1]))
    wider[: rows.shape[0]] = rows
    return wider


_compiled_until = machine_code(_until)
_compiled_average = machine_code(_average)
_compiled_grown = machine_code(_grown)


def _run(
    seconds: Any,
    value: Any,
    mean: Any,
    until: Any,
    begins: Any,
    low: float,
    high: float,
    delay_on_s: float,
    delay_off_s: float,
    hysteresis: float,
    latching: bool,
) -> Any:
    trips = len(begins) - 1
    by_trip = np.zeros((trips, 6))
    episodes = np.empty((64, 5))
    violations = np.empty((64, 5))
    alarms = 0
    stretches = 0
    unread = 0.0
    # For each side: when the mean went beyond, when it came back, when the alarm and the violation
    # began, and how long the violation had lasted when it was alarmed; NaN for none.
    beyond = np.empty(2)
    back = np.empty(2)
    alarm = np.empty(2)
    stretch = np.empty(2)
    after = np.empty(2)
    part_from = np.empty(2)
    part_to = np.empty(2)
    is_out = np.empty(2, dtype=np.bool_)
    for trip in range(trips):
        first, last = begins[trip], begins[trip + 1]
        if first == last:
            continue
        beyond[:] = np.nan
        back[:] = np.nan
        alarm[:] = np.nan
        stretch[:] = np.nan
        end = seconds[first]
        read = 0.0
        for k in range(first, last + 1):
            over = k == last
            if over or end < seconds[k] or np.isnan(value[k]):
                # A gap or the end of the record: whatever stood ends where it was last seen.
                for side in range(2):
                    if not np.isnan(alarm[side]):
                        if alarms == episodes.shape[0]:
                            episodes = _compiled_grown(episodes)
                        episodes[alarms, 0] = trip
                        episodes[alarms, 1] = side
                        episodes[alarms, 2] = alarm[side]
                        episodes[alarms, 3] = end
                        episodes[alarms, 4] = 1.0
                        alarms += 1
                        by_trip[trip, 0] += 1.0
                    if not np.isnan(stretch[side]):
                        if stretches == violations.shape[0]:
                            violations = _compiled_grown(violations)
                        violations[stretches, 0] = trip
                        violations[stretches, 1] = side
                        violations[stretches, 2] = stretch[side]
                        violations[stretches, 3] = end
                        violations[stretches, 4] = after[side]
                        stretches += 1
                beyond[:] = np.nan
                back[:] = np.nan
                alarm[:] = np.nan
                stretch[:] = np.nan
            if over:
                break
            begin = seconds[k]
            end = until[k]
            if np.isnan(value[k]) or end <= begin:
                continue
            read += end - begin
            for side in range(2):
                if side == 0:
                    is_out[side] = value[k] < low - _ON_LIMIT
                    mean_out = mean[k] < low - _ON_LIMIT
                    mean_back = mean[k] >= low + hysteresis - _ON_LIMIT
                else:
                    is_out[side] = value[k] > high + _ON_LIMIT
                    mean_out = mean[k] > high + _ON_LIMIT
                    mean_back = mean[k] <= high - hysteresis + _ON_LIMIT

                # The violation of the readings themselves.
                if is_out[side]:
                    if np.isnan(stretch[side]):
                        stretch[side] = begin
                        after[side] = np.nan
                elif not np.isnan(stretch[side]):
                    if stretches == violations.shape[0]:
                        violations = _compiled_grown(violations)
                    violations[stretches, 0] = trip
                    violations[stretches, 1] = side
                    violations[stretches, 2] = stretch[side]
                    violations[stretches, 3] = begin
                    violations[stretches, 4] = after[side]
                    stretches += 1
                    stretch[side] = np.nan

                # The alarm, which can change once between two rows.
                part_from[side] = begin
                part_to[side] = begin
                if np.isnan(alarm[side]):
                    if mean_out:
                        if np.isnan(beyond[side]):
                            beyond[side] = begin
                        onset = beyond[side] + delay_on_s
                        if onset < end - _SAME_S:
                            alarm[side] = max(onset, begin)
                            back[side] = np.nan
                            part_from[side] = alarm[side]
                            part_to[side] = end
                    else:
                        beyond[side] = np.nan
                else:
                    part_to[side] = end
                    if not mean_back:
                        back[side] = np.nan
                    elif not latching:
                        if np.isnan(back[side]):
                            back[side] = begin
                        ending = back[side] + delay_off_s
                        if ending < end - _SAME_S:
                            part_to[side] = max(ending, begin)
                            if alarms == episodes.shape[0]:
                                episodes = _compiled_grown(episodes)
                            episodes[alarms, 0] = trip
                            episodes[alarms, 1] = side
                            episodes[alarms, 2] = alarm[side]
                            episodes[alarms, 3] = part_to[side]
                            episodes[alarms, 4] = 0.0
                            alarms += 1
                            by_trip[trip, 0] += 1.0
                            alarm[side] = np.nan
                            beyond[side] = np.nan

                if is_out[side]:
                    stood = part_to[side] - part_from[side]
                    by_trip[trip, 3] += end - begin
                    by_trip[trip, 4] += end - begin - stood
                    by_trip[trip, 5] -= stood
                    if stood > 0.0 and np.isnan(after[side]):
                        after[side] = max(part_from[side] - stretch[side], 0.0)
            both = min(part_to[0], part_to[1]) - max(part_from[0], part_from[1])
            either = part_to[0] - part_from[0] + part_to[1] - part_from[1] - max(both, 0.0)
            by_trip[trip, 2] += either
            by_trip[trip, 5] += either
        by_trip[trip, 1] = read
        unread += seconds[last - 1] - seconds[first] - read
    return episodes[:alarms].copy(), violations[:stretches].copy(), by_trip, unread


_compiled_run = machine_code(_run)
