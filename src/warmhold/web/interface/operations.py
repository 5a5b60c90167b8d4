"""Every operation of the interface, once: address, role, what it takes, what it answers, how."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final, TypeVar
from weakref import WeakKeyDictionary

from warmhold import __version__
from warmhold.exchange.codes import codes
from warmhold.record import Event, Record, Verification
from warmhold.record.bodies import WORDS
from warmhold.record.transfers import transfers
from warmhold.record.trouble import Trouble
from warmhold.record.views import Shown
from warmhold.web.access import Role, User
from warmhold.web.fleet import fleet_of
from warmhold.web.handing_over import handover_of
from warmhold.web.interface import answers
from warmhold.web.interface import schemas as s
from warmhold.web.interface.problems import Fault, Problem, shown
from warmhold.web.pages.road import expected_of
from warmhold.web.posted import FORM_ID
from warmhold.web.quantities import question, readings_of
from warmhold.web.service import NoSuchTrip, NotSaved, Service, Trip
from warmhold.web.trip_pages import entered

_T = TypeVar("_T")

ROOT: Final = "/api/v1"
KEY_HEADER: Final = "Idempotency-Key"
KEY_PATTERN: Final = f"^{FORM_ID.pattern}$"  # the same as a form's own number
WAIT_S: Final = 4.0  # at most, for a look of the watch at a trip
FRESH_S: Final = 20.0  # a look that is older is waited for anew
FUTURE_MIN: Final = 2.0  # a stated time may be ahead of the clock by this much, as on the pages
VERIFY_EVERY_S: Final = 60.0


@dataclass(frozen=True)
class Asked:
    """One request, read and checked as far as its schema goes.

    body : ``None`` when it has faults, which are then in ``faults``
    raw : what came as the body
    still : whether the token opens anything at this moment
    """

    service: Service
    user: User
    path: Mapping[str, str]
    query: Any = None
    body: Any = None
    key: str = ""
    raw: Any = None
    faults: tuple[Fault, ...] = ()
    still: Callable[[], bool] = lambda: True


@dataclass(frozen=True)
class Operation:
    """One thing that can be asked.

    key : its name in the OpenAPI document
    problems : what may go wrong beyond what may with every operation
    """

    key: str
    method: str
    path: str
    title: str
    says: str
    answer: type[s.Answer]
    run: Callable[[Asked], s.Answer]
    role: Role = "look"
    query: type[s.In] = s.In
    body: type[s.In] | None = None
    status: int = 200
    problems: tuple[int, ...] = field(default=())


# --- record -------------------------------------------------------------------------------------


def _record(asked: Asked) -> s.Answer:
    record = asked.service.record
    seq, fingerprint = record.head()
    return s.RecordOut(
        last_entry=seq, fingerprint=fingerprint, trips=len(_trip_keys(asked.service)),
        as_of_utc=datetime.now(UTC), version=__version__,
        rehearsal=bool(asked.service.settings.rehearse),
    )  # fmt: skip


class _LastCheck:
    """The last check of one record; checking reads all of it, so it is done once a minute."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.found: tuple[float, datetime, Verification] | None = None


_CHECKS: WeakKeyDictionary[Record, _LastCheck] = WeakKeyDictionary()
_CHECKS_LOCK = threading.Lock()


def _verified(asked: Asked) -> s.Answer:
    record = asked.service.record
    with _CHECKS_LOCK:
        last = _CHECKS.setdefault(record, _LastCheck())
    with last.lock:
        if last.found is None or time.monotonic() - last.found[0] > VERIFY_EVERY_S:
            last.found = (time.monotonic(), datetime.now(UTC), _read(record.verify))
        _, at, found = last.found
    return s.VerificationOut(
        whole=found.whole, entries=found.events, fingerprint=found.head, faults=found.faults,
        lost=found.lost, checked_utc=at,
    )  # fmt: skip


def _read(read: Callable[[], _T]) -> _T:
    """Read the record, or say in the words of the service why that cannot be done."""
    try:
        return read()
    except Trouble as trouble:
        raise NotSaved(trouble.reason, trouble.todo) from trouble


# --- trips --------------------------------------------------------------------------------------


def _trip_keys(service: Service) -> list[str]:
    return _read(service.record.trips)


