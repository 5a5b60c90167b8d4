"""A real server in a process of its own, and a hand that sends forms as a page does."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
from html import unescape
from pathlib import Path
from typing import Any

import httpx

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def free_port(host: str = "127.0.0.1") -> int:
    with socket.socket() as sock:
        sock.bind((host, 0))
        return int(sock.getsockname()[1])


CLIENTS: list[httpx.Client] = []  # closed after each test


class Server:
    """One server; `kill` ends it as a lost power supply would."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder = folder
        self.host = settings.pop("host", "127.0.0.1")
        self.port = settings.pop("port", 0) or free_port()
        self.settings = {"members": 50, "watch_members": 50, **settings}
        self.said = folder.parent / f"{folder.name}.log"
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> Server:
        given = {"folder": str(self.folder), "host": self.host, "port": self.port, **self.settings}
        path = os.pathsep.join([str(ROOT / "src"), os.environ.get("PYTHONPATH", "")])
        with self.said.open("ab") as said:
            self.process = subprocess.Popen(
                [sys.executable, str(HERE / "one_server.py"), json.dumps(given)],
                stdout=said,
                stderr=said,
                env={**os.environ, "PYTHONPATH": path},
            )
        for _ in range(400):
            try:
                httpx.get(f"{self.address}/static/app.js", timeout=2)
                return self
            except httpx.TransportError:
                assert self.process.poll() is None, self.said.read_text()[-3000:]
                time.sleep(0.05)
        raise AssertionError(f"the server did not start: {self.said.read_text()[-3000:]}")

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(20)

    def failures(self) -> str:
        """What the server said on its own terminal about failing."""
        text = self.said.read_text() if self.said.exists() else ""
        return text if "Traceback" in text else ""


class Hand:
    """Someone at the pages, without a browser."""

    def __init__(
        self, server: Server, name: str = "Ann", passcode: str = "", local: str | None = None
    ) -> None:
        transport = httpx.HTTPTransport(local_address=local)
        self.client = httpx.Client(base_url=server.address, timeout=30, transport=transport)
        CLIENTS.append(self.client)
        self.name = name
        if name:
            self.entered = self.enter(name, passcode)

    def enter(self, name: str, passcode: str = "") -> httpx.Response:
        token = self.marks("/enter")["token"]
        form = {"name": name, "passcode": passcode, "next": "/", "token": token}
        return self.client.post("/enter", data=form)

    def marks(self, address: str) -> dict[str, str]:
        """Form id and token of the first form of a page."""
        text = self.client.get(address, follow_redirects=True).text
        return dict(re.findall(r'name="(form_id|token)" value="([^"]*)"', text))

    def post(
        self, address: str, form: dict[str, str], page: str = "/", follow: bool = False
    ) -> httpx.Response:
        return self.client.post(address, data={**self.marks(page), **form}, follow_redirects=follow)

    def text(self, address: str, status: int = 200) -> str:
        answer = self.client.get(address, follow_redirects=True)
        assert answer.status_code == status, answer.text[:2000]
        return plain(answer.text)


def plain(page: str) -> str:
    """The words of a page."""
    page = re.sub(r"<(script|style).*?</\1>", " ", page, flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).replace("\u00a0", " ").split())


def plan(hand: Hand, name: str = "winter-road") -> str:
    """Pick a shipped plan, wait until it is worked out, return the trip's key."""
    answer = hand.post("/plan/pick", {"trip": name})
    assert answer.status_code == 303, answer.text[:2000]
    for _ in range(600):
        answer = hand.client.get(answer.headers["location"] if answer.is_redirect else answer.url)
        if answer.is_redirect and "/trip/" in answer.headers["location"]:
            return answer.headers["location"].split("/")[2]
        assert "could not be made" not in answer.text, plain(answer.text)
        time.sleep(0.1)
    raise AssertionError("the plan did not come to an end")


def start(hand: Hand, trip: str, at: str = "") -> httpx.Response:
    form = {"at": at, "reason": "read by the other nurse"}
    return hand.post(f"/trip/{trip}/start", form)
