"""From the inbox to the trip that a person joined a source to.

A thread reads what the joined sources told and writes one set of values a minute and source into
the record. It keeps nothing of its own: where it left off is read from the record, so that a
process that was killed goes on without losing or doubling anything. No value goes to a trip by an
identifier in a message: a person joins, and a person, the handover or the end of the trip leaves.
"""

from __future__ import annotations

import hashlib
import logging
import math
import re
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from warmhold.exchange.inbox import FILE, LONGEST_NAME, Inbox, Kept, SeenSource
from warmhold.exchange.told import Told
from warmhold.record import Event, Receipt
from warmhold.record.bodies import NUMBERS, valid_body
from warmhold.record.clock import moment_of
from warmhold.record.core import identity_of
from warmhold.record.views import CLOCK_SAYS, corrected
from warmhold.web.access import User

if TYPE_CHECKING:
    from warmhold.web.service import Service, Trip

log = logging.getLogger("warmhold.web")

TICK_S: Final = 1.0  # real time between two looks into the inbox
GRACE_S: Final = 2.0  # a minute is written this long after its end
MINUTE: Final = timedelta(minutes=1)
CLOCK_WITHIN: Final = timedelta(minutes=2)  # a told time further from the receipt is not used
LONGEST_H: Final = 12.0  # a source is left by itself this long after the baby went in
AFTER_LEAVING: Final = timedelta(minutes=10)  # so far on a source that was left is looked for
LONGEST_SOURCE: Final = 150  # characters of a source's name in the record
_FORM = re.compile(r"live-(\d+)-(\d+)-(\d+)-([0-9a-f]{8})", re.ASCII)


@dataclass(frozen=True)
class Machine(User):
    """Who writes an entry that no person wrote."""

    @property
    def who(self) -> str:
        """The name alone: a machine has no role."""
        return self.name


PUMP: Final = Machine("the exchange", None, "")


@dataclass(frozen=True)
class Join:
    """A source that goes, or went, to a trip.

    seq : number of the entry that joined it
    since : when it was joined, ``until`` when it was left; ``None`` while it goes on
    who : who joined it
    """

    source: str
    trip: str
    seq: int
    since: datetime
    who: str
    until: datetime | None = None

    def covers(self, moment: datetime) -> bool:
        """Tell whether what came at a moment goes to the trip."""
        return moment >= self.since and (self.until is None or moment < self.until)


class NotJoined(Exception):
    """Why a source cannot be joined or left; the text says what to do."""


def was_understood(seen: SeenSource) -> bool:
    """Tell whether any message of a source could be read."""
    return seen.refused < seen.count


def can_be_named(source: str) -> bool:
    """Tell whether the record can hold a source's name as it is."""
    return (
        0 < len(source) <= min(LONGEST_SOURCE, LONGEST_NAME)
        and source.isprintable()
        and source == " ".join(source.split())
    )


# --- what the record says -----------------------------------------------------------------------


@dataclass(frozen=True)
class Written:
    """The last set that was written for a join: numbers of its first and last message."""

    first: int
    last: int
    mark: str


@dataclass
class Known:
    """What the entries say of joins, and of what was written for each; fed in order."""

    joins: dict[int, Join] = field(default_factory=dict)  # by number of the joining entry
    written: dict[int, Written] = field(default_factory=dict)  # by the same number
    last_seq: int = 0

    def feed(self, events: Iterable[Event]) -> None:
        """Take more entries, of all trips."""
        for event in events:
            self.last_seq = event.seq
            if event.kind == "source":
                self._source(event)
            elif event.kind == "observation" and event.body.get("set") == "device":
                found = _FORM.fullmatch(event.form_id)
                if found is not None:
                    seq, one = int(found[1]), Written(int(found[2]), int(found[3]), found[4])
                    if seq not in self.written or self.written[seq].last < one.last:
                        self.written[seq] = one

    def _source(self, event: Event) -> None:
        source = str(event.body["source"])
        open_one = self.open_of(source)
        if event.body["did"] == "joined":
            if open_one is None:
                one = Join(source, event.trip, event.seq, event.saved_utc, event.who)
                self.joins[event.seq] = one
        elif open_one is not None and open_one.trip == event.trip:
            until = max(min(event.when, event.saved_utc), open_one.since)
            self.joins[open_one.seq] = replace(open_one, until=until)

    def open_of(self, source: str) -> Join | None:
        """Return where a source goes now."""
        return next((one for one in self.open() if one.source == source), None)

    def open(self) -> tuple[Join, ...]:
        """Return every source that goes to a trip now."""
        return tuple(one for one in self.joins.values() if one.until is None)


