"""A file of reports of observations as one recorded trend for each source.

Two messages that tell one quantity of one moment differently are both left out there, and a value
against which the device itself said something is not taken as a reading; both are said.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from warmhold.exchange.hl7.reader import Message, Refused, Rules, read
from warmhold.exchange.hl7.syntax import messages_of
from warmhold.exchange.told import Told
from warmhold.exchange.trends.recorded import Recorded, Series, rows_of, steady
from warmhold.exchange.trends.vocabulary import quantities
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import plain

LARGEST_FILE: Final = 64_000_000  # bytes
MOST_MESSAGES: Final = 200_000
MOST_SAID: Final = 20  # faults of single messages that are told one by one


@dataclass(frozen=True)
class Reports:
    """What a file holds.

    name, fingerprint : of the file, and its SHA-256
    messages : that were understood, each once, in order
    refused : place in the file, from 1, and why
    noticed : what a reader should know, in words
    """

    name: str
    fingerprint: str
    messages: tuple[Message, ...]
    refused: tuple[tuple[int, Refused], ...]
    noticed: tuple[str, ...] = ()

    @property
    def sources(self) -> tuple[str, ...]:
        """Who sent them, in order."""
        return tuple(dict.fromkeys(one.source for one in self.messages))

    def of(self, source: str) -> tuple[Message, ...]:
        """Return the messages of a source."""
        return tuple(one for one in self.messages if one.source == source)


def read_file(raw: bytes, name: str, rules: Rules | None = None) -> Reports:
    """Read a file: messages one after another, framed, or in a batch.

    name : what the file is called to people

    Errors: FaultyInput when there is nothing to take, with every reason
    """
    if len(raw) > LARGEST_FILE:
        raise _faulty(name, f"{len(raw)} bytes", f"up to {LARGEST_FILE} bytes", "part the file")
    said: list[str] = []
    messages: list[Message] = []
    refused: list[tuple[int, Refused]] = []
    seen: set[bytes] = set()
    repeated = 0
    for place, one in enumerate(messages_of(raw, said.append), 1):
        if place > MOST_MESSAGES:
            raise _faulty(name, f"more than {MOST_MESSAGES} messages", "fewer", "part the file")
        digest = hashlib.sha256(one).digest()
        if digest in seen:
            repeated += 1
            continue
        seen.add(digest)
        found = read(one, rules)
        if isinstance(found, Message):
            messages.append(found)
        else:
            refused.append((place, found))
    if not messages:
        faults = tuple(
            Fault(name, None, _called(place, one), one.reason, "", "")
            for place, one in refused[:MOST_SAID]
        )
        raise (
            FaultyInput(faults)
            if faults
            else _faulty(
                name,
                "no message",
                "messages that begin with MSH",
                "see whether it is the right file",
            )
        )
    if repeated:
        said.append(f"{repeated} messages that came twice in the file count once")
    said += [
        f"{_called(place, one)} was refused: {one.reason}" for place, one in refused[:MOST_SAID]
    ]
    if len(refused) > MOST_SAID:
        said.append(f"{len(refused) - MOST_SAID} more messages were refused")
    digest_of_file = hashlib.sha256(raw).hexdigest()
    return Reports(name, digest_of_file, tuple(messages), tuple(refused), tuple(said))


def _called(place: int, one: Refused) -> str:
    return f"message {place}" + (f" ({plain(one.identity)[:40]})" if one.identity else "")


def _faulty(name: str, found: str, allowed: str, todo: str) -> FaultyInput:
    return FaultyInput((Fault(name, None, "", found, allowed, todo),))


def trend_of(reports: Reports, source: str) -> Recorded:
    """Return what one source told, as a trend.

    Errors: FaultyInput when it told nothing that the record keeps
    """
    messages = reports.of(source)
    said = list(reports.noticed)
    said += dict.fromkeys(text for one in messages for text in one.noticed)
    told = [one for message in messages for one in message.told]
    kept, left = _kept(told)
    said += left
    if not kept:
        found = "; ".join(said)[:500] or "no value"
        raise _faulty(
            reports.name, f"nothing of {source} that the record keeps: {found}",
            "at least one value of a quantity of the record with its moment",
            "see docs/exchange.md for the codes that are understood",
        )  # fmt: skip
    start = min(at for readings in kept.values() for at in readings)
    numbers = {key: _series(readings, start) for key, readings in sorted(kept.items())}
    said += steady(numbers)
    seconds, values = rows_of(numbers)
    return Recorded(
        source, start, seconds, values, reports.name, reports.fingerprint,
        tuple(plain(one) for one in said), tuple(_unused(told)),
    )  # fmt: skip


def _kept(told: Sequence[Told]) -> tuple[dict[str, dict[datetime, float]], list[str]]:
    """Return the readings of each quantity by moment, and what was left out."""
    kept: dict[str, dict[datetime, float]] = {}
    differing: set[tuple[str, datetime]] = set()
    left: Counter[str] = Counter()
    for one in told:
        key = one.quantity
        if not key or key not in quantities().numbers:
            continue
        if one.value is None:
            left[f"{key}: not read, {one.why_none.split(' (it told')[0]}"] += 1
        elif one.at is None:
            left[f"{key}: no moment was told"] += 1
        elif one.flag:
            left[f"{key}: not taken as a reading, {one.flag}"] += 1
        else:
            at = one.at.astimezone(UTC)
            before = kept.setdefault(key, {}).setdefault(at, one.value)
            if before != one.value:
                differing.add((key, at))
    for key, at in differing:
        del kept[key][at]
    for key, count in Counter(key for key, _ in differing).items():
        left[f"{key}: two values for one moment, neither is taken"] = count
    said = [f"{text} ({count} times)" for text, count in sorted(left.items())]
    return {key: readings for key, readings in kept.items() if readings}, said


def _series(readings: dict[datetime, float], start: datetime) -> Series:
    moments = sorted(readings)
    seconds = np.array([(at - start).total_seconds() for at in moments])
    return Series(seconds, np.array([readings[at] for at in moments]))


def _unused(told: Sequence[Told]) -> Iterator[str]:
    """Yield the codes that were told and are kept as no quantity."""
    yield from sorted({plain(one.code)[:80] for one in told if not one.quantity and one.code})
