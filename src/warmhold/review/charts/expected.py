"""Outcomes against their expected chances, case by case.

The running sum of expected minus observed is easy to read, and misleading alone: it drifts further
and further by chance. So it stands beside a risk-adjusted CUSUM, which is what signals.

References
----------
.. [1] Running sum of expected chance minus outcome (variable life-adjusted display): its variance
   grows with the cases and it needs a rule for a signal (verified).
.. [2] Steiner SH et al (2000) Biostatistics 1:441, log-likelihood weights of odds against odds
   (memory). With p the expected chance, R0 the odds ratio when all is well and RA that looked for:
   an event weighs ln[(1 - p + R0 p) RA / ((1 - p + RA p) R0)], none ln[(1 - p + R0 p) /
   (1 - p + RA p)]; S = max(0, S + weight).
.. [3] Spread of the running sum: the exact distribution of a sum of unlike yes-or-no outcomes,
   built one case at a time (derived; checked against SciPy).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from warmhold.review.charts.result import LOOK, Chart, Point, Side, Signal, check_lengths, finite

WORSE: Final = 2.0  # odds ratio that the sum for worse looks for
BETTER: Final = 0.5
FALSE_ALARM: Final = 0.05
DRAWS: Final = 4000
_BAND: Final = 0.95


@dataclass(frozen=True)
class ExpectedObserved:
    """The running sum with the two sums that signal.

    running : expected minus observed; up means fewer events than expected
    worse, better : risk-adjusted sums for higher and for lower odds
    observed, expected : over the cases that could be judged [events]
    """

    running: Chart
    worse: Chart
    better: Chart
    observed: int
    expected: float


def weights(chance: float, odds_looked_for: float, odds_well: float = 1.0) -> tuple[float, float]:
    """Weights of an event and of none, [2]_.

    Parameters
    ----------
    chance : expected chance of the event, 0 to 1 [-]
    odds_looked_for : RA, above 0 [-]
    odds_well : R0, above 0 [-]

    Returns
    -------
    Weight of an event, weight of none [natural logarithm of likelihoods].

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not 0.0 <= chance <= 1.0:
        raise ValueError(f"expected chance: {chance} is not from 0 to 1")
    for odds in (odds_looked_for, odds_well):
        if not (math.isfinite(odds) and odds > 0.0):
            raise ValueError(f"odds ratio: {odds} is not above 0")
    well, looked_for = 1 - chance + odds_well * chance, 1 - chance + odds_looked_for * chance
    none = math.log(well / looked_for)
    return none + math.log(odds_looked_for / odds_well), none


