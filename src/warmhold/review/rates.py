"""Rates, counts and quantiles of few, each with an interval: how much so few cases can tell.

Nothing seen is unknown: zero cases give no rate, and never a rate of zero. No event in n cases is
a rate of zero with an upper bound, which is shown beside it.

References
----------
.. [1] Wilson EB (1927) J Am Stat Assoc 22:209, score interval (memory; checked against SciPy).
.. [2] Clopper CJ, Pearson ES (1934) Biometrika 26:404, exact interval as quantiles of the beta
   distribution (memory; checked against SciPy).
.. [3] Garwood F (1936) Biometrika 28:437, exact interval of a Poisson mean as quantiles of the
   gamma distribution (memory; checked against SciPy and against the classical table).
.. [4] Hanley JA, Lippman-Hand A (1983) JAMA 249:1743, no event in n: about 3/n (memory). The exact
   bound is solved here from (1 - p)^n = 1 - level (derived).
.. [5] Interval of a quantile between two order statistics, coverage from the binomial distribution
   (derived; checked against SciPy). Needs independent values, no shape.
.. [6] NIST Digital Library of Mathematical Functions 8.17.22 (continued fraction of the incomplete
   beta function), 8.7.1 and 8.9.2 (series and fraction of the incomplete gamma function) (memory;
   checked against SciPy).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

Values = Sequence[float] | NDArray[np.float64]

LARGEST: Final = 1_000_000  # cases up to which the functions below were checked
_TINY: Final = 1e-300
_EPS: Final = 1e-16
_STEPS: Final = 20_000


@dataclass(frozen=True)
class Interval:
    """An estimate with its interval.

    estimate, lower, upper : in the unit of the question; ``None`` is unknown
    level : coverage that was asked for, 0 to 1 [-]
    method : how the interval was made, in words
    why : why something is unknown; empty when nothing is
    coverage : coverage that is reached at least, where it is not ``level`` [-]
    """

    estimate: float | None
    lower: float | None
    upper: float | None
    level: float
    method: str
    why: str = ""
    coverage: float | None = None

    @property
    def known(self) -> bool:
        """Say whether there is an estimate at all."""
        return self.estimate is not None


# --- what the intervals are made of -----------------------------------------------------------


def incomplete_beta(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b), [6]_.

    Parameters
    ----------
    x : 0 to 1 [-]
    a, b : above 0, up to about 1e6 [-]

    Returns
    -------
    0 to 1 [-]; rounding grows with a and b to 1e-8 at 1e6.

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not 0.0 <= x <= 1.0 or not (a > 0.0 and b > 0.0):
        raise ValueError(f"incomplete beta needs 0 <= x <= 1 and a, b > 0, not {x}, {a}, {b}")
    if x in {0.0, 1.0}:
        return x
    if x > (a + 1.0) / (a + b + 2.0):  # the fraction converges fast on the other side
        return 1.0 - _beta_fraction(1.0 - x, b, a)
    return _beta_fraction(x, a, b)


def _beta_fraction(x: float, a: float, b: float) -> float:
    """Return I_x(a, b) by its continued fraction, worked from the front (modified Lentz)."""
    front = math.exp(a * math.log(x) + b * math.log1p(-x) - _log_beta(a, b)) / a
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d or _TINY)
    value = d
    for m in range(1, _STEPS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            d = 1.0 / ((1.0 + term * d) or _TINY)
            c = (1.0 + term / c) or _TINY
            value *= c * d
        if abs(c * d - 1.0) < 4 * _EPS:
            break
    return min(1.0, front * value)


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def incomplete_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x), [6]_.

    Parameters
    ----------
    a : above 0, up to about 1e6 [-]
    x : 0 or more [-]

    Returns
    -------
    0 to 1 [-].

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not (a > 0.0 and x >= 0.0 and math.isfinite(x)):
        raise ValueError(f"incomplete gamma needs a > 0 and finite x >= 0, not {a}, {x}")
    if x == 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        for n in range(1, _STEPS):
            term *= x / (a + n)
            total += term
            if term < total * _EPS:
                break
        return min(1.0, front * total)
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / b
    value = d
    for n in range(1, _STEPS):
        term = -n * (n - a)
        b += 2.0
        d = 1.0 / ((term * d + b) or _TINY)
        c = (b + term / c) or _TINY
        value *= c * d
        if abs(c * d - 1.0) < 4 * _EPS:
            break
    return max(0.0, 1.0 - front * value)


def beta_quantile(share: float, a: float, b: float) -> float:
    """Return x with I_x(a, b) = share.

    Parameters
    ----------
    share : above 0 and below 1 [-]
    a, b : above 0 [-]
    """
    _check_share(share)
    log_beta = _log_beta(a, b)

    def slope(x: float) -> float:
        return math.exp((a - 1) * math.log(x) + (b - 1) * math.log1p(-x) - log_beta)

    return _solve(lambda x: incomplete_beta(x, a, b), slope, share, 0.0, 1.0, a / (a + b))


def gamma_quantile(share: float, a: float) -> float:
    """Return x with P(a, x) = share.

    Parameters
    ----------
    share : above 0 and below 1 [-]
    a : above 0 [-]
    """
    _check_share(share)
    high = a + 1.0
    while incomplete_gamma(a, high) < share:
        high *= 2.0

    def slope(x: float) -> float:
        return math.exp((a - 1) * math.log(x) - x - math.lgamma(a))

    return _solve(lambda x: incomplete_gamma(a, x), slope, share, 0.0, high, a)


def _solve(
    rising: Callable[[float], float],
    slope: Callable[[float], float],
    goal: float,
    low: float,
    high: float,
    first: float,
) -> float:
    """Root of a rising function: Newton's steps, halving whenever one would leave the bracket."""
    x = first if low < first < high else (low + high) / 2
    for _ in range(200):
        off = rising(x) - goal
        if off == 0.0:
            return x
        if off > 0.0:
            high = x
        else:
            low = x
        steep = slope(x)
        following = x - off / steep if steep > 0.0 else low
        if not low < following < high:
            following = (low + high) / 2
        if abs(following - x) <= 4 * _EPS * abs(x) or following in {low, high}:
            return following
        x = following
    return x


