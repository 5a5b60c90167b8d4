"""Files of trends on their way in: kept by their content until they are confirmed, then gone."""

from __future__ import annotations

import contextlib
import hashlib
import re
import time
from pathlib import Path
from typing import Final

from warmhold.exchange.trends.reading import SORTS, File
from warmhold.model.fault import FaultyInput
from warmhold.record.whole_files import write_bytes

FOLDER: Final = "trend-files"
PRIVATE: Final = 0o600
KEPT_S: Final = 24 * 3600.0  # a file that nobody confirmed is deleted when the next one comes
ALONE: Final = tuple(end for end in SORTS if end != ".hea")  # a header alone says nothing
_KEY: Final = re.compile(r"[0-9a-f]{32}(\.[a-z]{3,4})")


def keep(folder: Path, name: str, content: bytes) -> tuple[str, File]:
    """Keep a file that was sent; returns the key by which it is found again.

    Raises ``FaultyInput`` for a name that does not say what it is, ``OSError``.
    """
    sort = File(Path(name), name).sort
    _forget_old(folder)
    end = Path(name).suffix.lower()
    if sort == "wfdb":
        from warmhold.model.fault import Fault  # noqa: PLC0415

        fault = Fault(
            name, None, "", "the header of a record alone", "a .zip with all files of the record",
            "put the header and its files into one .zip file",
        )  # fmt: skip
        raise FaultyInput((fault,))
    key = f"{hashlib.sha256(content).hexdigest()[:32]}{end}"
    write_bytes(folder / FOLDER / key, content, PRIVATE)
    return key, File(folder / FOLDER / key, name)


def kept(folder: Path, key: str, name: str) -> File | None:
    """Return a file that was kept, called as it was sent; ``None`` when it is not there."""
    found = _KEY.fullmatch(key)
    if found is None or found[1] not in SORTS:
        return None
    path = folder / FOLDER / key
    if not path.is_file():
        return None
    safe = name if Path(name).suffix.lower() == found[1] else f"trend{found[1]}"
    return File(path, safe)


def forget(file: File) -> None:
    """Delete a file that is no longer needed."""
    with contextlib.suppress(OSError):
        file.path.unlink(missing_ok=True)


def _forget_old(folder: Path) -> None:
    for path in (folder / FOLDER).glob("*"):
        with contextlib.suppress(OSError):
            if path.is_file() and time.time() - path.stat().st_mtime > KEPT_S:
                path.unlink()
