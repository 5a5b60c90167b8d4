"""The fleet: which units can go now and why not; a unit's own page; rounds, tasks and faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.bench.question import RANGES, Question, Reply, ask
from warmhold.bench.rounds import Answer, RoomAir, impossible, missing
from warmhold.model import Round, RoundItem
from warmhold.record import Receipt
from warmhold.web.access import needs, user_of
from warmhold.web.bench_tests import has_report
from warmhold.web.fleet import Fleet, FleetUnit, fleet_of, policy_of, round_body
from warmhold.web.jobs import Made, Progress
from warmhold.web.pages.bench import tests_of
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import number_in
from warmhold.web.rendering import render
from warmhold.web.service import NotSaved
from warmhold.web.trends import ageing_of

if TYPE_CHECKING:
    from warmhold.web.service import Service

STATE = {
    "ready": "holds", "ready with limits": "cannot tell", "unknown": "cannot tell",
    "not ready": "falls short",
}  # fmt: skip
DUE_WORD = {"fine": "in date", "soon": "soon", "overdue": "overdue", "never": "never"}
DUE = {"fine": "holds", "soon": "cannot tell", "overdue": "falls short", "never": "cannot tell"}
JUDGED = {
    "good": "holds", "care": "cannot tell", "stop": "falls short", "not judged": "cannot tell",
}  # fmt: skip
VERDICT = {"go": "holds", "not yet": "falls short", "cannot tell": "cannot tell"}
ANSWER = Made("answer", "it is kept until the server ends", "/fleet", "Fleet")
LONGEST = 500
ROOM_LABELS = {
    "pressure_hpa": "Air pressure here, not at sea level",
    "room_c": "Room",
    "humidity_percent": "Humidity of the room",
}
RUN_DOWN = "run-down"  # a bench test whose figures may be written by hand
MOST_SHOWN = 20


@dataclass
class Again:
    """A form that has to be shown once more, with what was typed."""

    part: str = ""
    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


@dataclass(frozen=True)
class Asked:
    """A question that was worked out, with its replies."""

    question: Question
    replies: tuple[Reply, ...]
    policy: str
    at: datetime


def routes(service: Service) -> list[Route]:
    """Return the routes of the fleet."""
    asked: dict[str, Asked] = {}

    def board(request: Request) -> Response:
        return _board(request, Again())

    def question(request: Request) -> Response:
        form = posted(request)
        again = Again("ask", form.form_id, dict(form))
        numbers: dict[str, float] = {}
        for name, (low, high, unit) in RANGES.items():
            value = number_in(form.text(name))
            if value is None or not low <= value <= high:
                again.faults[name] = f"Write a number from {low:g} to {high:g} {unit}."
            else:
                numbers[name] = value
        power = form.text("power")
        if power not in {"vehicle", "battery"}:
            again.faults["power"] = "Choose one."
        if again.faults:
            return _board(request, again, 422)
        wanted = Question(**numbers, power="battery" if power == "battery" else "vehicle")
        fleet, policy, now = fleet_of(service), policy_of(service.library), datetime.now(UTC)
        units = [(one.key, one.profile, one.history) for one in fleet.units]

        def work(tell: Progress) -> str:
            replies = ask(wanted, units, policy, now, progress=tell)
            asked[form.form_id] = Asked(wanted, replies, policy.name, now)
            return f"/fleet/asked/{form.form_id}"

        job = service.jobs.start(form.form_id, wanted.title, work, ANSWER)
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def answer(request: Request) -> Response:
        found = asked.get(request.path_params["key"])
        if found is None:
            raise HTTPException(404)
        fleet = fleet_of(service)
        return render(
            request, "fleet_asked.html", asked=found, fleet=fleet, VERDICT=VERDICT, STATE=STATE
        )

    def one(request: Request) -> Response:
        fleet, unit = _of(request)
        return _unit_page(request, fleet, unit, Again())

    def fault(request: Request) -> Response:
        fleet, unit = _of(request)
        form = posted(request)
        again = Again("fault", form.form_id, dict(form))
        what, effect = form.text("what", LONGEST), form.text("effect")
        if len(what) < 3:
            again.faults["what"] = "Write what is wrong."
        if effect not in {"not ready", "with limits"}:
            again.faults["effect"] = "Choose what it means for the next trip."
        body = {"unit": unit.key, "what": what, "effect": effect}
        return _save(request, fleet, unit, again, "fault", body)

    def closed(request: Request) -> Response:
        fleet, unit = _of(request)
        form = posted(request)
        again = Again(f"close-{form.text('fault', 20)}", form.form_id, dict(form))
        seq = number_in(form.text("fault", 20))
        known = [one for one in unit.history.faults if one.seq == seq]
        repeat = service.entry_of_form("", form.form_id) is not None
        if not known and not repeat:
            raise HTTPException(404)
        how = form.text("how", LONGEST)
        if len(how) < 3:
            again.faults["how"] = "Write how it was mended."
        body = {"unit": unit.key, "fault": int(seq or 0), "how": how}
        return _save(request, fleet, unit, again, "fault-closed", body)

    def task(request: Request) -> Response:
        fleet, unit = _of(request)
        form = posted(request)
        key = form.text("task", 100)
        again = Again(f"task-{key}", form.form_id, dict(form))
        wanted = next((one for one in fleet.rounds.task if one.key == key), None)
        if wanted is None:
            raise HTTPException(404)
        says, state = form.text("says", LONGEST), form.text("state")
        if state not in {"good", "stop"}:
            again.faults["state"] = "Choose: passed, or failed."
        if len(says) < 3:
            again.faults["says"] = "Write what was found, and by whom if it was not you."
        at = _day(form.text("on", 20), again, fleet.now)
        if RUN_DOWN in wanted.trials and (form.text("minutes") or form.text("share")):
            body = _run_down(form, unit, again, state, says, user_of(request).name)
            return _save(request, fleet, unit, again, "bench-test", body, at)
        body = {"unit": unit.key, "task": key, "state": state, "says": says}
        return _save(request, fleet, unit, again, "task", body, at)

    def round_form(request: Request) -> Response:
        fleet, unit = _of(request)
        return _round_page(request, fleet, unit, _round(fleet, request), Again())

    def round_done(request: Request) -> Response:
        fleet, unit = _of(request)
        wanted = _round(fleet, request)
        form = posted(request)
        again = Again("round", form.form_id, dict(form))
        answers = {item.key: _answer(item, form, again) for item in wanted.item}
        for item in wanted.item:
            value = answers[item.key].value
            if isinstance(value, float) and (why := impossible(item, value, unit.profile)):
                again.faults.setdefault(item.key, f"{why}.")
        for key, what in missing(wanted, answers).items():
            again.faults.setdefault(key, what + ".")
        signed = form.text("signed", 100)
        if len(signed) < 2:
            again.faults["signed"] = "Write your name: a round is signed."
        if again.faults:
            return _round_page(request, fleet, unit, wanted, again, 422)
        body = round_body(wanted, answers, unit, fleet.rounds, signed)
        try:
            receipt = _write(request, again.form_id, "round", body)
        except NotSaved as error:
            again.trouble = error
            return _round_page(request, fleet, unit, wanted, again, 503)
        return RedirectResponse(f"/fleet/{unit.key}?saved={receipt.seq}", 303)

    # --- inside ---------------------------------------------------------------------------------

    def _of(request: Request) -> tuple[Fleet, FleetUnit]:
        fleet = fleet_of(service)
        unit = fleet.unit(request.path_params["unit"])
        if unit is None:
            raise HTTPException(404)
        return fleet, unit

    def _round(fleet: Fleet, request: Request) -> Round:
        found = fleet.rounds.round_of(request.path_params["round"])
        if found is None:
            raise HTTPException(404)
        return found

    def _write(
        request: Request, form_id: str, kind: str, body: Mapping[str, Any],
        at: datetime | None = None,
    ) -> Receipt:  # fmt: skip
        return service.write(user_of(request), form_id, "", kind, body, at)

    def _save(
        request: Request, fleet: Fleet, unit: FleetUnit, again: Again, kind: str,
        body: Mapping[str, Any], at: datetime | None = None,
    ) -> Response:  # fmt: skip
        if again.faults:
            return _unit_page(request, fleet, unit, again, 422)
        try:
            receipt = _write(request, again.form_id, kind, body, at)
        except NotSaved as error:
            again.trouble = error
            return _unit_page(request, fleet, unit, again, 503)
        return RedirectResponse(f"/fleet/{unit.key}?saved={receipt.seq}", 303)

    def _board(request: Request, again: Again, status: int = 200) -> Response:
        return render(
            request, "fleet.html", status, fleet=fleet_of(service), again=again, STATE=STATE,
            DUE=DUE, DUE_WORD=DUE_WORD, ranges=RANGES,
        )  # fmt: skip

    def _unit_page(
        request: Request, fleet: Fleet, unit: FleetUnit, again: Again, status: int = 200
    ) -> Response:
        tests = tests_of(service, unit.key)
        shown = tests[::-1]
        return render(
            request, "fleet_unit.html", status, fleet=fleet, unit=unit, again=again, STATE=STATE,
            DUE=DUE, DUE_WORD=DUE_WORD, JUDGED=JUDGED, most=MOST_SHOWN,
            saved=request.query_params.get("saved", ""),
            tests=shown, ageing=ageing_of(unit.history, tests, fleet.rounds),
            reports={
                one.form_id for one in shown[:MOST_SHOWN]
                if has_report(service.folder, one.form_id)
            },
        )  # fmt: skip

    def _round_page(
        request: Request, fleet: Fleet, unit: FleetUnit, wanted: Round, again: Again,
        status: int = 200,
    ) -> Response:  # fmt: skip
        return render(
            request,
            "fleet_round.html",
            status,
            fleet=fleet,
            unit=unit,
            round=wanted,
            again=again,
            room_labels=ROOM_LABELS,
        )

    lead = needs("lead")
    return [
        Route("/fleet", board, methods=["GET"]),
        Route("/fleet/ask", question, methods=["POST"]),
        Route("/fleet/asked/{key}", answer, methods=["GET"]),
        Route("/fleet/{unit}", one, methods=["GET"]),
        Route("/fleet/{unit}/fault", fault, methods=["POST"]),
        Route("/fleet/{unit}/closed", lead(closed), methods=["POST"]),
        Route("/fleet/{unit}/task", lead(task), methods=["POST"]),
        Route("/fleet/{unit}/round/{round}", round_form, methods=["GET"]),
        Route("/fleet/{unit}/round/{round}", round_done, methods=["POST"]),
    ]


def _run_down(
    form: Posted, unit: FleetUnit, again: Again, state: str, says: str, signed: str
) -> dict[str, Any]:
    """Read a run-down that was done by hand: minutes, and the share of a new battery's energy."""
    figures = []
    for name, key, what, most in (
        ("minutes", "battery_min", "min", 2000.0), ("share", "battery_share_percent", "%", 120.0),
    ):  # fmt: skip
        value = number_in(form.text(name, 20))
        if value is None or not 0.0 < value <= most:
            again.faults[name] = f"Write a number above 0, up to {most:g} {what}."
        else:
            figures.append({"key": key, "value": value, "unit": what, "bound": ""})
    verdict = "pass" if state == "good" else "fail"
    result = {
        "test": RUN_DOWN, "verdict": verdict, "reason": f"by hand: {says}",
        "measured": figures[:1], "figures": figures[1:],
    }  # fmt: skip
    return {"unit": unit.key, "results": [result], "log": "written by hand", "signed": signed}


