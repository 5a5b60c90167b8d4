"""Accuracy against cost: why the steps are what they are, and why the tolerance is 0.003 K.

    python benchmarks/step_methods.py [--members N] [--write]

Members of the four shipped trips, as a plan draws them, and of the six-hour job are run with many
tolerances and many equal steps, and by other methods; each is compared with SciPy's DOP853 at a
relative 1e-11, at every output. Cost is counted, so that it does not depend on who wrote the code:
one evaluation of the equations is the unit, and a step of warmhold's method is worth as many
evaluations as it has operations (derivatives, elimination and error included). Nanoseconds are of
the processor, one thread, on the six-hour job.

With --write the curve goes to docs/performance-curve.svg.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from _loop import numpy_loop
from _six_hours import Floats, Job, by_scipy, chosen, ensemble, load, processor

from warmhold.model import load_case, shipped_path
from warmhold.simulate import layout as at
from warmhold.simulate.lanes import counted
from warmhold.simulate.scenario import TRIAL_TOLERANCE, prepare
from warmhold.simulate.stepping import CONTROLLED, TOLERANCE, advance

PAGE = Path(__file__).resolve().parents[1] / "docs" / "performance-curve.svg"
SETTINGS = {"winter-road": 36.0, "island-flight": 37.0, "cooled-hot-day": 20.0, "term-by-day": 31.0}
SEED = 20260101
DRAWN = 24  # a plan of so many members, of which some are taken
TEMPERATURES = [
    at.AIR, at.WALL, at.OUTER, at.PATCH, at.DECK, at.HEATER, at.SKIN, at.CORE, at.PACK,
]  # fmt: skip
TOLERANCES = (0.1, 0.03, 0.02, 0.01, 0.006, 0.003, 0.002, 0.001, 3e-4, 1e-4, 1e-5)
STEPS_S = (120.0, 60.0, 30.0, 20.0, 10.0, 5.0, 2.5)
PARTS = (8, 16)
RTOLS = {"RK45": (1e-4, 1e-5, 1e-6, 1e-7), "DOP853": (1e-5, 1e-6, 1e-7, 1e-8),
         "LSODA": (1e-4, 1e-5, 1e-6, 1e-7)}  # fmt: skip
MOST_K, MOST_SHARE = 0.01, 0.001


@dataclass(frozen=True)
class Worst:
    """Largest errors: of a temperature [K], of energy and of gas [%]; cost [evaluations]."""

    kelvin: float
    energy: float
    gas: float
    cost: float

    @property
    def held(self) -> bool:
        return self.kelvin <= MOST_K and max(self.energy, self.gas) <= 100 * MOST_SHARE


def jobs(members: int) -> list[Job]:
    """A few members of every trip."""
    taken = np.linspace(1, DRAWN - 7, members).astype(np.int64)  # 17 is the worst of a plan
    found = []
    for name, air_set_c in SETTINGS.items():
        e = prepare(
            load_case(shipped_path("trips", name)), DRAWN, SEED, air_set_c=air_set_c
        )  # fmt: skip
        found.append(chosen((e.start, e.p, e.durations_s, e.conditions, e.outputs), taken))
    whole = ensemble(1000)
    return [*found, chosen(whole, np.linspace(0, 999, members).astype(np.int64))]


def errors(job: Job, trace: Floats, exact: Floats) -> tuple[float, float, float]:
    """Worst temperature [K], energy [%] and gas [%]; infinite where there are no numbers."""
    if not np.isfinite(trace).all():
        return np.inf, np.inf, np.inf
    off = np.abs(trace - exact)
    used = np.maximum(exact[:, -1, at.BUS_ENERGY], 1e-9)
    energy = max(
        float((off[..., at.CHARGE].max(axis=1) / job[1][:, at.USABLE_WH]).max()),
        float((off[..., at.BUS_ENERGY].max(axis=1) / used).max()),
    )
    gas = max(
        float((off[:, 1:, i] / np.maximum(exact[:, 1:, i], 1e-6)).max())
        for i in (at.OXYGEN, at.CARBON)
    )
    return float(off[..., TEMPERATURES].max()), 100.0 * energy, 100.0 * gas


def worst(all_: list[tuple[float, float, float]], cost: float) -> Worst:
    kelvin, energy, gas = (max(one[i] for one in all_) for i in range(3))
    return Worst(kelvin, energy, gas, cost)


def ours(job: Job, step_s: float, tolerance: float) -> tuple[Floats, float]:
    start, p, durations, conditions, outputs = job
    run = advance(
        start, p, durations, conditions, outputs, np.full(len(outputs), step_s),
        np.arange(at.N_STATE), tolerance=tolerance,
    )  # fmt: skip
    return run.trace, float(run.steps.mean())


def nanoseconds(job: Job, step_s: float, tolerance: float) -> float:
    """Of one member on one thread, nothing kept but the end; fewest of three."""
    start, p, durations, conditions, outputs = job
    steps, times = np.full(len(outputs), step_s), []
    for _ in range(3):
        began = time.thread_time()  # of the processor: others may be at work
        advance(
            start, p, durations, conditions, outputs, steps, np.zeros(0, np.int64),
            tolerance=tolerance, threads=1,
        )  # fmt: skip
        times.append(time.thread_time() - began)
    return min(times) / len(start) * 1e9


def line(name: str, setting: str, found: Worst, ns: float | None = None) -> None:
    clock = "" if ns is None else f"{ns:,.0f}"
    print(
        f"| {name} | {setting} | {found.cost:,.0f} | {clock} | {found.kelvin:.5f} "
        f"| {found.energy:.5f} | {found.gas:.5f} | {'yes' if found.held else 'no'} |"
    )
    sys.stdout.flush()


def picture(curves: dict[str, list[Worst]], chosen_: Worst, coarse: Worst) -> None:
    """Write the curve."""
    import matplotlib as mpl  # noqa: PLC0415

    mpl.use("svg")
    from matplotlib import pyplot as plt  # noqa: PLC0415

    plt.rcParams.update({"svg.hashsalt": "warmhold", "svg.fonttype": "none", "font.size": 9})
    figure, axes = plt.subplots(figsize=(6.4, 4.2), layout="constrained")
    for (name, found), mark in zip(curves.items(), "osv^Dx+", strict=False):
        shown = [one for one in found if one.kelvin < 3.0]
        wide = 2.0 if name.startswith("warmhold") else 1.0
        axes.loglog(
            [one.cost for one in shown], [one.kelvin for one in shown], marker=mark, ms=4, lw=wide,
            label=name,
        )  # fmt: skip
    axes.axhline(MOST_K, color="0.4", lw=1, ls="--")
    axes.annotate(f"asked for: {MOST_K:g} K", (0.99, MOST_K), xycoords=("axes fraction", "data"),
                  ha="right", va="bottom", color="0.3")  # fmt: skip
    for one, text, colour in (
        (chosen_, f"in use: {TOLERANCE:g} K a step", "k"),
        (coarse, f"to try out: {TRIAL_TOLERANCE:g} K a step", "0.5"),
    ):
        axes.plot([one.cost], [one.kelvin], "o", ms=11, mfc="none", mec=colour, mew=1.5, label=text)
    axes.set_xlabel("cost of a member [evaluations of the equations, or as many operations]")
    axes.set_ylabel("worst temperature error [K]")
    axes.grid(visible=True, which="major", lw=0.4)
    axes.legend(fontsize=8)
    figure.savefig(PAGE, metadata={"Date": None})
    print(f"\nwrote docs/{PAGE.name}")


def main() -> None:
    parser = argparse.ArgumentParser(description="accuracy against cost")
    parser.add_argument("--members", type=int, default=4, help="of each trip")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    count = counted()
    rate, step = (sum(count[key].values()) for key in ("rates", "step"))
    each = step / rate
    all_ = jobs(given.members)
    exact = [by_scipy(job, "DOP853", 1e-11) for job in all_]
    timed = ensemble(2000)
    print(
        f"{processor()}, load {load()}. {given.members} members of each of {len(all_)} trips, "
        f"{len(SETTINGS)} of them shipped.\nA step has {step:,} operations, an evaluation {rate}: "
        f"a step costs {each:.1f} evaluations.\n"
    )
    print("| method | setting | evaluations | ns a member | K | energy % | gas % | holds |")
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: | --- |")
    curves: dict[str, list[Worst]] = {}
    by_tolerance: dict[float, Worst] = {}

    def put(name: str, setting: str, found: Worst, ns: float | None = None) -> None:
        curves.setdefault(name, []).append(found)
        line(name, setting, found, ns)

    for tolerance in TOLERANCES:
        runs = [ours(job, CONTROLLED, tolerance) for job in all_]
        rows = [errors(j, r[0], e) for j, r, e in zip(all_, runs, exact, strict=True)]
        found = worst(rows, each * float(np.mean([r[1] for r in runs])))
        by_tolerance[tolerance] = found
        put("warmhold, controlled", f"{tolerance:g} K", found,
            nanoseconds(timed, CONTROLLED, tolerance))  # fmt: skip
    for step_s in STEPS_S:
        runs = [ours(job, step_s, TOLERANCE) for job in all_]
        rows = [errors(j, r[0], e) for j, r, e in zip(all_, runs, exact, strict=True)]
        cost = each * float(np.mean([r[1] for r in runs]))
        put("warmhold, equal steps", f"{step_s:g} s", worst(rows, cost),
            nanoseconds(timed, step_s, TOLERANCE))  # fmt: skip
    for parts in PARTS:
        rows = [errors(j, numpy_loop(j, parts), e) for j, e in zip(all_, exact, strict=True)]
        cost = 4.0 * parts * float(np.mean([job[4].sum() for job in all_]))
        put("Runge-Kutta 4, equal steps", f"{parts} an output", worst(rows, cost))
    for method, rtols in RTOLS.items():
        for rtol in rtols:
            counts: list[int] = []
            traces: Any = [by_scipy(job, method, rtol, counts=counts) for job in all_]
            rows = [errors(j, t, e) for j, t, e in zip(all_, traces, exact, strict=True)]
            put(f"SciPy {method}", f"rtol {rtol:g}",
                worst(rows, sum(counts) / given.members / len(all_)))  # fmt: skip

    here = by_tolerance[TOLERANCE]
    loosest = max((t for t, found in by_tolerance.items() if found.held), default=None)
    print(
        f"\nAsked for: {MOST_K:g} K, {100 * MOST_SHARE:g} % of energy and gas. In use, "
        f"{TOLERANCE:g} K a step: {here.kelvin:.4f} K, {here.energy:.4f} %, {here.gas:.4f} %: "
        f"{'met' if here.held else 'NOT met'}."
    )
    if loosest is not None:
        more = here.cost / by_tolerance[loosest].cost - 1.0
        print(
            f"The loosest tolerance of the list that holds here is {loosest:g} K; the one in use "
            f"costs {100 * more:.0f} % more and leaves\n{MOST_K / here.kelvin:.1f} times the room, "
            "for trips that are not in the list."
        )
    print("Evaluations of LSODA leave out its linear algebra, which is not counted.")
    if given.write:
        picture(curves, here, by_tolerance.get(TRIAL_TOLERANCE) or here)


if __name__ == "__main__":
    main()
