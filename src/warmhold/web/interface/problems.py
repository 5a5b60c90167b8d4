"""What went wrong, as application/problem+json (RFC 9457), every fault at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, model_validator
from starlette.responses import Response

MEDIA: Final = "application/problem+json"

TITLES: Final[Mapping[int, tuple[str, str, str]]] = {
    400: ("unreadable", "The request cannot be read", "The body is no JSON"),
    401: ("token", "No token that opens this", "No token, a wrong one, or one whose time is over"),
    403: ("role", "The token's role does not allow this", "The token's role does not allow this"),
    404: ("absent", "There is nothing at this address", "No such trip, entry or unit"),
    405: ("method", "This address cannot be asked that way", "Not with this method"),
    409: (
        "as-it-stands", "As the record stands this cannot be taken",
        "The content is sound and the trip, its clock or an entry of the same key stands against "
        "it, or a value is hard to believe and nobody has confirmed it",
    ),
    413: ("size", "The body is too long", "The body is too long"),
    415: ("content-type", "The body is not JSON", "The body is not application/json"),
    422: ("faults", "The request has faults", "Query or body do not fit the schema"),
    429: ("tries", "Too many wrong tokens", "Too many wrong tokens from this address"),
    500: ("failed", "warmhold itself failed", "Nothing is known to be saved"),
    503: ("record", "The record cannot be used", "The record cannot be read or written"),
}  # fmt: skip


def readable(value: object) -> object:
    """Write what no UTF-8 can hold as a question mark, in texts of whatever depth."""
    if isinstance(value, str):
        return value if value.isascii() else value.encode("utf-8", "replace").decode()
    if isinstance(value, Mapping):
        return {readable(key): readable(inside) for key, inside in value.items()}
    if isinstance(value, list | tuple):
        return tuple(readable(inside) for inside in value)
    return value


class _Readable(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _readable(cls, given: Any) -> Any:
        return readable(given) if isinstance(given, Mapping) else given


class Fault(_Readable):
    """One thing that is wrong with a request."""

    where: Annotated[str, Field(description="query, header or body, and the name in it")]
    found: Annotated[str, Field(description="what came, shortened")]
    allowed: Annotated[str, Field(description="what can be taken, with its unit")]
    todo: Annotated[str, Field(description="what to do about it")]


class ProblemOut(_Readable):
    """Why a request was not answered. Nothing was saved, unless the status is 500."""

    type: Annotated[str, Field(description="what sort of problem, urn:warmhold:problem:...")]
    title: str
    status: Annotated[int, Field(ge=400, le=599)]
    detail: Annotated[str, Field(description="what is wrong and what to do, in sentences")]
    faults: Annotated[
        tuple[Fault, ...], Field(description="every fault that was found; empty where there is one")
    ] = ()


class Problem(Exception):
    """A request cannot be answered; becomes a `ProblemOut`."""

    def __init__(
        self, status: int, detail: str = "", faults: Sequence[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:  # fmt: skip
        """Keep what to answer."""
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.faults = tuple(faults)
        self.headers = dict(headers or {})

    def answer(self) -> Response:
        """Write the answer."""
        sort, title, general = TITLES[self.status]
        out = ProblemOut(
            type=f"urn:warmhold:problem:{sort}",
            title=title,
            status=self.status,
            detail=self.detail or f"{general}.",
            faults=self.faults,
        )
        content = out.model_dump_json().encode()
        return Response(content, self.status, self.headers, media_type=MEDIA)


def shown(value: object) -> str:
    """Write what came, shortened, so that it can be shown."""
    try:
        text = value if isinstance(value, str) else repr(value)
    except RecursionError:
        text = "something nested very deep"
    text = text.encode("utf-8", "replace").decode()
    return text if len(text) <= 80 else f"{text[:77]}..."
