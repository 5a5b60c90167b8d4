"""Go only when everything that has to hold does; unknown is never go and never a number."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from plan.cases import Planned, calm, exactly, leg, now_before, part, ruled, shipped_case, with_legs
from warmhold.model import Case
from warmhold.plan.planner import plan_case
from warmhold.plan.sheet import Kit, Margin, Sheet

MEMBERS = 50
SETTINGS = {"winter-road": 36.0, "island-flight": 37.0, "cooled-hot-day": 20.0, "term-by-day": 31.0}
SHIPPED = tuple(SETTINGS)
BODY = {"cold", "hot"}


@pytest.fixture
def quickly(monkeypatch: pytest.MonkeyPatch) -> Callable[[Case], Sheet]:
    """Plan a stated setting without trials, kit and mends, which do not touch the verdict."""
    kit = Kit((), True, 0.0, "not packed")
    monkeypatch.setattr(
        "warmhold.plan.planner.choose_air_set",
        lambda case, *_a: (case.trip.start.air_set_c, (), ()),
    )
    monkeypatch.setattr("warmhold.plan.planner.lightest_kit", lambda *_a: (kit, {}, 0))
    monkeypatch.setattr("warmhold.plan.planner.tried", lambda *_a: ((), None))
    monkeypatch.setattr("warmhold.plan.planner.candidates", lambda *_a: [])
    return lambda case: plan_case(case, members=MEMBERS)


def stated(name: str) -> Case:
    return part(shipped_case(name), "start", air_set_c=SETTINGS[name])


def by_key(sheet: Sheet) -> dict[str, Margin]:
    return {m.key: m for m in sheet.margins}


def assert_consistent(sheet: Sheet, must_hold: tuple[str, ...]) -> None:
    """Verdict, margins and words of a sheet say the same."""
    must = [m for m in sheet.margins if m.key in must_hold]
    assert [m for m in sheet.margins if m.must_hold] == must
    states = {m.state for m in must}
    if "falls short" in states:
        assert sheet.verdict == "not yet"
    elif "cannot tell" in states or not must:
        assert sheet.verdict == "cannot tell"
    else:
        assert states == {"holds"}
        assert sheet.verdict == "go"
    for m in sheet.margins:
        if m.state == "cannot tell":
            assert m.band is None
            assert m.probability is None
            assert m.reason
            assert m.sentence.startswith("Unknown")
        else:
            assert m.band is not None
            assert m.probability is not None
            assert (m.state == "holds") == (m.probability >= m.required)
            assert m.reason == ""
    planned = {m.key for m in sheet.margins if m.state == "falls short"}
    planned -= {"warm", "oxygen-worst", "air-worst"}
    assert bool(sheet.first_to_fail) == bool(planned)
    assert sheet.headline
    if sheet.verdict == "not yet":
        assert any(m.title in sheet.headline or m.key == "warm" for m in must)


Change = Callable[[Case], Case]
CHANGES: dict[str, Change] = {
    "as it is": lambda case: case,
    "battery nearly empty": lambda case: part(
        case, "start", battery_charge_percent=exactly(8, 1)
    ),
    "unit stood in the frost": lambda case: part(
        case, "start", unit_state="cold", unit_stood_at_c=exactly(-5, 1)
    ),
    "warmed up on the battery": lambda case: part(
        case, "start", power="battery", unit_state="cold"
    ),
    "no cylinders": lambda case: part(case, "supplies", cylinders=()),
    "90 % oxygen": lambda case: part(case, "baby", oxygen_percent=exactly(90, 3)),
    "a cold baby": lambda case: part(case, "baby", temperature_c=exactly(35.2, 0.1)),
    "a hot baby": lambda case: part(case, "baby", temperature_c=exactly(38.4, 0.1)),
    "heavy": lambda case: part(case, "baby", weight_g=exactly(5500, 50)),
    "wind": lambda case: part(
        case, "policy.verdict", must_hold=("battery", "oxygen")
    ),
    "all legs on battery": lambda case: with_legs(
        case,
        *(one.model_copy(update={"power": "battery"}) for one in case.trip.legs),
    ),
    "all asked for": lambda case: part(
        case, "policy.verdict",
        must_hold=("warm", "cold", "hot", "heat", "battery", "oxygen", "air", "oxygen-worst",
                   "air-worst", "altitude", "carbon-dioxide", "humidity"),
    ),
    "half is enough": lambda case: part(
        case, "policy.verdict", probability_percent=ruled(50)
    ),
    "nearly all": lambda case: part(case, "policy.verdict", probability_percent=ruled(99.9)),
}  # fmt: skip


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_sheets_are_consistent(planned: dict[str, Planned], name: str) -> None:
    assert_consistent(planned[name].sheet, planned[name].case.policy.verdict.must_hold)


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", ["winter-road", "term-by-day", "cooled-hot-day"])
def test_go_only_if_every_margin_that_has_to_hold_does(
    name: str, change: str, quickly: Callable[[Case], Sheet]
) -> None:
    case = CHANGES[change](stated(name))
    assert_consistent(quickly(case), case.policy.verdict.must_hold)


def test_the_changes_reach_every_verdict(quickly: Callable[[Case], Sheet]) -> None:
    """Else the property above could hold for want of a case."""
    go = quickly(stated("term-by-day"))
    short = quickly(CHANGES["no cylinders"](stated("term-by-day")))
    unknown = quickly(CHANGES["heavy"](stated("term-by-day")))
    assert (go.verdict, short.verdict, unknown.verdict) == ("go", "not yet", "cannot tell")


# --- cannot tell -----------------------------------------------------------------------------


def baby(**changes: Any) -> Case:
    return part(stated("term-by-day"), "baby", **changes)


def on_leg(**changes: Any) -> Case:
    """The easy trip with a middle leg that no model covers."""
    case = stated("term-by-day")
    legs = list(case.trip.legs)
    legs[1] = legs[1].model_copy(update=changes)
    return with_legs(case, *legs)


@pytest.mark.parametrize(
    ("case", "unknown", "word"),
    [
        (baby(weight_g=exactly(5500, 50)), BODY, "5500"),
        (baby(weight_g=exactly(350, 5)), BODY, "350"),
        (baby(gestation_weeks=22.5), BODY, "22.5"),
        (baby(gestation_weeks=43.5), BODY, "43.5"),
        (baby(age_h=61.0 * 24), BODY, "61"),
        (baby(temperature_c=exactly(33.0, 0.1)), BODY, "33.0"),
        (baby(temperature_c=exactly(40.0, 0.1)), BODY, "40.0"),
        (on_leg(ambient_c=exactly(-30, 1)), {*BODY, "heat", "battery"}, "30"),
        (on_leg(ambient_c=exactly(48, 1)), {*BODY, "heat", "battery"}, "48"),
        (on_leg(wind_m_s=exactly(18, 1)), {*BODY, "heat", "battery"}, "18"),
        (
            on_leg(cabin_altitude_ft=14000.0),
            {*BODY, "heat", "altitude", "oxygen", "oxygen-worst"},
            "kPa",
        ),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_beyond_the_model_is_unknown_and_never_go(
    case: Case, unknown: set[str], word: str, quickly: Callable[[Case], Sheet]
) -> None:
    sheet = quickly(case)
    assert {m.key for m in sheet.margins if m.state == "cannot tell"} == unknown
    assert sheet.verdict != "go"
    short = [m for m in sheet.margins if m.must_hold and m.state == "falls short"]
    assert sheet.verdict == ("not yet" if short else "cannot tell")
    assert any(word in line for line in sheet.outside)
    assert_consistent(sheet, case.policy.verdict.must_hold)


def test_most_of_them_leave_nothing_short(quickly: Callable[[Case], Sheet]) -> None:
    for case in (baby(weight_g=exactly(5500, 50)), baby(gestation_weeks=43.5)):
        sheet = quickly(case)
        assert sheet.verdict == "cannot tell"
        assert sheet.first_to_fail == ""
        assert "Cannot tell" in sheet.headline


def test_what_falls_short_goes_before_what_cannot_be_told(
    quickly: Callable[[Case], Sheet],
) -> None:
    case = part(baby(weight_g=exactly(5500, 50)), "supplies", cylinders=())
    sheet = quickly(case)
    assert sheet.verdict == "not yet"
    assert by_key(sheet)["oxygen"].state == "falls short"
    assert by_key(sheet)["cold"].state == "cannot tell"
    assert "Cannot tell" in sheet.headline


def test_a_cooled_baby_at_33_is_not_beyond_the_model(quickly: Callable[[Case], Sheet]) -> None:
    case = part(stated("cooled-hot-day"), "baby", temperature_c=exactly(33.2, 0.1))
    assert not any(m.state == "cannot tell" for m in quickly(case).margins)


def test_just_inside_the_range_is_told(quickly: Callable[[Case], Sheet]) -> None:
    inside = (
        baby(weight_g=exactly(5000, 50)), baby(weight_g=exactly(400, 5)),
        baby(gestation_weeks=23.0), baby(temperature_c=exactly(34.0, 0.1)),
        on_leg(ambient_c=exactly(-20, 1)),
    )  # fmt: skip
    for case in inside:
        assert not any(m.state == "cannot tell" for m in quickly(case).margins)


def test_unknown_where_policy_does_not_ask_is_no_hindrance(
    quickly: Callable[[Case], Sheet],
) -> None:
    case = part(baby(weight_g=exactly(5500, 50)), "policy.verdict", must_hold=("battery", "oxygen"))
    sheet = quickly(case)
    assert sheet.verdict == "go"
    assert by_key(sheet)["cold"].probability is None


def test_nothing_that_policy_asks_for_applies(quickly: Callable[[Case], Sheet]) -> None:
    """A cooled baby has no warm-up: a policy that asks for that alone cannot be answered."""
    case = part(stated("cooled-hot-day"), "policy.verdict", must_hold=("warm", "heat"))
    sheet = quickly(case)
    assert sheet.verdict == "cannot tell"
    assert "warm" not in by_key(sheet)


# --- which margins apply ---------------------------------------------------------------------


def test_margins_that_do_not_apply_are_left_out(planned: dict[str, Planned]) -> None:
    keys = {name: set(by_key(planned[name].sheet)) for name in SHIPPED}
    # never flown; a cannula uses air as planned, at its worst a mask uses oxygen alone
    assert keys["term-by-day"] == {
        "warm", "cold", "hot", "heat", "battery", "oxygen", "oxygen-worst", "air",
        "carbon-dioxide",
    }  # fmt: skip
    assert "altitude" in keys["island-flight"]
    assert not keys["cooled-hot-day"] & {"warm", "heat", "air", "air-worst", "carbon-dioxide"}
    assert "humidity" in keys["island-flight"]  # 26 weeks
    assert "carbon-dioxide" not in keys["island-flight"]  # breathes from a circuit
    assert not keys["winter-road"] & {"air", "air-worst", "humidity"}  # hood: oxygen alone


def test_gas_out_of_the_wall_needs_no_cylinders(quickly: Callable[[Case], Sheet]) -> None:
    case = stated("term-by-day")
    walled = with_legs(case, *(one.model_copy(update={"gas": "vehicle"}) for one in case.trip.legs))
    walled = part(walled, "supplies", cylinders=())
    sheet = quickly(walled)
    assert sheet.verdict == "go"
    assert not {"oxygen", "air", "oxygen-worst"} & set(by_key(sheet))


# --- what fails first --------------------------------------------------------------------------


def test_the_first_to_fail_is_what_gives_out_in_time(quickly: Callable[[Case], Sheet]) -> None:
    """Oxygen for ten minutes, a battery for an hour: oxygen is named, though both are short.

    5 L/min at 100 % from a 0.3 L cylinder at 200 bar (64 L) lasts 13 min.
    """
    case = calm(stated("term-by-day"))
    case = part(
        case, "baby", support="ventilator", flow_lpm=exactly(5), oxygen_percent=exactly(100)
    )
    oxygen = case.trip.supplies.cylinders[0].model_copy(
        update={"water_l": 0.3, "gauge_bar": exactly(200), "residual_bar": 0.0}
    )
    air = case.trip.supplies.cylinders[1]
    case = part(case, "supplies", cylinders=(oxygen, air), spare_batteries=())
    case = with_legs(case, leg("ward", 400, gas="cylinder", ambient_c=exactly(18)))
    sheet = quickly(case)
    found = by_key(sheet)
    assert found["oxygen"].state == found["battery"].state == "falls short"
    assert sheet.first_to_fail.startswith(found["oxygen"].title)
    assert "over 99 %" in sheet.first_to_fail
    # 2 min of loading on wall gas, then 64 L at 5 L/min
    assert "15 min after" in sheet.first_to_fail or "14 min after" in sheet.first_to_fail


def test_reserve_missed_without_anything_giving_out(quickly: Callable[[Case], Sheet]) -> None:
    """Minutes enough for the trip but not for policy's reserve: said so, with no moment."""
    case = part(stated("term-by-day"), "policy.battery", rule="plus", plus_min=ruled(1400))
    sheet = quickly(case)
    assert sheet.verdict == "not yet"
    assert sheet.first_to_fail.startswith("Nothing gives out in most simulated trips")
    assert by_key(sheet)["battery"].title in sheet.first_to_fail


