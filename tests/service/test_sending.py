"""What a laptop sends arrives once, whole and in order, whatever happens on the way."""

from __future__ import annotations

import itertools
import shutil
import sqlite3
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from record.sample import FULL, SetClock, fill, observation, tampering
from service.laptops import Flaky, Laptop, heads, kept
from warmhold.record import FILE, Record, Trouble, store
from warmhold.record.chain import LOST, WITHHELD, canonical, stand_in
from warmhold.service import Parted, Service, Unreachable, prepare, sync, verify

OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.sampled_from("AB"), st.integers(1, 9)),
        st.tuples(
            st.just("sync"), st.sampled_from("AB"), st.integers(1, 5),
            st.lists(st.sampled_from(["", "before", "after"]), max_size=6),
        ),
    ),
    max_size=12,
)  # fmt: skip


def _all_whole(service: Service) -> None:
    assert [(one.name, found.faults) for one, found in verify(service) if not found.whole] == []


def test_everything_arrives_and_a_repeat_sends_nothing(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(45)
    told: list[tuple[int, int]] = []
    sent = sync(
        service, laptop.folder, name="Laptop North", batch=20, told=lambda *it: told.append(it)
    )
    assert (sent.sent, sent.filled, sent.name, sent.last) == (45, 0, "Laptop North", 45)
    assert sent.acknowledged == (45, laptop.rows[-1].hash)
    assert told == [(20, 45), (40, 45), (45, 45)]
    assert kept(service) == laptop.rows
    again = sync(service, laptop.folder / FILE)
    assert (again.sent, again.acknowledged, again.name) == (0, sent.acknowledged, "Laptop North")
    laptop.write(1)
    assert sync(service, laptop.folder, name="Laptop South").sent == 1
    assert sync(service, laptop.folder).name == "Laptop South"
    assert kept(service) == laptop.rows
    assert heads(service) == {laptop.id: (46, laptop.rows[-1].hash)}
    _all_whole(service)


def test_nothing_on_the_laptop_is_changed(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(30)
    before = (laptop.folder / FILE).read_bytes()
    sync(service, laptop.folder)
    assert (laptop.folder / FILE).read_bytes() == before
    assert [path.name for path in laptop.folder.iterdir()] == [FILE]


def test_an_entry_keeps_every_character_of_its_body(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    body = canonical({"text": "ä\0\n\\ \"' ; --", "deep": [[{}]], "numbers": [0.1, 1e300, -0.0]})
    laptop.rows = [laptop.next_row(body=body, who="Žofie 👶 O'Neil (chart)", mono_ns=2**63 - 1)]
    laptop.put(laptop.rows)
    sync(service, laptop.folder)
    assert kept(service) == laptop.rows
    _all_whole(service)


def test_a_record_without_entries_and_a_folder_without_a_record(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    with pytest.raises(Trouble, match="no entry yet"):
        sync(service, laptop.folder)
    with pytest.raises(Trouble, match="There is no record at"):
        sync(service, tmp_path)
    with pytest.raises(Trouble, match="1 to 80 printable"):
        sync(service, laptop.folder, name="a\nb")
    assert heads(service) == {}


@pytest.mark.parametrize("first", ["the laptop", "the copy"])
def test_two_copies_of_a_record_that_went_on_apart_are_refused(service, tmp_path, first) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(10)
    copy = Laptop(tmp_path, "copy")
    shutil.copy(laptop.folder / FILE, copy.folder / FILE)
    copy.rows = list(laptop.rows)
    laptop.write(3)
    copy.write(2)
    one, other = (laptop, copy) if first == "the laptop" else (copy, laptop)
    sync(service, one.folder)
    before = kept(service)
    with pytest.raises(Parted) as parted:
        sync(service, other.folder, name="Never")
    shared = min(len(one.rows), len(other.rows))
    assert one.rows[shared - 1].hash in parted.value.reason
    assert other.rows[shared - 1].hash in parted.value.reason
    assert "Nothing was written" in parted.value.reason
    assert kept(service) == before == one.rows
    with service.reading() as connection:
        names = connection.exec_driver_sql("SELECT name FROM device").scalars().all()
    assert names == [f"record {one.id[:12]}"]


def test_an_older_copy_has_nothing_to_send(service, tmp_path) -> None:
    laptop, copy = Laptop(tmp_path, "north"), tmp_path / "copy.sqlite"
    laptop.write(10)
    shutil.copy(laptop.folder / FILE, copy)
    laptop.write(5)
    sync(service, laptop.folder)
    sent = sync(service, copy)
    assert (sent.sent, sent.last, sent.acknowledged) == (0, 10, (15, laptop.rows[-1].hash))
    assert kept(service) == laptop.rows


def test_a_changed_entry_stops_the_sending_before_it(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(9)
    with tampering(laptop.folder) as connection:
        connection.execute("UPDATE event SET who = 'x' WHERE seq = 6")
    with pytest.raises(Trouble, match="entry 6 was changed"):
        sync(service, laptop.folder, batch=4)
    assert kept(service) == laptop.rows[:5]
    _all_whole(service)


def test_a_missing_entry_stops_the_sending_before_it(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(9)
    with tampering(laptop.folder) as connection:
        connection.execute("DELETE FROM event WHERE seq = 6")
    with pytest.raises(Trouble, match="entry 6 missing"):
        sync(service, laptop.folder, batch=4)
    assert kept(service) == laptop.rows[:5]


@pytest.mark.parametrize("changes", [{"trip": "T\0"}, {"body": "no JSON"}, {"saved_utc": "noon"}])
def test_a_row_that_warmhold_never_wrote_is_not_sent(service, tmp_path, changes) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(2)
    laptop.put([laptop.next_row(**changes)])
    with pytest.raises(Trouble, match="entry 3"):
        sync(service, laptop.folder)
    assert kept(service) == laptop.rows


def test_rows_that_stand_for_others_travel_and_are_filled_from_a_whole_record(
    service, tmp_path
) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(12)
    part = Laptop(tmp_path, "part")
    (part.folder / FILE).unlink()
    part.rows = [
        stand_in(WITHHELD, row.seq, "", row.prior, row.hash)
        if row.seq % 2
        else stand_in(LOST, row.seq, row.trip, row.prior, row.hash)
        if row.seq == 8
        else row
        for row in laptop.rows
    ]
    store.create(part.folder / FILE, part.rows, part=True)
    assert sync(service, part.folder, batch=5).sent == 12
    assert kept(service) == part.rows
    (_, found), *none = verify(service)
    assert none == []
    assert (found.withheld, found.lost, found.events) == (6, (8,), 5)
    assert found.faults == ("entry 8 is lost, and no recovery names it",)
    laptop.write(2)
    sent = sync(service, laptop.folder, batch=4)  # the same first fingerprint: the same device
    assert (sent.sent, sent.filled) == (2, 7)
    assert kept(service) == laptop.rows
    _all_whole(service)
    assert sync(service, part.folder).sent == 0  # and the part takes nothing away again
    assert kept(service) == laptop.rows


def test_two_records_that_lost_their_first_entry_stay_two(service, tmp_path) -> None:
    folders = []
    for number in (1, 2):
        laptop = Laptop(tmp_path, f"l{number}")
        (laptop.folder / FILE).unlink()
        first = stand_in(LOST, 1, "", laptop.next_row().prior)
        laptop.rows = [first]
        laptop.rows.append(
            laptop.next_row(kind="recovered", body=canonical({"lost": [{"seq": 1, "trip": ""}]}))
        )
        store.create(laptop.folder / FILE, laptop.rows)
        folders.append(laptop.folder)
    for folder in folders:
        assert sync(service, folder).sent == 2
    assert len(heads(service)) == 2
    _all_whole(service)


def test_a_recovered_record_goes_on_where_it_was(service, tmp_path) -> None:
    folder = tmp_path / "r"
    quiet = {"warn": lambda _: None, "clock": SetClock()}
    with Record.open(folder, **quiet) as record:
        fill(record, 30)
        whole = record.events()
    sync(service, folder)
    with tampering(folder) as connection:
        connection.execute("UPDATE event SET who = 'x' WHERE seq = 23")
    with Record.open(folder, **quiet) as record:
        assert record.recovered is not None
        assert record.recovered.lost == (23,)
        record.append(observation(50))
        last = record.head()
    sent = sync(service, folder)
    assert (sent.sent, sent.acknowledged) == (2, last)
    forms = [row.form_id for row in kept(service)]
    assert [event.form_id for event in whole] == forms[: len(whole)]  # the service lost none
    assert len(set(forms)) == len(forms) == last[0]


# --- the network ---------------------------------------------------------------------------


def test_after_the_network_came_back_the_sending_goes_on(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(20)
    service.__class__ = Flaky
    service.faults = iter(["", "after", "before", "before", "", "after"])
    waits: list[float] = []
    sent = sync(service, laptop.folder, batch=5, pause=waits.append)
    assert waits == [0.25, 0.5, 1.0, 0.25]
    assert sent.acknowledged == (20, laptop.rows[-1].hash)
    assert kept(service) == laptop.rows


def test_when_it_does_not_come_back_that_is_said(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(20)
    service.__class__ = Flaky
    service.faults = itertools.chain([""], itertools.repeat("before"))
    waits: list[float] = []
    with pytest.raises(Unreachable):
        sync(service, laptop.folder, batch=5, patience_s=10, pause=waits.append)
    assert 10 <= sum(waits) <= 12
    service.faults = iter(())
    assert kept(service) == laptop.rows[:5]
    assert sync(service, laptop.folder).sent == 15


def _against_the_model(service: Flaky, folder: Path, operations) -> None:
    """The model: a service is, for each laptop, a beginning of its rows that only grows."""
    laptops = {name: Laptop(folder, name) for name in "AB"}
    model: dict[str, list] = {"A": [], "B": []}
    for operation, name, number, *faults in operations:
        laptop = laptops[name]
        if operation == "write":
            laptop.write(number)
            continue
        if not laptop.rows:
            continue
        service.faults = iter(faults[0])
        committed = sum(fault != "before" for fault in faults[0])
        tries = len(faults[0])
        try:
            sync(service, laptop.folder, name=name, batch=number, patience_s=0, pause=_no_wait)
            model[name] = list(laptop.rows)
        except Unreachable:
            assert tries
            first = next(place for place, fault in enumerate(faults[0]) if fault)
            committed = first + (faults[0][first] == "after")
            done = min(len(model[name]) + committed * number, len(laptop.rows))
            model[name] = laptop.rows[:done]
        service.faults = iter(())
        for other, rows in model.items():
            if rows:
                assert kept(service, laptops[other].id) == rows
    assert sum(map(len, model.values())) == len(kept(service))
    for laptop in laptops.values():
        if laptop.rows:
            sync(service, laptop.folder, batch=7)
            assert kept(service, laptop.id) == laptop.rows
    _all_whole(service)


def _no_wait(_: float) -> None:
    raise AssertionError("without patience nothing is waited for")


@settings(
    max_examples=1000 if FULL else 25, deadline=None, database=None, derandomize=not FULL,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(operations=OPERATIONS)
def test_any_batches_and_faults_leave_what_a_model_says(operations, tmp_path) -> None:
    with tempfile.TemporaryDirectory(dir=tmp_path) as name:
        where = f"sqlite:///{name}/service.sqlite"
        prepare(where)
        with Flaky.open(where) as service:
            assert isinstance(service, Flaky)
            _against_the_model(service, Path(name), operations)


@settings(
    max_examples=200 if FULL else 8, deadline=None, database=None, derandomize=not FULL,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(operations=OPERATIONS)
def test_so_they_do_on_postgresql(operations, tmp_path, server) -> None:
    where = server.emptied()
    prepare(where)
    with Flaky.open(where) as service:
        assert isinstance(service, Flaky)
        with tempfile.TemporaryDirectory(dir=tmp_path) as name:
            _against_the_model(service, Path(name), operations)


# --- at the same time ----------------------------------------------------------------------


def _at_once(*work) -> list:
    """Run all at the same moment, each on a thread of its own; raises what one of them raised."""
    gate = threading.Barrier(len(work))
    results: list = [None] * len(work)

    def one(place: int) -> None:
        gate.wait()
        try:
            results[place] = work[place]()
        except Exception as error:  # handed on below
            results[place] = error

    threads = [threading.Thread(target=one, args=(place,)) for place in range(len(work))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for result in results:
        if isinstance(result, Exception):
            raise result
    return results


def _sender(where: str, folder: Path, batch: int):
    def send() -> int:
        with Service.open(where) as service:
            return sync(service, folder, batch=batch).sent

    return send


def test_two_laptops_send_at_once(service, where, tmp_path) -> None:
    laptops = [Laptop(tmp_path, name) for name in ("north", "south")]
    for laptop in laptops:
        laptop.write(60)
    sent = _at_once(*(_sender(where, laptop.folder, 3) for laptop in laptops))
    assert sent == [60, 60]
    for laptop in laptops:
        assert kept(service, laptop.id) == laptop.rows
    _all_whole(service)


def test_a_laptop_sends_twice_at_once(service, where, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(60)
    sent = _at_once(*(_sender(where, laptop.folder, batch) for batch in (2, 3, 2)))
    assert sum(sent) == 60
    assert kept(service) == laptop.rows
    _all_whole(service)


def test_the_laptop_may_be_serving_meanwhile(service, tmp_path) -> None:
    folder = tmp_path / "r"
    with Record.open(folder, warn=lambda _: None) as record:
        fill(record, 5)
        stop = threading.Event()
        receipts = []

        def log() -> None:
            for number in itertools.count(100):
                if stop.is_set():
                    return
                receipts.append(record.append(observation(number)))
                time.sleep(0.005)

        thread = threading.Thread(target=log)
        thread.start()
        try:
            while len(receipts) < 20:
                sync(service, folder, batch=2)
        finally:
            stop.set()
            thread.join()
        sent = sync(service, folder)
        assert sent.acknowledged == record.head()
    with closing(store.connect(folder / FILE, write=False)) as connection:
        assert kept(service) == list(store.rows(connection))
    _all_whole(service)


def test_nothing_of_the_record_is_locked_while_the_network_is_waited_for(tmp_path) -> None:
    where = f"sqlite:///{tmp_path}/service.sqlite"
    prepare(where)
    laptop = Laptop(tmp_path, "north")
    laptop.write(6)
    writes = []

    def write(*_: int) -> None:
        with closing(sqlite3.connect(laptop.folder / FILE, timeout=0)) as connection:
            connection.execute("BEGIN EXCLUSIVE")
            writes.append(1)
            connection.rollback()

    class Slow(Flaky):
        """Between what is read of the record and the commit, somebody else writes to it."""

        def writing(self):
            self.faults = _Calls(write)
            return super().writing()

    with Slow.open(where) as service:
        assert sync(service, laptop.folder, batch=2, told=write).sent == 6
    assert len(writes) == 6


class _Calls:
    """Stands for faults: calls a function when asked for the next one, and gives none."""

    def __init__(self, call) -> None:
        self._call = call

    def __iter__(self):
        return self

    def __next__(self) -> str:
        self._call()
        return ""
