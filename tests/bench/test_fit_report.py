"""The page of a fit: stand-alone, complete, safe with odd names, readable by all."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from html import unescape
from typing import Literal
from xml.etree import ElementTree

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from bench.fitted import known
from warmhold.bench.ageing import Point, battery_trend, sensor_trend
from warmhold.bench.fit import Observed
from warmhold.bench.fit.foretell import foretell
from warmhold.bench.profile import new_version
from warmhold.model import parse_unit, shipped_path
from warmhold.report.fit import (
    CAUTIONS,
    Shown,
    lesson_words,
    page,
    profile_svg,
    residual_svg,
    text,
    trend_svg,
    trend_words,
    value,
)

MADE = datetime(2026, 3, 5, 9, 0, tzinfo=UTC)


@cache
def shown() -> Shown:
    one = known()
    old = shipped_path("units", "alder-single").read_text("utf-8")
    version = new_version(one.fitted, old, "fern.toml", "2026-03-05")
    kept = Observed(one.logs[2])
    bands = (foretell(one.unit, kept, 50), foretell(parse_unit(version.text, "new"), kept, 50))
    begin = datetime(2024, 1, 5, tzinfo=UTC)
    points = [
        Point(begin + timedelta(days=180 * i), 52.0 * 0.96**i, 0.5, "x.csv") for i in range(5)
    ]
    trends = (
        ("Battery energy", battery_trend(points, 38.0, "Wh")),
        ("Air display", sensor_trend(points[:2], 0.8, "K")),
    )
    return Shown(one.fitted, MADE, version, "fern.v2.toml", (("kept.csv", *bands),), trends)


def test_the_page_stands_alone_and_says_everything() -> None:
    html = page(shown())
    assert "<script" not in html
    assert not re.search(r'(src|href)="(?!#|data:)', html)
    assert "url(http" not in html
    plain = unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)))
    for number in shown().fitted.numbers:
        assert number.title in plain
    for words in (
        "Next test", "What these logs cannot tell", "Told together", "Kept back", "cannot tell",
        "What is left of every reading", "How sharply each number is told", "fern.v2.toml",
        *CAUTIONS,
    ):  # fmt: skip
        assert words in plain
    assert html.count('class="curve"') == len(shown().fitted.numbers)
    assert html.count('class="expected"') == len(shown().fitted.residuals)


def test_beside_each_plot_stands_a_table() -> None:
    html = page(shown())
    for figure in re.findall(r"<figure.*?</figure>", html, flags=re.DOTALL):
        assert "<svg" in figure
        assert "<table" in figure


def test_old_and_new_values_stand_side_by_side() -> None:
    html = page(shown())
    number = next(n for n in shown().fitted.numbers if n.key == "hood.air_wall_w_k")
    row = next(r for r in re.findall(r"<tr>.*?</tr>", html, flags=re.DOTALL) if number.title in r)
    assert value(number.before.value) in row
    assert value(number.after.value) in row
    assert value(number.after.low) in row
    assert 'class="old"' in row
    assert 'class="new"' in row


def test_odd_names_cannot_break_the_page() -> None:
    bad = "<b>x</b>&\u202e\x1b[31m.csv"
    fitted = shown().fitted
    logs = tuple(replace(log, name=bad) for log in fitted.logs)
    rows = tuple(replace(one, log=bad) for one in fitted.residuals)
    odd = replace(shown(), fitted=replace(fitted, logs=logs, residuals=rows))
    html = page(odd)
    assert "<b>x</b>" not in html
    assert "\u202e" not in html
    assert "\x1b" not in html
    assert "\x1b" not in text(odd)


def test_drawings_are_sound_and_inside_their_frame() -> None:
    drawings = [profile_svg(n) for n in shown().fitted.numbers]
    drawings += [residual_svg(r) for r in shown().fitted.residuals]
    drawings += [trend_svg(t) for _, t in shown().trends]
    for drawing in drawings:
        root = ElementTree.fromstring(str(drawing))
        wide, tall = (float(v) for v in root.attrib["viewBox"].split()[2:])
        for circle in root.iter("circle"):
            assert 0 <= float(circle.attrib["cx"]) <= wide
            assert 0 <= float(circle.attrib["cy"]) <= tall
        assert "nan" not in str(drawing)


def test_an_unsettled_fit_tells_nothing() -> None:
    fitted = replace(
        shown().fitted, settled=False,
        numbers=tuple(replace(n, state="not told") for n in shown().fitted.numbers),
    )  # fmt: skip
    out = text(Shown(fitted, MADE))
    assert "did not come to rest" in out
    assert "nothing is told" in out
    assert not fitted.told


def test_words_of_trends_and_tests() -> None:
    (_, falls), (_, unknown) = shown().trends
    said = trend_words(falls)
    assert falls.expected is not None
    assert f"{falls.expected:%Y-%m-%d}" in said
    assert "90 %" in said
    assert trend_words(unknown).startswith("cannot tell: 2 of the 3 dates")
    best = shown().fitted.best
    assert "instead of" in lesson_words(best, shown().fitted.matters)
    assert value(float("nan")) == "unknown"
    assert value(0.0123456) == "0.0123"
    assert value(-3.14159) == "\u22123.14"


def test_the_page_is_readable_by_all() -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine")
    schemes: tuple[Literal["light", "dark"], ...] = ("light", "dark")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for scheme in schemes:
            tab = browser.new_page(viewport={"width": 820, "height": 1180}, color_scheme=scheme)
            tab.set_content(page(shown()))
            found = Axe().run(tab)
            assert found.violations_count == 0, found.generate_report()
            assert tab.evaluate("document.documentElement.scrollWidth") <= 820
        browser.close()
