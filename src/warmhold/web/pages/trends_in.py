"""Trends in: a file of a monitor or logger is sent, looked at, confirmed, and then one entry."""

from __future__ import annotations

import logging
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.bench.reading import Proposal
from warmhold.exchange.trends.mapping import AnyMapped, parse_mapping, stated
from warmhold.exchange.trends.onto_trip import (
    Preview,
    Stated,
    keep_mapping,
    mappings_in,
    preview,
)
from warmhold.exchange.trends.reading import File, propose_mapping, read_trend, remembered
from warmhold.exchange.trends.vocabulary import quantities
from warmhold.model import Fault, FaultyInput
from warmhold.record.views import Shown, corrected
from warmhold.web import trend_files
from warmhold.web.access import needs, user_of
from warmhold.web.fill_in import choices, filled, left_of, open_in
from warmhold.web.posted import LARGEST_FILE, Posted, posted
from warmhold.web.quantities import number_in
from warmhold.web.rendering import render
from warmhold.web.service import NoSuchTrip, NotSaved, Service, Trip

if TYPE_CHECKING:
    from collections.abc import Sequence

log = logging.getLogger("warmhold.web")
ADDRESS = "/exchange/trends"
MOST_TRIPS = 60
TYPED_PARTS = ("mapping", "confirm", "back")  # of a form that holds a mapping's text
TYPED = ("trip", "zone", "start", "source", "every", "sheet")


