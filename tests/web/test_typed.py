"""What was typed is never lost, and what was refused is told: late answers, Back, reload."""

from __future__ import annotations

import re
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from warmhold.watch import Band
from warmhold.web import show
from warmhold.web.pages.plan import _Newest
from web.serving import Hand, Server, plain, start

Going = tuple[Server, str]


@pytest.fixture(scope="module")
def going(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Going]:
    folder = tmp_path_factory.mktemp("typed") / "record"
    shutil.copytree(planned[0], folder)
    server = Server(folder).start()
    hand = Hand(server)
    for item, value in (("battery-bar", "3"), ("battery-minute", "")):
        form = {"item": item, "value": value, "do": "done"}
        assert hand.post(f"/trip/{planned[1]}/check", form).status_code == 303
    assert start(hand, planned[1]).status_code == 303
    yield server, planned[1]
    server.stop()
    assert server.failures() == ""


@pytest.fixture
def page(browser: Browser, going: Going) -> Iterator[Page]:
    context = come_in(browser, going[0])
    said: list[str] = []
    one = context.pages[0]
    one.on("pageerror", lambda error: said.append(str(error)))
    yield one
    context.close()
    assert said == []


def come_in(browser: Browser, server: Server, script: bool = True) -> BrowserContext:
    context = browser.new_context(
        base_url=server.address, java_script_enabled=script, viewport={"width": 1366, "height": 900}
    )
    context.set_default_timeout(20_000)
    one = context.new_page()
    one.goto("/")
    one.fill("#name", "Ada")
    one.click("button:has-text('Come in')")
    expect(one.locator("h1")).to_have_text("Trips")
    return context


def late(route: Route) -> None:
    answer = route.fetch()
    time.sleep(1.2)
    route.fulfill(response=answer)


def focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.id || document.activeElement.name"))


SATURATION = "#quick [data-keep=saturation_pre_percent]"
SET = "summary:has-text('Write every reading')"
BACK = "What you had typed is back"


# --- a late answer -------------------------------------------------------------------------------


def test_a_late_answer_takes_nothing_from_the_next_row(page: Page, going: Going) -> None:
    page.goto(f"/trip/{going[1]}/road")
    page.route("**/observe*", late)
    first, second = page.locator("#quick [data-keep=skin_c]"), page.locator(SATURATION)
    first.locator("summary").click()
    first.locator("input[name=skin_c]").fill("36.5")
    page.keyboard.press("Enter")
    second.locator("summary").click()
    field = second.locator("input[name=saturation_pre_percent]")
    handle = field.element_handle()
    field.click()
    page.keyboard.type("91")
    expect(page.locator("#told")).to_contain_text("Skin 36.5")
    expect(first.locator("summary")).to_contain_text("36.5")
    assert first.get_attribute("open") is None, "what was saved is shut"
    assert second.get_attribute("open") is not None
    assert field.input_value() == "91"
    assert page.evaluate("document.activeElement.name") == "saturation_pre_percent"
    assert handle.evaluate("node => node.isConnected"), "the field was replaced by another"
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_contain_text("Saturation, right hand 91")


def test_a_late_refusal_opens_its_row_beside_the_one_in_use(page: Page, going: Going) -> None:
    page.goto(f"/trip/{going[1]}/road")
    page.route("**/observe*", late)
    page.locator("#quick [data-keep=skin_c] summary").click()
    page.fill("#quick input[name=skin_c]", "warm")
    page.keyboard.press("Enter")
    page.locator(f"{SATURATION} summary").click()
    page.click(f"{SATURATION} input[name=saturation_pre_percent]")
    page.keyboard.type("9")
    expect(page.locator("#told")).to_contain_text("1 entry needs a look")
    page.keyboard.type("2")
    assert page.input_value("#quick input[name=saturation_pre_percent]") == "92"
    assert page.input_value("#quick input[name=skin_c]") == "warm"
    expect(page.locator("#quick .fault")).to_contain_text("is not a number")


