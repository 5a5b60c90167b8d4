"""An export is read in to the same fingerprint, or refused with every reason."""

from __future__ import annotations

import copy
import json
import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.test_fhir import mutated
from record.conftest import MEMORY
from record.sample import FULL, NURSE, SetClock, fill, observation
from warmhold.record import FILE, Entry, Record, Trouble, sharing, verify_file

MUTATED = 10_000 if FULL else 400


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    with Record.open(tmp_path_factory.mktemp("x") / "r", clock=SetClock()) as record:
        fill(record, 4, "T1", 200)
        fill(record, 3, "T2", 200)
        record.append(Entry("c", "T1", "correction", {"corrects": 3, "body": None}, NURSE))
        record.append(Entry("a", "", "access", {"did": "read", "from": "here"}, NURSE))
        return {"all": record.export(), "one": record.export("T1"), "head": record.head()[1]}


def _refused(folder: Path, given) -> str:
    with pytest.raises(Trouble) as caught:
        Record.import_into(folder, given)
    assert not folder.exists()
    return str(caught.value)


def test_a_refused_export_leaves_no_folder(exported, tmp_path) -> None:
    for given_ in (None, {}, [], "x", {"format": "warmhold record 2"}):
        assert "no export of a record" in _refused(tmp_path / "new", given_)


def test_every_reason_is_told_at_once(exported, tmp_path) -> None:
    spoilt = copy.deepcopy(exported["all"])
    spoilt["events"][1]["who"] = None
    spoilt["events"][2]["mono_ns"] = 1.5
    spoilt["events"][3]["body"]["values"]["skin_c"] = 30.0
    spoilt["events"][5]["seq"] = 9
    del spoilt["events"][6]["boot"]
    spoilt["events"][7]["more"] = 1
    spoilt["head"]["hash"] = "0" * 64
    said = _refused(tmp_path / "new", spoilt)
    for reason in (
        "entry 2 has None as its who",
        "entry 3 has 1.5 as its mono_ns",
        "entry 4 was changed",
        "entry 6 has the number 9",
        "entry 7 has no boot",
        "entry 8 has 'more'",
        "does not end with the fingerprint it names",
    ):
        assert reason in said


@pytest.mark.parametrize("cut", [0, 1, 5, 8, -1])
def test_a_part_of_an_export_is_refused(exported, tmp_path, cut) -> None:
    spoilt = copy.deepcopy(exported["all"])
    if cut < 0:
        spoilt["events"].pop()
    else:
        spoilt["events"].pop(cut)
    said = _refused(tmp_path / "new", spoilt)
    assert "missing" in said or "as its last" in said


def test_a_gap_is_said_once_and_not_of_every_entry_after_it(exported, tmp_path) -> None:
    spoilt = copy.deepcopy(exported["all"])
    spoilt["events"].pop(2)
    said = _refused(tmp_path / "new", spoilt)
    assert said.count("one is missing") == 1
    assert "entry 3 has the number 4" in said


def test_an_entry_in_another_place_is_refused(exported, tmp_path) -> None:
    spoilt = copy.deepcopy(exported["all"])
    one, two = spoilt["events"][3], spoilt["events"][4]
    spoilt["events"][3:5] = [{**two, "seq": 4}, {**one, "seq": 5}]
    said = _refused(tmp_path / "new", spoilt)
    assert "entry 4 was changed" in said
    assert "entry 5 was changed" in said


def test_what_an_export_says_of_itself_must_be_so(exported, tmp_path) -> None:
    for name, value in (("withheld", 3), ("trips", ["T1"]), ("people", []), ("entries", {})):
        spoilt = copy.deepcopy(exported["all"])
        spoilt["contains"][name] = value
        assert f"says of its {name} what is not so" in _refused(tmp_path / "new", spoilt)
    spoilt = copy.deepcopy(exported["all"])
    del spoilt["contains"]
    assert "what it contains" in _refused(tmp_path / "new", spoilt)


