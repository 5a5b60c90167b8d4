"""Bench tests, trends and fits through a real server: logs sent, mapped, judged, signed."""

from __future__ import annotations

import hashlib
import http.client
import os
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from playwright.sync_api import Browser, expect

from bench import hidden
from bench.alder_log import as_csv, steady_log
from cli.test_characterise import MAPPING, write_csv
from warmhold.bench.readiness import History, RunDown, Setting
from warmhold.bench.rounds import RoomAir
from warmhold.model import parse_rounds, parse_unit, shipped_path, template
from warmhold.model.load import DATA
from warmhold.record import Entry, Event, Record, events_of_file, verify_file
from warmhold.web.access import Passcodes
from warmhold.web.trends import ageing_of
from web.serving import Hand, Server, plain

SHOTS = os.environ.get("WARMHOLD_SHOTS")
FULL = bool(os.environ.get("WARMHOLD_FULL"))
WHOLE = FULL or bool(SHOTS)  # axe on every state of a page, in both schemes
STEADY = (DATA / "logs" / "alder-steady.csv").read_bytes()
UNIT = "our-first"
OTHER = "our-second"
SHIPPED = "alder-single"  # seen beside own units because the record speaks of it
FORM = {
    "limits": "transport-2020", "accept": "guarded", "signed": "Ann Lind", "mattress": "level",
    "hood": "closed", "full": "", "ended": "",
}  # fmt: skip


def seed(folder: Path) -> None:
    """Two own units; the second with run-downs and readings of its sensor on record."""
    (folder / "units").mkdir(parents=True)
    text = shipped_path("units", "alder-single").read_text("utf-8")
    (folder / "units" / f"{UNIT}.toml").write_text(text, "utf-8")
    text = text.replace('name = "Alder single"', 'name = "Hazel double"')
    (folder / "units" / f"{OTHER}.toml").write_text(text, "utf-8")
    now = datetime.now(UTC).replace(microsecond=0)
    with Record.open(folder) as record:
        for number, share in enumerate((98.0, 95.5, 92.8, 90.1, 87.0)):
            at = now - timedelta(days=40 * (5 - number))
            figure = {"key": "battery_share_percent", "value": share, "expanded_uncertainty": 3.0,
                      "bound": ""}  # fmt: skip
            ran = {"key": "battery_min", "value": 2.0 * share, "bound": ""}
            result = {"test": "run-down", "title": "Battery run-down", "verdict": "pass",
                      "reason": "as before", "figures": [figure], "measured": [ran]}  # fmt: skip
            body = {"unit": OTHER, "results": [result], "log": "down.csv", "signed": "Ann"}
            record.append(Entry(f"seeded-run-down-{number}", "", "bench-test", body, "Ann", at))
        fault = {"unit": SHIPPED, "what": "a wheel squeaks", "effect": "with limits"}
        record.append(Entry("seeded-fault", "", "fault", fault, "Ann", now))
        for number, value in enumerate((20.9, 20.7)):
            answer = {
                "item": "oxygen-sensor", "title": "Sensor", "value": value, "judged": "good",
                "says": "as read",
                "room": {"pressure_hpa": 1009.0, "room_c": 21.0, "humidity_percent": 40.0},
            }  # fmt: skip
            body = {"unit": OTHER, "round": "daily", "title": "Daily round", "answers": [answer],
                    "signed": "Ann"}  # fmt: skip
            at = now - timedelta(days=2 - number)
            record.append(Entry(f"seeded-round-{number}", "", "round", body, "Ann", at))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("bench") / "record"
    seed(folder)
    one = Server(folder).start()
    yield one
    one.stop()
    assert one.failures() == ""
    assert verify_file(folder / "record.sqlite").whole


@pytest.fixture
def hand(server: Server) -> Hand:
    return Hand(server)