def binomial_at_most(events: int, n: int, share: float) -> float:
    """Chance of at most this many events in n cases.

    Parameters
    ----------
    events : below 0 gives 0, n and more gives 1 [cases]
    n : 0 or more [cases]
    share : chance of an event in each, 0 to 1 [-]
    """
    _check_chance(share)
    if events < 0:
        return 0.0
    if events >= n:
        return 1.0
    return incomplete_beta(1.0 - share, n - events, events + 1)


def binomial_at_least(events: int, n: int, share: float) -> float:
    """Chance of at least this many events in n cases; as `binomial_at_most`."""
    _check_chance(share)
    if events <= 0:
        return 1.0
    if events > n:
        return 0.0
    return incomplete_beta(share, events, n - events + 1)


def binomial_span(n: int, share: float, tail: float) -> tuple[int, int]:
    """Fewest and most events that are not out of the ordinary.

    A count below the first has a chance of at most ``tail`` of so few or fewer; a count above the
    second, of so many or more. Exact, so the chance of falling outside is at most twice ``tail``.

    Parameters
    ----------
    n : 0 or more [cases]
    share : chance of an event in each, 0 to 1 [-]
    tail : chance allowed on each side, above 0 and below 0.5 [-]
    """
    low, high = _near(n, share, tail), _near(n, 1.0 - share, tail)
    return (
        _smallest(n, lambda k: binomial_at_most(k, n, share) > tail, low),
        n - _smallest(n, lambda k: binomial_at_least(n - k, n, share) > tail, high),
    )


def _near(n: int, share: float, tail: float) -> int:
    """Where a lower quantile of a binomial count is looked for first: normal, with its skew."""
    z = NormalDist().inv_cdf(tail)
    sd = math.sqrt(n * share * (1.0 - share))
    return round(n * share + z * sd + (1.0 - 2.0 * share) * (z * z - 1.0) / 6.0 - 0.5)


