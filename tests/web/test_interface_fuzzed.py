"""Requests made from the OpenAPI document by schemathesis, sound and unsound ones: no failure, and
every answer is one that the document allows.

Everyday 400 of them; 10,000 with WARMHOLD_FULL=1.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import ignored_auth, positive_data_acceptance

from warmhold.record import verify_file
from warmhold.web.interface.openapi import document
from warmhold.web.interface.operations import ROOT
from web.interfaced import NURSE, Asker, Held

FULL = bool(os.environ.get("WARMHOLD_FULL"))
REQUESTS = 10_000 if FULL else 400
OPERATIONS = {
    (path, method): one
    for path, inside in document()["paths"].items()
    for method, one in inside.items()
}
HERE, SOUND, UNSOUND = "sound, of what is there", "sound", "unsound"
RUNS = [
    (path, method, run)
    for (path, method), one in OPERATIONS.items()
    for run in (HERE, SOUND, UNSOUND)
    if {
        HERE: "{" in path, SOUND: True,
        UNSOUND: "requestBody" in one or any(p["in"] == "query" for p in one.get("parameters", ())),
    }[run]
]  # fmt: skip
EACH = -(-REQUESTS // 18)  # what has few parameters, or none, is soon through with all it can ask
ANSWERED: Counter[int] = Counter()
# Tokens are looked at in test_interface.py; here each request has a right one.
SCHEMA = schemathesis.openapi.from_dict({**document(), "security": []})
KEPT = ("method", "url", "headers", "cookies", "params", "data", "json", "files")


@pytest.fixture(scope="module")
def held(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asker]:
    one = Held(planned, tmp_path_factory.mktemp("fuzzed") / "record")
    with one.client() as asker:
        one.start()
        one.fill()
        body = {"values": {"skin_c": 36.4}, "set": "regular"}
        one.service.write(NURSE, "f" * 32, one.trip, "observation", body)
        yield asker
    found = verify_file(one.folder / "record.sqlite")
    assert found.whole, found.faults


def asked_by(asker: Asker, case: schemathesis.Case) -> httpx.Response:
    """Send what schemathesis made, as requests would have put it on the wire."""
    made = case.as_transport_kwargs(base_url=f"http://127.0.0.1{ROOT}")
    made = {key: value for key, value in made.items() if key in KEPT}
    sent = requests.Request(**made).prepare()
    headers = {**sent.headers, **asker.headers("lead")}
    return asker.request(str(sent.method), str(sent.url), headers=headers, content=sent.body or b"")


def confirmed(case: schemathesis.Case) -> schemathesis.Case:
    """The same values, as of now, each confirmed: what would only be doubted is taken."""
    if isinstance(case.body, dict):
        case.body.pop("at", None)
        values = case.body.get("values", {})
        case.body["confirmed"] = list(values)[:50]
    return case


@pytest.mark.parametrize(("path", "method", "run"), RUNS)
def test_every_answer_is_one_that_the_document_allows(
    held: Asker, path: str, method: str, run: str
) -> None:
    def made(trip: str) -> st.SearchStrategy[schemathesis.Case]:
        fixed = {"trip": trip, "unit": "rowan-double"}
        fixed = {name: value for name, value in fixed.items() if f"{{{name}}}" in path}
        return SCHEMA[path][method].as_strategy(
            generation_mode=GenerationMode.NEGATIVE if run == UNSOUND else GenerationMode.POSITIVE,
            path_parameters=None if run == SOUND else fixed,
        )

    strategy = st.one_of(made(held.held.trip), made("trip-done"))
    if run == HERE:
        strategy = st.one_of(strategy, strategy.map(confirmed))
    left_out = [ignored_auth]
    if path == "/review":  # that a span ends after it begins is beyond a schema
        left_out.append(positive_data_acceptance)

    @settings(
        max_examples=EACH, deadline=None, derandomize=not FULL, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def ask(case: schemathesis.Case) -> None:
        answer = asked_by(held, case)
        ANSWERED[answer.status_code] += 1
        case.validate_response(answer, excluded_checks=left_out)

    ask()


def test_so_many_were_answered_and_some_were_taken() -> None:
    print(sum(ANSWERED.values()), dict(sorted(ANSWERED.items())))
    if FULL:
        assert sum(ANSWERED.values()) >= REQUESTS
    assert ANSWERED[200] > 0
    assert ANSWERED[201] > 0
    assert ANSWERED[422] > 0
    assert not [status for status in ANSWERED if status >= 500]
    assert not {301, 302, 303, 307, 421} & set(ANSWERED)
