"""Our own line format: what is taken, what is refused and kept, and that nothing is doubled."""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from warmhold.exchange.inbox import Inbox, Kept
from warmhold.exchange.line import (
    FLAGS,
    HIGHEST,
    LONGEST,
    Collector,
    Reader,
    Splitter,
    TcpLines,
    checksum,
    head_line,
    reading_line,
    sealed,
)
from warmhold.record.bodies import NUMBERS

ROOT = Path(__file__).parents[2]
FULL = bool(os.environ.get("WARMHOLD_FULL"))
MUTATED = 10_000 if FULL else 1_500
ROUNDS = 40 if FULL else 2


def read(*lines: str) -> list:
    reader = Reader()
    found = []
    for one in lines:
        line = reader.read(one.encode())
        if line is not None:
            found.append(line)
            if line.told is not None:
                reader.kept(line)
    return found


# --- one line -----------------------------------------------------------------------------------


def test_the_checksum_is_the_crc_that_others_compute() -> None:
    # Against print: the check value of CRC-32, of the nine digits (catalogues of CRCs; memory).
    assert checksum("123456789") == "cbf43926"


def test_the_checksum_is_that_of_another_library() -> None:
    import binascii  # noqa: PLC0415

    text = "1 now air_c 35.8 Cel"
    bitwise = 0xFFFFFFFF  # and a third way: the polynomial, bit by bit
    for byte in text.encode():
        bitwise ^= byte
        for _ in range(8):
            bitwise = (bitwise >> 1) ^ (0xEDB88320 if bitwise & 1 else 0)
    assert checksum(text) == f"{binascii.crc32(text.encode()):08x}" == f"{bitwise ^ 0xFFFFFFFF:08x}"


def test_a_reading_is_told_with_its_time_unit_and_flag() -> None:
    at = datetime(2026, 1, 14, 3, 5, 30, tzinfo=timezone(timedelta(hours=1)))
    head, first, second, third = read(
        head_line("r1"),
        reading_line(1, "skin_c", 36.4, at=at),
        reading_line(2, "oxygen_percent", 40.0, flag="test"),
        reading_line(3, "skin_c", None, why_none="probe-off"),
    )
    assert (head.run, head.head, head.told) == ("r1", True, None)
    assert first.told.at == at
    assert (first.told.quantity, first.told.value, first.told.unit) == ("skin_c", 36.4, "Cel")
    assert (second.told.at, second.told.flag) == (None, "test")
    assert (third.told.value, third.told.why_none) == (None, "probe off")
    assert not any(line.refused for line in (head, first, second, third))


def test_another_unit_is_turned_into_the_records() -> None:
    # 100.4 degF is 38 degC by definition of the scale.
    line = read(head_line("r1"), sealed("1 now skin_c 100.4 [degF]"))[1]
    assert line.told.value == pytest.approx(38.0, abs=1e-6)
    assert line.told.unit == "[degF]"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1 now air_c 35.8 Cel", "no checksum"),
        ("1 now air_c 35.8 Cel 00000000", "but the line gives"),
        (sealed("1 now air_c 35.8"), "5 words"),
        (sealed("1 now air_c 35.8 Cel test more"), "8 words"),
        (sealed("1  now air_c 35.8 Cel"), "more than one space"),
        (sealed("0 now air_c 35.8 Cel"), "sequence number"),
        (sealed("-1 now air_c 35.8 Cel"), "sequence number"),
        (sealed(f"{HIGHEST + 1} now air_c 35.8 Cel"), "sequence number"),
        (sealed("1 then air_c 35.8 Cel"), "cannot be read"),
        (sealed("1 2026-01-14T03:05:00 air_c 35.8 Cel"), "names no zone"),
        (sealed("1 2026-13-14T03:05:00Z air_c 35.8 Cel"), "cannot be read"),
        (sealed("1 now gas_c 35.8 Cel"), "quantity"),
        (sealed("1 now power_source 1 1"), "quantity"),
        (sealed("1 now air_c 35.8 K"), "unit"),
        (sealed("1 now air_c 35,8 Cel"), "no number"),
        (sealed("1 now air_c nan Cel"), "no number"),
        (sealed("1 now air_c 1e9 Cel"), "no number"),
        (sealed("1 now air_c 35.8 Cel odd"), "flag"),
        (sealed("1 now air_c 35.8 " + "x" * LONGEST), "longer"),
        (sealed("1 now air_c\t35.8 Cel"), "cannot be printed"),
        (sealed("warmhold-line 2 r1"), "version"),
        (sealed("warmhold-line 1"), "head line"),
        (sealed("warmhold-line 1 a/b"), "run"),
    ],
)
def test_a_line_that_cannot_be_read_says_why(text: str, why: str) -> None:
    line = read(head_line("r1"), text)[1]
    assert line.told is None
    assert why in line.refused
    assert line.raw == text.encode()


