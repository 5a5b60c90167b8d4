"""`warmhold review` and `warmhold replay` as a lead types them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.record import Entry, Record

T0 = datetime(2026, 1, 14, 3, 0, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A record with one trip that was handed over and one that never began."""
    trip = 'unit = "fern"\n[baby]\ngestation_weeks = 29.3\nweight_g = 1200\ncooled = false\n'
    plan = {"trip_toml": trip, "unit_toml": "x", "policy_toml": 'name = "Ours"', "sheet": {}}
    with Record.open(tmp_path / "record") as record:
        count = 0

        def write(kind: str, body: dict, minute: float, name: str = "t1") -> None:
            nonlocal count
            count += 1
            at = T0 + timedelta(minutes=minute)
            record.append(Entry(f"form-{count}", name, kind, body, "Ann (chart)", at))

        write("trip-planned", plan, 0)
        write("trip-planned", plan, 0, "t2")
        write("moment", {"moment": "call", "at": T0.isoformat()}, 0)
        write("moment", {"moment": "arrives", "at": (T0 + timedelta(minutes=90)).isoformat()}, 90)
        write("trip-started", {}, 150)
        for minute, axillary, saturation in ((160, 36.2, 93), (175, 36.4, 85), (190, 36.6, 94)):
            values = {"axillary_c": axillary, "saturation_pre_percent": saturation}
            write("observation", {"values": values, "set": "regular"}, minute)
        write("equipment", {"what": "lamp broken", "class": "other", "harm": "none"}, 170)
        at = (T0 + timedelta(minutes=200)).isoformat()
        write("handover", {"to": "Dr Lund", "at": at, "texts": {}}, 200)
    return tmp_path / "record"


def test_a_record_is_reviewed(folder: Path, capfd) -> None:
    assert run(["review", str(folder)]) == status.GO
    said = capfd.readouterr().out
    assert "1 transfers, 2026-01 to 2026-01" in said
    assert "1 of 1, 0 missing" in said
    assert "Response" in said
    assert "90 min" in said
    assert "never as good" in said


def test_figures_come_as_json(folder: Path, tmp_path: Path, capfd) -> None:
    target = tmp_path / "out.json"
    assert run(["review", str(folder), "--json", str(target)]) == status.GO
    made = json.loads(target.read_text())["review"]
    figures = {one["key"]: one for group in made["groups"] for one in group["metrics"]}
    assert figures["in-range"]["numerator"] == 1
    assert figures["response"]["value"] == 90.0
    assert figures["mobilisation"]["missing"] == 1
    assert figures["events-other"]["numerator"] == 1
    capfd.readouterr()
    assert run(["review", "--invented", "60", "--json", "-"]) == status.GO
    assert json.loads(capfd.readouterr().out)["review"]["transfers"] == 60


def test_limits_are_replayed_in_the_review(folder: Path, tmp_path: Path, capfd) -> None:
    """Without a limit in its plan the trip is missing, and said; the invented service has all."""
    page = tmp_path / "page.html"
    assert run(["review", str(folder), "--html", str(page)]) == status.GO
    said = " ".join(capfd.readouterr().out.split())
    assert "not read from any unit" in said
    assert "Oxygen saturation, low (1 of 1 have a trend, a row every 15 min; 1 with rows" in said
    assert "0 transfers, 0.0 h; 1 missing (limit not known)" in said
    assert "Alarm limits, replayed" in page.read_text("utf-8")
    target = tmp_path / "out.json"
    assert run(["review", "--invented", "40", "--json", str(target), "--html", str(page)]) == 0
    said = " ".join(capfd.readouterr().out.split())
    assert "in alarm beyond policy's limit without it" in said
    assert "for each one as set" in said
    limits = {one["title"]: one for one in json.loads(target.read_text())["review"]["alarms"]}
    assert set(limits) == {"Oxygen saturation, low", "Oxygen saturation, high", "Pulse, low",
                           "Pulse, high"}  # fmt: skip
    for limit in limits.values():
        for way in limit["ways"]:
            assert way["transfers"] + way["excluded"] + sum(way["missing"].values()) == 40
    shown = " ".join(page.read_text("utf-8").split())
    assert f"{limits['Oxygen saturation, low']['ways'][0]['alarms']} alarms" in shown


