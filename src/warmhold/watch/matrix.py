"""Priority of a condition: what happens if nobody acts, and how soon.

The matrix is that of IEC 60601-1-8, 6.1.2, Table 1 (recalled, the text was not read: unverified).
The standard does not say which condition gets which priority: results and onsets of each condition
here are our own and stand in docs/watching.md.
"""

from __future__ import annotations

from typing import Final, Literal

Priority = Literal["high", "medium", "low"]
Result = Literal["death or lasting harm", "harm that heals", "discomfort"]
Onset = Literal["immediate", "prompt", "delayed"]

MATRIX: Final[dict[tuple[Result, Onset], Priority]] = {
    ("death or lasting harm", "immediate"): "high",
    ("death or lasting harm", "prompt"): "high",
    ("death or lasting harm", "delayed"): "medium",
    ("harm that heals", "immediate"): "high",
    ("harm that heals", "prompt"): "medium",
    ("harm that heals", "delayed"): "low",
    ("discomfort", "immediate"): "medium",
    ("discomfort", "prompt"): "low",
    ("discomfort", "delayed"): "low",
}


def priority(result: Result, onset: Onset) -> Priority:
    """Priority by the matrix."""
    return MATRIX[result, onset]


def onset_of(minutes: float) -> Onset:
    """Onset by the minutes that are left: under 10 immediate, under 30 prompt (own choice)."""
    return "immediate" if minutes < 10.0 else "prompt" if minutes < 30.0 else "delayed"
