"""Ten thousand members for six hours in five legs: warmhold's integrator against everything else.

    python benchmarks/trip_six_hours.py [--members N] [--rounds N]

One table, all of it measured in one run and by turns, the fewest seconds of several rounds. Whoever
is compared with is given the loosest tolerance (or longest step) of a list at which no temperature
of eight members, at any output, is further from SciPy's DOP853 at a relative 1e-11 than warmhold's:
nobody is paid for accuracy that is not given, and nobody for less.

The libraries for ensembles are optional; what is missing is said and passed over:

    pip install -e '.[test,bench]'
    pip install numbalsoda

The last is built from source: it needs CMake and compilers for C++ and Fortran.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import _floor as floor
import _memory
import numpy as np
from _loop import numpy_loop
from _memory import peak_mib
from _others import OTHERS, Other, Solve, version
from _six_hours import KEPT, LEGS, apart, by_scipy, chosen, ensemble, load, processor
from numpy.typing import NDArray

from warmhold.simulate import layout as at
from warmhold.simulate.stepping import CONTROLLED, TOLERANCE, Run, advance, processors

try:
    import scipy
except ModuleNotFoundError:  # SciPy is only needed to test and to compare
    sys.exit("This benchmark compares with SciPy: pip install -e '.[test]'")

Floats = NDArray[np.float64]
Job = Any

FEW = 8  # members that errors and SciPy's time are taken from
LOOP = 1000  # members of a NumPy loop: few enough for the cache, enough to hide the interpreter
RTOLS = tuple(k * 10.0**-n for n in range(3, 9) for k in (1.0, 0.5, 0.2))
PARTS = (6, 8, 12, 16, 24, 32, 48, 64, 96, 128)  # steps of the loop in each two minutes
ALL = np.arange(at.N_STATE)
MEMORY_MIB = 300.0


def ours(job: Job, keep: NDArray[np.int64] = KEPT, **how: Any) -> Run:
    start, p, durations, conditions, outputs = job
    controlled = np.full(len(LEGS), CONTROLLED)
    return advance(start, p, durations, conditions, outputs, controlled, keep, **how)


# --- who takes part -------------------------------------------------------------------------------


@dataclass
class Runner:
    """Something to be clocked.

    name : in words
    members : it is clocked on
    call : does it
    cores : processors it uses
    worst_k : worst temperature error [K]
    seconds : fewest so far for one member [s]
    rounds : most rounds it takes part in
    """

    name: str
    members: int
    call: Callable[[], Any]
    cores: int
    worst_k: float
    seconds: float = np.inf
    rounds: int = 99

    def clock(self) -> None:
        began = time.perf_counter()
        self.call()
        self.seconds = min(self.seconds, (time.perf_counter() - began) / self.members)


def loosest(
    name: str, solve: Callable[[Any], Floats], settings: tuple[Any, ...], exact: Floats,
    most_k: float,
) -> tuple[Any, float] | None:  # fmt: skip
    """First setting whose error is no more than allowed, and that error."""
    for setting in settings:
        try:
            error = apart(solve(setting), exact)
        except (RuntimeError, ValueError, ArithmeticError) as fault:
            print(f"  {name} at {setting:g}: {fault}")
            continue
        if error <= most_k:
            return setting, error
    return None


def other_runner(other: Other, job: Job, exact: Floats, most_k: float) -> Runner | None:
    """A library for ensembles at the same accuracy, None with a word why not."""
    found = version(other.package)
    if not found:
        print(f"  {other.name}: {other.package} is not installed")
        return None
    try:
        solve: Solve = other.make()
    except Exception as fault:
        print(f"  {other.name}: {other.package} {found} does not start: {str(fault)[:80]}")
        return None
    # the eight of the errors lead, so that what is compiled for a number of members serves twice
    rest = np.linspace(0, len(job[0]) - 1, other.sample - FEW).astype(int)
    sample = chosen(job, np.concatenate([few_of(job), rest]))
    whole = other.one_shape
    tries = sample if whole else chosen(sample, np.arange(FEW))
    best = loosest(
        other.name, lambda rtol: solve(tries, rtol)[:FEW], other.rtols, exact, most_k
    )  # fmt: skip
    if best is None:
        print(f"  {other.name}: {other.package} {found} never as accurate")
        return None
    rtol, error = best
    print(f"  {other.name}: {other.package} {found} at a relative {rtol:g}")
    return Runner(
        f"{other.name}, rtol {rtol:g}", other.sample, lambda: solve(sample, rtol), other.cores,
        error, rounds=3,
    )  # fmt: skip


def few_of(job: Job) -> NDArray[np.int64]:
    return np.linspace(0, len(job[0]) - 1, FEW).astype(np.int64)


# --- memory ---------------------------------------------------------------------------------------


def summaries(members: int) -> None:
    """In a process of its own: the job, kept as bands of what is looked at, and its memory."""
    job = ensemble(members)
    ready = ours(chosen(job, np.arange(16)))
    before, began = peak_mib(), time.perf_counter()
    run = ours(job)
    ran = time.perf_counter()
    bands = np.array([np.quantile(run.trace[:, n], (0.05, 0.5, 0.95), axis=0)
                      for n in range(run.trace.shape[1])])  # fmt: skip
    assert bands.shape == (ready.trace.shape[1], 3, KEPT.size)
    assert np.isfinite(bands).all()
    ended = time.perf_counter()
    print(before, peak_mib(), ran - began, ended - ran)


def memory(members: int) -> None:
    """Print the memory of the job in a fresh process."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).resolve()), "--summaries", "--members", str(members)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    started = float(
        subprocess.run(
            [sys.executable, str(Path(_memory.__file__).resolve())],
            capture_output=True, text=True, check=True,
        ).stdout
    )  # fmt: skip
    ready, peak, ran, summed = (float(x) for x in done.stdout.split())
    above = peak - started
    print(
        f"\nMemory of the job kept as 5, 50 and 95 % bands of {KEPT.size} values at every output, "
        f"peak of a process of its own:\n  {above:.0f} MiB above the started interpreter "
        f"({started:.0f} MiB); target at most {MEMORY_MIB:.0f}: {met(above <= MEMORY_MIB)}\n"
        f"  of which {ready - started:.0f} MiB are there before it begins (libraries, compiled "
        f"code, inputs) and {peak - ready:.0f} MiB are the job's.\n"
        f"  The run took {ran:.2f} s, the bands {summed:.2f} s."
    )


