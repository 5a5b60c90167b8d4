"""`warmhold record import`, from the outside."""

from __future__ import annotations

import json

import pytest

from record.sample import SetClock, fill
from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.record import FILE, Record


@pytest.fixture
def folder(tmp_path):
    with Record.open(tmp_path / "r", clock=SetClock(), warn=lambda _: None) as record:
        fill(record, 3, "T1")
        fill(record, 2, "T2")
    return tmp_path / "r"


def test_an_export_comes_back_to_the_same_fingerprint(folder, tmp_path, capsys) -> None:
    for trip, withheld in (([], 0), (["--trip", "T2"], 5)):
        out = tmp_path / f"out{withheld}.json"
        new = tmp_path / f"new{withheld}"
        assert run(["record", "export", str(folder), *trip, "--out", str(out)]) == status.GO
        assert run(["record", "verify", str(folder)]) == status.GO
        line = next(x for x in capsys.readouterr().out.splitlines() if x.startswith("Fingerprint"))
        assert run(["record", "import", str(out), "--folder", str(new)]) == status.GO
        said = capsys.readouterr().out
        assert line in said
        assert "Whole        yes" in said
        assert (f"Withheld     {withheld}" in said) == bool(withheld)
        assert run(["record", "verify", str(new)]) == status.GO
        assert line in capsys.readouterr().out


def test_what_is_damaged_is_refused_with_every_reason_and_leaves_nothing(
    folder, tmp_path, capsys
) -> None:
    out = tmp_path / "out.json"
    assert run(["record", "export", str(folder), "--out", str(out)]) == status.GO
    spoilt = json.loads(out.read_text("utf-8"))
    spoilt["events"][2]["who"] = "someone else"
    spoilt["events"][7]["body"] = {}
    out.write_text(json.dumps(spoilt), "utf-8")
    assert run(["record", "import", str(out), "--folder", str(tmp_path / "n")]) == status.BAD_INPUT
    said = capsys.readouterr().err
    assert "entry 3 was changed" in said
    assert "entry 8 was changed" in said
    assert not (tmp_path / "n").exists()
    out.write_text(out.read_text("utf-8")[:2000], "utf-8")
    assert run(["record", "import", str(out), "--folder", str(tmp_path / "n")]) == status.BAD_INPUT
    assert "not whole, or no export" in capsys.readouterr().err


def test_only_a_new_or_empty_folder_is_taken(folder, tmp_path, capsys) -> None:
    out = tmp_path / "out.json"
    assert run(["record", "export", str(folder), "--out", str(out)]) == status.GO
    before = (folder / FILE).read_bytes()
    for target in (folder, out, tmp_path):
        assert run(["record", "import", str(out), "--folder", str(target)]) == status.BAD_INPUT
        assert "name a new folder" in capsys.readouterr().err
    assert (folder / FILE).read_bytes() == before
    (tmp_path / "empty").mkdir()
    assert run(["record", "import", str(out), "--folder", str(tmp_path / "empty")]) == status.GO
    assert run(["record", "import", str(out)]) == status.BAD_INPUT
    none = str(tmp_path / "none.json")
    assert run(["record", "import", none, "--folder", str(tmp_path / "n")]) == status.BAD_INPUT
