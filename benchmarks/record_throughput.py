"""What it costs to be sure: 20 clients append to the record, and to plain SQLite, in one run.

    python benchmarks/record_throughput.py [--seconds 20] [--full] [--folder FOLDER]

Two paces: 5 entries a second in all, and as fast as the clients can. Each pace is run twice, once
against warmhold's record (synchronous=EXTRA, hash chain, entries checked, one writer for all) and
once against a table with the same columns in SQLite's default settings (synchronous=FULL, one
connection behind a lock, one commit an entry, no chain, no check). In the plain run each client
waits for the lock as it waits for the writer in the other. Printed are the 50th and 99th percentile
of the time from sending an entry to its receipt, and the ratio of the two runs; of the few entries
of a short run the 99th is no more than the worst, --full has 1500. At the end every
entry that had a receipt is looked up, and the chain is verified.

The folder decides more than anything else: by default a temporary one in out/, on
the disk. --full takes 5 minutes for each of the two runs at 5 a second.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import platform
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from warmhold.record import FILE, Entry, Record
from warmhold.record.folder import kind_of_disk
from warmhold.record.store import SCHEMA

CLIENTS = 20
PACE = 5.0  # entries a second, of all clients together
WARM_UP = 40  # entries before the clock starts

Append = Callable[[Entry], None]


def entry(client: int, turn: int) -> Entry:
    """Return an invented set of observations of the usual size."""
    values = {
        "skin_c": 36.4, "axillary_c": 36.8, "pulse_per_min": 140 + turn % 9,
        "saturation_pre_percent": 94, "breaths_per_min": 58, "air_c": 34.1, "oxygen_percent": 30,
        "battery_divisions": 5, "gauge_bar:oxygen A": 120, "power_source": "battery",
    }  # fmt: skip
    body = {"values": values, "set": "regular"}
    return Entry(f"{client}-{turn}", "T1", "observation", body, "mira (chart)")


def run_clients(append: Append, pace: float | None, seconds: float) -> tuple[list[float], float]:
    """Let the clients post; returns the latencies [s] and how long all of it took [s]."""
    latencies: list[list[float]] = [[] for _ in range(CLIENTS)]
    troubles: list[BaseException] = []
    start = threading.Barrier(CLIENTS)

    def client(number: int) -> None:
        try:
            start.wait()
            begin = time.perf_counter()
            turn = 0
            while True:
                if pace is not None:
                    due = begin + (turn * CLIENTS + number) / pace
                    if due - begin >= seconds:
                        return
                    time.sleep(max(0.0, due - time.perf_counter()))
                elif time.perf_counter() - begin >= seconds:
                    return
                prepared = entry(number, turn)
                sent = time.perf_counter()
                append(prepared)
                latencies[number].append(time.perf_counter() - sent)
                turn += 1
        except BaseException as error:
            troubles.append(error)

    threads = [threading.Thread(target=client, args=(number,)) for number in range(CLIENTS)]
    begin = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if troubles:
        raise troubles[0]
    return [latency for each in latencies for latency in each], time.perf_counter() - begin


def with_record(folder: Path, pace: float | None, seconds: float) -> tuple[list[float], float]:
    """Run against the record, then check that nothing is missing."""
    with Record.open(folder, warn=lambda text: print(f"  note: {text}")) as record:
        for turn in range(WARM_UP):
            record.append(entry(-1, turn))
        kept: list[str] = []

        def append(prepared: Entry) -> None:
            kept.append(record.append(prepared).form_id)

        latencies, took = run_clients(append, pace, seconds)
        found = record.verify()
        there = {event.form_id for event in record.events()}
    if not found.whole or not there.issuperset(kept) or len(kept) != len(set(kept)):
        raise SystemExit(f"entries are missing: {found.faults}")
    return latencies, took


def with_plain_sqlite(
    folder: Path, pace: float | None, seconds: float
) -> tuple[list[float], float]:
    """Run against a table of the same columns, SQLite left as it comes."""
    folder.mkdir()
    connection = sqlite3.connect(folder / FILE, check_same_thread=False, isolation_level=None)
    door = threading.Lock()
    with contextlib.closing(connection):
        connection.execute(SCHEMA[0])

        def append(prepared: Entry) -> None:
            body = json.dumps(prepared.body)
            with door:
                connection.execute(
                    "INSERT INTO event (form_id, trip, kind, saved_utc, mono_ns, boot, who, body,"
                    " prior, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (prepared.form_id, prepared.trip, prepared.kind, "x" * 27, time.monotonic_ns(),
                     "x" * 41, prepared.who, body, "x" * 64, "x" * 64),
                )  # fmt: skip

        for turn in range(WARM_UP):
            append(entry(-1, turn))
        return run_clients(append, pace, seconds)


def percentiles(latencies: list[float]) -> tuple[float, float]:
    """Return the 50th and 99th percentile [ms]."""
    middle, high = np.percentile(np.array(latencies) * 1e3, [50, 99])
    return float(middle), float(high)


def main() -> None:
    options = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    options.add_argument("--seconds", type=float, default=20.0, help="for the four runs together")
    options.add_argument("--full", action="store_true", help="5 minutes a run at 5 a second")
    options.add_argument("--folder", type=Path, default=Path(__file__).parents[1] / "out")
    given = options.parse_args()
    given.folder.mkdir(exist_ok=True)
    print(
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {CLIENTS} clients, "
        f"disk {kind_of_disk(given.folder)}"
    )
    print(f"{'pace':<16}{'':<10}{'entries':>8}{'per s':>9}{'p50 ms':>9}{'p99 ms':>9}")
    with tempfile.TemporaryDirectory(dir=given.folder, prefix=".record-") as name:
        for pace in (PACE, None):
            seconds = given.seconds * (0.1 if pace is None else 0.4)
            if given.full and pace is not None:
                seconds = 300.0
            title = f"{pace:g} a second" if pace else "full speed"
            found = []
            for label, run in (("record", with_record), ("plain", with_plain_sqlite)):
                latencies, took = run(Path(name) / f"{label}-{pace}", pace, seconds)
                middle, high = percentiles(latencies)
                found.append((middle, high, len(latencies) / took))
                print(
                    f"{title:<16}{label:<10}{len(latencies):>8}{len(latencies) / took:>9.1f}"
                    f"{middle:>9.2f}{high:>9.2f}"
                )
            ours, plain = found
            ratios = [a / b for a, b in zip(ours, plain, strict=True)]
            print(
                f"{'':<16}{'ratio':<10}{'':>8}{ratios[2]:>9.2f}{ratios[0]:>9.2f}{ratios[1]:>9.2f}"
            )
    print("every entry with a receipt was there, the chain was whole")


if __name__ == "__main__":
    main()