# --- the table ------------------------------------------------------------------------------------


def met(held: bool) -> str:
    return "met" if held else "NOT met"


def row(name: str, runner: Runner | None, ratio: str, target: str) -> None:
    if runner is None:
        print(f"| {name} | | | {ratio} | {target} |")
        return
    worst = f"{runner.worst_k:.4f}" if np.isfinite(runner.worst_k) else ""
    print(f"| {name} | {1e3 * runner.seconds:.4g} | {worst} | {ratio} | {target} |")


def against(runner: Runner, alone: Runner, all_: Runner, target: float | None) -> None:
    """Print a row: by core, and the machine of ours against what the other uses."""
    by_core = runner.seconds * runner.cores / alone.seconds
    whole = runner.seconds / all_.seconds
    wanted = f"{target:,.0f} x: {met(whole >= target)}" if target else ""
    cores = "" if runner.cores > 1 else " (on one core)"
    row(f"{runner.name}{cores}", runner, f"{by_core:,.3g} x / {whole:,.4g} x", wanted)


def floors(
    order: tuple[Any, ...], counts: Any, threads: tuple[int, ...], times: dict[int, float],
    bare: dict[int, Runner], steps: float,
) -> None:  # fmt: skip
    """Print the count of a step, what each kind costs, and the floor."""
    costs = floor.alone(sorted(counts, key=lambda op: -counts[op]))
    total = sum(counts.values())
    print(f"\nOperations of one step of one member: {total:,} (from the graph of the step)")
    print("| operation | a step | ns each, alone | ns a step |")
    print("| --- | ---: | ---: | ---: |")
    for op, cost in costs.items():
        free = op in floor.FREE
        each, all_ = ("", "") if free else (f"{cost:.3f}", f"{cost * counts[op]:.1f}")
        print(f"| {op} | {counts[op]:,} | {each} | {all_} |")
    after = sum(cost * counts[op] for op, cost in costs.items() if op not in floor.FREE)
    print(f"| one after another | {total:,} | | {after:.1f} |")
    print(f"\n{steps:.1f} steps a member were tried. All in one mix, {len(order):,} instructions:")
    for count in threads:
        mine, least = bare[count].seconds * count / steps * 1e9, times[count] * 1e9
        ratio = mine / least
        print(
            f"  {count} core{'s' if count > 1 else ''} at once: floor {least:.1f} ns, a step "
            f"{mine:.1f} ns: {ratio:.2f} times the floor; target at most 3: {met(ratio <= 3.0)}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="warmhold's integrator against others")
    parser.add_argument("--members", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=12)
    parser.add_argument("--summaries", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.summaries:
        summaries(given.members)
        return
    members, cores = given.members, processors()
    job = ensemble(members)
    few, some = chosen(job, few_of(job)), chosen(job, np.arange(min(LOOP, members)))
    print(
        f"{members:,} members, 6 h, {len(LEGS)} legs, {at.N_STATE} states, {KEPT.size} of them "
        f"kept at {1 + int(job[4].sum())} outputs.\n{processor()}, {cores} of {os.cpu_count()} "
        f"processors, load at the start {load()}; Python {platform.python_version()}, NumPy "
        f"{np.__version__}, SciPy {scipy.__version__}."
    )
    exact = by_scipy(few, "DOP853", 1e-11)
    run = ours(few, ALL)
    error = apart(run.trace, exact)
    steps = float(ours(job, ALL[:0]).steps.mean())
    print(f"Tolerance {TOLERANCE:g} K a step; worst temperature error {error:.4f} K.\n\nAsked for:")

    threads = (1,) if cores == 1 else (1, cores)
    kept = {n: Runner(f"warmhold, {n} threads", members, lambda n=n: ours(job, threads=n), n, error)  # type: ignore[misc]
            for n in threads}  # fmt: skip
    bare = {n: Runner("", members, lambda n=n: ours(job, ALL[:0], threads=n), n, error)  # type: ignore[misc]
            for n in threads}  # fmt: skip
    runners: list[Runner] = []
    found = loosest("SciPy LSODA", lambda r: by_scipy(few, "LSODA", r), RTOLS, exact, error)
    assert found is not None, "SciPy's LSODA is never as accurate: no comparison"
    scipys = Runner(
        f"SciPy solve_ivp LSODA, compiled equations, rtol {found[0]:g}", FEW,
        lambda: by_scipy(few, "LSODA", found[0]), 1, found[1],
    )  # fmt: skip
    one = chosen(few, np.arange(1))
    texts = Runner(
        "the same, equations as Python text", 1,
        lambda: by_scipy(one, "LSODA", found[0], compiled=False), 1, found[1], rounds=2,
    )  # fmt: skip
    plain = Runner(
        "warmhold's own NumPy executor", len(some[0]), lambda: ours(some, executor="plain"), 1,
        error, rounds=2,
    )  # fmt: skip
    parts = loosest("NumPy loop", lambda n: numpy_loop(few, n), PARTS, exact, error)
    loops = None
    if parts is not None:
        loops = Runner(
            f"NumPy loop, Runge-Kutta 4, steps of about {120 / parts[0]:.3g} s", len(some[0]),
            lambda: numpy_loop(some, parts[0]), 1, parts[1], rounds=2,
        )  # fmt: skip
    sys.stdout.flush()
    general = [r for o in OTHERS if (r := other_runner(o, job, exact, error)) is not None]
    runners = [scipys, texts, plain, *([loops] if loops else []), *general]

    counts = floor.step_counts()
    order = tuple(floor.sequence(counts))
    least = dict.fromkeys(threads, np.inf)
    for n in range(given.rounds):
        for count in threads:
            kept[count].clock()
            bare[count].clock()
            least[count] = min(least[count], floor.seconds(order, count, 30_000))
        for runner in runners:
            if n < min(runner.rounds, 5):
                runner.clock()

    alone, all_ = kept[1], kept[threads[-1]]
    print(
        f"\nFewest of up to {given.rounds} rounds by turns; load at the end {load()}. 'By core' "
        "counts each side's cores; 'machine' is\nours on all processors against the other as it "
        "runs: SciPy and NumPy on one, libraries for ensembles on all.\n"
    )
    print("| | ms a member | worst K | by core / machine | target (machine) |")
    print("| --- | ---: | ---: | ---: | --- |")
    row(f"**warmhold, {threads[-1]} processors**", all_, "1", f"{all_.seconds * members:.2f} s")
    row("**warmhold, 1 processor**", alone, "", f"{alone.seconds * members:.2f} s")
    against(scipys, alone, all_, 5000.0)
    against(texts, alone, all_, 5000.0)
    if loops is not None:
        against(loops, alone, all_, 5.0)
    else:
        row("NumPy loop", None, "never as accurate", "")
    against(plain, alone, all_, 5.0)
    best = min(general, key=lambda r: r.seconds, default=None)
    for runner in general:
        against(runner, alone, all_, 3.0 if runner is best else None)
    if best is None:
        row("best library for ensembles", None, "none installed", "3 x: not measured")
    floors(order, counts, threads, least, bare, steps)
    ceiling = scipys.seconds / (least[threads[-1]] / threads[-1] * steps)
    print(
        f"  A program at the floor itself, on all processors, would be {ceiling:,.0f} times\n"
        "  as fast as SciPy's LSODA with compiled equations."
    )
    memory(members)


if __name__ == "__main__":
    main()
