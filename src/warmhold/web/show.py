"""Small pieces of text and shape that several pages share."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone, tzinfo

from markupsafe import Markup

from warmhold.report import words
from warmhold.watch import Band

_SHAPES = {
    "holds": '<path d="M3 10.5l4.5 4.5L17 5" class="line"/>',
    "falls short": '<path d="M2 4h16L10 18z" class="full"/>',
    "cannot tell": '<circle cx="10" cy="10" r="7.5" class="dotted"/>'
    '<path d="M10 13.4v-1.6c0-1.5 2.2-1.8 2.2-3.6A2.2 2.2 0 0 0 7.8 8M10 15.4v.2" class="thin"/>',
    "invalid": '<path d="M3.5 3.5h13v13h-13zM3.5 16.5l13-13" class="thin"/>',
    "high": '<path d="M6 1.5h8L18.5 6v8L14 18.5H6L1.5 14V6z" class="full"/>',
    "medium": '<path d="M10 1.5L18.5 10 10 18.5 1.5 10z" class="full"/>',
    "low": '<circle cx="10" cy="10" r="7" class="line"/>',
}
FAR_MIN = 48 * 60.0  # beyond this, minutes are not worth their digits
JUDGED_STATE = {"good": "holds", "care": "cannot tell", "stop": "falls short"}


def mark(name: str) -> Markup:
    """Draw the shape that repeats a state or priority; hidden from screen readers."""
    shape = _SHAPES.get(name, _SHAPES["cannot tell"])
    return Markup(f'<svg class="mark" viewBox="0 0 20 20" aria-hidden="true">{shape}</svg>')


def slug(name: str) -> str:
    """Write a state as the name of a class."""
    return "".join(char if char.isalnum() else "-" for char in name)


def zone(offset: timedelta) -> tzinfo:
    """Return the fixed zone of an offset."""
    return timezone(offset)


def utc(moment: datetime, at: tzinfo | None = UTC) -> str:
    """Write where a page's times stand against UTC, to be said once: "UTC+01:00"."""
    return f"UTC{words.offset(moment.astimezone(at))}"


def own_times() -> str:
    """Say once on a page that is of no trip where its times stand."""
    return f"Times are this computer's, UTC{words.offset(datetime.now().astimezone())}."


def second(moment: datetime | None, at: tzinfo | None = None, *, offset: bool = False) -> str:
    """Write a time of day to the second, in a zone or, without one, in this computer's.

    Its offset stands at the head of the page.
    """
    if moment is None:
        return words.UNKNOWN
    here = moment.astimezone(at)
    return f"{here:%H:%M:%S} {words.offset(here)}" if offset else f"{here:%H:%M:%S}"


def minute(moment: datetime | None, at: tzinfo | None = None) -> str:
    """Write a time of day to the minute, without its offset; see `second`."""
    return words.UNKNOWN if moment is None else f"{moment.astimezone(at):%H:%M}"


def day_and_minute(moment: datetime | None, at: tzinfo | None = None) -> str:
    """Write date and time; the offset stands at the head of the page; see `second`."""
    if moment is None:
        return words.UNKNOWN
    here = moment.astimezone(at)
    return f"{words.day(here)} {here:%H:%M}"


def length(minutes: float | None) -> str:
    """Write a length of time: "12 min", "2 h 05 min", "315 days"."""
    if minutes is None or not words.known(minutes):
        return words.UNKNOWN
    whole = round(abs(minutes))
    if whole >= FAR_MIN:
        return f"{whole / 1440:.0f} days"
    return f"{whole} min" if whole < 120 else f"{whole // 60} h {whole % 60:02d} min"


def minutes_left(band: Band | None) -> tuple[str, str]:
    """Write minutes that may have no end: the middle, and the range."""
    if band is None or any(math.isnan(v) for v in (band.p05, band.p50, band.p95)):
        return words.UNKNOWN, ""
    if math.isinf(band.p05):
        return "lasts", "in 19 of 20"
    if band.p05 > FAR_MIN:
        return "lasts", f"over {FAR_MIN / 60:.0f} h in 19 of 20"
    low = f"{band.p05:.0f}"
    if band.p50 > FAR_MIN:
        return "lasts", f"in most; 1 in 20 under {low} min"
    if band.p95 > FAR_MIN:
        return f"{band.p50:.0f} min", f"from {low} min on; may last"
    return f"{band.p50:.0f} min", f"{low} to {band.p95:.0f}"


def ago(moment: datetime, now: datetime) -> Markup:
    """Write how long ago something was, on the trip's own clock; the script keeps it up."""
    minutes = (now - moment).total_seconds() / 60
    text = "just now" if minutes < 0.5 else f"{length(minutes)} ago"
    return Markup('<time datetime="{}" data-ago>{}</time>').format(moment.isoformat(), text)


def since(seconds: float) -> str:
    """Write how long ago something was, from seconds."""
    return "just now" if seconds < 45 else f"{length(seconds / 60)} ago"