def test_enter_saves_what_was_typed_and_not_the_first_offer(page: Page, going: Going) -> None:
    entry(Hand(going[0]), going[1], skin_c="36.5")
    page.goto(f"/trip/{going[1]}/road")
    page.locator("#quick [data-keep=skin_c] summary").click()
    page.fill("#quick input[name=skin_c]", "36.8")
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_contain_text("Skin 36.8")
    page.locator("#quick [data-keep=skin_c] summary").click()
    page.fill("#quick input[name=skin_c]", "46.8")
    page.keyboard.press("Enter")
    expect(page.locator("#quick .asked")).to_contain_text("46.8")
    page.fill("#quick input[name=skin_c]", "36.9")
    page.keyboard.press("Enter")
    expect(page.locator("#told")).to_contain_text("Skin 36.9")


def test_two_taps_in_a_row_are_two_entries_and_the_same_tap_twice_is_one(
    page: Page, going: Going
) -> None:
    trip = going[1]
    page.goto(f"/trip/{trip}/road")
    page.route("**/happened*", late)
    # both at once: on a busy machine a second call would come after the answer to the first
    page.locator("#events button[value='alarm silenced']").evaluate(
        "b => { b.click(); b.click(); }"
    )
    page.click("#events button:has-text('Front closed')")
    expect(page.locator("#told")).to_contain_text("Front closed", timeout=10_000)
    text = Hand(going[0]).text(f"/trip/{trip}/timeline")
    assert text.count("Alarm silenced") == 1
    assert text.count("Front closed") == 1


def test_a_half_written_note_stays_when_an_event_is_tapped(page: Page, going: Going) -> None:
    page.goto(f"/trip/{going[1]}/road")
    page.click("summary:has-text('Delay, note')")
    page.fill("#note", "half a no")
    page.fill("#event-at", "")
    page.click("#events button:has-text('On battery')")
    expect(page.locator("#told")).to_contain_text("battery")
    assert page.input_value("#note") == "half a no"
    page.fill("#note", "half a note, made whole")
    page.click("button:has-text('Save note')")
    expect(page.locator("#told")).to_contain_text("made whole")
    assert page.input_value("#note") == ""


# --- away and back -------------------------------------------------------------------------------


def test_a_half_filled_set_is_there_after_timeline_and_back(page: Page, going: Going) -> None:
    trip = going[1]
    page.goto(f"/trip/{trip}/road")
    page.click(SET)
    page.fill("#set input[name=glucose_mmol_l]", "3.7")
    page.click("nav >> text=Timeline")
    expect(page.locator("h1")).to_have_text("Timeline")
    page.go_back()
    expect(page.locator("#set .draft")).to_contain_text(BACK)
    assert page.input_value("#set input[name=glucose_mmol_l]") == "3.7"
    assert page.locator("#set details").get_attribute("open") is not None
    page.click("#set button:has-text('Clear it')")
    assert page.input_value("#set input[name=glucose_mmol_l]") == ""
    page.reload()
    assert page.locator(".draft").count() == 0
    page.click(SET)
    page.fill("#set input[name=breaths_per_min]", "55")
    page.reload()
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("Breathing 55")
    page.reload()
    assert page.locator(".draft").count() == 0, "what was saved is no longer kept"


def test_leaving_takes_what_was_typed_along(page: Page, going: Going) -> None:
    page.goto(f"/trip/{going[1]}/road")
    page.click(SET)
    page.fill("#set input[name=glucose_mmol_l]", "2.9")
    page.goto("/enter")
    page.click("button:has-text('Leave')")
    assert page.evaluate("Object.keys(sessionStorage).length") == 0
    page.fill("#name", "Ada")
    page.click("button:has-text('Come in')")
    page.goto(f"/trip/{going[1]}/road")
    assert page.locator(".draft").count() == 0
    assert page.input_value("#set input[name=glucose_mmol_l]") == ""


def test_an_entry_that_may_be_saved_counts_once_even_after_a_reload(
    page: Page, going: Going
) -> None:
    trip = going[1]
    page.goto(f"/trip/{trip}/road")
    page.click(SET)
    page.fill("#set input[name=breaths_per_min]", "61")

    def lose(route: Route) -> None:
        route.fetch()
        route.abort()

    page.route("**/observe*", lose)
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("It is not known whether this was saved")
    page.unroute("**/observe*")
    page.reload()
    expect(page.locator("#set .draft")).to_contain_text(BACK)
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("Breathing 61")
    assert Hand(going[0]).text(f"/trip/{trip}/timeline").count("Breathing 61") == 1


