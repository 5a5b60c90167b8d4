"""From a template to a page: one Jinja environment, strict, everything escaped."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from warmhold.plan.sheet import CAUTIONS
from warmhold.report import words
from warmhold.report.plain import without_controls
from warmhold.web import show
from warmhold.web.access import user_of
from warmhold.web.posted import Posted

LOOKS = ("device", "light", "dark")
LOOK_COOKIE = "warmhold_look"


def render(
    request: Request,
    template: str,
    status_code: int = 200,
    headers: Mapping[str, str] | None = None,
    **context: Any,
) -> HTMLResponse:
    """Write a page.

    Every template may use ``user``, ``theme``, ``w`` (`report.words`), ``show`` (`web.show`),
    ``marks()`` (the hidden fields that every form must hold: its random id and the session's
    token) and ``here`` (the path of the page).
    """
    text = environment().get_template(template).render({**_shared(request), **context})
    return HTMLResponse(text, status_code=status_code, headers=dict(headers or {}))


def _shared(request: Request) -> dict[str, Any]:
    look = request.cookies.get(LOOK_COOKIE, "device")
    token = getattr(request.state, "token", "")

    def marks(form_id: str = "") -> Markup:
        """Write a form's hidden fields; give ``form_id`` again when a form is shown once more."""
        return Markup(
            '<input type="hidden" name="form_id" value="{}">'
            '<input type="hidden" name="token" value="{}">'
        ).format(form_id or new_form_id(), token)

    return {
        "user": user_of(request),
        "theme": look if look in LOOKS else "device",
        "marks": marks,
        "here": request.url.path,
        "cautions": CAUTIONS,
        "rehearsal": getattr(request.app.state, "rehearsal", None) if "app" in request else None,
        "trip_nav": None,
        "times_at": "",
    }


def new_form_id() -> str:
    """Return a random id for one rendering of a form."""
    return secrets.token_urlsafe(18)


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """Return the environment that all pages share."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("warmhold.web", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    made.globals.update(w=words, show=show, static=_static_address)
    return made


def _finalize(value: object) -> object:
    if value is None:
        return words.UNKNOWN
    if isinstance(value, str) and not isinstance(value, Markup):
        return without_controls(value)
    return value


@lru_cache(maxsize=32)
def _static_address(name: str) -> str:
    """Return the address of a static file, changed when its content changes."""
    content = resources.files("warmhold.web").joinpath("static", name).read_bytes()
    return f"/static/{name}?{hashlib.sha256(content).hexdigest()[:12]}"


# --- when something is wrong --------------------------------------------------------------------

_PROBLEMS: Mapping[int, tuple[str, str]] = {
    400: ("This request could not be read", "Nothing was saved. Go back and send the form again."),
    401: ("You are not signed in", "Nothing was saved. Come in and send the form again."),
    403: ("Not allowed", "Nothing was saved."),
    404: (
        "There is no such page",
        "The address may be mistyped, or the trip is not in this folder.",
    ),
    405: ("This page cannot be asked for that way", "Nothing was saved."),
    413: ("That is too long", "Nothing was saved. A form may hold half a megabyte."),
    429: ("Too many tries", "Wait, then try again."),
    500: (
        "warmhold itself failed",
        "This page could not be made; what was saved before is still in the record. Unless a time "
        "of saving was shown, take it that the last entry was not saved. Chart on paper, and tell "
        "whoever looks after this computer: the reason stands in the server's terminal.",
    ),
    503: ("The record cannot be written", "Nothing was saved. Chart on paper until it is mended."),
}


def problem_page(
    request: Request, status: int, why: str = "", todo: str = "", kept: Posted | None = None
) -> HTMLResponse:
    """Write the page for a request that cannot be answered.

    why : what is wrong, in a sentence; a general one for the status when empty
    todo : what to do
    kept : the fields that were sent, shown so that nothing typed is lost
    """
    title, general = _PROBLEMS.get(status, _PROBLEMS[400])
    typed = [
        (name, value)
        for name, value in (kept.pairs if kept else ())
        if name not in {"form_id", "token", "passcode"} and value.strip()
    ]
    return render(
        request,
        "problem.html",
        status,
        title=title,
        why=why or general,
        todo=todo,
        typed=typed[:200],
    )
