"""The HTTP interface: who gets in, what it takes, what it answers, what it never loses."""

from __future__ import annotations

import json
import secrets
import stat
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from warmhold.cli.main import cli
from warmhold.plan.sheet import CAUTIONS
from warmhold.record import NUMBERS, Entry
from warmhold.web.access import Passcodes
from warmhold.web.interface import schemas
from warmhold.web.interface.door import LARGEST_BODY, MOST_AT_ONCE
from warmhold.web.interface.openapi import document
from warmhold.web.interface.operations import KEY_HEADER, OPERATIONS, ROOT
from warmhold.web.interface.tokens import FILE, TokenFault, Tokens, until_of
from web.interfaced import NURSE, OBSERVE, Asker, Held, where


@pytest.fixture(scope="module")
def api(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asker]:
    held = Held(planned, tmp_path_factory.mktemp("interface") / "record")
    with held.client() as asker:
        held.start()
        yield asker


@pytest.fixture
def fresh(planned: tuple[Path, str], tmp_path: Path) -> Iterator[Asker]:
    """One that a test may spoil."""
    held = Held(planned, tmp_path / "record")
    with held.client() as asker:
        yield asker


def key() -> str:
    return secrets.token_hex(16)


def addresses(api: Asker) -> list[str]:
    """Every address that can be read, with something that is there."""
    entry = api.observe(OBSERVE).json()["entry"]
    fits = {"trip": api.held.trip, "unit": "rowan-double", "entry": str(entry)}
    return [one.path.format(**fits) for one in OPERATIONS if one.method == "GET"]


# --- who gets in --------------------------------------------------------------------------------


def test_without_a_token_nothing_is_answered_not_even_on_this_computer(api: Asker) -> None:
    for path in (*addresses(api), "/openapi.json", "/nowhere"):
        answer = api.request("GET", f"{ROOT}{path}")
        assert answer.status_code == 401, path
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert answer.headers["content-type"] == "application/problem+json"
        assert "set-cookie" not in answer.headers


def test_a_session_of_the_pages_opens_nothing_and_a_token_opens_no_page(api: Asker) -> None:
    sessions = api.held.service.sessions
    cookie = {"Cookie": f"warmhold_session={sessions.write(NURSE)}"}
    assert api.request("GET", "/help", headers=cookie).status_code == 200
    assert api.request("GET", f"{ROOT}/trips", headers=cookie).status_code == 401
    address = f"{ROOT}/trips/{api.held.trip}/observations"
    form = {"token": sessions.token(NURSE), "form_id": key(), "skin_c": "36.4"}
    assert api.request("POST", address, headers=cookie, data=form).status_code == 401
    answer = api.request("GET", "/help", headers=api.headers("lead"))
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/enter")
    made = api.request("POST", "/plan/pick", headers=api.headers("lead"), data={"trip": "x"})
    assert made.status_code == 403


def test_each_role_may_what_its_pages_may(api: Asker) -> None:
    for operation in OPERATIONS:
        for number, role in enumerate(("look", "chart", "lead")):
            may = number >= ("look", "chart", "lead").index(operation.role)
            if operation.method == "POST":
                answer = api.observe(OBSERVE, role=role)
            elif operation.role == "look" and role != "look":
                continue
            else:
                path = operation.path.format(trip=api.held.trip, unit="rowan-double", entry="1")
                answer = api.get(path, role)
            assert (answer.status_code != 403) is may, (operation.key, role, answer.text)


def test_a_token_that_is_removed_opens_nothing_from_then_on(fresh: Asker) -> None:
    held = fresh.held
    held.start()
    assert fresh.observe(OBSERVE).status_code == 201
    other = Tokens(held.folder)  # as the command does, in a process of its own
    assert other.remove("chart")
    assert fresh.observe(OBSERVE).status_code == 401
    assert fresh.get("/trips", "chart").status_code == 401
    assert fresh.get("/trips", "look").status_code == 200


def test_no_entry_is_written_once_the_command_that_removes_a_token_has_ended(fresh: Asker) -> None:
    """Eight clients write while the token is removed."""
    held, over = fresh.held, threading.Event()
    held.start()
    codes: list[int] = []

    def write() -> None:
        while not over.is_set():
            codes.append(fresh.observe(OBSERVE).status_code)
            if codes[-1] != 201:
                return

    threads = [threading.Thread(target=write) for _ in range(8)]
    for thread in threads:
        thread.start()
    while codes.count(201) < 20:
        over.wait(0.01)
    Tokens(held.folder).remove("chart")
    gone = datetime.now(UTC)
    for thread in threads:
        thread.join(30)
    over.set()
    assert len(codes) - codes.count(201) == 8
    assert set(codes) <= {201, 401, 429}
    saved = [e.saved_utc for e in held.service.record.events(held.trip) if "token" in e.who]
    assert len(saved) == codes.count(201)
    # an entry that was already on its way into the queue may still come to lie on the disk
    assert max(saved) - gone < timedelta(seconds=0.5)


