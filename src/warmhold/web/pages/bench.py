"""Bench tests of a unit from a log: sent, mapped once, judged as a job, kept as a report."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.bench.limits import LimitSet, WrongKind
from warmhold.bench.reading import Entered, Mapped, Reading, parse_entered
from warmhold.bench.reading.units import BENCH
from warmhold.bench.trials import TRIALS, Bench, run_trials
from warmhold.bench.uncertainty import Rule
from warmhold.model import Fault, FaultyInput
from warmhold.record import Event
from warmhold.web import bench_tests
from warmhold.web import show as show_words
from warmhold.web.access import needs, user_of
from warmhold.web.bench_tests import Offered
from warmhold.web.characterising import offer_of
from warmhold.web.fill_in import choices, filled, is_field, left_of, open_in
from warmhold.web.fleet import FleetUnit, fleet_of
from warmhold.web.jobs import Made, Progress
from warmhold.web.posted import LARGEST_FILE, Posted, posted
from warmhold.web.quantities import number_in
from warmhold.web.rendering import render
from warmhold.web.service import NotSaved
from warmhold.web.trip_pages import standing_alone

if TYPE_CHECKING:
    from warmhold.web.service import Service

FULL = {"yes": True, "no": False}
MOST_TEXT = 50_000  # characters of what was entered beside a log
CARRIED = ("form_id", "token", "mapping", "part", "kept", "kept_name")


@dataclass
class Asked:
    """What a form asked for; ``faults`` stand beside their fields."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    tests: tuple[str, ...] = ()
    faults: dict[str, str] = field(default_factory=dict)
    log_faults: tuple[Fault, ...] = ()
    trouble: NotSaved | None = None
    log: Path | None = None
    log_name: str = ""
    limits: LimitSet | None = None
    rule: Rule = "guarded"
    entered: Entered = field(default_factory=Entered)
    from_min: float | None = None
    to_min: float | None = None
    signed: str = ""

    # what the template for a field of the fleet's pages asks for
    part: str = "bench"


