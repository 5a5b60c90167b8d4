"""From bytes to segments and fields, by the separators that the message itself states.

Source: HL7 v2.5, chapter 2 (2.5 message framework, 2.7 use of escape sequences) (memory)
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

LARGEST: Final = 1_000_000  # bytes of one message
MOST_SEGMENTS: Final = 20_000

# Names of table 0211 (memory) and what Python calls them.
CHARSETS: Final = {
    "ASCII": "ascii",
    **{f"8859/{part}": f"iso8859-{part}" for part in (*range(1, 10), 15)},
    "UNICODE UTF-8": "utf-8",
    "UTF-8": "utf-8",
    "GB 18030-2000": "gb18030",
    "KS X 1001": "euc_kr",
    "BIG-5": "big5",
    "ISO IR87": "iso2022_jp",
    "ISO IR159": "iso2022_jp_2",
}
_NAME = re.compile(r"[A-Z][A-Z0-9]{2}", re.ASCII)
_HEX = re.compile(r"[0-9A-Fa-f]+", re.ASCII)
_ESC = b"\x1b"  # begins a change of the character set


class Unreadable(Exception):
    """Raised when bytes are no message; says why.

    reason : in plain words
    condition : number of table 0357 that fits (memory)
    rejected : the message is of a kind that is not taken at all, as opposed to a faulty one
    """

    def __init__(self, reason: str, condition: int = 207, rejected: bool = False) -> None:
        """Keep them."""
        super().__init__(reason)
        self.reason = reason
        self.condition = condition
        self.rejected = rejected


@dataclass(frozen=True)
class Separators:
    """The characters that part a message, as MSH-1 and MSH-2 state them."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    part: str = "&"
    truncation: str = ""

    @property
    def stated(self) -> str:
        """MSH-2."""
        return "".join((self.component, self.repetition, self.escape, self.part, self.truncation))

    @cached_property
    def letters(self) -> dict[str, str]:
        """What stands between two escape characters for each separator."""
        found = {
            "F": self.field,
            "S": self.component,
            "R": self.repetition,
            "E": self.escape,
            "T": self.part,
        }
        if self.truncation:
            found["P"] = self.truncation
        return found

    def escaped(self, text: str) -> str:
        """Return a text so that nothing in it can be taken for a separator or for an end."""
        known = {sign: letter for letter, sign in self.letters.items()}

        def one(sign: str) -> str:
            if sign in known:
                return f"{self.escape}{known[sign]}{self.escape}"
            if ord(sign) < 32 or ord(sign) == 127:
                return f"{self.escape}X{ord(sign):02X}{self.escape}"
            return sign

        return "".join(map(one, text))


USUAL: Final = Separators()


@dataclass(frozen=True)
class Segment:
    """One segment.

    name : such as OBX
    fields : as they came; ``fields[0]`` is field 1, in MSH the separator itself
    """

    name: str
    fields: tuple[str, ...]
    separators: Separators
    charset: str = "ascii"

    def field(self, number: int) -> str:
        """Return a field as it came, empty when it is not there."""
        return self.fields[number - 1] if 1 <= number <= len(self.fields) else ""

    def repetitions(self, number: int) -> tuple[tuple[str, ...], ...]:
        """Return the repetitions of a field, each as its components; none of an empty field."""
        text = self.field(number)
        if text in ("", '""'):  # two quotes: told to be empty
            return ()
        signs = self.separators
        return tuple(
            tuple(self._plain(part) for part in one.split(signs.component))
            for one in text.split(signs.repetition)
        )

    def components(self, number: int) -> tuple[str, ...]:
        """Return the components of a field's first repetition."""
        found = self.repetitions(number)
        return found[0] if found else ()

    def component(self, number: int, which: int = 1) -> str:
        """Return one component of a field's first repetition, empty when it is not there."""
        found = self.components(number)
        return found[which - 1].strip() if which <= len(found) else ""

    def _plain(self, text: str) -> str:
        return unescaped(text, self.separators, self.charset)


