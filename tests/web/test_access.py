"""Who gets in, and what no request gets past."""

from __future__ import annotations

import asyncio
import shutil
import stat
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette

from warmhold.exchange.addresses import is_loopback
from warmhold.web.access import Passcodes, Role, Sessions, Tries, User
from warmhold.web.app import make_app
from warmhold.web.settings import Settings
from web.serving import Hand, Server, plain


class InProcess(httpx.BaseTransport):
    """Ask an application without a server."""

    def __init__(self, app: Starlette) -> None:
        self.app = app

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self.app)
            answer = await transport.handle_async_request(
                httpx.Request(request.method, request.url, headers=request.headers)
            )
            content = await answer.aread()
            return httpx.Response(answer.status_code, headers=answer.headers, content=content)

        return asyncio.run(ask())


CODES: dict[Role, str] = {"look": "owls look", "chart": "foxes chart", "lead": "bears lead"}
PAGES = (
    "/", "/plan", "/units", "/help", "/trip/{trip}/before", "/trip/{trip}/road",
    "/trip/{trip}/tiles", "/trip/{trip}/timeline", "/trip/{trip}/limits", "/trip/{trip}/handover",
    "/trip/{trip}/handover/page", "/trip/{trip}/handover/page.pdf", "/trip/{trip}/sheet",
)  # fmt: skip
FORMS = ("/plan/pick", "/trip/{trip}/check", "/trip/{trip}/start", "/trip/{trip}/observe",
         "/trip/{trip}/happened", "/trip/{trip}/limits", "/trip/{trip}/handover",
         "/trip/{trip}/timeline/1")  # fmt: skip


@pytest.fixture(scope="module")
def guarded(
    planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Server]:
    """A server open to the network, with a passcode for each role."""
    folder = tmp_path_factory.mktemp("guarded") / "record"
    shutil.copytree(planned[0], folder)
    Passcodes(folder).store(CODES)
    server = Server(folder, host="0.0.0.0").start()
    yield server
    server.stop()
    assert server.failures() == ""


def test_without_a_session_there_is_no_page_off_loopback(
    guarded: Server, planned: tuple[Path, str]
) -> None:
    client = Hand(guarded, "").client
    for page in PAGES:
        answer = client.get(page.format(trip=planned[1]))
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/enter?next=%2F")
        assert "Winter road" not in answer.text
    for form in FORMS:
        assert client.post(form.format(trip=planned[1]), data={"a": "b"}).status_code == 403


@pytest.mark.parametrize("role", ["look", "chart", "lead"])
def test_each_passcode_opens_its_role(
    guarded: Server, planned: tuple[Path, str], role: Role
) -> None:
    trip = planned[1]
    hand = Hand(guarded, "Ann", CODES[role])
    assert hand.entered.status_code == 303
    assert f"Ann , {role}" in hand.text("/").replace("Ann, ", "Ann , ")
    answer = hand.post(f"/trip/{trip}/check", {"item": "battery-minute", "do": "done"})
    assert answer.status_code == (403 if role == "look" else 303)
    if role == "look":
        assert "look" in plain(answer.text)
        assert "0 of" in hand.text(f"/trip/{trip}/before")
        assert "Start the trip" not in hand.text(f"/trip/{trip}/before")
    else:
        assert f"Ann ({role})" in hand.text(f"/trip/{trip}/timeline")


def test_only_lead_reads_who_did_what(guarded: Server) -> None:
    for role in ("look", "chart"):
        hand = Hand(guarded, "Ann", CODES[role])
        assert hand.client.get("/access").status_code == 403
    hand = Hand(guarded, "Ben", CODES["lead"])
    text = hand.text("/access")
    assert "Ann (look)" in text
    assert "came in" in text
    assert "127.0.0.1" in text


def test_a_wrong_passcode_is_noted_and_each_further_one_waits_longer(guarded: Server) -> None:
    hand = Hand(guarded, "Mallory", "wrong one", local="127.0.0.2")
    assert hand.entered.status_code == 403
    # A busy machine may take longer for one try than the first waits last: go on until one is long.
    answers = [hand.enter("Mallory", f"wrong {n}") for n in range(4)]
    while int(answers[-1].headers.get("retry-after", 0)) < 8 and len(answers) < 60:
        answers.append(hand.enter("Mallory", "wrong again"))
        time.sleep(0.2 if answers[-1].status_code == 429 else 0.0)
    assert {answer.status_code for answer in answers[:2]} == {403}
    assert answers[-1].status_code == 429
    assert int(answers[-1].headers["retry-after"]) >= 8
    right = hand.enter("Mallory", CODES["lead"])
    assert right.status_code == 429, "even the right one waits"


def test_the_wait_doubles_is_counted_by_address_and_forgotten_when_right() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    waits = []
    for _ in range(12):
        tries.wrong("a")
        waits.append(tries.wait_s("a"))
        now[0] += tries.wait_s("a")
    assert waits[:6] == [0, 0, 2, 4, 8, 16]
    assert waits[-1] == Tries.LONGEST_S
    assert tries.wait_s("b") == 0
    tries.wrong("a")
    tries.right("a")
    assert tries.wait_s("a") == 0


