"""Who gets in: roles, passcodes, sessions, tokens against forged forms, and limits on tries."""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

import argon2
from itsdangerous import BadSignature, URLSafeTimedSerializer
from starlette.requests import Request

from warmhold.record.whole_files import write_bytes

Role = Literal["look", "chart", "lead"]
ROLES: tuple[Role, ...] = ("look", "chart", "lead")  # each may do what the ones before it may
ROLE_MEANING: Mapping[Role, str] = {
    "look": "sees every page, writes nothing",
    "chart": "plans and starts trips, writes observations and events, hands over",
    "lead": "all that, and changes units and policies, and reads who did what",
}
COOKIE = "warmhold_session"
SESSION_S = 14 * 3600  # a long night
SHORTEST_PASSCODE = 6
LONGEST_PASSCODE = 200
LONGEST_NAME = 60

_Endpoint = TypeVar("_Endpoint", bound=Callable[..., Any])


def at_least(role: Role | None, needed: Role) -> bool:
    """Whether a role may do what another may."""
    return role is not None and ROLES.index(role) >= ROLES.index(needed)


@dataclass(frozen=True)
class User:
    """Someone at a page. Without a role, nothing but the door is shown."""

    name: str
    role: Role | None
    key: str  # random, of this session

    def may(self, needed: Role) -> bool:
        """Whether this user may do what a role may; without a name nobody may write."""
        return at_least(self.role, needed) and (needed == "look" or bool(self.name))

    @property
    def who(self) -> str:
        """Name and role, as the record keeps them."""
        return f"{self.name or 'nobody named'} ({self.role or 'no role'})"


def user_of(request: Request) -> User:
    """Return who asks."""
    user = getattr(request.state, "user", None)
    return user if isinstance(user, User) else User("", None, "")


class NotAllowed(Exception):
    """The role does not allow this; the text says what would."""


def needs(role: Role) -> Callable[[_Endpoint], _Endpoint]:
    """Mark an endpoint ``(request) -> Response`` (a plain function) as for a role and above.

    Without it reading needs ``look`` and posting needs ``chart``.
    """

    def mark(endpoint: _Endpoint) -> _Endpoint:
        def guarded(request: Request) -> Any:
            if not user_of(request).may(role):
                raise NotAllowed(f"This is for the role {role}. {ROLE_MEANING[role].capitalize()}.")
            return endpoint(request)

        guarded.__name__ = getattr(endpoint, "__name__", "guarded")
        return cast(_Endpoint, guarded)

    return mark


# --- passcodes ----------------------------------------------------------------------------------


class Passcodes:
    """The roles' passcodes, kept as argon2 hashes in one file of the folder."""

    def __init__(self, folder: Path) -> None:
        """Read what is there; nothing is written before `store`."""
        self.path = folder / "passcodes.json"
        self._hasher = argon2.PasswordHasher()
        self._one_at_a_time = threading.Lock()
        self._hashes: dict[Role, str] = {}
        if self.path.exists():
            given = json.loads(self.path.read_text("utf-8"))
            self._hashes = {role: str(given[role]) for role in ROLES if given.get(role)}

    @property
    def roles(self) -> tuple[Role, ...]:
        """Return the roles that have a passcode."""
        return tuple(self._hashes)

    def store(self, codes: Mapping[Role, str]) -> None:
        """Keep the hashes of passcodes.

        Raises ``ValueError`` when one is too short or two are alike.
        """
        for role, code in codes.items():
            if not SHORTEST_PASSCODE <= len(code) <= LONGEST_PASSCODE:
                raise ValueError(
                    f"the passcode of {role} must have {SHORTEST_PASSCODE} to "
                    f"{LONGEST_PASSCODE} characters"
                )
        if len(set(codes.values())) < len(codes):
            raise ValueError("two roles have the same passcode; each needs its own")
        self._hashes = {role: self._hasher.hash(code) for role, code in codes.items()}
        write_bytes(self.path, json.dumps(self._hashes, indent=1).encode(), mode=0o600)

    def role_for(self, code: str) -> Role | None:
        """Return the role that a passcode opens, the highest if there are several."""
        found: Role | None = None
        with self._one_at_a_time:  # each check takes much memory on purpose
            for role in ROLES:
                if role in self._hashes and self._fits(self._hashes[role], code):
                    found = role
        return found

    def _fits(self, kept: str, code: str) -> bool:
        try:
            return self._hasher.verify(kept, code[:LONGEST_PASSCODE])
        except argon2.exceptions.Argon2Error:
            return False
        except argon2.exceptions.InvalidHash:
            return False