@dataclass
class Asked:
    """What a form asked for; ``faults`` stand beside their fields."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    file_faults: tuple[Fault, ...] = ()
    trouble: NotSaved | None = None
    file: File | None = None
    key: str = ""
    trip: Trip | None = None
    said: Stated = field(default_factory=Stated)


@dataclass(frozen=True)
class There:
    """One imported trend that is on record."""

    shown: Shown
    trip: Trip


def routes(service: Service) -> list[Route]:
    """Return the routes of trends that come in."""

    @needs("chart")
    def first(request: Request) -> Response:
        return _form(request, Asked(typed={"trip": request.query_params.get("trip", "")}))

    @needs("chart")
    def send(request: Request) -> Response:
        form = _with_what_was_chosen(posted(request))
        asked = Asked(form.form_id, dict(form))
        _read_form(asked, form)
        if asked.trouble is not None:
            return _form(request, asked, 503)
        if asked.faults or asked.file is None or asked.trip is None:
            return _form(request, asked, 422)
        if form.text("part") == "back":
            return _mapping_page(request, asked, form)
        try:
            own = _mapping(asked, form)
        except FaultyInput as error:
            asked.file_faults = error.faults
            return _mapping_page(request, asked, form, 422)
        if own is None:
            return _mapping_page(request, asked, form)
        try:
            mapped = stated(own, asked.said.zone, asked.said.start, asked.said.source)
            trend = read_trend(asked.file, mapped)
            found = preview(
                trend, mapped, asked.said, asked.trip.events, asked.trip.now.astimezone(UTC)
            )
        except FaultyInput as error:
            asked.file_faults = error.faults
            return _mapping_page(request, asked, form, 422)
        if found.receipt is not None:
            trend_files.forget(asked.file)
            return _go_on(asked.trip, found.receipt.seq)
        if form.text("part") != "confirm" or form.text("confirmed") != "yes":
            if form.text("part") == "confirm":
                asked.faults["confirmed"] = "Look at it, then say that it is right."
            status = 422 if asked.faults else 200
            return _preview_page(request, asked, form, found, own, status)
        return _save(request, asked, form, found, own)

    @needs("chart")
    def strike(request: Request) -> Response:
        form = posted(request)
        key, seq = form.text("trip", 100), form.text("seq", 9)
        asked = Asked(form.form_id, {"trip": key})
        there = next(
            (one for one in _there(key) if str(one.shown.seq) == seq and not one.shown.struck), None
        )
        if there is None:
            asked.faults["seq"] = "That trend is not on record, or was struck out before."
            return _form(request, asked, 422)
        body = {"corrects": there.shown.seq, "body": None}
        try:
            receipt = service.write(user_of(request), form.form_id, key, "correction", body)
        except NotSaved as trouble:
            asked.trouble = trouble
            return _form(request, asked, 503)
        return _go_on(there.trip, receipt.seq)

    # --- inside ---------------------------------------------------------------------------------

    def _read_form(asked: Asked, form: Posted) -> None:
        try:
            asked.trip = service.trip(form.text("trip", 100))
        except NoSuchTrip:
            asked.faults["trip"] = "Choose the trip that this goes to."
        _keep(asked, form)
        start = _moment(asked, form)
        every = _every(asked, form)
        zone, source = form.text("zone", 60) or None, form.text("source", 150) or None
        asked.said = Stated(zone, start, source, every)

    def _keep(asked: Asked, form: Posted) -> None:
        if form.file is not None:
            if not form.file.content.strip():
                asked.faults["file"] = f"{form.file.name} is empty."
                return
            try:
                asked.key, asked.file = trend_files.keep(
                    service.folder, form.file.name, form.file.content
                )
            except FaultyInput as error:
                asked.faults["file"] = "; ".join(
                    f"{one.found}: {one.allowed}; {one.todo}" for one in error.faults
                )
            except OSError as error:
                why = error.strerror or str(error)
                asked.trouble = NotSaved(f"The file could not be kept: {why}.", "Look at the disk.")
        elif form.text("key", 40):
            asked.key = form.text("key", 40)
            asked.file = trend_files.kept(service.folder, asked.key, form.text("name", 100))
            if asked.file is None:
                asked.faults["file"] = "That file is no longer kept: send it again."
        else:
            asked.faults["file"] = "Choose the file."

    def _mapping(asked: Asked, form: Posted) -> AnyMapped | None:
        """Read the mapping that was typed, or is remembered; nothing without one.

        Raises ``FaultyInput``.
        """
        assert asked.file is not None
        if form.text("part") in TYPED_PARTS:
            return parse_mapping(form.get("mapping", ""), "the mapping", asked.file.of_signals)
        found = remembered(asked.file, mappings_in(service.folder))
        return None if found is None or form.text("look_first") else found

    def _save(
        request: Request, asked: Asked, form: Posted, found: Preview, own: AnyMapped
    ) -> Response:
        assert asked.file is not None
        assert asked.trip is not None
        entry = found.entry(user_of(request).who)
        try:
            receipt = service.write(
                user_of(request), entry.form_id, entry.trip, entry.kind, entry.body,
                entry.stated_utc,
            )  # fmt: skip
        except NotSaved as trouble:
            asked.trouble = trouble
            return _preview_page(request, asked, form, found, own, 503)
        try:
            keep_mapping(
                service.folder, asked.file, own, form.get("mapping", ""), datetime.now(UTC)
            )
        except (OSError, FaultyInput) as error:  # the trend itself is saved
            log.warning("the mapping of a trend was not remembered: %s", error)
        trend_files.forget(asked.file)
        return _go_on(asked.trip, receipt.seq)

    def _go_on(trip: Trip, seq: int) -> Response:
        return RedirectResponse(f"{ADDRESS}?trip={trip.key}&saved={seq}", 303)

    def _there(key: str) -> list[There]:
        try:
            trip = service.trip(key) if key else None
        except NoSuchTrip:
            return []
        if trip is None:
            return []
        found = [one for one in corrected(trip.events) if one.event.kind == "trend"]
        return [There(one, trip) for one in found]

    def _form(request: Request, asked: Asked, status: int = 200) -> Response:
        started = [one for one in service.trips() if one.view.start is not None][:MOST_TRIPS]
        key = asked.typed.get("trip", "")
        there = _there(key)
        seq = request.query_params.get("saved", "")
        saved = None
        if there and seq.isdigit():
            events = there[0].trip.events
            saved = next((one for one in events if str(one.seq) == seq), None)
        return render(
            request, "trends_in.html", status, asked=asked, trips=started, there=there, saved=saved,
            ends=", ".join(trend_files.ALONE), largest=LARGEST_FILE // 1_000_000,
            titles=dict(choices(quantities())[0]),
        )  # fmt: skip

    def _mapping_page(request: Request, asked: Asked, form: Posted, status: int = 200) -> Response:
        assert asked.file is not None
        text = form.get("mapping") if form.text("part") in TYPED_PARTS else None
        offered = Proposal("", (), (), ())
        if text is None:
            offered, text = _offered(asked)
            status = 422 if asked.file_faults else status
        holds, units = choices(quantities())
        return render(
            request, "trends_in_mapping.html", status, asked=asked, offered=offered, text=text,
            carried=_carried(asked), holds=holds, units=units,
            open=open_in(text, offered.left or left_of(form), quantities()),
        )  # fmt: skip

    def _offered(asked: Asked) -> tuple[Proposal, str]:
        """Offer the mapping that is remembered, or a proposal."""
        assert asked.file is not None
        nothing = Proposal("", (), (), ())
        try:
            found = remembered(asked.file, mappings_in(service.folder))
            if found is not None:
                path = mappings_in(service.folder) / found.source.file
                return nothing, path.read_text("utf-8")
            offered = propose_mapping(asked.file, asked.typed.get("sheet") or None)
        except FaultyInput as error:
            asked.file_faults = asked.file_faults or error.faults
            return nothing, ""
        return offered, offered.text

    def _preview_page(
        request: Request, asked: Asked, form: Posted, found: Preview, own: AnyMapped, status: int
    ) -> Response:
        text = form.get("mapping")
        if text is None:
            text = (mappings_in(service.folder) / own.source.file).read_text("utf-8")
        first, last = found.rows()
        return render(
            request, "trends_in_preview.html", status, asked=asked, found=found, mapping=text,
            carried=_carried(asked), first=[_row(found, row) for row in first],
            last=[_row(found, row) for row in last], own=own,
            noticed=[_with_titles(found, line) for line in found.noticed],
        )  # fmt: skip

    return [
        Route(ADDRESS, first, methods=["GET"]),
        Route(ADDRESS, send, methods=["POST"]),
        Route(f"{ADDRESS}/strike", strike, methods=["POST"]),
    ]


def _with_what_was_chosen(form: Posted) -> Posted:
    """Put what was chosen in the fields into the mapping's text."""
    if form.text("part") != "mapping":
        return form
    text = filled(form.get("mapping", ""), form, left_of(form), quantities())
    return Posted((*form.pairs, ("mapping", text)), form.file)


