"""The faults that can be tried as hypotheses, and what each does to a member.

A fault has a size: 0 none, 1 its reference size below. The watch and the rehearsal use the same
places to put a fault in, at sizes of their own.
"""

from __future__ import annotations

from typing import Final

LEAK: Final = "leak"  # extra exchange through the hood, in open ports of the unit's own
HEATER: Final = "heater"  # heater gives less: 0.6 of its power
PROBE_AIR: Final = "probe-air"  # half off the skin: reads half-way to the air
PROBE_SHIFT: Final = "probe-shift"  # in the wrong place: reads 1 K off, either way
LOSS: Final = "loss"  # the baby loses half as much again
DRIFT: Final = "drift"  # oxygen sensor drifts 8 points an hour, either way
BATTERY: Final = "battery"  # holds 0.6 of what its profile says, from the start
GAS: Final = "gas:"  # cylinder leaks 2 L/min
SMALL: Final = "small:"  # cylinder holds 0.6 of what was planned, from the start

HEATER_LOST: Final = 0.4
PROBE_SHARE: Final = 0.5
SHIFT_K: Final = 1.0
LOSS_MORE: Final = 0.5
DRIFT_POINTS_H: Final = 8.0
BATTERY_LOST: Final = 0.4
GAS_LPM: Final = 2.0
SMALL_LOST: Final = 0.4

THERMAL: Final = (LEAK, HEATER, PROBE_AIR, PROBE_SHIFT, LOSS, DRIFT)
TWO_SIDED: Final = (PROBE_SHIFT, DRIFT)


def kinds(cylinders: int) -> tuple[str, ...]:
    """All fault kinds of a trip with so many cylinders, in the order of their columns."""
    each = tuple(f"{kind}{i}" for i in range(cylinders) for kind in (GAS, SMALL))
    return (*THERMAL, BATTERY, *each)


def from_the_start(kind: str) -> bool:
    """Whether a fault cannot begin on the way."""
    return kind == BATTERY or kind.startswith(SMALL)


def group(kind: str) -> str:
    """Faults that can be taken for one another."""
    if kind in THERMAL:
        return "hood and baby"
    return "battery" if kind == BATTERY else kind.split(":")[1]
