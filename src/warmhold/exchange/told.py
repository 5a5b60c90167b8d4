"""What a device told, in plain values, whatever it was told in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Told:
    """One value as a device told it.

    at : moment of the reading, with its zone; ``None`` when it told none
    quantity : key of ``warmhold.record.NUMBERS``; empty when it is none that warmhold keeps
    value : in the unit that the record keeps for the quantity; ``None`` when there is none
    why_none : why there is no value, in words; empty when there is one
    code : the code as it was sent, with its system, such as ``150456 MDC``
    unit : the unit as it was sent
    device : what it calls itself; may be empty
    flag : what it said against its own value (questionable, test, demonstration); empty if nothing
    """

    at: datetime | None
    quantity: str
    value: float | None
    why_none: str = ""
    code: str = ""
    unit: str = ""
    device: str = ""
    flag: str = ""
