"""Good files load, and say what they said; bad ones are told, whatever they hold."""

import os
import pickle
import re
import tomllib
from dataclasses import FrozenInstanceError
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import pytest
from ambiance import Atmosphere
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from warmhold.model import (
    Baby,
    Fault,
    FaultyInput,
    Leg,
    Policy,
    Quantity,
    Trip,
    Unit,
    check_file,
    load_case,
    parse_case,
    shipped,
    shipped_path,
    template,
)

KINDS: tuple[Literal["units", "policies", "trips"], ...] = ("units", "policies", "trips")
SHIPPED = [(kind, name) for kind in KINDS for name in shipped(kind)]
WINTER = shipped_path("trips", "winter-road")
TEXT = WINTER.read_text("utf-8")


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(FaultyInput) as caught:
        parse_case(text, "form")
    return caught.value.faults


@pytest.mark.parametrize(("kind", "name"), SHIPPED, ids=str)
def test_shipped_files_have_no_fault(
    kind: Literal["units", "policies", "trips"], name: str
) -> None:
    assert check_file(shipped_path(kind, name)) == ()


def test_what_is_shipped() -> None:
    assert {"winter-road", "island-flight", "cooled-hot-day", "term-by-day"} <= set(
        shipped("trips")
    )
    assert shipped("units") == ("alder-single", "rowan-double")
    with pytest.raises(KeyError):
        shipped_path("units", "../trips/winter-road")


@pytest.mark.parametrize("name", shipped("trips"))
def test_shipped_trips_survive_writing_out_and_reading_in(name: str) -> None:
    case = load_case(shipped_path("trips", name))
    assert Trip.model_validate(case.trip.model_dump(by_alias=True)) == case.trip
    assert Unit.model_validate(case.unit.model_dump()) == case.unit
    assert Policy.model_validate(case.policy.model_dump()) == case.policy
    assert pickle.loads(pickle.dumps(case)) == case


def values_of(model: BaseModel) -> dict[str, Any]:
    return {
        field.alias or name: getattr(model, name)
        for name, field in type(model).model_fields.items()
    }


def assert_says_the_same(raw: Any, read: Any, path: str = "") -> int:
    """Compare a file's values with what was read from them, key by key; return how many."""
    if isinstance(read, Quantity):
        value, spread = (raw["value"], raw["spread"]) if isinstance(raw, dict) else (raw, None)
        assert read.value == value, path
        assert spread is None or read.spread == spread, path
        return 1
    if isinstance(read, BaseModel):
        inside = values_of(read)
        return sum(
            assert_says_the_same(one, inside[key], f"{path}.{key}") for key, one in raw.items()
        )
    if isinstance(read, tuple):
        assert len(read) == len(raw), path
        return sum(assert_says_the_same(a, b, path) for a, b in zip(raw, read, strict=True))
    assert read == raw, path
    return 1


@pytest.mark.parametrize("name", shipped("trips"))
def test_every_value_of_a_trip_arrives(name: str) -> None:
    path = shipped_path("trips", name)
    raw = tomllib.loads(path.read_text("utf-8"))
    assert assert_says_the_same(raw, load_case(path).trip) > 60


@pytest.mark.parametrize("name", shipped("units"))
def test_every_value_of_a_unit_arrives(name: str) -> None:
    raw = tomllib.loads(shipped_path("units", name).read_text("utf-8"))
    assert assert_says_the_same(raw, Unit.model_validate(_tuples(raw))) > 60


def _tuples(given: Any) -> Any:
    if isinstance(given, dict):
        return {key: _tuples(one) for key, one in given.items()}
    return tuple(map(_tuples, given)) if isinstance(given, list) else given


def test_a_plain_number_takes_policys_spread_and_says_so() -> None:
    policy = tomllib.loads(shipped_path("policies", "cautious").read_text("utf-8"))
    default = {key: one["value"] for key, one in policy["spread"].items()}
    assert len(set(default.values())) > 3  # so that a mix-up of keys would show
    trip = load_case(WINTER).trip
    assert trip.baby.weight_g == Quantity(
        value=3200,
        spread=3200 * default["weight_percent"] / 100,
        provenance="stated",
        note="spread assumed by policy",
    )
    assert trip.baby.temperature_c.spread == default["temperature_k"]  # not per cent of 36.7
    assert trip.legs[0].humidity_percent.spread == default["humidity_points"]  # of 40 %
    assert trip.legs[2].wind_m_s.spread == pytest.approx(0.2 * default["wind_percent"] / 100)
    assert trip.baby.oxygen_percent == Quantity(value=30, spread=3, provenance="stated")


def test_policy_decides_the_spread(tmp_path: Path) -> None:
    policy = shipped_path("policies", "cautious").read_text("utf-8")
    changed, count = re.subn(
        r"weight_percent = \{ value = [\d.]+", "weight_percent = { value = 7.5", policy
    )
    assert count == 1
    (tmp_path / "ours.toml").write_text(changed, "utf-8")
    trip = tmp_path / "trip.toml"
    trip.write_text(TEXT.replace('policy = "cautious"', 'policy = "ours.toml"'), "utf-8")
    assert load_case(trip).trip.baby.weight_g.spread == pytest.approx(240)