def _trips(asked: Asked) -> s.Answer:
    """List trips in the order of their first entries: one that is begun meanwhile comes last."""
    service, query = asked.service, asked.query
    keys = _trip_keys(service)
    found: list[s.TripLine] = []
    place = query.after
    while place < len(keys) and len(found) < query.limit:
        line = _line(service, keys[place])
        place += 1
        if query.stage is None or line.stage == query.stage:
            found.append(line)
    following = place if place < len(keys) else None
    return s.TripsOut(trips=tuple(found), next=following)


def _line(service: Service, key: str) -> s.TripLine:
    try:
        return answers.trip_line(service.trip(key))
    except NoSuchTrip:
        events = _read(lambda: service.record.events(key))
        return answers.lost_trip_line(key, events[-1].seq if events else 0)


def _trip_of(asked: Asked) -> Trip:
    try:
        return asked.service.trip(asked.path["trip"])
    except NoSuchTrip as error:
        raise Problem(
            404, f"There is no trip {shown(asked.path['trip'])} in this record."
        ) from error


def _look(asked: Asked, trip: Trip) -> Any:
    """Return what the watch says of a trip, waiting some seconds for a look that is not old."""
    service = asked.service
    look = service.look(trip)
    if look is None:
        return service.look(trip, WAIT_S)
    fresh = timedelta(seconds=FRESH_S * (service.settings.speed if service.clock.began else 1.0))
    until = time.monotonic() + WAIT_S
    while (
        look is not None
        and trip.view.handover is None
        and trip.now - look.as_of > fresh
        and time.monotonic() < until
    ):
        time.sleep(0.05)
        look = service.look(trip)
    return look


def _trip(asked: Asked) -> s.Answer:
    trip = _trip_of(asked)
    return answers.trip(trip, _look(asked, trip))


def _part(found: list[Shown], query: Any) -> tuple[list[Shown], int | None]:
    """Take a page of entries, in the order in which they were written."""
    wanted = [
        one
        for one in found
        if one.seq > query.after and answers.last_change(one) > query.changed_after
    ]
    part = wanted[: query.limit]
    return part, part[-1].seq if len(wanted) > len(part) else None


def _head_of(trip: Trip, following: int | None) -> dict[str, Any]:
    return {
        "trip": trip.key, "local_offset": answers.offset_of(trip),
        "last_entry": trip.view.last_seq, "next": following,
    }  # fmt: skip


def _observations(asked: Asked) -> s.Answer:
    trip = _trip_of(asked)
    part, following = _part(list(trip.view.observations), asked.query)
    return s.ObservationsOut(
        **_head_of(trip, following), observations=tuple(map(answers.observation, part))
    )


def _observation(asked: Asked) -> s.Answer:
    trip = _trip_of(asked)
    number = asked.path["entry"]
    for one in trip.view.observations:
        if str(one.seq) == number:
            return s.OneObservationOut(
                trip=trip.key, local_offset=answers.offset_of(trip),
                observation=answers.observation(one),
            )  # fmt: skip
    raise Problem(404, f"Entry {shown(number)} is no observation of this trip.")


def _happenings(asked: Asked) -> s.Answer:
    trip = _trip_of(asked)
    part, following = _part(list(trip.view.happenings), asked.query)
    return s.HappeningsOut(
        **_head_of(trip, following), happenings=tuple(map(answers.happening, part))
    )


def _conditions(asked: Asked) -> s.Answer:
    trip, query = _trip_of(asked), asked.query
    look = _look(asked, trip)
    now, why = answers.conditions_now(trip, look)
    as_of = look.as_of if now is not None else None
    wanted = [one for one in trip.view.noticed if one.seq > query.after]
    part = wanted[: query.limit]
    following = part[-1].seq if len(wanted) > len(part) else None
    unknown = {"now": why, "as_of_utc": why} if why else {}
    return s.ConditionsOut(
        **_head_of(trip, following), now=now, as_of_utc=as_of,
        named=tuple(map(answers.named, part)), unknown=unknown, cautions=answers.with_watch(),
    )  # fmt: skip


def _handover(asked: Asked) -> s.Answer:
    trip = _trip_of(asked)
    look = _look(asked, trip)
    return answers.handover(trip, handover_of(trip, look, asked.service.record.head(), ""))


# --- writing ------------------------------------------------------------------------------------


