"""Expected against observed: worked rows, the band against SciPy, and the limit of the sum."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.review.charts.expected import (
    add_case,
    decision_for,
    expected_observed,
    risk_adjusted_cusum,
    weights,
)


def names(values) -> list[str]:
    return [str(i) for i in range(len(values))]


@pytest.mark.parametrize("row", rows("review", "expected"))
def test_worked_rows(row) -> None:
    near = {"abs": row["tolerance"]}
    outcomes = [bool(o) for o in row["outcomes"]]
    found = expected_observed(row["chances"], outcomes, names(outcomes), title="t")
    assert [p.value for p in found.running.points] == pytest.approx(row["expected_running"], **near)
    assert [p.value for p in found.worse.points] == pytest.approx(row["expected_sums"], **near)
    weighed = [
        weights(p, 2.0)[0 if o else 1] for p, o in zip(row["chances"], outcomes, strict=True)
    ]
    assert weighed == pytest.approx(row["expected_weights"], **near)
    assert found.observed == 1
    assert found.expected == pytest.approx(0.77)


@settings(deadline=None)
@given(st.floats(0.001, 0.999), st.floats(0.1, 10.0), st.floats(0.1, 10.0))
def test_weights_are_log_likelihood_ratios(p: float, sought: float, well: float) -> None:
    def at(odds: float) -> float:
        return odds * p / (1 - p + odds * p)

    event, none = weights(p, sought, well)
    assert event == pytest.approx(math.log(at(sought) / at(well)), abs=1e-9)
    assert none == pytest.approx(math.log((1 - at(sought)) / (1 - at(well))), abs=1e-9)


def test_the_band_against_scipy() -> None:
    chances = np.random.default_rng(6).beta(1.5, 8.0, 40)
    law = np.ones(1)
    for chance in chances:
        law = add_case(law, float(chance))
    theirs = scipy.stats.poisson_binom(chances)
    assert law == pytest.approx(theirs.pmf(np.arange(41)), abs=1e-12)
    found = expected_observed(list(chances), [False] * 40, names(chances), title="t", draws=100)
    last = found.running.points[-1]
    assert last.lower == pytest.approx(chances.sum() - theirs.isf(0.025))
    assert last.upper == pytest.approx(chances.sum() - theirs.ppf(0.025))


def test_the_limit_keeps_to_its_false_alarms_on_other_draws() -> None:
    chances = [float(c) for c in np.random.default_rng(1).beta(1.5, 12.0, 80)]
    limit = decision_for(chances, 2.0, false_alarm=0.1, seed=1)
    rng = np.random.default_rng(99)
    hits = 0
    for _ in range(600):
        outcomes = [bool(v) for v in rng.random(80) < chances]
        chart = risk_adjusted_cusum(
            chances, outcomes, names(chances), title="t", odds_looked_for=2.0, decision=limit
        )
        hits += bool(chart.signals)
    # two standard errors of 600 series, 2.4 %, and of the draws behind the limit, 0.9 %
    assert hits / 600 == pytest.approx(0.1, abs=0.033)


def test_many_events_signal_as_worse_and_none_as_better() -> None:
    chances = [0.1] * 120
    worse = expected_observed(chances, [i % 3 == 0 for i in range(120)], names(chances), title="t")
    assert worse.worse.signals
    assert not worse.better.signals
    assert {p.side for p in worse.running.signals} == {"high"}
    assert worse.running.points[-1].value < 0.0
    better = expected_observed(chances, [False] * 120, names(chances), title="t")
    assert {p.side for p in better.running.signals} == {"low"}
    assert better.running.points[-1].value == pytest.approx(12.0)


def test_cases_that_cannot_be_judged_keep_their_place_and_count_for_nothing() -> None:
    found = expected_observed(
        [0.1, None, 0.2, 0.3], [False, True, None, True], list("abcd"), title="t"
    )
    assert [p.value for p in found.running.points] == pytest.approx([0.1, None, None, -0.6])
    assert [p.note for p in found.running.points] == [
        "", "no expected chance", "outcome unknown", "",
    ]  # fmt: skip
    assert found.observed == 1
    assert "2 of 4 cases could not be judged and are left out." in found.running.notes
    nothing = expected_observed([None], [None], ["a"], title="t")
    assert nothing.worse.points[0].upper is None


def test_without_a_rule_there_is_no_signal() -> None:
    chart = risk_adjusted_cusum(
        [0.1] * 9, [True] * 9, names([0] * 9), title="t", odds_looked_for=2.0, decision=None
    )
    assert chart.signals == ()
    assert "no signal rule" in chart.method


@pytest.mark.parametrize(
    "call",
    [
        lambda: weights(1.2, 2.0),
        lambda: weights(0.2, 0.0),
        lambda: decision_for([0.1], 2.0, false_alarm=0.0),
        lambda: decision_for([0.1], 2.0, draws=5),
        lambda: expected_observed([0.1], [], ["a"], title="t"),
        lambda: expected_observed([math.nan], [True], ["a"], title="t"),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:
    with pytest.raises(ValueError, match=r"not|has|below"):
        call()


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0.01, 0.9), st.booleans()), min_size=1, max_size=25))
def test_swapping_event_and_none_turns_the_chart_over(cases) -> None:
    chances, outcomes = [c for c, _ in cases], [o for _, o in cases]
    one = expected_observed(chances, outcomes, names(cases), title="t", draws=100)
    other = expected_observed(
        [1 - c for c in chances], [not o for o in outcomes], names(cases), title="t", draws=100
    )
    for p, q in zip(one.running.points, other.running.points, strict=True):
        assert q.value == pytest.approx(-p.value, abs=1e-9)
    for p, q in zip(one.worse.points, other.better.points, strict=True):
        assert q.value == pytest.approx(p.value, abs=1e-9)
