"""What a sender is answered: acknowledgements in the original and in the enhanced mode.

The answer to a message follows from the message and from what the inbox keeps of it alone, so that
a repeat gets the same bytes.

Source: HL7 v2.5, chapter 2.9 (original and enhanced mode), MSA, ERR, tables 0008, 0155, 0357, 0516
    (memory)
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from warmhold.exchange.hl7.syntax import CHARSETS, USUAL, Header
from warmhold.exchange.hl7.times import written

OURSELVES: Final = "WARMHOLD"
_WORDS = {
    100: "Segment sequence error", 101: "Required field missing", 102: "Data type error",
    200: "Unsupported message type", 201: "Unsupported event code",
    202: "Unsupported processing id", 203: "Unsupported version id",
    207: "Application internal error",
}  # fmt: skip
_VERSION = re.compile(r"2\.[1-9](\.[1-9])?", re.ASCII)


@dataclass(frozen=True)
class Verdict:
    """What became of a message.

    number : in the inbox; 0 when it could not be kept
    at : when it was put on the disk
    reason : why it was refused; empty when it was taken
    condition : number of table 0357
    rejected : refused for its kind, or for what it is beyond its content
    """

    number: int
    at: datetime
    reason: str = ""
    condition: int = 0
    rejected: bool = False

    @property
    def letter(self) -> str:
        """A accepted, E error, R rejected."""
        return "A" if not self.reason else "R" if self.rejected else "E"


def answers(header: Header | None, verdict: Verdict) -> tuple[bytes, ...]:
    """Return the acknowledgements that the sender asked for, without their frames; may be none.

    header : of the message; ``None`` when it cannot be read, and the answer is then a rejection
        that names no message
    """
    if header is None:
        return (_answer(None, verdict, "A"),)
    at_once, later = header.segment.component(15), header.segment.component(16)
    if not at_once and not later:
        return (_answer(header, verdict, "A"),)
    modes = [mode for mode, asked in (("C", at_once), ("A", later)) if _is_asked(asked, verdict)]
    return tuple(_answer(header, verdict, mode) for mode in modes)


def _is_asked(asked: str, verdict: Verdict) -> bool:
    """Tell whether a condition of table 0155 holds; an unknown one is taken for always."""
    if asked in ("", "NE"):
        return False
    if asked in ("ER", "SU"):
        return (asked == "SU") == (not verdict.reason)
    return True


def _answer(header: Header | None, verdict: Verdict, mode: str) -> bytes:
    signs = header.segment.separators if header is not None else USUAL

    def sent(number: int) -> str:
        """Return a field as the sender wrote it: it is in the same separators."""
        return header.segment.field(number) if header is not None else ""

    version = header.version if header is not None else "2.5"
    version = version if _VERSION.fullmatch(version) else "2.5"
    known = sent(18).split(signs.repetition)[0].upper() in CHARSETS
    head = [
        "MSH", signs.stated, OURSELVES, "", sent(3), sent(4), written(verdict.at.astimezone(UTC)),
        "", signs.component.join(("ACK", "R01", "ACK") if version > "2.3" else ("ACK",)),
        f"WH{verdict.number}{mode}", sent(11) or "P", version, "", "",
        *(("NE", "NE") if sent(15) or sent(16) else ("", "")), "", sent(18) if known else "",
    ]  # fmt: skip
    text = signs.escaped(_plain(verdict.reason))
    found = ["MSA", f"{mode}{verdict.letter}", sent(10), text if version < "2.7" else ""]
    lines = [head, found]
    if verdict.reason and version >= "2.5":
        coded = signs.component.join(
            (str(verdict.condition), _WORDS.get(verdict.condition, ""), "HL70357")
        )
        lines.append(["ERR", "", "", coded, "E", "", "", "", text])
    out = "\r".join(signs.field.join(line).rstrip(signs.field) for line in lines) + "\r"
    # Fields that are sent back were read byte by byte, see `header_of`.
    return out.encode("latin-1", "replace")


def _plain(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")
