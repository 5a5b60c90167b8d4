"""Rounds: what must be answered, and what an answer means."""

from __future__ import annotations

import tomllib

import pytest

from warmhold.bench.rounds import (
    Answer,
    RoomAir,
    expected_in_room,
    impossible,
    judge_answer,
    missing,
    outcome,
)
from warmhold.model import (
    FaultyInput,
    Rounds,
    Unit,
    parse_rounds,
    parse_unit,
    shipped_path,
    template,
)

TEXT = template("rounds")


@pytest.fixture(scope="module")
def rounds() -> Rounds:
    return parse_rounds(TEXT, "usual")


@pytest.fixture(scope="module")
def unit() -> Unit:
    return parse_unit(shipped_path("units", "alder-single").read_text("utf-8"), "alder-single")


# --- what the oxygen sensor should read in room air ------------------------------------------


def test_a_sensor_set_in_dry_air_reads_low_in_a_humid_room() -> None:
    """Worked by hand: 20.945 x (101.325 - 0.5 x 3.169) / 101.325 = 20.617.

    Saturation at 25 degC 3.169 kPa: Sonntag's table, from memory; Dalton's law.
    """
    dry = RoomAir(1013.25, 25.0, 0.0)
    humid = RoomAir(1013.25, 25.0, 50.0)
    assert expected_in_room(humid, dry).percent == pytest.approx(20.617, abs=0.005)


def test_a_sensor_set_at_the_coast_reads_low_on_the_hill() -> None:
    """A partial pressure follows the pressure: 20.945 x 900 / 1000 = 18.85."""
    coast, hill = RoomAir(1000.0, 20.0, 0.0), RoomAir(900.0, 20.0, 0.0)
    expected = expected_in_room(hill, coast)
    assert expected.percent == pytest.approx(18.85, abs=0.005)
    assert expected.high - expected.low < 1e-9
    assert "at this pressure and humidity" in expected.says


def test_what_is_not_known_of_the_room_widens_what_it_should_read() -> None:
    known = RoomAir(1000.0, 20.0, 50.0)
    widths = [
        expected_in_room(now, was).high - expected_in_room(now, was).low
        for now, was in (
            (known, known), (known, RoomAir(1000.0)), (known, None), (RoomAir(), None),
        )
    ]  # fmt: skip
    assert widths[0] < 1e-9
    assert widths == sorted(widths)
    assert widths[1] > 0.5
    says = expected_in_room(RoomAir(), None).says
    assert "not on record" in says
    assert "when it was last set" in says


def test_a_dry_and_a_wet_room_bound_what_is_unknown(rounds: Rounds, unit: Unit) -> None:
    item = next(i for i in rounds.round[0].item if i.answer == "room-air")
    room = RoomAir(1000.0, 20.0, 50.0)
    judged = {
        reading: judge_answer(item, Answer(reading, air=room), unit, rounds, room).state
        for reading in (20.9, 19.5, 15.0, 22.5, 26.5)
    }
    assert judged == {20.9: "good", 19.5: "care", 15.0: "stop", 22.5: "care", 26.5: "stop"}
    odd = judge_answer(item, Answer(20.9, air=RoomAir(101.3, 20.0, 50.0)), unit, rounds, room)
    assert odd.state == "care"
    assert "500 to 1100 hPa" in odd.sentence


# --- answers ---------------------------------------------------------------------------------


def test_nothing_unanswered_is_good(rounds: Rounds, unit: Unit) -> None:
    for one in rounds.round:
        for item in one.item:
            for answer in (Answer(None), Answer(None, "no time"), Answer(False)):
                judged = judge_answer(item, answer, unit, rounds)
                assert judged.state == ("stop" if item.must else "care")
                assert ("Unknown" if answer.value is None else "Not good") in judged.sentence


def test_good_with_a_reason_against_it_is_asked_about(rounds: Rounds) -> None:
    daily = rounds.round[0]
    fine = {item.key: Answer(True if item.answer == "seen" else 5.0) for item in daily.item}
    assert missing(daily, fine) == {}
    assert set(missing(daily, {**fine, "alarms": Answer(True, "not heard")})) == {"alarms"}
    assert set(missing(daily, {**fine, "alarms": Answer(False)})) == {"alarms"}
    assert missing(daily, {**fine, "alarms": Answer(False, "not heard")}) == {}
    assert missing(daily, {**fine, "oxygen-gauge": Answer(0.0)}) == {}, "empty is a reading"


