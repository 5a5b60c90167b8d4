"""How time grows with members, hours and trips over three decades each, and with workers.

    python benchmarks/growth.py [--full]

Members and hours: the six-hour job (its five legs again and again for more hours) on one thread, in
seconds of the processor, so that other work on the machine does not count. Trips: a change tried
out (``what if``) on the trips of an invented service, by the machinery of ``warmhold review``, in
this process. Printed are the seconds of one unit and the exponent of a fit through the logarithms:
1 is a cost that grows in proportion. Below the whole there is a fixed cost, so exponents a little
under 1 are to be expected.

Workers: the same trips on a Dask scheduler of its own with 1, 2 and 4 workers, by the clock. More
workers than processors cannot help. 1,000 trips at most, 10,000 and so three decades with --full.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import logging
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from _six_hours import LEG_MIN, Job, chosen, ensemble, load, processor

from warmhold.review.counterfactual import TRIPS_IN_A_PIECE, WhatIfJob, change_of
from warmhold.review.invented import Service
from warmhold.review.work import Here, OnDask, run
from warmhold.simulate.stepping import CONTROLLED, advance, processors

SEED = 1
WHAT_IF_MEMBERS = 100
WORKERS = (1, 2, 4)
TRIPS = (10, 100, 1_000)
MEMBERS = (100, 1_000, 10_000, 100_000)
REPEATS = (1, 10, 100, 1_000)  # of six hours
MEMBERS_FOR_HOURS = 24
HOURS = float(LEG_MIN.sum()) / 60.0
BAND = (0.9, 1.1)  # exponents taken as "in proportion"


@dataclass(frozen=True)
class Row:
    """Seconds for an amount."""

    amount: float
    seconds: float


def stepped(job: Job) -> None:
    start, p, durations, conditions, outputs = job
    steps = np.full(len(outputs), CONTROLLED)
    advance(start, p, durations, conditions, outputs, steps, np.zeros(0, np.int64), threads=1)


def fewest(call: Callable[[], object], times: int = 3) -> float:
    """Fewest seconds of the processor."""
    found = []
    for _ in range(times):
        began = time.process_time()
        call()
        found.append(time.process_time() - began)
    return min(found)


def longer(job: Job, repeats: int) -> Job:
    """The same legs again and again."""
    start, p, durations, conditions, outputs = job
    return (
        start, p, np.tile(durations, (1, repeats)), np.tile(conditions, (1, repeats, 1)),
        np.tile(outputs, repeats),
    )  # fmt: skip


def exponent(rows: Sequence[Row]) -> float:
    """Slope of seconds by amount, both by their logarithms."""
    x, y = (np.log([getattr(row, name) for row in rows]) for name in ("amount", "seconds"))
    return float(np.polyfit(x, y, 1)[0])


def table(what: str, unit: str, rows: Sequence[Row]) -> None:
    print(f"\n| {what} | s | {unit} |")
    print("| ---: | ---: | ---: |")
    for row in rows:
        print(f"| {row.amount:,.6g} | {row.seconds:.4g} | {1e6 * row.seconds / row.amount:,.4g} |")
    found = exponent(rows)
    decades = np.log10(rows[-1].amount / rows[0].amount)
    held = BAND[0] <= found <= BAND[1]
    print(
        f"Exponent {found:.3f} over {decades:.1f} decades: in proportion {'yes' if held else 'no'}"
    )
    sys.stdout.flush()


def trips_job(count: int) -> WhatIfJob:
    return WhatIfJob(
        change_of("wrap-below-weeks 32"), WHAT_IF_MEMBERS, SEED, Service(SEED, count)
    )  # fmt: skip


def by_workers(count: int) -> None:
    """The trips on Dask with 1, 2 and 4 workers."""
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        print("\nNo Dask here: pip install -e '.[cluster]'")
        return
    job, took = trips_job(count), {workers: [np.inf] for workers in WORKERS}
    with contextlib.ExitStack() as stack:
        where = {}
        for workers in WORKERS:
            cluster = stack.enter_context(
                distributed.LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    dashboard_address=":0",
                    silence_logs=logging.ERROR,
                )
            )
            where[workers] = OnDask(cluster.scheduler_address)
            # every worker reads the compiled code once before the clock runs
            warm = trips_job(4 * workers * TRIPS_IN_A_PIECE)
            run(warm, where=where[workers], size=TRIPS_IN_A_PIECE)
        print(f"\n{count:,} trips on Dask, by the clock, by turns; {processors()} processors, load "
              f"{load()}")  # fmt: skip
        for _ in range(4):
            for workers in WORKERS:
                began = time.perf_counter()
                run(job, where=where[workers], size=TRIPS_IN_A_PIECE)
                took[workers].append(time.perf_counter() - began)
    print("| workers | s | ms a trip | times one worker |")
    print("| ---: | ---: | ---: | ---: |")
    for workers in WORKERS:
        best = min(took[workers])
        print(
            f"| {workers} | {best:.2f} | {1e3 * best / count:.1f} "
            f"| {min(took[WORKERS[0]]) / best:.2f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="how time grows")
    parser.add_argument("--full", action="store_true")
    given = parser.parse_args()
    print(f"{processor()}, {processors()} of {os.cpu_count()} processors, load {load()}.")
    largest = ensemble(MEMBERS[-1])
    stepped(chosen(largest, np.arange(16)))  # compiled
    jobs = [chosen(largest, np.arange(members)) for members in MEMBERS]
    table("members, 6 h each", "us a member",
          [Row(len(job[0]), fewest(lambda job=job: stepped(job))) for job in jobs])  # type: ignore[misc]  # fmt: skip
    del largest, jobs
    few = ensemble(MEMBERS_FOR_HOURS)
    longest = [longer(few, repeats) for repeats in REPEATS]
    table(f"hours, {MEMBERS_FOR_HOURS} members", "us an hour",
          [Row(HOURS * repeats, fewest(lambda job=job: stepped(job)))  # type: ignore[misc]
           for repeats, job in zip(REPEATS, longest, strict=True)])  # fmt: skip
    counts = (*TRIPS, 10_000) if given.full else TRIPS
    run(trips_job(2), where=Here(), size=TRIPS_IN_A_PIECE)
    rows = []
    for count in counts:
        job = trips_job(count)
        seconds = fewest(
            lambda job=job: run(job, where=Here(), size=TRIPS_IN_A_PIECE),  # type: ignore[misc]
            3 if count <= 100 else 1,
        )
        rows.append(Row(count, seconds))
    table(f"trips, {WHAT_IF_MEMBERS} members, with and without", "us a trip", rows)
    by_workers(400 if given.full else 200)


if __name__ == "__main__":
    main()
