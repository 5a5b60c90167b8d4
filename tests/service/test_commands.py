"""`warmhold sync` and `warmhold service`, from the outside."""

from __future__ import annotations

import json
import re
import shutil
from datetime import timedelta

import pytest

from record.sample import START, tampering
from service.laptops import Laptop, kept
from service.test_reading import _record
from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.record import FILE, Record
from warmhold.service import Service, prepare

SECRET = "s3cret"


def test_from_an_empty_database_to_a_review(where, tmp_path, capsys) -> None:
    _record(tmp_path, "a", "Heron 7", START)
    _record(tmp_path, "b", "Heron 7", START + timedelta(minutes=5))
    assert run(["service", "prepare", "--on", where]) == status.GO
    assert run(["service", "prepare", "--on", where]) == status.GO
    said = capsys.readouterr().out.splitlines()
    assert [re.sub(r"at \S+", "at X", line) for line in said] == [
        "The service at X was made: version 2.",
        "The service at X is prepared: version 2.",
    ]
    for command in ("verify", "trips"):
        assert run(["service", command, "--on", where]) == status.GO
    assert "No device has sent anything yet." in capsys.readouterr().out

    assert run(["sync", "--to", where, str(tmp_path / "a"), "--name", "Laptop A"]) == status.GO
    said = capsys.readouterr().out
    with Record.open(tmp_path / "a", warn=lambda _: None) as record:
        last, head = record.head()
    assert "Sent          6\n" in said
    assert f"Acknowledged  up to entry {last}, fingerprint {head}\n" in said
    assert run(["sync", "--to", where, str(tmp_path / "a" / FILE)]) == status.GO
    assert "Sent          nothing: all is there" in capsys.readouterr().out
    assert run(["sync", "--to", where, str(tmp_path / "b"), "--name", "Laptop B"]) == status.GO

    assert run(["service", "verify", "--on", where]) == status.GO
    assert capsys.readouterr().out.count("Whole        yes") == 2
    assert run(["service", "trips", "--on", where]) == status.GO
    said = capsys.readouterr().out
    assert "Laptop A" in said
    assert re.search(r"[0-9a-f]{12}:T1  2026-01-14 03:05 UTC  no handover written  5 ent", said)
    assert "Nothing was merged" in said
    assert re.search(r"Heron 7: \w{12}:T1 \(Laptop A\) and \w{12}:T1 \(Laptop B\)", said)

    assert run(["review", "--service", where, "--json", "-"]) == status.GO
    out, err = capsys.readouterr()
    assert json.loads(out)["review"]["transfers"] == 2
    assert "Nothing was merged" in err
    assert run(["review", "--service", where, "--invented", "5"]) == status.BAD_INPUT

    assert run(["service", "export", "--on", where, "--out", str(tmp_path / "e.json")]) == 0
    assert len(json.loads((tmp_path / "e.json").read_text())["devices"]) == 2
    capsys.readouterr()
    assert run(["service", "export", "--on", where, "--device", "Laptop B"]) == 0
    assert Record.import_into(tmp_path / "c", json.loads(capsys.readouterr().out)).whole


@pytest.fixture
def sqlite(tmp_path) -> str:
    where = f"sqlite:///{tmp_path}/service.sqlite"
    prepare(where)
    return where


def test_the_address_may_come_from_the_environment(sqlite, tmp_path, monkeypatch, capsys) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    monkeypatch.setenv("WARMHOLD_SERVICE", sqlite)
    assert run(["sync", str(laptop.folder)]) == status.GO
    assert run(["service", "verify"]) == status.GO
    assert "Entries      3" in capsys.readouterr().out


def test_a_changed_record_is_refused_with_both_fingerprints(sqlite, tmp_path, capsys) -> None:
    laptop, copy = Laptop(tmp_path, "north"), Laptop(tmp_path, "copy")
    laptop.write(3)
    shutil.copy(laptop.folder / FILE, copy.folder / FILE)
    copy.rows = list(laptop.rows)
    laptop.write(1)
    copy.write(1)
    assert run(["sync", "--to", sqlite, str(laptop.folder)]) == status.GO
    assert run(["sync", "--to", sqlite, str(copy.folder)]) == 1
    said = capsys.readouterr().err
    assert laptop.rows[-1].hash in said
    assert copy.rows[-1].hash in said
    assert "Nothing was written" in said
    with Service.open(sqlite) as service:
        assert kept(service) == laptop.rows


def test_an_older_copy_is_told(sqlite, tmp_path, capsys) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    shutil.copy(laptop.folder / FILE, tmp_path / "copy")
    laptop.write(2)
    assert run(["sync", "--to", sqlite, str(laptop.folder)]) == status.GO
    assert run(["sync", "--to", sqlite, str(tmp_path / "copy")]) == 1
    assert "the service has 2 more of this record" in capsys.readouterr().out


def test_what_is_not_acknowledged_is_not_a_success(sqlite, tmp_path, capsys) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    with tampering(laptop.folder) as connection:
        connection.execute("UPDATE event SET who = 'x' WHERE seq = 3")
    assert run(["sync", "--to", sqlite, str(laptop.folder)]) == status.BAD_INPUT
    assert "entry 3 was changed" in capsys.readouterr().err
    assert run(["sync", "--to", "postgresql://u@127.0.0.1:1/d", str(laptop.folder)]) == 1
    assert "cannot be reached" in capsys.readouterr().err
    assert run(["sync", "--to", sqlite, str(tmp_path / "none")]) == status.BAD_INPUT
    assert run(["sync", str(laptop.folder)]) == status.BAD_INPUT


def test_damage_in_the_service_is_named(sqlite, tmp_path, capsys) -> None:
    laptop = Laptop(tmp_path, "north")
    laptop.write(3)
    assert run(["sync", "--to", sqlite, str(laptop.folder)]) == status.GO
    with Service.open(sqlite) as service, service.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER entry_is_never_changed")
        connection.exec_driver_sql("UPDATE entry SET who = 'x' WHERE seq = 2")
    assert run(["service", "verify", "--on", sqlite]) == 1
    said = capsys.readouterr().out
    assert "Whole        NO" in said
    assert "entry 2 was changed" in said


@pytest.mark.parametrize(
    "args",
    [
        ["sync", "--to", f"postgresql://u:{SECRET}@h/d"],
        ["sync", f"--to=postgresql://u:{SECRET}@h/d"],
        ["sync", f"postgresql://u:{SECRET}@h/d"],
        ["sync", "--to", "sqlite:////a", "b", f"postgresql://u:{SECRET}@h/d"],
        ["sync", f"--too=postgresql://u:my {SECRET}@h/d"],
        ["service", "verify", "--on", f"postgresql://h/d?password={SECRET}"],
        ["service", f"postgresql://u:{SECRET}@h/d"],
        ["service", "prepare", f"postgres://u:{SECRET}@h/d"],
        ["review", "--service", f"postgresql://u:{SECRET}@h/d"],
        ["review", f"postgresql://u:{SECRET}@h/d"],
    ],
)
def test_no_password_is_ever_repeated(args, capsys) -> None:
    assert run(args) == status.BAD_INPUT
    said = capsys.readouterr()
    assert SECRET not in said.out + said.err
    assert "password" in said.err


def test_nor_one_from_the_environment(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.setenv("WARMHOLD_SERVICE", f"postgresql://u:{SECRET}@h/d")
    for args in (["sync", str(tmp_path)], ["service", "trips"]):
        assert run(args) == status.BAD_INPUT
        assert SECRET not in capsys.readouterr().err
