"""Before and after a change: can the difference be told from chance.

A difference in time is not yet an effect of the change: whatever else changed then is in it too,
and a trend that was there before looks the same. Chart the months first.

References
----------
.. [1] Newcombe RG (1998) Stat Med 17:873, method 10: interval of a difference of shares from
   Wilson's intervals of both (memory; printed examples from memory in the tests).
.. [2] The same recovery of a difference from two intervals for other figures: Zou GY, Donner A
   (2008) Stat Med 27:1693 (memory).
.. [3] Fisher's exact test, two-sided by summing all tables no likelier than the one seen (memory;
   checked against SciPy).
.. [4] Two Poisson counts given their sum are binomial; two-sided as twice the smaller tail;
   interval of the ratio from the exact binomial interval (derived; checked against SciPy).
.. [5] Permutation test: (1 + arrangements at least as far) / (1 + arrangements drawn), or all of
   them where they are few (memory; checked against SciPy).
.. [6] Several looks: each chance times the number of looks (Bonferroni; memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final, Literal

import numpy as np

from warmhold.review import rates
from warmhold.review.rates import Interval

Verdict = Literal["signal", "may be noise", "cannot tell"]

ALPHA: Final = 0.05
DRAWS: Final = 4999
_ALL: Final = 5000  # arrangements up to which every one is worked through
_CHUNK: Final = 2_000_000


@dataclass(frozen=True)
class Comparison:
    """What came before, what after, and what the difference can be told to be.

    before, after : with their own intervals
    difference : after less before
    ratio : after over before, where that is given
    chance : of a difference at least as large when nothing changed, ``None`` when unknown [-]
    looks : how many comparisons this is one of [comparisons]
    adjusted : the chance for all looks together, [6]_ [-]
    verdict : "signal" when ``adjusted`` is at most 0.05; "cannot tell" when no outcome of so few
        could have reached that
    words : the same as sentences for the reader
    method : test and interval
    """

    before: Interval
    after: Interval
    difference: Interval
    ratio: Interval | None
    chance: float | None
    looks: int
    adjusted: float | None
    verdict: Verdict
    words: str
    method: str


def shares(
    before: tuple[int, int], after: tuple[int, int], *, looks: int = 1, level: float = 0.95
) -> Comparison:
    """Compare two shares of cases with an event, [1]_ and [3]_.

    Parameters
    ----------
    before, after : events and cases that could be judged [cases]
    looks : how many comparisons are made: every metric, and every time one looks again, 1 or more
    level : of the intervals [-]

    Returns
    -------
    Shares and their difference, -1 to 1.

    Raises
    ------
    ValueError : counts that cannot be.
    """
    first, second = rates.wilson(*before, level), rates.wilson(*after, level)
    chance = least = None
    if before[1] and after[1]:
        chance, least = fisher(*before, *after)
    return _comparison(
        first,
        second,
        _recovered(first, second, level),
        None,
        chance,
        least,
        looks,
        "Fisher's exact test; interval from both Wilson intervals (they may differ at the edge)",
    )


def counts(
    before: tuple[int, float], after: tuple[int, float], *, looks: int = 1, level: float = 0.95
) -> Comparison:
    """Compare two rates of events over an exposure, [2]_ and [4]_.

    Parameters
    ----------
    before, after : events and what they are counted over [events, exposure]
    looks : how many comparisons are made, 1 or more
    level : of the intervals [-]

    Returns
    -------
    Rates [events per exposure], their difference, and their ratio [-].

    Raises
    ------
    ValueError : counts or exposures that cannot be.
    """
    first, second = rates.poisson(*before, level), rates.poisson(*after, level)
    chance = least = ratio = None
    total = before[0] + after[0]
    if before[1] and after[1] and total:
        share = after[1] / (before[1] + after[1])
        chance = _twice_tail(after[0], total, share)
        least = min(_twice_tail(0, total, share), _twice_tail(total, total, share))
        given = rates.exact(after[0], total, level)
        assert given.lower is not None
        assert given.upper is not None
        scale = before[1] / after[1]
        ratio = Interval(
            after[0] / before[0] * scale if before[0] else None,
            given.lower / (1 - given.lower) * scale,
            given.upper / (1 - given.upper) * scale if given.upper < 1.0 else None,
            level,
            "exact, given both counts together",
            "" if before[0] else "no event before: the ratio has no upper end",
        )
    elif before[1] and after[1]:
        chance = least = 1.0  # no event at all cannot tell the two apart
    return _comparison(
        first,
        second,
        _recovered(first, second, level),
        ratio,
        chance,
        least,
        looks,
        "exact test of two Poisson counts; interval from both exact intervals",
    )


def medians(
    before: rates.Values,
    after: rates.Values,
    *,
    looks: int = 1,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = 1,
) -> Comparison:
    """Compare two medians, [2]_ and [5]_.

    The test asks whether the two sets could have been mixed at random, judged by their medians. It
    takes the values as independent: several from one baby are not.

    Parameters
    ----------
    before, after : finite; missing ones are left out and counted by whoever asks [any]
    looks : how many comparisons are made, 1 or more
    level : of the intervals [-]
    draws : arrangements drawn where there are too many for all, 99 or more; at least a hundred
        for each look
    seed : the same seed gives the same result

    Returns
    -------
    In the unit of the values.

    Raises
    ------
    ValueError : values that are not finite, draws below 99.
    """
    if draws < 99:
        raise ValueError(f"draws: {draws} is below 99")
    first, second = rates.median(before, level), rates.median(after, level)
    chance = least = None
    if len(before) and len(after):
        chance, least = _permutation(
            np.asarray(before, dtype=float),
            np.asarray(after, dtype=float),
            max(draws, 100 * looks),
            seed,
        )
    return _comparison(
        first,
        second,
        _recovered(first, second, level),
        None,
        chance,
        least,
        looks,
        "permutation test of the medians; interval from both order-statistics intervals",
    )


def fisher(events_a: int, n_a: int, events_b: int, n_b: int) -> tuple[float, float]:
    """Fisher's exact test of two shares, two-sided, [3]_.

    Parameters
    ----------
    events_a, events_b : 0 to the cases of each [cases]
    n_a, n_b : 1 or more [cases]

    Returns
    -------
    The chance, and the smallest chance that any outcome with so many events could have had [-].
    """
    events, n = events_a + events_b, n_a + n_b
    places = range(max(0, events - n_b), min(events, n_a) + 1)
    logs = np.array(
        [_log_ways(n_a, k) + _log_ways(n_b, events - k) - _log_ways(n, events) for k in places]
    )
    chances = np.exp(logs)
    seen = chances[events_a - places[0]]
    return (
        min(1.0, float(chances[chances <= seen * (1 + 1e-7)].sum())),
        min(1.0, float(chances[chances <= chances.min() * (1 + 1e-7)].sum())),
    )


def _log_ways(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _twice_tail(events: int, n: int, share: float) -> float:
    tails = rates.binomial_at_most(events, n, share), rates.binomial_at_least(events, n, share)
    return min(1.0, 2 * min(tails))


def _permutation(before: Any, after: Any, draws: int, seed: int) -> tuple[float, float]:
    pool = np.concatenate((before, after))
    k = len(before)
    seen = abs(float(np.median(after) - np.median(before)))
    slack = 1e-12 * max(1.0, float(np.max(np.abs(pool))))
    ways = math.comb(len(pool), k)
    if ways <= _ALL:
        chosen = np.zeros((ways, len(pool)), dtype=bool)
        for row, places in enumerate(combinations(range(len(pool)), k)):
            chosen[row, list(places)] = True
        mixed = np.broadcast_to(pool, chosen.shape)
        off = np.abs(
            np.median(mixed[~chosen].reshape(ways, -1), axis=1)
            - np.median(mixed[chosen].reshape(ways, -1), axis=1)
        )
        farthest = float(np.mean(off >= off.max() - slack))
        return float(np.mean(off >= seen - slack)), farthest
    rng = np.random.default_rng(seed)
    beyond, done = 0, 0
    rows = max(1, _CHUNK // len(pool))
    while done < draws:
        take = min(rows, draws - done)
        mixed = rng.permuted(np.broadcast_to(pool, (take, len(pool))), axis=1)
        off = np.abs(np.median(mixed[:, k:], axis=1) - np.median(mixed[:, :k], axis=1))
        beyond += int(np.sum(off >= seen - slack))
        done += take
    least = 1.0 if float(np.ptp(pool)) == 0.0 else 1 / (draws + 1)
    return (beyond + 1) / (draws + 1), least


def _recovered(before: Interval, after: Interval, level: float) -> Interval:
    """Interval of after less before, from the interval of each, [1]_ and [2]_."""
    method = "from both intervals"
    if before.estimate is None or after.estimate is None:
        return Interval(None, None, None, level, method, "before or after is unknown")
    gap = after.estimate - before.estimate
    lower = upper = None
    if after.lower is not None and before.upper is not None:
        lower = gap - math.hypot(after.estimate - after.lower, before.upper - before.estimate)
    if after.upper is not None and before.lower is not None:
        upper = gap + math.hypot(after.upper - after.estimate, before.estimate - before.lower)
    why = "" if lower is not None and upper is not None else "too few values for both ends"
    return Interval(gap, lower, upper, level, method, why)


def _comparison(
    before: Interval,
    after: Interval,
    difference: Interval,
    ratio: Interval | None,
    chance: float | None,
    least: float | None,
    looks: int,
    method: str,
) -> Comparison:
    if looks < 1:
        raise ValueError(f"looks: {looks} is below 1")
    adjusted = None if chance is None else min(1.0, chance * looks)
    verdict: Verdict
    if adjusted is None or least is None:
        verdict, words = "cannot tell", "Nothing to compare on one side."
    elif adjusted <= ALPHA:
        verdict = "signal"
        words = "Hard to explain by chance alone. What else changed then is in it as well."
    elif least * looks > ALPHA:
        verdict = "cannot tell"
        words = "With so few cases not even the clearest outcome could be told from chance."
    else:
        verdict = "may be noise"
        words = (
            "Chance alone can do this. It is no proof that nothing changed: the interval shows "
            "which changes remain possible."
        )
    if looks > 1:
        words += (
            f" One of {looks} looks: the chance is multiplied by {looks}, for among many looks one "
            "will stand out by chance."
        )
    return Comparison(
        before, after, difference, ratio, chance, looks, adjusted, verdict, words, method
    )
