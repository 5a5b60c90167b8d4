"""Our own open line format, for rigs on a bench: text lines over TCP or a serial line.

    warmhold-line 1 rig2-20260114T0300 00d3ae74
    # a comment
    1 now air_c 35.8 Cel 87fb34ed
    2 2026-01-14T03:05:30+01:00 skin_c 36.4 Cel 6d72cba8
    3 now skin_c none:probe-off Cel a7871131
    4 now oxygen_percent 40 % test 759edacc

The format in full stands in docs/exchange.md. A line is on the disk before it is answered; a line
that cannot be read is kept as it came, with the reason; missing sequence numbers are said.
"""

from __future__ import annotations

import contextlib
import math
import re
import socket
import socketserver
import sys
import threading
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from typing import Final, Protocol

from warmhold.exchange.codes import Code, codes
from warmhold.exchange.inbox import Inbox
from warmhold.exchange.told import Told
from warmhold.record import Trouble
from warmhold.record.bodies import NUMBERS

VERSION: Final = 1
HEAD: Final = "warmhold-line"
LONGEST: Final = 300  # bytes of a line, its end not counted
MOST_AT_ONCE: Final = 20  # lines between two answers
HIGHEST: Final = 999_999_999  # sequence number
FLAGS: Final = ("questionable", "test", "demonstration")
IDLE_S: Final = 600.0  # a connection that says nothing for this long is closed
MOST_CONNECTIONS: Final = 8
LOOKED_BACK: Final = 5000  # messages in which runs are looked for that go on
AGAIN_S: Final = 1.0  # between two tries to keep what a serial port told
_RUN = re.compile(r"[A-Za-z0-9._-]{1,40}", re.ASCII)
_CRC = re.compile(r"[0-9a-fA-F]{8}", re.ASCII)
_NUMBER = re.compile(r"[+-]?\d{1,9}(\.\d{1,9})?", re.ASCII)
_WHY_NONE = re.compile(r"none(?::([A-Za-z0-9_-]{1,40}))?", re.ASCII)


def checksum(text: str) -> str:
    """Return the CRC-32 of a line up to the space before its checksum, as eight hex digits.

    Source: CRC-32 as zlib has it; check value of "123456789" is cbf43926 (memory, and the one that
        catalogues of CRCs print)
    """
    return f"{zlib.crc32(text.encode('utf-8')):08x}"


def sealed(text: str) -> str:
    """Return a line with its checksum."""
    return f"{text} {checksum(text)}"


def head_line(run: str) -> str:
    """Return the line that begins a run.

    run : 1 to 40 letters, digits, dots, hyphens or underscores; another each time the sequence
        begins anew
    """
    return sealed(f"{HEAD} {VERSION} {run}")


def reading_line(
    seq: int,
    quantity: str,
    value: float | None,
    *,
    at: datetime | None = None,
    why_none: str = "",
    unit: str = "",
    flag: str = "",
) -> str:
    """Return the line of one reading.

    seq : one more than that of the line before
    at : with its zone; "now" when not given
    unit : in UCUM; that of the record when not given
    """
    moment = "now" if at is None else at.isoformat()
    shown = f"{value:.9f}".rstrip("0").rstrip(".") if value is not None else "none"
    if value is None and why_none:
        shown += f":{why_none}"
    parts = [str(seq), moment, quantity, shown, unit or codes()[quantity].ucum]
    return sealed(" ".join([*parts, flag] if flag else parts))


@dataclass(frozen=True)
class Line:
    """What one line says.

    head : whether it begins a run, or goes on with one
    run : of the sequence; empty before the first head line
    seq : 0 for what has none
    told : the reading; ``None`` for a head line, a comment, or a line that was refused
    refused : why it cannot be taken; empty when it can
    raw : as it came, without its end
    missing : first and last sequence number that did not come before it
    """

    run: str
    seq: int
    raw: bytes
    told: Told | None = None
    refused: str = ""
    missing: tuple[int, int] | None = None
    head: bool = False


class _Bad(Exception):
    """Why a line cannot be taken."""


