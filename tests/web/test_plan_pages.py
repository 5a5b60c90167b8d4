"""The pages of plan, units and help: without a script, with one, and for hands that slip.

The server runs in a thread with a folder of its own; the browser reaches it as any would.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import socket
import threading
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright

from warmhold.model import load_case, shipped, shipped_path, template
from warmhold.plan.changes import with_start
from warmhold.plan.quick import quick_margins
from warmhold.report import json as sheet_json
from warmhold.web.app import make_app
from warmhold.web.forms import fields_of_toml
from warmhold.web.pages.units import unit_faults, unit_view
from warmhold.web.service import Service
from warmhold.web.settings import Settings

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
browser_needed = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")


class Hand:
    """Someone who has come in, with a client that sends forms as a page does."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client
        self.token = self._marks("/enter")["token"]
        client.post("/enter", data={"name": "Ann", "next": "/plan", "token": self.token})
        self.token = self._marks("/plan")["token"]

    def _marks(self, address: str) -> dict[str, str]:
        text = self.client.get(address).text
        return dict(re.findall(r'name="(form_id|token)" value="([^"]*)"', text))

    def get(self, address: str, status: int = 200) -> str:
        answer = self.client.get(address)
        assert answer.status_code == status, answer.text[:500]
        return answer.text

    def post(self, address: str, fields: dict[str, object], status: int = 200) -> str:
        marks = {"token": self.token, "form_id": "f" * 20}
        answer = self.client.post(address, data={**marks, **fields}, follow_redirects=True)
        assert answer.status_code == status, answer.text[:2000]
        return answer.text


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, str]]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    service = Service(Settings(folder=tmp_path_factory.mktemp("record"), port=port, members=100))
    app = make_app(service.settings, service)
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error"))
    thread = threading.Thread(target=server.run)
    thread.start()
    for _ in range(400):
        if server.started:
            break
        time.sleep(0.05)
    yield service, f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(10)


@pytest.fixture(scope="module")
def service(served: tuple[Service, str]) -> Service:
    return served[0]


@pytest.fixture(scope="module")
def address(served: tuple[Service, str]) -> str:
    return served[1]


@pytest.fixture(scope="module")
def hand(address: str) -> Iterator[Hand]:
    with httpx.Client(base_url=address, timeout=60) as client:
        yield Hand(client)


def winter(**new: str) -> dict[str, object]:
    text = shipped_path("trips", "winter-road").read_text("utf-8")
    fields: dict[str, object] = {name: list(v) for name, v in fields_of_toml(text).items()}
    return {**fields, **{name.replace("__", "."): value for name, value in new.items()}}


