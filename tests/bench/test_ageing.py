"""Ageing: dates with bands where tests tell them, and "cannot tell" where they do not."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from bench import hidden
from warmhold.bench.ageing import (
    HORIZON_LONGEST_DAYS,
    Point,
    battery_trend,
    run_down_point,
    sensor_point,
    sensor_trend,
    student_quantile,
)
from warmhold.bench.fit import Observed

BEGIN = datetime(2023, 1, 10, tzinfo=UTC)


def points(values: list[float], spread: float, every_days: float = 120.0) -> list[Point]:
    return [
        Point(BEGIN + timedelta(days=every_days * i), value, spread)
        for i, value in enumerate(values)
    ]


@pytest.mark.parametrize("share", [0.6, 0.9, 0.95, 0.975, 0.99])
@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 8, 30, 200])
def test_student_quantiles_as_scipy_gives_them(share: float, freedom: int) -> None:
    assert student_quantile(share, freedom) == pytest.approx(stats.t.ppf(share, freedom), rel=1e-4)


def test_a_clear_fall_gives_a_date_with_a_band() -> None:
    """50 Wh falling by 10 % a year meets 40 Wh after ln(50/40)/0.10536 years: 2.118."""
    every = 120.0
    values = [50.0 * 0.9 ** (every * i / 365.25) for i in range(6)]
    trend = battery_trend(points(values, 0.4), 40.0, "Wh")
    assert trend.verdict == "date expected"
    exact = BEGIN + timedelta(days=365.25 * math.log(40 / 50) / math.log(0.9))
    assert trend.expected is not None
    assert trend.earliest is not None
    assert abs((trend.expected - exact).total_seconds()) < 86400.0
    assert trend.earliest < trend.expected
    assert trend.latest is None or trend.latest > trend.expected
    assert trend.change_per_year == pytest.approx(-10.0, abs=1e-6)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_dates_cannot_tell(count: int) -> None:
    trend = battery_trend(points([50.0, 45.0][:count], 0.5), 40.0, "Wh")
    assert trend.verdict == "cannot tell"
    assert trend.expected is None
    assert trend.change_per_year is None


def test_three_tests_on_one_day_are_one_date() -> None:
    assert battery_trend(points([50.0, 45.0, 40.0], 0.5, 0.1), 30.0, "Wh").verdict == "cannot tell"


def test_scatter_that_hides_the_slope_cannot_tell() -> None:
    trend = battery_trend(points([50.0, 47.0, 51.0, 48.0], 2.0), 40.0, "Wh")
    assert trend.verdict == "cannot tell"
    assert trend.expected is None
    assert trend.change_low is not None
    assert trend.change_high is not None
    assert trend.change_low < 0.0 < trend.change_high


def test_nothing_is_said_beyond_the_horizon() -> None:
    """A slow fall whose date lies decades away: no date, and the horizon is named."""
    values = [50.0 * 0.995 ** (i / 3) for i in range(9)]
    trend = battery_trend(points(values, 0.02), 25.0, "Wh")
    assert trend.verdict == "not before the horizon"
    assert trend.expected is None
    assert trend.latest is None
    assert f"{trend.horizon:%Y-%m-%d}" in trend.why
    last = trend.points[-1].when
    assert (trend.horizon - last).days <= HORIZON_LONGEST_DAYS
    asked = battery_trend(points(values, 0.02), 25.0, "Wh", horizon=last + timedelta(days=60000))
    assert asked.expected is not None


def test_limits_already_met_and_growing_batteries_are_said() -> None:
    assert (
        battery_trend(points([45.0, 42.0, 39.0], 0.3), 40.0, "Wh").verdict
        == "limit already reached"
    )
    grows = battery_trend(points([40.0, 43.0, 46.0, 49.0], 0.3), 30.0, "Wh")
    assert grows.verdict == "moves away from the limit"


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_sensor_drifts_towards_either_limit(sign: float) -> None:
    trend = sensor_trend(points([sign * 0.05 * i for i in range(7)], 0.01), 0.4, "K")
    assert trend.verdict == "date expected"
    assert trend.expected is not None
    # 0.05 K every 120 days: 0.4 K after 960 days
    assert abs((trend.expected - BEGIN).days - 960) <= 1


@given(seed=st.integers(0, 10**6))
@settings(max_examples=20, deadline=None)
def test_a_trend_does_not_depend_on_the_order_of_its_points(seed: int) -> None:
    rng = np.random.default_rng(seed)
    given = points([50.0 - 1.5 * i + float(rng.normal()) for i in range(6)], 1.0)
    mixed = [given[i] for i in rng.permutation(6)]
    assert battery_trend(given, 38.0, "Wh") == battery_trend(mixed, 38.0, "Wh")


@pytest.mark.parametrize(("value", "spread"), [(math.nan, 1.0), (50.0, 0.0), (-3.0, 1.0)])
def test_values_that_cannot_be_are_refused(value: float, spread: float) -> None:
    bad = [*points([50.0, 48.0], 1.0), Point(BEGIN, value, spread)]
    with pytest.raises(ValueError, match=r"spread|above zero"):
        battery_trend(bad, 40.0, "Wh")


@pytest.mark.parametrize(("count", "scatter"), [(4, 1.0), (6, 1.0), (6, 1.6)])
def test_bands_of_slope_and_date_hold_the_truth(count: int, scatter: float) -> None:
    """600 made-up histories; with spreads stated right, and 1.6 times too small.

    The band of the slope and, where a date is given, that of the date should hold nine in ten;
    with the spreads understated, four in five is asked of six points.
    """
    rng = np.random.default_rng(11)
    true_slope, spread = -0.10 / 365.25, 0.02
    slopes, dates = [], []
    for _ in range(600):
        days = np.sort(rng.uniform(0.0, 900.0, count))
        clean = math.log(50.0) + true_slope * days
        values = np.exp(clean + scatter * spread * rng.standard_normal(count))
        found = battery_trend(
            [
                Point(BEGIN + timedelta(days=float(d)), float(v), float(v) * spread)
                for d, v in zip(days, values, strict=True)
            ],
            36.0, "Wh", horizon=BEGIN + timedelta(days=40000),
        )  # fmt: skip
        if found.change_low is not None and found.change_high is not None:
            slopes.append(found.change_low <= 100 * math.expm1(-0.10) <= found.change_high)
        if found.verdict == "date expected" and found.earliest is not None:
            exact = BEGIN + timedelta(days=math.log(36 / 50) / true_slope)
            late = found.latest or datetime.max.replace(tzinfo=UTC)
            dates.append(found.earliest <= exact <= late)
    least = 0.85 if scatter == 1.0 else 0.78
    assert least <= np.mean(slopes) <= 0.99
    assert len(dates) > 100
    assert least <= np.mean(dates) <= 0.995


# --- points out of logs ------------------------------------------------------------------------


def test_a_run_down_gives_the_hidden_energy_back() -> None:
    """Eight hidden units with the model's own exponent and cold effect: scores of the truth."""
    unit = hidden.shipped_unit("alder-single")
    instruments = hidden.Instruments()
    scores = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        v, truth = hidden.hidden_values(unit, rng)
        log = hidden.simulated(
            unit, v, hidden.RUN_DOWN, rng, instruments, hidden.shared_offsets(rng, instruments)
        )
        point = run_down_point(Observed(log), unit)
        assert point is not None
        assert 0.01 < point.spread / point.value < 0.2
        scores.append((point.value - truth["battery.health"]) / point.spread)
    assert abs(np.mean(scores)) < 1.2
    assert np.abs(scores).max() < 4.0


