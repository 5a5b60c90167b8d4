"""From a rig's line to the page of the trip, in a browser; and the page Exchange."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect
from pypdf import PdfReader

from exchange.test_line import listen, until
from warmhold.exchange.inbox import Inbox
from warmhold.exchange.line import head_line, reading_line
from warmhold.exchange.told import Told
from warmhold.record import Record, events_of_file
from web.browsing import come_in
from web.serving import Hand, Server, plain, start

SHOTS = os.environ.get("WARMHOLD_SHOTS")
RIG = "rig in bay 2"


@pytest.fixture(scope="module")
def server(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("exchange") / "record"
    shutil.copytree(planned[0], folder)
    one = Server(folder).start()
    yield one
    one.stop()
    assert one.failures() == ""


class Rig:
    """A rig that tells lines over TCP to `warmhold exchange lines`."""

    def __init__(self, folder: Path) -> None:
        import socket  # noqa: PLC0415

        self.process = listen(folder, "--port", "0")
        assert self.process.stdout is not None
        port = int(re.search(r"port (\d+)", self.process.stdout.readline())[1])
        self.line = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.said = self.line.makefile("r", encoding="utf-8")
        self.seq = 0
        self.line.sendall(f"{head_line('run-1')}\n".encode())
        assert self.said.readline() == "run run-1 0\n"

    def tell(self, **values: float) -> None:
        for name, value in values.items():
            self.seq += 1
            self.line.sendall(f"{reading_line(self.seq, name, value)}\n".encode())
            assert self.said.readline() == f"ok {self.seq}\n"

    def say(self, line: bytes) -> str:
        self.line.sendall(line + b"\n")
        return self.said.readline()

    def close(self) -> None:
        self.said.close()
        self.line.close()
        self.process.terminate()
        self.process.wait(10)
        self.process.stdout.close()
        self.process.stderr.close()


def wait_for_sets(folder: Path, trip: str, count: int) -> None:
    """Wait until so many sets of devices are in the record."""
    import sqlite3  # noqa: PLC0415

    def there() -> bool:
        with sqlite3.connect(f"file:{folder / 'record.sqlite'}?mode=ro", uri=True) as one:
            found = one.execute(
                "SELECT COUNT(*) FROM event WHERE trip = ? AND form_id LIKE 'live-%' AND "
                "kind = 'observation'", (trip,),
            ).fetchone()[0]  # fmt: skip
        one.close()
        return found >= count

    until(there, 20)


def test_from_a_rigs_line_to_the_trip_and_out_at_the_handover(
    browser: Browser,
    server: Server,
    planned: tuple[Path, str],
    request: pytest.FixtureRequest,
) -> None:
    trip = planned[1]
    start(Hand(server, "Ben"), trip)
    context, page = come_in(browser, server, script=False)
    page.goto("/exchange")
    expect(page.locator("main")).to_contain_text("No device has told anything yet")
    rig = Rig(server.folder)
    request.addfinalizer(rig.close)
    rig.tell(skin_c=36.2, air_c=35.4)
    assert rig.say(b"3 now skin_c 36.2 Cel 00000000").startswith("refused - the checksum is")

    # seen, not joined: nothing goes to a baby
    page.goto("/exchange")
    card = page.locator(".sources .card")
    expect(card).to_contain_text("rig")
    expect(card).to_contain_text("Goes to no trip")
    expect(card).to_contain_text("36.2 °C")
    expect(card).to_contain_text("1 of them refused")
    page.click("summary:has-text('Show the latest 1')")
    expect(page.locator(".refused")).to_contain_text("00000000")

    # a person says that it is on this baby
    card.locator("a:has-text('Join to Heron 7')").click()
    expect(page.locator("h1")).to_have_text("Is rig on Heron 7?")
    expect(page.locator("main")).to_contain_text("name band")
    page.click("button:has-text('Yes, it is on Heron 7')")
    expect(page.locator("#told")).to_contain_text("Device rig joined to this trip")
    expect(page.locator(".sources .card")).to_contain_text("joined by Ada (lead)")
    rig.tell(skin_c=37.9, air_c=35.5)

    # by hand, something else
    page.goto(f"/trip/{trip}/road")
    expect(page.locator("[data-tile=devices]")).to_contain_text("has told nothing yet")
    page.click("summary:has-text('Write every reading')")
    page.fill("#set input[name=skin_c]", "36.4")
    page.fill("#set input[name=pulse_per_min]", "142")
    page.click("button:has-text('Save the set')")
    page.goto("/exchange")
    page.click("button:has-text('Leave this trip')")  # its minute is over with that
    expect(page.locator("#told")).to_contain_text("Device rig left")
    wait_for_sets(server.folder, trip, 1)
    page.locator(".sources .card a:has-text('Join to Heron 7')").click()
    page.click("button:has-text('Yes, it is on Heron 7')")
    expect(page.locator("#told")).to_contain_text("joined to this trip")
    page.goto(f"/trip/{trip}/road")
    tile = page.locator("[data-tile=devices]")
    expect(tile).to_contain_text("rig")
    expect(tile).to_contain_text("37.9 °C")
    expect(tile).to_contain_text("36.4 °C read by hand, 37.9 °C told by rig")
    expect(tile).to_contain_text("1.5 °C apart; two such instruments may be 0.5 °C apart")
    skin = page.locator("#quick details", has_text="Skin").first
    expect(skin).to_contain_text("36.4 °C")
    expect(skin).to_contain_text("rig: 37.9 °C")

    # both stand on the timeline, the device's in one line
    page.goto(f"/trip/{trip}/timeline")
    expect(page.locator("main")).to_contain_text("rig told 1 set: Skin 37.9 °C; Air in the hood")
    expect(page.locator("main")).to_contain_text("Pulse 142 /min, Skin 36.4 °C")
    expect(page.locator(".apart")).to_contain_text("Both are kept")
    expect(page.locator("main")).to_contain_text("Device rig joined to this trip")
    page.click("li.device summary")
    page.click("li.device a:has-text('correct')")
    expect(page.locator("main")).to_contain_text("37.9")

    # left by the handover
    page.goto(f"/trip/{trip}/handover")
    page.fill("#to", "Dr Okoro")
    page.click("button:has-text('Hand over')")
    expect(page.locator("#told")).to_contain_text("Handed over")
    rig.tell(skin_c=30.0)
    until(lambda: "Goes to no trip" in Hand(server, "Cy").text("/exchange"), 15)
    page.goto(f"/trip/{trip}/timeline")
    expect(page.locator("main")).to_contain_text("Device rig left")
    assert "30.0" not in page.inner_text("main")
    page.goto(f"/trip/{trip}/handover/page")
    expect(page.locator("body")).to_contain_text("told by rig")
    expect(page.locator("body")).to_contain_text("Told by devices, beside what was read by hand")
    pdf = context.request.get(f"/trip/{trip}/handover/page.pdf")
    path = server.folder.parent / "handover.pdf"
    path.write_bytes(pdf.body())
    text = " ".join(one.extract_text() for one in PdfReader(path).pages)
    assert "told by rig" in " ".join(text.split())
    context.close()


# --- a trip with dense rows, written without waiting ---------------------------------------------


@pytest.fixture(scope="module")
def dense(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A trip under way for an hour, with a set a minute of a device that fell silent just now."""
    folder, trip = tmp_path_factory.mktemp("dense") / "record", planned[1]
    shutil.copytree(planned[0], folder)
    now = datetime.now(UTC)
    began = now - timedelta(minutes=70)
    from warmhold.record import Entry  # noqa: PLC0415

    with Record.open(folder, warn=lambda _t: None) as record:
        record.append(Entry("begin-dense", trip, "trip-started", {}, "Ada (chart)", began))
        joined = {"source": RIG, "did": "joined"}
        record.append(Entry("join-dense", trip, "source", joined, "Ada (chart)", began))
        for minute in range(60):
            at = began + timedelta(minutes=minute)
            values = {
                "skin_c": round(36.2 + 0.01 * minute, 1), "air_c": 35.6, "pulse_per_min": 140.0,
                "saturation_pre_percent": 93.0, "hood_humidity_percent": 60.0,
            }  # fmt: skip
            body = {"values": values, "set": "device", "source": RIG}
            if minute == 30:
                body["flags"] = {"air_c": "test"}
            record.append(Entry(f"dense-{minute}", trip, "observation", body, f"device {RIG}", at))
            if minute in (20, 58):
                hand = {"values": {"skin_c": 35.4, "axillary_c": 36.7}, "set": "regular"}
                record.append(Entry(f"hand-{minute}", trip, "observation", hand, "Ada (chart)", at))
    with Inbox(folder, warn=lambda _t: None) as inbox:
        told = (
            Told(now - timedelta(hours=1), "skin_c", 36.4),
            Told(now - timedelta(hours=1), "air_c", None, "off"),
        )
        inbox.take("bedside <b>3</b>", "m1", b"MSH|...", told)
        inbox.take("bedside <b>3</b>", "m2", b"rubbish <script>", (), "no message begins here")
        inbox.take(RIG, "m3", b"x", (Told(now, "pulse_per_min", 141.0, flag="test"),))
    server = Server(folder).start()
    yield server
    server.stop()
    assert server.failures() == ""


