"""Where the record lies when no folder is named: the same place for every command."""

from __future__ import annotations

from pathlib import Path
from typing import Final

USUAL: Final = "~/.local/share/warmhold"


def usual_folder() -> Path:
    """Return the usual folder of the record, own units and policies, whether it is there or not."""
    return Path(USUAL).expanduser()


def no_record_yet(folder: Path) -> str:
    """Say that a folder holds no record, so that a mistyped one is noticed; empty when it does."""
    if (folder / "record.sqlite").exists():
        return ""
    return (
        f"Caution: {folder} holds no record yet. What comes is kept in its inbox, and is seen by "
        "warmhold serve with the same --folder alone."
    )
