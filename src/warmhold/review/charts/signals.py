"""Rules that tell a signal from noise.

================ ===================================================================
outside          one point beyond a limit (on the limit, to rounding, is not beyond it)
run              eight points in a row on one side of the centre
near             two of three neighbours beyond two thirds of the way to the same limit
================ ===================================================================

The rules are common practice (eight in a row and two of three: memory). How often each is
fulfilled when nothing has changed is measured by ``benchmarks/review_charts.py``, not asserted:
more rules, more points and limits from few points all mean more false alarms.

A point on the centre is on neither side: it neither counts nor ends a run. An unknown point could
lie on either side: it ends a run and is none of three.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from warmhold.review.charts.result import Point, Rule, Side, Signal

RULES: Final[tuple[Rule, ...]] = ("outside", "run", "near")
ROUGH: Final = (
    "With so few expected events the mean is not the middle: the rules on runs and on two of three "
    "signal too often by chance and are left out."
)
LIMIT_ONLY: Final[tuple[Rule, ...]] = ("outside",)
RUN_LENGTH: Final = 8
WORDS: Final[dict[Rule, str]] = {
    "outside": "one point beyond a limit",
    "run": f"{RUN_LENGTH} points in a row on one side of the centre",
    "near": "two of three points beyond two thirds of the way to the same limit",
}


def find(points: Sequence[Point], rules: Collection[Rule] = RULES) -> tuple[Point, ...]:
    """Return the points with their signals, found from their own centres and limits.

    A rule is told at the point that completes it, and at every further one that still does.

    Parameters
    ----------
    points : in order of time; signals already on them are dropped
    rules : which rules to use

    Raises
    ------
    ValueError : a rule that there is not.
    """
    if unknown := set(rules) - set(RULES):
        raise ValueError(f"rules: {sorted(unknown)} are not among {list(RULES)}")
    found: list[list[Signal]] = [[] for _ in points]
    for rule, search in (("outside", _outside), ("run", _runs), ("near", _near)):
        if rule in rules:
            for signals, signal in zip(found, search(points), strict=True):
                if signal is not None:
                    signals.append(signal)
    return tuple(replace(p, signals=tuple(s)) for p, s in zip(points, found, strict=True))


def _outside(points: Sequence[Point]) -> list[Signal | None]:
    out: list[Signal | None] = []
    for point in points:
        signal = None
        if point.value is not None:
            if point.upper is not None and _over(point.value, point.upper):
                signal = Signal("outside", "high", "above the upper limit")
            elif point.lower is not None and _over(point.lower, point.value):
                signal = Signal("outside", "low", "below the lower limit")
        out.append(signal)
    return out


def _runs(points: Sequence[Point]) -> list[Signal | None]:
    out: list[Signal | None] = []
    side: Side | None = None
    length = 0
    for point in points:
        signal = None
        if point.value is None or point.centre is None:
            side, length = None, 0
        elif _over(point.value, point.centre) or _over(point.centre, point.value):
            now: Side = "high" if point.value > point.centre else "low"
            length = length + 1 if now == side else 1
            side = now
            if length >= RUN_LENGTH:
                word = "above" if side == "high" else "below"
                signal = Signal("run", side, f"{length} in a row {word} the centre")
        out.append(signal)
    return out


def _near(points: Sequence[Point]) -> list[Signal | None]:
    sides: list[Side | None] = []
    for point in points:
        side: Side | None = None
        if point.value is not None:
            if point.near_upper is not None and _over(point.value, point.near_upper):
                side = "high"
            elif point.near_lower is not None and _over(point.near_lower, point.value):
                side = "low"
        sides.append(side)
    out: list[Signal | None] = []
    for i, side in enumerate(sides):
        signal = None
        if side is not None and side in sides[max(0, i - 2) : i]:
            word = "upper" if side == "high" else "lower"
            signal = Signal("near", side, f"two of three near the {word} limit")
        out.append(signal)
    return out


def _over(one: float, other: float) -> bool:
    """Say whether one is above the other by more than rounding, in whatever unit both are."""
    return one - other > 1e-9 * max(abs(one), abs(other))