def test_a_token_whose_time_is_over_opens_nothing(tmp_path: Path) -> None:
    now = [datetime(2026, 1, 14, 3, 0, tzinfo=UTC)]
    tokens = Tokens(tmp_path, clock=lambda: now[0])
    given_ = tokens.add("board", "look", now[0] + timedelta(hours=1))
    found = tokens.find(given_)
    assert found is not None
    assert tokens.still(found)
    now[0] += timedelta(hours=1)
    assert found.ended(now[0])
    assert not tokens.still(found)
    with pytest.raises(TokenFault, match="already past"):
        tokens.add("late", "look", now[0])


def test_only_a_hash_is_kept_in_a_file_for_its_owner_alone(tmp_path: Path) -> None:
    tokens = Tokens(tmp_path)
    made = [tokens.add(f"t{number}", "look") for number in range(20)]
    assert len(set(made)) == 20
    assert min(map(len, made)) >= len("warmhold-") + 43  # 256 bits in base 64
    content = (tmp_path / FILE).read_bytes()
    for one in made:
        assert one.encode() not in content
        assert one.removeprefix("warmhold-").encode() not in content
        assert tokens.find(one) is not None
        assert tokens.find(one[:-1]) is None
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600


@pytest.mark.parametrize("name", ["", " ", "a b", "a" * 41, "../x", "é", "-a", "a\n"])
def test_a_name_that_could_be_misread_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(TokenFault, match="cannot be used"):
        Tokens(tmp_path).add(name, "look")


def test_a_day_is_meant_to_its_end() -> None:
    assert until_of("2027-01-31") == datetime(2027, 2, 1, tzinfo=UTC)
    assert until_of("2027-01-31T08:00:00+01:00") == datetime(2027, 1, 31, 7, tzinfo=UTC)
    for text in ("2027-02-30", "2027-01-31T08:00:00", "soon", "9999-12-31T23:59:59-23:00"):
        with pytest.raises(TokenFault, match="is no end"):
            until_of(text)


def test_wrong_tokens_have_to_wait_and_a_right_one_never_does(fresh: Asker) -> None:
    address = f"{ROOT}/trips"
    wrong = {"Authorization": "Bearer warmhold-wrong"}
    codes = [fresh.request("GET", address, headers=wrong).status_code for _ in range(6)]
    assert codes == [401, 401, 401, 429, 429, 429]
    answer = fresh.request("GET", address, headers=wrong)
    assert int(answer.headers["retry-after"]) >= 1
    assert fresh.get("/trips", "look").status_code == 200
    said = [e.body["did"] for e in fresh.held.service.record.events("") if e.kind == "access"]
    assert len([text for text in said if "wrong token" in text]) == 3


@pytest.mark.parametrize(
    "header",
    [
        "Bearer", "Bearer ", "bearer x y", "Basic YTpi", "Bearer \u00e9", "Token x",
        "Bearer " + "x" * 5000,
    ],
)  # fmt: skip
def test_what_is_no_token_is_refused(fresh: Asker, header: str) -> None:
    marks = [(b"authorization", header.encode("latin-1"))]
    assert fresh.request("GET", f"{ROOT}/trips", headers=marks).status_code == 401
    twice = [*fresh.headers("lead").items(), *fresh.headers("lead").items()]
    assert fresh.request("GET", f"{ROOT}/trips", headers=twice).status_code == 401


def test_who_wrote_and_who_was_refused_stands_in_the_record(fresh: Asker) -> None:
    held = fresh.held
    held.start()
    entry = fresh.observe(OBSERVE).json()["entry"]
    for _ in range(3):
        assert fresh.observe(OBSERVE, role="look").status_code == 403
        assert fresh.observe({"values": {}}).status_code == 422
    events = held.service.record.events()
    assert next(e for e in events if e.seq == entry).who == "token chart (chart)"
    noted = [(e.who, e.body["did"]) for e in events if e.kind == "access" and "token" in e.who]
    trip = held.trip
    assert noted == [
        ("token chart (chart)", "interface: came in"),
        ("token look (look)", "interface: came in"),
        ("token look (look)", f"interface: POST /trips/{trip}/observations refused, 403"),
        ("token chart (chart)", f"interface: POST /trips/{trip}/observations refused, 422"),
    ]


