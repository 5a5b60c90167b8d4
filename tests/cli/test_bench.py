"""`warmhold bench` from the outside: what is printed and written, and with which exit status."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from bench.alder_log import as_csv, steady_log
from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.model.load import DATA

ENTERED = str(DATA / "logs" / "alder-steady.entered.toml")
STEADY = ["steady", "stability", "uniformity", "displayed", "control"]


def asked(*names: str) -> list[str]:
    return [part for name in names for part in ("--test", name)]


def test_the_shipped_log_passes_what_a_steady_log_can_show(capsys) -> None:
    code = run(["bench", "alder-steady", "--unit", "alder-single", "--entered", ENTERED,
                *asked(*STEADY)])  # fmt: skip
    out, err = capsys.readouterr()
    assert code == status.GO
    assert out.count("PASS") == 5
    assert "[unverified]" in out
    assert "Decision support, not a medical device" in out
    assert 'air_c from "Mid [°C]"' in err  # what was taken for what is said every time


def test_one_test_that_does_not_pass_is_status_one(capsys) -> None:
    code = run(["bench", "alder-steady", "--unit", "alder-single", *asked("uniformity")])
    assert code == status.NOT_GO
    assert "level or tilted was not entered" in capsys.readouterr().out


def test_page_and_json_are_written(capsys, tmp_path: Path) -> None:
    page, data = tmp_path / "r.html", tmp_path / "r.json"
    run(["bench", "alder-steady", "--unit", "alder-single", "--entered", ENTERED,
         "--html", str(page), "--json", str(data)])  # fmt: skip
    plain = json.loads(data.read_text("utf-8"))
    assert {one["test"] for one in plain["results"]} == {*STEADY, "oxygen", "alarms"}
    shown = page.read_text("utf-8")
    assert shown.startswith("<!doctype html>")
    assert all(one["title"] in shown for one in plain["results"])
    capsys.readouterr()
    run(["bench", "alder-steady", "--unit", "alder-single", "--json", "-", *asked("steady")])
    assert json.loads(capsys.readouterr().out)["results"][0]["verdict"] == "pass"


def test_a_log_seen_first_is_never_judged_by_a_guess(capsys, tmp_path: Path) -> None:
    log = tmp_path / "new.csv"
    columns = {"air_c": ("Air centre [°C]", ".2f"), "ambient_c": ("Room [°C]", ".1f"),
               "air_shown_c": ("Display", ".1f")}  # fmt: skip
    log.write_text(as_csv(steady_log(), columns), encoding="utf-8")
    arguments = ["bench", str(log), "--unit", "Alder single"]
    assert run(arguments) == status.BAD_INPUT
    out = capsys.readouterr().out
    assert "nothing was judged" in out
    assert "PASS" not in out
    proposal = tmp_path / "new.mapping.toml"
    assert run(arguments) == status.BAD_INPUT  # "?" still stands in it
    assert "new.mapping.toml:" in capsys.readouterr().err
    text = proposal.read_text("utf-8").replace('zone = "?"', 'zone = "UTC"')
    text = text.replace('name = "?"', 'name = "Alder single"').replace('unit = "?"', 'unit = "°C"')
    proposal.write_text(text, encoding="utf-8")
    assert run(arguments) == status.NOT_GO
    captured = capsys.readouterr()
    assert "CANNOT TELL" in captured.out  # no air speed, no certificate
    assert 'air_shown_c from "Display"' in captured.err


def test_a_proposal_writes_over_nothing(capsys, tmp_path: Path) -> None:
    log = tmp_path / "new.csv"
    log.write_text(as_csv(steady_log(), {"air_c": ("Air [°C]", ".2f")}), encoding="utf-8")
    other = tmp_path / "new.mapping.toml"
    other.write_text("format = 1\n", encoding="utf-8")
    assert run(["bench", str(log), "--unit", "Alder single"]) == status.BAD_INPUT
    assert other.read_text("utf-8") == "format = 1\n"
    assert "is not for this header" in capsys.readouterr().err


def test_nursery_limits_are_refused_for_a_transport_unit(capsys) -> None:
    code = run(["bench", "alder-steady", "--unit", "alder-single", "--limits", "nursery"])
    assert code == status.BAD_INPUT
    assert "nursery incubators" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--unit", "alder-single", "--test", "stabilty"], "no such test"),
        (["--unit", "alder-single", "--limits", "transport-2021"], "transport-2020"),
        (["--unit", "rowan-double"], "asked for"),
        (["--unit", "nowhere.toml"], "no such file"),
        (["--unit", "alder-single", "--from", "50", "--to", "40"], "before"),
        (["--unit", "alder-single", "--from", "500"], "leave nothing"),
        (["--unit", "alder-single", "--mapping", "nowhere.toml"], "no such file"),
        (["--unit", "alder-single", "--entered", "nowhere.toml"], "no such file"),
        (["--unit", "alder-single", "--mappings", "nowhere"], "no such folder"),
        ([], "--unit"),
    ],
)
def test_bad_input_is_told(capsys, arguments: list[str], said: str) -> None:
    assert run(["bench", "alder-steady", *arguments]) == status.BAD_INPUT
    out, err = capsys.readouterr()
    assert said in err
    assert "Traceback" not in err
    assert "PASS" not in out


def test_a_target_over_the_log_is_refused(capsys, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("Time,Air\n", encoding="utf-8")
    code = run(["bench", str(log), "--unit", "Alder single", "--html", str(log)])
    assert code == status.BAD_INPUT
    assert log.read_text("utf-8") == "Time,Air\n"


def test_a_terminal_of_few_characters_and_nothing_that_draws() -> None:
    code = (
        "import sys; from warmhold.cli.main import run; run(['bench', 'alder-steady', '--unit', "
        "'alder-single']); "
        "print([m for m in ('matplotlib', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True,
                          env={"PYTHONIOENCODING": "ascii", "PATH": ""})  # fmt: skip
    assert b"+ PASS" in done.stdout
    assert b"degC" in done.stdout
    assert done.stdout.splitlines()[-1] == b"[]"