def _smallest(n: int, holds: Callable[[int], bool], near: int) -> int:
    """Smallest whole number from 0 to n from which on something holds; it holds at n.

    near : where it is looked for first; a far one costs time alone
    """
    low, high = 0, n
    at, step = min(max(near, 0), n), 1
    if at < n and not holds(at):
        low = at + 1
        while low < high and not holds(min(at + step, n - 1)):
            low, step = min(at + step, n - 1) + 1, 2 * step
        high = min(at + step, high) if low < high else high
    else:
        high = at
        while low < high and holds(max(at - step, 0)):
            high, step = max(at - step, 0), 2 * step
        low = max(at - step + 1, low) if low < high else low
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low


# --- intervals --------------------------------------------------------------------------------


def wilson(events: int, n: int, level: float = 0.95) -> Interval:
    """Share of cases with an event, with Wilson's score interval, [1]_.

    Near the asked coverage on average; may fall below it for a single true share. For a bound that
    is never too narrow use `exact`.

    Parameters
    ----------
    events : 0 to n [cases]
    n : cases that could be judged, 0 or more; 0 is unknown [cases]
    level : coverage, above 0 and below 1 [-]

    Returns
    -------
    Shares, 0 to 1 [-].

    Raises
    ------
    ValueError : counts that cannot be, or a level outside its range.
    """
    method = "Wilson score interval"
    _check_counts(events, n)
    _check_share(level)
    if n == 0:
        return _unknown(level, method)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    lower = 0.0 if events == 0 else _wilson_lower(events, n, z)
    upper = 1.0 if events == n else 1.0 - _wilson_lower(n - events, n, z)
    return Interval(events / n, lower, upper, level, method)


def _wilson_lower(events: int, n: int, z: float) -> float:
    share, extra = events / n, z * z / n
    half = z * math.sqrt(share * (1 - share) / n + extra / (4 * n))
    return max(0.0, (share + extra / 2 - half) / (1 + extra))


def exact(events: int, n: int, level: float = 0.95) -> Interval:
    """Share of cases with an event, with the exact (Clopper-Pearson) interval, [2]_.

    Never covers less than asked, and mostly more: it is wider than `wilson`.

    Parameters
    ----------
    events : 0 to n [cases]
    n : cases that could be judged, 0 or more; 0 is unknown [cases]
    level : coverage, above 0 and below 1 [-]

    Returns
    -------
    Shares, 0 to 1 [-].

    Raises
    ------
    ValueError : counts that cannot be, or a level outside its range.
    """
    method = "exact binomial (Clopper-Pearson) interval"
    _check_counts(events, n)
    _check_share(level)
    if n == 0:
        return _unknown(level, method)
    tail = (1 - level) / 2
    lower = 0.0 if events == 0 else beta_quantile(tail, events, n - events + 1)
    # the upper bound of events is the lower bound of their absence
    upper = 1.0 if events == n else 1.0 - beta_quantile(tail, n - events, events + 1)
    return Interval(events / n, lower, upper, level, method)


def poisson(events: int, exposure: float, level: float = 0.95) -> Interval:
    """Events per exposure, with the exact (Garwood) interval of a Poisson count, [3]_.

    Parameters
    ----------
    events : 0 or more [events]
    exposure : what they are counted over, such as transfers or hours; 0 is unknown [exposure]
    level : coverage, above 0 and below 1 [-]

    Returns
    -------
    Rates [events per unit of exposure].

    Raises
    ------
    ValueError : counts that cannot be, or a level outside its range.
    """
    method = "exact Poisson (Garwood) interval"
    if events < 0:
        raise ValueError(f"events: {events} is below 0")
    if not (math.isfinite(exposure) and exposure >= 0.0):
        raise ValueError(f"exposure: {exposure} is not a finite number of 0 or more")
    _check_share(level)
    if exposure == 0.0:
        if events:
            raise ValueError(f"exposure: 0, and yet {events} events")
        return _unknown(level, method)
    tail = (1 - level) / 2
    lower = 0.0 if events == 0 else gamma_quantile(tail, events)
    upper = gamma_quantile(1 - tail, events + 1)
    return Interval(events / exposure, lower / exposure, upper / exposure, level, method)