# --- from messages to a set ---------------------------------------------------------------------


@dataclass(frozen=True)
class DeviceSet:
    """One set of values for the record."""

    form_id: str
    stated: datetime
    body: Mapping[str, Any]


def moment_of_told(told: datetime | None, received: datetime) -> tuple[datetime, str]:
    """Return the time that counts for a value, and what there is to say against it.

    A told time counts when it lies within `CLOCK_WITHIN` of the receipt; one that is ahead of the
    receipt by less counts as the receipt, because nothing is read after it arrived.
    """
    if told is None:
        return received, ""
    if abs(told - received) <= CLOCK_WITHIN:
        return min(told.astimezone(received.tzinfo), received), ""
    here = told.astimezone(received.tzinfo)
    return received, f"{CLOCK_SAYS} {here:%Y-%m-%d %H:%M:%S} UTC; the time of receipt stands"


def set_of(join: Join, minute: Sequence[Kept]) -> DeviceSet | None:
    """Make the set of one minute: the latest value of each quantity, with its flags.

    The same messages give the same set with the same id; ``None`` when none holds a value.

    minute : messages of one source that came within one minute, in order
    """
    latest: dict[str, tuple[datetime, Told, str]] = {}
    for kept in minute:
        for told in kept.told:
            value = told.value
            if told.quantity not in NUMBERS or value is None or not math.isfinite(value):
                continue
            at, clock = moment_of_told(told.at, kept.received_utc)
            before = latest.get(told.quantity)
            if before is None or at >= before[0]:
                latest[told.quantity] = (at, told, clock)
    if not latest:
        return None
    stated = max(at for at, _, _ in latest.values())
    flags = {}
    for quantity, (at, told, clock) in latest.items():
        early = ""
        if not clock and stated - at > MINUTE:
            early = f"{CLOCK_SAYS} {at:%H:%M:%S} UTC, over a minute before the rest of this set"
        parts = (" ".join(told.flag.split())[:200], clock, early)
        flag = "; ".join(part for part in parts if part)
        if flag:
            flags[quantity] = flag
    order = [name for name in NUMBERS if name in latest]
    body: dict[str, Any] = {
        "values": {name: latest[name][1].value for name in order},
        "set": "device",
        "source": join.source,
    }
    if flags:
        body["flags"] = {name: flags[name] for name in order if name in flags}
    first, last = minute[0].number, minute[-1].number
    return DeviceSet(f"live-{join.seq}-{first}-{last}-{_mark(minute[0])}", stated, body)


def _mark(kept: Kept) -> str:
    """Tell the messages of one inbox from those of another that counts from 1, too."""
    text = f"{kept.number} {kept.source} {kept.received_utc.isoformat()}"
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _minute(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)


# --- the pump -----------------------------------------------------------------------------------


@dataclass
class _Reading:
    """How far a join was read: everything up to ``at`` is written or pending."""

    at: int
    pending: list[Kept] = field(default_factory=list)
    done: bool = False


