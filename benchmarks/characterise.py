"""How often the fit's 90 % intervals hold the hidden truth, number by number.

    python benchmarks/characterise.py [sets] [how much wider than the profile] [first seed]

Every set is a unit with hidden numbers drawn around the shipped profile (times the given width),
put through three bench tests by SciPy's LSODA with draughts, offsets of every instrument, noise,
displays rounded to 0.1 degC and gaps (tests/bench/hidden.py). The fit sees the logs and the
profile alone. With a width of 1 every interval should hold nine times in ten. With a wider truth
the profile's own spread is wrong, so what the logs do not tell must be held less often; what they
do tell should not.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "bench"))

import hidden  # type: ignore[import-not-found]

from warmhold.bench.fit.characterise import TOLD
from warmhold.bench.fit.drive import Observed, model_of
from warmhold.bench.fit.estimate import FEW_POINTS, estimate, profiles


def one_set(
    name: str, seed: int, wider: float
) -> tuple[dict[str, tuple[bool, float, float]], bool]:
    """Key -> (held, width over the profile's, score of the truth over the fit's); settled."""
    unit = hidden.shipped_unit(name)
    rng = np.random.default_rng(seed)
    instruments = hidden.Instruments()
    values, truth = hidden.hidden_values(unit, rng, wider)
    offsets = hidden.shared_offsets(rng, instruments)
    logs = [hidden.simulated(unit, values, t, rng, instruments, offsets) for t in hidden.USUAL]
    model = model_of(unit, [Observed(log) for log in logs])
    found = estimate(model)
    out = {}
    shapes = profiles(found, range(len(model.constants)), FEW_POINTS)
    for place, (one, shape) in enumerate(zip(model.constants, shapes, strict=True)):
        low, high = float(one.at_score(shape.low)), float(one.at_score(shape.high))
        at = hidden.score_of(one, truth[one.key])
        z = (at - found.scores[place]) / found.deviation(place)
        out[one.key] = (low <= truth[one.key] <= high, found.deviation(place), float(z))
    return out, found.settled


def main(sets: int = 200, wider: float = 1.0, first_seed: int = 9000) -> None:
    for name in ("alder-single", "rowan-double"):
        began = time.perf_counter()
        found, unsettled = [], 0
        for seed in range(first_seed, first_seed + sets):
            row, settled = one_set(name, seed, wider)
            found.append(row)
            unsettled += not settled
        took = time.perf_counter() - began
        print(f"\n{name}: {sets} sets, truth {wider:g} x the profile's spread, seeds from "
              f"{first_seed}; {took / sets:.1f} s a set; {unsettled} did not settle")  # fmt: skip
        print("| number | 90 % held | mean score | its spread | width over the profile's |")
        print("| --- | ---: | ---: | ---: | ---: |")
        all_held, told_held = [], []
        for key in found[0]:
            held = [row[key][0] for row in found]
            width = float(np.median([row[key][1] for row in found]))
            z = np.array([row[key][2] for row in found])
            print(f"| {key} | {100 * np.mean(held):.0f} % | {z.mean():+.2f} | {z.std():.2f} "
                  f"| {width:.2f} |")  # fmt: skip
            all_held += held
            told_held += [row[key][0] for row in found if row[key][1] <= TOLD]
        print(f"| all | {100 * np.mean(all_held):.1f} % | | | |")
        print(f"| told (width at most {TOLD:g}) | {100 * np.mean(told_held):.1f} % | | | |",
              flush=True)  # fmt: skip


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        int(arguments[0]) if arguments else 200,
        float(arguments[1]) if len(arguments) > 1 else 1.0,
        int(arguments[2]) if len(arguments) > 2 else 9000,
    )