def plain(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def value_of(page: str, name: str) -> str:
    found = re.search(rf'name="{re.escape(name)}" value="([^"]*)"', page)
    assert found, name
    return html.unescape(found[1])


# --- the plan without a script -------------------------------------------------------------------


def test_an_empty_form_knows_the_time_and_nothing_of_the_baby(hand: Hand) -> None:
    page = hand.get("/plan")
    assert value_of(page, "start.now")
    assert value_of(page, "baby.weight_g") == ""
    assert "still to be filled in" in page
    assert 'class="fault"' not in page  # nothing was wrong yet


@pytest.mark.parametrize("name", shipped("trips"))
def test_a_shipped_trip_fills_the_form_and_has_margins(hand: Hand, name: str) -> None:
    page = hand.get(f"/plan?trip={name}")
    raw = tomllib.loads(shipped_path("trips", name).read_text("utf-8"))
    weight = raw["baby"]["weight_g"]
    assert value_of(page, "baby.weight_g") == str(weight)
    assert value_of(page, f"leg.{len(raw['leg'])}.name") == raw["leg"][-1]["name"]
    assert "Kept in" in page
    assert "Its times were moved" in page
    assert value_of(page, "start.now") != raw["start"]["now"].isoformat()[:16]


def test_work_out_shows_the_margins_of_what_was_typed(hand: Hand) -> None:
    page = hand.post("/plan", {**winter(start__battery_charge_percent="50,5"), "do": "work"})
    assert "read as 50.5 %" in page
    assert value_of(page, "start.battery_charge_percent") == "50,5"
    assert value_of(page, "start.battery_charge_percent.spread") == "8"
    case = load_case(shipped_path("trips", "winter-road"))
    charge = case.trip.start.battery_charge_percent.model_copy(update={"value": 50.5})
    expected = quick_margins(with_start(case, battery_charge_percent=charge))
    battery = next(one for one in expected.margins if one.key == "battery")
    row = re.search(r"<th scope=.row.>Battery on the legs.*?</tr>", page, re.DOTALL)
    assert row
    assert battery.band is not None
    assert f"{battery.band.p50:.0f} min".replace("-", "−") in plain(row[0])


def test_all_faults_stand_in_a_summary_and_beside_their_fields(hand: Hand) -> None:
    page = hand.post(
        "/plan", {**winter(baby__weight_g="3.2", leg__2__minutes="x"), "do": "work"}, 422
    )
    summary = page[page.index('id="summary"') : page.index('class="from-where"')]
    assert '<a href="#f-baby-weight_g">' in summary
    assert '<a href="#f-leg-2-minutes">' in summary
    assert "looks like kilograms: write 3200" in plain(summary)
    beside = re.search(r'id="f-baby-weight_g-more" class="fault"[^>]*>([^<]*)', page)
    assert beside
    assert "write 3200" in beside[1]
    row = re.search(r'<details class="row" id="f-leg-2"( open)?>', page)
    assert row
    assert row[1], "a row with a fault must stand open"


@pytest.mark.parametrize(
    ("do", "names"),
    [
        ("leg.add", ["ward to the door", "lift to the unit", ""]),
        ("leg.1.remove", ["across the yard", "lift to the unit"]),
        ("leg.1.down", ["across the yard", "lift to the unit"]),
    ],
)
def test_legs_are_buttons_of_the_form(hand: Hand, do: str, names: list[str]) -> None:
    page = hand.post("/plan", {**winter(), "do": do})
    found = [html.unescape(n) for n in re.findall(r'name="leg\.\d+\.name" value="([^"]*)"', page)]
    assert found[0] == names[0]
    assert found[4 if do != "leg.1.remove" else 3] == names[1]
    assert found[5:] == names[2:]
    assert page.count("autofocus") == 1
    assert 'class="fault"' not in page


def test_the_text_of_a_trip_file_fills_the_form(hand: Hand) -> None:
    page = hand.post("/plan/open", {"toml": template("trip")})
    assert value_of(page, "baby.pseudonym") == "EXAMPLE"
    broken = hand.post("/plan/open", {"toml": "title = “x”"}, 422)
    assert "straight quotes" in broken
    assert "title = “x”" in html.unescape(broken)


def test_an_unknown_trip_is_not_found(hand: Hand) -> None:
    hand.get("/plan?trip=../../etc/passwd", 404)
    hand.get("/plan?plan=no-such-trip", 404)


def test_margins_come_alone_as_a_part(hand: Hand) -> None:
    part = hand.post("/plan/margins", winter())
    assert "<html" not in part
    assert "<input" not in part
    assert "<select" not in part
    assert "data-margins" in part
    hand.post("/plan/margins", winter())  # remembered by now
    begin = time.perf_counter()
    hand.post("/plan/margins", winter())
    assert time.perf_counter() - begin < 1.0


def test_garbage_never_breaks_the_form(hand: Hand) -> None:
    for name in ("baby.weight_g", "start.now", "leg.1", "leg.1.minutes", "do", "unit", "baby"):
        for value in ("\u202e<script>", "9" * 5000, "'; --", "{{ 7 * 7 }}", "[[leg]]"):
            page = hand.post("/plan/margins", {**winter(), name: value})
            assert "<script>" not in page
            fields = {**winter(), "do": "work", name: value}
            answer = hand.client.post("/plan", data={"token": hand.token, **fields})
            assert answer.status_code in (200, 422), (name, value)
            assert "<script>" not in answer.text
            assert ">49<" not in answer.text


# --- in full ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(hand: Hand) -> tuple[str, str]:
    """Plan in full, follow the page of its progress; return the trip's key and its address."""
    text = shipped_path("trips", "term-by-day").read_text("utf-8")
    fields: dict[str, object] = {name: list(v) for name, v in fields_of_toml(text).items()}
    fields |= {"start.air_set_c": "33", "do": "plan", "token": hand.token, "form_id": "g" * 20}
    first = hand.client.post("/plan", data=fields, follow_redirects=False)
    again = hand.client.post("/plan", data=fields, follow_redirects=False)
    assert first.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    working = first.headers["location"]
    assert working.startswith("/plan/working/")
    for _ in range(600):
        answer = hand.client.get(working, follow_redirects=False)
        if answer.status_code == 303:
            address = answer.headers["location"]
            return address.split("/")[2], address
        assert answer.status_code == 200
        assert "could not be made" not in answer.text
        time.sleep(0.1)
    raise AssertionError("the plan never ended")


def test_a_plan_in_full_is_in_the_record_once(planned: tuple[str, str], service: Service) -> None:
    events = service.record.events(planned[0])
    assert [event.kind for event in events] == ["trip-planned"]
    body = events[0].body
    assert set(body) == {"trip_toml", "unit_toml", "policy_toml", "sheet"}
    sheet = sheet_json.loads(json.dumps(body["sheet"]))
    assert sheet.start.air_set_c == 33.0
    assert tomllib.loads(body["trip_toml"])["baby"]["pseudonym"] == "Wren 9"


def test_its_sheet_is_shown(planned: tuple[str, str], hand: Hand) -> None:
    page = hand.get(f"/trip/{planned[0]}/sheet")
    assert "Term by day" in page


def test_an_earlier_plan_fills_the_form(planned: tuple[str, str], hand: Hand) -> None:
    page = hand.get(f"/plan?plan={planned[0]}")
    assert value_of(page, "start.air_set_c") == "33"
    assert value_of(page, "baby.pseudonym") == "Wren 9"


def test_a_faulty_form_is_not_planned(hand: Hand, service: Service) -> None:
    before = service.record.trips()
    page = hand.post("/plan", {**winter(baby__weight_g=""), "do": "plan"}, 422)
    assert "fill this field in" in page
    assert service.record.trips() == before


# --- units ---------------------------------------------------------------------------------------


def test_every_value_of_a_unit_is_shown_with_where_it_comes_from(hand: Hand) -> None:
    for name in shipped("units"):
        raw = tomllib.loads(shipped_path("units", name).read_text("utf-8"))
        found = [
            value for table in raw.values() if isinstance(table, dict)
            for value in table.values() if isinstance(value, dict)
        ]  # fmt: skip
        page = hand.get(f"/units/{name}")
        assumed = sum(value["provenance"] == "assumed" for value in found)
        assert assumed > 5
        assert f"{assumed} of {len(found)} values" in plain(page)
        assert page.count('class="assumed">') >= assumed
        labels = re.findall(r'<th scope="row">([^<]*)</th>', page)
        assert not [label for label in labels if "_" in label], "a key without words"
        for value in found:
            if "spread" in value and value["spread"] > 1:
                assert f"± {value['spread']:g}" in page


def test_an_own_unit_is_written_read_changed_and_planned_with(hand: Hand, service: Service) -> None:
    text = template("unit").replace('name = "Alder single"', 'name = "Our second"')
    fields: dict[str, object] = {"name": "our-second", "toml": text, "before": ""}
    page = hand.post("/units/edit", fields)
    assert "Our second" in page
    assert (service.folder / "units" / "our-second.toml").read_text("utf-8") == text
    assert "Our second" in hand.get("/units")
    assert "Kept in" in hand.post("/plan/margins", winter(unit="our-second"))
    # changed without having seen what is there
    other = {**fields, "toml": text.replace("age_years = 4", "age_years = 5")}
    assert "Not saved" in hand.post("/units/edit", other, 422)
    began = re.search(r'name="before" value="([^"]*)"', hand.get("/units/edit?from=our-second"))
    assert began
    hand.post("/units/edit", {**other, "before": began[1]})
    assert "age_years = 5" in (service.folder / "units" / "our-second.toml").read_text("utf-8")
    kinds = [event.body["did"] for event in service.record.events("") if event.kind == "access"]
    assert kinds.count("wrote the unit our-second") == 2


def test_every_number_of_a_policy_is_shown_with_how_it_is_known(hand: Hand) -> None:
    page = hand.get("/policies/cautious")
    raw = tomllib.loads(shipped_path("policies", "cautious").read_text("utf-8"))
    tables = [part for one in raw.values() for part in (one if isinstance(one, list) else [one])]
    values = [v for t in tables if isinstance(t, dict) for v in t.values() if isinstance(v, dict)]
    assert len(values) > 40
    for value in values:
        assert value["source"] in html.unescape(page)
    unverified = sum(value["mark"] in {"memory", "practice"} for value in values)
    assert f"{unverified} of {len(values)} numbers" in plain(page)
    assert page.count("from memory, unverified") == sum(v["mark"] == "memory" for v in values)


def test_an_own_policy_is_written_and_planned_with(hand: Hand, service: Service) -> None:
    text = template("policy").replace('name = "Cautious"', 'name = "Ours"')
    fields: dict[str, object] = {"name": "ours", "toml": text, "before": ""}
    assert "Ours" in hand.post("/policies/edit", fields)
    assert (service.folder / "policies" / "ours.toml").read_text("utf-8") == text
    assert "Kept in" in hand.post("/plan/margins", winter(policy="ours"))
    faulty = {**fields, "name": "worse", "toml": text.replace("value = 95,", "value = 5,")}
    said = hand.post("/policies/edit", faulty, 422)
    assert "Not saved" in said
    assert "probability_percent" in said
    assert not (service.folder / "policies" / "worse.toml").exists()
    unit = {**fields, "name": "unit", "toml": template("unit")}
    assert "another kind" in hand.post("/policies/edit", unit, 422)
    did = [event.body["did"] for event in service.record.events("") if event.kind == "access"]
    assert did.count("wrote the policy ours") == 1


def area_of(page: str, name: str) -> str:
    """What a browser would send of a text area: it drops the first line's end."""
    found = re.search(rf'<textarea id="{name}"[^>]*>\n(.*?)</textarea>', page, re.DOTALL)
    assert found, name
    return html.unescape(found[1])


def test_the_text_on_the_page_is_the_text_of_the_file_line_by_line(hand: Hand) -> None:
    text = shipped_path("units", "rowan-double").read_text("utf-8")
    assert area_of(hand.get("/units/edit?from=rowan-double"), "own-toml") == text
    assert area_of(hand.get("/units/rowan-double"), "text") == text
    toml = area_of(hand.get("/plan?trip=winter-road"), "as-toml")
    assert tomllib.loads(toml)["baby"]["pseudonym"] == "Heron 7"
    broken = "a = 1\nb = [\n<c>\n"
    assert area_of(hand.post("/plan/open", {"toml": broken}, 422), "toml") == broken


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("alder-single", ("", ""), "shipped example"),
        ("../x", ("", ""), "small letters"),
        ("Our Unit", ("", ""), "small letters"),
        ("edit", ("", ""), "another name"),
        ("mine", ("heater_w = {", "heater = {"), "heater_w"),
        ("mine", ("[hood]", "[hod]"), "hood"),
        ("mine", ('"lead-acid"', '"lead"'), "lead-acid"),
    ],
)
def test_a_unit_with_a_slip_is_not_saved_and_all_is_told(
    hand: Hand, service: Service, name: str, change: tuple[str, str], said: str
) -> None:
    text = template("unit").replace(*change)
    before = sorted((service.folder / "units").glob("*")) if name != "mine" else []
    page = hand.post("/units/edit", {"name": name, "toml": text, "before": ""}, 422)
    assert "Not saved" in page
    assert said in html.unescape(page)
    assert name not in {path.stem for path in (service.folder / "units").glob("mine*")}
    if before:
        assert sorted((service.folder / "units").glob("*")) == before
    assert not (service.folder / "x.toml").exists()


