"""How often the fit's 90 % intervals hold the hidden truth, number by number.

    python benchmarks/characterise.py [sets] [wider] [first seed] [unit]     # 20 1 9000, both

Every set is a unit with hidden numbers drawn around the shipped profile (its spreads times
``wider``), put through three bench tests by SciPy's LSODA with draughts, offsets of every
instrument, noise, displays rounded to 0.1 degC and gaps (tests/bench/hidden.py). The fit sees the
logs and the profile alone. With a width of 1 every interval should hold nine times in ten. With a
wider truth the profile's own spread is wrong, so what the logs do not tell must be held less
often; what they do tell should not.

Every fourth set also writes a new version of the profile and foretells a fourth log, kept back,
in another room with other settings, from the old profile and from the new one.
"""

from __future__ import annotations

import sys
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from bench import hidden  # type: ignore[import-not-found]
from warmhold.bench.fit.characterise import TOLD, characterise
from warmhold.bench.fit.drive import Observed
from warmhold.bench.fit.foretell import foretell
from warmhold.bench.profile import new_version
from warmhold.model import Unit, shipped_path

EVERY = 4


@dataclass(frozen=True)
class One:
    """One set. ``numbers``: key -> held, width over the profile's, score of the truth.

    ``ahead``: channel -> share held and mean width, by the old and by the new profile.
    """

    numbers: dict[str, tuple[bool, float, float]]
    settled: bool
    ahead: dict[str, tuple[float, float, float, float]]


def one_set(name: str, seed: int, wider: float) -> One:
    unit = hidden.shipped_unit(name)
    rng = np.random.default_rng(seed)
    instruments = hidden.Instruments()
    values, truth = hidden.hidden_values(unit, rng, wider)
    offsets = hidden.shared_offsets(rng, instruments)
    logs = [hidden.simulated(unit, values, t, rng, instruments, offsets) for t in hidden.USUAL]
    fitted = characterise([Observed(log) for log in logs], unit)
    numbers = {
        one.key: (
            one.after.low <= truth[one.key] <= one.after.high,
            one.width,
            (hidden.score_of(one.constant, truth[one.key]) - one.score) / one.width,
        )
        for one in fitted.numbers
    }
    ahead: dict[str, tuple[float, float, float, float]] = {}
    if seed % EVERY == 0 and fitted.settled:
        text = shipped_path("units", name).read_text("utf-8")
        new = Unit.model_validate(tomllib.loads(new_version(fitted, text, name, "today").text))
        kept_back = Observed(
            hidden.simulated(unit, values, hidden.HELD_OUT, rng, instruments, offsets)
        )
        for old, now in zip(
            foretell(unit, kept_back, 200), foretell(new, kept_back, 200), strict=True
        ):
            ahead[old.title] = (old.held, old.width, now.held, now.width)
    return One(numbers, fitted.settled, ahead)


def run(name: str, sets: int, wider: float, first_seed: int) -> None:
    began = time.perf_counter()
    found = [one_set(name, seed, wider) for seed in range(first_seed, first_seed + sets)]
    took = (time.perf_counter() - began) / sets
    unsettled = sum(not one.settled for one in found)
    print(
        f"\n{name}: {sets} sets, truth {wider:g} x the profile's spread, seeds from {first_seed}; "
        f"{took:.1f} s a set; {unsettled} did not settle"
    )
    print("| number | 90 % held | mean score | its spread | width over the profile's |")
    print("| --- | ---: | ---: | ---: | ---: |")
    everything: list[bool] = []
    told: list[bool] = []
    for key in found[0].numbers:
        held, width, z = (np.array([one.numbers[key][i] for one in found]) for i in range(3))
        print(
            f"| {key} | {100 * held.mean():.0f} % | {z.mean():+.2f} | {z.std():.2f} "
            f"| {np.median(width):.2f} |"
        )
        everything += held.tolist()
        told += held[width <= TOLD].tolist()
    print(f"| all | {100 * np.mean(everything):.1f} % | | | |")
    print(f"| told (width at most {TOLD:g}) | {100 * np.mean(told):.1f} % | | | |")
    ahead = [one.ahead for one in found if one.ahead]
    if ahead:
        print(f"\nA log kept back, {len(ahead)} sets")
        print("| channel | inside, old | width, old | inside, new | width, new |")
        print("| --- | ---: | ---: | ---: | ---: |")
        for title in ahead[0]:
            a = np.array([one[title] for one in ahead if title in one]).mean(axis=0)
            print(
                f"| {title} | {100 * a[0]:.0f} % | {a[1]:.2f} | {100 * a[2]:.0f} % | {a[3]:.2f} |"
            )
    sys.stdout.flush()


def main(arguments: list[str]) -> None:
    sets = int(arguments[0]) if arguments else 20
    wider = float(arguments[1]) if len(arguments) > 1 else 1.0
    first_seed = int(arguments[2]) if len(arguments) > 2 else 9000
    names = arguments[3:] or ["alder-single", "rowan-double"]
    for name in names:
        run(name, sets, wider, first_seed)


if __name__ == "__main__":
    main(sys.argv[1:])
