"""Ageing over many tests: battery energy and sensor errors, and when the service's limit is met.

A straight line through dated values (for a battery through their logarithms: it loses a share of
what is left), weighted by each value's own spread. How far the values scatter beyond their stated
spreads is estimated with the help of those spreads (a scaled inverse chi-squared prior worth
``PRIOR_TESTS`` tests, form from memory), so that three points on a line by chance do not make a
narrow band. The date of reaching a limit is the set of dates at which the limit lies inside the
line's own band (Fieller's construction, from memory), so that it may have an open end.

Nothing is said with fewer than three dates, or when the slope's band holds zero; and no date
beyond the horizon is given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.constants import X_COLD, fixed_values
from warmhold.bench.fit.drive import Observed, Track, cold_share, track_of
from warmhold.bench.log import Log
from warmhold.model import Unit
from warmhold.science.battery import rate_share
from warmhold.simulate import layout as at

Floats = NDArray[np.float64]

FEWEST: Final = 3
PRIOR_TESTS: Final = 4.0
HORIZON_SHARE: Final = 1.0  # the horizon is this many times the time the tests span ...
HORIZON_LONGEST_DAYS: Final = 3 * 365.25  # ... but never longer
HORIZON_SHORTEST_DAYS: Final = 90.0
RATE_SPREAD: Final = 0.3  # of the correction for rate and cold, of what it corrects
METER_SPREAD: Final = 0.01
SENSOR_WINDOW_S: Final = 3600.0
SENSOR_REFERENCE_K: Final = 0.1
LEAST_SENSOR_MIN: Final = 20.0

Verdict = Literal[
    "limit already reached", "date expected", "not before the horizon", "moves away from the limit",
    "cannot tell",
]  # fmt: skip


@dataclass(frozen=True)
class Point:
    """One dated value with its standard deviation."""

    when: datetime
    value: float
    spread: float
    source: str = ""


@dataclass(frozen=True)
class Trend:
    """Where dated values are heading.

    points : as given, in the order of time
    change_per_year, change_low, change_high : of a battery in per cent of what is left, else in the
        value's own unit; None when it cannot be told
    now, now_low, now_high : on the line at the last date
    expected, earliest, latest : dates of reaching the limit, 90 % between the two; None for not
        before the horizon or not known
    horizon : up to when this looks
    why : the verdict in a sentence
    """

    kind: Literal["battery", "sensor"]
    unit: str
    limit: float
    points: tuple[Point, ...]
    verdict: Verdict
    why: str
    horizon: datetime
    change_per_year: float | None = None
    change_low: float | None = None
    change_high: float | None = None
    now: float | None = None
    now_low: float | None = None
    now_high: float | None = None
    expected: datetime | None = None
    earliest: datetime | None = None
    latest: datetime | None = None


def battery_trend(
    points: Sequence[Point], limit: float, unit: str, horizon: datetime | None = None
) -> Trend:
    """Energy (or its share of the rating) over time, against the least the service allows.

    Parameters
    ----------
    points : run-downs, values above 0
    limit : least allowed, above 0, in the unit of the values
    unit : of both, such as "Wh" or "%"
    horizon : how far to look; as far ahead as the tests reach back if None
    """
    return _trend("battery", points, limit, unit, horizon)


def sensor_trend(
    points: Sequence[Point], limit: float, unit: str, horizon: datetime | None = None
) -> Trend:
    """Error of a sensor over time, against the greatest that the service allows either way.

    Parameters
    ----------
    points : errors, shown less true
    limit : greatest size allowed, above 0
    unit : of both, such as "K"
    horizon : how far to look; as far ahead as the tests reach back if None
    """
    return _trend("sensor", points, limit, unit, horizon)


def _trend(
    kind: Literal["battery", "sensor"],
    given: Sequence[Point],
    limit: float,
    unit: str,
    horizon: datetime | None,
) -> Trend:
    if not limit > 0.0:
        raise ValueError("the limit must be above zero")
    for one in given:
        if not (math.isfinite(one.value) and math.isfinite(one.spread) and one.spread > 0.0):
            raise ValueError("every value needs to be a number with a spread above zero")
        if kind == "battery" and one.value <= 0.0:
            raise ValueError("a battery's energy must be above zero")
    points = tuple(sorted(given, key=lambda one: one.when))
    last = points[-1].when if points else datetime(2000, 1, 1, tzinfo=UTC)
    span = (last - points[0].when).total_seconds() / 86400.0 if points else 0.0
    reach = min(max(HORIZON_SHARE * span, HORIZON_SHORTEST_DAYS), HORIZON_LONGEST_DAYS)
    until = horizon or last + timedelta(days=reach)

    def said(verdict: Verdict, why: str, **more: float | datetime | None) -> Trend:
        return Trend(kind, unit, limit, points, verdict, why, until, **more)  # type: ignore[arg-type]

    dates = {one.when.date() for one in points}
    if len(dates) < FEWEST:
        return said(
            "cannot tell", f"{len(dates)} of the {FEWEST} dates that a trend needs at least"
        )
    line = _line(points, log=kind == "battery")
    slope, slope_spread, wide = line.slope, line.slope_spread, line.quantile
    low, high = slope - wide * slope_spread, slope + wide * slope_spread
    end = (last - line.origin).total_seconds() / 86400.0
    here, here_spread = line.at(end)
    known: dict[str, float | datetime | None] = {}
    if kind == "battery":
        known = {
            "change_per_year": 100.0 * math.expm1(365.25 * slope),
            "change_low": 100.0 * math.expm1(min(365.25 * low, 50.0)),
            "change_high": 100.0 * math.expm1(min(365.25 * high, 50.0)),
            "now": math.exp(here),
            "now_low": math.exp(here - wide * here_spread),
            "now_high": math.exp(here + wide * here_spread),
        }
        target = math.log(limit)
        over = here <= target
    else:
        known = {
            "change_per_year": 365.25 * slope, "change_low": 365.25 * low,
            "change_high": 365.25 * high, "now": here, "now_low": here - wide * here_spread,
            "now_high": here + wide * here_spread,
        }  # fmt: skip
        target = math.copysign(limit, slope)
        over = abs(here) >= limit
    if over:
        return said(
            "limit already reached", "the line through the tests is past the limit", **known
        )
    if low <= 0.0 <= high:
        return said(
            "cannot tell",
            "the tests do not tell whether it changes at all: the band of the change holds zero",
            **known,
        )
    if kind == "battery" and slope > 0.0:
        return said("moves away from the limit", "the tests show it growing; check them", **known)
    first, middle, latest = line.crossings(target, end)
    furthest = (until - line.origin).total_seconds() / 86400.0

    def day(days: float) -> datetime | None:
        return line.origin + timedelta(days=days) if days <= furthest else None

    if day(middle) is None:
        return said(
            "not before the horizon",
            f"the line does not reach the limit before {until:%Y-%m-%d}; nothing is said of later",
            earliest=day(first), **known,
        )  # fmt: skip
    return said(
        "date expected", "if it goes on as in these tests",
        expected=day(middle), earliest=day(first), latest=day(latest), **known,
    )  # fmt: skip


@dataclass(frozen=True)
class _Line:
    """A straight line by weighted least squares; days from ``origin``.

    scatter : factor on all stated spreads
    quantile : for 90 % of a two-sided band
    """

    origin: datetime
    level: float
    slope: float
    cov: Floats
    quantile: float

    @property
    def slope_spread(self) -> float:
        return float(np.sqrt(self.cov[1, 1]))

    def at(self, days: float) -> tuple[float, float]:
        """Value and its standard deviation."""
        x = np.array([1.0, days])
        return self.level + self.slope * days, float(np.sqrt(x @ self.cov @ x))

    def crossings(self, target: float, after: float) -> tuple[float, float, float]:
        """First, expected and last day on which the target may be met, from ``after`` on."""
        middle = (target - self.level) / self.slope
        # (level + slope d - target)^2 = q^2 var(d): a quadratic in d
        q2 = self.quantile**2
        c = self.cov
        a = self.slope**2 - q2 * c[1, 1]
        gap = self.level - target
        b = 2.0 * (gap * self.slope - q2 * c[0, 1])
        d = gap**2 - q2 * c[0, 0]
        root = math.sqrt(max(b * b - 4.0 * a * d, 0.0))
        ends = sorted(((-b - root) / (2.0 * a), (-b + root) / (2.0 * a)))
        return max(ends[0], after), max(middle, after), max(ends[1], after)


def _line(points: Sequence[Point], *, log: bool) -> _Line:
    origin = points[0].when
    days = np.array([(one.when - origin).total_seconds() / 86400.0 for one in points])
    values = np.array([math.log(one.value) if log else one.value for one in points])
    spreads = np.array([one.spread / one.value if log else one.spread for one in points])
    x = np.column_stack((np.ones_like(days), days)) / spreads[:, None]
    y = values / spreads
    cov = np.linalg.inv(x.T @ x)
    level, slope = cov @ (x.T @ y)
    left = y - x @ np.array([level, slope])
    free = len(points) - 2
    scatter = (PRIOR_TESTS + float(left @ left)) / (PRIOR_TESTS + free)
    return _Line(
        origin, float(level), float(slope), np.asarray(cov * scatter),
        student_quantile(0.95, PRIOR_TESTS + free),
    )  # fmt: skip


def student_quantile(share: float, freedom: float) -> float:
    """Quantile of Student's t, by bisection on its distribution (integrated numerically).

    share : 0.5 to 0.999
    freedom : degrees of freedom, 1 or more
    """
    low, high = 0.0, 700.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if _student_below(middle, freedom) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _student_below(t: float, freedom: float) -> float:
    # with t = sqrt(f) tan(u) the density becomes a power of cos(u), smooth up to the end
    end = math.atan(t / math.sqrt(freedom))
    u = np.linspace(0.0, end, 401)
    height = np.cos(u) ** (freedom - 1.0)
    weights = np.ones(401)
    weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
    area = float(weights @ height) * end / 400.0 / 3.0
    whole = math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2)) / math.sqrt(math.pi)
    return 0.5 + whole * area


def trends_of(
    observed: Sequence[Observed], unit: Unit, battery_percent: float, sensor_k: float | None
) -> tuple[tuple[str, Trend], ...]:
    """What ages over these logs, each with a title; nothing where none of them says anything of it.

    battery_percent : least energy that the service allows, of a new battery's [%]
    sensor_k : greatest error of the air display that the service allows [K]; None without a limit
    """
    out = []
    battery = unit.battery
    new_wh = battery.energy_wh.value * battery.packs * battery.usable_fraction.value
    run_downs = [point for one in observed if (point := run_down_point(one, unit))]
    if run_downs:
        trend = battery_trend(run_downs, new_wh * battery_percent / 100.0, "Wh")
        out.append((f"Battery energy, limit {battery_percent:g} % of new", trend))
    errors = [point for one in observed if (point := sensor_point(one.log))]
    if errors and sensor_k is not None:
        trend = sensor_trend(errors, sensor_k, "K")
        out.append((f"Error of the air display, limit {sensor_k:g} K", trend))
    return tuple(out)


# --- points out of logs ------------------------------------------------------------------------


def run_down_point(observed: Observed, unit: Unit) -> Point | None:
    """Energy that one run-down gave, as at 25 °C and rated power [Wh]; None when it is not one.

    The measured power is added up from the moment the battery carries the unit to the moment it
    gives out, with the model's effects of rate and cold. The battery's temperature is the measured
    one, else the ambient and what the profile says it is above that.
    """
    track = track_of(observed, unit)
    log = observed.log
    if track.gave_out is None:
        return None
    power = next((b for b in track.blocks if b.channel == "battery_w"), None)
    first = int(np.flatnonzero(track.on_battery)[0])
    begin, end = float(track.grid_s[first]), float(track.grid_s[track.gave_out])
    if power is None or power.values.size < 3:
        return None
    moments = np.linspace(begin, end, max(int((end - begin) / 30.0), 10))
    watts = np.interp(moments, 60.0 * power.minutes, power.values)
    v = fixed_values(unit)
    pack, sure = _pack_c(track, log, unit, moments)
    lead = v[at.IS_LEAD]
    rate = np.asarray(rate_share(watts, v[at.RATED_W], v[at.PEUKERT]))
    cold = cold_share(pack, lead, v[X_COLD])
    plain = float(np.mean(watts)) * (end - begin) / 3600.0
    energy = float(np.mean(watts * rate / cold)) * (end - begin) / 3600.0
    event = float(track.room_s[int(np.searchsorted(track.changes, track.gave_out))]) if (
        track.gave_out in track.changes
    ) else 60.0  # fmt: skip
    starts = float(track.room_s[0]) if first in track.changes else 0.0
    colder = np.mean(1.0 / cold_share(pack - sure, lead, 1.0)) / np.mean(1.0 / cold) - 1.0
    parts = (
        METER_SPREAD,
        math.hypot(event, starts) / math.sqrt(12.0) / (end - begin),
        RATE_SPREAD * abs(energy / plain - 1.0),
        float(colder),
        observed.charge_spread / max(observed.charge, 0.05),
    )
    share = math.sqrt(sum(part * part for part in parts))
    energy /= max(observed.charge, 0.05)
    when = log.start_utc + timedelta(seconds=end)
    return Point(when, energy, energy * share, track.name)


def _pack_c(track: Track, log: Log, unit: Unit, moments: Floats) -> tuple[Floats, float]:
    if log.has("battery_c"):
        known = np.isfinite(log.numbers["battery_c"])
        read = np.interp(moments, log.seconds[known], log.numbers["battery_c"][known])
        return np.asarray(read), 1.0
    ambient = np.append(track.conditions[:, at.AMBIENT], track.conditions[-1, at.AMBIENT])
    warmer = unit.battery.warmer_than_ambient_k
    return np.interp(moments, track.grid_s, ambient) + warmer.value, max(warmer.spread, 2.0)


def sensor_point(log: Log) -> Point | None:
    """Error of the unit's air display over the last steady hour [K]; None without both readings.

    Shown less the reference thermometer, over the last hour in which the setting stood still and
    the reference moved by no more than 1 K.
    """
    if not log.has("air_c", "air_shown_c"):
        return None
    end = float(log.seconds[-1])
    inside = log.seconds >= end - SENSOR_WINDOW_S
    shown, true = log.numbers["air_shown_c"], log.numbers["air_c"]
    both = inside & np.isfinite(shown) & np.isfinite(true)
    if both.sum() < 10:
        return None
    minutes = float(np.ptp(log.seconds[both])) / 60.0
    setting = log.numbers.get("air_set_c")
    moved = setting is not None and float(np.nanmax(setting[both]) - np.nanmin(setting[both])) > 0
    if minutes < LEAST_SENSOR_MIN or moved or float(np.ptp(true[both])) > 1.0:
        return None
    error = shown[both] - true[both]
    step = max(log.steps.get("air_c", 0.0), log.steps.get("air_shown_c", 0.0))
    # rows a minute apart are not independent: one for every five minutes counts
    counted = max(minutes / 5.0, 1.0)
    spread = math.sqrt(
        SENSOR_REFERENCE_K**2 + float(np.var(error, ddof=1)) / counted + step**2 / 12.0
    )
    return Point(log.start_utc, float(np.mean(error)), spread, log.name)
