"""A trip as a FHIR R4 Bundle: validated, checked against published profiles, and read back.

The library validates R4B (4.3.0), which for the resources used here has the same elements as R4;
it no longer has R4 itself. The profiles are checked by rows with their sources, because the
library knows none.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from fhir.resources.R4B.bundle import Bundle
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.trips import MONITOR, TRIP, record_with
from record.sample import FULL
from reference_rows import rows
from warmhold.exchange import codes
from warmhold.exchange.fhir import bundle_of, from_bundle, from_text, to_text
from warmhold.exchange.fhir.alerts_r6 import alerts_of
from warmhold.exchange.outgoing import Outgoing, Series, Value, outgoing
from warmhold.model.fault import FaultyInput
from warmhold.record import NUMBERS, WORDS, Trouble

MUTATED = 10_000 if FULL else 300


@pytest.fixture(scope="module")
def out(tmp_path_factory) -> Outgoing:
    with record_with(tmp_path_factory.mktemp("fhir") / "r") as record:
        return outgoing(record.events(), TRIP, record.head())


@pytest.fixture(scope="module")
def bundle(out) -> dict[str, Any]:
    return bundle_of(out)


def _resources(bundle, kind: str) -> list[dict[str, Any]]:
    found = (entry["resource"] for entry in bundle["entry"])
    return [one for one in found if one["resourceType"] == kind]


def _observations(bundle, quantity: str) -> list[dict[str, Any]]:
    return [
        one
        for one in _resources(bundle, "Observation")
        if {"system": codes.LOCAL, "code": quantity}.items()
        <= one["code"]["coding"][-1].items()
    ]  # fmt: skip


def _target(bundle, reference: Mapping[str, str]) -> dict[str, Any]:
    found = [e["resource"] for e in bundle["entry"] if e["fullUrl"] == reference["reference"]]
    assert len(found) == 1
    return found[0]


def _validated(bundle) -> int:
    Bundle.model_validate_json(to_text(bundle))
    for entry in bundle["entry"]:
        resource = entry["resource"]
        get_fhir_model_class(resource["resourceType"]).model_validate(copy.deepcopy(resource))
    return len(bundle["entry"])


# --- against a library and the published profiles ------------------------------------------------


def test_the_library_takes_every_resource(bundle) -> None:
    assert _validated(bundle) == 54
    kinds = {entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert kinds == {"Patient", "Encounter", "Device", "DeviceMetric", "Observation", "Flag"}


def test_the_library_would_have_found_a_wrong_one(bundle) -> None:
    for spoil in (
        lambda b: _resources(b, "Observation")[0].pop("status"),
        lambda b: _resources(b, "DeviceMetric")[0].pop("category"),
        lambda b: _resources(b, "Encounter")[0].pop("class"),
        lambda b: _resources(b, "Observation")[0].update(device="x"),
    ):
        spoilt = copy.deepcopy(bundle)
        spoil(spoilt)
        with pytest.raises(ValueError, match="validation error"):
            _validated(spoilt)


def _count(resource: Mapping[str, Any], path: str) -> int:
    name, _, rest = path.partition(".")
    value = resource.get(name)
    if value is None:
        return 0
    if rest:
        return _count(value, rest)
    return len(value) if isinstance(value, list) else 1


def _codings(resource: Mapping[str, Any], path: str) -> set[tuple[str, str]]:
    value = resource[path]
    if path == "valueQuantity":
        return {(value["system"], value["code"])}
    concepts = value if isinstance(value, list) else [value]
    return {(one["system"], one["code"]) for concept in concepts for one in concept["coding"]}


@pytest.mark.parametrize("row", rows("codes", "oxygen_saturation_profile"))
def test_saturation_has_what_its_published_profile_needs(bundle, row) -> None:
    claimed = [
        one
        for one in _resources(bundle, "Observation")
        if "http://hl7.org/fhir/StructureDefinition/oxygensat"
        in one.get("meta", {}).get("profile", [])
    ]
    assert len(claimed) == 2
    for one in claimed:
        assert row["expected_least"] <= _count(one, row["path"]) <= row["expected_most"]
        if "code" in row:
            assert (row["system"], row["code"]) in _codings(one, row["path"])


@pytest.mark.parametrize("row", rows("codes", "device_metric_profile"))
def test_what_a_device_told_has_what_the_published_profile_needs(bundle, row) -> None:
    told = [one for one in _resources(bundle, "Observation") if "device" in one]
    assert len(told) == 19
    for one in told:
        assert row["expected_least"] <= _count(one, row["path"]) <= row["expected_most"]
        assert _target(bundle, one["device"])["resourceType"] == "DeviceMetric"
        assert _target(bundle, one["subject"])["resourceType"] in ("Patient", "Device")


@pytest.mark.parametrize("row", rows("codes", "device_alert_draft"))
def test_alerts_have_what_the_draft_needs_and_are_not_in_the_bundle(out, bundle, row) -> None:
    alerts = _resources(alerts_of(out), "DeviceAlert")
    assert len(alerts) == 1
    assert row["expected_least"] <= _count(alerts[0], row["path"]) <= row["expected_most"]
    assert alerts[0]["status"] in ("in-progress", "completed", "entered-in-error")
    assert _target(bundle, alerts[0]["subject"])["resourceType"] == "Patient"
    assert _resources(bundle, "DeviceAlert") == []


# --- what it says -------------------------------------------------------------------------------


def test_the_patient_is_a_pseudonym_and_nothing_else(bundle) -> None:
    (patient,) = _resources(bundle, "Patient")
    assert set(patient) == {"resourceType", "id", "identifier"}
    assert patient["identifier"][0]["value"] == "Heron 7"
    text = to_text(bundle)
    assert "birthDate" not in text
    assert "mira" not in text  # who entered a value is not passed on


def test_the_same_record_gives_the_same_bytes(out, bundle, tmp_path) -> None:
    with record_with(tmp_path / "again") as record:
        again = outgoing(record.events(), TRIP, record.head())
        alone = outgoing(record.events(TRIP), TRIP)
    assert to_text(bundle_of(again)) == to_text(bundle) == to_text(bundle_of(alone))
    ids = [entry["resource"]["id"] for entry in bundle["entry"]]
    assert len(set(ids)) == len(ids)
    assert bundle["identifier"]["value"] == f"{out.head[1]} {TRIP}"


def test_two_trips_share_no_id(tmp_path) -> None:
    with record_with(tmp_path / "r", "T1", "T2") as record:
        both = [bundle_of(outgoing(record.events(), trip, record.head())) for trip in ("T1", "T2")]
        with pytest.raises(Trouble, match="no planned trip 'T9'"):
            outgoing(record.events(), "T9")
    first, second = ({entry["fullUrl"] for entry in one["entry"]} for one in both)
    assert len(first) == len(second) == 54
    assert not first & second


def test_baby_and_room_have_their_own_subject(bundle) -> None:
    for quantity, kind in (("skin_c", "Patient"), ("air_c", "Device"), ("flow_lpm", "Device")):
        found = _observations(bundle, quantity)
        assert found
        for one in found:
            subject = _target(bundle, one["subject"])
            assert subject["resourceType"] == kind
            if kind == "Device":
                assert subject["type"]["text"] == "transport incubator"
    told = [one for one in _observations(bundle, "air_c") if one["category"][-1]["coding"][0][
        "code"] == "device"]  # fmt: skip
    assert len(told) == 1
    metric = _target(bundle, told[0]["device"])
    assert _target(bundle, metric["source"])["deviceName"][0]["name"] == MONITOR


def test_corrected_struck_out_and_flagged(bundle) -> None:
    found = {
        one["identifier"][0]["value"]: one
        for one in _observations(bundle, "skin_c") + _observations(bundle, "air_c")
    }
    assert found["4 skin_c"]["status"] == "corrected"
    assert found["4 skin_c"]["valueQuantity"]["value"] == 36.4
    assert found["4 skin_c"]["note"] == [{"text": "Before the correction: 63.4"}]
    assert found["4 air_c"]["status"] == "entered-in-error"  # taken out by the correction
    assert found["5 skin_c"]["status"] == "entered-in-error"  # struck out
    assert found["3 skin_c"]["status"] == "final"
    assert found["3 skin_c"]["note"][0]["text"].endswith("by 0.9")
    assert found["3 skin_c"]["effectiveDateTime"] == "2026-01-14T03:20:00.000000+00:00"


def test_what_was_not_read_is_no_value_and_never_zero(out, bundle) -> None:
    sampled = [one for one in _resources(bundle, "Observation") if "valueSampledData" in one]
    data = {one["identifier"][0]["value"]: one["valueSampledData"] for one in sampled}
    assert data["11.1 saturation_pre_percent"]["data"] == "95.0 E 94.5 96.0"
    assert data["11.1 pulse_per_min"]["data"] == "140.0 141.0 E 143.0"
    assert data["11.1 pulse_per_min"]["period"] == 60_000
    assert data["12.1 air_c"]["data"] == "34.25 E"
    assert data["12.1 air_c"]["period"] == 57_500
    alone = replace(out, values=(), series=(replace(out.series[-1], values=(34.0, 34.1, None)),))
    absent = [
        one for one in _resources(bundle_of(alone), "Observation") if "dataAbsentReason" in one
    ]
    assert [one["identifier"][0]["value"] for one in absent] == ["12.3 air_c"]
    assert not any(name.startswith("value") for name in absent[0])
    assert absent[0]["dataAbsentReason"]["coding"][0]["code"] == "unknown"


def test_a_long_trend_with_gaps_is_a_few_observations(out) -> None:
    minutes = [float(60 * n) for n in range(700) if n not in (120, 121, 122, 400)]
    values = tuple(36.0 + n % 9 / 10 for n in range(len(minutes)))
    series = replace(out.series[0], seconds=tuple(minutes), values=values)
    long = replace(out, values=(), series=(series,))
    sampled = [one for one in _resources(bundle_of(long), "Observation")
               if "valueSampledData" in one]  # fmt: skip
    assert [len(one["valueSampledData"]["data"].split()) for one in sampled] == [120, 277, 299]
    _there_and_back(long)


def test_a_trend_with_a_row_missing_or_twice_is_refused(out, bundle) -> None:
    def spoilt(change) -> str:
        document = copy.deepcopy(bundle)
        (piece,) = [e for e in document["entry"] if e["resource"].get("identifier", [{}])[0].get(
            "value") == "12.1 air_c"]  # fmt: skip
        change(document["entry"], piece)
        return _refused(document)

    def one_fewer(_entries, piece) -> None:
        piece["resource"]["valueSampledData"]["data"] = "34.25"

    def one_more(_entries, piece) -> None:
        piece["resource"]["valueSampledData"]["data"] += " 35.0"

    def later(_entries, piece) -> None:
        piece["resource"]["effectiveDateTime"] = "2026-01-14T05:00:00Z"

    def other(_entries, piece) -> None:
        piece["resource"]["status"] = "corrected"

    assert "2 rows of 1 to 3" in spoilt(one_fewer)
    assert "a place in the record of its own" in spoilt(one_more)
    assert "rows out of their order" in spoilt(later)
    assert "rows with different heads" in spoilt(other)


def test_codes_from_memory_go_out_only_when_asked_for(out, bundle) -> None:
    asked = bundle_of(out, memory=True)
    for one, number in ((bundle, 0), (asked, 1)):
        systems = [c["system"] for c in _observations(one, "glucose_mmol_l")[0]["code"]["coding"]]
        assert systems.count(codes.LOINC) == number
    assert _validated(asked) == 54


# --- there and back -----------------------------------------------------------------------------


def _place(value: Value) -> tuple[int, int, str]:
    return value.entry, value.row, value.quantity


def _all(values, series) -> list[Value]:
    every = [*values, *(value for one in series for value in one.rows())]
    return sorted((replace(value, was=None) for value in every), key=_place)


def _there_and_back(out: Outgoing) -> None:
    text = to_text(bundle_of(out))
    back = from_text(text)
    assert _all(back.values, back.series) == _all(out.values, out.series)
    assert (back.trip, back.head) == (out.trip, out.head[1])
    assert back.pseudonym == (out.pseudonym or "unknown")
    assert from_bundle(json.loads(text)) == back


def test_a_trip_comes_back_as_it_went(out) -> None:
    _there_and_back(out)


_numbers = st.floats(allow_nan=False, allow_infinity=False)
_word = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=9)
_clean = st.lists(_word, min_size=1, max_size=3).map(" ".join)
_moments = st.datetimes(
    min_value=datetime(2000, 1, 2), max_value=datetime(2090, 1, 1)
).map(lambda moment: moment.replace(tzinfo=UTC))  # fmt: skip


@st.composite
def _outgoings(draw) -> Outgoing:
    values, series = [], []
    for entry in range(2, draw(st.integers(2, 8))):
        kind = draw(st.sampled_from(("regular", "extra", "device")))
        teller = draw(_clean) if kind == "device" else ""
        gauge = draw(_clean.map(lambda name: f"gauge_bar:{name}"))
        names = draw(st.sets(st.sampled_from((*NUMBERS, *WORDS, gauge)), min_size=1, max_size=5))
        at, saved = draw(_moments), draw(_moments)
        status = draw(st.sampled_from(("final", "corrected", "entered-in-error")))
        for name in sorted(names):
            value = draw(_clean | st.just("") if name in WORDS else _numbers)
            flag = draw(st.just("") | _clean)
            values.append(Value(entry, name, value, at, saved, status, kind, teller, flag))
    for entry in range(100, draw(st.integers(100, 103))):
        step = draw(st.sampled_from((0.5, 1.0, 60.0, 0.1, 7.3)))
        seconds = tuple(number * step for number in range(draw(st.integers(1, 6))))
        if draw(st.booleans()):
            seconds = tuple(second + 0.25 for second in seconds)
        status = draw(st.sampled_from(("final", "corrected")))
        at, teller = draw(_moments), draw(_clean)
        for name in sorted(draw(st.sets(st.sampled_from(NUMBERS), min_size=1, max_size=3))):
            found = draw(st.tuples(*[st.none() | _numbers] * len(seconds)))
            series.append(Series(entry, name, at, at, seconds, found, status, teller))
    offset = draw(st.none() | st.integers(-14 * 60, 14 * 60).map(lambda m: timedelta(minutes=m)))
    return Outgoing(
        trip=draw(_clean), first=draw(st.text("0123456789abcdef", min_size=4, max_size=4)),
        head=(9, "ab" * 32), title="t", pseudonym=draw(st.just("") | _clean),
        weight_g=draw(st.none() | _numbers), gestation_weeks=None, unit=draw(st.just("") | _clean),
        offset=offset, planned=draw(_moments), start=None, end=None, values=tuple(values),
        series=tuple(series), others=(),
    )  # fmt: skip


@settings(max_examples=400 if FULL else 40, deadline=None)
@given(_outgoings())
def test_any_trip_comes_back_as_it_went_and_the_library_takes_it(out) -> None:
    _there_and_back(out)
    _validated(bundle_of(out))


# --- refused ------------------------------------------------------------------------------------


def _refused(bundle) -> str:
    with pytest.raises(FaultyInput) as caught:
        from_bundle(bundle)
    return str(caught.value)


@pytest.mark.parametrize(
    ("spoil", "key", "allowed"),
    [
        (lambda o: o["valueQuantity"].update(value=True), "valueQuantity.value", "a number"),
        (lambda o: o["valueQuantity"].update(value="36"), "valueQuantity.value", "a number"),
        (lambda o: o["valueQuantity"].update(value=10**400), "valueQuantity.value", "a number"),
        (lambda o: o["valueQuantity"].update(code="kPa"), "valueQuantity.code", "Cel, [degF]"),
        (lambda o: o["valueQuantity"].update(comparator="<"), "comparator", "exact"),
        (lambda o: o["valueQuantity"].update(system="x"), "valueQuantity.system", codes.UCUM),
        (lambda o: o.update(effectiveDateTime="2026-01-14T03:20:00"), "effectiveDateTime",
         "with its offset"),
        (lambda o: o.update(effectiveDateTime=None), "effectiveDateTime", "with its offset"),
        (lambda o: o.update(status="done"), "status", "a status"),
        (lambda o: o.pop("subject"), "subject", "Patient or Device"),
        (lambda o: o["subject"].update(reference="urn:uuid:x"), "subject.reference", "Patient or"),
        (lambda o: o.update(dataAbsentReason={"text": "x"}), "resource", "one value, or one"),
        (lambda o: o.pop("valueQuantity"), "resource", "one value, or one"),
        (lambda o: o["code"]["coding"].append(
            {"system": codes.MDC, "code": "188420"}), "code", "codes of one quantity"),
        (lambda o: o["code"]["coding"].insert(0, {"system": codes.MDC, "code": "188424"}), "code",
         "codes of one quantity"),
        (lambda o: o["code"]["coding"].insert(0, {"system": codes.LOINC, "code": "8310-5"}), "code",
         "codes of one quantity"),
        (lambda o: o["code"]["coding"][-1].update(code="skin"), "code", "quantity of the record"),
        (lambda o: o["identifier"][0].update(value="x skin_c"), "identifier[0].value", "entry and"),
        (lambda o: o["identifier"][0].update(value="3 air_c"), "identifier[0].value", "entry and"),
    ],
)  # fmt: skip
def test_a_spoilt_observation_is_refused_with_its_path(bundle, spoil, key, allowed) -> None:
    spoilt = copy.deepcopy(bundle)
    spoil(_observations(spoilt, "skin_c")[0])
    said = _refused(spoilt)
    assert any(key in line and allowed in line for line in said.splitlines()), said


def test_every_reason_is_told_at_once(bundle) -> None:
    spoilt = copy.deepcopy(bundle)
    for one in _observations(spoilt, "skin_c")[:3]:
        one["valueQuantity"]["value"] = None
        one["subject"] = 3
    assert len(_refused(spoilt).splitlines()) == 3 * 3  # value; subject no table, and leads nowhere


def test_an_entry_that_comes_twice_is_refused(bundle) -> None:
    spoilt = copy.deepcopy(bundle)
    again = copy.deepcopy(next(e for e in spoilt["entry"] if e["resource"].get("valueQuantity")))
    again = copy.deepcopy(spoilt["entry"][25])
    again["fullUrl"] = "urn:uuid:another"
    spoilt["entry"].append(again)
    assert "a place in the record of its own" in _refused(spoilt)
    spoilt["entry"].append(copy.deepcopy(spoilt["entry"][0]))
    said = _refused(spoilt)
    assert "an address of its own" in said
    assert "one Patient" in said


def test_a_bundle_of_someone_else_is_understood_by_its_codes() -> None:
    """Constructed here: no local codes, an oxygen saturation, a rectal and an oral temperature."""

    def one(number: int, system: str, code: str, unit: str, value: float) -> dict[str, Any]:
        return {"fullUrl": f"urn:uuid:{number}", "resource": {
            "resourceType": "Observation", "status": "final",
            "code": {"coding": [{"system": system, "code": code}]},
            "subject": {"reference": "urn:uuid:p"},
            "effectiveDateTime": "2026-01-14T04:20:00+01:00",
            "valueQuantity": {"value": value, "system": codes.UCUM, "code": unit},
        }}  # fmt: skip

    patient = {"fullUrl": "urn:uuid:p", "resource": {"resourceType": "Patient"}}
    entries = [patient, one(1, codes.LOINC, "59408-5", "%", 94), one(2, codes.MDC, "188420",
               "[degF]", 98.6), one(3, codes.MDC, "188424", "Cel", 37.0)]  # fmt: skip
    found = from_bundle({"resourceType": "Bundle", "type": "collection", "entry": entries})
    assert [(v.quantity, v.value) for v in found.values] == [
        ("saturation_pre_percent", 94.0),
        ("rectal_c", pytest.approx(37.0)),
    ]
    assert found.values[0].at == datetime(2026, 1, 14, 3, 20, tzinfo=UTC)
    assert len(found.left) == 1


_NO_BUNDLES = (
    "", "{", "[]", "3", "null", "NaN", '{"resourceType": "Patient"}', '{"a": NaN}',
    '{"resourceType": "Bundle", "type": "collection"}', "[" * 100_000, b"\xff\xfe\x00",
    '"\\ud800"',
)  # fmt: skip


@pytest.mark.parametrize("text", _NO_BUNDLES)
def test_what_is_no_bundle_is_refused(text) -> None:
    with pytest.raises(FaultyInput):
        from_text(text)


# --- mutated ------------------------------------------------------------------------------------

_JUNK: tuple[Any, ...] = (
    None, True, False, 0, -1, 1e308, 10**400, "", " ", "x", "\ud800", "\x00", "E", "1e999", [], {},
    [[]], [None], {"a": []}, "urn:uuid:", "2026-02-30T00:00:00Z", "0001-01-01T00:00:00+14:00",
    "９", "1_0", codes.LOCAL, codes.MDC, "188420", float("inf"), float("nan"),
)  # fmt: skip


def mutated(document: Any, rng: random.Random) -> Any:
    """Change one to five places of a document: replaced, removed, doubled, renamed, swapped."""
    document = copy.deepcopy(document)
    for _ in range(rng.randint(1, 5)):
        holder: Any = document
        while True:
            keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
            if not keys:
                break
            key = rng.choice(keys)
            if isinstance(holder[key], (dict, list)) and holder[key] and rng.random() < 0.85:
                holder = holder[key]
                continue
            what = rng.randrange(6)
            if what == 0:
                del holder[key]
            elif what == 1:
                holder[key] = copy.deepcopy(rng.choice(_JUNK))
            elif what == 2 and isinstance(holder, list):
                holder.insert(key, copy.deepcopy(holder[key]))
            elif what == 2:
                holder[f"{key}x"] = holder.pop(key)
            elif what == 3:
                other = rng.choice(keys)
                holder[key], holder[other] = holder[other], holder[key]
            elif what == 4 and isinstance(holder[key], str):
                place = rng.randrange(len(holder[key]) + 1)
                cut = holder[key]
                holder[key] = cut[:place] + rng.choice(("", " ", "9", "-", "é")) + cut[place + 1 :]
            elif what == 5 and isinstance(holder[key], (int, float)) and abs(holder[key]) < 1e300:
                holder[key] = holder[key] * rng.choice((-1, 0.1, 1e300))
            break
    return document


def test_mutated_bundles_are_taken_whole_or_refused_with_every_reason(bundle) -> None:
    rng = random.Random(20260114)
    small = {**bundle, "entry": [e for number, e in enumerate(bundle["entry"])
             if number % 3 == 0 or e["resource"]["resourceType"] != "Observation"]}  # fmt: skip
    refused = taken = unsaid = 0
    for _ in range(MUTATED):
        document = mutated(small, rng)
        try:
            found = from_bundle(document)
        except FaultyInput as error:
            refused += 1
            unsaid += not error.faults or not all(fault.allowed for fault in error.faults)
        else:
            taken += 1
            for value in _all(found.values, found.series):
                assert value.at.tzinfo is not None
                assert codes.code_of(value.quantity) is not None
                assert isinstance(value.value, (float, str)) or value.value is None
    assert unsaid == 0
    assert refused > MUTATED / 10
    assert taken > MUTATED / 20


def test_mutated_texts_are_taken_whole_or_refused(bundle) -> None:
    rng = random.Random(20260115)
    small = {**bundle, "entry": bundle["entry"][:30]}
    raw = json.dumps(small).encode()
    refused = 0
    for _ in range(MUTATED // 10):
        spoilt = bytearray(raw)
        for _ in range(rng.randint(1, 20)):
            spoilt[rng.randrange(len(spoilt))] = rng.randrange(256)
        if rng.random() < 0.3:
            del spoilt[rng.randrange(len(spoilt)) :]
        try:
            from_text(bytes(spoilt))
        except FaultyInput as error:
            refused += bool(error.faults)
    assert refused > MUTATED / 20
