"""Neutral temperature: the equations against worked values, and the edges of every source."""

from __future__ import annotations

import math
import re
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_rows import rows
from warmhold.plan.tables import neutral_tables, parse_neutral
from warmhold.science.neutral import (
    NeutralEstimate,
    hey_air,
    hey_operative,
    neutral_sources,
    operative_c,
    sauer_first_week_c,
    sauer_later_c,
    single_wall_in_range,
)

TABLES = neutral_tables()
MIDDLE_KPA = TABLES.sauer.humidity.middle_kpa
TEXT = resources.files("warmhold").joinpath("data", "tables", "neutral.toml").read_text("utf-8")


def ask(
    weight_g: float, weeks: float, age_h: float, vapour_kpa: float | None = MIDDLE_KPA
) -> tuple[NeutralEstimate, NeutralEstimate, NeutralEstimate]:
    sauer, scopes, steps = neutral_sources(weight_g, weeks, age_h, vapour_kpa, TABLES)
    return sauer, scopes, steps


def unknown(estimate: NeutralEstimate) -> bool:
    temperatures = (estimate.low_c, estimate.mid_c, estimate.high_c)
    return temperatures == (None, None, None) and estimate.note.startswith("unknown: ")


# --- against worked and printed values ------------------------------------------------------


@pytest.mark.parametrize("row", rows("neutral", "sauer_first_week"))
def test_first_week_equation(row: dict[str, Any]) -> None:
    got = sauer_first_week_c(row["gestation_weeks"], row["age_days"], TABLES.sauer.first_week)
    assert got == pytest.approx(row["expected"], abs=row["tolerance"])
    sauer, _, _ = ask(1500, row["gestation_weeks"], row["age_days"] * 24)
    assert sauer.mid_c == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("neutral", "sauer_later"))
def test_later_equation(row: dict[str, Any]) -> None:
    got = sauer_later_c(row["weight_g"], row["age_days"], TABLES.sauer.later)
    assert got == pytest.approx(row["expected"], abs=row["tolerance"])


def test_equations_take_arrays() -> None:
    days = np.array([1.0, 3.0, 7.0])
    got = sauer_first_week_c(31.0, days, TABLES.sauer.first_week)
    assert got == pytest.approx([35.98, 35.42, 34.30])
    assert hey_operative(np.array([34.0, 35.0]), 20.0) == pytest.approx([32.0, 32.857], abs=1e-3)


@pytest.mark.parametrize("row", rows("neutral", "humidity_span"))
def test_humidity_correction_over_its_measured_span(row: dict[str, Any]) -> None:
    dry, _, _ = ask(1500, 31, 72, row["driest_kpa"])
    wet, _, _ = ask(1500, 31, 72, row["wettest_kpa"])
    middle, _, _ = ask(1500, 31, 72)
    assert dry.mid_c is not None
    assert wet.mid_c is not None
    assert middle.mid_c is not None
    assert dry.mid_c - wet.mid_c == pytest.approx(row["expected"], abs=row["tolerance"])
    assert dry.mid_c - middle.mid_c == pytest.approx(middle.mid_c - wet.mid_c)


@pytest.mark.parametrize("row", rows("neutral", "hey_rule"))
def test_single_wall_rule(row: dict[str, Any]) -> None:
    per = TABLES.single_wall.air_above_room_k
    got = hey_operative(row["air_c"], row["room_c"], per)
    assert got == pytest.approx(row["expected"], abs=row["tolerance"])
    assert hey_air(got, row["room_c"], per) == pytest.approx(row["air_c"])


@pytest.mark.parametrize("row", rows("neutral", "hey_wall") + rows("neutral", "canopy_below_air"))
def test_wall_that_the_rule_implies(row: dict[str, Any]) -> None:
    """The wall at which the weighted mean equals the rule: how far below the air it lies."""
    felt = hey_operative(row["air_c"], row["room_c"])
    low, high = float(row["room_c"]), float(row["air_c"])
    for _ in range(60):
        wall = 0.5 * (low + high)
        if operative_c(row["air_c"], wall, row["radiant_weight"]) < felt:
            low = wall
        else:
            high = wall
    assert row["air_c"] - wall == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", rows("neutral", "scopes_ahmed"))
def test_the_one_cell_that_was_read(row: dict[str, Any]) -> None:
    _, scopes, _ = ask(row["weight_g"], row["gestation_weeks"], row["age_h"])
    assert scopes.mid_c == row["expected"]
    assert scopes.low_c == row["expected_low"]
    assert scopes.high_c == row["expected_high"]
    assert scopes.mark == "verified"
    assert "does not state the age" in scopes.note


def test_only_that_cell_counts_as_read() -> None:
    marks = [row.mark for group in TABLES.scopes_ahmed.groups for row in group.rows]
    assert marks.count("verified") == 1
    assert set(marks) == {"verified", "memory"}
    assert {row.mark for group in TABLES.steps.groups for row in group.rows} == {"memory"}
    assert TABLES.sauer.first_week.mark == "memory"
    assert TABLES.sauer.later.mark == "memory"


