"""The server is killed while programs post with retries on the same key: each entry that was said
to be saved is there, once, and as it was said.

Everyday 2 rounds; 60 with WARMHOLD_FULL=1.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from pathlib import Path
from typing import Any

import httpx

from warmhold.record import Record, verify_file
from warmhold.web.interface.tokens import Tokens
from web.serving import Hand, Server, start

ROUNDS = 60 if os.environ.get("WARMHOLD_FULL") else 2
CLIENTS_AT_ONCE = 6


def test_every_acknowledged_entry_is_there_once_however_often_it_was_sent(
    planned: tuple[Path, str], tmp_path: Path
) -> None:
    folder, trip = tmp_path / "record", planned[1]
    shutil.copytree(planned[0], folder)
    token = Tokens(folder).add("engine", "chart")
    server = Server(folder).start()
    assert start(Hand(server), trip).status_code == 303
    told: dict[str, dict[str, Any]] = {}  # key: what the answer said
    sent: dict[str, int] = {}  # key: how often it was sent
    over = threading.Event()
    threads = [
        threading.Thread(target=_post, args=(server, trip, token, over, told, sent, number))
        for number in range(CLIENTS_AT_ONCE)
    ]
    for thread in threads:
        thread.start()
    for _ in range(ROUNDS):
        time.sleep(random.uniform(0.3, 1.2))
        server.kill()
        server.start()
    time.sleep(0.5)
    over.set()
    for thread in threads:
        thread.join(60)
        assert not thread.is_alive()
    server.stop()
    print(len(told), "acknowledged,", sum(count > 1 for count in sent.values()), "sent again")
    assert len(told) >= ROUNDS * CLIENTS_AT_ONCE
    assert any(count > 1 for count in sent.values()), "no request was cut off"
    assert server.failures() == ""
    with Record.open(folder) as record:
        assert record.recovered is None
        found = [e for e in record.events(trip) if e.who == "token engine (chart)"]
    by_key = {event.form_id: event for event in found}
    assert len(by_key) == len(found), "none twice"
    assert set(by_key) == set(told) == set(sent), "every one came through in the end"
    for key, said in told.items():
        event = by_key[key]
        assert (said["entry"], said["hash"]) == (event.seq, event.hash)
        assert said["values"] == event.body["values"]
    verified = verify_file(folder / "record.sqlite")
    assert verified.whole, verified.faults


def _post(
    server: Server, trip: str, token: str, over: threading.Event, told: dict[str, Any],
    sent: dict[str, int], number: int,
) -> None:  # fmt: skip
    """Post one entry after another; each is sent with its key until it is acknowledged."""
    count = 0
    with httpx.Client(base_url=server.address, timeout=10) as client:
        while not over.is_set():
            key = os.urandom(16).hex()
            body = {"values": {"vent_text": f"client {number}, entry {count}"}}
            count += 1
            while key not in told:
                sent[key] = sent.get(key, 0) + 1
                marks = {"Authorization": f"Bearer {token}", "Idempotency-Key": key}
                try:
                    answer = client.post(
                        f"/api/v1/trips/{trip}/observations", json=body, headers=marks
                    )
                except httpx.TransportError:
                    time.sleep(0.05)
                    continue
                assert answer.status_code == 201, answer.text
                told[key] = answer.json()
