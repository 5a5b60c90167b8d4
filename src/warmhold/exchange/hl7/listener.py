"""Messages over a line: frames in, on the disk, acknowledgements out.

A frame is VT, message, FS, CR. A message is committed to the inbox before its acknowledgement
leaves; whatever cannot be taken is kept as it came, with the reason. Everything is bounded: the
size of a frame, the time it may take, the connections, the time a connection may be silent.

Source: HL7 minimal lower layer protocol, release 1 (memory)
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from warmhold.exchange.hl7.answers import Verdict, answers
from warmhold.exchange.hl7.reader import Message, Refused, Rules, read
from warmhold.exchange.hl7.syntax import LARGEST, Header, Unreadable, header_of
from warmhold.exchange.inbox import LONGEST_NAME, Inbox
from warmhold.record import Trouble
from warmhold.report.plain import without_controls

BEGIN: Final = b"\x0b"
END: Final = b"\x1c"
NOT_KEPT: Final = "it could not be put on the disk here; send it again later"
_MARKS = re.compile(rb"[\x0b\x1c]")
_CHUNK = 65_536
_AGAIN_S = 60.0  # the same is said again after this long
_MOST_SAID = 1000
_PARTING_S = 2.0

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


@dataclass(frozen=True)
class Bounds:
    """How much is taken from the line at a time.

    largest : of a message [bytes]
    connections : at a time
    idle_s : a connection that says nothing for this long is closed [s]
    frame_s : a frame ends within this time of its beginning [s]
    """

    largest: int = LARGEST
    connections: int = 16
    idle_s: float = 600.0
    frame_s: float = 60.0


@dataclass(frozen=True)
class Piece:
    """What came between two marks.

    raw : without the marks
    fault : why it is no whole frame; empty when it is one
    answered : whether the sender waits for an answer to it
    """

    raw: bytes
    fault: str = ""
    answered: bool = True


def framed(message: bytes) -> bytes:
    """Put a message into its frame."""
    return BEGIN + message + END + b"\r"


class Frames:
    """Cuts what comes over one connection into frames."""

    def __init__(self, largest: int) -> None:
        """Begin.

        largest : of a frame, and of what stands outside of one [bytes]
        """
        self._largest = largest
        self._held = bytearray()
        self.inside = False
        self.broken = False  # nothing more can be told from this connection

    def feed(self, data: bytes) -> Iterator[Piece]:
        """Yield the pieces that end within these bytes."""
        place = 0
        while place < len(data) and not self.broken:
            mark = _MARKS.search(data, place)
            end = mark.start() if mark else len(data)
            room = self._largest - len(self._held)
            self._held += data[place : min(end, place + room)]
            if end - place > room:
                self.broken = True
                what = "message" if self.inside else "text outside of a frame"
                yield self._piece(f"a {what} longer than {self._largest} bytes; the rest is lost")
                return
            if mark is None:
                return
            place = mark.end()
            if mark.group() == END and not self.inside:
                self._held += b"" if len(self._held) >= self._largest else END
            elif mark.group() == END:
                yield self._piece("")
                self.inside = False
            else:
                yield from self.rest("a new frame began before this one ended")
                self.inside = True

    def rest(self, why: str = "the connection ended before the message did") -> Iterator[Piece]:
        """Yield what has not ended, if it is anything.

        why : it never will
        """
        if not self.broken and (self.inside or self._held.strip()):
            yield self._piece(why if self.inside else "it stands outside of a frame", False)
        self._held.clear()
        self.inside = False

    def _piece(self, fault: str, answered: bool = True) -> Piece:
        raw = bytes(self._held)
        self._held.clear()
        return Piece(raw, fault, answered and self.inside)


@dataclass
class Counts:
    """How many messages came since the start."""

    taken: int = 0
    repeated: int = 0
    refused: int = 0
    not_kept: int = 0

    def __str__(self) -> str:
        """All of them in words."""
        text = f"{self.taken} taken, {self.repeated} repeated, {self.refused} refused and kept"
        return f"{text}, {self.not_kept} not kept" if self.not_kept else text


class Keeper:
    """Puts pieces into the inbox and finds the answers; knows no network."""

    def __init__(self, inbox: Inbox, rules: Rules, say: Callable[[str], None]) -> None:
        """Begin.

        say : is told in a line what a person should know
        """
        self.inbox = inbox
        self.rules = rules
        self.counts = Counts()
        self._say = say
        self._said: dict[str, float] = {}
        self._seen: set[str] = set()
        self._one = threading.Lock()

    def keep(self, piece: Piece, peer: str) -> tuple[bytes, ...]:
        """Keep one piece; returns the answers, which may leave now. Any thread may call."""
        with self._one:
            return self._keep(piece, peer)

    def _keep(self, piece: Piece, peer: str) -> tuple[bytes, ...]:
        header = _header(piece.raw)
        outcome = self._outcome(piece, header, peer)
        source = outcome.source or f"not understood, from {peer}"
        refused = outcome.reason if isinstance(outcome, Refused) else ""
        told = outcome.told if isinstance(outcome, Message) else ()
        identity = without_controls(outcome.identity)[:LONGEST_NAME]
        condition = outcome.condition if isinstance(outcome, Refused) else 0
        rejected = isinstance(outcome, Refused) and outcome.rejected
        try:
            taken = self.inbox.take(source, identity, piece.raw, told, refused)
        except Trouble as trouble:
            self.counts.not_kept += 1
            self.say(f"{source}: {trouble}")
            verdict = Verdict(0, datetime.now(UTC), NOT_KEPT, 207)
        else:
            if taken.repeated:
                self.counts.repeated += 1
            elif taken.refused:
                self.counts.refused += 1
                self.say(
                    f"{source}: refused and kept as message {taken.number}: {taken.refused}",
                    f"{source}: {taken.refused}",
                )
            else:
                self.counts.taken += 1
                self._welcome(source, outcome)
            if taken.said and not taken.repeated:
                self.say(taken.said, f"{source} used an identity again")
            verdict = Verdict(taken.number, taken.received_utc, taken.refused, condition, rejected)
        return answers(header, verdict) if piece.answered else ()

    def _outcome(self, piece: Piece, header: Header | None, peer: str) -> Message | Refused:
        if piece.fault:
            too_long = "longer than" in piece.fault
            return Refused(piece.fault, 207, too_long, header)
        try:
            return read(piece.raw, self.rules, peer)
        except Exception as error:  # a fault of ours must not lose what a device told
            return Refused(
                f"warmhold could not read it ({type(error).__name__})", 207, False, header
            )

    def _welcome(self, source: str, outcome: Message | Refused) -> None:
        if source in self._seen or len(self._seen) >= _MOST_SAID:
            return
        self._seen.add(source)
        noticed = outcome.noticed if isinstance(outcome, Message) else ()
        self.say("; ".join((f"First message from {source}", *noticed)) + ".")

    def say(self, text: str, what: str = "") -> None:
        """Say a line, but nothing of its kind again for a while.

        what : its kind; lines that differ are of different kinds when not given
        """
        now, what = time.monotonic(), what or text
        if now - self._said.get(what, -_AGAIN_S) < _AGAIN_S:
            return
        if len(self._said) >= _MOST_SAID:
            self._said.clear()
        self._said[what] = now
        self._say(without_controls(text)[:500])


def _header(raw: bytes) -> Header | None:
    try:
        return header_of(raw)
    except Unreadable:
        return None


@dataclass(frozen=True)
class Place:
    """Where to listen.

    allowed : addresses that may send; empty: this computer alone
    """

    host: str = "127.0.0.1"
    port: int = 2575
    allowed: tuple[Network, ...] = ()


@dataclass
class Listener:
    """Listens until it is cancelled.

    started : is told the port as soon as messages can come
    """

    place: Place
    keeper: Keeper
    bounds: Bounds = field(default_factory=Bounds)
    started: Callable[[int], None] = lambda port: None
    _open: set[asyncio.Task[None]] = field(default_factory=set)

    async def run(self) -> None:
        """Listen.

        Errors: OSError when the address cannot be listened on
        """
        server = await asyncio.start_server(
            self._connected, self.place.host, self.place.port, limit=_CHUNK
        )
        try:
            self.started(int(server.sockets[0].getsockname()[1]))
            await self._summaries()
        finally:
            server.close()
            for task in tuple(self._open):
                task.cancel()
            await asyncio.gather(*self._open, return_exceptions=True)

    async def _summaries(self) -> None:
        before = str(self.keeper.counts)
        while True:
            await asyncio.sleep(_AGAIN_S)
            now = str(self.keeper.counts)
            if now != before:
                self.keeper.say(f"{datetime.now().astimezone():%H:%M}  {now}.")
            before = now

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        name = writer.get_extra_info("peername")
        peer = str(name[0]) if name else "unknown"
        if not is_allowed(peer, self.place.allowed):
            self.keeper.say(f"A connection from {peer} was closed: it is not on the list.")
        elif len(self._open) >= self.bounds.connections:
            self.keeper.say(
                f"A connection from {peer} was closed: {len(self._open)} are open already."
            )
        else:
            task = asyncio.get_running_loop().create_task(
                self._serve_and_close(reader, writer, peer)
            )
            self._open.add(task)
            task.add_done_callback(self._open.discard)
            return
        writer.close()

    async def _serve_and_close(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, peer: str
    ) -> None:
        try:
            await self._serve(reader, writer, peer)
        finally:
            writer.close()
            with contextlib.suppress(OSError, TimeoutError):
                async with asyncio.timeout(_PARTING_S):
                    await writer.wait_closed()

    async def _serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, peer: str
    ) -> None:
        frames = Frames(self.bounds.largest)
        why = "the connection ended before the message did"
        try:
            began: float | None = None
            while not frames.broken:
                now = time.monotonic()
                began = (now if began is None else began) if frames.inside else None
                patience = self.bounds.idle_s
                if began is not None:
                    patience = max(0.0, began + self.bounds.frame_s - now)
                # Not wait_for: before Python 3.12 it can swallow the word to end.
                async with asyncio.timeout(patience):
                    data = await reader.read(_CHUNK)
                if not data:
                    break
                for piece in frames.feed(data):
                    began = None
                    for answer in await self._keep(piece, peer):
                        writer.write(framed(answer))
                    async with asyncio.timeout(self.bounds.frame_s):
                        await writer.drain()
            if frames.broken:
                await _let_it_be_read(reader, writer)
        except TimeoutError:
            if frames.inside:
                why = f"the message did not end within {self.bounds.frame_s:g} s"
        except OSError:
            pass  # the sender is gone; it sends again what was not acknowledged
        for piece in frames.rest(why):
            await self._keep(piece, peer)

    async def _keep(self, piece: Piece, peer: str) -> tuple[bytes, ...]:
        """Keep a piece; a listener that is told to end meanwhile still finishes this."""
        return await asyncio.shield(asyncio.to_thread(self.keeper.keep, piece, peer))


async def _let_it_be_read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Give a sender that goes on sending the time to see its answer before the line is cut."""
    if writer.can_write_eof():
        writer.write_eof()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_PARTING_S):
            while await reader.read(_CHUNK):
                pass


def is_allowed(peer: str, allowed: Sequence[Network]) -> bool:
    """Tell whether an address may send."""
    try:
        address = ipaddress.ip_address(peer.split("%", maxsplit=1)[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    address = mapped if mapped is not None else address
    return address.is_loopback or any(address in network for network in allowed)