# --- edges ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("weeks", "known"), [(28.9, False), (29, True), (34, True), (34.1, False), (39.5, False)]
)
def test_equations_only_from_29_to_34_weeks(weeks: float, known: bool) -> None:
    for age_h in (24, 240):
        sauer, _, _ = ask(1500, weeks, age_h)
        assert unknown(sauer) is not known
        assert known or "29 to 34 weeks" in sauer.note


def test_step_at_day_seven_is_there_and_about_half_a_degree() -> None:
    before, _, _ = ask(1400, 31, 168)
    after, _, _ = ask(1400, 31, 168.001)
    assert before.mid_c is not None
    assert after.mid_c is not None
    assert before.mid_c - after.mid_c == pytest.approx(34.30 - 33.83, abs=0.005)
    assert before.note.startswith("first week")
    assert after.note.startswith("after the first week")


@pytest.mark.parametrize(("weight_g", "age_d"), [(999, 10), (2001, 10), (1500, 28.1)])
def test_later_equation_only_where_it_is_used(weight_g: float, age_d: float) -> None:
    sauer, _, _ = ask(weight_g, 31, age_d * 24)
    assert unknown(sauer)


def test_range_covers_both_ways_to_count_days_but_stays_in_the_week() -> None:
    sauer, _, _ = ask(1500, 31, 84)
    assert sauer.low_c == pytest.approx(36.6 - 0.34 - 0.28 * 4)
    assert sauer.high_c == pytest.approx(36.6 - 0.34 - 0.28 * 3)
    last, _, _ = ask(1500, 31, 168)
    assert last.low_c == last.mid_c == pytest.approx(34.30)


def test_humidity_beyond_what_was_measured_is_held_and_widened_never_stretched() -> None:
    at_edge, _, _ = ask(1500, 31, 72, 2.133)
    drier, _, _ = ask(1500, 31, 72, 1.9)
    driest, _, _ = ask(1500, 31, 72, 1.2)
    assert at_edge.mid_c is not None
    assert at_edge.high_c is not None
    assert drier.mid_c == pytest.approx(at_edge.mid_c)
    assert drier.high_c is not None
    assert drier.high_c > at_edge.high_c
    assert "drier than measured" in drier.note
    assert driest.low_c == pytest.approx(at_edge.low_c)
    assert driest.mid_c is None
    assert driest.high_c is None
    assert "at least" in driest.note

    wet_edge, _, _ = ask(1500, 31, 72, 3.333)
    wetter, _, _ = ask(1500, 31, 72, 3.8)
    wettest, _, _ = ask(1500, 31, 72, 4.5)
    assert wetter.mid_c == pytest.approx(wet_edge.mid_c)
    assert wetter.low_c is not None
    assert wet_edge.low_c is not None
    assert wetter.low_c < wet_edge.low_c
    assert wettest.high_c == pytest.approx(wet_edge.high_c)
    assert wettest.low_c is None
    assert wettest.mid_c is None
    assert "at most" in wettest.note


def test_unknown_humidity_widens_the_range() -> None:
    known, _, _ = ask(1500, 31, 72)
    open_, _, _ = ask(1500, 31, 72, None)
    assert open_.low_c is not None
    assert open_.high_c is not None
    assert known.low_c is not None
    assert known.high_c is not None
    assert known.low_c - open_.low_c == pytest.approx(0.225, abs=0.001)
    assert open_.high_c - known.high_c == pytest.approx(0.225, abs=0.001)
    assert "not known" in open_.note


@pytest.mark.parametrize(
    ("weight_g", "weeks", "age_h", "expected"),
    [
        (1199, 27, 0, (34.0, 35.0, 35.4)),
        (1200, 29, 0, (33.9, 34.1, 34.4)),
        (1500, 31, 95.9, (33.0, 33.5, 34.0)),
        (1500.5, 31, 5, (33.9, 34.1, 34.4)),
        (1501, 31, 6, (32.2, 33.1, 33.8)),
        (2500, 38, 0, (32.8, 33.4, 33.8)),
        (1100, 27, 96, (33.0, 33.5, 34.0)),
        (3200, 39.5, 5, (32.0, 32.9, 33.8)),
        (3200, 39.5, 335.9, (29.0, 29.8, 30.8)),
        (1000, 27, 1007.9, (30.6, 31.4, 32.3)),
    ],
)
def test_cells_of_scopes_and_ahmed(
    weight_g: float, weeks: float, age_h: float, expected: tuple[float, float, float]
) -> None:
    _, scopes, _ = ask(weight_g, weeks, age_h)
    assert (scopes.low_c, scopes.mid_c, scopes.high_c) == expected