def decision_for(
    expected: Sequence[float],
    odds_looked_for: float,
    *,
    odds_well: float = 1.0,
    false_alarm: float = FALSE_ALARM,
    draws: int = DRAWS,
    seed: int = 1,
) -> float:
    """Find h so that the sum of [2]_ passes it in these very cases by chance only this often.

    By simulation: outcomes are drawn from the expected chances at the odds when all is well. A
    longer series needs a larger h for the same false alarms.

    Parameters
    ----------
    expected : chances of the cases to be charted, 0 to 1 [-]
    odds_looked_for, odds_well : RA and R0, above 0 [-]
    false_alarm : chance of at least one false signal over all cases, above 0 and below 1 [-]
    draws : simulated series, 100 or more
    seed : the same seed gives the same result

    Returns
    -------
    h, 0 or more; a sum above it is a signal. Within the noise of the draws.

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not 0.0 < false_alarm < 1.0:
        raise ValueError(f"false_alarm: {false_alarm} is not above 0 and below 1")
    if draws < 100:
        raise ValueError(f"draws: {draws} is below 100")
    rng = np.random.default_rng(seed)
    total, highest = np.zeros(draws), np.zeros(draws)
    for chance in expected:
        event, none = weights(chance, odds_looked_for, odds_well)
        real = odds_well * chance / (1 - chance + odds_well * chance)
        total = np.maximum(0.0, total + np.where(rng.random(draws) < real, event, none))
        np.maximum(highest, total, out=highest)
    return float(np.quantile(highest, 1 - false_alarm, method="higher"))


def risk_adjusted_cusum(
    expected: Sequence[float | None],
    outcomes: Sequence[bool | None],
    labels: Sequence[str],
    *,
    title: str,
    odds_looked_for: float,
    decision: float | None,
    odds_well: float = 1.0,
) -> Chart:
    """Sum up the weights of the outcomes, [2]_. A sum above the decision is a signal.

    It goes on after a signal; it is for the reader to begin anew once a cause was found.

    Parameters
    ----------
    expected : chance of the event in each case, ``None`` where unknown [-]
    outcomes : whether it came; at an unknown case the sum stays as it was
    labels : one for each
    title : for the reader
    odds_looked_for, odds_well : RA and R0, above 0 [-]
    decision : h, see `decision_for`; ``None`` draws no limit and raises no signal

    Raises
    ------
    ValueError : chances or odds out of range, lengths that differ.
    """
    chances = finite(expected, "expected")
    check_lengths(labels, expected=chances, outcomes=outcomes)
    side: Side = "high" if odds_looked_for > odds_well else "low"
    words = "more events than expected" if side == "high" else "fewer events than expected"
    total, points = 0.0, []
    for label, chance, outcome in zip(labels, chances, outcomes, strict=True):
        if chance is None or outcome is None:
            points.append(Point(label, None, 0.0, None, decision, note=_why(chance)))
            continue
        event, none = weights(chance, odds_looked_for, odds_well)
        total = max(0.0, total + (event if outcome else none))
        found: tuple[Signal, ...] = ()
        if decision is not None and total > decision:
            found = (Signal("outside", side, f"{words}: the weighted sum is above its limit"),)
        points.append(Point(label, total, 0.0, None, decision, signals=found))
    return Chart(
        "risk-adjusted cusum",
        title,
        "log-likelihood",
        tuple(points),
        f"odds ratio {odds_looked_for:g} looked for against {odds_well:g}"
        + (f"; signal above {decision:.3g}" if decision is not None else "; no signal rule given"),
        (LOOK, _HONEST),
    )


def expected_observed(
    expected: Sequence[float | None],
    outcomes: Sequence[bool | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str = "events",
    false_alarm: float = FALSE_ALARM,
    draws: int = DRAWS,
    seed: int = 1,
) -> ExpectedObserved:
    """Chart expected minus observed, with signals from the risk-adjusted sums, [1]_ to [3]_.

    The band around zero holds 95 % at any one look. A series looked at case by case leaves it
    sooner or later: leaving it is no signal.

    Parameters
    ----------
    expected : chance of the event in each case, ``None`` where unknown [-]
    outcomes : whether it came; an unknown case is left out and keeps its place
    labels : one for each, in order of time
    title, unit : for the reader
    false_alarm : chance that either sum signals falsely at least once in these cases [-]
    draws, seed : of the simulation that sets the limits

    Raises
    ------
    ValueError : chances out of range, lengths that differ.
    """
    chances = finite(expected, "expected")
    check_lengths(labels, expected=chances, outcomes=outcomes)
    judged = [
        (c, bool(o))
        for c, o in zip(chances, outcomes, strict=True)
        if c is not None and o is not None
    ]
    sums: dict[str, Chart] = {}
    for name, odds in (("worse", WORSE), ("better", BETTER)):
        limit = None
        if judged:
            limit = decision_for(
                [c for c, _ in judged], odds, false_alarm=false_alarm / 2, draws=draws, seed=seed
            )
        sums[name] = risk_adjusted_cusum(
            chances, outcomes, labels, title=f"{title}: sum for {name}", odds_looked_for=odds,
            decision=limit,
        )  # fmt: skip
    points, total, spread, mean = [], 0.0, np.ones(1), 0.0
    for label, chance, outcome in zip(labels, chances, outcomes, strict=True):
        if chance is None or outcome is None:
            points.append(Point(label, None, 0.0, note=_why(chance)))
            continue
        total += chance - float(outcome)
        mean += chance
        spread = add_case(spread, chance)
        low, high = _band(spread)
        # many events pull the sum down: the ends change places
        points.append(Point(label, total, 0.0, mean - high, mean - low))
    signalling = [
        replace(p, signals=worse.signals + better.signals)
        for p, worse, better in zip(
            points, sums["worse"].points, sums["better"].points, strict=True
        )
    ]
    left_out = len(chances) - len(judged)
    notes = [
        LOOK,
        _HONEST,
        "Up: fewer events than expected. The band holds 95 % at any one look; leaving it is no "
        "signal.",
        f"Signals come from the risk-adjusted sums; together they signal falsely in about "
        f"{100 * false_alarm:g} % of series like this one.",
    ]
    if left_out:
        notes.append(f"{left_out} of {len(chances)} cases could not be judged and are left out.")
    running = Chart(
        "expected minus observed",
        title,
        unit,
        tuple(signalling),
        "running sum of expected chance minus outcome; band from the exact distribution",
        tuple(notes),
    )
    return ExpectedObserved(
        running, sums["worse"], sums["better"], sum(o for _, o in judged), sum(c for c, _ in judged)
    )


def add_case(distribution: Any, chance: float) -> Any:
    """Distribution of the number of events with one more case, [3]_.

    Parameters
    ----------
    distribution : chance of 0, 1, 2 ... events, shape (k,) [-]
    chance : of an event in the further case, 0 to 1 [-]

    Returns
    -------
    The same with one place more, shape (k + 1,) [-].
    """
    longer = np.zeros(len(distribution) + 1)
    longer[:-1] = distribution * (1 - chance)
    longer[1:] += distribution * chance
    return longer


def _band(distribution: Any) -> tuple[int, int]:
    """Fewest and most events that are not out of the ordinary: as `rates.binomial_span`."""
    tail = (1 - _BAND) / 2
    below = np.cumsum(distribution)
    above = np.cumsum(distribution[::-1])[::-1]
    return int(np.argmax(below > tail)), int(len(above) - 1 - np.argmax(above[::-1] > tail))


def _why(chance: float | None) -> str:
    return "no expected chance" if chance is None else "outcome unknown"


_HONEST: Final = (
    "Only as good as the expected chances: when these are off, the chart drifts although the work "
    "is as it was."
)
