"""A read trend onto one trip: looked at first, then written as one entry, once.

Only the rows between the start of the trip (when the baby went in) and its end are taken, so that
hours of another baby in the same export never come along. What is left out is said.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from warmhold.bench.reading.reader import gaps_told, odd_told
from warmhold.exchange.trends.mapping import AnyMapped, MappedTrend, fingerprint
from warmhold.exchange.trends.reading import File, header_of, said_text
from warmhold.exchange.trends.recorded import Recorded, lowest_and_highest, steady
from warmhold.exchange.trends.vocabulary import quantities
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import plain
from warmhold.record import Entry, Event, Receipt
from warmhold.record.bodies import LARGEST_BODY, valid_body
from warmhold.record.chain import canonical
from warmhold.record.clock import iso, moment_of
from warmhold.record.views import TripView, corrected, trip_view
from warmhold.record.whole_files import write_text

MAPPINGS: Final = "trend-mappings"  # folder beside the record in which mappings are remembered
AHEAD: Final = timedelta(minutes=10)  # a device's clock may be this much ahead of this computer's
SHOWN_ROWS: Final = 4  # first and last ones of a preview
MOST_ROWS: Final = 200_000  # of one entry, before its size is looked at
FEWEST_ROWS: Final = 2
MOST_NOTICED: Final = 200
NEAR_S: Final = 60.0
LEAST_EVERY_S: Final = (10, 30, 60, 120, 300, 600)


@dataclass(frozen=True)
class Told:
    """What a trend holds of one quantity, within the trip.

    count : readings; ``unread`` rows without one; ``doubtful`` readings that cannot be
    lowest, median, highest : of the readings that can be; ``None`` without any
    """

    quantity: str
    title: str
    unit: str
    count: int
    unread: int
    doubtful: int
    lowest: float | None
    median: float | None
    highest: float | None


@dataclass(frozen=True)
class Stated:
    """What a person stated for one file beside its mapping."""

    zone: str | None = None
    start: datetime | None = None
    source: str | None = None
    every_s: float = 0.0


@dataclass(frozen=True)
class Preview:
    """What would be written, to be looked at and confirmed.

    whole : the trend as it was read; ``taken`` its rows within the trip
    began, ended : of the trip; ``goes_on`` when it was not handed over yet
    before, after : rows that are left out
    receipt : when this very file was imported before, read the same way
    """

    trip: str
    whole: Recorded
    taken: Recorded
    began: datetime
    ended: datetime
    goes_on: bool
    before: int
    after: int
    told: tuple[Told, ...]
    noticed: tuple[str, ...]
    form_id: str
    body: Mapping[str, Any]
    zone: str
    receipt: Receipt | None = None

    @property
    def covered(self) -> float:
        """Share of the trip's time from the first row to the last."""
        length = (self.ended - self.began).total_seconds()
        lasted = (self.taken.end_utc - self.taken.start_utc).total_seconds()
        return min(1.0, lasted / length) if length > 0 else 1.0

    def rows(self) -> tuple[list[int], list[int]]:
        """Return the numbers of the first and of the last rows that are shown."""
        count = len(self.taken.seconds)
        if count <= 2 * SHOWN_ROWS:
            return list(range(count)), []
        return list(range(SHOWN_ROWS)), list(range(count - SHOWN_ROWS, count))

    def entry(self, who: str) -> Entry:
        """Return what is to be recorded; its time is that of the last row."""
        return Entry(self.form_id, self.trip, "trend", self.body, who, self.taken.end_utc)


def preview(
    trend: Recorded, mapped: AnyMapped, stated: Stated, events: Sequence[Event], now: datetime
) -> Preview:
    """Hold a trend against a trip.

    events : of the trip, as the record gives them

    Raises ``FaultyInput`` when it cannot go there, with the reason.
    """
    view = trip_view(events, until=now)
    if not events:
        raise _refused("the trip", "no such trip in the record", "a trip that was started",
                       "warmhold record export lists the trips of a record")  # fmt: skip
    if view.start is None or view.end is None:
        raise _refused("the trip", "a trip that was never started", "a trip that was started",
                       "its times are not known, so nothing can be put to it")  # fmt: skip
    goes_on = view.handover is None
    ended = max(view.end, now + AHEAD) if goes_on else view.end
    taken = trend.between(view.start, ended)
    if goes_on and trend.end_utc > now + AHEAD:
        raise _refused(
            trend.name, f"a trend that ends at {_shown(trend.end_utc)}, still to come",
            "readings that were made", "check zone and date of the device's clock",
        )  # fmt: skip
    if taken is None or not any(np.isfinite(one).any() for one in taken.numbers.values()):
        raise _elsewhere(trend, view, ended)
    digest_said = f"SHA-256 {trend.fingerprint}"
    strikes, standing = _same_file(events, digest_said)
    form_id = _form_id(trend, mapped, stated, view.trip, strikes)
    before_it = _receipt(events, form_id)
    if before_it is None and standing:
        raise _refused(
            trend.name, f"a file that is on record already, as entry {standing[0]}, read otherwise",
            "each file once", f"strike out entry {standing[0]} first, or leave it as it is",
        )  # fmt: skip
    low, high = (taken.start_utc - trend.start_utc).total_seconds(), len(trend.seconds)
    before = int(np.sum(trend.seconds < low - 1e-6))
    after = high - before - len(taken.seconds)
    noticed = [*trend.noticed, *_left_out(before, after, view)]
    taken, more = _kept(taken, stated.every_s)
    noticed += more
    noticed += _overlaps(events, taken, form_id)
    noticed += _beside_entered(view, taken)
    body = _body(taken, digest_said, noticed)
    _check_size(body, trend)
    return Preview(
        view.trip, trend, taken, view.start, ended if not goes_on else now, goes_on, before, after,
        tuple(_told(taken)), tuple(noticed), form_id, body, _zone_said(mapped), before_it,
    )  # fmt: skip


