"""Find the line of every key of a TOML text that ``tomllib`` has accepted.

``tomllib`` gives positions for faults of the syntax only. This walks the same text once more
and notes where each key path was written. It checks nothing: for text that ``tomllib`` refuses
its answer means nothing.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_QUOTED_KEY = re.compile(r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_BLANKS = re.compile(r"[ \t]*")
_BLANK_LINES = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_LINE_STRING = re.compile(r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_LONG_STRING = re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}' r"|'''.*?'{3,5}", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}#\n]*")


def locate(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every key path of a valid TOML text.

    Rows of repeated tables and elements of arrays stand in the path as numbers from 0. A table
    that is only implied (``b`` of ``[a.b.c]``) is on the line that implies it first.

    text : a TOML text that ``tomllib.loads`` accepts
    """
    return _Walk(text.replace("\r\n", "\n")).run()


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key path, or of the nearest table around it; ``None`` at the top."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


class _Walk:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._newlines = [match.start() for match in re.finditer("\n", text)]
        self._lines: dict[KeyPath, int] = {}
        self._rows: dict[KeyPath, int] = {}

    def run(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip(_BLANK_LINES)
        while self._at < len(self._text):
            if self._text.startswith("[[", self._at):
                table = self._row_header()
            elif self._text[self._at] == "[":
                table = self._table_header()
            else:
                self._pair(table)
            self._skip(_BLANK_LINES)
        return self._lines

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:  # not reached for text that tomllib accepts
            raise ValueError(f"not TOML at character {self._at}")
        self._at = match.end()
        return match.group()

    def _note(self, path: KeyPath, at: int, over: bool = False) -> None:
        if over or path not in self._lines:
            self._lines[path] = bisect_right(self._newlines, at - 1) + 1

    def _key(self) -> list[tuple[str, int]]:
        parts = []
        while True:
            self._skip(_BLANKS)
            start = self._at
            if self._text[start] in "\"'":
                name = tomllib.loads(f"k = {self._skip(_QUOTED_KEY)}")["k"]
            else:
                name = self._skip(_BARE_KEY)
            parts.append((name, start))
            self._skip(_BLANKS)
            if not self._text.startswith(".", self._at):
                return parts
            self._at += 1

    def _header(self, brackets: int) -> tuple[KeyPath, int]:
        self._at += brackets
        parts = self._key()
        self._at += brackets
        path: KeyPath = ()
        for name, at in parts[:-1]:
            path = (*path, name)
            self._note(path, at)
            if path in self._rows:
                path = (*path, self._rows[path] - 1)
        name, at = parts[-1]
        return (*path, name), at

    def _table_header(self) -> KeyPath:
        path, at = self._header(1)
        self._note(path, at, over=True)
        return path

    def _row_header(self) -> KeyPath:
        path, at = self._header(2)
        self._note(path, at)
        row = self._rows.get(path, 0)
        self._rows[path] = row + 1
        self._note((*path, row), at)
        return (*path, row)

    def _pair(self, table: KeyPath) -> None:
        path = table
        for name, at in self._key():
            path = (*path, name)
            self._note(path, at)
        self._at += 1  # the equals sign
        self._skip(_BLANKS)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        start = self._text[self._at]
        if self._text.startswith(('"""', "'''"), self._at):
            self._skip(_LONG_STRING)
        elif start in "\"'":
            self._skip(_LINE_STRING)
        elif start == "[":
            self._array(path)
        elif start == "{":
            self._inline(path)
        else:
            self._skip(_SCALAR)

    def _array(self, path: KeyPath) -> None:
        self._at += 1
        row = 0
        self._skip(_BLANK_LINES)
        while self._text[self._at] != "]":
            self._note((*path, row), self._at)
            self._value((*path, row))
            row += 1
            self._comma()
        self._at += 1

    def _inline(self, path: KeyPath) -> None:
        self._at += 1
        self._skip(_BLANK_LINES)
        while self._text[self._at] != "}":
            self._pair(path)
            self._comma()
        self._at += 1

    def _comma(self) -> None:
        self._skip(_BLANK_LINES)
        if self._text[self._at] == ",":
            self._at += 1
            self._skip(_BLANK_LINES)
