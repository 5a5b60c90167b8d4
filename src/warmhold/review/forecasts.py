"""What a plan foretold of one trip, and what was read when it came: for judging the plans.

Only what is read directly is held against a plan: a body temperature at the site that the plan is
about, and gauges. A reading counts when it is close to the handover. The band of a temperature is
widened by the error of one reading, for the plan foretells the baby and not the thermometer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from warmhold.review.transfer import Forecast
from warmhold.science.gas import Gas, content_l

CLOSE_MIN: Final = 30.0  # before the handover (own choice)
READING_K: Final = 0.1  # one standard deviation of an axillary or rectal reading (own choice)
TO_90: Final = 1.645


@dataclass(frozen=True)
class Gauge:
    """One cylinder with its last gauge reading; ``None`` when it was not read.

    water_l : water volume [L]
    residual_bar : what has to stay in it [bar]
    at_c : temperature it was planned at [degC]
    """

    gas: Gas
    water_l: float
    residual_bar: float
    at_c: float
    bar: float | None
    read_at: datetime | None


def temperature(
    sheet: Mapping[str, Any], last: tuple[datetime, float, str] | None, over: datetime
) -> Forecast | None:
    """Return the body temperature at the handover as planned, and as it came.

    sheet : a plan as JSON
    last : moment, value and site of the last body temperature
    over : the handover
    """
    planned = _at_end(sheet, "core", "core")
    if planned is None:
        return None
    (low, middle, high), title = planned
    error = TO_90 * READING_K
    came = None
    if last is not None and _close(last[0], over) and f"({last[2]})" in title:
        came = last[1]
    return Forecast(
        "temperature_at_handover_c",
        middle - math.hypot(middle - low, error),
        middle,
        middle + math.hypot(high - middle, error),
        came,
    )


def gas(
    sheet: Mapping[str, Any], kind: str, cylinders: Sequence[Gauge], over: datetime
) -> Forecast | None:
    """Return the litres left of one gas at the handover as planned, and as the gauges said."""
    planned = _at_end(sheet, "cylinders", kind)
    mine = [one for one in cylinders if one.gas == kind]
    if planned is None or not mine:
        return None
    left = [_left(one, over) for one in mine]
    came = sum(one for one in left if one is not None) if None not in left else None
    return Forecast(f"{kind}_l_left", *planned[0], came)


def battery(sheet: Mapping[str, Any]) -> Forecast | None:
    """Return the minutes of battery left at the handover as planned; what came is never known.

    A charge bar shows whole divisions, and what a division is worth is assumed; minutes are seen
    only where a battery gives out, so that to count those alone would find every plan too sure.
    """
    planned = _at_end(sheet, "minutes", "minutes")
    return None if planned is None else Forecast("battery_min_left", *planned[0], None)


def _left(one: Gauge, over: datetime) -> float | None:
    if one.bar is None or one.read_at is None or not _close(one.read_at, over):
        return None
    if not 0.0 <= one.bar <= 350.0:
        return None
    whole = float(content_l(one.gas, one.bar, one.at_c, one.water_l))
    return max(whole - float(content_l(one.gas, one.residual_bar, one.at_c, one.water_l)), 0.0)


def _close(read_at: datetime, over: datetime) -> bool:
    return -5.0 <= (over - read_at).total_seconds() / 60.0 <= CLOSE_MIN


def _at_end(
    sheet: Mapping[str, Any], plot: str, key: str
) -> tuple[tuple[float, float, float], str] | None:  # fmt: skip
    """Return the end of one curve's band and its title; ``None`` when it cannot be read."""
    inner = sheet.get("sheet", sheet)
    for one in inner.get("plots", ()) if isinstance(inner, Mapping) else ():
        if one.get("key") != plot:
            continue
        for series in one.get("series", ()):
            curves = [series.get(name) for name in ("p05", "p50", "p95")]
            if series.get("key") != key or not all(isinstance(c, list) and c for c in curves):
                continue
            ends = [curve[-1] for curve in curves]
            if all(isinstance(e, (int, float)) and math.isfinite(e) for e in ends):
                low, middle, high = map(float, ends)
                return (low, middle, high), str(series.get("title"))
    return None
