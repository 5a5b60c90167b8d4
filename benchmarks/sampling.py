"""How many members a figure is worth: five ways to draw the uncertain inputs of a trip.

    python benchmarks/sampling.py [--seeds N] [--full]

The shipped winter trip, planned with many seeds: how far the 5 % and 50 % quantiles of its margins
and the probabilities that they hold scatter from seed to seed (standard deviation), and how many
members drawn at random would scatter as little: the members times the ratio of the variances.

- random: independent draws;
- stratified: what warmhold does (``simulate/draws.py``), each input in equal slices, each slice
  once, in an order of its own (a Latin hypercube);
- Sobol: a scrambled Sobol sequence (SciPy), inputs by the order in which a trip asks for them, so
  that a trip that gains an input draws the later ones anew;
- Sobol by name: the same with the dimension chosen by the input's name out of 1,024, so that inputs
  may come and go;
- lattice: a rank-1 lattice whose steps come from the inputs' names, as they do for stratified.

The air setting is fixed, for its search would add the same noise to all. 512 members and less;
4,096 with --full.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case, load_case, shipped_path
from warmhold.plan.margins import measured
from warmhold.simulate import draws
from warmhold.simulate.scenario import prepare, run

try:
    from scipy import special
    from scipy.stats import qmc
except ModuleNotFoundError:
    raise SystemExit("This benchmark draws with SciPy: pip install -e '.[test]'") from None

Floats = NDArray[np.float64]
Way = Callable[[int, int, int], Floats]
AIR_SET_C = 36.0
FIRST_SEED = 40_000
MOST_INPUTS = 256
BY_NAME = 1024  # dimensions that names are spread over
UNCERTAIN = (0.02, 0.98)  # a probability beyond is as good as settled, and its scatter says little


def _scores_of(shares: Floats) -> Floats:
    return np.asarray(special.ndtri(np.clip(shares, 1e-12, 1.0 - 1e-12)))


def at_random(members: int, seed: int, stream: int) -> Floats:
    return np.asarray(np.random.default_rng([seed, stream]).standard_normal(members))


@lru_cache(maxsize=4)
def _sobol(members: int, seed: int, dimensions: int) -> Floats:
    engine = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed))
    return np.asarray(engine.random(members))


class Sobol:
    """A scrambled Sobol sequence; an input takes the next dimension when it is first asked for."""

    def __init__(self) -> None:
        self._place: dict[int, int] = {}

    def __call__(self, members: int, seed: int, stream: int) -> Floats:
        place = self._place.setdefault(stream, len(self._place))
        return _scores_of(_sobol(members, seed, MOST_INPUTS)[:, place])


class SobolByName(Sobol):
    """The same; the dimension follows from the input's name, or is the next one that is free."""

    def __call__(self, members: int, seed: int, stream: int) -> Floats:
        if stream not in self._place:
            place = stream % BY_NAME
            while place in self._place.values():
                place = (place + 1) % BY_NAME
            self._place[stream] = place
        return _scores_of(_sobol(members, seed, BY_NAME)[:, self._place[stream]])


def lattice(members: int, seed: int, stream: int) -> Floats:
    """Multiples of a step that has no divisor in common with the members, shifted at random."""
    generator = np.random.default_rng([seed, stream])
    step = int(generator.integers(1, members))
    while math.gcd(step, members) != 1:
        step = int(generator.integers(1, members))
    shares = (np.arange(members) * step % members + generator.random()) / members
    return _scores_of(shares)


WAYS: tuple[tuple[str, Callable[[], Way]], ...] = (
    ("random", lambda: at_random),
    ("stratified (in use)", lambda: IN_USE),
    ("Sobol", Sobol),
    ("Sobol by name", SobolByName),
    ("lattice by name", lambda: lattice),
)
IN_USE: Way = draws._scores


