"""A service that is open: its version, its transactions, and its failures in plain words."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError, SQLAlchemyError

from warmhold.record import Trouble
from warmhold.record.store import APPLICATION as A_RECORD
from warmhold.service.address import WRITING, Address, address_of, engine_of, hidden
from warmhold.service.tables import VERSION_TABLE

MIGRATIONS: Final = Path(__file__).parent / "migrations"
NEWEST: Final = "0002"
_ONE_AT_A_TIME: Final = 0x7761726D  # the advisory lock of a preparation

# Waiting ends, so that a laptop whose network went away in the middle of a transaction does not
# keep its device locked: PostgreSQL ends that transaction, and whoever waits gets its turn.
_IDLE_S, _LOCK_S = 60, 90
_SETTINGS = sa.text(
    f"""SELECT set_config('idle_in_transaction_session_timeout', '{_IDLE_S}s', true),
    set_config('lock_timeout', '{_LOCK_S}s', true),
    set_config('synchronous_commit', CASE current_setting('synchronous_commit')
        WHEN 'off' THEN 'on' ELSE current_setting('synchronous_commit') END, true)"""
)
# SQLSTATE classes and codes that another try may mend: connection exceptions, the server shutting
# down or starting, transactions that were ended to let another go on (PostgreSQL, appendix A).
_PASSING = ("08", "57P", "40", "25P03", "53300", "55P03")


class Unreachable(Trouble):
    """The network or the server failed; nothing was half done, another try may do."""


class Service:
    """A service that is open; see `open`."""

    def __init__(self, place: Address, engine: Engine) -> None:
        """Not called directly: see `open`."""
        self.shown = place.shown
        self._engine = engine

    @classmethod
    def open(cls, where: str) -> Service:
        """Open a service whose tables are of the version that this warmhold knows.

        where : its address

        Errors: Trouble
        """
        place = address_of(where)
        if place.file is not None and not place.file.is_file():
            raise _unprepared(place, "There is no service at")
        service = cls(place, engine_of(place))
        try:
            with service.reading() as connection:
                found = version(connection)
                _refuse_a_record(connection, place)
                if found is None:
                    raise _unprepared(place, "No service was prepared at")
                _refuse_newer(found)
                if found != NEWEST:
                    raise _unprepared(
                        place, f"The tables have version {int(found)}, not {int(NEWEST)}, at"
                    )
        except BaseException:
            service.close()
            raise
        return service

    def close(self) -> None:
        """Let go of every connection."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        """Use the service in a with statement."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees the service as it is at one moment, and changes nothing.

        Errors: Trouble; Unreachable
        """
        if self._engine.dialect.name == "postgresql":
            options: dict[str, Any] = {
                "isolation_level": "REPEATABLE READ", "postgresql_readonly": True,
            }  # fmt: skip
        else:
            options = {}
        with self._said(), self._engine.connect() as connection:
            yield connection.execution_options(**options)

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection in a transaction that is committed at the end, or undone.

        Errors: Trouble; Unreachable, and then it is not known whether it was committed
        """
        with self._said(), self._engine.connect() as connection:
            connection.execution_options(**{WRITING: True})
            with connection.begin():
                if self._engine.dialect.name == "postgresql":
                    connection.execute(_SETTINGS)
                yield connection

    @contextlib.contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as error:
            raise _trouble(error, self.shown) from error
        except sqlite3.Error as error:  # raised while the connection is being made
            raise _of_sqlite(error, self.shown) from error


def prepare(where: str) -> tuple[int, int]:
    """Make the tables of a service, or bring them to the newest version, whole or not at all.

    where : its address; an SQLite file that is not there is begun

    Returns the version before (0: none) and after.

    Errors: Trouble
    """
    place = address_of(where)
    if place.file is not None:
        _begin_file(place.file)
    with Service(place, engine_of(place)) as service, service.writing() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ONE_AT_A_TIME)))
        _refuse_a_record(connection, place)
        before = version(connection)
        if before is None:
            others = [name for name in sa.inspect(connection).get_table_names() if name]
            if others and others != [VERSION_TABLE]:
                raise Trouble(
                    f"{place.shown} holds tables of another program: {', '.join(others[:5])}.",
                    "Give warmhold a database of its own.",
                )
        else:
            _refuse_newer(before)
        upgrade(connection, NEWEST)
    return int(before or 0), int(NEWEST)


def upgrade(connection: Connection, to: str) -> None:
    """Bring the tables to a version, in the transaction that is open."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def version(connection: Connection) -> str | None:
    """Return the version of the tables; ``None`` when there are none."""
    context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
    return context.get_current_revision()


def _refuse_newer(found: str) -> None:
    if found.isdecimal() and int(found) <= int(NEWEST):
        return
    said = int(found) if found.isdecimal() else found
    raise Trouble(
        f"The tables of this service have version {said}; this warmhold knows versions up to "
        f"{int(NEWEST)}. Nothing was read or written.",
        "Use the newer warmhold that prepared it.",
    )


def _refuse_a_record(connection: Connection, place: Address) -> None:
    if place.file is None:
        return
    if connection.exec_driver_sql("PRAGMA application_id").scalar() == A_RECORD:
        raise Trouble(
            f"{place.file} is the record of one computer, not a service.",
            "Name another file for the service.",
        )


def _begin_file(file: Path) -> None:
    """Begin an SQLite file that only this user may read."""
    try:
        with contextlib.suppress(FileExistsError):
            os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except OSError as error:
        raise Trouble(
            f"{file} cannot be written: {error.strerror or error}.",
            "Name a file in a folder that is there and that this user may write to.",
        ) from error


def _unprepared(place: Address, what: str) -> Trouble:
    return Trouble(
        f"{what} {place.shown}.",
        f"Prepare it once, when you mean to: warmhold service prepare --on {place.shown}",
    )


def _trouble(error: SQLAlchemyError, shown: str) -> Trouble:
    """Say in plain words what a database ran into, without parameters or passwords."""
    original = getattr(error, "orig", None)
    if isinstance(original, sqlite3.Error):
        return _of_sqlite(original, shown)
    reason = hidden(" ".join(str(original or error).split()).rstrip("."))
    if not isinstance(error, DBAPIError):
        return Trouble(f"The service at {shown} could not be used: {reason}.")
    state = getattr(original, "sqlstate", None) or ""
    lost = not state and isinstance(error, (OperationalError, InterfaceError))
    if lost or state.startswith(_PASSING) or error.connection_invalidated:
        return Unreachable(
            f"The service at {shown} cannot be reached: {reason}.",
            "See to the network and the password, then try again. What was acknowledged is kept.",
        )
    return Trouble(f"The service at {shown} refused: {reason}.", "Nothing was half written.")


def _of_sqlite(error: sqlite3.Error, shown: str) -> Trouble:
    name = str(getattr(error, "sqlite_errorname", "") or "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return Unreachable(
            f"Another program kept {shown} locked.", "Close it or let it finish, then try again."
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return Trouble(
            f"{shown} is damaged or no database.",
            "Keep it as it is. Every laptop still has its own record: prepare a new service and "
            "send again.",
        )
    return Trouble(f"The service at {shown} could not be used: {hidden(str(error))}.")
