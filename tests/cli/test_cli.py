"""The command line, from the outside: what is printed, where, and with which exit status."""

from __future__ import annotations

import html
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import warmhold.plan
from report import sample
from warmhold.cli import status
from warmhold.cli.main import CAUTIONS, run
from warmhold.plan import DEFAULT_MEMBERS, DEFAULT_SEED
from warmhold.plan.sheet import CAUTIONS as SHEET_CAUTIONS
from warmhold.report import json as sheet_json


@pytest.fixture
def planned(monkeypatch: pytest.MonkeyPatch):
    """Put invented sheets in the place of the plan; what it was asked for is kept."""
    asked: dict[str, object] = {"make": sample.winter}

    def plan_case(case, *, members, seed, progress):
        asked.update(case=case, members=members, seed=seed, progress=progress)
        return asked["make"]()

    monkeypatch.setattr(warmhold.plan, "plan_case", plan_case, raising=False)
    return asked


def _outside(*arguments: str, cwd: Path | None = None, **environment: str):
    """Run the real program in a process of its own."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "warmhold", *arguments],
        capture_output=True,
        cwd=cwd,
        env={**os.environ, **environment},
        check=False,
    )


# --- help ---------------------------------------------------------------------------------------


def test_help_ends_with_the_sheets_own_cautions(capsys) -> None:
    assert CAUTIONS == SHEET_CAUTIONS
    assert run(["--help"]) == status.GO
    text = " ".join(capsys.readouterr().out.split())
    for caution in SHEET_CAUTIONS:
        assert caution in text
    for name in ("plan", "validate", "explain", "new"):
        assert name in text


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["plan", "--help"], ["explain", "--help"], ["validate", "winter-road"]],
)
def test_what_computes_or_draws_is_not_loaded_for_help_and_checks(arguments: list[str]) -> None:
    code = (
        "import sys; from warmhold.cli.main import run; "
        f"run({arguments!r}); "
        "print([m for m in ('numba', 'matplotlib', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_version(capsys) -> None:
    assert run(["--version"]) == status.GO
    assert capsys.readouterr().out.startswith("warmhold ")


def test_no_arguments_show_help_on_stderr(capsys) -> None:
    assert run([]) == status.BAD_INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert "Usage:" in err


# --- plan ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (sample.calm, status.GO),
        (sample.winter, status.NOT_GO),
        (sample.blank, status.NOT_GO),
    ],
)
def test_the_verdict_is_the_exit_status(planned, capsys, make, expected: int) -> None:
    planned["make"] = make
    assert run(["plan", "winter-road"]) == expected
    out, err = capsys.readouterr()
    assert make().verdict.upper() in out
    assert err == ""  # no bar in a pipe
    assert "\x1b" not in out


def test_members_and_seed_are_passed_on(planned, capsys) -> None:
    run(["plan", "winter-road", "--members", "250", "--seed", "7"])
    assert (planned["members"], planned["seed"]) == (250, 7)
    assert planned["case"].trip.title.startswith("Winter road")
    run(["plan", "winter-road"])
    assert (planned["members"], planned["progress"]) == (1000, None)


def test_the_bar_is_drawn_on_a_terminal_only(planned, capsys, monkeypatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    assert run(["plan", "winter-road"]) == status.NOT_GO
    assert callable(planned["progress"])
    assert "NOT YET" in capsys.readouterr().out


@pytest.mark.parametrize("bad", [["--members", "3"], ["--members", "x"], ["--seed", "-1"]])
def test_bad_options_are_bad_input(planned, capsys, bad: list[str]) -> None:
    assert run(["plan", "winter-road", *bad]) == status.BAD_INPUT
    assert bad[0] in capsys.readouterr().err
    assert "members" not in planned


def test_page_and_json_are_written_whole(planned, capsys, tmp_path: Path) -> None:
    page, data = tmp_path / "sheet.html", tmp_path / "sheet.json"
    page.write_text("old")
    code = run(["plan", "winter-road", "--html", str(page), "--json", str(data)])
    assert code == status.NOT_GO
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert json.loads(data.read_text(encoding="utf-8"))["sheet"]["verdict"] == "not yet"
    assert "NOT YET" in capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["sheet.html", "sheet.json"]


def test_json_to_stdout_is_json_alone(planned, capsys) -> None:
    assert run(["plan", "winter-road", "--json", "-"]) == status.NOT_GO
    assert json.loads(capsys.readouterr().out)["format"] == 1


def test_targets_that_cannot_be_meant_are_refused_before_planning(
    planned, capsys, tmp_path: Path
) -> None:
    trip = tmp_path / "trip.toml"
    trip.write_text("format = 1\n")
    for arguments in (
        [str(trip), "--json", str(trip)],
        ["winter-road", "--html", str(tmp_path)],
        ["winter-road", "--html", str(tmp_path / "no" / "x.html")],
        ["winter-road", "--html", str(tmp_path / "x"), "--json", str(tmp_path / "x")],
    ):
        assert run(["plan", *arguments]) == status.BAD_INPUT
    assert trip.read_text() == "format = 1\n"
    assert "members" not in planned


def test_all_faults_come_at_once_without_a_traceback(capsys, tmp_path: Path) -> None:
    trip = tmp_path / "trip.toml"
    trip.write_text('format = 1\ntitle = 3\nunit = "alder-single"\n[baby]\nweight_g = -5\n')
    assert run(["plan", str(trip)]) == status.BAD_INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert "trip.toml:2  title" in err
    assert "trip.toml:5  baby.weight_g" in err
    assert "Traceback" not in err


def test_a_wrong_name_lists_the_shipped_trips(capsys) -> None:
    assert run(["plan", "winter-raod"]) == status.BAD_INPUT
    err = capsys.readouterr().err
    assert "winter-road" in err
    assert "no such file" in err


def test_a_failure_of_warmhold_is_never_the_status_of_a_verdict(planned, capsys) -> None:
    def broken():
        raise RuntimeError("inside")

    planned["make"] = broken
    assert run(["plan", "winter-road"]) == status.FAILED
    assert "not a go" in capsys.readouterr().err
    assert status.FAILED not in {status.GO, status.NOT_GO, status.BAD_INPUT}


def test_stopping_by_hand_has_a_status_of_its_own(planned, capsys) -> None:
    def stopped():
        raise KeyboardInterrupt

    planned["make"] = stopped
    assert run(["plan", "winter-road"]) == status.INTERRUPTED


def test_the_defaults_are_those_of_the_plan(planned) -> None:
    run(["plan", "winter-road"])
    assert (planned["members"], planned["seed"]) == (DEFAULT_MEMBERS, DEFAULT_SEED)


def test_the_shipped_trip_is_planned_for_real(capsys, tmp_path: Path) -> None:
    page, data = tmp_path / "sheet.html", tmp_path / "sheet.json"
    arguments = ["winter-road", "--members", "100", "--html", str(page), "--json", str(data)]
    code = run(["plan", *arguments])
    out = capsys.readouterr().out
    sheet = sheet_json.loads(data.read_text(encoding="utf-8"))
    assert sheet.members == 100
    assert code == (status.GO if sheet.verdict == "go" else status.NOT_GO)
    assert sheet.verdict.upper() in out
    shown = page.read_text(encoding="utf-8").replace("\u00a0", " ")
    for margin in sheet.margins:
        assert margin.key in out
        assert f">{html.escape(margin.title)}" in shown
    assert ("All together" in out) == ("All together" in shown) == (sheet.together is not None)


# --- explain ------------------------------------------------------------------------------------


def test_explain(planned, capsys) -> None:
    assert run(["explain", "winter-road", "battery"]) == status.GO
    assert "usable energy" in capsys.readouterr().out


def test_explain_a_margin_that_is_not_there(planned, capsys) -> None:
    assert run(["explain", "winter-road", "batery"]) == status.BAD_INPUT
    assert "battery, heat" in capsys.readouterr().err


# --- validate -----------------------------------------------------------------------------------


def test_validate_shipped_names(capsys) -> None:
    assert run(["validate", "winter-road", "cautious", "rowan-double"]) == status.GO
    assert capsys.readouterr().out.count("sound") == 3


def test_validate_goes_on_after_a_faulty_file(capsys, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("format = \n")
    assert run(["validate", str(bad), "winter-road", "nowhere.toml"]) == status.BAD_INPUT
    out = capsys.readouterr().out
    assert "bad.toml:1" in out
    assert "winter-road: sound" in out
    assert "no such file" in out


# --- new ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["trip", "unit", "policy"])
def test_a_new_file_is_sound_and_never_overwritten(
    kind: str, capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["new", "--kind", kind]) == status.GO
    path = tmp_path / f"{kind}.toml"
    text = path.read_text(encoding="utf-8")
    assert "#" in text
    assert run(["validate", path.name]) == status.GO
    path.write_text("mine")
    assert run(["new", "--kind", kind]) == status.BAD_INPUT
    assert path.read_text() == "mine"
    assert "left alone" in capsys.readouterr().err


def test_new_to_stdout(capsys) -> None:
    assert run(["new", "--kind", "unit", "-"]) == status.GO
    assert capsys.readouterr().out.startswith("#")


# --- the real process ---------------------------------------------------------------------------


def test_a_locale_without_our_signs_does_not_crash(tmp_path: Path) -> None:
    bad = tmp_path / "bäd.toml"
    bad.write_text('title = "—"\n', encoding="utf-8")
    done = _outside("validate", str(bad), PYTHONIOENCODING="ascii")
    assert done.returncode == status.BAD_INPUT
    assert b"Traceback" not in done.stderr
    assert b"fault" in done.stdout


def test_an_escape_in_a_file_does_not_reach_the_terminal(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('format = 1\nunit = "\\u001b[31mred"\n', encoding="utf-8")
    done = _outside("plan", str(bad))
    assert done.returncode == status.BAD_INPUT
    assert b"\x1b" not in done.stderr + done.stdout


def test_a_closed_pipe_is_quiet() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "warmhold", "new", "-", "--kind", "unit"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        process.stdout.close()
        err = process.stderr.read()
        process.wait(timeout=60)
    assert process.returncode == status.PIPE_CLOSED
    assert err == b""
