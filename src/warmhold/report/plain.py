"""Text that any terminal can show: control characters out, signs spelled where they are missing."""

from __future__ import annotations

import unicodedata

_SPELLED = {
    "°": "deg",
    "±": "+/-",
    "×": "x",
    "−": "-",
    "–": "-",
    "—": "-",
    "→": "->",
    "≥": ">=",
    "≤": "<=",
    "≈": "~",
    "·": "*",
    "•": "*",
    "✓": "+",
    "✗": "x",
    "▼": "!",
    "▲": "^",
    "█": "#",
    "…": "...",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",
    "’": "'",
    "μ": "u",
    "µ": "u",
    "ß": "ss",
    "ø": "o",
    "Ø": "O",
    "æ": "ae",
    "Æ": "Ae",
    "ł": "l",
    "Ł": "L",
}


def without_controls(text: str) -> str:
    """Drop control and direction characters, which could move the cursor or hide a word."""
    return "".join(
        " " if char in "\n\r\t" else char
        for char in text
        if char in "\n\r\t" or unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Co"}
    )


def sayable(text: str, encoding: str) -> str:
    """Write a text with the characters of ``encoding`` only; an unknown character becomes "?"."""
    text = without_controls(text)
    if _fits(text, encoding):
        return text
    return "".join(char if _fits(char, encoding) else _spell(char, encoding) for char in text)


def _fits(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _spell(char: str, encoding: str) -> str:
    if char in _SPELLED:
        return _SPELLED[char]
    bare = "".join(c for c in unicodedata.normalize("NFKD", char) if not unicodedata.combining(c))
    return bare if bare and _fits(bare, encoding) else "?"