def test_the_last_use_is_written_and_written_sparingly(
    fresh: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    tokens = fresh.held.tokens
    assert {one.used for one in tokens.all()} == {None}
    fresh.get("/trips", "look")
    used = {one.name: one.used for one in tokens.all()}
    assert used["lead"] is None
    assert used["look"] is not None
    for _ in range(5):
        fresh.get("/trips", "look")
    assert {one.name: one.used for one in tokens.all()} == used


def test_no_other_site_is_let_in_and_every_answer_is_guarded(api: Asker) -> None:
    marks = {"Origin": "https://example.org", "Access-Control-Request-Method": "GET"}
    answer = api.request("OPTIONS", f"{ROOT}/trips", headers=marks)
    assert answer.status_code == 401
    answer = api.request("OPTIONS", f"{ROOT}/trips", headers={**marks, **api.headers("lead")})
    assert answer.status_code == 405
    for one in (answer, api.get("/trips"), api.get("/nowhere"), api.observe({"values": {}})):
        assert not [name for name in one.headers if name.startswith("access-control")]
        assert one.headers["x-content-type-options"] == "nosniff"
        assert one.headers["cache-control"] == "no-store"
        assert "frame-ancestors 'none'" in one.headers["content-security-policy"]
    away = {**api.headers("lead"), "Host": "elsewhere.example.org"}
    assert api.request("GET", f"{ROOT}/trips", headers=away).status_code == 421


def test_a_network_with_passcodes_changes_nothing_for_tokens(
    planned: tuple[Path, str], tmp_path: Path
) -> None:
    held = Held(planned, tmp_path / "record", host="0.0.0.0")
    Passcodes(held.folder).store({"lead": "bears lead"})
    again = Held(planned, held.folder, host="0.0.0.0")
    again.given = held.given
    with again.client() as api:
        assert api.request("GET", f"{ROOT}/trips").status_code == 401
        assert api.get("/trips", "look").status_code == 200


# --- the command --------------------------------------------------------------------------------


def test_the_command_makes_lists_and_removes(tmp_path: Path) -> None:
    run = CliRunner()
    words = ["exchange", "token"]
    where_ = ["--folder", str(tmp_path)]
    made = run.invoke(
        cli, [*words, "add", "board", "--role", "look", "--until", "2100-01-31", *where_]
    )
    assert made.exit_code == 0, made.output
    token = made.stdout.strip()
    assert Tokens(tmp_path).find(token) is not None
    assert "shown this once" in made.stderr
    again = run.invoke(cli, [*words, "add", "board", "--role", "lead", *where_])
    assert again.exit_code == 2
    listed = run.invoke(cli, [*words, "list", *where_])
    assert "board" in listed.output
    assert "2100-02-01 00:00" in listed.output
    assert "never" in listed.output
    assert token not in listed.output
    gone = run.invoke(cli, [*words, "remove", "board", *where_])
    assert gone.exit_code == 0
    assert Tokens(tmp_path).find(token) is None
    assert run.invoke(cli, [*words, "remove", "board", *where_]).exit_code == 2
    assert "No tokens" in run.invoke(cli, [*words, "list", *where_]).output
    for bad in (["--role", "boss"], ["--role", "look", "--until", "2001-01-01"], []):
        assert run.invoke(cli, [*words, "add", "x", *bad, *where_]).exit_code == 2


# --- what it answers ----------------------------------------------------------------------------


def test_every_answer_carries_the_cautions_and_says_why_of_every_null(fresh: Asker) -> None:
    seen = 0
    fresh.held.start()
    fresh.held.fill()
    of_the_other = [a.replace(fresh.held.trip, "trip-done") for a in addresses(fresh)]
    paths = [*addresses(fresh), *(a for a in of_the_other if "/observations/" not in a)]
    answers = [(path, fresh.get(path)) for path in paths]
    answers.append(("observe", fresh.observe(OBSERVE)))
    for path, answer in answers:
        assert answer.status_code in {200, 201}, (path, answer.text)
        body = answer.json()
        assert body["cautions"][: len(CAUTIONS)] == list(CAUTIONS), path
        seen += _check_nulls(body, path)
    assert seen > 50


def _check_nulls(node: Any, at: str) -> int:
    """Count the nulls; each has its reason beside it, and no reason stands without a null."""
    found = 0
    if isinstance(node, dict):
        for name, inside in node.items():
            if inside is None:
                assert node["unknown"][name].strip(), f"{at}.{name}"
                found += 1
            found += _check_nulls(inside, f"{at}.{name}")
        for name in node.get("unknown", {}):
            assert "." in name or node[name] is None, f"{at}.{name}"
    elif isinstance(node, list):
        for number, inside in enumerate(node):
            assert inside is not None, at
            found += _check_nulls(inside, f"{at}.{number}")
    return found


def test_every_field_that_may_be_null_says_why_in_its_model() -> None:
    looked_at = 0
    for model in vars(schemas).values():
        if not isinstance(model, type) or not issubclass(model, schemas.Out):
            continue
        for name, field in model.model_fields.items():
            if type(None) in get_args(field.annotation):
                looked_at += 1
                whys = [one for one in field.metadata if isinstance(one, schemas.Why)]
                assert len(whys) == 1, f"{model.__name__}.{name}"
    assert looked_at > 80


def test_the_document_and_the_routes_are_the_same(api: Asker) -> None:
    got = api.get("/openapi.json", "look").json()
    assert got == json.loads(json.dumps(document()))
    written = {
        (path, method.upper()): inside
        for path, methods in got["paths"].items()
        for method, inside in methods.items()
        if path != "/openapi.json"
    }
    assert set(written) == {(one.path, one.method) for one in OPERATIONS}
    for one in OPERATIONS:
        inside = written[one.path, one.method]
        assert inside["operationId"] == one.key
        asked = {p["name"] for p in inside.get("parameters", ()) if p["in"] == "query"}
        fields = one.query.model_fields
        assert asked == {field.alias or name for name, field in fields.items()}
        assert ("requestBody" in inside) is (one.body is not None)
        path = one.path.format(trip=api.held.trip, unit="rowan-double", entry="1")
        for method in ("PUT", "DELETE", "PATCH", "TRACE", "POST", "GET"):
            here = {m for p, m in written if p == one.path}
            if method not in here:
                answer = api.request(method, f"{ROOT}{path}", headers=api.headers("lead"))
                assert answer.status_code == 405, (method, path)
                assert set(answer.headers["allow"].split(", ")) - {"HEAD"} <= here


def test_every_model_that_the_document_names_is_in_it() -> None:
    text = json.dumps(document())
    named = {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert named <= set(document()["components"]["schemas"])
    assert len(named) > 40


def test_head_is_answered_like_get_without_a_body(api: Asker) -> None:
    answer = api.request("HEAD", f"{ROOT}/codes", headers=api.headers("look"))
    assert answer.status_code == 200
    assert answer.content == b""


def test_a_trip_is_told_as_its_pages_tell_it(api: Asker) -> None:
    found = api.held.service.trip(api.held.trip)
    assert found.sheet is not None
    got = api.get(f"/trips/{api.held.trip}").json()
    assert got["trip"]["stage"] == found.stage == "on the road"
    assert got["plan"]["verdict"] == found.sheet.verdict
    assert [one["key"] for one in got["plan"]["margins"]] == [m.key for m in found.sheet.margins]
    for one, margin in zip(got["plan"]["margins"], found.sheet.margins, strict=True):
        if margin.band is not None:
            assert one["band"]["p50"] == margin.band.p50
    assert got["now"]["battery_wh"]["p05"] < got["now"]["battery_wh"]["p95"]
    assert datetime.fromisoformat(got["trip"]["started_utc"]) == found.view.start


def test_a_trip_that_nobody_planned_here_is_not_there(api: Asker) -> None:
    for part in ("", "/observations", "/happenings", "/conditions", "/handover"):
        for trip in ("none", "%00", "..", "%F0%9F%91%B6", f"{api.held.trip}%3Fx", "a%23b"):
            assert api.get(f"/trips/{trip}{part}").status_code == 404
    assert api.get("/units/none").status_code == 404
    assert api.get(f"/trips/{api.held.trip}/observations/1").status_code == 404


def test_codes_tell_how_far_each_was_verified(api: Asker) -> None:
    got = api.get("/codes").json()["codes"]
    assert set(NUMBERS) <= {one["quantity"] for one in got}
    assert {c["status"] for one in got for c in one["codings"]} <= {"verified", "memory", "local"}


def test_the_review_counts_and_says_what_it_could_not_count(api: Asker) -> None:
    got = api.get("/review").json()
    assert got["transfers"] == 1
    figures = {one["key"]: one for group in got["groups"] for one in group["figures"]}
    cold = figures["cold"]
    assert (cold["denominator"], cold["missing"], cold["value"]) != (0, 0, 0)
    assert cold["denominator"] + cold["missing"] + cold["excluded"] == 1
    none = api.get("/review", params={"from": "1999-01", "to": "1999-02"}).json()
    assert none["transfers"] == 0
    assert all(one["value"] is None for group in none["groups"] for one in group["figures"])
    wrong = api.get("/review", params={"from": "2026-13", "to": "x", "since": "2026-01"})
    assert wrong.status_code == 422
    assert sorted(where(wrong)) == ["query.from", "query.since", "query.to"]
    back = api.get("/review", params={"from": "2026-02", "to": "2026-01"})
    assert where(back) == ["query.to"]


@pytest.mark.parametrize(
    ("query", "faults"),
    [
        ("limit=0", ["query.limit"]),
        ("limit=501&after=-1", ["query.after", "query.limit"]),
        ("limit=1&limit=2", ["query.limit"]),
        ("limit=07", ["query.limit"]),
        ("limit=1_0", ["query.limit"]),
        ("limit=1.0&after=%20", ["query.after", "query.limit"]),
        ("limit=", ["query.limit"]),
        ("stage=gone&what=1", ["query.stage", "query.what"]),
        ("limit=%FF", ["query"]),
        ("x", ["query"]),
    ],
)
def test_every_fault_of_a_query_is_told(api: Asker, query: str, faults: list[str]) -> None:
    answer = api.get(f"/trips?{query}")
    assert answer.status_code == 422
    assert sorted(where(answer)) == faults


def test_what_is_allowed_is_said_in_plain_words(api: Asker) -> None:
    answer = api.get(f"/trips/{api.held.trip}/observations?limit=0&after=-3&foo=1")
    said = {one["where"]: (one["allowed"], one["todo"]) for one in answer.json()["faults"]}
    assert said["query.limit"][0] == "1 or more"
    assert said["query.after"][0] == "a whole number from 0, in digits"
    assert said["query.foo"] == ("no such name", "leave it out")


# --- what it takes ------------------------------------------------------------------------------


def test_what_was_written_is_on_the_disk_and_in_the_list(api: Asker) -> None:
    trip = api.held.trip
    at = (datetime.now(UTC) - timedelta(minutes=5)).replace(microsecond=0)
    body = {
        "at": at.isoformat(), "set": "regular",
        "values": {"skin_c": 36.3, "saturation_pre_percent": 93, "power_source": "vehicle",
                   "vent_text": "  CPAP 6 \n", "gauge_bar:small oxygen": 120},
    }  # fmt: skip
    saved = api.observe(body)
    assert saved.status_code == 201
    got = saved.json()
    assert datetime.fromisoformat(got["at_utc"]) == at
    assert got["values"]["vent_text"] == "CPAP 6"
    assert saved.headers["location"] == f"{ROOT}/trips/{trip}/observations/{got['entry']}"
    one = api.request("GET", saved.headers["location"], headers=api.headers("look")).json()
    assert one["observation"]["values"] == got["values"]
    event = next(e for e in api.held.service.record.events(trip) if e.seq == got["entry"])
    assert event.hash == got["hash"]
    assert dict(event.body["values"]) == got["values"]
    latest = {r["quantity"]: r for r in api.get(f"/trips/{trip}").json()["latest"]}
    assert latest["gauge_bar:small oxygen"]["value"] == 120


def test_the_same_again_is_kept_once_and_told_the_same(api: Asker) -> None:
    for body in (
        OBSERVE,
        {"values": {"skin_c": 12}, "confirmed": ["skin_c"]},
        {"values": {"pulse_per_min": 140}, "at": datetime.now(UTC).isoformat()},
    ):
        mark = key()
        first = api.observe(body, mark)
        assert first.status_code == 201, first.text
        second = api.observe(body, mark)
        assert (second.status_code, second.content) == (201, first.content)
        assert second.headers["location"] == first.headers["location"]
    # also when what came since would put the value in doubt, and when the entry was corrected
    service, trip = api.held.service, api.held.trip
    mark = key()
    first = api.observe({"values": {"axillary_c": 36.5}}, mark)
    service.write(NURSE, key(), trip, "observation", {"values": {"axillary_c": 39}, "set": "extra"})
    entry = first.json()["entry"]
    new = {"values": {"axillary_c": 36.6}, "set": "extra"}
    service.write(NURSE, key(), trip, "correction", {"corrects": entry, "body": new})
    assert api.observe({"values": {"axillary_c": 36.5}}, mark).content == first.content
    shown = api.get(f"/trips/{trip}/observations/{entry}").json()["observation"]
    assert shown["values"] == {"axillary_c": 36.6}
    assert shown["first"]["values"] == {"axillary_c": 36.5}
    assert [one["who"] for one in shown["corrections"]] == ["Ann (chart)"]


def test_a_key_stands_for_one_entry(api: Asker) -> None:
    mark = key()
    assert api.observe(OBSERVE, mark).status_code == 201
    for body, role in (({"values": {"vent_text": "CPAP 7"}}, "chart"), (OBSERVE, "lead"),
                       ({**OBSERVE, "set": "regular"}, "chart")):  # fmt: skip
        answer = api.observe(body, mark, role)
        assert answer.status_code == 409
        assert where(answer) == [f"header.{KEY_HEADER}"]
    of_a_form = key()
    note = {"what": "note", "detail": "x"}
    api.held.service.write(NURSE, of_a_form, api.held.trip, "happening", note)
    assert api.observe(OBSERVE, of_a_form).status_code == 409
    for bad in ("short", "x" * 65, "with space in it 12", "semi;colon;semi;colon"):
        answer = api.observe({"values": {}}, bad)
        assert answer.status_code == 422
        assert where(answer) == [f"header.{KEY_HEADER}", "body.values"]


def test_what_is_hard_to_believe_is_asked_about_as_on_the_page_and_kept_with_its_flag(
    api: Asker,
) -> None:
    """The same words as the page asks with; one value that was confirmed keeps them."""
    odd = {"values": {"skin_c": 12.5, "pulse_per_min": 400, "flow_lpm": 6}}
    mark = key()
    answer = api.observe(odd, mark)
    assert answer.status_code == 409
    assert where(answer) == ["body.values.skin_c", "body.values.pulse_per_min"]
    half = api.observe({**odd, "confirmed": ["skin_c"]}, mark)
    assert where(half) == ["body.values.pulse_per_min"]
    names = ["skin_c", "pulse_per_min", "flow_lpm"]
    kept = api.observe({**odd, "confirmed": names}, mark)
    assert kept.status_code == 201
    flags = kept.json()["flags"]
    assert flags == {
        fault["where"].removeprefix("body.values."): fault["found"]
        for fault in answer.json()["faults"]
    }
    page = _page_asks(api, {"skin_c": "12.5", "pulse_per_min": "400"})
    assert flags["pulse_per_min"].replace("\u00a0", " ") in page


def _page_asks(api: Asker, fields: dict[str, str]) -> str:
    sessions = api.held.service.sessions
    cookie = {"Cookie": f"warmhold_session={sessions.write(NURSE)}"}
    form = {"token": sessions.token(NURSE), "form_id": key(), "part": "set", **fields}
    address = f"/trip/{api.held.trip}/observe"
    answer = api.request("POST", address, headers=cookie, data=form)
    assert answer.status_code == 422
    return answer.text.replace("\u00a0", " ").replace("&nbsp;", " ")


quantity = st.sampled_from([*NUMBERS, "gauge_bar:small oxygen"])
reading = st.floats(-50, 700).map(lambda value: round(value, 1))


@settings(max_examples=40, deadline=None, derandomize=True,
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(st.dictionaries(quantity, reading, min_size=1, max_size=4), st.integers(-90, 60))
@example({"skin_c": 36.4}, -31)
@example({"skin_c": 36.4}, 1)
@example({"skin_c": 36.4}, 4)
def test_page_and_interface_take_and_refuse_the_same(
    api: Asker, values: dict[str, float], minutes: int
) -> None:
    trip = api.held.service.trip(api.held.trip)
    at = (trip.now + timedelta(minutes=minutes)).astimezone(trip.zone)
    sessions = api.held.service.sessions
    form = {name: f"{value:.1f}" for name, value in values.items()}
    form |= {"token": sessions.token(NURSE), "form_id": key(), "part": "set"}
    form |= {"at": at.strftime("%Y-%m-%d %H:%M")}
    cookie = {"Cookie": f"warmhold_session={sessions.write(NURSE)}"}
    # asked through the interface first, with nothing confirmed: it writes only if the page would
    body = {"values": values, "at": at.replace(second=0, microsecond=0).isoformat()}
    mine = api.observe(body)
    page = api.request("POST", f"/trip/{trip.key}/observe", headers=cookie, data=form)
    # both go by the minute of asking, and what was asked in two may be told in two ways
    assume(api.held.service.trip(api.held.trip).now.minute == trip.now.minute)
    assert (mine.status_code, page.status_code) in {(201, 303), (409, 422)}, (mine.text, page.text)


def test_every_fault_of_a_body_is_told_at_once(api: Asker) -> None:
    body = {
        "at": "2126-01-01T00:00:00Z", "set": "device", "more": 1, "confirmed": "skin_c",
        "values": {"skin_c": True, "pulse_per_min": "140", "air_c": None, "heart": 1,
                   "axillary_c": 12, "gauge_bar:none": 3, "power_source": "sun",
                   "vent_text": "a\x00", "glucose_mmol_l": 1e7},
    }  # fmt: skip
    answer = api.observe(body, "no")
    assert answer.status_code == 422
    assert set(where(answer)) == {
        f"header.{KEY_HEADER}", "body.at", "body.set", "body.more", "body.confirmed",
        *(f"body.values.{name}" for name in body["values"]),
    }  # fmt: skip


def test_a_time_without_a_zone_is_not_guessed_at(api: Asker) -> None:
    for at in ("2026-01-14T03:05:00", "03:05", 1768359900, None, "2026-02-30T00:00:00Z"):
        answer = api.observe({**OBSERVE, "at": at})
        assert answer.status_code == 422, at
        assert where(answer) == ["body.at"]
    for at in ("0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59"):
        answer = api.observe({**OBSERVE, "at": at})
        assert (answer.status_code, where(answer)) == (409, ["body.at"])


def test_before_the_baby_is_in_nothing_is_taken(fresh: Asker) -> None:
    answer = fresh.observe(OBSERVE)
    assert answer.status_code == 409
    assert where(answer) == ["path.trip"]
    assert fresh.get(f"/trips/{fresh.held.trip}").json()["now"] is None


@pytest.mark.parametrize(
    ("content", "status"),
    [
        (b"", 400), (b"{", 400), (b"\xff", 400), (b"[" * 60_000, 400), (b'{"a":NaN}', 400),
        (b'{"values":{"skin_c":36.4},"values":{"skin_c":1}}', 400),
        (b"[]", 422), (b"null", 422), (b'"x"', 422), (b"1e999", 422), (b'{"values":[]}', 422),
        (b'{"values":{"skin_c":1e999}}', 422), (b'{"values":{"\\ud800":1}}', 422),
        (b'{"values":{"vent_text":"\\ud800"}}', 422), (b'{"\\ud800":{}}', 422),
        (b'{"values":{"' + b"x" * 300 + b'":1}}', 422),
        (b'{"values":{"skin_c":' + b"9" * 400 + b"}}", 422),
        (b'{"values":' + b"[" * 900 + b"]" * 900 + b"}", 422),
        (b" " * (LARGEST_BODY + 1), 413),
    ],
)  # fmt: skip
def test_a_body_that_is_no_entry_is_refused(api: Asker, content: bytes, status: int) -> None:
    answer = api.observe(content, **{"Content-Type": "application/json"})
    assert answer.status_code == status, answer.text[:300]
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "kind",
    ["", "text/plain", "application/x-www-form-urlencoded", "application/json;charset=utf-16"],
)
def test_only_json_is_taken(api: Asker, kind: str) -> None:
    assert api.observe(b'{"values":{"skin_c":36.4}}', **{"Content-Type": kind}).status_code == 415


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inside: st.lists(inside, max_size=4)
    | st.dictionaries(
        st.sampled_from(["at", "set", "values", "confirmed", "skin_c", "gauge_bar:x"])
        | st.text(max_size=10),
        inside, max_size=5,
    ),
    max_leaves=15,
)  # fmt: skip


@settings(max_examples=150, deadline=None, derandomize=True,
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(
    st.one_of(
        json_like.map(lambda made: json.dumps(made).encode()),
        st.binary(max_size=300),
        st.tuples(st.integers(0, 60), st.binary(min_size=1, max_size=3)).map(
            lambda cut: json.dumps({"at": "2026-01-14T03:05:00Z", "set": "regular", "values": {
                "skin_c": 36.4}}).encode()[: cut[0]] + cut[1]
        ),
    )
)  # fmt: skip
def test_whatever_is_sent_is_taken_whole_or_refused_with_a_reason(
    api: Asker, content: bytes
) -> None:
    before = api.held.service.record.head()[0]
    answer = api.observe(content, **{"Content-Type": "application/json"})
    assert answer.status_code in {201, 400, 409, 422}, answer.text[:500]
    if answer.status_code != 201:
        assert answer.json()["detail"]
        after = api.held.service.record.events(None, before)
        assert {e.kind for e in after} <= {"access", "noticed"}


# --- what is told is not old, and the pages come first --------------------------------------------


def test_an_old_look_of_the_watch_is_not_told_as_the_present(fresh: Asker) -> None:
    held = fresh.held
    held.start()
    address = f"/trips/{held.trip}"
    assert fresh.get(address).json()["now"] is not None
    watching = held.service.watching
    assert watching is not None
    hour = timedelta(hours=1)
    with watching._news:  # as after an hour in which nobody asked
        look = watching._looks[held.trip]
        watching._looks[held.trip] = replace(look, as_of=look.as_of - hour)
        watching._done[held.trip] -= hour.total_seconds()
        watching._wanted.clear()
    for part in (address, f"{address}/conditions"):
        got = fresh.get(part).json()
        as_of = datetime.fromisoformat(got.get("as_of_utc") or got["now"]["as_of_utc"])
        assert datetime.now(UTC) - as_of < timedelta(seconds=30)


def test_programs_that_ask_much_do_not_keep_the_pages_waiting(
    fresh: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    begun = threading.Semaphore(0)

    def stuck() -> dict[str, Any]:
        begun.release()
        go_on.wait(30)
        return {}

    monkeypatch.setattr("warmhold.web.interface.operations.codes", stuck)
    threads = [threading.Thread(target=fresh.get, args=("/codes", "look")) for _ in range(60)]
    for thread in threads:
        thread.start()
    try:
        for _ in range(MOST_AT_ONCE):
            assert begun.acquire(timeout=20)
        cookie = {"Cookie": f"warmhold_session={fresh.held.service.sessions.write(NURSE)}"}
        began = time.monotonic()
        for _ in range(5):
            assert fresh.request("GET", "/help", headers=cookie).status_code == 200
        assert time.monotonic() - began < 10
        assert fresh.request("GET", f"{ROOT}/codes").status_code == 401
        assert not begun.acquire(blocking=False)
    finally:
        go_on.set()
        for thread in threads:
            thread.join(30)


# --- paging -------------------------------------------------------------------------------------


def test_paging_gives_every_entry_once_while_others_are_written(fresh: Asker) -> None:
    held, over = fresh.held, threading.Event()
    held.start()
    trip, written = held.trip, []

    def write() -> None:
        for number in range(150):
            body = {"values": {"skin_c": 36 + number / 1000}, "set": "extra"}
            written.append(held.service.write(NURSE, key(), trip, "observation", body).seq)
            if number % 10 == 5:
                new = {"corrects": written[0], "body": {**body, "set": "regular"}}
                held.service.write(NURSE, key(), trip, "correction", new)
        over.set()

    threads = [threading.Thread(target=write) for _ in range(2)]
    for thread in threads:
        thread.start()
    seen: list[int] = []
    after, mark = 0, 0
    while True:
        page = fresh.get(f"/trips/{trip}/observations?after={after}&limit=7").json()
        seen += [one["entry"] for one in page["observations"]]
        after = seen[-1] if seen else 0
        if page["next"] is not None:
            assert page["next"] == after
            continue
        mark = page["last_entry"]
        done = over.is_set() and not any(thread.is_alive() for thread in threads)
        if done and len(seen) == len(written):
            break
    assert seen == sorted(set(seen)) == sorted(written)
    # what changed since: only the entry that was corrected
    body = {"corrects": seen[3], "body": None}
    held.service.write(NURSE, key(), trip, "correction", body)
    changed = fresh.get(f"/trips/{trip}/observations?changed_after={mark}").json()
    assert [(one["entry"], one["struck_out"]) for one in changed["observations"]] == [
        (seen[3], True)
    ]


def test_every_trip_is_listed_once_while_others_begin(fresh: Asker) -> None:
    service, trip = fresh.held.service, fresh.held.trip
    body = next(e.body for e in service.record.events(trip) if e.kind == "trip-planned")
    for number in range(5):
        service.write(NURSE, key(), f"trip-{number}", "trip-planned", body)
    seen: list[str] = []
    after: int | None = 0
    number = 5
    while after is not None:
        page = fresh.get(f"/trips?after={after}&limit=2").json()
        seen += [one["trip"] for one in page["trips"]]
        if number < 9:
            service.write(NURSE, key(), f"trip-{number}", "trip-planned", body)
            number += 1
        after = page["next"]
    assert len(seen) == len(set(seen))
    assert set(seen) == set(service.record.trips())
    planned = fresh.get("/trips?stage=planned&limit=500").json()["trips"]
    assert len(planned) == 10
    assert fresh.get("/trips?stage=handed%20over").json()["trips"] == []


def test_a_trip_whose_plan_is_lost_is_listed_and_not_passed_over(fresh: Asker) -> None:
    entry = Entry(key(), "odd", "happening", {"what": "note", "detail": "x"}, "Ann (chart)")
    fresh.held.service.record.append(entry)
    line = next(t for t in fresh.get("/trips").json()["trips"] if t["trip"] == "odd")
    assert line["stage"] is None
    assert "not in the record" in line["unknown"]["stage"]
    assert fresh.get("/trips/odd").status_code == 404


# --- when the record fails ----------------------------------------------------------------------


def test_a_record_that_cannot_be_used_is_told_and_nothing_is_taken(
    planned: tuple[Path, str], tmp_path: Path
) -> None:
    held = Held(planned, tmp_path / "record")
    with held.client() as first:
        assert first.get("/trips").status_code == 200
        second = Held(planned, held.folder)
        second.given = held.given
        with second.client() as api:  # the record is open elsewhere
            for path in ("/record", "/record/verification", "/trips", f"/trips/{held.trip}",
                         "/units", "/review"):  # fmt: skip
                answer = api.get(path)
                assert answer.status_code == 503, path
                assert answer.json()["detail"]
            assert api.observe(OBSERVE).status_code == 503


def test_a_failure_is_told_without_its_inside(api: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_self: Any) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(type(api.held.service), "trips", fail)
    monkeypatch.setattr("warmhold.web.interface.operations.codes", fail)
    monkeypatch.setattr("warmhold.web.interface.operations._trip_keys", fail)
    answer = api.get("/trips")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.json()["type"] == "urn:warmhold:problem:failed"
