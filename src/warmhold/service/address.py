"""Where a service is: its address, and how a connection to it is made.

A password is never taken from an address: the list of processes and the shell's history would show
it to others. PostgreSQL's own ways are used instead (PGPASSWORD, PGPASSFILE, ~/.pgpass).
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool

from warmhold.record import Trouble
from warmhold.record import folder as places

BUSY_S = 30.0  # how long another's transaction on an SQLite file is waited for
EXAMPLES: Final = "postgresql://USER@HOST/DATABASE or sqlite:////FOLDER/FILE"
WRITING: Final = "warmhold_writing"  # set on a connection that is going to write

_POSTGRESQL = ("postgresql", "postgres", "postgresql+psycopg")
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
# A network that goes silent is noticed within a minute, and a server that is not there sooner.
_PATIENCE: Final[dict[str, Any]] = {
    "connect_timeout": 10,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,
    "application_name": "warmhold",
}

A_PASSWORD: Final = (
    "The address holds a password, which the list of processes and the shell's history would show "
    "to others.",
    "Leave it out of the address; use PGPASSWORD or the file ~/.pgpass.",
)
_HIDE = (
    (re.compile(r"(://[^:\s]*):\S*@"), r"\1:***@"),
    (re.compile(r"""(password\s*=\s*)('(?:[^'\\]|\\.)*'|[^\s&]+)""", re.IGNORECASE), r"\1***"),
    (re.compile(r"(?<!\S)([^\s:]+):(?!//)(\S+)@"), r"\1:***@"),
)
_WITH_SPACES = re.compile(r"(://[^:]*):.*@", re.DOTALL)


def hidden(text: str) -> str:
    """Return a message with whatever in it may be a password of an address left out."""
    for pattern, instead in _HIDE:
        text = pattern.sub(instead, text)
    return text


def holds_password(text: str) -> bool:
    """Tell whether a text is an address with a password, or may be one.

    Rather once too often: a ":" before a later "@" is taken for a password, except in the path of
    a file; "%40" stands for an "@" that is meant otherwise.
    """
    try:
        url = make_url(text.strip())
    except (ArgumentError, ValueError, TypeError):
        return hidden(text) != text or _WITH_SPACES.search(text) is not None
    if url.password is not None or any("password" in key.lower() for key in url.query):
        return True
    a_file = url.drivername == "sqlite" and not url.host
    return not a_file and _WITH_SPACES.search(text) is not None


@dataclass(frozen=True)
class Address:
    """Where a service is.

    url : for SQLAlchemy
    file : of an SQLite database; ``None`` for PostgreSQL
    shown : the same, fit for any message
    """

    url: URL
    file: Path | None
    shown: str


def address_of(text: str) -> Address:
    """Read an address.

    Errors: Trouble, also when it holds a password
    """
    if holds_password(text):
        raise Trouble(*A_PASSWORD)
    try:
        url = make_url(text.strip())
    except (ArgumentError, ValueError, TypeError) as error:
        raise _unreadable(text) from error
    if url.drivername in _POSTGRESQL:
        if not url.database:
            raise Trouble(f"{hidden(text)} names no database.", f"Write {EXAMPLES}.")
        made = url.set(drivername="postgresql+psycopg")
        return Address(made, None, hidden(url.set(drivername="postgresql").render_as_string()))
    if url.drivername == "sqlite":
        return _of_a_file(url, text)
    raise _unreadable(text)


def _unreadable(text: str) -> Trouble:
    return Trouble(f"{hidden(text)!r} is no address of a service.", f"Write {EXAMPLES}.")


def _of_a_file(url: URL, text: str) -> Address:
    name = url.database or ""
    if name in ("", ":memory:") or name.startswith("file:") or url.host or url.query:
        raise Trouble(f"{hidden(text)} names no file.", "Write sqlite:////FOLDER/FILE.")
    file = Path(name).expanduser().absolute()
    return Address(URL.create("sqlite"), file, f"sqlite:///{file}")


def engine_of(place: Address) -> Engine:
    """Return what makes connections; none is made yet, and no file is.

    Errors: Trouble
    """
    return _postgresql(place) if place.file is None else _sqlite(place.file)


def _postgresql(place: Address) -> Engine:
    try:
        import psycopg  # noqa: F401, PLC0415
    except ImportError as error:
        raise Trouble(
            "PostgreSQL needs the package psycopg, which is not installed here.",
            "Install it: pip install 'warmhold[postgresql]'.",
        ) from error
    logging.getLogger("psycopg").setLevel(logging.ERROR)  # a broken line is told in our own words
    given = place.url.query
    settings = {key: value for key, value in _PATIENCE.items() if key not in given}
    settings["prepare_threshold"] = None  # prepared statements do not outlive a pool between
    if not _is_here(place.url) and "sslmode" not in given and "PGSSLMODE" not in os.environ:
        settings["sslmode"] = "require"
    return create_engine(
        place.url,
        hide_parameters=True,
        isolation_level="READ COMMITTED",
        connect_args=settings,
    )


def _is_here(url: URL) -> bool:
    """Tell whether the address is on this computer."""
    host = (
        url.host or url.query.get("host") or url.query.get("hostaddr") or os.environ.get("PGHOST")
    )
    return not host or host in _LOOPBACK or str(host).startswith("/")


def _sqlite(file: Path) -> Engine:
    disk = places.kind_of_disk(file.parent)
    if disk is not None and places.is_network(disk):
        raise Trouble(
            f"{file} is on a disk of the kind {disk}: SQLite is not safe across a network.",
            "Use a disk of this computer, or PostgreSQL.",
        )
    uri = f"{file.as_uri()}?mode=rw"

    def made() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
        for setting in ("foreign_keys=ON", "synchronous=EXTRA", "trusted_schema=OFF"):
            connection.execute(f"PRAGMA {setting}").fetchall()
        return connection

    engine = create_engine("sqlite://", poolclass=NullPool, hide_parameters=True, creator=made)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writing = connection.get_execution_options().get(WRITING, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine
