"""Before and after: tests against SciPy, intervals against print, and what they must not say."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.review import before_after

PAIR = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize("row", rows("review", "difference"))
def test_interval_of_a_difference(row) -> None:
    found = before_after.shares(tuple(row["first"]), tuple(row["second"])).difference
    assert found.lower == pytest.approx(row["expected_lower"], abs=row["tolerance"])
    assert found.upper == pytest.approx(row["expected_upper"], abs=row["tolerance"])


@settings(deadline=None)
@given(PAIR, PAIR)
def test_fisher_against_scipy(first, second) -> None:
    (a, n), (b, m) = first, second
    chance, least = before_after.fisher(a, n, b, m)
    theirs = scipy.stats.fisher_exact([[a, n - a], [b, m - b]]).pvalue
    assert chance == pytest.approx(theirs, rel=1e-6)
    assert least <= chance * (1 + 1e-9)


@pytest.mark.parametrize(("first", "second"), [((12, 400.0), (3, 350.0)), ((0, 90.0), (6, 110.0))])
def test_counts_against_scipy(first, second) -> None:
    found = before_after.counts(first, second)
    total, share = first[0] + second[0], second[1] / (first[1] + second[1])
    less = scipy.stats.binomtest(second[0], total, share, alternative="less")
    more = scipy.stats.binomtest(second[0], total, share, alternative="greater")
    assert found.chance == pytest.approx(min(1.0, 2 * min(less.pvalue, more.pvalue)))
    part = scipy.stats.binomtest(second[0], total).proportion_ci(0.95)
    scale = first[1] / second[1]
    assert found.ratio.lower == pytest.approx(part.low / (1 - part.low) * scale)
    if first[0]:
        assert found.ratio.upper == pytest.approx(part.high / (1 - part.high) * scale)
    else:
        assert found.ratio.estimate is None
        assert found.ratio.upper is None


def _gap(a, b, axis=-1):
    return np.abs(np.median(a, axis=axis) - np.median(b, axis=axis))


def test_medians_against_scipy_when_all_arrangements_are_worked_through() -> None:
    before, after = [12.0, 15.0, 11.0, 19.0, 14.0], [21.0, 17.0, 25.0, 18.0, 13.0]
    ours = before_after.medians(before, after)
    theirs = scipy.stats.permutation_test(
        (before, after), _gap, vectorized=True, n_resamples=np.inf, alternative="greater"
    )
    assert ours.chance == pytest.approx(theirs.pvalue)


def test_medians_against_scipy_when_arrangements_are_drawn() -> None:
    rng = np.random.default_rng(12)
    before, after = list(rng.lognormal(4.0, 0.5, 30)), list(rng.lognormal(4.25, 0.5, 25))
    ours = before_after.medians(before, after)
    theirs = scipy.stats.permutation_test(
        (before, after), _gap, vectorized=True, n_resamples=4999, alternative="greater", rng=3
    )
    # two draws of 4999: two standard errors of their difference are at most 0.02
    assert ours.chance == pytest.approx(theirs.pvalue, abs=0.02)


def test_a_clear_change_is_a_signal_and_says_what_it_is_not() -> None:
    found = before_after.shares((30, 100), (8, 100))
    assert found.verdict == "signal"
    assert found.difference.upper < 0.0
    assert "What else changed then" in found.words


def test_looks_are_counted_and_named() -> None:
    once = before_after.shares((48, 80), (56, 70))
    often = before_after.shares((48, 80), (56, 70), looks=12)
    assert once.verdict == "signal"
    assert often.verdict == "may be noise"
    assert often.adjusted == pytest.approx(12 * once.chance)
    assert "One of 12 looks" in often.words


def test_so_few_that_nothing_could_be_told() -> None:
    found = before_after.shares((2, 3), (0, 3))
    assert found.verdict == "cannot tell"
    assert "not even the clearest outcome" in found.words
    few = before_after.medians([1.0, 2.0], [30.0, 40.0, 50.0])
    assert few.verdict == "cannot tell"
    assert few.difference.estimate == 38.5
    assert few.difference.lower is None
    same = before_after.medians([5.0] * 30, [5.0] * 30)
    assert same.verdict == "cannot tell"
    assert before_after.counts((0, 50.0), (0, 60.0)).verdict == "cannot tell"


@pytest.mark.parametrize(
    "found",
    [
        before_after.shares((0, 0), (1, 9)),
        before_after.counts((1, 9.0), (0, 0.0)),
        before_after.medians([], [1.0, 2.0]),
    ],
)
def test_nothing_on_one_side_is_unknown(found) -> None:
    assert found.verdict == "cannot tell"
    assert found.chance is None
    assert found.difference.estimate is None


def test_no_difference_is_no_proof_of_none() -> None:
    found = before_after.shares((10, 60), (9, 60))
    assert found.verdict == "may be noise"
    assert found.difference.lower < 0.0 < found.difference.upper
    assert "no proof" in found.words


@settings(deadline=None)
@given(PAIR, PAIR)
def test_turning_the_order_turns_the_difference(first, second) -> None:
    one, other = before_after.shares(first, second), before_after.shares(second, first)
    assert other.difference.lower == pytest.approx(-one.difference.upper, abs=1e-12)
    assert other.chance == pytest.approx(one.chance)
    assert one.difference.lower - 1e-12 <= one.difference.estimate <= one.difference.upper + 1e-12
    (a, n), (b, m) = first, second
    without = before_after.shares((n - a, n), (m - b, m))
    assert without.difference.upper == pytest.approx(-one.difference.lower, abs=1e-9)
    assert without.chance == pytest.approx(one.chance)


@settings(deadline=None)
@given(
    st.lists(st.floats(1.0, 500.0), min_size=6, max_size=20),
    st.lists(st.floats(1.0, 500.0), min_size=6, max_size=20),
)
def test_medians_do_not_depend_on_the_unit(before, after) -> None:
    one = before_after.medians(before, after, draws=99)
    hours = before_after.medians([v / 64 for v in before], [v / 64 for v in after], draws=99)
    assert hours.difference.lower * 64 == pytest.approx(one.difference.lower, abs=1e-6)
    # an arrangement exactly as far as the one seen may fall either way of rounding
    assert hours.chance == pytest.approx(one.chance, abs=0.02)


@pytest.mark.parametrize(
    "call",
    [
        lambda: before_after.shares((3, 2), (1, 2)),
        lambda: before_after.shares((1, 2), (1, 2), looks=0),
        lambda: before_after.medians([1.0], [math.nan]),
        lambda: before_after.medians([1.0], [2.0], draws=5),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"not|below|finite"):
        call()
