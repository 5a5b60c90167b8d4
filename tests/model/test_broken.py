"""Every fault of every broken file is named, with its line, and no other.

The expectations in ``broken/*.faults`` were written by hand from the line numbers of the files,
one fault a line: ``line | key | words that the fault must say``.
"""

from pathlib import Path

import pytest

from warmhold.model import Fault, FaultyInput, check_file, load_case

BROKEN = sorted((Path(__file__).parent / "broken").glob("*.toml"))


def expected(path: Path) -> list[tuple[int, str, str]]:
    rows = []
    for row in path.with_suffix(".faults").read_text("utf-8").splitlines():
        line, key, words = (part.strip() for part in row.split("|", 2))
        rows.append((int(line), key, words))
    return rows


def say(fault: Fault) -> str:
    return f"{fault.found}; {fault.allowed}; {fault.todo}"


def test_there_are_enough_broken_files() -> None:
    assert len(BROKEN) >= 60
    assert all(path.with_suffix(".faults").exists() for path in BROKEN)


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_all_faults_and_no_other(path: Path) -> None:
    wanted = expected(path)
    faults = check_file(path)
    found = [(fault.line, fault.key) for fault in faults]
    assert found == [(line, key) for line, key, _ in wanted], "\n".join(map(str, faults))
    for fault, (_, _, words) in zip(faults, wanted, strict=True):
        assert words in say(fault)
        assert fault.file == str(path)
        assert fault.todo


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_loading_raises_the_same_faults(path: Path) -> None:
    with pytest.raises(FaultyInput) as caught:
        load_case(path)
    assert caught.value.faults == check_file(path)
    assert str(caught.value.faults[0]) in str(caught.value)
