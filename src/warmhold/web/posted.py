"""What a form sent: read once, strictly, before any page sees it."""

from __future__ import annotations

import re
from collections.abc import AsyncGenerator, AsyncIterator, Iterable, Iterator, Mapping
from dataclasses import dataclass
from urllib.parse import parse_qsl

from python_multipart.exceptions import FormParserError
from starlette.datastructures import Headers
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request

LARGEST_BODY = 512 * 1024  # bytes; a trip file has a few thousand
LARGEST_FILE = 20_000_000  # bytes; a log of a day at one reading a second has 10 million
MOST_FIELDS = 5000
_NOT_READ = "The form could not be read: it is not in the shape a page sends."
FORM_ID = re.compile(r"[A-Za-z0-9_-]{16,64}")


class BadForm(Exception):
    """A request that no page of ours sends; the text says why."""


@dataclass(frozen=True)
class Sent:
    """A file that was sent. ``name`` is as the browser gave it, made safe to show."""

    name: str
    content: bytes


class Posted(Mapping[str, str]):
    """The fields of a form; of a field that came several times, ``[]`` gives the last.

    file : what was sent along, where a form may send a file
    """

    def __init__(self, pairs: tuple[tuple[str, str], ...] = (), file: Sent | None = None) -> None:
        """Keep the pairs in their order."""
        self.pairs = pairs
        self.file = file
        self._last = dict(pairs)

    def __getitem__(self, name: str) -> str:
        """Return the last value of a field."""
        return self._last[name]

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self._last)

    def __len__(self) -> int:
        """Count the names."""
        return len(self._last)

    def all(self, name: str) -> tuple[str, ...]:
        """Return every value of a field."""
        return tuple(value for key, value in self.pairs if key == name)

    def text(self, name: str, most: int = 2000) -> str:
        """Return a field without the spaces around it; empty when it is missing."""
        return self.get(name, "").strip()[:most]

    @property
    def form_id(self) -> str:
        """Return the random id that the form was made with.

        Raises ``BadForm`` when there is none.
        """
        given = self.get("form_id", "")
        if not FORM_ID.fullmatch(given):
            raise BadForm("The form came without its own number, so a repeat could not be told.")
        return given


def read_form(body: bytes) -> Posted:
    """Read a url-encoded body.

    Raises ``BadForm`` when it is not one.
    """
    try:
        pairs = parse_qsl(
            body.decode("ascii"),
            keep_blank_values=True,
            strict_parsing=bool(body),
            encoding="utf-8",
            errors="strict",
            max_num_fields=MOST_FIELDS,
        )
    except (ValueError, UnicodeError) as error:
        raise BadForm(_NOT_READ) from error
    return Posted(_clean(pairs))


def _clean(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    found = tuple((name, value.replace("\r\n", "\n")) for name, value in pairs)
    if any("\x00" in part for pair in found for part in pair):
        raise BadForm("The form holds a character that no keyboard types.")
    return found


async def read_upload(headers: Headers, stream: AsyncIterator[bytes]) -> Posted | None:
    """Read a multipart body: fields, and at most one file; ``None`` when it is too long.

    stream : the body, counted while it comes

    Raises ``BadForm`` when it is not one.
    """

    async def counted() -> AsyncGenerator[bytes, None]:
        total = 0
        async for part in stream:
            total += len(part)
            if total > LARGEST_FILE + LARGEST_BODY:
                raise _TooLong
            yield part

    charset = headers.get("content-type", "").lower().partition("charset=")[2].strip('" ')
    if charset and not charset.startswith(("utf-8", "utf8")):
        raise BadForm(_NOT_READ)
    parser = MultiPartParser(
        headers, counted(), max_files=1, max_fields=MOST_FIELDS, max_part_size=LARGEST_BODY
    )
    try:
        form = await parser.parse()
    except _TooLong:
        return None
    except (MultiPartException, FormParserError, ValueError, LookupError) as error:
        raise BadForm(_NOT_READ) from error
    try:
        pairs: list[tuple[str, str]] = []
        sent: Sent | None = None
        for name, value in form.multi_items():
            if isinstance(value, str):
                pairs.append((name, value))
                continue
            content = await value.read()
            if len(content) > LARGEST_FILE:
                return None
            if value.filename or content:
                sent = Sent(_shown(value.filename or ""), content)
    finally:
        await form.close()
    if sum(len(name) + len(value) for name, value in pairs) > LARGEST_BODY:
        return None
    return Posted(_clean(_utf8(pairs)), sent)


class _TooLong(Exception):
    """The body is longer than any form of ours."""


def _utf8(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Refuse what was no UTF-8, which the parser reads as something else, and lone surrogates."""
    found = tuple(pairs)
    try:
        for pair in found:
            for part in pair:
                part.encode("utf-8")
    except UnicodeError as error:
        raise BadForm(_NOT_READ) from error
    return found


def _shown(name: str) -> str:
    """Return the last part of a file's name, without what could not be shown or kept."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(char for char in last if char.isprintable())[:100].strip() or "log.csv"


def posted(request: Request) -> Posted:
    """Return the form of a request; it was read and its token checked before."""
    form = getattr(request.state, "form", None)
    return form if isinstance(form, Posted) else Posted()
