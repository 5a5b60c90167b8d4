"""Requests that no page sends: an answer in our words, and nothing lost.

Everyday 300 of them; 10,000 with WARMHOLD_FULL=1.
"""

from __future__ import annotations

import http.client
import os
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from warmhold.record import verify_file
from web.serving import Hand, Server, start

EXAMPLES = 10_000 if os.environ.get("WARMHOLD_FULL") else 300


@pytest.fixture(scope="module")
def target(shared: Server, planned: tuple[Path, str]) -> Iterator[tuple[Server, Hand, str]]:
    hand = Hand(shared)
    start(hand, planned[1])
    hand.post(f"/trip/{planned[1]}/observe", {"skin_c": "36.4", "part": "set"})
    yield shared, hand, planned[1]
    assert shared.failures() == ""
    found = verify_file(shared.folder / "record.sqlite")
    assert found.whole, found.faults


paths = st.one_of(
    st.sampled_from([
        "/", "/enter", "/look", "/enter/leave", "/plan", "/plan/pick", "/plan/working/x", "/units",
        "/help", "/access", "/fleet", "/fleet/ask", "/fleet/alder-single", "/fleet/none",
        "/fleet/alder-single/bench", "/fleet/alder-single/characterise", "/fleet/alder-single/task",
        "/fleet/alder-single/report/x", "/fleet/alder-single/version/%00",
        "/fleet/alder-single/round/daily", "/fleet/alder-single/fault", "/fleet/%00/bench",
        "/trip/{t}/before", "/trip/{t}/check", "/trip/{t}/start",
        "/trip/{t}/road", "/trip/{t}/tiles", "/trip/{t}/observe", "/trip/{t}/happened",
        "/trip/{t}/timeline", "/trip/{t}/timeline/1", "/trip/{t}/timeline/3",
        "/trip/{t}/timeline/99999999999999999999", "/trip/{t}/limits", "/trip/{t}/handover",
        "/trip//road", "/trip/../road", "/trip/none/observe", "/static/../app.py", "/static/%00",
    ]),
    st.text(max_size=30).map(lambda text: "/" + quote(text, safe="/%")),
    st.text(max_size=20).map(lambda text: f"/trip/{quote(text, safe='')}/road"),
)  # fmt: skip
odd = st.one_of(
    st.sampled_from([
        "", " ", "0", "-1", "1e999", "nan", "inf", "36,5", "36.5", "9" * 400, "\u0661\u0662",
        "\x7f", "\u202e", "\ud7ff", "<script>", "{{7*7}}", "%s%n", "'; DROP TABLE event; --",
        "..", "01:99",
        "99:99", "2026-02-30 10:00", "9999-12-31 23:59", "0001-01-01 00:00", "regular", "lead",
    ]),
    st.text(max_size=60),
)  # fmt: skip
names = st.one_of(
    st.sampled_from([
        "skin_c", "pulse_per_min", "gauge_bar:small oxygen", "power_source", "vent_text", "at",
        "set", "part", "keep", "chip", "was:skin_c", "why:skin_c", "event", "note", "minutes",
        "item", "do", "value", "reason", "limit", "from", "to", "trip", "name", "next", "look",
        "mapping", "kept", "limits", "entered", "log", "test", "signed", "from_min", "speed_low",
        "hours", "passcode", "value:skin_c", "what", "detail", "text:reason", "form_id", "token",
    ]),
    st.text(max_size=12),
)  # fmt: skip
fields = st.lists(st.tuples(names, odd), max_size=8)
raw = st.one_of(
    st.binary(max_size=200),
    st.sampled_from([
        b"\xff=\xfe", b"%ff=%fe", b"a=%00", b"&&&&", b"=", b"a" * 600_000, b"a&" * 3000,
        b'{"skin_c": 36.5}', b"%", b"a=%zz",
    ]),
)  # fmt: skip
kinds = st.sampled_from([
    "application/x-www-form-urlencoded", "application/x-www-form-urlencoded; charset=latin-1",
    "multipart/form-data; boundary=x", "application/json", "text/plain", "", "\u00e9",
])  # fmt: skip


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=not os.environ.get("WARMHOLD_FULL"),
    suppress_health_check=list(HealthCheck),
)
@given(
    st.sampled_from(["GET", "POST", "POST", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE"]),
    paths,
    st.one_of(fields, raw),
    kinds,
    st.booleans(),
    st.one_of(
        st.just(""), st.text(max_size=20), st.just("saved=99999999999999"), st.just("saved=1")
    ),
)
@example("POST", "/trip/{t}/observe", [("skin_c", "36.5"), ("at", "25:00")], "", True, "")
@example("POST", "/trip/{t}/happened", [("event", "note"), ("note", "x" * 5000)], "", True, "")
@example(
    "POST", "/trip/{t}/start", [("reason", "\u202e"), ("at", "9999-12-31 23:59")], "", True, ""
)
def test_no_request_is_answered_with_a_failure(
    target: tuple[Server, Hand, str],
    method: str,
    path: str,
    body: list[tuple[str, str]] | bytes,
    kind: str,
    as_a_page_does: bool,
    query: str,
) -> None:
    server, hand, trip = target
    cookie = "; ".join(f"{k}={v}" for k, v in hand.client.cookies.items())
    headers = {
        "Cookie": cookie,
        "Content-Type": kind.encode("latin-1", "replace").decode("latin-1"),
    }
    if isinstance(body, bytes):
        content = body
    else:
        pairs = body
        if as_a_page_does:
            form_id = os.urandom(16).hex()
            pairs = [*body, ("token", TOKEN.setdefault(id(hand), hand.marks("/")["token"]))]
            pairs = [("form_id", form_id), *pairs]
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        content = urlencode(pairs, errors="surrogatepass").encode()
    address = path.replace("{t}", trip) + (f"?{quote(query, safe='=&')}" if query else "")
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    try:
        connection.request(method, address, content if method != "GET" else None, headers)
        answer = connection.getresponse()
        text = answer.read().decode("utf-8", "replace")
    except ConnectionError:  # an upload that was refused before its end
        assert len(content) > 500_000
        return
    finally:
        connection.close()
    assert answer.status < 500, (method, address, body, text[:500])
    assert "Traceback" not in text
    assert "site-packages" not in text


TOKEN: dict[int, str] = {}


def test_what_was_saved_before_is_still_there(target: tuple[Server, Hand, str]) -> None:
    server, _, trip = target
    hand = Hand(server)
    text = hand.text(f"/trip/{trip}/timeline")
    assert "Skin 36.4 °C" in text
    assert "The baby went in" in text
