"""What the service says of the laptops: verified in the database, never merged."""

from __future__ import annotations

import tempfile
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from record.sample import FULL, NURSE, START, SetClock, fill, observation, plan, tampering
from service.laptops import Laptop
from warmhold.record import FILE, Entry, Record, Trouble, store
from warmhold.record.chain import COLUMNS, GENESIS, Row, sealed
from warmhold.record.transfers import transfers as of_record
from warmhold.service import (
    Device,
    Trip,
    devices,
    export,
    pairs,
    sync,
    transfers,
    trips,
    verify,
)
from warmhold.service import Service as Opened
from warmhold.service.check import verification

GUARDS = {
    "sqlite": ("DROP TRIGGER entry_is_never_changed", "DROP TRIGGER entry_is_never_deleted"),
    "postgresql": ("ALTER TABLE entry DISABLE TRIGGER USER",),
}


def _damage(service: Opened, statement: str) -> None:
    """Change the database as someone would who may do everything."""
    with service.writing() as connection:
        for guard in GUARDS[connection.dialect.name]:
            connection.exec_driver_sql(guard)
        connection.exec_driver_sql(statement)


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE entry SET who = 'x' WHERE seq = 4", "entry 4 was changed"),
        ("UPDATE entry SET body = '{}' WHERE seq = 4", "entry 4 was changed"),
        ("UPDATE entry SET hash = 'x' WHERE seq = 4", "entry 5 does not follow"),
        ("DELETE FROM entry WHERE seq = 4", "entry 4 missing"),
        ("DELETE FROM entry WHERE seq = 9", "the last entry is 8; the service acknowledged up to"),
        ("DELETE FROM entry WHERE seq = 1", "the first entry is not the one"),
        ("DELETE FROM entry", "the last entry is 0"),
    ],
)
def test_the_chain_is_verified_in_the_database(service, tmp_path, statement, fault) -> None:
    laptops = [Laptop(tmp_path, name) for name in ("north", "south")]
    for laptop in laptops:
        laptop.write(9)
        sync(service, laptop.folder, name=laptop.name)
    assert [found.whole for _, found in verify(service)] == [True, True]
    where = " AND " if "WHERE" in statement else " WHERE "
    _damage(service, f"{statement}{where}device = '{laptops[1].id}'")
    found = {device.name: one for device, one in verify(service)}
    assert found["north"].whole
    assert not found["south"].whole
    assert any(fault in text for text in found["south"].faults), found["south"].faults


CHANGES = st.lists(
    st.tuples(
        st.integers(0, 11),
        st.sampled_from(["who", "kind", "body", "prior", "hash", "seq", "form_id", "stated_utc"]),
        st.sampled_from(["x", "lost", "withheld", "recovered", "lost-3", "{}", 7, None]),
        st.booleans(),
    ),
    max_size=3,
)


@settings(max_examples=2000 if FULL else 60, deadline=None, database=None, derandomize=not FULL,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(changes=CHANGES, gone=st.sets(st.integers(0, 11), max_size=2))
def test_the_service_and_the_laptop_judge_a_chain_alike(changes, gone, tmp_path) -> None:
    """The same damaged rows, once as a record's file and once as a device's rows."""
    folder = Path(tempfile.mkdtemp(dir=tmp_path))
    laptop = Laptop(folder, "north")
    laptop.write(12)
    rows = list(laptop.rows)
    for place, column, value, resealed in changes:
        wrong = (value is None and column != "stated_utc") or (
            isinstance(value, int) != (column == "seq")
        )
        if not wrong:
            rows[place] = rows[place]._replace(**{column: value})
            rows[place] = sealed(rows[place]) if resealed else rows[place]
    rows = [row for place, row in enumerate(rows) if place not in gone]
    rows.sort(key=lambda row: row.seq)
    if len({row.seq for row in rows}) < len(rows) or len({r.form_id for r in rows}) < len(rows):
        return
    with tampering(laptop.folder) as connection:
        connection.execute("DELETE FROM event")
        connection.execute("PRAGMA user_version=2")  # a part: rows may be withheld
        store.insert(connection, rows)
        last = rows[-1].seq if rows else 0
        connection.execute(f"UPDATE sqlite_sequence SET seq = {last}")
    with closing(store.connect(laptop.folder / FILE, write=False)) as connection:
        here = store.verify(connection)
    head = (rows[-1].seq, rows[-1].hash) if rows else (0, GENESIS)
    first = rows[0].hash if rows else None
    there = verification(rows, first or "", head)
    own = tuple(text for text in there.faults if not text.startswith("the first entry is not"))
    assert (own, there.events, there.head) == (here.faults, here.events, here.head)
    assert (there.withheld, there.lost) == (here.withheld, here.lost)


# --- trips ----------------------------------------------------------------------------------


def _record(folder, name: str, baby: str, start: datetime, trip: str = "T1") -> None:
    text = f'unit = "a.toml"\n[baby]\npseudonym = "{baby}"\nweight_g = 1200\n'
    clock = SetClock(now=start, boot=name)
    with Record.open(folder / name, clock=clock, warn=lambda _: None) as record:
        record.append(Entry("p", trip, "trip-planned", plan(trip, trip_toml=text).body, NURSE))
        record.append(Entry("s", trip, "trip-started", {}, NURSE, start))
        for number in range(3):
            clock.run(600)
            entry = observation(number, trip, axillary_c=36.6)
            record.append(replace(entry, stated_utc=start + timedelta(minutes=10 * number)))
        record.append(Entry("p2", "T9", "trip-planned", plan("T9").body, NURSE))


def test_two_devices_that_moved_one_baby_stay_two_transfers(service, tmp_path) -> None:
    _record(tmp_path, "a", "Heron 7", START)
    _record(tmp_path, "b", "heron  7", START + timedelta(minutes=20))
    _record(tmp_path, "c", "Heron 7", START + timedelta(days=40))
    _record(tmp_path, "d", "Tern 4", START)
    for name in "abcd":
        sync(service, tmp_path / name, name=f"Laptop {name}")
    found = trips(service)
    by_device = {one.name: one.key for one in devices(service)}
    assert [one.key for one in found] == [
        f"{by_device[f'Laptop {name}']}:{trip}" for name in "abcd" for trip in ("T1", "T9")
    ]
    assert [one.key for one in transfers(found)] == [one.key for one in found[::2]]
    (pair,) = pairs(found)
    assert [pair.one.device.name, pair.other.device.name] == ["Laptop a", "Laptop b"]
    for name, mine in zip("abcd", transfers(found), strict=True):
        with Record.open(tmp_path / name, warn=lambda _: None) as record:
            (alone,) = of_record(record.events())
        assert replace(mine, key=alone.key) == alone  # the same as on the laptop itself
        assert mine.weight_g == 1200


def test_an_unknown_pseudonym_is_like_no_other(service, tmp_path) -> None:
    for name in "ab":
        _record(tmp_path, name, "", START)
        sync(service, tmp_path / name)
    assert len(transfers(trips(service))) == 2
    assert pairs(trips(service)) == ()


@settings(max_examples=500 if FULL else 60, deadline=None, database=None, derandomize=not FULL)
@given(
    st.lists(
        st.tuples(st.sampled_from("AB"), st.sampled_from("xy"), st.integers(0, 9),
                  st.integers(0, 9)),
        max_size=8,
    )
)  # fmt: skip
def test_pairs_are_those_that_each_against_each_gives(drawn) -> None:
    started = next(iter(_started()))
    made = []
    for number, (where, baby, begin, length) in enumerate(drawn):
        device = Device(where, where, where, (1, ""), "", "")
        began = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=begin)
        ended = began + timedelta(hours=length)
        made.append(
            Trip(f"{where}:{number}", device, str(number), baby, 1, began, ended, True, started)
        )
    expected = {
        frozenset((a.key, b.key))
        for a in made
        for b in made
        if a.device.id != b.device.id
        and a.baby == b.baby
        and max(a.began, b.began) <= min(a.ended, b.ended)
    }
    found = [frozenset((pair.one.key, pair.other.key)) for pair in pairs(made)]
    assert len(found) == len(set(found))
    assert set(found) == expected


