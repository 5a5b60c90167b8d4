"""Figures as words: nothing is promised that the numbers do not show."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from report import sample
from warmhold.plan.sheet import CAUTIONS, AlarmLimit, Band, WarmUp
from warmhold.plan.words import share as plan_share
from warmhold.report import words
from warmhold.report.plain import sayable, without_controls

NOW = datetime(2026, 1, 14, 23, 40, tzinfo=timezone(timedelta(hours=1)))


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_no_number_reads_unknown(value: float | None) -> None:
    assert words.number(value) == "unknown"
    assert words.with_unit(value, "min") == "unknown"
    assert words.chance(value) == "unknown"


def test_a_band_with_one_missing_end_is_unknown() -> None:
    band = Band(1.0, 2.0, math.nan)
    assert words.middle(band, "min") == "unknown"
    assert words.spread(band, "min") == ""
    assert words.middle_and_spread(band, "min") == "unknown"


@pytest.mark.parametrize(
    ("weeks", "said"),
    [(29.2857, "29 weeks 2 days"), (39.0, "39 weeks"), (31.5, "31 weeks 3 days"),
     (27.1429, "27 weeks 1 day"), (None, "unknown"), (math.nan, "unknown")],
)  # fmt: skip
def test_a_gestation_is_said_in_weeks_and_days(weeks: float | None, said: str) -> None:
    assert words.gestation(weeks) == said
    if weeks is not None and math.isfinite(weeks):
        assert words.in_days(f"Heron · {weeks} weeks · hood").startswith("Heron · " + said)


def test_only_decimal_weeks_are_said_anew() -> None:
    assert words.in_days("29 weeks, 0.5 weeks, 128.5 weeks") == "29 weeks, 0.5 weeks, 128.5 weeks"


def test_a_value_that_rounds_to_zero_has_no_minus() -> None:
    assert words.number(-0.04, 1) == "0.0"
    assert words.number(-0.06, 1) == "−0.1"


@pytest.mark.parametrize(
    ("share", "required", "expected"),
    [
        (1.0, 0.95, "> 99 %"),
        (0.0, 0.95, "< 1 %"),
        (0.95, 0.95, "95 %"),
        (0.9496, 0.95, "94 %"),  # would round up to what is required
        (0.29, 0.95, "29 %"),  # 100 x 0.29 is a hair below 29
        (0.994, 0.995, "99 %"),
        (0.9987, 0.999, "99.8 %"),
        (0.004, 0.95, "< 1 %"),
        (0.006, 0.95, "1 %"),
        (0.5, None, "50 %"),
    ],
)
def test_chance(share: float, required: float | None, expected: str) -> None:
    assert words.chance(share, required) == expected


@given(st.integers(0, 2000))
def test_a_share_reads_the_same_in_a_table_and_in_the_plans_sentence(kept: int) -> None:
    told = plan_share(kept / 2000).replace("over", ">").replace("under", "<")
    assert words.chance(kept / 2000) == told


@given(st.integers(0, 2000), st.sampled_from([0.5, 0.9, 0.95, 0.975, 0.99, 0.995]))
def test_a_share_that_falls_short_never_reads_as_enough(kept: int, required: float) -> None:
    share = kept / 2000
    text = words.chance(share, required)
    if share < required:
        assert not text.startswith(">")
        shown = 0.0 if text.startswith("<") else float(text.removesuffix(" %"))
        assert shown < 100 * required


@given(st.floats(-1e4, 1e4), st.sampled_from(["min", "K", "°C", "%", "bar", "m"]))
def test_a_figure_is_never_off_by_more_than_its_last_digit(value: float, unit: str) -> None:
    text = words.with_unit(value, unit).removesuffix(f" {unit}").replace("−", "-")
    places = words.decimals(unit, value)
    assert abs(float(text) - value) <= 0.5 * 10**-places * (1 + 1e-9)


def test_times_stand_at_the_offset_of_now() -> None:
    moment = datetime(2026, 1, 14, 22, 50, tzinfo=UTC)
    assert words.clock(moment, NOW) == "23:50 +01:00"
    assert words.clock(moment + timedelta(minutes=20), NOW) == "Thu 15 Jan 2026 00:10 +01:00"
    assert words.clock(None, NOW) == "unknown"


def test_an_offset_west_with_half_an_hour() -> None:
    west = timezone(-timedelta(hours=3, minutes=30))
    assert words.offset(datetime(2026, 1, 1, tzinfo=west)) == "-03:30"
    assert words.offset(datetime(2026, 1, 1)) == "offset unknown"


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(25, "in 25 min"), (-12, "12 min ago"), (0, "now"), (200, "in 3 h 20 min")],
)
def test_from_now(minutes: int, expected: str) -> None:
    assert words.from_now(NOW + timedelta(minutes=minutes), NOW) == expected


def _warm_up(moment: datetime | None) -> WarmUp:
    return WarmUp(None, None, moment, None, None, "")


def test_a_switch_on_time_that_is_past_reads_now() -> None:
    big, small = words.switch_on(_warm_up(NOW - timedelta(minutes=35)), NOW)
    assert big == "now"
    assert "23:05" in small
    assert words.switch_on(_warm_up(None), NOW)[0] == "unknown"
    assert words.switch_on(_warm_up(NOW + timedelta(minutes=9)), NOW)[0] == "23:49 +01:00"


def test_alarm_limits_say_unknown_only_where_a_value_is_due() -> None:
    def limit(wanted: float | None, set_to: float | None, state: words.AlarmState) -> AlarmLimit:
        return AlarmLimit("x", "%", wanted, set_to, state, "", "")

    assert words.set_to(limit(92, 92, "as wanted")) == "92 %"
    assert words.set_to(limit(92.5, 92, "as wanted")) == "92.0 %"
    assert words.wanted(limit(24.9996, 25, "moved to the safe side")) == "25 %"
    assert words.set_to(limit(0, 0, "as wanted")) == "0 %"
    assert words.set_to(limit(92, None, "cannot be set")) == "–"
    assert words.wanted(limit(None, None, "cannot be set")) == "unknown"
    assert words.wanted(limit(None, None, "not used")) == "–"


@pytest.mark.parametrize(
    ("headline", "expected"),
    [
        ("One reason.", ("One reason.", "")),
        ("Short by 2.5 min. It fails. Often.", ("Short by 2.5 min.", "It fails. Often.")),
        ("", ("", "")),
    ],
)
def test_the_reason_is_the_first_sentence(headline: str, expected: tuple[str, str]) -> None:
    assert words.reason(replace(sample.winter(), headline=headline)) == expected


def test_mends_follow_the_margins_the_most_helpful_first() -> None:
    order = [(mend.margin, mend.after) for mend in words.sorted_mends(sample.winter())]
    assert order == [("battery", 0.988), ("heat", 0.84), ("cold", 0.985), ("cold", 0.97)]


def test_what_helps_little_is_named_and_what_is_unknown_counts_as_little() -> None:
    mend = sample.winter().mends[3]
    small = replace(mend, title="small", after=mend.before + 0.01)
    strange = replace(mend, title="strange", after=math.nan)
    enough = replace(small, title="enough", mends=True)
    assert words.little_help((mend, small, strange, enough)) == "small; strange"


def test_the_start_temperature_tells_of_the_walls_in_figures() -> None:
    start = sample.winter().start
    assert "walls 6.1 °C (4.8 to 7.3) below the air" in words.felt(start)
    assert words.felt(replace(start, operative_at_set=None)) == start.sentence


def test_a_long_list_of_assumptions_is_cut_and_counted() -> None:
    assumed = ("a (own)", "b (guessed from age) (assumed)", "c", "d")
    margin = replace(sample.winter().margins[0], assumed=assumed)
    assert words.rests_on_short(assumed, 2) == "a, b (guessed from age) and 2 more"
    assert words.rests_on_short(assumed[:1], 2) == "a"
    assert words.rests_on(margin) == "a (own), b (guessed from age) (assumed), c, d"


def test_changes_together_name_the_weakest_with_its_share() -> None:
    together = sample.winter().together
    assert together is not None
    text = words.together_outcome(together)
    assert "With these 3 changes every margin that has to hold does." in text
    assert "Baby above 36.5 °C, 96 % (needs 95 %)." in text
    assert "again before leaving" in words.together_next(together)
    short = replace(together, holds=False, probability=0.9496)
    text = words.together_outcome(short)
    assert text.startswith("Even with these 3 changes not every margin holds.")
    assert "94 % (needs 95 %)" in text
    assert words.together_next(short) == ""


def test_a_sentence_stands_for_the_warm_up_only_where_no_figure_is() -> None:
    assert words.no_warm_up(sample.cooled().warm_up)
    assert not words.no_warm_up(sample.winter().warm_up)
    assert not words.no_warm_up(sample.blank().warm_up)  # no sentence: unknown, and said so
    late = replace(sample.cooled().warm_up, in_time=0.2)
    assert not words.no_warm_up(late)


def test_a_unit_that_stands_warm_has_no_warm_up_of_nought_minutes() -> None:
    ready = replace(sample.winter().warm_up, minutes=Band(0, 0, 0), sentence="It is ready now.")
    assert words.warm_up_line(ready) == "It is ready now."


def test_without_neutral_figures_the_reason_stands_in_their_place() -> None:
    start = sample.cooled().start
    assert "no neutral temperature applies" in words.felt(start)
    assert "unknown" not in words.felt(start)
    assert words.felt(replace(start, reason="")).endswith("Neutral: unknown.")
    assert "unknown to 33.9" in words.felt(replace(start, neutral_high_c=33.9))


def test_legs_with_the_same_oxygen_share_a_row() -> None:
    rows = sample.winter().oxygen
    assert [row.leg for row in words.alike(rows)] == ["ward to ambulance; lift", rows[2].leg]
    assert [row.leg for row in words.alike(rows[:2])] == ["all legs"]
    assert [row.leg for row in words.alike(rows[:1])] == ["ward to ambulance"]
    other = replace(rows[1], sentence="but")
    assert len(words.alike((rows[0], other))) == 2


def test_short_minutes_keep_one_digit() -> None:
    assert words.middle_and_spread(Band(0.0, 0.64, 4.7), "min") == "0.6 min (0.0 to 4.7)"
    assert words.middle_and_spread(Band(0.0, 0.04, 0.09), "min") == "0.0 min (0.0 to 0.1)"


def test_mass_is_written_once_and_never_as_nought() -> None:
    kit = sample.winter().kit
    assert words.mass_in_all(kit) == "Mass in all: 6.6 kg."
    assert words.mass_in_all(replace(kit, sentence="Add 6.6 kg.")) == ""
    assert words.mass_in_all(replace(kit, mass_kg=None)) == "Mass in all: unknown."
    assert words.mass_in_all(sample.cooled().kit) == ""


def test_when_a_cylinder_is_opened_and_empty() -> None:
    first, second, third = sample.winter().cylinders
    assert (words.opened(first), words.empty(first)) == (
        "from the start",
        "at minute 66 (50 to 90)",
    )
    assert (words.opened(second), words.empty(second)) == ("at minute 66", "–")
    assert words.opened(third) == "not needed"
    assert words.opened(replace(first, opened_min=math.nan)) == "unknown"
    assert words.empty(replace(first, empty_min=Band(1, math.nan, 2))) == "unknown"


def test_short_cautions_keep_the_first_sentence_of_each() -> None:
    text = words.short_cautions(CAUTIONS)
    assert text.startswith("Decision support, not a medical device.")
    assert "licensed clinician" in text
    assert "No drug doses." in text


@given(st.text(max_size=60), st.sampled_from(["ascii", "latin-1", "cp437", "cp1252", "utf-8"]))
def test_any_text_can_be_said_in_any_encoding(text: str, encoding: str) -> None:
    sayable(text, encoding).encode(encoding)


def test_control_and_direction_characters_go() -> None:
    assert without_controls("a\x1b[31mb\u202ec\nd") == "a[31mbc d"


def test_signs_are_spelled_where_they_are_missing() -> None:
    assert sayable("−4 °C ± 2 → 5", "ascii") == "-4 degC +/- 2 -> 5"
