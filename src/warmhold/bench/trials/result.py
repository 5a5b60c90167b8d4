"""What a bench test says: conditions, figures with their uncertainty, limits, a verdict.

Everything that is shown or filed is drawn from these classes and from nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from warmhold.bench.limits import Kind, Limit
from warmhold.bench.uncertainty import Bound, Budget, Rule, Verdict
from warmhold.plan.sheet import CAUTIONS

Met = Literal["met", "unmet", "unknown", "not asked"]


@dataclass(frozen=True)
class Condition:
    """One condition of a test.

    ``found`` and ``asked`` are in words with units; ``reason`` says why it is unknown.
    """

    key: str
    title: str
    met: Met
    found: str
    asked: str
    limits: tuple[Limit, ...] = ()
    reason: str = ""


@dataclass(frozen=True)
class Judged:
    """One figure against its limit."""

    key: str
    title: str
    value: float | None
    unit: str
    verdict: Verdict
    reason: str
    limit: Limit | None = None
    limit_value: float | None = None  # at the level that it was read at
    budget: Budget | None = None
    bound: Bound = ""
    words: str = ""  # instead of a value, where the figure is a list of yes and no
    coarse: bool = False  # its uncertainty is more than a third of the limit

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty, k = 2; ``None`` when it is not known."""
        return None if self.budget is None else self.budget.expanded


@dataclass(frozen=True)
class Measured:
    """A figure that no limit is asked for, kept as a number; ``expanded`` is U with k = 2."""

    key: str
    title: str
    value: float
    unit: str
    expanded: float | None = None
    bound: Bound = ""


@dataclass(frozen=True)
class Line:
    """One curve of a plot: minutes from the first reading, and values."""

    title: str
    minutes: tuple[float, ...]
    values: tuple[float, ...]
    stepped: bool = False  # a setting: it jumps, it never ramps


@dataclass(frozen=True)
class Level:
    """A horizontal line of a plot, such as a mean or a limit."""

    title: str
    value: float


@dataclass(frozen=True)
class Trace:
    """What a plot shows; ``table`` rows are minute and one value a line."""

    key: str
    title: str
    unit: str
    lines: tuple[Line, ...]
    levels: tuple[Level, ...] = ()
    window: tuple[float, float] | None = None  # minutes that the figures rest on
    moments: tuple[tuple[str, float], ...] = ()  # name and minute
    note: str = ""


@dataclass(frozen=True)
class Result:
    """One bench test of one unit from one log."""

    test: str
    title: str
    verdict: Verdict
    reason: str
    unit: str
    log: str
    fingerprint: str
    start_utc: datetime
    window_min: tuple[float, float] | None
    limits: str  # name of the set
    limits_title: str
    kind: Kind
    rule: Rule
    conditions: tuple[Condition, ...]
    judged: tuple[Judged, ...]
    facts: tuple[tuple[str, str], ...] = ()  # name, value with unit
    measured: tuple[Measured, ...] = ()
    method: str = ""
    noticed: tuple[str, ...] = ()
    entered_by: str = ""
    traces: tuple[Trace, ...] = ()
    cautions: tuple[str, ...] = field(default=CAUTIONS)

    @property
    def unverified(self) -> tuple[Limit, ...]:
        """Limits that the verdict rests on and that were not read in their source."""
        used = [one.limit for one in self.judged if one.limit is not None]
        used += [limit for one in self.conditions for limit in one.limits]
        out = {limit.id: limit for limit in used if not limit.verified}
        return tuple(out.values())