def test_readings_before_a_head_line_or_after_an_unknown_version_are_refused() -> None:
    good = reading_line(1, "air_c", 35.8)
    assert "no head line" in read(good)[0].refused
    assert "no head line" in read(head_line("r1"), sealed("warmhold-line 7 r1"), good)[2].refused


def test_the_example_in_the_documentation_is_taken_whole() -> None:
    page = (ROOT / "docs" / "exchange.md").read_text("utf-8")
    block = re.search(r"(?:^    .*\n)*^    warmhold-line 1 .*\n(?:^    .*\n)+", page, re.M)
    assert block is not None
    found = read(*(line[4:] for line in block[0].splitlines()))
    assert [line.refused for line in found] == [""] * 5
    assert [line.seq for line in found] == [0, 1, 2, 3, 4]


def test_comments_and_empty_lines_say_nothing() -> None:
    assert read("", "   ", "# a comment", "#", head_line("r1"))[0].head


def test_missing_numbers_are_said_and_a_late_line_is_taken() -> None:
    lines = read(
        head_line("r1"),
        *(reading_line(n, "air_c", 35.0 + n / 10) for n in (1, 2, 5, 3, 6)),
    )
    assert [line.missing for line in lines[1:]] == [None, None, (3, 4), None, None]
    assert all(line.told is not None for line in lines[1:])
    assert read(head_line("r1"), reading_line(4, "air_c", 35.0))[1].missing == (1, 3)


@given(
    st.integers(1, HIGHEST),
    st.sampled_from(NUMBERS),
    st.one_of(st.none(), st.integers(-(10**14), 10**14).map(lambda n: n / 10**6)),
    st.one_of(st.none(), st.datetimes(timezones=st.just(UTC), min_value=datetime(1980, 1, 1))),
    st.sampled_from(("", *FLAGS)),
)
def test_what_was_written_is_read_back(seq, quantity, value, at, flag) -> None:
    written = reading_line(seq, quantity, value, at=at, flag=flag)
    line = read(head_line("run.1"), written)[1]
    if line.refused:  # the only thing a written line can be refused for
        assert at is not None
        assert at.year > 9998
        return
    assert (line.seq, line.told.quantity, line.told.at, line.told.flag) == (seq, quantity, at, flag)
    assert line.told.value == (None if value is None else pytest.approx(value, abs=1e-9))


@given(st.lists(st.binary(max_size=80), max_size=20), st.binary(max_size=400))
def test_lines_do_not_depend_on_how_they_were_cut(pieces: list[bytes], more: bytes) -> None:
    whole = b"".join(pieces) + more
    one, many = Splitter(), Splitter()
    at_once = [*one.feed(whole), one.rest()]
    in_pieces = [line for piece in (*pieces, more) for line in many.feed(piece)] + [many.rest()]
    assert [line for line in at_once if line] == [line for line in in_pieces if line]
    assert all(len(line) <= LONGEST + 1 for line in at_once)


def test_mutated_lines_are_refused_with_a_reason_or_taken_whole() -> None:
    source = random.Random(20260114)
    good = [head_line("r1"), *(reading_line(n, "skin_c", 30 + n / 100) for n in range(1, 200))]
    refused = taken = 0
    for _ in range(MUTATED):
        raw = bytearray(source.choice(good).encode())
        for _ in range(source.choice((0, 1, 1, 2, 5))):
            what, at = source.randrange(4), source.randrange(len(raw) + 1)
            if what == 0 and at < len(raw):
                raw[at] ^= 1 << source.randrange(8)
            elif what == 1 and at < len(raw):
                del raw[at]
            elif what == 2:
                raw.insert(at, source.randrange(256))
            else:
                raw[at:at] = raw[: source.randrange(20)]
        if source.random() < 0.5:  # half of them with the checksum of what they became
            body = bytes(raw).rpartition(b" ")[0]
            raw = bytearray(body + b" %08x" % zlib.crc32(body))
        reader = Reader(run="r1")
        for piece in Splitter().feed(bytes(raw) + b"\n"):
            line = reader.read(piece)
            if line is None:
                continue
            if line.refused:
                refused += 1
                assert line.told is None
                assert len(line.refused) > 8
            else:
                taken += 1
                text = piece.decode()
                assert sealed(text.rpartition(" ")[0]).lower() == text.lower(), "only what fits"
    print(f"mutated lines: {taken} taken whole, {refused} refused")
    assert refused > 0.5 * MUTATED
    assert taken > 0.1 * MUTATED


