"""Machine code that is kept: run without its compiler, made anew when it is not whole."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from warmhold.simulate import kept
from warmhold.simulate.block import ARGUMENTS

PLAN = """
import sys
{before}
from warmhold.cli import main
status = main.run(["plan", "winter-road", "--members", "100", "--json", "-"])
print(status, bool(sys.modules.get("numba")), file=sys.stderr)
"""


def plan(cache: Path, before: str = "", **environment: str) -> tuple[str, bool, str]:
    """A plan in a fresh process: its sheet, whether the compiler was there, other words."""
    done = subprocess.run(
        [sys.executable, "-c", PLAN.format(before=before)],
        capture_output=True, text=True, check=False,
        env={**os.environ, "XDG_CACHE_HOME": str(cache), **environment},
    )  # fmt: skip
    *said, last = done.stderr.strip().splitlines()
    status, compiler = last.split()
    assert status == "1", done.stderr
    return done.stdout, compiler == "True", "\n".join(said)


def codes(cache: Path) -> list[Path]:
    return sorted(cache.glob("warmhold/*/march-*.code"))


def test_kept_code_runs_without_its_compiler_and_broken_code_is_made_anew(tmp_path: Path) -> None:
    sheet, compiler, _ = plan(tmp_path)
    assert compiler
    (path,) = codes(tmp_path)
    whole = path.read_bytes()

    again, compiler, said = plan(tmp_path, before="sys.modules['numba'] = None")
    assert (again, compiler, said) == (sheet, False, "")

    for broken in (whole[:-1], whole[:20], b"", whole[:200] + b"\0" + whole[201:]):
        path.write_bytes(broken)
        assert kept.read(path) is None
    again, compiler, said = plan(tmp_path)
    assert compiler, "what is not whole is compiled again"
    assert (again, said) == (sheet, "")
    assert kept.read(path) is not None
    assert [one.name for one in path.parent.glob(".*")] == []


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="no owners of files here")
def test_code_that_others_may_write_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(kept.tempfile, "tempdir", None)
    for shared in (0o777, 0o770):
        kept.cache_folder.cache_clear()
        folder = kept.cache_folder()
        assert folder is not None
        assert folder.parent.parent == tmp_path / "cache"
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        folder.parent.chmod(shared)
        kept.cache_folder.cache_clear()
        other = kept.cache_folder()
        assert other is not None
        assert other.parent.parent == tmp_path
        other.parent.chmod(shared)
        kept.cache_folder.cache_clear()
        assert kept.cache_folder() is None
        folder.parent.chmod(0o700)
        other.parent.chmod(0o700)
    kept.cache_folder.cache_clear()


def test_without_a_place_to_keep_it_the_code_runs_from_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built: list[int] = []
    found = kept.read(codes(kept_of(tmp_path))[0])
    assert found is not None

    def build() -> kept.Built:
        built.append(1)
        return found

    monkeypatch.setattr(kept, "cache_folder", lambda: None)
    for _ in range(2):
        loaded = kept.function("march", tuple(ARGUMENTS.values()), build)
        with pytest.raises(AssertionError):
            loaded(*(np.zeros(1) if isinstance(k, int) else k(0) for k in ARGUMENTS.values()))
    assert built == [1, 1]


def kept_of(cache: Path) -> Path:
    """A cache with the code in it."""
    code = "from warmhold.simulate.stepping import _compiled\nassert _compiled() is not None"
    subprocess.run(
        [sys.executable, "-c", code], check=True, env={**os.environ, "XDG_CACHE_HOME": str(cache)}
    )
    return cache
