"""What stands between a request and an operation: token, role, limits on wrong tries, faults.

Plain ASGI around the application: what is not under /api/ goes on to the pages untouched. Here
nothing but a bearer token is looked at: a cookie of the pages opens nothing, and no other site can
make a browser send a token. Answers to other sites' scripts are not opened (no CORS).
"""

from __future__ import annotations

import json
import logging
import math
import re
import threading
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final, TypeVar
from urllib.parse import parse_qsl, quote

from anyio import CapacityLimiter, to_thread
from pydantic import BaseModel, ValidationError
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import compile_path
from starlette.types import ASGIApp, Receive, Scope, Send

from warmhold.web.access import SESSION_S, Tries, User, at_least
from warmhold.web.interface.openapi import ADDRESS, document
from warmhold.web.interface.operations import (
    KEY_HEADER,
    KEY_PATTERN,
    OPERATIONS,
    PATHS,
    ROOT,
    Asked,
    Operation,
)
from warmhold.web.interface.problems import Fault, Problem, shown
from warmhold.web.interface.schemas import In
from warmhold.web.interface.tokens import Token, TokenFault, Tokens
from warmhold.web.service import NotSaved, Service

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

log = logging.getLogger("warmhold.web")

LARGEST_BODY: Final = 64 * 1024
MOST_FIELDS: Final = 50
LOG_REFUSED_EVERY_S: Final = 60.0
MOST_AT_ONCE: Final = 8  # requests worked on at the same time; others wait
QUICK, LONG = 0, 1
_JSON: Final = "application/json"
_T = TypeVar("_T")