def test_two_slips_of_a_unit_are_told_at_once() -> None:
    text = template("unit").replace("packs = 1", "packs = 0").replace("age_years = 4", "age = 4")
    found = {fault.key for fault in unit_faults(text)}
    assert {"battery.packs", "battery.age"} <= found
    assert all(fault.file == "the text" for fault in unit_faults(text))
    assert unit_faults(template("trip"))
    assert unit_faults("x" * 300_000)
    assert unit_faults(template("unit")) == ()


def test_a_broken_own_unit_is_shown_with_its_faults(hand: Hand, service: Service) -> None:
    path = service.folder / "units" / "broken.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text('name = "Broken"\n[hood]\nvolume_l = 3\n', "utf-8")
    try:
        assert "cannot be planned with" in hand.get("/units")
        assert "found 3" in hand.get("/units/broken")
    finally:
        path.unlink()
    assert unit_view("x", "not toml [", own=True).faults


def test_the_help_says_what_the_tool_is_not_and_links_nowhere_outside(hand: Hand) -> None:
    page = hand.get("/help")
    for words in ("not a medical device", "own alarms", "No drug doses", "one standard deviation"):
        assert words in plain(page)
    links = re.findall(r'(?:href|src)="([^"]*)"', page)
    assert not [link for link in links if "//" in link]
    keys = set(re.findall(r"<kbd>(\w)</kbd>", page))
    folder = Path(__file__).parents[2] / "src" / "warmhold" / "web" / "templates"
    used = {
        key for path in folder.glob("*.html")
        for key in re.findall(r'data-key="(\w)"', path.read_text("utf-8"))
    }  # fmt: skip
    assert used <= keys, "a key that the help does not tell"


