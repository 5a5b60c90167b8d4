"""Where a record may lie, and what is said when it may not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
from collections import namedtuple
from contextlib import contextmanager
from pathlib import Path

import pytest

from record.sample import SetClock, fill, observation
from warmhold.record import FILE, Record, Trouble, folder, verify_file

ROOT = os.geteuid() == 0 if hasattr(os, "geteuid") else False


def _env() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}


@contextmanager
def _mounted(place: Path, size: str):
    """Mount a small disk in memory; skips where that is not allowed."""
    if not ROOT:
        pytest.skip("a small disk can only be mounted as root")
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)],
        capture_output=True, check=False,
    )  # fmt: skip
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", str(place)], check=True)


# --- kinds of disk ------------------------------------------------------------------------------

MOUNTS = """\
21 1 254:0 / / rw,relatime - ext4 /dev/vda rw
30 21 0:50 / /srv/ward rw - nfs4 host:/ward rw
31 21 0:51 / /srv/ward/own rw - ext4 /dev/vdb rw
32 21 0:52 / /srv/two\\040words rw - cifs //host/share rw
33 21 0:53 / /srv/remote rw - fuse.sshfs mira@host: rw
34 21 0:54 / /srv/memory rw - tmpfs tmpfs rw
35 21 0:55 / /srv/hidden rw - nfs host:/x rw
36 21 0:56 / /srv/hidden rw - xfs /dev/vdc rw
"""


@pytest.mark.parametrize(
    ("place", "kind", "network"),
    [
        ("/var/data", "ext4", False),
        ("/srv/ward/record", "nfs4", True),
        ("/srv/ward", "nfs4", True),
        ("/srv/wards", "ext4", False),
        ("/srv/ward/own/record", "ext4", False),
        ("/srv/two words/x", "cifs", True),
        ("/srv/remote", "fuse.sshfs", True),
        ("/srv/memory/a", "tmpfs", False),
        ("/srv/hidden/a", "xfs", False),
    ],
)
def test_the_kind_of_disk_is_that_of_the_nearest_mount(place, kind, network) -> None:
    assert folder.kind_of_disk(Path(place), MOUNTS) == kind
    assert folder.is_network(kind) == network


def test_kinds_that_are_refused_and_kinds_that_are_not() -> None:
    for kind in ("nfs", "nfs4", "cifs", "smb3", "9p", "fuse.sshfs", "ceph", "afs", "FUSE.SSHFS"):
        assert folder.is_network(kind), kind
    for kind in ("ext4", "xfs", "btrfs", "apfs", "zfs", "fuseblk", "overlay", "vfat", "tmpfs"):
        assert not folder.is_network(kind), kind


def test_a_network_disk_is_refused_with_the_reason(tmp_path) -> None:
    with pytest.raises(Trouble) as trouble:
        Record.open(tmp_path / "r", kind_of_disk=lambda _: "nfs4")
    assert "nfs4" in trouble.value.reason
    assert "own disk" in trouble.value.todo
    assert not (tmp_path / "r" / FILE).exists()
    with pytest.raises(Trouble, match="network share"):
        Record.open(Path("//host/share/r"))


@pytest.mark.parametrize(("kind", "says"), [(None, "cannot be told"), ("tmpfs", "in memory only")])
def test_doubtful_disks_are_warned_of(tmp_path, kind, says) -> None:
    warnings: list[str] = []
    with Record.open(tmp_path, warn=warnings.append, kind_of_disk=lambda _: kind):
        pass
    assert says in " ".join(warnings)


@pytest.mark.parametrize(
    ("path", "marker"),
    [("my-cloud/r", None), ("Sync/a/r", None), ("SharedDrive", None), ("plain/a", ".syncstate")],
)
def test_folders_that_look_copied_are_warned_of(on_disk, path, marker) -> None:
    place = on_disk / path
    place.mkdir(parents=True)
    if marker:
        (place.parent / marker).mkdir()
    warnings: list[str] = []
    with Record.open(place, warn=warnings.append, kind_of_disk=lambda _: "ext4"):
        pass
    (said,) = warnings
    assert "copied to other computers" in said


def test_a_plain_folder_gives_no_warning(on_disk) -> None:
    warnings: list[str] = []
    with Record.open(on_disk / "new" / "r", warn=warnings.append, kind_of_disk=lambda _: "ext4"):
        pass
    assert warnings == []


# --- space --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("free_mb", "outcome"), [(49, "refused"), (51, "warned"), (501, "fine")])
def test_little_space(tmp_path, monkeypatch, free_mb, outcome) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(folder.shutil, "disk_usage", lambda _: usage(0, 0, free_mb * 1_000_000))
    warnings: list[str] = []

    def start() -> None:
        Record.open(tmp_path, warn=warnings.append, kind_of_disk=lambda _: "ext4").close()

    if outcome == "refused":
        with pytest.raises(Trouble, match="Only 49 MB are free"):
            start()
        assert not (tmp_path / FILE).exists()
        return
    start()
    assert ("Only 51 MB" in " ".join(warnings)) == (outcome == "warned")
    assert len(warnings) == (outcome == "warned")


def _until_trouble(record: Record, kept: list, first: int) -> Trouble:
    for number in range(first, first + 5000):
        try:
            kept.append(record.append(observation(number, vent_text=f"{number} " * 200)))
        except Trouble as trouble:
            return trouble
    raise AssertionError("the disk never filled up")


def test_a_full_disk_refuses_keeps_nothing_half_and_goes_on_when_there_is_room(on_disk) -> None:
    place = on_disk / "small"
    with _mounted(place, "64m"):
        kept: list = []
        with Record.open(place / "r", warn=lambda _: None) as record:
            fill(record, 3)
            ballast = place / "ballast"
            with ballast.open("wb") as file:
                try:
                    while True:
                        file.write(b"x" * 65536)
                        file.flush()
                except OSError:
                    pass
                file.truncate(ballast.stat().st_size - 200_000)
            trouble = _until_trouble(record, kept, 100)
            assert "disk" in trouble.reason.lower()
            assert "not saved" in trouble.reason
            seq, head = record.head()
            assert (seq, head) == (kept[-1].seq, kept[-1].hash)
            found = record.verify()
            assert (found.whole, found.events, found.head) == (True, seq, head)
            ballast.unlink()
            more = record.append(observation(9000))
            assert more.seq == seq + 1
            assert not record.append(observation(100 + len(kept))).repeated
        found = verify_file(place / "r" / FILE)
        assert (found.whole, found.events) == (True, seq + 2)


def test_a_file_that_may_not_grow_is_like_a_full_disk(tmp_path) -> None:
    """The same without a mount: the system's limit on the size of a file (RLIMIT_FSIZE)."""
    program = textwrap.dedent(
        """
        import resource, sys
        from pathlib import Path
        from record.sample import observation
        from warmhold.record import Record, Trouble
        folder = Path(sys.argv[1])
        with Record.open(folder, warn=lambda _: None) as record:
            record.append(observation(0))
            size = (folder / "record.sqlite").stat().st_size
            resource.setrlimit(resource.RLIMIT_FSIZE, (size + 40_000, resource.RLIM_INFINITY))
            for number in range(1, 1000):
                try:
                    record.append(observation(number, vent_text=f"{number} " * 200))
                except Trouble as trouble:
                    print(number, trouble.reason)
                    break
            assert record.head()[0] == number and record.verify().whole
            resource.setrlimit(
                resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            )
            again = record.append(observation(number, vent_text=f"{number} " * 200))
            assert (again.seq, again.repeated) == (number + 1, False)
            assert record.verify().whole
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=False,
        env=_env(),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    number, reason = done.stdout.split(" ", 1)
    assert int(number) > 5
    assert "not saved" in reason


# --- rights -------------------------------------------------------------------------------------


def test_a_read_only_disk_is_refused_with_the_reason(on_disk) -> None:
    place = on_disk / "small"
    with _mounted(place, "64m"):
        with Record.open(place / "r", warn=lambda _: None) as record:
            fill(record, 3)
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        with pytest.raises(Trouble, match="read-only"):
            Record.open(place / "r", warn=lambda _: None)
        with pytest.raises(Trouble, match="read-only"):
            Record.open(place / "new", warn=lambda _: None)
        assert verify_file(place / "r" / FILE).whole  # but it can be read


def _as_nobody(work) -> str:
    """Run something without root's rights, in a child when we are root; returns the reason."""
    if not ROOT:
        with pytest.raises(Trouble) as trouble:
            work()
        return trouble.value.reason
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
            work()
            os.write(writer, b"nothing was refused")
        except Trouble as trouble:
            os.write(writer, trouble.reason.encode())
        finally:
            os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader) as said:
        return said.read()


