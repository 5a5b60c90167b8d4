"""Frames in, on the disk, acknowledgements out; nothing lost, nothing doubled, all bounded."""

from __future__ import annotations

import asyncio
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from ipaddress import ip_network
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.hl7_messages import HEAD, OBR, head, message, obx
from warmhold.exchange.addresses import is_loopback
from warmhold.exchange.hl7.listener import (
    BEGIN,
    END,
    NOT_KEPT,
    Bounds,
    Frames,
    Keeper,
    Listener,
    Piece,
    Place,
    framed,
    is_allowed,
)
from warmhold.exchange.hl7.reader import Rules
from warmhold.exchange.inbox import Inbox, Kept
from warmhold.record import Trouble

FULL = bool(os.environ.get("WARMHOLD_FULL"))


def quiet(text: str) -> None:
    pass


@pytest.fixture
def inbox(tmp_path: Path) -> Iterator[Inbox]:
    with Inbox(tmp_path, warn=quiet) as opened:
        yield opened


@pytest.fixture
def keeper(inbox: Inbox) -> Keeper:
    return Keeper(inbox, Rules(), quiet)


# --- frames ---------------------------------------------------------------------------------------


def whole(pieces: list[Piece]) -> list[bytes]:
    return [piece.raw for piece in pieces if not piece.fault]


