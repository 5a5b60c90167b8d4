"""One trip as it goes out: every value that was recorded, with its moment, status and teller.

All forms in which a trip leaves (FHIR, tables, HL7) are written from this, so that they agree.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from math import isfinite
from typing import Any, Literal

from warmhold.exchange.codes import Code, code_of
from warmhold.record import Event, Trouble
from warmhold.record.chain import canonical
from warmhold.record.clock import moment_of
from warmhold.record.views import Shown, TripView, corrected, trip_view

Status = Literal["final", "corrected", "entered-in-error"]
FINAL: Status = "final"
CORRECTED: Status = "corrected"
STRUCK: Status = "entered-in-error"
TREND = "trend"
OTHERS = (
    "trip-started", "check", "happening", "limits", "handover", "noticed", "moment", "facts",
    "equipment", "clock-jump", "source",
)  # fmt: skip
SHAPE = re.compile(r"[\ud800-\udfff\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
_OFFSET = timedelta(hours=14)


@dataclass(frozen=True)
class Value:
    """One value of one quantity.

    entry : number of the entry in the record
    row : row of a trend, from 1; 0 for a value that was entered or told alone
    quantity : as the record names it; a gauge with the name of its cylinder
    value : in the record's unit, see `codes`; ``None`` when nothing was read
    at : clinical time, UTC
    saved : when it was saved, UTC
    status : "entered-in-error" for what was struck out or taken out by a correction
    kind : regular, extra, device, or trend
    told_by : the device that told it; empty when a person entered it
    flag : why it was asked about and kept as entered; empty when it was not
    was : the value before the corrections, when it differs
    """

    entry: int
    quantity: str
    value: float | str | None
    at: datetime
    saved: datetime
    status: Status = FINAL
    kind: str = "regular"
    told_by: str = ""
    flag: str = ""
    was: float | str | None = None
    row: int = 0


@dataclass(frozen=True)
class Series:
    """One quantity of a recorded trend.

    seconds : since `start`, strictly rising [s]
    values : one for each row; ``None`` where nothing was read
    first_row : number of the first row, when rows before it are not here
    """

    entry: int
    quantity: str
    start: datetime
    saved: datetime
    seconds: tuple[float, ...]
    values: tuple[float | None, ...]
    status: Status
    told_by: str
    first_row: int = 1

    def rows(self) -> Iterator[Value]:
        """Yield its values one by one; a row out of the calendar is left out."""
        rows = zip(self.seconds, self.values, strict=True)
        for number, (second, value) in enumerate(rows, self.first_row):
            try:
                at = self.start + timedelta(seconds=second)
            except OverflowError:
                continue
            yield Value(
                self.entry, self.quantity, value, at, self.saved, self.status, TREND, self.told_by,
                row=number,
            )  # fmt: skip

    def runs(self) -> Iterator[tuple[Value, ...]]:
        """Yield its rows in pieces, each with the same time between any two of its rows."""
        run: list[Value] = []
        for value in self.rows():
            apart = run[1].at - run[0].at if len(run) > 1 else None
            if run and apart is not None and value.at - run[-1].at != apart:
                yield tuple(run)
                run = []
            run.append(value)
        if run:
            yield tuple(run)


@dataclass(frozen=True)
class Happened:
    """An entry that is no value.

    detail : its body as canonical JSON, with free text as it was typed
    """

    entry: int
    kind: str
    what: str
    at: datetime
    saved: datetime
    status: Status
    who: str
    detail: str


@dataclass(frozen=True)
class Outgoing:
    """One trip.

    first : hash of its first entry, which no other trip has
    head : number and hash of the record's last entry
    offset : of the local time from UTC; ``None`` when the plan cannot be read
    planned : when the plan was made, which says weight and gestation
    """

    trip: str
    first: str
    head: tuple[int, str]
    title: str
    pseudonym: str
    weight_g: float | None
    gestation_weeks: float | None
    unit: str
    offset: timedelta | None
    planned: datetime
    start: datetime | None
    end: datetime | None
    values: tuple[Value, ...]
    series: tuple[Series, ...]
    others: tuple[Happened, ...]

    @property
    def handed_over(self) -> bool:
        """Whether the trip came to its end."""
        return any(one.kind == "handover" and one.status != STRUCK for one in self.others)

    def every_value(self) -> Iterator[Value]:
        """Yield all values, those of trends row by row, in the order of the entries."""
        found = [*self.values, *(value for series in self.series for value in series.rows())]
        found.sort(key=lambda one: (one.entry, one.row, one.quantity))
        yield from found

    def local(self, moment: datetime) -> datetime:
        """Put a moment into the trip's own time."""
        try:
            return moment.astimezone(timezone(self.offset or timedelta(0)))
        except OverflowError:
            return moment.astimezone(UTC)


