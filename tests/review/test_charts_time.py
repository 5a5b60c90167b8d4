"""Charts over time: printed examples, and what has to hold for any series."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.review.charts import signals
from warmhold.review.charts.between import POWER, g_chart, gaps, t_chart
from warmhold.review.charts.c import c_chart
from warmhold.review.charts.cusum import cusum, run_length
from warmhold.review.charts.p import TAIL, p_chart
from warmhold.review.charts.result import Point
from warmhold.review.charts.u import u_chart
from warmhold.review.charts.xmr import RANGE_LIMIT, xmr

SERIES = st.lists(
    st.one_of(st.none(), st.floats(-100, 100).map(lambda v: round(v, 2))), max_size=40
)


def labels(values) -> list[str]:
    return [str(i) for i in range(1, len(values) + 1)]


def out(chart) -> list[int]:
    """Places, from 1, of the points beyond a limit."""
    return [
        i
        for i, p in enumerate(chart.points, start=1)
        if any(s.rule == "outside" for s in p.signals)
    ]


def simple(values) -> list[Point]:
    """Points against a centre of 0 and limits of 3."""
    return [Point(str(i), v, 0.0, -3.0, 3.0, -2.0, 2.0) for i, v in enumerate(values)]


# --- printed examples -----------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("review", "xmr"))
def test_xmr(row) -> None:
    found = xmr(row["values"], labels(row["values"]), title="t", unit="u", constant=row["constant"])
    near = {"abs": row["tolerance"]}
    assert found.mean == pytest.approx(row["expected_mean"], **near)
    assert found.mean_range == pytest.approx(row["expected_mean_range"], **near)
    assert found.values.points[0].lower == pytest.approx(row["expected_lower"], **near)
    assert found.values.points[0].upper == pytest.approx(row["expected_upper"], **near)
    assert found.ranges.points[1].upper == pytest.approx(row["expected_range_upper"], **near)
    assert out(found.values) == out(found.ranges) == []
    assert row["constant"] in found.values.method
    assert bool(found.values.too_few) is (len(row["values"]) < 12)


@pytest.mark.parametrize("row", [*rows("review", "p_mean"), *rows("review", "p")])
def test_p(row) -> None:
    cases = [row["cases"]] * len(row["events"])
    chart = p_chart(row["events"], cases, labels(cases), title="t")
    first = chart.points[0]
    if "expected" in row:
        assert first.centre == pytest.approx(row["expected"], abs=row["tolerance"])
        return
    assert sum(row["events"]) == row["expected_sum"]
    assert first.centre == pytest.approx(row["expected_centre"], abs=row["tolerance"])
    assert first.lower == pytest.approx(row["expected_lower"], abs=row["tolerance"])
    assert first.upper == pytest.approx(row["expected_upper"], abs=row["tolerance"])
    assert out(chart) == row["expected_out"]


@pytest.mark.parametrize("row", rows("review", "c"))
def test_c(row) -> None:
    chart = c_chart(row["events"], labels(row["events"]), title="t")
    first = chart.points[0]
    assert first.centre == pytest.approx(row["expected_centre"], abs=row["tolerance"])
    assert first.lower == pytest.approx(row["expected_lower"], abs=row["tolerance"])
    assert first.upper == pytest.approx(row["expected_upper"], abs=row["tolerance"])
    assert out(chart) == row["expected_out"]


@pytest.mark.parametrize("row", rows("review", "u"))
def test_u(row) -> None:
    chart = u_chart(
        row["events"], row["exposures"], labels(row["events"]), title="t", unit="u", per=1000.0
    )
    near = {"abs": row["tolerance"]}
    assert [p.value for p in chart.points] == pytest.approx(row["expected_rates"], **near)
    assert [p.upper for p in chart.points] == pytest.approx(row["expected_upper"], **near)
    assert chart.points[0].centre == pytest.approx(row["expected_centre"], **near)
    assert [p.lower for p in chart.points] == [0.0] * 5
    assert chart.too_few


@pytest.mark.parametrize("row", rows("review", "cusum"))
def test_cusum(row) -> None:
    found = cusum(
        row["values"], labels(row["values"]), title="t", unit="u",
        target=row["target"], slack=row["slack"], decision=row["decision"],
    )  # fmt: skip
    above = [p.value for p in found.above.points]
    below = [p.value for p in found.below.points]
    assert above == pytest.approx(row["expected_above"], abs=row["tolerance"])
    assert out(found.above)[0] == row["expected_first"]
    assert max(below) == pytest.approx(row["expected_below_max"], abs=row["tolerance"])
    assert below.index(max(below)) + 1 == row["expected_below_at"]
    assert out(found.below) == []


@pytest.mark.parametrize("row", rows("review", "cusum_run_length"))
def test_run_length_of_the_cusum(row) -> None:
    found = run_length(0.5, row["decision"], row["shift"]) / row["sides"]
    assert found == pytest.approx(row["expected"], rel=row["tolerance"])


def test_the_constants_of_xmr_follow_from_normal_values() -> None:
    d2 = 2 / math.sqrt(math.pi)
    assert round(d2, 3) == 1.128
    assert round(3 / d2, 2) == 2.66
    assert round(1 + 3 * math.sqrt(2 - 4 / math.pi) / d2, 3) == pytest.approx(RANGE_LIMIT, abs=1e-3)


# --- rare events ----------------------------------------------------------------------------------


@pytest.mark.parametrize("mean", [0.4, 3.0, 29.0, 240.0])
def test_geometric_limits_against_scipy(mean: float) -> None:
    between = [round(20 * mean)] + [0] * 19  # their mean is what counts
    point = g_chart(between, labels(between), title="t").points[0]
    share = 1 / (1 + sum(between) / 20)
    stretch = scipy.stats.geom(share, loc=-1)  # uneventful cases before an event
    assert point.lower == stretch.ppf(TAIL)
    assert stretch.sf(point.upper - 1) > TAIL >= stretch.sf(point.upper)
    assert point.centre == stretch.median()


def test_exponential_limits_against_scipy() -> None:
    between = [10.0, 50.0, 30.0]
    point = t_chart(between, labels(between), title="t").points[0]
    stretch = scipy.stats.expon(scale=30.0)
    assert point.lower == pytest.approx(stretch.ppf(TAIL))
    assert point.upper == pytest.approx(stretch.isf(TAIL))
    assert point.centre == pytest.approx(stretch.median())


def test_the_power_makes_exponential_times_nearly_normal() -> None:
    # a Weibull distribution of this shape: its skewness is close to 0, that of the times is 2
    skew = float(scipy.stats.weibull_min.stats(1 / POWER, moments="s"))
    assert abs(skew) < 0.01


def test_three_sigma_limits_of_the_g_chart() -> None:
    between = [4, 12, 8] * 4
    point = g_chart(between, labels(between), title="t", limits="three-sigma").points[0]
    assert point.centre == 8.0
    assert point.upper == pytest.approx(8 + 3 * math.sqrt(72))
    assert point.lower == 0.0


def test_transformed_limits_do_not_depend_on_the_unit_of_time() -> None:
    days = list(np.random.default_rng(5).exponential(20.0, 15))
    one = t_chart(days, labels(days), title="t", limits="transformed").points[0]
    hours = [24 * d for d in days]
    other = t_chart(hours, labels(days), title="t", limits="transformed").points[0]
    assert other.upper == pytest.approx(24 * one.upper)
    assert other.centre == pytest.approx(24 * one.centre)


def test_gaps_leave_unknown_cases_out_and_say_so() -> None:
    assert gaps([False, None, True, False, False, True, True, False]) == ([1, 2, 0], 1, 1)
    assert gaps([]) == ([], 0, 0)


def test_a_stretch_still_running_signals_only_once_it_is_too_long() -> None:
    between = [30, 25, 40, 22, 31, 28, 35, 27, 33, 29, 24, 36]
    short = g_chart(between, labels(between), title="t", running=60)
    long = g_chart(between, labels(between), title="t", running=400)
    assert short.points[-1].value == 60.0
    assert not short.points[-1].signal
    assert long.points[-1].signal
    assert "still running" in long.points[-1].why
    assert long.points[0].upper == short.points[0].upper


# --- rules ----------------------------------------------------------------------------------------


def test_a_point_on_the_limit_is_not_beyond_it() -> None:
    found = signals.find(simple([3.0, 3.001, -3.0, -3.001]), ("outside",))
    assert [p.side for p in found] == [None, "high", None, "low"]


def test_eight_on_one_side() -> None:
    found = signals.find(simple([1.0] * 9), ("run",))
    assert [p.signal for p in found] == [False] * 7 + [True] * 2
    assert found[8].why == "9 in a row above the centre"
    on_the_centre = signals.find(simple([1.0] * 4 + [0.0] + [1.0] * 4), ("run",))
    assert [p.signal for p in on_the_centre] == [False] * 8 + [True]
    broken = signals.find(simple([1.0] * 7 + [-1.0] + [1.0] * 7), ("run",))
    assert not any(p.signal for p in broken)
    unknown = signals.find(simple([1.0] * 7 + [None] + [1.0] * 7), ("run",))
    assert not any(p.signal for p in unknown)


def test_two_of_three_near_the_same_limit() -> None:
    def places(values) -> list[int]:
        found = signals.find(simple(values), ("near",))
        return [i for i, p in enumerate(found) if p.signal]

    assert places([2.5, 0.0, 2.5]) == [2]
    assert places([2.5, 2.5]) == [1]
    assert places([2.5, 0.0, 0.0, 2.5]) == []
    assert places([2.5, -2.5, 0.0]) == []
    assert places([2.0, 2.0, 2.0]) == []


def test_a_rule_that_there_is_not_is_refused() -> None:
    with pytest.raises(ValueError, match="rules"):
        signals.find(simple([1.0]), ("trend",))  # type: ignore[arg-type]


def test_the_rule_on_limits_alarms_as_often_as_normal_values_do() -> None:
    # 1 - 0.9973^24 = 6.3 %, worked from the normal distribution; 1500 series: 1.3 % is two
    # standard errors
    rng = np.random.default_rng(17)
    hits = sum(
        any(
            p.signal
            for p in signals.find(simple(map(float, rng.standard_normal(24))), ("outside",))
        )
        for _ in range(1500)
    )
    assert hits / 1500 == pytest.approx(1 - (1 - 2 * TAIL) ** 24, abs=0.0135)


# --- what is not known ----------------------------------------------------------------------------


def test_unknown_points_stay_and_count_for_nothing() -> None:
    values = [1.0, 2.0, None, 2.0, 4.0]
    found = xmr(values, labels(values), title="t", unit="u")
    assert found.mean == pytest.approx(2.25)
    assert found.mean_range == pytest.approx(1.5)  # 1 and 2; nothing across the gap
    assert found.values.unknown == ("3",)
    assert [p.value for p in found.ranges.points] == [None, 1.0, None, None, 2.0]


def test_a_period_without_cases_is_unknown() -> None:
    chart = p_chart([0, 1, None], [0, 10, 10], ["a", "b", "c"], title="t")
    assert [p.value for p in chart.points] == [None, 0.1, None]
    assert [p.note for p in chart.points] == ["nothing could be judged", "", "unknown"]
    rate = u_chart([0, 1], [0.0, 10.0], ["a", "b"], title="t", unit="u")
    assert [p.value for p in rate.points] == [None, 0.1]


@pytest.mark.parametrize("values", [[], [None], [None, None], [5.0], [5.0, None, 5.0]])
def test_too_little_for_limits(values) -> None:
    found = xmr(values, labels(values), title="t", unit="u")
    assert all(p.lower is None and p.upper is None for p in found.values.points)
    assert found.values.signals == ()
    assert "too few" in found.values.too_few


def test_too_few_points_raise_no_signal() -> None:
    values = [10.0, 10.1] * 5 + [99.0]
    few = xmr(values, labels(values), title="t", unit="u", baseline=10)
    assert few.values.points[-1].upper < 99.0
    assert few.values.signals == ()
    assert few.values.too_few.startswith("10 points, 12 are asked for")
    more = [10.0, 10.1] * 6 + [99.0]
    enough = xmr(more, labels(more), title="t", unit="u", baseline=12)
    assert out(enough.values) == [13]


def test_equal_values_are_not_signals() -> None:
    for value in (0.1, 0.7, 36.6):
        found = xmr([value] * 13, labels([0] * 13), title="t", unit="u").values
        assert found.signals == ()
        assert any("no width" in note for note in found.notes)
    assert u_chart([1] * 13, [0.3] * 13, labels([0] * 13), title="t", unit="u").signals == ()


def test_few_expected_events_are_told_and_take_the_rule_on_limits_alone() -> None:
    events = [1, 0] * 12
    quiet = c_chart([*events, *[2] * 9], labels([0] * 33), title="t")
    assert any("expect fewer than 5" in note for note in quiet.notes)
    assert signals.ROUGH in quiet.notes
    assert not any(s.rule == "run" for p in quiet.points for s in p.signals)
    asked = c_chart([*events, *[2] * 9], labels([0] * 33), title="t", rules=signals.RULES)
    assert any(s.rule == "run" for p in asked.points for s in p.signals)
    many = p_chart([40, 42] * 6, [100] * 12, labels([0] * 12), title="t")
    assert signals.ROUGH not in many.notes


@pytest.mark.parametrize(
    "call",
    [
        lambda: xmr([1.0], ["a", "b"], title="t", unit="u"),
        lambda: xmr([math.inf], ["a"], title="t", unit="u"),
        lambda: xmr([0.0], ["a"], title="t", unit="u", log=True),
        lambda: xmr([1.0], ["a"], title="t", unit="u", baseline=2),
        lambda: p_chart([3], [2], ["a"], title="t"),
        lambda: p_chart([3], [0], ["a"], title="t"),
        lambda: u_chart([3], [0.0], ["a"], title="t", unit="u"),
        lambda: u_chart([3], [-1.0], ["a"], title="t", unit="u"),
        lambda: u_chart([3], [1.0], ["a"], title="t", unit="u", per=0.0),
        lambda: c_chart([-1], ["a"], title="t"),
        lambda: t_chart([-1.0], ["a"], title="t"),
        lambda: cusum([1.0], ["a"], title="t", unit="u", target=0.0, slack=-1.0, decision=1.0),
        lambda: cusum([1.0], ["a"], title="t", unit="u", target=0.0, slack=1.0, decision=0.0),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"not|has|above|events|below"):
        call()


# --- what has to hold -----------------------------------------------------------------------------


@settings(deadline=None)
@given(SERIES, st.floats(0.01, 100.0), st.floats(-50.0, 50.0))
def test_xmr_does_not_depend_on_the_unit(values, scale: float, offset: float) -> None:
    one = xmr(values, labels(values), title="t", unit="u").values
    moved = [None if v is None else v * scale + offset for v in values]
    other = xmr(moved, labels(values), title="t", unit="u").values
    for p, q in zip(one.points, other.points, strict=True):
        if p.upper is not None:
            assert q.upper == pytest.approx(p.upper * scale + offset, rel=1e-9, abs=1e-6)
            assert q.lower == pytest.approx(p.lower * scale + offset, rel=1e-9, abs=1e-6)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(1, 400)), min_size=12, max_size=30),
    st.sampled_from([0.001, 7.0, 1000.0]),
)
def test_signals_of_the_u_chart_do_not_depend_on_the_unit(rows_, scale: float) -> None:
    events, exposures = [r[0] for r in rows_], [float(r[1]) for r in rows_]
    one = u_chart(events, exposures, labels(events), title="t", unit="u")
    other = u_chart(events, exposures, labels(events), title="t", unit="u", per=scale)
    hours = u_chart(events, [e * scale for e in exposures], labels(events), title="t", unit="u")
    found = [p.signals for p in one.points]
    assert [p.signals for p in other.points] == found
    assert [p.signals for p in hours.points] == found


@settings(deadline=None)
@given(
    st.lists(
        st.integers(1, 90).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
        min_size=12,
        max_size=30,
    ),
    st.sampled_from(["three-sigma", "exact"]),
)
def test_the_p_chart_is_its_mirror_without_the_event(rows_, limits) -> None:
    events, cases = [r[0] for r in rows_], [r[1] for r in rows_]
    without = [n - x for x, n in rows_]
    one = p_chart(events, cases, labels(cases), title="t", limits=limits)
    other = p_chart(without, cases, labels(cases), title="t", limits=limits)
    turned = {"high": "low", "low": "high", None: None}
    for p, q in zip(one.points, other.points, strict=True):
        assert q.upper == pytest.approx(1 - p.lower, abs=1e-9)
        assert q.side == turned[p.side]


def test_limits_from_logarithms_do_not_depend_on_the_unit_and_stay_above_zero() -> None:
    minutes = list(np.random.default_rng(2).lognormal(4.0, 0.8, 20))
    one = xmr(minutes, labels(minutes), title="t", unit="min", log=True)
    other = xmr([m / 60 for m in minutes], labels(minutes), title="t", unit="h", log=True)
    assert one.values.points[0].lower > 0.0
    assert other.values.points[0].upper * 60 == pytest.approx(one.values.points[0].upper)
    assert [p.value for p in one.values.points] == minutes
    assert one.mean == pytest.approx(float(scipy.stats.gmean(minutes)))
    assert one.mean_range == pytest.approx(other.mean_range)
