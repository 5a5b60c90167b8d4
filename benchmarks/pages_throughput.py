"""What the pages take when many write at once: 20 clients post to a real server in one run.

    python benchmarks/pages_throughput.py [--seconds 60] [--full] [--rate 5] [--folder FOLDER]

`warmhold serve` runs in a process of its own with a trip under way, which it watches as it would on
the road. 20 clients log observations and notes through the pages' own forms, `--rate` entries a
second in all (--each: of each client). Printed are the 50th and 99th percentile of the time from
sending a form to the answer that it is saved, and, in the same run, those of the record alone, in
the server's absence: the ratio is what the pages add. At the end every entry that was answered as
saved is looked up, each must be there once, and the chain is verified. --full takes 5 minutes.
"""

from __future__ import annotations

import argparse
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx
import numpy as np

from warmhold.record import FILE, Entry, Record, verify_file

CLIENTS = 20


class Pages:
    """One served record with a trip under way."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as sock:
            sock.bind(("127.0.0.1", 0))
            port = sock.getsockname()[1]
        self.address = f"http://127.0.0.1:{port}"
        command = ["serve", "--folder", str(folder), "--port", str(port), "--no-browser"]
        self.process = subprocess.Popen([sys.executable, "-m", "warmhold", *command])
        self.hand = httpx.Client(base_url=self.address, timeout=60)
        for _ in range(600):
            try:
                self.hand.get("/help")
                break
            except httpx.TransportError:
                time.sleep(0.1)
        self._post("/enter", "/enter", name="Ann", passcode="", next="/")
        answer = self._post("/", "/plan/pick", trip="winter-road")
        while "/trip/" not in answer.headers.get("location", ""):
            time.sleep(0.3)
            answer = self.hand.get(answer.headers.get("location", str(answer.url)))
        self.trip = answer.headers["location"].split("/")[2]
        self._post(f"/trip/{self.trip}/before", f"/trip/{self.trip}/start", at="", reason="bench")

    def marks(self, page: str) -> dict[str, str]:
        text = self.hand.get(page, follow_redirects=True).text
        return dict(re.findall(r'name="(form_id|token)" value="([^"]*)"', text))

    def _post(self, page: str, address: str, **form: str) -> httpx.Response:
        return self.hand.post(address, data={**self.marks(page), **form})


def form_of(turn: int) -> tuple[str, dict[str, str]]:
    """Return a form of the road page: observations and, now and then, a note.

    The unit was not warmed: air as cold as the model has it, so that the page asks about nothing.
    """
    if turn % 5 == 4:
        return "happened", {"event": "note", "note": f"note {turn}"}
    values = {"skin_c": "36.4", "air_c": "24.0", "pulse_per_min": str(140 + turn % 9)}
    return "observe", {**values, "part": "set"}


def post_all(
    pages: Pages, rate: float, seconds: float
) -> tuple[list[float], dict[str, str], list[str]]:
    """Let the clients post; returns latencies [s], forms said to be saved, and what failed."""
    token = pages.marks(f"/trip/{pages.trip}/road")["token"]
    cookies = dict(pages.hand.cookies)
    latencies: list[float] = []
    saved: dict[str, str] = {}
    failed: list[str] = []
    guard = threading.Lock()
    began = time.perf_counter()

    def one(number: int) -> None:
        with httpx.Client(base_url=pages.address, cookies=cookies, timeout=60) as client:
            turn = 0
            while True:
                due = began + (turn + number / CLIENTS) * CLIENTS / rate
                if due - began > seconds:
                    return
                time.sleep(max(0.0, due - time.perf_counter()))
                where, form = form_of(turn)
                form_id = os.urandom(16).hex()
                sent = time.perf_counter()
                try:
                    answer = client.post(
                        f"/trip/{pages.trip}/{where}",
                        data={"form_id": form_id, "token": token, **form},
                    )
                    fine = answer.status_code == 303
                    trouble = "" if fine else f"status {answer.status_code}"
                except httpx.TransportError as error:
                    fine, trouble = False, repr(error)
                took = time.perf_counter() - sent
                with guard:
                    if fine:
                        latencies.append(took)
                        saved[form_id] = where
                    else:
                        failed.append(trouble)
                turn += 1

    threads = [threading.Thread(target=one, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return latencies, saved, failed


def record_alone(folder: Path, entries: int, rate: float) -> list[float]:
    """Return the latencies of the record without pages, at the same pace [s]."""
    latencies = []
    with Record.open(folder) as record:
        began = time.perf_counter()
        for turn in range(entries):
            time.sleep(max(0.0, began + turn / rate - time.perf_counter()))
            sent = time.perf_counter()
            body = {"what": "note", "detail": f"note {turn}"}
            record.append(Entry(f"alone-{turn:08d}", "T1", "happening", body, "mira (chart)"))
            latencies.append(time.perf_counter() - sent)
    return latencies


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--full", action="store_true", help="five minutes")
    parser.add_argument("--rate", type=float, default=5.0, help="entries a second")
    parser.add_argument("--each", action="store_true", help="the rate is of each client")
    parser.add_argument("--folder", type=Path, default=Path("out"))
    options = parser.parse_args()
    seconds = 300.0 if options.full else options.seconds
    rate = options.rate * (CLIENTS if options.each else 1)
    options.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name) / "record"
        pages = Pages(folder)
        try:
            latencies, saved, failed = post_all(pages, rate, seconds)
        finally:
            pages.hand.close()
            pages.process.terminate()
            pages.process.wait(30)
        with Record.open(folder) as record:
            kept = [event.form_id for event in record.events(pages.trip)]
        missing = [form_id for form_id in saved if kept.count(form_id) != 1]
        whole = verify_file(folder / FILE).whole
        alone = record_alone(Path(name) / "alone", min(len(latencies), 300), rate)
    print(f"{CLIENTS} clients, {rate:g} entries a second in all, {seconds:g} s")
    print(f"saved {len(saved)}, refused or unanswered {len(failed)} {sorted(set(failed))[:3]}")
    print(f"said to be saved but not there once: {len(missing)}; chain whole: {whole}")
    percentiles = np.percentile(latencies, [50, 99]) * 1000
    base = np.percentile(alone, [50, 99]) * 1000
    for title, ours, theirs in zip(("50th", "99th"), percentiles, base, strict=True):
        print(
            f"{title} percentile: {ours:.0f} ms; the record alone {theirs:.1f} ms; "
            f"ratio {ours / theirs:.1f}"
        )
    if missing or failed or not whole:
        raise SystemExit("entries were lost or refused")


if __name__ == "__main__":
    main()