@dataclass
class Reader:
    """Reads the lines of one connection, in order. Pure: it writes nothing.

    highest : the highest sequence number that was kept of each run; may be shared by connections
    """

    highest: dict[str, int] = field(default_factory=dict)
    run: str = ""
    _units: Mapping[str, Code] = field(default_factory=codes)

    def read(self, raw: bytes) -> Line | None:
        """Read one line; ``None`` for an empty line or a comment.

        raw : without its end
        """
        raw = raw.rstrip(b"\r\n")
        if not raw.strip() or raw.lstrip().startswith(b"#"):
            return None
        seq = 0
        try:
            text = _text(raw)
            words = text.split(" ")
            _check(words)
            if words[0] == HEAD:
                self._begin(words)
                return Line(self.run, 0, raw, head=True)
            if not self.run:
                raise _Bad("no head line came before it, so its run is not known")
            seq = _seq(words[0])
            told = self._told(words)
        except _Bad as bad:
            return Line(self.run, seq, raw, refused=str(bad))
        due = self.highest.get(self.run, 0) + 1
        missing = (due, seq - 1) if seq > due else None
        return Line(self.run, seq, raw, told, missing=missing)

    def kept(self, line: Line) -> None:
        """Note that a line was kept: what comes next is counted from it."""
        self.highest[line.run] = max(self.highest.get(line.run, 0), line.seq)

    def _begin(self, words: list[str]) -> None:
        if len(words) != 4:
            raise _Bad(f"a head line is: {HEAD} {VERSION} RUN CHECKSUM")
        if words[1] != str(VERSION):
            self.run = ""  # what follows is of that other version, too
            raise _Bad(f"version {words[1][:10]} of the format is not known; known is {VERSION}")
        if not _RUN.fullmatch(words[2]):
            raise _Bad(
                "the run is 1 to 40 letters, digits, dots, hyphens or underscores, "
                f"not {words[2][:50]!r}"
            )
        self.run = words[2]

    def _told(self, words: list[str]) -> Told:
        if not 6 <= len(words) <= 7:
            raise _Bad(
                f"{len(words)} words; a reading is: SEQ TIME QUANTITY VALUE UNIT [FLAG] CHECKSUM"
            )
        _, moment, quantity, value, unit = words[:5]
        flag = words[5] if len(words) == 7 else ""
        if flag and flag not in FLAGS:
            raise _Bad(f"the flag {flag[:30]!r} is not known; known are {', '.join(FLAGS)}")
        known = self._units.get(quantity)
        if known is None or quantity not in NUMBERS:
            near = get_close_matches(quantity, [key for key in self._units if key in NUMBERS], 1)
            meant = f"; is it {near[0]}?" if near else ""
            raise _Bad(f"the quantity {quantity[:40]!r} is not known{meant}")
        if known.kept(0.0, unit) is None:
            allowed = ", ".join((known.ucum, *known.units))
            raise _Bad(f"the unit {unit[:20]!r} is not known for {quantity}; known: {allowed}")
        number, why = _value(value)
        return Told(
            at=_moment(moment),
            quantity=quantity,
            value=None if number is None else known.kept(number, unit),
            why_none=why,
            code=quantity,
            unit=unit,
            flag=flag,
        )


def _text(raw: bytes) -> str:
    if len(raw) > LONGEST:
        raise _Bad(f"longer than {LONGEST} bytes; only its beginning is kept")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _Bad("not UTF-8") from error
    if not text.isprintable():
        raise _Bad("holds a character that cannot be printed")
    return text


def _check(words: list[str]) -> None:
    """Refuse a line whose checksum is missing or does not fit."""
    if len(words) < 2 or not _CRC.fullmatch(words[-1]):
        raise _Bad("no checksum of eight hexadecimal digits at its end")
    if "" in words:
        raise _Bad("its words are parted by more than one space")
    found = checksum(" ".join(words[:-1]))
    if found != words[-1].lower():
        raise _Bad(f"the checksum is {words[-1]}, but the line gives {found}")


def _seq(word: str) -> int:
    if not re.fullmatch(r"[1-9]\d{0,8}", word, re.ASCII):
        raise _Bad(f"the sequence number is 1 to {HIGHEST}, not {word[:30]!r}")
    return int(word)


def _moment(word: str) -> datetime | None:
    if word == "now":
        return None
    try:
        found = datetime.fromisoformat(word)
        if found.tzinfo is None or found.utcoffset() is None:
            raise _Bad(f"the time {word[:40]!r} names no zone")
        if not 1970 <= found.year <= 9998:
            raise _Bad(f"the time {word[:40]!r} cannot be")
    except ValueError as error:
        raise _Bad(
            f"the time {word[:40]!r} cannot be read; write it as ISO 8601, or now"
        ) from error
    return found


