"""Tokens of programs: made once, shown once, kept as a hash, each with a name and a role.

A token is 256 random bits, so a fast hash is enough: there is nothing to guess a word of. They lie
in a file of their own in the record's folder, which a running server reads at each request: a token
that was removed opens nothing from then on.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import re
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from warmhold.record.clock import iso, moment_of
from warmhold.web.access import ROLES, Role, User

log = logging.getLogger("warmhold.web")

FILE = "interface-tokens.sqlite"
PREFIX = "warmhold-"
RANDOM_BYTES = 32
LONGEST_GIVEN = 200
NOTE_USE_EVERY_S = 600.0
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", re.ASCII)
_TABLE = (
    "CREATE TABLE IF NOT EXISTS token (name TEXT PRIMARY KEY, role TEXT NOT NULL, "
    "hash TEXT NOT NULL UNIQUE, made_utc TEXT NOT NULL, until_utc TEXT, used_utc TEXT) STRICT"
)
_COLUMNS = "name, role, made_utc, until_utc, used_utc, hash"
_Row = tuple[str, str, str, str | None, str | None, str]


class TokenFault(ValueError):
    """A token cannot be made, found or kept; the text says why and what is allowed."""


@dataclass(frozen=True)
class Token:
    """One token, without what it was.

    until : it opens nothing from this moment on; ``None`` for one without an end
    used : when it was last used, to within some minutes; ``None`` when it never was
    """

    name: str
    role: Role
    made: datetime
    until: datetime | None
    used: datetime | None
    key: str  # the hash

    @property
    def user(self) -> User:
        """Who writes with it: the record keeps "token NAME (role)"."""
        return User(f"token {self.name}", self.role, "")

    def ended(self, now: datetime) -> bool:
        """Whether its time is over."""
        return self.until is not None and now >= self.until


class Tokens:
    """The tokens of one folder. Any thread and several processes may use them at once."""

    def __init__(self, folder: Path, clock: Callable[[], datetime] = lambda: datetime.now(UTC)):
        """Name the file; nothing is read or written yet."""
        self.path = folder / FILE
        self._clock = clock
        self._noted: dict[str, float] = {}  # hash: real time of the last note of use

    def now(self) -> datetime:
        """Return the moment that ends are held against."""
        return self._clock()

    def add(self, name: str, role: str, until: datetime | None = None) -> str:
        """Make a token and return it, the only time that it can be seen.

        name : 1 to 40 letters, digits, full stops, dashes and underscores, each name once
        until : with its zone, in the future

        Errors: TokenFault
        """
        if not _NAME.fullmatch(name):
            raise TokenFault(
                f"the name {name[:60]!r} cannot be used: 1 to 40 letters, digits, full stops, "
                "dashes or underscores, a letter or digit first"
            )
        if role not in ROLES:
            raise TokenFault(f"there is no role {role[:60]!r}: {', '.join(ROLES)}")
        now = self._clock()
        if until is not None and until <= now:
            raise TokenFault(f"the end {until:%Y-%m-%d %H:%M %Z} is already past")
        token = PREFIX + secrets.token_urlsafe(RANDOM_BYTES)
        row = (name, role, _hash(token), iso(now), None if until is None else iso(until))
        try:
            with self._open(make=True) as connection:
                connection.execute(
                    "INSERT INTO token (name, role, hash, made_utc, until_utc) "
                    "VALUES (?, ?, ?, ?, ?)",
                    row,
                )
        except sqlite3.IntegrityError as error:
            raise TokenFault(f"there is a token {name!r}: remove it first, or choose another name"
                             ) from error  # fmt: skip
        return token

    def remove(self, name: str) -> bool:
        """Take a token away; it opens nothing from now on. False when there is none.

        Errors: TokenFault
        """
        if not self.path.exists():
            return False
        with self._open() as connection:
            return connection.execute("DELETE FROM token WHERE name = ?", (name,)).rowcount > 0

    def all(self) -> tuple[Token, ...]:
        """Return every token, by name.

        Errors: TokenFault
        """
        if not self.path.exists():
            return ()
        with self._open() as connection:
            found = connection.execute(f"SELECT {_COLUMNS} FROM token ORDER BY name").fetchall()
        return tuple(_token(row) for row in found)

    def find(self, given: str) -> Token | None:
        """Return the token that was given, also one whose time is over; ``None`` for no token.

        Errors: TokenFault
        """
        if not 0 < len(given) <= LONGEST_GIVEN or not self.path.exists():
            return None
        return self._by_hash(_hash(given))

    def still(self, token: Token) -> bool:
        """Whether a token that was found before still opens what it opened."""
        found = self._by_hash(token.key) if self.path.exists() else None
        return found is not None and found.role == token.role and not found.ended(self._clock())

    def note_use(self, token: Token) -> None:
        """Write down that a token was used, some minutes apart."""
        now = time.monotonic()
        last = self._noted.get(token.key)
        if last is not None and now - last < NOTE_USE_EVERY_S:
            return
        self._noted[token.key] = now
        try:
            with self._open() as connection:
                connection.execute(
                    "UPDATE token SET used_utc = ? WHERE hash = ?", (iso(self._clock()), token.key)
                )
        except TokenFault as error:
            log.warning("the last use of a token was not noted: %s", error)

    def _by_hash(self, key: str) -> Token | None:
        with self._open() as connection:
            row = connection.execute(
                f"SELECT {_COLUMNS} FROM token WHERE hash = ?", (key,)
            ).fetchone()
        return None if row is None else _token(row)

    @contextlib.contextmanager
    def _open(self, make: bool = False) -> Iterator[sqlite3.Connection]:
        """Open the file, in one transaction; for its owner alone from the first moment on."""
        connection: sqlite3.Connection | None = None
        try:
            if make:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                os.close(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600))
                self.path.chmod(0o600)
            connection = sqlite3.connect(
                f"{self.path.absolute().as_uri()}?mode=rw", uri=True, timeout=5,
                isolation_level=None,
            )  # fmt: skip
            connection.execute("PRAGMA synchronous = EXTRA")
            if make:
                connection.execute(_TABLE)
            yield connection
        except sqlite3.IntegrityError:
            raise
        except (sqlite3.Error, OSError, ValueError) as error:
            if isinstance(error, TokenFault):
                raise
            raise TokenFault(f"{FILE} cannot be used: {error}") from error
        finally:
            if connection is not None:
                connection.close()


def until_of(text: str) -> datetime:
    """Read an end: a day, then to its end in UTC, or a moment with its zone.

    Errors: TokenFault
    """
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            day = date.fromisoformat(text)
            return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1)
        return moment_of(text)
    except (ValueError, OverflowError) as error:
        raise TokenFault(
            f"{text[:60]!r} is no end: write a day such as 2027-01-31, or a moment with its zone "
            "such as 2027-01-31T08:00:00+01:00"
        ) from error


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _token(row: _Row) -> Token:
    name, role, made, until, used, key = row
    known = next((one for one in ROLES if one == role), None)
    if known is None:
        raise TokenFault(f"{FILE} holds the role {role[:60]!r}, which this warmhold does not know")
    return Token(
        name, known, moment_of(made), None if until is None else moment_of(until),
        None if used is None else moment_of(used), key,
    )  # fmt: skip
