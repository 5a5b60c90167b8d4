"""Draws of uncertain inputs: one named stream each.

Every input is stratified (a Latin hypercube: each of the ``members`` equal slices of its
distribution is drawn once) with a permutation of its own that depends on the seed and the input's
name alone. Adding, removing or changing one input leaves all others as they were, so that two
plans of one seed differ by what was changed and not by chance.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Quantity
from warmhold.science.normal import normal_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Input:
    """One uncertain input as it was drawn.

    key : where it comes from, such as ``unit.battery.energy_wh``
    title : in words
    value, spread : mean and standard deviation
    unit : of value and spread
    provenance : stated, measured, manual, published, assumed, or a table's mark
    scores : (members,) standard normal scores behind the draws
    """

    key: str
    title: str
    value: float
    spread: float
    unit: str
    provenance: str
    scores: Floats


@lru_cache(maxsize=512)
def _scores(members: int, seed: int, stream: int) -> Floats:
    """Work out one stream; a plan asks for the same ones again for every trial and mend."""
    generator = np.random.default_rng([seed, stream])
    shares = (generator.permutation(members) + generator.random(members)) / members
    scores = normal_quantile(np.clip(shares, 1e-12, 1.0 - 1e-12))
    scores.setflags(write=False)
    return scores


@dataclass
class Draws:
    """Draws for a number of members from a seed, remembering every input."""

    members: int
    seed: int
    inputs: dict[str, Input] = field(default_factory=dict)

    def scores(self, key: str) -> Floats:
        """Stratified standard normal scores of one stream, shape (members,)."""
        return _scores(self.members, self.seed, zlib.crc32(key.encode()))

    def _note(
        self, key: str, title: str, value: float, spread: float, unit: str, provenance: str
    ) -> Floats:
        scores = self.scores(key)
        if spread > 0.0:
            self.inputs[key] = Input(key, title, value, spread, unit, provenance, scores)
        return scores

    def normal(
        self, key: str, title: str, value: float, spread: float, unit: str, provenance: str
    ) -> Floats:
        """Draw a quantity that may have any sign, shape (members,)."""
        return value + spread * self._note(key, title, value, spread, unit, provenance)

    def positive(
        self, key: str, title: str, value: float, spread: float, unit: str, provenance: str
    ) -> Floats:
        """Draw a quantity that is never negative: log-normal with this mean and spread."""
        scores = self._note(key, title, value, spread, unit, provenance)
        if value <= 0.0 or spread <= 0.0:
            return np.full(self.members, max(value, 0.0))
        width = math.sqrt(math.log1p((spread / value) ** 2))
        middle = math.log(value) - 0.5 * width * width
        return np.asarray(np.exp(middle + width * scores))

    def share(
        self, key: str, title: str, value: float, spread: float, unit: str, provenance: str
    ) -> Floats:
        """Draw a share, kept between 0 and 1."""
        return np.clip(self.normal(key, title, value, spread, unit, provenance), 0.0, 1.0)

    def chance(self, key: str, title: str, probability: float) -> Floats:
        """Draw whether something happens: 1 or 0, shape (members,)."""
        scores = self._note(
            key, title, probability, math.sqrt(probability * (1 - probability)), "", "stated"
        )
        return np.asarray(scores < _quantile(probability), dtype=np.float64)


def drawn(
    how: Callable[[str, str, float, float, str, str], Floats],
    key: str,
    title: str,
    quantity: Quantity,
    unit: str,
) -> Floats:
    """Draw a quantity of a file by one of the methods above, such as ``draws.positive``."""
    return how(key, title, quantity.value, quantity.spread, unit, quantity.provenance)


def _quantile(probability: float) -> float:
    if probability <= 0.0:
        return -math.inf
    if probability >= 1.0:
        return math.inf
    return NormalDist().inv_cdf(probability)