def _started():
    from warmhold.review.transfer import Transfer  # noqa: PLC0415

    yield Transfer(key="k", unit="u", team="t", moments={})


# --- export ---------------------------------------------------------------------------------


def test_a_device_can_be_read_in_again_with_the_same_hashes(service, tmp_path) -> None:
    with Record.open(tmp_path / "r", clock=SetClock(), warn=lambda _: None) as record:
        fill(record, 4)
        events, head = record.events(), record.head()
        sync(service, tmp_path / "r", name="North")
        exported = export(service, "North")
        assert exported == record.export()
    assert Record.import_into(tmp_path / "again", exported).whole
    with Record.open(tmp_path / "again", warn=lambda _: None) as record:
        assert (record.events(), record.head()) == (events, head)
    (one,) = devices(service)
    everything = export(service)
    assert everything["devices"][0]["record"] == exported
    assert everything["contains"]["entries"] == head[0]
    assert export(service, one.key) == export(service, one.id) == export(service, one.id[:8])
    with pytest.raises(Trouble, match=r"No device is called 'South'. There are: North \("):
        export(service, "South")


def test_of_two_devices_with_one_name_neither_is_taken(service, tmp_path) -> None:
    for name in "ab":
        laptop = Laptop(tmp_path, name)
        laptop.write(1)
        sync(service, laptop.folder, name="Twin")
    with pytest.raises(Trouble, match="More than one device is called 'Twin'"):
        export(service, "Twin")


def test_an_unreadable_entry_is_named_with_its_device(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    sync(service, laptop.folder, name="North")
    _damage(service, "UPDATE entry SET body = 'x' WHERE seq = 2")
    with pytest.raises(Trouble, match=r"North: An entry .*warmhold service verify"):
        trips(service)


def test_more_rows_than_one_page_are_read_in_order(service, tmp_path, monkeypatch) -> None:
    from warmhold.service import reading  # noqa: PLC0415

    laptop = Laptop(tmp_path, "north")
    laptop.write(10)
    sync(service, laptop.folder)
    for page in (1, 3, 10, 11):
        monkeypatch.setattr(reading, "PAGE", page)
        ((_, found),) = verify(service)
        assert (found.whole, found.events) == (True, 10)
    assert isinstance(laptop.rows[0], Row)
    assert set(COLUMNS) == set(laptop.rows[0]._asdict())


def test_what_is_verified_is_of_one_moment(service, where, tmp_path, monkeypatch) -> None:
    """Entries that arrive while a device is being read are not yet in the reading."""
    from warmhold.service import reading  # noqa: PLC0415

    laptop = Laptop(tmp_path, "north")
    laptop.write(5)
    sync(service, laptop.folder)
    if where.startswith("sqlite"):
        return  # a reader holds off who writes
    real = reading.verification

    def meanwhile(rows, *rest):
        laptop.write(3)
        with Opened.open(where) as other:
            sync(other, laptop.folder)
        return real(rows, *rest)

    monkeypatch.setattr(reading, "verification", meanwhile)
    ((_, found),) = verify(service)
    assert (found.whole, found.events) == (True, 5)
    monkeypatch.undo()
    ((_, found),) = verify(service)
    assert (found.whole, found.events) == (True, 8)
