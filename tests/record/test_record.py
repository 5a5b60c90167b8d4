"""Appending, repeating, correcting, the chain, and what is refused."""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from record.sample import (
    FULL,
    NURSE,
    START,
    SetClock,
    fill,
    observation,
    plan,
    tampering,
)
from warmhold.record import FILE, GENESIS, Entry, Record, SystemClock, Trouble, verify_file


@pytest.fixture
def record(tmp_path):
    with Record.open(tmp_path / "r", clock=SetClock()) as opened:
        yield opened


def test_an_entry_is_on_the_disk_when_its_receipt_comes(record) -> None:
    receipt = record.append(observation(3))
    with closing(sqlite3.connect(record.path)) as other:  # another connection sees it
        found = other.execute("SELECT seq, form_id, hash, saved_utc FROM event").fetchall()
    assert found == [(1, "form-T1-3", receipt.hash, "2026-01-14T03:05:00.000000Z")]
    assert (receipt.saved_utc, receipt.repeated) == (START, False)
    (event,) = record.events()
    assert event.body == {"values": {"skin_c": 36.3}, "set": "regular"}
    assert (event.who, event.trip, event.kind, event.boot) == (NURSE, "T1", "observation", "b1")
    assert event.when == START + timedelta(minutes=3) == event.stated_utc
    assert record.head() == (1, receipt.hash)


def test_the_settings_of_both_connections_are_those_of_the_design(record) -> None:
    def says(connection, name):
        return connection.execute(f"PRAGMA {name}").fetchone()[0]

    assert says(record._writer, "journal_mode") == "delete"
    assert says(record._writer, "synchronous") == 3  # EXTRA
    assert record._writer.isolation_level is None
    assert says(record._reader, "query_only") == 1
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        record._reader.execute("INSERT INTO event (seq) VALUES (1)")


def test_the_table_refuses_changes_and_deletions(record) -> None:
    record.append(observation(1))
    for statement in ("UPDATE event SET who = 'x'", "DELETE FROM event"):
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            record._writer.execute(statement)
    assert record.verify().whole


def test_the_same_form_gives_the_first_receipt_again(record) -> None:
    first = record.append(observation(1))
    record.append(observation(2))
    again = record.append(observation(1))
    assert again == replace(first, repeated=True)
    assert len(record.events()) == 2


@pytest.mark.parametrize(
    "change",
    [
        {"trip": "T2"},
        {"body": {"values": {"skin_c": 36.2}, "set": "regular"}},
        {"who": "jo (chart)"},
        {"stated_utc": None},
        {"kind": "access", "body": {"did": "x", "from": "y"}},
    ],
)
def test_the_same_form_with_other_content_is_refused(record, change) -> None:
    record.append(observation(1))
    with pytest.raises(Trouble, match="already saved as entry 1"):
        record.append(replace(observation(1), **change))
    assert len(record.events()) == 1


def test_it_is_all_there_after_opening_again(tmp_path) -> None:
    with Record.open(tmp_path) as record:
        fill(record, 5)
        before, head = record.events(), record.head()
    with Record.open(tmp_path) as record:
        assert (record.events(), record.head()) == (before, head)
        assert record.recovered is None
        assert record.append(observation(4)).repeated
        assert record.append(observation(9)).seq == head[0] + 1
        assert record.verify().whole


def test_events_by_trip_and_after(record) -> None:
    for number in range(4):
        record.append(observation(number, trip="T1" if number % 2 else "T2"))
    record.append(Entry("log-in", "", "access", {"did": "came in", "from": "::1"}, NURSE))
    assert record.trips() == ["T2", "T1"]
    assert [event.seq for event in record.events("T1")] == [2, 4]
    assert [event.seq for event in record.events("T1", after=2)] == [4]
    assert [event.seq for event in record.events(after=3)] == [4, 5]
    assert record.events("T3") == record.events("\ud800") == record.events("a\0b") == []
    assert record.events(after=10**30) == []
    assert len(record.events(after=-(10**30))) == 5


