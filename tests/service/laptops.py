"""Invented laptops, whose rows are written straight into a record's file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from record.sample import SetClock
from warmhold.record import FILE, store
from warmhold.record.chain import COLUMNS, GENESIS, Row, canonical, sealed
from warmhold.record.clock import iso
from warmhold.service import Service, Unreachable
from warmhold.service.tables import device, entry


class Laptop:
    """A record whose rows are known, without its writer."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name, self.folder = name, folder / name
        self.folder.mkdir()
        self.rows: list[Row] = []
        self.clock = SetClock()
        store.create(self.folder / FILE, [])

    @property
    def id(self) -> str:
        return self.rows[0].hash

    def next_row(self, **changes: Any) -> Row:
        self.clock.run(1)
        number = len(self.rows) + 1
        last = self.rows[-1].hash if self.rows else GENESIS
        row = Row(
            number, f"{self.name}-{number}", f"T{number // 20}", "observation",
            iso(self.clock.now()), self.clock.mono_ns(), "b1", None, "mira (chart)",
            canonical({"values": {"skin_c": 36.5}, "set": "extra", "note": "é \0 \U0001f47c"}),
            last, "",
        )  # fmt: skip
        return sealed(row._replace(**changes))

    def write(self, count: int) -> None:
        new = []
        for _ in range(count):
            self.rows.append(self.next_row())
            new.append(self.rows[-1])
        self.put(new)

    def put(self, rows: Sequence[Row]) -> None:
        with closing(sqlite3.connect(self.folder / FILE, timeout=30)) as connection, connection:
            connection.execute("PRAGMA synchronous=OFF")
            store.insert(connection, rows)


def kept(service: Service, of: str | None = None) -> list[Row]:
    """Return the rows of a device as they lie in the database; of all when there is but one."""
    columns = [entry.c[name] for name in COLUMNS]
    query = sa.select(*columns).order_by(entry.c.seq)
    with service.reading() as connection:
        if of is not None:
            query = query.where(entry.c.device == of)
        return [Row._make(row) for row in connection.execute(query)]


def heads(service: Service) -> dict[str, tuple[int, str]]:
    with service.reading() as connection:
        found = connection.execute(sa.select(device.c.id, device.c.head_seq, device.c.head_hash))
        return {row.id: (row.head_seq, row.head_hash) for row in found}


class Flaky(Service):
    """A service whose network goes away in the middle of a transaction, or right after it.

    faults : for each transaction: "" for none, "before" the commit, "after" the commit
    """

    faults: Iterator[str] = iter(())

    @contextmanager
    def writing(self):
        fault = next(self.faults, "")
        with super().writing() as connection:
            yield connection
            if fault == "before":
                raise Unreachable("The network went away before the commit.")
        if fault == "after":
            raise Unreachable("The network went away after the commit.")