def test_a_typed_plan_is_there_after_trips_and_back_and_after_a_reload(page: Page) -> None:
    page.goto("/plan?trip=winter-road")
    page.fill("#f-baby-weight_g", "3111")
    page.click("nav >> text=Trips")
    expect(page.locator("h1")).to_have_text("Trips")
    page.go_back()
    expect(page.locator("#plan-form .draft")).to_contain_text(BACK)
    assert page.input_value("#f-baby-weight_g") == "3111"
    page.click("button:has-text('Add a leg')")
    expect(page.locator("#f-leg-6-name")).to_be_focused()
    page.fill("#f-leg-6-name", "to the ward")
    assert page.url.endswith("/plan?trip=winter-road"), "nothing that Back would send again"
    page.reload()
    expect(page.locator("#plan-form .draft")).to_contain_text(BACK)
    assert page.input_value("#f-leg-6-name") == "to the ward"
    page.click("nav >> text=Trips")
    expect(page.locator("h1")).to_have_text("Trips")
    page.go_back()
    expect(page.locator("#f-leg-6")).to_have_count(1)
    page.click(".from-where summary >> nth=0")
    page.click("a:has-text('Empty the form')")
    expect(page.locator("#plan-form .draft")).to_contain_text("is kept")
    assert page.input_value("#f-baby-weight_g") == ""
    page.click("button:has-text('Bring it back')")
    expect(page.locator("#f-leg-6-name")).to_have_value("to the ward")
    assert page.input_value("#f-baby-weight_g") == "3111"
    expect(page.locator("#margins")).to_contain_text("to be")
    page.click("#plan-form .draft button:has-text('Clear it')")
    expect(page.locator("#f-leg-6")).to_have_count(0)


def test_rows_that_move_take_what_was_typed_along(page: Page) -> None:
    page.goto("/plan?trip=winter-road")
    page.locator("#f-leg-2 > summary").click()
    page.fill("#f-leg-2-minutes", "7.5")
    page.click("button[value='leg.2.up']")
    expect(page.locator("#f-leg-1-minutes")).to_have_value("7.5")
    assert page.locator("#f-leg-2-minutes").input_value() != "7.5"
    page.click("button[value='leg.1.remove']")
    expect(page.locator("#f-leg-5")).to_have_count(0)
    values = page.locator("[id^=f-leg-][id$=-minutes]").evaluate_all("all => all.map(n => n.value)")
    assert "7.5" not in values


# --- what is refused is told ---------------------------------------------------------------------


def test_a_refused_handover_leads_to_what_is_missing_and_back_works(
    page: Page, going: Going
) -> None:
    trip = going[1]
    page.goto(f"/trip/{trip}/handover")
    page.fill("#text-reason", "needs a surgeon")
    page.fill("#handover-at", "half past")
    page.click("button:has-text('Hand over')")
    expect(page.locator("#told")).to_contain_text("2 entries need a look")
    expect(page.locator("#to")).to_be_focused()
    assert page.input_value("#text-reason") == "needs a surgeon"
    page.click("nav >> text=Trips")
    expect(page.locator("h1")).to_have_text("Trips")
    page.go_back()
    expect(page.locator("h1")).to_have_text("Handover")
    assert page.input_value("#text-reason") == "needs a surgeon"
    expect(page.locator("form .draft")).to_contain_text(BACK)


def test_a_refused_set_is_told_and_leads_to_its_first_fault(page: Page, going: Going) -> None:
    page.goto(f"/trip/{going[1]}/road")
    page.click(SET)
    page.fill("#set input[name=glucose_mmol_l]", "low")
    page.fill("#set input[name=pulse_per_min]", "fast")
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("2 entries need a look")
    assert page.evaluate("document.activeElement.name") == "pulse_per_min"
    page.fill("#set input[name=glucose_mmol_l]", "30")
    page.fill("#set input[name=pulse_per_min]", "140")
    page.click("button:has-text('Save the set')")
    expect(page.locator("#told")).to_contain_text("1 value is asked about")
    expect(page.locator("#set button:has-text('Keep it')")).to_be_focused()
    page.goto("/")  # kept in this tab; nothing of it is needed here
    page.evaluate("sessionStorage.clear()")


