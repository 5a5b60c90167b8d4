"""What the pages share: the record, the plans, the trips under way."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timezone, tzinfo
from pathlib import Path
from typing import Any, TypeVar, cast

from warmhold import __version__
from warmhold.bench.question import text_with_run_down
from warmhold.model import Case, FaultyInput
from warmhold.plan import plan_case
from warmhold.plan.checklist import CheckItem, checklist
from warmhold.plan.sheet import Sheet
from warmhold.record import Entry, Event, Receipt, Record, Trouble
from warmhold.record.unit_views import histories, unit_named_in
from warmhold.record.views import TripView, trip_view
from warmhold.report import json as sheet_json
from warmhold.web.access import Passcodes, Sessions, Tries, User
from warmhold.web.jobs import Job, Jobs, Progress
from warmhold.web.library import Library, case_of, complete
from warmhold.web.live import Live
from warmhold.web.rehearsing import Clock, Rehearsing
from warmhold.web.rendering import new_form_id
from warmhold.web.settings import Settings
from warmhold.web.watching import LiveTrip, Look, Subject, Watching

log = logging.getLogger("warmhold.web")
_Made = TypeVar("_Made")

STAND_IN = User("rehearsal", "chart", "")
WATCH = User("the watch", "chart", "")


class NotSaved(Exception):
    """An entry is not in the record; says why and what to do."""

    def __init__(self, reason: str, todo: str = "") -> None:
        """Keep the reason and what to do."""
        super().__init__(reason)
        self.todo = todo

    @property
    def shown(self) -> str:
        """The reason and what to do, for the page of a job that failed."""
        return f"Not saved. {self} {self.todo}".strip()


class NoSuchTrip(Exception):
    """There is no trip of that name in the record."""


@dataclass
class _Kept:
    """The entries of one trip, as far as they were read."""

    events: list[Event] = field(default_factory=list)
    plan_seq: int = 0
    case: Case | None = None
    sheet: Sheet | None = None
    live: LiveTrip | None = None
    page: str = ""
    page_seq: int = 0
    problem: str = ""


@dataclass(frozen=True)
class Trip:
    """One trip as it stands now. ``case`` and ``sheet`` are missing when they cannot be read."""

    key: str
    view: TripView
    case: Case | None
    sheet: Sheet | None
    now: datetime
    zone: tzinfo
    events: tuple[Event, ...] = ()
    problem: str = ""

    @property
    def items(self) -> tuple[CheckItem, ...]:
        """Return the list before leaving; empty when the plan cannot be read."""
        if self.case is None or self.sheet is None:
            return ()
        return checklist(self.case, self.sheet)

    @property
    def title(self) -> str:
        """Title of the plan."""
        return self.sheet.title if self.sheet is not None else f"Trip {self.key}"

    @property
    def stage(self) -> str:
        """Return planned, on the road or handed over."""
        if self.view.handover is not None:
            return "handed over"
        return "planned" if self.view.start is None else "on the road"


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
        self.clock = Clock(settings.speed)
        self.watching: Watching | None = None
        self.rehearsing: Rehearsing | None = None
        self.live = Live(self, settings.folder)
        self._record: Record | None = None
        self._lock = threading.RLock()
        self._kept: dict[str, _Kept] = {}
        self._whole: dict[str, tuple[tuple[int, str], Any]] = {}

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
            return
        self.watching = Watching(self._subject, self._keep_noticed)
        if self.settings.rehearse:
            self._begin_rehearsal()
        else:  # no device goes to a baby that is not there
            self.live.begin()

    def close(self) -> None:
        """Close the record."""
        self.live.close()
        if self.rehearsing is not None:
            self.rehearsing.close()
        if self.watching is not None:
            self.watching.close()
        self.jobs.close()
        if self._record is not None:
            self._record.close()

    def rehearsal_words(self) -> str:
        """Say that this is a rehearsal; empty when it is none."""
        if not self.settings.rehearse:
            return ""
        return (
            f"A simulated trip at {self.settings.speed:g} times real time, with one hidden fault. "
            "No baby is in this incubator, and nothing of it is kept."
        )

    def _begin_rehearsal(self) -> None:
        text = self.library.text("trips", self.settings.rehearse) or ""

        def begin(trip: str) -> None:
            found = self.trip(trip)
            setting = found.sheet.start.air_set_c if found.sheet is not None else None
            if found.case is None or setting is None:
                raise FaultyInput(())
            start = self.clock.begin()
            self.write(STAND_IN, new_form_id(), trip, "trip-started", {}, start)

            def write(kind: str, body: Mapping[str, Any], stated: datetime) -> None:
                try:
                    self.write(STAND_IN, new_form_id(), trip, kind, body, stated)
                except NotSaved as error:
                    log.warning("an entry of the rehearsal was not saved: %s", error)

            self.rehearsing = Rehearsing(found.case, setting, self.clock, write)
            self.rehearsing.begin()

        self.plan_trip(STAND_IN, "rehearsal-of-one-trip", text, then=begin)

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
        known = self.entry_of_form(trip, form_id) if stated is None else None
        if known is not None and known.kind == kind:
            stated = known.stated_utc  # a repeat whose time was that of sending
        elif stated is None and self.clock.began is not None and trip:
            stated = self.clock.now()  # in a rehearsal the wall clock says nothing
        try:
            receipt = self.record.append(Entry(form_id, trip, kind, body, user.who, stated))
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble
        if self.watching is not None and trip and not receipt.repeated:
            self.watching.hurry(trip)
        return receipt

    def entry_of_form(self, trip: str, form_id: str) -> Event | None:
        """Return the entry that a form made before."""
        for event in reversed(self._events(trip)):
            if event.form_id == form_id:
                return event
        return None

    def new_events(self, after: int) -> list[Event]:
        """Return the entries of all trips after a number.

        Raises ``NotSaved`` when the record cannot be read.
        """
        try:
            return self.record.events(after=after)
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble

    def log_access(self, user: User, did: str, address: str) -> None:
        """Note who did what; a record that cannot be written does not stop this."""
        body = {"did": did[:200], "from": (address or "unknown")[:200]}
        try:
            self.write(user, new_form_id(), "", "access", body)
        except NotSaved as error:
            log.warning("not noted (%s): %s %s", error, user.who, did)

    # --- trips ----------------------------------------------------------------------------------

    def trips(self) -> list[Trip]:
        """Return every trip, the latest first."""
        try:
            names = self.record.trips()
        except Trouble as trouble:
            raise NotSaved(trouble.reason, trouble.todo) from trouble
        return [self.trip(name) for name in reversed(names)]

    def trip(self, key: str) -> Trip:
        """Return one trip as it stands now.

        Raises ``NoSuchTrip``, ``NotSaved`` when the record cannot be read.
        """
        events = self._events(key)
        if not any(event.kind == "trip-planned" for event in events):
            raise NoSuchTrip(key)
        now = self.clock.now()
        view = trip_view(events, until=now)
        kept = self._kept[key]
        self._read_plan(kept, view)
        offset = kept.case.trip.start.offset if kept.case is not None else None
        zone: tzinfo = UTC if offset is None else timezone(offset)
        return Trip(key, view, kept.case, kept.sheet, now, zone, tuple(events), kept.problem)

    def look(self, trip: Trip, at_most_s: float = 0.0) -> Look | None:
        """Return what the watch says of a trip under way; ``None`` when it has not looked yet."""
        if self.watching is None or trip.view.start is None:
            return None
        return self.watching.look(trip.key, trip.view.last_seq, at_most_s)

    def sheet_page(self, trip: Trip) -> str:
        """Return the plan's own page; drawn once."""
        from warmhold.report import html as sheet_html  # noqa: PLC0415, it loads what draws

        kept = self._kept[trip.key]
        if trip.sheet is None:
            raise NoSuchTrip(trip.key)
        if kept.page_seq != kept.plan_seq:
            kept.page, kept.page_seq = sheet_html.page(trip.sheet), kept.plan_seq
        return kept.page

    def from_whole_record(self, name: str, make: Callable[[list[Event]], _Made]) -> _Made:
        """Return what is made of all entries; made anew only when there is a new entry.

        name : of what is made

        Raises ``NotSaved`` when the record cannot be read.
        """
        with self._lock:
            try:
                head = self.record.head()
                kept = self._whole.get(name)
                if kept is None or kept[0] != head:
                    kept = self._whole[name] = (head, make(self.record.events()))
            except Trouble as trouble:
                raise NotSaved(trouble.reason, trouble.todo) from trouble
            return cast(_Made, kept[1])

    def _events(self, key: str) -> list[Event]:
        with self._lock:
            kept = self._kept.get(key) or _Kept()
            after = kept.events[-1].seq if kept.events else 0
            try:
                new = self.record.events(key, after)
            except Trouble as trouble:
                raise NotSaved(trouble.reason, trouble.todo) from trouble
            kept.events += new
            if kept.events:  # names that lead nowhere are not kept
                self._kept[key] = kept
            return list(kept.events)

    def _read_plan(self, kept: _Kept, view: TripView) -> None:
        """Build case and sheet of the plan in force, once."""
        with self._lock:
            plan = view.plans[-1] if view.plans else None
            if plan is None or plan.seq == kept.plan_seq:
                return
            kept.plan_seq, kept.case, kept.sheet, kept.live = plan.seq, None, None, None
            kept.problem = ""
            body = plan.body
            try:
                kept.sheet = sheet_json.loads(json.dumps(body["sheet"]))
                kept.case = case_of(body["trip_toml"], body["unit_toml"], body["policy_toml"])
            except (FaultyInput, sheet_json.NotASheet, KeyError, ValueError) as error:
                kept.problem = (
                    "The plan in the record cannot be read by this version of warmhold: "
                    f"{str(error)[:500]}"
                )
                log.error("the plan of a trip cannot be read: %s", error)

    def _subject(self, key: str) -> Subject | None:
        """Give a trip to the watch, as it stands now."""
        found = self.trip(key)
        if found.view.start is None or found.case is None or found.sheet is None:
            return None
        kept = self._kept[key]
        with self._lock:
            if kept.live is None:
                setting = found.sheet.start.air_set_c
                stated = found.case.trip.start.air_set_c
                kept.live = LiveTrip(
                    found.case,
                    stated if stated is not None else setting,
                    self.settings.watch_members,
                    self.settings.seed,
                    warmed_as_planned=bool(self.settings.rehearse),
                )
        now = found.view.end if found.view.handover is not None else found.now
        return Subject(kept.live, found.view, now or found.now)

    def _keep_noticed(self, key: str, subject: Subject, look: Look) -> None:
        """Write down what the watch named for the first time, or with another priority.

        What a page once said stays in the record, also when a correction unsays it.
        """
        if subject.view.handover is not None:
            return
        told = {(e.body["key"], e.body["title"], e.body["priority"]) for e in subject.view.noticed}
        for one in look.conditions:
            if one.cleared_s is not None or (one.key, one.title, one.priority) in told:
                continue
            body = {
                "key": one.key, "title": one.title, "priority": one.priority,
                "evidence": one.evidence,
            }  # fmt: skip
            try:
                self.write(WATCH, new_form_id(), key, "noticed", body, look.as_of)
            except NotSaved as error:
                log.warning("what the watch named was not written down: %s", error)
                return

    # --- plans ----------------------------------------------------------------------------------

    def case_of(self, trip_toml: str, unit_toml: str = "", policy_toml: str = "") -> Case:
        """Read a trip; unit and policy are looked up by name unless their texts are given.

        Raises ``FaultyInput`` with every fault.
        """
        return case_of(*self._texts(trip_toml, unit_toml, policy_toml))

    def _texts(self, trip_toml: str, unit_toml: str, policy_toml: str) -> tuple[str, str, str]:
        """Return the texts of trip, unit and policy; a unit's last run-down speaks in its profile.

        A profile that states the battery's health itself, or was given as text, stays as it is.
        """
        trip, unit, policy = complete(self.library, trip_toml, unit_toml, policy_toml)
        if not unit_toml:
            try:
                found = self.from_whole_record("histories", histories)
            except NotSaved:
                return trip, unit, policy
            unit = text_with_run_down(unit, found.get(unit_named_in(trip)))[0]
        return trip, unit, policy

    def _planned_before(self, texts: tuple[str, str, str]) -> dict[str, Any] | None:
        """Return the sheet of the same three texts: planned again it would be the same."""
        same = {"members": self.settings.members, "seed": self.settings.seed}
        same_version = {**same, "version": __version__}
        for name in self.record.trips():
            for event in self._events(name):
                if event.kind != "trip-planned":
                    continue
                body = event.body
                given = (body["trip_toml"], body["unit_toml"], body["policy_toml"])
                inner = body["sheet"].get("sheet", {})
                if given == texts and same_version == {k: inner.get(k) for k in same_version}:
                    return dict(body["sheet"])
        return None

    def plan_trip(
        self,
        user: User,
        form_id: str,
        trip_toml: str,
        unit_toml: str = "",
        policy_toml: str = "",
        then: Any = None,
    ) -> Job:
        """Plan a trip in the background and put it into the record.

        Raises ``FaultyInput`` with every fault before anything begins. The job's page is
        ``/plan/working/{key}``; from there it goes on to the trip.

        then : called with the trip's key when it is in the record
        """
        texts = self._texts(trip_toml, unit_toml, policy_toml)
        case = case_of(*texts)
        trip = f"t{form_id[:12]}"

        def work(tell: Progress) -> str:
            sheet = self._planned_before(texts)
            if sheet is None:
                made = plan_case(
                    case, members=self.settings.members, seed=self.settings.seed, progress=tell
                )
                sheet = json.loads(sheet_json.dumps(made))
            body = {
                "trip_toml": texts[0],
                "unit_toml": texts[1],
                "policy_toml": texts[2],
                "sheet": sheet,
            }
            if self.entry_of_form(trip, form_id) is None:
                self.write(user, form_id, trip, "trip-planned", body)
            if then is not None:
                then(trip)
            return f"/trip/{trip}/before"

        return self.jobs.start(form_id, case.trip.title, work)
