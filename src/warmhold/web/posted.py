"""What a form sent: read once, strictly, before any page sees it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from urllib.parse import parse_qsl

from starlette.requests import Request

LARGEST_BODY = 512 * 1024  # bytes; a trip file has a few thousand
MOST_FIELDS = 5000
FORM_ID = re.compile(r"[A-Za-z0-9_-]{16,64}")


class BadForm(Exception):
    """A request that no page of ours sends; the text says why."""


class Posted(Mapping[str, str]):
    """The fields of a form; of a field that came several times, ``[]`` gives the last."""

    def __init__(self, pairs: tuple[tuple[str, str], ...] = ()) -> None:
        """Keep the pairs in their order."""
        self.pairs = pairs
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
        raise BadForm("The form could not be read: it is not in the shape a page sends.") from error
    if any("\x00" in part for pair in pairs for part in pair):
        raise BadForm("The form holds a character that no keyboard types.")
    clean = tuple((name, value.replace("\r\n", "\n")) for name, value in pairs)
    return Posted(clean)


def posted(request: Request) -> Posted:
    """Return the form of a request; it was read and its token checked before."""
    form = getattr(request.state, "form", None)
    return form if isinstance(form, Posted) else Posted()
