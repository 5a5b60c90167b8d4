"""Torn, cut and flipped copies: what is whole comes back, the rest is said, nothing is replaced."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from record.sample import FULL, NURSE, SetClock, fill, observation, tampering
from warmhold.record import FILE, GENESIS, Entry, Record, Trouble, store, verify_file
from warmhold.record.rescue import salvage


@pytest.fixture
def original(tmp_path):
    """A record of two trips, some 120 kB, with entries that span pages; its bytes and rows."""
    folder = tmp_path / "original"
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        fill(record, 30, "T1")
        fill(record, 30, "T2", size=30_000)
        rows = list(store.rows(record._reader))
    return (folder / FILE).read_bytes(), rows


def _open(folder: Path, data: bytes):
    """Put bytes in a new folder and open them; returns the record and the warnings."""
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir()
    (folder / FILE).write_bytes(data)
    warnings: list[str] = []
    record = Record.open(folder, clock=SetClock(), warn=warnings.append)
    return record, [text for text in warnings if "in memory" not in text]


def _agree(folder: Path, data: bytes, rows) -> tuple[int, ...]:
    """Open a damaged copy and check all that must hold; returns the numbers of what was lost."""
    record, warnings = _open(folder, data)
    with record:
        now = list(store.rows(record._reader))
        found = record.verify()
        recovered = record.recovered
        assert record.append(observation(999)).seq == len(now) + 1  # it goes on
    assert found.whole, found.faults
    if recovered is None:  # nothing in it was damaged
        assert warnings == []
        assert now == rows
        return ()
    assert recovered.kept_as.read_bytes() == data  # as it was, under its own name
    assert warnings == [recovered.said]
    assert recovered.kept_as.name in recovered.said
    assert recovered.faults
    *old, last = now
    assert last.kind == "recovered"
    lost = []
    for row in old:
        if row.kind == "lost":
            lost.append(row.seq)
            if row.seq < len(old) and old[row.seq].kind != "lost":
                assert row.hash == rows[row.seq - 1].hash  # printed fingerprints stay good
        else:
            assert row == rows[row.seq - 1]
    assert tuple(lost) == recovered.lost == found.lost
    assert recovered.events == len(old) - len(lost)
    for seq in lost:
        assert str(seq) in recovered.said or len(lost) > 1
    return tuple(lost) + tuple(range(len(old) + 1, len(rows) + 1))


def _end_in_file(data: bytes, row) -> int | None:
    """Return where a row ends, if it lies in one page: its last two columns stand side by side."""
    place = data.find(f"{row.prior}{row.hash}".encode())
    return None if place < 0 or len(row.body) > 3000 else place + 128


def test_cut_anywhere_all_that_lies_before_the_cut_comes_back(original, tmp_path) -> None:
    """At every 512 bytes when WARMHOLD_FULL=1, else at every 4608 and the first few."""
    data, rows = original
    ends = {row.seq: _end_in_file(data, row) for row in rows}
    assert sum(end is not None for end in ends.values()) >= 60
    step = 512 if FULL else 512 * 9
    cuts = sorted({*range(0, len(data), step), *range(0, 2048, 512), len(data) - 1})
    for cut in cuts:
        missing = _agree(tmp_path / "cut", data[:cut], rows)
        for seq, end in ends.items():
            if end is not None and end <= cut:
                assert seq not in missing, f"cut at {cut}: entry {seq} was whole"


def test_every_cut_of_512_bytes_gives_all_whole_rows_to_the_search(original, tmp_path) -> None:
    data, rows = original
    ends = {row.seq: _end_in_file(data, row) for row in rows}
    path = tmp_path / "cut.sqlite"
    for cut in range(0, len(data), 512):
        path.write_bytes(data[:cut])
        found = {row.seq: row for row in salvage(path).rows if row.kind != "lost"}
        for seq, end in ends.items():
            if end is not None and end <= cut:
                assert found[seq] == rows[seq - 1]


def test_one_flipped_byte_costs_at_most_the_entry_it_lies_in(original, tmp_path) -> None:
    """2000 places when WARMHOLD_FULL=1, else 60; the first page's header always."""
    data, rows = original
    dice = random.Random(7)
    places = [*range(0, 100, 1 if FULL else 9)]
    places += dice.sample(range(100, len(data)), 2000 if FULL else 60)
    harmed = 0
    for place in places:
        flipped = bytearray(data)
        flipped[place] ^= 1 << dice.randrange(8) if place % 2 else 0xFF
        lost = _agree(tmp_path / "flip", bytes(flipped), rows)
        assert len(lost) <= 1, f"byte {place}: {lost}"
        harmed += len(lost)
    assert harmed, "no flip hit an entry: the test tells nothing"


