"""Funnels: limits against SciPy and by hand, the test that comes first, and no league table."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.review.charts.funnel import (
    INNER_TAIL,
    INNER_Z,
    OUTER_TAIL,
    OUTER_Z,
    dispersion,
    exact_limits,
    funnel,
    normal_limits,
)

SIZES = [10, 15, 20, 30, 40, 60, 80, 100, 150, 200, 250, 300]
NAMES = [f"unit {n}" for n in SIZES]
ALIKE = [1, 2, 1, 4, 3, 7, 8, 9, 16, 21, 24, 31]


@pytest.mark.parametrize("row", rows("review", "funnel_normal"))
def test_normal_limits(row) -> None:
    inner = normal_limits(row["target"], row["n"], INNER_Z)
    outer = normal_limits(row["target"], row["n"], OUTER_Z)
    assert inner == pytest.approx(tuple(row["expected_inner"]), abs=row["tolerance"])
    assert outer == pytest.approx(tuple(row["expected_outer"]), abs=row["tolerance"])


@pytest.mark.parametrize("target", [0.02, 0.31, 0.9])
@pytest.mark.parametrize("n", [1, 5, 50, 400, 5000])
@pytest.mark.parametrize("tail", [INNER_TAIL, OUTER_TAIL])
def test_exact_limits_against_scipy(target: float, n: int, tail: float) -> None:
    low, high = exact_limits(target, n, tail)
    law = scipy.stats.binom(n, target)
    assert low == law.ppf(tail) / n
    assert high == law.isf(tail) / n
    # a unit like the others falls outside no more often than said
    assert law.cdf(round(low * n) - 1) + law.sf(round(high * n)) <= 2 * tail


def test_exact_and_normal_limits_meet_for_many_cases() -> None:
    exact = exact_limits(0.3, 200_000, OUTER_TAIL)
    assert exact == pytest.approx(normal_limits(0.3, 200_000, OUTER_Z), abs=1e-4)


def test_units_stand_in_order_of_size_and_unknown_ones_last() -> None:
    found = funnel([5, None, 1, 30, 0], [50, 20, 9, 300, 0], list("abcde"), title="t").chart
    assert [p.label for p in found.points] == ["c", "a", "d", "b", "e"]
    assert found.unknown == ("b", "e")
    sizes = [p.size for p in found.points if p.value is not None]
    assert sizes == sorted(sizes)


def test_one_unit_unlike_the_others_is_flagged() -> None:
    events = [*ALIKE[:-1], 75]  # a quarter where a tenth is usual
    found = funnel(events, SIZES, NAMES, title="t", target=0.1)
    assert not found.dispersion.over, "one unit is not a spread between all"
    assert [(p.label, p.side) for p in found.chart.signals] == [("unit 300", "high")]


def test_alike_units_are_not_flagged() -> None:
    found = funnel(ALIKE, SIZES, NAMES, title="t")
    assert not found.dispersion.over
    assert found.chart.signals == ()
    assert found.target == pytest.approx(sum(ALIKE) / sum(SIZES))


def test_a_spread_between_all_units_widens_the_limits_before_anything_is_flagged() -> None:
    shares = [0.02, 0.2, 0.05, 0.24, 0.03, 0.22, 0.04, 0.19, 0.04, 0.2, 0.03, 0.21]
    events = [round(s * n) for s, n in zip(shares, SIZES, strict=True)]
    found = funnel(events, SIZES, NAMES, title="t")
    assert found.dispersion.over
    narrow = [exact_limits(found.target, n, OUTER_TAIL) for n in SIZES]
    would_be = [
        not low <= x / n <= high for (low, high), x, n in zip(narrow, events, SIZES, strict=True)
    ]
    assert any(would_be)
    assert found.chart.signals == ()
    for point, (low, high) in zip(found.chart.points, narrow, strict=True):
        assert point.lower <= low
        assert point.upper >= high
    assert "widened" in found.chart.method


def test_the_test_for_over_dispersion_agrees_with_the_chi_square_for_many_cases() -> None:
    # 9 units: nothing is winsorised, and the counts are large enough for the chi-square
    rng = np.random.default_rng(8)
    n = np.full(9, 800)
    x = rng.binomial(n, 0.3)
    ours = dispersion([int(v) for v in x], [int(v) for v in n], draws=9999)
    theirs = scipy.stats.chi2_contingency(np.vstack((x, n - x)), correction=False)
    assert ours.phi * 9 == pytest.approx(theirs.statistic)
    # two standard errors of 9999 draws are at most 0.01
    assert ours.chance == pytest.approx(theirs.pvalue, abs=0.015)


def test_over_dispersion_is_called_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(4)
    called = 0
    for _ in range(200):
        events = [int(v) for v in rng.binomial(SIZES, 0.1)]
        called += dispersion(events, SIZES, draws=199).over
    assert called / 200 <= 0.05 + 2 * 0.0154  # two standard errors of 200 rounds


def test_few_units_carry_no_signal() -> None:
    found = funnel([0, 5, 60], [100, 100, 100], list("abc"), title="t", target=0.05)
    assert found.chart.signals == ()
    assert "3 side by side, 5 are asked for" in found.chart.too_few


@pytest.mark.parametrize(("events", "cases"), [([], []), ([None], [None]), ([0], [0])])
def test_nothing_to_compare(events, cases) -> None:
    found = funnel(events, cases, ["a"] * len(events), title="t")
    assert found.target is None
    assert found.curves == ()
    assert found.dispersion.phi is None
    assert all(p.value is None for p in found.chart.points)


def test_no_event_anywhere_is_no_signal() -> None:
    found = funnel([0] * 6, [10, 20, 30, 40, 50, 60], list("abcdef"), title="t")
    assert found.target == 0.0
    assert found.chart.signals == ()
    assert "Over-dispersion could not be tested." in found.chart.notes


def test_the_same_seed_gives_the_same_result() -> None:
    assert funnel(ALIKE, SIZES, NAMES, title="t") == funnel(ALIKE, SIZES, NAMES, title="t")


@pytest.mark.parametrize(
    "call",
    [
        lambda: funnel([3], [2], ["a"], title="t"),
        lambda: funnel([3], [0], ["a"], title="t"),
        lambda: funnel([1], [2], ["a"], title="t", target=1.2),
        lambda: funnel([1], [2], ["a", "b"], title="t"),
        lambda: funnel([1], [2], ["a"], title="t", draws=10),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"not|has|events|below"):
        call()


UNITS = st.lists(
    st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=5,
    max_size=14,
)


@settings(deadline=None, max_examples=40)
@given(UNITS)
def test_the_funnel_is_its_mirror_without_the_event(units) -> None:
    names = [f"{i:02d}" for i in range(len(units))]
    cases = [n for _, n in units]
    one = funnel([x for x, _ in units], cases, names, title="t", draws=99)
    other = funnel([n - x for x, n in units], cases, names, title="t", draws=99)
    if one.dispersion.phi is not None:
        assert other.dispersion.phi == pytest.approx(one.dispersion.phi)
    if one.dispersion.over == other.dispersion.over:  # the draws differ
        for p, q in zip(one.chart.points, other.chart.points, strict=True):
            assert q.upper == pytest.approx(1 - p.lower, abs=1e-9)
            assert q.near_lower == pytest.approx(1 - p.near_upper, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(UNITS)
def test_inner_limits_lie_within_outer_ones(units) -> None:
    found = funnel(
        [x for x, _ in units], [n for _, n in units], [str(i) for i in range(len(units))],
        title="t", draws=99,
    )  # fmt: skip
    for p in found.chart.points:
        assert 0.0 <= p.lower <= p.near_lower <= p.near_upper <= p.upper <= 1.0
    for n, low_95, high_95, low, high in found.curves:
        assert n >= 1
        assert low <= low_95 <= high_95 <= high
