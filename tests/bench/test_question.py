"""Which unit can do this trip: the planner is asked, with each unit's own profile."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from warmhold.bench.question import (
    RANGES,
    Question,
    ask,
    case_for,
    text_with_run_down,
    with_run_down,
)
from warmhold.bench.readiness import History, RunDown
from warmhold.model import Policy, Quantity, Unit, load_case, parse_unit, shipped_path
from warmhold.plan.quick import quick_margins

NOW = datetime(2026, 1, 14, 3, 0, tzinfo=UTC)
SHORT = Question(0.4, 15.0, 3200, 39.0)


@pytest.fixture(scope="module")
def policy() -> Policy:
    return load_case(shipped_path("trips", "winter-road")).policy


@pytest.fixture(scope="module")
def alder() -> Unit:
    return parse_unit(shipped_path("units", "alder-single").read_text("utf-8"), "alder-single")


def with_health(unit: Unit, share: float) -> Unit:
    health = Quantity(value=share, spread=0.02, provenance="measured")
    battery = unit.battery.model_copy(update={"health": health})
    return unit.model_copy(update={"battery": battery})


def test_the_better_battery_comes_first(policy: Policy, alder: Unit) -> None:
    question = Question(0.7, -2.0, 3200, 39.0, power="battery")
    big = alder.battery.model_copy(update={"packs": 6, "age_years": 0.5})
    strong = alder.model_copy(update={"battery": big})
    weak = with_health(alder, 0.4)
    units = [("weak", weak, None), ("strong", strong, None), ("broken", None, None)]
    replies = ask(question, units, policy, NOW, members=100)
    chance = {
        reply.unit: next(m.probability for m in reply.plan.margins if m.key == "battery")
        for reply in replies
        if reply.plan is not None
    }
    assert chance["strong"] is not None
    assert chance["weak"] is not None
    assert chance["strong"] > chance["weak"] + 0.3
    assert [reply.unit for reply in replies].index("strong") == 0
    broken = next(reply for reply in replies if reply.unit == "broken")
    assert broken.verdict == "cannot tell"


def test_a_reply_is_what_the_planner_says(policy: Policy, alder: Unit) -> None:
    (reply,) = ask(SHORT, [("alder", alder, None)], policy, NOW, members=100)
    direct = quick_margins(case_for(SHORT, alder, policy, NOW), members=100)
    assert reply.plan == direct


def test_gas_is_not_asked(policy: Policy, alder: Unit) -> None:
    must = case_for(SHORT, alder, policy, NOW).policy.verdict.must_hold
    assert "battery" in must
    assert not [key for key in must if key.startswith(("oxygen", "air"))]


def test_a_run_down_speaks_where_the_profile_is_silent(alder: Unit) -> None:
    run_down = RunDown(NOW, 62.0, 11.0, 40.0, True)
    measured, says = with_run_down(alder, History("alder", run_downs=(run_down,)))
    assert measured.battery.health is not None
    assert measured.battery.health.value == pytest.approx(0.62)
    assert "62 %" in says
    stopped = RunDown(NOW, 62.0, 11.0, 40.0, False)
    assert with_run_down(alder, History("alder", run_downs=(stopped,))) == (alder, "")
    own = with_health(alder, 0.9)
    assert with_run_down(own, History("alder", run_downs=(run_down,))) == (own, "")


def test_what_is_outside_its_range_is_told() -> None:
    assert Question(3, -10, 1000, 28).faults() == {}
    faults = Question(99, 80, 1000, 28).faults()
    assert set(faults) == {"hours", "outside_c"}
    assert set(RANGES) >= set(faults)


@pytest.mark.parametrize("hours", [0.1, 12.0])
@pytest.mark.parametrize("outside_c", [-35.0, 45.0])
@pytest.mark.parametrize(("weight_g", "weeks"), [(400, 22.0), (6000, 44.0)])
def test_every_question_in_range_is_a_trip(
    policy: Policy, alder: Unit, hours: float, outside_c: float, weight_g: float, weeks: float
) -> None:
    case = case_for(Question(hours, outside_c, weight_g, weeks), alder, policy, NOW)
    assert case.trip.legs[2].minutes.value == pytest.approx(hours * 60)


def test_a_run_down_is_written_into_the_text_that_a_plan_is_made_with() -> None:
    text = shipped_path("units", "alder-single").read_text("utf-8")
    history = History("alder", run_downs=(RunDown(NOW, 62.0, 11.0, 40.0, True),))
    changed, says = text_with_run_down(text, history)
    unit = parse_unit(changed, "x")
    assert unit.battery.health is not None
    assert unit.battery.health.value == pytest.approx(0.62)
    assert unit.battery.health.provenance == "measured"
    assert "62 %" in says
    assert text_with_run_down(changed, history) == (changed, ""), "what the profile says stays"
    assert text_with_run_down(text, None) == (text, "")
    assert text_with_run_down("not toml", history) == ("not toml", "")