def _observe(asked: Asked) -> s.Answer:
    """Write an observation: the same questions as on the page, every fault at once."""
    trip = _trip_of(asked)
    faults = list(asked.faults)
    known = asked.service.entry_of_form(trip.key, asked.key) if asked.key else None
    if not faults and known is not None and known.kind == "observation":
        return _save(asked, trip, asked.body, known)
    stands = list(_against(asked, trip))
    if faults:
        raise Problem(422, "Nothing was saved.", [*faults, *stands])
    if stands:
        raise Problem(409, "Nothing was saved.", stands)
    return _save(asked, trip, asked.body, None)


def _place(name: object) -> str:
    """Say where a value of the body stands, as its schema's faults do."""
    return f"body.values.{shown(str(name))}"


def _given(asked: Asked) -> tuple[dict[str, float | str], datetime | None, tuple[str, ...]]:
    """Return values, time and what is confirmed, as far as each alone fits its schema."""
    if asked.body is not None:
        return _values_of(asked.body), asked.body.at, asked.body.confirmed
    raw = asked.raw if isinstance(asked.raw, Mapping) else {}
    bad = {fault.where for fault in asked.faults}
    given = raw.get("values")
    values: dict[str, float | str] = {
        str(name): value if isinstance(value, str) else float(value)
        for name, value in (given.items() if isinstance(given, Mapping) else ())
        if _place(name) not in bad and isinstance(value, str | float | int)
    }
    confirmed = raw.get("confirmed")
    names = tuple(map(str, confirmed)) if isinstance(confirmed, list) else ()
    return values, s.moment_in(raw.get("at")), names


def _values_of(body: Any) -> dict[str, float | str]:
    """Return what was given; a text of nothing but spaces is nothing, as on the page."""
    found = body.values.model_dump(exclude_unset=True)
    texts = {name: text.strip() for name, text in found.items() if isinstance(text, str)}
    return {name: texts.get(name, value) for name, value in found.items() if texts.get(name, "x")}


def _against(asked: Asked, trip: Trip) -> list[Fault]:
    """Tell what the trip as it stands has against an observation."""
    values, at, confirmed = _given(asked)
    found: list[Fault] = []
    if trip.case is None:
        text = "the plan cannot be read by this version of warmhold"
        found.append(Fault(where="path.trip", found=trip.key, allowed=text, todo=trip.problem))
        return found
    if trip.view.start is None:
        found.append(
            Fault(
                where="path.trip", found="the baby has not gone in yet",
                allowed="a trip that has started",
                todo="what is read before leaving belongs on the list before leaving, on its page",
            )
        )  # fmt: skip
    found += _time_faults(trip, at)
    if asked.body is not None and not values:
        found.append(
            Fault(where="body.values", found="nothing but spaces", allowed="at least one value",
                  todo="fill in at least one")
        )  # fmt: skip
    names, wrong = entered(trip), {fault.where for fault in asked.faults}
    for name in values:
        if name not in names and name not in WORDS and _place(name) not in wrong:
            found.append(
                Fault(
                    where=_place(name), found=shown(name),
                    allowed=", ".join((*names, *WORDS)), todo="name a cylinder of this trip",
                )
            )  # fmt: skip
    for name, why in _doubts(asked, trip, values).items():
        if name not in confirmed:
            found.append(
                Fault(
                    where=_place(name), found=why,
                    allowed="a value that is not hard to believe, or one that was confirmed",
                    todo="ask the person who read it; if it was so, name it in confirmed and send "
                    "it again: it is kept as it came, with this as its flag",
                )
            )  # fmt: skip
    return found


def _time_faults(trip: Trip, at: datetime | None) -> list[Fault]:
    if at is None:
        return []
    allowed = f"from the moment the baby went in to {FUTURE_MIN:.0f} minutes from now"
    try:
        moment = at.astimezone(UTC)
    except OverflowError:
        moment = None
    start = trip.view.start
    todo = ""
    if moment is None:
        todo = "that is out of range"
    elif moment - trip.now > timedelta(minutes=FUTURE_MIN):
        todo = "that time is still to come: see the clock that stated it"
    elif start is not None and moment < start.replace(second=0, microsecond=0):
        todo = f"the baby went in at {start.astimezone(trip.zone).isoformat(timespec='minutes')}"
    found = [Fault(where="body.at", found=at.isoformat(), allowed=allowed, todo=todo)]
    return found if todo else []


