"""Work in pieces: the same bits wherever it ran, nothing lost and nothing twice."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from review.work_jobs import Sums
from warmhold.review import work
from warmhold.review.work import Here, OnDask, Processes, Summary, WorkFault, pieces, run, where_of

SIZE = 8


def joined(found: Sequence[Summary]) -> tuple[bytes, list[int]]:
    """Every bit of every result in order, and the numbers that were done."""
    bits = b"".join(one["sum"].tobytes() + one["word"].tobytes() for one in found)
    return bits, [int(n) for one in found for n in one["number"]]


def here(tmp_path: Path) -> tuple[bytes, list[int]]:
    return joined(run(Sums(str(tmp_path)), where=Here(), size=SIZE))


def starts(notes: Path) -> list[int]:
    """First number of each piece that was begun."""
    return sorted(int(path.name.split("-")[1]) for path in notes.glob("start-*"))


def test_pieces_cover_every_number_once() -> None:
    for count, size in ((0, 3), (1, 3), (9, 3), (10, 3)):
        cut = pieces(count, size)
        assert [n for one in cut for n in range(one.first, one.end)] == list(range(count))
        assert [one.number for one in cut] == list(range(len(cut)))
    with pytest.raises(ValueError, match="size of 1"):
        pieces(3, 0)


def test_killed_processes_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    """Two of fifteen pieces kill their worker, the second one when most is done."""
    job = Sums(str(tmp_path), kills=(24, 96))
    told: list[tuple[int, int]] = []
    found = joined(
        run(job, where=Processes(2), size=SIZE, progress=lambda a, b: told.append((a, b)))
    )
    assert (tmp_path / "killed-24").exists()
    assert (tmp_path / "killed-96").exists()
    assert found[1] == list(range(120))
    assert starts(tmp_path).count(24) == 2
    assert told == [(n, 15) for n in range(16)]
    assert found == here(tmp_path)


def test_a_piece_that_always_kills_is_given_up(tmp_path: Path) -> None:
    job = Sums(str(tmp_path), count=16, always=8)
    with pytest.raises(WorkFault, match="numbers 8 to 15"):
        run(job, where=Processes(1), size=SIZE)
    assert starts(tmp_path).count(8) >= work.LOSSES_IN_A_ROW


def test_a_fault_of_the_work_itself_is_not_tried_again(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cannot be done"):
        run(Sums(str(tmp_path), count=16, fails=8), where=Processes(1), size=SIZE)
    assert starts(tmp_path).count(8) == 1


CLUSTER = """
import sys
from pathlib import Path
from distributed import LocalCluster
from review.test_work import SIZE, joined, starts
from review.work_jobs import Sums
from warmhold.review.work import Here, OnDask, run

def main():
    notes = Path(sys.argv[1])
    plain, lossy = notes / "plain", notes / "lossy"
    plain.mkdir()
    lossy.mkdir()
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        before = {one.pid for one in cluster.workers.values()}
        job = Sums(str(lossy), kills=(48,))
        found = joined(run(job, where=OnDask(cluster.scheduler_address), size=SIZE))
        after = {one.pid for one in cluster.workers.values()}
    assert len(before) == 2
    assert (lossy / "killed-48").exists()
    assert len({int(p.name.split("-")[2]) for p in lossy.glob("start-*")} & before) == 2
    assert found[1] == list(range(120)), found[1]
    assert starts(lossy).count(48) == 2
    assert found == joined(run(Sums(str(plain)), where=Here(), size=SIZE))
    print("the same", len(before - after), "worker replaced")

if __name__ == "__main__":
    main()
