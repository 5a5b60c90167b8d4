"""Uncertainty of one result, and what it allows to be said against a limit.

References
----------
.. [1] JCGM 100:2008, law of propagation for independent inputs, eq. 10 (memory).
.. [2] JCGM 100:2008, 4.3.7: half-width a of a rectangle gives a/sqrt(3); resolution d gives
   d/(2 sqrt(3)) (memory). Checked against the library ``uncertainties``.
.. [3] JCGM 106:2012 and ILAC-G8: simple acceptance, and acceptance with a guard band of U
   (memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Relation = Literal["at most", "at least", "below", "above", "within", "near"]
Rule = Literal["simple", "guarded"]
Verdict = Literal["pass", "fail", "invalid", "cannot tell"]
Bound = Literal["", "at least", "at most"]

COVERAGE = 2.0  # k, about 95 % for a near normal result [1]_
COARSE = 1 / 3  # an instrument coarser than this share of the limit is told (memory)
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Part:
    """One contribution to an uncertainty.

    name : what it is, in words
    standard : standard uncertainty of the input, 0 or more [unit of the input]
    sensitivity : change of the result for a change of one in the input
    how : how it was known, in words
    """

    name: str
    standard: float
    sensitivity: float = 1.0
    how: str = ""

    @property
    def contribution(self) -> float:
        """Standard uncertainty of the result that this part causes."""
        return abs(self.sensitivity) * self.standard


@dataclass(frozen=True)
class Budget:
    """The contributions to one result, and what they come to.

    unit : unit of the result
    parts : contributions, taken as independent
    lacking : what would belong here and is not known; then the uncertainty is unknown
    notes : what was left out on purpose, and why
    """

    unit: str
    parts: tuple[Part, ...]
    lacking: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def standard(self) -> float | None:
        """Combined standard uncertainty, [1]_; ``None`` when a part is not known."""
        if self.lacking or not self.parts:
            return None
        return math.sqrt(sum(part.contribution**2 for part in self.parts))

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty U with k = 2; ``None`` when a part is not known."""
        return None if self.standard is None else COVERAGE * self.standard


def from_certificate(expanded: float, coverage: float) -> float:
    """Return the standard uncertainty behind an expanded one.

    expanded : U of a certificate, 0 or more [any]
    coverage : its coverage factor k, 1 to 4
    """
    if not 1 <= coverage <= 4:
        raise ValueError(f"coverage factor {coverage}: 1 to 4 is allowed")
    return expanded / coverage


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a rectangle, half-width/sqrt(3), [2]_.

    half_width : 0 or more [any]
    """
    return half_width / math.sqrt(3)


def resolution(step: float) -> float:
    """Return the standard uncertainty of a display step, step/(2 sqrt(3)), [2]_.

    step : smallest step of the display, 0 or more [any]
    """
    return rectangular(step / 2)


def repeatability(values: Sequence[float]) -> float:
    """Return the standard uncertainty of the mean of independent values, s/sqrt(n).

    values : at least two [any]
    """
    count = len(values)
    if count < 2:
        raise ValueError("one value has no spread: at least two are needed")
    middle = math.fsum(values) / count
    variance = math.fsum((value - middle) ** 2 for value in values) / (count - 1)
    return math.sqrt(variance / count)


@dataclass(frozen=True)
class Decision:
    """What may be said of a value against a limit, and why."""

    verdict: Verdict
    reason: str


def holds(value: float, relation: Relation, limit: float) -> bool:
    """Whether a value meets a limit, uncertainty aside; equal counts for all but below, above."""
    if relation == "near":
        raise ValueError("near is a setting to be made, not a limit to be judged")
    slack = _ROUNDING * max(1.0, abs(limit))
    if relation == "within":
        return abs(value) <= limit + slack
    if relation == "at most":
        return value <= limit + slack
    if relation == "at least":
        return value >= limit - slack
    return value < limit if relation == "below" else value > limit


def decide(
    value: float | None,
    expanded: float | None,
    relation: Relation,
    limit: float,
    rule: Rule,
    bound: Bound = "",
) -> Decision:
    """Judge a value, [3]_.

    Simple acceptance: the value itself decides. Guarded acceptance: pass when value and U
    together meet the limit, fail when they miss it on every side of U, "cannot tell" between.
    An unknown value or uncertainty is "cannot tell" under both.

    value : the result [unit]
    expanded : its U, k = 2 [unit]
    relation, limit : what is asked for
    rule : how near to the limit a pass may be
    bound : the value is only a lower ("at least") or upper ("at most") bound of the result
    """
    if value is None or not math.isfinite(value):
        return Decision("cannot tell", "the figure is not known from this log")
    if expanded is None or not math.isfinite(expanded):
        return Decision("cannot tell", "the uncertainty of the figure is not known")
    if relation == "within" and bound:
        beyond = value - expanded > limit if bound == "at least" else value + expanded < -limit
        if beyond:
            return Decision("fail", "even the bound that was reached misses the limit")
        return Decision("cannot tell", f"the result is {bound} this figure; how far is not known")
    reach = expanded if rule == "guarded" else 0.0
    shown = abs(value) if relation == "within" else value
    up = relation in {"at most", "below", "within"}  # a larger figure is worse
    best, worst = (shown - reach, shown + reach) if up else (shown + reach, shown - reach)
    sure_pass = holds(worst, "at most" if relation == "within" else relation, limit)
    sure_fail = not holds(best, "at most" if relation == "within" else relation, limit)
    if bound:
        better_open = (bound == "at least") != up  # the true result may be better, not worse
        if better_open and sure_pass:
            return Decision("pass", "even the bound that was reached meets the limit")
        if not better_open and sure_fail:
            return Decision("fail", "even the bound that was reached misses the limit")
        return Decision("cannot tell", f"the result is {bound} this figure; how far is not known")
    if sure_pass:
        return Decision("pass", "meets the limit" + _with(rule))
    if sure_fail:
        return Decision("fail", "misses the limit" + _with(rule))
    return Decision("cannot tell", "nearer to the limit than its uncertainty")


def _with(rule: Rule) -> str:
    return ", its uncertainty included" if rule == "guarded" else " by the figure alone"


def coarse(expanded: float | None, limit: float) -> bool:
    """Whether U is more than a third of the limit, a common rule for instruments (memory)."""
    return expanded is not None and limit > 0 and expanded > COARSE * limit * (1 + _ROUNDING)