class InterfaceDoor:
    """Answers everything under /api/ and leaves the rest to the pages."""

    def __init__(self, app: ASGIApp, service: Service) -> None:
        """Wrap an application."""
        self.app = app
        self.service = service
        self.tokens = Tokens(service.folder)
        self.tries = Tries()
        self._came: dict[str, float] = {}
        self._refused: dict[tuple[str, int], float] = {}
        self._lock = threading.Lock()
        self._limits: tuple[CapacityLimiter, CapacityLimiter] | None = None
        self._routes = [(compile_path(f"{ROOT}{one.path}")[0], one) for one in OPERATIONS]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http" or not is_interface(scope["path"]):
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        try:
            answer = await self._answer(request)
        except Problem as problem:
            answer = problem.answer()
        except NotSaved as error:
            answer = Problem(503, f"{error} {error.todo}".strip()).answer()
        except ClientDisconnect:
            return
        except Exception:
            log.exception("the interface failed: %s %s", scope["method"], scope["path"])
            answer = Problem(500, _FAILED).answer()
        if request.method == "HEAD":
            answer.body = b""
        await answer(scope, receive, send)

    async def _answer(self, request: Request) -> Response:
        token = await self._in_thread(QUICK, self._token, request)
        path, method = str(request.scope["path"]), request.method
        asked_for = "GET" if method == "HEAD" else method
        if path == ROOT + ADDRESS:
            if asked_for != "GET":
                raise Problem(405, headers={"Allow": "GET, HEAD"})
            try:
                _query(request, In)
            except _Faulty as faulty:
                raise Problem(422, "", faulty.faults) from faulty
            return _json(json.dumps(document(), ensure_ascii=False).encode(), 200)
        operation, found = self._route(path, asked_for)
        try:
            return await self._run(request, token, operation, found)
        except Problem as problem:
            if operation.method != "GET":
                await self._in_thread(QUICK, self._note_refused, request, token, problem)
            raise

    async def _run(
        self, request: Request, token: Token, operation: Operation, found: dict[str, str]
    ) -> Response:
        if not at_least(token.role, operation.role):
            raise Problem(
                403, f"This is for a token of the role {operation.role}; the token "
                f"{token.name} has the role {token.role}. Nothing was saved.",
            )  # fmt: skip
        faults: list[Fault] = []
        query: BaseModel | None = None
        body: BaseModel | None = None
        raw: Any = None
        key = ""
        try:
            query = _query(request, operation.query)
        except _Faulty as faulty:
            faults += faulty.faults
        if operation.body is not None:
            raw = await _body(request)
            key = request.headers.get(KEY_HEADER, "")
            if not re.fullmatch(KEY_PATTERN, key) or len(request.headers.getlist(KEY_HEADER)) > 1:
                faults.append(_KEY_FAULT.model_copy(update={"found": shown(key) or "nothing"}))
                key = ""
            try:
                body = operation.body.model_validate(raw)
            except ValidationError as error:
                faults += _faults_of(error, "body")
        elif faults:
            raise Problem(422, "", faults)
        asked = Asked(
            self.service, token.user, found, query, None if faults else body, key, raw,
            tuple(faults), lambda: self.tokens.still(token),
        )  # fmt: skip
        made = await self._in_thread(LONG, self._made, operation, asked)
        headers = {}
        if operation.status == 201:
            headers["Location"] = f"{quote(request.scope['path'])}/{made[1]}"
        return _json(made[0], operation.status, headers)

    async def _in_thread(self, which: int, work: Callable[..., _T], *given: Any) -> _T:
        """Work in a thread of the interface's own few, so that the pages always have theirs."""
        if self._limits is None:
            self._limits = (CapacityLimiter(MOST_AT_ONCE), CapacityLimiter(MOST_AT_ONCE))
        return await to_thread.run_sync(work, *given, limiter=self._limits[which])

    def _made(self, operation: Operation, asked: Asked) -> tuple[bytes, int]:
        answer = operation.run(asked)
        content = answer.model_dump_json(by_alias=True).encode()
        return content, getattr(answer, "entry", 0)

    def _route(self, path: str, method: str) -> tuple[Operation, dict[str, str]]:
        allowed: list[str] = []
        for pattern, operation in self._routes:
            match = pattern.match(path)
            if match is None:
                continue
            found = match.groupdict()
            if not all(re.fullmatch(PATHS[name][0], text) for name, text in found.items()):
                continue
            if operation.method == method:
                return operation, found
            allowed += ["GET", "HEAD"] if operation.method == "GET" else [operation.method]
        if allowed:
            raise Problem(
                405, f"Allowed: {', '.join(allowed)}. Nothing was saved.",
                headers={"Allow": ", ".join(allowed)},
            )  # fmt: skip
        raise Problem(404, f"{ROOT}{ADDRESS} names every address.")

    # --- tokens ---------------------------------------------------------------------------------

    def _token(self, request: Request) -> Token:
        """Return the token of a request.

        A right one always passes: at 256 bits the limit on wrong ones is no guard against
        guessing; it keeps a program with a wrong one from filling the record, and others at the
        same address from being shut out with it.

        Raises ``Problem``.
        """
        given = request.headers.getlist("authorization")
        if not given:
            raise _unknown_token("Send a token: Authorization: Bearer TOKEN.")
        scheme, _, text = given[0].partition(" ")
        if len(given) > 1 or scheme.lower() != "bearer":
            raise _unknown_token("Send one token: Authorization: Bearer TOKEN.")
        try:
            token = self.tokens.find(text.strip())
        except TokenFault as error:
            log.error("%s", error)
            raise Problem(503, "The tokens cannot be read. See the server's terminal.") from error
        address = request.client.host if request.client else "unknown"
        if token is None or token.ended(self.tokens.now()):
            self._wrong(address, token)
        assert token is not None
        self.tokens.note_use(token)
        now = time.monotonic()
        with self._lock:
            came = self._came.get(token.key)
            comes = came is None or now - came > SESSION_S
            if comes:
                self._came[token.key] = now
        if comes:
            self.service.log_access(token.user, "interface: came in", address)
        return token

    def _wrong(self, address: str, token: Token | None) -> None:
        wait = self.tries.wait_s(address)
        if wait > 0:
            raise Problem(
                429, f"Too many wrong tokens from here. Wait {wait:.0f} s. A right token passes.",
                headers={"Retry-After": str(math.ceil(wait))},
            )  # fmt: skip
        count = self.tries.wrong(address)
        name = f"token {token.name}" if token is not None else "no token of ours"
        did = "interface: a token whose time is over" if token else "interface: a wrong token"
        self.service.log_access(User(name, None, ""), f"{did}, try {count}", address)
        if token is not None and token.until is not None:
            raise _unknown_token(f"The time of this token was over at {token.until.isoformat()}.")
        raise _unknown_token("This token opens nothing here: it is wrong, or it was removed.")

    def _note_refused(self, request: Request, token: Token, problem: Problem) -> None:
        """Note a refused try to write; once a minute for each token and sort of refusal."""
        now = time.monotonic()
        with self._lock:
            last = self._refused.get((token.key, problem.status))
            if last is not None and now - last < LOG_REFUSED_EVERY_S:
                return
            self._refused[token.key, problem.status] = now
        address = request.client.host if request.client else "unknown"
        path = shown(str(request.scope["path"]).removeprefix(ROOT))
        self.service.log_access(
            token.user, f"interface: {request.method} {path} refused, {problem.status}", address
        )


def is_interface(path: str) -> bool:
    """Whether an address is one of the interface's."""
    return path == "/api" or path.startswith("/api/")


