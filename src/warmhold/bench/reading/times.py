"""From the times of a log to UTC: zones, the hour that comes twice, the hour that never was.

Nothing is guessed. A local time without a zone is refused; an hour that comes twice is refused,
or resolved by the order of the rows where that order leaves no doubt.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from warmhold.bench.reading.mapping import ELAPSED, SINCE_1970, MappedTable
from warmhold.model.fault import Fault
from warmhold.model.words import plain, value_text

NEAR = timedelta(minutes=10)  # a row this near to the changed hour belongs to its side


@dataclass(frozen=True)
class Moments:
    """Moments of all rows in UTC, or the faults that stand in the way."""

    utc: tuple[datetime, ...]
    faults: tuple[Fault, ...] = ()
    noticed: tuple[str, ...] = ()


def to_utc(texts: Sequence[str], lines: Sequence[int], mapped: MappedTable, file: str) -> Moments:
    """Read the times of all rows.

    texts : the time of every row as written, date and time joined by a blank
    lines : the line of every row, for faults
    """
    times = mapped.mapping.time
    if times.format in ELAPSED or times.format in SINCE_1970:
        return _counted(texts, lines, mapped, file)
    read: list[datetime] = []
    odd: list[int] = []
    for i, text in enumerate(texts):
        try:
            read.append(
                datetime.fromisoformat(text)
                if times.format == "iso"
                else datetime.strptime(text, times.format)
            )
        except ValueError:
            odd.append(i)
    if odd:
        return Moments((), (_unread(texts, lines, odd, times.format, file),))
    aware = [one.utcoffset() is not None for one in read]
    if all(aware):
        return Moments(tuple(one.astimezone(UTC) for one in read))
    if any(aware):
        i = aware.index(not aware[0])
        found = f"{value_text(texts[i])}, and other rows {'with' if aware[0] else 'without'} offset"
        fault = Fault(file, lines[i], times.column, found, "all times with their offset, or none",
                      "export the log anew")  # fmt: skip
        return Moments((), (fault,))
    if times.zone is None:
        fault = mapped.fault(
            ("time", "zone"), "nothing, and the log's times carry no offset",
            'a zone such as "Europe/Lisbon", an offset such as "+01:00", or "UTC"',
            "ask who set the logger's clock; it is never guessed",
        )  # fmt: skip
        return Moments((), (fault,))
    return _in_zone(read, lines, zone_of(times.zone), mapped, file)


def zone_of(text: str) -> tzinfo:
    """Return a zone by its name, or a fixed offset such as ``+01:00``."""
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", text)
    if match is None:
        return UTC if text == "UTC" else ZoneInfo(text)
    size = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return timezone(-size if match[1] == "-" else size)


def _unread(
    texts: Sequence[str], lines: Sequence[int], odd: Sequence[int], form: str, file: str
) -> Fault:
    more = f", and {len(odd) - 1} more rows" if len(odd) > 1 else ""
    found = f"{value_text(texts[odd[0]])}{more}"
    todo = "check format in [time] of the mapping" if len(odd) == len(texts) else "mend these rows"
    return Fault(file, lines[odd[0]], "time", found, f"a time written as {plain(form)}", todo)


def _counted(texts: Sequence[str], lines: Sequence[int], mapped: MappedTable, file: str) -> Moments:
    times = mapped.mapping.time
    comma = mapped.mapping.decimal == "comma"
    numbers: list[float] = []
    odd: list[int] = []
    for i, text in enumerate(texts):
        try:
            number = float(text.replace(",", ".") if comma else text)
        except ValueError:
            number = math.nan
        if math.isfinite(number):
            numbers.append(number)
        else:
            odd.append(i)
    if odd:
        return Moments((), (_unread(texts, lines, odd, times.format, file),))
    if times.format in ELAPSED:
        start = times.start or datetime(1970, 1, 1, tzinfo=UTC)
        step = ELAPSED[times.format]
    else:
        start, step = datetime(1970, 1, 1, tzinfo=UTC), SINCE_1970[times.format]
    try:
        utc = tuple(start + timedelta(seconds=number * step) for number in numbers)
    except OverflowError:
        utc = ()
    if not utc or any(not 2000 <= one.year <= 2100 for one in utc):
        fault = Fault(
            file, lines[0], times.column, value_text(texts[0]),
            "moments from 2000 to 2100", "check format in [time]: seconds or milliseconds?",
        )  # fmt: skip
        return Moments((), (fault,))
    return Moments(utc)


def _in_zone(
    read: Sequence[datetime], lines: Sequence[int], zone: tzinfo, mapped: MappedTable, file: str
) -> Moments:
    first = [one.replace(tzinfo=zone, fold=0) for one in read]
    second = [one.replace(tzinfo=zone, fold=1) for one in read]
    utc = [one.astimezone(UTC) for one in first]
    differs = [a.utcoffset() != b.utcoffset() for a, b in zip(first, second, strict=True)]
    never = [
        i
        for i, one in enumerate(utc)
        if differs[i] and one.astimezone(zone).replace(tzinfo=None) != read[i]
    ]
    if never:
        at = never[0]
        fault = Fault(
            file, lines[at], mapped.mapping.time.column,
            f"{read[at].isoformat(' ')}, an hour that was skipped in {mapped.mapping.time.zone} "
            f"when the clocks went forward; {len(never)} such rows",
            "times that were",
            "a logger that keeps winter time needs its offset as zone, such as +01:00",
        )  # fmt: skip
        return Moments((), (fault,))
    twice = [i for i, both in enumerate(differs) if both]
    if not twice:
        return Moments(tuple(utc))
    if mapped.mapping.time.ambiguous == "refuse":
        return Moments((), (_twice(read, lines, twice, mapped, file, ""),))
    later = [one.astimezone(UTC) for one in second]
    for stretch in _stretches(twice):
        chosen = _by_order(read, utc, later, stretch)
        if chosen is None:
            why = "; the order of the rows leaves it open"
            return Moments((), (_twice(read, lines, stretch, mapped, file, why),))
        for i in stretch[chosen:]:
            utc[i] = later[i]
    said = (
        f"{len(twice)} rows are in the hour that came twice when the clocks went back; which of "
        "the two was told by the order of the rows"
    )
    return Moments(tuple(utc), (), (said,))


def _twice(
    read: Sequence[datetime], lines: Sequence[int], rows: Sequence[int], mapped: MappedTable,
    file: str, why: str,
) -> Fault:  # fmt: skip
    return Fault(
        file, lines[rows[0]], mapped.mapping.time.column,
        f"{read[rows[0]].isoformat(' ')}, an hour that came twice in {mapped.mapping.time.zone} "
        f"when the clocks went back; {len(rows)} such rows{why}",
        "times that mean one moment",
        'write ambiguous = "order" in [time] to tell them by the order of the rows, or give the '
        "offset as zone",
    )  # fmt: skip


def _stretches(rows: Sequence[int]) -> list[list[int]]:
    out: list[list[int]] = []
    for i in rows:
        if out and out[-1][-1] == i - 1:
            out[-1].append(i)
        else:
            out.append([i])
    return out


def _by_order(
    read: Sequence[datetime],
    earlier: Sequence[datetime],
    later: Sequence[datetime],
    stretch: Sequence[int],
) -> int | None:
    """Tell how many rows of a stretch are before the change; ``None`` when that stays open."""
    backs = [k for k in range(1, len(stretch)) if read[stretch[k]] < read[stretch[k - 1]]]
    if len(backs) == 1:
        return backs[0]
    if backs:
        return None
    first, last = stretch[0], stretch[-1]
    after_a_row = first > 0 and timedelta(0) <= earlier[first] - earlier[first - 1] <= NEAR
    before_a_row = last + 1 < len(read) and timedelta(0) <= earlier[last + 1] - later[last] <= NEAR
    if after_a_row == before_a_row:
        return None
    return len(stretch) if after_a_row else 0