# --- in a browser --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield one
        one.close()


def opened(browser: object, address: str, **options: object) -> Page:
    page: Page = browser.new_context(**options).new_page()  # type: ignore[attr-defined]
    page.goto(f"{address}/enter")
    page.fill("#name", "Ann")
    page.click("text=Come in")
    return page


PAGES = ("/plan", "/plan?trip=winter-road", "/units", "/units/rowan-double",
         "/units/edit?from=alder-single", "/policies", "/policies/cautious", "/help")  # fmt: skip


@browser_needed
@pytest.mark.parametrize(("width", "look"), [(1366, "light"), (820, "dark")])
def test_axe_finds_nothing_and_targets_are_large(
    browser: object, address: str, width: int, look: str
) -> None:
    page = opened(
        browser, address, viewport={"width": width, "height": 900}, color_scheme=look,
        bypass_csp=True,
    )  # fmt: skip
    for path in PAGES:
        page.goto(address + path)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        found = Axe().run(page)
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"
        small = page.evaluate(
            """[...document.querySelectorAll(`main button:not(.quiet), main select, main summary,
            main input:not([type=hidden], [type=checkbox]), main .check,
            main a:not(.over)`)].filter(n => n.offsetParent
            && n.getBoundingClientRect().height < 43.5)
            .map(n => n.outerHTML.slice(0, 90))"""
        )
        assert small == [], path
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"{path} is wider than the window"
        unnamed = page.evaluate(
            """[...document.querySelectorAll(`main input:not([type=hidden]), main select,
            main textarea`)].filter(n => !n.labels.length).map(n => n.name)"""
        )
        assert unnamed == [], path
    page.context.close()


