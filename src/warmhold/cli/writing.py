"""Writing a result to a file: whole or not at all."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from pathlib import Path

import click


def check_target(option: str, target: str, *sources: Path) -> None:
    """Refuse a target that cannot be meant, before anything is worked out."""
    path = Path(target)
    for source in sources:
        with contextlib.suppress(OSError):
            if path.exists() and source.exists() and path.samefile(source):
                raise click.UsageError(f"{option} {target} would overwrite the trip file itself.")
    if path.is_dir():
        raise click.UsageError(f"{option} {target} is a folder; name a file.")
    if not path.parent.is_dir():
        raise click.UsageError(f"{option} {target}: there is no folder {path.parent}.")


def write_stdout(text: str) -> None:
    """Write a file's content to stdout as UTF-8, whatever the locale says."""
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode("utf-8"))
    sys.stdout.buffer.flush()


def write_whole(target: str, text: str) -> None:
    """Write a file beside its target and move it there, so that no half file is ever seen."""
    path = Path(target)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        part = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
                file.write(text)
            part.chmod(path.stat().st_mode & 0o777 if path.exists() else _ordinary_mode())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise click.ClickException(f"{target} could not be written: {error.strerror}.") from error


def _ordinary_mode() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
