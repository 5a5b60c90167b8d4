"""How far a reading may be from the model: noise, steps of the display, and what wanders.

A reading differs from the model by an instrument's noise from row to row, by its display's
rounding (uniform, step^2/12), and by what the model leaves out (stirring, a controller that is
not quite ours), which lasts for minutes. The last is taken as a random walk pulled back to
zero with a time constant of ``LASTING_MIN``; left out, it would make every interval too narrow,
because rows a minute apart would count as independent. Offsets of instruments, and draughts that
every reading feels together, are scores of the fit and not part of this.

How large noise and lasting error are is read off the logs themselves, by the restricted
likelihood: what the fitted numbers can explain does not count as error (Patterson and Thompson
1971; form from memory), with a weak preference for the sizes in ``drive.SENSES``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.drive import SENSES, Block

Floats = NDArray[np.float64]

LASTING_MIN: Final = 10.0
SIZES: Final = (0.1, 0.2, 0.4, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0, 8.0)  # of the expected size
PREFERENCE: Final = 1.5  # standard deviation of the logarithm of a size over the expected
WIDTHS: Final = (1.0, 1.15, 1.3, 1.5, 1.75, 2.0, 2.5, 3.0)
WIDTH_PREFERENCE: Final = 0.5  # standard deviation of the logarithm of a width
FAR: Final = 6.0  # readings further off than this many deviations are left out


@dataclass(frozen=True)
class Scale:
    """Noise and lasting error of a channel, in its unit."""

    noise: float
    lasting: float


def expected_scales(channels: Sequence[str]) -> dict[str, Scale]:
    """Scales before anything is read off the logs."""
    return {name: Scale(SENSES[name].noise, SENSES[name].lasting) for name in channels}


def whitener(block: Block, scale: Scale) -> tuple[Floats, float]:
    """Matrix that turns a block's errors into independent unit ones, and log det of their cov."""
    apart = np.abs(block.minutes[:, None] - block.minutes[None, :])
    cov = scale.lasting**2 * np.exp(-apart / LASTING_MIN)
    cov[np.diag_indices_from(cov)] += scale.noise**2 + block.step**2 / 12.0
    root = np.linalg.cholesky(cov)
    return np.linalg.inv(root), 2.0 * float(np.log(np.diag(root)).sum())


@dataclass(frozen=True)
class Piece:
    """One block around the present scores: errors left and derivatives by the scores.

    active : places of the scores that this block depends on at all
    slope : (readings, active)
    """

    block: Block
    left: Floats  # (readings,)
    active: NDArray[np.int64]
    slope: Floats


def kept(piece: Piece, scale: Scale) -> Piece:
    """The piece without readings that are too far off to be believed."""
    deviation = math.sqrt(scale.noise**2 + scale.lasting**2 + piece.block.step**2 / 12.0)
    middle = float(np.median(piece.left))
    good = np.abs(piece.left - middle) <= FAR * max(
        deviation, 1.4826 * float(np.median(np.abs(piece.left - middle)))
    )
    if good.all():
        return piece
    b = piece.block
    block = Block(b.channel, b.rows[good], b.minutes[good], b.values[good], b.step)
    return Piece(block, piece.left[good], piece.active, piece.slope[good])


@dataclass(frozen=True)
class _Turned:
    """A piece in the directions in which its lasting errors are independent, whatever their size.

    Covariance of a block is a multiple of one matrix plus a multiple of the identity, so its own
    directions serve for every noise and lasting error that are tried.
    """

    share: Floats  # of the lasting variance in each direction
    rounding: float
    left: Floats
    active: NDArray[np.int64]
    slope: Floats


def _turned(piece: Piece) -> _Turned:
    share, turn = _directions(piece.block.minutes.tobytes())
    return _Turned(
        share, piece.block.step**2 / 12.0, turn.T @ piece.left, piece.active, turn.T @ piece.slope
    )


@lru_cache(maxsize=256)
def _directions(moments: bytes) -> tuple[Floats, Floats]:
    minutes = np.frombuffer(moments, dtype=np.float64)
    share, turn = np.linalg.eigh(np.exp(-np.abs(minutes[:, None] - minutes[None, :]) / LASTING_MIN))
    return np.maximum(share, 0.0), turn


