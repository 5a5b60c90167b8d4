"""The page, looked at with a real browser."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from report import sample
from warmhold.plan.sheet import LegSpan
from warmhold.report import html

SHEETS = {
    "winter": sample.winter,
    "calm": sample.calm,
    "blank": sample.blank,
    "cooled": sample.cooled,
}
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
browser_needed = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("pages")
    for name, make in SHEETS.items():
        (folder / f"{name}.html").write_text(html.page(make()), encoding="utf-8")
    return {name: str(folder / f"{name}.html") for name in SHEETS}


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield one
        one.close()


# --- without a browser --------------------------------------------------------------------------


def test_the_same_sheet_is_the_same_page() -> None:
    assert html.page(sample.winter()) == html.page(sample.winter())


def test_it_stands_alone() -> None:
    page = html.page(sample.winter())
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:,)', page.replace("xlink:href", "xlink-href"))
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


class _Headings(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.tables = self.captions = self.loose = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        self.tables += tag == "table"
        self.captions += tag == "caption"
        self.loose += tag == "th" and dict(attrs).get("scope") not in {"col", "row"}


@pytest.mark.parametrize("name", SHEETS)
def test_headings_nest_and_every_table_has_caption_and_scopes(name: str) -> None:
    seen = _Headings()
    seen.feed(html.page(SHEETS[name]()))
    assert seen.levels[0] == 1
    assert seen.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(seen.levels, seen.levels[1:], strict=False))
    assert seen.tables == seen.captions > 0
    assert seen.loose == 0


def test_text_of_the_trip_is_never_markup() -> None:
    page = html.page(replace(sample.blank(), headline="<script>x</script>"))
    assert "<b>&amp;</b>" not in page
    assert "&lt;b&gt;&amp;amp;&lt;/b&gt;" in page
    assert "<script>x" not in page


def test_the_cautions_stand_at_the_top_in_short_and_at_the_end_in_full() -> None:
    page = html.page(sample.winter())
    short = page.index("Decision support, not a medical device.")
    assert page.index("Not yet") < short < page.index('id="margins-title"')
    last = page.index('id="cautions-title"')
    for caution in sample.winter().cautions:
        assert page.index(caution.replace("'", "&#39;"), last) > last
    assert page.index("<table") < last


def test_missing_values_read_unknown() -> None:
    page = html.page(sample.blank())
    assert page.count("unknown") > 5
    for word in ("None", "nan", "NaN"):
        assert not re.search(rf">[^<]*\b{word}\b", page)


def _plain(page: str) -> str:
    """Take the page's text as it reads: no tags, every gap one space."""
    body = page[page.index("<body>") :]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_changes_together_come_right_after_the_verdict() -> None:
    page = html.page(sample.winter())
    places = [
        page.index(mark)
        for mark in ('id="verdict"', 'id="together-title"', ">Switch on<", 'id="mends-title"')
    ]
    assert places == sorted(places)
    block = page[places[1] : places[2]]
    assert [item in block for item in ("Carry one spare battery", "Wrap and hat")] == [True, True]
    text = _plain(page)
    assert "With these 3 changes every margin that has to hold does." in text
    assert "Baby above 36.5 °C, 96 % (needs 95 %)." in text
    assert "again before leaving" in text
    short = _plain(html.page(sample.cooled()))
    assert "not enough Even with these 3 changes not every margin holds." in short
    assert "Not too warm, 83 % (needs 95 %)" in short
    assert "again before leaving" not in short
    assert "All together" not in _plain(html.page(sample.calm()))


def test_a_baby_cooled_on_purpose_has_a_sentence_in_place_of_a_warm_up() -> None:
    text = _plain(html.page(sample.cooled()))
    answers = text[text.index("What to do") : text.index("Read before leaving")]
    assert "the unit need not be warm. Have it ready" in answers
    assert "no neutral temperature applies" in answers
    assert "Baby in, at the earliest" not in answers
    assert "unknown" not in answers


def test_assumed_stands_beside_the_figures_that_rest_on_it() -> None:
    text = _plain(html.page(sample.winter()))
    assert "allow 60 min. assumed" in text
    assert "35.2 °C assumed" in text
    assert "19 min 14 to 26 assumed" in text
    assert "Assumed behind these minutes: battery health, usable share, drawn." in text
    sheet = sample.winter()
    bare = replace(
        sheet,
        start=replace(sheet.start, assumed=()),
        warm_up=replace(sheet.warm_up, assumed=()),
        holds=tuple(replace(hold, assumed=()) for hold in sheet.holds),
    )
    text = _plain(html.page(bare))
    assert "allow 60 min. assumed" not in text
    assert "35.2 °C assumed" not in text
    assert "Assumed behind these minutes" not in text


def test_a_ceiling_is_written_only_where_there_is_one() -> None:
    assert "stay below" not in html.page(sample.winter())
    assert "stay below: 2300 m" in _plain(
        html.page(replace(sample.winter(), ceiling_altitude_m=2300))
    )


def test_a_number_is_never_parted_from_its_unit() -> None:
    kept = html._kept_together("set 36 °C for 5 min, < 1 % of 3 × big, 4 more minutes, 2 legs")
    assert kept == (
        "set 36\u00a0°C for 5\u00a0min, <\u00a01\u00a0% of 3\u00a0× big, 4 more minutes, 2 legs"
    )


def test_the_table_beside_a_plot_never_borrows_a_far_sample() -> None:
    plot = sample.winter().plots[1]
    early = (LegSpan("warming up", -25, 0, "ward", "mains", "wall", 22), *sample.LEGS)
    rows = html._rows(plot, early)
    assert [row.when for row in rows] == ["0", "3", "15", "85", "105", "107", "119"]
    assert rows[1].cells == (("90", "84 to 96"),)


