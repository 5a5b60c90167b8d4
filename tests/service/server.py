"""A PostgreSQL server of the tests' own, in a temporary folder, that may be stopped and killed."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg

USER, PASSWORD = "warmhold", "not:a/secret@all"
START_S = 60.0


class Missing(Exception):
    """PostgreSQL is not installed, or cannot be run here."""


def binaries() -> Path:
    """Find the programs: on the path, or where Debian keeps them."""
    places = [Path(found).parent for found in [shutil.which("initdb")] if found]
    debian = Path("/usr/lib/postgresql").glob("*/bin")
    places += sorted(debian, key=lambda one: float(one.parent.name), reverse=True)
    for place in places:
        if all((place / name).is_file() for name in ("initdb", "postgres")):
            return place
    raise Missing("PostgreSQL is not installed (Debian: apt-get install postgresql)")


def _as_whom() -> dict[str, Any]:
    """PostgreSQL does not run as root: then it runs as the user that its package makes."""
    if os.geteuid() != 0:
        return {}
    try:
        user = pwd.getpwnam("postgres")
    except KeyError as error:
        raise Missing("the tests run as root, and there is no user postgres") from error
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


class Server:
    """A server with its data in a folder; `close` removes both."""

    def __init__(self) -> None:
        self._programs, self._whom = binaries(), _as_whom()
        self.folder = Path(tempfile.mkdtemp(prefix="warmhold-postgresql-", dir=_in_memory()))
        self.process: subprocess.Popen[bytes] | None = None
        self.port = _free_port()
        secret = self.folder / "password"
        secret.write_text(PASSWORD)
        if self._whom:
            for path in (self.folder, secret):
                os.chown(path, self._whom["user"], self._whom["group"])
        self._data = self.folder / "data"
        try:
            subprocess.run(
                [
                    self._programs / "initdb", "-D", self._data, "-U", USER, "-A", "scram-sha-256",
                    "--pwfile", secret, "-E", "UTF8", "--locale=C", "--no-sync",
                ],
                check=True, stdout=subprocess.DEVNULL, cwd=self.folder, **self._whom,
            )  # fmt: skip
            self.start()
        except BaseException:
            self.close()
            raise

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        self._launch()
        ends = time.monotonic() + START_S
        while True:
            try:
                self.connect().close()
                return
            except psycopg.OperationalError:
                if time.monotonic() > ends:
                    raise
            if self.process is None or self.process.poll() is not None:
                self._launch()  # what a killed server leaves may take a moment to go away
            time.sleep(0.05)

    def _launch(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [
                    self._programs / "postgres", "-D", self._data, "-p", str(self.port),
                    "-h", "127.0.0.1", "-k", "", "-c", "max_connections=30",
                    "-c", "shared_buffers=8MB",
                ],
                stdout=log, stderr=log, cwd=self.folder, **self._whom,
            )  # fmt: skip

    def end(self, how: signal.Signals) -> None:
        """End it: SIGINT fast, SIGQUIT at once, SIGKILL without its knowing."""
        assert self.process is not None
        self.process.send_signal(how)
        self.process.wait(timeout=60)

    def connect(self) -> psycopg.Connection[Any]:
        """Connect past warmhold."""
        return psycopg.connect(
            host="127.0.0.1", port=self.port, user=USER, password=PASSWORD, dbname="postgres",
            autocommit=True, connect_timeout=5,
        )  # fmt: skip

    def emptied(self) -> str:
        """Empty the database; returns its address."""
        with self.connect() as connection:
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")
        return f"postgresql://{USER}@127.0.0.1:{self.port}/postgres"

    def close(self) -> None:
        """Stop it and remove the folder."""
        if self.process is not None and self.process.poll() is None:
            self.end(signal.SIGQUIT)
        shutil.rmtree(self.folder, ignore_errors=True)


def _in_memory() -> Path | None:
    """Return a folder in memory, where flushes cost nothing; a kill is no power cut anyway."""
    place = Path("/dev/shm")
    free = os.statvfs(place) if os.access(place, os.W_OK) else None
    return None if free is None or free.f_bavail * free.f_frsize < 600_000_000 else place


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])
