"""Trends in through a real server: sent, mapped, looked at, confirmed, saved once, struck out."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from warmhold.exchange.trends.vocabulary import quantities
from warmhold.record import Event, events_of_file, verify_file
from warmhold.web import fill_in
from web.serving import Hand, Server, plain, start

KNOWN = quantities()
SHOTS = os.environ.get("WARMHOLD_SHOTS")
PAGE = "/exchange/trends"
HEADER = "Time;SpO2 (%);PR (bpm);Tskin °C;Room"


def log_text(began: datetime, rows: int = 40, step_s: int = 60) -> str:
    """A monitor's export in UTC+01:00, with a dropped reading and a temperature that cannot be."""
    lines = [HEADER]
    for row in range(rows):
        at = began.astimezone(UTC) + timedelta(hours=1, seconds=step_s * row)
        sat = "---" if row == 3 else str(90 + row % 7)
        skin = "58.2" if row == 5 else f"{36.4 + row % 3 / 10:.1f}"
        lines.append(f"{at:%Y-%m-%d %H:%M:%S};{sat};{140 + row % 5};{skin};21")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def server(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("trends") / "record"
    shutil.copytree(planned[0], folder)
    one = Server(folder).start()
    assert start(Hand(one), planned[1]).status_code in (200, 303)
    yield one
    one.stop()
    assert one.failures() == ""
    assert verify_file(folder / "record.sqlite").whole


@pytest.fixture
def hand(server: Server) -> Hand:
    return Hand(server)


def trends(server: Server, trip: str) -> list[Event]:
    found = events_of_file(server.folder / "record.sqlite")
    return [one for one in found if one.kind == "trend" and one.trip == trip]


def began(server: Server, trip: str) -> datetime:
    found = events_of_file(server.folder / "record.sqlite")
    return next(one.when for one in found if one.kind == "trip-started" and one.trip == trip)


def send(
    hand: Hand, form: dict[str, str], content: bytes | None, name: str = "night.csv"
) -> httpx.Response:
    files = None if content is None else {"file": (name, content, "text/csv")}
    return hand.client.post(PAGE, data={**hand.marks(PAGE), "part": "send", **form}, files=files)


def hidden(page: str, part: str) -> dict[str, str]:
    """What the form of a page would send without a script."""
    form = next(f for f in re.findall(r"<form.*?</form>", page, re.S) if f'value="{part}"' in f)
    found = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', form)
    out = {name: unescape(value) for name, value in found}
    text = re.search(r'<textarea id="mapping"[^>]*>\n(.*?)</textarea>', form, re.S)
    return out | ({"mapping": unescape(text[1])} if text else {})


def filled(text: str) -> str:
    """A mapping as a person fills it in."""
    text = re.sub(r'(?m)^zone = "\?"$', 'zone = "+01:00"', text)
    text = text.replace('[source]\nname = "?"', '[source]\nname = "bedside monitor"')
    return text.replace(
        'name = "?"\ncolumn = "SpO2', 'name = "saturation_pre_percent"\ncolumn = "SpO2'
    )


def test_from_a_file_to_one_entry_and_back_out(
    server: Server, hand: Hand, planned: tuple[Path, str]
) -> None:
    trip = planned[1]
    content = log_text(began(server, trip) - timedelta(minutes=2), 10, 30).encode()
    answer = send(hand, {"trip": trip}, content)
    assert answer.status_code == 200, plain(answer.text)[:1500]
    assert "never guessed" in plain(answer.text)
    form = hidden(answer.text, "mapping")
    refused = hand.client.post(PAGE, data=form)
    assert refused.status_code == 422
    assert "time.zone" in plain(refused.text)
    form = hidden(refused.text, "mapping")
    form["mapping"] = filled(form["mapping"])
    looked = hand.client.post(PAGE, data=form)
    words = plain(looked.text)
    assert looked.status_code == 200, words[:1500]
    assert "Nothing is written yet" in words
    assert "bedside monitor" in words
    assert trends(server, trip) == [], "a preview writes nothing"
    form = hidden(looked.text, "confirm")
    unsaid = hand.client.post(PAGE, data=form)
    assert unsaid.status_code == 422
    assert "say that it is right" in plain(unsaid.text), plain(unsaid.text)[300:1500]
    assert trends(server, trip) == []
    saved = hand.client.post(PAGE, data={**form, "confirmed": "yes"})
    assert saved.status_code == 303, plain(saved.text)[:1500]
    (entry,) = trends(server, trip)
    assert entry.who.startswith("Ann")
    assert entry.body["source"] == "bedside monitor"
    assert set(entry.body["numbers"]) == {"saturation_pre_percent", "pulse_per_min", "skin_c"}
    assert list((server.folder / "trend-files").iterdir()) == [], "the file is not kept"
    assert "Saved" in hand.text(saved.headers["location"])

    again = send(hand, {"trip": trip}, content)
    assert again.status_code == 303, "the mapping is remembered and the entry is on record"
    assert again.headers["location"].endswith(f"saved={entry.seq}")
    assert len(trends(server, trip)) == 1

    listed = hand.client.get(f"{PAGE}?trip={trip}").text
    strike = next(f for f in re.findall(r"<form.*?</form>", listed, re.S) if "/strike" in f)
    marks = dict(re.findall(r'name="([^"]*)" value="([^"]*)"', strike))
    assert hand.client.post(f"{PAGE}/strike", data=marks).status_code == 303
    assert "struck out" in hand.text(f"{PAGE}?trip={trip}")
    anew = send(hand, {"trip": trip}, content)
    assert anew.status_code == 200
    assert "Nothing is written yet" in plain(anew.text)


def test_what_is_open_is_chosen_in_fields(
    server: Server, hand: Hand, planned: tuple[Path, str]
) -> None:
    rows = log_text(began(server, planned[1]), 10, 30).replace("Tskin °C", "Haut")
    answer = send(hand, {"trip": planned[1], "look_first": "yes"}, rows.encode())
    form = hidden(answer.text, "mapping")
    left = re.findall(r'name="left" value="([^"]*)"', answer.text)
    assert left == ["Haut", "Room"]
    chosen = {
        **form, "left": left, "fill-zone": "Atlantis", "fill-source": "bed 2",
        "holds-0": "saturation_post_percent", "more-holds-0": "skin_c", "more-unit-0": "°C",
        "more-holds-1": "", "more-unit-1": "%",
    }  # fmt: skip
    refused = hand.client.post(PAGE, data=chosen)
    assert refused.status_code == 422
    assert "Atlantis" in plain(refused.text)
    assert 'name="holds-0"' not in refused.text, "what was chosen stands"
    form = hidden(refused.text, "mapping")
    looked = hand.client.post(PAGE, data={**form, "left": ["Room"], "fill-zone": "+01:00"})
    words = plain(looked.text)
    assert looked.status_code == 200, words[:1500]
    assert "From bed 2 to" in words
    assert "Saturation, foot from “SpO2 (%)” in %" in words
    assert "Skin from “Haut” in °C" in words


@pytest.mark.parametrize("text", ["no mapping", "channel = 3", "channel = [1]", "time = 1"])
def test_fields_leave_a_text_alone_that_is_no_mapping(text: str) -> None:
    assert fill_in.filled(text, {"holds-0": "skin_c", "fill-zone": "UTC"}, [], KNOWN).startswith(
        text if text != "time = 1" else "# Proposed"
    )
    assert fill_in.open_in(text, ["a"], KNOWN).columns in ((), (fill_in.Column("a", "", ""),))


@pytest.mark.parametrize(
    ("form", "content", "name", "said"),
    [
        ({}, b"a;b\n", "x.csv", "Choose the trip"),
        ({"trip": "PLANNED"}, None, "", "Choose the file"),
        ({"trip": "PLANNED"}, b" ", "x.csv", "is empty"),
        ({"trip": "PLANNED"}, b"abc", "x.pdf", "a name that ends in none of these"),
        ({"trip": "PLANNED"}, b"abc", "x.hea", ".zip with all files"),
        ({"trip": "PLANNED", "every": "0"}, b"a;b\n", "x.csv", "seconds from 1 to 3600"),
        ({"trip": "PLANNED", "start": "2026-01-14T02:40"}, b"a;b\n", "x.csv", "with its offset"),
        ({"trip": "PLANNED"}, b"\x00\x01", "x.xlsx", "no spreadsheet that can be read"),
        ({"trip": "PLANNED"}, b"\x00" * 300, "x.edf", "no number of signals"),
        ({"trip": "PLANNED"}, b"PK\x03\x04", "x.zip", "no zip file that can be read"),
    ],
)
def test_what_cannot_be_taken_says_why(
    hand: Hand, planned: tuple[Path, str], form: dict[str, str], content: bytes | None, name: str,
    said: str,
) -> None:  # fmt: skip
    given = {key: value.replace("PLANNED", planned[1]) for key, value in form.items()}
    answer = send(hand, given, content, name)
    assert answer.status_code == 422
    assert said in plain(answer.text)


def test_a_trend_of_another_night_is_refused_with_both_spans(
    server: Server, hand: Hand, planned: tuple[Path, str]
) -> None:
    content = log_text(began(server, planned[1]) - timedelta(days=2)).encode()
    answer = send(hand, {"trip": planned[1], "look_first": "yes"}, content)
    form = hidden(answer.text, "mapping")
    answer = hand.client.post(PAGE, data={**form, "mapping": filled(form["mapping"])})
    assert answer.status_code == 422
    assert "before the trip began" in plain(answer.text)


def test_looking_alone_may_not_send(server: Server) -> None:
    nobody = Hand(server, name="")
    assert nobody.client.get(PAGE).status_code == 303


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1366, 820])
def test_the_pages_as_they_are_seen(
    server: Server, browser: Browser, planned: tuple[Path, str], tmp_path: Path, scheme: str,
    width: int,
) -> None:  # fmt: skip
    path = tmp_path / f"night-{scheme}-{width}.csv"
    # From before the trip began, another stretch for each width, to less than ten minutes ahead.
    path.write_text(
        log_text(began(server, planned[1]) - timedelta(seconds=width // 2), 40, 20), "utf-8"
    )
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme,  # type: ignore[arg-type]
        java_script_enabled=scheme == "light",
    )  # fmt: skip
    page = context.new_page()
    page.goto(f"{server.address}/enter?next={PAGE}")
    page.fill("input[name=name]", "Ann")
    page.get_by_role("button", name="Come in").click()
    page.goto(f"{server.address}{PAGE}?trip={planned[1]}")
    for shot in ("form", "mapping", "preview"):
        if shot == "mapping":
            page.set_input_files("#in-file", path)
            page.check("input[name=look_first]")
            page.get_by_role("button", name="Show what it is read as").click()
            page.locator("#mapping").wait_for(state="attached")
        if shot == "preview":
            page.locator("summary", has_text="The mapping as text").click()
            page.fill("#mapping", filled(page.input_value("#mapping")))
            page.get_by_role("button", name="Show what it is read as").click()
            page.get_by_role("button", name="Save the trend").wait_for()
        if scheme == "light":
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/trends-{shot}-{scheme}-{width}.png", full_page=True)
    context.close()
