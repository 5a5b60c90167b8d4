"""The handover page: what it says, that its two forms say the same, and that nothing breaks it."""

from __future__ import annotations

import io
import math
import os
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from html.parser import HTMLParser

import pytest
from axe_playwright_python.sync_playwright import Axe
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.ft2font import FT2Font
from playwright.sync_api import sync_playwright
from pypdf import PdfReader

from report import handover_sample as sample
from warmhold.plan.sheet import CAUTIONS, Band
from warmhold.report import handover as module
from warmhold.report.handover import (
    Correction,
    Gap,
    Handover,
    Happening,
    Left,
    LimitSet,
    Milestone,
    Note,
    Noticed,
    Reading,
    Skipped,
    TemperatureSpan,
    TimeInTarget,
    handover_html,
    handover_pdf,
)

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
A4 = (595.3, 841.9)
at = sample.at


class _Reader(HTMLParser):
    """The words of a page, and the tags and attributes that it is made of."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.silent += tag in {"style", "title"}
        if tag not in {"bdi", "b"}:
            self.parts.append(" ")

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in {"style", "title"}

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.parts.append(data)


def read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    return reader


def html_text(h: Handover) -> str:
    return " ".join("".join(read(handover_html(h)).parts).split())


def pdf_pages(h: Handover) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(handover_pdf(h))).pages]


def pdf_text(h: Handover) -> str:
    return " ".join(" ".join(pdf_pages(h)).split())


def counted(text: str) -> Counter[str]:
    """Count the words; a line may end after a hyphen or a stroke, so that these part words."""
    return Counter(re.findall(r"[^\s\-/•\u200b]+", text))


# --- both forms say the same --------------------------------------------------------------------


def midnight() -> Handover:
    """Give a flight across midnight, ventilated, with other words wherever there is a choice."""
    full = sample.winter()
    return replace(
        full,
        offset=-timedelta(hours=3, minutes=30),
        made=at("04:40"),
        taken_over_by="",
        taken_over_at=None,
        gaps=(),
        skipped=(),
        noticed=(),
        happenings=(),
        limits=(LimitSet("Saturation, high", "%", "off", 95),),
        left=(Left("Air", "bar", Band(80, 80, 80), "read"),),
    )


@pytest.mark.parametrize("make", [sample.winter, sample.empty, midnight])
def test_the_pdf_has_every_word_of_the_page_and_no_other(make) -> None:
    said = counted(html_text(make()))
    assert sum(said.values()) > 100
    assert counted(pdf_text(make())) == said


@pytest.mark.parametrize("make", [sample.winter, sample.empty])
def test_the_same_handover_gives_the_same_bytes(make) -> None:
    assert handover_html(make()) == handover_html(make())
    assert handover_pdf(make()) == handover_pdf(make())


@pytest.mark.parametrize("make", [sample.winter, sample.empty, midnight])
def test_a_normal_trip_is_one_a4_page_without_a_page_number(make) -> None:
    pages = PdfReader(io.BytesIO(handover_pdf(make()))).pages
    assert len(pages) == 1
    assert (pages[0].mediabox.width, pages[0].mediabox.height) == pytest.approx(A4, abs=0.5)
    assert "Page 1" not in pages[0].extract_text()


def test_a_long_trip_takes_more_pages_with_numbers_and_the_fingerprint_on_each() -> None:
    many = tuple(
        Happening(at("04:00") + timedelta(minutes=i), "note", f"number{i}") for i in range(90)
    )
    long = replace(sample.winter(), happenings=many)
    pages = pdf_pages(long)
    assert len(pages) == 2
    for number, text in enumerate(pages, start=1):
        assert f"Page {number} of 2" in text
        assert sample.HEAD[:8] in text
    whole = " ".join(pages)
    assert all(re.search(rf"\bnumber{i}\b", whole) for i in range(90))


def test_the_pdf_is_tagged_and_says_its_title_and_language() -> None:
    reader = PdfReader(io.BytesIO(handover_pdf(sample.winter())))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert reader.metadata.title == "Handover of one transfer: Alder Bay to Northmoor by road"


# --- what it says -------------------------------------------------------------------------------


def test_the_parts_stand_in_the_order_of_the_trade() -> None:
    text = html_text(sample.winter())
    places = [
        text.index(f" {name} ")
        for name in (
            "Identification",
            "Situation",
            "Background",
            "Assessment",
            "Recommendation",
        )
    ]
    assert places == sorted(places)


def test_all_that_was_asked_for_is_there() -> None:
    text = html_text(sample.winter())
    for words in (
        "Baby Heron 14",
        "Weight 3200 g",
        "Gestation 39 weeks 2 days",
        "Age 8 h",
        "First 36.7 °C Axillary, 03:42",
        "Lowest 36.3 °C Axillary, 04:20",
        "Highest 36.9 °C Axillary, 05:10",
        "Last 36.9 °C Axillary, 05:10",
        "target 36.5 to 37.5 °C 74 % 68 min of the 92 min with a value",
        "below 24 min, above 0 min, no value for 17 min",
        "Breathing 72 /min corrected 05:12 by Ines (nurse), was 27 /min 05:10",
        "Arrived 05:14 corrected 05:20 by Ines (nurse), was 05:41",
        "38 % asked about, stands as entered: lower than at any set before",
        "Kind hood Flow 8.0 L/min 05:10",
        "04:52 note oxygen raised from 32 to 38 % corrected 04:53 by Ines (nurse), "
        "was oxygen raised from 32 to 83 %",
        "Battery weaker than its profile medium priority, since 04:02, still there:",
        "04:20 to 04:50 (30 min): no set (due every 15 min)",
        "Ran on battery for a minute: called to leave at once",
        "Battery 52 % 41 to 61 worked out, 05:31 33 min 24 to 41",
        "Oxygen, cylinder B 115 bar 111 to 119 read, 05:10 66 min 58 to 73",
        "Pulse, low 90 /min not as policy changed 04:40 100 /min",
        "Oxygen, low unknown 25 %",
        "Handed over by Ines (transport nurse) Taken over by Tomas (receiving nurse)",
        "Taken over at 05:31",
        "Written Thu 15 Jan 2026 05:33 +01:00. All times on this page are at +01:00.",
        "Record up to entry 148, its fingerprint: "
        + " ".join(sample.HEAD[i : i + 8] for i in range(0, 64, 8)),
        *CAUTIONS,
    ):
        assert words in text, words


def test_nothing_known_reads_unknown_and_never_nought() -> None:
    for text in (html_text(sample.empty()), pdf_text(sample.empty())):
        without = text.replace("+00:00", "").replace("5 to 95 %", "")
        assert not re.search(r"\d", without), without
        assert not re.search(r"\b(None|nan|inf)\b", without)
        assert without.count("unknown") > 35
        for name in ("Pulse", "Glucose", "Flow", "Weight", "Taken over by", "Lowest"):
            assert f"{name} unknown" in text


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf, ""])
def test_a_value_that_is_no_value_reads_unknown(value) -> None:
    text = html_text(
        Handover(
            latest=(Reading("pulse_per_min", value, at("05:00")),),
            temperatures=TemperatureSpan(lowest=Reading("skin_c", value, at("05:00"))),
            limits=(LimitSet("Pulse, low", "/min", value, 100),),
            left=(Left("Battery", "%", Band(1, math.nan, 3), "read", None, Band(1, 2, math.inf)),),
        )
    )
    assert "Pulse unknown" in text
    assert "Lowest unknown Skin," in text
    assert "Pulse, low unknown" in text
    assert "not as policy" not in text
    assert "Battery unknown unknown" in text


def test_a_nought_that_was_read_stays_a_nought() -> None:
    text = html_text(
        Handover(
            latest=(Reading("heater_percent", 0, at("05:00")),),
            left=(Left("Oxygen", "bar", Band(0, 0, 0), "read", None, Band(0, 0, 0)),),
        )
    )
    assert "Heater output 0 %" in text
    assert "Oxygen 0 bar no spread known read 0 min no spread known" in text


def test_what_was_left_out_for_one_reason_gives_it_once() -> None:
    left = [Skipped(f"Item {n}", "called out at once" if n else "not here") for n in range(30)]
    text = html_text(replace(sample.empty(), skipped=tuple(left)))
    assert text.count("called out at once") == 1
    assert "Item 0: not here" in text
    assert "Item 28; Item 29: called out at once" in text


def test_none_is_told_from_nobody_can_tell() -> None:
    nothing = html_text(replace(sample.empty(), noticed=(), happenings=(), gaps=(), skipped=()))
    for words in (
        "watches None.",
        "What happened None written down.",
        "None: every set that was due is there.",
        "Left out before leaving Nothing.",
    ):
        assert words in nothing
    assert "unknown: the watch was not running" in html_text(sample.empty())


@pytest.mark.parametrize(
    ("value", "shown"),
    [(36.7, "36.7"), (37, "37.0"), (36.75, "36.75"), (0.04, "0.04"), (-0.04, "−0.04")],
)
def test_a_figure_has_the_digits_it_was_entered_with(value: float, shown: str) -> None:
    text = html_text(Handover(latest=(Reading("skin_c", value, at("05:00")),)))
    assert f"Skin {shown} °C" in text


@given(st.integers(-99_999, 99_999), st.sampled_from([1, 10, 100, 1000]))
def test_no_digit_of_an_entry_is_rounded_away(whole: int, parts: int) -> None:
    value = whole / parts
    shown = module._figure(value, "bar", 0).removesuffix("\N{NO-BREAK SPACE}bar").replace("−", "-")
    assert float(shown) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("inside", "known", "shown"),
    [
        (0, 90, "0 %"),
        (0.4, 90, "< 1 %"),
        (45, 90, "50 %"),
        (89.9, 90, "99 %"),
        (90, 90, "100 %"),
        (0, 0, "unknown"),
        (None, 90, "unknown"),
        (10, None, "unknown"),
        (91, 90, "unknown"),
        (-1, 90, "unknown"),
        (math.nan, 90, "unknown"),
    ],
)
def test_the_share_in_target(inside, known, shown: str) -> None:
    one = module._share(TimeInTarget("x", "°C", 36.5, 37.5, inside, known, 3, 1, 1))
    assert one.share == shown
    assert (one.bar == ()) == (shown == "unknown")


def test_the_bar_of_time_in_target_covers_the_trip_and_lacks_nothing() -> None:
    one = module._share(TimeInTarget("x", "°C", 36.5, 37.5, 68, 92, 17, 24, 0))
    assert [part for part, _, _ in one.bar] == ["below", "inside", "unknown"]
    assert sum(width for _, _, width in one.bar) == pytest.approx(100, abs=0.02)
    assert one.bar[1][1] == pytest.approx(100 * 24 / 109, abs=0.01)
    assert module._share(TimeInTarget("x", "°C", 36.5, 37.5, 68, 92)).bar == ()


@pytest.mark.parametrize(
    ("weeks", "shown"),
    [
        (39 + 2 / 7, "39 weeks 2 days"),
        (26.0, "26 weeks"),
        (25 + 1 / 7, "25 weeks 1 day"),
        (25.99, "25 weeks 6 days"),
        (None, "unknown"),
    ],
)
def test_gestation_is_never_rounded_up(weeks: float | None, shown: str) -> None:
    assert module.words.gestation(weeks) == shown


@pytest.mark.parametrize(
    ("hours", "shown"),
    [(0.5, "30 min"), (8, "8 h"), (71, "71 h"), (80, "3 days"), (None, "unknown")],
)
def test_age(hours: float | None, shown: str) -> None:
    assert module._age(hours) == shown


def test_times_stand_at_the_offset_with_the_date_where_it_is_another() -> None:
    # 03:42 at +01:00 is 23:12 of the day before at -03:30; the page was written at 00:10 there.
    text = html_text(midnight())
    assert "Written Thu 15 Jan 2026 00:10 -03:30. All times on this page are at -03:30." in text
    assert "Baby went in 14 Jan 23:12" in text
    assert "Arrived 00:44" in text
    years_off = replace(midnight(), times=(Milestone("Left", at("03:42").replace(year=2025)),))
    assert "Left 14 Jan 2025 23:12" in html_text(years_off)


def test_a_moment_without_an_offset_is_shown_as_such() -> None:
    text = html_text(replace(sample.winter(), times=(Milestone("Left", datetime(2026, 1, 15, 4)),)))
    assert "Left 04:00 offset unknown" in text


def test_what_is_still_there_comes_first_then_the_higher_priority() -> None:
    found = (
        Noticed("a", "low", at("04:00"), "x"),
        Noticed("b", "high", at("04:10"), "x", at("04:20")),
        Noticed("c", "medium", at("04:30"), ""),
        Noticed("d", "high", at("04:40"), "x"),
    )
    page = module._write(Handover(noticed=found))
    assert [one.title for one in page.noticed] == ["d", "c", "a", "b"]
    assert page.noticed[1].evidence == "unknown"


def test_a_correction_of_something_unknown_at_an_unknown_time() -> None:
    text = html_text(
        Handover(latest=(Reading("pulse_per_min", 150, None, correction=Correction()),))
    )
    assert "150 /min corrected at an unknown time, was unknown" in text


def test_a_gap_that_runs_backwards_has_no_length() -> None:
    text = html_text(Handover(gaps=(Gap(at("05:00"), at("04:50")), Gap(None, at("05:00")))))
    assert "min)" not in text
    assert "unknown to" in text


def test_lines_that_someone_wrote_stay_lines() -> None:
    page = handover_html(Handover(background=(Note("Lines", "one\r\ntwo\n\nthree"),)))
    assert page.count("<br>") == 2


# --- nothing breaks it --------------------------------------------------------------------------


def visible(text: str) -> Counter[str]:
    """Count the signs of a text as it should be shown, without spaces."""
    return Counter("".join(module._one_line(text).split()))


@pytest.mark.parametrize("text", sample.HOSTILE)
def test_any_text_is_shown_as_text_on_the_page(text: str) -> None:
    plain, odd = read(handover_html(sample.winter())), read(handover_html(sample.hostile(text)))
    assert odd.tags - {"br"} <= plain.tags
    assert odd.attributes <= plain.attributes
    said = " ".join("".join(odd.parts).split())
    assert said.count(module._one_line(text)) > 40
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\ud800-\udfff]", said)


@pytest.mark.parametrize("text", sample.HOSTILE)
def test_any_text_is_shown_as_text_in_the_pdf(text: str) -> None:
    reader = PdfReader(io.BytesIO(handover_pdf(sample.hostile(text))))
    said = Counter[str]()
    for number, page in enumerate(reader.pages, start=1):
        assert (page.mediabox.width, page.mediabox.height) == pytest.approx(A4, abs=0.5)
        words = page.extract_text()
        assert len(reader.pages) == 1 or f"Page {number} of {len(reader.pages)}" in words
        said += Counter(words)
    drawable = module._drawable()
    for sign, times in visible(text).items():
        if ord(sign) in drawable and not re.match(r"[\u0590-\u08ff]", sign):
            assert said[sign] >= 40 * times, sign


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
@pytest.mark.parametrize("text", [sample.HOSTILE[0], sample.HOSTILE[2], sample.HOSTILE[3]])
def test_no_word_leaves_the_paper_of_the_pdf(text: str, tmp_path) -> None:
    file = tmp_path / "odd.pdf"
    file.write_bytes(handover_pdf(sample.hostile(text)))
    boxes = subprocess.run(
        ["pdftotext", "-bbox", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    ends = re.findall(r'<word xMin="([\d.-]+)" .*? xMax="([\d.-]+)" yMax="([\d.-]+)"', boxes)
    assert len(ends) > 500
    assert min(float(left) for left, _, _ in ends) > 28
    assert max(float(right) for _, right, _ in ends) < A4[0] - 28
    assert max(float(below) for _, _, below in ends) < A4[1] - 5


@given(st.text(max_size=80))
@settings(max_examples=12, deadline=None)
def test_any_text_at_all_gives_a_page_and_a_pdf(text: str) -> None:
    odd = replace(sample.empty(), title=text, reason=text, handed_over_by=text)
    handover_html(odd).encode("utf-8")
    assert handover_pdf(odd).startswith(b"%PDF")


def test_a_sign_that_no_font_has_stands_as_its_number_and_the_pdf_says_so() -> None:
    odd = Handover(reason="to \u0378 move")  # a place in Unicode that has no sign
    assert "\u0378" in html_text(odd)
    text = pdf_text(odd)
    assert "to [U+0378] move" in text
    assert module._SPELLED_NOTE in text
    assert module._SPELLED_NOTE not in pdf_text(sample.empty())


def test_a_bold_sign_that_only_the_regular_face_has_is_drawn_all_the_same() -> None:
    bold = FT2Font(str(module._font_folder() / "DejaVuSans-Bold.ttf")).get_charmap()
    sign = chr(min(n for n in module._drawable() - set(bold) if chr(n).isalpha()))
    text = pdf_text(Handover(pseudonym=f"Heron {sign}"))
    assert f"Heron {sign}" in text
    assert module._SPELLED_NOTE not in text


# --- with a browser -----------------------------------------------------------------------------

PAGES = {
    "winter": sample.winter,
    "empty": sample.empty,
    "wide": lambda: sample.hostile(sample.HOSTILE[2]),
    "markup": lambda: sample.hostile(sample.HOSTILE[0]),
    "leftward": lambda: sample.hostile(sample.HOSTILE[5]),
}


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("handovers")
    for name, make in PAGES.items():
        (folder / f"{name}.html").write_text(handover_html(make()), encoding="utf-8")
    return {name: str(folder / f"{name}.html") for name in PAGES}


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield one
        one.close()


def _open(browser, path: str, *, width: int = 820, scheme: str = "light"):
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.asked, page.said = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("dialog", lambda dialog: (page.said.append("dialog"), dialog.dismiss()))
    page.goto(f"file://{path}")
    return page


@browser_needed
@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [
        ("winter", 820, "dark"),
        ("winter", 1366, "light"),
        ("winter", 390, "light"),
        ("empty", 820, "dark"),
        ("markup", 390, "light"),
    ],
)
def test_axe_finds_nothing_and_nothing_is_asked_for(browser, files, name, width, scheme) -> None:
    page = _open(browser, files[name], width=width, scheme=scheme)
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    assert [url for url in page.asked if not url.startswith("data:")] == [f"file://{files[name]}"]
    assert page.said == []
    page.close()


@browser_needed
def test_no_sideways_scrolling(browser, files) -> None:
    for name in PAGES:
        page = _open(browser, files[name])
        for width in (390, 820, 1366):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        page.close()


@browser_needed
def test_it_is_dark_on_a_dark_screen_and_light_on_paper(browser, files) -> None:
    page = _open(browser, files["winter"], scheme="dark")
    colour = "getComputedStyle(document.body).backgroundColor"
    assert sum(int(c) for c in re.findall(r"\d+", page.evaluate(colour))[:3]) < 200
    page.emulate_media(media="print")
    assert page.evaluate(colour) == "rgb(255, 255, 255)"
    page.close()


@browser_needed
@pytest.mark.parametrize("name", ["winter", "empty"])
def test_it_prints_on_one_a4_page_with_room_to_spare(browser, files, name) -> None:
    page = _open(browser, files[name])
    sheets = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    assert len(sheets) == 1
    assert (sheets[0].mediabox.width, sheets[0].mediabox.height) == pytest.approx(A4, abs=1.5)
    assert sample.HEAD[:8] in sheets[0].extract_text() or name == "empty"
    page.close()


@browser_needed
@pytest.mark.parametrize("name", ["wide", "leftward"])
def test_no_word_is_cut_off_on_paper(browser, files, name) -> None:
    page = _open(browser, files[name], width=700)
    page.emulate_media(media="print")
    beyond = page.evaluate(
        "[...document.querySelectorAll('bdi')].filter(e => [...e.getClientRects()].some("
        "r => r.right > document.documentElement.clientWidth + 1 || r.left < -1)).length"
    )
    assert beyond == 0
    page.close()


def test_it_stands_alone_without_script_or_inline_style() -> None:
    page = handover_html(sample.winter())
    assert not re.search(r'(?:src|href)="(?!#|data:,)', page)
    assert not re.search(r"<script|@import|url\(|\sstyle=|\son\w+=", page)