def routes(service: Service) -> list[Route]:
    """Return the routes of the bench tests."""

    def show(request: Request) -> Response:
        unit = _of(request)
        asked = Asked(part="", typed={"kept": request.query_params.get("log", "")})
        return _form(request, unit, asked)

    def send(request: Request) -> Response:
        unit = _of(request)
        form = posted(request)
        asked = Asked(form.form_id, dict(form), form.all("test"))
        done = _done(unit, form.form_id)
        if done is not None:
            return done
        _read_form(asked, form, unit)
        if asked.trouble is not None:
            return _form(request, unit, asked, 503)
        if asked.faults or asked.log is None or asked.limits is None:
            return _form(request, unit, asked, 422)
        try:
            mapped, reading = _reading(asked, form, unit, asked.log)
        except FaultyInput as error:
            asked.log_faults = error.faults
            return _mapping(request, unit, asked, form, 422)
        if reading is None or mapped is None:
            return _mapping(request, unit, asked, form)
        bench = Bench(
            reading.log, asked.limits, reading.instruments, asked.entered, unit.profile,
            asked.rule, asked.from_min, asked.to_min,
        )  # fmt: skip
        user, now = user_of(request), datetime.now(UTC)
        typed = _typed_mapping(form)
        if typed is not None:
            try:
                bench_tests.keep_mapping(service.folder, unit.key, mapped, typed, asked.log, now)
            except OSError as error:
                asked.trouble = _not_kept("mapping", error)
                return _mapping(request, unit, asked, form, 503)

        try:
            names = bench_tests.chosen_tests(bench, asked.tests)
        except ValueError as error:
            asked.faults["test"] = str(error)
            return _form(request, unit, asked, 422)

        def work(tell: Progress) -> str:
            tell("judging the tests", 0.2)
            results = run_trials(bench, names)
            tell("writing the report", 0.7)
            try:
                bench_tests.keep_report(service.folder, asked.form_id, results)
            except OSError as error:
                raise _not_kept("report", error) from error
            log = (reading.log.name, reading.log.fingerprint)
            profile = "" if unit.profile is None else unit.profile.name
            body = bench_tests.body_of(unit.key, results, log, asked.signed, profile)
            at = bench_tests.ended_at(reading)
            receipt = service.write(user, asked.form_id, "", "bench-test", body, at)
            return f"/fleet/{unit.key}?saved={receipt.seq}#bench"

        made = Made(
            "report of the bench tests", "the result then stands on the unit's page",
            f"/fleet/{unit.key}/bench", "Back to the bench tests",
        )  # fmt: skip
        job = service.jobs.start(asked.form_id, f"Bench tests of {unit.name}", work, made)
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def report(request: Request) -> Response:
        unit, form_id = request.path_params["unit"], request.path_params["id"]
        offer = offer_of(service.folder, form_id)
        mine = any(one.form_id == form_id for one in tests_of(service, unit))
        text = bench_tests.report_page(service.folder, form_id)
        if text is None or not (mine or (offer is not None and offer.unit == unit)):
            raise HTTPException(404)
        address, word = f"/fleet/{unit}#bench", "Back to the unit"
        if not mine:
            address, word = f"/fleet/{unit}/version/{form_id}", "Back to what it offers"
        way = f'<p class="way-back"><a href="{address}">{word}</a></p>'
        return standing_alone(text.replace('<main id="main">', f'<main id="main">{way}', 1))

    # --- inside ---------------------------------------------------------------------------------

    def _of(request: Request) -> FleetUnit:
        unit = fleet_of(service).unit(request.path_params["unit"])
        if unit is None:
            raise HTTPException(404)
        return unit

    def _done(unit: FleetUnit, form_id: str) -> Response | None:
        """Go to the result of a form that was sent before."""
        for one in tests_of(service, unit.key):
            if one.form_id == form_id:
                return RedirectResponse(f"/fleet/{unit.key}?saved={one.seq}#bench", 303)
        job = service.jobs.get(form_id)
        if job is None or job.state == "failed":
            return None
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def _read_form(asked: Asked, form: Posted, unit: FleetUnit) -> None:
        _keep(asked, form, unit.key)
        try:
            asked.limits = bench_tests.limits_named(service.folder, form.text("limits", 100))
        except KeyError:
            asked.faults["limits"] = "Choose a set of limits."
        except WrongKind as error:
            asked.faults["limits"] = f"{str(error).capitalize()}."
        except FaultyInput as error:
            asked.faults["limits"] = f"This set has faults. {error}"
        asked.rule = "simple" if form.text("accept") == "simple" else "guarded"
        odd = [name for name in asked.tests if name not in TRIALS]
        if odd:
            asked.faults["test"] = "Choose tests of the list."
        asked.from_min = _minutes(asked, form, "from_min")
        asked.to_min = _minutes(asked, form, "to_min")
        if None not in {asked.from_min, asked.to_min} and asked.from_min >= asked.to_min:  # type: ignore[operator]
            asked.faults["to_min"] = "It has to end after it begins."
        asked.signed = form.text("signed", 100)
        if len(asked.signed) < 2:
            asked.faults["signed"] = "Write your name: a bench test is signed."
        asked.entered = _entered(asked, form)

    def _keep(asked: Asked, form: Posted, unit: str) -> None:
        """Keep the log that was sent, or find the one that was chosen."""
        kept = form.text("kept", 16)
        if form.file is not None:
            if not form.file.content.strip():
                asked.faults["log"] = f"{form.file.name} is empty."
                return
            try:
                asked.log = bench_tests.keep_log(service.folder, form.file.content)
            except OSError as error:
                asked.trouble = _not_kept("log", error)
                return
            asked.log_name = form.file.name
        elif kept:
            asked.log = bench_tests.kept_log(service.folder, kept)
            if asked.log is None:
                asked.faults["log"] = "That log is not kept here: send it again."
                return
            asked.log_name = _name_on_record(kept) or form.text("kept_name", 100) or f"{kept}.csv"
        else:
            asked.faults["log"] = "Choose the file of the log."
        other = "" if asked.log is None else _unit_on_record(asked.log.stem)
        if other not in {"", unit} and form.text("other_unit") != "yes":
            asked.faults["other_unit"] = f"This very file is on record as a log of {other}."

    def _unit_on_record(key: str) -> str:
        """Return the unit whose bench test a log is on record for; empty for none."""
        found = service.from_whole_record("bench tests", _on_record)
        return next(
            (unit for unit, entries in found.items() for one in entries if one.key == key), ""
        )

    def _name_on_record(key: str) -> str:
        """Return the name that a log came with, if a bench test of it is on record."""
        found = service.from_whole_record("bench tests", _on_record)
        return next(
            (one.log for entries in found.values() for one in entries if one.key == key), ""
        )

    def _reading(
        asked: Asked, form: Posted, unit: FleetUnit, log: Path
    ) -> tuple[Mapped | None, Reading | None]:
        """Read the log by the mapping that was typed, or is remembered; nothing without one.

        Raises ``FaultyInput``.
        """
        typed = _typed_mapping(form)
        if typed is not None:
            mapped: Mapped | None = bench_tests.checked_mapping(typed)
        else:
            mapped = bench_tests.mapping_of(service.folder, log, unit.key, unit.name)
            if mapped is not None and form.text("look_first"):
                return mapped, None
        if mapped is None:
            return None, None
        now = datetime.now(UTC)
        return mapped, bench_tests.read_kept(log, mapped, unit.name, asked.log_name, now)

    def _mapping(
        request: Request, unit: FleetUnit, asked: Asked, form: Posted, status: int = 200
    ) -> Response:
        """Show the mapping to be read and mended."""
        assert asked.log is not None
        text = _typed_mapping(form)
        offered = Offered("", ())
        try:
            offered = bench_tests.offered_mapping(
                service.folder, asked.log, asked.log_name, unit.name
            )
        except FaultyInput as error:
            asked.log_faults = asked.log_faults or error.faults
        carried = [
            pair
            for pair in form.pairs
            if pair[0] not in (*CARRIED, "look_first") and not is_field(pair[0])
        ]
        text = offered.text if text is None else text
        holds, units = choices(BENCH)
        return render(
            request, "bench_mapping.html", status, unit=unit, asked=asked, offered=offered,
            text=text, carried=carried, open=open_in(text, offered.left or left_of(form), BENCH),
            holds=holds, units=units,
        )  # fmt: skip

    def _form(
        request: Request, unit: FleetUnit, asked: Asked, status: int = 200
    ) -> Response:  # fmt: skip
        kept: dict[str, str] = {}
        if asked.log is not None:
            kept[asked.log.stem] = asked.log_name
        for one in reversed(tests_of(service, unit.key)):
            if bench_tests.kept_log(service.folder, one.key) is not None:
                kept.setdefault(one.key, f"{one.log}, {show_words.day_and_minute(one.at)}")
        chosen = asked.log.stem if asked.log is not None else asked.typed.get("kept", "")
        return render(
            request, "bench_form.html", status, unit=unit, again=asked, asked=asked, kept=kept,
            chosen=chosen, sets=bench_tests.limit_sets(service.folder), trials=TRIALS,
            largest=LARGEST_FILE // 1_000_000,
        )  # fmt: skip

    lead = needs("lead")
    return [
        Route("/fleet/{unit}/bench", lead(show), methods=["GET"]),
        Route("/fleet/{unit}/bench", lead(send), methods=["POST"]),
        Route("/fleet/{unit}/report/{id}", report, methods=["GET"]),
    ]


