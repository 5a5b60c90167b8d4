"""The interface asked within this process: an application over a copy of the planned trip."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from anyio.from_thread import BlockingPortal, start_blocking_portal
from starlette.applications import Starlette

from warmhold.web.access import User
from warmhold.web.app import make_app
from warmhold.web.interface.operations import ROOT
from warmhold.web.interface.tokens import Tokens
from warmhold.web.service import Service
from warmhold.web.settings import Settings

ROLES = ("look", "chart", "lead")
NURSE = User("Ann", "chart", "")
OBSERVE = {"values": {"vent_text": "CPAP 6"}}  # words are never in doubt


class Held:
    """One application, its service, and a token of each role."""

    def __init__(self, planned: tuple[Path, str], folder: Path, host: str = "127.0.0.1") -> None:
        if not folder.exists():
            shutil.copytree(planned[0], folder)
        self.folder, self.trip = folder, planned[1]
        self.tokens = Tokens(folder)
        known = {one.name for one in self.tokens.all()}
        self.given = {role: self.tokens.add(role, role) for role in ROLES if role not in known}
        settings = Settings(folder=folder, host=host, members=50, watch_members=50)
        self.service = Service(settings)
        self.app: Starlette = make_app(settings, self.service)

    def fill(self) -> None:
        """Put one of everything into the record: another trip from the call to its handover."""
        began = datetime.now(UTC) - timedelta(hours=5)
        done = "trip-done"

        def write(minutes: float, kind: str, body: Mapping[str, Any], trip: str = done) -> int:
            at = began + timedelta(minutes=minutes)
            return self.service.write(NURSE, secrets.token_hex(16), trip, kind, body, at).seq

        events = self.service.record.events(self.trip)
        write(0, "trip-planned", next(e.body for e in events if e.kind == "trip-planned"))
        for minutes, moment in enumerate(("call", "accepted", "departs", "arrives")):
            at = (began + timedelta(minutes=10 * minutes)).isoformat()
            write(0, "moment", {"moment": moment, "at": at})
        write(0, "facts", {"team": "north", "urgency": "urgent", "wrapped": "no"})
        write(5, "check", {"item": "axillary", "done": True, "value": 36.1, "judged": "care"})
        write(5, "check", {"item": "papers", "done": False, "value": None, "judged": "not judged",
                           "reason": "none there"})  # fmt: skip
        write(60, "trip-started", {})
        write(61, "limits", {"limit": "Oxygen saturation, low", "from": None, "to": "off"})
        first = write(62, "observation", {"values": {"axillary_c": 35.9}, "set": "regular"})
        for minutes in range(75, 200, 15):
            values = {"axillary_c": 36.2, "saturation_pre_percent": 93, "power_source": "vehicle"}
            write(minutes, "observation", {"values": values, "set": "regular"})
        write(66, "observation", {"values": {"pulse_per_min": 141}, "set": "device",
                                  "source": "monitor"})  # fmt: skip
        write(67, "observation", {"values": {"skin_c": 12}, "set": "extra",
                                  "flags": {"skin_c": "Skin 12.0?"}})  # fmt: skip
        wrong = write(68, "observation", {"values": {"skin_c": 3.6}, "set": "extra"})
        write(62, "correction", {"corrects": first, "body": {"values": {"axillary_c": 36.0},
                                                             "set": "regular"}})  # fmt: skip
        write(70, "correction", {"corrects": wrong, "body": None})
        write(70, "happening", {"what": "delay", "detail": {"minutes": 5, "why": None}})
        write(71, "happening", {"what": "note", "detail": "\ud800 seen"})
        write(72, "happening", {"what": "port opened"})
        write(80, "noticed", {"key": "cold", "title": "Cold", "priority": "low", "evidence": ""})
        write(90, "equipment", {"what": "pump", "class": "pump", "harm": "none"})
        over = {"to": "Bo", "at": (began + timedelta(minutes=200)).isoformat(),
                "texts": {"reason": "care", "next": "warm"}}  # fmt: skip
        write(201, "handover", over)
        unit = {"unit": "rowan-double"}
        write(0, "fault", {**unit, "what": "wheel", "effect": "with limits"}, "")
        write(0, "task", {**unit, "task": "service", "state": "good", "says": ""}, "")
        answers = [{"item": "clean", "title": "Clean", "value": True, "judged": "good", "says": ""}]
        write(0, "round", {**unit, "round": "daily", "title": "Daily", "answers": answers,
                           "signed": "Ann"}, "")  # fmt: skip
        figures = [{"key": "battery_energy_wh", "value": 210.0}, {"key": "battery_min"}]
        result = {"test": "run-down", "verdict": "pass", "reason": "", "measured": figures}
        write(0, "bench-test", {**unit, "results": [result], "log": "", "signed": "Ann"}, "")

    @contextmanager
    def client(self) -> Iterator[Asker]:
        with (
            start_blocking_portal() as portal,
            portal.wrap_async_context_manager(self.app.router.lifespan_context(self.app)),
        ):
            yield Asker(self, portal)

    def start(self, minutes_ago: float = 30.0) -> None:
        """Let the baby go in."""
        at = datetime.now(UTC) - timedelta(minutes=minutes_ago)
        self.service.write(NURSE, secrets.token_hex(16), self.trip, "trip-started", {}, at)


class Asker:
    """Asks as a program with a token would."""

    def __init__(self, held: Held, portal: BlockingPortal) -> None:
        self.held, self.portal = held, portal

    def request(self, method: str, address: str, **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self.held.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://127.0.0.1"
            ) as client:
                return await client.request(method, address, **more)

        return self.portal.call(ask)

    def get(self, path: str, role: str = "lead", **more: Any) -> httpx.Response:
        return self.request("GET", f"{ROOT}{path}", headers=self.headers(role), **more)

    def observe(
        self, body: Any, key: str = "", role: str = "chart", trip: str = "", **headers: str
    ) -> httpx.Response:
        address = f"{ROOT}/trips/{trip or self.held.trip}/observations"
        marks = {"Idempotency-Key": key or secrets.token_hex(16), **self.headers(role), **headers}
        if isinstance(body, bytes):
            return self.request("POST", address, content=body, headers=marks)
        return self.request("POST", address, json=body, headers=marks)

    def headers(self, role: str) -> Mapping[str, str]:
        return {"Authorization": f"Bearer {self.held.given[role]}"}


def where(answer: httpx.Response) -> list[str]:
    """What the faults of a problem are about."""
    return [fault["where"] for fault in answer.json()["faults"]]
