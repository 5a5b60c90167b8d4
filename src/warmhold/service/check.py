"""Whether rows follow from one another: the same rules for what is sent and for what is kept."""

from __future__ import annotations

from collections.abc import Iterable

from warmhold.record.chain import GENESIS, LOST, RECOVERED, Row, event_of
from warmhold.record.store import MOST_FAULTS, Verification, named_lost


class Chain:
    """A place in a chain, from which the next row has to follow."""

    def __init__(self, seq: int = 0, hash: str = GENESIS) -> None:
        """Begin behind a row."""
        self.seq, self.hash = seq, hash

    def add(self, row: Row) -> list[str]:
        """Go on to the next row; returns what does not fit, in plain words."""
        due, prior = self.seq + 1, self.hash
        self.seq, self.hash = row.seq, row.hash
        found: list[str] = []
        if row.seq != due:
            between = f"entry {due}" if row.seq == due + 1 else f"entries {due} to {row.seq - 1}"
            found.append(f"{between} missing")
        elif row.prior != prior:
            found.append(f"entry {row.seq} does not follow from the entry before it")
        own = fault_of(row)
        return [*found, own] if own is not None else found


def fault_of(row: Row) -> str | None:
    """Tell what is wrong with a row by itself; a row that stands for another may hold any hash."""
    if row.stands_in():
        return None
    if not row.is_own():
        return f"entry {row.seq} was changed: its hash does not fit what it says"
    try:
        event_of(row)
    except (TypeError, ValueError, RecursionError) as error:
        return f"entry {row.seq} cannot be read: {error}"
    return None


def identity(rows: Iterable[Row]) -> str | None:
    """Return the fingerprint of a record's first entry; ``None`` when there is no entry.

    A row for a lost entry whose hash is not known has one that any record could have: it is
    passed over.
    """
    for row in rows:
        if not (row.stands_in() and row.is_own()):
            return row.hash
    return None


def verification(rows: Iterable[Row], device: str, head: tuple[int, str]) -> Verification:
    """Check all rows of a device, in order.

    device : the identity that its entries are kept under
    head : number and hash that the service says it ends with
    """
    chain = Chain()
    faults: list[str] = []
    events = more = 0
    first: str | None = None
    lost: dict[int, str] = {}
    named: dict[int, str] = {}
    withheld = 0
    last: Row | None = None

    def fault(text: str) -> None:
        nonlocal more
        if len(faults) < MOST_FAULTS:
            faults.append(text)
        else:
            more += 1

    for row in rows:
        last = row
        first = first or identity([row])
        for found in chain.add(row):
            fault(found)
        if row.stands_in():
            if row.kind == LOST:
                lost[row.seq] = row.trip
            else:
                withheld += 1
            continue
        events += 1
        if row.kind == RECOVERED and fault_of(row) is None:
            named.update(named_lost(event_of(row)))
    for seq, trip in lost.items():
        if named.get(seq) != trip:
            fault(f"entry {seq} is lost, and no recovery names it")
    if last is not None and last.kind == LOST and not last.is_own():
        fault(f"entry {last.seq} is lost, and nothing follows it")
    if (chain.seq, chain.hash) != head:
        fault(f"the last entry is {chain.seq}; the service acknowledged up to {head[0]}")
    if first != device:
        fault("the first entry is not the one that this device is known by")
    if more:
        faults.append(f"and {more} more")
    return Verification(
        whole=not faults, events=events, head=chain.hash, faults=tuple(faults),
        withheld=withheld, lost=tuple(lost),
    )  # fmt: skip