# --- sessions -----------------------------------------------------------------------------------


class Sessions:
    """Signed cookies: who it is and a random key; nothing is kept on the server."""

    def __init__(self, folder: Path, passcodes: Passcodes) -> None:
        """Take the folder's signing key, made at the first start.

        The key is mixed with the passcodes, so that changing them ends every session.
        """
        path = folder / "session.key"
        if not path.exists():
            write_bytes(path, secrets.token_bytes(32), mode=0o600)
        mixed = "".join(passcodes._hashes.get(role, "") for role in ROLES).encode()
        self._key = hashlib.sha256(path.read_bytes() + mixed).digest()
        self._signer = URLSafeTimedSerializer(self._key, salt="warmhold session")

    def write(self, user: User) -> str:
        """Write a user as a cookie."""
        return str(self._signer.dumps([user.name, user.role, user.key]))

    def read(self, cookie: str) -> User | None:
        """Read a cookie; ``None`` when it is forged, old or of another shape."""
        try:
            name, role, key = self._signer.loads(cookie, max_age=SESSION_S)
        except (BadSignature, ValueError, TypeError):
            return None
        if not isinstance(name, str) or not isinstance(key, str) or role not in (*ROLES, None):
            return None
        return User(name[:LONGEST_NAME], role, key)

    def token(self, user: User) -> str:
        """Return the token that this session's forms carry."""
        return hmac.new(self._key, b"form " + user.key.encode(), hashlib.sha256).hexdigest()

    def token_fits(self, user: User, token: str) -> bool:
        """Whether a form's token is this session's."""
        return hmac.compare_digest(self.token(user).encode(), token.encode())


def new_key() -> str:
    """Return a random key for a session."""
    return secrets.token_urlsafe(18)


# --- tries --------------------------------------------------------------------------------------


class Tries:
    """Counts wrong passcodes by address; each wrong one after the third doubles the wait."""

    FREE = 3
    LONGEST_S = 600.0
    FORGET_S = 3600.0
    MOST_ADDRESSES = 10_000

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """Begin with no tries."""
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: dict[str, tuple[int, float]] = {}  # address: how often, last when

    def wait_s(self, address: str) -> float:
        """Return the seconds that an address has to wait before its next try."""
        with self._lock:
            count, last = self._wrong.get(address, (0, 0.0))
            if count < self.FREE:
                return 0.0
            wait = min(self.LONGEST_S, 2.0 ** (count - self.FREE + 1))
            return max(0.0, last + wait - self._clock())

    def wrong(self, address: str) -> int:
        """Count a wrong try; return how many there were."""
        now = self._clock()
        with self._lock:
            if len(self._wrong) >= self.MOST_ADDRESSES:
                self._wrong = {
                    key: kept for key, kept in self._wrong.items() if now - kept[1] < self.FORGET_S
                }
            while len(self._wrong) >= self.MOST_ADDRESSES:  # else the oldest goes
                del self._wrong[next(iter(self._wrong))]
            count, last = self._wrong.pop(address, (0, now))
            count = 1 if now - last > self.FORGET_S else count + 1
            self._wrong[address] = (count, now)
            return count

    def right(self, address: str) -> None:
        """Forget the wrong tries of an address."""
        with self._lock:
            self._wrong.pop(address, None)