_FAILED = (
    "What was asked could not be made. What was saved before is still in the record; an entry that "
    "was sent is not known to be saved: send it again with the same key. The reason stands in the "
    "server's terminal."
)
_KEY_FAULT = Fault(
    where=f"header.{KEY_HEADER}", found="", allowed="16 to 64 letters, digits, - or _",
    todo="make a random one for each entry, and send the same with each repeat",
)  # fmt: skip


def _unknown_token(detail: str) -> Problem:
    return Problem(401, detail, headers={"WWW-Authenticate": 'Bearer realm="warmhold"'})


def _json(content: bytes, status: int, headers: Mapping[str, str] | None = None) -> Response:
    return Response(content, status, dict(headers or {}), media_type=_JSON)


# --- reading a request --------------------------------------------------------------------------


class _Faulty(Exception):
    def __init__(self, faults: list[Fault]) -> None:
        super().__init__()
        self.faults = faults


def _query(request: Request, model: type[BaseModel]) -> BaseModel:
    """Read the query of an address.

    Raises ``_Faulty``.
    """
    text = request.scope["query_string"].decode("latin-1")
    try:
        pairs = parse_qsl(
            text, keep_blank_values=True, strict_parsing=bool(text), encoding="utf-8",
            errors="strict", max_num_fields=MOST_FIELDS,
        )  # fmt: skip
    except (ValueError, UnicodeError):
        pairs, unread = [], True
    else:
        unread = False
    names = [name for name, _ in pairs]
    faults = [
        Fault(where=f"query.{shown(name)}", found=f"{names.count(name)} times", allowed="once",
              todo="say it once")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]  # fmt: skip
    if unread:
        faults.append(
            Fault(where="query", found=shown(text), allowed="name=value, joined by &, in UTF-8",
                  todo="mend it")
        )  # fmt: skip
    try:
        found = model.model_validate(dict(pairs))
    except ValidationError as error:
        raise _Faulty([*faults, *_faults_of(error, "query")]) from error
    if faults:
        raise _Faulty(faults)
    return found


async def _body(request: Request) -> Any:
    """Read a JSON body.

    Raises ``Problem``.
    """
    kind = request.headers.get("content-type", "").split(";")
    charset = "".join(kind[1:]).strip().lower()
    if kind[0].strip().lower() != _JSON or charset not in ("", "charset=utf-8", 'charset="utf-8"'):
        raise Problem(415, f"Send {_JSON} in UTF-8. Nothing was saved.")
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_BODY:
            raise Problem(413, f"At most {LARGEST_BODY} bytes. Nothing was saved.")
    try:
        return json.loads(
            bytes(body).decode("utf-8"), parse_constant=_refused, object_pairs_hook=_once
        )
    except (ValueError, RecursionError) as error:
        raise Problem(
            400, f"The body is no JSON: {shown(str(error))}. Nothing was saved."
        ) from error


def _refused(name: str) -> object:
    raise ValueError(f"{name} is no number that JSON holds")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a name that stands twice: which of the two was meant cannot be told."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _faults_of(error: ValidationError, part: str) -> list[Fault]:
    found = []
    for one in error.errors(include_url=False):
        where = ".".join(shown(str(name)) for name in (part, *one["loc"]))
        came = "nothing" if one["type"] == "missing" else shown(one["input"])
        todo = "add it" if one["type"] == "missing" else "mend it and send it again"
        if one["type"] == "extra_forbidden":
            todo = "leave it out"
        found.append(Fault(where=where, found=came, allowed=_allowed(one, part), todo=todo))
    return found


_ALLOWED: Final = {
    "missing": "a value",
    "extra_forbidden": "no such name",
    "int_parsing": "a whole number from 0, in digits",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_parsing": "a number",
    "float_type": "a number",
    "finite_number": "a number that is not endless",
    "string_type": "a text",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "an object",
    "model_type": "an object",
    "greater_than_equal": "{ge} or more",
    "less_than_equal": "{le} or less",
    "string_too_short": "at least {min_length} characters",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "a text like {pattern}",
    "too_long": "at most {max_length}",
    "too_short": "at least {min_length}",
    "literal_error": "{expected}",
    "enum": "{expected}",
}


def _allowed(one: ErrorDetails, part: str) -> str:
    """Say what is allowed, in our own words where there are some."""
    kind = "int_parsing" if part == "query" and one["type"] == "int_type" else one["type"]
    words = _ALLOWED.get(kind)
    try:
        return words.format(**one.get("ctx", {})) if words is not None else one["msg"]
    except KeyError:
        return one["msg"]
