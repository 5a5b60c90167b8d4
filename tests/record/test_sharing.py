"""Copies and exports."""

from __future__ import annotations

import copy
import json
import shutil
import tempfile
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from record.conftest import MEMORY
from record.sample import NURSE, SetClock, fill, observation
from warmhold.record import FILE, GENESIS, Entry, Record, Trouble, sharing, verify_file
from warmhold.record.chain import canonical


@pytest.fixture
def record(tmp_path):
    with Record.open(tmp_path / "r", clock=SetClock()) as opened:
        fill(opened, 4, "T1")
        fill(opened, 4, "T2")
        opened.append(observation(9, "T1"))
        yield opened


# --- backup -------------------------------------------------------------------------------------


def test_a_copy_is_whole_ends_the_same_and_can_be_used(record, tmp_path) -> None:
    found = record.backup(tmp_path / "copy.sqlite")
    assert found == record.verify()
    assert found.whole
    assert not list(tmp_path.glob("*.part"))
    (tmp_path / "used").mkdir()
    shutil.copy(tmp_path / "copy.sqlite", tmp_path / "used" / FILE)
    with Record.open(tmp_path / "used") as used:
        assert used.recovered is None
        assert used.events() == record.events()
        assert used.append(observation(77)).seq == record.head()[0] + 1


def test_a_copy_into_a_folder_is_named_by_the_time_and_never_overwrites(record, tmp_path) -> None:
    (tmp_path / "copies").mkdir()
    for _ in range(3):
        assert record.backup(tmp_path / "copies").whole
    assert len(list((tmp_path / "copies").glob("record-backup-*.sqlite"))) == 3
    for target in (record.path, tmp_path / "copies" / "none" / "x"):
        with pytest.raises(Trouble):
            record.backup(target)
    assert record.verify().whole


def test_copies_made_from_outside_while_it_is_written_are_whole(record, tmp_path) -> None:
    stop = threading.Event()
    troubles: list[BaseException] = []

    def write() -> None:
        number = 100
        try:
            while not stop.is_set():
                record.append(observation(number))
                number += 1
        except BaseException as error:
            troubles.append(error)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        counts = []
        for number in range(10):
            target = tmp_path / f"{number}.sqlite"
            if number % 2:
                found = record.backup(target)
            else:
                found = sharing.backup_file(record.path, target)[1]
            assert found.whole, found.faults
            counts.append(found.events)
    finally:
        stop.set()
        thread.join()
    assert troubles == []
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]


# --- export and import --------------------------------------------------------------------------


def _again(record, tmp_path, trip=None):
    exported = json.loads(json.dumps(record.export(trip)))
    found = Record.import_into(tmp_path / "imported", exported)
    return exported, found


def test_an_export_is_read_in_with_the_same_hashes(record, tmp_path) -> None:
    exported, found = _again(record, tmp_path)
    assert (found.whole, found.withheld, found.head) == (True, 0, record.head()[1])
    with Record.open(tmp_path / "imported", clock=SetClock()) as other:
        assert other.recovered is None
        assert other.events() == record.events()
        assert other.export() == exported


def test_an_export_of_one_trip_withholds_the_others_and_ends_the_same(record, tmp_path) -> None:
    exported, found = _again(record, tmp_path, "T1")
    assert "form-T2" not in json.dumps(exported)
    assert (found.whole, found.withheld, found.events) == (True, 6, 7)
    assert found.head == record.head()[1]
    with Record.open(tmp_path / "imported", clock=SetClock(), warn=print) as other:
        assert other.recovered is None
        assert other.trips() == ["T1"]
        assert other.events("T1") == other.events() == record.events("T1")
        assert other.export() == {**exported}
        assert other.append(observation(50)).seq == record.head()[0] + 1
        assert other.verify().whole


def test_an_export_says_what_it_contains(record) -> None:
    contains = record.export("T2")["contains"]
    assert contains["trips"] == ["T2"]
    assert contains["entries"] == {"observation": 4, "trip-planned": 1, "trip-started": 1}
    assert contains["withheld"] == 7
    assert contains["people"] == [NURSE]
    for word in ("who made it", "pseudonym", "may name"):
        assert word in contains["says"]
    with pytest.raises(Trouble, match="no trip 'T9'"):
        record.export("T9")


def test_an_empty_record_can_be_exported_too(tmp_path) -> None:
    with Record.open(tmp_path / "r") as record:
        exported, found = _again(record, tmp_path)
    assert exported["head"] == {"seq": 0, "hash": GENESIS}
    assert found.whole