def test_without_a_script_a_refusal_is_told_and_nothing_covers_the_text(
    browser: Browser, going: Going
) -> None:
    context = come_in(browser, going[0], script=False)
    one = context.pages[0]
    one.set_viewport_size({"width": 820, "height": 1180})
    one.goto(f"/trip/{going[1]}/handover")
    one.click("button:has-text('Hand over')")
    expect(one.locator("#told .asked")).to_be_focused()
    expect(one.locator("#told")).to_contain_text("1 entry needs a look")
    one.goto(f"/trip/{going[1]}/road")
    for place in ("#told", ".at-bottom"):
        assert one.locator(place).evaluate("n => getComputedStyle(n).position") == "static"
    context.close()


def test_of_a_forms_questions_only_the_newest_is_worked_out() -> None:
    newest = _Newest()
    said: dict[str, bool] = {}
    holds, asked = threading.Event(), threading.Event()

    def ask(name: str, form: str) -> None:
        with newest.of(form) as is_newest:
            said[name] = is_newest
            asked.set()
            holds.wait(5)

    first = threading.Thread(target=ask, args=("first", "a"))
    first.start()
    asked.wait(5)
    rest = []
    for name, form in (("outdated", "a"), ("newest", "a"), ("of another form", "b")):
        rest.append(threading.Thread(target=ask, args=(name, form)))
        rest[-1].start()
        time.sleep(0.05)
    holds.set()
    for thread in (first, *rest):
        thread.join(5)
    assert said == {"first": True, "outdated": False, "newest": True, "of another form": True}


# --- what the pages say --------------------------------------------------------------------------


def entry(hand: Hand, trip: str, **values: str) -> int:
    form = {**values, "part": "set", "set": "regular", "keep": "yes"}
    form |= {f"was:{name}": value for name, value in values.items()}
    answer = hand.post(f"/trip/{trip}/observe", form)
    assert answer.status_code == 303, plain(answer.text)
    return int(answer.headers["location"].split("saved=")[1])