def entries(server: Server, kind: str = "bench-test", unit: str = UNIT) -> list[Event]:
    found = events_of_file(server.folder / "record.sqlite")
    return [one for one in found if one.kind == kind and one.body["unit"] == unit]


def send(
    hand: Hand, form: dict[str, str], content: bytes | None = STEADY, name: str = "steady.csv",
    unit: str = UNIT,
) -> httpx.Response:  # fmt: skip
    page = f"/fleet/{unit}/bench"
    files = None if content is None else {"log": (name, content, "text/csv")}
    return hand.client.post(page, data={**hand.marks(page), **FORM, **form}, files=files)


def worked_out(hand: Hand, answer: httpx.Response) -> str:
    """Wait for a job; return the address of its result."""
    assert answer.status_code == 303, plain(answer.text)[:1500]
    address = answer.headers["location"]
    for _ in range(600):
        if "/plan/working/" not in address:
            return address
        answer = hand.client.get(address)
        assert "could not be made" not in answer.text, plain(answer.text)
        address = answer.headers["location"] if answer.is_redirect else address
        time.sleep(0.1)
    raise AssertionError("the job did not come to an end")


def fields_of(page: str) -> dict[str, str]:
    """Hidden fields and the text of the mapping, as a page without a script sends them."""
    from html import unescape  # noqa: PLC0415

    form = page[page.index('name="part" value="mapping"') - 900 :]
    found = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', form)
    text = re.search(r'<textarea id="mapping"[^>]*>\n(.*?)</textarea>', form, re.S)
    assert text is not None
    return {name: unescape(value) for name, value in found} | {"mapping": unescape(text[1])}


def test_a_log_becomes_one_signed_entry_with_its_report(server: Server, hand: Hand) -> None:
    address = worked_out(hand, send(hand, {}))
    assert address.startswith(f"/fleet/{UNIT}?saved=")
    (entry,) = entries(server)
    assert (entry.trip, entry.body["signed"]) == ("", "Ann Lind")
    digest = hashlib.sha256(STEADY).hexdigest()
    assert entry.body["log"] == f"steady.csv, SHA-256 {digest}"
    assert entry.body["profile"] == "Alder single"
    assert entry.stated_utc is not None
    assert entry.stated_utc.isoformat() == "2026-03-04T09:30:00+00:00"
    verdicts = {one["test"]: one["verdict"] for one in entry.body["results"]}
    assert verdicts == dict.fromkeys(
        ("steady", "stability", "uniformity", "displayed", "control"), "pass"
    )
    page = hand.text(f"/fleet/{UNIT}")
    assert "steady.csv" in page
    assert "Pass Uniformity over five points" in page
    report = hand.client.get(f"/fleet/{UNIT}/report/{entry.form_id}")
    assert report.status_code == 200
    assert "Read by the mapping “five points on the bench”: air_c from" in plain(report.text)
    assert "Back to the unit" in report.text
    assert "sha256-" in report.headers["content-security-policy"]
    assert hand.client.get(f"/fleet/{OTHER}/report/{entry.form_id}").status_code == 404
    assert hand.client.get(f"/fleet/{UNIT}/report/..%2Fsession").status_code == 404
    kept = server.folder / "logs" / f"{digest[:16]}.csv"
    assert kept.read_bytes() == STEADY
    assert kept.stat().st_mode & 0o777 == 0o600


def test_a_repeat_of_the_form_is_one_entry(server: Server, hand: Hand) -> None:
    page = f"/fleet/{UNIT}/bench"
    before = len(entries(server))
    form = {**hand.marks(page), **FORM, "test": "steady"}
    files = {"log": ("again.csv", STEADY, "text/csv")}
    first, second = (hand.client.post(page, data=form, files=files) for _ in range(2))
    assert worked_out(hand, first) == worked_out(hand, second)
    assert hand.client.post(page, data=form, files=files).headers["location"].startswith("/fleet/")
    assert len(entries(server)) == before + 1


