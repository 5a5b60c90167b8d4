"""A policy is there to be changed: every rule of it that a verdict rests on does something."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from plan.cases import part, ruled, shipped_case
from warmhold.model import Case
from warmhold.plan.margins import margin, measured
from warmhold.plan.sheet import Margin
from warmhold.plan.validity import beyond
from warmhold.plan.warmup import warm_up
from warmhold.simulate.scenario import prepare, run

MEMBERS = 80
SETTINGS = {"winter-road": 36.0, "island-flight": 37.0, "term-by-day": 31.0, "cooled-hot-day": 20.0}


def margins(case: Case, name: str) -> dict[str, Margin]:
    """Margins of a case as the sheet has them, without kit and mends."""
    air_set_c = SETTINGS[name]
    _, ready = warm_up(case, MEMBERS, 1, air_set_c)
    outcome = run(prepare(case, MEMBERS, 1, air_set_c=air_set_c))
    outside = beyond(outcome.ensemble)
    return {
        key: margin(key, found, outcome, outside) for key, found in measured(outcome, ready).items()
    }


def middle(found: Margin) -> float:
    assert found.band is not None
    return found.band.p50


@pytest.fixture(scope="module")
def base() -> dict[str, dict[str, Margin]]:
    return {name: margins(shipped_case(name), name) for name in SETTINGS}


def changed(name: str, table: str, **rules: Any) -> dict[str, Margin]:
    return margins(part(shipped_case(name), f"policy.{table}", **rules), name)


def test_rule_plus_asks_for_minutes_instead_of_a_factor(
    base: dict[str, dict[str, Margin]],
) -> None:
    """The easy trip has two battery runs of 6 min, with hours left: 60 min more than 6 asked."""
    before = base["term-by-day"]["battery"]
    after = changed("term-by-day", "battery", rule="plus", plus_min=ruled(60))["battery"]
    # factor 2 asks for the run once more, 6 min; plus asks for 60: 54 min less to spare
    assert middle(after) == pytest.approx(middle(before) - 54.0, abs=2.0)
    assert "minutes that policy adds" in after.formula
    assert "factor" in before.formula
    assert ("minutes beyond the legs", "60 min", "own") in after.inputs


def test_factor_of_the_battery(base: dict[str, dict[str, Margin]]) -> None:
    after = changed("term-by-day", "battery", factor=ruled(5))["battery"]
    # three runs of 6 min more
    assert middle(after) == pytest.approx(middle(base["term-by-day"]["battery"]) - 18.0, abs=1.5)


def test_factor_of_gas(base: dict[str, dict[str, Margin]]) -> None:
    """What is used once more is what is lost: 8, 4, 70 + 6, 4, 8 min of hood oxygen."""
    one = changed("winter-road", "gas", factor=ruled(1))["oxygen"]
    two = base["winter-road"]["oxygen"]
    three = changed("winter-road", "gas", factor=ruled(3))["oxygen"]
    assert middle(one) > middle(two) > middle(three)
    assert middle(one) - middle(two) == pytest.approx(middle(two) - middle(three), rel=0.25)


def test_worst_case_factor_and_flow(base: dict[str, dict[str, Margin]]) -> None:
    before = middle(base["winter-road"]["oxygen-worst"])
    half = changed("winter-road", "gas", worst_hood_flow_lpm=ruled(5))["oxygen-worst"]
    twice = changed("winter-road", "gas", worst_case_factor=ruled(2))["oxygen-worst"]
    # 94 nominal minutes, 100 with snow: 10 L/min take about 1000 L, 5 L/min half of it
    assert middle(half) - before == pytest.approx(500, rel=0.1)
    assert middle(twice) - before == pytest.approx(-1000, rel=0.1)


@pytest.mark.parametrize(
    ("key", "rule", "by"),
    [("cold", "low_c", -0.5), ("hot", "high_c", 0.5)],
)
def test_bounds_of_the_baby(
    base: dict[str, dict[str, Margin]], key: str, rule: str, by: float
) -> None:
    """Half a kelvin more room is half a kelvin more to spare, to the bit."""
    now = getattr(shipped_case("winter-road").policy.temperature, rule).value
    after = changed("winter-road", "temperature", **{rule: ruled(now + by)})[key]
    assert middle(after) - middle(base["winter-road"][key]) == pytest.approx(0.5)


def test_bounds_of_a_cooled_baby(base: dict[str, dict[str, Margin]]) -> None:
    wide = changed(
        "cooled-hot-day", "temperature", cooled_low_c=ruled(32.5), cooled_high_c=ruled(34.5)
    )
    for key in ("cold", "hot"):
        assert middle(wide[key]) - middle(base["cooled-hot-day"][key]) == pytest.approx(0.5)
    usual = changed("cooled-hot-day", "temperature", low_c=ruled(35.0), high_c=ruled(39.0))
    assert usual["cold"].band == base["cooled-hot-day"]["cold"].band


def test_allowed_drop_of_the_air(base: dict[str, dict[str, Margin]]) -> None:
    after = changed("term-by-day", "temperature", air_floor_below_set_k=ruled(2.0))["heat"]
    assert middle(after) == pytest.approx(middle(base["term-by-day"]["heat"]) - 1.0)


def test_what_ready_means(base: dict[str, dict[str, Margin]]) -> None:
    strict = changed("winter-road", "temperature", operative_stable_within_k=ruled(0.3))["warm"]
    lax = changed(
        "winter-road", "temperature",
        operative_stable_within_k=ruled(4.0), air_stable_within_k=ruled(4.0),
    )["warm"]  # fmt: skip
    assert middle(strict) < middle(base["winter-road"]["warm"]) < middle(lax)


def test_highest_oxygen(base: dict[str, dict[str, Margin]]) -> None:
    after = changed("island-flight", "oxygen", highest_percent=ruled(60))["altitude"]
    assert middle(after) == pytest.approx(middle(base["island-flight"]["altitude"]) - 40.0)


def test_carbon_dioxide_and_humidity(base: dict[str, dict[str, Margin]]) -> None:
    gas = changed("term-by-day", "gas", carbon_dioxide_limit_percent=ruled(0.6))["carbon-dioxide"]
    assert middle(gas) - middle(base["term-by-day"]["carbon-dioxide"]) == pytest.approx(0.1)
    dry = changed("island-flight", "temperature", humidity_floor_kpa=ruled(3.3))["humidity"]
    assert middle(dry) - middle(base["island-flight"]["humidity"]) == pytest.approx(-1.0)
    older = changed("island-flight", "temperature", humidity_below_weeks=ruled(26))
    assert "humidity" not in older


def test_probability_decides_the_state(base: dict[str, dict[str, Margin]]) -> None:
    """The same share of trips, another requirement, another state."""
    some = [m for m in base["winter-road"].values() if m.probability and 0.55 < m.probability < 0.9]
    assert some
    lenient = changed("winter-road", "verdict", probability_percent=ruled(50))
    for before in some:
        after = lenient[before.key]
        assert before.state == "falls short"
        assert after.probability == before.probability
        assert after.state == "holds"
        assert after.required == 0.5
    strict = changed("term-by-day", "verdict", probability_percent=ruled(99.9))
    for key, after in strict.items():
        assert (after.state == "holds") == (after.probability == 1.0), key


def test_only_what_is_asked_for_counts(base: dict[str, dict[str, Margin]]) -> None:
    few = changed("winter-road", "verdict", must_hold=("hot", "oxygen"))
    assert {key for key, m in few.items() if m.must_hold} == {"hot", "oxygen"}
    assert {key: m.state for key, m in few.items()} == {
        key: m.state for key, m in base["winter-road"].items()
    }


def test_own_marks_and_sources_are_shown(base: dict[str, dict[str, Margin]]) -> None:
    after = changed("term-by-day", "gas", factor=ruled(1.5))["oxygen"]
    assert ("gas factor", "1.5 ×", "own") in after.inputs
    assert "gas factor: a test" in after.sources
    assert np.isfinite(middle(base["term-by-day"]["oxygen"]))