def test_faults_of_trip_unit_and_policy_come_together(tmp_path: Path) -> None:
    unit = shipped_path("units", "alder-single").read_text("utf-8")
    (tmp_path / "u.toml").write_text(unit.replace('wall = "single"', 'wall = "none"'), "utf-8")
    (tmp_path / "p.toml").write_text("format = 1\nname = \n", "utf-8")
    trip = tmp_path / "trip.toml"
    text = TEXT.replace('"cautious"', '"p.toml"').replace('"alder-single"', '"./u.toml"')
    trip.write_text(text.replace("weight_g = 3200", "weight_g = 3.2"), "utf-8")
    found = {(Path(fault.file).name, fault.key) for fault in check_file(trip)}
    assert found == {("trip.toml", "baby.weight_g"), ("u.toml", "wall"), ("p.toml", "")}


def test_unknown_is_none_and_never_zero() -> None:
    case = load_case(WINTER)
    assert case.trip.baby.flow_lpm is None
    assert case.trip.start.air_set_c is None
    assert case.trip.legs[0].sun_w_m2 is None
    assert case.trip.legs[0].shared_load_w is None
    assert case.unit.battery.health is None
    assert case.trip.supplies.compressor_w is None


def test_moments_are_utc_and_keep_their_offset() -> None:
    trip = load_case(shipped_path("trips", "island-flight")).trip
    assert trip.start.now == datetime(2026, 3, 3, 12, 10, tzinfo=UTC)
    assert trip.start.now.tzinfo is UTC
    assert trip.start.offset == timedelta(hours=-3)


def test_letters_are_looked_up() -> None:
    supplies = load_case(WINTER).trip.supplies
    assert (supplies.cylinders[0].water_l, supplies.cylinders[0].fill_bar) == (2.32, 137)
    assert (supplies.store[1].water_l, supplies.store[1].country) == (9.43, None)


def test_a_letter_of_one_country_needs_no_country() -> None:
    text = TEXT.replace('country = "UK"                   # with', "# with").replace(
        'letter = "D"\ngauge_bar = { value = 110', 'letter = "ZX"\ngauge_bar = { value = 110'
    )
    cylinder = parse_case(text, "form").trip.supplies.cylinders[0]
    assert (cylinder.country, cylinder.letter, cylinder.water_l) == ("UK", "ZX", 10)


@pytest.mark.parametrize(
    ("key", "value", "altitude_m"),
    [
        ("cabin_altitude_ft", 7500, 7500 * 0.3048),
        ("cabin_altitude_m", 2286, 2286),
        ("cabin_altitude_ft", -1000, -304.8),
        ("cabin_altitude_m", 0, 0),
    ],
)
def test_cabin_pressure_against_another_library(key: str, value: float, altitude_m: float) -> None:
    leg = load_case(WINTER).trip.legs[1].model_copy(update={key: float(value)})
    # ambiance takes geometric height; below 3 km it differs by less than 1 m of pressure
    # altitude per 2 km, which is 0.012 kPa
    assert leg.pressure_kpa == pytest.approx(Atmosphere(altitude_m).pressure[0] / 1000, abs=0.012)


def test_cabin_pressure_as_read() -> None:
    leg = load_case(WINTER).trip.legs[1]
    assert leg.pressure_kpa == 101.325
    assert leg.model_copy(update={"cabin_pressure_hpa": 765.0}).pressure_kpa == 76.5


def test_grids() -> None:
    grid = load_case(WINTER).unit.limits.air_set_c
    assert grid.steps == 150
    assert all(grid.contains(23 + i / 10) for i in range(151))
    assert not any(grid.contains(value) for value in (22.9, 38.1, 35.05, 35.01))


def test_inputs_are_frozen_and_strict() -> None:
    case = load_case(WINTER)
    with pytest.raises(ValidationError):
        case.trip.baby.age_h = 6.0  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        case.trip_file = ""  # type: ignore[misc]
    with pytest.raises(ValidationError):
        Baby.model_validate(case.trip.baby.model_dump() | {"age_h": "5"})
    with pytest.raises(ValidationError):
        Baby.model_validate(case.trip.baby.model_dump() | {"weight_g": 3200})  # no spread known
    with pytest.raises(ValidationError):
        Leg.model_validate(case.trip.legs[0].model_dump() | {"minute": 3})


def test_text_from_elsewhere_opens_no_file() -> None:
    assert parse_case(TEXT, "form").trip_file == "form"
    for name in ("/etc/hostname", "../units/alder-single.toml", "alder-single.toml"):
        faults = faults_of(TEXT.replace('unit = "alder-single"', f'unit = "{name}"'))
        assert [fault.key for fault in faults] == ["unit"]
        assert faults[0].file == "form"