# --- into the inbox -----------------------------------------------------------------------------


@pytest.fixture
def inbox(tmp_path: Path) -> Iterator[Inbox]:
    with Inbox(tmp_path, warn=lambda _text: None) as one:
        yield one


def kept_of(inbox: Inbox) -> list[Kept]:
    return list(inbox.after(0))


def collect(inbox: Inbox, *lines: str) -> list[str]:
    collector = Collector(inbox, "rig")
    return [a.text for a in collector.collect(collector.reader(), (one.encode() for one in lines))]


def test_each_line_is_answered_and_kept_once(inbox: Inbox) -> None:
    lines = [head_line("r1"), *(reading_line(n, "air_c", 35.0) for n in (1, 2, 3))]
    assert collect(inbox, *lines) == ["run r1 0", "ok 1", "ok 2", "ok 3"]
    assert collect(inbox, *lines) == ["run r1 3", "ok 1", "ok 2", "ok 3"], "sent again"
    assert [kept.identity for kept in kept_of(inbox)] == ["r1 1", "r1 2", "r1 3"]
    anew = [head_line("r2"), reading_line(1, "air_c", 35.0)]
    assert collect(inbox, *anew) == ["run r2 0", "ok 1"]
    assert len(kept_of(inbox)) == 4, "the same words in another run are another reading"


def test_a_run_goes_on_over_connections_without_a_false_gap(inbox: Inbox) -> None:
    collect(inbox, head_line("r1"), *(reading_line(n, "air_c", 35.0) for n in (1, 2)))
    again = collect(inbox, head_line("r1"), reading_line(3, "air_c", 35.1))
    assert again == ["run r1 2", "ok 3"]
    gap = collect(inbox, head_line("r1"), reading_line(6, "air_c", 35.2))
    assert gap == ["run r1 3", "missing 4 5", "ok 6"]
    assert [k.refused for k in kept_of(inbox) if k.refused] == [
        "lines 4 to 5 are missing before this one, in the run r1"
    ]


def test_bad_lines_are_kept_as_they_came_with_the_reason(inbox: Inbox) -> None:
    bad = [b"\xff\xfe line noise", b"1 now air_c 35.8 Cel 00000000", b"x" * (LONGEST + 1)]
    collector = Collector(inbox, "rig")
    answers = list(collector.collect(collector.reader(), [head_line("r1").encode(), *bad]))
    assert [a.text.split(" ")[0] for a in answers] == ["run", "refused", "refused", "refused"]
    kept = kept_of(inbox)
    assert [k.raw for k in kept] == bad
    assert all(k.refused and not k.told and not k.said for k in kept)


class Tcp:
    """A listener in this process, and a rig that talks to it."""

    def __init__(self, inbox: Inbox) -> None:
        self.server = TcpLines(("127.0.0.1", 0), Collector(inbox, "rig"))
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def talk(self, text: bytes, answers: int) -> list[str]:
        with socket.create_connection(("127.0.0.1", self.server.port), timeout=5) as line:
            line.sendall(text)
            with line.makefile("r", encoding="utf-8") as said:
                return [said.readline().rstrip("\n") for _ in range(answers)]


@pytest.fixture
def tcp(inbox: Inbox) -> Iterator[Tcp]:
    one = Tcp(inbox)
    yield one
    one.server.shutdown()
    one.server.server_close()


def test_lines_over_tcp_are_on_the_disk_when_they_are_answered(tcp: Tcp, inbox: Inbox) -> None:
    lines = [head_line("r1"), reading_line(1, "air_c", 35.8), "# all well", "rubbish"]
    answers = tcp.talk("\r\n".join([*lines, ""]).encode(), 3)
    assert answers[:2] == ["run r1 0", "ok 1"]
    assert answers[2].startswith("refused - no checksum")
    assert [bool(kept.refused) for kept in kept_of(inbox)] == [False, True]


def test_a_line_that_was_cut_off_is_kept_with_its_reason(tcp: Tcp, inbox: Inbox) -> None:
    tcp.talk(f"{head_line('r1')}\n{reading_line(1, 'air_c', 35.8)[:-3]}".encode(), 1)
    until(lambda: len(kept_of(inbox)) == 1)
    assert "no checksum" in kept_of(inbox)[0].refused


