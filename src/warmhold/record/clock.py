"""The three times of an entry: wall clock, counter, and whose counter it is."""

from __future__ import annotations

import time
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

JUMP_S = 2.0  # wall clock and counter may part by this much between two entries


class Clock(Protocol):
    """What the record needs of a clock."""

    @property
    def boot(self) -> str:
        """Id of the counter: two counts can be compared only when it is the same."""
        ...

    def now(self) -> datetime:
        """Return the wall clock, in UTC."""
        ...

    def mono_ns(self) -> int:
        """Return the counter, which nobody sets and which never goes back [ns]."""
        ...


class SystemClock:
    """This computer's clock.

    On Linux the counter is the one that runs on while the computer sleeps, and its id is that of
    the start of the computer: a changed clock is seen even across a restart of warmhold. Elsewhere
    the counter's id is that of this process.
    """

    def __init__(self) -> None:
        """Find out which counter there is."""
        self._boottime: int | None = getattr(time, "CLOCK_BOOTTIME", None)
        self._boot = f"process-{uuid.uuid4()}"
        if self._boottime is not None:
            try:
                text = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
                self._boot = f"boot-{uuid.UUID(text)}"
            except (OSError, ValueError):
                pass

    @property
    def boot(self) -> str:
        """Id of the counter."""
        return self._boot

    def now(self) -> datetime:
        """Return the wall clock, in UTC."""
        return datetime.now(UTC)

    def mono_ns(self) -> int:
        """Return the counter [ns]."""
        if self._boottime is not None:
            return time.clock_gettime_ns(self._boottime)
        return time.monotonic_ns()


def iso(moment: datetime) -> str:
    """Write a moment as ISO 8601 in UTC with microseconds."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def moment_of(text: str) -> datetime:
    """Read a moment; refuses one without a zone.

    Errors: ValueError
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} names no zone")
    try:
        return moment.astimezone(UTC)
    except OverflowError as error:
        raise ValueError(f"{text!r} is out of range") from error
