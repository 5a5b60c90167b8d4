"""What the record holds of a unit, rebuilt from its entries."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from warmhold.record import Entry, Record, Trouble
from warmhold.record.unit_views import histories, unit_named_in

T0 = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)


def answers(**more: Any) -> list[dict[str, Any]]:
    return [
        {"item": "alarms", "title": "Alarms sound", "value": True, "judged": "good", "says": ""},
        {"item": "o2", "title": "Oxygen sensor", "value": 20.4, "judged": "care",
         "says": "off by 0.5", "room": {"pressure_hpa": 990.0, "room_c": 20.0,
                                        "humidity_percent": None}, **more},
    ]  # fmt: skip


class Writer:
    def __init__(self, record: Record) -> None:
        self.record = record
        self.count = 0

    def __call__(self, kind: str, body: Any, trip: str = "", hours: float = 0.0) -> int:
        self.count += 1
        at = T0 + timedelta(hours=hours)
        entry = Entry(f"form-{self.count}", trip, kind, body, "Ann (lead)", at)
        return self.record.append(entry).seq


@pytest.fixture
def write(tmp_path: Path):
    with Record.open(tmp_path / "record") as record:
        yield Writer(record)


def test_rounds_tasks_and_faults_of_each_unit_apart(write: Writer) -> None:
    body = {"unit": "one", "round": "daily", "title": "Daily", "answers": answers(), "signed": "A"}
    write("round", body)
    write("task", {"unit": "two", "task": "filter", "state": "good", "says": "changed"})
    seq = write("fault", {"unit": "two", "what": "loose latch", "effect": "not ready"})
    other = write("fault", {"unit": "two", "what": "dim lamp", "effect": "with limits"})
    found = histories(write.record.events())
    assert set(found) == {"one", "two"}
    (done,) = found["one"].rounds["daily"]
    assert (done.state, done.says) == ("care", ("Oxygen sensor: off by 0.5",))
    assert found["one"].settings[0].reading_percent == 20.4
    assert found["one"].settings[0].air.pressure_hpa == 990.0
    assert found["one"].settings[0].air.humidity_percent is None
    assert [fault.seq for fault in found["two"].faults] == [seq, other]
    write("fault-closed", {"unit": "two", "fault": seq, "how": "new latch"})
    two = histories(write.record.events())["two"]
    assert [fault.seq for fault in two.faults] == [other]
    assert [(one.fault.seq, one.how) for one in two.closed] == [(seq, "new latch")]


def test_a_correction_changes_what_is_shown_and_both_stay(write: Writer) -> None:
    wrong = {"unit": "one", "task": "filter", "state": "good", "says": "changed"}
    seq = write("task", wrong)
    write("correction", {"corrects": seq, "body": {**wrong, "state": "stop", "says": "torn"}})
    (done,) = histories(write.record.events())["one"].tasks["filter"]
    assert (done.state, done.says) == ("stop", "torn")
    write("correction", {"corrects": seq, "body": None})
    assert histories(write.record.events()) == {}
    assert len(write.record.events()) == 3


def test_a_unit_of_a_trip_is_away_until_the_handover(write: Writer) -> None:
    plan = {"trip_toml": 'unit = "one"', "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    write("trip-planned", plan, "t1")
    assert histories(write.record.events()) == {}
    write("trip-started", {}, "t1", hours=1)
    assert histories(write.record.events())["one"].on_the_road
    at = (T0 + timedelta(hours=3)).isoformat()
    write("handover", {"to": "Dr Lund", "at": at, "texts": {}}, "t1", hours=3)
    found = histories(write.record.events())["one"]
    assert not found.on_the_road
    assert found.last_trip_end == T0 + timedelta(hours=3)


def test_a_bench_test_counts_by_its_results_and_a_run_down_by_its_figures(write: Writer) -> None:
    measured = [
        {"key": "battery_energy_wh", "value": None, "bound": ""},
        {"key": "battery_min", "value": 11.0, "bound": ""},
    ]
    share = [{"key": "battery_share_percent", "value": 62.0, "bound": ""}]
    results = [
        {"test": "run-down", "verdict": "fail", "reason": "62 %", "measured": measured,
         "figures": share},
        {"test": "stability", "verdict": "invalid", "reason": "room too warm"},
    ]  # fmt: skip
    write("bench-test", {"unit": "one", "results": results, "log": "a.csv", "signed": "Ann"})
    found = histories(write.record.events())["one"]
    (run_down,) = found.run_downs
    assert (run_down.share_percent, run_down.minutes, run_down.energy_wh) == (62.0, 11.0, None)
    assert run_down.complete
    assert {key: done[-1].state for key, done in found.trials.items()} == {
        "run-down": "stop", "stability": "not judged",
    }  # fmt: skip
    assert "room too warm" in found.trials["stability"][-1].says
    stopped = [{**share[0], "bound": "at least"}]
    later = [{**results[0], "figures": stopped}]
    write("bench-test", {"unit": "one", "results": later, "log": "b.csv", "signed": "A"}, hours=2)
    assert not histories(write.record.events())["one"].run_downs[-1].complete


def test_an_entry_of_a_trip_is_not_corrected_from_outside(write: Writer) -> None:
    plan = {"trip_toml": 'unit = "one"', "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    write("trip-planned", plan, "t1")
    seq = write("trip-started", {}, "t1")
    with pytest.raises(Trouble):
        write("correction", {"corrects": seq, "body": None})


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ('unit = "rowan-double"', "rowan-double"), ('unit = "./units/our-two.toml"', "our-two"),
        ("unit = 3", ""), ("unit = ", ""), ("", ""), ('unit = "a\\\\b.toml"', "b"),
    ],
)  # fmt: skip
def test_the_unit_that_a_trip_names(text: str, name: str) -> None:
    assert unit_named_in(text) == name


def test_a_log_that_is_judged_less_fully_later_does_not_undo_what_was_known(write: Writer) -> None:
    log = "run.csv, SHA-256 abc"
    share = {"key": "battery_share_percent", "value": 64.0, "bound": ""}
    minutes = {"key": "battery_min", "value": 17.0, "bound": ""}
    full = {"test": "run-down", "verdict": "fail", "reason": "64 %", "measured": [minutes],
            "figures": [share]}  # fmt: skip
    vague = {**full, "verdict": "cannot tell", "figures": [{**share, "bound": "at least"}]}
    for hours, result in ((0, full), (2, vague)):
        body = {"unit": "one", "results": [result], "log": log, "signed": "Ann"}
        write("bench-test", body, hours=hours)
    found = histories(write.record.events())["one"]
    assert found.run_downs[-1].complete
    assert found.trials["run-down"][-1].state == "stop"


@pytest.mark.parametrize(
    ("later", "state"),
    [
        ({"verdict": "invalid", "figures": [{"key": "x", "value": 1.0}]}, "stop"),
        ({"verdict": "cannot tell", "figures": [{"key": "x", "value": None}]}, "stop"),
        ({"verdict": "cannot tell", "figures": [{"key": "x", "value": 1.0}]}, "not judged"),
        ({"verdict": "pass", "figures": [{"key": "x", "value": 1.0}]}, "good"),
    ],
)
def test_what_says_nothing_of_a_unit_takes_nothing_away(
    write: Writer, later: dict[str, Any], state: str
) -> None:
    """A log of another test is looked at for this one too, and is invalid for it."""
    first = {"test": "steady", "verdict": "fail", "reason": "x", "measured": [], "figures": []}
    for hours, result in ((0, first), (5, {**first, **later})):
        body = {"unit": "one", "results": [result], "signed": "A"}
        write("bench-test", {**body, "log": f"{hours}.csv"}, hours=hours)
    trials = histories(write.record.events())["one"].trials["steady"]
    assert trials[-1].state == state


def test_a_trip_handed_over_in_the_minute_it_began_is_over(write: Writer) -> None:
    plan = {"trip_toml": 'unit = "one"', "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    write("trip-planned", plan, "t1")
    write("trip-started", {}, "t1", hours=1.01)
    at = (T0 + timedelta(hours=1)).isoformat()
    write("handover", {"to": "Dr Lund", "at": at, "texts": {}}, "t1", hours=1.02)
    found = histories(write.record.events())["one"]
    assert not found.on_the_road
    assert found.last_trip_end == T0 + timedelta(hours=1.02)
