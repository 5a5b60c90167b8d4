"""The line breaks after any number of bytes, on the way there or on the way back."""

from __future__ import annotations

import contextlib
import random
import socket
import threading

from record.sample import FULL
from service.laptops import Laptop, heads, kept
from service.server import Server
from warmhold.service import Service, Unreachable, prepare, sync, verify

CUTS = 600 if FULL else 30
SEED = 20261126
COMMITTED = b"COMMIT\0"  # the server's word that it did (PostgreSQL's protocol, CommandComplete)


class Line:
    """A line to the server that breaks after some bytes in one direction; then it is renewed."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = self._door.getsockname()[1]
        self.there: int | None = None  # bytes left before it breaks; None: it holds
        self.back: int | None = None
        self.commits: int | None = None  # how many the sender still hears of
        self.broke = False
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):  # the door was closed
            while True:
                near, _ = self._door.accept()
                far = socket.create_connection(("127.0.0.1", self._to))
                for source, sink, name in ((near, far, "there"), (far, near, "back")):
                    threading.Thread(
                        target=self._carry, args=(source, sink, name), daemon=True
                    ).start()

    def _carry(self, source: socket.socket, sink: socket.socket, name: str) -> None:
        with contextlib.suppress(OSError), source, sink:
            while data := source.recv(65536):
                left = getattr(self, name)
                if name == "back" and self.commits is not None and COMMITTED in data:
                    left = 0 if self.commits == 0 else left
                    self.commits -= 1
                if left is not None and len(data) > left:
                    sink.sendall(data[:left])
                    self.broke = True
                    for end in (source, sink):
                        end.shutdown(socket.SHUT_RDWR)
                    return
                if left is not None:
                    setattr(self, name, left - len(data))
                sink.sendall(data)
            sink.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._door.close()


def test_a_line_that_breaks_anywhere_leaves_both_sides_whole(
    server: Server, on_postgresql, tmp_path
) -> None:
    """30 breaks, 600 when WARMHOLD_FULL=1; some between the commit and the word of it."""
    dice = random.Random(SEED)
    prepare(on_postgresql)
    laptop = Laptop(tmp_path, "north")
    line = Line(server.port)
    where = on_postgresql.replace(f":{server.port}/", f":{line.port}/")
    before = unheard = broken = 0
    with Service.open(on_postgresql) as straight:
        for cut in range(CUTS):
            laptop.write(12)
            told: list[int] = []
            with Service.open(where) as service:
                line.broke = False
                if cut % 3 == 0:
                    line.there = dice.randrange(12_000)
                elif cut % 3 == 1:
                    line.back = dice.randrange(2500)
                else:
                    line.commits = dice.randrange(4)
                with contextlib.suppress(Unreachable):
                    sync(
                        service, laptop.folder, batch=3, patience_s=0,
                        told=lambda done, _, told=told: told.append(done),
                    )  # fmt: skip
                line.there = line.back = line.commits = None
            broken += line.broke
            # The server may need a moment to notice; the lock of the head waits for that.
            with straight.writing() as connection:
                connection.exec_driver_sql("SELECT 1 FROM device FOR UPDATE").all()
            rows = kept(straight)
            assert rows == laptop.rows[: len(rows)], cut
            assert len(rows) >= max([before, *told]), cut
            if rows:
                assert heads(straight) == {laptop.id: (len(rows), rows[-1].hash)}, cut
            unheard += len(rows) > max([before, *told])
            before = len(rows)
        assert broken >= CUTS // 3, "the line hardly ever broke: the test tells nothing"
        assert unheard >= CUTS // 6, "hardly a commit went unheard: the test tells too little"
        sync(straight, laptop.folder)
        assert kept(straight) == laptop.rows
        assert [found.whole for _, found in verify(straight)] == [True]
    line.close()
    print(f"{CUTS} tries, {broken} lines broken, {unheard} commits unheard")
