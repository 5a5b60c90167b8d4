"""Charts for rare events: how many cases, or how much time, passed between one and the next.

A long stretch is high. Where fewer than about five events are expected in a period (memory) these
tell more than a p chart.

References
----------
.. [1] Geometric limits for the cases between events: the values beyond which the chance is at
   most 0.00135 on each side; centre at the median (derived from the geometric distribution).
.. [2] g chart with three-sigma limits: gbar +/- 3 sqrt(gbar (gbar + 1)), not below 0; Benneyan JC
   (2001) Health Care Manag Sci 4:305 (memory).
.. [3] Exponential limits for the time between events, chances as in [1]_ (derived).
.. [4] t chart: the times to the power 1/3.6 are nearly normal; XmR limits of these, taken back;
   Nelson LS (1994) J Qual Technol 26:239 (memory).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final, Literal

from warmhold.review.charts import signals
from warmhold.review.charts.p import NEAR_TAIL, TAIL
from warmhold.review.charts.result import (
    LOOK,
    Chart,
    Kind,
    Point,
    Rule,
    Signal,
    check_lengths,
    counts,
    finite,
    too_few,
)
from warmhold.review.charts.xmr import CONSTANTS, xmr

CountLimits = Literal["geometric", "three-sigma"]
TimeLimits = Literal["exponential", "transformed"]
POWER: Final = 1.0 / 3.6


def gaps(outcomes: Sequence[bool | None]) -> tuple[list[int], int, int]:
    """Count the uneventful cases between events.

    An unknown case is neither an event nor uneventful: it is left out and counted apart. What
    comes before the first event is counted as the first stretch.

    Parameters
    ----------
    outcomes : whether each case had an event, in order of time; ``None`` when unknown

    Returns
    -------
    The stretches that an event ended, the stretch still running, and how many were unknown [cases].
    """
    ended, running, unknown = [], 0, 0
    for outcome in outcomes:
        if outcome is None:
            unknown += 1
        elif outcome:
            ended.append(running)
            running = 0
        else:
            running += 1
    return ended, running, unknown


def g_chart(
    between: Sequence[int | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str = "cases between events",
    running: int | None = None,
    limits: CountLimits = "geometric",
    rules: Collection[Rule] = signals.RULES,
) -> Chart:
    """Chart the uneventful cases between events, [1]_ or [2]_.

    A stretch still running is shown last. It can only become longer, so it signals as soon as it
    passes the upper limit; the limits are not made from it.

    Parameters
    ----------
    between : stretches that an event ended, in order; ``None`` where unknown [cases]
    labels : one for each, such as the date of the event that ended it
    title, unit : for the reader
    running : stretch since the last event, ``None`` to leave it out [cases]
    limits : which limits; said in ``method``
    rules : which rules may raise a signal

    Raises
    ------
    ValueError : counts that cannot be, lengths that differ.
    """
    known = counts(between, "between")
    check_lengths(labels, between=known)
    inside = [g for g in known if g is not None]
    mean = sum(inside) / len(inside) if inside else None
    frame = Point("", None)
    if mean is not None and limits == "three-sigma":
        sd = math.sqrt(mean * (mean + 1))
        frame = _frame(mean, max(0.0, mean - 3 * sd), mean + 3 * sd, mean - 2 * sd, mean + 2 * sd)
    elif mean is not None and mean > 0.0:
        low, high = _geometric_span(mean, TAIL)
        near_low, near_high = _geometric_span(mean, NEAR_TAIL)
        middle = math.ceil(-math.log(2.0) / math.log(mean / (1 + mean)) - 1e-9) - 1
        frame = _frame(max(0, middle), low, high, near_low, near_high)
    method = (
        "mean ± 3 √(mean × (mean + 1))"
        if limits == "three-sigma"
        else f"median and exact limits of a geometric number of cases, {TAIL:.5f} beyond each"
    )
    return _chart("g", known, labels, frame, title, unit, running, method, rules)


def t_chart(
    between: Sequence[float | None],
    labels: Sequence[str],
    *,
    title: str,
    unit: str = "days between events",
    running: float | None = None,
    limits: TimeLimits = "exponential",
    rules: Collection[Rule] = signals.RULES,
) -> Chart:
    """Chart the time between events, [3]_ or [4]_.

    It takes the work to be even: when transfers come and go with the season take `g_chart`. A
    stretch still running is treated as there.

    Parameters
    ----------
    between : times that an event ended, 0 or more, in order; ``None`` where unknown [time]
    labels : one for each, such as the date of the event that ended it
    title, unit : for the reader
    running : time since the last event, ``None`` to leave it out [time]
    limits : which limits; said in ``method``
    rules : which rules may raise a signal

    Raises
    ------
    ValueError : times that are negative or not finite, lengths that differ.
    """
    known = finite(between, "between")
    check_lengths(labels, between=known)
    inside = [g for g in known if g is not None]
    if any(g < 0.0 for g in inside) or (running is not None and not 0.0 <= running < math.inf):
        raise ValueError("between: a time is below 0 or not finite")
    frame = Point("", None)
    if limits == "transformed":
        powered = xmr(
            [None if g is None else g**POWER for g in known], labels, title="", unit="", rules=()
        )
        if powered.mean is not None and powered.mean_range is not None:
            reach = CONSTANTS["2.66"] * powered.mean_range
            frame = _frame(
                *(
                    max(0.0, powered.mean + share * reach) ** (1 / POWER)
                    for share in (0.0, -1.0, 1.0, -2 / 3, 2 / 3)
                )
            )
        method = "times to the power 1/3.6, mean ± 2.66 × mean moving range, taken back"
    else:
        mean = sum(inside) / len(inside) if inside else None
        if mean:
            chances = (0.5, TAIL, 1 - TAIL, NEAR_TAIL, 1 - NEAR_TAIL)
            frame = _frame(*(-mean * math.log1p(-chance) for chance in chances))
        method = f"median and exact limits of an exponential time, {TAIL:.5f} beyond each"
    return _chart("t", known, labels, frame, title, unit, running, method, rules)


def _frame(
    centre: float, lower: float, upper: float, near_lower: float, near_upper: float
) -> Point:
    return Point(
        "", None, float(centre), float(lower), float(upper), float(near_lower), float(near_upper)
    )


def _geometric_span(mean: float, tail: float) -> tuple[int, int]:
    """Shortest and longest stretch not out of the ordinary: as `rates.binomial_span`."""
    log_go_on = math.log(mean / (1 + mean))
    low = max(0, math.floor(math.log1p(-tail) / log_go_on))  # first k with 1 - q^(k + 1) > tail
    high = math.ceil(math.log(tail) / log_go_on) - 1  # last k with q^k > tail
    return low, max(0, high)


def _chart(
    kind: Kind,
    between: Sequence[float | None],
    labels: Sequence[str],
    frame: Point,
    title: str,
    unit: str,
    running: float | None,
    method: str,
    rules: Collection[Rule],
) -> Chart:
    few = too_few(sum(g is not None for g in between))
    points = [
        replace(
            frame,
            label=label,
            value=None if g is None else float(g),
            note="unknown" if g is None else "",
        )
        for label, g in zip(labels, between, strict=True)
    ]
    shown = list(points if few else signals.find(points, rules))
    notes = [LOOK, "High is a long stretch without an event, low a short one."]
    if frame.centre is None:
        notes.append("No limits: there is nothing between the events to make them from.")
    if frame.lower == 0.0:
        notes.append("No stretch can be below the lower limit of 0: a worse time shows as a run.")
    if running is not None:
        open_note = "still running: at least this long"
        last = replace(frame, label="now", value=float(running), note=open_note)
        passed = last.upper is not None and running > last.upper
        if passed and not few and "outside" in rules:
            why = "above the upper limit, and still running"
            last = replace(last, signals=(Signal("outside", "high", why),))
        shown.append(last)
    return Chart(kind, title, unit, tuple(shown), method, tuple(notes), few)
