"""Which limits alarmed how often on recorded trends, and what other limits would have done.

Each limit of each trip is replayed as it was set, as policy asks for that baby, and the latter with
a delay. The unit's own alarms are not known here: what is counted are alarms that a limit makes of
a recorded trend (`warmhold.review.replay`). One yardstick stands beside all of them: seconds beyond
policy's limit for that baby without an alarm. A trip without a trend or without a known limit is
missing, and said with its reason; it never counts as a trip without alarms.

A limit may change on the way. It is taken off the trend row by row, so that a limit of 0 is left.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Policy
from warmhold.review.invented import Service
from warmhold.review.rates import Interval
from warmhold.review.replay import Alarms, Setting, Side, Trend, Trends, one_clock, replay
from warmhold.review.search import alarm_ratio, bunched_rate, policy_bounds
from warmhold.review.transfer import Heard, LimitReplay, Transfer, Way, Why

Floats = NDArray[np.float64]
Steps = tuple[tuple[float, float], ...]

DELAY_S: Final = 60.0  # of the third way (own choice)
COARSE_S: Final = 120.0  # rows further apart tell little of how alarms come and go (own choice)
SEED: Final = 1  # of the intervals
_FAR: Final = 1e9  # from a limit that is off
_AT_ONCE: Final = 500  # invented transfers whose trends are in memory together

LIMITS: Final[Mapping[str, tuple[str, Side, str]]] = {
    # title as in a plan: quantity, side, unit
    "Oxygen saturation, low": ("saturation", "low", "%"),
    "Oxygen saturation, high": ("saturation", "high", "%"),
    "Oxygen in the gas, low": ("oxygen", "low", "%"),
    "Oxygen in the gas, high": ("oxygen", "high", "%"),
    "Pulse, low": ("pulse", "low", "/min"),
    "Pulse, high": ("pulse", "high", "/min"),
}
WAYS: Final[tuple[Way, ...]] = ("as set", "policy", "policy, later")


@dataclass(frozen=True)
class Limits:
    """One limit through one trip, as steps: a moment on the trend's clock and what holds from it.

    as_set : what was set; NaN is not known, infinite is off [s, unit of the quantity]
    policy : what policy asks for this baby; NaN is not known, infinite is no limit asked for
    written : whether anybody wrote what was set; else it is what the plan said
    """

    as_set: Steps = ()
    policy: Steps = ()
    written: bool = False


@dataclass(frozen=True)
class Recorded:
    """One trip with what was recorded of it.

    trends : by quantity, such as saturation
    limits : by title, as in `LIMITS`
    """

    trends: Mapping[str, Trend]
    limits: Mapping[str, Limits]


@dataclass(frozen=True)
class Habit:
    """How an invented team sets its alarms: as policy asks, unless a limit is given here.

    written : whether it writes down what it set
    """

    written: bool = True
    limits: Mapping[str, float] = field(default_factory=dict)


HABITS: Final[Mapping[str, Habit]] = {
    "Alder Bay": Habit(written=False),
    "Saltmarsh": Habit(
        limits={"Oxygen saturation, low": 85.0, "Oxygen saturation, high": math.inf}
    ),
}


def invented(
    service: Service, transfers: Sequence[Transfer], policy: Policy, first: int = 0
) -> list[Transfer]:  # fmt: skip
    """Return consecutive transfers of an invented service with what their limits would have done.

    transfers : those from number ``first`` on
    policy : whose limits are asked for
    """
    found: list[Transfer] = []
    for begin in range(0, len(transfers), _AT_ONCE):
        mine = transfers[begin : begin + _AT_ONCE]
        trips = [_invented(service, one, first + begin + k, policy) for k, one in enumerate(mine)]
        pairs = zip(mine, limit_replays(trips), strict=True)
        found += [replace(one, alarms=alarms) for one, alarms in pairs]
    return found


def _invented(service: Service, one: Transfer, number: int, policy: Policy) -> Recorded:
    rows = service.trend_of(one, number)
    habit = HABITS.get(one.team, Habit())
    trends, limits = {}, {}
    for title, (quantity, side, _) in LIMITS.items():
        if quantity not in rows:
            continue
        trends[quantity] = Trend(rows["seconds"], rows[quantity], quantity, trip=one.key)
        bounds = None
        weeks = one.gestation_weeks
        if weeks is not None and (one.cooled is not None or quantity != "pulse"):
            bounds = policy_bounds(policy, quantity, side, weeks, cooled=bool(one.cooled))
        asked = math.nan
        if bounds is not None:
            asked = bounds.lowest if side == "low" else bounds.highest
        as_set = habit.limits.get(title, asked)
        begin = -math.inf
        limits[title] = Limits(((begin, as_set),), ((begin, asked),), habit.written)
    return Recorded(trends, limits)


def less_limit(trend: Trend, steps: Steps) -> Trend:
    """Take a limit off a trend, so that 0 is the limit; for settings without averaging.

    steps : moments on the trend's clock, rising, and the limit from each on; NaN is not known,
        infinite is off

    Returns
    -------
    A trend with more rows: one where a limit changes, and one where a reading stops to stand.
    """
    seconds, value = trend.seconds, trend.value
    until = Trends.of([trend]).until
    changes = np.array([at for at, _ in steps], dtype=np.float64)
    limits = np.array([math.nan, *(limit for _, limit in steps)], dtype=np.float64)
    inside = changes[(changes > seconds[0]) & (changes < seconds[-1])]
    at = np.unique(np.concatenate([seconds, until, inside]))
    row = np.searchsorted(seconds, at, side="right") - 1
    stands = np.where(at < until[row], value[row], np.nan)
    limit = limits[np.searchsorted(changes, at, side="right")]
    off = np.isinf(limit)
    gap = stands - np.where(off, 0.0, limit)
    gap = np.where(off & ~np.isnan(stands), -np.sign(limit) * _FAR, gap)
    longest = float(np.max(np.diff(at), initial=0.0)) + 1.0
    return Trend(at, gap, trend.what, holds_s=longest, trip=trend.trip)


def limit_replays(trips: Sequence[Recorded]) -> list[dict[str, LimitReplay]]:
    """Replay every limit of every trip.

    Returns
    -------
    For each trip its limits by title: all of `LIMITS`, with a reason where nothing was counted.
    """
    found: list[dict[str, LimitReplay]] = [{} for _ in trips]
    for title, (quantity, side, _) in LIMITS.items():
        there = [k for k, one in enumerate(trips) if quantity in one.trends]
        pairs = [(trips[k].trends[quantity], trips[k].limits.get(title, Limits())) for k in there]
        replayed = _replayed(pairs, side) if pairs else []
        by_trip = dict(zip(there, replayed, strict=True))
        for k, mine in enumerate(found):
            mine[title] = by_trip.get(k, LimitReplay(why=dict.fromkeys(WAYS, "no trend")))
    return found


def _replayed(pairs: Sequence[tuple[Trend, Limits]], side: Side) -> list[LimitReplay]:
    """Replay one limit of all trips that have its trend."""
    as_set = Trends.of([less_limit(trend, limits.as_set) for trend, limits in pairs])
    policy = Trends.of([less_limit(trend, limits.policy) for trend, limits in pairs])
    both = Trends.of(
        [less_limit(trend, _where_known(limits.policy, limits.as_set)) for trend, limits in pairs]
    )
    heard = replay(as_set, _at_zero(side))
    asked = replay(policy, _at_zero(side))
    later = replay(policy, _at_zero(side, DELAY_S))
    judged = replay(both, _at_zero(side))
    silent = judged.by_trip[:, 3] - _alarmed_s(both, judged, heard)
    out = []
    for k, (trend, limits) in enumerate(pairs):
        row_s = float(np.median(np.diff(trend.seconds)))
        none_asked = bool(limits.policy) and all(math.isinf(limit) for _, limit in limits.policy)
        ways: dict[Way, Heard] = {}
        why: dict[Way, Why] = {}
        if heard.by_trip[k, 1] > 0.0:
            known = bool(judged.by_trip[k, 1] > 0.0) and not none_asked
            beyond = (float(judged.by_trip[k, 3]), float(silent[k])) if known else (None, None)
            ways["as set"] = _heard(heard, k, *beyond)
        else:
            why["as set"] = "limit not known"
        if none_asked or asked.by_trip[k, 1] == 0.0:
            reason: Why = "none asked for" if none_asked else "limit not known"
            why |= {"policy": reason, "policy, later": reason}
        else:
            ways["policy"] = _heard(asked, k, *asked.by_trip[k, 3:5])
            if row_s <= DELAY_S:
                ways["policy, later"] = _heard(later, k, *later.by_trip[k, 3:5])
            else:
                why["policy, later"] = "rows too far apart"
        out.append(LimitReplay(row_s, limits.written, ways, why))
    return out


def _where_known(policy: Steps, as_set: Steps) -> Steps:
    """Policy's limit, for as long as it is known what was set."""

    def at(steps: Steps, moment: float) -> float:
        return next((limit for begin, limit in reversed(steps) if begin <= moment), math.nan)

    moments = sorted({begin for begin, _ in (*policy, *as_set)})
    return tuple(
        (one, math.nan if math.isnan(at(as_set, one)) else at(policy, one)) for one in moments
    )


