"""What a profile says a log should read, with bands: before a test, or against a log kept back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.drive import SENSES, Observed, model_of
from warmhold.bench.fit.errors import LASTING_MIN
from warmhold.model import Unit
from warmhold.science.normal import normal_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Foretold:
    """One channel of a log as a profile foretold it.

    p05, p50, p95 : (readings,) the band holds a reading nine times in ten
    held : share of the readings inside
    width : mean width of the band
    """

    channel: str
    title: str
    unit: str
    minutes: Floats
    read: Floats
    p05: Floats
    p50: Floats
    p95: Floats
    held: float
    width: float


def foretell(
    unit: Unit, observed: Observed, members: int = 400, seed: int = 20260101
) -> tuple[Foretold, ...]:
    """Run a profile's spread through a log's conditions.

    Parameters
    ----------
    unit : profile; every number is drawn by itself from its value and spread, as the planner does
    observed : the log; its setting, source, openings and ambient drive the runs, its readings do
        not, but for the first air temperature
    members : runs, 50 or more
    seed : of the draws

    Returns
    -------
    A ``Foretold`` for each channel that was read, errors of reading included.
    """
    model = model_of(unit, [observed])
    rng = np.random.default_rng(seed)
    scores = np.empty((members, model.count))
    for place in range(model.count):  # each score takes every slice of its distribution once
        scores[:, place] = _stratified(members, rng)
    # battery rate and cold effect stand as the planner takes them
    for place, one in enumerate(model.constants):
        if not one.in_file:
            scores[:, place] = 0.5 * one.width
    out = []
    track = model.tracks[0]
    for block, values in zip(track.blocks, model.predict(0, scores), strict=True):
        if block.channel == "gave_out":
            continue
        sense = SENSES[block.channel]
        errors = sense.noise * rng.standard_normal(values.shape)
        errors += sense.lasting * _wandering(block.minutes, members, rng)
        errors += block.step * (rng.random(values.shape) - 0.5)
        low, middle, high = np.quantile(values + errors, (0.05, 0.5, 0.95), axis=0)
        inside = (block.values >= low) & (block.values <= high)
        out.append(
            Foretold(
                block.channel, sense.title, sense.unit, block.minutes, block.values, low, middle,
                high, float(inside.mean()), float((high - low).mean()),
            )
        )  # fmt: skip
    return tuple(out)


def held_of(found: Sequence[Foretold]) -> float:
    """Share of all readings inside their bands."""
    sizes = np.array([one.read.size for one in found])
    return float(np.average([one.held for one in found], weights=sizes))


def _stratified(members: int, rng: np.random.Generator) -> Floats:
    shares = (rng.permutation(members) + rng.random(members)) / members
    return normal_quantile(np.clip(shares, 1e-9, 1.0 - 1e-9))


def _wandering(minutes: Floats, members: int, rng: np.random.Generator) -> Floats:
    out = np.empty((members, minutes.size))
    out[:, 0] = rng.standard_normal(members)
    for i in range(1, minutes.size):
        kept = float(np.exp(-(minutes[i] - minutes[i - 1]) / LASTING_MIN))
        out[:, i] = kept * out[:, i - 1] + np.sqrt(1 - kept * kept) * rng.standard_normal(members)
    return out