def test_withheld_entries_keep_their_places(exported, tmp_path) -> None:
    found = Record.import_into(tmp_path / "part", exported["one"])
    assert (found.whole, found.head) == (True, exported["head"])
    assert found.withheld == exported["one"]["contains"]["withheld"] == 6
    with Record.open(tmp_path / "part", clock=SetClock()) as record:
        assert record.export("T1") == exported["one"]
        record.append(observation(80))
        assert record.verify().whole
    spoilt = copy.deepcopy(exported["one"])
    # of withheld entries in a row only the last is followed by one that can be checked
    events = spoilt["events"]
    place = next(
        n for n, e in enumerate(events) if e.get("withheld") and "withheld" not in events[n + 1]
    )
    spoilt["events"][place]["hash"] = "0" * 64
    assert f"entry {place + 2} was changed, or what it followed" in _refused(
        tmp_path / "new", spoilt
    )


def test_a_file_of_an_export(exported, tmp_path, monkeypatch) -> None:
    path = tmp_path / "x.json"
    path.write_text(json.dumps(exported["all"]), "utf-8")
    assert sharing.read_export(path) == exported["all"]
    for raw in (b"", b"{", path.read_bytes()[:-30], b"\xff\xfe", b"[" * 200_000, b'{"a": NaN}',
                b"1" * 5000):  # fmt: skip
        path.write_bytes(raw)
        with pytest.raises(Trouble, match="not whole, or no export"):
            sharing.read_export(path)
    with pytest.raises(Trouble, match="cannot be read"):
        sharing.read_export(tmp_path / "none.json")
    monkeypatch.setattr(sharing, "LARGEST_EXPORT", 10)
    with pytest.raises(Trouble, match="allowed up to"):
        sharing.read_export(path)


def test_a_folder_that_was_there_is_left_alone(exported, tmp_path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "note.txt").write_text("mine", "utf-8")
    spoilt = copy.deepcopy(exported["all"])
    spoilt["events"].pop()
    with pytest.raises(Trouble):
        Record.import_into(tmp_path / "there", spoilt)
    assert [path.name for path in (tmp_path / "there").iterdir()] == ["note.txt"]


def _said(document) -> list[dict[str, object]]:
    return [event for event in document["events"] if "withheld" not in event]


def test_mutated_exports_are_refused_or_end_with_the_fingerprint_they_name(exported) -> None:
    rng = random.Random(20260114)
    taken = refused = unsaid = left = 0
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.exists() else None) as name:
        for number in range(MUTATED):
            document = mutated(exported["one" if number % 2 else "all"], rng)
            folder = Path(name) / str(number)
            try:
                found = Record.import_into(folder, document)
            except Trouble as trouble:
                refused += 1
                unsaid += not trouble.reason
                left += folder.exists()
                continue
            taken += 1
            assert found.whole
            assert found.head == document["head"]["hash"] == exported["head"]
            assert verify_file(folder / FILE).whole
            assert _said(document) == _said(exported["one" if number % 2 else "all"])
    assert (unsaid, left) == (0, 0)
    assert refused > MUTATED * 0.7
    assert taken > 0


_bodies = st.lists(
    st.tuples(
        st.sampled_from(("T1", "T2")),
        st.dictionaries(
            st.sampled_from(("skin_c", "air_c", "flow_lpm", "gauge_bar:A\u00e9")),
            st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**20), 10**20),
            min_size=1,
        ),
    ),
    max_size=12,
)


@settings(max_examples=200 if FULL else 25, deadline=None)
@given(bodies=_bodies, part=st.booleans())
def test_any_record_comes_back_to_the_same_fingerprint(bodies, part) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.exists() else None) as name:
        folder = Path(name)
        with Record.open(folder / "a", clock=SetClock(), warn=lambda _: None) as record:
            for number, (trip, values) in enumerate(bodies):
                body = {"set": "extra", "values": values}
                record.append(Entry(f"f{number}", trip, "observation", body, NURSE))
            trip = bodies[0][0] if bodies and part else None
            exported = json.loads(json.dumps(record.export(trip)))
            head, events = record.head(), record.events(trip)
        found = Record.import_into(folder / "b", exported)
        assert (found.whole, found.head) == (True, head[1])
        with Record.open(folder / "b", clock=SetClock(), warn=lambda _: None) as again:
            assert again.events() == events
            assert again.head() == head
            assert again.export(trip) == exported