def test_a_log_that_is_no_run_down_gives_no_energy() -> None:
    unit = hidden.shipped_unit("alder-single")
    rng = np.random.default_rng(3)
    v, _ = hidden.hidden_values(unit, rng)
    offsets = hidden.shared_offsets(rng, hidden.Instruments())
    log = hidden.simulated(unit, v, hidden.COLD_START, rng, hidden.Instruments(), offsets)
    assert run_down_point(Observed(log), unit) is None


def steady(shown: float, minutes: int = 90) -> tuple[object, Point | None]:
    from warmhold.bench.log import Log  # noqa: PLC0415

    n = minutes + 1
    rng = np.random.default_rng(2)
    log = Log(
        "x", BEGIN, 60.0 * np.arange(n),
        {
            "air_c": 34.0 + 0.03 * rng.standard_normal(n),
            "air_shown_c": shown + 0.03 * rng.standard_normal(n),
            "air_set_c": np.full(n, 34.0),
        },
    )  # fmt: skip
    return log, sensor_point(log)


def test_a_steady_hour_gives_the_error_of_the_display() -> None:
    log, point = steady(34.42)
    assert point is not None
    assert point.value == pytest.approx(0.42, abs=0.02)
    assert point.spread >= 0.1  # the reference thermometer's own
    assert log is not None


def test_an_unsteady_or_short_log_gives_no_error() -> None:
    log, _ = steady(34.4)
    moving = dict(log.numbers)  # type: ignore[attr-defined]
    moving["air_c"] = moving["air_c"] + np.linspace(0.0, 3.0, moving["air_c"].size)
    assert sensor_point(replace(log, numbers=moving)) is None  # type: ignore[type-var]
    assert steady(34.4, minutes=12)[1] is None
    without = {"air_shown_c": moving["air_shown_c"]}
    assert sensor_point(replace(log, numbers=without)) is None  # type: ignore[type-var]