def _value(word: str) -> tuple[float | None, str]:
    none = _WHY_NONE.fullmatch(word)
    if none is not None:
        return None, (none[1] or "no value was told").replace("-", " ").replace("_", " ")
    if not _NUMBER.fullmatch(word):
        raise _Bad(f"the value {word[:30]!r} is no number such as 36.4, and not none")
    number = float(word)
    if not math.isfinite(number):
        raise _Bad(f"the value {word[:30]!r} is no number")
    return number, ""


# --- from bytes to lines ------------------------------------------------------------------------


class Splitter:
    """Cuts what comes in pieces into lines; never holds more than one line and a bit."""

    def __init__(self) -> None:
        """Begin empty."""
        self._held = bytearray()

    def feed(self, piece: bytes) -> Iterator[bytes]:
        """Yield the lines that end in a piece; of one that is too long only its beginning."""
        for part in piece.splitlines(keepends=True) if piece else ():
            ended = part.endswith((b"\n", b"\r"))
            room = LONGEST + 1 - len(self._held)
            body = part.rstrip(b"\r\n")
            self._held += body[: max(room, 0)]
            if ended:
                whole, self._held = bytes(self._held), bytearray()
                yield whole

    def rest(self) -> bytes:
        """Return what came without an end of line."""
        left, self._held = bytes(self._held), bytearray()
        return left


@dataclass(frozen=True)
class Answer:
    """What is said to the sender of a line, and how it went."""

    text: str
    taken: bool = False
    refused: bool = False


class Collector:
    """Puts the lines of one source into the inbox, then says so. Any thread may use it."""

    def __init__(self, inbox: Inbox, source: str) -> None:
        """Keep where to put them.

        source : what the rig is called in the record
        """
        self.inbox = inbox
        self.source = source
        self.taken = self.repeated = self.refused = 0
        self.highest = _highest(inbox, source)
        self._count = threading.Lock()

    def reader(self) -> Reader:
        """Return a reader for one connection, which knows the runs that were kept before."""
        return Reader(self.highest)

    def collect(self, reader: Reader, lines: Iterable[bytes]) -> Iterator[Answer]:
        """Keep lines and yield an answer to each, when it is on the disk.

        reader : of the connection that they came on

        Errors: Trouble, and then nothing more was kept; the sender sends again
        """
        for raw in lines:
            line = reader.read(raw)
            if line is None:
                continue
            if line.missing is not None:
                yield self._missing(line, *line.missing)
            if line.refused:
                yield self._refuse(line)
            elif line.head:
                yield Answer(f"run {line.run} {self.highest.get(line.run, 0)}")
            elif line.told is not None:
                kept = self.inbox.take(
                    self.source, f"{line.run} {line.seq}", line.raw, (line.told,)
                )
                reader.kept(line)
                self._add(repeated=kept.repeated)
                yield Answer(f"ok {line.seq}", taken=True)

    def _refuse(self, line: Line) -> Answer:
        identity = f"{line.run} refused {zlib.crc32(line.raw):08x}".strip()
        self.inbox.take(self.source, identity, line.raw, (), line.refused)
        self._add(refused=True)
        return Answer(f"refused {line.seq or '-'} {line.refused}", refused=True)

    def _missing(self, line: Line, first: int, last: int) -> Answer:
        """Say that lines did not come; they are taken if they come later."""
        said = (
            f"line {first} is missing" if first == last else f"lines {first} to {last} are missing"
        )
        reason = f"{said} before this one, in the run {line.run}"
        self.inbox.take(self.source, f"{line.run} missing {first}-{last}", line.raw, (), reason)
        self._add(refused=True)
        return Answer(f"missing {first} {last}", refused=True)

    def _add(self, *, repeated: bool = False, refused: bool = False) -> None:
        with self._count:
            if refused:
                self.refused += 1
            elif repeated:
                self.repeated += 1
            else:
                self.taken += 1


def _highest(inbox: Inbox, source: str) -> dict[str, int]:
    """Return the highest sequence number of each run that was kept lately."""
    found: dict[str, int] = {}
    for kept in inbox.after(max(0, inbox.last_number() - LOOKED_BACK), source):
        run, _, seq = kept.identity.rpartition(" ")
        if not kept.refused and seq.isdigit():
            found[run] = max(found.get(run, 0), int(seq))
    return found


