"""Tabular CUSUM: small lasting shifts of a value from its target, summed up on both sides.

References
----------
.. [1] S+ = max(0, S+ + x - target - k), S- = max(0, S- + target - k - x); a sum above h is a
   signal; NIST/SEMATECH e-Handbook 6.3.2.3 (memory).
.. [2] Brook D, Evans DA (1972) Biometrika 59:539: run length by a Markov chain over the states of
   the sum (memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from warmhold.review.charts import signals
from warmhold.review.charts.result import LOOK, Chart, Point, check_lengths, finite


@dataclass(frozen=True)
class Cusum:
    """The two sums, both 0 or more.

    above : of what is above the target; its signals are "high"
    below : of what is below the target; a large sum means low values
    """

    above: Chart
    below: Chart


def cusum(
    values: Sequence[float | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str,
    target: float,
    slack: float,
    decision: float,
) -> Cusum:
    """Sum up departures from a target, [1]_.

    The target is given, not worked out from the points, so there is no smallest number of them.
    After a signal the sum goes on; it is for the reader to begin anew once a cause was found.

    Parameters
    ----------
    values : in order of time; at an unknown one the sum stays as it was [unit of the values]
    labels : one for each
    title, unit : for the reader
    target : where the values should lie [unit of the values]
    slack : k, departure that is not counted, 0 or more; half the shift looked for [as values]
    decision : h, sum above which there is a signal, above 0 [as values]

    Raises
    ------
    ValueError : values not finite, lengths that differ, slack or decision out of range.
    """
    known = finite(values, "values")
    check_lengths(labels, values=known)
    if not math.isfinite(target):
        raise ValueError(f"target: {target} is not finite")
    if not (math.isfinite(slack) and slack >= 0.0):
        raise ValueError(f"slack: {slack} is not 0 or more")
    if not (math.isfinite(decision) and decision > 0.0):
        raise ValueError(f"decision: {decision} is not above 0")
    charts = []
    for sign, words in ((1.0, "above"), (-1.0, "below")):
        total, points = 0.0, []
        for label, value in zip(labels, known, strict=True):
            if value is None:
                points.append(Point(label, None, 0.0, None, decision, note="unknown"))
                continue
            total = max(0.0, total + sign * (value - target) - slack)
            points.append(Point(label, total, 0.0, None, decision))
        notes = [LOOK]
        if None in known:
            notes.append("An unknown value leaves the sum as it was.")
        charts.append(
            Chart(
                "cusum",
                f"{title}: sum {words} the target",
                unit,
                signals.find(points, signals.LIMIT_ONLY),
                f"target {target:g}, slack {slack:g}, signal above {decision:g}",
                tuple(notes),
            )
        )
    return Cusum(*charts)


def run_length(slack_sd: float, decision_sd: float, shift_sd: float = 0.0) -> float:
    """Mean number of points to a signal of one sum, for independent normal values, [2]_.

    Parameters
    ----------
    slack_sd : k over the standard deviation, 0 to 3 [standard deviations]
    decision_sd : h over the standard deviation, above 0, to 20 [standard deviations]
    shift_sd : how far the mean has moved toward the signal; 0 when nothing changed
        [standard deviations]

    Returns
    -------
    Points; within 1 % of the true mean for the values tested [points].

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not (0.0 <= slack_sd <= 3.0 and 0.0 < decision_sd <= 20.0 and math.isfinite(shift_sd)):
        raise ValueError(f"slack {slack_sd}, decision {decision_sd}: outside 0 to 3, 0 to 20")
    states = 200
    width = 2.0 * decision_sd / (2 * states - 1)
    cdf = np.vectorize(NormalDist(shift_sd - slack_sd, 1.0).cdf, otypes=[float])
    place = np.arange(states)
    step = (place[None, :] - place[:, None]) * width
    upper, lower = cdf(step + width / 2), cdf(step - width / 2)
    chance = upper - lower
    chance[:, 0] = upper[:, 0]  # all that would fall below zero is held there
    lengths = np.linalg.solve(np.eye(states) - chance, np.ones(states))
    return float(lengths[0])