def test_a_byte_order_mark_and_windows_line_ends_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "trip.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load_case(path).trip == load_case(WINTER).trip
    path.write_bytes(path.read_bytes().replace(b"weight_g = 3200", b"weight_g = 3.2"))
    line = TEXT.split("\n").index("weight_g = 3200") + 1
    assert [(fault.line, fault.key) for fault in check_file(path)] == [(line, "baby.weight_g")]


def only_fault(path: Path) -> Fault:
    faults = check_file(path)
    assert len(faults) == 1
    with pytest.raises(FaultyInput) as caught:
        load_case(path)
    assert caught.value.faults == faults
    return faults[0]


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    assert only_fault(tmp_path).found == "a folder"
    (tmp_path / "winter.toml").write_text(TEXT, "utf-8")
    missing = only_fault(tmp_path / "wintre.toml")
    assert (missing.found, missing.line) == ("no such file", None)
    assert "winter.toml" in missing.todo
    wide = tmp_path / "wide.toml"
    wide.write_bytes(TEXT.encode("utf-16"))
    assert "UTF-16" in only_fault(wide).todo
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'format = 1\ntitle = "caf\xe9"\n')
    assert only_fault(latin).line == 2
    big = tmp_path / "big.toml"
    big.write_text("# " + "x" * 1_000_001, "utf-8")
    assert only_fault(big).found == "a file above 1 MB"
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert only_fault(pipe).found == "something that is not a file"
    assert only_fault(Path("nul\0byte.toml")).line is None


def test_deep_nesting_and_endless_digits_are_told(tmp_path: Path) -> None:
    path = tmp_path / "deep.toml"
    path.write_text("a = " + "[" * 5000 + "]" * 5000, "utf-8")
    assert only_fault(path).line == 1
    path.write_text("a = " + "9" * 5000, "utf-8")
    assert only_fault(path).line == 1


def test_a_unit_in_place_of_a_trip_is_told() -> None:
    with pytest.raises(FaultyInput) as caught:
        load_case(shipped_path("units", "alder-single"))
    assert [fault.found for fault in caught.value.faults] == ["a unit file"]


@pytest.mark.parametrize("kind", ["trip", "unit", "policy"])
def test_templates_are_valid_as_they_stand(
    kind: Literal["trip", "unit", "policy"], tmp_path: Path
) -> None:
    path = tmp_path / "new.toml"
    path.write_text(template(kind), "utf-8")
    assert check_file(path) == ()
    assert template(kind).startswith("#")


def test_remarks_of_the_trip_template_are_valid_too() -> None:
    """What the template offers behind a # can be used as written."""
    rows = []
    for row in template("trip").splitlines():
        body = row.removeprefix("# ")
        offered = row.startswith("# ") and re.match(r"\[\[|[a-z_]+ = ", body)
        rows.append(body if offered else row)
    text = "\n".join(rows).replace('air_from = "cylinder" ', 'air_from = "compressor" ')
    trip = parse_case(text, "form").trip
    assert trip.baby.length_cm == 50
    assert trip.start.air_set_c == 35
    assert trip.legs[1].power_limit_w == 200
    assert trip.supplies.store[0].count == 1
    assert trip.supplies.spare_batteries[0].owned == 2


ROWS = TEXT.split("\n")
NASTY = st.sampled_from(
    [
        *("true", "-1", "0", "nan", "inf", "1e999", "10" * 400, '""', '"x"', '"\\u0000"'),
        *("[]", "[[]]", "[{}]", "[1, 2, 3]", "{}", "{ value = 1 }", '{ value = "a", spread = [] }'),
        *("{ value = nan, spread = 1 }", "1979-05-27", "07:32:00"),
        *("9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+12:00"),
    ]
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, len(ROWS) - 1), st.sampled_from("vdrk"), NASTY),
        min_size=1,
        max_size=4,
    )
)
def test_no_slip_of_hand_goes_through_or_crashes(slips: list[tuple[int, str, str]]) -> None:
    """Values replaced, lines dropped or doubled, keys renamed: faults, or a trip that says so."""
    rows = list(ROWS)
    for at, how, value in slips:
        key, equals, _ = rows[at].partition(" = ")
        if how == "v" and equals:
            rows[at] = f"{key} = {value}"
        elif how == "d":
            rows[at] = ""
        elif how == "r":
            rows[at] = f"{rows[at]}\n{rows[at]}"
        elif how == "k" and equals:
            rows[at] = f"{key}x = {value}"
    text = "\n".join(rows)
    faults: tuple[Fault, ...] = ()
    try:
        case = parse_case(text, "form")
    except FaultyInput as error:
        faults = error.faults
    else:
        assert_says_the_same(tomllib.loads(text), case.trip)
        return
    assert faults
    for fault in faults:
        assert fault.line is not None
        assert 1 <= fault.line <= text.count("\n") + 1
        assert fault.todo
        assert str(fault).isprintable()
