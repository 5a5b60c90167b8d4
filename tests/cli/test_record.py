"""`warmhold record`, from the outside."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from record.sample import SetClock, fill, observation, tampering
from warmhold.cli import status
from warmhold.cli.commands import record as commands
from warmhold.cli.main import run
from warmhold.record import FILE, Record


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("made") / "r"
    with Record.open(place, clock=SetClock(), warn=lambda _: None) as record:
        fill(record, 3, "T1")
        fill(record, 2, "T2")
    return place


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "r")


def _head(folder: Path) -> str:
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        return record.head()[1]


def _tamper(folder: Path) -> None:
    with tampering(folder) as connection:
        connection.execute("UPDATE event SET who = 'x' WHERE seq = 4")


def test_verify_prints_the_fingerprint_and_says_whole(folder, capsys) -> None:
    assert run(["record", "verify", str(folder)]) == status.GO
    said = capsys.readouterr().out
    assert f"Fingerprint  {_head(folder)}" in said
    assert "Entries      9" in said
    assert "Whole        yes" in said
    assert run(["record", "verify", "--folder", str(folder)]) == status.GO
    assert run(["record", "verify", str(folder / FILE)]) == status.GO


def test_verify_names_what_is_not_whole_and_changes_nothing(folder, capsys) -> None:
    _tamper(folder)
    before = (folder / FILE).read_bytes()
    assert run(["record", "verify", str(folder)]) == 1
    said = capsys.readouterr().out
    assert "Whole        NO" in said
    assert "entry 4 was changed" in said
    assert (folder / FILE).read_bytes() == before
    assert sorted(path.name for path in folder.iterdir()) == ["record.lock", FILE]


@pytest.mark.parametrize("content", [b"", b"no record", b"\0" * 9000])
def test_verify_of_a_broken_file_is_not_whole(tmp_path, capsys, content) -> None:
    (tmp_path / FILE).write_bytes(content)
    assert run(["record", "verify", str(tmp_path)]) == 1
    assert "Whole        NO" in capsys.readouterr().out
    assert (tmp_path / FILE).read_bytes() == content


def test_a_fingerprint_of_a_sheet_is_looked_up(folder, capsys) -> None:
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        printed = record.head()
        record.append(observation(60))
    spaced = " ".join(printed[1][at : at + 8] for at in range(0, 64, 8)).upper()
    assert run(["record", "verify", str(folder), "--head", spaced]) == status.GO
    assert f"fingerprint of entry {printed[0]} " in capsys.readouterr().out
    assert run(["record", "verify", str(folder), "--head", "0" * 64]) == 1
    assert "not in this record" in capsys.readouterr().out
    for wrong in ("abc", "z" * 20, ""):
        assert run(["record", "verify", str(folder), "--head", wrong]) == status.BAD_INPUT


def test_backup_copies_and_checks(folder, tmp_path, capsys) -> None:
    target = tmp_path / "copy.sqlite"
    assert run(["record", "backup", str(folder), str(target)]) == status.GO
    assert f"Copy         {target}" in capsys.readouterr().out
    assert run(["record", "verify", str(target)]) == status.GO
    assert run(["record", "backup", str(folder), str(target)]) == status.BAD_INPUT
    assert "left alone" in capsys.readouterr().err
    _tamper(folder)
    assert run(["record", "backup", str(folder), str(tmp_path / "other.sqlite")]) == 1
    assert run(["record", "backup", "--folder", str(folder), str(tmp_path)]) == 1
    assert run(["record", "backup"]) == status.BAD_INPUT


def test_backup_while_it_is_written(folder, tmp_path) -> None:
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        record.append(observation(70))
        assert run(["record", "backup", str(folder), str(tmp_path / "c.sqlite")]) == status.GO
        assert record.append(observation(71)).seq == 11


def test_export_writes_json_that_is_read_in_again(folder, tmp_path, capfd) -> None:
    out = tmp_path / "out.json"
    assert run(["record", "export", str(folder), "--trip", "T1", "--out", str(out)]) == status.GO
    said = capfd.readouterr().out
    assert "5 entries of 1 trip; 4 withheld." in said
    assert "pseudonym" in said
    exported = json.loads(out.read_text("utf-8"))
    assert Record.import_into(tmp_path / "again", exported).head == _head(folder)
    assert run(["record", "export", str(folder)]) == status.GO
    captured = capfd.readouterr()
    assert json.loads(captured.out)["contains"]["trips"] == ["T1", "T2"]
    assert "9 entries of 2 trips" in captured.err


def test_export_of_what_is_not_whole_says_so(folder, capfd) -> None:
    _tamper(folder)
    assert run(["record", "export", str(folder)]) == 1
    captured = capfd.readouterr()
    assert json.loads(captured.out)["format"] == "warmhold record 1"
    assert "entry 4 was changed" in captured.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["verify", "nowhere"], ["backup", "nowhere", "x"], ["export", "nowhere"],
        ["export", "FOLDER", "--trip", "T9"], ["export", "FOLDER", "--out", "no/such/place"],
        ["verify", "FOLDER", "--folder", "other"], ["backup", "FOLDER", "no/such/place"],
        ["backup", "a", "b", "c"], ["mend"],
    ],
)  # fmt: skip
def test_bad_input_is_said_in_plain_words(folder, capfd, arguments) -> None:
    given = [str(folder) if word == "FOLDER" else word for word in arguments]
    assert run(["record", *given]) == status.BAD_INPUT
    captured = capfd.readouterr()
    assert captured.err.strip()
    assert "Traceback" not in captured.err + captured.out


def test_the_usual_folder(folder, monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(commands, "usual_folder", lambda: folder)
    assert run(["record", "verify"]) == status.GO
    assert run(["record", "backup", str(tmp_path / "c.sqlite")]) == status.GO
    assert run(["record", "export"]) == status.GO


def test_help_loads_nothing_that_opens_a_file() -> None:
    program = (
        "import sys; from warmhold.cli.main import run; code = run(['record', '--help'])\n"
        "assert code == 0 and 'sqlite3' not in sys.modules and 'numpy' not in sys.modules"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    for name in ("verify", "backup", "export"):
        assert name in done.stdout
