"""The report of bench tests, looked at with a real browser."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace
from html import unescape

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from bench.alder_log import make_log, steady_log
from warmhold.bench.limits import find_set
from warmhold.bench.reading import Entered, Instrument
from warmhold.bench.reading.entered import AlarmTried, Conditions
from warmhold.bench.trials import TRIALS, Bench, Result, run_trials
from warmhold.plan.sheet import CAUTIONS
from warmhold.report import bench

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
browser_needed = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
ONE = Instrument("invented", 0.1, None, 2.0, 0.05)
POINTS = {f"air_{p}c": ONE for p in ("", "b_", "c_", "d_", "e_")}


def results() -> tuple[Result, ...]:
    """One of each verdict, and every test."""
    entered = Entered(
        by="<b>AB</b>",
        conditions=Conditions(mattress="level"),
        alarm=(AlarmTried(what="fan", heard=False, seen=True, heater_off=True),),
    )
    log = steady_log()
    base = Bench(log, find_set("transport-2020"), POINTS, entered)
    hot = replace(log, numbers={**log.numbers, "ambient_c": np.full(len(log.seconds), 28.0)})
    found = list(run_trials(base, list(TRIALS)))
    found[1] = run_trials(replace(base, log=hot), ["steady"])[0]
    assert {one.verdict for one in found} == {"pass", "fail", "invalid", "cannot tell"}
    return tuple(found)


@pytest.fixture(scope="module")
def page() -> str:
    return bench.page(results(), version="0")


def plain(page: str) -> str:
    text = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").split())


def test_it_stands_alone_and_is_the_same_each_time(page: str) -> None:
    assert page == bench.page(results(), version="0")
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:,)', page.replace("xlink:href", "xlink-href"))
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_all_that_a_verdict_rests_on_is_on_the_page(page: str) -> None:
    text = plain(page)
    for one in results():
        assert one.title in text
        for judged in one.judged:
            assert bench.value_of(judged) in text
            if judged.limit is not None:
                assert judged.limit.clause in text or judged.limit.clause == "none"
                assert bench.status_of(judged.limit) in text
        for condition in one.conditions:
            assert (condition.found or condition.reason) in text
    for caution in CAUTIONS:
        assert caution in text
    assert "0" * 64 in text
    assert "guarded acceptance" in text
    assert "not read in their source" in text


def test_text_from_files_is_text(page: str) -> None:
    assert "<b>AB</b>" not in page
    assert "&lt;b&gt;AB&lt;/b&gt;" in page


def test_ids_are_used_once(page: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for target in re.findall(r'href="#([^"]+)"', page):
        assert target in ids, target


def test_every_plot_has_a_table_beside_it(page: str) -> None:
    assert page.count('class="plot-drawing"') >= 5
    for figure in re.findall(r"<figure.*?</figure>", page, flags=re.DOTALL):
        assert ("plot-drawing" in figure) == ("<caption>Readings" in figure)


def test_the_page_and_the_text_say_the_same() -> None:
    shown = results()
    text = bench.text(shown)
    for one in shown:
        assert f"{one.verdict.upper()}" in text
        assert one.reason in text
    ascii_only = bench.text(shown, "ascii")
    ascii_only.encode("ascii")
    assert "No test was run" in bench.text(())
    with pytest.raises(ValueError, match="no result"):
        bench.page(())


def test_the_head_counts_and_names() -> None:
    shown = results()
    verdict, reason = bench.overall(shown)
    assert verdict == "fail"
    assert "Alarm function fails" in reason
    assert "of 13 pass" in reason
    only = [one for one in shown if one.verdict == "pass"]
    assert bench.overall(only) == ("pass", f"All {len(only)} tests pass.")
    assert bench.overall(only[:1])[1] == "Stability passes."
    unmet = [one for one in shown if one.verdict == "invalid"]
    assert bench.overall(unmet[:1])[0] == "invalid"
    assert unmet[0].reason in bench.overall(unmet[:1])[1]
    same = [replace(one, reason="the room was too warm") for one in (unmet[0], unmet[0])]
    assert bench.overall(same) == ("invalid", "All 2 are invalid: the room was too warm.")
    unsure = replace(only[0], verdict="cannot tell")
    assert bench.overall([unmet[0], only[0], unsure]) == (
        "cannot tell", f"{unsure.title} cannot be told; 1 of 3 passes, 1 invalid.",
    )  # fmt: skip


def test_a_condition_in_the_way_is_shown_every_time() -> None:
    log = steady_log()
    hot = replace(log, numbers={**log.numbers, "ambient_c": np.full(len(log.seconds), 28.0)})
    found = run_trials(Bench(hot, find_set("transport-2020"), POINTS), ["steady", "stability"])
    first, second = bench.not_told_before(found)
    assert [c.met for c in second[0]] == ["unmet"]
    assert "as under Steady condition" in second[1]
    assert len(first[0]) == len(found[0].conditions)


def test_a_page_of_a_log_with_nothing_in_it() -> None:
    log = make_log(np.arange(0, 7200.0, 60.0), {}, unit="")
    found = run_trials(Bench(log, find_set("transport-1990")), list(TRIALS))
    text = plain(bench.page(found))
    assert "unit not named" in text
    assert "Pass" not in text.split("Tests")[0]


@browser_needed
def test_looked_at_in_a_browser(tmp_path) -> None:
    """No side-scrolling, no fault that axe sees, and what is printed fits A4."""
    path = tmp_path / "report.html"
    some = [one for one in results() if one.test in {"steady", "uniformity", "alarms", "oxygen"}]
    path.write_text(bench.page(some, version="0"), encoding="utf-8")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-quic"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        tab = browser.new_page(color_scheme="light")
        tab.goto(path.as_uri())
        for width in (1366, 820):
            tab.set_viewport_size({"width": width, "height": 900})
            assert tab.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, width
        for scheme, options in (("light", None), ("dark", {"runOnly": ["color-contrast"]})):
            tab.emulate_media(color_scheme=scheme)
            faults = Axe().run(tab, options=options).response["violations"]
            assert [one["id"] for one in faults] == [], scheme
        tab.emulate_media(color_scheme="light")
        tab.pdf(path=str(tmp_path / "report.pdf"), prefer_css_page_size=True)
        browser.close()
    found = subprocess.run(["pdftotext", "-layout", str(tmp_path / "report.pdf"), "-"],
                           capture_output=True, text=True, check=True).stdout  # fmt: skip
    for caution in CAUTIONS:
        assert caution.split(".", maxsplit=1)[0] in " ".join(found.split())
    assert "Read and agreed by" in found
    assert re.search(r"Minute\s+A\s+B\s+C\s+D\s+E", found)