"""


def test_a_cluster_of_two_workers_with_one_killed(tmp_path: Path) -> None:
    """In a process of its own: a scheduler leaves threads behind that are no concern of ours."""
    pytest.importorskip("distributed")
    script = tmp_path / "cluster.py"
    script.write_text(textwrap.dedent(CLUSTER))
    tests = Path(__file__).parents[1]
    paths = [str(tests), str(tests.parent / "src"), os.environ.get("PYTHONPATH", "")]
    made = subprocess.run(
        [sys.executable, str(script), str(tmp_path)], capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)}, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr[-3000:]
    assert "the same 1 worker replaced" in made.stdout


def test_no_scheduler_is_said_in_a_sentence(tmp_path: Path, monkeypatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(work, "CLUSTER_WAITS_S", 1)
    with pytest.raises(WorkFault, match="No Dask scheduler answers"):
        run(Sums(str(tmp_path)), where=OnDask("tcp://127.0.0.1:9"), size=SIZE)


# --- finished pieces -----------------------------------------------------------------------------


def test_a_run_that_was_stopped_goes_on(tmp_path: Path) -> None:
    notes, keep = tmp_path / "notes", tmp_path / "keep"
    notes.mkdir()
    with pytest.raises(ValueError, match="cannot be done"):
        run(Sums(str(notes), fails=64), where=Here(), size=SIZE, keep=keep)
    assert starts(notes) == list(range(0, 65, 8))
    said: list[str] = []
    found = joined(run(Sums(str(notes)), where=Here(), size=SIZE, keep=keep, say=said.append))
    assert said == ["8 of 15 pieces were kept from before."]
    assert starts(notes) == sorted([*range(0, 120, 8), 64])
    assert found == here(notes)
    before = len(starts(notes))
    assert joined(run(Sums(str(notes)), where=Here(), size=SIZE, keep=keep)) == found
    assert len(starts(notes)) == before, "a finished run works nothing out"


@pytest.mark.parametrize("accident", ["cut", "bit", "other piece", "empty"])
def test_a_damaged_piece_is_made_again(tmp_path: Path, accident: str) -> None:
    keep = tmp_path / "keep"
    first = joined(run(Sums(str(tmp_path)), where=Here(), size=SIZE, keep=keep))
    path = keep / "piece-000003"
    whole = path.read_bytes()
    path.write_bytes(
        {
            "cut": whole[:-10],
            "bit": whole[:200] + bytes([whole[200] ^ 1]) + whole[201:],
            "other piece": (keep / "piece-000004").read_bytes(),
            "empty": b"",
        }[accident]
    )
    said: list[str] = []
    assert (
        joined(run(Sums(str(tmp_path)), where=Here(), size=SIZE, keep=keep, say=said.append))
        == first
    )
    assert "1 kept pieces are damaged and are made again." in said
    assert starts(tmp_path).count(24) == 2


def test_a_folder_of_another_run_is_refused(tmp_path: Path, monkeypatch) -> None:
    keep = tmp_path / "keep"
    run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=keep)
    with pytest.raises(WorkFault, match="another run"):
        run(Sums(str(tmp_path), count=16, seed=8), where=Here(), size=SIZE, keep=keep)
    monkeypatch.setattr(work, "mark", lambda: "other code")
    with pytest.raises(WorkFault, match="another version"):
        run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=keep)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("x")
    with pytest.raises(WorkFault, match="other files"):
        run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=tmp_path / "mine")
    (keep / "run.json").write_text("{")
    with pytest.raises(WorkFault, match="cannot be read"):
        run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=keep)


def test_no_half_file_is_ever_seen(tmp_path: Path, monkeypatch) -> None:
    keep = tmp_path / "keep"

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=keep)
    (keep / "piece-000001").unlink()
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(WorkFault, match="No space left"):
        run(Sums(str(tmp_path), count=16), where=Here(), size=SIZE, keep=keep)
    assert sorted(path.name for path in keep.iterdir()) == ["piece-000000", "run.json"]


def test_a_worker_with_other_code_is_refused() -> None:
    made = work._Made("another mark", {"x": np.zeros(1)})
    with pytest.raises(WorkFault, match="another version"):
        made.checked()
    assert len(work.mark()) == 64


def test_the_place_is_chosen_by_what_was_asked_for() -> None:
    assert where_of(1, None, 1000, 10) == Here()
    assert where_of(8, None, 10, 10) == Here()
    assert where_of(8, None, 25, 10) == Processes(3)
    assert where_of(None, "dask://host:8786", 25, 10) == OnDask("tcp://host:8786")
    for bad in ("host:8786", "tcp://host:8786", "dask://host", "dask://:8786", "dask://host:x"):
        with pytest.raises(WorkFault, match="dask://host:port"):
            where_of(None, bad, 25, 10)
    with pytest.raises(WorkFault, match="not both"):
        where_of(2, "dask://host:8786", 25, 10)
