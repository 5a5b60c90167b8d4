"""The reader of reference rows refuses a row that does not say where it comes from."""

from pathlib import Path
from typing import Any

import pytest

import reference_rows

GOOD = 'unit = "kPa"\ntolerance = 0.1\nwhy = "rounded"\nsource = "a page"\nstatus = "verified"\n'


def written(folder: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    monkeypatch.setattr(reference_rows, "_FOLDER", folder)
    (folder / "some.toml").write_text(text, encoding="utf-8")
    return reference_rows.rows("some", "table")


def test_both_shapes_give_the_same_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shared = written(tmp_path, "[table]\n" + GOOD + "rows = [{ expected = 1.0 }]\n", monkeypatch)
    single = written(tmp_path, "[[table]]\n" + GOOD + "expected = 1.0\n", monkeypatch)
    assert shared[0].values == single[0].values


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('source = "a page"\n', ""),
        ('source = "a page"', 'source = " "'),
        ('status = "verified"', 'status = "sure"'),
        ("tolerance = 0.1\n", ""),
        ("tolerance = 0.1", "tolerance = -0.1"),
        ("tolerance = 0.1", "tolerance = true"),
        ('why = "rounded"\n', ""),
        ("expected = 1.0", "value = 1.0"),
        ("expected = 1.0", 'kind = "guess"\nexpected = 1.0'),
    ],
)
def test_an_incomplete_row_is_refused(
    old: str, new: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "[[table]]\n" + GOOD + "expected = 1.0\n"
    assert old in text
    with pytest.raises(AssertionError, match=r"some\.toml \[table\] row 1"):
        written(tmp_path, text.replace(old, new), monkeypatch)
