"""The fleet through a real server: rounds signed, faults, tasks, a question to every unit."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from warmhold.model import parse_rounds, template
from warmhold.record import Event, store
from web.serving import Hand, Server, plain

SHOTS = os.environ.get("WARMHOLD_SHOTS")
DAILY = parse_rounds(template("rounds"), "usual").round[0]
UNIT = "rowan-double"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    one = Server(tmp_path_factory.mktemp("fleet") / "record").start()
    yield one
    one.stop()
    assert one.failures() == ""


@pytest.fixture
def hand(server: Server) -> Hand:
    return Hand(server)


def entries(server: Server) -> list[Event]:
    """The entries of a record that a server has open."""
    connection = store.connect(server.folder / "record.sqlite", write=False)
    try:
        return store.events(list(store.rows(connection)))
    finally:
        connection.close()


def answered(**other: str) -> dict[str, str]:
    """Every item of the daily round answered well."""
    form = {"signed": "Ann Lind", "room:pressure_hpa": "1009", "room:room_c": "21"}
    for item in DAILY.item:
        value = {"seen": "seen", "battery-bar": "8", "room-air": "20.8", "number": "137"}
        form[f"value:{item.key}"] = value[item.answer]
    return {**form, **other}


def sign(hand: Hand, form: dict[str, str], unit: str = UNIT):
    page = f"/fleet/{unit}/round/daily"
    return hand.post(page, form, page=page)


def test_a_fleet_of_which_nothing_is_known_is_unknown_and_not_ready(hand: Hand) -> None:
    text = hand.text("/fleet")
    assert text.count("Unknown") >= 2
    assert "Ready" not in text
    assert "invented unit" in text


def test_a_round_is_one_signed_entry_and_counts_at_once(server: Server, hand: Hand) -> None:
    answer = sign(hand, answered())
    assert answer.status_code == 303, plain(answer.text)[:1500]
    page = hand.text(f"/fleet/{UNIT}")
    assert "Daily round" in page
    assert "No daily round is on record" not in page
    assert "20.8 %" in hand.text("/fleet")
    seq = int(re.search(r"saved=(\d+)", answer.headers["location"])[1])  # type: ignore[index]
    entry = next(event for event in entries(server) if event.seq == seq)
    assert (entry.kind, entry.trip) == ("round", "")
    assert entry.body["signed"] == "Ann Lind"
    assert len(entry.body["answers"]) == len(DAILY.item)
    sensor = next(a for a in entry.body["answers"] if a["item"] == "oxygen-sensor")
    assert sensor["room"] == {"pressure_hpa": 1009.0, "room_c": 21.0, "humidity_percent": None}
    assert sensor["judged"] == "good"


def test_every_missing_answer_is_told_at_once_and_nothing_typed_is_lost(hand: Hand) -> None:
    form = answered(**{"value:battery": "many", "value:display": "", "signed": ""})
    answer = sign(hand, form)
    assert answer.status_code == 422
    text = plain(answer.text)
    assert "3 answers are missing" in text
    assert "Battery's charge bar: “many” is not a number; write the reading in divisions" in text
    assert "Display and lamps: say whether it is good, or why" in text
    assert "a round is signed" in text
    assert 'value="137"' in answer.text
    bad = sign(hand, answered(**{"value:display": "bad"}))
    assert "Display and lamps: say in a few words what is not good" in plain(bad.text)
    odd = sign(hand, answered(**{"room:pressure_hpa": "101.3"}))
    assert "allowed 500 to 1100 hPa" in plain(odd.text)


def test_what_is_left_out_or_bad_keeps_the_unit_from_being_ready(hand: Hand) -> None:
    unit = "alder-single"
    form = answered(**{"value:alarms": "", "reason:alarms": "baby asleep", "value:battery": "3"})
    assert sign(hand, form, unit).status_code == 303
    text = hand.text(f"/fleet/{unit}")
    assert "Not ready" in text
    assert "Alarms sound" in text
    assert "baby asleep" in text
    assert "3 divisions is too low" in text
    assert sign(hand, {**answered(), "value:battery": "10"}, unit).status_code == 303
    assert "Not ready" not in hand.text(f"/fleet/{unit}").split("What falls due")[0]


def test_a_repeat_of_a_form_is_one_entry(hand: Hand) -> None:
    page = f"/fleet/{UNIT}/round/daily"
    form = {**hand.marks(page), **answered()}
    first, second = (hand.client.post(page, data=form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"]


def test_a_fault_keeps_a_unit_back_until_it_is_closed(hand: Hand) -> None:
    page = f"/fleet/{UNIT}"
    empty = hand.post(f"{page}/fault", {"what": "", "effect": ""}, page=page)
    assert empty.status_code == 422
    assert "Write what is wrong" in plain(empty.text)
    fault = {"what": "left latch is loose", "effect": "not ready"}
    assert hand.post(f"{page}/fault", fault, page=page).status_code == 303
    text = hand.text(page)
    assert "Open fault: left latch is loose" in text
    seq = re.search(r'id="fault-(\d+)"', hand.client.get(page).text)
    assert seq
    assert (
        hand.post(f"{page}/closed", {"fault": "9999", "how": "x y"}, page=page).status_code == 404
    )
    closed = {"fault": seq[1], "how": "new latch"}
    assert hand.post(f"{page}/closed", closed, page=page).status_code == 303
    assert "Open fault:" not in hand.text(page)


def test_a_task_is_written_with_its_day(hand: Hand) -> None:
    page = f"/fleet/{UNIT}"
    wrong = {"task": "filter", "says": "", "state": "", "on": "soon"}
    answer = hand.post(f"{page}/task", wrong, page=page)
    assert answer.status_code == 422
    assert "2026-01-14" in plain(answer.text)
    done = {
        "task": "filter",
        "says": "changed by the workshop",
        "state": "good",
        "on": "2020-01-02",
    }
    assert hand.post(f"{page}/task", done, page=page).status_code == 303
    assert "Air filter is overdue" in hand.text(page)
    assert hand.post(f"{page}/task", {**done, "on": ""}, page=page).status_code == 303
    assert "Air filter is overdue" not in hand.text(page)


def test_a_run_down_by_hand_carries_its_figures_into_board_and_plan(hand: Hand) -> None:
    page = "/fleet/alder-single"
    form = {"task": "run-down", "says": "on the bench", "state": "stop", "minutes": "11"}
    half = hand.post(f"{page}/task", form, page=page)
    assert half.status_code == 422
    assert "up to 120 %" in plain(half.text)
    assert hand.post(f"{page}/task", {**form, "share": "62"}, page=page).status_code == 303
    assert "11 min, 62 % of new" in hand.text("/fleet")
    assert "held 62 %" in hand.text(page)
    planned = hand.post("/plan/pick", {"trip": "winter-road"})
    for _ in range(300):
        where = planned.headers.get("location", str(planned.url))
        planned = hand.client.get(where)
        if planned.is_redirect and "/trip/" in planned.headers["location"]:
            break
        time.sleep(0.2)
    trip = planned.headers["location"].split("/")[2]
    sheet = plain(hand.client.get(f"/trip/{trip}/sheet").text)
    assert "guessed from its age" not in sheet
    before = hand.text(f"/trip/{trip}/before")
    assert "on the fleet board" in before


def test_the_unit_on_the_board_is_seen_at_the_door(hand: Hand) -> None:
    fault = {"what": "heater does not heat", "effect": "not ready"}
    page = "/fleet/alder-single"
    assert hand.post(f"{page}/fault", fault, page=page).status_code == 303
    trip = next(key for key in re.findall(r"/trip/(t[^/]+)/before", hand.client.get("/").text))
    assert "heater does not heat" in hand.text(f"/trip/{trip}/before")
    asked = hand.post(f"/trip/{trip}/start", {"at": "", "reason": ""})
    assert asked.status_code == 422
    assert "The unit is not ready" in plain(asked.text)


def test_every_unit_is_asked_about_a_trip(hand: Hand) -> None:
    bad = hand.post("/fleet/ask", {"hours": "99", "power": "vehicle"}, page="/fleet")
    assert bad.status_code == 422
    assert "from 0.1 to 12 h" in plain(bad.text)
    form = {"hours": "0,5", "outside_c": "10", "weight_g": "3200", "gestation_weeks": "39",
            "age_h": "12", "power": "vehicle"}  # fmt: skip
    answer = hand.post("/fleet/ask", form, page="/fleet")
    assert answer.status_code == 303
    for _ in range(300):
        answer = hand.client.get(answer.headers.get("location", str(answer.url)))
        if answer.is_redirect and "/fleet/asked/" in answer.headers["location"]:
            break
        time.sleep(0.2)
    text = hand.text(answer.headers["location"])
    assert "0.5 h on the road at 10 °C" in text
    for name in ("Alder single", "Rowan double"):
        assert name in text
    assert text.count("for this trip") == 2
    assert "gas is left to the plan" in text


def test_own_rounds_take_the_place_of_the_shipped_ones(hand: Hand) -> None:
    text = template("rounds").replace('name = "Usual rounds"', 'name = "Ours"')
    page = "/rounds/edit?from=usual"
    wrong = {"name": "ours", "toml": text.replace("value = 26", "value = -26"), "before": ""}
    refused = hand.post("/rounds/edit", wrong, page=page)
    assert refused.status_code == 422
    assert "every_h" in plain(refused.text)
    kept = hand.post("/rounds/edit", {**wrong, "toml": text}, page=page)
    assert kept.status_code == 303, plain(kept.text)[:800]
    assert "Judged by the rounds Ours" in hand.text("/fleet")
    assert "from memory, unverified" in hand.text("/rounds")


PLACES = {
    "fleet": "/fleet", "fleet-unit": f"/fleet/{UNIT}", "rounds": "/rounds",
    "fleet-round": f"/fleet/{UNIT}/round/daily",
    "fleet-after-trip": f"/fleet/{UNIT}/round/after-trip",
}  # fmt: skip


@pytest.mark.parametrize("name", PLACES)
def test_the_pages_read_well_on_both_screens(browser: Browser, server: Server, name: str) -> None:
    context = browser.new_context(base_url=server.address)
    page = context.new_page()
    page.goto(f"/enter?next={PLACES[name]}")
    page.fill("#name", "Ada")
    page.click("button:has-text('Come in')")
    expect(page.locator("h1")).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width, scheme in ((820, "dark"), (1366, "light")):
        page.set_viewport_size({"width": width, "height": 1000})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{SHOTS}/{name}-{width}-{scheme}.png", full_page=True)
        found = Axe().run(page).response["violations"]
        assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    small = page.evaluate(
        """() => [...document.querySelectorAll('main button, main summary, main input, main select,'
          + ' main a')].filter(n => n.type !== 'hidden' && n.offsetParent && !n.closest('.quiet')
          && n.type !== 'checkbox' && n.type !== 'radio'
          && n.getBoundingClientRect().height < 43.5).map(n => n.outerHTML.slice(0, 100))"""
    )
    assert small == []
    context.close()
