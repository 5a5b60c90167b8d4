"""Whether a folder can be trusted with the record, and the lock that keeps out a second writer."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from warmhold.record.trouble import Trouble, from_os

FILE = "record.sqlite"
LOCK = "record.lock"
REFUSE_BELOW = 50_000_000  # free bytes
WARN_BELOW = 500_000_000

# Kinds of file system as Linux names them (proc_pid_mountinfo(5)). File locks and the promise
# that what was flushed is on the disk cannot be relied on across a network.
_NETWORK = frozenset(
    ("9p", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "gfs2", "glusterfs", "lustre",
     "ncpfs", "nfs", "nfs4", "ocfs2", "smb", "smb2", "smb3", "smbfs", "vboxsf", "virtiofs")
)  # fmt: skip
_NETWORK_IN_FUSE = (
    "ssh", "ftp", "dav", "http", "s3", "nfs", "smb", "cifs", "gvfs", "ceph", "gluster", "clone",
    "cloud", "drive", "sync",
)  # fmt: skip
_IN_MEMORY = frozenset(("tmpfs", "ramfs"))
_SYNC_HINTS = ("sync", "cloud", "drive")

Warn = Callable[[str], None]


def kind_of_disk(folder: Path, mountinfo: str | None = None) -> str | None:
    """Return the kind of file system a folder is on; ``None`` where that cannot be told.

    mountinfo : the content of /proc/self/mountinfo, for tests
    """
    if mountinfo is None:
        try:
            mountinfo = Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape")
        except OSError:
            return None
    best, kind = -1, None
    parts = Path(os.path.realpath(folder)).parts
    for line in mountinfo.splitlines():
        left, mark, right = line.partition(" - ")
        fields = left.split()
        if not mark or len(fields) < 5 or not right.split():
            continue
        point = Path(_unescaped(fields[4])).parts
        # Of two mounts on one point the later hides the earlier.
        if parts[: len(point)] == point and len(point) >= best:
            best, kind = len(point), right.split()[0]
    return kind


def _unescaped(text: str) -> str:
    for code in ("040", "011", "012", "134"):
        text = text.replace(f"\\{code}", chr(int(code, 8)))
    return text


def is_network(kind: str) -> bool:
    """Tell whether a kind of file system keeps its files on another computer."""
    kind = kind.lower()
    if kind in _NETWORK:
        return True
    return kind.startswith("fuse.") and any(hint in kind for hint in _NETWORK_IN_FUSE)


def sync_hint(folder: Path) -> str | None:
    """Return what makes a folder look as if a program copied it to other computers."""
    here = Path(os.path.realpath(folder))
    try:
        home: Path | None = Path.home()
    except RuntimeError:
        home = None
    for place in (here, *here.parents):
        if place in (home, Path(place.anchor)):
            continue
        if any(hint in place.name.lower() for hint in _SYNC_HINTS):
            return place.name
        with contextlib.suppress(OSError):
            for entry in place.iterdir():
                name = entry.name.lower()
                if name.startswith(".") and any(hint in name for hint in _SYNC_HINTS):
                    return f"{place.name}/{entry.name}"
    return None


def check_folder(folder: Path, warn: Warn, kind: Callable[[Path], str | None]) -> None:
    """Make the folder if need be; refuse one that cannot keep a record, warn where it is doubtful.

    Errors: Trouble
    """
    if str(folder).startswith(("\\\\", "//")):
        raise _network(folder, "a network share")
    try:
        _make(folder)
    except OSError as error:
        if folder.exists() and not folder.is_dir():
            raise Trouble(f"{folder} is a file, not a folder.", "Name a folder.") from error
        raise from_os(error, f"The folder {folder}") from error
    disk = kind(folder)
    if disk is not None and is_network(disk):
        raise _network(folder, f"a disk of the kind {disk}")
    if disk is None:
        warn(
            f"What kind of disk {folder} is on cannot be told here. Use a folder on this "
            "computer's own disk, not on a network."
        )
    elif disk in _IN_MEMORY:
        warn(
            f"{folder} is kept in memory only: the record is gone when the computer turns off. "
            "Choose a folder on a disk."
        )
    hint = sync_hint(folder)
    if hint is not None:
        warn(
            f"{folder} looks like a folder that is copied to other computers ({hint}). That can "
            "damage the record and show it to others. Choose a folder that is not."
        )
    _check_space(folder, warn)
    try:
        handle, name = tempfile.mkstemp(dir=folder, prefix=".try-")
        try:
            os.write(handle, b"warmhold")
            os.fsync(handle)
        finally:
            os.close(handle)
            os.unlink(name)
    except OSError as error:
        raise from_os(error, f"The folder {folder}") from error


def _network(folder: Path, what: str) -> Trouble:
    return Trouble(
        f"{folder} is on {what}: what is saved there can be lost when the network goes.",
        "Choose a folder on this computer's own disk.",
    )


def _make(folder: Path) -> None:
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    for place in missing:
        sync_folder(place.parent)
    os.listdir(folder)


def _check_space(folder: Path, warn: Warn) -> None:
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return
    if free < REFUSE_BELOW:
        raise Trouble(
            f"Only {free / 1e6:.0f} MB are free where {folder} is; "
            f"at least {REFUSE_BELOW / 1e6:.0f} MB are needed.",
            "Free some space or choose another folder.",
        )
    if free < WARN_BELOW:
        warn(f"Only {free / 1e6:.0f} MB are free where {folder} is. Free some space soon.")


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system lets a folder be opened."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


class Lock:
    """A lock on the folder that ends with the process, however it ends."""

    def __init__(self, folder: Path) -> None:
        """Take the lock.

        Errors: Trouble when another process or another record of this process holds it
        """
        path = folder / LOCK
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise from_os(error, f"The file {path}") from error
        try:
            _take(self._handle)
        except OSError as error:
            holder = os.read(self._handle, 20).decode("ascii", "replace").strip() or "unknown"
            os.close(self._handle)
            raise Trouble(
                f"Another warmhold (process {holder}) is writing to the record in {folder}.",
                "Use that one, or stop it first.",
            ) from error
        with contextlib.suppress(OSError):  # only for the message above
            os.ftruncate(self._handle, 0)
            os.write(self._handle, str(os.getpid()).encode())

    def release(self) -> None:
        """Give the lock back."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


if sys.platform == "win32":  # not run in our tests

    def _take(handle: int) -> None:
        import msvcrt  # noqa: PLC0415

        os.lseek(handle, 100, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        os.lseek(handle, 0, os.SEEK_SET)

else:

    def _take(handle: int) -> None:
        import fcntl  # noqa: PLC0415

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def free_names(folder: Path, stem: str, ending: str) -> Iterator[Path]:
    """Yield names that are not taken: stem, stem-2, stem-3 and so on."""
    number = 1
    while True:
        path = folder / (f"{stem}{ending}" if number == 1 else f"{stem}-{number}{ending}")
        if not path.exists():
            yield path
        number += 1
