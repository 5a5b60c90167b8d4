"""Were the plans honest: what was planned against what came.

A 90 % band should hold what came nine times in ten. Where it holds less, plans are too sure; where
it holds more, they carry more than they need. Which side is missed tells which way a plan leans.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from warmhold.review.rates import Interval, wilson
from warmhold.review.transfer import Forecast, Transfer

NOMINAL: Final = 0.9
FEWEST: Final = 20  # below this nothing is said of the leaning (own choice)
TITLES: Final = {
    "battery_min_left": "Minutes of battery left at the handover",
    "oxygen_l_left": "Oxygen left at the handover",
    "air_l_left": "Air left at the handover",
    "temperature_at_handover_c": "Body temperature at the handover",
}

Leaning = Literal["honest", "too sure", "wider than needed", "leans high", "leans low", "too few"]


@dataclass(frozen=True)
class Calibration:
    """One planned figure over many transfers.

    inside, below, above : what came against its band: in it, lower, higher than planned
    unread : planned and never read
    held : interval of the share inside
    leaning : what that says, "too few" below `FEWEST`
    """

    key: str
    title: str
    inside: int
    below: int
    above: int
    unread: int
    share: float | None
    held: Interval
    leaning: Leaning
    missed: tuple[str, ...]


def calibrations(transfers: Iterable[Transfer]) -> tuple[Calibration, ...]:
    """Judge every planned figure that at least one transfer carries, in the order of `TITLES`."""
    found: dict[str, tuple[list[str], list[Forecast]]] = {}
    for one in transfers:
        for forecast in one.forecasts:
            keys, mine = found.setdefault(forecast.key, ([], []))
            keys.append(one.key)
            mine.append(forecast)
    order = [
        *(key for key in TITLES if key in found),
        *(k for k in sorted(found) if k not in TITLES),
    ]
    return tuple(_one(key, *found[key]) for key in order)


def _one(key: str, transfers: list[str], planned: list[Forecast]) -> Calibration:
    rows = np.array([(one.p05, one.p95, one.came) for one in planned], dtype=np.float64)
    low, high, came = rows.T
    lower, higher = came < low, came > high
    below, above, unread = (int(mask.sum()) for mask in (lower, higher, np.isnan(came)))
    inside = len(rows) - below - above - unread
    missed = [transfers[row] for row in np.flatnonzero(lower | higher)]
    read = inside + below + above
    held = wilson(inside, read)
    return Calibration(
        key, TITLES.get(key, key), inside, below, above, unread,
        inside / read if read else None, held, _leaning(below, above, read, held), tuple(missed),
    )  # fmt: skip


def _leaning(below: int, above: int, read: int, held: Interval) -> Leaning:
    if read < FEWEST or held.lower is None or held.upper is None:
        return "too few"
    each = (1.0 - NOMINAL) / 2.0
    low, high = wilson(below, read), wilson(above, read)
    lower = low.lower is not None and low.lower > each
    higher = high.lower is not None and high.lower > each
    if lower and not higher:
        return "leans high"  # what came was lower than planned more often than it should be
    if higher and not lower:
        return "leans low"
    if held.upper < NOMINAL:
        return "too sure"
    if held.lower > NOMINAL:
        return "wider than needed"
    return "honest"