_WORST: tuple[Verdict, ...] = ("fail", "invalid", "cannot tell", "pass")


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the verdict of several together; of none it is "cannot tell"."""
    return min(verdicts, key=_WORST.index, default="cannot tell")


def conclude(
    conditions: Sequence[Condition], judged: Sequence[Judged], no_figure: str = ""
) -> tuple[Verdict, str, tuple[Judged, ...]]:
    """Draw the verdict: conditions first, then the figures.

    no_figure : why there is no figure, when there is none

    Returns the verdict, its reason, and the figures with the verdict that is left to each.
    """
    for state, verdict in (("unmet", "invalid"), ("unknown", "cannot tell")):
        bad = [one for one in conditions if one.met == state]
        if not bad:
            continue
        first = bad[0]
        if state == "unmet":
            reason = f"{first.title}: {first.found}, asked for {first.asked}"
        else:
            reason = f"{first.title}: {first.reason or 'not known from this log'}"
        if len(bad) > 1:
            reason += f"; also {', '.join(one.title for one in bad[1:])}"
        said: Verdict = "invalid" if verdict == "invalid" else "cannot tell"
        left = tuple(
            replace(one, verdict=said, reason=f"not judged: conditions {state}") for one in judged
        )
        return said, reason, left
    if no_figure:
        return "cannot tell", no_figure, tuple(judged)
    verdict_of_all = worst([one.verdict for one in judged])
    if not judged:
        return verdict_of_all, "no figure", ()
    chosen = [one for one in judged if one.verdict == verdict_of_all]
    reason = "; ".join(f"{one.title}: {one.reason}" for one in chosen[:3])
    if len(chosen) > 3:
        reason += f"; and {len(chosen) - 3} more"
    return verdict_of_all, reason, tuple(judged)


# --- as plain numbers and words -----------------------------------------------------------------


def as_plain(results: Sequence[Result]) -> dict[str, Any]:
    """Return results as a plain dictionary of numbers, words and lists, to keep or to send.

    Curves are left out; they are in the log, which is named by its fingerprint.
    """
    return {"format": 1, "what": "bench tests", "results": [_result(one) for one in results]}


def _result(one: Result) -> dict[str, Any]:
    return {
        "test": one.test,
        "title": one.title,
        "verdict": one.verdict,
        "reason": one.reason,
        "unit": one.unit,
        "log": one.log,
        "log_sha256": one.fingerprint,
        "start_utc": one.start_utc.isoformat(),
        "window_min": None if one.window_min is None else list(one.window_min),
        "limits": {"name": one.limits, "title": one.limits_title, "kind": one.kind},
        "acceptance": one.rule,
        "method": one.method,
        "conditions": [
            {
                "key": c.key,
                "title": c.title,
                "met": c.met,
                "found": c.found,
                "asked": c.asked,
                "reason": c.reason,
                "limits": [_limit(limit) for limit in c.limits],
            }
            for c in one.conditions
        ],
        "figures": [_judged(j) for j in one.judged],
        "measured": [
            {
                "key": m.key,
                "title": m.title,
                "value": m.value,
                "unit": m.unit,
                "expanded_uncertainty": m.expanded,
                "bound": m.bound,
            }
            for m in one.measured
        ],
        "facts": [[name, value] for name, value in one.facts],
        "noticed": list(one.noticed),
        "entered_by": one.entered_by,
        "cautions": list(one.cautions),
    }


def _judged(one: Judged) -> dict[str, Any]:
    return {
        "key": one.key,
        "title": one.title,
        "value": one.value,
        "unit": one.unit,
        "expanded_uncertainty": one.expanded,
        "coverage": 2,
        "bound": one.bound,
        "words": one.words,
        "verdict": one.verdict,
        "reason": one.reason,
        "coarse": one.coarse,
        "limit": None if one.limit is None else {**_limit(one.limit), "at": one.limit_value},
        "budget": None
        if one.budget is None
        else {
            "parts": [
                {
                    "name": part.name,
                    "standard": part.standard,
                    "sensitivity": part.sensitivity,
                    "contribution": part.contribution,
                    "how": part.how,
                }
                for part in one.budget.parts
            ],
            "lacking": list(one.budget.lacking),
            "notes": list(one.budget.notes),
        },
    }


def _limit(limit: Limit) -> dict[str, Any]:
    keys = ("id", "quantity", "relation", "value", "unit", "standard", "edition", "clause",
            "status", "source")  # fmt: skip
    return {key: getattr(limit, key) for key in keys} | {"needs": list(limit.needs)}
