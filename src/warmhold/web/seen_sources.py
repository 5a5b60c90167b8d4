"""What the page Exchange shows of each source: its values with their age, its clock, its trip."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice

from warmhold.exchange.inbox import Inbox, Kept, SeenSource
from warmhold.exchange.told import Told
from warmhold.record.views import Reading
from warmhold.web import show
from warmhold.web.beside import is_fresh
from warmhold.web.live import CLOCK_WITHIN, Join, can_be_named, was_understood
from warmhold.web.quantities import listed

LOOKED_BACK = 300  # messages of the inbox in which the latest of a source are looked for
OLD = timedelta(
    hours=12
)  # a source that goes nowhere and told nothing for this long is folded away
SILENT = timedelta(minutes=5)  # a source that told nothing for this long is called silent
AGREES = timedelta(seconds=5)  # a clock that is off by no more is said to agree
PAGE = 30  # refused messages on one page
MOST_LOOKED = 1000  # messages that are looked through for one page of refused ones
LONGEST_SHOWN = 300  # characters of a refused message


@dataclass(frozen=True)
class Value:
    """The last value of one quantity.

    text : with its unit, or why there is none
    received : when it came; ``None`` when it came longer ago than was looked
    """

    title: str
    text: str
    known: bool
    received: datetime | None
    fresh: bool
    flag: str


@dataclass(frozen=True)
class Source:
    """One source as the page shows it.

    old : whether it goes nowhere and was last heard long ago
    understood : whether anything of it could be read; without that it is joined to nothing
    clock : what its clock says against this computer's, in words; empty when it tells no times
    clock_off : whether its times are not used
    join : where it goes now
    """

    name: str
    last: datetime
    silent: bool
    old: bool
    count: int
    refused: int
    last_refused: str
    understood: bool
    values: tuple[Value, ...]
    clock: str
    clock_off: bool
    join: Join | None
    nameable: bool


def sources_of(inbox: Inbox | None, joins: Iterable[Join], now: datetime) -> list[Source]:
    """Return every source, the one that was heard last first.

    Raises ``Trouble``.
    """
    if inbox is None:
        return []
    to = {one.source: one for one in joins}
    after = max(0, inbox.last_number() - LOOKED_BACK)
    lately: dict[str, list[Kept]] = {}
    for kept in inbox.after(after):
        if not kept.refused:
            lately.setdefault(kept.source, []).append(kept)
    found = [
        _source(seen, lately.get(seen.name, []), to.get(seen.name), now) for seen in inbox.sources()
    ]
    return sorted(found, key=lambda one: one.last, reverse=True)


def _source(seen: SeenSource, lately: list[Kept], join: Join | None, now: datetime) -> Source:
    values: dict[str, tuple[Told, datetime | None]] = {
        told.quantity: (told, None) for told in seen.values
    }
    clock = None
    for kept in lately:
        for told in kept.told:
            if told.quantity:
                values[told.quantity] = (told, kept.received_utc)
            if told.at is not None:
                clock = told.at - kept.received_utc
    return Source(
        seen.name,
        seen.last_utc,
        now - seen.last_utc > SILENT,
        join is None and now - seen.last_utc > OLD,
        seen.count,
        seen.refused,
        seen.last_refused,
        was_understood(seen),
        tuple(_value(told, received, now) for _, (told, received) in sorted(values.items())),
        _clock(clock),
        clock is not None and abs(clock) > CLOCK_WITHIN,
        join,
        can_be_named(seen.name),
    )


def _value(told: Told, received: datetime | None, now: datetime) -> Value:
    one = listed().get(told.quantity)
    title = one.title if one is not None else told.quantity
    if told.value is None:
        return Value(title, told.why_none or "no value", False, received, False, told.flag)
    text = one.with_unit(told.value) if one is not None else f"{told.value:g}"
    fresh = received is not None and is_fresh(
        Reading(told.quantity, told.value, received, 0, source="any"), now
    )
    return Value(title, text, True, received, fresh, told.flag)


def _clock(off: timedelta | None) -> str:
    if off is None:
        return ""
    if abs(off) <= AGREES:
        return "agrees with this computer's clock"
    seconds = abs(off).total_seconds()
    long = f"{seconds:.0f} s" if seconds < 120 else show.length(seconds / 60)
    return f"is {long} {'ahead of' if off > timedelta(0) else 'behind'} this computer's clock"


@dataclass(frozen=True)
class Refused:
    """A message that was kept and not understood."""

    number: int
    source: str
    received: datetime
    why: str
    text: str
    longer: bool


def refused_before(inbox: Inbox | None, before: int) -> tuple[list[Refused], int]:
    """Return refused messages, the latest first, and the number to go on before; 0 at the end.

    before : only messages with a lower number; 0 for the latest

    Raises ``Trouble``.
    """
    if inbox is None:
        return [], 0
    end = inbox.last_number() + 1 if before <= 0 else before
    start = max(0, end - 1 - MOST_LOOKED)
    some = islice(inbox.after(start), end - 1 - start)
    found = [_refused(kept) for kept in some if kept.refused and kept.number < end][::-1]
    if len(found) > PAGE:
        return found[:PAGE], found[PAGE - 1].number
    return found, start + 1 if start > 0 else 0


def _refused(kept: Kept) -> Refused:
    text = kept.raw[: 4 * LONGEST_SHOWN].decode("utf-8", "backslashreplace")
    shown = "".join(char if char.isprintable() else " " for char in text)
    return Refused(
        kept.number, kept.source, kept.received_utc, kept.refused, shown[:LONGEST_SHOWN],
        len(shown) > LONGEST_SHOWN or len(kept.raw) > 4 * LONGEST_SHOWN,
    )  # fmt: skip
