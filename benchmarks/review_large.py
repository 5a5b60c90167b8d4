"""Review and alarm replay of many transfers: time and memory against the same done in pandas.

    python benchmarks/review_large.py [transfers] [--full] [--workers N]

5,000 invented transfers with a row a minute, or 100,000 with --full (about 22 million rows; pandas
then needs some gigabytes). Each side runs in a process of its own, one after the other, on one
processor, and tells its times and the most memory it held. Both work on the same transfers and
rows; making them is clocked apart, for it is no part of the comparison. Both have to take tables
(columns) from the transfers first; "review" is the counting alone, with tables that are there. The
figures of both sides must be the same, else this stops. Our side also draws charts, funnels and
exact intervals, which pandas does not have; its rows are let go piece by piece, which a table in
memory cannot do.

Last, our replay is run on several processes, and some trips through ``what if``.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from warmhold.review.columns import Columns
from warmhold.review.counterfactual import TRIPS_IN_A_PIECE as WHAT_IF_PIECE
from warmhold.review.counterfactual import WhatIfJob, change_of
from warmhold.review.gathered import review
from warmhold.review.invented import Service
from warmhold.review.large import TRIPS_IN_A_PIECE, Replayed, ReplayJob, summary_of, table
from warmhold.review.metrics import INTERVALS
from warmhold.review.replay import Setting, Trends, replay
from warmhold.review.transfer import Transfer
from warmhold.review.work import Here, Processes, Summary, pieces, run

SEED = 1
ALARM = Setting(low=88.0, high=97.0, delay_on_s=60.0)
TARGET = Setting(low=90.0, high=95.0)
HOLDS_S = 90.0  # 1.5 rows, as the replay takes it


def peak_mb() -> float:
    """Most memory that this process held so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