def unescaped(text: str, signs: Separators, charset: str) -> str:
    """Undo the escapes of a text; those that only shape a display are left out or kept as they are.

    charset : Python's name
    """
    if signs.escape not in text:
        return text
    parts = text.split(signs.escape)
    # Every second part stands between two escape characters; an odd one out was never closed.
    out = [parts[0]]
    place = 1
    while place + 1 < len(parts):
        meant = _meant(parts[place], signs, charset)
        out += [f"{signs.escape}{parts[place]}{signs.escape}" if meant is None else meant]
        out += [parts[place + 1]]
        place += 2
    if place < len(parts):
        out += [signs.escape, parts[place]]
    return "".join(out)


def _meant(code: str, signs: Separators, charset: str) -> str | None:
    if code in signs.letters:
        return signs.letters[code]
    if code in ("H", "N"):  # emphasis on and off
        return ""
    if code == ".br":
        return "\n"
    if code[:1] == "X" and len(code) % 2 and _HEX.fullmatch(code[1:]):
        try:
            return bytes.fromhex(code[1:]).decode(charset)
        except UnicodeDecodeError:
            return None
    return None


@dataclass(frozen=True)
class Header:
    """What can be read of the first segment alone, as far as it goes."""

    segment: Segment

    @property
    def identity(self) -> str:
        """MSH-10, what the sender calls the message."""
        return self.segment.component(10)

    @property
    def application(self) -> str:
        """MSH-3: its name, else its number."""
        return self.segment.component(3) or self.segment.component(3, 2)

    @property
    def facility(self) -> str:
        """MSH-4: its name, else its number."""
        return self.segment.component(4) or self.segment.component(4, 2)

    @property
    def version(self) -> str:
        """MSH-12."""
        return self.segment.component(12)

    @property
    def processing(self) -> str:
        """MSH-11."""
        return self.segment.component(11)


@dataclass(frozen=True)
class Parsed:
    """A message parted into segments, nothing of it understood yet."""

    header: Header
    segments: tuple[Segment, ...]
    noticed: tuple[str, ...] = ()

    def named(self, name: str) -> Iterator[Segment]:
        """Yield the segments of a name, in order."""
        return (segment for segment in self.segments if segment.name == name)


def separators_of(text: str) -> Separators:
    """Read the separators of a message.

    text : begins with MSH

    Errors: Unreadable
    """
    if not text.startswith("MSH") or len(text) < 8:
        raise Unreadable("it does not begin with a segment MSH", 100, True)
    field = text[3]
    stated = re.split(r"[\r\n]", text[4:], maxsplit=1)[0].split(field, 1)[0]
    signs = field + stated
    if len(stated) not in (4, 5) or len(set(signs)) != len(signs):
        raise Unreadable(f"MSH-2 states the separators {stated[:9]!r}; four or five are needed")
    if any(sign.isalnum() or sign.isspace() or sign in '+-.,"' or ord(sign) < 32 for sign in signs):
        raise Unreadable(f"the separators {signs!r} cannot be told from what they part")
    return Separators(*signs)


def charset_of(raw: bytes, header: Header) -> tuple[str, str]:
    """Return Python's name of the character set, and what is odd about it.

    Errors: Unreadable
    """
    named = [found[0].strip() for found in header.segment.repetitions(18)]
    if not named:
        if raw.isascii():
            return "ascii", ""
        try:
            raw.decode("utf-8")
        except UnicodeDecodeError:
            return "iso8859-1", "MSH-18 names no character set; read as 8859/1"
        return "utf-8", "MSH-18 names no character set; read as UTF-8"
    if named[0].upper() not in CHARSETS:
        raise Unreadable(
            f"MSH-18 names the character set {named[0][:40]!r}, which is not read here"
        )
    if len(named) > 1 and _ESC in raw:
        raise Unreadable("the message changes its character set midway, which is not read here")
    return CHARSETS[named[0].upper()], ""


