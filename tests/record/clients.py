"""A process with eight clients that post until it is killed; a program of its own.

    python clients.py FOLDER LOOP [form ids to send again...]

It writes "try ID" before an entry is sent, and "kept ID SEQ HASH" when its receipt has come.
"""

from __future__ import annotations

import itertools
import os
import queue
import sys
import threading
from pathlib import Path

from warmhold.record import Entry, Record

CLIENTS = 8


def entry(form_id: str) -> Entry:
    """Return the same entry for the same form; every ninth is larger than a page."""
    number = int(form_id.rsplit("-", 1)[1])
    detail = f"{form_id} " * (1200 if number % 9 == 8 else 3)
    return Entry(form_id, f"T{number % 3}", "happening", {"what": "note", "detail": detail}, "m")


def say(text: str) -> None:
    os.write(1, f"{text}\n".encode())  # one write: never torn, and no buffer that dies with us


def main() -> None:
    folder, loop, again = Path(sys.argv[1]), sys.argv[2], sys.argv[3:]
    left: queue.SimpleQueue[str] = queue.SimpleQueue()
    for form_id in again:
        left.put(form_id)
    with Record.open(folder, warn=lambda text: say(f"warn {text}")) as record:
        say("open")

        def client(number: int) -> None:
            for turn in itertools.count():
                try:
                    form_id = left.get_nowait()
                except queue.Empty:
                    form_id = f"{loop}-{number}-{turn}"
                say(f"try {form_id}")
                receipt = record.append(entry(form_id))
                say(f"kept {form_id} {receipt.seq} {receipt.hash}")

        threads = [threading.Thread(target=client, args=(n,)) for n in range(CLIENTS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()


if __name__ == "__main__":
    main()