class Clock:
    """Seconds by name."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def __call__(self, name: str, call: Callable[[], Any]) -> Any:
        began = time.perf_counter()
        made = call()
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - began
        return made


# --- ours ----------------------------------------------------------------------------------------


def ours(count: int) -> dict[str, Any]:
    """Review the transfers; replay their trends piece by piece, in this process."""
    service, clock = Service(SEED, count), Clock()
    few = Service(SEED, 20)
    replay(table(few, "saturation", 0, list(few)), ALARM)  # compiles
    transfers = clock("make transfers", lambda: list(service))
    columns = Columns(transfers)
    made = clock("tables and review", lambda: review(columns, "benchmark"))
    clock("review", lambda: review(columns, "benchmark"))
    after_review = peak_mb()
    alarm: list[Summary] = []
    target: list[Summary] = []
    rows = 0
    for piece in pieces(count, TRIPS_IN_A_PIECE):
        mine = transfers[piece.first : piece.end]
        trends = clock(
            "make rows",
            partial(table, service, "saturation", piece.first, mine),
        )
        rows += len(trends.seconds)

        def look(trends: Trends = trends) -> None:
            alarm.append(summary_of(replay(trends, ALARM)))
            target.append(summary_of(replay(trends, TARGET)))

        clock("replay", look)
    alarms = Replayed.joined(ALARM, alarm)
    inside = Replayed.joined(TARGET, target)
    figures = {m.key: m for group in made.groups for m in group.metrics}
    keys = ("in-range", "cold", "hot", "inherited-cold", "lost", "charting", "events-all")
    found: dict[str, Any] = {
        key: [figures[key].numerator, figures[key].denominator] for key in keys
    }
    found["change"] = figures["change"].value
    found |= {f"median {key}": figures[key].value for key, _, _, _ in INTERVALS}
    found["weeks"] = {
        part.title: [part.metrics[1].numerator, part.metrics[1].denominator] for part in made.strata
    }
    found["replay"] = [
        alarms.count, alarms.seconds, alarms.median_s, alarms.read_s, alarms.violated_s,
        alarms.silent_s, inside.violated_s,
    ]  # fmt: skip
    return {"seconds": clock.seconds, "peak": peak_mb(), "rows": rows, "found": found,
            "after_review": after_review}  # fmt: skip


# --- pandas --------------------------------------------------------------------------------------


def with_pandas(count: int) -> dict[str, Any]:
    """Work the same figures out of tables."""
    service, clock = Service(SEED, count), Clock()
    transfers = clock("make transfers", lambda: list(service))
    table, temperatures = clock("tables and review", lambda: _tables(transfers))
    transfers_kept = transfers

    def columns() -> Any:
        import pandas as pd  # noqa: PLC0415

        seconds, values, trips = [], [], []
        for number in range(count):
            made = service.trend_of(transfers_kept[number], number)
            seconds.append(made["seconds"])
            values.append(made["saturation"])
            trips.append(np.full(len(made["seconds"]), number, dtype=np.int32))
        return pd.DataFrame(
            {"trip": np.concatenate(trips), "s": np.concatenate(seconds),
             "value": np.concatenate(values)}
        )  # fmt: skip

    found = clock("review", lambda: _reviewed(table, temperatures))
    clock.seconds["tables and review"] += clock.seconds["review"]
    after_review = peak_mb()
    rows = clock("make rows", columns)
    transfers.clear()
    found["replay"] = clock("replay", lambda: _replayed(rows))
    return {"seconds": clock.seconds, "peak": peak_mb(), "rows": len(rows), "found": found,
            "after_review": after_review}  # fmt: skip


def _tables(transfers: list[Transfer]) -> tuple[Any, Any]:
    import pandas as pd  # noqa: PLC0415

    rows, temps = [], []
    for number, one in enumerate(transfers):
        row: dict[str, Any] = {
            "cooled": one.cooled, "weeks": one.gestation_weeks, "due": one.sets_due,
            "done": one.sets_done, "events": None if one.events is None else len(one.events),
        }  # fmt: skip
        rows.append(row | {f"at_{name}": at for name, at in one.moments.items()})
        temps += [(number, t.at, t.value_c, t.site) for t in one.temperatures]
    return pd.DataFrame(rows), pd.DataFrame(temps, columns=["trip", "at", "c", "site"])


def _reviewed(table: Any, temps: Any) -> dict[str, Any]:
    import pandas as pd  # noqa: PLC0415

    both = temps.join(table[["at_arrives", "at_handed_over"]], on="trip")
    later = both[both["at_arrives"].isna() | (both["at"] >= both["at_arrives"])]
    earlier = both[both["at_handed_over"].isna() | (both["at"] <= both["at_handed_over"])]
    first = later.groupby("trip")[["at", "c", "site"]].first().add_prefix("first_")
    last = earlier.groupby("trip")[["at", "c", "site"]].last().add_prefix("last_")
    table = table.join(first).join(last)
    plain = table[table["cooled"].eq(False)]
    ended, began = plain.dropna(subset=["last_c"]), plain.dropna(subset=["first_c"])
    warm = began[(began["first_c"] >= 36.5) & began["last_c"].notna()]
    same = plain[(plain["first_site"] == plain["last_site"])
                 & (plain["first_at"] < plain["last_at"])]  # fmt: skip
    sets = table.dropna(subset=["due", "done"])
    events = table["events"].dropna()
    found: dict[str, Any] = {
        "in-range": [int(ended["last_c"].between(36.5, 37.5).sum()), len(ended)],
        "cold": [int((ended["last_c"] < 36.5).sum()), len(ended)],
        "hot": [int((ended["last_c"] > 37.5).sum()), len(ended)],
        "inherited-cold": [int((began["first_c"] < 36.5).sum()), len(began)],
        "lost": [int((warm["last_c"] < 36.5).sum()), len(warm)],
        "charting": [int(sets["done"].sum()), int(sets["due"].sum())],
        "events-all": [int(events.sum()), len(events)],
        "change": float((same["last_c"] - same["first_c"]).median()),
    }
    for key, _, begin, end in INTERVALS:
        took = (table[f"at_{end}"] - table[f"at_{begin}"]).dt.total_seconds() / 60.0
        found[f"median {key}"] = float(took[took >= 0].median())
    names = ["below 28 weeks", "28 to 31 weeks", "32 to 36 weeks", "37 weeks and more"]
    bins = pd.cut(ended["weeks"], [0, 28, 32, 37, 60], right=False, labels=names)
    bins = bins.cat.add_categories("gestation unknown").fillna("gestation unknown")
    cold = (ended["last_c"] < 36.5).groupby(bins, observed=True)
    found["weeks"] = {str(k): [int(v.sum()), len(v)] for k, v in cold}
    month = ended["at_call"].dt.strftime("%Y-%m")  # what charts and funnels are drawn from
    (ended["last_c"] < 36.5).groupby(month).mean()
    return found


def _replayed(rows: Any) -> list[Any]:
    trip, seconds, value = rows["trip"], rows["s"], rows["value"]
    step = seconds.shift(-1) - seconds
    stands = step.clip(upper=HOLDS_S).where(trip.eq(trip.shift(-1)) & value.notna(), 0.0)
    alarms, violated, lengths = 0, 0.0, []
    for beyond in (value < ALARM.low, value > ALARM.high):
        edge = (beyond != beyond.shift()) | (trip != trip.shift())
        run_of = edge.cumsum()[beyond]
        length = stands[beyond].groupby(run_of).sum()
        violated += float(length.sum())
        sounded = length[length > ALARM.delay_on_s] - ALARM.delay_on_s
        alarms += len(sounded)
        lengths.append(sounded.to_numpy())
    every = np.concatenate(lengths)
    outside = float(stands[(value < TARGET.low) | (value > TARGET.high)].sum())
    return [alarms, float(every.sum()), float(np.median(every)), float(stands.sum()), violated,
            violated - float(every.sum()), outside]  # fmt: skip


# --- both ----------------------------------------------------------------------------------------


def side(name: str, count: int) -> dict[str, Any]:
    """Run one side in a process of its own, on one processor."""
    made = subprocess.run(
        [sys.executable, __file__, str(count), "--side", name], capture_output=True, text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        sys.exit(made.stderr)
    told: dict[str, Any] = json.loads(made.stdout)
    return told


def same(one: Any, other: Any) -> bool:
    """Whether figures agree: counts exactly, numbers to rounding."""
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(abs(one - other) <= 1e-9 * max(1.0, abs(one)))


def main() -> None:
    parser = argparse.ArgumentParser(description="Review and replay against pandas.")
    parser.add_argument("transfers", nargs="?", type=int, default=5_000)
    parser.add_argument("--full", action="store_true", help="100,000 transfers")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--side", choices=("ours", "pandas"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    count = 100_000 if asked.full else asked.transfers
    if asked.side is not None:
        print(json.dumps(ours(count) if asked.side == "ours" else with_pandas(count)))
        return
    busy = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    print(
        f"python benchmarks/review_large.py {'--full' if asked.full else count}\n"
        f"{os.cpu_count()} processors, load at the start {busy}; Python "
        f"{platform.python_version()}, NumPy {np.__version__}"
    )
    mine, theirs = side("ours", count), side("pandas", count)
    for key, value in mine["found"].items():
        if not same(value, theirs["found"][key]):
            sys.exit(f"the two do not agree on {key}: {value} and {theirs['found'][key]}")
    if mine["rows"] != theirs["rows"]:
        sys.exit(f"{mine['rows']} and {theirs['rows']} rows")
    print(f"{count:,} transfers, {mine['rows']:,} rows; the same figures on both sides\n")
    print(f"{'one processor':<34}{'ours':>10}{'pandas':>10}{'pandas/ours':>13}")
    for name in ("make transfers", "make rows", "tables and review", "review", "replay"):
        a, b = mine["seconds"][name], theirs["seconds"][name]
        ratio = "" if name.startswith("make") else f"{b / a:>12.2f}x"
        print(f"{name + ' [s]':<34}{a:>10.2f}{b:>10.2f}{ratio}")
    a, b = (
        one["seconds"]["tables and review"] + one["seconds"]["replay"] for one in (mine, theirs)
    )
    print(f"{'tables, review and replay [s]':<34}{a:>10.2f}{b:>10.2f}{b / a:>12.2f}x")
    for key, name in (("after_review", "most memory, review alone [MB]"),
                      ("peak", "most memory, all [MB]")):  # fmt: skip
        print(f"{name:<34}{mine[key]:>10.0f}{theirs[key]:>10.0f}{theirs[key] / mine[key]:>12.2f}x")
    job = ReplayJob(Service(SEED, count), "saturation", ALARM)
    for where, name in (
        (Here(), "this process"),
        (Processes(asked.workers), f"{asked.workers} processes"),
    ):
        began = time.perf_counter()
        found = Replayed.joined(ALARM, run(job, where=where, size=TRIPS_IN_A_PIECE))
        took = time.perf_counter() - began
        if [found.count, found.read_s] != [mine["found"]["replay"][n] for n in (0, 3)]:
            sys.exit("pieces do not agree with the whole")
        print(
            f"\nreplay alone in pieces, rows made on the way, {name}: {took:.1f} s; "
            f"most memory here {peak_mb():.0f} MB"
        )
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    print(f"most memory of any process that this one began: {children:.0f} MB (pandas' among them)")
    trips = WhatIfJob(change_of("wrap-below-weeks 32"), 100, SEED, Service(SEED, 50))
    began = time.perf_counter()
    run(trips, where=Here(), size=WHAT_IF_PIECE)
    took = time.perf_counter() - began
    print(f"what if, 50 transfers, 100 members, this process: {1000.0 * took / 50:.0f} ms each")


if __name__ == "__main__":
    main()
