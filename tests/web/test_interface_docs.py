"""The page that tells the interface: whole, from the document, without script or outside asset."""

from __future__ import annotations

import json
import os
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from warmhold.web.interface.openapi import document
from warmhold.web.interface.operations import OPERATIONS, ROOT
from warmhold.web.pages.interface_docs import holds, in_code
from web.serving import Hand, Server

SHOTS = os.environ.get("WARMHOLD_SHOTS")
ADDRESS = "/exchange/interface"


def test_the_page_names_every_operation_and_every_field(shared: Server) -> None:
    page = Hand(shared).client.get(ADDRESS).text
    for one in OPERATIONS:
        assert f"<code>{one.method} {ROOT}{one.path}</code>" in page
    for name, schema in document()["components"]["schemas"].items():
        part = page.split(f'id="model-{name}"')[1].split("</section>")[0]
        for field in schema.get("properties", {}):
            assert f"<code>{field}</code>" in part, f"{name}.{field}"
    links = set(re.findall(r'href="#(model-\w+)"', page))
    assert len(links) > 30
    assert links <= set(re.findall(r'id="(model-\w+)"', page))
    assert "`" not in page
    assert "Decision support, not a medical device" in page


def test_the_document_can_be_had_by_whoever_may_look(shared: Server) -> None:
    answer = Hand(shared).client.get(f"{ADDRESS}/openapi.json")
    assert answer.json() == json.loads(json.dumps(document()))
    nobody = Hand(shared, name="")
    assert nobody.client.get(ADDRESS).status_code == 303
    assert nobody.client.get(f"{ADDRESS}/openapi.json").status_code == 303


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        ({"type": "integer", "minimum": 1, "maximum": 500}, "whole number, 1 to 500"),
        ({"anyOf": [{"type": "string"}, {"type": "null"}]}, "text or null"),
        ({"type": "array", "items": {"$ref": "#/components/schemas/Band"}},
         'list of <a href="#model-Band">Band</a>'),
        ({"enum": ["a<b"]}, "“a&lt;b”"),
        ({"type": "string", "format": "date-time"}, "moment with its zone"),
        ({"type": "object", "additionalProperties": {"type": "number"}}, "by name: number"),
    ],
)  # fmt: skip
def test_what_a_field_holds_is_said_in_words(schema: dict[str, object], words: str) -> None:
    assert holds(schema) == words


def test_what_stands_between_backticks_is_code_and_escaped() -> None:
    assert in_code("see `a<b` & c") == "see <code>a&lt;b</code> &amp; c"


@pytest.mark.parametrize(("width", "look"), [(1366, "light"), (820, "dark")])
def test_the_page_is_readable_without_script_and_asks_nothing_of_others(
    shared: Server, browser: Browser, width: int, look: str
) -> None:
    for script in (True, False):
        context = browser.new_context(
            viewport={"width": width, "height": 1000}, color_scheme=look, java_script_enabled=script
        )
        asked: list[str] = []
        page = context.new_page()
        page.on("request", lambda request, into=asked: into.append(request.url))
        page.goto(f"{shared.address}/enter")
        page.fill("input[name=name]", "Ann")
        page.click("main form button")
        page.goto(f"{shared.address}{ADDRESS}")
        assert page.locator("h3").count() > 60
        page.locator("details summary").first.click()
        assert page.locator("details table").first.is_visible()
        assert not [url for url in asked if not url.startswith((shared.address, "data:"))]
        if script:
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert Axe().run(page).response["violations"] == []
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/interface-{width}-{script}.png")
        context.close()