def _kept(taken: Recorded, every_s: float) -> tuple[Recorded, list[str]]:
    """Thin the rows within the trip where that was asked for, and say what shows in them."""
    said = list(steady(taken.series))
    if every_s < taken.slowest_s:
        raise _refused(
            taken.name, "signals that come at different rates", "one rate for all of them",
            f"keep one row for each {taken.slowest_s:g} s or more: --every, or the field of the "
            "page",
        )  # fmt: skip
    if every_s:
        said += lowest_and_highest(taken.series, quantities())
        try:
            taken = taken.thinned(every_s)
        except ValueError as error:
            raise _refused("every", str(error), "1 to 3600 s", "choose such a length") from error
        said.append(f"thinned: one row for each {every_s:g} s, the median of what was read in it")
    rows = len(taken.seconds)
    if rows > MOST_ROWS:
        raise _refused(
            taken.name, f"{rows} rows within the trip", f"up to {MOST_ROWS}",
            "keep one row for each minute: --every 60, or the field of the page",
        )  # fmt: skip
    if rows < FEWEST_ROWS:
        raise _refused(taken.name, f"{rows} row within the trip", f"at least {FEWEST_ROWS}",
                       "enter a single value by hand, or choose a shorter --every")  # fmt: skip
    start = taken.start_utc
    said += gaps_told(taken.seconds, start)
    said += odd_told(taken.numbers, taken.seconds, start, quantities())
    return taken, said


def _refused(where: str, found: str, allowed: str, todo: str) -> FaultyInput:
    return FaultyInput((Fault(where, None, "", found, allowed, todo),))


def _elsewhere(trend: Recorded, view: TripView, ended: datetime) -> FaultyInput:
    assert view.start is not None
    if trend.end_utc < view.start:
        off = view.start - trend.end_utc
        where = f"{_length(off)} before the trip began"
    elif trend.start_utc > ended:
        off = trend.start_utc - ended
        where = f"{_length(off)} after the trip ended"
    else:
        where = "without a reading in between"
    return _refused(
        trend.name, f"a trend from {_shown(trend.start_utc)} to {_shown(trend.end_utc)}, {where}",
        f"one that overlaps with {_shown(view.start)} to {_shown(ended)}",
        "check the trip, and the zone and date of the device's clock",
    )  # fmt: skip