class Live:
    """Joins sources to trips, and writes what they told into the record. Any thread may call."""

    def __init__(self, service: Service, folder: Path, every_s: float = TICK_S) -> None:
        """Keep whose record it is; `begin` starts the thread."""
        self._service = service
        self._folder = folder
        self._every_s = every_s
        self._known = Known()
        self._readings: dict[int, _Reading] = {}
        self._last = 0
        self._inbox: Inbox | None = None
        self._identity: tuple[int, int] | None = None
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="exchange", daemon=True)
        self.trouble = ""

    def begin(self) -> None:
        """Begin to look into the inbox."""
        self._thread.start()

    def close(self) -> None:
        """End the thread and close the inbox."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(10)
        with self._lock:
            self._shut()

    # --- the inbox ------------------------------------------------------------------------------

    def inbox(self) -> Inbox | None:
        """Return the inbox; ``None`` while nothing has ever come in.

        Raises ``Trouble``.
        """
        with self._lock:
            path = self._folder / FILE
            identity = identity_of(path)
            if identity != self._identity:  # it was moved away, or a new one was made
                self._shut()
            if identity is not None and self._inbox is None:
                self._inbox = Inbox(self._folder)
                self._identity = identity
            return self._inbox

    def _shut(self) -> None:
        if self._inbox is not None:
            self._inbox.close()
        self._inbox, self._identity, self._last = None, None, 0
        self._readings.clear()

    def sources(self) -> tuple[SeenSource, ...]:
        """Return every source that was ever seen.

        Raises ``Trouble``.
        """
        inbox = self.inbox()
        return inbox.sources() if inbox is not None else ()

    # --- joining and leaving --------------------------------------------------------------------

    def joins(self) -> tuple[Join, ...]:
        """Return where each source goes now.

        Raises ``NotSaved`` when the record cannot be read.
        """
        with self._lock:
            self._catch_up()
            return self._known.open()

    def join(self, user: User, form_id: str, source: str, trip: str) -> Receipt:
        """Let what a source tells from now on go to a trip.

        Raises ``NotJoined``; ``NotSaved`` when the record cannot be written.
        """
        with self._lock:
            self._catch_up()
            if self._service.entry_of_form(trip, form_id) is None:
                self._check(source, trip)
            body = {"source": source, "did": "joined"}
            return self._service.write(user, form_id, trip, "source", body)

    def _check(self, source: str, trip: str) -> None:
        if self._service.settings.rehearse:
            raise NotJoined("In a rehearsal no device is joined to a trip.")
        if not can_be_named(source):
            raise NotJoined(
                "The record cannot hold this name. Give the source another where it is taken in."
            )
        seen = next((one for one in self.sources() if one.name == source), None)
        if seen is not None and not was_understood(seen):
            raise NotJoined(f"Nothing that {source} told was understood so far.")
        open_one = self._known.open_of(source)
        if open_one is not None and open_one.trip == trip:
            raise NotJoined(f"{source} goes to this trip already.")
        if open_one is not None:
            title = self._service.trip(open_one.trip).title
            raise NotJoined(
                f"{source} goes to another trip: {title}. Look which baby it is on. Leave that "
                "trip first, then join it to this one."
            )
        ended = why_ended(self._service.trip(trip))
        if ended is not None:
            raise NotJoined(f"{ended[0]} A source is joined to a trip that is under way.")

    def leave(self, user: User, form_id: str, source: str, trip: str) -> Receipt:
        """End that what a source tells goes to a trip.

        Raises ``NotJoined``; ``NotSaved`` when the record cannot be written.
        """
        with self._lock:
            self._catch_up()
            open_one = self._known.open_of(source)
            repeat = self._service.entry_of_form(trip, form_id) is not None
            if not repeat and (open_one is None or open_one.trip != trip):
                raise NotJoined(f"{source} does not go to this trip; nothing was written.")
            body = {"source": source, "did": "left"}
            return self._service.write(user, form_id, trip, "source", body)

    # --- from the inbox to the record -----------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            try:
                self.pump()
                self.trouble = ""
            except Exception as error:  # goes on with the next tick: nothing was lost
                if str(error) != self.trouble:
                    self.trouble = str(error) or type(error).__name__
                    log.warning("what devices told is not in the record yet: %s", error)

    def pump(self) -> int:
        """Write what is due; return how many sets were written.

        Raises ``Trouble`` or ``NotSaved``; the next call goes on where this one stopped.
        """
        with self._lock:
            self._catch_up()
            self._leave_ended()
            inbox = self.inbox()
            if inbox is None:
                return 0
            last = inbox.last_number()
            now = self._service.clock.now()
            new = last != self._last
            count = 0
            for one in tuple(self._known.joins.values()):
                reading = self._readings.get(one.seq)
                if reading is None:
                    reading = self._readings[one.seq] = self._begin(inbox, one, last)
                    new_here = True
                else:
                    new_here = new
                if not reading.done:
                    count += self._read(inbox, one, reading, now, new_here, last)
            self._last = last
            return count

    def _begin(self, inbox: Inbox, join: Join, last: int) -> _Reading:
        """Find where a join was left off: after what was written, else where it was joined."""
        written = self._known.written.get(join.seq)
        if written is not None and written.last <= last:
            first = next(inbox.after(written.first - 1), None)
            if first is not None and _mark(first) == written.mark:
                return _Reading(written.last)
        low, high = 0, last  # every message up to low came before; received times mostly rise
        while low < high:
            middle = (low + high) // 2
            found = next(inbox.after(middle), None)
            if found is not None and found.received_utc < join.since - MINUTE:
                low = found.number
            else:
                high = middle
        return _Reading(low)

    def _read(
        self, inbox: Inbox, join: Join, reading: _Reading, now: datetime, new: bool, last: int
    ) -> int:
        count = 0
        if new:
            for kept in inbox.after(reading.at, join.source):
                if kept.number > last:
                    break
                if join.until is not None and kept.received_utc > join.until + AFTER_LEAVING:
                    reading.done = True
                    break
                if join.covers(kept.received_utc) and not kept.refused:
                    minute = _minute(kept.received_utc)
                    if reading.pending and _minute(reading.pending[-1].received_utc) != minute:
                        count += self._flush(join, reading)
                    reading.pending.append(replace(kept, raw=b""))
                reading.at = kept.number
        if reading.pending and self._is_over(join, reading, now):
            count += self._flush(join, reading)
        if join.until is not None and now > join.until + AFTER_LEAVING and not reading.pending:
            reading.done = True
        return count

    def _is_over(self, join: Join, reading: _Reading, now: datetime) -> bool:
        minute = _minute(reading.pending[-1].received_utc)
        end = minute + MINUTE if join.until is None else min(minute + MINUTE, join.until)
        return now >= end + timedelta(seconds=GRACE_S) or now < minute - MINUTE

    def _flush(self, join: Join, reading: _Reading) -> int:
        """Write the pending minute; when that fails it stays pending."""
        ours = [kept for kept in reading.pending if join.covers(kept.received_utc)]
        one = set_of(join, ours) if ours else None
        written = 0 if one is None else self._put(join, one)
        reading.pending = []
        return written

    def _put(self, join: Join, one: DeviceSet) -> int:
        faults = valid_body("observation", one.body)
        if faults:  # it stays in the inbox, and on the page
            log.error("what %s told cannot be kept: %s", join.source, "; ".join(faults))
            return 0
        if self._service.entry_of_form(join.trip, one.form_id) is not None:
            return 0
        user = Machine(f"device {join.source}", None, "")
        receipt = self._service.write(
            user, one.form_id, join.trip, "observation", one.body, one.stated
        )
        return 0 if receipt.repeated else 1

    def _leave_ended(self) -> None:
        from warmhold.web.service import NoSuchTrip  # noqa: PLC0415, each knows the other

        for one in self._known.open():
            try:
                ended = why_ended(self._service.trip(one.trip))
            except NoSuchTrip:  # an import without that trip's plan: nothing can go to it
                ended = "", one.since
            if ended is not None:
                body = {"source": one.source, "did": "left"}
                at = max(ended[1], one.since)
                self._service.write(PUMP, f"live-left-{one.seq}", one.trip, "source", body, at)
        self._catch_up()

    def _catch_up(self) -> None:
        """Read the new entries of the record."""
        self._known.feed(self._service.new_events(self._known.last_seq))


def why_ended(trip: Trip) -> tuple[str, datetime] | None:
    """Return why nothing goes to a trip any more, and since when; ``None`` for one under way."""
    view = trip.view
    if view.handover is not None:
        return "That trip was handed over.", view.end or trip.now
    if view.start is None:
        return "That trip has not started.", trip.now
    for shown in corrected(trip.events):
        if shown.event.kind == "moment" and not shown.struck:
            at = moment_of(shown.body["at"])
            if shown.body["moment"] == "handed_over" and at <= trip.now:
                return "That baby was handed over.", at
    end = view.start + timedelta(hours=LONGEST_H)
    if trip.now >= end:
        return f"The baby of that trip went in more than {LONGEST_H:.0f} hours ago.", end
    return None
