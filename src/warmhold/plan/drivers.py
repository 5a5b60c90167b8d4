"""Which inputs move a margin most: share of its variance that each explains by itself."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from warmhold.plan.sheet import Driver
from warmhold.simulate.draws import Input

Floats = NDArray[np.float64]
LEAST_SHARE = 0.02
UNSURE = ("assumed", "memory", "own", "derived", "practice")
ASSUMED_SHARE = 0.01


def variance_shares(spare: Floats, inputs: Mapping[str, Input]) -> dict[str, float]:
    """First-order share of variance of each input, from the ensemble itself.

    A margin is regressed on the first two Hermite polynomials of each input's normal score, one
    input at a time; the share is the explained variance less what chance would explain (adjusted
    R squared), never below zero. Sound while an input acts alone and smoothly; what is left over
    is interaction, a kink, or chance.

    Parameters
    ----------
    spare : (members,) margin of each member
    inputs : inputs with their normal scores

    Returns
    -------
    Share by input key, 0 to 1; empty when the margin does not vary.
    """
    members = len(spare)
    centred = spare - spare.mean()
    total = float(centred @ centred)
    if members < 8 or not np.isfinite(total) or total < 1e-18 * members:
        return {}
    if not inputs:
        return {}
    first = np.stack([item.scores for item in inputs.values()])
    second = first**2 - 1.0
    first = first - first.mean(axis=1, keepdims=True)
    second -= second.mean(axis=1, keepdims=True)
    size = np.einsum("im,im->i", first, first)
    second -= first * (np.einsum("im,im->i", first, second) / size)[:, None]
    explained = (first @ centred) ** 2 / size
    explained += (second @ centred) ** 2 / np.maximum(np.einsum("im,im->i", second, second), 1e-12)
    fair = 1.0 - (1.0 - explained / total) * (members - 1) / (members - 3)
    return dict(zip(inputs, np.clip(fair, 0.0, 1.0).tolist(), strict=True))


def assumed_behind(values: Floats, inputs: Mapping[str, Input]) -> tuple[str, ...]:
    """Unverified inputs that explain 1 % or more of the variance of some values."""
    if not np.isfinite(values).all():
        return ()
    return unsure_of(variance_shares(values, inputs), inputs)


def unsure_of(shares: Mapping[str, float], inputs: Mapping[str, Input]) -> tuple[str, ...]:
    """Unverified inputs with a share of 1 % or more, largest first."""
    return tuple(
        f"{inputs[key].title} ({inputs[key].provenance})"
        for key, part in sorted(shares.items(), key=lambda item: -item[1])
        if part >= ASSUMED_SHARE and inputs[key].provenance in UNSURE
    )


def drivers(spare: Floats, inputs: Mapping[str, Input], most: int = 5) -> tuple[Driver, ...]:
    """The inputs that move a margin most, largest first."""
    return leading_of(variance_shares(spare, inputs), inputs, most)


def leading_of(
    shares: Mapping[str, float], inputs: Mapping[str, Input], most: int = 5
) -> tuple[Driver, ...]:
    """The inputs with the largest shares, largest first."""
    leading = sorted(shares.items(), key=lambda item: -item[1])[:most]
    return tuple(
        Driver(key, inputs[key].title, value, inputs[key].provenance)
        for key, value in leading
        if value >= LEAST_SHARE
    )