@pytest.mark.parametrize(
    ("key", "value", "fits"),
    [
        ("oxygen-sensor", 209.0, False), ("oxygen-sensor", 20.9, True), ("air-gauge", -5.0, False),
        ("air-gauge", 0.0, True), ("air-gauge", 1500.0, False), ("battery", 12.0, False),
        ("battery", 10.0, True),
    ],
)  # fmt: skip
def test_what_cannot_be_is_not_signed(
    rounds: Rounds, unit: Unit, key: str, value: float, fits: bool
) -> None:
    item = next(one for one in rounds.round[0].item if one.key == key)
    assert (impossible(item, value, unit) == "") is fits


def test_at_height_the_known_pressure_stands_for_the_unknown_one() -> None:
    """Last set at 950 hPa and now unknown: the same place, so that 20.9 is right."""
    expected = expected_in_room(RoomAir(), RoomAir(950.0, 20.0, 40.0))
    assert expected.low < 20.9 < expected.high
    assert expected.high < 22.0


def test_every_item_wants_an_answer_or_a_reason(rounds: Rounds) -> None:
    daily = rounds.round[0]
    assert set(missing(daily, {})) == {item.key for item in daily.item}
    reasons = {item.key: Answer(None, "not on this unit") for item in daily.item}
    assert missing(daily, reasons) == {}
    assert set(missing(daily, {**reasons, "display": Answer(None)})) == {"display"}


@pytest.mark.parametrize(
    ("divisions", "state"), [(10, "good"), (9, "care"), (4, "care"), (3, "stop"), (11, "stop")]
)
def test_three_of_ten_divisions_means_connect_now(
    rounds: Rounds, unit: Unit, divisions: float, state: str
) -> None:
    """Common practice, no source."""
    item = next(i for i in rounds.round[0].item if i.answer == "battery-bar")
    assert judge_answer(item, Answer(divisions), unit, rounds).state == state
    assert judge_answer(item, Answer(divisions), None, rounds).state == "care"


def test_a_round_is_as_good_as_its_worst_answer(rounds: Rounds, unit: Unit) -> None:
    item = rounds.round[0].item[0]
    good = judge_answer(item, Answer(True), unit, rounds)
    stop = judge_answer(item, Answer(None, "x"), unit, rounds)
    assert outcome({"a": good}) == "good"
    assert outcome({"a": good, "b": stop}) == "stop"


# --- the file --------------------------------------------------------------------------------


def test_every_number_of_the_shipped_rounds_names_its_source_and_mark() -> None:
    raw = tomllib.loads(TEXT)
    rows = [*raw["limits"].values(), *(t["every_days"] for t in raw["task"])]
    rows += [item for one in raw["round"] for item in one["item"]]
    assert all(row["source"] and row["mark"] for row in rows)
    assert sum(row["mark"] == "memory" for row in rows) >= 5, "recalled schedules say so"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('key = "alarms"', 'key = "display"', "a key of its own"),
        ("low = 100\n  stop_low = 50", "low = 40\n  stop_low = 50", "above stop_low"),
        ("every_h = { value = 26", "every_h = { value = 0", "1 to 8784"),
        ('overdue = "with limits"', 'overdue = "careful"', "not ready"),
        ('answer = "battery-bar"', 'answer = "battery-bar"\n  low = 3', "answer"),
        ("value = 5, mark", "value = 0.5, mark", "room_air"),
    ],
)
def test_a_slip_in_the_file_is_told_with_its_line(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(FaultyInput) as caught:
        parse_rounds(TEXT.replace(old, new, 1), "ours.toml")
    (fault,) = caught.value.faults
    assert fault.line
    assert says in str(fault)


def test_a_file_of_another_kind_is_told(unit: Unit) -> None:
    with pytest.raises(FaultyInput, match="a unit file"):
        parse_rounds(template("unit"), "ours.toml")
    with pytest.raises(FaultyInput, match="a rounds file"):
        parse_unit(TEXT, "ours.toml")
