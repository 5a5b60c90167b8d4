"""Files that are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path


def write_text(path: Path, text: str) -> None:
    """Write a text file whole; see `write_bytes`."""
    write_bytes(path, (text if text.endswith("\n") else f"{text}\n").encode("utf-8"))


def write_bytes(path: Path, content: bytes, mode: int = 0o666) -> None:
    """Write a file beside its target and move it there, so that no half file is ever seen.

    mode : rights of the file, less what the process keeps from everyone

    Raises ``OSError``; then nothing is left behind.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
