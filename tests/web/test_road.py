"""Entries on the road, and a watch that is rebuilt from the record alone."""

from __future__ import annotations

import os
import re
import shutil
import stat
import time
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.model import Case, load_case, shipped_path
from warmhold.record import Entry, Record
from warmhold.record.views import Reading, trip_view
from warmhold.watch import Band
from warmhold.web.pages.road import battery_soon
from warmhold.web.quantities import number_in, quantities, question, readings_of
from warmhold.web.watching import LiveTrip, Look, as_checked, items_of
from web.serving import Hand, Server, plain, plan, start

T0 = datetime(2026, 1, 14, 3, 5, tzinfo=UTC)


@pytest.fixture(scope="module")
def winter() -> Case:
    return load_case(shipped_path("trips", "winter-road"))


# --- what is read and asked about ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [("36.5", 36.5), ("36,5", 36.5), (" 142 ", 142), ("\u22122", -2), (".5", 0.5), ("+7", 7)],
)
def test_a_keypads_numbers_are_read(text: str, value: float) -> None:
    assert number_in(text) == value


@pytest.mark.parametrize(
    "text", ["", "fast", "36.5.1", "1e5", "nan", "inf", "36 5", "0x1", "\u0663", "1" * 30, "--1"]
)
def test_what_is_no_number_is_not_guessed_at(text: str) -> None:
    assert number_in(text) is None


def test_what_is_hard_to_believe_is_asked_about_and_nothing_else(winter: Case) -> None:
    skin = quantities(winter)["skin_c"]
    last = Reading("skin_c", 36.5, T0, 1)
    assert question(skin, 36.8, last, 5, None) == ""
    assert "mostly lie between" in question(skin, 46.5, None, None, None)
    assert "5 min ago it was 36.5" in question(skin, 34.5, last, 5, None)
    assert question(skin, 34.5, last, 45, None) == "", "an old reading says little"
    air = quantities(winter)["air_c"]
    assert "expects about 35.9" in question(air, 22.0, None, None, Band(35.2, 35.9, 36.4))
    assert question(air, 35.0, None, None, Band(35.2, 35.9, 36.4)) == ""


def test_each_cylinder_has_a_gauge_and_the_bar_its_own_divisions(winter: Case) -> None:
    known = quantities(winter)
    assert "gauge_bar:small oxygen" in known
    assert known["battery_divisions"].high == winter.unit.battery.bar_divisions


# --- the watch, rebuilt from the record ---------------------------------------------------------


def _look(tmp_path: Path, case: Case, order: list[int], struck: bool = False) -> Look:
    """Write the same entries in some order, then look at minute 40."""
    body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    entries = [
        Entry("form-a", "t", "happening", {"what": "front closed"}, "Ann", _at(3)),
        Entry("form-b", "t", "observation", _seen(skin_c=36.4, air_c=35.5), "Ann", _at(6)),
        Entry("form-c", "t", "observation", _seen(skin_c=36.2, air_c=35.0), "Ann", _at(14)),
        Entry(
            "form-d", "t", "happening",
            {"what": "leg started", "detail": {"leg": "across the yard"}}, "Ann", _at(15),
        ),
        Entry("form-e", "t", "observation", _seen(skin_c=36.3, air_c=33.0), "Ann", _at(26)),
    ]  # fmt: skip
    live = LiveTrip(case, 36.0, 50, 7)
    with Record.open(tmp_path) as record:
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        record.append(Entry("form-s", "t", "trip-started", {}, "Ann", T0))
        seqs = {}
        for number in order:
            seqs[number] = record.append(entries[number]).seq
            # looked at in between, as a page would: what was seen then must leave no trace
            if len(seqs) in (2, 4):
                live.look(trip_view(record.events("t")), _at(30))
        if struck:
            wrong = Entry("form-x", "t", "observation", _seen(skin_c=31.0), "Ann", _at(10))
            seq = record.append(wrong).seq
            live.look(trip_view(record.events("t")), _at(35))
            mend = {"corrects": seq, "body": None}
            record.append(Entry("form-y", "t", "correction", mend, "Ann"))
        return live.look(trip_view(record.events("t")), _at(40))


def _at(minute: float) -> datetime:
    return T0 + timedelta(minutes=minute)


def _seen(**values: float) -> dict[str, object]:
    return {"values": values, "set": "extra"}


