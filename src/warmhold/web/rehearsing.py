"""A rehearsal: a simulated trip with one hidden fault, written into a record of its own."""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from warmhold.model import Case
from warmhold.record.bodies import HAPPENINGS, NUMBERS
from warmhold.watch import Seen
from warmhold.watch.rehearsal import Happened, Rehearsal

log = logging.getLogger("warmhold.web")

TICK_S = 1.0  # real time between two looks for what has been read
Write = Callable[[str, Mapping[str, Any], datetime], None]


class Clock:
    """The time of a rehearsal: real until it starts, then so many times faster, to its end."""

    def __init__(self, speed: float) -> None:
        """Run in real time for now."""
        self.speed = speed
        self.began: datetime | None = None
        self.ended: datetime | None = None

    def end(self, moment: datetime) -> None:
        """Let the time stand still from a moment on."""
        self.ended = moment

    def begin(self) -> datetime:
        """Let the time run faster from now on."""
        self.began = datetime.now(UTC)
        return self.began

    def now(self) -> datetime:
        """Return the rehearsal's own time."""
        if self.ended is not None:
            return self.ended
        real = datetime.now(UTC)
        return real if self.began is None else self.began + (real - self.began) * self.speed


class Rehearsing:
    """Writes what a monitor and a nurse would have read, as their time comes."""

    def __init__(self, case: Case, air_set_c: float, clock: Clock, write: Write) -> None:
        """Draw a trip that nobody knows.

        write : takes kind, body and stated time of an entry
        """
        self.rehearsal = Rehearsal(case, secrets.randbelow(2**31), "random", air_set_c=air_set_c)
        self._clock = clock
        self._write = write
        self._start = clock.began or clock.begin()
        self._done_s = -1.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rehearsal", daemon=True)

    def begin(self) -> None:
        """Begin to write."""
        self._thread.start()

    def close(self) -> None:
        """Stop writing."""
        self._stop.set()

    @property
    def over(self) -> bool:
        """Whether the simulated trip has ended."""
        return self._done_s >= self.rehearsal.ends_s

    def _run(self) -> None:
        try:
            while not self._stop.wait(TICK_S) and not self.over:
                self.write_until((self._clock.now() - self._start).total_seconds())
            if self.over:
                self._clock.end(self._start + timedelta(seconds=self.rehearsal.ends_s))
        except Exception:
            log.exception("the rehearsal failed")

    def write_until(self, at_s: float) -> None:
        """Write everything up to a moment, readings of one moment as one set."""
        sets: dict[float, dict[str, float]] = {}
        for event in self.rehearsal.events(at_s):
            if event.at_s <= self._done_s:
                continue
            if isinstance(event, Seen):
                if event.quantity in NUMBERS or ":" in event.quantity:
                    sets.setdefault(event.at_s, {})[event.quantity] = round(event.value, 2)
            else:
                self._happening(event)
        for moment, values in sorted(sets.items()):
            by_hand = any(name.startswith("gauge_bar:") or name == "axillary_c" for name in values)
            body = {"values": values, "set": "regular" if by_hand else "extra"}
            self._write("observation", body, self._start + timedelta(seconds=moment))
        self._done_s = max(self._done_s, at_s)

    def _happening(self, event: Happened) -> None:
        if event.what in HAPPENINGS:
            body: dict[str, Any] = {"what": event.what}
            if event.detail:
                body["detail"] = dict(event.detail)
            self._write("happening", body, self._start + timedelta(seconds=event.at_s))
