"""Files of trends with something broken: taken whole or refused with a reason, never a crash.

10,000 of them with WARMHOLD_FULL=1, fewer every day.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest

from exchange.trend_files import (
    PULSE,
    SAT,
    SIGNALS,
    T0,
    TABLE,
    csv_text,
    mapped,
    trip,
    write_edf,
    write_wfdb,
    xlsx_bytes,
    zipped,
)
from warmhold.exchange.trends.onto_trip import Stated, preview
from warmhold.exchange.trends.reading import file_at, propose_mapping, read_trend
from warmhold.exchange.trends.recorded import Recorded
from warmhold.model import FaultyInput
from warmhold.record import valid_body

COUNT = 2500 if os.environ.get("WARMHOLD_FULL") == "1" else 60  # of each sort
WORDS = (
    b"NaN", b"inf", b"-1", b"0", b"99999999999999999999", b"1e999", b"\xff\xfe", b"\x00", b"\r",
    b'"', b"2026-02-30 03:00:00", b"0001-01-01 00:00:00", b";", b",", b"\n", b"-32768", b"%",
    "\u202e°".encode(), b"=1+1", b"1/2", b"(0)", b"/4", b"~",
)  # fmt: skip

Mutate = Callable[[random.Random, bytes], bytes]


def mutated(rng: random.Random, content: bytes) -> bytes:
    """Change a few places: bytes, words, cuts, repeats; most of them near the head."""
    made = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 12))):
        if not made:
            break
        near = min(len(made), 1200) if rng.random() < 0.7 else len(made)
        at = rng.randrange(near)
        how = rng.random()
        if how < 0.35:
            made[at] = rng.choice((rng.randrange(256), rng.choice(b"0123456789 -.,;:/")))
        elif how < 0.55:
            made[at:at] = rng.choice(WORDS)
        elif how < 0.7:
            word = rng.choice(WORDS)
            made[at : at + len(word)] = word
        elif how < 0.85:
            del made[at : at + rng.randrange(1, 60)]
        elif how < 0.95:
            end = rng.randrange(at, min(len(made), at + 300) + 1)
            made[at:at] = made[at:end]
        else:
            del made[at:]
    return bytes(made)


def inside_zip(rng: random.Random, content: bytes, folder: Path) -> bytes:
    """Change a member of a zip file and pack it again, so that it gets past the check sums."""
    import io  # noqa: PLC0415
    import zipfile  # noqa: PLC0415

    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        files = {one: packed.read(one) for one in packed.namelist()}
    name = rng.choice(sorted(files))
    files[name] = mutated(rng, files[name])
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for one, inside in files.items():
            packed.writestr(one, inside)
    return out.getvalue()


@pytest.fixture(scope="module")
def bases(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("bases")
    sat, pulse = np.arange(40) % 9 + 930, np.arange(40) % 7 + 1400
    write_edf(
        folder / "a.edf",
        [("SpO2", "%", 1.0, sat - 60), ("PR", "bpm", 1.0, pulse - 1300)],
    )
    columns = {"SpO2": ("%", sat), "PR": ("bpm", pulse)}
    write_wfdb(folder, "mutated", columns, 1 / 60)
    start = T0.replace(tzinfo=None)
    rows = [
        [start.replace(minute=i), a, b] for i, (a, b) in enumerate(zip(SAT, PULSE, strict=True))
    ]
    return {
        ".csv": csv_text().encode(),
        ".xlsx": xlsx_bytes([["Time", "SpO2 [%]", "PR [/min]"], *rows]),
        ".edf": (folder / "a.edf").read_bytes(),
        ".hea": (folder / "mutated.hea").read_bytes(),
        ".dat": (folder / "mutated.dat").read_bytes(),
        ".zip": zipped(folder, ["mutated.hea", "mutated.dat"]),
    }


def outcome(path: Path) -> str:
    """Read a file as a person would, up to the entry; say what came of it."""
    signals = path.suffix not in {".csv", ".xlsx"}
    own = mapped(SIGNALS if signals else TABLE, signals)
    faults = []
    for read in (lambda: propose_mapping(file_at(path)), lambda: read_trend(file_at(path), own)):
        try:
            trend = read()
        except FaultyInput as error:
            faults.append(error)
            trend = None
    if isinstance(trend, Recorded):
        assert trend.start_utc.tzinfo is UTC
        assert np.all(np.diff(trend.seconds) > 0)
        assert all(len(one) == len(trend.seconds) for one in trend.numbers.values())
        assert not any(np.isinf(one).any() for one in trend.numbers.values())
        try:
            found = preview(trend, own, Stated(), trip(), T0)
        except FaultyInput as error:
            faults.append(error)
            trend = None
    for error in faults:
        assert error.faults
        assert all(one.found for one in error.faults), error.faults
        assert str(path.parent) not in str(error), "a page must not say where files lie"
        assert "warmhold-" not in str(error), "nor where they were read"
    if not isinstance(trend, Recorded):
        return "refused"
    assert valid_body("trend", found.body) == ()
    inside = found.before + found.after + len(found.taken.seconds)
    assert inside == len(trend.seconds), "taken whole, but for rows outside the trip"
    return "taken"


@pytest.mark.parametrize("sort", [".csv", ".xlsx", ".edf", ".hea"])
def test_mutated_files(sort: str, bases: dict[str, bytes], tmp_path: Path) -> None:
    came: dict[str, int] = {"taken": 0, "refused": 0}
    path = tmp_path / f"mutated{sort}"
    (tmp_path / "mutated.dat").write_bytes(bases[".dat"])
    path.write_bytes(bases[sort])
    assert outcome(path) == "taken", "the file is sound before anything is changed"
    for number in range(COUNT):
        rng = random.Random(f"{sort} {number}")
        if sort == ".xlsx" and number % 4:
            content = inside_zip(rng, bases[sort], tmp_path)
        elif sort == ".hea" and number % 5 == 0:
            path = tmp_path / "mutated.zip"
            pack = mutated if number % 2 else (lambda r, c: inside_zip(r, c, tmp_path))
            content = pack(rng, bases[".zip"])
        else:
            path = tmp_path / f"mutated{sort}"
            content = mutated(rng, bases[sort])
        if sort == ".hea":
            dat = mutated(rng, bases[".dat"]) if number % 7 == 3 else bases[".dat"]
            (tmp_path / "mutated.dat").write_bytes(dat)
        path.write_bytes(content)
        try:
            came[outcome(path)] += 1
        except Exception as error:
            raise AssertionError(f"mutation {number} of {sort}: {error!r}") from error
    print(f"{sort}: {COUNT} mutated, {came['taken']} taken, {came['refused']} refused")
    assert came["refused"] > COUNT / 10
    assert came["taken"] > 0