def _at_zero(side: Side, delay_s: float = 0.0) -> Setting:
    if side == "low":
        return Setting(low=0.0, delay_on_s=delay_s)
    return Setting(high=0.0, delay_on_s=delay_s)


def _heard(alarms: Alarms, trip: int, beyond_s: float | None, silent_s: float | None) -> Heard:
    count, read, stood = alarms.by_trip[trip, :3]
    if beyond_s is None or silent_s is None:
        return Heard(int(count), float(stood), float(read), None, None)
    return Heard(int(count), float(stood), float(read), float(beyond_s), max(float(silent_s), 0.0))


def _alarmed_s(trends: Trends, asked: Alarms, heard: Alarms) -> Floats:
    """Seconds beyond the limit of the one in which an alarm of the other stood, by trip [s]."""
    shift = one_clock(trends)
    found = np.zeros(len(trends.trips))
    alarms, beyond = heard.episode_rows, asked.violation_rows
    if len(alarms) == 0 or len(beyond) == 0:
        return found
    # seconds in alarm up to a moment: level between alarms, rising through them
    edges = (alarms[:, 2:4] + shift[alarms[:, 0].astype(np.int64)][:, None]).ravel()
    stood = np.repeat(np.cumsum(alarms[:, 3] - alarms[:, 2]), 2)
    stood[0::2] -= alarms[:, 3] - alarms[:, 2]
    trip = beyond[:, 0].astype(np.int64)
    begin, end = beyond[:, 2] + shift[trip], beyond[:, 3] + shift[trip]
    alarmed = np.interp(end, edges, stood) - np.interp(begin, edges, stood)
    np.add.at(found, trip, alarmed)
    return found


