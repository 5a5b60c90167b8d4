"""How long a person waits: a changed field, a reading on the road, a plan from the command line.

    python benchmarks/interaction.py [changes] [plans]

1. A real browser opens the plan of the shipped winter road on a real server and changes one field
   after another: weight, temperature, air setting, minutes and cold of a leg, charge. Clocked from
   the change to the frame that shows the new margins of 1,000 simulated trips: a key pressed in a
   field (the page waits for the next key first) and a value that is put in as a whole.
2. The watch of that trip, 300 members and the faults on trial, takes one reading after another, as
   ``watching.py`` gives them: the time from a reading to the state after it.
3. ``warmhold plan winter-road`` in a process of its own, against an empty Python start in turn.

Targets: 300 ms at the 95th percentile; 100 ms; three empty starts plus 1.5 s.
"""

from __future__ import annotations

import os
import platform
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import httpx
import numpy as np
from playwright.sync_api import Page, sync_playwright

from warmhold.model import load_case, shipped_path
from warmhold.watch import Seen, Watcher
from warmhold.watch.rehearsal import Rehearsal

COMMAND = [sys.executable, "-m", "warmhold"]
CHANGES = {
    "baby-weight_g": ("3100", "3200", "2900", "1800"),
    "baby-temperature_c": ("36.4", "36.6", "36.1"),
    "leg-2-minutes": ("60", "75", "90"),
    "leg-2-ambient_c": ("-12", "-15", "-18"),
    "start-room_c": ("21", "22", "20"),
}
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
WAIT = """
([id, value, kind]) => new Promise((done, fail) => {
  const panel = document.querySelector(".plan-margins"), node = document.getElementById(id);
  const seen = new MutationObserver(() => {
    if (panel.classList.contains("stale")) return;
    seen.disconnect();
    requestAnimationFrame(() => setTimeout(() => done(performance.now() - began)));
  });
  seen.observe(document.getElementById("margins"), { childList: true, subtree: true });
  seen.observe(panel, { attributes: true });
  setTimeout(() => fail(new Error(`no margins for ${id} = ${value}`)), 10000);
  node.value = value;
  const began = performance.now();
  node.dispatchEvent(new Event(kind, { bubbles: true }));
})
"""


@contextmanager
def served() -> Iterator[str]:
    """A server with a record of its own."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        one = subprocess.Popen(
            [*COMMAND, "serve", "--folder", folder, "--port", str(port), "--no-browser"],
            stdout=subprocess.DEVNULL,
        )
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(200):
                try:
                    httpx.get(f"{address}/static/plan.js", timeout=2.0)
                    break
                except httpx.TransportError:
                    time.sleep(0.1)
            yield address
        finally:
            one.terminate()
            one.wait(20)


def opened(browser: Any, address: str) -> Page:
    page: Page = browser.new_page(viewport={"width": 1366, "height": 900})
    page.goto(f"{address}/plan?trip=winter-road")
    if page.locator("#name").count():
        page.fill("#name", "Ann")
        page.click("button:has-text('Come in')")
        page.goto(f"{address}/plan?trip=winter-road")
    page.wait_for_selector("#margins table")
    return page


def changes(count: int) -> dict[str, list[float]]:
    """Milliseconds from a change to its margins, by kind of change."""
    found: dict[str, list[float]] = {"input": [], "change": []}
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
    with served() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        page = opened(browser, address)
        assert "1000 simulated trips" in page.inner_text("#margins")
        fields = [key for key in CHANGES if page.locator(f"#f-{key}").count()]
        for number in range(count + 4):  # the first few begin everything
            key = fields[number % len(fields)]
            values = CHANGES[key]
            # a value that was never asked for: the server remembers the last few answers
            value = f"{float(values[number // len(fields) % len(values)]) + 0.01 * number:.2f}"
            kind = ("input", "change")[number % 2]
            took = page.evaluate(WAIT, [f"f-{key}", value, kind])
            if number >= 4:
                found[kind].append(took)
            page.wait_for_timeout(50)
        browser.close()
    print(f"fields changed in turn: {', '.join(fields)}")
    return found


def readings() -> list[float]:
    """Milliseconds that the watch takes for each reading of one trip."""
    case = load_case(shipped_path("trips", "winter-road"))
    packs = case.unit.battery.model_copy(update={"packs": 3})
    case = replace(case, unit=case.unit.model_copy(update={"battery": packs}))
    trip = Rehearsal(case, 5000, None, air_set_c=35.8)
    watch = Watcher(case, members=300, air_set_c=35.8)
    watch.begin()
    found = []
    for item in sorted(trip.events(trip.ends_s), key=lambda one: one.at_s):
        began = time.perf_counter()
        if isinstance(item, Seen):
            watch.observe(item)
            found.append(1e3 * (time.perf_counter() - began))
        else:
            watch.happened(item.at_s, item.what, item.detail)
    return found


def starts(count: int) -> tuple[list[float], list[float]]:
    """Seconds of a plan and of an empty Python, one after the other."""
    plan: list[float] = []
    empty: list[float] = []
    for number in range(count + 1):
        for command, times in (
            ([*COMMAND, "plan", "winter-road"], plan),
            ([sys.executable, "-c", "pass"], empty),
        ):
            began = time.perf_counter()
            subprocess.run(command, stdout=subprocess.DEVNULL, check=False)
            if number:  # the first fills the cache
                times.append(time.perf_counter() - began)
    return plan, empty


def line(what: str, found: list[float], unit: str, target: float, share: float) -> None:
    reached = float(np.quantile(found, share))
    word = "met" if reached <= target else "not met"
    print(
        f"{what:52} {np.median(found):7.{1 if unit == 'ms' else 2}f} {reached:8.2f} {unit:3} "
        f"{target:8.2f}  {word}"
    )


def main() -> None:
    """Measure and print."""
    given = [int(one) for one in sys.argv[1:]]
    count, plans = (*given, *(80, 10)[len(given) :])
    load = f"{os.getloadavg()[0]:.1f}"
    print(
        f"{os.cpu_count()} processors, load {load} at the start, Python {platform.python_version()}"
    )
    found = changes(count)
    watched = readings()
    plan, empty = starts(plans)
    print(f"{'':52} {'median':>7} {'reached':>8} {'':3} {'target':>8}")
    line("a value put in, to its margins on the screen, 95 %", found["change"], "ms", 300.0, 0.95)
    line("a key pressed, to its margins on the screen, 95 %", found["input"], "ms", 300.0, 0.95)
    line(
        f"one of {len(watched)} readings, to the state after it, longest", watched, "ms", 100.0, 1.0
    )
    line(
        "warmhold plan winter-road, median", plan, "s",
        3.0 * float(np.median(empty)) + 1.5, 0.5,
    )  # fmt: skip
    print(f"an empty Python start: median {np.median(empty):.3f} s")


if __name__ == "__main__":
    main()