def _doubts(asked: Asked, trip: Trip, values: Mapping[str, float | str]) -> dict[str, str]:
    """Return the question that the page would ask about each value that is hard to believe."""
    look = asked.service.look(trip)
    present = look.present if look is not None else None
    known, read = entered(trip), readings_of(trip.view)
    found = {}
    for name, value in values.items():
        if isinstance(value, str) or name not in known or not math.isfinite(value):
            continue
        last = read.get(name)
        age = None if last is None else (trip.now - last.when).total_seconds() / 60
        why = question(known[name], value, last, age, expected_of(present, name))
        if why:
            found[name] = why
    return found


def _save(asked: Asked, trip: Trip, given: Any, known: Event | None) -> s.Answer:
    """Write it down, and answer out of the entry itself."""
    values = _values_of(given)
    if known is not None:  # a repeat is not asked about again
        flags = dict(known.body.get("flags", {}))
    else:
        doubts = _doubts(asked, trip, values)
        flags = {name: why for name, why in doubts.items() if name in given.confirmed}
    body: dict[str, Any] = {"values": values, "set": given.set}
    if flags:
        body["flags"] = flags
    if not asked.still():
        raise Problem(401, "The token was removed or its time is over. Nothing was saved.")
    try:
        asked.service.write(asked.user, asked.key, trip.key, "observation", body, given.at)
    except NotSaved as error:
        raise _taken(asked, trip) or error from error
    event = asked.service.entry_of_form(trip.key, asked.key)
    if event is None:
        raise NotSaved("The entry was saved and cannot be read back.", "Look at the trip.")
    return answers.saved(trip, event)


def _taken(asked: Asked, trip: Trip) -> Problem | None:
    """Tell whether an entry was refused because its key stands for another one."""
    for event in _read(asked.service.record.events):
        if event.form_id == asked.key:
            where = "this trip" if event.trip == trip.key else "another trip or unit"
            return Problem(
                409, "Nothing was saved.",
                [
                    Fault(
                        where=f"header.{KEY_HEADER}", found=shown(asked.key),
                        allowed="a key of its own for each entry, and the same content on a repeat",
                        todo=f"entry {event.seq} of {where} was saved with this key and other "
                        "content, or by someone else: look at it, then take a new key",
                    )
                ],
            )  # fmt: skip
    return None


# --- units --------------------------------------------------------------------------------------


def _units(asked: Asked) -> s.Answer:
    fleet = fleet_of(asked.service)
    return s.UnitsOut(
        as_of_utc=fleet.now, rounds=fleet.rounds.name, problem=fleet.problem,
        units=tuple(map(answers.unit_line, fleet.units)),
    )  # fmt: skip


def _unit(asked: Asked) -> s.Answer:
    fleet = fleet_of(asked.service)
    one = fleet.unit(asked.path["unit"])
    if one is None:
        raise Problem(404, f"There is no unit {shown(asked.path['unit'])} here.")
    return s.UnitOut(as_of_utc=fleet.now, unit=answers.unit_line(one), due=tuple(answers.due(one)))


def _rounds(asked: Asked) -> s.Answer:
    fleet = fleet_of(asked.service)
    wanted = asked.query.standing
    found = [one for one in answers.all_due(fleet) if wanted in (None, one.standing)]
    return s.RoundsOut(as_of_utc=fleet.now, rounds=fleet.rounds.name, due=tuple(found))


# --- review and codes ---------------------------------------------------------------------------


def _review(asked: Asked) -> s.Answer:
    from warmhold.review.gathered import review  # noqa: PLC0415

    first, last = asked.query.first or "", asked.query.last or ""
    if first and last and first > last:
        fault = Fault(
            where="query.to", found=last, allowed=f"a month from {first} on",
            todo="the last month has to be the first or a later one",
        )  # fmt: skip
        raise Problem(422, "", [fault])
    head = asked.service.record.head()
    every = asked.service.from_whole_record("transfers", transfers)
    kept = [
        one
        for one in every
        if not (first or last) or (one.month is not None and first <= one.month <= (last or "9999"))
    ]
    made = review(kept, "This record")
    return s.ReviewOut.model_validate(
        {
            "from": first, "to": last, "transfers": len(kept),
            "undated": sum(one.month is None for one in every),
            "groups": tuple(
                s.FiguresOut(title=one.title, figures=tuple(map(answers.figure, one.metrics)))
                for one in made.groups
            ),
            "strata": tuple(
                s.StratumOut(
                    title=one.title, transfers=one.transfers,
                    figures=tuple(map(answers.figure, one.metrics)),
                )
                for one in made.strata
            ),
            "last_entry": head[0], "fingerprint": head[1],
        }
    )  # fmt: skip


