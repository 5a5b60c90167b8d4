"""The door: who charts, and with which passcode; and the choice of light or dark."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.web.access import LONGEST_NAME, ROLE_MEANING, User, new_key, user_of
from warmhold.web.posted import posted
from warmhold.web.rendering import LOOK_COOKIE, LOOKS, render

if TYPE_CHECKING:
    from warmhold.web.service import Service

_LOCAL_PATH = re.compile(r"/(?![/\\])[^\s\\]*")


def local_path(given: str) -> str:
    """Return a path of this server, or the first page when it is none."""
    return given if _LOCAL_PATH.fullmatch(given) and len(given) < 500 else "/"


def routes(service: Service) -> list[Route]:
    """Return the routes of the door."""

    def ask(request: Request) -> Response:
        return _door(request, next_path=request.query_params.get("next", "/"))

    def enter(request: Request) -> Response:
        form = posted(request)
        name = " ".join(form.text("name", LONGEST_NAME).split())
        next_path = local_path(form.text("next"))
        if not name:
            return _door(request, next_path, problem="Write your name or initials.", status=422)
        address = request.client.host if request.client else "unknown"
        if not service.passcodes.roles:
            user = User(name, "lead", new_key())
            service.log_access(user, "came in, no passcode asked", address)
            return _let_in(request, user, next_path)
        wait = service.tries.wait_s(address)
        if wait > 0:
            answer = _door(
                request, next_path, name,
                f"Too many wrong passcodes from here. Wait {wait:.0f} s, then try again.", 429,
            )  # fmt: skip
            answer.headers["Retry-After"] = str(int(wait) + 1)
            return answer
        count = service.tries.wrong(address)  # taken back when it fits
        role = service.passcodes.role_for(form.get("passcode", ""))
        if role is None:
            service.log_access(User(name, None, ""), f"wrong passcode, try {count}", address)
            return _door(request, next_path, name, "That passcode opens nothing here.", 403)
        service.tries.right(address)
        user = User(name, role, new_key())
        service.log_access(user, "came in", address)
        return _let_in(request, user, next_path)

    def leave(request: Request) -> Response:
        user = user_of(request)
        address = request.client.host if request.client else "unknown"
        if user.role is not None:
            service.log_access(user, "left", address)
        nobody = User("", None if service.passcodes.roles else "lead", new_key())
        return _let_in(request, nobody, "/enter")

    def look(request: Request) -> Response:
        form = posted(request)
        answer = RedirectResponse(local_path(form.text("next")), 303)
        chosen = form.text("look")
        if chosen in LOOKS:
            answer.set_cookie(
                LOOK_COOKIE, chosen, max_age=365 * 86400, samesite="strict", httponly=True,
                secure=service.settings.https,
            )  # fmt: skip
        return answer

    def _door(
        request: Request, next_path: str, name: str = "", problem: str = "", status: int = 200
    ) -> Response:
        return render(
            request,
            "enter.html",
            status,
            codes=bool(service.passcodes.roles),
            roles=ROLE_MEANING,
            next=local_path(next_path),
            name=name or user_of(request).name,
            problem=problem,
        )

    return [
        Route("/enter", ask, methods=["GET"]),
        Route("/enter", enter, methods=["POST"]),
        Route("/enter/leave", leave, methods=["POST"]),
        Route("/look", look, methods=["POST"]),
    ]


def _let_in(request: Request, user: User, next_path: str) -> Response:
    request.state.entered = user  # the door sends the cookie along
    return RedirectResponse(next_path, 303)
