"""Jobs for the tests of `warmhold.review.work`, in a module that workers can import."""

from __future__ import annotations

import contextlib
import os
import signal
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from warmhold.review.work import Summary, Task


@dataclass(frozen=True)
class Sums:
    """A table of numbers from a seed, with a logarithm in it; and what goes wrong on the way.

    notes : folder in which each start of a piece leaves a file, and each accident its mark
    kills : first numbers of the pieces that kill their worker the first time
    always : a piece that kills its worker each time
    fails : a piece that raises
    """

    notes: str
    count: int = 120
    seed: int = 7
    kills: tuple[int, ...] = ()
    always: int | None = None
    fails: int | None = None

    @property
    def identity(self) -> str:
        return f"sums {self.count} {self.seed}"

    def part(self, first: int, end: int) -> Task:
        return partial(_sums, self, first, end)


def _sums(job: Sums, first: int, end: int) -> Summary:
    notes = Path(job.notes)
    (notes / f"start-{first}-{os.getpid()}-{os.urandom(4).hex()}").touch()
    if first == job.fails:
        raise ValueError("a piece that cannot be done")
    if first == job.always:
        os.kill(os.getpid(), signal.SIGKILL)
    if first in job.kills:
        with contextlib.suppress(FileExistsError):
            (notes / f"killed-{first}").touch(exist_ok=False)
            os.kill(os.getpid(), signal.SIGKILL)
    found = [
        np.log1p(np.random.Generator(np.random.Philox(key=[job.seed, number])).random(50)).sum()
        for number in range(first, end)
    ]
    return {"sum": np.array(found), "number": np.arange(first, end), "word": np.array(["é", "b"])}