def test_what_is_struck_out_cannot_be_struck_out_again(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    seq = entry(hand, trip, glucose_mmol_l="4.1")
    place = f"/trip/{trip}/timeline/{seq}"
    form = {**hand.marks(place), "do": "strike"}
    assert hand.client.post(place, data=form).status_code == 303
    assert hand.client.post(place, data=form).status_code == 303, "the same form sent twice"
    again = hand.post(place, {"do": "strike"})
    assert again.status_code == 422
    assert "It is struck out already" in plain(again.text)
    assert hand.text(f"/trip/{trip}/timeline").count("Corrected") == 1
    assert "Strike the whole" not in hand.text(place)
    assert hand.post(place, {"do": "correct", "value:glucose_mmol_l": "4.2"}).status_code == 303


def test_the_correct_page_shows_what_was_entered_first(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    seq = entry(hand, trip, pulse_per_min="141")
    text = hand.client.get(f"/trip/{trip}/timeline/{seq}").text
    before, _, after = text.partition("<details>")
    assert re.findall(r'name="value:([^"]+)"', before) == ["pulse_per_min"]
    assert len(re.findall(r'name="value:([^"]+)"', after)) > 10
    answer = hand.post(
        f"/trip/{trip}/timeline/{seq}",
        {"do": "correct", "value:pulse_per_min": "141", "value:skin_c": "warm"},
    )
    assert answer.status_code == 422
    shown = re.findall(r'name="value:([^"]+)"', answer.text.partition("<details>")[0])
    assert sorted(shown) == ["pulse_per_min", "skin_c"], "a fault is not folded away"


def test_the_handover_says_when_and_by_whom_an_entry_was_corrected(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    seq = entry(hand, trip, breaths_per_min="40")
    form = {"do": "correct", "value:breaths_per_min": "44"}
    assert hand.post(f"/trip/{trip}/timeline/{seq}", form).status_code == 303
    happened = hand.post(f"/trip/{trip}/happened", {"event": "note", "note": "tube at 8"})
    seq = int(happened.headers["location"].split("saved=")[1])
    form = {"do": "correct", "what": "note", "detail": "tube at 9"}
    assert hand.post(f"/trip/{trip}/timeline/{seq}", form).status_code == 303
    text = hand.text(f"/trip/{trip}/handover/page")
    assert "unknown time" not in text
    assert re.search(r"44 /min.{0,20} corrected \d\d:\d\d by Ann \(lead\), was 40 /min", text)
    assert re.search(r"corrected \d\d:\d\d by Ann \(lead\), was \d\d:\d\d note: tube at 8", text)
    assert "Back to the trip" in text


def test_the_list_before_leaving_is_one_line_with_what_was_bad_in_sight(going: Going) -> None:
    server, trip = going
    page = Hand(server).client.get(f"/trip/{trip}/timeline").text
    line = re.search(r'<li class="list">.*?</details>', page, re.S)
    assert line
    seen, _, folded = line[0].partition("<details>")
    assert re.search(r"List before leaving, \d\d entries: 1 good, 1 that say stop, \d\d left out",
                     plain(seen))  # fmt: skip
    assert "Stop: Battery bar, out of 10: 3 divisions" in plain(seen)
    assert "Left out: " in plain(seen)
    assert "read by the other nurse" in plain(seen)
    assert folded.count("correct<span") > 20
    assert "Left out" not in plain(page.replace(line[0], ""))


def test_a_changed_limit_has_its_unit(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    page = hand.client.get(f"/trip/{trip}/limits").text
    title = re.search(r'name="limit" value="([^"]*saturation[^"]*low)"', page)
    assert title
    for to in ("90", "85"):
        form = {"limit": title[1], "from": "90" if to == "85" else "", "to": to, "keep": to}
        assert hand.post(f"/trip/{trip}/limits", form).status_code == 303
    text = hand.text(f"/trip/{trip}/timeline")
    assert f"Alarm limit {title[1]}: not known → 90 %" in text
    assert f"Alarm limit {title[1]}: 90 → 85 %" in text


def test_the_offset_stands_once_at_the_head(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    for place in ("before", "road", "timeline", "limits", "handover"):
        text = hand.text(f"/trip/{trip}/{place}")
        assert len(re.findall(r"[+-]\d\d:\d\d", text)) == 1, place
        assert "UTC+00:00" in text
    seq = entry(hand, trip, pulse_per_min="139")
    saved = hand.text(f"/trip/{trip}/road?saved={seq}")
    assert re.search(r"Saved \d\d:\d\d:\d\d \+00:00", saved)


def test_minutes_without_an_end_in_sight_are_not_written_out() -> None:
    far = show.minutes_left(Band(134.0, 250.0, 249_043_325.0))
    assert far == ("250 min", "from 134 min on; may last")
    assert show.minutes_left(Band(9e3, 1e5, 1e9)) == ("lasts", "over 48 h in 19 of 20")
    assert show.minutes_left(Band(10.0, 20.0, 30.0)) == ("20 min", "10 to 30")


def test_a_corrected_handover_has_its_new_time_and_name(going: Going) -> None:
    server, trip = going
    hand = Hand(server)
    at = re.search(r'name="at" value="(\d\d:\d\d)"', hand.client.get(
        f"/trip/{trip}/handover").text)  # fmt: skip
    assert at
    answer = hand.post(f"/trip/{trip}/handover", {"to": "Dr Okoro", "at": at[1]})
    assert answer.status_code == 303
    seq = int(answer.headers["location"].split("saved=")[1])
    page = hand.text(f"/trip/{trip}/handover")
    assert "The watch of this trip stands still" in page
    assert "Back to the trip" in page
    form = {"do": "correct", "to": "Dr Ferro", "at": ""}
    assert hand.post(f"/trip/{trip}/timeline/{seq}", form).status_code == 303
    assert "Dr Ferro" in hand.text(f"/trip/{trip}/handover/page")