def test_columns_are_mapped_once_and_remembered(server: Server, hand: Hand) -> None:
    columns = {
        "air_c": ("Air centre [°C]", ".2f"), "ambient_c": ("Room [°C]", ".1f"),
        "air_shown_c": ("Display", ".1f"), "ambient_air_speed_m_s": ("Draught [m/s]", ".2f"),
    }  # fmt: skip
    log = as_csv(steady_log(), columns).encode()
    before = len(entries(server))
    answer = send(hand, {"test": "displayed", "warm_up_min": "35"}, log, "today\\one.csv")
    assert answer.status_code == 200
    text = plain(answer.text)
    assert "Columns of one.csv" in text
    assert "nothing was judged" in text
    assert "Air centre [°C] Air 10 cm above the middle of the mattress" in text
    assert "Zone of its clock" in text
    form = fields_of(answer.text)
    assert (form["test"], form["warm_up_min"], form["signed"]) == ("displayed", "35", "Ann Lind")
    assert 'name = "Alder single"' in form["mapping"]  # the page is of this unit

    page = f"/fleet/{UNIT}/bench"
    wrong = hand.client.post(page, data=form)  # every "?" still stands
    assert wrong.status_code == 422
    faults = plain(wrong.text)
    line = form["mapping"].split('zone = "?"')[0].count("\n") + 1
    assert f"line {line}, time.zone" in faults
    assert "unit" in faults
    assert len(entries(server)) == before
    assert not list((server.folder / "mappings").glob("*.toml"))

    (unit,) = re.findall(r'name="(unit-\d+)" aria-label="Unit of Display"', answer.text)
    form = {**form, "fill-zone": "UTC", unit: "°C"}
    mapping = form["mapping"].replace('zone = "?"', 'zone = "UTC"')
    mapping = mapping.replace('unit = "?"', 'unit = "°C"').strip()
    worked_out(hand, hand.client.post(page, data=form))
    assert len(entries(server)) == before + 1
    (kept,) = (server.folder / "mappings").glob(f"{UNIT}-*.toml")
    assert kept.read_text("utf-8").strip() == mapping

    again = send(hand, {"test": "displayed"}, as_csv(steady_log(seed=8), columns).encode(), "two")
    worked_out(hand, again)  # no mapping is asked for
    assert len(entries(server)) == before + 2

    wrong_unit = send(hand, {"test": "displayed"}, log, unit=OTHER)
    assert wrong_unit.status_code == 422
    assert f"on record as a log of {UNIT}" in plain(wrong_unit.text)
    ticked = {"test": "displayed", "other_unit": "yes"}
    other = send(hand, ticked, log, unit=OTHER)  # offered for the other unit, not used
    assert other.status_code == 200
    assert 'name = "Hazel double"' in fields_of(other.text)["mapping"]
    assert "were mapped before" in plain(other.text)
    looked = send(hand, {"test": "displayed", "look_first": "yes"}, log)
    assert looked.status_code == 200
    assert fields_of(looked.text)["mapping"].strip() == mapping


def test_every_fault_is_told_at_once_and_the_log_need_not_be_sent_again(
    server: Server, hand: Hand
) -> None:
    before = len(entries(server))
    form = {
        "signed": "", "limits": "transport-2021", "speed_low": "0.4", "warm_up_min": "soon",
        "from_min": "40", "to_min": "20", "entered": '[[alarm]]\nwhat = "fans"\n',
    }  # fmt: skip
    answer = send(hand, form, STEADY + b"\n")
    assert answer.status_code == 422
    text = plain(answer.text)
    for said in ("6 fields need", "a bench test is signed", "Choose a set", "or neither",
                 "from 1 to 600 min", "end after it begins", "line 2"):  # fmt: skip
        assert said in text, said
    key = hashlib.sha256(STEADY + b"\n").hexdigest()[:16]
    assert f'<option value="{key}" selected' in answer.text
    again = send(hand, {"kept": key, "kept_name": "steady.csv", "test": "steady"}, None)
    assert "Columns of steady.csv" in plain(again.text)  # not the shipped log: not its mapping
    twice = {"mattress": "tilted", "entered": '[conditions]\nmattress = "level"\n'}
    assert "stands in the text as well" in plain(send(hand, twice).text)
    for content, said in ((b"", "is empty"), (None, "Choose the file")):
        assert said in plain(send(hand, {}, content).text)
    assert "is not kept here" in plain(send(hand, {"kept": "0" * 16}, None).text)
    assert len(entries(server)) == before


