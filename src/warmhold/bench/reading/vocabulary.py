"""What the columns of a file can hold: names, their units, and what a reading can be at all.

The bench has channels, the record has quantities; both are read by the same reader.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from warmhold.bench.log import Floats

# unit of a name -> unit of a file -> (factor, offset): base = factor * value + offset
Changes = Mapping[str, Mapping[str, tuple[float, float]]]
# Words in a column's name -> name. The first rule whose words all occur is taken; each group of
# words counts when one of them occurs.
Rules = tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]


@dataclass(frozen=True)
class Vocabulary:
    """What the columns of one sort of file can hold.

    numbers : name -> its unit, and what it is
    words : name -> the words that it takes; none when there are only numbers
    changes : how the units of a file are brought to that of the name
    spellings : as written in small letters -> unit
    ranges : name -> lowest and highest reading that can be at all; ``usual`` for all others
    rules : for a proposal; a rule may lead to ``?`` where a header does not say enough
    known_words : for a proposal: name -> a file's word -> ours
    whose : table of a mapping that says what the file is of
    whose_columns : names of a column that says it, in small letters
    asked : what the one it is of is called
    odd : what is said of readings that cannot be
    stated_start : whether the moment of 0 stands in the mapping; if not it is stated for each file
    guide : where a mapping is explained
    """

    numbers: Mapping[str, tuple[str, str]]
    words: Mapping[str, tuple[str, ...]]
    changes: Changes
    spellings: Mapping[str, str]
    ranges: Mapping[str, tuple[float, float]]
    rules: Rules
    known_words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    usual: tuple[float, float] = (float("-inf"), float("inf"))
    whose: str = "unit"
    whose_columns: tuple[str, ...] = ()
    asked: str = "unit"
    odd: str = "they are kept"
    stated_start: bool = True
    guide: str = "docs/bench.md"

    @property
    def known(self) -> tuple[str, ...]:
        """Every name that a column can have."""
        return (*self.numbers, *self.words)

    def unit_named(self, text: str) -> str | None:
        """Return the unit that a text names; ``None`` when it names none that is known."""
        text = text.strip()
        if text == "mW":
            return "mW" if "mW" in self.changes.get("W", {}) else None
        return self.spellings.get(re.sub(r"\s+", " ", text).lower())

    def units_for(self, name: str) -> tuple[str, ...]:
        """Return the units that a name may be written in, its own first."""
        return tuple(self.changes[self.numbers[name][0]])

    def to_base(self, name: str, unit: str, values: Floats) -> Floats:
        """Bring values to the unit of their name.

        name : one of ``numbers``
        unit : one of ``units_for(name)``
        values : as written in the file, shape (n,) [unit]
        """
        factor, offset = self.changes[self.numbers[name][0]][unit]
        return values if (factor, offset) == (1.0, 0.0) else factor * values + offset

    def scale(self, name: str, unit: str) -> float:
        """Return what a difference of one in ``unit`` is in the unit of the name."""
        return self.changes[self.numbers[name][0]][unit][0]

    def plausible(self, name: str) -> tuple[float, float]:
        """Return the lowest and highest value that a reading of this name can be at all."""
        return self.ranges.get(name, self.usual)

    def unit_in(self, header: str) -> str | None:
        """Return the unit that a column's name carries, such as ``Air [°C]``."""
        for pattern in (r"\[([^\]]+)\]", r"\(([^)]+)\)", r"/\s*([^/]+)$", r",\s*([^,]+)$"):
            match = re.search(pattern, header)
            if match and (unit := self.unit_named(match[1])):
                return unit
        match = re.search(r"[_ ](degc|degf|°c|°f|c|f|w|v|a|percent|%)$", header.lower())
        return self.unit_named(match[1]) if match else None