def _carried(asked: Asked) -> Sequence[tuple[str, str]]:
    """Return what goes along from page to page."""
    pairs = [(name, asked.typed.get(name, "")) for name in TYPED]
    name = "" if asked.file is None else asked.file.name
    return [*pairs, ("key", asked.key), ("name", name)]


def _with_titles(found: Preview, line: str) -> str:
    """Write quantities by their titles where a line names them by their keys."""
    for one in found.told:
        line = re.sub(rf"\b{re.escape(one.quantity)}\b", one.title.replace("\\", ""), line)
    return line[:1].upper() + line[1:]


def _row(found: Preview, row: int) -> Mapping[str, Any]:
    values = [float(one[row]) for one in found.taken.numbers.values()]
    cells = ["" if math.isnan(value) else f"{value:.5g}" for value in values]
    return {"at": found.taken.moment(row), "cells": cells}


def _moment(asked: Asked, form: Posted) -> datetime | None:
    text = form.text("start", 40)
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = datetime.min
    if found.tzinfo is None:
        asked.faults["start"] = "Write it with its offset, such as 2026-01-14T02:40:00+00:00."
        return None
    return found


def _every(asked: Asked, form: Posted) -> float:
    text = form.text("every", 10)
    if not text:
        return 0.0
    value = number_in(text)
    if value is None or not 1 <= value <= 3600:
        asked.faults["every"] = "Write seconds from 1 to 3600, or leave it empty."
        return 0.0
    return value