def test_own_limits_are_offered_and_their_faults_told(server: Server, hand: Hand) -> None:
    place = server.folder / "limits"
    place.mkdir()
    text = (DATA / "limits" / "transport-2020.toml").read_text("utf-8")
    (place / "ours.toml").write_text(text.replace('name = "transport-2020"', 'name = "ours"'))
    (place / "odd.toml").write_text(text.replace("format = 1", "format = 2"))
    nursery = (DATA / "limits" / "nursery.toml").read_text("utf-8")
    (place / "ward.toml").write_text(nursery)
    page = hand.client.get(f"/fleet/{UNIT}/bench").text
    assert "Own set ours" in page
    assert 'value="nursery"' not in page
    worked_out(hand, send(hand, {"limits": "own/ours", "test": "steady"}))
    found = entries(server)[-1].body["results"][0]
    assert found["limits"]["name"] == "ours"
    assert "odd.toml" in plain(send(hand, {"limits": "own/odd"}).text)
    assert "nursery incubators" in plain(send(hand, {"limits": "own/ward"}).text)
    assert "Choose a set" in plain(send(hand, {"limits": "own/../ours"}).text)


def test_a_log_with_nothing_to_judge_is_told_on_the_form(server: Server, hand: Hand) -> None:
    before = len(entries(server))
    log = as_csv(steady_log(), {"ambient_c": ("Room [°C]", ".1f")}).encode()
    form = fields_of(send(hand, {}, log, "room.csv").text)
    form["mapping"] = form["mapping"].replace('zone = "?"', 'zone = "UTC"')
    answer = hand.client.post(f"/fleet/{UNIT}/bench", data=form)
    assert answer.status_code == 422
    assert "nothing for any test" in plain(answer.text)
    key = hashlib.sha256(log).hexdigest()[:16]
    kept = {"kept": key, "kept_name": "room.csv", "test": "stability"}
    worked_out(hand, send(hand, kept, None))  # chosen by name it says what is lacking
    assert entries(server)[-1].body["results"][0]["verdict"] == "cannot tell"
    assert len(entries(server)) == before + 1


@pytest.mark.parametrize(
    "content", [b"\x00\x01\x02" * 500, b"no header\n", b"\xff\xfe", b"a;b\n" * 3, b'"' * 1000]
)
def test_what_is_no_log_is_told_in_words(hand: Hand, content: bytes) -> None:
    answer = send(hand, {}, content, "odd.csv")
    assert answer.status_code in {200, 422}
    assert "Columns of odd.csv" in plain(answer.text)
    assert str(Path.cwd()) not in answer.text


def test_a_log_that_ends_in_the_future_is_refused(server: Server, hand: Hand) -> None:
    text = STEADY.decode().replace("04.03.2026", "04.03.2099").encode()
    mapping = (DATA / "logs" / "alder-steady.mapping.toml").read_text("utf-8")
    form = {**fields_of(send(hand, {}, text).text), "mapping": mapping}
    answer = hand.client.post(f"/fleet/{UNIT}/bench", data=form)
    assert answer.status_code == 422
    assert "still to come" in plain(answer.text)


