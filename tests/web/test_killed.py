"""The server is killed while eight clients post: what was said to be saved is there, once.

Everyday 2 rounds; 200 with WARMHOLD_FULL=1.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from pathlib import Path

import httpx

from warmhold.record import Record, verify_file
from web.serving import Hand, Server, start

ROUNDS = 200 if os.environ.get("WARMHOLD_FULL") else 2
CLIENTS_AT_ONCE = 8


def test_every_acknowledged_entry_is_there_once_after_the_server_was_killed(
    planned: tuple[Path, str], tmp_path: Path
) -> None:
    folder, trip = tmp_path / "record", planned[1]
    shutil.copytree(planned[0], folder)
    server = Server(folder)
    acknowledged: dict[str, str] = {}  # form id: what it said
    for number in range(ROUNDS):
        server.start()
        if number == 0:
            hand = Hand(server)
            assert start(hand, trip).status_code == 303
        marks = hand.marks("/")  # of the first session, which outlasts every restart
        cookies = dict(hand.client.cookies)
        over = threading.Event()
        threads = [
            threading.Thread(
                target=_post, args=(server, trip, marks, cookies, over, acknowledged, number, one)
            )
            for one in range(CLIENTS_AT_ONCE)
        ]
        for thread in threads:
            thread.start()
        time.sleep(random.uniform(0.3, 1.2))
        server.kill()
        over.set()
        for thread in threads:
            thread.join()
    assert len(acknowledged) >= ROUNDS * CLIENTS_AT_ONCE, "the clients did get through"
    with Record.open(folder) as record:
        assert record.recovered is None
        found = [e for e in record.events(trip) if e.kind == "happening"]
    by_form = {event.form_id: event for event in found}
    assert len(by_form) == len(found), "none twice"
    for form_id, note in acknowledged.items():
        assert by_form[form_id].body == {"what": "note", "detail": note}
    verified = verify_file(folder / "record.sqlite")
    assert verified.whole, verified.faults


def _post(
    server: Server, trip: str, marks: dict[str, str], cookies: dict[str, str],
    over: threading.Event, acknowledged: dict[str, str], number: int, one: int,
) -> None:  # fmt: skip
    client = httpx.Client(base_url=server.address, cookies=cookies, timeout=5)
    count = 0
    while not over.is_set():
        form_id, note = os.urandom(16).hex(), f"round {number}, client {one}, note {count}"
        form = {"form_id": form_id, "token": marks["token"], "event": "note", "note": note}
        count += 1
        try:
            answer = client.post(f"/trip/{trip}/happened", data=form)
        except httpx.TransportError:
            break
        if answer.status_code == 303:
            acknowledged[form_id] = note
    client.close()