def test_dense_rows_are_one_line_for_each_quarter_of_an_hour(
    dense: Server, planned: tuple[Path, str]
) -> None:
    hand = Hand(dense)
    page = hand.client.get(f"/trip/{planned[1]}/timeline").text
    folds = re.findall(r'<li class="device">', page)
    assert 4 <= len(folds) <= 5
    text = plain(page)
    assert f"{RIG} told 15 sets" in text
    assert text.count("sets missed") + text.count("sets were due and not made") > 0
    assert "1 with a note" in text
    assert "Kept as told: test" in text


def test_a_value_that_is_too_old_is_unknown(dense: Server, planned: tuple[Path, str]) -> None:
    text = Hand(dense).text(f"/trip/{planned[1]}/road")
    tile = text[text.index("Told by devices") :][:900]
    assert "Skin unknown was 36.8 °C" in tile
    assert "35.4 °C read by hand, 36.8 °C told by rig in bay 2" in tile
    assert "Beside what is read by hand, never in its place" in tile


def test_the_handover_stays_one_page(
    dense: Server, planned: tuple[Path, str], tmp_path: Path
) -> None:
    answer = Hand(dense).client.get(f"/trip/{planned[1]}/handover/page.pdf")
    path = tmp_path / "one.pdf"
    path.write_bytes(answer.content)
    reader = PdfReader(path)
    assert len(reader.pages) == 1
    text = " ".join(reader.pages[0].extract_text().split())
    assert "60 sets" in text
    assert "told by rig in bay 2" in text