@pytest.mark.parametrize(
    "spoil",
    [
        lambda e: e.update(format="other"),
        lambda e: e.update(events="x"),
        lambda e: e.update(head=None),
        lambda e: e["head"].update(hash=GENESIS),
        lambda e: e["events"].pop(),
        lambda e: e["events"].pop(3),
        lambda e: e["events"].reverse(),
        lambda e: e["events"][3].update(who="x"),
        lambda e: e["events"][3].update(who=None),
        lambda e: e["events"][3].update(mono_ns=2**70),
        lambda e: e["events"][3].update(mono_ns=True),
        lambda e: e["events"][3].update(seq=9),
        lambda e: e["events"][3].update(trip="\ud800"),
        lambda e: e["events"][3].update(body=3),
        lambda e: e["events"][3].update(more=1),
        lambda e: e["events"][3].update(hash="x" * 64),
        lambda e: e["events"][3].update(hash=1),
        lambda e: e["events"][3].pop("boot"),
        lambda e: e["events"].__setitem__(3, 7),
        lambda e: e["events"].append({"seq": 14, "withheld": True, "hash": "0" * 64}),
    ],
)
def test_a_spoilt_export_is_refused_and_leaves_nothing(record, tmp_path, spoil) -> None:
    exported = copy.deepcopy(record.export())
    spoil(exported)
    with pytest.raises(Trouble):
        Record.import_into(tmp_path / "imported", exported)
    left = list((tmp_path / "imported").glob("*")) if (tmp_path / "imported").exists() else []
    assert [path.name for path in left if path.name != "record.lock"] == []


def test_an_import_never_replaces_a_record(record, tmp_path) -> None:
    exported = record.export()
    with Record.open(tmp_path / "there") as other:
        other.append(observation(1))
    with pytest.raises(Trouble, match="has a record already"):
        Record.import_into(tmp_path / "there", exported)
    assert verify_file(tmp_path / "there" / FILE).events == 1
    for wrong in (None, [], "x", 3):
        with pytest.raises(Trouble, match="no export"):
            Record.import_into(tmp_path / "imported", wrong)


# --- property-based -----------------------------------------------------------------------------

_plain = st.none() | st.booleans() | st.integers() | st.text(max_size=30)
_plain |= st.floats(allow_nan=False, allow_infinity=False)
_json = st.recursive(
    _plain,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4)
    ),
    max_leaves=25,
)


@settings(max_examples=60, deadline=None)
@given(_json)
def test_canonical_json_is_read_back_the_same_and_written_the_same_again(value) -> None:
    text = canonical(value)
    back = json.loads(text)
    assert canonical(back) == text
    assert back == value
    assert repr(back) == repr(value) or isinstance(value, (dict, list))
    assert text.isascii()
    assert "\n" not in text


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(st.text(max_size=5), _json, max_size=6))
def test_the_order_of_keys_does_not_matter(value) -> None:
    assert canonical(dict(reversed(value.items()))) == canonical(value)


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), {1: 2}, {"a": {None: 1}}, object(), {1, 2}, b"x"]
)
def test_what_json_cannot_hold_is_refused(value) -> None:
    with pytest.raises(ValueError, match=r"number|text|written"):
        canonical(value)


@settings(max_examples=25, deadline=None)
@given(
    sheets=st.lists(st.dictionaries(st.text(max_size=9), _json, max_size=4), max_size=5),
    notes=st.lists(st.text(min_size=1, max_size=40).filter(str.strip), max_size=4),
)
def test_random_bodies_come_out_as_they_went_in_and_export_to_the_same_head(sheets, notes) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.exists() else None) as name:
        folder = Path(name)
        texts = {"trip_toml": "t", "unit_toml": "u", "policy_toml": "p"}
        bodies = [("trip-planned", {**texts, "sheet": sheet}) for sheet in sheets]
        bodies += [("happening", {"what": "note", "detail": note}) for note in notes]
        with Record.open(folder / "a", warn=lambda _: None) as record:
            for number, (kind, body) in enumerate(bodies):
                record.append(Entry(f"f{number}", "T", kind, body, NURSE))
            assert [(event.kind, event.body) for event in record.events()] == bodies
            assert record.verify().whole
            exported = json.loads(json.dumps(record.export()))
            head = record.head()[1]
        found = Record.import_into(folder / "b", exported)
        assert (found.whole, found.head) == (True, head)