def test_the_log_of_tries_does_not_grow_without_end() -> None:
    tries = Tries(lambda: 0.0)
    for number in range(Tries.MOST_ADDRESSES + 500):
        tries.wrong(str(number))
    assert len(tries._wrong) <= Tries.MOST_ADDRESSES


@pytest.mark.parametrize("token", ["", "0" * 64])
def test_a_form_without_this_sessions_token_is_refused(
    shared: Server, planned: tuple[Path, str], token: str
) -> None:
    hand = Hand(shared)
    for form in FORMS:
        fields = {"form_id": "x" * 24, "token": token, "skin_c": "36.5"}
        answer = hand.client.post(form.format(trip=planned[1]), data=fields)
        assert answer.status_code == 403
        assert "36.5" in answer.text, "what was typed is shown"
        assert "Saved" not in answer.text
    other = Hand(shared, "Ben")
    fields = {"form_id": "x" * 24, "token": other.marks("/")["token"], "trip": "winter-road"}
    assert hand.client.post("/plan/pick", data=fields).status_code == 403


def test_security_headers_stand_on_every_kind_of_answer(
    shared: Server, planned: tuple[Path, str]
) -> None:
    server = shared
    hand = Hand(server)
    trip = planned[1]
    answers = [
        hand.client.get("/"),
        hand.client.get("/nowhere"),
        hand.client.get(f"/trip/{trip}/sheet"),
        hand.client.post("/plan/pick", data={"a": "b"}),
        hand.client.put("/"),
        httpx.get(server.address + "/"),
        hand.client.get("/static/app.js"),
    ]
    assert [a.status_code for a in answers] == [200, 404, 200, 403, 405, 303, 200]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
        assert "server" not in answer.headers


def test_the_session_cookie_is_out_of_reach_and_a_forged_one_is_worth_nothing(
    shared: Server, tmp_path: Path
) -> None:
    server = shared
    cookie = httpx.get(server.address + "/enter").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie
    app = make_app(Settings(tmp_path, https=True))
    with httpx.Client(transport=InProcess(app)) as client:
        answer = client.get("http://localhost/enter")
    assert "Secure" in answer.headers["set-cookie"]
    assert "strict-transport-security" in answer.headers
    forged = httpx.get(server.address + "/", cookies={"warmhold_session": "lead.lead.lead"})
    assert forged.status_code == 303


def test_on_loopback_only_this_computers_names_are_answered(shared: Server) -> None:
    for host, status in (
        ("127.0.0.1:8720", 303), ("localhost", 303), ("[::1]:8720", 303),
        ("attacker.example", 421), ("127.0.0.1.attacker.example", 421), ("", 421),
    ):  # fmt: skip
        assert httpx.get(shared.address + "/", headers={"Host": host}).status_code == status, host


def test_leaving_ends_the_session(guarded: Server) -> None:
    hand = Hand(guarded, "Ann", CODES["chart"])
    hand.post("/enter/leave", {})
    assert hand.client.get("/").status_code == 303


def test_coming_in_leads_to_no_other_site(shared: Server) -> None:
    hand = Hand(shared, "")
    for target in ("https://attacker.example/", "//attacker.example", "/\\attacker.example", "x"):
        form = {"name": "Ann", "next": target, **hand.marks("/enter")}
        assert hand.client.post("/enter", data=form).headers["location"] == "/"


def test_passcodes_are_kept_as_hashes_for_the_owner_alone(tmp_path: Path) -> None:
    codes = Passcodes(tmp_path)
    codes.store(CODES)
    text = codes.path.read_text()
    assert text.count("$argon2id$") == 3
    assert not any(code in text for code in CODES.values())
    assert stat.S_IMODE(codes.path.stat().st_mode) == 0o600
    again = Passcodes(tmp_path)
    assert [again.role_for(code) for code in CODES.values()] == list(CODES)
    assert again.role_for("") is None
    with pytest.raises(ValueError, match="characters"):
        codes.store({"chart": "short"})
    with pytest.raises(ValueError, match="same"):
        codes.store({"chart": "the same", "lead": "the same"})


def test_changed_passcodes_end_every_session(tmp_path: Path) -> None:
    codes = Passcodes(tmp_path)
    codes.store(CODES)
    cookie = Sessions(tmp_path, codes).write(User("Ann", "lead", "k"))
    assert Sessions(tmp_path, Passcodes(tmp_path)).read(cookie) == User("Ann", "lead", "k")
    codes.store({"lead": "other bears"})
    assert Sessions(tmp_path, codes).read(cookie) is None


@pytest.mark.parametrize(
    ("host", "here"),
    [("127.0.0.1", True), ("localhost", True), ("::1", True), ("127.9.9.9", True),
     ("0.0.0.0", False), ("::", False), ("192.168.1.4", False), ("ward.example", False)],
)  # fmt: skip
def test_what_counts_as_this_computer(host: str, here: bool) -> None:
    assert is_loopback(host) is here