def test_a_device_value_that_is_corrected_keeps_who_told_it(
    dense: Server, planned: tuple[Path, str]
) -> None:
    hand = Hand(dense)
    seq = next(
        one.seq for one in events_of_file(dense.folder / "record.sqlite")
        if one.kind == "observation" and one.form_id == "dense-7"
    )  # fmt: skip
    form = {"value:skin_c": "36.3", "value:air_c": "35.6", "do": "correct"}
    address = f"/trip/{planned[1]}/timeline/{seq}"
    answer = hand.post(address, form, page=address)
    assert answer.status_code == 303, plain(answer.text)
    text = hand.text(f"/trip/{planned[1]}/timeline")
    assert f"Air in the hood 35.6 °C, Skin 36.3 °C (told by {RIG})" in text


def test_what_a_source_says_is_shown_as_text_and_its_clock_is_judged(dense: Server) -> None:
    hand = Hand(dense)
    page = hand.client.get("/exchange").text
    assert "<script>" not in page.replace("<script src", "")
    assert "bedside &lt;b&gt;3&lt;/b&gt;" in page
    text = plain(page)
    assert "60 min behind this computer's clock" in text
    assert "none: off" in text
    assert "it says itself: test" in text
    assert "no message begins here" in text
    assert "no message begins here" in hand.text("/exchange/refused")
    assert "None among" in hand.text("/exchange/refused?before=1")