# --- TCP ----------------------------------------------------------------------------------------


class TcpLines(socketserver.ThreadingTCPServer):
    """Takes lines over TCP and answers each."""

    allow_reuse_address = True
    daemon_threads = True
    request_queue_size = MOST_CONNECTIONS

    def __init__(
        self,
        address: tuple[str, int],
        collector: Collector,
        say: Callable[[str], None] = lambda _text: None,
    ) -> None:
        """Begin to listen; `serve_forever` takes the lines.

        address : host and port; port 0 takes a free one
        say : is told what is worth a line on the terminal
        """
        self.collector = collector
        self.say = say
        self._free = threading.BoundedSemaphore(MOST_CONNECTIONS)
        if ":" in address[0]:
            self.address_family = socket.AF_INET6
        super().__init__(address, _Connection)

    @property
    def port(self) -> int:
        """Return the port that it listens on."""
        return int(self.server_address[1])

    def take_place(self) -> bool:
        """Tell whether one more connection may be held."""
        return self._free.acquire(blocking=False)

    def give_place(self) -> None:
        """Let another connection in."""
        self._free.release()

    def handle_error(self, request: object, client_address: object) -> None:
        """Say that a connection broke; the others go on."""
        self.say(f"{client_address}: {sys.exc_info()[1]}")


class _Connection(socketserver.BaseRequestHandler):
    """One connection."""

    def handle(self) -> None:
        server = self.server
        assert isinstance(server, TcpLines)
        if not server.take_place():
            self._send(f"busy {MOST_CONNECTIONS} connections are open already\n")
            return
        try:
            self._take(server)
        finally:
            server.give_place()

    def _take(self, server: TcpLines) -> None:
        reader, splitter = server.collector.reader(), Splitter()
        self.request.settimeout(IDLE_S)
        while True:
            try:
                piece = self.request.recv(LONGEST * 20)
            except (TimeoutError, ConnectionError):
                piece = b""
            ended = not piece
            lines = [splitter.rest()] if ended else list(splitter.feed(piece))
            for first in range(0, len(lines), MOST_AT_ONCE):
                if not self._answer(server, reader, lines[first : first + MOST_AT_ONCE]):
                    return
            if ended:
                return

    def _answer(self, server: TcpLines, reader: Reader, lines: list[bytes]) -> bool:
        """Keep some lines and answer them; ``False`` when the inbox takes nothing more."""
        answers = []
        going = True
        try:
            for answer in server.collector.collect(reader, lines):
                answers.append(answer.text)
                if answer.refused:
                    server.say(answer.text)
        except Trouble as trouble:
            answers.append(f"not-kept {trouble.reason} {trouble.todo}")
            server.say(f"{trouble.reason} {trouble.todo}")
            going = False
        if answers:
            self._send("".join(f"{text}\n" for text in answers))
        return going

    def _send(self, text: str) -> None:
        with contextlib.suppress(OSError):  # it hung up; what was kept stays kept
            self.request.sendall(text.encode("utf-8"))


# --- serial -------------------------------------------------------------------------------------


class Port(Protocol):
    """What is needed of a serial port."""

    def read(self, size: int = 1) -> bytes:
        """Return up to so many bytes, fewer when none come for a while."""
        ...


def collect_serial(
    port: Port, collector: Collector, stop: Callable[[], bool], say: Callable[[str], None]
) -> None:
    """Take the lines of a serial port until told to stop. Nothing is ever written to the port.

    port : opened for reading, with a timeout
    stop : asked between two reads

    What the inbox does not take is tried again until it does.

    Errors: OSError when the port is gone
    """
    reader, splitter = collector.reader(), Splitter()

    def keep(lines: list[bytes]) -> None:
        said = ""
        while lines:
            try:
                for answer in collector.collect(reader, lines):
                    if answer.refused:
                        say(answer.text)
                return
            except Trouble as trouble:
                if str(trouble) != said:
                    said = str(trouble)
                    say(f"not kept yet: {trouble.reason} {trouble.todo}")
                if stop():
                    say(f"{len(lines)} lines may not have been kept")
                    return
                time.sleep(AGAIN_S)

    try:
        while not stop():
            keep(list(splitter.feed(port.read(LONGEST))))
    finally:
        keep([one for one in (splitter.rest(),) if one])
