"""Moments as HL7 v2 writes them, and the zone that a person stated for a source that tells none.

Source: HL7 v2.5, chapter 2A, data type DTM, YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ] (memory)
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

NO_ZONE: Final = "names no offset from UTC; let the sender add one, or state its zone with --zone"
_DTM = re.compile(
    r"(\d{4})(\d\d)?(\d\d)?(\d\d)?(\d\d)?(\d\d)?(?:\.(\d{1,9}))?([+-]\d{4})?", re.ASCII
)
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)
_FURTHEST = timedelta(hours=14)  # clocks of the world are at most this far from UTC


class NoMoment(ValueError):
    """Raised when a text is no moment; says why."""


@dataclass(frozen=True)
class Zones:
    """What a person stated about senders whose times name no offset.

    usual : for every sender; ``None`` when none was stated
    by_sender : for one sender each, by MSH-3
    """

    usual: tzinfo | None = None
    by_sender: Mapping[str, tzinfo] = field(default_factory=lambda: MappingProxyType({}))

    def of(self, sender: str) -> tzinfo | None:
        """Return the zone of a sender."""
        return self.by_sender.get(sender, self.usual)


def zone_of(text: str) -> tzinfo:
    """Read a zone: UTC, an offset such as +01:00, or a name such as Europe/Oslo.

    Errors: ValueError
    """
    text = text.strip()
    if text in ("UTC", "Z"):
        return UTC
    found = _OFFSET.fullmatch(text)
    if found is not None:
        return _offset(text)
    try:
        return ZoneInfo(text)
    except (OSError, ValueError, LookupError) as error:
        raise ValueError(
            f"{text!r} is no zone; allowed are UTC, an offset such as +01:00, or a name such as "
            "Europe/Oslo"
        ) from error


def _offset(text: str) -> timezone:
    found = _OFFSET.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no offset")
    away = timedelta(hours=int(found[2]), minutes=int(found[3]))
    if away > _FURTHEST or int(found[3]) > 59:
        raise ValueError(f"{text!r} is no offset that a clock has")
    return timezone(-away if found[1] == "-" else away)


def moment(text: str, zone: tzinfo | None) -> datetime:
    """Read a moment to the minute or better.

    zone : that of the sender, for a text without an offset

    Errors: NoMoment
    """
    shown = repr(text[:40])
    found = _DTM.fullmatch(text.strip())
    if found is None:
        raise NoMoment(f"the time {shown} is not YYYYMMDDHHMMSS with an offset")
    year, month, day, hour, minute, second, part, offset = found.groups()
    if minute is None:
        raise NoMoment(f"the time {shown} does not tell the minute")
    if part is not None and second is None:
        raise NoMoment(f"the time {shown} has parts of a second and no second")
    try:
        at = datetime(
            int(year), int(month), int(day), int(hour), int(minute), int(second or 0),
            int((part or "0").ljust(6, "0")[:6]),
        )  # fmt: skip
        if offset is not None:
            return _within(at.replace(tzinfo=_offset(offset)))
        if zone is None:
            raise NoMoment(f"the time {shown} {NO_ZONE}")
        return _within(_once(at, zone, shown))
    except (ValueError, OverflowError) as error:
        if isinstance(error, NoMoment):
            raise
        raise NoMoment(f"the time {shown} is none: {error}") from error


def _within(at: datetime) -> datetime:
    """Refuse the ends of the calendar, where a change of zone runs over."""
    if not 1900 <= at.year <= 9000:
        raise ValueError(f"year {at.year}")
    return at


def _once(at: datetime, zone: tzinfo, shown: str) -> datetime:
    """Refuse an hour that a change of the clocks left out or ran through twice."""
    first, second = at.replace(tzinfo=zone), at.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != at:
        raise NoMoment(f"the time {shown} is left out where the clocks are put forward")
    raise NoMoment(f"the time {shown} comes twice where the clocks are put back")


def written(at: datetime) -> str:
    """Write a moment, to the second or as finely as it is, with its offset.

    Errors: ValueError when its offset is not one of whole minutes
    """
    away = at.utcoffset()
    if away is None or away % timedelta(minutes=1):
        raise ValueError(f"{at} has no offset that can be written")
    sign, away = ("-", -away) if away < timedelta(0) else ("+", away)
    hours, minutes = divmod(int(away.total_seconds()) // 60, 60)
    part = f".{at.microsecond:06d}"[:5] if at.microsecond else ""  # four places, no more
    return (
        f"{at.year:04d}{at.month:02d}{at.day:02d}{at.hour:02d}{at.minute:02d}{at.second:02d}"
        f"{part}{sign}{hours:02d}{minutes:02d}"
    )
