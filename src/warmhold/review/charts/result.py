"""What every chart comes to: points with their centre, limits and signals, and what was left out.

A point that is not known stays in its place with no value. Where there are too few points the
chart says so, shows its limits as provisional and raises no signal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

Side = Literal["high", "low"]
Rule = Literal["outside", "run", "near"]
Kind = Literal[
    "xmr",
    "moving range",
    "p",
    "u",
    "c",
    "g",
    "t",
    "funnel",
    "cusum",
    "expected minus observed",
    "risk-adjusted cusum",
]

FEWEST: Final = 12  # points before limits count as more than provisional (memory, common practice)
LOOK: Final = "A signal says that a cause is worth looking for. It names no cause and no person."


@dataclass(frozen=True)
class Signal:
    """One rule that a point fulfils.

    rule : which one
    side : on which side of the centre
    why : the same in words, with the figures
    """

    rule: Rule
    side: Side
    why: str


@dataclass(frozen=True)
class Point:
    """One point of a chart; everything in the unit of the chart.

    value : ``None`` when unknown
    centre, lower, upper : where it is expected, and the limits of its signal; ``None`` when
        there is none. A share or a rate has a lower limit of 0 where the formula goes below
    near_lower, near_upper : two thirds of the way to the limits; on a funnel the inner pair
    size : cases or exposure behind it, ``None`` where that has no meaning
    signals : every rule it fulfils
    note : why there is no value, or what else is to be known about it
    """

    label: str
    value: float | None
    centre: float | None = None
    lower: float | None = None
    upper: float | None = None
    near_lower: float | None = None
    near_upper: float | None = None
    size: float | None = None
    signals: tuple[Signal, ...] = ()
    note: str = ""

    @property
    def signal(self) -> bool:
        """Say whether any rule is fulfilled."""
        return bool(self.signals)

    @property
    def side(self) -> Side | None:
        """Side of the first signal."""
        return self.signals[0].side if self.signals else None

    @property
    def why(self) -> str:
        """The reasons of all signals as one text; empty without a signal."""
        return "; ".join(signal.why for signal in self.signals)


@dataclass(frozen=True)
class Chart:
    """One chart.

    kind : which chart
    title : what is shown, in words
    unit : unit of the values, such as min, share or per 1000 transfers
    points : in order of time; on a funnel in order of size
    method : how centre and limits were found, with the constant that was used
    notes : what else the reader has to know
    too_few : why no signal is raised; empty when there are points enough
    """

    kind: Kind
    title: str
    unit: str
    points: tuple[Point, ...]
    method: str
    notes: tuple[str, ...] = ()
    too_few: str = ""

    @property
    def signals(self) -> tuple[Point, ...]:
        """The points with a signal."""
        return tuple(point for point in self.points if point.signal)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Labels of the points that have no value."""
        return tuple(point.label for point in self.points if point.value is None)


def too_few(known: int, fewest: int = FEWEST) -> str:
    """Say why so few points carry no signal; empty when there are enough.

    Parameters
    ----------
    known : points with a value [points]
    fewest : points asked for [points]
    """
    if known >= fewest:
        return ""
    points = "point" if known == 1 else "points"
    return (
        f"{known} {points}, {fewest} are asked for: too few points. "
        "The limits are provisional and no signal is raised."
    )


def check_lengths(labels: Sequence[str], **columns: Sequence[object]) -> None:
    """Refuse columns that are not as long as the labels.

    Raises
    ------
    ValueError : naming every column whose length differs.
    """
    off = [f"{name} has {len(c)}" for name, c in columns.items() if len(c) != len(labels)]
    if off:
        raise ValueError(f"there are {len(labels)} labels, but {', '.join(off)}")


def finite(values: Sequence[float | None], name: str) -> list[float | None]:
    """Return the values as floats, with ``None`` kept.

    Raises
    ------
    ValueError : a value that is not finite: what is not known is ``None``.
    """
    out = [None if v is None else float(v) for v in values]
    for place, value in enumerate(out, start=1):
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{name}, number {place}: {value} is not finite; unknown is None")
    return out


def counts(values: Sequence[int | None], name: str) -> list[int | None]:
    """Return the values with ``None`` kept.

    Raises
    ------
    ValueError : a count that is below 0 or not whole.
    """
    out: list[int | None] = []
    for place, value in enumerate(values, start=1):
        if value is not None and (value < 0 or value != int(value)):
            raise ValueError(f"{name}, number {place}: {value} is not a count of 0 or more")
        out.append(None if value is None else int(value))
    return out


def baseline_of(known: Sequence[bool], baseline: int | None) -> list[bool]:
    """Say which points the limits are made from: all known ones, or those of the first few.

    Parameters
    ----------
    known : whether each point has a value
    baseline : how many points from the start, unknown ones counted too; ``None`` for all [points]

    Raises
    ------
    ValueError : a baseline outside 1 to the number of points.
    """
    if baseline is None:
        return list(known)
    if not 1 <= baseline <= max(1, len(known)):
        raise ValueError(f"baseline: {baseline} is not from 1 to the {len(known)} points")
    return [ok and i < baseline for i, ok in enumerate(known)]