def none_seen(n: int, level: float = 0.95) -> Interval:
    """No event in n cases: how large the share may still be; one-sided, about 3/n, [4]_.

    The two-sided interval of `exact` ends a little higher (about 3.7/n), for it keeps half of the
    doubt for the other side.

    Parameters
    ----------
    n : cases that could be judged, 0 or more; 0 is unknown [cases]
    level : one-sided coverage, above 0 and below 1 [-]

    Returns
    -------
    Shares, 0 to 1 [-].

    Raises
    ------
    ValueError : n below 0, or a level outside its range.
    """
    method = "upper bound when no event was seen, one-sided"
    _check_counts(0, n)
    _check_share(level)
    if n == 0:
        return _unknown(level, method)
    return Interval(0.0, 0.0, -math.expm1(math.log1p(-level) / n), level, method)


def quantile(values: Values, share: float, level: float = 0.95) -> Interval:
    """Quantile of few values, with an interval between two of them, [5]_.

    The estimate lies on a straight line between neighbours, at place 1 + share x (n - 1) (type 7
    of Hyndman and Fan 1996, as most spreadsheets; memory). The interval holds at least the level
    for independent values of any shape. An end that so few values cannot give is ``None``: 90 %
    of 12 values say nothing about how far the slowest tenth reaches.

    Parameters
    ----------
    values : finite, in any order; missing ones are left out and counted by whoever asks [any]
    share : above 0 and below 1; 0.5 is the median [-]
    level : coverage, above 0 and below 1 [-]

    Returns
    -------
    In the unit of the values. ``coverage`` is what is reached; with one end open, that of the
    other end alone. ``None`` with both ends open.

    Raises
    ------
    ValueError : a value that is not finite, or a share outside its range.
    """
    method = "interval between order statistics"
    _check_share(share)
    _check_share(level)
    ordered = _ordered(values)
    n = len(ordered)
    if n == 0:
        return _unknown(level, method)
    estimate = _at(ordered, share)
    tail = (1 - level) / 2
    # the number of values below the true quantile is binomial (n, share)
    low, high = binomial_span(n, share, tail)  # ordered[low - 1] and ordered[high + 1]
    lower = float(ordered[low - 1]) if low > 0 else None
    upper = float(ordered[high]) if high < n else None
    missed = (binomial_at_most(low - 1, n, share) if low > 0 else 0.0) + (
        binomial_at_least(high + 1, n, share) if high < n else 0.0
    )
    open_ends = [word for word, end in (("lower", lower), ("upper", upper)) if end is None]
    why = f"{n} values are too few for the {' and '.join(open_ends)} end" if open_ends else ""
    coverage = None if lower is None and upper is None else 1.0 - missed
    return Interval(estimate, lower, upper, level, method, why, coverage)


def _ordered(values: Values) -> NDArray[np.float64]:
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    if not np.all(np.isfinite(ordered)):
        raise ValueError("values: every one has to be finite; leave missing ones out")
    return ordered


def _at(ordered: NDArray[np.float64], share: float) -> float:
    n = len(ordered)
    place = share * (n - 1)
    at = min(int(place), n - 1)
    step = ordered[min(at + 1, n - 1)] - ordered[at]
    return float(ordered[at] + (place - at) * step)


def middle(values: Values) -> float | None:
    """Median alone, as `median` estimates it; ``None`` of nothing."""
    ordered = _ordered(values)
    return _at(ordered, 0.5) if len(ordered) else None


def median(values: Values, level: float = 0.95) -> Interval:
    """Median with its interval; below 6 values the interval is open at 95 %. See `quantile`."""
    return quantile(values, 0.5, level)


def ninetieth(values: Values, level: float = 0.95) -> Interval:
    """90th centile with its interval; below 36 values its upper end is open. See `quantile`."""
    return quantile(values, 0.9, level)


def _unknown(level: float, method: str) -> Interval:
    return Interval(None, None, None, level, method, "nothing that could be counted")


def _check_counts(events: int, n: int) -> None:
    if n < 0 or n > LARGEST:
        raise ValueError(f"cases: {n} is not from 0 to {LARGEST}")
    if not 0 <= events <= n:
        raise ValueError(f"events: {events} is not from 0 to the {n} cases")


def _check_share(share: float) -> None:
    if not 0.0 < share < 1.0:
        raise ValueError(f"{share} is not above 0 and below 1")


def _check_chance(share: float) -> None:
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"chance: {share} is not from 0 to 1")