def _day(given: str, again: Again, now: datetime) -> datetime | None:
    """Read the day on which a task was done; ``None``: now."""
    if not given:
        return None
    try:
        day = datetime.strptime(given, "%Y-%m-%d").replace(hour=12, tzinfo=UTC)
    except ValueError:
        again.faults["on"] = "Write the day as 2026-01-14."
        return None
    if day - timedelta(days=1) > now or now - day > timedelta(days=4000):
        again.faults["on"] = "That day is still to come, or too long ago."
        return None
    return min(day, now)


def _answer(item: RoundItem, form: Posted, again: Again) -> Answer:
    """Read one answer of a round; what cannot be read becomes a fault."""
    reason = form.text(f"reason:{item.key}", LONGEST)
    if item.answer == "seen":
        given = form.text(f"value:{item.key}")
        return Answer({"seen": True, "bad": False}.get(given), reason)
    text = form.text(f"value:{item.key}", 20)
    value = number_in(text)
    if text and value is None:
        wanted = f"write the reading in {item.unit}" if item.unit else "write the reading"
        again.faults[item.key] = f"{item.title}: “{text}” is not a number; {wanted}."
    air = RoomAir()
    if item.answer == "room-air":
        air = _room(form, again)
    return Answer(value, reason, air)


def _room(form: Posted, again: Again) -> RoomAir:
    given: dict[str, float | None] = {}
    for name, label in ROOM_LABELS.items():
        text = form.text(f"room:{name}", 20)
        given[name] = number_in(text)
        if text and given[name] is None:
            again.faults[f"room:{name}"] = f"{label}: “{text}” is not a number."
    air = RoomAir(**given)
    again.faults |= {
        f"room:{name}": f"{ROOM_LABELS[name]}: {what}." for name, what in air.faults().items()
    }
    return air
