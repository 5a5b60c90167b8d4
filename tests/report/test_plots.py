"""Plots as SVG."""

from __future__ import annotations

import itertools
import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import matplotlib as mpl
import pytest

from report import sample
from warmhold.plan.sheet import LegSpan, Plot
from warmhold.report import plots

TESTS = Path(__file__).parent.parent
PLOTS = {plot.key: plot for plot in sample.winter().plots}


@pytest.fixture(params=sorted(PLOTS))
def plot(request) -> Plot:
    return PLOTS[request.param]


def _texts(svg: str) -> list[str]:
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("text")]


def test_the_same_plot_is_the_same_text(plot: Plot) -> None:
    assert plots.svg(plot, sample.LEGS) == plots.svg(plot, sample.LEGS)


def test_colours_are_variables_only(plot: Plot) -> None:
    svg = plots.svg(plot, sample.LEGS)
    assert re.findall(r"#[0-9a-fA-F]{6}\b", svg) == []
    assert "var(--ink)" in svg
    assert "<style" not in svg
    assert "metadata" not in svg


def test_ids_are_the_plots_own_and_all_references_meet_one(plot: Plot) -> None:
    svg = plots.svg(plot, sample.LEGS)
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert len(ids) == len(set(ids))
    assert all(one.startswith(f"plot-{plot.key}-") for one in ids)
    references = re.findall(r'url\(#([^)]+)\)|xlink:href="#([^"]+)"', svg)
    assert {a or b for a, b in references} <= set(ids)


def test_curves_are_labelled_at_their_end_and_differ_in_line(plot: Plot) -> None:
    svg = plots.svg(plot, sample.LEGS)
    words = " ".join(_texts(svg))
    for series in plot.series:
        assert all(word in words for word in series.title.split())
    middles = re.findall(r"stroke: var\(--curve-\d\); stroke-width: 2", svg)
    drawn = [s for s in plot.series if any(math.isfinite(v) for v in s.p50)]
    assert len(middles) + len(
        re.findall(r"stroke-dasharray[^\"]*stroke: var\(--curve-\d\); stroke-width: 2", svg)
    ) >= len(drawn)


def test_short_legs_bear_a_number_and_long_ones_their_name() -> None:
    words = _texts(plots.svg(PLOTS["battery"], sample.LEGS))
    assert "5" in words
    assert any(text.startswith("3") and "road over the pass" in text for text in words)
    assert not any("lift" in text for text in words)


def test_numbers_of_very_short_legs_do_not_share_a_place() -> None:
    legs = tuple(LegSpan(f"leg {i}", i, i + 1, "lift", "battery", "wall", 20) for i in range(5))
    legs += (LegSpan("long", 5, 400, "ambulance", "vehicle", "wall", 20),)
    names = plots._leg_names(legs, (0, 400))
    boxes = [(name.row, name.at_min) for name in names[:3]]
    assert len({row for row, _ in boxes}) == 3


def test_labels_that_would_touch_move_apart_and_stay_inside() -> None:
    places = plots._spread_out([50, 51, 52], [12, 12, 12], 100)
    gaps = [b - a for a, b in itertools.pairwise(places)]
    assert min(gaps) >= 11.9
    places = plots._spread_out([99, 100], [12, 12], 100)
    assert places[-1] <= 94.01


def test_an_unknown_curve_is_named_unknown() -> None:
    words = " ".join(_texts(plots.svg(PLOTS["oxygen"], sample.LEGS)))
    assert "reads: unknown" in words


def test_far_curves_get_a_panel_of_their_own() -> None:
    panels = plots._panels(PLOTS["temperature"])
    assert [[s.key for s in panel.series] for panel in panels] == [["baby"], ["air", "wall"]]
    assert len(plots._panels(PLOTS["cylinders"])) == 1


@pytest.mark.parametrize("key", ["battery", "cylinders"])
def test_what_runs_out_is_drawn_down_to_zero(key: str) -> None:
    high = replace(PLOTS["battery"].series[0], p05=(80.0,), p50=(90.0,), p95=(95.0,))
    full = Plot(key, "x", "L", (0.0,), (high,))
    assert plots._value_span(plots._panels(full)[0])[0] == 0.0


def test_dollar_signs_and_angle_brackets_in_a_name_stay_text() -> None:
    series = replace(PLOTS["battery"].series[0], title="a$b$<c>\x1b")
    svg = plots.svg(replace(PLOTS["battery"], series=(series,)), sample.LEGS)
    assert "a$b$<c>" in _texts(svg)


@pytest.mark.parametrize("legs", [(), sample.LEGS])
def test_empty_and_one_point_plots_are_drawn(legs) -> None:
    empty = Plot("x", "x", "min", (), ())
    assert plots.svg(empty, legs).startswith("<svg")
    series = replace(PLOTS["battery"].series[0], p05=(1.0,), p50=(1.0,), p95=(1.0,))
    assert plots.svg(Plot("x", "x", "min", (0.0,), (series,)), legs).startswith("<svg")


def test_settings_of_the_process_are_put_back() -> None:
    before = {key: mpl.rcParams[key] for key in plots._settings("x")}
    plots.svg(PLOTS["battery"], sample.LEGS)
    assert {key: mpl.rcParams[key] for key in before} == before
    assert mpl.rcParams["svg.hashsalt"] is None


def test_pyplot_is_never_loaded() -> None:
    code = (
        "import sys; from report import sample; from warmhold.report import plots;"
        "plots.svg(sample.winter().plots[0], sample.LEGS);"
        "print('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=TESTS
    )
    assert done.stdout.strip() == "False"
