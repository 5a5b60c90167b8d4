"""What stands between a request and every page: headers, host, session, form token, errors.

Plain ASGI, so that no page can forget it.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from urllib.parse import quote

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from warmhold.web.access import COOKIE, SESSION_S, Sessions, User, new_key
from warmhold.web.posted import LARGEST_BODY, LARGEST_FILE, BadForm, Posted, read_form, read_upload
from warmhold.web.rendering import problem_page

log = logging.getLogger("warmhold.web")

POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
OPEN_TO_ALL = ("/static/", "/enter", "/look")  # reachable before anyone has come in
READING = ("GET", "HEAD")


class SafeHeaders:
    """Puts the security headers on every answer; a page may set its own content policy."""

    def __init__(self, app: ASGIApp, https: bool = False) -> None:
        """Wrap an application."""
        self.app = app
        self.https = https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if self.https:
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        await self.app(scope, receive, with_headers)


class OwnErrors:
    """Turns whatever went wrong into a page in our words; the traceback goes to the log."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap an application."""
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = False

        async def watched(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, watched)
        except Exception:
            log.exception("a page failed: %s %s", scope["method"], scope["path"])
            if started:
                raise
            answer = problem_page(Request(scope), 500)
            await answer(scope, receive, send)


class KnownHost:
    """On loopback only answers to names of this computer, so that no other site can reach in."""

    NAMES = ("127.0.0.1", "localhost", "::1")

    def __init__(self, app: ASGIApp, only_loopback: bool) -> None:
        """Wrap an application."""
        self.app = app
        self.only_loopback = only_loopback

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "http" and self.only_loopback:
            host = Headers(scope=scope).get("host", "")
            name = host[1:].split("]")[0] if host.startswith("[") else host.rsplit(":", 1)[0]
            if name.lower() not in self.NAMES:
                answer = PlainTextResponse("This page is for this computer only.\n", 421)
                await answer(scope, receive, send)
                return
        await self.app(scope, receive, send)


class Door:
    """Reads session and form; lets nobody past without a role, and no form without its token."""

    def __init__(self, app: ASGIApp, sessions: Sessions, passcodes_needed: bool, https: bool):
        """Wrap an application."""
        self.app = app
        self.sessions = sessions
        self.passcodes_needed = passcodes_needed
        self.https = https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        user, is_new = self._user(request)
        scope.setdefault("state", {})
        scope["state"]["user"] = user
        scope["state"]["token"] = self.sessions.token(user)
        scope["state"]["passcodes_needed"] = self.passcodes_needed
        answer = await self._refusal(request, user)
        if answer is not None:
            if is_new:
                self.put_cookie(answer, user)
            await answer(scope, receive, send)
            return

        async def with_cookie(message: Message) -> None:
            if message["type"] == "http.response.start":
                entered = scope["state"].get("entered")
                if isinstance(entered, User) or is_new:
                    holder = Response()
                    self.put_cookie(holder, entered if isinstance(entered, User) else user)
                    headers = MutableHeaders(scope=message)
                    headers.append("set-cookie", holder.headers["set-cookie"])
            await send(message)

        await self.app(scope, receive, with_cookie)

    def put_cookie(self, answer: Response, user: User) -> None:
        """Send a user's session along."""
        answer.set_cookie(
            COOKIE,
            self.sessions.write(user),
            max_age=SESSION_S,
            httponly=True,
            samesite="strict",
            secure=self.https,
            path="/",
        )

    def _user(self, request: Request) -> tuple[User, bool]:
        if request.url.path.startswith("/static/"):
            return User("", None, ""), False
        kept = self.sessions.read(request.cookies.get(COOKIE, ""))
        if kept is None:
            return User("", None if self.passcodes_needed else "lead", new_key()), True
        return kept, False

    async def _refusal(self, request: Request, user: User) -> Response | None:
        path = request.url.path
        opened = path.startswith(OPEN_TO_ALL)
        if request.method in READING:
            if opened or (user.role is not None and user.name):
                return None
            query = f"?{request.url.query}" if request.url.query else ""
            return RedirectResponse(f"/enter?next={quote(path + query, safe='')}", 303)
        if request.method != "POST":
            return problem_page(request, 405)
        uploads = _is_upload(request)
        if uploads and not user.may("chart"):  # a long body is not read for nobody
            return problem_page(request, 403, _ROLE_MISSING)
        try:
            form = await _form_of(request, uploads)
        except BadForm as error:
            return problem_page(request, 400, str(error))
        if form is None:
            return problem_page(request, 413, _FILE_TOO_LONG if uploads else "")
        request.state.form = form
        if not self.sessions.token_fits(user, form.get("token", "")):
            return problem_page(request, 403, _TOKEN_MISSING, kept=form)
        if not opened and not user.may("chart"):
            return problem_page(request, 403, _ROLE_MISSING, kept=form)
        return None


_TOKEN_MISSING = (
    "The form did not carry this session's token: the session has ended, or the form did not come "
    "from this page. Nothing was saved. Come in again, then send it once more."
)
_ROLE_MISSING = (
    "You came in to look; writing needs the passcode of the role chart or lead. Nothing was saved."
)


_FILE_TOO_LONG = (
    f"Nothing was saved. A log may hold {LARGEST_FILE // 1_000_000} megabytes: export fewer "
    "columns, a reading a minute, or one test at a time."
)
# the only addresses that a file may be sent to
_UPLOADS = re.compile(r"/fleet/[^/]+/bench|/exchange/trends")


def _kind(request: Request) -> str:
    return request.headers.get("content-type", "").split(";")[0].strip().lower()


def _is_upload(request: Request) -> bool:
    return _kind(request) == "multipart/form-data" and bool(_UPLOADS.fullmatch(request.url.path))


async def _form_of(request: Request, uploads: bool) -> Posted | None:
    """Read a form's body; ``None`` when it is too long."""
    if uploads:
        return await _upload_of(request)
    if _kind(request) != "application/x-www-form-urlencoded":
        raise BadForm("The form came in a shape that no page here sends.")
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_BODY:
            return None
    return read_form(bytes(body))


async def _upload_of(request: Request) -> Posted | None:
    """Read a form with a file. One that is too long is heard out, so that the answer is read."""
    stream = request.stream()
    form = await read_upload(request.headers, stream)
    if form is None:
        passed = 0
        async for part in stream:
            passed += len(part)
            if passed > 4 * LARGEST_FILE:
                break
    return form
