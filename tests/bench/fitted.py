"""Fits that several tests look at; each is made once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bench import hidden
from warmhold.bench.fit import Fitted, Observed, characterise
from warmhold.bench.log import Log
from warmhold.model import Unit


@dataclass(frozen=True)
class Known:
    """A hidden unit with its logs and what the fit made of them."""

    unit: Unit
    values: NDArray[np.float64]
    truth: dict[str, float]
    offsets: dict[str, float]
    logs: tuple[Log, ...]
    fitted: Fitted


def known(name: str = "alder-single", seed: int = 101) -> Known:
    return _known(name, seed)


@cache  # keyed alike however it is called
def _known(name: str, seed: int) -> Known:
    unit = hidden.shipped_unit(name)
    rng = np.random.default_rng(seed)
    instruments = hidden.Instruments()
    values, truth = hidden.hidden_values(unit, rng)
    offsets = hidden.shared_offsets(rng, instruments)
    logs = tuple(
        hidden.simulated(
            unit, values, test, rng, instruments, offsets, start=hidden.series(hidden.START, day)
        )
        for day, test in enumerate(hidden.USUAL)
    )
    return Known(
        unit, values, truth, offsets, logs, characterise([Observed(log) for log in logs], unit)
    )
