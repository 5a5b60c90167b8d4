"""The tables of a service: made, brought on, and refused when they are of another version."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy.exc import DBAPIError

from record.sample import SetClock, fill
from service.laptops import Laptop, heads, kept
from warmhold.record import FILE, Record, Trouble
from warmhold.service import NEWEST, Service, prepare, sync, verify
from warmhold.service.address import address_of, engine_of
from warmhold.service.database import upgrade, version
from warmhold.service.tables import VERSION_TABLE, device, entry, metadata


def _begun(where: str) -> Service:
    """Open a database past all checks."""
    place = address_of(where)
    if place.file is not None:
        place.file.touch()
    return Service(place, engine_of(place))


def _at_version(where: str, to: str) -> None:
    with _begun(where) as service, service.writing() as connection:
        upgrade(connection, to)


def test_an_empty_database_is_prepared_once(where) -> None:
    assert prepare(where) == (0, int(NEWEST))
    assert prepare(where) == (int(NEWEST), int(NEWEST))
    with Service.open(where) as service:
        assert heads(service) == {}
        with service.reading() as connection:
            assert version(connection) == NEWEST


def test_two_who_prepare_at_once_make_it_once(where) -> None:
    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(prepare, [where, where])) == [(0, 2), (2, 2)]


def test_the_steps_lead_to_the_tables_that_are_used(where) -> None:
    prepare(where)
    with Service.open(where) as service, service.reading() as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": VERSION_TABLE, "target_metadata": metadata}
        )
        assert compare_metadata(context, metadata) == []
        found = sa.inspect(connection)
        assert found.get_pk_constraint("entry")["constrained_columns"] == ["device", "seq"]
        (unique,) = found.get_unique_constraints("entry")
        assert unique["column_names"] == ["device", "form_id"]


def test_version_1_is_refused_until_it_is_prepared_and_keeps_its_entries(where, tmp_path) -> None:
    _at_version(where, "0001")
    laptop = Laptop(tmp_path, "north")
    laptop.write(7)
    with _begun(where) as service, service.writing() as connection:
        connection.execute(
            sa.insert(device).values(
                id=laptop.id, name="north", head_seq=5, head_hash=laptop.rows[4].hash,
                added_utc="2026-01-01T00:00:00Z", acknowledged_utc="2026-01-01T00:00:00Z",
            )
        )  # fmt: skip
        rows = [{"device": laptop.id, **row._asdict()} for row in laptop.rows[:5]]
        connection.execute(sa.insert(entry), rows)
    with pytest.raises(Trouble, match=r"version 1, not 2.*warmhold service prepare"):
        Service.open(where)
    assert prepare(where) == (1, 2)
    with Service.open(where) as service:
        assert sync(service, laptop.folder).sent == 2
        assert kept(service) == laptop.rows
        assert [found.whole for _, found in verify(service)] == [True]


@pytest.mark.parametrize("later", ["0003", "9999", "abcdef"])
def test_a_newer_version_is_refused_with_words(where, later, tmp_path) -> None:
    prepare(where)
    laptop = Laptop(tmp_path, "north")
    laptop.write(1)
    with Service.open(where) as service, service.writing() as connection:
        connection.exec_driver_sql(f"UPDATE {VERSION_TABLE} SET version_num = '{later}'")
    said = later if later == "abcdef" else str(int(later))
    for refused in (Service.open, prepare):
        with pytest.raises(Trouble, match=f"have version {said}; this warmhold knows .* up to 2"):
            refused(where)


def test_a_step_that_fails_leaves_nothing_behind(where, monkeypatch) -> None:
    def fail(_, to: str) -> None:
        real(_, to)
        raise RuntimeError("the power went")

    from warmhold.service import database  # noqa: PLC0415

    real = database.upgrade
    monkeypatch.setattr(database, "upgrade", fail)
    with pytest.raises(RuntimeError):
        prepare(where)
    monkeypatch.undo()
    with pytest.raises(Trouble, match="No service was prepared"):
        Service.open(where)
    with _begun(where) as service, service.reading() as connection:
        assert sa.inspect(connection).get_table_names() == []
    assert prepare(where) == (0, 2)


def test_nothing_is_made_unless_it_is_asked_for(where) -> None:
    with pytest.raises(Trouble, match="warmhold service prepare --on"):
        Service.open(where)
    place = address_of(where)
    assert place.file is None or not place.file.exists()


def test_a_database_of_another_program_is_left_alone(where) -> None:
    with _begun(where) as service, service.writing() as connection:
        connection.exec_driver_sql("CREATE TABLE pets (name TEXT)")
    with pytest.raises(Trouble, match="tables of another program: pets"):
        prepare(where)
    with _begun(where) as service, service.reading() as connection:
        assert sa.inspect(connection).get_table_names() == ["pets"]


def test_a_laptops_own_record_is_never_made_a_service(tmp_path) -> None:
    with Record.open(tmp_path / "r", clock=SetClock(), warn=lambda _: None) as record:
        fill(record, 2)
    file = tmp_path / "r" / FILE
    before = file.read_bytes()
    for refused in (Service.open, prepare):
        with pytest.raises(Trouble, match="is the record of one computer"):
            refused(f"sqlite:///{file}")
    assert file.read_bytes() == before


def test_the_file_of_a_service_is_for_its_user_alone(tmp_path) -> None:
    prepare(f"sqlite:///{tmp_path}/s.sqlite")
    assert (tmp_path / "s.sqlite").stat().st_mode & 0o777 == 0o600
    with pytest.raises(Trouble, match="cannot be written"):
        prepare(f"sqlite:///{tmp_path}/none/s.sqlite")
    (tmp_path / "no").write_text("no database at all" * 100)
    with pytest.raises(Trouble, match="damaged or no database"):
        Service.open(f"sqlite:///{tmp_path}/no")


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM entry",
        "DELETE FROM device",
        "UPDATE entry SET who = 'x'",
        "UPDATE entry SET kind = 'lost'",
        "UPDATE device SET head_seq = 1",
        "UPDATE device SET id = 'x'",
    ],
)
def test_the_database_itself_guards_what_it_holds(service, tmp_path, statement) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    sync(service, laptop.folder)
    with pytest.raises(Trouble, match=r"never (deleted|changed)|only goes on"):
        _run(service, statement)
    assert kept(service) == laptop.rows


def test_a_table_cannot_be_emptied_at_once(on_postgresql, tmp_path) -> None:
    prepare(on_postgresql)
    with Service.open(on_postgresql) as service, pytest.raises(Trouble, match="never deleted"):
        _run(service, "TRUNCATE entry")


def test_one_seq_and_one_form_is_there_once(service, tmp_path) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(2)
    sync(service, laptop.folder)
    row = {"device": laptop.id, **laptop.rows[0]._asdict()}
    for changes in ({"form_id": "other"}, {"seq": 9}, {"seq": 0, "form_id": "other"}):
        with pytest.raises(Trouble):
            _insert(service, row | changes)
    with pytest.raises(Trouble):
        _insert(service, row | {"device": "of no device"})
    assert kept(service) == laptop.rows


def _run(service: Service, statement: str) -> None:
    with service.writing() as connection:
        connection.exec_driver_sql(statement)


def _insert(service: Service, row: dict[str, object]) -> None:
    with service.writing() as connection:
        connection.execute(sa.insert(entry), [row])


def test_reading_changes_nothing(on_postgresql) -> None:
    prepare(on_postgresql)
    insert = "INSERT INTO device VALUES ('a', 'b', 1, 'c', 'd', 'e')"
    with (
        Service.open(on_postgresql) as service,
        service.reading() as connection,
        pytest.raises(DBAPIError, match="read-only"),
    ):
        connection.exec_driver_sql(insert)
