"""`warmhold whatif` and the large `warmhold replay` as a lead types them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.model import shipped_path
from warmhold.record import Entry, Record
from warmhold.record.cases import past_trips

T0 = datetime(2026, 1, 14, 2, 40, tzinfo=UTC)
WRAP = ["whatif", "--change", "wrap-below-weeks 41", "--members", "20"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A record with a shipped trip that took twice as long, one not started, one not readable."""
    trip = shipped_path("trips", "winter-road").read_text("utf-8")
    unit = shipped_path("units", "alder-single").read_text("utf-8")
    policy = shipped_path("policies", "cautious").read_text("utf-8")
    plan = {"trip_toml": trip, "unit_toml": unit, "policy_toml": policy,
            "sheet": {"format": 1, "sheet": {"start": {"air_set_c": 34.5}}}}  # fmt: skip
    with Record.open(tmp_path / "record") as record:
        count = 0

        def write(kind: str, body: dict, minute: float, name: str = "t1") -> None:
            nonlocal count
            count += 1
            at = T0 + timedelta(minutes=minute)
            record.append(Entry(f"form-{count}", name, kind, body, "Ann (chart)", at))

        write("trip-planned", plan, 0)
        write("trip-planned", plan, 0, "t2")
        write("trip-planned", {**plan, "trip_toml": "broken = "}, 0, "t3")
        write("observation", {"values": {"axillary_c": 36.6}, "set": "regular"}, 20)
        write("trip-started", {}, 25)
        write("trip-started", {}, 25, "t3")
        leaves = (T0 + timedelta(minutes=30)).isoformat()
        write("moment", {"moment": "leaves", "at": leaves}, 30)
        write("observation", {"values": {"axillary_c": 36.3}, "set": "regular"}, 200)
        at = (T0 + timedelta(minutes=218)).isoformat()
        write("handover", {"to": "Dr Lund", "at": at, "texts": {}}, 218)
    return tmp_path / "record"


def test_a_record_is_run_as_it_was(folder: Path) -> None:
    from warmhold.cli.commands.review import entries  # noqa: PLC0415

    one, broken = past_trips(entries(folder))
    assert one.case is not None
    assert sum(leg.minutes.value for leg in one.case.trip.legs) == pytest.approx(188.0)
    assert one.case.trip.start.air_set_c == 34.5
    assert one.case.trip.baby.temperature_c.value == 36.6
    assert one.came_c == 36.3
    assert broken.case is None
    assert broken.why == "its plan cannot be read by this version"


def test_a_wrap_on_a_recorded_trip(folder: Path, tmp_path: Path, capfd) -> None:
    page, data = tmp_path / "out.html", tmp_path / "out.json"
    asked = [*WRAP[:3], str(folder), *WRAP[3:], "--html", str(page), "--json", str(data)]
    assert run(asked) == status.GO
    said = capfd.readouterr().out
    assert "what the model says, not what would have happened" in said
    assert "2 trips, 1 run twice with the same draws; 1 not run, something unknown" in said
    assert "its plan cannot be read by this version" in said
    assert "too few trips for a band" in said
    assert "names no cause" in said
    made = json.loads(data.read_text())
    assert made["claim"] == "what the model says, not what would have happened"
    trip = made["whatif"]["trips"][0]
    assert trip["touched"]
    assert trip["difference_k"]["p05"] > 0.0
    html = page.read_text()
    assert "Every baby below 41 weeks in a wrap" in html
    assert "not what would have happened" in html
    assert "t1" in html


def test_an_invented_service_with_kept_pieces(tmp_path: Path, capfd) -> None:
    asked = [*WRAP, "--invented", "30", "--seed", "2", "--workers", "1", "--json", "-"]
    keep = ["--keep", str(tmp_path / "keep")]
    assert run([*asked, *keep]) == status.GO
    first = capfd.readouterr()
    assert run([*asked, *keep]) == status.GO
    again = capfd.readouterr()
    assert again.out == first.out
    assert "2 of 2 pieces were kept from before." in again.err
    found = json.loads(first.out)["whatif"]
    assert len(found["trips"]) == 30
    assert found["groups"][0]["difference_k"]["value"] > 0.0
    assert run([*asked, "--members", "21", *keep]) == status.BAD_INPUT
    assert "belong to another run" in capfd.readouterr().err


def test_a_replay_says_the_same_on_processes(capfd) -> None:
    asked = ["replay", "--quantity", "saturation", "--low", "88", "--invented", "600"]
    assert run(asked) == status.GO
    here = capfd.readouterr().out
    assert "600 transfers" in here
    assert run([*asked, "--workers", "2"]) == status.GO
    assert capfd.readouterr().out == here


def test_a_search_says_the_same_on_processes_and_goes_on_from_kept_pieces(
    tmp_path: Path, capfd
) -> None:
    """Both halves of each of two groups are a job of their own, with a folder of its own."""
    asked = ["replay", "--quantity", "saturation", "--low", "88", "--invented", "600", "--search"]
    assert run([*asked, "--workers", "1"]) == status.GO
    here = capfd.readouterr().out
    assert "2 groups were searched" in here
    keep = ["--workers", "2", "--keep", str(tmp_path)]
    assert run([*asked, *keep]) == status.GO
    assert capfd.readouterr().out == here
    assert {one.name for one in tmp_path.iterdir()} == {
        "replay", "group-1-chosen", "group-1-told", "group-2-chosen", "group-2-told",
    }  # fmt: skip
    assert run([*asked, *keep]) == status.GO
    again = capfd.readouterr()
    assert again.out == here
    assert again.err.count("were kept from before") == 5


@pytest.mark.parametrize(
    "arguments",
    [
        ["whatif"], ["whatif", "--change", "less-cold 3"], ["whatif", "--change", "unit nowhere"],
        [*WRAP, "no-such-folder"], [*WRAP, "x", "--invented", "5"], [*WRAP, "--html", "-"],
        [*WRAP, "--invented", "5", "--on", "host:1"],
        [*WRAP, "--invented", "5", "--on", "dask://host:1", "--workers", "2"],
        ["replay", "--quantity", "pulse", "--low", "9", "--workers", "2"],
        ["replay", "--quantity", "skin", "--invented", "5"],
        ["replay", "--quantity", "pulse", "--invented", "10001"],
    ],
)  # fmt: skip
def test_bad_input_is_said_in_plain_words(
    arguments: list[str], tmp_path, monkeypatch, capfd
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == status.BAD_INPUT
    said = capfd.readouterr()
    assert said.err.strip()
    assert "Traceback" not in said.err + said.out
    assert list(tmp_path.iterdir()) == []
