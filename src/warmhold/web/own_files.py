"""The service's own units and policies: written on a page, checked, and kept whole."""

from __future__ import annotations

import hashlib
import tempfile
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.model import Fault, check_file, shipped, template
from warmhold.record.whole_files import write_text
from warmhold.report import words
from warmhold.web.access import needs, user_of
from warmhold.web.library import NAME
from warmhold.web.posted import posted
from warmhold.web.rendering import render

if TYPE_CHECKING:
    from warmhold.web.service import Service

LONGEST_FILE = 200_000  # characters


@dataclass(frozen=True)
class Sort:
    """One sort of file that a service writes for itself.

    place : its folder, and its address
    kind : its template
    mark : a table that this sort has and no other
    title, what, lead, example : its words on the page
    """

    place: Literal["units", "policies", "rounds"]
    kind: Literal["unit", "policy", "rounds"]
    mark: str
    title: str
    what: str
    lead: str
    example: str


def routes(service: Service, sort: Sort) -> list[Route]:
    """Return the routes of writing files of one sort."""

    @needs("lead")
    def edit(request: Request) -> Response:
        start = request.query_params.get("from", "")
        text = service.library.text(sort.place, start) if start else None
        if start and text is None:
            raise HTTPException(404)
        own = bool(start) and start not in shipped(sort.place)
        return _page(
            request,
            start if own else "",
            text if text is not None else template(sort.kind),
            before=mark_of(text) if text is not None and own else "",
        )

    @needs("lead")
    def save(request: Request) -> Response:
        form = posted(request)
        name, text, before = form.text("name", 100), form.get("toml", ""), form.text("before", 100)
        problem = name_problem(sort, name)
        faults = faults_of(sort, text)
        if not problem:
            now = service.library.text(sort.place, name)
            if now is not None and before != mark_of(now) and now != text:
                problem = (
                    f"There is a {sort.kind} {name} already, and it is not the one that you began "
                    "from. Choose another name, or open that one."
                )
        if problem or faults:
            return _page(request, name, text, before, problem, faults, 422)
        try:
            write_text(service.folder / sort.place / f"{name}.toml", text)
        except OSError as error:
            why = error.strerror or "the folder cannot be written"
            return _page(request, name, text, before, f"Not saved: {why}.", (), 503)
        address = request.client.host if request.client else "unknown"
        service.log_access(user_of(request), f"wrote the {sort.kind} {name}", address)
        return RedirectResponse(f"/{sort.place}/{name}?saved=1", 303)

    def _page(
        request: Request, name: str, text: str, before: str = "", problem: str = "",
        faults: tuple[Fault, ...] = (), status: int = 200,
    ) -> Response:  # fmt: skip
        return render(
            request, "own_file.html", status, sort=sort, name=name, text=text, before=before,
            problem=problem, faults=faults,
        )  # fmt: skip

    address = f"/{sort.place}/edit"
    return [Route(address, edit, methods=["GET"]), Route(address, save, methods=["POST"])]


def faults_of(sort: Sort, text: str) -> tuple[Fault, ...]:
    """Return every fault of the text of a file of this sort; none when it can be used."""
    a_file = f"a {sort.kind} file"
    if len(text) > LONGEST_FILE:
        return (Fault("the text", None, "", "too long a text", a_file, "check the text"),)
    with tempfile.TemporaryDirectory(prefix="warmhold-") as folder:
        path = Path(folder) / f"{sort.kind}.toml"
        path.write_bytes(text.encode("utf-8", "replace"))
        faults = tuple(replace(fault, file="the text") for fault in check_file(path))
    if faults:
        return faults
    if sort.mark not in tomllib.loads(text.removeprefix("\ufeff")):
        todo = f"begin from one of the {sort.place}"
        return (Fault("the text", 1, "", "a file of another kind", a_file, todo),)
    return ()


def name_problem(sort: Sort, name: str) -> str:
    """Say why a file of this sort cannot have a name; empty when it can."""
    if not NAME.fullmatch(name):
        return "Write a name of small letters, digits and hyphens, up to 61 of them."
    if name == "edit":  # the address of the page itself
        return "Choose another name: this one is taken."
    if name in shipped(sort.place):
        return f"{name} is a shipped example and stays as it is: choose another name."
    return ""


def mark_of(text: str) -> str:
    """Return what tells a text from another: its SHA-256."""
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def number_text(value: object) -> str:
    """Write a value of a file for reading; what is not there is unknown."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value) if value is not None else words.UNKNOWN
    return f"{value:.6g}".replace("-", words.MINUS)
