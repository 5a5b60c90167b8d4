"""Where the record lies when no folder is named: the same place for every command."""

from __future__ import annotations

from pathlib import Path
from typing import Final

USUAL: Final = "~/.local/share/warmhold"


def usual_folder() -> Path:
    """Return the usual folder of the record, own units and policies, whether it is there or not."""
    return Path(USUAL).expanduser()
