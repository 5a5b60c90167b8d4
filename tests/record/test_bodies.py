"""What each kind of entry may hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from warmhold.record import KINDS, NUMBERS, WORDS, valid_body
from warmhold.record.bodies import HAPPENINGS
from warmhold.record.views import valid_body as from_views

WHOLE = {
    "trip-planned": {"trip_toml": "a", "unit_toml": "b", "policy_toml": "c", "sheet": {}},
    "trip-started": {},
    "check": {"item": "gauges", "done": True, "value": 140, "judged": "good", "reason": None},
    "observation": {
        "values": {**dict.fromkeys(NUMBERS, 1.5), **dict.fromkeys(WORDS, "mains"),
                   "gauge_bar:oxygen A": 120},
        "flags": {"skin_c": "far from the last"},
        "set": "device", "source": "monitor on the trolley",
    },
    "happening": {"what": "cylinder changed", "detail": {"from": "A", "to": "B", "bar": 200}},
    "limits": {"limit": "saturation-low", "from": None, "to": 88},
    "correction": {"corrects": 3, "body": {}},
    "handover": {"to": "Dr Lund", "at": "2026-01-14T05:00:00+01:00", "texts": {"plan": ""}},
    "clock-jump": {"seconds": -3.5, "before": "2026-01-14T05:00:00Z",
                   "after": "2026-01-14T05:00:00Z"},
    "access": {"did": "came in", "from": "127.0.0.1"},
    "noticed": {"key": "probe", "title": "Skin probe off", "priority": "low", "evidence": "32 °C"},
    "moment": {"moment": "arrives", "at": "2026-01-14T05:00:00Z"},
    "facts": {"team": "Northmoor", "urgency": "planned", "reason": "medical", "purpose": "uplift",
              "wrapped": "yes", "equipment": "nothing failed"},
    "equipment": {"what": "pump stopped", "class": "pump", "harm": "none"},
    "round": {
        "unit": "alder-single", "round": "daily", "title": "Daily round", "signed": "Ada",
        "answers": [
            {"item": "alarms", "title": "Alarms sound", "value": True, "judged": "good",
             "says": ""},
            {"item": "o2", "title": "Oxygen sensor", "value": 20.7, "judged": "good", "says": "",
             "room": {"pressure_hpa": 1013.0, "room_c": 21.0, "humidity_percent": None}},
            {"item": "air", "title": "Air gauge", "value": None, "judged": "care",
             "says": "Unknown.", "reason": "no cylinder fitted"},
        ],
    },
    "bench-test": {"unit": "alder-single", "results": [{"test": "run-down", "verdict": "pass"}],
                   "log": "a.csv", "signed": "Ada", "profile": "alder"},
    "task": {"unit": "alder-single", "task": "filter", "state": "good", "says": "changed"},
    "fault": {"unit": "alder-single", "what": "left latch is loose", "effect": "with limits"},
    "fault-closed": {"unit": "alder-single", "fault": 3, "how": "latch changed"},
    "profile": {"unit": "alder-single", "toml": "format = 1", "from": "two logs"},
    "source": {"source": "monitor on the trolley", "did": "joined"},
    "trend": {"source": "logger 4", "file": "night.csv", "start": "2026-01-14T05:00:00Z",
              "seconds": [0, 60, 180], "numbers": {"skin_c": [36.4, None, 36.5]},
              "noticed": ["one gap"]},
}  # fmt: skip


def test_the_kinds_are_those_of_the_design() -> None:
    assert set(WHOLE) == set(KINDS)
    design = Path(__file__).parents[2] / "docs" / "design-step-2.md"
    rows = [line.split("|")[1:3] for line in design.read_text("utf-8").splitlines()
            if line.startswith("| `")]  # fmt: skip
    named = {first.strip().strip("`"): second for first, second in rows}
    for kind in KINDS:
        assert kind in named
    for what in HAPPENINGS:
        assert what in named["happening"]
    text = " ".join(design.read_text("utf-8").split())
    for name in (*NUMBERS, *WORDS):
        assert f"`{name}`" in text


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_body_has_no_fault(kind) -> None:
    assert valid_body(kind, WHOLE[kind]) == ()
    assert from_views is valid_body


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "trip-started"])
def test_each_key_is_needed_and_no_other_is_known(kind) -> None:
    optional = {
        "check": {"reason"}, "observation": {"flags"}, "happening": {"detail"},
        "bench-test": {"profile"}, "trend": {"file", "noticed"},
        "facts": {"team", "urgency", "reason", "purpose", "wrapped", "equipment"},
    }  # fmt: skip
    for key in WHOLE[kind]:
        less = {name: value for name, value in WHOLE[kind].items() if name != key}
        faults = valid_body(kind, less)
        assert bool(faults) == (key not in optional.get(kind, ())), (key, faults)
    (fault,) = valid_body(kind, {**WHOLE[kind], "colour": 1})
    assert "'colour'" in fault


@pytest.mark.parametrize(
    ("kind", "change", "fault"),
    [
        ("trip-planned", {"sheet": "x"}, "sheet: found 'x'"),
        ("trip-planned", {"trip_toml": " "}, "trip_toml: empty"),
        ("check", {"done": False}, "reason: missing"),
        ("check", {"done": False, "reason": "  "}, "reason: empty"),
        ("check", {"done": 1}, "done: found 1"),
        ("check", {"judged": "fine"}, "judged: found 'fine'"),
        ("check", {"value": []}, "value: found []"),
        ("observation", {"values": {}, "flags": {}}, "values: empty"),
        ("observation", {"values": {"skin_c": "36"}}, "values.skin_c: found '36'"),
        ("observation", {"values": {"skin_c": True}}, "values.skin_c: found True"),
        ("observation", {"values": {"skin_c": float("inf")}}, "inf is not a number"),
        ("observation", {"values": {"gauge_bar:": 3}, "flags": {}}, "values: found 'gauge_bar:'"),
        ("observation", {"values": {"vent_text": 3}, "flags": {}}, "values.vent_text: found 3"),
        ("observation", {"flags": {"glucose": "x"}}, "'glucose' has no value"),
        ("observation", {"set": "first"}, "set: found 'first'"),
        ("observation", {"source": " "}, "source: empty"),
        ("source", {"did": "came"}, "did: found 'came'"),
        ("trend", {"seconds": []}, "seconds: found []"),
        ("trend", {"seconds": [0, 60, 60]}, "seconds: not strictly rising"),
        ("trend", {"seconds": [0, True, 60]}, "seconds: found [0, True, 60]"),
        ("trend", {"numbers": {"skin_c": [36.4]}}, "numbers.skin_c: found [36.4]"),
        ("trend", {"numbers": {"skin_c": [36.4, "x", 1]}}, "numbers.skin_c: allowed numbers"),
        ("trend", {"numbers": {"shoe_size": [1, 2, 3]}}, "numbers: found 'shoe_size'"),
        ("trend", {"numbers": {}}, "numbers: found {}"),
        ("trend", {"noticed": "x"}, "noticed: found 'x'"),
        ("observation", {"values": [1]}, "values: found [1]"),
        ("happening", {"what": "door opened"}, "what: found 'door opened'"),
        ("happening", {"what": "note", "detail": " "}, "detail: empty"),
        ("happening", {"detail": {"a": []}}, "detail.a: found []"),
        ("limits", {"limit": ""}, "limit: empty"),
        ("limits", {"to": True}, "to: found True"),
        ("correction", {"corrects": 0}, "corrects: found 0"),
        ("correction", {"corrects": True}, "corrects: found True"),
        ("correction", {"body": "x"}, "body: found 'x'"),
        ("handover", {"at": "2026-01-14T05:00:00"}, "at: found"),
        ("handover", {"at": 5}, "at: found 5"),
        ("handover", {"texts": {"a": 1}}, "texts.a: found 1"),
        ("clock-jump", {"seconds": None}, "seconds: found None"),
        ("access", {"from": 3}, "from: found 3"),
        ("noticed", {"priority": "urgent"}, "priority: found 'urgent'"),
        ("moment", {"moment": "lunch"}, "moment: found 'lunch'"),
        ("moment", {"at": "03:12"}, "at: found"),
        ("facts", {"urgency": "soon"}, "urgency: found 'soon'"),
        ("equipment", {"class": "lamp"}, "class: found 'lamp'"),
        ("round", {"answers": []}, "answers: found []"),
        ("round", {"answers": [3]}, "answers.0: found 3"),
        (
            "round",
            {"answers": [{"item": "a", "title": "A", "value": None, "judged": "care", "says": ""}]},
            "answers.0: reason: missing",
        ),
        (
            "round",
            {
                "answers": [
                    {
                        "item": "a",
                        "title": "A",
                        "value": 3,
                        "judged": "care",
                        "says": "",
                        "room": {"height": 3},
                    }
                ]
            },
            "room: 'height' not known",
        ),
        ("bench-test", {"results": ["x"]}, "results.0: found 'x'"),
        ("bench-test", {"results": []}, "results: found []"),
        ("bench-test", {"results": [{"test": "a", "verdict": "ok"}]}, "verdict: found 'ok'"),
        ("task", {"state": "done"}, "state: found 'done'"),
        ("fault", {"effect": "broken"}, "effect: found 'broken'"),
        ("fault-closed", {"fault": 0}, "fault: found 0"),
        ("profile", {"toml": ""}, "toml: empty"),
    ],
)
def test_faults_name_the_place_and_what_was_found(kind, change, fault) -> None:
    faults = valid_body(kind, {**WHOLE[kind], **change})
    assert fault in " | ".join(faults)


def test_every_fault_is_listed() -> None:
    body = {"values": {"skin_c": None, "weight": 3}, "flags": 4, "set": None, "x": 1}
    assert len(valid_body("observation", body)) == 5


@pytest.mark.parametrize("body", [None, [], "x", 3, {1: 2}, {"a": object()}, {"a": {1}}])
def test_what_is_no_table_is_a_fault(body) -> None:
    for kind in KINDS:
        assert len(valid_body(kind, body)) >= 1


def test_a_body_too_deep_or_too_large_is_a_fault() -> None:
    deep: dict = {}
    for _ in range(3000):
        deep = {"a": deep}
    plan = WHOLE["trip-planned"]
    assert "levels deep" in valid_body("trip-planned", {**plan, "sheet": deep})[0]
    (fault,) = valid_body("trip-planned", {**plan, "sheet": {"a": "x" * 5_000_000}})
    assert "allowed up to" in fault
    assert "over 300 digits" in valid_body("trip-planned", {**plan, "sheet": {"a": 10**400}})[0]


@pytest.mark.parametrize("kind", ["", "Observation", None, 3, ["check"]])
def test_an_unknown_kind_is_a_fault(kind) -> None:
    assert valid_body(kind, {})[0].startswith("kind: found")
