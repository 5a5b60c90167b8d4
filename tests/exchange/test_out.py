"""`warmhold exchange out` from the outside: what it refuses, what it says, what it leaves alone."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.trips import TRIP, plan, record_with
from record.sample import FULL, NURSE, START, SetClock, tampering
from warmhold.cli import status
from warmhold.cli.exchanging import out as command
from warmhold.cli.main import run
from warmhold.exchange.fhir import from_text
from warmhold.exchange.outgoing import STRUCK, outgoing
from warmhold.record import Entry, Event, Record
from warmhold.record.chain import GENESIS
from warmhold.record.views import trip_view


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place: Path = tmp_path_factory.mktemp("out") / "r"
    with record_with(place, "T1", "T2"):
        pass
    return place


def _out(folder: Path, *options: object, trip: str = TRIP) -> int:
    return run(["exchange", "out", trip, "--folder", str(folder), *map(str, options)])


def test_each_file_is_said_with_what_it_contains(folder, tmp_path, capsys) -> None:
    assert _out(folder, "--fhir", tmp_path / "f.json", "--csv", tmp_path / "c") == status.GO
    said = capsys.readouterr().out
    for word in ("f.json", "values.csv", "dictionary.csv", "pseudonym", "may name people",
                 "fingerprint", "not a medical device"):  # fmt: skip
        assert word in said
    assert from_text((tmp_path / "f.json").read_bytes()).pseudonym == "Heron 7"
    assert not list(tmp_path.rglob(".*"))
    assert (tmp_path / "f.json").stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_codes_from_memory_and_alerts_only_when_asked_for(folder, tmp_path, capsys) -> None:
    plain, asked, alerts = (tmp_path / name for name in ("plain", "asked", "alerts"))
    assert _out(folder, "--fhir", plain) == status.GO
    assert "draft" not in capsys.readouterr().err
    options = ("--fhir", asked, "--codes-from-memory", "--alerts-r6", alerts)
    assert _out(folder, *options) == status.GO
    assert "draft" in capsys.readouterr().err
    assert "15074-8" not in plain.read_text()
    assert "15074-8" in asked.read_text()
    assert "DeviceAlert" not in asked.read_text()
    assert "DeviceAlert" in alerts.read_text()
    assert _out(folder, "--codes-from-memory", "--csv", tmp_path / "c") == status.BAD_INPUT


def test_nothing_is_overwritten_and_then_nothing_is_written(folder, tmp_path, capsys) -> None:
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "values.csv").write_text("mine", "utf-8")
    (tmp_path / "link.json").symlink_to(tmp_path / "nowhere")
    taken = ("--csv", tmp_path / "c", "--json", tmp_path / "link.json")
    assert _out(folder, "--fhir", tmp_path / "f.json", *taken) == status.BAD_INPUT
    said = capsys.readouterr().err
    assert said.count("there already and was left alone") == 2
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["c", "link.json", "values.csv"]
    assert (tmp_path / "c" / "values.csv").read_text("utf-8") == "mine"


def test_a_file_that_appears_meanwhile_is_left_alone(tmp_path) -> None:
    (tmp_path / "f").write_text("mine", "utf-8")
    with pytest.raises(FileExistsError):
        command._write_new(tmp_path / "f", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["f"]
    assert (tmp_path / "f").read_text("utf-8") == "mine"


def test_a_disk_without_links(tmp_path, monkeypatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError("no links here")

    monkeypatch.setattr(os, "link", refused)
    command._write_new(tmp_path / "f", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["f"]
    with pytest.raises(FileExistsError):
        command._write_new(tmp_path / "f", b"other")
    assert (tmp_path / "f").read_bytes() == b"new"


def test_what_cannot_be_meant_is_refused(folder, tmp_path, capsys) -> None:
    one = str(tmp_path / "f.json")
    for options, says in (
        ((), "Name at least one file"),
        (("--fhir", one, "--json", one), "named twice"),
        (("--fhir", tmp_path / "none" / "f.json"), "There is no folder"),
        (("--csv", tmp_path / "none" / "c"), "There is no folder"),
        (("--csv", folder / "record.sqlite"), "a file, not a folder"),
    ):
        assert _out(folder, *options) == status.BAD_INPUT
        assert says in capsys.readouterr().err
    assert _out(folder, "--fhir", one, trip="T9") == status.BAD_INPUT
    assert "It has: T1, T2" in capsys.readouterr().err
    assert _out(tmp_path, "--fhir", one) == status.BAD_INPUT
    assert "no record at" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_the_json_of_a_trip_is_read_in_again(folder, tmp_path, capsys) -> None:
    assert _out(folder, "--json", tmp_path / "r.json") == status.GO
    new = str(tmp_path / "new")
    assert run(["record", "import", str(tmp_path / "r.json"), "--folder", new]) == status.GO
    head = json.loads((tmp_path / "r.json").read_text("utf-8"))["head"]["hash"]
    assert f"Fingerprint  {head}" in capsys.readouterr().out
    assert _out(Path(new), "--fhir", tmp_path / "again.json") == status.GO
    assert _out(folder, "--fhir", tmp_path / "first.json") == status.GO
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "first.json").read_bytes()


def test_a_record_that_is_not_whole_goes_out_with_a_caution(folder, tmp_path, capsys) -> None:
    shutil.copytree(folder, tmp_path / "r")
    with tampering(tmp_path / "r") as connection:
        connection.execute("UPDATE event SET who = 'x' WHERE seq = 4")
    assert _out(tmp_path / "r", "--fhir", tmp_path / "f.json") == 1
    assert "not whole: entry 4 was changed" in capsys.readouterr().err
    assert (tmp_path / "f.json").exists()


def test_a_plan_that_cannot_be_read_still_goes_out(tmp_path) -> None:
    with Record.open(tmp_path / "r", clock=SetClock(), warn=lambda _: None) as record:
        body = {**plan().body, "trip_toml": "not = [toml"}
        record.append(Entry("p", TRIP, "trip-planned", body, NURSE))
        out = outgoing(record.events(), TRIP)
    assert (out.pseudonym, out.weight_g, out.offset) == ("", None, None)
    options = ("--fhir", tmp_path / "f", "--csv", tmp_path / "c", "--hl7", tmp_path / "h")
    assert _out(tmp_path / "r", *options) == status.GO
    assert _out(tmp_path / "r", "--pdf", tmp_path / "p") == status.BAD_INPUT
    assert not (tmp_path / "p").exists()
    shutil.rmtree(tmp_path / "r")


# --- what stands and what does not --------------------------------------------------------------

_PLANNED = plan().body
_sets = st.dictionaries(
    st.sampled_from(("skin_c", "air_c", "pulse_per_min", "vent_text")), st.integers(0, 99),
    min_size=1, max_size=3,
).map(lambda given: {k: str(v) if k == "vent_text" else v for k, v in given.items()})  # fmt: skip
_changes = st.lists(st.tuples(st.integers(2, 9), st.none() | _sets), max_size=8)


def _event(seq: int, kind: str, body) -> Event:
    return Event(seq, f"f{seq}", TRIP, kind, START, seq, "b", None, NURSE, body, f"{seq:064x}")


@settings(max_examples=500 if FULL else 60, deadline=None)
@given(sets=st.lists(_sets, min_size=1, max_size=6), changes=_changes)
def test_what_stands_is_what_the_record_shows(sets, changes) -> None:
    """Against the record's own view: the same values stand, and no other."""
    events = [_event(1, "trip-planned", _PLANNED)]
    for values in sets:
        events.append(_event(len(events) + 1, "observation", {"set": "extra", "values": values}))
    observed = len(events)
    for seq, values in changes:
        if seq <= observed:
            body = None if values is None else {"set": "extra", "values": values}
            events.append(_event(len(events) + 1, "correction", {"corrects": seq, "body": body}))
    out = outgoing(events, TRIP)
    assert out.head == (len(events), events[-1].hash) != (0, GENESIS)
    standing = sorted((v.entry, v.quantity, v.value) for v in out.values if v.status != STRUCK)
    shown = [
        (one.seq, name, value)
        for one in trip_view(events).observations
        if not one.struck
        for name, value in one.body["values"].items()
    ]
    assert standing == sorted(shown)
    once = [(v.entry, v.quantity) for v in out.values]
    assert len(set(once)) == len(once)
    entered = [*enumerate(sets, 2), *((seq, v) for seq, v in changes if seq <= observed and v)]
    for seq, values in entered:  # nothing that was entered is lost
        assert {name for entry, name in once if entry == seq} >= set(values)