def test_the_order_of_typing_makes_no_difference_to_the_watch(tmp_path: Path, winter: Case) -> None:
    one = _look(tmp_path / "a", winter, [0, 1, 2, 3, 4])
    other = _look(tmp_path / "b", winter, [4, 2, 0, 3, 1])
    assert one.present is not None
    assert other.present == one.present
    assert other.forecast == one.forecast
    assert [c.key for c in other.conditions] == [c.key for c in one.conditions]


def test_looking_often_changes_nothing(tmp_path: Path, winter: Case) -> None:
    seen = _look(tmp_path, winter, [0, 1, 2, 3, 4])
    with Record.open(tmp_path) as record:
        view = trip_view(record.events("t"))
    live = LiveTrip(winter, 36.0, 50, 7)
    for minute in (27, 27.4, 31, 35.5, 33, 38):  # a clock may also go back
        live.look(view, _at(minute))
    often = live.look(view, _at(40))
    assert often.present == seen.present
    assert often.forecast == seen.forecast


def test_an_entry_that_was_struck_out_leaves_no_trace_in_the_watch(
    tmp_path: Path, winter: Case
) -> None:
    order = [0, 1, 2, 3, 4]
    assert (
        _look(tmp_path / "a", winter, order, struck=True).present
        == _look(tmp_path / "b", winter, order).present
    )


def test_a_server_that_starts_again_sees_what_one_that_ran_on_sees(
    tmp_path: Path, winter: Case
) -> None:
    seen = _look(tmp_path, winter, [0, 1, 2, 3, 4])
    with Record.open(tmp_path) as record:
        view = trip_view(record.events("t"))
    fresh = LiveTrip(winter, 36.0, 50, 7).look(view, _at(40))
    assert fresh.present == seen.present


def test_what_is_known_before_leaving_reaches_the_watch(tmp_path: Path, winter: Case) -> None:
    with Record.open(tmp_path) as record:
        body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        for item, value in (("gauge:small oxygen", 60.0), ("battery-bar", 4.0)):
            check = {"item": item, "done": True, "value": value, "judged": "stop"}
            record.append(Entry(f"form-{value}", "t", "check", check, "Ann"))
        record.append(Entry("form-s", "t", "trip-started", {}, "Ann", T0))
        view = trip_view(record.events("t"))
    assert items_of(view) == (), "what the watch starts from is not told to it once more"
    trip = as_checked(winter, view).trip
    assert trip.supplies.cylinders[0].gauge_bar.value == 60
    assert trip.start.battery_charge_percent.value == 40
    look = LiveTrip(winter, 36.0, 50, 7).look(view, _at(1))
    assert look.present is not None
    assert look.present.cylinders[0].gauge_bar.p50 == pytest.approx(60, abs=3)
    assert look.present.battery_wh.p50 < 25


def test_a_slip_on_the_list_is_kept_and_not_used(tmp_path: Path, winter: Case) -> None:
    body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    with Record.open(tmp_path) as record:
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        for item, value in (("gauge:small oxygen", 2000.0), ("battery-bar", 99.0),
                            ("axillary", 366.0)):  # fmt: skip
            check = {"item": item, "done": True, "value": value, "judged": "stop"}
            record.append(Entry(f"form-{value}", "t", "check", check, "Ann"))
        record.append(Entry("form-s", "t", "trip-started", {}, "Ann", T0))
        view = trip_view(record.events("t"))
    trip = as_checked(winter, view).trip
    assert trip.supplies == winter.trip.supplies
    assert trip.start.battery_charge_percent == winter.trip.start.battery_charge_percent
    assert trip.baby == winter.trip.baby


def test_the_warm_up_counts_as_long_as_it_was(tmp_path: Path, winter: Case) -> None:
    """The unit stood cold: a baby that goes in a minute after planning meets a cold hood."""
    body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    now = datetime.now(UTC)
    with Record.open(tmp_path) as record:
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        record.append(Entry("form-s", "t", "trip-started", {}, "Ann", now + timedelta(seconds=65)))
        view = trip_view(record.events("t"))
    start = as_checked(winter, view).trip.start
    assert (start.baby_in - start.now).total_seconds() == pytest.approx(60, abs=10)
    early = LiveTrip(winter, 36.0, 50, 7).look(view, now + timedelta(minutes=3))
    assert "warmed for 1 min, not for the 25" in early.note
    planned = LiveTrip(winter, 36.0, 50, 7, warmed_as_planned=True)
    as_planned = planned.look(view, now + timedelta(minutes=3))
    assert as_planned.note == ""
    assert early.present is not None
    assert as_planned.present is not None
    assert early.present.air_c.p50 < as_planned.present.air_c.p50 - 3.0


