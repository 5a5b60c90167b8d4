"""How a unit ages, from what is on record of it: battery, oxygen sensor, air display."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from markupsafe import Markup

from warmhold.bench.ageing import Point, Trend, battery_trend, sensor_trend
from warmhold.bench.question import RUN_DOWN_SPREAD
from warmhold.bench.readiness import History
from warmhold.bench.rounds import expected_in_room
from warmhold.model import Rounds
from warmhold.report.fit import trend_svg, trend_words
from warmhold.web.bench_tests import Entered

READ_SPREAD: Final = 0.3  # points; a display of whole per cent, read once
DISPLAY_SPREAD_C: Final = 0.2  # where a bench test does not know its uncertainty (own choice)


@dataclass(frozen=True)
class Ageing:
    """One thing that ages.

    lead : what its values are and which limit it is held against
    says : where it is heading, or why that cannot be told
    left_out : values that are on record and do not count, in words
    """

    key: str
    title: str
    lead: str
    unit: str
    trend: Trend
    says: str
    left_out: str
    drawing: Markup

    @property
    def points(self) -> tuple[Point, ...]:
        """Return the values, the oldest first."""
        return self.trend.points


def ageing_of(history: History, tests: Sequence[Entered], rounds: Rounds) -> tuple[Ageing, ...]:
    """Follow what ages over everything that is on record of a unit.

    history : rounds and run-downs of the unit
    tests : its bench tests
    rounds : the service's own, with its limits
    """
    limits = rounds.limits
    out = [
        _battery(history, limits.battery_health_low_percent.value),
        _sensor(history, limits.room_air_within_points.value),
    ]
    display = _display(tests)
    return (*out, display) if display is not None else tuple(out)


def _battery(history: History, limit: float) -> Ageing:
    points, short, odd = [], 0, 0
    for one in {one.at: one for one in history.run_downs}.values():  # judged anew counts once
        if not one.complete:
            short += 1
        elif one.share_percent is None or one.share_percent <= 0.0:
            odd += 1
        else:
            known = 0.0 if one.share_expanded is None else one.share_expanded / 2.0
            spread = max(known, RUN_DOWN_SPREAD * one.share_percent)
            points.append(Point(one.at, one.share_percent, spread))
    left = []
    if short:
        left.append(f"{_counted(short, 'run-down')} stopped before the cut-off")
    if odd:
        left.append(f"{_counted(odd, 'run-down')} without a share of a new battery")
    lead = (
        f"Share of a new battery's energy at each whole run-down; the service asks for {limit:g} %."
    )
    return _ageing("battery", "Battery", lead, "%", battery_trend(points, limit, "%"), left)


def _sensor(history: History, limit: float) -> Ageing:
    points, before = [], None
    for one in history.settings:
        should = expected_in_room(one.air, before)
        wide = (should.high - should.low) / math.sqrt(12.0)
        off = one.reading_percent - should.percent
        points.append(Point(one.at, off, math.hypot(wide, READ_SPREAD)))
        before = one.air
    lead = (
        "What the sensor read in room air before it was set, less what it should have read; the "
        f"service allows {limit:g} {'point' if limit == 1.0 else 'points'} either way."
    )
    return _ageing(
        "oxygen", "Oxygen sensor", lead, "points", sensor_trend(points, limit, "points"), []
    )


def _display(tests: Sequence[Entered]) -> Ageing | None:
    points: dict[datetime, Point] = {}  # by the end of the log: judged anew counts once
    limit, invalid = None, 0
    for entry in tests:
        for one in entry.tried:
            found = one.figures.get("displayed_off_c")
            if one.test != "displayed" or found is None:
                continue
            if one.verdict == "invalid":
                invalid += 1
                continue
            spread = DISPLAY_SPREAD_C if found.expanded is None else found.expanded / 2.0
            points[entry.at] = Point(entry.at, found.value, max(spread, 0.01), entry.log)
            limit = found.limit or limit
    if limit is None:
        return None
    left = [f"{_counted(invalid, 'test')} whose conditions were not met"] if invalid else []
    lead = (
        "Displayed less measured air at each bench test; the limit of the latest test is "
        f"{limit:g} °C either way."
    )
    trend = sensor_trend(tuple(points.values()), limit, "°C")
    return _ageing("display", "Air display", lead, "°C", trend, left)


def _ageing(
    key: str, title: str, lead: str, unit: str, trend: Trend, left: Sequence[str]
) -> Ageing:
    dates = {one.when.date() for one in trend.points}
    drawing = trend_svg(trend) if len(dates) > 1 else Markup("")
    says = trend_words(trend)
    return Ageing(
        key, title, lead, unit, trend, says[:1].upper() + says[1:], "; ".join(left), drawing
    )


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")
