"""Broken messages: refused with a reason or taken whole, and never a byte lost."""

from __future__ import annotations

import math
import os
import random
import re
from collections.abc import Callable
from pathlib import Path

from exchange.hl7_messages import HEAD, OBR, PID, PV1, RECTAL, SATURATION, head, message, obx
from warmhold.exchange.hl7.listener import Frames, Keeper, Piece, framed
from warmhold.exchange.hl7.reader import Message, Refused, Rules, read
from warmhold.exchange.hl7.syntax import messages_of
from warmhold.exchange.hl7.times import Zones, zone_of
from warmhold.exchange.inbox import Inbox
from warmhold.exchange.told import Told

FULL = bool(os.environ.get("WARMHOLD_FULL"))
COUNT = 10_000 if FULL else 400
ZONED = Rules(Zones(zone_of("Europe/Oslo")))

SEEDS = (
    message(),
    message(HEAD, PID, PV1, OBR, obx(), RECTAL, SATURATION, obx(obx_8="QUES"), obx(obx_11="X")),
    message(head(msh_15="AL", msh_16="NE", msh_11="T"), OBR, obx(obx_14="20260114030500")),
    message(head(msh_18="UNICODE UTF-8", msh_3="Bjørnøya"), OBR, obx(), charset="utf-8"),
    message(head(msh_12="2.3.1"), OBR, obx(obx_5=r"36\F\4"), "NTE|1||a note", "ZZZ|1|own"),
    message().replace(b"\r", b"\r\n"),
    message(head(msh_18="GB 18030-2000", msh_3="一二"), OBR, obx(), charset="gb18030"),
)
_BITS = (
    b"|", b"^", b"~", b"\\", b"&", b"\r", b"\n", b"\r\n", b"\x0b", b"\x1c", b"\x00", b"\xff",
    b"\xef\xbb\xbf", b'""', b"OBX", b"MSH|", b"PID|", b"\rOBX|1|NM|", b"9" * 500, b"-", b".", b"X",
    b"\\X", b"\\F\\", b"+0100", b"e5", b"NaN", "ø".encode(), b"{", b"\x1b$B",
)  # fmt: skip


def changed(raw: bytes, draw: random.Random) -> bytes:
    """Return a message with one thing about it changed."""
    place = draw.randrange(len(raw) + 1)
    end = min(len(raw), place + draw.choice((1, 1, 2, 5, 30, 200)))
    lines = raw.split(b"\r")
    other, one = draw.randrange(len(lines)), draw.randrange(len(lines))
    ways: tuple[Callable[[], bytes], ...] = (
        lambda: raw[:place] + bytes([draw.randrange(256)]) + raw[place + 1 :],
        lambda: raw[:place] + draw.choice(_BITS) + raw[place:],
        lambda: raw[:place] + draw.choice(_BITS) + raw[end:],
        lambda: raw[:place] + raw[end:],
        lambda: raw[:place],
        lambda: raw[:place] + raw[place:end] * 2 + raw[end:],
        lambda: b"\r".join([*lines[:other], lines[one], *lines[other:]]),
        lambda: b"\r".join([*lines[:other], *lines[other + 1 :]]),
        lambda: draw.choice(SEEDS)[:place] + raw[place:],
    )
    return draw.choice(ways)()


def mutated(raw: bytes, draw: random.Random) -> bytes:
    for _ in range(draw.choice((1, 1, 1, 2, 3, 8))):
        raw = changed(raw, draw)
    return raw


def sound(one: Told) -> bool:
    return (
        (one.value is None or math.isfinite(one.value))
        and (one.value is None) == bool(one.why_none)
        and (one.at is None or one.at.utcoffset() is not None)
    )


def check(raw: bytes, found: Message | Refused) -> None:
    """Say whether an outcome is whole, by counting lines without the parser."""
    if isinstance(found, Refused):
        assert found.reason
        return
    sign = re.escape(bytes([raw.lstrip(b"\xef\xbb\xbf \t\r\n")[3]]))
    lines = re.findall(rb"(?:\A|[\r\n])OBX(?=" + sign + rb"|[\r\n]|\Z)", raw)
    assert len(found.observed) == len(lines)
    values = [one for one in found.observed if any(part for v in one.values for part in v)]
    assert len(found.told) >= len(values)
    assert all(map(sound, found.told))


def test_mutated_messages_are_refused_with_a_reason_or_taken_whole(tmp_path: Path) -> None:
    draw = random.Random(20260114)
    sent: set[bytes] = set()
    counts = {True: 0, False: 0}
    said: list[str] = []
    with Inbox(tmp_path, warn=lambda text: None) as inbox:
        for number in range(COUNT if FULL else COUNT // 4):
            raw = mutated(draw.choice(SEEDS), draw)
            rules = ZONED if number % 2 else Rules()
            found = read(raw, rules)
            check(raw, found)
            counts[isinstance(found, Message)] += 1
            keeper = Keeper(inbox, rules, said.append)
            answers = keeper.keep(Piece(raw), "127.0.0.1")
            assert all(answer.startswith(b"MSH") and b"MSA" in answer for answer in answers)
            assert keeper.counts.not_kept == 0
            sent.add(raw)
        kept = list(inbox.after(0))
    print(f"mutated messages: {counts[True]} taken whole, {counts[False]} refused")
    assert {one.raw for one in kept} == sent  # nothing lost
    for one in kept:
        outcomes = [read(one.raw, rules, "127.0.0.1") for rules in (Rules(), ZONED)]
        told = [list(found.told) for found in outcomes if isinstance(found, Message)]
        assert list(one.told) in told if not one.refused else len(told) < 2
    assert min(counts.values()) > sum(counts.values()) / 10
    assert not any("warmhold could not read it" in text for text in said)


def test_lines_that_a_mutation_left_alone_say_what_they_said() -> None:
    draw = random.Random(7)
    first = message(head(msh_16="AL"), PID, PV1, OBR)
    lines = [obx(obx_5=f"3{n}.{n}", obx_4=f"1.1.1.{n}") for n in range(6)]
    compared = 0
    for _ in range(COUNT):
        body = mutated("\r".join(lines).encode() + b"\r", draw)
        found = read(first + body)
        if isinstance(found, Refused):
            continue
        whole = re.split(rb"[\r\n]+", body)
        for number, line in enumerate(lines):
            if line.encode() in whole:
                mine = [one for one in found.told if one.value == float(f"3{number}.{number}")]
                assert any(one.quantity == "skin_c" and not one.flag for one in mine)
                compared += 1
    assert compared > COUNT


def test_mutated_streams_and_files_lose_no_message_in_silence() -> None:
    draw = random.Random(3)
    for _ in range(COUNT // 4):
        seeds = [draw.choice(SEEDS) for _ in range(3)]
        stream = mutated(b"".join(map(framed, seeds)), draw)
        frames, pieces, place = Frames(100_000), [], 0
        while place < len(stream):
            size = draw.choice((1, 7, 100, 1000))
            pieces += list(frames.feed(stream[place : place + size]))
            place += size
        pieces += list(frames.rest())
        bare = re.compile(rb"[\s\x0b\x1c]")
        assert bare.sub(b"", b"".join(p.raw for p in pieces)) == bare.sub(b"", stream)
        for piece in pieces:
            check(piece.raw, read(piece.raw))
        told: list[str] = []
        file = mutated(b"FHS|^~\\&\rBHS|^~\\&\r" + b"".join(seeds) + b"BTS|3\rFTS|1\r", draw)
        for raw in messages_of(file, told.append):
            check(raw, read(raw))
