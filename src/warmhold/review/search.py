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
from warmhold.plan.alarms import OWN_TARGET_POINTS
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
from warmhold.review.work import Summary

Floats = NDArray[np.float64]
State = Literal["holds", "falls short", "cannot tell"]

# Own choices: at least this share of the transfers with a harm must have had it alarmed, and below
# this many transfers no interval is drawn from them.
SHARE_NEEDED: Final = 0.9
FEWEST_TRANSFERS: Final = 20
RESAMPLES: Final = 1000
_DRAWN_IN_ALL: Final = 20_000_000  # transfers; so many show what fewer resamples do not hide

_SAME_S: Final = 1e-6
TOO_FEW: Final = "at least two transfers are needed, one for each half"

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
    policy: Policy,
    what: str,
    side: Side,
    weeks: float,
    *,
    cooled: bool = False,
    target: tuple[float, float] | None = None,
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
    target : the trip's own saturation target, which goes before policy's [%]

    Returns
    -------
    ``None`` when policy says nothing for this baby, or its limits follow what is given, as with
    the oxygen in the gas.
    """
    if what == "saturation" and target is not None:
        inner, outer = target[SIDES.index(side)], OWN_TARGET_POINTS
        ends = (inner - outer, inner) if side == "low" else (inner, min(inner + outer, 100.0))
        why = f"the trip's own target of {target[0]:g} to {target[1]:g} %, {outer:g} point outside"
        return Bounds(*ends, why, "own")
    if what == "saturation":
        row = next((row for row in policy.saturation if weeks < row.below_weeks), None)
        if row is None:
            return None
        if side == "low":
            asked = row.alarm_low_percent
            ends = (asked.value, max(row.target_low_percent.value, asked.value))
        else:
            asked = row.alarm_high_percent
            ends = (min(row.target_high_percent.value, asked.value), asked.value)
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


@dataclass(frozen=True)
class Question:
    """What is looked for, with every setting that is tried.

    what, side : quantity and limit that the search is about
    present : the setting of today, with the limit of that side alone
    settings : to try, from the safe side
    notes : what was left out, and why
    """

    what: str
    side: Side
    harms: tuple[Harm, ...]
    grid: Grid
    bounds: Bounds | None
    present: Setting
    settings: tuple[Setting, ...]
    notes: tuple[str, ...]
    seed: int
    share_needed: float
    resamples: int

    def allows(self, setting: Setting) -> bool:
        """Whether a setting is on the unit's grid and within policy's bounds."""
        limit = _limit(setting, self.side)
        on_it = limit in set(on_grid(self.grid))
        return self.bounds is not None and on_it and self.bounds.allow(limit)


def ask(
    what: str,
    row_s: float,
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
) -> Question:
    """Lay out a search; parameters as of `search`.

    what : quantity of the trends
    row_s : distance of their rows; a shorter averaging or delay is not tried [s]
    """
    side = _one_side(what, harms, present)
    present = replace(present, low=None) if side == "high" else replace(present, high=None)
    settings, notes = _settings(row_s, grid, side, present, averaging_s, delay_on_s)
    return Question(
        what, side, tuple(harms), grid, bounds, present, tuple(settings), notes, seed,
        share_needed, resamples,
    )  # fmt: skip


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
    first, _ = halves(trends.trips, seed)
    row_s = replay(trends.some(first), Setting()).row_s
    question = ask(
        trends.what, row_s, harms=harms, grid=grid, bounds=bounds, present=present,
        averaging_s=averaging_s, delay_on_s=delay_on_s, seed=seed, share_needed=share_needed,
        resamples=resamples,
    )  # fmt: skip
    return search_of(trends, question)


def search_of(trends: Trends, question: Question) -> Finding:
    """Search trends that are in memory, as `search`, for a question that is laid out."""
    first, second = halves(trends.trips, question.seed)
    if not first:
        raise ValueError(TOO_FEW)
    training, held_out = trends.some(first), trends.some(second)
    choice = chosen([tried(training, question)], question)
    told = tell(held_out, choice.settings, question)
    return finding(question, choice, training.trips, held_out.trips, [told])


# --- in pieces -----------------------------------------------------------------------------------


def tried(training: Trends, question: Question) -> Summary:
    """Try every setting on some of the training half.

    Returns
    -------
    What `chosen` needs of it; the last row of each array is the present setting.
    """
    rows = harm_rows(training, question.harms)
    present = replay(training, question.present)
    must = ~np.isnan(alarmed_after(training, present, rows, question.side))
    every = (*question.settings, question.present)
    means = {window: training.averaged(window) for window in {s.averaging_s for s in every}}
    alarms = np.zeros(len(every), dtype=np.int64)
    alarmed = np.zeros(len(every), dtype=np.int64)
    misses = np.zeros(len(every), dtype=np.bool_)
    lengths, counts, of = [], [], []
    for k, setting in enumerate(every):
        found = replay_averaged(training, means[setting.averaging_s], setting)
        after = alarmed_after(training, found, rows, question.side)
        heard = ~np.isnan(after)
        alarms[k], alarmed[k] = found.count, int(heard.sum())
        misses[k] = bool(np.any(must & ~heard))
        values, number = np.unique(after[heard], return_counts=True)
        lengths.append(values)
        counts.append(number.astype(np.int64))
        of.append(np.full(len(values), k, dtype=np.int64))
    return {
        "alarms": alarms, "alarmed": alarmed, "misses": misses,
        "harms": np.array([len(rows)]), "read_s": present.by_trip[:, 1],
        "after_s": np.concatenate(lengths), "after_count": np.concatenate(counts),
        "after_of": np.concatenate(of),
    }  # fmt: skip


@dataclass(frozen=True)
class Choice:
    """What came of the training half; nothing is chosen when nothing fits."""

    candidates: tuple[Candidate, ...]
    present: Candidate
    chosen: Candidate | None

    @property
    def settings(self) -> tuple[Setting, ...]:
        """The settings to look at on the held-out half: the present one, then the chosen one."""
        both = (self.present, self.chosen)
        return tuple(one.setting for one in both if one is not None)


def chosen(pieces: Sequence[Summary], question: Question) -> Choice:
    """Choose a setting by what `tried` gave of the whole training half, in any pieces."""
    alarms, alarmed = (
        np.sum([piece[name] for piece in pieces], axis=0) for name in ("alarms", "alarmed")
    )
    misses = np.any([piece["misses"] for piece in pieces], axis=0)
    harms = sum(int(piece["harms"][0]) for piece in pieces)
    read_s = math.fsum(np.concatenate([piece["read_s"] for piece in pieces]))
    after = {
        name: np.concatenate([piece[f"after_{name}"] for piece in pieces])
        for name in ("s", "count", "of")
    }
    order = np.lexsort((after["s"], after["of"]))
    after = {name: column[order] for name, column in after.items()}
    edges = np.searchsorted(after["of"], np.arange(len(alarms) + 1))
    found: list[Candidate] = []
    best: Candidate | None = None
    for k, setting in enumerate((*question.settings, question.present)):
        mine = slice(edges[k], edges[k + 1])
        one = Candidate(
            setting=setting,
            allowed=question.allows(setting),
            alarms=int(alarms[k]),
            per_hour=3600.0 * int(alarms[k]) / read_s if read_s > 0.0 else math.nan,
            harms=harms,
            alarmed=int(alarmed[k]),
            median_after_s=_counted_middle(after["s"][mine], after["count"][mine], harms),
        )
        found.append(one)
        tries = k < len(question.settings)
        fits = tries and one.allowed and harms and not misses[k]
        if fits and (best is None or _cost(one) < _cost(best)):
            best = one
    return Choice(tuple(found[:-1]), found[-1], best)


def _counted_middle(lengths: Floats, counts: NDArray[np.int64], whole: int) -> float | None:
    """Median of counted lengths, rising, those that are not counted as longer than any [s]."""
    upto = np.cumsum(counts)
    places = np.array([(whole - 1) // 2, whole // 2])
    if whole == 0 or len(upto) == 0 or places[1] >= upto[-1]:
        return None
    low, high = lengths[np.searchsorted(upto, places, side="right")]
    return float(0.5 * (low + high))


def tell(held_out: Trends, settings: Sequence[Setting], question: Question) -> Summary:
    """Look at some of the held-out half with few settings.

    Returns
    -------
    What `finding` needs of it: a column for each setting, a row for each transfer or harm.
    """
    rows = harm_rows(held_out, question.harms)
    alarms = [replay(held_out, setting) for setting in settings]
    after = [alarmed_after(held_out, one, rows, question.side) for one in alarms]
    return {
        "counts": np.column_stack([one.by_trip[:, 0] for one in alarms]),
        "read_s": alarms[0].by_trip[:, 1],
        "harm_trip": rows[:, 0].astype(np.int64),
        "after_s": np.column_stack(after),
    }


def finding(
    question: Question,
    choice: Choice,
    training: tuple[str, ...],
    held_out: tuple[str, ...],
    pieces: Sequence[Summary],
) -> Finding:
    """Put a search together.

    training, held_out : keys of the transfers in each half
    pieces : from `tell`, of the whole held-out half in its order
    """
    first = np.cumsum([0, *(len(piece["read_s"]) for piece in pieces)])
    whole = {
        name: np.concatenate([piece[name] for piece in pieces])
        for name in ("counts", "read_s", "after_s")
    }
    trips = [piece["harm_trip"] + first[k] for k, piece in enumerate(pieces)]
    told = [
        _told(setting, whole["counts"][:, k], whole["read_s"] / 3600.0, np.concatenate(trips),
              whole["after_s"][:, k], question)
        for k, setting in enumerate(choice.settings)
    ]  # fmt: skip
    present_told, chosen_told = told[0], told[1] if len(told) > 1 else None
    seed, resamples, share_needed = question.seed, question.resamples, question.share_needed
    ratio = None
    if chosen_told is not None:
        ratio = alarm_ratio(whole["counts"][:, 1], whole["counts"][:, 0], seed, resamples)
    needed = math.ceil(math.log(0.025) / math.log(share_needed) - 1e-9)
    state = _state(chosen_told, share_needed)
    fewer = ratio is not None and ratio.upper is not None and ratio.upper < 1.0
    best, candidates = choice.chosen, choice.candidates
    good = best is not None and best.allowed and state == "holds" and fewer
    return Finding(
        harms=question.harms,
        bounds=question.bounds,
        seed=seed,
        training=training,
        held_out=held_out,
        candidates=candidates,
        front=_front([one for one in candidates if one.allowed]),
        outside=tuple(one for one in _front(candidates) if not one.allowed),
        present=choice.present,
        chosen=best,
        present_told=present_told,
        chosen_told=chosen_told,
        ratio=ratio,
        state=state,
        recommended=best.setting if good and best is not None else None,
        share_needed=share_needed,
        transfers_needed=needed,
        sentence=_sentence(
            candidates, choice.present.harms, chosen_told, ratio, state, needed, share_needed
        ),
        notes=question.notes,
    )


def _one_side(what: str, harms: Sequence[Harm], present: Setting) -> Side:
    kinds = {(harm.what, harm.side) for harm in harms}
    if len(kinds) != 1:
        raise ValueError("harms of one quantity and one side are needed")
    about, side = kinds.pop()
    if about != what:
        raise ValueError(f"the harms are about {about}, the trends about {what}")
    if (present.low if side == "low" else present.high) is None:
        raise ValueError(f"the present setting has no {side} limit")
    return side


def _limit(setting: Setting, side: Side) -> float:
    limit = setting.low if side == "low" else setting.high
    return math.nan if limit is None else limit


def _with_limit(setting: Setting, side: Side, limit: float) -> Setting:
    return replace(setting, low=limit) if side == "low" else replace(setting, high=limit)


def _settings(
    row_s: float,
    grid: Grid,
    side: Side,
    present: Setting,
    averaging_s: Sequence[float],
    delay_on_s: Sequence[float],
) -> tuple[list[Setting], tuple[str, ...]]:
    """All settings to try, from the safe side; and what was left out."""
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
    setting: Setting,
    counts: Floats,
    hours: Floats,
    harm_trip: NDArray[np.int64],
    after: Floats,
    question: Question,
) -> Told:
    """One setting on the held-out half.

    counts, hours : (transfers,) alarms, and hours that were read [h]
    harm_trip, after : (harms,) whose it was, and how long it had lasted when it was alarmed [s]
    """
    heard = ~np.isnan(after)
    with_harm, with_missed = np.unique(harm_trip), np.unique(harm_trip[~heard])
    return Told(
        setting=setting,
        transfers=len(counts),
        hours=float(hours.sum()),
        alarms=int(counts.sum()),
        per_hour=bunched_rate(counts, hours, question.seed, question.resamples),
        harms=len(after),
        alarmed=int(heard.sum()),
        share=exact(int(heard.sum()), len(after)),
        transfer_share=exact(len(with_harm) - len(with_missed), len(with_harm)),
        median_after_s=_middle(after),
    )


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
