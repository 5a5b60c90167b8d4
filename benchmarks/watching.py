"""How soon the watch names a hidden fault, and how often it names one that is not there.

    python benchmarks/watching.py [trips per fault] [members] [first seed]

Rehearsals are drawn from the watch's own model, with seeds that no threshold was set with
(thresholds: seeds below 1000; here: 5000 and on). What is printed is therefore the best the watch
can do: on a real trip the model is wrong in ways of its own.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from warmhold.model import Case, load_case, shipped_path
from warmhold.watch import Seen, Watcher
from warmhold.watch.rehearsal import HIDDEN, HiddenFault, Rehearsal, Rehearsed, rehearse

AIR_SET_C = {"winter-road": 35.8, "island-flight": 37.0}


def lasting(case: Case) -> Case:
    """The trip with three packs in the unit: an empty battery would hide the other faults."""
    battery = case.unit.battery.model_copy(update={"packs": 3})
    return replace(case, unit=case.unit.model_copy(update={"battery": battery}))


def trips_for(fault: HiddenFault | None, name: str) -> Case:
    """The trip a fault is rehearsed on: as shipped for the battery, else with power that lasts."""
    case = load_case(shipped_path("trips", name))
    return case if fault == "battery" else lasting(case)


def table(
    name: str, trips: int, members: int, first_seed: int, monitor_s: float = 60.0
) -> list[Rehearsed]:
    """Rehearse every fault on one trip and print a row for each."""
    everything: list[Rehearsed] = []
    print(f"\n{name}, {members} members, seeds {first_seed} to {first_seed + trips - 1}")
    print(f"skin, air and heater read every {monitor_s / 60.0:.0f} min")
    print("| hidden | named | listed at the end | median min | 90 % within | false names |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    rows: list[HiddenFault | None] = [*HIDDEN, None]
    for fault in rows:
        case = trips_for(fault, name)
        found = [
            rehearse(
                case, seed, fault, air_set_c=AIR_SET_C[name], members=members, monitor_s=monitor_s
            )
            for seed in range(first_seed, first_seed + trips)
        ]
        everything += found
        wrong = [key for r in found for key in r.false]
        false = ", ".join(f"{wrong.count(key)} {key}" for key in sorted(set(wrong))) or "0"
        if fault is None:
            print(f"| nothing | | | | | {false} |")
            continue
        delays = [r.delay_min for r in found if r.delay_min is not None]
        middle = f"{np.median(delays):.0f}" if delays else "-"
        most = f"{np.quantile(delays, 0.9):.0f}" if delays else "-"
        settled = sum(r.settled for r in found)
        print(f"| {fault} | {len(delays)} of {trips} | {settled} | {middle} | {most} | {false} |")
        sys.stdout.flush()
    return everything


def false_alarms(found: list[Rehearsed]) -> None:
    """Print false alarms per 100 hours: without any fault, and before a fault began."""
    calm = [r for r in found if r.fault is None]
    hours = sum(r.ends_s for r in calm) / 3600.0
    count = sum(len(r.false) for r in calm)
    print(f"\nFalse alarms on {len(calm)} trips with nothing hidden: {count} in {hours:.0f} h")
    print(f"  per 100 trip-hours: {100.0 * count / hours:.1f}")
    keys = sorted({key for r in calm for key in r.false})
    for key in keys:
        print(f"  {key}: {sum(r.false.count(key) for r in calm)}")


def update_times(members: int) -> None:
    """Print the time of one minute and one reading, compiled code warm."""
    case = lasting(load_case(shipped_path("trips", "winter-road")))
    rehearsal = Rehearsal(case, 1, None, air_set_c=35.8)
    watcher = Watcher(case, members=members, air_set_c=35.8)
    watcher.begin()
    wall: list[float] = []
    own: list[float] = []
    for item in rehearsal.events(3600.0):
        before, own_before = time.perf_counter(), time.process_time()
        if isinstance(item, Seen):
            watcher.observe(item)
        else:
            watcher.happened(item.at_s, item.what, item.detail)
        wall.append(1000.0 * (time.perf_counter() - before))
        own.append(1000.0 * (time.process_time() - own_before))
    before, own_before = time.perf_counter(), time.process_time()
    watcher.present()
    watcher.forecast()
    ahead, own_ahead = time.perf_counter() - before, time.process_time() - own_before
    print(f"\nOne entry with the time before it, {members} members and the faults on trial:")
    for name, took in (("on the clock", wall), ("of processor", own)):
        print(
            f"  {name}: median {np.median(took):.1f} ms, 99 % within "
            f"{np.quantile(took, 0.99):.0f} ms, longest {max(took):.0f} ms"
        )
    print(
        f"  present and forecast: {1000.0 * ahead:.0f} ms on the clock, "
        f"{1000.0 * own_ahead:.0f} ms of processor"
    )


def main() -> None:
    """Run it all."""
    trips = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    members = int(sys.argv[2]) if len(sys.argv) > 2 else 150
    first_seed = int(sys.argv[3]) if len(sys.argv) > 3 else 5000
    began = time.perf_counter()
    found = table("winter-road", trips, members, first_seed)
    found += table("island-flight", max(3, trips // 3), members, first_seed)
    by_hand = table("winter-road", max(3, trips // 2), members, first_seed, 600.0)
    false_alarms(found)
    print("\nand with skin, air and heater read by hand:")
    false_alarms(by_hand)
    update_times(300)
    print(f"\n{len(found)} trips in {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