def outgoing(events: Sequence[Event], trip: str, head: tuple[int, str] | None = None) -> Outgoing:
    """Gather one trip.

    events : of the record or of this trip, in order
    head : of the record; that of the last of ``events`` when not given

    Errors: Trouble when there is no such trip
    """
    mine = [event for event in events if event.trip == trip]
    if not trip or not any(event.kind == "trip-planned" for event in mine):
        known = dict.fromkeys(event.trip for event in events if event.kind == "trip-planned")
        todo = f"It has: {', '.join(list(known)[-20:])}." if known else "It has none yet."
        raise Trouble(f"The record has no planned trip {trip!r}.", todo)
    view = trip_view(mine)
    baby, start = _plan(view)
    shown = corrected(mine)
    last = events[-1]
    return Outgoing(
        trip=trip,
        first=mine[0].hash,
        head=head if head is not None else (last.seq, last.hash),
        title=tidy(_text(_toml(view, "trip_toml").get("title"))) or f"Trip {trip}",
        pseudonym=tidy(_text(baby.get("pseudonym"))),
        weight_g=_number(baby.get("weight_g")),
        gestation_weeks=_number(baby.get("gestation_weeks")),
        unit=tidy(_text(_toml(view, "unit_toml").get("name"))),
        offset=_offset(start.get("now")),
        planned=view.plans[-1].when,
        start=view.start,
        end=moment_of(str(view.handover.body["at"])) if view.handover is not None else None,
        values=tuple(_values(view.observations)),
        series=tuple(_series(one for one in shown if one.event.kind == TREND)),
        others=tuple(_others(mine, shown)),
    )


def tidy(text: str) -> str:
    """Return a text that every form can hold: what is no character is shown as one."""
    return SHAPE.sub("\ufffd", text)


def code_for(value: Value | Series) -> Code:
    """Return the codes of a value.

    Errors: KeyError for a quantity that the record does not keep
    """
    found = code_of(value.quantity)
    if found is None:
        raise KeyError(value.quantity)
    return found


def says(out: Outgoing) -> str:
    """Say what a file of a trip contains, before it is passed on."""
    return (
        f"Trip {out.trip}, up to entry {out.head[0]} of the record, fingerprint {out.head[1]}. "
        "The baby appears under the pseudonym of the trip file. Names that devices gave "
        "themselves, notes and other free text are as they were written: read them before passing "
        "this on, they may name people."
    )


def _values(observations: Sequence[Shown]) -> Iterator[Value]:
    for shown in observations:
        first, now = shown.event.body["values"], shown.body["values"]
        flags = shown.body.get("flags") or {}
        kind = str(shown.body.get("set", "regular"))
        source = tidy(str(shown.body.get("source", "")))
        moved = shown.when != shown.event.when
        ever = dict(first)
        for event in shown.corrections:
            ever.update((event.body["body"] or {}).get("values", {}))
        for name in {**ever, **now}:
            if name not in now:  # taken out by a correction
                yield Value(
                    shown.seq, tidy(name), _kept(ever[name]), shown.event.when,
                    shown.event.saved_utc, STRUCK, kind, source,
                )  # fmt: skip
                continue
            changed = name not in first or first[name] != now[name]
            status = STRUCK if shown.struck else CORRECTED if changed or moved else FINAL
            yield Value(
                entry=shown.seq,
                quantity=tidy(name),
                value=_kept(now[name]),
                at=shown.when,
                saved=shown.event.saved_utc,
                status=status,
                kind=kind,
                told_by=source,
                flag=tidy(str(flags.get(name, ""))),
                was=_kept(first[name]) if changed and name in first else None,
            )


def _series(trends: Iterator[Shown]) -> Iterator[Series]:
    for shown in trends:
        body = shown.body
        status = STRUCK if shown.struck else CORRECTED if shown.corrected else FINAL
        seconds = tuple(float(second) for second in body["seconds"])
        for name, values in body["numbers"].items():
            yield Series(
                entry=shown.seq,
                quantity=tidy(name),
                start=moment_of(str(body["start"])),
                saved=shown.event.saved_utc,
                seconds=seconds,
                values=tuple(None if value is None else float(value) for value in values),
                status=status,
                told_by=tidy(str(body["source"])),
            )


def _others(events: Sequence[Event], shown: Sequence[Shown]) -> Iterator[Happened]:
    known = {one.seq: one for one in shown}
    for event in events:
        if event.kind not in OTHERS:
            continue
        one = known.get(event.seq)
        body = event.body if one is None else one.body
        status = FINAL
        if one is not None and one.corrected:
            status = STRUCK if one.struck else CORRECTED
        yield Happened(
            entry=event.seq,
            kind=event.kind,
            what=tidy(_what(event.kind, body)),
            at=event.when if one is None else one.when,
            saved=event.saved_utc,
            status=status,
            who=tidy(event.who),
            detail=canonical(body),
        )


def _what(kind: str, body: Mapping[str, Any]) -> str:
    name = {
        "check": "item", "happening": "what", "limits": "limit", "handover": "to",
        "noticed": "key", "moment": "moment", "equipment": "what", "source": "source",
    }.get(kind)  # fmt: skip
    return str(body.get(name, "")) if name is not None else ""


def _kept(value: Any) -> float | str:
    return tidy(value) if isinstance(value, str) else float(value)


def _toml(view: TripView, name: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(str((view.planned or {}).get(name, "")))
    except tomllib.TOMLDecodeError:
        return {}


def _plan(view: TripView) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    trip = _toml(view, "trip_toml")
    baby, start = trip.get("baby"), trip.get("start")
    return (
        baby if isinstance(baby, dict) else {},
        start if isinstance(start, dict) else {},
    )


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _number(value: Any) -> float | None:
    if isinstance(value, dict):
        value = value.get("value")
    if isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value):
        return float(value)
    return None


def _offset(moment: Any) -> timedelta | None:
    shift = moment.utcoffset() if isinstance(moment, datetime) else None
    if shift is None or abs(shift) > _OFFSET or shift % timedelta(minutes=1):
        return None
    return shift