def test_only_the_lead_sends_logs_and_only_there(tmp_path: Path, server: Server) -> None:
    folder = tmp_path / "record"
    folder.mkdir()
    Passcodes(folder).store({"chart": "charting-1", "lead": "leading-1"})
    one = Server(folder).start()
    try:
        hand = Hand(one, passcode="charting-1")
        assert "Fleet" in hand.text("/fleet")
        assert send(hand, {}, unit=SHIPPED).status_code == 403
        assert hand.client.get(f"/fleet/{SHIPPED}/characterise").status_code == 403
    finally:
        one.stop()
    assert not (folder / "logs").exists()
    hand = Hand(server)
    files = {"log": ("a.csv", b"x", "text/csv")}
    for address in ("/fleet/ask", f"/fleet/{UNIT}/fault", "/plan", f"/fleet/{UNIT}/bench/x"):
        answer = hand.client.post(address, data=hand.marks("/fleet"), files=files)
        assert answer.status_code == 400, address
        assert "no page here sends" in plain(answer.text)
    token = {**FORM, "form_id": "a" * 20, "token": "forged"}
    answer = hand.client.post(f"/fleet/{UNIT}/bench", data=token, files=files)
    assert answer.status_code == 403


def test_a_log_that_is_too_long_is_told_and_not_kept(server: Server, hand: Hand) -> None:
    before = sorted((server.folder / "logs").glob("*"))
    answer = send(hand, {}, b"1;2\n" * 5_000_001)
    assert answer.status_code == 413
    assert "20 megabytes" in plain(answer.text)
    answer = send(hand, {"entered": "#" * 600_000})
    assert answer.status_code in {400, 413}
    assert sorted((server.folder / "logs").glob("*")) == before


# --- what is no form at all -----------------------------------------------------------------------

HEADS = st.sampled_from([
    b'Content-Disposition: form-data; name="log"; filename="a.csv"',
    b'Content-Disposition: form-data; name="signed"',
    b'Content-Disposition: form-data; name="token"',
    b"Content-Disposition: form-data", b'Content-Disposition: form-data; name="\xff\xfe"',
    b"Content-Disposition: form-data; name*=utf-8''%ff", b"Content-Disposition",
    b": no name", b"Content-Type: text/csv; charset=utf-7", b'content-disposition: ; filename="',
    b'Content-Disposition: form-data; name="log"; filename="\x00"', b"\x00\r\n", b"",
])  # fmt: skip
PIECES = st.lists(
    st.one_of(
        st.just(b"--x\r\n"), st.just(b"--x--\r\n"), st.just(b"\r\n--x\r\n"), st.just(b"\r\n\r\n"),
        st.just(b"--x"), st.just(b"\n"), HEADS, HEADS, st.binary(max_size=30),
        st.just(b"9" * 9000), st.just(b"\r\n--x--"),
    ),
    max_size=14,
)  # fmt: skip
KINDS = st.sampled_from([
    "multipart/form-data; boundary=x", "multipart/form-data; boundary=x; charset=utf-7",
    "multipart/form-data; boundary=x; charset=rot13", 'multipart/form-data; boundary="x',
    "multipart/form-data", "multipart/form-data; boundary=", "Multipart/Form-Data; boundary=x",
    "multipart/form-data; boundary=\u00e9", "multipart/form-data; boundary=" + "y" * 300,
    "multipart/form-data; boundary=x; charset=utf-16",
])  # fmt: skip