def figures(case: Case, members: int, seed: int) -> dict[str, float]:
    """Quantiles and probabilities of one plan's margins, but for the warm-up."""
    outcome = run(prepare(case, members, seed, air_set_c=AIR_SET_C, coarse=True))
    found: dict[str, float] = {}
    for key, item in measured(outcome, np.zeros(members)).items():
        if key == "warm" or not np.isfinite(item.spare).all():
            continue
        found[f"{key} 5 %"], found[f"{key} 50 %"] = np.quantile(item.spare, (0.05, 0.5))
        found[f"{key} probability"] = float(np.mean(item.spare >= 0.0))
    return found


def scatter(case: Case, way: Way, members: int, seeds: int) -> dict[str, tuple[float, float]]:
    """Mean and standard deviation of every figure over the seeds."""
    vars(draws)["_scores"] = way
    try:
        rows = [figures(case, members, seed) for seed in range(FIRST_SEED, FIRST_SEED + seeds)]
    finally:
        vars(draws)["_scores"] = IN_USE
    return {
        key: (float(np.mean(v)), float(np.std(v, ddof=1)))
        for key in rows[0]
        if (v := [row[key] for row in rows])
    }


def worth(random: float, other: float) -> float:
    """How many members at random scatter as little as one of the other's."""
    return (random / other) ** 2 if other > 0.0 else math.inf


def uncertain(key: str, mean: float) -> bool:
    return not key.endswith("probability") or UNCERTAIN[0] < mean < UNCERTAIN[1]


def main() -> None:
    parser = argparse.ArgumentParser(description="ways to draw, and what members are worth")
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--full", action="store_true")
    given = parser.parse_args()
    sizes = (64, 256, 1024, 4096) if given.full else (64, 512)
    case = load_case(shipped_path("trips", "winter-road"))
    began = time.perf_counter()
    print(
        f"winter-road, air at {AIR_SET_C:g} degC, {given.seeds} seeds from {FIRST_SEED}. A standard"
        f" deviation over\n{given.seeds} seeds is itself known to "
        f"{100 / math.sqrt(2 * (given.seeds - 1)):.0f} %, a worth in members to about twice that "
        "on each side."
    )
    typical: list[tuple[int, str, str, float]] = []
    for members in sizes:
        found: dict[str, dict[str, tuple[float, float]]] = {
            name: scatter(case, make(), members, given.seeds) for name, make in WAYS
        }
        first = found[WAYS[0][0]]
        keys = [key for key, (mean, s) in first.items() if s > 0.0 and uncertain(key, mean)]
        print(f"\n{members:,} members: scatter from seed to seed, and members at random for one")
        print("| figure | mean | " + " | ".join(name for name, _ in WAYS) + " |")
        print("| --- | ---: |" + " ---: |" * len(WAYS))
        for key in keys:
            cells = [
                f"{found[name][key][1]:.3g} ({worth(first[key][1], found[name][key][1]):.1f})"
                for name, _ in WAYS
            ]
            print(f"| {key} | {first[key][0]:.4g} | " + " | ".join(cells) + " |")
        for kind in ("5 %", "50 %", "probability"):
            of_kind = [key for key in keys if key.endswith(f" {kind}")]
            for name, _ in WAYS[1:]:
                ratios: Any = [worth(first[key][1], found[name][key][1]) for key in of_kind]
                typical.append((members, kind, name, float(np.exp(np.mean(np.log(ratios))))))
    print("\nWorth in members at random, geometric mean over the margins:")
    print("| members | figure | " + " | ".join(name for name, _ in WAYS[1:]) + " |")
    print("| ---: | --- |" + " ---: |" * (len(WAYS) - 1))
    for members in sizes:
        for kind in ("5 %", "50 %", "probability"):
            cells = [f"{w:.2f}" for m, k, _, w in typical if (m, k) == (members, kind)]
            print(f"| {members:,} | {kind} | " + " | ".join(cells) + " |")
    print(f"\n{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