@pytest.mark.parametrize("also_worst", [False, True])
def test_a_trip_that_is_only_late_is_told_so(
    also_worst: bool, quickly: Callable[[Case], Sheet]
) -> None:
    """Nothing gives out on the way, so nothing is first to fail; the reason is the warm-up."""
    case = now_before(part(stated("term-by-day"), "start", unit_state="cold"), 10)
    if also_worst:  # enough as planned, not for a mask at 10 L/min: 5 L of 13 bar over the residual
        first, air = case.trip.supplies.cylinders
        first = first.model_copy(update={"gauge_bar": exactly(28, 0.5)})
        case = part(case, "supplies", cylinders=(first, air))
    sheet = quickly(case)
    short = {m.key for m in sheet.margins if m.must_hold and m.state == "falls short"}
    assert short == ({"warm", "oxygen-worst"} if also_worst else {"warm"})
    assert sheet.verdict == "not yet"
    assert sheet.first_to_fail == ""
    assert "not warm in time" in sheet.headline
    assert sheet.warm_up.earliest_baby_in is not None
    assert f"{sheet.warm_up.earliest_baby_in:%H:%M}" in sheet.headline


def test_a_trip_short_of_the_worst_case_alone(quickly: Callable[[Case], Sheet]) -> None:
    case = stated("term-by-day")
    first, air = case.trip.supplies.cylinders
    first = first.model_copy(update={"gauge_bar": exactly(28, 0.5)})
    sheet = quickly(part(case, "supplies", cylinders=(first, air)))
    assert {m.key for m in sheet.margins if m.state == "falls short"} == {"oxygen-worst"}
    assert sheet.verdict == "not yet"
    assert sheet.first_to_fail == ""
    assert by_key(sheet)["oxygen-worst"].title in sheet.headline
