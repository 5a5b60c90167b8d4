"""What the pages share: the record, the plans, the trips under way."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from warmhold.model import Case
from warmhold.plan import plan_case
from warmhold.record import Entry, Receipt, Record, Trouble
from warmhold.report import json as sheet_json
from warmhold.web.access import Passcodes, Sessions, Tries, User
from warmhold.web.jobs import Job, Jobs, Progress
from warmhold.web.library import Library, case_of, complete
from warmhold.web.settings import Settings

log = logging.getLogger("warmhold.web")


class NotSaved(Exception):
    """An entry is not in the record; says why and what to do."""

    def __init__(self, reason: str, todo: str = "") -> None:
        """Keep the reason and what to do."""
        super().__init__(reason)
        self.todo = todo


class Service:
    """One server's record, plans and trips. Any thread may call."""

    def __init__(self, settings: Settings) -> None:
        """Look into the folder; the record is opened by `begin`."""
        self.settings = settings
        settings.folder.mkdir(parents=True, exist_ok=True)
        self.library = Library(settings.folder)
        self.passcodes = Passcodes(settings.folder)
        self.sessions = Sessions(settings.folder, self.passcodes)
        self.tries = Tries()
        self.jobs = Jobs()
        self.warnings: list[str] = []
        self.trouble: Trouble | None = None
        self._record: Record | None = None
        self._lock = threading.RLock()

    @property
    def folder(self) -> Path:
        """Where everything lies."""
        return self.settings.folder

    # --- beginning and end ----------------------------------------------------------------------

    def begin(self) -> None:
        """Open the record; when that fails the pages say why, and nothing can be written."""
        try:
            self._record = Record.open(self.folder, warn=self.warnings.append)
        except Trouble as trouble:
            self.trouble = trouble
            log.error("the record cannot be opened: %s", trouble)

    def close(self) -> None:
        """Close the record."""
        self.jobs.close()
        if self._record is not None:
            self._record.close()

    def rehearsal_words(self) -> str:
        """Say that this is a rehearsal; empty when it is none."""
        if not self.settings.rehearse:
            return ""
        return (
            f"A simulated trip, at {self.settings.speed:g} times real time, with one hidden fault. "
            "Nobody is in this incubator, and this record is thrown away at the end."
        )

    # --- the record -----------------------------------------------------------------------------

    @property
    def record(self) -> Record:
        """Return the open record.

        Raises ``NotSaved`` when it could not be opened.
        """
        if self._record is None:
            why = self.trouble or Trouble("The record is not open.", "Start warmhold again.")
            raise NotSaved(why.reason, why.todo)
        return self._record

    def write(
        self,
        user: User,
        form_id: str,
        trip: str,
        kind: str,
        body: Mapping[str, Any],
        stated: datetime | None = None,
    ) -> Receipt:
        """Put an entry into the record; when this returns it is on the disk.

        Raises ``NotSaved``.
        """
        try:
            return self.record.append(Entry(form_id, trip, kind, body, user.who, stated))
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble

    def log_access(self, user: User, did: str, address: str) -> None:
        """Note who did what; a record that cannot be written does not stop this."""
        from warmhold.web.rendering import new_form_id  # noqa: PLC0415

        body = {"did": did[:200], "from": (address or "unknown")[:200]}
        try:
            self.write(user, new_form_id(), "", "access", body)
        except NotSaved as error:
            log.warning("not noted (%s): %s %s", error, user.who, did)

    # --- plans ----------------------------------------------------------------------------------

    def case_of(self, trip_toml: str, unit_toml: str = "", policy_toml: str = "") -> Case:
        """Read a trip; unit and policy are looked up by name unless their texts are given.

        Raises ``FaultyInput`` with every fault.
        """
        return case_of(*complete(self.library, trip_toml, unit_toml, policy_toml))

    def plan_trip(
        self, user: User, form_id: str, trip_toml: str, unit_toml: str = "", policy_toml: str = ""
    ) -> Job:
        """Plan a trip in the background and put it into the record.

        Raises ``FaultyInput`` with every fault before anything begins. The job's page is
        ``/plan/working/{key}``; from there it goes on to the trip.
        """
        texts = complete(self.library, trip_toml, unit_toml, policy_toml)
        case = case_of(*texts)
        trip = f"t{form_id[:12]}"

        def work(tell: Progress) -> str:
            sheet = plan_case(
                case, members=self.settings.members, seed=self.settings.seed, progress=tell
            )
            body = {
                "trip_toml": texts[0],
                "unit_toml": texts[1],
                "policy_toml": texts[2],
                "sheet": json.loads(sheet_json.dumps(sheet)),
            }
            self.write(user, form_id, trip, "trip-planned", body)
            return f"/trip/{trip}/before"

        return self.jobs.start(form_id, case.trip.title, work)
