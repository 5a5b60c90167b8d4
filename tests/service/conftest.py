"""Databases for the tests: SQLite in a file, and a PostgreSQL server of the tests' own."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.server import PASSWORD, Missing, Server
from warmhold.service import Service, prepare

_numbers = itertools.count(1)


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
    return server.new_database(f"test_{next(_numbers)}")


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
