"""The fit itself: most likely scores, what is left unsure, and the profile of each constant.

Gauss-Newton steps on the scores, with derivatives by differences, shortened where a full step
does not help. The prior is one unit per score, so that what no log tells stays where the profile
had it, with its width; when the numbers that are told show that the profile was too sure of
itself, all its widths are taken larger (``errors.found_width``). All trial runs that a step needs
go through the model together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.drive import Block, Model
from warmhold.bench.fit.errors import (
    Piece,
    Scale,
    expected_scales,
    found_scales,
    found_width,
    kept,
    prior_of,
    whitener,
)

Floats = NDArray[np.float64]

ROUNDS: Final = 25
SETTLE_ROUNDS: Final = 5  # rounds in which noise is read off anew
NUDGE: Final = 0.03  # of a score, for derivatives
SHORTER: Final = (1.0, 0.5, 0.2, 0.05)
ENOUGH: Final = 0.02  # fall of minus twice the log density at which a fit has settled
HALF_90: Final = 1.6448536269514722
DEVIANCE_90: Final = HALF_90**2
FURTHEST: Final = 6.0  # scores are kept within this


@dataclass(frozen=True)
class Estimate:
    """Where the fit has settled.

    scores : (count,) most likely scores
    covariance : (count, count) of the scores, by the curvature there
    blocks : per log, the blocks that were compared, without readings left out
    predicted : per log and block, what the model reads there
    slopes : per log and block, (readings, scores that the log depends on)
    prior : (count,) one over the variance of each score before the logs
    wider : how many times the profile's spreads were taken
    left_out : readings that were too far off
    settled : whether the last round changed next to nothing
    """

    model: Model
    scores: Floats
    covariance: Floats
    scales: Mapping[str, Scale]
    blocks: tuple[tuple[Block, ...], ...]
    predicted: tuple[tuple[Floats, ...], ...]
    slopes: tuple[tuple[Floats, ...], ...]
    cost: float
    prior: Floats
    wider: float
    rounds: int
    settled: bool
    left_out: int

    def deviation(self, place: int) -> float:
        """Standard deviation of one score; 1 when the logs tell nothing of it."""
        return float(np.sqrt(self.covariance[place, place]))


def estimate(model: Model, progress: Callable[[str, float], None] | None = None) -> Estimate:
    """Fit a model to its logs.

    Parameters
    ----------
    model : unit and logs
    progress : told the stage and the share done

    Returns
    -------
    An ``Estimate``; ``settled`` says whether it may be trusted.
    """
    z = model.begin()
    channels = sorted({block.channel for track in model.tracks for block in track.blocks})
    scales = expected_scales(channels)
    settled, rounds, left_out = False, 0, 0
    constants, wider = len(model.constants), 1.0
    prior = prior_of(z.size, constants, wider)
    for rounds in range(1, ROUNDS + 1):
        if progress is not None:
            progress("fitting", rounds / ROUNDS)
        pieces = _pieces(model, z, central=False)
        if rounds == 4:  # once the fit is near, what cannot be is put aside
            model, pieces, left_out = _without_far(model, pieces, scales)
        if rounds <= SETTLE_ROUNDS:
            flat = [p for row in pieces for p in row]
            scales = found_scales(flat, scales, z, prior)
            if rounds > 2:
                wider = found_width(flat, scales, z, constants)
                prior = prior_of(z.size, constants, wider)
        a, g, now = _normal(pieces, scales, z, prior)
        step = np.linalg.solve(a, g)
        tries = np.clip(z + np.outer(SHORTER, step), -FURTHEST, FURTHEST)
        costs = costs_of(model, tries, scales, prior)
        best = int(np.argmin(costs))
        fall = now - float(costs[best])
        if fall > 0.0:
            z = tries[best]
        if fall < ENOUGH and rounds > SETTLE_ROUNDS:
            settled = fall > -1.0
            break
    pieces = _pieces(model, z, central=True)
    a, _, cost = _normal(pieces, scales, z, prior)
    return Estimate(
        model,
        z,
        np.asarray(np.linalg.inv(a), dtype=np.float64),
        scales,
        tuple(tuple(p.block for p in row) for row in pieces),
        tuple(tuple(p.block.values - p.left for p in row) for row in pieces),
        tuple(tuple(p.slope for p in row) for row in pieces),
        cost,
        prior,
        wider,
        rounds,
        settled,
        left_out,
    )


def _pieces(model: Model, z: Floats, *, central: bool) -> list[list[Piece]]:
    out = []
    for number, track in enumerate(model.tracks):
        active = model.active(number)
        nudges = np.zeros((active.size, z.size))
        nudges[np.arange(active.size), active] = NUDGE
        rows = [z[None], z - nudges]
        if central:
            rows.append(z + nudges)
        found = model.predict(number, np.concatenate(rows))
        row = []
        for block, values in zip(track.blocks, found, strict=True):
            n = active.size
            other = values[1 + n :] if central else values[:1]
            slope = (other - values[1 : 1 + n]).T / (NUDGE * (2.0 if central else 1.0))
            row.append(Piece(block, block.values - values[0], active, slope))
        out.append(row)
    return out


def _without_far(
    model: Model, pieces: list[list[Piece]], scales: Mapping[str, Scale]
) -> tuple[Model, list[list[Piece]], int]:
    good = [[kept(p, scales[p.block.channel]) for p in row] for row in pieces]
    tracks = tuple(
        replace(track, blocks=tuple(p.block for p in row))
        for track, row in zip(model.tracks, good, strict=True)
    )
    before = sum(p.left.size for row in pieces for p in row)
    after = sum(p.left.size for row in good for p in row)
    return replace(model, tracks=tracks), good, before - after


def _normal(
    pieces: Sequence[Sequence[Piece]], scales: Mapping[str, Scale], z: Floats, prior: Floats
) -> tuple[Floats, Floats, float]:
    """Curvature, pull, and minus twice the log density (up to a constant)."""
    a, g, cost = np.diag(prior), -prior * z, float(prior @ z**2)
    for row in pieces:
        for piece in row:
            white, _ = whitener(piece.block, scales[piece.block.channel])
            j, e = white @ piece.slope, white @ piece.left
            a[np.ix_(piece.active, piece.active)] += j.T @ j
            g[piece.active] += j.T @ e
            cost += float(e @ e)
    return a, g, cost


def costs_of(model: Model, scores: Floats, scales: Mapping[str, Scale], prior: Floats) -> Floats:
    """Minus twice the log density at rows of scores, (rows,)."""
    cost = scores**2 @ prior
    for number, track in enumerate(model.tracks):
        for block, values in zip(track.blocks, model.predict(number, scores), strict=True):
            white, _ = whitener(block, scales[block.channel])
            e = (block.values[None] - values) @ white.T
            cost = cost + np.einsum("ij,ij->i", e, e)
    return np.asarray(cost)


# --- profiles --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Profile:
    """How much worse everything fits when one score is held somewhere, all others free.

    scores : (points,) ascending, the most likely one in the middle
    deviance : (points,) minus twice the log density over its least
    low, high : ends of the 90 % interval of the score
    """

    scores: Floats
    deviance: Floats
    low: float
    high: float


RESTLESS: Final = 0.1  # change of the rise in the last correction
POINTS: Final = (-2.4, -1.7, -1.0, 1.0, 1.7, 2.4)
FEW_POINTS: Final = (-1.9, -1.3, 1.3, 1.9)


def profiles(
    found: Estimate, places: Sequence[int], points: Sequence[float] = POINTS, rounds: int = 3
) -> tuple[Profile, ...]:
    """Profile some scores.

    Parameters
    ----------
    found : a settled fit
    places : which scores
    points : where, in standard deviations of the score from the most likely one
    rounds : corrections of the other scores at each point, with the slopes of the fit

    Returns
    -------
    A ``Profile`` for each place.
    """
    model, cov, best = found.model, found.covariance, found.scores
    away = np.asarray(points)
    starts, held = [], []
    for place in places:
        deviation = np.sqrt(cov[place, place])
        line = cov[:, place] / cov[place, place]
        starts.append(best + np.outer(away * deviation, line))
        held += [place] * away.size
    z = np.concatenate(starts)
    fixed = np.asarray(held)
    # with one score held, the others' covariance is what remains after conditioning on it
    moves = {}
    for place in places:
        column = cov[:, place]
        moves[place] = cov - np.outer(column, column) / cov[place, place]
    whites = [
        [whitener(block, found.scales[block.channel])[0] for block in row] for row in found.blocks
    ]
    least = np.full(z.shape[0], np.inf)
    gained = np.zeros(z.shape[0])
    for turn in range(rounds + 1):
        cost = z**2 @ found.prior
        pull = -found.prior * z
        for number, row in enumerate(found.blocks):
            predicted = model.predict(number, z)
            active = model.active(number)
            for block, values, slope, white in zip(
                row, predicted, found.slopes[number], whites[number], strict=True
            ):
                e = (block.values[None] - values) @ white.T
                cost = cost + np.einsum("ij,ij->i", e, e)
                pull[:, active] += e @ (white @ slope)
        gained = np.where(np.isfinite(least), least - cost, 0.0)
        least = np.minimum(least, cost)
        if turn < rounds:
            for place in places:
                rows = fixed == place
                z[rows] += pull[rows] @ moves[place]
            z = np.clip(z, -FURTHEST, FURTHEST)
    # where the others have not come to rest, the straight-line rise stands if it is the lower one
    restless = np.abs(gained) > RESTLESS
    least = np.where(restless, np.minimum(least, found.cost + np.tile(away**2, len(places))), least)
    out = []
    for i, place in enumerate(places):
        part = slice(i * away.size, (i + 1) * away.size)
        at = best[place] + away * np.sqrt(cov[place, place])
        out.append(_profile(at, least[part] - found.cost, float(best[place])))
    return tuple(out)


def _profile(at: Floats, deviance: Floats, best: float) -> Profile:
    scores = np.append(at, best)
    rise = np.append(np.maximum(deviance, 0.0), 0.0)
    order = np.argsort(scores)
    scores, rise = scores[order], rise[order]
    middle = int(np.searchsorted(scores, best))
    low = _crossing(scores[middle::-1], rise[middle::-1])
    high = _crossing(scores[middle:], rise[middle:])
    return Profile(scores, rise, low, high)


def _crossing(scores: Floats, deviance: Floats) -> float:
    """Score at which the rise reaches 90 %, going outwards; its root runs nearly straight."""
    root = np.maximum.accumulate(np.sqrt(deviance))
    over = np.flatnonzero(root >= HALF_90)
    i = int(over[0]) if over.size else scores.size - 1
    rise = max(float(root[i] - root[i - 1]), 1e-9)
    share = (HALF_90 - float(root[i - 1])) / rise
    share = min(share, 4.0)
    return float(scores[i - 1] + share * (scores[i] - scores[i - 1]))
