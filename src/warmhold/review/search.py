"""Limits that would alarm less and miss no harm: chosen on one half, told on the other.

What counts as harm is data. Every limit on the unit's own grid is tried with every averaging and
delay that is asked about. The choice is made on one half of the transfers; the other half is looked
at once, for the present setting and the chosen one only, so that the luck of the best of many does
not end up in the result.

Low and high alarms run apart from each other, so one side is searched at a time: what two sides
alarm is the sum of both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Grid, Policy, Sourced
from warmhold.model.base import Mark
from warmhold.review.rates import LARGEST, Interval, exact, poisson
from warmhold.review.replay import (
    SIDES,
    Alarms,
    Setting,
    Side,
    Trends,
    one_clock,
    replay,
    replay_averaged,
)

Floats = NDArray[np.float64]
State = Literal["holds", "falls short", "cannot tell"]

# Own choices: at least this share of the transfers with a harm must have had it alarmed, and below
# this many transfers no interval is drawn from them.
SHARE_NEEDED: Final = 0.9
FEWEST_TRANSFERS: Final = 20
RESAMPLES: Final = 1000
_DRAWN_IN_ALL: Final = 20_000_000  # transfers; so many show what fewer resamples do not hide

_SAME_S: Final = 1e-6

CAUTION: Final = (
    "Decision support, not a medical device, and not an alarm system. A replay runs past readings "
    "through other limits; it cannot know what would have happened. Whoever acts on an alarm "
    "changes the trend: with other limits the same babies would have had other readings, and harm "
    "that an early alarm prevented is not in the record. What happens between two rows, in a gap, "
    "or beneath the averaging of the monitor that recorded the trend is not seen; a probe that "
    "came off looks like harm. Do not change a limit by this alone: check against local protocol, "
    "the unit's manual and a licensed clinician, and watch what a change does."
)


@dataclass(frozen=True)
class Harm:
    """What policy calls harm: a quantity beyond a value for at least so long, without a gap.

    what : name of the quantity, as in the trends
    value : on this value is not beyond it [unit of the quantity]
    for_s : how long at least [s]
    within_s : an alarm counts when it stands before the harm has lasted so long; ``None`` for any
        time before its end [s]

    Each of the numbers says where it comes from.
    """

    what: str
    side: Side
    value: Sourced
    for_s: Sourced
    within_s: Sourced | None = None


def _own(value: float, why: str) -> Sourced:
    return Sourced(value=value, mark="own", source=why)


# To start from; a service puts its own in place. The limits are published, the times are ours.
EXAMPLES: Final[tuple[Harm, ...]] = (
    Harm(
        "saturation",
        "low",
        Sourced(
            value=80, mark="verified", source="PMC6906083 Table 6: the lower of two low limits"
        ),
        _own(60, "one row of a trend written every minute"),
    ),
    Harm(
        "saturation",
        "high",
        Sourced(
            value=97,
            mark="verified",
            source="s12887-020-02225-3: at 98 % one in four below 33 wk had an arterial oxygen "
            "of 100 mmHg or more",
        ),
        _own(600, "ten minutes, on oxygen only: a high reading in air is no harm"),
    ),
    Harm(
        "pulse",
        "low",
        Sourced(
            value=80, mark="verified", source="PMC6906083 Table 6: the lower limit below 37 wk"
        ),
        _own(60, "one row of a trend written every minute"),
    ),
)


@dataclass(frozen=True)
class Bounds:
    """Between which values policy lets a limit stand, both included.

    lowest, highest : infinite where policy sets no end [unit of the quantity]
    source, mark : where they come from
    """

    lowest: float
    highest: float
    source: str
    mark: Mark

    def allow(self, limit: float) -> bool:
        """Whether policy lets a limit stand here."""
        return self.lowest - 1e-9 <= limit <= self.highest + 1e-9


def policy_bounds(
    policy: Policy, what: str, side: Side, weeks: float, *, cooled: bool = False
) -> Bounds | None:
    """Return between which values policy lets an alarm limit stand.

    A limit is never looser than policy's alarm limit, and a saturation limit never reaches into
    the target.

    Parameters
    ----------
    policy : the service's policy
    what : saturation or pulse
    side : which limit
    weeks : gestation at birth [wk]
    cooled : cooled on purpose; policy's pulse limits are not for such a baby

    Returns
    -------
    ``None`` when policy says nothing for this baby, or its limits follow what is given, as with
    the oxygen in the gas.
    """
    if what == "saturation":
        row = next((row for row in policy.saturation if weeks < row.below_weeks), None)
        if row is None:
            return None
        if side == "low":
            asked, inner = row.alarm_low_percent, row.target_low_percent
            ends = (asked.value, max(inner.value, asked.value))
        else:
            asked, inner = row.alarm_high_percent, row.target_high_percent
            ends = (min(inner.value, asked.value), asked.value)
    elif what == "pulse" and not cooled:
        pulse = next((row for row in policy.pulse if weeks < row.below_weeks), None)
        if pulse is None:
            return None
        asked = pulse.alarm_low_per_min if side == "low" else pulse.alarm_high_per_min
        ends = (asked.value, math.inf) if side == "low" else (-math.inf, asked.value)
    else:
        return None
    return Bounds(*ends, f"policy {policy.name}: {asked.source}", asked.mark)


@dataclass(frozen=True)
class Candidate:
    """One setting, on the transfers it was tried on.

    allowed : on the unit's grid and within policy's bounds
    alarms, per_hour : of the searched side [1/h]
    harms, alarmed : stretches of harm, and how many of them had an alarm
    median_after_s : median time from the beginning of a harm to its alarm, 0 when it stood
        already, those missed as longer than any; ``None`` without harm or with half missed [s]
    """

    setting: Setting
    allowed: bool
    alarms: int
    per_hour: float
    harms: int
    alarmed: int
    median_after_s: float | None

    @property
    def missed(self) -> int:
        """Harms without an alarm."""
        return self.harms - self.alarmed


@dataclass(frozen=True)
class Told:
    """One setting on the half that had no part in the choice.

    per_hour : alarms in an hour that was read; the wider of the exact Poisson interval and one from
        drawing whole transfers again, for alarms come in bunches [1/h]
    share : of the harms that were alarmed, exact interval as if each harm were of another baby
    transfer_share : of the transfers with a harm, those with every harm alarmed; exact interval
    """

    setting: Setting
    transfers: int
    hours: float
    alarms: int
    per_hour: Interval
    harms: int
    alarmed: int
    share: Interval
    transfer_share: Interval
    median_after_s: float | None


@dataclass(frozen=True)
class Finding:
    """What a search found.

    candidates : all that were tried, on the training half
    front : of those allowed, the ones that no other beats in alarms, missed harms and time to alarm
    outside : those that policy does not allow and that no candidate at all beats; a question to
        whoever owns the policy, never an answer
    present, chosen : on the training half; nothing is chosen when nothing fits
    present_told, chosen_told : on the held-out half
    ratio : alarms of the chosen setting for each one of the present, held out; wider of two
    state : whether the share of transfers with every harm alarmed is shown to reach what is needed
    recommended : ``None`` unless that holds and the alarms are shown to be fewer
    transfers_needed : transfers with a harm below which even an alarm for every one shows nothing
    notes : what was left out, and why
    """

    harms: tuple[Harm, ...]
    bounds: Bounds | None
    seed: int
    training: tuple[str, ...]
    held_out: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    front: tuple[Candidate, ...]
    outside: tuple[Candidate, ...]
    present: Candidate
    chosen: Candidate | None
    present_told: Told
    chosen_told: Told | None
    ratio: Interval | None
    state: State
    recommended: Setting | None
    share_needed: float
    transfers_needed: int
    sentence: str
    notes: tuple[str, ...]
    caution: str = CAUTION


def halves(trips: Sequence[str], seed: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Split transfers into a training and a held-out half.

    Parameters
    ----------
    trips : keys, each once
    seed : of the draw; the same keys fall into the same halves in whatever order they come

    Returns
    -------
    Numbers of the transfers in each half, in their order. Raises ``ValueError`` when a key is
    empty or comes twice, for then one baby could be in both halves.
    """
    if "" in trips or len(set(trips)) != len(trips):
        raise ValueError("each trend needs the key of its transfer, and each transfer comes once")
    keys = sorted(trips)
    drawn = np.random.default_rng(seed).permutation(len(keys))
    training = {keys[n] for n in drawn[: len(keys) // 2]}
    numbers = range(len(trips))
    return (
        tuple(n for n in numbers if trips[n] in training),
        tuple(n for n in numbers if trips[n] not in training),
    )


def on_grid(grid: Grid) -> tuple[float, ...]:
    """Every value that the unit offers, as written in decimals [unit of the grid]."""
    lowest, highest, step = (Fraction(repr(n)) for n in (grid.lowest, grid.highest, grid.step))
    return tuple(float(lowest + n * step) for n in range(math.floor((highest - lowest) / step) + 1))


def harm_rows(trends: Trends, harms: Sequence[Harm]) -> Floats:
    """Find every stretch of harm in recorded trends.

    Parameters
    ----------
    trends : of the quantity that the harms are about
    harms : all of one side

    Returns
    -------
    (stretches, 4) trip number, start, end, until when an alarm counts [s]; harm behind harm.
    """
    found = []
    for harm in harms:
        alone = _with_limit(Setting(), harm.side, harm.value.value)
        rows = replay(trends, alone).violation_rows
        rows = rows[rows[:, 3] - rows[:, 2] >= harm.for_s.value - _SAME_S]
        counts_until = rows[:, 3]
        if harm.within_s is not None:
            counts_until = np.minimum(counts_until, rows[:, 2] + harm.within_s.value)
        found.append(np.column_stack([rows[:, 0], rows[:, 2], rows[:, 3], counts_until]))
    return np.concatenate(found)


def alarmed_after(trends: Trends, alarms: Alarms, harms: Floats, side: Side) -> Floats:
    """How long each stretch of harm had lasted when its alarm stood.

    Parameters
    ----------
    trends : on which both were found
    alarms : of one setting
    harms : (stretches, 4) from `harm_rows`
    side : the alarm that counts

    Returns
    -------
    (stretches,) 0 when the alarm stood already, NaN when there was none in time [s]
    """
    shift = one_clock(trends)
    rows = alarms.episode_rows
    rows = rows[rows[:, 1] == SIDES.index(side)]
    move, own = shift[rows[:, 0].astype(np.int64)], shift[harms[:, 0].astype(np.int64)]
    begins, ends = rows[:, 2] + move, rows[:, 3] + move
    after: Floats = np.full(len(harms), np.nan)
    if len(rows) == 0:
        return after
    # Alarms of one side do not overlap: the first that ends later is the only one to ask.
    place = np.searchsorted(ends, harms[:, 1] + own + _SAME_S, side="right")
    there = place < len(rows)
    place[~there] = 0
    there &= begins[place] < harms[:, 3] + own - _SAME_S
    after[there] = np.maximum(begins[place] - harms[:, 1] - own, 0.0)[there]
    return after


def search(
    trends: Trends,
    *,
    harms: Sequence[Harm],
    grid: Grid,
    bounds: Bounds | None,
    present: Setting,
    averaging_s: Sequence[float],
    delay_on_s: Sequence[float],
    seed: int,
    share_needed: float = SHARE_NEEDED,
    resamples: int = RESAMPLES,
) -> Finding:
    """Look for a setting that alarms less and misses no harm that the present one alarms.

    Parameters
    ----------
    trends : of one quantity, one trend for each transfer, all of babies for whom policy sets the
        same bounds
    harms : what counts as harm, of one side
    grid : limits of that side that the unit offers
    bounds : from `policy_bounds`; with ``None`` nothing is allowed and nothing is chosen
    present : the setting of today; its delay off, hysteresis and latching are kept
    averaging_s, delay_on_s : what the monitor offers [s]
    seed : of the split and of the intervals
    share_needed : share of transfers with a harm that must be shown to have every harm alarmed [-]
    resamples : draws of whole transfers behind an interval

    Returns
    -------
    What was tried, chosen on one half, and told on the other. Of the allowed settings that alarm
    every training harm that the present one alarms, the one with the fewest alarms is chosen; of
    equals the one with fewer missed, then the sooner, then the first tried, from the safe side.

    Raises
    ------
    ValueError : harms of several sides or of another quantity, a present setting without a limit
        on that side, or too few transfers to split.
    """
    side = _one_side(trends, harms, present)
    present = replace(present, low=None) if side == "high" else replace(present, high=None)
    first, second = halves(trends.trips, seed)
    if not first:
        raise ValueError("at least two transfers are needed, one for each half")
    training, held_out = trends.some(first), trends.some(second)
    settings, notes = _settings(training, grid, side, present, averaging_s, delay_on_s)

    rows = harm_rows(training, harms)
    present_alarms = replay(training, present)
    must = ~np.isnan(alarmed_after(training, present_alarms, rows, side))
    limits = set(on_grid(grid))

    def allowed(setting: Setting) -> bool:
        limit = _limit(setting, side)
        return bounds is not None and limit in limits and bounds.allow(limit)

    candidates: list[Candidate] = []
    chosen: Candidate | None = None
    means = {window: training.averaged(window) for window in {s.averaging_s for s in settings}}
    for setting in settings:
        alarms = replay_averaged(training, means[setting.averaging_s], setting)
        after = alarmed_after(training, alarms, rows, side)
        one = _candidate(alarms, after, allowed(setting))
        candidates.append(one)
        keeps = not np.any(must & np.isnan(after))
        if one.allowed and keeps and len(rows) and (chosen is None or _cost(one) < _cost(chosen)):
            chosen = one

    present_told, present_counts = _told(held_out, present, harms, side, seed, resamples)
    chosen_told, ratio = None, None
    if chosen is not None:
        chosen_told, counts = _told(held_out, chosen.setting, harms, side, seed, resamples)
        ratio = alarm_ratio(counts, present_counts, seed, resamples)
    needed = math.ceil(math.log(0.025) / math.log(share_needed) - 1e-9)
    state = _state(chosen_told, share_needed)
    fewer = ratio is not None and ratio.upper is not None and ratio.upper < 1.0
    good = chosen is not None and chosen.allowed and state == "holds" and fewer
    return Finding(
        harms=tuple(harms),
        bounds=bounds,
        seed=seed,
        training=training.trips,
        held_out=held_out.trips,
        candidates=tuple(candidates),
        front=_front([one for one in candidates if one.allowed]),
        outside=tuple(one for one in _front(candidates) if not one.allowed),
        present=_candidate(
            present_alarms,
            alarmed_after(training, present_alarms, rows, side),
            allowed(present),
        ),
        chosen=chosen,
        present_told=present_told,
        chosen_told=chosen_told,
        ratio=ratio,
        state=state,
        recommended=chosen.setting if good and chosen is not None else None,
        share_needed=share_needed,
        transfers_needed=needed,
        sentence=_sentence(candidates, len(rows), chosen_told, ratio, state, needed, share_needed),
        notes=notes,
    )


def _one_side(trends: Trends, harms: Sequence[Harm], present: Setting) -> Side:
    kinds = {(harm.what, harm.side) for harm in harms}
    if len(kinds) != 1:
        raise ValueError("harms of one quantity and one side are needed")
    what, side = kinds.pop()
    if what != trends.what:
        raise ValueError(f"the harms are about {what}, the trends about {trends.what}")
    if (present.low if side == "low" else present.high) is None:
        raise ValueError(f"the present setting has no {side} limit")
    return side


def _limit(setting: Setting, side: Side) -> float:
    limit = setting.low if side == "low" else setting.high
    return math.nan if limit is None else limit


def _with_limit(setting: Setting, side: Side, limit: float) -> Setting:
    return replace(setting, low=limit) if side == "low" else replace(setting, high=limit)


def _settings(
    training: Trends,
    grid: Grid,
    side: Side,
    present: Setting,
    averaging_s: Sequence[float],
    delay_on_s: Sequence[float],
) -> tuple[list[Setting], tuple[str, ...]]:
    """All settings to try, from the safe side; and what was left out."""
    row_s = replay(training, Setting()).row_s
    notes = []
    kept: dict[str, list[float]] = {}
    for name, lengths in (("averaging", averaging_s), ("delay", delay_on_s)):
        short = sorted({length for length in lengths if 0.0 < length < row_s})
        kept[name] = sorted(set(lengths) - set(short))
        if short:
            listed = ", ".join(f"{length:g}" for length in short)
            notes.append(
                f"Not tried: {name} of {listed} s. The trends have a row every {row_s:g} s and "
                "cannot tell what a shorter one does."
            )
    if any(0.0 < length < row_s for length in (present.averaging_s, present.delay_on_s)):
        notes.append(
            "The present averaging or delay is shorter than the distance of the rows: what it does "
            "between two rows is not in these trends."
        )
    limits = on_grid(grid) if side == "high" else on_grid(grid)[::-1]
    return [
        replace(
            _with_limit(present, side, limit),
            averaging_s=window,
            delay_on_s=delay,
        )
        for limit in limits
        for window in kept["averaging"]
        for delay in kept["delay"]
    ], tuple(notes)


def _candidate(alarms: Alarms, after: Floats, allowed: bool) -> Candidate:
    return Candidate(
        setting=alarms.setting,
        allowed=allowed,
        alarms=alarms.count,
        per_hour=math.nan if alarms.per_hour is None else alarms.per_hour,
        harms=len(after),
        alarmed=int(np.sum(~np.isnan(after))),
        median_after_s=_middle(after),
    )


def _middle(after: Floats) -> float | None:
    if len(after) == 0:
        return None
    middle = float(np.median(np.where(np.isnan(after), np.inf, after)))
    return middle if math.isfinite(middle) else None


def _cost(one: Candidate) -> tuple[int, int, float]:
    return (
        one.alarms,
        one.missed,
        math.inf if one.median_after_s is None else one.median_after_s,
    )


def _front(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Those that no other is at least as good as in all three; of equals the first."""
    kept: list[Candidate] = []
    best: list[tuple[int, int, float]] = []
    for one in sorted(candidates, key=_cost):  # whoever beats another stands before it
        cost = _cost(one)
        if not any(all(b <= c for b, c in zip(other, cost, strict=True)) for other in best):
            kept.append(one)
            best.append(cost)
    return tuple(kept)


def _told(
    held_out: Trends,
    setting: Setting,
    harms: Sequence[Harm],
    side: Side,
    seed: int,
    resamples: int,
) -> tuple[Told, Floats]:
    """One setting on the held-out half, and its alarms by transfer."""
    alarms = replay(held_out, setting)
    rows = harm_rows(held_out, harms)
    after = alarmed_after(held_out, alarms, rows, side)
    heard = ~np.isnan(after)
    with_harm = np.unique(rows[:, 0])
    with_missed = np.unique(rows[~heard, 0])
    counts, hours = alarms.by_trip[:, 0], alarms.by_trip[:, 1] / 3600.0
    told = Told(
        setting=setting,
        transfers=len(counts),
        hours=float(hours.sum()),
        alarms=alarms.count,
        per_hour=bunched_rate(counts, hours, seed, resamples),
        harms=len(rows),
        alarmed=int(heard.sum()),
        share=exact(int(heard.sum()), len(rows)),
        transfer_share=exact(len(with_harm) - len(with_missed), len(with_harm)),
        median_after_s=_middle(after),
    )
    return told, counts


def bunched_rate(
    counts: Floats, hours: Floats, seed: int, resamples: int = RESAMPLES
) -> Interval:  # fmt: skip
    """Alarms in an hour, with an interval that knows that alarms come in bunches.

    Parameters
    ----------
    counts : (transfers,) alarms of each
    hours : (transfers,) that were read of each [h]
    seed : of drawing whole transfers again
    resamples : how often

    Returns
    -------
    The wider of the exact Poisson interval and that of whole transfers drawn again [1/h].
    """
    total, whole = int(counts.sum()), float(hours.sum())
    if total > LARGEST:
        why = "more alarms than the interval is for"
        return Interval(total / whole, None, None, 0.95, "none", why)
    return _wider(poisson(total, whole), _redrawn(counts, hours, seed, resamples))


def _redrawn(above: Floats, below: Floats, seed: int, resamples: int) -> tuple[float, float] | None:
    """Ratio of two sums over transfers, 2.5 % and 97.5 % of drawing whole transfers again."""
    if len(above) < FEWEST_TRANSFERS or below.sum() == 0.0:
        return None
    generator = np.random.default_rng([seed, 1])
    resamples = min(resamples, max(200, _DRAWN_IN_ALL // len(above)))
    pair = np.column_stack([above, below])
    sums = np.array(
        [pair[generator.integers(0, len(pair), len(pair))].sum(axis=0) for _ in range(resamples)]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = np.where(sums[:, 1] > 0.0, sums[:, 0] / sums[:, 1], np.inf)
    low, high = np.quantile(ratios, [0.025, 0.975], method="nearest")
    return float(low), float(high)


def _wider(one: Interval, other: tuple[float, float] | None) -> Interval:
    """Of two intervals the lower end of one and the upper end of the other, whichever is wider."""
    if other is None:
        why = f"fewer than {FEWEST_TRANSFERS} transfers: how alarms bunch is not seen"
        return Interval(one.estimate, None, None, one.level, "none", one.why or why)
    if one.estimate is None or one.lower is None or one.upper is None:
        return one
    return Interval(
        one.estimate,
        min(one.lower, other[0]),
        max(one.upper, other[1]),
        one.level,
        f"the wider of: {one.method}; whole transfers drawn again",
    )


def alarm_ratio(
    chosen: Floats, present: Floats, seed: int, resamples: int = RESAMPLES
) -> Interval:  # fmt: skip
    """Alarms of the chosen setting for each of the present one, on the same transfers.

    Of the alarms of both, the share of the chosen setting is binomial when they come by chance
    alone; its odds are the ratio.
    """
    few, many = int(chosen.sum()), int(present.sum())
    if few + many > LARGEST:
        why = "more alarms than the interval is for"
        return Interval(few / many if many else None, None, None, 0.95, "none", why)
    share = exact(few, few + many)
    if many == 0 or share.lower is None or share.upper is None:
        return Interval(None, None, None, 0.95, "none", "the present setting had no alarm")
    upper = share.upper / (1.0 - share.upper) if share.upper < 1.0 else math.inf
    odds = Interval(
        few / many, share.lower / (1.0 - share.lower), upper, 0.95, "odds of the exact share"
    )
    return _wider(odds, _redrawn(chosen, present, seed, resamples))


def _state(told: Told | None, share_needed: float) -> State:
    if told is None:
        return "cannot tell"
    share = told.transfer_share
    if share.lower is not None and share.lower >= share_needed:
        return "holds"
    if share.upper is not None and share.upper < share_needed:
        return "falls short"
    return "cannot tell"


def _sentence(
    candidates: Sequence[Candidate],
    training_harms: int,
    told: Told | None,
    ratio: Interval | None,
    state: State,
    needed: int,
    share_needed: float,
) -> str:
    """Say the result in words."""
    if not any(one.allowed for one in candidates):
        return "Nothing is recommended: no limit on this unit's steps is within policy's bounds."
    if training_harms == 0:
        return "Cannot tell: no harm in the training half, so any limit would seem to miss none."
    if told is None:
        return (
            "Nothing is recommended: every limit that policy allows misses a harm that the present "
            "setting alarms."
        )
    share = told.transfer_share
    if share.estimate is None or share.lower is None or share.upper is None:
        return (
            f"Cannot tell: no harm in the {told.transfers} held-out transfers; at least {needed} "
            "with a harm are needed."
        )
    range_text = f"{100 * share.lower:.0f} to {100 * share.upper:.0f} %"
    text = (
        f"Of the held-out transfers with a harm, {100 * share.estimate:.0f} % "
        f"({range_text}) had every harm alarmed; {100 * share_needed:.0f} % must be shown."
    )
    if state == "cannot tell":
        return f"Cannot tell. {text} With every harm alarmed, {needed} such transfers show it."
    if state == "falls short":
        return f"Nothing is recommended. {text}"
    if ratio is None or ratio.estimate is None or ratio.lower is None or ratio.upper is None:
        return f"Nothing is recommended. {text} How many fewer alarms it makes is not known."
    change = (
        f"For each alarm of today {ratio.estimate:.2f} "
        f"({ratio.lower:.2f} to {ratio.upper:.2f}) would sound."
    )
    if ratio.upper >= 1.0:
        return f"Nothing is recommended. {text} {change} That is not shown to be fewer."
    return f"{text} {change}"