@pytest.mark.parametrize(
    ("weight_g", "weeks", "age_h", "why"),
    [
        (3000, 36, 5, "above 36 weeks"),
        (3000, 39, 336, "no row for 3000 g"),
        (1000, 27, 1008, "no row for 1000 g"),
        (1000, 27, -1, "no row for 1000 g"),
        (0, 27, 5, "weight of 0 g"),
        (math.nan, 27, 5, "weight of nan g"),
        (1000, 27, math.nan, "at nan h"),
        (3000, math.nan, 5, "above 36 weeks"),
    ],
)
def test_no_row_is_unknown(weight_g: float, weeks: float, age_h: float, why: str) -> None:
    _, scopes, _ = ask(weight_g, weeks, age_h)
    assert unknown(scopes)
    assert why in scopes.note


@pytest.mark.parametrize(
    ("weight_g", "age_h", "expected"),
    [
        (1499, 239, 35),
        (1499, 240, 34),
        (1499, 504, 33),
        (1499, 840, 32),
        (1500, 0, 34),
        (1999, 240, 33),
        (2050, 672, 32),
        (2100, 47, 34),
        (2500, 48, 33),
        (2500, 504, 32),
        (3200, 47, 33),
        (3200, 48, 32),
        (3200, 1344, None),
        (3200, -0.1, None),
    ],
)
def test_step_table(weight_g: float, age_h: float, expected: float | None) -> None:
    _, _, steps = ask(weight_g, 40, age_h)
    assert steps.mid_c == expected
    assert steps.low_c is None
    assert (expected is None) is unknown(steps)


@pytest.mark.parametrize(
    ("air_c", "room_c", "inside"),
    [(34, 20, True), (34, 15, True), (34, 14.9, False), (34, 34, True), (34, 35, False)],
)
def test_single_wall_rule_has_an_end(air_c: float, room_c: float, inside: bool) -> None:
    assert single_wall_in_range(air_c, room_c, TABLES.single_wall) is inside
    assert not single_wall_in_range(air_c, math.nan, TABLES.single_wall)


@pytest.mark.parametrize("row", rows("neutral", "lower_limit_1962"))
def test_scopes_and_ahmed_against_an_independent_measurement(row: dict[str, Any]) -> None:
    """The step table is left out: it stands up to 1 K above this measurement (35 at 1.25 kg)."""
    _, scopes, _ = ask(row["weight_g"], 32, row["age_h"])
    assert scopes.mid_c == pytest.approx(row["expected"], abs=row["tolerance"])


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(allow_nan=True, allow_infinity=True),
    st.none() | st.floats(allow_nan=True, allow_infinity=True),
)
def test_never_raises_and_is_always_plausible_or_unknown(
    weight_g: float, weeks: float, age_h: float, vapour_kpa: float | None
) -> None:
    check_all(weight_g, weeks, age_h, vapour_kpa)


@given(st.floats(400, 5000), st.floats(22, 45), st.floats(0, 1500), st.none() | st.floats(0.2, 6.5))
def test_every_baby_gets_plausible_temperatures_or_a_reason(
    weight_g: float, weeks: float, age_h: float, vapour_kpa: float | None
) -> None:
    check_all(weight_g, weeks, age_h, vapour_kpa)


def check_all(weight_g: float, weeks: float, age_h: float, vapour_kpa: float | None) -> None:
    for estimate in neutral_sources(weight_g, weeks, age_h, vapour_kpa, TABLES):
        known = [t for t in (estimate.low_c, estimate.mid_c, estimate.high_c) if t is not None]
        assert known == sorted(known)
        assert all(28.5 < t < 37.6 for t in known)
        assert bool(known) is not estimate.note.startswith("unknown: ")


# --- the shipped table ----------------------------------------------------------------------


def test_weight_groups_leave_no_gap_at_any_age() -> None:
    for table in (TABLES.scopes_ahmed, TABLES.steps):
        for age_h in (0.0, 50.0, 95.9, 96.0, 300.0):
            spans = sorted(
                (group.from_g, group.below_g)
                for group in table.groups
                for row in group.rows
                if row.from_h <= age_h < row.to_h
            )
            assert spans[0][0] == 0
            assert spans[-1][1] == math.inf
            assert [b for _, b in spans[:-1]] == [a for a, _ in spans[1:]]


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('mark = "memory"\nsource = "Arch', 'mark = "sure"\nsource = "Arch', "mark 'sure'"),
        ("[0, 6, 35.0, 34.0, 35.4]", "[0, 6, 35.0, 35.2, 35.4]", "not in order"),
        ("[0, 6, 35.0, 34.0, 35.4]", "[0, 5, 35.0, 34.0, 35.4]", "gap or overlap"),
        ("[0, 6, 35.0, 34.0, 35.4]", "[0, 6, 35.0, 34.0]", "not in order"),
        ("row = [72, 96, 31.3,", "row = [72, 96, 31.4,", "not in the table"),
        ("zero_weeks = {", "zero_week = {", "'zero_weeks' is missing"),
    ],
)
def test_a_fault_in_the_table_is_named(old: str, new: str, complaint: str) -> None:
    assert old in TEXT
    with pytest.raises(ValueError, match=re.escape(complaint)):
        parse_neutral(TEXT.replace(old, new, 1))
