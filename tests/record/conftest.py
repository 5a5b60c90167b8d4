"""Folders in memory where there are any, so that the suite does not wait for the disk's flushes.

Tests of killed processes and of copies ask for `on_disk`, which is on the disk.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

MEMORY = Path("/dev/shm")


@pytest.fixture
def on_disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("record")


@pytest.fixture
def tmp_path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    free = os.statvfs(MEMORY) if os.access(MEMORY, os.W_OK) else None
    if free is None or free.f_bavail * free.f_frsize < 600_000_000:
        yield tmp_path_factory.mktemp("record")
        return
    with tempfile.TemporaryDirectory(dir=MEMORY, prefix="warmhold-test-") as name:
        yield Path(name)
