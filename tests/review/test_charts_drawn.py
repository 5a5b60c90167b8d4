"""Drawings of the charts: shapes as well as colours, the same numbers beside them."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from warmhold.report import review_plots
from warmhold.review.charts.between import t_chart
from warmhold.review.charts.cusum import cusum
from warmhold.review.charts.expected import expected_observed
from warmhold.review.charts.funnel import funnel
from warmhold.review.charts.p import p_chart
from warmhold.review.charts.xmr import xmr

SIZES = [10, 15, 20, 30, 40, 60, 80, 100, 150, 200, 250, 300]
EVENTS = [1, 2, 1, 4, 3, 7, 8, 9, 16, 21, 24, 75]


def labels(n: int) -> list[str]:
    return [f"week {i}" for i in range(1, n + 1)]


def series() -> review_plots.Drawing:
    values = [36.5, 36.7, None, *[36.6, 36.8] * 6, 39.0]
    chart = xmr(values, labels(16), title="Temperature <b>", unit="°C")
    return review_plots.over_time(chart.values, "series")


def shares() -> review_plots.Drawing:
    chart = p_chart([16] * 11 + [2, 0], [20] * 12 + [0], labels(13), title="In range")
    return review_plots.over_time(chart, "shares")


def sums() -> review_plots.Drawing:
    found = cusum(
        [0.0, 0.2, -0.1, 4.0, 4.0, 4.0, None, -9.0, -9.0], labels(9), title="Flow", unit="l/min",
        target=0.0, slack=0.5, decision=4.0,
    )  # fmt: skip
    return review_plots.two_sums(found.above, found.below, "sums")


def units() -> review_plots.Drawing:
    names = [f"unit {n}" for n in SIZES]
    return review_plots.funnel(funnel(EVENTS, SIZES, names, title="Cold", target=0.1), "units")


def outcomes() -> review_plots.Drawing:
    found = expected_observed([0.1] * 60, [i % 3 == 0 for i in range(60)], labels(60), title="Cold")
    return review_plots.over_time(found.running, "outcomes")


def running() -> review_plots.Drawing:
    days = [30.0, 25, 40, 22, 31, 28, 35, 27, 33, 29, 24, 36]
    chart = t_chart(days, labels(12), title="Days", running=20.0)
    return review_plots.over_time(chart, "running")


ALL = [series, shares, sums, units, outcomes, running]


def texts(drawing: review_plots.Drawing) -> list[str]:
    return [e.text or "" for e in ET.fromstring(drawing.svg).iter() if e.tag.endswith("text")]


@pytest.mark.parametrize("make", ALL)
def test_colours_are_variables_and_ids_the_drawings_own(make) -> None:
    svg = make().svg
    assert re.findall(r"#[0-9a-fA-F]{6}\b", svg) == []
    assert "var(--ink)" in svg
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert len(ids) == len(set(ids))
    assert all(one.startswith(f"plot-{make.__name__}-") for one in ids)
    for target in re.findall(r'(?:href="#|url\(#)([^")]+)', svg):
        assert target in ids


@pytest.mark.parametrize("make", ALL)
def test_the_same_chart_is_the_same_text(make) -> None:
    assert make() == make()


@pytest.mark.parametrize("make", ALL)
def test_every_row_of_the_table_is_as_long_as_its_head(make) -> None:
    drawing = make()
    assert drawing.table.rows
    assert {len(row) for row in drawing.table.rows} == {len(drawing.table.head)}
    assert drawing.table.head[-1] == "signal"
    assert any(note.startswith("Limits: ") for note in drawing.notes)


def test_a_series_tells_its_signal_and_its_gap() -> None:
    drawing = series()
    said = texts(drawing)
    assert "signal: beyond the upper limit" in said
    assert said.count("?") == 2  # the point, and the legend
    assert drawing.table.rows[2][1] == "unknown"
    assert drawing.table.rows[-1][1] == "39.00"
    assert drawing.table.rows[-1][-1] == "above the upper limit"
    assert "<b>" not in drawing.svg


def test_shares_are_told_in_percent_with_their_cases() -> None:
    drawing = shares()
    assert drawing.table.caption == "In range, %"
    assert drawing.table.rows[0][:3] == ("week 1", "20", "80.0")
    assert drawing.table.rows[-1][1:3] == ("0", "unknown")
    assert drawing.table.rows[-1][-1] == "nothing could be judged"
    assert "signal: beyond the lower limit" in texts(drawing)


def test_the_second_sum_is_drawn_downward_and_told_as_it_is() -> None:
    drawing = sums()
    said = texts(drawing)
    assert {"signal: beyond the upper limit", "signal: beyond the lower limit"} <= set(said)
    assert drawing.table.head[1] == "sum above the target"
    assert drawing.table.rows[-1][3] == "17.0"
    assert said.count("l/min") == 1


def test_a_funnel_names_the_unit_with_a_signal_and_ranks_none() -> None:
    drawing = units()
    assert "unit 300" in texts(drawing)
    assert [row[1] for row in drawing.table.rows] == [str(n) for n in SIZES]
    assert "target 10" in texts(drawing)


def test_more_events_than_expected_point_down_with_the_line() -> None:
    said = texts(outcomes())
    assert "signal: more than expected" in said
    assert sum(text.startswith("95 % band, last") for text in said) == 2


def test_what_is_still_running_has_a_shape_of_its_own() -> None:
    drawing = running()
    assert "still running" in texts(drawing)
    assert drawing.table.rows[-1][-1] == "still running: at least this long"
    # the lower limit is close to zero, and not zero
    assert drawing.table.rows[0][3] == "0.04"


def test_nothing_known_is_said() -> None:
    nothing = xmr([None, None], ["a", "b"], title="t", unit="min").values
    assert texts(review_plots.over_time(nothing, "n")) == ["no value is known"]
    none = funnel([None], [None], ["a"], title="t")
    assert texts(review_plots.funnel(none, "n")) == ["no unit could be judged"]
    empty = xmr([], [], title="t", unit="min").values
    assert texts(review_plots.over_time(empty, "n")) == ["no value is known"]


def test_sums_of_different_points_are_refused() -> None:
    one = cusum([1.0], ["a"], title="t", unit="", target=0.0, slack=0.0, decision=1.0)
    other = cusum([1.0], ["b"], title="t", unit="", target=0.0, slack=0.0, decision=1.0)
    with pytest.raises(ValueError, match="different points"):
        review_plots.two_sums(one.above, other.below, "n")
