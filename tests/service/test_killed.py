"""The server is restarted and killed, and the sender too, in the middle of a sync."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time

import psycopg
import pytest

from record.sample import FULL
from service.laptops import Laptop, heads, kept
from service.server import Server
from warmhold.service import Service, Unreachable, prepare, sync, verify

LOOPS = 100 if FULL else 10
SENDERS = 30 if FULL else 2
SEED = 20261125
ENTRIES = 60  # more for each loop


class _Middle:
    """Told of the progress; tells when the sending is somewhere in its middle."""

    def __init__(self, at: int) -> None:
        self.at, self.reached = at, threading.Event()
        self.acknowledged: list[int] = []

    def __call__(self, done: int, _: int) -> None:
        self.acknowledged.append(done)
        if done >= self.at:
            self.reached.set()


@pytest.mark.parametrize("patient", [True, False], ids=["tries again", "gives up"])
def test_nothing_is_lost_or_doubled_when_the_server_ends(
    server: Server, on_postgresql, tmp_path, patient
) -> None:
    """In turn killed (SIGKILL), stopped at once (SIGQUIT) and restarted (SIGINT).

    10 times in all, 100 when WARMHOLD_FULL=1. A kill is no power cut: what the system has taken
    over from the server lives on.
    """
    dice = random.Random(SEED + patient)
    prepare(on_postgresql)
    laptop = Laptop(tmp_path, "north")
    interrupted = acknowledged = 0
    for loop in range(LOOPS // 2):
        laptop.write(ENTRIES)
        told = _Middle(acknowledged + dice.randrange(1, ENTRIES - 20))
        outcome: list[object] = []

        def send(told: _Middle = told, outcome: list[object] = outcome) -> None:
            try:
                with Service.open(on_postgresql) as service:
                    outcome.append(
                        sync(
                            service, laptop.folder, batch=2, told=told,
                            patience_s=3600 if patient else 0,
                            pause=lambda _: time.sleep(0.1),
                        )
                    )  # fmt: skip
            except Unreachable as error:
                outcome.append(error)

        sender = threading.Thread(target=send)
        sender.start()
        assert told.reached.wait(60), outcome
        time.sleep(dice.uniform(0.0, 0.003))
        how = (signal.SIGKILL, signal.SIGQUIT, signal.SIGKILL, signal.SIGINT)[loop % 4]
        server.end(how)
        server.start()
        sender.join()
        (result,) = outcome
        interrupted += isinstance(result, Unreachable)
        acknowledged = told.acknowledged[-1]
        assert told.acknowledged == sorted(told.acknowledged)
        with Service.open(on_postgresql) as service:
            rows = kept(service)
            assert rows == laptop.rows[: len(rows)], loop  # nothing doubled, out of order or other
            assert len(rows) >= acknowledged, loop  # nothing lost that was acknowledged
            assert heads(service) == {laptop.id: (len(rows), rows[-1].hash)}
            if patient:
                assert not isinstance(result, Unreachable), result
                assert rows == laptop.rows
        acknowledged = len(rows)
    assert patient or interrupted >= LOOPS // 4, "hardly anything was in its middle"
    with Service.open(on_postgresql) as service:
        assert sync(service, laptop.folder).acknowledged == (
            len(laptop.rows), laptop.rows[-1].hash,
        )  # fmt: skip
        assert kept(service) == laptop.rows
        assert [found.faults for _, found in verify(service)] == [()]
    print(f"{LOOPS // 2} ends, {interrupted} sendings broken off, {len(laptop.rows)} entries")


def test_a_killed_sender_leaves_both_sides_whole(on_postgresql, tmp_path) -> None:
    """2 kills, 30 when WARMHOLD_FULL=1."""
    dice = random.Random(SEED)
    prepare(on_postgresql)
    laptop = Laptop(tmp_path, "north")
    script = (
        "import sys; from pathlib import Path; from warmhold.service import Service, sync\n"
        "with Service.open(sys.argv[1]) as service:\n"
        "    sync(service, Path(sys.argv[2]), batch=1, "
        "told=lambda done, _: print(done, flush=True))\n"
    )
    before = 0
    for _ in range(SENDERS):
        laptop.write(150)
        process = subprocess.Popen(
            [sys.executable, "-c", script, on_postgresql, str(laptop.folder)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert process.stdout is not None
        with process.stdout as said:
            for _ in range(dice.randrange(1, 30)):
                said.readline()
            process.send_signal(signal.SIGKILL)
            rest = said.read().split()
        assert process.wait() == -signal.SIGKILL
        with Service.open(on_postgresql) as service:
            rows = kept(service)
            assert rows == laptop.rows[: len(rows)]
            assert before < len(rows) < len(laptop.rows)
            assert not rest or len(rows) >= int(rest[-1])
        before = len(rows)
    with Service.open(on_postgresql) as service:
        assert sync(service, laptop.folder).sent == len(laptop.rows) - before
        assert kept(service) == laptop.rows
        assert [found.whole for _, found in verify(service)] == [True]


def test_a_transaction_that_was_left_open_lets_go_of_its_device(
    server: Server, on_postgresql, tmp_path
) -> None:
    """The server ends it; here sooner than the 60 s that are asked for."""
    prepare(on_postgresql)
    laptop = Laptop(tmp_path, "north")
    laptop.write(5)
    with Service.open(on_postgresql) as service:
        sync(service, laptop.folder)
        with service.writing() as connection:
            asked = {
                name: connection.exec_driver_sql(f"SHOW {name}").scalar()
                for name in (
                    "idle_in_transaction_session_timeout", "lock_timeout", "synchronous_commit",
                )
            }  # fmt: skip
    assert asked == {
        "idle_in_transaction_session_timeout": "1min",
        "lock_timeout": "90s",
        "synchronous_commit": "on",
    }
    laptop.write(5)
    with server.connect() as gone, Service.open(on_postgresql) as service:
        gone.execute("SET idle_in_transaction_session_timeout = '500ms'")
        gone.execute("BEGIN")
        gone.execute("SELECT 1 FROM device FOR UPDATE")  # and nothing more is heard of it
        assert sync(service, laptop.folder).sent == 5  # waits until the other was ended
        with pytest.raises(psycopg.Error):
            gone.execute("COMMIT")