def test_whole_pages_overwritten(original, tmp_path) -> None:
    data, rows = original
    ends = {row.seq: _end_in_file(data, row) for row in rows}
    for page in range(0, len(data) // store.PAGE, 1 if FULL else 5):
        torn = bytearray(data)
        start, stop = page * store.PAGE, (page + 1) * store.PAGE
        torn[start:stop] = bytes(store.PAGE)
        missing = _agree(tmp_path / "torn", bytes(torn), rows)
        for seq, end in ends.items():
            if end is not None and not start < end <= stop:
                assert seq not in missing


def test_sectors_of_noise_and_pages_in_each_others_place(original, tmp_path) -> None:
    """400 files when WARMHOLD_FULL=1, else 20."""
    data, rows = original
    ends = {row.seq: _end_in_file(data, row) for row in rows}
    dice = random.Random(11)
    checked = 0
    for turn in range(400 if FULL else 20):
        torn = bytearray(data)
        touched = []
        if turn % 2:
            for _ in range(dice.randrange(1, 9)):
                start = 512 * dice.randrange(len(data) // 512)
                torn[start : start + 512] = dice.randbytes(512)
                touched.append((start, start + 512))
        else:
            first, second = (store.PAGE * page for page in dice.sample(range(1, 20), 2))
            torn[first : first + store.PAGE] = data[second : second + store.PAGE]
            torn[second : second + store.PAGE] = data[first : first + store.PAGE]
        missing = _agree(tmp_path / "noise", bytes(torn), rows)
        for seq, end in ends.items():  # a row that lies in one page takes under 700 bytes here
            if end is not None and all(
                stop <= end - 700 or start >= end for start, stop in touched
            ):
                assert seq not in missing, (turn, seq)
                checked += 1
    assert checked > 500


@pytest.mark.parametrize(
    "data", [b"", b"\0" * 8192, b"no record at all " * 999, b"SQLite format 3"]
)
def test_what_holds_nothing_is_kept_and_said(tmp_path, data) -> None:
    record, (said,) = _open(tmp_path / "r", data)
    with record:
        assert record.recovered.events == 0
        assert record.recovered.kept_as.read_bytes() == data
        assert "0 whole entries" in said
        (event,) = record.events()
        assert event.kind == "recovered"
        assert event.prior == GENESIS
        assert event.body["kept_as"] == record.recovered.kept_as.name


def test_a_tampered_entry_is_put_aside_with_what_it_said(tmp_path) -> None:
    folder = tmp_path / "r"
    with Record.open(folder, clock=SetClock()) as record:
        fill(record, 4)
        head = record.head()
    with tampering(folder) as connection:
        connection.execute("UPDATE event SET who = 'someone' WHERE seq = 3")
    for _ in range(2):  # opening again finds it whole: it is said once, and stays in the record
        with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
            found = record.verify()
            events = record.events("T1")
    assert record.recovered is None
    assert (found.whole, found.lost) == (True, (3,))
    assert [event.kind for event in events][2:4] == ["lost", "observation"]
    assert events[5].hash == head[1]
    (lost,) = events[6].body["lost"]
    assert (lost["seq"], lost["trip"]) == (3, "T1")
    assert "someone" in lost["found"]


def test_a_record_damaged_twice_still_names_the_first_loss(original, tmp_path) -> None:
    data, rows = original
    folder = tmp_path / "twice"
    for seq in (20, 40):
        broken = bytearray(data)
        end = _end_in_file(data, rows[seq - 1])
        broken[end - 1] ^= 0xFF
        record, _ = _open(folder, bytes(broken))
        with record:
            assert seq in record.recovered.lost
            assert record.verify().whole
            lost = record.recovered.lost
        data = (folder / FILE).read_bytes()
    assert lost == (20, 40)


def test_a_loss_that_no_recovery_names_is_a_fault(original, tmp_path) -> None:
    from warmhold.record.chain import LOST, stand_in  # noqa: PLC0415

    data, rows = original
    folder = tmp_path / "r"
    folder.mkdir()
    (folder / FILE).write_bytes(data)
    row = rows[9]
    with tampering(folder) as connection:
        connection.execute("DELETE FROM event WHERE seq = 10")
        store.insert(connection, [stand_in(LOST, 10, "T1", row.prior, row.hash)])
    assert verify_file(folder / FILE).faults == ("entry 10 is lost, and no recovery names it",)


def test_a_withheld_entry_in_a_whole_record_is_a_fault(original, tmp_path) -> None:
    from warmhold.record.chain import WITHHELD, stand_in  # noqa: PLC0415

    data, rows = original
    folder = tmp_path / "r"
    folder.mkdir()
    (folder / FILE).write_bytes(data)
    row = rows[9]
    with tampering(folder) as connection:
        connection.execute("DELETE FROM event WHERE seq = 10")
        store.insert(connection, [stand_in(WITHHELD, 10, "", row.prior, row.hash)])
    (fault,) = verify_file(folder / FILE).faults
    assert "entry 10 is withheld" in fault


def test_names_of_damaged_files_never_collide(tmp_path) -> None:
    folder = tmp_path / "r"
    kept = []
    for content in (b"one", b"two", b"three"):
        folder.mkdir(exist_ok=True)
        (folder / FILE).write_bytes(content)
        with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
            kept.append(record.recovered.kept_as)
    assert [path.read_bytes() for path in kept] == [b"one", b"two", b"three"]


def test_a_journal_of_the_damaged_file_is_never_played_into_the_new_one(tmp_path) -> None:
    folder = tmp_path / "r"
    with Record.open(folder, clock=SetClock()) as record:
        fill(record, 3)
    (folder / FILE).write_bytes(b"x" * 5000)
    Path(f"{folder / FILE}-journal").write_bytes(b"\xd9\xd5\x05\xf9 \xa1c\xd7" + b"y" * 900)
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        record.append(observation(1))
        assert record.verify().whole
        names = sorted(path.name for path in folder.iterdir())
    assert [name for name in names if name.startswith("record-damaged")] != []
    assert f"{FILE}-journal" not in names


def test_a_start_that_was_killed_half_way_leaves_no_harm(tmp_path) -> None:
    folder = tmp_path / "r"
    folder.mkdir()
    (folder / f"{FILE}.new").write_bytes(b"half")
    (folder / f"{FILE}.new-journal").write_bytes(b"half")
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        assert record.recovered is None
        record.append(observation(1))
    assert sorted(path.name for path in folder.iterdir()) == ["record.lock", FILE]


def test_a_newer_format_is_refused_and_left_alone(tmp_path) -> None:
    import sqlite3  # noqa: PLC0415
    from contextlib import closing  # noqa: PLC0415

    folder = tmp_path / "r"
    folder.mkdir()
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("CREATE TABLE event (seq, more)")
        connection.execute("PRAGMA user_version=7")
    before = (folder / FILE).read_bytes()
    with pytest.raises(Trouble, match="format 7"):
        Record.open(folder, warn=lambda _: None)
    assert (folder / FILE).read_bytes() == before
    assert [path.name for path in folder.glob("record-damaged-*")] == []


def test_a_page_that_the_disk_will_not_give_is_read_as_zeros(original, tmp_path, monkeypatch):
    """A stand-in for a failing disk: reading one page raises an error."""
    from warmhold.record import rescue  # noqa: PLC0415

    data, _ = original
    path = tmp_path / "bad.sqlite"
    path.write_bytes(data)

    class Bad:
        def __init__(self, file):
            self.file = file

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self.file.close()

        def seek(self, *place):
            return self.file.seek(*place)

        def read(self, size):
            if self.file.tell() == 5 * store.PAGE:
                raise OSError(5, "Input/output error")
            return self.file.read(size)

    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *a, **k: Bad(real(self, *a, **k)))
    found = rescue.read_through(path)
    monkeypatch.undo()
    assert found[: 5 * store.PAGE] == data[: 5 * store.PAGE]
    assert found[5 * store.PAGE : 6 * store.PAGE] == bytes(store.PAGE)
    assert found[6 * store.PAGE :] == data[6 * store.PAGE :]


def test_an_entry_lost_from_the_record_may_be_sent_again(tmp_path) -> None:
    folder = tmp_path / "r"
    entry = Entry("again", "T1", "happening", {"what": "note", "detail": "x"}, NURSE)
    with Record.open(folder, clock=SetClock()) as record:
        record.append(observation(1))
        record.append(entry)
        record.append(observation(2))
    with tampering(folder) as connection:
        connection.execute("UPDATE event SET mono_ns = 1 WHERE seq = 2")
    with Record.open(folder, clock=SetClock(), warn=lambda _: None) as record:
        assert record.recovered.lost == (2,)
        receipt = record.append(entry)
        assert (receipt.repeated, receipt.seq) == (False, 5)
