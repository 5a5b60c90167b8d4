"""The laptop's side of sending: a record that is only read, a few rows at a time.

No row is being read while the network is waited for: whoever writes to the record is not held up.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from warmhold.record import FILE, Trouble, store
from warmhold.record.chain import COLUMNS, Row
from warmhold.record.trouble import FAILURES, from_sqlite
from warmhold.service.check import identity

_NEXT = f"SELECT {', '.join(COLUMNS)} FROM event WHERE seq > ? ORDER BY seq LIMIT ?"


class Laptop:
    """A record, open for reading; see `open`."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        """Not called directly: see `open`."""
        self.path = path
        self._connection = connection

    @classmethod
    @contextlib.contextmanager
    def open(cls, path: Path) -> Iterator[Laptop]:
        """Open a record, also while warmhold serves it.

        path : its folder, or its file

        Errors: Trouble
        """
        file = path / FILE if path.is_dir() else path
        if not file.is_file():
            raise Trouble(
                f"There is no record at {file}.", "Name the folder of a record, or its file."
            )
        try:
            connection = store.connect(file, write=False)
        except FAILURES as error:
            raise from_sqlite(error) from error
        with contextlib.closing(connection):
            yield cls(file, connection)

    def rows(self, after: int, most: int, most_text: int | None = None) -> list[Row]:
        """Return the next rows.

        most : how many, at most
        most_text : characters in their bodies, at most, though never fewer rows than one
        """
        try:
            found = self._connection.execute(_NEXT, (after, most)).fetchall()
        except FAILURES as error:
            raise from_sqlite(error) from error
        rows = [Row._make(columns) for columns in found]
        if most_text is None:
            return rows
        total = 0
        for count, row in enumerate(rows):
            total += len(str(row.body))
            if count and total > most_text:
                return rows[:count]
        return rows

    def row(self, seq: int) -> Row | None:
        """Return one row."""
        try:
            return store.row_of_seq(self._connection, seq)
        except FAILURES as error:
            raise from_sqlite(error) from error

    def last(self) -> Row | None:
        """Return the last row."""
        try:
            return store.last_row(self._connection)
        except FAILURES as error:
            raise from_sqlite(error) from error

    def last_seq(self) -> int:
        """Return the number of the last row; 0 when there is none."""
        row = self.last()
        return row.seq if row is not None else 0

    def identity(self) -> str | None:
        """Return what tells this record from every other; ``None`` while it has no entry."""
        after = 0
        while rows := self.rows(after, 100):
            found = identity(rows)
            if found is not None:
                return found
            after = rows[-1].seq
        return None