def _codes(_asked: Asked) -> s.Answer:
    return s.CodesOut(codes=tuple(map(answers.code, codes().values())))


# --- all of them --------------------------------------------------------------------------------

PATHS: Final[Mapping[str, tuple[str, str]]] = {
    "trip": (r"^[^/]+$", "key of a trip, as the list gives it"),
    "entry": (r"^[1-9][0-9]{0,14}$", "number of an entry in the record"),
    "unit": (r"^[^/]+$", "key of a unit, as the list gives it"),
}

OPERATIONS: Final[tuple[Operation, ...]] = (
    Operation(
        "record", "GET", "/record", "The record as it stands",
        "Number and hash of its last entry. A hash that was printed before shows whether what "
        "came before it is still the same.",
        s.RecordOut, _record,
    ),
    Operation(
        "verification", "GET", "/record/verification", "Check the whole record",
        "Every entry against the chain of hashes, as it is on the disk; made once a minute at "
        "most.",
        s.VerificationOut, _verified,
    ),
    Operation(
        "trips", "GET", "/trips", "Every trip in short",
        "In the order of their first entries. A trip that begins while pages are read comes at "
        "the end.",
        s.TripsOut, _trips, query=s.TripsIn,
    ),
    Operation(
        "trip", "GET", "/trips/{trip}", "One trip",
        "The plan with its margins as it was made, what was read last, and what the watch takes "
        "to be left now. A trip that was not looked at for a while takes some seconds.",
        s.TripOut, _trip, problems=(404,),
    ),
    Operation(
        "observations", "GET", "/trips/{trip}/observations", "What was read",
        "In the order in which it was written, each as it stands after its corrections. What is "
        "written while pages are read comes at the end; `changed_after` gives what came since.",
        s.ObservationsOut, _observations, query=s.EntriesIn, problems=(404,),
    ),
    Operation(
        "observe", "POST", "/trips/{trip}/observations", "Write down what a person read",
        "The same questions as on the pages. It is on the disk when the answer comes. Send the "
        "same again with the same key when no answer came: it is kept once, and the answer is "
        "the same. Values that a machine read do not belong here: see `warmhold exchange listen`.",
        s.SavedOut, _observe, role="chart", body=s.NewObservation, status=201,
        problems=(400, 404, 409, 413, 415),
    ),
    Operation(
        "observation", "GET", "/trips/{trip}/observations/{entry}", "One observation",
        "As it stands after its corrections.",
        s.OneObservationOut, _observation, problems=(404,),
    ),
    Operation(
        "happenings", "GET", "/trips/{trip}/happenings", "What happened",
        "In the order in which it was written.",
        s.HappeningsOut, _happenings, query=s.EntriesIn, problems=(404,),
    ),
    Operation(
        "conditions", "GET", "/trips/{trip}/conditions", "What the watch named",
        "Now, and before. Not an alarm, and never to be used as one.",
        s.ConditionsOut, _conditions, query=s.PageIn, problems=(404,),
    ),
    Operation(
        "handover", "GET", "/trips/{trip}/handover", "What the next team is told",
        "The handover page as data, as far as it is known.",
        s.HandoverOut, _handover, problems=(404,),
    ),
    Operation(
        "units", "GET", "/units", "Every unit and what it is ready for",
        "With the reasons why not. What is not on record is unknown, and unknown is not ready.",
        s.UnitsOut, _units,
    ),
    Operation(
        "unit", "GET", "/units/{unit}", "One unit, with what falls due", "As on its page.",
        s.UnitOut, _unit, problems=(404,),
    ),
    Operation(
        "rounds", "GET", "/rounds", "Rounds and tasks that are due",
        "Of every unit, what is overdue or was never done first.",
        s.RoundsOut, _rounds, query=s.RoundsIn,
    ),
    Operation(
        "review", "GET", "/review", "What the trips of a span tell",
        "Every figure with its numerator, its denominator, what does not belong and what could "
        "not be counted.",
        s.ReviewOut, _review, role="lead", query=s.ReviewIn,
    ),
    Operation(
        "codes", "GET", "/codes", "Quantities and their codes",
        "In LOINC, MDC and UCUM where there is one, each with how far it was verified, and a "
        "local code for all.",
        s.CodesOut, _codes,
    ),
)  # fmt: skip
