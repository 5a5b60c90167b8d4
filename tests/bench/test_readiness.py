"""Whether a unit can go: unknown is never ready, and the worst reason decides."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from warmhold.bench.readiness import (
    DoneRound,
    DoneTask,
    History,
    OpenFault,
    RunDown,
    readiness,
)
from warmhold.model import Rounds, parse_rounds, template

NOW = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
YESTERDAY = NOW - timedelta(hours=20)


@pytest.fixture(scope="module")
def rounds() -> Rounds:
    return parse_rounds(template("rounds"), "usual")


def history(rounds: Rounds) -> History:
    """A unit of which all is on record, and all of it good."""
    return History(
        "ours",
        rounds={"daily": (DoneRound(YESTERDAY, "Ann", "good"),)},
        tasks={task.key: (DoneTask(YESTERDAY, "Ann", "good"),) for task in rounds.task},
        run_downs=(RunDown(YESTERDAY, 96.0, 31.0, 60.0, True),),
    )


def test_all_on_record_and_good_is_ready(rounds: Rounds) -> None:
    found = readiness(history(rounds), rounds, NOW)
    assert found.state == "ready"
    assert found.reasons == ()
    assert {due.standing for due in found.due} <= {"fine", "soon"}


def test_nothing_on_record_is_unknown_and_never_ready(rounds: Rounds) -> None:
    found = readiness(History("ours"), rounds, NOW)
    assert found.state == "unknown"
    assert len(found.reasons) == 1 + len(rounds.task)


def test_each_missing_piece_alone_makes_it_unknown(rounds: Rounds) -> None:
    whole = history(rounds)
    for task in rounds.task:
        less = {key: done for key, done in whole.tasks.items() if key != task.key}
        assert readiness(replace(whole, tasks=less), rounds, NOW).state == "unknown"
    assert readiness(replace(whole, rounds={}), rounds, NOW).state == "unknown"


def test_bench_tests_fulfil_a_task_only_all_together(rounds: Rounds) -> None:
    whole = history(rounds)
    task = next(one for one in rounds.task if one.key == "bench")
    without = {key: done for key, done in whole.tasks.items() if key != "bench"}

    def days(ago: float, state: str = "good") -> tuple[DoneTask, ...]:
        return (DoneTask(NOW - timedelta(days=ago), "Ann", state, f"{state} {ago:g}"),)

    trials = {name: days(10) for name in task.trials}
    bench = replace(whole, tasks=without, trials=trials)
    assert readiness(bench, rounds, NOW).state == "ready"
    for name in task.trials:
        less = {key: done for key, done in trials.items() if key != name}
        assert readiness(replace(bench, trials=less), rounds, NOW).state == "unknown"
        old = {**trials, name: days(366)}
        assert readiness(replace(bench, trials=old), rounds, NOW).state == "not ready"
        failed = {**trials, name: days(1, "stop")}
        assert readiness(replace(bench, trials=failed), rounds, NOW).state == "not ready"
        unjudged = {**trials, name: days(1, "not judged")}
        assert readiness(replace(bench, trials=unjudged), rounds, NOW).state == "unknown"
    by_hand = {**without, "bench": days(2, "stop")}
    assert readiness(replace(bench, tasks=by_hand), rounds, NOW).state == "not ready"


def test_what_is_overdue_counts_as_the_file_says(rounds: Rounds) -> None:
    whole = history(rounds)
    late = {"daily": (DoneRound(NOW - timedelta(hours=27), "Ann", "good"),)}
    assert readiness(replace(whole, rounds=late), rounds, NOW).state == "ready with limits"
    old = DoneTask(NOW - timedelta(days=366), "Ann", "good")
    bench = {**whole.tasks, "bench": (old,)}
    found = readiness(replace(whole, tasks=bench), rounds, NOW)
    assert found.state == "not ready"
    assert "Bench test" in found.reasons[0].text
    almost = {**whole.tasks, "bench": (DoneTask(NOW - timedelta(days=340), "Ann", "good"),)}
    soon = readiness(replace(whole, tasks=almost), rounds, NOW)
    assert soon.state == "ready"
    assert next(d for d in soon.due if d.key == "bench").standing == "soon"


def test_what_was_found_stands_when_the_next_one_is_overdue(rounds: Rounds) -> None:
    """A failure does not turn into "ready with limits" because time went by."""
    whole = history(rounds)
    late = NOW - timedelta(hours=27)
    failed = DoneRound(late, "Ann", "stop", ("Alarms sound: Not good",), 5, ("Suction: Not good",))
    found = readiness(replace(whole, rounds={"daily": (failed,)}), rounds, NOW)
    assert found.state == "not ready"
    assert [one.state for one in found.reasons] == [
        "not ready", "ready with limits", "ready with limits",
    ]  # fmt: skip
    assert "Alarms sound" in found.reasons[0].text
    for task in rounds.task:
        old = DoneTask(NOW - timedelta(days=task.every_days.value + 1), "Ann", "stop", "it gave up")
        found = readiness(replace(whole, tasks={**whole.tasks, task.key: (old,)}), rounds, NOW)
        assert found.state == "not ready", task.key
        assert any("gave up" in one.text for one in found.reasons)
        assert any("is overdue" in one.text for one in found.reasons)


def test_one_failed_bench_test_counts_without_the_others(rounds: Rounds) -> None:
    """Neither tests that lack, nor an older pass by hand, nor an invalid repeat hide a failure."""
    whole = history(rounds)
    task = next(one for one in rounds.task if one.key == "bench")
    name = task.trials[0]
    fail = DoneTask(NOW - timedelta(hours=5), "Ann", "stop", "fail: 1.9 °C")
    for tasks in (whole.tasks, {k: v for k, v in whole.tasks.items() if k != "bench"}):
        for after in ((), (DoneTask(NOW - timedelta(hours=1), "Ann", "not judged", "invalid: x"),)):
            one = replace(whole, tasks=tasks, trials={name: (fail, *after)})
            found = readiness(one, rounds, NOW)
            assert found.state == "not ready"
            assert "1.9" in found.reasons[0].text
    passed = DoneTask(NOW - timedelta(hours=1), "Ann", "good", "pass")
    again = replace(whole, trials={name: (fail, passed)})
    assert readiness(again, rounds, NOW).state == "ready"
    by_hand = {**whole.tasks, "bench": (passed,)}
    assert readiness(replace(whole, tasks=by_hand, trials={name: (fail,)}), rounds, NOW).state == (
        "ready"
    )


def test_a_unit_that_came_back_is_not_ready_before_its_round(rounds: Rounds) -> None:
    back = replace(history(rounds), last_trip_end=NOW - timedelta(hours=1))
    assert readiness(back, rounds, NOW).state == "not ready"
    done = {**back.rounds, "after-trip": (DoneRound(NOW, "Ann", "good"),)}
    assert readiness(replace(back, rounds=done), rounds, NOW).state == "ready"
    before = {**back.rounds, "after-trip": (DoneRound(NOW - timedelta(hours=2), "A", "good"),)}
    assert readiness(replace(back, rounds=before), rounds, NOW).state == "not ready"
    away = replace(back, on_the_road=True)
    assert readiness(away, rounds, NOW).state == "not ready"


@pytest.mark.parametrize(
    ("effect", "state"), [("not ready", "not ready"), ("with limits", "ready with limits")]
)
def test_an_open_fault_counts_as_it_was_written(rounds: Rounds, effect: str, state: str) -> None:
    fault = OpenFault(7, YESTERDAY, "Ann", "the left latch is loose", effect)  # type: ignore[arg-type]
    found = readiness(replace(history(rounds), faults=(fault,)), rounds, NOW)
    assert found.state == state
    assert "latch" in found.reasons[0].text


def test_the_worst_reason_decides_and_all_are_told(rounds: Rounds) -> None:
    fault = OpenFault(7, YESTERDAY, "Ann", "cracked hood", "not ready")
    both = replace(history(rounds), faults=(fault,), rounds={})
    found = readiness(both, rounds, NOW)
    assert found.state == "not ready"
    assert [one.state for one in found.reasons] == ["not ready", "unknown"]


@pytest.mark.parametrize(
    ("share", "complete", "state"),
    [
        (96.0, True, "ready"), (79.0, True, "ready with limits"), (79.0, False, "unknown"),
        (85.0, False, "ready"), (None, True, "unknown"),
    ],
)  # fmt: skip
def test_the_last_run_down_counts(
    rounds: Rounds, share: float | None, complete: bool, state: str
) -> None:
    """A run-down that was stopped says "at least": enough for a pass, never for a failure."""
    run_down = RunDown(YESTERDAY, share, 11.0, 40.0, complete)
    found = readiness(replace(history(rounds), run_downs=(run_down,)), rounds, NOW)
    assert found.state == state


def test_a_failed_test_or_a_profile_with_faults_is_not_ready(rounds: Rounds) -> None:
    whole = history(rounds)
    failed = {**whole.tasks, "bench": (DoneTask(YESTERDAY, "Ann", "stop", "uniformity 1.9 °C"),)}
    found = readiness(replace(whole, tasks=failed), rounds, NOW)
    assert found.state == "not ready"
    assert "uniformity" in found.reasons[0].text
    unsure = {**whole.tasks, "bench": (DoneTask(YESTERDAY, "Ann", "not judged", "cannot tell"),)}
    assert readiness(replace(whole, tasks=unsure), rounds, NOW).state == "unknown"
    assert readiness(whole, rounds, NOW, profile_faults=2).state == "unknown"