@pytest.mark.parametrize("query", ["", "?source=nobody&trip=TRIP", "?source=rig in bay 2&trip=no"])
def test_a_question_about_nothing_is_no_page(
    dense: Server, planned: tuple[Path, str], query: str
) -> None:
    address = f"/exchange/join{query.replace('TRIP', planned[1])}"
    assert Hand(dense).client.get(address).status_code == 404


def test_a_refused_join_says_why_and_changes_nothing(
    dense: Server, planned: tuple[Path, str]
) -> None:
    hand = Hand(dense)
    ask = f"/exchange/join?source={RIG}&trip={planned[1]}"
    answer = hand.post("/exchange/join", {"source": RIG, "trip": planned[1]}, page=ask)
    assert answer.status_code == 422
    assert "goes to this trip already" in plain(answer.text)
    other = hand.post("/exchange/leave", {"source": "bedside 9", "trip": planned[1]})
    assert other.status_code == 422
    assert "does not go to this trip" in plain(other.text)


def test_with_a_script_a_source_is_joined_and_left_in_the_same_way(
    browser: Browser, dense: Server, planned: tuple[Path, str]
) -> None:
    context, page = come_in(browser, dense)
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto("/exchange")
    card = page.locator(".sources .card", has_text="bedside")
    card.locator("a:has-text('Join to Heron 7')").click()
    page.click("button:has-text('Yes, it is on Heron 7')")
    expect(page.locator("#told")).to_contain_text("Device bedside <b>3</b> joined to this trip")
    page.goto(f"/trip/{planned[1]}/road")
    tile = page.locator("[data-tile=devices]")
    expect(tile).to_contain_text("bedside <b>3</b> is joined and has told nothing yet")
    page.goto("/exchange")
    card = page.locator(".sources .card", has_text="bedside")
    card.locator("button:has-text('Leave this trip')").click()
    expect(page.locator("#told")).to_contain_text("Device bedside <b>3</b> left")
    expect(card).to_contain_text("Goes to no trip")
    assert said == []
    context.close()


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("exchange", "/exchange"),
        ("exchange-join", f"/exchange/join?source={RIG}&trip={{trip}}"),
        ("exchange-refused", "/exchange/refused"),
        ("exchange-road", "/trip/{trip}/road"),
        ("exchange-timeline", "/trip/{trip}/timeline"),
    ],
)
def test_the_pages_read_well_in_light_and_dark_on_both_screens(
    browser: Browser, dense: Server, planned: tuple[Path, str], name: str, address: str
) -> None:
    context, page = come_in(browser, dense)
    page.goto(address.format(trip=planned[1]))
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in (820, 1366):
        page.set_viewport_size({"width": width, "height": 1180 if width < 1000 else 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            if SHOTS:
                Path(SHOTS).mkdir(parents=True, exist_ok=True)
                page.screenshot(path=f"{SHOTS}/{name}-{width}-{scheme}.png", full_page=True)
            if (width, scheme) in ((820, "light"), (1366, "dark")):
                found = Axe().run(page).response["violations"]
                assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    small = page.evaluate(
        """() => [...document.querySelectorAll('main button, main summary, main a')]
          .filter(n => n.offsetParent && !n.closest('.quiet') && !n.classList.contains('quiet')
          && !n.classList.contains('over')
          && Math.min(n.getBoundingClientRect().height, n.getBoundingClientRect().width) < 43.5)
          .map(n => n.outerHTML.slice(0, 100))"""
    )
    assert small == []
    context.close()
