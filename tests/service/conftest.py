"""Databases for the tests: SQLite in a file, and a PostgreSQL server of the tests' own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from record import conftest as of_record
from service.server import PASSWORD, Missing, Server
from warmhold.service import Service, prepare

tmp_path = of_record.tmp_path  # in memory, where there is any


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    try:
        made = Server()
    except Missing as missing:
        pytest.skip(f"without PostgreSQL: {missing}")
    with pytest.MonkeyPatch.context() as patch:
        for name in [name for name in os.environ if name.startswith("PG")]:
            patch.delenv(name)
        patch.setenv("PGPASSWORD", PASSWORD)
        yield made
    made.close()


@pytest.fixture
def on_postgresql(server: Server) -> str:
    return server.emptied()


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a database with nothing in it."""
    if request.param == "postgresql":
        return str(request.getfixturevalue("on_postgresql"))
    return f"sqlite:///{tmp_path}/service.sqlite"


@pytest.fixture
def service(where: str) -> Iterator[Service]:
    prepare(where)
    with Service.open(where) as opened:
        yield opened
