"""`warmhold round`, `warmhold fleet` and `warmhold bench --record`: what they keep and say."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest

from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.model import parse_rounds, template
from warmhold.model.load import DATA
from warmhold.record import Record, events_of_file, verify_file
from warmhold.record.unit_views import histories
from warmhold.web.bench_tests import has_report, mapping_of, on_record

UNIT = "rowan-double"  # its bar has eight divisions
DAILY = parse_rounds(template("rounds"), "usual").round[0]
GOOD = {
    "seen": "true",
    "battery-bar": "8",
    "number": "137",
    "room-air": "{ value = 20.8, pressure_hpa = 1009, room_c = 21, humidity_percent = 40 }",
}


def written(path: Path, **other: str) -> str:
    lines = {item.key: GOOD[item.answer] for item in DAILY.item} | other
    path.write_text("".join(f"{key} = {value}\n" for key, value in lines.items() if value), "utf-8")
    return str(path)


def events(folder: Path) -> list:  # type: ignore[type-arg]
    return events_of_file(folder / "record.sqlite")


def test_a_round_out_of_a_file_is_one_signed_entry(capsys, tmp_path: Path) -> None:
    folder = tmp_path / "record"
    answers = written(tmp_path / "a.toml")
    code = run(["round", UNIT, "--answers", answers, "--signed", "Ann", "--folder", str(folder)])
    out, err = capsys.readouterr()
    assert code == status.GO, out + err
    assert "All good" in out
    (one,) = events(folder)
    assert (one.kind, one.trip, one.who) == ("round", "", "Ann (command line)")
    assert f"entry {one.seq}" in err
    assert one.body["unit"] == UNIT
    assert [a["item"] for a in one.body["answers"]] == [item.key for item in DAILY.item]
    sensor = next(a for a in one.body["answers"] if a["item"] == "oxygen-sensor")
    assert sensor["room"] == {"pressure_hpa": 1009.0, "room_c": 21.0, "humidity_percent": 40.0}
    assert verify_file(folder / "record.sqlite").whole


def test_what_is_not_good_is_status_one(capsys, tmp_path: Path) -> None:
    answers = written(
        tmp_path / "a.toml", battery="1", suction='{ reason = "taken to the workshop" }'
    )
    code = run(["round", UNIT, "--answers", answers, "--signed", "Ann", "--folder", str(tmp_path)])
    out = capsys.readouterr().out
    assert code == status.NOT_GO
    assert "Not ready" in out
    assert "Left out: taken to the workshop" in out
    assert run(["fleet", "--folder", str(tmp_path)]) == status.NOT_GO
    board = " ".join(capsys.readouterr().out.split())
    assert "not ready" in board


def test_every_fault_of_the_answers_is_told_at_once_and_nothing_is_saved(
    capsys, tmp_path: Path
) -> None:
    answers = written(
        tmp_path / "a.toml", display="", alarms="1", battery='"full"', batery="8", probes="false",
        **{"oxygen-sensor": "{ value = 20.8, pressure_hpa = 101.3 }",
           "oxygen-gauge": "{ value = 137, why = 3 }"},
    )  # fmt: skip
    folder = tmp_path / "record"
    code = run(["round", UNIT, "--answers", answers, "--signed", "Ann", "--folder", str(folder)])
    err = capsys.readouterr().err
    assert code == status.BAD_INPUT
    assert err.startswith("7 faults")
    for said in ("display", "alarms", '"full"', 'write "battery"', "500 to 1100 hPa", "why",
                 "a.toml:"):  # fmt: skip
        assert said in err, said
    assert "Skin probes" in err  # false without a reason is no answer
    assert not (folder / "record.sqlite").exists()


def test_a_blank_file_has_every_item_and_is_refused_until_filled_in(capsys, tmp_path: Path) -> None:
    blank = tmp_path / "blank.toml"
    folder = ["--folder", str(tmp_path)]
    assert run(["round", UNIT, "--blank", str(blank), *folder]) == status.GO
    text = blank.read_text("utf-8")
    assert all(item.title in text for item in DAILY.item)
    arguments = ["round", UNIT, "--answers", str(blank), "--signed", "Ann", *folder]
    assert run(arguments) == status.BAD_INPUT
    assert capsys.readouterr().err.startswith("14 faults")  # the sensor's room asks for three
    for item in DAILY.item:
        text = re.sub(rf"(?m)^{item.key} = .*$", f"{item.key} = {GOOD[item.answer]}", text)
    blank.write_text(text, "utf-8")
    assert run(arguments) == status.GO
    assert run(["round", UNIT, "--blank", str(blank), *folder]) == status.BAD_INPUT  # not over it
    assert blank.read_text("utf-8") == text


def test_a_round_on_a_terminal_asks_every_item_again_until_it_is_answered(
    capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed = []
    for item in DAILY.item:
        if item.key == "suction":
            typed += ["", "no", "none fitted"]  # nothing and two letters are no reason
        elif item.answer == "seen":
            typed.append("y")
        elif item.answer == "room-air":
            typed += ["20,8", "101.3", "1009", "warm", "21", ""]
        else:
            typed += ["13o", GOOD[item.answer]]  # a slip of the finger is not a reason
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(typed) + "\n"))
    code = run(["round", UNIT, "--signed", "Ann", "--folder", str(tmp_path)])
    out = capsys.readouterr().out
    assert code == status.NOT_GO
    assert out.count("Not understood") == 4
    assert "allowed 500 to 1100 hPa" in out
    (one,) = events(tmp_path)
    found = {a["item"]: a for a in one.body["answers"]}
    assert found["suction"]["value"] is None
    assert found["suction"]["reason"] == "none fitted"
    assert found["oxygen-sensor"]["value"] == 20.8
    assert found["oxygen-sensor"]["room"]["humidity_percent"] is None


def test_a_round_that_is_broken_off_saves_nothing(
    capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\ny\n"))
    assert run(["round", UNIT, "--signed", "Ann", "--folder", str(tmp_path)]) == status.INTERRUPTED
    assert events(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["round", "nowhere", "--signed", "Ann"], "alder-single"),
        (["round", UNIT, "--kind", "weekly", "--signed", "Ann"], "daily, after-trip"),
        (["round", UNIT], "signed"),
        (["round", UNIT, "--answers", "nowhere.toml", "--signed", "Ann"], "no such file"),
        (["fleet", "--hours", "2", "--weight", "1000"], "--outside, --weeks"),
        (
            ["fleet", "--hours", "99", "--outside", "0", "--weight", "1", "--weeks", "30"],
            "--weight",
        ),
    ],
)
def test_bad_input_is_told(capsys, tmp_path: Path, arguments: list[str], said: str) -> None:
    assert run([*arguments, "--folder", str(tmp_path)]) == status.BAD_INPUT
    assert said in capsys.readouterr().err
    assert not (tmp_path / "record.sqlite").exists()


def test_a_fleet_of_which_nothing_is_known_is_unknown(capsys, tmp_path: Path) -> None:
    assert run(["fleet", "--folder", str(tmp_path)]) == status.NOT_GO
    board = capsys.readouterr().out
    assert board.count("  unknown  ") == 2
    assert board.count("never on record:") == 2
    assert max(map(len, board.split("Decision support")[0].splitlines())) <= 100
    assert "Decision support" in board
    assert not list(tmp_path.iterdir())  # looking makes nothing


def test_a_ready_unit_is_status_zero(capsys, tmp_path: Path) -> None:
    rounds = template("rounds")
    (tmp_path / "rounds").mkdir()
    only_daily = rounds[: rounds.index("[[task]]")]
    (tmp_path / "rounds" / "ours.toml").write_text(only_daily, "utf-8")
    answers = written(tmp_path / "a.toml")
    assert run(["round", UNIT, "--answers", answers, "--signed", "Ann", "--folder",
                str(tmp_path)]) == status.GO  # fmt: skip
    capsys.readouterr()
    assert run(["fleet", "--folder", str(tmp_path)]) == status.GO
    assert "nothing stands in the way" in " ".join(capsys.readouterr().out.split())


def test_a_question_is_answered_by_every_unit(capsys, tmp_path: Path) -> None:
    code = run(["fleet", "--hours", "0.5", "--outside", "20", "--weight", "3000", "--weeks", "39",
                "--folder", str(tmp_path)])  # fmt: skip
    out = capsys.readouterr().out
    assert code == status.NOT_GO  # whatever the plan says, nothing is known of the units
    assert len(re.findall(r"(?m)^\w[^\n]* (?:go|not yet|cannot tell); today", out)) == 2
    assert "Gas is left to the plan" in out


def test_a_bench_test_goes_into_the_record_with_its_log_and_report(capsys, tmp_path: Path) -> None:
    folder = tmp_path / "record"
    code = run(["bench", "alder-steady", "--unit", "alder-single", "--test", "stability",
                "--record", str(folder), "--signed", "Ann Lind"])  # fmt: skip
    out, err = capsys.readouterr()
    assert code == status.GO, err
    assert "PASS" in out
    (one,) = events(folder)
    assert (one.kind, one.body["unit"], one.body["signed"]) == (
        "bench-test", "alder-single", "Ann Lind",
    )  # fmt: skip
    assert one.stated_utc.isoformat() == "2026-03-04T09:30:00+00:00"  # when the log ended
    mark = one.body["results"][0]["log_sha256"]
    assert mark in one.body["log"]
    assert (folder / "logs" / f"{mark[:16]}.csv").stat().st_mode & 0o777 == 0o600
    assert (folder / "reports" / f"{one.form_id}.html").is_file()
    assert not (folder / "mappings").exists()  # invented certificates are never remembered
    done = histories([one])["alder-single"].trials["stability"]
    assert done[0].state == "good"
    assert has_report(folder, one.form_id)  # where the unit's page looks for it
    (shown,) = on_record([one])["alder-single"]
    assert (shown.log, shown.verdict, shown.key) == ("alder-steady.csv", "pass", mark[:16])


def test_without_a_folder_the_usual_one_is_taken(
    capsys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    code = run(["bench", "alder-steady", "--unit", "alder-single", "--test", "steady",
                "--signed", "Ann", "--record"])  # fmt: skip
    assert code == status.GO, capsys.readouterr().err
    (one,) = events(tmp_path / ".local" / "share" / "warmhold")
    assert one.body["signed"] == "Ann"


def test_a_mapping_of_ones_own_is_remembered_for_the_unit(capsys, tmp_path: Path) -> None:
    folder = tmp_path / "record"
    log = tmp_path / "log.csv"
    log.write_bytes((DATA / "logs" / "alder-steady.csv").read_bytes())
    text = (DATA / "logs" / "alder-steady.mapping.toml").read_text("utf-8")
    without = "".join(line for line in text.splitlines(True) if "fingerprint" not in line)
    (tmp_path / "m.toml").write_text(without, "utf-8")
    arguments = ["bench", str(log), "--unit", "alder-single", "--test", "steady", "--mapping",
                 str(tmp_path / "m.toml"), "--record", str(folder), "--signed", "Ann"]  # fmt: skip
    assert run(arguments) == status.GO, capsys.readouterr().err
    (kept,) = (folder / "mappings").glob("*.toml")
    assert kept.name == "alder-single-afbbe2da81cd2236.toml"  # found again by the header
    found = mapping_of(folder, next((folder / "logs").glob("*.csv")), "alder-single",
                       "Alder single")  # fmt: skip
    assert found is not None
    assert found.source.file == kept.name


def test_a_record_that_is_in_use_is_told_and_nothing_is_judged(capsys, tmp_path: Path) -> None:
    with Record.open(tmp_path):
        code = run(["bench", "alder-steady", "--unit", "alder-single", "--record", str(tmp_path),
                    "--signed", "Ann"])  # fmt: skip
        out, err = capsys.readouterr()
        assert code == status.BAD_INPUT
        assert "Another warmhold" in err
        assert "PASS" not in out
        answers = written(tmp_path / "a.toml")
        assert run(["round", UNIT, "--answers", answers, "--signed", "Ann", "--folder",
                    str(tmp_path)]) == status.BAD_INPUT  # fmt: skip
        assert run(["fleet", "--folder", str(tmp_path)]) == status.NOT_GO  # looking still works
    assert events(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--unit", "Alder single", "--record", "{}", "--signed", "Ann"], "not a unit of"),
        (["--unit", "alder-single", "--record", "{}"], "signed"),
        (["--unit", "alder-single", "--signed", "Ann"], "--record"),
        (["--unit", "alder-single", "--record", "{}", "--signed", "Ann", "--limits", "nursery"],
         "nursery incubators"),
    ],
)  # fmt: skip
def test_what_cannot_be_recorded_is_told(
    capsys, tmp_path: Path, arguments: list[str], said: str
) -> None:
    given = [one.replace("{}", str(tmp_path)) for one in arguments]
    assert run(["bench", "alder-steady", *given]) == status.BAD_INPUT
    assert said in capsys.readouterr().err
    assert not (tmp_path / "record.sqlite").exists()