@settings(
    max_examples=5000 if FULL else 300,
    deadline=None,
    derandomize=not FULL,
    suppress_health_check=list(HealthCheck),
)
@given(KINDS, PIECES, st.sampled_from([True, False, False]))
def test_no_multipart_is_answered_with_a_failure(
    server: Server, kind: str, pieces: list[bytes], well_begun: bool
) -> None:
    if server.port not in HANDS:
        HANDS[server.port] = Hand(server)
        MARKS[server.port] = HANDS[server.port].marks(f"/fleet/{UNIT}/bench")
    hand, marks = HANDS[server.port], MARKS[server.port]
    cookie = "; ".join(f"{k}={v}" for k, v in hand.client.cookies.items())
    body = b"".join(pieces)
    if well_begun:  # fields as a page sends them, then what was drawn
        form_id = os.urandom(12).hex()
        start = {**FORM, **marks, "form_id": form_id}
        parts = "".join(
            f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in start.items()
        )
        body = parts.encode() + body + b"\r\n--x--\r\n"
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    try:
        connection.request(
            "POST", f"/fleet/{UNIT}/bench", body,
            {"Cookie": cookie, "Content-Type": kind.encode("latin-1").decode("latin-1")},
        )  # fmt: skip
        answer = connection.getresponse()
        text = answer.read().decode("utf-8", "replace")
    finally:
        connection.close()
    assert answer.status < 500, (kind, body, text[:500])
    assert "Traceback" not in text


HANDS: dict[int, Hand] = {}
MARKS: dict[int, dict[str, str]] = {}


# --- trends -------------------------------------------------------------------------------------


def test_trends_say_when_the_limit_is_expected_or_why_that_cannot_be_told(hand: Hand) -> None:
    text = hand.text(f"/fleet/{OTHER}")
    battery = text[text.index("the service asks for 80 %") : text.index("Oxygen sensor What")]
    assert "Date expected" in battery
    assert re.search(r"Limit 80 % expected about 20\d\d-\d\d-\d\d \(90 %: 20", battery)
    sensor = text[text.index("the service allows 1 point") :]
    assert "Cannot tell: 2 of the 3 dates" in sensor
    page = hand.client.get(f"/fleet/{OTHER}").text
    assert 'class="residual"' in page
    assert "0 of the 3 dates" in hand.text("/fleet/our-first")


def run_down(days: int, share: float | None, complete: bool = True) -> RunDown:
    at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=days)
    return RunDown(at, share, 200.0, 180.0, complete)


def test_what_was_stopped_early_or_judged_anew_does_not_count_in_a_trend() -> None:
    rounds = parse_rounds(template("rounds"), "usual")
    whole = (run_down(0, 98.0), run_down(60, 90.0), run_down(120, 83.0))
    battery, sensor = ageing_of(History("x", run_downs=whole), (), rounds)
    assert battery.trend.verdict == "date expected"
    odd = (*whole, run_down(120, 83.0), run_down(150, 40.0, complete=False), run_down(160, None))
    again = ageing_of(History("x", run_downs=odd), (), rounds)[0]
    assert again.points == battery.points
    assert again.left_out == (
        "1 run-down stopped before the cut-off; 1 run-down without a share of a new battery"
    )
    assert sensor.says == "Cannot tell: 0 of the 3 dates that a trend needs at least."
    assert not sensor.drawing


def test_a_sensor_is_held_against_what_it_should_have_read() -> None:
    rounds = parse_rounds(template("rounds"), "usual")
    low, high = RoomAir(1000.0, 21.0, 40.0), RoomAir(900.0, 21.0, 40.0)
    start = datetime(2026, 1, 1, tzinfo=UTC)
    settings_ = (Setting(start, 20.9, None, low),
                 Setting(start + timedelta(days=1), 18.8, None, high))  # fmt: skip
    points = ageing_of(History("x", settings=settings_), (), rounds)[1].points
    assert points[1].value == pytest.approx(0.0, abs=0.1)  # the pressure fell, not the sensor
    assert points[0].spread > points[1].spread  # when it was last set was not known


# --- a unit's own numbers -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def short_log(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    unit = hidden.shipped_unit("alder-single")
    random, given_ = np.random.default_rng(5), hidden.Instruments()
    values, _ = hidden.hidden_values(unit, random)
    test = hidden.Test("short", 20.0, (hidden.Part(40.0),))
    log = hidden.simulated(
        unit, values, test, random, given_, hidden.shared_offsets(random, given_)
    )  # fmt: skip
    return write_csv(tmp_path_factory.mktemp("short") / "short.csv", log).read_bytes()