@browser_needed
def test_margins_follow_the_fields_and_no_field_is_touched(browser: object, address: str) -> None:
    page = opened(browser, address)
    page.goto(f"{address}/plan?trip=winter-road")
    before = page.locator("#margins").inner_text()
    weight = page.locator("#f-baby-weight_g")
    handle = weight.element_handle()
    page.fill("#f-baby-temperature_c", "36,2")
    weight.focus()
    page.keyboard.press("End")
    page.keyboard.type("0")  # 32000 g: half-typed nonsense, on its way to another number
    expect(page.locator("#f-baby-temperature_c-read")).to_have_text("read as 36.2 °C")
    expect(page.locator("#f-baby-weight_g-more")).to_have_class("fault")
    assert page.evaluate("document.activeElement.id") == "f-baby-weight_g"
    page.keyboard.press("Backspace")
    expect(page.locator("#f-baby-weight_g-more")).to_have_class("hint")
    expect(page.locator("#margins table")).to_be_visible()
    assert page.evaluate("document.activeElement.id") == "f-baby-weight_g"
    assert weight.input_value() == "3200"
    assert page.locator("#f-baby-temperature_c").input_value() == "36,2"
    assert handle.evaluate("node => node.isConnected"), "the field itself was replaced"
    assert page.locator("#margins").inner_text() != before
    page.context.close()


@browser_needed
def test_enter_works_out_and_links_lead_into_shut_rows(browser: object, address: str) -> None:
    page = opened(browser, address)
    page.goto(f"{address}/plan?trip=winter-road")
    page.locator("#f-leg-3 > summary").click()
    page.fill("#f-leg-3-minutes", "-4")
    page.press("#f-title", "Enter")
    expect(page.locator("#summary")).to_be_focused()
    page.locator("#f-leg-3 > summary").click()  # shut it again
    page.locator("#summary a").first.click()
    expect(page.locator("#f-leg-3-minutes")).to_be_focused()
    page.context.close()


@browser_needed
def test_the_form_works_with_scripts_off(browser: object, address: str) -> None:
    page = opened(browser, address, java_script_enabled=False)
    page.goto(f"{address}/plan?trip=term-by-day")
    page.fill("#f-baby-weight_g", "3300")
    page.locator(".plan-margins button[value=work]").click()
    expect(page.locator("#margins table")).to_be_visible()
    assert page.locator("#f-baby-weight_g").input_value() == "3300"
    page.locator("button[value='leg.add']").click()
    assert page.locator("#f-leg-4-name").input_value() == ""
    page.context.close()
