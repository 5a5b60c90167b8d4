"""Times and facts of a trip, written for the review."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from warmhold.record import store
from warmhold.record.transfers import transfers
from web.serving import Hand, Server, plain, start


@pytest.fixture(scope="module")
def going(
    planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Server, str]]:
    folder = tmp_path_factory.mktemp("times") / "record"
    shutil.copytree(planned[0], folder)
    server = Server(folder).start()
    assert start(Hand(server), planned[1]).status_code == 303
    yield server, planned[1]
    server.stop()
    assert server.failures() == ""


def the_transfer(server: Server):
    connection = store.connect(server.folder / "record.sqlite", write=False)
    try:
        (one,) = transfers(store.events(list(store.rows(connection))))
    finally:
        connection.close()
    return one


def test_times_and_facts_reach_the_review(going: tuple[Server, str]) -> None:
    server, trip = going
    hand, page = Hand(server), f"/trip/{trip}/times"
    before = the_transfer(server)
    assert set(before.moments) == {"ready"}
    assert before.events is None
    assert before.urgency is None
    called = (datetime.now(UTC) - timedelta(minutes=80)).strftime("%Y-%m-%d %H:%M")
    arrived = (datetime.now(UTC) - timedelta(minutes=30)).strftime("%Y-%m-%d %H:%M")
    form = {"part": "moments", "call": called, "arrives": arrived}
    assert hand.post(page, form, page=page).status_code == 303
    facts = {"part": "facts", "urgency": "time-critical", "team": "Northmoor", "purpose": "uplift",
             "equipment": "nothing failed"}  # fmt: skip
    assert hand.post(page, facts, page=page).status_code == 303
    found = the_transfer(server)
    assert found.minutes("call", "arrives") == pytest.approx(50, abs=0.1)
    assert (found.urgency, found.team, found.purpose) == ("time-critical", "Northmoor", "uplift")
    assert found.events == ()
    assert found.gestation_weeks == 39.5
    assert found.cooled is False
    failed = {"part": "equipment", "what": "outlet dead", "class": "power", "harm": "none"}
    assert hand.post(page, failed, page=page).status_code == 303
    assert [event.kind for event in the_transfer(server).events or ()] == ["power"]
    text = hand.text(page)
    assert "outlet dead" in text
    assert f'value="{called}"' in hand.client.get(page).text


def test_what_cannot_be_read_is_told_and_nothing_is_saved(going: tuple[Server, str]) -> None:
    server, trip = going
    hand, page = Hand(server), f"/trip/{trip}/times"
    late = (datetime.now(UTC) + timedelta(days=2)).strftime("%Y-%m-%d %H:%M")
    wrong = hand.post(page, {"part": "moments", "vehicle": "soon", "departs": late}, page=page)
    assert wrong.status_code == 422
    assert "such as 03:12" in plain(wrong.text)
    assert "still to come" in plain(wrong.text)
    assert "vehicle" not in the_transfer(server).moments
    early = (datetime.now(UTC) - timedelta(minutes=100)).strftime("%Y-%m-%d %H:%M")
    order = hand.post(page, {"part": "moments", "vehicle": early}, page=page)
    assert order.status_code == 422
    assert "It lies before" in plain(order.text)
    for form in ({"part": "facts"}, {"part": "moments"}, {"part": "nothing"}, {}):
        assert hand.post(page, form, page=page).status_code == 422
    empty = hand.post(page, {"part": "equipment", "what": "", "class": "lamp"}, page=page)
    assert "Write what failed" in plain(empty.text)


def test_a_lead_sees_the_review(going: tuple[Server, str]) -> None:
    server, trip = going
    hand = Hand(server)
    text = hand.text("/review")
    assert "1 trip was started" in text
    page = plain(hand.client.get("/review/page").text)
    assert "1 transfers" in page
    assert "How babies arrived" in page
    assert "never as good" in page
    assert "No trend of saturation, pulse or oxygen on record: 1 missing." in page
    for value in ("93", "92", "94"):
        form = {"part": "set", "saturation_pre_percent": value}
        answer = hand.post(f"/trip/{trip}/observe", form, page=f"/trip/{trip}/road")
        assert answer.status_code == 303
    page = plain(hand.client.get("/review/page").text)
    assert "Oxygen saturation, low" in page
    assert "nobody wrote what was set" in page
    assert hand.client.get("/review/page?from=January").status_code == 422
    assert "0 transfers" in plain(hand.client.get("/review/page?from=2031-01").text)
