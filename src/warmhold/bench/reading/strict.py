"""Read the bench's own TOML files strictly: every fault with file and line, all at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from warmhold.model import Fault, FaultyInput
from warmhold.model.checks import Values
from warmhold.model.explain import Problem, explain
from warmhold.model.syntax import Source, parse

LARGEST_FILE = 1_000_000  # bytes; these files have a few thousand

_Model = TypeVar("_Model", bound=BaseModel)
Checks = Callable[[Values], Iterator[Problem]]


def read_bytes(path: Path, largest: int = LARGEST_FILE) -> bytes:
    """Return the content of a file.

    Raises ``FaultyInput`` with what stands in the way.
    """

    def fault(found: str, allowed: str, todo: str) -> FaultyInput:
        return FaultyInput((Fault(str(path), None, "", found, allowed, todo),))

    try:
        if path.is_dir():
            raise fault("a folder", "a file", "name a file")
        if not path.exists():
            raise fault("no such file", "a file", "check the name and the folder")
        if not path.is_file():
            raise fault("something that is not a file", "a file", "name a file")
        if path.stat().st_size > largest:
            size = f"up to {largest // 1_000_000} MB"
            raise fault("a larger file", size, "check that this is the file you mean")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "cannot be opened"
        raise fault(
            f"a file that cannot be read ({reason})", "a file", "check its rights"
        ) from error


def read_source(path: Path) -> Source:
    """Read a TOML file with the line of every key.

    Raises ``FaultyInput``.
    """
    content = read_bytes(path)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        fault = Fault(
            str(path), line, "", "bytes that are not UTF-8", "a text file in UTF-8",
            "save the file as UTF-8 in the editor",
        )  # fmt: skip
        raise FaultyInput((fault,)) from error
    source = parse(text, str(path))
    if isinstance(source, Fault):
        raise FaultyInput((source,))
    return source


def validated(model: type[_Model], source: Source, checks: Checks) -> _Model:
    """Turn a TOML source into its typed form.

    checks : tells what contradicts itself between keys

    Raises ``FaultyInput`` with all faults.
    """
    problems: list[Problem] = []
    result: _Model | None = None
    try:
        result = model.model_validate(source.raw)
    except ValidationError as error:
        problems = explain(model, source.raw, error)
    faulty = {one.path for one in problems}
    problems += [one for one in checks(Values(source.raw, faulty)) if one.path not in faulty]
    if result is None or problems:
        raise FaultyInput(faults_of(source, problems))
    return result


def faults_of(source: Source, problems: list[Problem]) -> tuple[Fault, ...]:
    """Place problems in their file, in the order of lines."""
    faults = [problem.fault(source.file, source.lines) for problem in problems]
    return tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.key)))
