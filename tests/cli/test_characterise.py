"""`warmhold characterise`: from CSV logs to a new version of a unit's file."""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from bench import hidden
from warmhold.bench.log import Log
from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.model import check_file, shipped_path

COLUMNS = {
    "air_c": "middle", "air_shown_c": "shown", "wall_c": "wall", "heater_percent": "heater",
    "supply_w": "socket", "battery_w": "battery", "ambient_c": "room", "air_set_c": "setting",
}  # fmt: skip
UNITS = {"heater_percent": "%", "supply_w": "W", "battery_w": "W"}
MAPPING = (
    """\
format = 1
name = "bench logger"
delimiter = "comma"
decimal = "point"
[time]
column = "time"
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"
[unit]
column = "unit"
"""
    + "".join(
        f'[[channel]]\nname = "{name}"\ncolumn = "{column}"\nunit = "{UNITS.get(name, "°C")}"\n'
        for name, column in COLUMNS.items()
    )
    + """\
[[channel]]
name = "source"
column = "fed by"
words = { socket = "mains", pack = "battery", nothing = "off" }
[[channel]]
name = "opening"
column = "open"
words = { none = "closed", port = "port" }
"""
)
FED = {"mains": "socket", "battery": "pack", "off": "nothing"}


def write_csv(path: Path, log: Log) -> Path:
    lines = [",".join(("time", "unit", *COLUMNS.values(), "fed by", "open"))]
    for row, second in enumerate(log.seconds):
        moment = log.start_utc + timedelta(seconds=float(second))
        cells = [f"{moment:%Y-%m-%d %H:%M:%S}", log.unit]
        for name in COLUMNS:
            value = float(log.numbers[name][row])
            cells.append("" if math.isnan(value) else f"{value:.1f}")
        cells.append(FED[log.words["source"][row]])
        cells.append({"closed": "none"}.get(log.words["opening"][row], "port"))
        lines.append(",".join(cells))
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.fixture(scope="module")
def logs() -> tuple[Log, ...]:
    unit = hidden.shipped_unit("alder-single")
    rng = np.random.default_rng(21)
    instruments = hidden.Instruments()
    values, _ = hidden.hidden_values(unit, rng)
    offsets = hidden.shared_offsets(rng, instruments)
    tests = (hidden.COLD_START, hidden.RUN_DOWN, hidden.HELD_OUT)
    return tuple(
        hidden.simulated(
            unit, values, test, rng, instruments, offsets, start=hidden.series(hidden.START, day)
        )
        for day, test in enumerate(tests)
    )


@pytest.fixture
def bench(tmp_path: Path, logs: tuple[Log, ...], monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, log in zip(("cold", "down", "kept"), logs, strict=True):
        write_csv(tmp_path / f"{name}.csv", log)
    (tmp_path / "map.toml").write_text(MAPPING, "utf-8")
    (tmp_path / "fern.toml").write_text(shipped_path("units", "alder-single").read_text("utf-8"))
    return tmp_path


def characterise(*arguments: str) -> int:
    return run(["characterise", *arguments, "--unit", "fern.toml", "--mapping", "map.toml"])


def test_logs_become_a_new_version_and_a_page(bench: Path, capsys: pytest.CaptureFixture) -> None:
    old = (bench / "fern.toml").read_bytes()
    code = characterise("cold.csv", "down.csv", "--hold-out", "kept.csv", "--html", "fit.html")
    out = capsys.readouterr().out
    assert code == status.GO, out
    assert (bench / "fern.toml").read_bytes() == old
    new = bench / "fern.v2.toml"
    assert check_file(new) == ()
    text = " ".join(out.split())
    for words in (
        "2 logs tell", "Next test:", "not touched", "Kept back: kept.csv", "given out at minute",
        "fern.v2.toml", "not a medical device", "1 of the 3 dates",
    ):  # fmt: skip
        assert words in text
    page = (bench / "fit.html").read_text("utf-8")
    assert "fern.v2.toml" in page
    assert "What these logs cannot tell" in page


def test_a_dry_run_writes_no_version(bench: Path, capsys: pytest.CaptureFixture) -> None:
    assert characterise("cold.csv", "--dry-run") == status.GO
    assert not list(bench.glob("fern.v*.toml"))
    assert "New version: not written" in capsys.readouterr().out


def test_a_shipped_unit_gets_its_version_beside_you(bench: Path) -> None:
    assert (
        run(["characterise", "cold.csv", "--unit", "alder-single", "--mapping", "map.toml"])
        == status.GO
    )
    assert check_file(bench / "alder-single.v2.toml") == ()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("cold.csv", "cold.csv"), "named twice"),
        (("cold.csv", "--hold-out", "cold.csv"), "named twice"),
        (("cold.csv", "--charged", "cold.csv=300"), "5 to 100 %"),
        (("cold.csv", "--charged", "other.csv=50"), "name a log"),
        (("cold.csv", "--charged", "cold.csv=full"), "not a number"),
        (("cold.csv", "--stopped", "x.csv"), "no log of this command"),
        (("cold.csv", "--stopped", "cold.csv", "--gave-out", "cold.csv"), "cannot both"),
        (("missing.csv",), "no such file"),
        (("cold.csv", "--html", "nowhere/fit.html"), "no folder"),
        (("cold.csv", "--html", "fern.toml"), "overwrite"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    arguments: tuple[str, ...], told: str, bench: Path, capsys: pytest.CaptureFixture
) -> None:
    assert characterise(*arguments) == status.BAD_INPUT
    assert told in capsys.readouterr().err
    assert not list(bench.glob("fern.v*.toml"))


def test_the_same_log_under_two_names_counts_once(
    bench: Path, capsys: pytest.CaptureFixture
) -> None:
    (bench / "copy.csv").write_bytes((bench / "cold.csv").read_bytes())
    assert characterise("cold.csv", "copy.csv") == status.BAD_INPUT
    assert "the same log" in capsys.readouterr().err


def test_a_log_that_cannot_drive_the_model_says_every_reason(
    bench: Path, capsys: pytest.CaptureFixture
) -> None:
    text = (bench / "cold.csv").read_text("utf-8").splitlines()
    (bench / "short.csv").write_text("\n".join(text[:5]) + "\n", "utf-8")
    assert characterise("short.csv") == status.BAD_INPUT
    assert "too short" in capsys.readouterr().err


def test_a_log_of_another_unit_is_refused(bench: Path, capsys: pytest.CaptureFixture) -> None:
    text = (bench / "cold.csv").read_text("utf-8").replace("Alder single", "Other unit")
    (bench / "other.csv").write_text(text, "utf-8")
    assert characterise("other.csv") == status.BAD_INPUT
    assert "Other unit" in capsys.readouterr().err


def test_an_unknown_log_gets_a_proposal_and_nothing_is_fitted(
    bench: Path, capsys: pytest.CaptureFixture
) -> None:
    (bench / "map.toml").unlink()
    assert run(["characterise", "cold.csv", "--unit", "fern.toml"]) == status.BAD_INPUT
    assert (bench / "cold.mapping.toml").exists()
    assert not list(bench.glob("fern.v*.toml"))
    assert "proposed" in capsys.readouterr().out


def test_switching_off_is_not_the_end_of_the_battery(
    bench: Path, capsys: pytest.CaptureFixture
) -> None:
    assert characterise("cold.csv", "down.csv", "--stopped", "down.csv", "--dry-run") == status.GO
    out = capsys.readouterr().out
    assert "given out" not in out
    assert "its energy is not measured" in out
