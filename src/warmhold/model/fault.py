"""What is wrong with an input: where, what was found, what is allowed, what to do."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One fault of one input file.

    ``line`` counts from 1 and is ``None`` when the fault is in no line (a file that is missing).
    ``key`` is the path of the key; rows of a repeated table count from 1: ``leg[2].minutes``.
    """

    file: str
    line: int | None
    key: str
    found: str
    allowed: str
    todo: str

    def __str__(self) -> str:
        """One readable text: where, what was found, what is allowed, what to do."""
        where = self.file if self.line is None else f"{self.file}, line {self.line}"
        if self.key:
            where = f"{where}, {self.key}"
        parts = [f"{where}: found {self.found}"]
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.todo:
            parts.append(self.todo)
        return "; ".join(parts)


class FaultyInput(Exception):
    """Raised when an input has faults; carries every one of them."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        """Keep the faults in the order of files and lines."""
        super().__init__(faults)
        self.faults = faults

    def __str__(self) -> str:
        """All faults, one a line."""
        return "\n".join(str(fault) for fault in self.faults)