def _length(span: timedelta) -> str:
    minutes = span.total_seconds() / 60
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def _shown(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _zone_said(mapped: AnyMapped) -> str:
    times = mapped.mapping.time
    if times.start is not None:
        return f"start stated: {times.start.isoformat()}"
    return f"clock in {times.zone}" if times.zone else "times with their own offset"


def _same_file(events: Sequence[Event], digest: str) -> tuple[int, list[int]]:
    """Return how many imports of a file were struck out, and which entries of it stand."""
    strikes, standing = 0, []
    for one in corrected(events):
        if one.event.kind != "trend" or digest not in str(one.event.body.get("file", "")):
            continue
        if one.struck:
            strikes += 1
        else:
            standing.append(one.seq)
    return strikes, standing


def _form_id(trend: Recorded, mapped: AnyMapped, stated: Stated, trip: str, strikes: int) -> str:
    """Return the id of an import: the same file, trip and way of reading give the same one."""
    way = mapped.mapping.model_dump(mode="json", exclude={"name", "fingerprint"})
    said = said_text(stated.every_s, stated.zone, stated.start, stated.source)
    whole = json.dumps([trend.fingerprint, trip, way, said, strikes], sort_keys=True)
    return f"trend-{hashlib.sha256(whole.encode()).hexdigest()[:40]}"


def _receipt(events: Sequence[Event], form_id: str) -> Receipt | None:
    """Return the receipt of an import that is on record."""
    for one in events:
        if one.form_id == form_id and one.kind == "trend":
            return Receipt(one.seq, form_id, one.saved_utc, one.hash, True)
    return None


def _left_out(before: int, after: int, view: TripView) -> Iterator[str]:
    for count, where in ((before, "before the baby went in"), (after, "after the trip's end")):
        if count:
            yield f"{count} {'row' if count == 1 else 'rows'} {where} left out"


def _overlaps(events: Sequence[Event], taken: Recorded, form_id: str) -> Iterator[str]:
    for one in corrected(events):
        if one.event.kind != "trend" or one.struck or one.event.form_id == form_id:
            continue
        if one.body["source"] != taken.source:
            continue
        start = moment_of(one.body["start"])
        end = start + timedelta(seconds=float(one.body["seconds"][-1]))
        shared = set(one.body["numbers"]) & set(taken.numbers)
        if shared and start <= taken.end_utc and end >= taken.start_utc:
            yield (
                f"entry {one.seq} holds a trend of the same source for some of this time; where "
                "both tell one moment this later one counts"
            )


def _beside_entered(view: TripView, taken: Recorded) -> Iterator[str]:
    """Hold a trend against what people entered within a minute of a row: a slip of zone shows."""
    for key, values in taken.numbers.items():
        course = view.courses.get(key)
        at = taken.seconds[np.isfinite(values)]
        told = values[np.isfinite(values)]
        apart = []
        for reading in () if course is None else course.readings:
            if reading.flag or reading.source or not len(at):
                continue
            when = (reading.when - taken.start_utc).total_seconds()
            near = int(np.argmin(np.abs(at - when)))
            if abs(float(at[near]) - when) <= NEAR_S:
                apart.append(abs(float(told[near]) - float(reading.value)))
        if apart:
            unit = quantities().numbers[key][0]
            times = "once" if len(apart) == 1 else f"{len(apart)} times"
            yield (
                f"{key} was also entered by hand {times} within a minute of a row: the two differ "
                f"by {float(np.median(apart)):.3g} {unit} in the middle, {max(apart):.3g} at most; "
                "both are kept"
            )


def _body(taken: Recorded, digest: str, noticed: Sequence[str]) -> dict[str, Any]:
    name = plain(taken.name)[:300]
    body: dict[str, Any] = {
        "source": taken.source,
        "start": iso(taken.start_utc),
        "seconds": [_short(one) for one in taken.seconds.tolist()],
        "numbers": {
            key: [_short(one) if np.isfinite(one) else None for one in values.tolist()]
            for key, values in taken.numbers.items()
        },
        "file": f"{name}, {digest}",
        "noticed": [one[:2000] for one in noticed if one.strip()][:MOST_NOTICED],
    }
    doubtful = taken.doubtful()
    return {**body, "doubtful": doubtful} if doubtful else body


def _short(value: float) -> float | int:
    """Write whole numbers without a point: they are the same, and shorter."""
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def _check_size(body: Mapping[str, Any], trend: Recorded) -> None:
    size = len(canonical(body))
    if size > LARGEST_BODY:
        span = float(trend.seconds[-1] - trend.seconds[0])
        wanted = span / max(1, len(body["seconds"])) * size / LARGEST_BODY * 1.2
        every = next((one for one in LEAST_EVERY_S if one >= wanted), LEAST_EVERY_S[-1])
        raise _refused(
            trend.name, f"{len(body['seconds'])} rows, {size} characters in the record",
            f"up to {LARGEST_BODY} characters in one entry",
            f"keep fewer rows: --every {every}, or the field of the page",
        )  # fmt: skip
    faults = valid_body("trend", body)
    if faults:
        raise FaultyInput(tuple(Fault(trend.name, None, "", one, "", "") for one in faults))


def _told(taken: Recorded) -> Iterator[Told]:
    doubtful = taken.doubtful()
    for key, values in taken.numbers.items():
        unit, title = quantities().numbers[key]
        odd = np.zeros(len(values), dtype=bool)
        odd[doubtful.get(key, [])] = True
        read = values[np.isfinite(values) & ~odd]
        some = bool(len(read))
        yield Told(
            key, title, unit, int(np.isfinite(values).sum()), int(np.isnan(values).sum()),
            int(odd.sum()), float(read.min()) if some else None,
            float(np.median(read)) if some else None, float(read.max()) if some else None,
        )  # fmt: skip


# --- mappings that are remembered ---------------------------------------------------------------


def mappings_in(folder: Path) -> Path:
    """Return where the mappings of trends are remembered beside a record."""
    return folder / MAPPINGS


def keep_mapping(folder: Path, file: File, mapped: AnyMapped, text: str, now: datetime) -> bool:
    """Remember a mapping beside the record, by the header of its file.

    What stood there before is kept in ``before``. A file without a header has no mark to be known
    by: its mapping is not remembered, and ``False`` says so.

    Raises ``OSError``, ``FaultyInput``.
    """
    header = header_of(file, mapped)
    if not header:
        return False
    mark = fingerprint(header)
    if mapped.mapping.fingerprint is None:
        text = f'fingerprint = "{mark}"\n{text}'
    sort = "table" if isinstance(mapped, MappedTrend) else "signals"
    path = mappings_in(folder) / f"{sort}-{mark}.toml"
    if path.is_file():
        before = path.read_text("utf-8")
        if before.strip() == text.strip():
            return True
        write_text(path.parent / "before" / f"{path.stem}-{now:%Y%m%dT%H%M%SZ}.toml", before)
    write_text(path, text)
    return True