def tests_of(service: Service, unit: str) -> tuple[bench_tests.Entered, ...]:
    """Return the bench tests of a unit that are on record, the oldest first.

    Raises ``NotSaved`` when the record cannot be read.
    """
    return service.from_whole_record("bench tests", _on_record).get(unit, ())


def _on_record(events: list[Event]) -> dict[str, tuple[bench_tests.Entered, ...]]:
    return bench_tests.on_record(events)


def _not_kept(what: str, error: OSError) -> NotSaved:
    why = error.strerror or str(error)
    return NotSaved(f"The {what} could not be kept: {why}.", "Look after the disk, then try again.")


def _typed_mapping(form: Posted) -> str | None:
    """Return the mapping as it was typed and chosen; ``None`` when the form is not that one."""
    if form.text("part") != "mapping":
        return None
    return filled(form.get("mapping", ""), form, left_of(form), BENCH)


def _minutes(asked: Asked, form: Posted, name: str) -> float | None:
    return _number(asked, form, name, 0.0, 1e6, "min")


def _number(
    asked: Asked, form: Posted, name: str, low: float, high: float, unit: str
) -> float | None:
    text = form.text(name, 20)
    if not text:
        return None
    value = number_in(text)
    if value is None or not low <= value <= high:
        asked.faults[name] = f"Write a number from {low:g} to {high:g} {unit}, or leave it empty."
        return None
    return value


def _entered(asked: Asked, form: Posted) -> Entered:
    """Join what the fields say and what the text says; both of the same is a fault."""
    text = form.get("entered", "")[:MOST_TEXT]
    raw: dict[str, Any] = {}
    if text.strip():
        try:
            parse_entered(text, "the text")
            raw = tomllib.loads(text)
        except FaultyInput as error:
            asked.faults["entered"] = str(error)
    low = _number(asked, form, "speed_low", 0.0, 15.0, "m/s")
    high = _number(asked, form, "speed_high", 0.0, 15.0, "m/s")
    if (low is None) != (high is None):
        name = "speed_low" if low is None else "speed_high"
        asked.faults.setdefault(name, "Write the lowest and the highest, or neither.")
    elif low is not None and high is not None and low > high:
        asked.faults["speed_high"] = "The highest is below the lowest."
    ended, full = form.text("ended", 20), form.text("full", 20)
    given: list[tuple[str, str, str, Any]] = [
        ("conditions", "ambient_air_speed_m_s", "speed_low",
         None if low is None or high is None else [low, high]),
        ("conditions", "mattress", "mattress", form.text("mattress", 20) or None),
        ("conditions", "hood", "hood", form.text("hood", 20) or None),
        ("stated", "warm_up_min", "warm_up_min",
         _number(asked, form, "warm_up_min", 1.0, 600.0, "min")),
        ("battery", "ended", "ended", ended if ended in {"cut-off", "stopped"} else None),
        ("battery", "fully_charged", "full", FULL.get(full)),
    ]  # fmt: skip
    for table, key, name, value in given:
        if value is None:
            continue
        if key in raw.setdefault(table, {}):
            asked.faults[name] = f"{table}.{key} stands in the text as well: keep one of the two."
        raw[table][key] = value
    raw.setdefault("by", asked.signed or "unknown")
    if asked.faults:
        return Entered()
    try:
        return parse_entered(tomli_w.dumps(raw), "what was entered")
    except FaultyInput as error:
        asked.faults["entered"] = str(error)
        return Entered()