def test_a_fitted_version_is_offered_not_taken(
    server: Server, hand: Hand, short_log: bytes
) -> None:
    page = f"/fleet/{UNIT}/characterise"
    nothing = hand.post(page, {}, page=page)
    assert nothing.status_code == 422
    assert "Tick at least one log" in plain(nothing.text)
    asked = send(hand, {"test": "displayed"}, short_log, "short.csv")
    form = {**fields_of(asked.text), "mapping": MAPPING}
    worked_out(hand, hand.client.post(f"/fleet/{UNIT}/bench", data=form))
    key = hashlib.sha256(short_log).hexdigest()[:16]
    steady = hashlib.sha256(STEADY).hexdigest()[:16]
    odd = hand.post(page, {"log": key, f"charged:{key}": "200"}, page=page)
    assert "charged 5 to 100 %" in plain(odd.text)
    foreign = hand.post(f"/fleet/{OTHER}/characterise", {"log": key}, page=page)
    assert "not one of this unit" in plain(foreign.text)
    unfit = hand.post(page, {"log": steady}, page=page)
    for _ in range(100):
        said = hand.text(unfit.headers["location"])
        if "could not be made" in said:
            break
        time.sleep(0.1)
    assert "cannot drive the model" in said  # it has no source

    path = server.folder / "units" / f"{UNIT}.toml"
    before = path.read_text("utf-8")
    address = worked_out(hand, hand.post(page, {"log": key, f"charged:{key}": "100"}, page=page))
    text = hand.text(address)
    assert "Use this version from now on" in text
    assert "Which test next" in text
    assert path.read_text("utf-8") == before, "offered, not taken"
    form_id = address.rsplit("/", 1)[1]
    assert hand.client.get(f"/fleet/{UNIT}/report/{form_id}").status_code == 200
    assert hand.client.get(f"/fleet/{OTHER}/version/{form_id}").status_code == 404

    form = hand.marks(address)
    first, second = (hand.client.post(address, data=form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"]
    after = path.read_text("utf-8")
    assert 'provenance = "measured"' in after
    assert parse_unit(after, "new").name == "Alder single"
    (kept,) = (server.folder / "units" / "before").glob(f"{UNIT}-*.toml")
    assert kept.read_text("utf-8") == before
    (entry,) = entries(server, "profile")
    assert entry.body["toml"] == after
    assert hashlib.sha256(short_log).hexdigest() in entry.body["from"]
    assert "This version is in use" in hand.text(address)

    path.write_text(before, "utf-8")  # changed by somebody: the fit no longer begins from it
    path.write_text(before.replace("\n", "\n# by hand\n", 1), "utf-8")
    stale = hand.post(address, {}, page=page)
    assert stale.status_code == 422
    assert "fit the logs again" in plain(stale.text)
    path.write_text(before, "utf-8")


def test_a_shipped_unit_is_never_written_over(server: Server, hand: Hand, short_log: bytes) -> None:
    ticked = {"test": "displayed", "other_unit": "yes"}
    worked_out(hand, send(hand, ticked, short_log, "short.csv", SHIPPED))
    key = hashlib.sha256(short_log).hexdigest()[:16]
    page = f"/fleet/{SHIPPED}/characterise"
    address = worked_out(hand, hand.post(page, {"log": key}, page=page))
    for name, said in (("", "small letters"), (SHIPPED, "stays as it is"),
                       ("../x", "small letters"), (OTHER, "already")):  # fmt: skip
        answer = hand.post(address, {"name": name}, page=address)
        assert answer.status_code == 422
        assert said in plain(answer.text)
    taken = hand.post(address, {"name": "our-alder"}, page=address)
    assert taken.headers["location"].startswith("/fleet/our-alder?saved=")
    written = {path.stem for path in (server.folder / "units").glob("*.toml")}
    assert written == {UNIT, OTHER, "our-alder"}
    assert "our-alder" in hand.client.get("/fleet").text


# --- with a browser -------------------------------------------------------------------------------


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_from_a_log_to_its_report(
    browser: Browser, server: Server, tmp_path: Path, script: bool
) -> None:
    columns = {"air_c": ("Air [°C]", ".2f"), "ambient_c": ("Room [°C]", ".1f"),
               "air_shown_c": (f"Display {1 + script}", ".1f")}  # fmt: skip
    log = tmp_path / f"today-{script}.csv"
    log.write_text(as_csv(steady_log(seed=11 + script), columns), "utf-8")
    context = browser.new_context(
        base_url=server.address, java_script_enabled=script, viewport={"width": 1366, "height": 900}
    )
    context.set_default_timeout(20_000)
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(f"/fleet/{UNIT}/bench")
    page.fill("#name", "Ada")
    page.click("button:has-text('Come in')")
    expect(page.locator("#bench-log")).to_be_visible()
    looked_at(page, "form", script)
    page.set_input_files("#bench-log", str(log))
    page.fill("#bench-signed", "")
    page.click("button:has-text('Sign and judge')")
    expect(page.locator("main")).to_contain_text("a bench test is signed")
    looked_at(page, "faults", script and WHOLE)
    page.fill("#bench-signed", "Ada")
    page.click("button:has-text('Sign and judge')")
    expect(page.locator("h1")).to_have_text(f"Columns of {log.name}")
    looked_at(page, "mapping", script)
    page.fill("#fill-zone", "Lisbon")
    page.get_by_label(f"Unit of {columns['air_shown_c'][0]}").select_option("°C")
    page.click("button:has-text('Keep it and judge')")
    expect(page.locator("main")).to_contain_text("time.zone")
    looked_at(page, "mapping-faults", script and WHOLE)
    page.fill("#fill-zone", "UTC")
    page.click("button:has-text('Keep it and judge')")
    for _ in range(100):
        if "saved=" in page.url:
            break
        page.wait_for_timeout(200)
        if not script:
            page.click("a:has-text('Refresh')")
    expect(page.locator("#bench")).to_contain_text(log.name)
    expect(page.locator(".saved").first).to_contain_text("entry")
    looked_at(page, "unit", script)
    page.locator("#bench tr", has_text=log.name).locator("a").click()
    expect(page.locator("main")).to_contain_text("Back to the unit")
    page.goto(f"/fleet/{OTHER}")
    looked_at(page, "trends", script)
    page.goto(f"/fleet/{UNIT}/characterise")
    looked_at(page, "characterise", script)
    if page.locator("a:has-text('Look at the fit')").count():
        page.locator("a:has-text('Look at the fit')").first.click()
        expect(page.locator("main")).to_contain_text("Which test next")
        looked_at(page, "version", script)
    assert said == []
    context.close()


def looked_at(page, name: str, script: bool) -> None:  # type: ignore[no-untyped-def]
    """Nothing that axe finds, nothing wider than the page, no target too small for a finger."""
    if not script:
        return
    for width in (820, 1366):
        page.set_viewport_size({"width": width, "height": 900})
        wider = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wider <= 0, (name, width, wider)
        everyday = ("light",) if width == 820 else ("dark",)
        for scheme in ("light", "dark") if WHOLE else everyday:
            page.emulate_media(color_scheme=scheme)
            found = Axe().run(page).response["violations"]
            assert [(one["id"], [n["html"] for n in one["nodes"]]) for one in found] == [], name
            if SHOTS:
                page.screenshot(path=f"{SHOTS}/bench-{name}-{width}-{scheme}.png", full_page=True)
    small = page.evaluate(
        "[...document.querySelectorAll('main a, main button, main select, main summary')]"
        ".filter((e) => e.offsetParent && e.getBoundingClientRect().height < 44)"
        ".map((e) => e.outerHTML.slice(0, 120))"
    )
    assert small == [], name