def header_of(raw: bytes) -> Header:
    """Read the first segment alone, each byte a character.

    Errors: Unreadable
    """
    text = raw[:20_000].lstrip(b"\xef\xbb\xbf \t\r\n").decode("latin-1")
    signs = separators_of(text)
    line = re.split(r"[\r\n]", text, maxsplit=1)[0]
    return Header(Segment("MSH", (signs.field, *line.split(signs.field)[1:]), signs, "latin-1"))


def parsed(raw: bytes) -> Parsed:
    """Part one message into its segments.

    Errors: Unreadable
    """
    if len(raw) > LARGEST:
        raise Unreadable(f"it is {len(raw)} bytes long; allowed are {LARGEST}")
    header = header_of(raw)
    charset, odd = charset_of(raw, header)
    try:
        text = raw.decode(charset)
    except UnicodeDecodeError as error:
        raise Unreadable(
            f"byte {error.start} is no character of the character set that MSH-18 names"
        ) from error
    text = text.lstrip("\ufeff \t\r\n")
    signs = separators_of(text)
    # A line feed alone ends a segment only where a new one begins: some leave one in a text.
    ends = re.compile(
        r"\r\n?|\n(?=[A-Z][A-Z0-9]{2}(?:" + re.escape(signs.field) + r"|[\r\n]|\Z))|\n\Z", re.ASCII
    )
    segments: list[Segment] = []
    for line in ends.split(text):
        if not line.strip():
            continue
        name, *fields = line.strip("\n").split(signs.field)
        if not _NAME.fullmatch(name):
            raise Unreadable(
                f"what follows segment {len(segments)} is no segment: {line[:20]!r}", 100
            )
        if name == "MSH":
            fields = [signs.field, *fields]
            if segments:
                raise Unreadable("a second segment MSH within one message", 100)
        segments.append(Segment(name, tuple(fields), signs, charset))
        if len(segments) > MOST_SEGMENTS:
            raise Unreadable(f"it has more than {MOST_SEGMENTS} segments")
    return Parsed(Header(segments[0]), tuple(segments), (odd,) if odd else ())


Odd = Callable[[str], None]


def messages_of(raw: bytes, odd: Odd = lambda text: None) -> Iterator[bytes]:
    """Yield the messages of a file: one after another, framed or in a batch (FHS, BHS).

    Whatever stands before the first message and is neither frame nor batch comes as a message of
    its own, so that nothing is passed over in silence.

    odd : is told where the counts of a batch do not fit
    """
    text = raw.lstrip(b"\xef\xbb\xbf").replace(b"\x0b", b"\r").replace(b"\x1c", b"\r")
    lines = re.split(rb"\r\n?|\n", text)
    message: list[bytes] = []
    counted = batches = all_messages = 0
    for line in lines:
        name = line[:3]
        ends = name in (b"FHS", b"BHS", b"BTS", b"FTS", b"MSH")
        if ends and message:
            yield b"\r".join(message) + b"\r"
            message = []
        if name == b"MSH":
            counted, all_messages = counted + 1, all_messages + 1
        if name in (b"BHS", b"BTS"):
            _fits(line, b"BTS", counted, "messages in the batch", odd)
            counted = 0
            batches += name == b"BTS"
        elif name == b"FTS":
            _fits(line, b"FTS", batches or all_messages, "batches in the file", odd)
        elif name != b"FHS" and (line.strip() or message):
            message.append(line)
    while message and not message[-1].strip():
        message.pop()
    if message:
        yield b"\r".join(message) + b"\r"


def _fits(line: bytes, name: bytes, found: int, what: str, odd: Odd) -> None:
    told = line[4:].split(line[3:4])[0].strip() if len(line) > 4 else b""
    if line[:3] == name and told.isdigit() and int(told[:9]) != found:
        odd(f"{int(told[:9])} {what} are announced, {found} are there")