def test_without_a_start_temperature_or_after_twelve_hours_it_says_so(
    tmp_path: Path, winter: Case
) -> None:
    _look(tmp_path, winter, [0])
    with Record.open(tmp_path) as record:
        view = trip_view(record.events("t"))
    for live, at in ((LiveTrip(winter, None, 50, 7), 10), (LiveTrip(winter, 36.0, 50, 7), 800)):
        look = live.look(view, _at(at))
        assert look.present is None
        assert look.forecast is None
        assert look.trouble.startswith("The watch is not available")


# --- through the server -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def going(
    planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Server, str]]:
    """A server with a trip that started ninety minutes ago."""
    folder = tmp_path_factory.mktemp("going") / "record"
    shutil.copytree(planned[0], folder)
    server = Server(folder).start()
    early = (datetime.now(UTC) - timedelta(minutes=90)).strftime("%H:%M")
    assert start(Hand(server), planned[1], at=early).status_code == 303
    yield server, planned[1]
    server.stop()
    assert server.failures() == ""


def test_a_repeated_form_gives_the_same_answer_and_one_entry(
    going: tuple[Server, str],
) -> None:
    server, trip = going
    hand = Hand(server)
    marks = hand.marks(f"/trip/{trip}/road")
    form = {**marks, "skin_c": "36.5", "part": "set"}
    answers = [hand.client.post(f"/trip/{trip}/observe", data=form) for _ in range(4)]
    assert {a.headers["location"] for a in answers} == {answers[0].headers["location"]}
    other = hand.client.post(f"/trip/{trip}/observe", data={**form, "skin_c": "36.9"})
    assert other.status_code == 503
    text = plain(other.text)
    assert "Not saved." in text
    assert "already saved" in text
    assert 'value="36.9"' in other.text, "what was typed is still there"
    assert hand.text(f"/trip/{trip}/timeline").count("Skin 36.5 °C") == 1


def test_stated_times_are_of_today_or_last_night_and_never_to_come(
    going: tuple[Server, str],
) -> None:
    server, trip = going
    hand = Hand(server)
    text = hand.text(f"/trip/{trip}/road")
    assert re.search(r"Since the baby went in (89|90|91) min", text), text[:1500]
    for at in ("tomorrow", "25:10", "2031-01-01 10:00"):
        answer = hand.post(f"/trip/{trip}/observe", {"skin_c": "36.5", "part": "set", "at": at})
        assert answer.status_code == 422
        assert f'value="{at}"' in answer.text
    assert "missed" in hand.text(f"/trip/{trip}/timeline"), "a gap is shown as a gap"


def test_a_time_before_the_baby_went_in_is_told(going: tuple[Server, str]) -> None:
    server, trip = going
    early = (datetime.now(UTC) - timedelta(minutes=100)).strftime("%Y-%m-%d %H:%M")
    for where, form in (("observe", {"skin_c": "36.5", "part": "set"}),
                        ("happened", {"event": "note", "note": "early"})):  # fmt: skip
        answer = Hand(server).post(f"/trip/{trip}/{where}", {**form, "at": early})
        assert answer.status_code == 422
        assert "The baby went in at" in plain(answer.text)


def test_a_limit_that_the_unit_cannot_have_is_asked_about_and_seen_on_the_road(
    going: tuple[Server, str],
) -> None:
    server, trip = going
    hand = Hand(server)
    form = {"limit": "Pulse, low", "from": "", "to": "1000"}
    asked = hand.post(f"/trip/{trip}/limits", form, page=f"/trip/{trip}/limits")
    assert asked.status_code == 422
    assert "1000? This unit can be set to 60 to 140 in steps of 5." in plain(asked.text)
    kept = hand.post(f"/trip/{trip}/limits", {**form, "keep": "1000"}, page=f"/trip/{trip}/limits")
    assert kept.status_code == 303
    assert "Alarm limit: Pulse, low" in hand.text(f"/trip/{trip}/road")
    right = {**form, "to": "80"}
    assert hand.post(f"/trip/{trip}/limits", right, page=f"/trip/{trip}/limits").is_redirect
    assert "Alarm limit: Pulse, low" not in hand.text(f"/trip/{trip}/road")
    off = hand.post(f"/trip/{trip}/limits", {**form, "to": "off"}, page=f"/trip/{trip}/limits")
    assert "Policy asks for 80 /min" in plain(off.text)


