"""The trip form: to a trip file and back, faults beside fields, and whatever anyone may type."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from warmhold.model import Case, FaultyInput, load_case, parse_case, shipped, shipped_path, template
from warmhold.web.form_fields import BABY, LEG, ROWS, START, SUPPLIES
from warmhold.web.forms import (
    ORIGIN,
    Fields,
    Reading,
    changed,
    fields_of_case,
    fields_of_toml,
    read,
    rows,
)

TRIPS = shipped("trips")


@cache
def case_of(name: str) -> Case:
    return load_case(shipped_path("trips", name))


def pairs(fields: Mapping[str, tuple[str, ...]]) -> list[tuple[str, str]]:
    return [(name, value) for name, values in fields.items() for value in values]


def with_(fields: Fields, **new: str) -> list[tuple[str, str]]:
    """The form with other entries; ``__`` stands for the point in a name."""
    changes = {name.replace("__", "."): (value,) for name, value in new.items()}
    return pairs({**fields, **changes})


def winter(**new: str) -> Reading:
    return read(with_(fields_of_case(case_of("winter-road")), **new))


def told(reading: Reading) -> dict[str, tuple[str, str, str]]:
    return {fault.name: (fault.found, fault.allowed, fault.todo) for fault in reading.faults}


# --- there and back ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TRIPS)
@pytest.mark.parametrize("way", ["case", "text"])
def test_a_shipped_trip_comes_back_the_same(name: str, way: str) -> None:
    case = case_of(name)
    text = shipped_path("trips", name).read_text("utf-8")
    fields = fields_of_case(case) if way == "case" else fields_of_toml(text)
    reading = read(pairs(fields))
    assert reading.faults == ()
    assert reading.case is not None
    assert reading.case.trip == case.trip
    assert reading.case.trip.start.offset == case.trip.start.offset
    assert parse_case(reading.toml, "the text").trip == case.trip
    assert fields_of_toml(reading.toml) == reading.fields


def test_the_template_can_be_filled_in() -> None:
    reading = read(pairs(fields_of_toml(template("trip"))))
    assert reading.faults == ()
    assert reading.case is not None
    assert reading.case.trip == parse_case(template("trip"), "it").trip


def test_every_key_of_a_trip_has_a_field() -> None:
    # a key of the model that no field asks for could not be read by the form
    from warmhold.model import trip  # noqa: PLC0415

    tables = {
        trip.Baby: BABY, trip.Start: START, trip.Leg: LEG, trip.Supplies: SUPPLIES,
        trip.Delay: ROWS["delay"][0], trip.Cylinder: ROWS["supplies.cylinder"][0],
        trip.StoreItem: ROWS["supplies.store"][0],
        trip.SpareBattery: ROWS["supplies.spare_battery"][0],
    }  # fmt: skip
    elsewhere = {
        "country", "letter", "cabin_altitude_ft", "cabin_altitude_m", "cabin_pressure_hpa",
        "door_openings", "cylinder", "store", "spare_battery",
    }  # fmt: skip
    for model, spec in tables.items():
        keys = {field.alias or name for name, field in model.model_fields.items()}
        assert keys - elsewhere - {field.key for field in spec} == set(), model.__name__
        for field in spec:
            found = model.model_fields.get(field.key)
            if found is not None and field.key not in ("water_l", "fill_bar", "offset"):
                assert field.optional != found.is_required(), f"{model.__name__}.{field.key}"


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(TRIPS),
    weight=st.integers(3000, 60000).map(lambda v: v / 10),
    spread=st.none() | st.integers(0, 300).map(lambda v: v / 10),
    oxygen=st.integers(250, 1000).map(lambda v: v / 10),
    minutes=st.integers(1, 14400).map(lambda v: v / 10),
    comma=st.booleans(),
)
def test_changed_numbers_arrive_as_they_were_typed(
    name: str, weight: float, spread: float | None, oxygen: float, minutes: float, comma: bool
) -> None:
    def typed(value: float) -> str:
        return str(value).replace(".", ",") if comma else str(value)

    fields = fields_of_case(case_of(name))
    reading = read(
        with_(
            fields,
            baby__weight_g=typed(weight),
            baby__weight_g__spread="" if spread is None else typed(spread),
            baby__oxygen_percent=typed(oxygen),
            leg__1__minutes=typed(minutes),
            leg__1__minutes__spread="0",
        )
    )
    others = {fault.name for fault in reading.faults}
    assert others <= {"baby.weight_g", "baby.weight_g.spread", "leg.1.door_openings.1.at_min"}
    if reading.case is not None:
        baby = reading.case.trip.baby
        assert baby.weight_g.value == weight
        if spread is None:
            assert baby.weight_g.spread == pytest.approx(weight / 100)  # policy: 1 %
        else:
            assert baby.weight_g.spread == spread
        assert baby.oxygen_percent.value == oxygen
        assert reading.case.trip.legs[0].minutes.value == minutes


# --- how an entry is understood ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "value", "shown"),
    [
        ("36,7", 36.7, "36.7 °C"), ("36.7", 36.7, None), (" 36.7 ", 36.7, None),
        ("+36.7", 36.7, "36.7 °C"), ("37", 37.0, None), ("36, 7", 36.7, "36.7 °C"),
    ],
)  # fmt: skip
def test_a_decimal_comma_is_understood_and_shown(
    typed: str, value: float, shown: str | None
) -> None:
    reading = winter(baby__temperature_c=typed)
    assert reading.case is not None
    assert reading.case.trip.baby.temperature_c.value == value
    assert reading.understood.get("baby.temperature_c") == shown
    assert reading.fields["baby.temperature_c"] == (typed.strip(),)  # as it was typed


def test_a_minus_sign_of_print_is_one() -> None:
    reading = winter(leg__2__ambient_c="−6,5")
    assert reading.case is not None
    assert reading.case.trip.legs[1].ambient_c.value == -6.5


def test_weeks_and_days() -> None:
    reading = winter(baby__gestation_weeks="39+4")
    assert reading.case is not None
    assert reading.case.trip.baby.gestation_weeks == pytest.approx(39 + 4 / 7, abs=1e-4)
    assert reading.understood["baby.gestation_weeks"] == "39 weeks 4 days"


def test_a_decimal_of_weeks_is_not_taken_for_days() -> None:
    reading = winter(baby__gestation_weeks="39.2")
    assert reading.understood["baby.gestation_weeks"] == "39 weeks 1 day"


@pytest.mark.parametrize(("typed", "todo"), [("29+7", "write 30+0"), ("38+10", "write 39+3")])
def test_a_week_has_no_seventh_day(typed: str, todo: str) -> None:
    reading = winter(baby__gestation_weeks=typed)
    found, allowed, says = told(reading)["baby.gestation_weeks"]
    assert (found, allowed) == (f"“{typed}”", "weeks + 0 to 6 days")
    assert says.startswith(todo)
    assert list(told(reading)) == ["baby.gestation_weeks"]


@pytest.mark.parametrize(
    ("typed", "back"), [("29+2", "29+2"), ("39+0", "39"), ("31.5", "31.5"), ("40", "40")]
)
def test_weeks_and_days_come_back_as_they_were_typed(typed: str, back: str) -> None:
    reading = winter(baby__gestation_weeks=typed)
    assert fields_of_toml(reading.toml)["baby.gestation_weeks"] == (back,)
    again = read(pairs(fields_of_toml(reading.toml)))
    assert again.toml == reading.toml


def test_the_keypad_of_a_field_has_every_sign_it_needs() -> None:
    keypads = {field.key: field.keypad for field in (*BABY, *START, *LEG)}
    assert keypads["gestation_weeks"] == "text"
    assert keypads["ambient_c"] == "text", "a keypad of digits has no minus"
    assert keypads["weight_g"] == "decimal"


@pytest.mark.parametrize("typed", ["1.234,5", "3 200", "3200 g", "nan", "1e3", "--3", "0x10", "½"])
def test_what_could_mean_two_things_is_refused(typed: str) -> None:
    reading = winter(baby__weight_g=typed)
    assert list(told(reading)) == ["baby.weight_g"]
    assert reading.case is None


# --- empty is unknown ----------------------------------------------------------------------------


def test_an_empty_optional_field_is_unknown_and_never_zero() -> None:
    fields = fields_of_case(case_of("winter-road"))
    optional = {
        f"leg.3.{field.key}": "" for field in LEG if field.optional and field.key != "cabin.in"
    }
    optional |= {"baby.length_cm": "", "start.air_set_c": "  "}
    reading = read(pairs({**fields, **{name: (value,) for name, value in optional.items()}}))
    assert reading.case is not None
    leg = reading.case.trip.legs[2]
    assert (leg.sun_w_m2, leg.power_limit_w, leg.shared_load_w) == (None, None, None)
    assert reading.case.trip.baby.length_cm is None
    assert reading.case.trip.start.air_set_c is None
    assert "power_limit_w" not in tomllib.loads(reading.toml)["leg"][2]


def test_an_empty_needed_field_is_a_fault_and_never_zero() -> None:
    reading = winter(start__battery_charge_percent="", start__battery_charge_percent__spread="")
    assert told(reading) == {
        "start.battery_charge_percent": ("nothing", "0 to 100 %", "fill this field in")
    }


def test_a_spread_without_its_number_is_a_fault_of_the_number() -> None:
    reading = winter(leg__1__minutes="")
    assert list(told(reading)) == ["leg.1.minutes"]


# --- faults beside their fields ------------------------------------------------------------------


def test_all_faults_come_at_once_in_the_order_of_the_page() -> None:
    reading = winter(
        title="", baby__weight_g="3.2", baby__flow_lpm="-1", leg__2__minutes="0",
        leg__3__door_openings__1__minutes="x", delay__1__leg="road over the pas",
        supplies__cylinder__1__gauge_bar="1600", supplies__store__2__count="1.5",
        start__offset="CET",
    )  # fmt: skip
    assert list(told(reading)) == [
        "title", "baby.weight_g", "baby.flow_lpm", "start.offset", "leg.2.minutes",
        "leg.3.door_openings.1.minutes", "delay.1.leg", "supplies.cylinder.1.gauge_bar",
        "supplies.store.2.count",
    ]  # fmt: skip
    assert told(reading)["baby.weight_g"][2] == "looks like kilograms: write 3200"
    assert told(reading)["delay.1.leg"][2] == 'write "road over the pass"'
    labels = [fault.label for fault in reading.faults]
    assert "Leg 3, opening 1: Open for" in labels
    assert "Cylinder 1: Gauge now" in labels


@pytest.mark.parametrize(
    ("new", "name"),
    [
        ({"baby__support": "cpap"}, "baby.flow_lpm"),
        ({"leg__3__place": "aircraft"}, "leg.3.cabin"),
        ({"leg__3__cabin": "6000"}, "leg.3.cabin.in"),
        ({"leg__3__cabin": "6000", "leg__3__cabin__in": "furlongs"}, "leg.3.cabin.in"),
        ({"supplies__cylinder__1__size": ""}, "supplies.cylinder.1.size"),
        ({"supplies__cylinder__1__size": "UK/Q"}, "supplies.cylinder.1.size"),
        ({"supplies__cylinder__1__water_l": "2"}, "supplies.cylinder.1.size"),
        ({"baby__saturation_target_percent__2": ""}, "baby.saturation_target_percent.1"),
        ({"baby__dressing": "coat"}, "baby.dressing"),
        ({"baby__cooled": "perhaps"}, "baby.cooled"),
        ({"start__now": "last night"}, "start.now"),
        ({"start__now": "2026-02-30T10:00"}, "start.now"),
        ({"start__baby_in": "2026-01-13T02:00"}, "start.baby_in"),
        ({"unit": "no-such-unit"}, "unit"),
        ({"unit": "../../secret.toml"}, "unit"),
        ({"policy": ""}, "policy"),
        ({"leg__2__name": "ward to the door"}, "leg.2.name"),
        ({"leg__1__minutes__spread": "-1"}, "leg.1.minutes.spread"),
    ],
)
def test_a_slip_is_told_at_its_field(new: dict[str, str], name: str) -> None:
    reading = winter(**new)
    assert name in told(reading)
    assert reading.case is None
    found, _, todo = told(reading)[name]
    assert found
    assert todo


def test_no_fault_speaks_of_files() -> None:
    reading = read([("baby.cooled", "1"), ("leg.1.name", "a"), ("supplies.cylinder.1.name", "b")])
    assert len(reading.faults) > 30
    for fault in reading.faults:
        text = f"{fault.found} {fault.allowed} {fault.todo}"
        for word in ("[[", "= ...", "quotes", "_c ", "_percent", "toml", "brackets"):
            assert word not in text, text


def test_a_faulty_unit_file_is_told_at_the_unit() -> None:
    def build(text: str) -> Case:
        from warmhold.model import Fault  # noqa: PLC0415

        raise FaultyInput((Fault("unit.toml", 7, "hood.volume_l", "-1", "above 0", "mend it"),))

    reading = read(pairs(fields_of_case(case_of("winter-road"))), build)
    assert told(reading) == {
        "unit": ("in its file, line 7, hood.volume_l: -1", "above 0", "mend it")
    }


# --- rows ----------------------------------------------------------------------------------------


def names_of(fields: Fields, prefix: str = "leg") -> list[str]:
    return [row["name"][0] for row in rows(fields, prefix)]


LEGS = [leg.name for leg in case_of("winter-road").trip.legs]


@pytest.mark.parametrize(
    ("what", "expected", "shown"),
    [
        ("leg.add", [*LEGS, ""], "leg.6"),
        ("leg.2.remove", [LEGS[0], *LEGS[2:]], "leg.2"),
        ("leg.5.remove", LEGS[:4], "leg.4"),
        ("leg.2.up", [LEGS[1], LEGS[0], *LEGS[2:]], "leg.1"),
        ("leg.1.up", LEGS, "leg.1"),
        ("leg.4.down", [*LEGS[:3], LEGS[4], LEGS[3]], "leg.5"),
        ("leg.1.copy", [LEGS[0], *LEGS], "leg.2"),
        ("leg.9.remove", LEGS, ""),
        ("leg.0.up", LEGS, ""),
        ("baby.add", LEGS, ""),
        ("", LEGS, ""),
    ],
)
def test_legs_are_added_removed_and_moved(what: str, expected: list[str], shown: str) -> None:
    fields, place = changed(fields_of_case(case_of("winter-road")), what)
    assert names_of(fields) == expected
    assert place == shown


def test_openings_go_with_their_leg() -> None:
    fields, _ = changed(fields_of_case(case_of("winter-road")), "leg.3.up")
    reading = read(pairs(fields))
    assert reading.case is not None
    openings = [len(leg.door_openings) for leg in reading.case.trip.legs]
    assert openings == [0, 1, 0, 0, 0]
    fields, place = changed(fields, "leg.2.door_openings.add")
    assert place == "leg.2.door_openings.2"
    assert "leg.2.door_openings.2.minutes" in told(read(pairs(fields)))
    fields, _ = changed(fields, "leg.2.door_openings.2.remove")
    assert read(pairs(fields)).case == reading.case


def test_gaps_in_the_numbers_are_closed() -> None:
    reading = read([("leg.7.name", "b"), ("leg.3.name", "a"), ("leg.7.minutes", "x")])
    assert names_of(reading.fields) == ["a", "b"]
    assert "leg.2.minutes" in told(reading)


def test_too_many_rows_are_told() -> None:
    many = [(f"leg.{n}.name", f"leg {n}") for n in range(1, 500)]
    reading = read(many)
    assert told(reading)["leg"] == ("more than 40 of them", "40", "remove some, or join two")
    assert reading.case is None


# --- whatever anyone may type --------------------------------------------------------------------

NAMES = sorted(
    {name for trip in TRIPS for name in fields_of_case(case_of(trip))}
    | {"leg.2.cabin", "leg.2.cabin.in", "leg.2.sun_w_m2.spread", "start.offset", "unknown.thing"}
)
anything = st.one_of(
    st.text(max_size=40),
    st.sampled_from(["", "0", "-0", "1e400", "nan", "inf", "9" * 40, "yes", "no", "\x00", "\ud800",
                     "2026-01-14T02:40", "0001-01-01T00:00", "9999-12-31T23:59", "UK/D", "/",
                     "+14:59", "-12:00", "\"'''\n[[leg]]", "{ value = 1 }", "true"]),
    st.integers(-(10**12), 10**12).map(str),
    st.floats().map(str),
)  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(
    base=st.sampled_from(TRIPS) | st.none(),
    new=st.lists(
        st.tuples(
            st.sampled_from(NAMES) | st.from_regex(r"[a-z.0-9_]{1,20}", fullmatch=True), anything
        ),
        max_size=25,
    ),
)
@example(base="winter-road", new=[("start.now", "9999-12-31T23:59"), ("start.offset", "-12:00")])
@example(base="winter-road", new=[("start.now", "0001-01-01T00:00"), ("start.offset", "+14:00")])
@example(base=None, new=[("leg.1.door_openings.1", "x"), ("leg", "y"), ("leg.1", "z")])
def test_garbage_gives_faults_and_never_an_exception(
    base: str | None, new: list[tuple[str, str]]
) -> None:
    fields = dict(fields_of_case(case_of(base))) if base else {}
    for name, value in new:
        fields[name] = (*fields.get(name, ()), value)
    reading = read(pairs(fields))
    assert (reading.case is None) == bool(reading.faults)
    for fault in reading.faults:
        assert fault.label
        assert fault.found
        assert fault.todo or fault.allowed
    tomllib.loads(reading.toml)  # what is handed on is always a text that can be read
    again = read(pairs(reading.fields))
    assert again.fields == reading.fields
    assert [fault.name for fault in again.faults] == [fault.name for fault in reading.faults]


STEPS = [
    f"{row}.{verb}"
    for row in ("leg", "delay", "leg.1.door_openings", "supplies.cylinder")
    for verb in ("add", "1.remove", "2.up", "1.down", "1.copy", "99.up")
]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(STEPS), max_size=12))
def test_rows_can_be_pushed_about_at_will(steps: list[str]) -> None:
    fields = fields_of_case(case_of("winter-road"))
    for step in steps:
        fields, _ = changed(fields, step)
    assert read(pairs(fields)).toml


def test_a_fault_is_told_as_it_was_typed_and_a_time_as_it_is_read() -> None:
    fields = fields_of_toml(shipped_path("trips", "winter-road").read_text("utf-8"))
    pairs = [(name, value) for name, values in fields.items() for value in values]
    wrong = {"baby.gestation_weeks": "93+5", "start.baby_in": "2026-01-13T03:05"}
    typed = [(name, wrong.get(name, value)) for name, value in pairs]
    reading = read(typed, lambda text: parse_case(text, ORIGIN))
    found = {fault.name: (fault.found, fault.allowed) for fault in reading.faults}
    assert found["baby.gestation_weeks"][0] == "“93+5”"
    then, now = "Tue 13 Jan 2026 03:05", "Wed 14 Jan 2026 02:40"
    assert found["start.baby_in"] == (then, f"not before now, {now}")
