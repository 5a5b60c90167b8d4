"""How often the rules of the charts signal when nothing has changed, by simulation.

    python benchmarks/review_charts.py [series per row, 200] [seed, 11]

Every series is drawn from one unchanging distribution, so each signal is a false alarm. Printed is
the share of whole series with at least one signal by each rule, and by any of them: that is what a
reader of one chart meets. Beside it stands the standard error of the largest figure.

Further down: coverage of the intervals of a difference, and how often its tests call noise a
signal.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Collection

import numpy as np
from numpy.random import Generator

from warmhold.review import before_after
from warmhold.review.charts.between import g_chart, t_chart
from warmhold.review.charts.c import c_chart
from warmhold.review.charts.cusum import cusum, run_length
from warmhold.review.charts.expected import decision_for, risk_adjusted_cusum
from warmhold.review.charts.funnel import funnel
from warmhold.review.charts.p import p_chart
from warmhold.review.charts.result import Chart, Point, Rule
from warmhold.review.charts.signals import RULES, find
from warmhold.review.charts.xmr import xmr

Draw = Callable[[Generator, int], Chart]


def labels(n: int) -> list[str]:
    return [str(i) for i in range(n)]


def known_limits(rng: Generator, n: int) -> Chart:
    """Normal values against limits that are known: the rules themselves."""
    points = [
        Point(str(i), float(v), 0.0, -3.0, 3.0, -2.0, 2.0)
        for i, v in enumerate(rng.standard_normal(n))
    ]
    return Chart("xmr", "", "", find(points), "")


def xmr_normal(rng: Generator, n: int) -> Chart:
    return xmr(list(rng.standard_normal(n)), labels(n), title="", unit="").values


def xmr_skewed(rng: Generator, n: int) -> Chart:
    """Skewed as times are: lognormal with sigma 0.5 (own choice)."""
    return xmr(list(np.exp(0.5 * rng.standard_normal(n))), labels(n), title="", unit="").values


def xmr_logarithms(rng: Generator, n: int) -> Chart:
    """The same skewed values, with limits from their logarithms."""
    values = list(np.exp(0.5 * rng.standard_normal(n)))
    return xmr(values, labels(n), title="", unit="", log=True).values


def p_of(size: int, share: float, exact: bool) -> Draw:
    def draw(rng: Generator, n: int) -> Chart:
        events = [int(v) for v in rng.binomial(size, share, n)]
        limits = "exact" if exact else "three-sigma"
        return p_chart(events, [size] * n, labels(n), title="", limits=limits)  # type: ignore[arg-type]

    return draw


def c_of(mean: float, rules: Collection[Rule] | None = None) -> Draw:
    def draw(rng: Generator, n: int) -> Chart:
        events = [int(v) for v in rng.poisson(mean, n)]
        return c_chart(events, labels(n), title="", rules=rules)

    return draw


def g_of(share: float, exact: bool) -> Draw:
    def draw(rng: Generator, n: int) -> Chart:
        between = [int(v) - 1 for v in rng.geometric(share, n)]
        limits = "geometric" if exact else "three-sigma"
        return g_chart(between, labels(n), title="", limits=limits)  # type: ignore[arg-type]

    return draw


def t_of(exact: bool) -> Draw:
    def draw(rng: Generator, n: int) -> Chart:
        limits = "exponential" if exact else "transformed"
        return t_chart(list(rng.exponential(30.0, n)), labels(n), title="", limits=limits)  # type: ignore[arg-type]

    return draw


CHARTS: list[tuple[str, Draw]] = [
    ("normal, limits known", known_limits),
    ("XmR, normal values", xmr_normal),
    ("XmR, skewed values (lognormal 0.5)", xmr_skewed),
    ("XmR of the logarithms of these", xmr_logarithms),
    ("p, 50 cases at 0.2, three-sigma", p_of(50, 0.2, exact=False)),
    ("p, 50 cases at 0.2, exact", p_of(50, 0.2, exact=True)),
    ("p, 20 cases at 0.05, three-sigma", p_of(20, 0.05, exact=False)),
    ("p, 20 cases at 0.05, exact", p_of(20, 0.05, exact=True)),
    ("c, mean 16", c_of(16.0)),
    ("c, mean 5", c_of(5.0)),
    ("c, mean 1", c_of(1.0)),
    ("c, mean 1, all rules asked for", c_of(1.0, RULES)),
    ("g, events 1 in 30, geometric limits", g_of(1 / 30, exact=True)),
    ("g, events 1 in 30, three-sigma", g_of(1 / 30, exact=False)),
    ("t, exponential limits", t_of(exact=True)),
    ("t, transformed", t_of(exact=False)),
]


def rule_rates(series: int, seed: int) -> None:
    print(f"False alarms: % of series with a signal; {series} series a row, seed {seed}")
    print(f"(standard error at 50 %: {50 / math.sqrt(series):.1f})")
    print("| chart | points | outside | run of 8 | 2 of 3 near | any |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    for number, (name, draw) in enumerate(CHARTS):
        for points in (12, 24, 60):
            rng = np.random.default_rng([seed, number, points])
            hits = dict.fromkeys((*RULES, "any"), 0)
            for _ in range(series):
                rules = {s.rule for p in draw(rng, points).points for s in p.signals}
                for rule in rules:
                    hits[rule] += 1
                hits["any"] += bool(rules)
            shown = " | ".join(f"{100 * v / series:.1f}" for v in hits.values())
            print(f"| {name} | {points} | {shown} |")


def cusum_rates(series: int, seed: int) -> None:
    print("\nCUSUM, slack 0.5 and decision h standard deviations: points to a false signal")
    print("| h | simulated, either sum | by Markov chain |")
    print("| ---: | ---: | ---: |")
    rng = np.random.default_rng([seed, 100])
    for h in (3.0, 4.0):
        lengths = []
        for _ in range(series):
            n = 0
            while True:  # a fresh stretch goes on where the last ended only by its signal
                both = cusum(
                    list(rng.standard_normal(1500)), labels(1500), title="", unit="", target=0.0,
                    slack=0.5, decision=h,
                )  # fmt: skip
                found = [
                    i
                    for chart in (both.above, both.below)
                    for i, p in enumerate(chart.points)
                    if p.signal
                ]
                if found:
                    n += min(found) + 1
                    break
                n += 1500
            lengths.append(n)
        error = np.std(lengths) / math.sqrt(len(lengths))
        print(f"| {h:g} | {np.mean(lengths):.0f} ± {error:.0f} | {run_length(0.5, h) / 2:.0f} |")


def expected_rates(series: int, seed: int) -> None:
    print(
        "\nRisk-adjusted sum, odds ratio 2, limit set for 5 % of series: false alarms on new draws"
    )
    print("| cases | limit | % |")
    print("| ---: | ---: | ---: |")
    for cases in (50, 200):
        rng = np.random.default_rng([seed, 200, cases])
        chances = list(rng.beta(1.5, 12.0, cases))
        limit = decision_for(chances, 2.0)
        hits = 0
        for _ in range(series):
            outcomes = [bool(v) for v in rng.random(cases) < chances]
            chart = risk_adjusted_cusum(
                chances, outcomes, labels(cases), title="", odds_looked_for=2.0, decision=limit
            )
            hits += bool(chart.signals)
        print(f"| {cases} | {limit:.2f} | {100 * hits / series:.1f} |")


def funnel_rates(series: int, seed: int) -> None:
    print("\nFunnel of 12 units, 10 to 300 cases at 0.1: % of funnels with a unit flagged")
    print("| units | called over-dispersed | a unit flagged | flagged if spread were not tested |")
    print("| --- | ---: | ---: | ---: |")
    sizes = [10, 15, 20, 30, 40, 60, 80, 100, 150, 200, 250, 300]
    for name, spread in (("all alike", 0.0), ("share varies by ± 0.04", 0.04)):
        rng = np.random.default_rng([seed, 300, int(100 * spread)])
        over = flagged = untested = 0
        rounds = max(50, series // 4)
        for _ in range(rounds):
            shares = np.clip(0.1 + spread * rng.standard_normal(12), 0.0, 1.0)
            events = [int(v) for v in rng.binomial(sizes, shares)]
            result = funnel(events, sizes, labels(12), title="", draws=199)
            over += result.dispersion.over
            flagged += bool(result.chart.signals)
            if result.target is not None:
                untested += _flagged_by_size_alone(events, sizes, result.target)
        print(
            f"| {name} | {100 * over / rounds:.0f} | {100 * flagged / rounds:.0f} "
            f"| {100 * untested / rounds:.0f} |"
        )


def _flagged_by_size_alone(events: list[int], sizes: list[int], target: float) -> bool:
    from warmhold.review.charts.funnel import OUTER_TAIL, exact_limits  # noqa: PLC0415

    for x, n in zip(events, sizes, strict=True):
        low, high = exact_limits(target, n, OUTER_TAIL)
        if not low <= x / n <= high:
            return True
    return False


def difference_rates(series: int, seed: int) -> None:
    print("\nBefore and after, nothing changed: % of 95 % intervals without 0, % called a signal")
    print("| figure | interval misses | signal |")
    print("| --- | ---: | ---: |")
    rounds = max(100, series // 2)
    rng = np.random.default_rng([seed, 400])
    for n, share in ((20, 0.1), (60, 0.1), (60, 0.7)):
        missed = called = 0
        for _ in range(rounds):
            a, b = (int(v) for v in rng.binomial(n, share, 2))
            found = before_after.shares((a, n), (b, n))
            missed += _misses_zero(found.difference.lower, found.difference.upper)
            called += found.verdict == "signal"
        print(
            f"| shares, 2 × {n} at {share:g} | {100 * missed / rounds:.1f} "
            f"| {100 * called / rounds:.1f} |"
        )
    for n in (8, 25):
        missed = called = 0
        for _ in range(rounds):
            first, second = np.exp(0.5 * rng.standard_normal((2, n)))
            compared = before_after.medians(list(first), list(second), draws=199)
            missed += _misses_zero(compared.difference.lower, compared.difference.upper)
            called += compared.verdict == "signal"
        print(
            f"| medians, 2 × {n} lognormal | {100 * missed / rounds:.1f} "
            f"| {100 * called / rounds:.1f} |"
        )


def _misses_zero(lower: float | None, upper: float | None) -> bool:
    return (lower is not None and lower > 0.0) or (upper is not None and upper < 0.0)


def main() -> None:
    series = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 11
    began = time.perf_counter()
    rule_rates(series, seed)
    cusum_rates(series, seed)
    expected_rates(series, seed)
    funnel_rates(series, seed)
    difference_rates(series, seed)
    print(f"\n{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