def found_scales(
    pieces: Sequence[Piece], scales: Mapping[str, Scale], scores: Floats, prior: Floats
) -> dict[str, Scale]:
    """Noise and lasting error of each channel that make the logs most likely.

    pieces : all blocks of all logs, around ``scores``
    scales : where the search starts
    prior : (count,) one over the variance of each score before the logs
    """
    out = dict(scales)
    by_name = {
        name: [_turned(piece) for piece in pieces if piece.block.channel == name] for name in out
    }
    count = scores.size
    parts = {name: _information(by_name[name], out[name], count) for name in out}
    for name in scales:
        if SENSES[name].lasting == 0.0:  # a single event tells nothing of its own error
            continue
        rest_a = np.diag(prior)
        rest_g = -prior * scores
        rest_q = float(prior @ scores**2)
        for other, (a, g, q, _) in parts.items():
            if other != name:
                rest_a += a
                rest_g += g
                rest_q += q

        def cost(
            scale: Scale,
            name: str = name,
            rest: tuple[Floats, Floats, float] = (rest_a, rest_g, rest_q),
        ) -> float:
            a, g, q, logdet = _information(by_name[name], scale, count)
            whole = rest[0] + a
            pull = rest[1] + g
            sign, size = np.linalg.slogdet(whole)
            assert sign > 0
            sense = SENSES[name]
            odd = (
                math.log(scale.noise / sense.noise) ** 2
                + math.log(scale.lasting / sense.lasting) ** 2
            ) / PREFERENCE**2
            least = rest[2] + q - float(pull @ np.linalg.solve(whole, pull))
            return float(logdet + size + least + odd)

        out[name] = _searched(name, out[name], cost)
        parts[name] = _information(by_name[name], out[name], count)
    return out


def found_width(
    pieces: Sequence[Piece], scales: Mapping[str, Scale], scores: Floats, constants: int
) -> float:
    """How many times wider than the profile's spreads the unit's numbers seem to lie, 1 or more.

    A profile out of a manual may be more sure of itself than it should be. If the numbers that the
    logs tell lie further out than their spreads allow, the spreads of those that the logs do not
    tell are not to be trusted either: all of them are widened by the factor that makes the logs
    most likely, with a preference for 1.

    constants : how many of the scores, from the first, are the unit's numbers
    """
    count = scores.size
    a, g, q = np.zeros((count, count)), np.zeros(count), 0.0
    for name in scales:
        turned = [_turned(piece) for piece in pieces if piece.block.channel == name]
        more_a, more_g, more_q, _ = _information(turned, scales[name], count)
        a += more_a
        g += more_g
        q += more_q

    def cost(wider: float) -> float:
        prior = prior_of(count, constants, wider)
        whole, pull = a + np.diag(prior), g - prior * scores
        _, size = np.linalg.slogdet(whole)
        least = q + float(prior @ scores**2) - float(pull @ np.linalg.solve(whole, pull))
        odd = (math.log(wider) / WIDTH_PREFERENCE) ** 2
        return float(size - np.log(prior).sum() + least + odd)

    return min(WIDTHS, key=cost)


def prior_of(count: int, constants: int, wider: float) -> Floats:
    """One over the variance of each score before the logs, (count,)."""
    prior = np.ones(count)
    prior[:constants] = 1.0 / wider**2
    return prior


def _information(
    turned: Sequence[_Turned], scale: Scale, count: int
) -> tuple[Floats, Floats, float, float]:
    a, g, q, logdet = np.zeros((count, count)), np.zeros(count), 0.0, 0.0
    for piece in turned:
        size = scale.lasting**2 * piece.share + scale.noise**2 + piece.rounding
        weighted = piece.slope / size[:, None]
        a[np.ix_(piece.active, piece.active)] += piece.slope.T @ weighted
        g[piece.active] += weighted.T @ piece.left
        q += float(piece.left @ (piece.left / size))
        logdet += float(np.log(size).sum())
    return a, g, q, logdet


def _searched(name: str, start: Scale, evaluate: Callable[[Scale], float]) -> Scale:
    """Walk over the grid of sizes from the start to the nearest lowest point."""
    sense = SENSES[name]

    def nearest(value: float, reference: float) -> int:
        return min(range(len(SIZES)), key=lambda i: abs(math.log(value / reference / SIZES[i])))

    here = (nearest(start.noise, sense.noise), nearest(start.lasting, sense.lasting))
    known: dict[tuple[int, int], float] = {}

    def at(place: tuple[int, int]) -> float:
        if place not in known:
            known[place] = float(
                evaluate(Scale(sense.noise * SIZES[place[0]], sense.lasting * SIZES[place[1]]))
            )
        return known[place]

    for _ in range(20):
        around = [
            (here[0] + i, here[1] + j)
            for i, j in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))
            if 0 <= here[0] + i < len(SIZES) and 0 <= here[1] + j < len(SIZES)
        ]
        best = min(around, key=at)
        if best == here:
            break
        here = best
    return Scale(sense.noise * SIZES[here[0]], sense.lasting * SIZES[here[1]])