# --- of many transfers ---------------------------------------------------------------------------


@dataclass(frozen=True)
class WayFigures:
    """One limit set in one way, over all transfers that could be counted.

    transfers : in which trend and limit were known
    excluded : policy asks for no such limit
    missing : transfers that could not be counted, with how often for which reason
    hours : in which it was read and the limit was known [h]
    per_hour : alarms in an hour; the wider of the exact Poisson interval and one from drawing whole
        transfers again, for alarms come in bunches [1/h]
    alarm_h : in alarm [h]
    silent_h : beyond policy's limit without an alarm; ``None`` where that is not known for any [h]
    judged_h : hours beyond policy's limit on the same transfers [h]
    to_as_set : alarms for each one as set, on transfers that have both; ``None`` for that itself
    """

    way: Way
    transfers: int
    excluded: int
    missing: Mapping[str, int]
    alarms: int
    hours: float
    per_hour: Interval
    alarm_h: float
    silent_h: float | None
    judged_h: float | None
    to_as_set: Interval | None


@dataclass(frozen=True)
class LimitFigures:
    """One limit over many transfers.

    with_trend : transfers with a trend of it
    row_s : median distance of the rows, over these transfers [s]
    coarse : those with rows more than `COARSE_S` apart
    unwritten : those in which nobody wrote what was set, so that the plan's limit stands for it
    """

    title: str
    unit: str
    transfers: int
    with_trend: int
    row_s: float | None
    coarse: int
    unwritten: int
    ways: tuple[WayFigures, ...]


def limit_figures(transfers: Iterable[Transfer]) -> tuple[LimitFigures, ...]:
    """Put together what each limit did, in the order of `LIMITS`.

    Limits of which no transfer has a trend are left out; so that is nothing when none has any.
    """
    every = [one.alarms for one in transfers]
    if not any(every):
        return ()
    nothing = LimitReplay(why=dict.fromkeys(WAYS, "no trend"))
    out = []
    for title, (_, _, unit) in LIMITS.items():
        mine = [one.get(title, nothing) for one in every]
        rows = [one.row_s for one in mine if one.row_s is not None]
        if not rows:
            continue
        unwritten = sum("as set" in one.ways and not one.written for one in mine)
        out.append(
            LimitFigures(
                title, unit, len(mine), len(rows), float(np.median(rows)),
                sum(row > COARSE_S for row in rows), unwritten,
                tuple(_way(way, mine) for way in WAYS),
            )
        )  # fmt: skip
    return tuple(out)


def _way(way: Way, every: Sequence[LimitReplay]) -> WayFigures:
    there = [(one, one.ways[way]) for one in every if way in one.ways]
    reasons = [one.why[way] for one in every if way not in one.ways]
    counts = np.array([heard.alarms for _, heard in there], dtype=np.float64)
    hours = np.array([heard.read_s for _, heard in there], dtype=np.float64) / 3600.0
    judged = [heard for _, heard in there if heard.beyond_s is not None]
    both = [(one.ways[way], one.ways["as set"]) for one, _ in there if "as set" in one.ways]
    pair = np.array([[a.alarms, b.alarms] for a, b in both], dtype=np.float64).reshape(-1, 2)
    return WayFigures(
        way,
        len(there),
        reasons.count("none asked for"),
        {why: reasons.count(why) for why in dict.fromkeys(reasons) if why != "none asked for"},
        int(counts.sum()),
        float(hours.sum()),
        bunched_rate(counts, hours, SEED),
        sum(heard.seconds for _, heard in there) / 3600.0,
        sum(heard.silent_s or 0.0 for heard in judged) / 3600.0 if judged else None,
        sum(heard.beyond_s or 0.0 for heard in judged) / 3600.0 if judged else None,
        None if way == "as set" else _with_an_end(alarm_ratio(pair[:, 0], pair[:, 1], SEED)),
    )


def _with_an_end(ratio: Interval) -> Interval:
    """An end that lies at infinity is none."""
    if ratio.upper is None or math.isfinite(ratio.upper):
        return ratio
    return replace(ratio, upper=None, why="too few alarms as set for the upper end")