def test_all_faults_of_an_entry_come_together(record) -> None:
    wrong = Entry(
        "two words", "line\nbreak", "observation", {"values": {"skin": 1}, "set": "x"}, "",
        datetime(2026, 1, 1),
    )  # fmt: skip
    with pytest.raises(Trouble) as trouble:
        record.append(wrong)
    for part in ("form_id", "trip", "who", "stated_utc", "'skin'", "set: found 'x'"):
        assert part in trouble.value.reason
    assert record.events() == []


@pytest.mark.parametrize("kind", ["lost", "withheld", "recovered", "weather", ""])
def test_kinds_that_nobody_may_append(record, kind) -> None:
    with pytest.raises(Trouble, match="allowed trip-planned"):
        record.append(Entry("a", "T1", kind, {}, NURSE))


def test_a_trip_is_needed_but_for_access(record) -> None:
    with pytest.raises(Trouble, match="trip: allowed"):
        record.append(replace(observation(1), trip=""))


# --- corrections --------------------------------------------------------------------------------


def _correct(seq, body, trip="T1", form="c1"):
    return Entry(form, trip, "correction", {"corrects": seq, "body": body}, NURSE)


def test_a_correction_names_an_entry_of_its_trip_and_its_new_body_is_checked(record) -> None:
    record.append(observation(1))
    record.append(plan("T1"))
    good = {"values": {"skin_c": 36.9}, "set": "regular"}
    for wrong, reason in [
        (_correct(9, good), "Entry 9 is not one of this trip's"),
        (_correct(10**30, good), "is not one of this trip's"),
        (_correct(1, good, trip="T2"), "Entry 1 is not one of this trip's"),
        (_correct(2, good), "cannot be corrected"),
        (_correct(1, {"values": {"skin_c": "warm"}, "set": "regular"}), "skin_c: found 'warm'"),
    ]:
        with pytest.raises(Trouble) as trouble:
            record.append(wrong)
        assert reason in str(trouble.value)
    assert record.append(_correct(1, good)).seq == 3
    with pytest.raises(Trouble, match="not a correction"):
        record.append(_correct(3, good, form="c2"))
    assert record.append(_correct(1, None, form="c3")).seq == 4


# --- clock --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counter_s", "wall_s", "jump"),
    [(60, 60, None), (60, 61.9, None), (60, 58.1, None), (60, 62.1, 2.1), (60, -3600, -3660)],
)
def test_a_jump_of_the_wall_clock_is_written_down(tmp_path, counter_s, wall_s, jump) -> None:
    clock = SetClock()
    with Record.open(tmp_path, clock=clock) as record:
        record.append(observation(1))
        clock.run(counter_s, wall_s)
        receipt = record.append(observation(2))
        events = record.events()
        assert record.verify().whole
    if jump is None:
        assert [event.kind for event in events] == ["observation", "observation"]
        return
    assert [event.kind for event in events] == ["observation", "clock-jump", "observation"]
    assert receipt.seq == 3
    body = events[1].body
    assert body["seconds"] == pytest.approx(jump)
    assert body["before"].startswith("2026-01-14T03:06:00")
    assert events[1].trip == "T1"
    assert events[1].who == "warmhold"


def test_a_jump_across_a_restart_is_seen_with_the_same_counter_and_else_only_backwards(
    tmp_path,
) -> None:
    clock = SetClock()
    with Record.open(tmp_path, clock=clock) as record:
        record.append(observation(1))
    clock.run(10, 3610)  # same start of the computer
    with Record.open(tmp_path, clock=clock) as record:
        record.append(observation(2))
        assert record.events()[1].body["seconds"] == pytest.approx(3600)
    clock = SetClock(clock.wall + timedelta(days=2), 7, "b2")  # another start: cannot be told
    with Record.open(tmp_path, clock=clock) as record:
        record.append(observation(3))
        assert [event.kind for event in record.events(after=3)] == ["observation"]
    clock = SetClock(clock.wall - timedelta(days=1), 7, "b3")  # but time never goes back
    with Record.open(tmp_path, clock=clock) as record:
        record.append(observation(4))
        jump, _ = record.events(after=4)
        assert jump.kind == "clock-jump"
        assert jump.body["seconds"] == -86400