def test_more_invented_transfers_than_are_soon_replayed(monkeypatch, capfd) -> None:
    monkeypatch.setattr("warmhold.cli.commands.review.MOST_REPLAYED", 20)
    assert run(["review", "--invented", "21"]) == status.GO
    told = capfd.readouterr()
    assert "up to 20 invented transfers" in told.err
    assert "No trend of saturation, pulse or oxygen on record: 21 missing." in told.out


def test_months_are_kept_apart(folder: Path, capfd) -> None:
    assert run(["review", str(folder), "--from", "2026-02"]) == status.GO
    out = capfd.readouterr().out
    assert "0 transfers: there is nothing to count" in out
    assert "unknown" not in out
    assert run(["review", str(folder), "--from", "2026-13", "--to", "x"]) == status.BAD_INPUT
    err = capfd.readouterr().err
    assert "--from 2026-13: write a month" in err
    assert "--to x: write a month" in err
    turned = ["review", str(folder), "--from", "2026-03", "--to", "2026-02"]
    assert run(turned) == status.BAD_INPUT
    assert "no month lies between" in capfd.readouterr().err
    assert run(["review", str(folder), "--from", "2026-01", "--to", "2026-01"]) == status.GO
    assert "1 transfers" in capfd.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ["review", "--from", "January"], ["review", "no-such-folder"],
        ["review", "x", "--invented", "5"], ["replay", "--quantity", "saturation"],
        ["replay", "--quantity", "saturation", "--low", "95", "--high", "90"],
        ["replay", "--quantity", "weight", "--low", "1"],
        ["replay", "--quantity", "skin", "--low", "36", "--invented", "5", "--search"],
    ],
)  # fmt: skip
def test_bad_input_is_said_in_plain_words(arguments: list[str], capfd) -> None:
    assert run(arguments) == status.BAD_INPUT
    said = capfd.readouterr()
    assert said.err.strip()
    assert "Traceback" not in said.err + said.out


def test_recorded_readings_are_replayed(folder: Path, capfd) -> None:
    """85 % stands from minute 175 to 190: one alarm of 900 s below 88 %."""
    assert run(["replay", str(folder), "--quantity", "saturation", "--low", "88"]) == status.GO
    said = " ".join(capfd.readouterr().out.split())
    assert "alarms 1," in said
    assert "median length 900 s" in said


def test_a_search_tells_its_result_on_the_other_half(capfd) -> None:
    arguments = ["replay", "--quantity", "saturation", "--low", "88", "--invented", "60",
                 "--search", "--weeks", "30"]  # fmt: skip
    assert run(arguments) == status.GO
    said = capfd.readouterr().out
    assert "settings tried on 30 transfers" in said
    assert "present, held out" in said
    assert "not an alarm system" in said


def test_a_score_is_switched_off_and_says_so(capfd) -> None:
    trips = ["temperature_c=35,8", "breathing=severe", "systolic_mmhg=38", "response=lethargic"]
    assert run(["score"]) == status.GO
    assert "systolic_mmhg" in capfd.readouterr().out
    assert run(["score", "trips", *trips]) == status.NOT_GO
    assert "switched off" in capfd.readouterr().err
    assert run(["score", "trips", *trips, "--unverified"]) == status.GO
    said = capfd.readouterr().out
    assert "44 of 65" in said
    assert "UNVERIFIED" in said
    assert run(["score", "trips", *trips[1:], "--unverified"]) == status.NOT_GO
    assert "not computable" in capfd.readouterr().out
    capfd.readouterr()
    assert run(["score", "trips", "pulse=3", "temperature_c=355", "breathing=bad"]) == (
        status.BAD_INPUT
    )
    err = capfd.readouterr().err
    for part in ("pulse=3: write KEY=VALUE", "temperature_c: found 355; allowed: 25 to 43 °C",
                 "breathing: found “bad”; allowed: severe"):  # fmt: skip
        assert part in err
    assert run(["score", "other"]) == status.BAD_INPUT


def test_a_change_is_told_as_signal_or_noise(capfd) -> None:
    """In the invented service babies below 32 weeks are wrapped from July on."""
    arguments = ["review", "--invented", "1500", "--seed", "3", "--since", "2026-07"]
    assert run(arguments) == status.GO
    said = capfd.readouterr().out
    assert "Before 2026-07 and from then on" in said
    (line,) = (one for one in said.splitlines() if "Arrived too cold, below 32 weeks" in one)
    assert line.endswith("signal")
    assert run(["review", "--since", "soon"]) == status.BAD_INPUT
