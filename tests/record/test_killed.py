"""The process is killed, again and again, while eight clients post."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

from record import clients
from record.sample import FULL
from warmhold.record import FILE, Record, store, verify_file

LOOPS = 200 if FULL else 20
SEED = 20260114


def _run(folder: Path, loop: int, again: list[str], dice: random.Random) -> list[str]:
    """Start the clients, kill them at a random point, return what they said."""
    process = subprocess.Popen(
        [sys.executable, clients.__file__, str(folder), str(loop), *again],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.stdout is not None
    with process.stdout as said:
        first = b""
        if dice.random() < 0.15:  # while it starts, opens or verifies
            time.sleep(dice.uniform(0.0, 0.3))
        else:
            first = said.readline()
            time.sleep(dice.uniform(0.0, 0.2))
        process.send_signal(signal.SIGKILL)
        rest = said.read()
    assert process.wait() == -signal.SIGKILL
    return (first + rest).decode("ascii").splitlines()


def test_every_acknowledged_entry_outlives_a_killed_process(on_disk) -> None:
    """200 loops when WARMHOLD_FULL=1, else 20. A kill is no power cut: the disk's own cache lives.

    Entries without a receipt are sent again in the next loop, as a form would be: in the end
    every entry that was ever tried is there exactly once.
    """
    dice = random.Random(SEED)
    kept: dict[str, tuple[int, str]] = {}
    tried: set[str] = set()
    rolled_back = 0
    for loop in range(LOOPS):
        said = _run(on_disk, loop, sorted(tried - set(kept)), dice)
        for line in said:
            word, *rest = line.split()
            assert word in ("open", "try", "kept"), f"loop {loop}: {line}"  # no warning
            if word == "try":
                tried.add(rest[0])
            elif word == "kept":
                answer = (int(rest[1]), rest[2])
                assert kept.setdefault(rest[0], answer) == answer
        path = on_disk / FILE
        if not path.exists():  # killed before the first file was there
            assert not kept
            continue
        rolled_back += Path(f"{path}-journal").exists()
        found = verify_file(path)
        assert found.whole, (loop, found.faults)
        with closing(store.connect(path, write=False)) as connection:
            rows = {row.form_id: row for row in store.rows(connection)}
        assert len(rows) == found.events
        for form_id, (seq, hash_) in kept.items():
            assert (rows[form_id].seq, rows[form_id].hash) == (seq, hash_), (loop, form_id)
    with Record.open(on_disk) as record:
        assert record.recovered is None
        for form_id in sorted(tried - set(kept)):
            record.append(clients.entry(form_id))
        events = record.events()
        assert record.verify().whole
    mine = [event.form_id for event in events if event.kind != "clock-jump"]
    assert sorted(mine) == sorted(tried)
    assert not list(on_disk.glob("record-damaged-*"))
    assert len(kept) > LOOPS, "hardly anything was written: the test tells nothing"
    print(f"{LOOPS} kills, {len(kept)} acknowledged, {rolled_back} hot journals rolled back")
