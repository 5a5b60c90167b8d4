"""One row of the record and the hash that ties it to the row before.

The hash of a row is SHA-256 over the hash of the row before and the canonical JSON of all its
other columns. The row also keeps the hash of the row before (`prior`): so each row can be checked
alone, and what follows a damaged row is not lost with it. A chain is tamper-evident, not
tamper-proof: who can write the file can write a new chain, but not one that ends in the
fingerprint already printed on a handover sheet.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from warmhold.record.clock import moment_of

GENESIS = hashlib.sha256(b"warmhold record, format 1").hexdigest()
DEEPEST = 40  # levels of nesting in a body

# Rows that stand for a row that is not there. Their hash is that of the row they stand for.
LOST = "lost"  # damaged and not recovered; a later event `recovered` names it
WITHHELD = "withheld"  # of another trip, left out of an export
RECOVERED = "recovered"
STANDING_IN = (LOST, WITHHELD)


def canonical(value: Any) -> str:
    """Write JSON in the one way that is hashed: sorted keys, no spaces, ASCII, no NaN.

    Errors: ValueError for what JSON cannot hold, or what would not be read back the same
    """
    return json.dumps(
        _plain(value, DEEPEST),
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=True,
        allow_nan=False,
    )


def _plain(value: Any, levels: int) -> Any:
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, int):
        if abs(value) >= 10**300:
            raise ValueError("a whole number with over 300 digits")
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} is not a number")
        return float(value)
    if levels == 0:
        raise ValueError(f"nested more than {DEEPEST} levels deep")
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise ValueError(f"the key {key!r} is not text")
        return {str(key): _plain(item, levels - 1) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item, levels - 1) for item in value]
    raise ValueError(f"{type(value).__name__} cannot be written as JSON")


class Row(NamedTuple):
    """The columns as they are on disk."""

    seq: int
    form_id: str
    trip: str
    kind: str
    saved_utc: str
    mono_ns: int
    boot: str
    stated_utc: str | None
    who: str
    body: str
    prior: str
    hash: str

    def own_hash(self) -> str:
        """Work out the hash from the other columns.

        Errors: ValueError when a column holds what no row can hold
        """
        columns = self._asdict()
        del columns["hash"]
        del columns["prior"]
        return hashlib.sha256(f"{self.prior}\n{canonical(columns)}".encode()).hexdigest()

    def is_own(self) -> bool:
        """Tell whether the row carries the hash of its own content."""
        try:
            return isinstance(self.hash, str) and self.own_hash() == self.hash
        except (ValueError, UnicodeError):
            return False

    def stands_in(self) -> bool:
        """Tell whether the row only stands for one that is not there."""
        return (
            self.kind in STANDING_IN
            and self.form_id == f"{self.kind}-{self.seq}"
            and (self.saved_utc, self.mono_ns, self.boot) == (NEVER, 0, "")
            and self.stated_utc is None
            and self.who == ""
            and self.body == "{}"
        )


COLUMNS = Row._fields
NEVER = "1970-01-01T00:00:00.000000Z"


def sealed(row: Row) -> Row:
    """Return the row with the hash of its content."""
    return row._replace(hash=row.own_hash())


def stand_in(kind: str, seq: int, trip: str, prior: str, hash: str = "") -> Row:
    """Return a row for one that is not there.

    hash : that of the row it stands for; when unknown it gets one of its own
    """
    row = Row(seq, f"{kind}-{seq}", trip, kind, NEVER, 0, "", None, "", "{}", prior, hash)
    return row if hash else sealed(row)


@dataclass(frozen=True)
class Event:
    """One entry of the record; the columns of the table, read."""

    seq: int
    form_id: str
    trip: str
    kind: str
    saved_utc: datetime
    mono_ns: int
    boot: str
    stated_utc: datetime | None
    who: str
    body: Mapping[str, Any]
    hash: str
    prior: str = ""

    @property
    def when(self) -> datetime:
        """The clinical time when one was stated, else when it was saved."""
        return self.stated_utc or self.saved_utc


def event_of(row: Row) -> Event:
    """Read a row.

    Errors: ValueError when a time or the body cannot be read
    """
    body = json.loads(row.body)
    if not isinstance(body, dict):
        raise ValueError("the body is no table")
    return Event(
        seq=row.seq,
        form_id=row.form_id,
        trip=row.trip,
        kind=row.kind,
        saved_utc=moment_of(row.saved_utc),
        mono_ns=row.mono_ns,
        boot=row.boot,
        stated_utc=None if row.stated_utc is None else moment_of(row.stated_utc),
        who=row.who,
        body=body,
        hash=row.hash,
        prior=row.prior,
    )