def test_a_baby_too_cold_stands_above_an_alarm_limit(going: tuple[Server, str]) -> None:
    server, trip = going
    hand = Hand(server)
    form = {"limit": "Pulse, low", "from": "", "to": "60"}
    assert hand.post(f"/trip/{trip}/limits", form, page=f"/trip/{trip}/limits").is_redirect
    cold = {"part": "quick:axillary_c", "axillary_c": "35.0", "keep": "axillary_c=35.0"}
    cold |= {"why:axillary_c": "cold", "was:axillary_c": "35.0"}
    assert hand.post(f"/trip/{trip}/observe", cold, page=f"/trip/{trip}/road").is_redirect
    for _ in range(100):  # the watch looks in the background
        page = hand.text(f"/trip/{trip}/road")
        if "Baby too cold now" in page:
            break
        time.sleep(0.1)
    limit = "Alarm limit: Pulse, low It would sound later than planned. Set to 60 /min, planned 80"
    assert page.index("Baby too cold now") < page.index(limit)
    right = {**form, "to": "80"}
    assert hand.post(f"/trip/{trip}/limits", right, page=f"/trip/{trip}/limits").is_redirect


def test_what_nobody_wrote_down_is_said_to_be_by_the_plan(going: tuple[Server, str]) -> None:
    server, trip = going
    hand = Hand(server)
    for _ in range(100):  # the watch looks in the background
        page = hand.text(f"/trip/{trip}/road")
        if "Leg 4 of 5" in page:
            break
        time.sleep(0.1)
    assert "Leg 4 of 5, by the plan: not written down. Next: lift to the unit" in page


def test_a_battery_in_use_and_nearly_empty_is_said_at_once(tmp_path: Path, winter: Case) -> None:
    body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    source = {"what": "power source changed", "detail": {"to": "battery"}}
    live = LiveTrip(winter, 36.0, 50, 7)
    with Record.open(tmp_path) as record:
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        record.append(Entry("form-s", "t", "trip-started", {}, "Ann", T0))
        before = live.look(trip_view(record.events("t")), _at(1))
        record.append(Entry("form-b", "t", "happening", source, "Ann", _at(4)))
        late = live.look(trip_view(record.events("t")), _at(24))
        record.append(
            Entry("form-v", "t", "happening", {**source, "detail": {"to": "vehicle"}}, "A", _at(25))
        )
        plugged = live.look(trip_view(record.events("t")), _at(26))
    assert [battery_soon(look) for look in (before, late, plugged, None)] == [
        False, True, False, False,
    ]  # fmt: skip


def test_a_plan_of_another_day_says_so_and_can_be_changed(shared: Server) -> None:
    hand = Hand(shared)
    trip = plan(hand)
    page = hand.text(f"/trip/{trip}/before")
    assert "This plan was worked out for Wed 14 Jan 2026 02:40, not for now" in page
    assert f'href="/plan?plan={trip}"' in hand.client.get(f"/trip/{trip}/before").text


def test_the_sensors_check_in_room_air_is_no_reading_of_the_hood(tmp_path: Path) -> None:
    body = {"trip_toml": "x", "unit_toml": "x", "policy_toml": "x", "sheet": {}}
    with Record.open(tmp_path) as record:
        record.append(Entry("form-p", "t", "trip-planned", body, "Ann"))
        for item, value in (("oxygen-in-air", 21.0), ("air", 36.0)):
            check = {"item": item, "done": True, "value": value, "judged": "good"}
            record.append(Entry(f"form-{item}", "t", "check", check, "Ann"))
        found = readings_of(trip_view(record.events("t")))
    assert set(found) == {"air_c"}


def test_a_correction_that_cannot_be_is_asked_about_once(going: tuple[Server, str]) -> None:
    server, trip = going
    hand = Hand(server)
    saved = hand.post(f"/trip/{trip}/observe", {"glucose_mmol_l": "3.1", "part": "set"})
    page = f"/trip/{trip}/timeline/{saved.headers['location'].split('saved=')[1].split('#')[0]}"
    wrong = {"do": "correct", "value:glucose_mmol_l": "310"}
    asked = hand.post(page, wrong, page=page)
    assert asked.status_code == 422
    assert "Save it once more" in plain(asked.text)
    other = {**wrong, "was:glucose_mmol_l": "310", "value:glucose_mmol_l": "311"}
    assert hand.post(page, other, page=page).status_code == 422, "another value is asked about"
    kept = hand.post(page, {**wrong, "was:glucose_mmol_l": "310"}, page=page)
    assert kept.status_code == 303
    assert "Asked about and kept as entered" in hand.text(f"/trip/{trip}/timeline")


