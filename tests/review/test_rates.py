"""Intervals: against SciPy, against print, and what has to hold for any counts."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.special
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.review import rates

COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60)


# --- against print, arithmetic and memory -------------------------------------------------------


@pytest.mark.parametrize("row", rows("review", "wilson"))
def test_wilson(row) -> None:
    found = rates.wilson(row["events"], row["n"])
    for part in ("expected", "expected_lower", "expected_upper"):
        ours = getattr(found, part.replace("expected_", "").replace("expected", "estimate"))
        assert ours == pytest.approx(row[part], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("review", "poisson"))
def test_poisson_against_the_table(row) -> None:
    found = rates.poisson(row["events"], 1.0)
    assert found.lower == pytest.approx(row["expected_lower"], abs=row["tolerance"])
    assert found.upper == pytest.approx(row["expected_upper"], abs=row["tolerance"])


# --- against SciPy --------------------------------------------------------------------------------


@pytest.mark.parametrize("a", [0.5, 1.0, 3.0, 40.0, 999.0, 1e5])
@pytest.mark.parametrize("b", [0.5, 1.0, 7.0, 300.0, 1e5])
def test_incomplete_beta_against_scipy(a: float, b: float) -> None:
    for x in (0.0, 1e-6, 1e-3, 0.1, 0.5, 0.9, 0.999, a / (a + b), 1.0):
        expected = scipy.special.betainc(a, b, x)
        # the logarithms of gamma functions lose digits as a and b grow
        assert rates.incomplete_beta(x, a, b) == pytest.approx(expected, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("a", [0.5, 1.0, 3.0, 40.0, 999.0, 1e5])
def test_incomplete_gamma_against_scipy(a: float) -> None:
    for x in (0.0, 0.01, 0.1 * a, 0.9 * a, a, 1.1 * a, 3 * a):
        expected = scipy.special.gammainc(a, x)
        assert rates.incomplete_gamma(a, x) == pytest.approx(expected, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
@pytest.mark.parametrize("n", [1, 2, 5, 30, 400, 10_000, 1_000_000])
def test_share_against_scipy(n: int, level: float) -> None:
    for events in sorted({0, 1, n // 7, n // 2, n - 1, n}):
        for name, ours in (("exact", rates.exact), ("wilson", rates.wilson)):
            theirs = scipy.stats.binomtest(events, n).proportion_ci(level, method=name)
            found = ours(events, n, level)
            assert found.lower == pytest.approx(theirs.low, rel=1e-6, abs=1e-12), (name, events)
            assert found.upper == pytest.approx(theirs.high, rel=1e-6, abs=1e-12), (name, events)


@pytest.mark.parametrize("events", [0, 1, 7, 60, 2000])
def test_poisson_against_scipy(events: int) -> None:
    found = rates.poisson(events, 250.0, 0.9)
    low = scipy.stats.gamma.ppf(0.05, events) if events else 0.0
    assert found.lower == pytest.approx(low / 250.0, rel=1e-9)
    assert found.upper == pytest.approx(scipy.stats.gamma.ppf(0.95, events + 1) / 250.0, rel=1e-9)


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("n", [6, 12, 36, 101])
def test_quantile_against_scipy_and_numpy(n: int, share: float) -> None:
    values = np.random.default_rng(n).lognormal(size=n)
    found = rates.quantile(list(values), share)
    assert found.estimate == pytest.approx(np.quantile(values, share), rel=1e-12)
    # SciPy gives each end at its own tail: two one-sided intervals at 97.5 %
    less = scipy.stats.quantile_test(values, p=share, alternative="less")
    more = scipy.stats.quantile_test(values, p=share, alternative="greater")
    upper = less.confidence_interval(0.975).high
    lower = more.confidence_interval(0.975).low
    assert found.lower == (None if not math.isfinite(lower) else lower)
    assert found.upper == (None if not math.isfinite(upper) else upper)


@settings(deadline=None)
@given(st.integers(0, 300), st.floats(0.0, 1.0), st.floats(1e-4, 0.4))
def test_binomial_span_against_scipy(n: int, share: float, tail: float) -> None:
    low, high = rates.binomial_span(n, share, tail)
    at_most, at_least = scipy.stats.binom.cdf, lambda k: scipy.stats.binom.sf(k - 1, n, share)
    assert at_most(low, n, share) > tail * (1 - 1e-6)
    assert low == 0 or at_most(low - 1, n, share) <= tail * (1 + 1e-6)
    assert at_least(high) > tail * (1 - 1e-6)
    assert high == n or at_least(high + 1) <= tail * (1 + 1e-6)


# --- what has to hold -----------------------------------------------------------------------------


@settings(deadline=None)
@given(COUNTS)
def test_intervals_hold_the_share_and_stay_within_0_and_1(counts) -> None:
    for found in (rates.wilson(*counts), rates.exact(*counts)):
        assert 0.0 <= found.lower <= found.estimate <= found.upper <= 1.0


@settings(deadline=None)
@given(COUNTS)
def test_intervals_are_the_mirror_of_those_without_an_event(counts) -> None:
    events, n = counts
    for ours in (rates.wilson, rates.exact):
        one, other = ours(events, n), ours(n - events, n)
        assert one.lower == pytest.approx(1 - other.upper, abs=1e-12)
        assert one.upper == pytest.approx(1 - other.lower, abs=1e-12)


@settings(deadline=None)
@given(COUNTS, st.integers(2, 5))
def test_intervals_shrink_with_more_of_the_same(counts, times: int) -> None:
    events, n = counts
    for ours in (rates.wilson, rates.exact):
        few, many = ours(events, n), ours(times * events, times * n)
        assert many.upper - many.lower < few.upper - few.lower


@settings(deadline=None)
@given(st.integers(0, 500), st.floats(0.01, 1e4), st.floats(1e-3, 1e3))
def test_a_rate_does_not_depend_on_the_unit_of_exposure(
    events: int, exposure: float, scale: float
) -> None:
    one, other = rates.poisson(events, exposure), rates.poisson(events, exposure * scale)
    assert one.lower <= one.estimate <= one.upper
    assert other.upper * scale == pytest.approx(one.upper, rel=1e-9)


@pytest.mark.parametrize(("n", "share"), [(12, 0.1), (40, 0.3)])
def test_the_exact_interval_covers_at_least_what_it_says(n: int, share: float) -> None:
    chances = scipy.stats.binom.pmf(np.arange(n + 1), n, share)
    covered = sum(
        c
        for k, c in enumerate(chances)
        if rates.exact(k, n).lower <= share <= rates.exact(k, n).upper
    )
    assert covered >= 0.95


def test_no_event_in_n_is_about_three_over_n() -> None:
    found = rates.none_seen(300)
    assert found.estimate == 0.0
    assert found.upper == pytest.approx(3 / 300, rel=0.01)
    assert (1 - found.upper) ** 300 == pytest.approx(0.05)
    assert rates.exact(0, 300).upper > found.upper


def test_nothing_seen_is_unknown_and_not_zero() -> None:
    for found in (
        rates.wilson(0, 0), rates.exact(0, 0), rates.poisson(0, 0.0), rates.none_seen(0),
        rates.median([]), rates.ninetieth([]),
    ):  # fmt: skip
        assert not found.known
        assert (found.estimate, found.lower, found.upper) == (None, None, None)
        assert found.why


@settings(deadline=None)
@given(VALUES)
def test_a_median_lies_in_its_interval(values) -> None:
    found = rates.median(values)
    assert found.lower is None or found.lower <= found.estimate
    assert found.upper is None or found.estimate <= found.upper
    assert (found.lower is None) == (len(values) < 6)
    if found.coverage is not None:
        assert found.coverage >= 0.95


def test_the_upper_end_of_a_90th_centile_needs_36_values() -> None:
    assert rates.ninetieth(range(35)).upper is None
    assert "35 values are too few for the upper end" in rates.ninetieth(range(35)).why
    assert rates.ninetieth(range(36)).upper == 35.0


def test_the_interval_of_a_90th_centile_covers_it() -> None:
    rng = np.random.default_rng(3)
    true = -math.log(0.1)
    held = 0
    for _ in range(400):
        found = rates.ninetieth(list(rng.exponential(size=50)))
        held += found.lower <= true <= found.upper
    assert held / 400 >= 0.93  # 0.95 less twice the standard error of 400 draws


@pytest.mark.parametrize(
    "call",
    [
        lambda: rates.wilson(3, 2),
        lambda: rates.exact(-1, 2),
        lambda: rates.exact(1, 2, 1.0),
        lambda: rates.poisson(1, 0.0),
        lambda: rates.poisson(-1, 1.0),
        lambda: rates.poisson(1, math.nan),
        lambda: rates.median([1.0, math.nan]),
        lambda: rates.quantile([1.0], 0.0),
        lambda: rates.incomplete_beta(1.1, 1.0, 1.0),
        lambda: rates.binomial_at_most(1, 2, 1.5),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"not|below|cases|events|finite"):
        call()
