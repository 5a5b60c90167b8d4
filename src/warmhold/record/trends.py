"""What was recorded of one trip row by row, and the alarm limits that stood meanwhile.

A trend is what one source told: a device's imported trend, a device that told minute by minute, or
the people who wrote sets of observations. Sources and sites are never mixed: the one that read most
counts. Both begin when the baby went in and end at the handover.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from warmhold.record.recorded import imported_rows
from warmhold.record.views import Shown, TripView
from warmhold.review.alarms import LIMITS, Limits, Recorded, Steps
from warmhold.review.replay import Side, Trend

# what a review calls it: names in the record, the first of equals
QUANTITIES: Final[Mapping[str, tuple[str, ...]]] = {
    "saturation": ("saturation_pre_percent", "saturation_post_percent"),
    "pulse": ("pulse_per_min",),
    "skin": ("skin_c",),
    "oxygen": ("oxygen_percent",),
}
_Rows = dict[float, float]


def recorded(view: TripView, shown: Sequence[Shown]) -> Recorded:
    """Return the trends of a trip that was started, and its limits.

    shown : its entries after corrections, without those that were struck out
    """
    wanted = dict.fromkeys(quantity for quantity, _, _ in LIMITS.values())
    found = {quantity: trend_of(view, shown, quantity) for quantity in wanted}
    trends = {quantity: trend for quantity, trend in found.items() if trend is not None}
    limits = {
        title: limits_of(view, title, side)
        for title, (quantity, side, _) in LIMITS.items()
        if quantity in trends
    }
    return Recorded(trends, limits)


def trend_of(view: TripView, shown: Sequence[Shown], quantity: str) -> Trend | None:
    """Return what was read of one quantity, from the start [s]; ``None`` below two readings.

    shown : entries after corrections, without those that were struck out
    quantity : a key of `QUANTITIES`
    """
    if view.start is None:
        return None
    last = math.inf
    if view.handover is not None and view.end is not None:
        last = (view.end - view.start).total_seconds()
    best: _Rows = {}
    whose, imported = "", False
    for rows, source, of_file in _sources(view, shown, QUANTITIES[quantity]):
        mine = {at: value for at, value in rows.items() if 0.0 <= at <= last}
        if _readings(mine) > _readings(best):
            best, whose, imported = mine, source, of_file
    if _readings(best) < 2:
        return None
    seconds = np.array(sorted(best))
    return Trend(
        seconds, np.array([best[at] for at in seconds]), quantity, trip=view.trip, source=whose,
        imported=imported,
    )  # fmt: skip


def _readings(rows: _Rows) -> int:
    return sum(not math.isnan(value) for value in rows.values())


def _sources(
    view: TripView, shown: Sequence[Shown], names: Sequence[str]
) -> Iterator[tuple[_Rows, str, bool]]:
    """Give the rows of each name and source apart; those that people wrote come first.

    With each the source, and whether it was imported from a file.
    """
    assert view.start is not None
    for name in names:
        told: dict[str, _Rows] = {"": {}}
        course = view.courses.get(name)
        for reading in () if course is None else course.readings:
            if not reading.flag and isinstance(reading.value, (int, float)):
                rows = told.setdefault(reading.source, {})
                rows[(reading.when - view.start).total_seconds()] = float(reading.value)
        yield from ((rows, source, False) for source, rows in told.items())
        files = imported_rows(shown, name, view.start)
        yield from ((rows, source, True) for source, rows in files.items())


# --- limits --------------------------------------------------------------------------------------


def limits_of(view: TripView, title: str, side: Side) -> Limits:
    """Return one limit through a trip, as set and as policy asks, from the start [s].

    What was written counts from when it was written: on the list before leaving, and every change
    on the road. Where nobody wrote any, the plan's limit stands for it.
    """
    off = -math.inf if side == "low" else math.inf
    planned, asked = _planned(view, title, off)
    written = sorted(_written(view, title, off))
    if not written:
        return Limits(planned, asked, written=False)
    steps = tuple((at, value) for at, _, value in written)
    first = next(
        (one for one in view.limits if not one.struck and one.body["limit"] == title), None
    )
    before = math.nan if first is None else _value(first.body["from"], off)
    if first is not None and _at(view, first) <= steps[0][0] and not math.isnan(before):
        steps = ((-math.inf, before), *steps)
    else:  # until it was written, as planned
        steps = (*(step for step in planned if step[0] < steps[0][0]), *steps)
    return Limits(steps, asked, written=True)


def _planned(view: TripView, title: str, off: float) -> tuple[Steps, Steps]:
    """Return what each plan set, and what policy asked for in it."""
    placed, asked = [], []
    for number, plan in enumerate(view.plans):
        at = -math.inf if number == 0 else _at(view, plan)
        found = _of_sheet(plan.body.get("sheet"), title)
        if found.get("state") == "not used":
            placed.append((at, off))
            asked.append((at, off))
        else:
            placed.append((at, _value(found.get("set_to"), off)))
            asked.append((at, _value(found.get("wanted"), off)))
    return _rising(placed), _rising(asked)


def _rising(steps: Sequence[tuple[float, float]]) -> Steps:
    return tuple(dict(sorted(steps, key=lambda step: step[0])).items())


def _of_sheet(sheet: Any, title: str) -> Mapping[str, Any]:
    inner = sheet.get("sheet", sheet) if isinstance(sheet, Mapping) else None
    limits = inner.get("alarms") if isinstance(inner, Mapping) else None
    for one in limits if isinstance(limits, Sequence) else ():
        if isinstance(one, Mapping) and one.get("title") == title:
            return one
    return {}


def _written(view: TripView, title: str, off: float) -> Iterator[tuple[float, int, float]]:
    """Give moment, entry and value of what was written to be set."""
    check = view.checks.get("limit:" + re.sub(r"[^a-z]+", "-", title.lower()).strip("-"))
    if check is not None and check.body["done"] and check.body["value"] is not None:
        yield _at(view, check), check.seq, _value(check.body["value"], off)
    for one in view.limits:
        if not one.struck and one.body["limit"] == title:
            yield _at(view, one), one.seq, _value(one.body["to"], off)


def _at(view: TripView, one: Shown) -> float:
    assert view.start is not None
    return (one.when - view.start).total_seconds()


def _value(value: Any, off: float) -> float:
    """Read a limit; NaN where it is none."""
    if isinstance(value, str):
        return off if value.strip().lower() == "off" else math.nan
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    return math.nan