def test_what_the_watch_named_stays_in_the_record(going: tuple[Server, str]) -> None:
    server, trip = going
    hand = Hand(server)
    saved = hand.post(f"/trip/{trip}/observe", {"saturation_pre_percent": "75", "part": "set"})
    seq = saved.headers["location"].split("saved=")[1].split("#")[0]
    for _ in range(60):
        if "Saturation under its target" in hand.text(f"/trip/{trip}/road"):
            break
        time.sleep(0.2)
    page = f"/trip/{trip}/timeline/{seq}"
    strike = hand.post(page, {"do": "strike"}, page=page)
    assert strike.status_code == 303, plain(strike.text)[:800]
    for _ in range(60):
        if "High: Saturation under its target" not in hand.text(f"/trip/{trip}/road"):
            break
        time.sleep(0.2)
    assert "The watch named, high: Saturation under its target" in hand.text(
        f"/trip/{trip}/timeline"
    )
    assert "Saturation under its target" in hand.text(f"/trip/{trip}/handover/page")


def test_a_disk_that_takes_nothing_is_said_and_nothing_is_called_saved(
    going: tuple[Server, str],
) -> None:
    server, trip = going
    hand = Hand(server)
    path = server.folder / "record.sqlite"
    aside = path.with_name("aside.sqlite")
    path.rename(aside)  # as if the disk had gone
    answer = hand.post(f"/trip/{trip}/observe", {"skin_c": "36.5", "part": "set"}, page="/enter")
    assert answer.status_code == 503
    text = plain(answer.text)
    assert "Not saved" in text or "Nothing was saved" in text
    assert "moved, deleted or replaced" in text
    assert "36.5" in answer.text
    assert not re.search(r"Saved \d\d:\d\d", text)
    aside.rename(path)


def test_a_folder_in_use_by_another_server_is_said_on_every_page(
    going: tuple[Server, str],
) -> None:
    server, trip = going
    second = Server(server.folder).start()
    try:
        hand = Hand(second)
        answer = hand.client.get("/")
        assert answer.status_code == 503
        assert "record" in plain(answer.text)
        assert hand.client.get(f"/trip/{trip}/road").status_code == 503
    finally:
        second.stop()
    assert second.failures() == ""


def test_files_of_the_folder_are_the_owners_alone(shared: Server) -> None:
    assert stat.S_IMODE(os.stat(shared.folder / "session.key").st_mode) == 0o600


def test_colours_of_the_pages_are_those_of_the_sheet() -> None:
    root = Path(__file__).parents[2] / "src" / "warmhold"

    def tokens(text: str) -> dict[str, str]:
        return dict(re.findall(r"(--[\w-]+): ([^;]+);", text))

    sheet = (root / "report" / "sheet.css").read_text()
    web = (root / "web" / "static" / "web.css").read_text()
    light, _, rest = sheet.partition("@media (prefers-color-scheme: dark)")
    dark = rest.partition("* { box-sizing")[0]
    by_device = web.partition("@media (prefers-color-scheme: dark)")
    assert tokens(by_device[0]) == tokens(light)
    assert tokens(by_device[2].partition(':root[data-look="light"]')[0]) == tokens(dark)
    by_hand = web.partition(':root[data-look="dark"] {')[2].partition("}")[0]
    assert tokens(by_hand) == tokens(dark)


def test_no_page_holds_a_script_or_style_of_its_own() -> None:
    templates = Path(__file__).parents[2] / "src" / "warmhold" / "web" / "templates"
    for path in templates.glob("*.html"):
        text = path.read_text()
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=", text), path.name
        for form in re.findall(r"<form[^>]*method=\"post\".*?</form>", text, flags=re.S):
            assert "marks(" in form, path.name


def test_entries_name_their_source_of_limits() -> None:
    table = Path(__file__).parents[2] / "src" / "warmhold" / "data" / "tables" / "entries.toml"
    raw = tomllib.loads(table.read_text())
    for row in [*raw["quantity"].values(), raw["gauge"]]:
        assert row["mark"]
        assert row["source"]
        assert row["low"] < row["high"]
