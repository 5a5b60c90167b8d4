"""One planned trip for all tests of the pages: planning takes seconds, copying nothing."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from web.serving import CLIENTS, Hand, Server, plan

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")


@pytest.fixture(autouse=True)
def _close_clients() -> Iterator[None]:
    before = len(CLIENTS)  # those of wider fixtures live on
    yield
    while len(CLIENTS) > before:
        CLIENTS.pop().close()


@pytest.fixture(scope="session", autouse=True)
def _close_all_clients() -> Iterator[None]:
    yield
    while CLIENTS:
        CLIENTS.pop().close()


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A folder whose record holds one planned trip, and the trip's key."""
    folder = tmp_path_factory.mktemp("planned") / "record"
    folder.mkdir()
    server = Server(folder).start()
    try:
        trip = plan(Hand(server))
    finally:
        server.stop()
    return folder, trip


@pytest.fixture(scope="session")
def shared(planned: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server on this computer for every test that changes nothing others look at."""
    folder = tmp_path_factory.mktemp("shared") / "record"
    shutil.copytree(planned[0], folder)
    server = Server(folder).start()
    yield server
    server.stop()
    assert server.failures() == ""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield one
        one.close()