def test_when_the_inbox_takes_nothing_the_rig_is_told_and_can_send_again(tmp_path: Path) -> None:
    lines = f"{head_line('r1')}\n{reading_line(1, 'air_c', 35.8)}\n".encode()
    with Inbox(tmp_path, warn=lambda _t: None, largest_bytes=1) as full:
        one = Tcp(full)
        answers = one.talk(lines, 2)
        one.server.shutdown()
        one.server.server_close()
        assert answers[1].startswith("not-kept The inbox has reached its limit")
    with Inbox(tmp_path, warn=lambda _t: None) as roomy:
        one = Tcp(roomy)
        assert one.talk(lines, 2) == ["run r1 0", "ok 1"]
        one.server.shutdown()
        one.server.server_close()


def until(good, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not good():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.02)


# --- the command --------------------------------------------------------------------------------


def listen(folder: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "warmhold", "exchange", "lines", "--source", "rig", "--folder",
         str(folder), *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT / "src"), "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip


def ended(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    return process.returncode, out, err


def test_a_serial_line_is_read_and_never_written_to(tmp_path: Path) -> None:
    rig, port = os.openpty()
    import tty  # noqa: PLC0415

    tty.setraw(rig)
    tty.setraw(port)
    process = listen(tmp_path, "--serial", os.ttyname(port), "--baud", "19200")
    assert process.stdout is not None
    assert "19200 baud" in process.stdout.readline()
    process.stdout.readline()
    noise = b"\x00\xf8ff cel 12\n"  # it was switched on in the middle of a line
    lines = [head_line("boot-7"), *(reading_line(n, "skin_c", 36.0 + n / 10) for n in (1, 2, 4))]
    os.write(rig, noise + "".join(f"{one}\r\n" for one in lines).encode())
    with Inbox(tmp_path, warn=lambda _t: None) as inbox:
        until(lambda: len(kept_of(inbox)) == 5)
        code, out, err = ended(process)
        assert (code, "Taken 3, repeated 0, refused or missing 2." in out) == (1, True), (out, err)
        assert "missing 3 3" in err
        values = [k.told[0].value for k in kept_of(inbox) if k.told]
        assert values == pytest.approx([36.1, 36.2, 36.4])
    os.set_blocking(rig, False)
    with pytest.raises(BlockingIOError):
        os.read(rig, 1)
    os.close(rig)
    os.close(port)


def test_a_listener_killed_at_any_moment_loses_and_doubles_nothing(tmp_path: Path) -> None:
    source = random.Random(5)
    lines = {n: reading_line(n, "air_c", 30.0 + n / 1000) for n in range(1, 4000)}
    told_ok = 0
    for number in range(ROUNDS):
        process = listen(tmp_path, "--port", "0")
        assert process.stdout is not None
        port = int(re.search(r"port (\d+)", process.stdout.readline())[1])
        timer = threading.Timer(source.uniform(0.3, 1.0), process.kill)
        with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
            said = line.makefile("r", encoding="utf-8")
            line.sendall(f"{head_line('r1')}\n".encode())
            on_disk = int(said.readline().split()[2])
            assert on_disk >= told_ok, "what was answered with ok is there"
            timer.start()
            ahead = range(told_ok + 1, told_ok + 60 + 40 * (number % 3))
            with contextlib.suppress(OSError):
                while True:
                    line.sendall("".join(f"{lines[n]}\n" for n in ahead).encode())
                    for n in ahead:
                        answer = said.readline()
                        if not answer.endswith("\n"):
                            raise ConnectionError
                        assert answer == f"ok {n}\n"
                        told_ok = n
                    ahead = range(told_ok + 1, told_ok + 60)
            said.close()
        process.kill()
        process.wait(10)
        process.stdout.close()
        process.stderr.close()
    assert told_ok > 5 * ROUNDS
    with Inbox(tmp_path, warn=lambda _t: None) as inbox:
        kept = kept_of(inbox)
        assert not [k.refused for k in kept if k.refused]
        seqs = [int(k.identity.split()[1]) for k in kept]
        assert seqs == list(range(1, len(seqs) + 1)), "each once, in order"
        assert len(seqs) >= told_ok
    print(f"{ROUNDS} rounds, {told_ok} lines answered, {len(seqs)} kept")


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--source", " "), "--source"),
        (("--source", "rig", "--serial", "/nowhere/at/all"), "No such file or directory. Found"),
    ],
)
def test_what_cannot_be_read_is_bad_input(tmp_path: Path, more: tuple[str, ...], says: str) -> None:
    found = subprocess.run(
        [sys.executable, "-m", "warmhold", "exchange", "lines", "--folder", str(tmp_path), *more],
        check=False, capture_output=True, text=True, timeout=30,
        env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
    )  # fmt: skip
    assert found.returncode == 2
    assert says in found.stderr