# --- with a browser -----------------------------------------------------------------------------


def _open(browser, path: str, *, width: int = 820, scheme: str = "light"):
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.asked = []
    page.said = []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.goto(f"file://{path}")
    return page


@browser_needed
@pytest.mark.parametrize("name", SHEETS)
def test_nothing_is_asked_of_the_network_and_nothing_is_complained_of(browser, files, name) -> None:
    page = _open(browser, files[name])
    assert [url for url in page.asked if not url.startswith("data:")] == [f"file://{files[name]}"]
    assert page.said == []
    page.close()


@browser_needed
@pytest.mark.parametrize("width", [390, 820, 1366])
@pytest.mark.parametrize("name", SHEETS)
def test_no_sideways_scrolling(browser, files, name, width) -> None:
    page = _open(browser, files[name], width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


# the fullest sheet at both widths and colours; of the others, which only show other parts, one each
LOOKS = [("winter", 820, "light"), ("winter", 820, "dark"), ("winter", 1366, "dark")]
LOOKS += [("cooled", 1366, "light"), ("calm", 820, "light"), ("blank", 820, "dark")]


@browser_needed
@pytest.mark.parametrize(("name", "width", "scheme"), LOOKS)
def test_axe_finds_nothing(browser, files, name, width, scheme) -> None:
    page = _open(browser, files[name], width=width, scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    page.close()


# Contrast of every text, computed from the colours that the browser paints (WCAG 2.2, 1.4.3);
# axe leaves text inside drawings out, so that this covers them too.
_CONTRAST = """() => {
  const parse = text => { const m = text.match(/[\\d.]+/g).map(Number);
    return m.length < 4 ? [...m, 1] : m; };
  const channel = c => { c /= 255; return c <= .03928 ? c / 12.92 : ((c + .055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => .2126 * channel(r) + .7152 * channel(g) + .0722 * channel(b);
  const behind = node => { for (let n = node; n; n = n.parentElement) {
    const c = parse(getComputedStyle(n).backgroundColor); if (c[3] > 0) return c; }
    return [255, 255, 255, 1]; };
  const out = [];
  for (const node of document.querySelectorAll('body *')) {
    const own = [...node.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    if (!own) continue;
    const style = getComputedStyle(node);
    const drawn = node.namespaceURI.endsWith('svg');
    const a = light(parse(drawn ? style.fill : style.color)), b = light(behind(node));
    const ratio = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
    out.push([ratio, node.textContent.trim().slice(0, 40)]);
  }
  return out;
}"""


@browser_needed
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_has_strong_contrast(browser, files, scheme) -> None:
    page = _open(browser, files["winter"], scheme=scheme)
    found = page.evaluate(_CONTRAST)
    assert len(found) > 200
    assert [text for ratio, text in found if ratio < 4.5] == []
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    dark = sum(int(c) for c in re.findall(r"\d+", paper)[:3]) < 200
    assert dark == (scheme == "dark")
    page.close()


@browser_needed
def test_what_can_be_clicked_is_large_enough_and_reached_by_keyboard(browser, files) -> None:
    page = _open(browser, files["winter"])
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "verdict"
    sizes = page.evaluate(
        "[...document.querySelectorAll('a, summary')].map(e => e.getBoundingClientRect().height)"
    )
    assert len(sizes) > 5
    assert min(sizes) >= 44
    page.close()


@browser_needed
def test_verdict_reason_and_figures_are_on_the_first_screen(browser, files) -> None:
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto(f"file://{files['winter']}")
    bottom = page.evaluate(
        "Math.max(...[...document.querySelectorAll('.verdict, .together, .short-cautions, .card')]"
        ".map(e => e.getBoundingClientRect().bottom))"
    )
    assert bottom <= 768
    page.close()


@browser_needed
def test_labels_in_the_plots_do_not_overlap(browser, files) -> None:
    page = _open(browser, files["winter"])
    boxes = page.evaluate(
        "[...document.querySelectorAll('.plot-drawing')].map(d => [...d.querySelectorAll('text')]"
        ".map(t => { const r = t.getBoundingClientRect();"
        " return [t.textContent, r.left, r.top, r.right, r.bottom]; }))"
    )
    assert len(boxes) == 4
    for texts in boxes:
        assert len(texts) > 10
        for i, (one, left, top, right, bottom) in enumerate(texts):
            for other, left2, top2, right2, bottom2 in texts[i + 1 :]:
                across = min(right, right2) - max(left, left2)
                down = min(bottom, bottom2) - max(top, top2)
                # a line's box is higher than its letters, by about a third
                assert across <= 0 or down <= 5, (one, other)
    page.close()


@browser_needed
@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="no pdfinfo on this machine")
@pytest.mark.parametrize(
    ("name", "most"), [("winter", 8), ("calm", 8), ("blank", 3), ("cooled", 8)]
)
def test_it_prints_on_a_sane_number_of_a4_sheets(browser, files, tmp_path, name, most) -> None:
    page = _open(browser, files[name])
    target = tmp_path / "sheet.pdf"
    page.pdf(path=str(target), prefer_css_page_size=True)
    page.close()
    facts = subprocess.run(["pdfinfo", str(target)], capture_output=True, text=True, check=True)
    sheets = int(re.search(r"Pages:\s+(\d+)", facts.stdout)[1])
    assert 2 <= sheets <= most
    width, height = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", facts.stdout).groups()
    assert float(width) == pytest.approx(595.3, abs=1.5)
    assert float(height) == pytest.approx(841.9, abs=1.5)
