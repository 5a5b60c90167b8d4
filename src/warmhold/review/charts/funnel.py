"""Funnel: several units side by side, each against what chance allows for one of its size.

It is no league table. Units stand in the order of their size, and nothing is said of a unit inside
the limits but that it cannot be told from the others.

References
----------
.. [1] Spiegelhalter DJ (2005) Stat Med 24:1185: target +/- z sqrt(target (1 - target) / n) with
   z = 1.96 and 3.09 (95 % and 99.8 %); exact binomial limits for small n; a test for
   over-dispersion before any unit is flagged; z scores winsorised at 10 %, and limits widened by
   sqrt(phi) (abstract verified, formulas memory).
.. [2] Over-dispersion by simulation: with every unit alike, the events fall among the cases at
   random, which is a multivariate hypergeometric draw. Holds for small numbers, where the
   chi-square distribution does not (derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from warmhold.review.charts.result import LOOK, Chart, Point, Signal, check_lengths, counts
from warmhold.review.rates import binomial_span

Limits = Literal["exact", "normal"]
OUTER_Z: Final = 3.09
INNER_Z: Final = 1.96
OUTER_TAIL: Final = 0.001
INNER_TAIL: Final = 0.025
FEWEST_UNITS: Final = 5  # units before a spread between them can be told from chance (own choice)
DRAWS: Final = 4999
_ALPHA: Final = 0.05
_WINSOR: Final = 0.1


@dataclass(frozen=True)
class Dispersion:
    """Whether units differ among each other more than chance alone allows.

    phi : mean square of the winsorised z scores; about 1 by chance, ``None`` when unknown [-]
    chance : of a phi this large or larger when all units are alike, [2]_ [-]
    over : whether that chance is below 0.05
    """

    phi: float | None
    chance: float | None
    over: bool


@dataclass(frozen=True)
class Funnel:
    """A funnel chart with what is drawn around it.

    chart : points in the order of their size; limits 99.8 %, near limits 95 %
    target : the share that units are held against, ``None`` when unknown [-]
    dispersion : the test that came before any signal
    curves : size, lower and upper 95 %, lower and upper 99.8 %, for drawing [cases, shares]
    """

    chart: Chart
    target: float | None
    dispersion: Dispersion
    curves: tuple[tuple[int, float, float, float, float], ...]


def exact_limits(target: float, n: int, tail: float) -> tuple[float, float]:
    """Lowest and highest share that is not out of the ordinary, exact binomial, [1]_.

    Parameters
    ----------
    target : 0 to 1 [-]
    n : 1 or more [cases]
    tail : chance allowed on each side, above 0 and below 0.5 [-]
    """
    low, high = binomial_span(n, target, tail)
    return low / n, high / n


def normal_limits(target: float, n: int, z: float, phi: float = 1.0) -> tuple[float, float]:
    """Return target +/- z sqrt(phi x target (1 - target) / n), not below 0 nor above 1, [1]_.

    Parameters
    ----------
    target : 0 to 1 [-]
    n : 1 or more [cases]
    z : 1.96 for 95 %, 3.09 for 99.8 % [standard deviations]
    phi : how many times more units vary than by chance, 1 or more [-]
    """
    reach = z * math.sqrt(phi * target * (1 - target) / n)
    return max(0.0, target - reach), min(1.0, target + reach)


def funnel(
    events: Sequence[int | None],
    cases: Sequence[int | None],
    labels: Sequence[str],
    *,
    title: str,
    target: float | None = None,
    limits: Limits = "exact",
    draws: int = DRAWS,
    seed: int = 1,
) -> Funnel:
    """Compare units of different size with one target, [1]_.

    A unit is a signal outside the 99.8 % limits. Where the units vary more than by chance, it has
    to be outside the limits widened for that as well.

    Parameters
    ----------
    events : cases with an event, ``None`` where unknown [cases]
    cases : cases that could be judged; 0 or ``None`` leaves the unit unknown [cases]
    labels : names of the units
    title : for the reader
    target : share to hold against, 0 to 1; ``None`` for that of all units together [-]
    limits : exact binomial, or normal for comparing with other work
    draws : draws of the test for over-dispersion, 99 or more [draws]
    seed : of these draws; the same seed gives the same result

    Returns
    -------
    Shares, 0 to 1; units without cases stand last.

    Raises
    ------
    ValueError : counts that cannot be, lengths that differ, a target outside 0 to 1.
    """
    hits, sizes = counts(events, "events"), counts(cases, "cases")
    check_lengths(labels, events=hits, cases=sizes)
    if target is not None and not 0.0 <= target <= 1.0:
        raise ValueError(f"target: {target} is not from 0 to 1")
    if draws < 99:
        raise ValueError(f"draws: {draws} is below 99")
    rows: list[tuple[str, int, int]] = []
    nothing: list[Point] = []
    for label, h, n in zip(labels, hits, sizes, strict=True):
        if n == 0 and h:
            raise ValueError(f"{label}: {h} events without cases")
        if h is None or not n:
            why = "nothing could be judged" if n == 0 else "unknown"
            nothing.append(Point(label, None, size=None if n is None else float(n), note=why))
        elif h > n:
            raise ValueError(f"{label}: {h} events in {n} cases")
        else:
            rows.append((label, h, n))
    rows.sort(key=lambda row: (row[2], row[0]))
    total = sum(n for _, _, n in rows)
    pooled = sum(h for _, h, _ in rows) / total if total else None
    held = pooled if target is None else target
    spread = dispersion([h for _, h, _ in rows], [n for _, _, n in rows], draws=draws, seed=seed)
    few = _few(len(rows))
    points = [
        _point(label, h, n, held, spread, limits, silent=bool(few))
        for label, h, n in rows
        if held is not None
    ]
    curves: tuple[tuple[int, float, float, float, float], ...] = ()
    if held is not None and rows:
        curves = _curves(held, [n for _, _, n in rows], spread, limits)
    chart = Chart(
        "funnel",
        title,
        "share",
        (*points, *sorted(nothing, key=lambda p: p.label)),
        _method(target, limits, spread),
        (LOOK, *_notes(len(rows), spread)),
        few,
    )
    return Funnel(chart, held, spread, curves)


def dispersion(
    events: Sequence[int], cases: Sequence[int], *, draws: int = DRAWS, seed: int = 1
) -> Dispersion:
    """Test whether units vary more than chance around their common share, [2]_.

    The z scores are winsorised, so that one unit unlike all others is not taken for a spread
    between all; with fewer than ten units that has no effect.

    Parameters
    ----------
    events : cases with an event, 0 to the cases [cases]
    cases : 1 or more for each [cases]
    draws : 99 or more [draws]
    seed : the same seed gives the same result
    """
    n = np.asarray(cases, dtype=np.int64)
    x = np.asarray(events, dtype=np.int64)
    total, hits = int(n.sum()), int(x.sum())
    if len(n) < 2 or hits in {0, total}:
        return Dispersion(None, None, over=False)
    share = hits / total
    observed = float(_phi(x[None, :], n, share)[0])
    drawn = np.random.default_rng(seed).multivariate_hypergeometric(n, hits, size=draws)
    beyond = int(np.sum(_phi(drawn, n, share) >= observed * (1 - 1e-12)))
    chance = (beyond + 1) / (draws + 1)
    return Dispersion(observed, chance, over=chance < _ALPHA)


def _phi(x: Any, n: Any, share: float) -> Any:
    z = np.sort((x - n * share) / np.sqrt(n * share * (1 - share)), axis=1)
    cut = int(_WINSOR * z.shape[1])
    if cut:
        z[:, :cut] = z[:, cut : cut + 1]
        z[:, -cut:] = z[:, -cut - 1 : -cut]
    return np.mean(z * z, axis=1)


def _limits(
    target: float, n: int, spread: Dispersion, limits: Limits, tail: float, z: float
) -> tuple[float, float]:
    low, high = exact_limits(target, n, tail) if limits == "exact" else normal_limits(target, n, z)
    if spread.over and spread.phi is not None:
        wide_low, wide_high = normal_limits(target, n, z, max(1.0, spread.phi))
        low, high = min(low, wide_low), max(high, wide_high)
    return low, high


def _point(
    label: str,
    hits: int,
    n: int,
    target: float,
    spread: Dispersion,
    limits: Limits,
    *,
    silent: bool,
) -> Point:
    lower, upper = _limits(target, n, spread, limits, OUTER_TAIL, OUTER_Z)
    near_lower, near_upper = _limits(target, n, spread, limits, INNER_TAIL, INNER_Z)
    value = hits / n
    found: tuple[Signal, ...] = ()
    if not silent and value > upper:
        found = (Signal("outside", "high", "above the 99.8 % limit for its size"),)
    elif not silent and value < lower:
        found = (Signal("outside", "low", "below the 99.8 % limit for its size"),)
    return Point(label, value, target, lower, upper, near_lower, near_upper, float(n), found)


def _curves(
    target: float, sizes: Sequence[int], spread: Dispersion, limits: Limits
) -> tuple[tuple[int, float, float, float, float], ...]:
    last = math.ceil(1.08 * max(sizes))
    first = max(1, min(*sizes, 5) if len(sizes) > 1 else min(sizes[0], 5))
    places = sorted({int(n) for n in np.linspace(first, last, 160)} | set(sizes))
    return tuple(
        (
            n,
            *_limits(target, n, spread, limits, INNER_TAIL, INNER_Z),
            *_limits(target, n, spread, limits, OUTER_TAIL, OUTER_Z),
        )
        for n in places
    )


def _few(units: int) -> str:
    if units >= FEWEST_UNITS:
        return ""
    return (
        f"{units} side by side, {FEWEST_UNITS} are asked for: too few to tell a spread between "
        "them from chance. No signal is raised."
    )


def _method(target: float | None, limits: Limits, spread: Dispersion) -> str:
    held = "share of all units together" if target is None else f"given target {target:g}"
    kind = "exact binomial" if limits == "exact" else "normal (z 1.96 and 3.09)"
    wide = ", widened for over-dispersion" if spread.over else ""
    return f"{held}; {kind} limits 95 % and 99.8 %{wide}"


def _notes(units: int, spread: Dispersion) -> list[str]:
    notes = [
        "In order of size. The order says nothing about who is better.",
        f"Of {units} units alike about {0.05 * units:.1f} would lie outside the 95 % limits by "
        "chance; that is not a signal.",
    ]
    held = int(_WINSOR * units)
    outermost = f"; the outermost {held} on each side held in for this test" if held else ""
    if spread.phi is None:
        notes.append("Over-dispersion could not be tested.")
    elif spread.over:
        notes.append(
            f"The units vary {spread.phi:.1f} times as much as chance (chance of that "
            f"{spread.chance:.3f}{outermost}): they differ in ways that "
            "size does not explain, such as whom they carry. The limits are widened."
        )
    else:
        notes.append(
            f"Tested first: the units vary {spread.phi:.1f} times as much as chance, which chance "
            f"alone allows ({spread.chance:.2f}){outermost}."
        )
    return notes