@given(
    st.lists(st.binary(max_size=40).map(lambda b: b.replace(BEGIN, b"").replace(END, b""))),
    st.data(),
)
@settings(max_examples=200)
def test_messages_are_cut_out_however_the_bytes_arrive(
    messages: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(map(framed, messages))
    frames, pieces, place = Frames(1000), [], 0
    while place < len(stream):
        size = data.draw(st.integers(1, 30))
        pieces += list(frames.feed(stream[place : place + size]))
        place += size
    pieces += list(frames.rest())
    assert [piece.raw for piece in pieces] == messages
    assert not any(piece.fault for piece in pieces)
    assert all(piece.answered for piece in pieces)


@given(st.binary(max_size=300), st.integers(1, 50))
@settings(max_examples=300)
def test_no_byte_that_came_is_lost_while_it_fits(stream: bytes, size: int) -> None:
    frames, pieces = Frames(1000), []
    for place in range(0, len(stream), size):
        pieces += list(frames.feed(stream[place : place + size]))
    pieces += list(frames.rest())

    def bare(raw: bytes) -> bytes:
        return re.sub(rb"[\s\x0b\x1c]", b"", raw)

    assert bare(b"".join(piece.raw for piece in pieces)) == bare(stream)


def test_a_frame_that_begins_anew_leaves_what_came_before() -> None:
    frames = Frames(1000)
    found = list(frames.feed(b"\x0bhalf\x0bwhole\x1c\rjunk\x0b"))
    assert [(piece.raw, bool(piece.fault), piece.answered) for piece in found] == [
        (b"half", True, False), (b"whole", False, True), (b"\rjunk", True, False),
    ]  # fmt: skip
    assert [piece.fault for piece in frames.rest()] == [
        "the connection ended before the message did"
    ]


@pytest.mark.parametrize(("inside", "answered"), [(True, True), (False, False)])
def test_what_is_too_long_is_kept_as_far_as_it_goes_and_said(inside: bool, answered: bool) -> None:
    frames = Frames(100)
    (piece,) = frames.feed((BEGIN if inside else b"") + bytes(range(32, 127)) * 3)
    assert frames.broken
    assert len(piece.raw) == 100
    assert "longer than 100 bytes" in piece.fault
    assert piece.answered == answered
    assert list(Frames(5).feed(framed(b"12345"))) == [Piece(b"12345")]


# --- answers --------------------------------------------------------------------------------------


def msa(answer: bytes) -> list[str]:
    return next(line for line in answer.decode().split("\r") if line[:3] == "MSA").split("|")


def test_a_message_is_answered_by_its_number(keeper: Keeper) -> None:
    (answer,) = keeper.keep(Piece(message()), "127.0.0.1")
    assert msa(answer)[1:] == ["AA", "M1"]
    assert answer.startswith(b"MSH|^~\\&|WARMHOLD||BEDSIDE 2^0012210039001122^EUI-64|NORTH|")


def test_a_repeat_gets_the_same_bytes_and_is_kept_once(keeper: Keeper) -> None:
    for raw in (message(), message(HEAD, OBR, obx(obx_14="20260114030500")), b"no message"):
        first = keeper.keep(Piece(raw), "127.0.0.1")
        assert keeper.keep(Piece(raw), "127.0.0.1") == first
    assert len(list(keeper.inbox.after(0))) == 3
    assert (keeper.counts.taken, keeper.counts.refused, keeper.counts.repeated) == (1, 2, 3)


def test_a_repeat_after_a_restart_gets_the_same_bytes(tmp_path: Path) -> None:
    found = []
    for _ in range(2):
        with Inbox(tmp_path, warn=quiet) as inbox:
            found.append(Keeper(inbox, Rules(), quiet).keep(Piece(message()), "127.0.0.1"))
    assert found[0] == found[1]


@pytest.mark.parametrize(
    ("raw", "letter", "identity", "condition"),
    [
        (message(HEAD, OBR, obx(obx_14="20260114030500")), "AE", "M1", "102"),
        (message(head(msh_9="ADT^A01"), OBR), "AR", "M1", "200"),
        (message(head(msh_9="ORU^R30"), OBR), "AR", "M1", "201"),
        (message(head(msh_12="3.0"), OBR), "AR", "M1", ""),
        (message(head(msh_11="Q"), OBR), "AR", "M1", "202"),
        (message(head(msh_10=""), OBR), "AE", "", "101"),
        (b"GET / HTTP/1.1\r\n", "AR", "", "100"),
        (b"", "AR", "", "100"),
    ],
)
def test_what_cannot_be_taken_is_kept_and_answered_with_the_reason(
    keeper: Keeper, raw: bytes, letter: str, identity: str, condition: str
) -> None:
    (answer,) = keeper.keep(Piece(raw), "127.0.0.1")
    assert msa(answer)[1] == letter
    assert [*msa(answer), ""][2] == identity
    (kept,) = keeper.inbox.after(0)
    assert kept.refused
    assert kept.raw == raw
    assert kept.told == ()
    assert condition.encode() in answer
    if raw and b"2.6" in raw:
        assert b"ERR|||" in answer


@pytest.mark.parametrize(
    ("at_once", "later", "good", "bad"),
    [
        ("", "", ["AA"], ["AE"]),
        ("NE", "AL", ["AA"], ["AE"]),
        ("AL", "NE", ["CA"], ["CE"]),
        ("AL", "AL", ["CA", "AA"], ["CE", "AE"]),
        ("ER", "NE", [], ["CE"]),
        ("NE", "SU", ["AA"], []),
        ("NE", "NE", [], []),
        ("", "AL", ["AA"], ["AE"]),
    ],
)
def test_the_sender_is_answered_as_it_asked(
    keeper: Keeper, at_once: str, later: str, good: list[str], bad: list[str]
) -> None:
    first = head(msh_15=at_once, msh_16=later)
    for raw, expected in (
        (message(first, OBR, obx()), good),
        (message(first, OBR, obx(obx_14="20260114030500")), bad),
    ):
        found = [msa(answer)[1] for answer in keeper.keep(Piece(raw), "127.0.0.1")]
        assert found == expected
    assert len(list(keeper.inbox.after(0))) == 2


def test_an_answer_is_in_the_separators_and_the_characters_of_the_message(keeper: Keeper) -> None:
    first = head(msh_3="Bjørnøya", msh_10="Mø1", msh_18="UNICODE UTF-8")
    raw = message(first, OBR, obx(), charset="utf-8").translate(bytes.maketrans(b"|", b"!"))
    (answer,) = keeper.keep(Piece(raw), "127.0.0.1")
    assert "MSA!AA!Mø1" in answer.decode("utf-8")
    assert "!Bjørnøya!" in answer.decode("utf-8")


def test_what_could_not_be_kept_is_not_acknowledged(inbox: Inbox) -> None:
    said: list[str] = []

    class Full:
        def take(self, *rest: object) -> None:
            raise Trouble("The disk is full where /secret/place is.")

    keeper = Keeper(Full(), Rules(), said.append)  # type: ignore[arg-type]
    (answer,) = keeper.keep(Piece(message()), "127.0.0.1")
    assert msa(answer)[1] == "AE"
    assert NOT_KEPT.encode() in answer
    assert b"secret" not in answer
    assert "The disk is full" in said[0]
    assert keeper.counts.not_kept == 1


def test_a_small_inbox_refuses_what_it_cannot_hold(tmp_path: Path) -> None:
    with Inbox(tmp_path, warn=quiet, largest_bytes=400_000) as inbox:
        keeper = Keeper(inbox, Rules(), quiet)
        raws = [message(head(msh_10=f"M{n}"), OBR, *([obx()] * 100)) for n in range(30)]
        letters = [msa(keeper.keep(Piece(raw), "127.0.0.1")[0])[1] for raw in raws]
        kept = [one.raw for one in inbox.after(0)]
    assert set(letters) == {"AA", "AE"}
    assert [raw for raw, letter in zip(raws, letters, strict=True) if letter == "AA"] == kept


def test_a_fault_of_ours_loses_nothing(keeper: Keeper, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*rest: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("warmhold.exchange.hl7.listener.read", broken)
    (answer,) = keeper.keep(Piece(message()), "127.0.0.1")
    assert msa(answer)[1:3] == ["AE", "M1"]
    (kept,) = keeper.inbox.after(0)
    assert kept.refused == "warmhold could not read it (RuntimeError)"
    assert kept.raw == message()


def test_what_a_sender_writes_cannot_steer_the_terminal(inbox: Inbox) -> None:
    said: list[str] = []
    keeper = Keeper(inbox, Rules(), said.append)
    keeper.keep(Piece(message(head(msh_3="\x1b[31mred", msh_9="\x1b]0;x\x07"), OBR)), "127.0.0.1")
    assert said
    assert all("\x1b" not in text and "\x07" not in text for text in said)


def test_a_sender_that_floods_is_said_once_a_while(inbox: Inbox) -> None:
    said: list[str] = []
    keeper = Keeper(inbox, Rules(), said.append)
    for number in range(5):
        keeper.keep(Piece(message(head(msh_9="ADT^A01", msh_10=f"M{number}"), OBR)), "127.0.0.1")
        keeper.keep(Piece(message(HEAD, OBR, obx(obx_5=f"{number}"))), "127.0.0.1")
    assert len(said) == 3
    assert "only ORU^R01 is taken" in said[0]
    assert "First message" in said[1]
    assert "used M1 before, for message 2" in said[2]


# --- connections ----------------------------------------------------------------------------------


@contextmanager
def listening(keeper: Keeper, place: Place | None = None, bounds: Bounds | None = None):
    """Run a listener in a thread; yields its port."""
    ports: list[int] = []
    ready = threading.Event()
    loop = asyncio.new_event_loop()

    def started(port: int) -> None:
        ports.append(port)
        ready.set()

    listener = Listener(place or Place(port=0), keeper, bounds or Bounds(), started)

    tasks: list[asyncio.Task[None]] = []

    async def main() -> None:
        tasks.append(asyncio.create_task(listener.run()))
        with suppress(asyncio.CancelledError):
            await tasks[0]

    def run() -> None:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            runner.run(main())

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(10)
    try:
        yield ports[0]
    finally:
        loop.call_soon_threadsafe(tasks[0].cancel)
        thread.join(10)
        assert not thread.is_alive()


def answer_of(line: socket.socket, timeout: float = 10) -> bytes:
    """Read one frame; empty when the connection was closed."""
    line.settimeout(timeout)
    found = b""
    while not found.endswith(END + b"\r"):
        data = line.recv(65_536)
        if not data:
            return found
        found += data
    return found


def until(check) -> None:
    end = time.monotonic() + 10
    while not check():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_messages_are_answered_one_by_one_whatever_comes_in_one_read(keeper: Keeper) -> None:
    raws = [message(head(msh_10=f"M{n}"), OBR, obx()) for n in range(5)]
    with listening(keeper) as port, socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(b"".join(map(framed, raws[:3])) + framed(raws[3])[:50])
        found = b""
        while found.count(END) < 3:
            found += line.recv(65_536)
        line.sendall(framed(raws[3])[50:])
        found += answer_of(line)
        line.sendall(framed(raws[4]))
        found += answer_of(line)
    answers = [one.strip(b"\r" + BEGIN) for one in found.split(END) if one.strip()]
    assert [msa(answer)[1:] for answer in answers] == [["AA", f"M{n}"] for n in range(5)]
    assert [kept.raw for kept in keeper.inbox.after(0)] == raws


def test_a_broken_off_message_is_kept_with_the_reason(keeper: Keeper) -> None:
    with listening(keeper) as port:
        with socket.create_connection(("127.0.0.1", port)) as line:
            line.sendall(framed(message())[:-30])
        until(lambda: keeper.counts.refused)
    (kept,) = keeper.inbox.after(0)
    assert kept.refused == "the connection ended before the message did"
    assert message().startswith(kept.raw)


def test_a_silent_connection_and_a_slow_message_are_ended(keeper: Keeper) -> None:
    bounds = Bounds(idle_s=0.2, frame_s=0.3)
    with listening(keeper, bounds=bounds) as port:
        with socket.create_connection(("127.0.0.1", port)) as line:
            assert answer_of(line) == b""
        with socket.create_connection(("127.0.0.1", port)) as line:
            began = time.monotonic()
            try:
                for byte in framed(message()):
                    line.send(bytes([byte]))
                    time.sleep(0.02)
            except OSError:
                pass
            assert time.monotonic() - began < 5
        until(lambda: keeper.counts.refused)
    (kept,) = keeper.inbox.after(0)
    assert kept.refused == "the message did not end within 0.3 s"


def test_connections_are_bounded(keeper: Keeper) -> None:
    with listening(keeper, bounds=Bounds(connections=2)) as port:
        lines = [socket.create_connection(("127.0.0.1", port)) for _ in range(2)]
        for line in lines:
            line.sendall(framed(message()))
            answer_of(line)
        with socket.create_connection(("127.0.0.1", port)) as third:
            assert third.recv(10) == b""
        for line in lines:
            line.close()
        until(lambda: _is_answered(port))


def _is_answered(port: int) -> bool:
    with socket.create_connection(("127.0.0.1", port)) as line:
        try:
            line.sendall(framed(message()))
            return answer_of(line) != b""
        except OSError:
            return False


def test_a_message_without_an_end_is_answered_and_the_connection_closed(keeper: Keeper) -> None:
    with (
        listening(keeper, bounds=Bounds(largest=2000)) as port,
        socket.create_connection(("127.0.0.1", port)) as line,
    ):
        line.sendall(BEGIN + message() + b"x" * 3_000_000)
        assert msa(answer_of(line))[1:3] == ["AR", "M1"]
    (kept,) = keeper.inbox.after(0)
    assert len(kept.raw) == 2000
    assert "longer than 2000 bytes" in kept.refused


def test_only_addresses_of_the_list_may_send() -> None:
    some = (ip_network("10.1.2.0/28"), ip_network("fd00::/64"))
    assert is_allowed("10.1.2.3", some)
    assert is_allowed("::ffff:10.1.2.3", some)
    assert is_allowed("fd00::7%eth0", some)
    assert is_allowed("127.0.0.1", ())
    for peer in ("10.1.2.16", "10.1.2.3.4", "", "unknown", "fd01::7", "::ffff:10.1.3.3"):
        assert not is_allowed(peer, some)
    assert is_loopback("localhost")
    assert is_loopback("::1")
    assert is_loopback("127.8.9.1")
    for host in ("0.0.0.0", "", "::", "10.1.2.3", "somewhere"):
        assert not is_loopback(host)


def test_a_peer_that_is_not_on_the_list_is_closed(
    keeper: Keeper, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("warmhold.exchange.hl7.listener.is_allowed", lambda peer, allowed: False)
    with (
        listening(keeper) as port,
        socket.create_connection(("127.0.0.1", port)) as line,
    ):
        assert line.recv(10) == b""
    assert list(keeper.inbox.after(0)) == []


# --- killed between receipt and acknowledgement ---------------------------------------------------

_AT = re.compile(r"port (\d+)\.")


def _start(folder: Path, port: int) -> tuple[subprocess.Popen[str], int]:
    process = subprocess.Popen(
        [sys.executable, "-m", "warmhold", "exchange", "listen", "--folder", str(folder),
         "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    line = process.stdout.readline()
    found = _AT.search(line)
    assert found, (line, process.poll() and process.stderr and process.stderr.read())
    return process, int(found[1])


def _end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate()


class Sender(threading.Thread):
    """Sends each message again until it is acknowledged."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.port = port
        self.acknowledged: list[bytes] = []
        self.sent = 0
        self.stopping = False

    def run(self) -> None:
        number = 0
        while not self.stopping:
            raw = message(head(msh_10=f"M{number}"), OBR, obx(), obx(obx_5=f"{number}"))
            while not self._is_acknowledged(raw, f"M{number}"):
                time.sleep(0.01)
            self.acknowledged.append(raw)
            number += 1

    def _is_acknowledged(self, raw: bytes, identity: str) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=5) as line:
                while True:
                    self.sent += 1
                    line.sendall(framed(raw))
                    found = answer_of(line, 5)
                    return bool(found) and msa(found)[1:3] == ["AA", identity]
        except OSError:
            return False


def test_a_listener_killed_again_and_again_loses_nothing_and_doubles_nothing(
    tmp_path: Path,
) -> None:
    rounds = 120 if FULL else 3
    draw = random.Random(20260114)
    process, port = _start(tmp_path, 0)
    sender = Sender(port)
    sender.start()
    try:
        for _ in range(rounds):
            time.sleep(draw.uniform(0.0, 0.25))
            _end(process)
            process, _ = _start(tmp_path, port)
        sender.stopping = True
        sender.join(60)
        assert not sender.is_alive()
    finally:
        _end(process)
    with Inbox(tmp_path, warn=quiet) as inbox:
        kept: list[Kept] = list(inbox.after(0))
    whole = [one.raw for one in kept if not one.refused]
    print(f"{rounds} rounds, {len(whole)} messages, {sender.sent} sent, {len(kept)} kept")
    assert whole == sender.acknowledged  # each once, in order
    assert len(whole) > rounds
    parts = [one for one in kept if one.refused]
    assert all("ended before the message did" in one.refused for one in parts)


def test_what_was_killed_after_the_commit_is_answered_as_a_repeat(tmp_path: Path) -> None:
    """The moment between commit and answer, without chance: the process ends itself there."""
    script = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "import warmhold.exchange.hl7.listener as one\n"
        "one.answers = lambda *rest: os.kill(os.getpid(), 9)\n"
        "inbox = one.Inbox(Path(sys.argv[1]), warn=print)\n"
        "one.Keeper(inbox, one.Rules(), print).keep(one.Piece(sys.argv[2].encode()), '127.0.0.1')"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path), message().decode()], check=False, timeout=60
    )
    assert done.returncode == -signal.SIGKILL
    with Inbox(tmp_path, warn=quiet) as inbox:
        keeper = Keeper(inbox, Rules(), quiet)
        (answer,) = keeper.keep(Piece(message()), "127.0.0.1")
        assert msa(answer)[1:] == ["AA", "M1"]
        assert replace(keeper.counts, repeated=0, taken=0) == replace(keeper.counts, repeated=0)
        assert keeper.counts.repeated == 1
        assert [kept.raw for kept in inbox.after(0)] == [message()]