def test_the_computers_own_clock_runs_on_and_keeps_its_id() -> None:
    clock = SystemClock()
    first = clock.mono_ns()
    time.sleep(0.002)
    assert clock.mono_ns() - first >= 2_000_000
    assert clock.boot == clock.boot != ""
    assert clock.now().utcoffset() == timedelta(0)


# --- the chain ----------------------------------------------------------------------------------


def test_a_new_record_is_whole_and_its_head_is_the_genesis(record) -> None:
    found = record.verify()
    assert (found.whole, found.events, found.head, record.head()) == (
        True, 0, GENESIS, (0, GENESIS),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("form_id", "other"), ("trip", "T2"), ("kind", "happening"),
        ("saved_utc", "2026-01-14T03:05:00.000001Z"), ("mono_ns", 4), ("boot", "b9"),
        ("stated_utc", None), ("who", "jo (chart)"), ("hash", "0" * 64), ("prior", "1" * 64),
        ("body", '{"set":"regular","values":{"skin_c":36.2}}'),
        ("body", '{"set":"regular", "values":{"skin_c":36.1}}'),  # only a space
        ("mono_ns", 5_000_000_000.5), ("body", b"\x00\xff"),
    ],
)  # fmt: skip
def test_a_change_in_any_column_is_noticed(tmp_path, column, value) -> None:
    with Record.open(tmp_path, clock=SetClock()) as record:
        for number in range(3):
            record.append(observation(number))
    assert verify_file(tmp_path / FILE).whole
    with tampering(tmp_path) as connection:
        connection.execute(f"UPDATE event SET {column} = ? WHERE seq = 2", (value,))
    found = verify_file(tmp_path / FILE)
    assert not found.whole
    assert "entry 2" in " ".join(found.faults)
    assert not any("guards" in fault for fault in found.faults)


@pytest.mark.parametrize(
    ("statements", "says"),
    [
        (["DELETE FROM event WHERE seq = 2"], "entry 2 missing"),
        (["DELETE FROM event WHERE seq IN (1, 2)"], "entries 1 to 2 missing"),
        (["DELETE FROM event WHERE seq = 4"], "the file counted up to 4"),
        (["UPDATE event SET seq = 9 WHERE seq = 2", "UPDATE event SET seq = 2 WHERE seq = 3",
          "UPDATE event SET seq = 3 WHERE seq = 9"], "entry 2 does not follow"),
        (["DELETE FROM event WHERE seq = 2", "UPDATE event SET seq = 2 WHERE seq = 3",
          "UPDATE event SET seq = 3 WHERE seq = 4"], "entry 2 does not follow"),
        (["DELETE FROM event", "DELETE FROM sqlite_sequence", "DROP TABLE event",
          "CREATE TABLE event (seq)"], "cannot be read"),
        (["UPDATE event SET seq = 90 WHERE seq = 4"], "entries 4 to 89 missing"),
    ],
)  # fmt: skip
def test_what_was_deleted_or_put_in_another_order_is_noticed(tmp_path, statements, says) -> None:
    with Record.open(tmp_path, clock=SetClock()) as record:
        for number in range(4):
            record.append(observation(number))
    with tampering(tmp_path) as connection:
        for statement in statements:
            connection.execute(statement)
    found = verify_file(tmp_path / FILE)
    assert not found.whole
    assert says in "; ".join(found.faults)


def test_missing_guards_are_noticed(tmp_path) -> None:
    with Record.open(tmp_path) as record:
        record.append(observation(1))
    with closing(sqlite3.connect(tmp_path / FILE)) as connection:
        connection.execute("DROP TRIGGER event_is_never_deleted")
    assert "guards" in " ".join(verify_file(tmp_path / FILE).faults)