def test_a_folder_without_rights_is_refused(tmp_path) -> None:
    place = tmp_path / "r"
    place.mkdir()
    tmp_path.chmod(0o755)
    place.chmod(0o555)
    reason = _as_nobody(lambda: Record.open(place, warn=lambda _: None))
    assert "read-only for this user" in reason


def test_a_file_without_rights_is_refused_and_not_taken_for_damaged(tmp_path) -> None:
    place = tmp_path / "r"
    with Record.open(place) as record:
        record.append(observation(1))
    tmp_path.chmod(0o755)
    place.chmod(0o777)
    (place / "record.lock").chmod(0o666)
    for mode in (0o444, 0o000):
        (place / FILE).chmod(mode)
        reason = _as_nobody(lambda: Record.open(place, warn=lambda _: None))
        assert "cannot be" in reason
        assert sorted(path.name for path in place.iterdir()) == ["record.lock", FILE]
    (place / FILE).chmod(0o600)
    assert verify_file(place / FILE).whole


def test_a_file_in_the_place_of_the_folder(tmp_path) -> None:
    (tmp_path / "r").write_text("x")
    with pytest.raises(Trouble, match="is a file, not a folder"):
        Record.open(tmp_path / "r")


def test_a_folder_in_the_place_of_the_file(tmp_path) -> None:
    (tmp_path / FILE).mkdir()
    with pytest.raises(Trouble):
        Record.open(tmp_path)
    assert (tmp_path / FILE).is_dir()


