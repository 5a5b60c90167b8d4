"""A served record goes out: from the page, on the command line, and back into a new record."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from axe_playwright_python.sync_playwright import Axe
from fhir.resources.R4B.bundle import Bundle
from playwright.sync_api import Browser
from pypdf import PdfReader

from warmhold.cli import status
from warmhold.cli.main import run
from warmhold.exchange.fhir import from_text
from warmhold.record import FILE, Record, events_of_file, verify_file
from warmhold.web import records_out
from warmhold.web.access import Passcodes
from web.serving import Hand, Server, plain, start

SHOTS = os.environ.get("WARMHOLD_SHOTS", "")


@pytest.fixture(scope="module")
def served(
    planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Server, str]]:
    """A trip that was planned, driven and handed over through the pages."""
    folder = tmp_path_factory.mktemp("out") / "record"
    shutil.copytree(planned[0], folder)
    server = Server(folder).start()
    hand, trip = Hand(server, "Ben"), planned[1]
    assert start(hand, trip).status_code == 303
    for skin in ("36.4", "36.6"):
        form = {"skin_c": skin, "air_c": "35.1", "saturation_pre_percent": "94", "set": "regular",
                "part": "set"}  # fmt: skip
        assert hand.post(f"/trip/{trip}/observe", form).status_code == 303
    hand.post(f"/trip/{trip}/happened", {"event": "note", "note": "mother told, <b>calm</b>"})
    form = {"to": "ward team", "at": "", "text:state": "calm and warm"}
    at = hand.client.get(f"/trip/{trip}/handover").text.split('name="at" value="')[1][:5]
    assert hand.post(f"/trip/{trip}/handover", {**form, "at": at}).status_code == 303
    yield server, trip
    server.stop()
    assert server.failures() == ""


def test_every_file_is_offered_with_what_it_contains(served) -> None:
    server, trip = served
    hand = Hand(server)
    assert "Records out" in hand.text("/exchange")
    assert f"/exchange/records/{trip}" in hand.client.get("/exchange/records").text
    page = hand.client.get(f"/exchange/records/{trip}").text
    for form in records_out.offered():
        assert f"/exchange/records/{trip}/{form.name}" in page
        assert form.says in plain(page)
    assert "may name people" in plain(page)
    assert hand.client.get(f"/exchange/records/{trip}/other.txt").status_code == 404
    assert hand.client.get("/exchange/records/none").status_code == 404
    assert hand.client.get("/exchange/records/none/fhir.json").status_code == 404


def test_the_files_of_the_page(served, tmp_path) -> None:
    server, trip = served
    hand = Hand(server)

    def take(name: str) -> bytes:
        answer = hand.client.get(f"/exchange/records/{trip}/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-disposition"] == f'attachment; filename="{trip}-{name}"'
        assert answer.headers["cache-control"] == "no-store"
        return answer.content

    bundle = take("fhir.json")
    Bundle.model_validate_json(bundle)
    back = from_text(bundle)
    assert back.pseudonym == "Heron 7"
    values = {(v.quantity, v.value) for v in back.values}
    assert {("skin_c", 36.4), ("skin_c", 36.6), ("air_c", 35.1)} <= values
    rows = list(csv.DictReader(io.StringIO(take("values.csv").decode(), newline="")))
    assert [r["number"] for r in rows if r["quantity"] == "skin_c"] == ["36.4", "36.6"]
    table = pq.read_table(io.BytesIO(take("values.parquet"))).to_pylist()
    assert [r["number"] for r in table if r["quantity"] == "skin_c"] == [36.4, 36.6]
    assert b"150388^MDC_TEMP_SKIN^MDC" in take("reports.hl7")
    assert b"mother told" in take("happenings.csv")
    assert b"meaning" in take("dictionary.csv")
    pages = PdfReader(io.BytesIO(take("handover.pdf"))).pages
    assert "ward team" in "".join(page.extract_text() for page in pages)
    exported = json.loads(take("record.json"))
    found = Record.import_into(tmp_path / "again", exported)
    assert (found.whole, found.head) == (True, exported["head"]["hash"])
    taken = [e.body["did"] for e in events_of_file(server.folder / FILE) if e.kind == "access"]
    assert f"took fhir.json of trip {trip}" in taken
    assert f"took handover.pdf of trip {trip}" in taken
    assert f"took record.json of trip {trip}" in taken


def test_who_gave_no_name_takes_no_file(served) -> None:
    server, trip = served
    stranger = Hand(server, name="")
    for page in ("", f"/{trip}", f"/{trip}/record.json"):
        assert stranger.client.get(f"/exchange/records{page}").status_code in (303, 403)


def test_the_role_that_only_looks_takes_no_file(planned: tuple[Path, str], tmp_path) -> None:
    shutil.copytree(planned[0], tmp_path / "r")
    codes = {"look": "look-code-1", "chart": "chart-code-1", "lead": "lead-code-1"}
    Passcodes(tmp_path / "r").store(codes)
    server = Server(tmp_path / "r").start()
    try:
        for role, expected in (("look", 403), ("chart", 200)):
            hand = Hand(server, "Ann", codes[role])
            for name in ("", f"/{planned[1]}", f"/{planned[1]}/values.csv"):
                assert hand.client.get(f"/exchange/records{name}").status_code == expected
    finally:
        server.stop()
    assert server.failures() == ""


def test_a_served_record_comes_back_to_the_same_fingerprint(served, tmp_path, capsys) -> None:
    server, trip = served
    folder = str(server.folder)
    for given, name in (([], "all"), (["--trip", trip], "one")):
        out = str(tmp_path / f"{name}.json")
        assert run(["record", "export", folder, *given, "--out", out]) == status.GO
        before = verify_file(server.folder / FILE)
        target = str(tmp_path / name)
        assert run(["record", "import", out, "--folder", target]) == status.GO
        assert before.head in capsys.readouterr().out
        after = verify_file(tmp_path / name / FILE)
        assert (after.whole, after.head) == (True, before.head)
        assert after.events + after.withheld == before.events


def test_the_command_writes_every_form_while_the_server_runs(served, tmp_path, capsys) -> None:
    server, trip = served
    given = {"--fhir": "f.json", "--csv": "tables", "--parquet": "tables", "--pdf": "h.pdf",
             "--json": "r.json", "--alerts-r6": "a.json", "--hl7": "o.hl7"}  # fmt: skip
    options = [word for o, n in given.items() for word in (o, str(tmp_path / n))]
    command = ["exchange", "out", trip, "--folder", str(server.folder), *options]
    assert run(command) == status.GO
    captured = capsys.readouterr()
    for word in ("pseudonym", "may name people", "fingerprint", "not a medical device"):
        assert word in captured.out
    assert "draft" in captured.err
    Bundle.model_validate_json((tmp_path / "f.json").read_bytes())
    assert (tmp_path / "o.hl7").read_bytes().count(b"\rOBX|") >= 6
    text = "".join(page.extract_text() for page in PdfReader(tmp_path / "h.pdf").pages)
    for word in ("Heron 7", "ward team", "calm and warm", "36.6"):
        assert word in text
    names = sorted(path.name for path in (tmp_path / "tables").iterdir())
    assert names == sorted(form.name for form in (*records_out.CSV, *records_out.PARQUET))
    served_one = Hand(server).client.get(f"/exchange/records/{trip}/values.csv").text
    assert (tmp_path / "tables" / "values.csv").read_bytes().decode() == served_one

    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert run(command) == status.BAD_INPUT
    assert "there already and was left alone" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("place", ["/exchange/records", "/exchange/records/{trip}"])
def test_the_pages_read_well_in_light_and_dark(browser: Browser, served, place: str) -> None:
    server, trip = served
    context = browser.new_context(base_url=server.address, java_script_enabled=True)
    page = context.new_page()
    page.goto("/enter")
    page.fill("#name", "Ann")
    page.click("main button")
    page.goto(place.format(trip=trip))
    for width in (1366, 820):
        page.set_viewport_size({"width": width, "height": 1180 if width < 1000 else 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            if SHOTS:
                Path(SHOTS).mkdir(parents=True, exist_ok=True)
                name = "records-one" if "{" in place else "records"
                page.screenshot(path=f"{SHOTS}/{name}-{width}-{scheme}.png", full_page=True)
        found = Axe().run(page).response["violations"]
        assert [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found] == []
    small = page.evaluate(
        "() => [...document.querySelectorAll('main a, main button')]"
        ".filter(n => !n.classList.contains('over')"
        " && Math.min(n.getBoundingClientRect().height, n.getBoundingClientRect().width) < 43.5)"
        ".map(n => n.outerHTML.slice(0, 100))"
    )
    assert small == []
    context.close()