def test_a_forged_entry_with_a_good_hash_of_its_own_breaks_the_chain_after_it(tmp_path) -> None:
    from warmhold.record import store  # noqa: PLC0415
    from warmhold.record.chain import sealed  # noqa: PLC0415

    with Record.open(tmp_path) as record:
        receipts = [record.append(observation(number)) for number in range(4)]
    with tampering(tmp_path) as connection:
        row = store.row_of_seq(connection, 2)
        forged = sealed(row._replace(who="nobody"))
        connection.execute("DELETE FROM event WHERE seq = 2")
        store.insert(connection, [forged])
    found = verify_file(tmp_path / FILE)
    assert found.faults == ("entry 3 does not follow from the entry before it",)
    # Opening does not believe the forged one: a later entry tells the hash of the true one.
    with Record.open(tmp_path, warn=lambda _: None) as record:
        assert record.recovered.lost == (2,)
        assert [event.hash for event in record.events()][:4] == [r.hash for r in receipts]
        assert record.events()[1].kind == "lost"


# --- many at once -------------------------------------------------------------------------------


def test_twenty_clients_at_five_entries_a_second_lose_nothing(tmp_path) -> None:
    """5 minutes when WARMHOLD_FULL=1, else 2 seconds at 100 a second."""
    rate, seconds = (5.0, 300.0) if FULL else (100.0, 2.0)
    clients = 20
    answers: dict[str, int] = {}
    troubles: list[BaseException] = []
    with Record.open(tmp_path) as record:
        begin = time.monotonic()

        def client(number: int) -> None:
            try:
                for turn in range(round(rate * seconds / clients)):
                    due = begin + (turn * clients + number) / rate
                    time.sleep(max(0.0, due - time.monotonic()))
                    entry = replace(observation(turn), form_id=f"c{number}-{turn}")
                    answers[entry.form_id] = record.append(entry).seq
            except BaseException as error:
                troubles.append(error)

        threads = [threading.Thread(target=client, args=(n,)) for n in range(clients)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert troubles == []
        assert len(answers) == round(rate * seconds)
        events = [event for event in record.events() if event.kind == "observation"]
        assert {event.form_id: event.seq for event in events} == answers
        assert len(events) == len(answers)
        assert record.verify().whole


def test_one_form_sent_by_many_threads_at_once_is_kept_once(record) -> None:
    receipts = []
    start = threading.Barrier(8)

    def client() -> None:
        start.wait()
        receipts.append(record.append(observation(1)))

    threads = [threading.Thread(target=client) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(record.events()) == 1
    assert sorted(receipt.repeated for receipt in receipts) == [False] + [True] * 7
    assert len({receipt.hash for receipt in receipts}) == 1


def test_a_faulty_correction_does_not_spoil_what_is_committed_with_it(record) -> None:
    """Both wait for the same commit, because the disk is held while they are sent."""
    answers: list[object] = []

    def send(entry) -> None:
        try:
            answers.append(record.append(entry).form_id)
        except Trouble as trouble:
            answers.append(trouble.reason)

    entries = [observation(0), _correct(77, {}), observation(1)]
    threads = [threading.Thread(target=send, args=(entry,)) for entry in entries]
    with record._disk:
        for thread in threads:
            thread.start()
        time.sleep(0.05)
    for thread in threads:
        thread.join()
    assert sorted(map(str, answers)) == [
        "Entry 77 is not one of this trip's.", "form-T1-0", "form-T1-1",
    ]  # fmt: skip
    assert record.verify().whole
    assert len(record.events()) == 2


def test_closing_writes_what_waits_and_then_refuses(tmp_path) -> None:
    record = Record.open(tmp_path)
    record.append(observation(1))
    record.close()
    record.close()
    with pytest.raises(Trouble, match="closed"):
        record.append(observation(2))
    with pytest.raises(Trouble, match="closed"):
        record.events()
    assert verify_file(tmp_path / FILE).events == 1


def test_a_record_can_be_read_from_outside_while_it_is_written(record) -> None:
    stop = threading.Event()
    troubles: list[BaseException] = []

    def write() -> None:
        number = 0
        try:
            while not stop.is_set():
                record.append(observation(number))
                number += 1
        except BaseException as error:
            troubles.append(error)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        for _ in range(100 if FULL else 8):
            assert verify_file(record.path).whole
            assert record.verify().whole
    finally:
        stop.set()
        thread.join()
    assert troubles == []