# --- a second writer ----------------------------------------------------------------------------


def test_a_second_writer_is_refused_in_this_process_and_in_another(tmp_path) -> None:
    with Record.open(tmp_path) as record:
        with pytest.raises(Trouble, match=f"Another warmhold .process {os.getpid()}."):
            Record.open(tmp_path)
        done = subprocess.run(
            [sys.executable, "-c", "import sys; from pathlib import Path\n"
             "from warmhold.record import Record; Record.open(Path(sys.argv[1]))", str(tmp_path)],
            capture_output=True, text=True, check=False, env=_env(),
        )  # fmt: skip
        assert done.returncode == 1
        assert "Another warmhold" in done.stderr
        assert record.append(observation(1)).seq == 1
    Record.open(tmp_path).close()


def test_a_killed_writer_leaves_no_lock(tmp_path) -> None:
    program = (
        "import sys, time; from pathlib import Path; from warmhold.record import Record\n"
        "r = Record.open(Path(sys.argv[1]), warn=lambda _: None)\n"
        "print('open', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE, env=_env()
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        with pytest.raises(Trouble, match=f"process {process.pid}"):
            Record.open(tmp_path)
        process.send_signal(signal.SIGKILL)
        process.wait()
    with Record.open(tmp_path) as record:
        assert record.append(observation(1)).seq == 1


def test_a_failed_opening_gives_the_lock_back(tmp_path, monkeypatch) -> None:
    from warmhold.record import core  # noqa: PLC0415

    def fail(*_args):
        raise Trouble("no")

    with monkeypatch.context() as patch:
        patch.setattr(core, "_make_whole", fail)
        with pytest.raises(Trouble, match="no"):
            Record.open(tmp_path)
    Record.open(tmp_path).close()


def test_a_file_that_is_taken_away_while_in_use_is_noticed(tmp_path) -> None:
    with Record.open(tmp_path, clock=SetClock()) as record:
        record.append(observation(1))
        (tmp_path / FILE).rename(tmp_path / "elsewhere")
        with pytest.raises(Trouble, match="moved, deleted or replaced"):
            record.append(observation(2))
        (tmp_path / "elsewhere").rename(tmp_path / FILE)
        assert record.append(observation(2)).seq == 2


def test_another_program_that_holds_the_file_is_said(tmp_path, monkeypatch) -> None:
    import sqlite3  # noqa: PLC0415
    from contextlib import closing  # noqa: PLC0415

    from warmhold.record import store  # noqa: PLC0415

    monkeypatch.setattr(store, "BUSY_S", 0.1)
    with (
        Record.open(tmp_path) as record,
        closing(sqlite3.connect(tmp_path / FILE, isolation_level=None)) as other,
    ):
        record.append(observation(1))
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Trouble, match="locked"):
            record.append(observation(2))
        other.execute("ROLLBACK")
        assert record.append(observation(2)).seq == 2
    assert threading.active_count() < 20
