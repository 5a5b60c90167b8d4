"""`warmhold replay` of a record: each transfer with its own limits and its own bounds."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.model import shipped_path
from warmhold.record import Entry, Record
from warmhold.record.cases import cases

T0 = datetime(2026, 1, 14, 3, 0, tzinfo=UTC)
TRIP = shipped_path("trips", "term-by-day").read_text("utf-8")
UNIT = shipped_path("units", "rowan-double").read_text("utf-8")
POLICY = shipped_path("policies", "cautious").read_text("utf-8")
LIMITS = [
    {"title": "Oxygen saturation, low", "wanted": 90.0, "set_to": 90.0, "state": "as wanted"},
    {"title": "Oxygen saturation, high", "wanted": None, "set_to": None, "state": "not used"},
]


def trip_toml(number: int) -> str:
    """Three of 39 weeks, three of 30 weeks, two with a target of their own."""
    weeks = 39.0 if number < 3 else 30.0
    text = re.sub(r"^gestation_weeks = .*$", f"gestation_weeks = {weeks}", TRIP, flags=re.M)
    if number >= 6:
        text = text.replace("[baby]\n", "[baby]\nsaturation_target_percent = [85, 89]\n")
    return text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine trips with a trend each; the plan of the last one cannot be read."""
    where = tmp_path_factory.mktemp("replayed") / "record"
    with Record.open(where) as record:
        for number in range(9):
            trip = f"t{number}"
            planned = {
                "trip_toml": trip_toml(number) if number < 8 else "no plan",
                "unit_toml": UNIT, "policy_toml": POLICY, "sheet": {"sheet": {"alarms": LIMITS}},
            }  # fmt: skip
            seconds = [60.0 * k for k in range(31)]
            read = [93.0] * 10 + [89.0] * 4 + [93.0] * 6 + [78.0] * 3 + [93.0] * 8
            body = {
                "source": "monitor 3", "start": T0.isoformat(), "seconds": seconds,
                "numbers": {"saturation_pre_percent": read},
            }  # fmt: skip
            for kind, entry in (("trip-planned", planned), ("trip-started", {}), ("trend", body)):
                form = f"{trip}-{kind}"
                record.append(Entry(form, trip, kind, entry, "Ann", T0 + timedelta(minutes=0)))
    return where


def said(capfd) -> str:
    return " ".join(capfd.readouterr().out.split())


def test_each_transfer_is_replayed_with_its_own_limits(folder: Path, capfd) -> None:
    """In each trend 4 min at 89 and 3 min at 78, both below 90: two alarms in half an hour."""
    assert run(["replay", str(folder), "--quantity", "saturation"]) == status.GO
    text = said(capfd)
    assert "9 of 9 have a trend, a row every 60 s; in 9 nobody wrote what was set" in text
    assert "as set 18 alarms, 4.00" in text
    assert "1.1 h in alarm" in text  # 9 trips of 7 min
    assert "0 transfers, 0.0 h; 9 for which policy asks for none; 0 missing" in text
    assert "not read from any unit" in text


def test_a_search_goes_by_the_bounds_of_each_plan(folder: Path, capfd) -> None:
    assert run(["replay", str(folder), "--quantity", "saturation", "--search"]) == status.GO
    text = said(capfd)
    assert text.count("transfers, for whom policy sets the same bounds") == 3
    assert "3 of 9 transfers, for whom" in text
    assert "2 of 9 transfers, for whom" in text
    assert "from 84 to 85 % (own: the trip's own target of 85 to 89 %, 1 point outside)" in text
    assert "3 groups were searched" in text
    assert "present, held out: low 84 %" in text
    assert "1 of 9 transfers, whose gestation is not known (see --weeks)" in text
    assert text.count("not an alarm system") == 1


def test_weeks_stand_in_only_where_a_plan_does_not_tell_them(folder: Path, capfd) -> None:
    arguments = ["replay", str(folder), "--quantity", "saturation", "--search", "--weeks", "30"]
    assert run([*arguments, "--unit", "rowan-double"]) == status.GO
    text = said(capfd)
    assert "4 of 9 transfers, for whom" in text
    assert "3 of 9 transfers, for whom" in text
    assert "whose gestation is not known" not in text


def test_too_few_to_split_is_said_and_the_others_go_on(folder: Path, capfd) -> None:
    """The trip without a plan stands on the steps of another unit, and is a group by itself."""
    arguments = ["replay", str(folder), "--quantity", "saturation", "--search", "--weeks", "30"]
    assert run(arguments) == status.GO
    text = said(capfd)
    assert "1 of 9 transfers, for whom" in text
    assert "Cannot tell: at least two transfers are needed, one for each half." in text
    assert text.count("settings tried on") == 3


def test_cases_of_a_record(folder: Path) -> None:
    with Record.open(folder) as record:
        found = cases(record.events())
    assert [case is not None for case in found.values()] == [True] * 8 + [False]
    first, last = found["t0"], found["t7"]
    assert first is not None
    assert last is not None
    assert first.trip.baby.gestation_weeks == 39.0
    assert last.trip.baby.saturation_target_percent == (85.0, 89.0)


def test_skin_has_no_limit_of_its_own(folder: Path, capfd) -> None:
    assert run(["replay", str(folder), "--quantity", "skin"]) == status.BAD_INPUT
    assert "no plan sets a limit of skin temperature" in capfd.readouterr().err


def test_every_replay_ends_with_its_caution_and_counts_who_is_missing(folder: Path, capfd) -> None:
    for more in ([], ["--low", "88"], ["--low", "88", "--search", "--weeks", "30"]):
        assert run(["replay", str(folder), "--quantity", "saturation", *more]) == status.GO
        text = said(capfd)
        assert text.count("not a medical device, and not an alarm system") == 1
        assert "Trends: 9 of 9 transfers have one, 0 missing." in text
    both = ["replay", str(folder), "--quantity", "saturation", "--low", "97", "--high", "90"]
    assert run(both) == status.BAD_INPUT
    err = capfd.readouterr().err
    assert "low 97 and high 90 leave no room" in err
    assert "Setting(" not in err
