"""From plan to handover with a real browser, with and without a script."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from web.browsing import come_in
from web.serving import Hand, Server, start

SHOTS = os.environ.get("WARMHOLD_SHOTS")
WIDTHS = (820, 1366)
FULL = bool(os.environ.get("WARMHOLD_FULL"))  # axe at both widths in both schemes


@pytest.fixture(scope="module")
def server(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("whole") / "record"
    shutil.copytree(planned[0], folder)
    one = Server(folder).start()
    yield one
    one.stop()
    assert one.failures() == ""


def told(page: Page, text: str) -> None:
    """Wait until the page says that this was saved, with a time and its offset."""
    line = page.locator("#told .saved")
    expect(line).to_contain_text(text)
    assert re.search(r"Saved \d\d:\d\d:\d\d [+-]\d\d:\d\d", line.inner_text())


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_from_plan_to_handover(browser: Browser, server: Server, script: bool) -> None:
    context, page = come_in(browser, server, script)
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.select_option("#trip", "winter-road")
    page.click("button:has-text('Fill in from it') >> visible=true")
    expect(page.locator("main")).to_contain_text("now is now")
    page.click("button:has-text('Plan in full')")
    for _ in range(300):
        if "/before" in page.url:
            break
        page.wait_for_timeout(200)
        if not script:
            page.click("a:has-text('Refresh')")
    trip = page.url.split("/")[4]

    # before leaving: seen, read and judged, left out with a reason
    page.locator("#item-battery-minute").get_by_role("button", name="Done").click()
    told(page, "battery")
    expect(page.locator("#item-battery-minute")).to_contain_text("good")
    page.locator("#item-battery-bar input[name=value]").fill("3")
    page.locator("#item-battery-bar button:has-text('Save')").click()
    expect(page.locator("#item-battery-bar")).to_contain_text("too low")
    page.locator("#item-suction summary").click()
    page.locator("#item-suction button:has-text('Leave it out')").click()
    expect(page.locator("#item-suction")).to_contain_text("Say why")
    page.locator("#item-suction input[name=reason]").fill("none on this vehicle")
    page.locator("#item-suction button:has-text('Leave it out')").click()
    expect(page.locator("#item-suction")).to_contain_text("Reason: none on this vehicle")

    # the start asks once about what is open
    page.click("button:has-text('Start the trip')")
    expect(page.locator("#start .asked")).to_contain_text("Start all the same?")
    page.fill("#start-reason", "no time")
    page.click("button:has-text('Start all the same')")
    told(page, "The baby went in")
    expect(page.locator("[data-tile=temperature] .big")).to_contain_text("°C", timeout=30_000)
    expect(page.locator("main")).to_contain_text("Left out before leaving")

    # a set, a tap, something hard to believe, an event, a note
    page.click("summary:has-text('Write every reading')")
    page.fill("#set input[name=skin_c]", "36,4")
    page.fill("#set input[name=pulse_per_min]", "fast")
    page.click("button:has-text('Save the set')")
    expect(page.locator("#set")).to_contain_text("is not a number")
    assert page.input_value("#set input[name=skin_c]") == "36,4", "what was typed stays"
    page.fill("#set input[name=pulse_per_min]", "142")
    page.fill("#set input[name=axillary_c]", "36.7")
    page.click("button:has-text('Save the set')")
    told(page, "Pulse 142 /min")
    skin = page.locator("#quick details").first
    skin.locator("summary").click()
    skin.locator("button", has_text="36.5").click()
    told(page, "Skin 36.5 °C")
    page.locator("#quick details").first.locator("summary").click()
    page.locator("#quick details[open] input[name=skin_c]").fill("46.5")
    page.locator("#quick details[open] .other button").click()
    expect(page.locator("#quick .asked")).to_contain_text("Skin 46.5")
    page.click("button:has-text('Keep it as entered')")
    told(page, "Skin 46.5 °C")
    page.click("#events button:has-text('Leg begins: ward to the door')")
    told(page, "Leg started: ward to the door")
    page.click("summary:has-text('Delay, note')")
    page.fill("#note", "lift <b>out</b> of order")
    page.click("button:has-text('Save note')")
    told(page, "Note: lift <b>out</b> of order")

    # what was mistyped is corrected; both stay
    page.goto(f"/trip/{trip}/timeline")
    expect(page.locator("main")).to_contain_text("Asked about and kept as entered")
    page.locator("li:has-text('Skin 46.5') a:has-text('correct')").first.click()
    page.fill("input[name='value:skin_c']", "36.5")
    page.click("button:has-text('Save the correction')")
    expect(page.locator("main")).to_contain_text("Was: Skin 46.5 °C, corrected")

    # a limit, then the handover
    page.goto(f"/trip/{trip}/limits")
    expect(page.locator("#limit-1")).to_contain_text("Not written down yet")
    page.locator("#limit-1 input[name=to]").fill("85")
    page.locator("#limit-1 button").click()
    expect(page.locator("#limit-1")).to_contain_text("later than planned")
    page.goto(f"/trip/{trip}/handover")
    page.click("button:has-text('Hand over')")
    expect(page.locator("main")).to_contain_text("Write who takes over")
    page.fill("#text-reason", "needs a surgeon")
    page.fill("#to", "Dr Okoro")
    page.click("button:has-text('Hand over')")
    told(page, "Handed over to Dr Okoro")
    page.click("a:has-text('The page to print')")
    for text in ("Dr Okoro", "needs a surgeon", "Heron 7", "none on this vehicle"):
        expect(page.locator("body")).to_contain_text(text)
    pdf = context.request.get(f"/trip/{trip}/handover/page.pdf")
    assert pdf.headers["content-type"] == "application/pdf"
    path = server.folder.parent / "handover.pdf"
    path.write_bytes(pdf.body())
    assert "Okoro" in PdfReader(path).pages[0].extract_text()
    page.goto("/")
    expect(page.locator("main")).to_contain_text("Handed over")
    assert said == []
    context.close()


# --- how the pages look and read ----------------------------------------------------------------

PLACES = (
    ("enter", "/enter"), ("start", "/"), ("before", "/trip/{trip}/before"),
    ("road", "/trip/{trip}/road"), ("timeline", "/trip/{trip}/timeline"),
    ("correct", "/trip/{trip}/timeline/{seq}"), ("limits", "/trip/{trip}/limits"),
    ("handover", "/trip/{trip}/handover"), ("handover-page", "/trip/{trip}/handover/page"),
    ("times", "/trip/{trip}/times"), ("review", "/review"),
    ("sheet", "/trip/{trip}/sheet"), ("access", "/access"), ("missing", "/nowhere"),
)  # fmt: skip


@pytest.fixture(scope="module")
def under_way(server: Server, planned: tuple[Path, str]) -> tuple[str, int]:
    """A trip with a bit of everything, and an entry that can be corrected."""
    hand = Hand(server, "Ben")
    trip = planned[1]
    start(hand, trip)
    for number, skin in enumerate(("36.4", "36.6", "51")):
        form = {"skin_c": skin, "pulse_per_min": "140", "set": "regular", "part": "set"}
        if number == 2:
            form |= {"keep": "yes", "was:skin_c": "51", "why:skin_c": "Skin 51.0 °C?"}
        assert hand.post(f"/trip/{trip}/observe", form).status_code == 303
    hand.post(f"/trip/{trip}/happened", {"event": "port opened"})
    answer = hand.post(f"/trip/{trip}/happened", {"event": "note", "note": "a note " * 40})
    return trip, int(answer.headers["location"].split("saved=")[1])


@pytest.mark.parametrize("name", [name for name, _ in PLACES])
def test_every_page_reads_well_in_light_and_dark_on_both_screens(
    browser: Browser, server: Server, under_way: tuple[str, int], name: str
) -> None:
    context, page = come_in(browser, server)
    page.goto(dict(PLACES)[name].format(trip=under_way[0], seq=under_way[1]))
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 1180 if width < 1000 else 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            if SHOTS:
                Path(SHOTS).mkdir(parents=True, exist_ok=True)
                page.screenshot(path=f"{SHOTS}/{name}-{width}-{scheme}.png", full_page=True)
            if name in ("sheet", "handover-page"):
                continue  # tests/report has axe read these in every state
            if (width, scheme) in ((WIDTHS[0], "light"), (WIDTHS[1], "dark")) or FULL:
                found = Axe().run(page).response["violations"]
                bad = [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found]
                assert bad == [], (width, scheme)
    small = page.evaluate(
        """() => [...document.querySelectorAll('main button, main summary, main input, main select,'
          + ' main textarea, main a, nav a, .who a')].filter(n => n.type !== 'hidden'
          && n.offsetParent && !n.closest('.quiet') && !n.classList.contains('quiet')
          && !n.classList.contains('over') && !['checkbox', 'radio'].includes(n.type)
          && Math.min(n.getBoundingClientRect().height, n.getBoundingClientRect().width) < 43.5)
          .map(n => n.outerHTML.slice(0, 100))"""
    )
    assert small == [] or name in ("sheet", "handover-page")
    if name in ("sheet", "handover-page"):
        assert page.locator("a:has-text('Back to the trip')").bounding_box()["height"] >= 44
        page.emulate_media(media="print")
        expect(page.locator("a:has-text('Back to the trip')")).to_be_hidden()
    context.close()


@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_choice_of_light_or_dark_stays(browser: Browser, server: Server, look: str) -> None:
    context, page = come_in(browser, server)
    page.emulate_media(color_scheme="light" if look == "dark" else "dark")
    page.click(f".looks button[value={look}]")
    page.goto("/help")
    assert page.get_attribute("html", "data-look") == look
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (ground == "rgb(20, 25, 28)") is (look == "dark")
    assert Axe().run(page).response["violations"] == []
    context.close()


def test_typing_goes_on_while_everything_around_it_is_renewed(
    browser: Browser, server: Server, under_way: tuple[str, int]
) -> None:
    trip = under_way[0]
    context, page = come_in(browser, server)
    page.goto(f"/trip/{trip}/road")
    page.click("summary:has-text('Write every reading')")
    field = page.locator("#set input[name=glucose_mmol_l]")
    field.click()
    field.press_sequentially("3")
    before = page.inner_text("[data-tile=as-of]")
    seen = {"air_c": "35.9", "part": "set", "keep": "yes", "was:air_c": "35.9"}
    assert Hand(server, "Cy").post(f"/trip/{trip}/observe", seen).status_code == 303
    expect(page.locator("[data-tile=as-of]")).not_to_have_text(before, timeout=15_000)
    expect(page.locator("#quick summary:has-text('Air in the hood')")).to_contain_text("35.9")
    assert page.evaluate("document.activeElement.name") == "glucose_mmol_l"
    page.keyboard.type(".7")
    assert field.input_value() == "3.7"
    assert page.evaluate("document.activeElement.selectionStart") == 3
    page.keyboard.press("Enter")
    told(page, "Glucose 3.7 mmol/L")
    context.close()


def test_a_tile_that_holds_the_focus_is_left_alone(
    browser: Browser, server: Server, under_way: tuple[str, int]
) -> None:
    context, page = come_in(browser, server)
    page.goto(f"/trip/{under_way[0]}/road")
    page.evaluate(
        """() => { const a = document.createElement('a'); a.href = '#x'; a.id = 'held';
          a.textContent = 'held'; document.querySelector('[data-tile=battery]').append(a);
          a.focus(); }"""
    )
    page.evaluate("refresh()")
    assert page.evaluate("document.activeElement.id") == "held"
    page.evaluate("document.activeElement.blur()")
    page.evaluate("refresh()")
    assert page.locator("#held").count() == 0
    context.close()


def test_keys_lead_to_the_places_that_the_page_names(
    browser: Browser, server: Server, under_way: tuple[str, int]
) -> None:
    context, page = come_in(browser, server)
    page.goto(f"/trip/{under_way[0]}/road")
    for key, heading in (("q", "quick-title"), ("e", "events-title"), ("s", "set-title")):
        page.keyboard.press(key)
        assert page.evaluate("document.activeElement.id") == heading
    page.click("summary:has-text('Delay, note')")
    page.fill("#note", "")
    page.focus("#note")
    page.keyboard.type("sequence")
    assert page.input_value("#note") == "sequence", "keys mean letters in a field"
    context.close()


def test_a_lost_answer_is_not_called_saved_and_a_repeat_is_not_counted_twice(
    browser: Browser, server: Server, under_way: tuple[str, int]
) -> None:
    trip = under_way[0]
    context, page = come_in(browser, server)
    page.goto(f"/trip/{trip}/road")
    page.click("summary:has-text('Write every reading')")
    page.fill("#set input[name=breaths_per_min]", "58")

    def lose(route) -> None:
        route.fetch()  # the server takes it; the answer never arrives
        route.abort()

    page.route("**/observe*", lose)
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("It is not known whether this was saved")
    assert page.input_value("#set input[name=breaths_per_min]") == "58"
    page.unroute("**/observe*")
    page.click("button:has-text('Save the set')")
    told(page, "Breathing 58 /min")
    page.goto(f"/trip/{trip}/timeline")
    assert page.locator("li:has-text('Breathing 58')").count() == 1
    context.close()


def test_a_newcomer_sees_a_hidden_fault_noticed_and_named(
    browser: Browser, tmp_path: Path, planned: tuple[Path, str]
) -> None:
    folder = tmp_path / "rehearsal"
    shutil.copytree(planned[0], folder)  # with the plan in it that the rehearsal follows
    server = Server(folder, rehearse="winter-road", speed=1500.0).start()
    try:
        context, page = come_in(browser, server)
        expect(page.locator(".rehearsal")).to_contain_text("simulated")
        for _ in range(300):
            page.goto("/")
            if page.locator("h2:has-text('On the road')").count():
                break
            page.wait_for_timeout(200)
        page.locator(".card a").first.click()
        expect(page.locator(".rehearsal")).to_contain_text("No baby is in this incubator")
        expect(page.locator("main")).to_contain_text("Hidden in this trip", timeout=45_000)
        assert page.locator(".look-now .condition").count() >= 1
        context.close()
    finally:
        server.stop()
    assert server.failures() == ""
