"""What goes out of one trip: the files, what each contains, and how each is made."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timezone, tzinfo
from importlib.util import find_spec
from typing import Any

from warmhold.exchange.fhir import bundle_of, to_text
from warmhold.exchange.fhir.alerts_r6 import DRAFT, alerts_of
from warmhold.exchange.hl7.writer import reports_of
from warmhold.exchange.outgoing import Outgoing
from warmhold.exchange.tables import csv_text, parquet_bytes
from warmhold.model import FaultyInput
from warmhold.record import Event, Trouble
from warmhold.record.plan_texts import case_of
from warmhold.record.sharing import CONTAINS
from warmhold.record.views import trip_view
from warmhold.report import json as sheet_json
from warmhold.report.handover import handover_pdf
from warmhold.web.handing_over import handover_of
from warmhold.web.service import Trip
from warmhold.web.watching import LiveTrip, Look

FREE_TEXT = "Free text is as it was typed and may name people: read it before passing it on."
PSEUDONYM = "The baby appears under the pseudonym of the trip file; no name, no date of birth."


@dataclass(frozen=True)
class Form:
    """One file of a trip.

    name : of the file
    says : what it contains, in one or two sentences
    media : media type
    make : makes its content; may raise ``Trouble``
    """

    name: str
    title: str
    says: str
    media: str
    make: Callable[[Outgoing], bytes]


def _text(make: Callable[[Outgoing], str]) -> Callable[[Outgoing], bytes]:
    return lambda out: make(out).encode("utf-8")


def _table(table: str) -> Callable[[Outgoing], bytes]:
    return lambda out: csv_text(out, table).encode("utf-8")


def _parquet(table: str) -> Callable[[Outgoing], bytes]:
    return lambda out: parquet_bytes(out, table)


FHIR = Form(
    "fhir.json",
    "FHIR R4 Bundle",
    "Every value with its time, status and device, weight and gestation, and what the watch named. "
    f"{PSEUDONYM} No names of staff, no notes. Flags and names of devices are as they were told.",
    "application/fhir+json",
    _text(lambda out: to_text(bundle_of(out))),
)
_HAPPENINGS_SAY = (
    "What happened, checks, alarm limits, times, the handover; with who made each entry. "
    f"{FREE_TEXT}"
)
_VALUES_SAY = (
    "Every value, one a row, with time, unit, status and device. No pseudonym, no staff. Words on "
    "breathing support, flags and names of devices are as they were written."
)
_DICTIONARY_SAYS = "What every column and quantity means, its unit and its codes. No data."
CSV = (
    Form("values.csv", "Values, CSV", _VALUES_SAY, "text/csv", _table("values")),
    Form("happenings.csv", "Happenings, CSV", _HAPPENINGS_SAY, "text/csv", _table("happenings")),
    Form("dictionary.csv", "Data dictionary, CSV", _DICTIONARY_SAYS, "text/csv",
         _table("dictionary")),
)  # fmt: skip
_ARROW = "application/vnd.apache.parquet"
PARQUET = (
    Form("values.parquet", "Values, Parquet", _VALUES_SAY, _ARROW, _parquet("values")),
    Form("happenings.parquet", "Happenings, Parquet", _HAPPENINGS_SAY, _ARROW,
         _parquet("happenings")),
    Form("dictionary.parquet", "Data dictionary, Parquet", _DICTIONARY_SAYS, _ARROW,
         _parquet("dictionary")),
)  # fmt: skip
ALERTS = Form(
    "alerts-r6.json",
    "Alerts, FHIR R6 draft",
    f"What the watch named, as alerts. {DRAFT}",
    "application/fhir+json",
    _text(lambda out: to_text(alerts_of(out))),
)
HL7 = Form(
    "reports.hl7",
    "HL7 v2 observation reports",
    f"Every value with its time, status and device. {PSEUDONYM} No names of staff, no notes. Flags "
    "and names of devices are as they were told.",
    "application/hl7-v2",
    reports_of,
)
PDF_SAYS = (
    "The handover as one page: pseudonym, times, course, what is left, who handed over to whom. "
    f"{FREE_TEXT}"
)
JSON_SAYS = CONTAINS


def offered() -> tuple[Form, ...]:
    """Return the files that can be made here and now."""
    found = [FHIR, HL7, *CSV]
    if find_spec("pyarrow") is not None:
        found += PARQUET
    return tuple(found)


def json_text(exported: Any) -> str:
    """Write an export of the record as JSON, as `warmhold record export` does."""
    return json.dumps(exported, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


def handover_bytes(
    events: Sequence[Event], key: str, head: tuple[int, str], members: int, seed: int
) -> bytes:
    """Draw the handover of a trip whose record is not open here.

    What is left of battery and gas is worked out as of the handover, else of the last entry.

    events : of this trip, in order
    head : number and hash of the record's last entry
    members, seed : of the watch

    Errors: Trouble when the plan cannot be read
    """
    trip = trip_of_events(events, key)
    look = None if trip.view.start is None else _look(trip, members, seed)
    return handover_pdf(handover_of(trip, look, head, "nobody yet"))


def trip_of_events(events: Sequence[Event], key: str) -> Trip:
    """Rebuild a trip from its entries as it stood at its end, or at its last entry.

    Errors: Trouble when there is no such trip, or its plan cannot be read
    """
    mine = [event for event in events if event.trip == key]
    view = trip_view(mine)
    if not view.plans:
        raise Trouble(f"The record has no planned trip {key!r}.", "Name one of its trips.")
    body = view.plans[-1].body
    try:
        case = case_of(body["trip_toml"], body["unit_toml"], body["policy_toml"])
    except (FaultyInput, KeyError, ValueError) as error:
        raise Trouble(
            f"The plan in the record cannot be read by this version: {str(error)[:300]}.", ""
        ) from error
    try:
        sheet = sheet_json.loads(json.dumps(body["sheet"]))
    except (sheet_json.NotASheet, KeyError, ValueError):
        sheet = None
    offset = case.trip.start.offset
    zone: tzinfo = timezone(offset) if offset else UTC
    now: datetime = view.end or mine[-1].when
    return Trip(key, view, case, sheet, now, zone, tuple(mine))


def _look(trip: Trip, members: int, seed: int) -> Look | None:
    """Look once at how it stood; nothing is written down."""
    if trip.case is None:
        return None
    stated = trip.case.trip.start.air_set_c
    if stated is None and trip.sheet is not None:
        stated = trip.sheet.start.air_set_c
    return LiveTrip(trip.case, stated, members, seed).look(trip.view, trip.now)
