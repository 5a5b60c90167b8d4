"""Numbers, times and states as words: the one place where the sheet's figures become text.

The terminal and the page both write through here, so that a figure reads the same in both.
Anything that is missing, not a number or infinite reads "unknown".
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from warmhold.plan.sheet import (
    AlarmLimit,
    Band,
    CylinderRow,
    Hold,
    Kit,
    Margin,
    Mend,
    OxygenRow,
    Sheet,
    StartPoint,
    State,
    Together,
    Verdict,
    WarmUp,
)

UNKNOWN = "unknown"
MINUS = "\u2212"
LITTLE = 0.05  # a mend that moves its margin by less is named, but gets no row

# Word and mark of each state: the mark repeats the word as a shape, never replaces it.
STATE_MARK: dict[State, str] = {"holds": "✓", "falls short": "▼", "cannot tell": "?"}
VERDICT_MARK: dict[Verdict, str] = {"go": "✓", "not yet": "▼", "cannot tell": "?"}
VERDICT_STATE: dict[Verdict, State] = {
    "go": "holds",
    "not yet": "falls short",
    "cannot tell": "cannot tell",
}
AlarmState = Literal["as wanted", "moved to the safe side", "cannot be set", "not used"]
ALARM_MARK: dict[AlarmState, str] = {
    "as wanted": "✓",
    "moved to the safe side": "▲",
    "cannot be set": "✗",
    "not used": "–",
}

# Digits after the point, by unit; other units follow the size of the number.
_DECIMALS = {"°C": 1, "degC": 1, "kg": 1, "kPa": 1, "m": 0}
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def known(value: float | None) -> bool:
    """Say whether there is a finite number at all."""
    return value is not None and math.isfinite(value)


def gestation(weeks: float | None) -> str:
    """Write weeks and days, as they are said; a part of a day is left off, never rounded up."""
    if weeks is None or not math.isfinite(weeks):
        return UNKNOWN
    whole, days = divmod(math.floor(weeks * 7 + 0.05), 7)
    return f"{whole} weeks" if days == 0 else f"{whole} weeks {days} day{'s' * (days != 1)}"


def in_days(text: str) -> str:
    """Write the decimal weeks of a text about one baby as weeks and days."""
    return re.sub(r"\b(\d\d\.\d+) weeks\b", lambda found: gestation(float(found[1])), text)


def known_band(band: Band | None) -> bool:
    """Say whether all three percentiles are finite numbers."""
    return band is not None and all(known(v) for v in (band.p05, band.p50, band.p95))


def decimals(unit: str, *values: float | None) -> int:
    """Digits after the point that suit these values together (0 to 2)."""
    if unit in _DECIMALS:
        return _DECIMALS[unit]
    sizes = [abs(v) for v in values if v is not None and math.isfinite(v)]
    largest = max(sizes, default=0.0)
    if largest >= 10 or largest == 0:
        return 0
    return 1 if largest >= 1 or unit == "min" else 2


def number(value: float | None, places: int = 0) -> str:
    """Write a number with a true minus sign; "unknown" when there is none."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:.{places}f}"
    if text.startswith("-"):
        text = text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


def with_unit(value: float | None, unit: str, places: int | None = None) -> str:
    """Write a number and its unit; "unknown" alone when there is no number."""
    if not known(value):
        return UNKNOWN
    digits = decimals(unit, value) if places is None else places
    return f"{number(value, digits)} {unit}".rstrip()


def middle(band: Band | None, unit: str) -> str:
    """Write the middle value of a band with its unit."""
    if band is None or not known_band(band):
        return UNKNOWN
    return with_unit(band.p50, unit, decimals(unit, band.p05, band.p50, band.p95))


def spread(band: Band | None, unit: str, *, show_unit: bool = False) -> str:
    """Write the 5 to 95 % range of a band, "" when it is unknown."""
    if band is None or not known_band(band):
        return ""
    digits = decimals(unit, band.p05, band.p50, band.p95)
    text = f"{number(band.p05, digits)} to {number(band.p95, digits)}"
    return f"{text} {unit}".rstrip() if show_unit else text


def middle_and_spread(band: Band | None, unit: str) -> str:
    """Write a band in one line: the middle with its unit, the range in brackets."""
    if not known_band(band):
        return UNKNOWN
    return f"{middle(band, unit)} ({spread(band, unit)})"


def chance(share: float | None, required: float | None = None) -> str:
    """Write a share as per cent without promising more than a sample can.

    Rounded down, as the plan's own sentences are, so that a share below what is required never
    reads as enough. Never "0 %" or "100 %": an ensemble only shows "< 1 %" or "> 99 %".
    """
    if share is None or not math.isfinite(share):
        return UNKNOWN
    percent = 100 * share
    if share >= 0.995:
        if required is None or share >= required:
            return "> 99 %"
        return f"{math.floor(percent * 10 + 1e-9) / 10:.1f} %"
    if share < 0.005:
        return "< 1 %"
    return f"{max(1, math.floor(percent + 1e-9))} %"


def needed(required: float | None) -> str:
    """Write the share that policy asks for."""
    if required is None or not math.isfinite(required):
        return UNKNOWN
    percent = 100 * required
    return f"{percent:.0f} %" if abs(percent - round(percent)) < 0.05 else f"{percent:.1f} %"


def offset(moment: datetime) -> str:
    """Write the offset from UTC as +hh:mm."""
    delta = moment.utcoffset()
    if delta is None:
        return "offset unknown"
    sign = "-" if delta < timedelta(0) else "+"
    minutes = int(abs(delta).total_seconds() // 60)
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"


def local(moment: datetime, now: datetime) -> datetime:
    """Bring a time to the offset that the sheet's "now" is written in."""
    if moment.tzinfo is None or now.tzinfo is None:
        return moment
    return moment.astimezone(now.tzinfo)


def day(moment: datetime) -> str:
    """Write a date in words that no country reads backwards."""
    return f"{_DAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]} {moment.year}"


def clock(moment: datetime | None, now: datetime, *, show_offset: bool = True) -> str:
    """Write a time of day at the sheet's offset; the date too, when it is not today's."""
    if moment is None:
        return UNKNOWN
    here = local(moment, now)
    text = f"{here:%H:%M}"
    if here.date() != now.date():
        text = f"{day(here)} {text}"
    return f"{text} {offset(here)}" if show_offset else text


def stamp(moment: datetime) -> str:
    """Write date, time and offset in full."""
    return f"{day(moment)} {moment:%H:%M} {offset(moment)}"


def gap_minutes(moment: datetime | None, now: datetime) -> float | None:
    """Minutes from the sheet's "now" until a moment, ``None`` when they cannot be compared."""
    if moment is None or (moment.tzinfo is None) != (now.tzinfo is None):
        return None
    return (moment - now).total_seconds() / 60


def from_now(moment: datetime | None, now: datetime) -> str:
    """Write how far off a moment is: "in 25 min", "12 min ago", "now"."""
    gap = gap_minutes(moment, now)
    if gap is None:
        return ""
    minutes = round(gap)
    if minutes == 0:
        return "now"
    length = _length(abs(minutes))
    return f"in {length}" if minutes > 0 else f"{length} ago"


def _length(minutes: int) -> str:
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def switch_on(warm_up: WarmUp, now: datetime) -> tuple[str, str]:
    """When to switch on: the big figure, and a short line below it."""
    moment = warm_up.latest_switch_on
    if moment is None:
        return UNKNOWN, ""
    when = clock(moment, now)
    gap = gap_minutes(moment, now)
    if gap is not None and round(gap) < 0:
        return "now", f"should have been by {when}, {from_now(moment, now)}"
    if gap is not None and round(gap) == 0:
        return "now", f"latest for the planned time: {when}"
    return when, f"at the latest, {from_now(moment, now)}"


def carry(kit: Kit) -> tuple[str, ...]:
    """What to take along, one line an item."""
    lines = []
    for item in kit.items:
        mass = "" if item.mass_kg is None else f", {with_unit(item.mass_kg, 'kg')} each"
        lines.append(f"{item.count} × {item.title}{mass}")
    return tuple(lines)


def mass_in_all(kit: Kit) -> str:
    """Write what the items weigh together, "" when nothing is added or the sentence says it."""
    mass = with_unit(kit.mass_kg, "kg")
    if not kit.items or kit.mass_kg == 0 or mass in kit.sentence:
        return ""
    return f"Mass in all: {mass}."


def rests_on(item: Margin | StartPoint | WarmUp | Hold) -> str:
    """Name what a figure assumes in a line, "" when it has nothing."""
    return ", ".join(item.assumed)


def rests_on_short(assumed: Sequence[str], most: int) -> str:
    """Name at most ``most`` assumptions without the word for how each is known."""
    names = [re.sub(r" \([a-z]+\)$", "", name) for name in assumed]
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def behind_holds(sheet: Sheet) -> tuple[str, ...]:
    """Gather what the minutes of battery assume, each once, the most common first."""
    count: dict[str, int] = {}
    for hold in sheet.holds:
        for name in hold.assumed:
            count[name] = count.get(name, 0) + 1
    return tuple(sorted(count, key=lambda name: -count[name]))


def one_required(mends: Sequence[Mend]) -> str:
    """Write the share that policy asks for when it is the same for all, "" otherwise."""
    asked = {needed(mend.required) for mend in mends}
    return asked.pop() if len(asked) == 1 else ""


def share_needed(share: float | None, required: float) -> str:
    """Write a share beside the share that policy asks for."""
    return f"{chance(share, required)} (needs {needed(required)})"


def together_outcome(together: Together) -> str:
    """Say what the changes, all made, come to; no more than the simulated trips show."""
    share = share_needed(together.probability, together.required)
    count = len(together.changes)
    if together.holds:
        return (
            f"With these {count} changes every margin that has to hold does. "
            f"Weakest then: {together.weakest}, {share}."
        )
    return (
        f"Even with these {count} changes not every margin holds. "
        f"Weakest then: {together.weakest}, {share}."
    )


def together_next(together: Together) -> str:
    """Say what to do with changes that are enough; "" when they are not."""
    if not together.holds:
        return ""
    return "Write them into the trip and work the sheet out again before leaving."


def alike(rows: Sequence[OxygenRow]) -> tuple[OxygenRow, ...]:
    """Gather legs whose oxygen rows read the same into one row, in the order they first come."""
    found: dict[tuple[str, ...], tuple[OxygenRow, list[str]]] = {}
    for row in rows:
        read = (
            with_unit(row.pressure_kpa, "kPa"),
            middle_and_spread(row.need_percent, "%"),
            middle_and_spread(row.analyser_reads_percent, "%"),
            row.sentence,
        )
        found.setdefault(read, (row, []))[1].append(row.leg)
    if len(found) == 1 and len(rows) > 1:
        return tuple(replace(row, leg="all legs") for row, _ in found.values())
    return tuple(replace(row, leg="; ".join(legs)) for row, legs in found.values())


def opened(row: CylinderRow) -> str:
    """Write when a cylinder is opened, in the middle case."""
    if row.opened_min is None:
        return "not needed"
    if not known(row.opened_min):
        return UNKNOWN
    return "from the start" if row.opened_min <= 0 else f"at minute {number(row.opened_min)}"


def empty(row: CylinderRow) -> str:
    """Write when a cylinder is empty; "–" where it outlasts the trip in most simulated trips."""
    if row.empty_min is None:
        return "–"
    if not known_band(row.empty_min):
        return UNKNOWN
    return f"at minute {number(row.empty_min.p50)} ({spread(row.empty_min, 'min')})"


def capital(text: str) -> str:
    """Begin a line with a capital letter."""
    return text[:1].upper() + text[1:]


def stopped(text: str) -> str:
    """End a line with a full stop, as a sentence."""
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."


def sorted_mends(sheet: Sheet) -> tuple[Mend, ...]:
    """Order the mends by margin, as the sheet lists them; of each the most helpful first."""
    place = {margin.key: i for i, margin in enumerate(sheet.margins)}
    last = len(place)
    return tuple(
        sorted(sheet.mends, key=lambda m: (place.get(m.margin, last), not m.mends, -m.after))
    )


def helps_little(mend: Mend) -> bool:
    """Say whether a mend is neither enough nor moves its margin by five points."""
    return not mend.mends and not mend.after - mend.before >= LITTLE


def worth_a_row(sheet: Sheet) -> tuple[Mend, ...]:
    """Leave out, of the mends in their order, those that help little."""
    return tuple(mend for mend in sorted_mends(sheet) if not helps_little(mend))


def little_help(mends: Sequence[Mend]) -> str:
    """Name what was tried and helps little, "" when there is none."""
    titles = dict.fromkeys(mend.title for mend in mends if helps_little(mend))
    return "; ".join(titles)


def nothing_fails(sheet: Sheet) -> str:
    """Say in what sense nothing fails first, without claiming more than the margins show."""
    if any(m.state == "cannot tell" for m in sheet.margins) or not sheet.margins:
        return "nothing that could be worked out; see what cannot be told"
    if any(m.state == "falls short" for m in sheet.margins):
        return "nothing that decides; the margins show what falls short besides"
    return "nothing falls short"


def no_warm_up(warm_up: WarmUp) -> bool:
    """Say whether a sentence alone tells of the warm-up, with no figure and no time beside it."""
    figures = (
        warm_up.minutes,
        warm_up.minutes_needed,
        warm_up.latest_switch_on,
        warm_up.earliest_baby_in,
        warm_up.in_time,
    )
    return bool(warm_up.sentence) and all(figure is None for figure in figures)


def warm_up_line(warm_up: WarmUp) -> str:
    """Write how long the warm-up takes, and what to allow."""
    band = warm_up.minutes
    if band is None or not known_band(band):
        return warm_up.sentence or "warm-up: unknown"
    if band.p95 == 0 and warm_up.sentence:
        return warm_up.sentence
    line = f"warm-up {middle_and_spread(band, 'min')}"
    if known(warm_up.minutes_needed):
        line += f", allow {with_unit(warm_up.minutes_needed, 'min', 0)}"
    return line


def in_time(warm_up: WarmUp) -> str:
    """Write in what share of trips the air is stable at the planned time."""
    trips = " of trips" if known(warm_up.in_time) else ""
    return f"air stable at the planned time: {chance(warm_up.in_time)}{trips}"


def felt(start: StartPoint) -> str:
    """Write why the start temperature is what it is, in figures; the sentence when they lack."""
    if not known_band(start.operative_at_set):
        return start.sentence
    wall = ""
    if known_band(start.wall_below_air_k):
        wall = f"walls {middle_and_spread(start.wall_below_air_k, '°C')} below the air: "
    line = f"{wall}feels like {middle_and_spread(start.operative_at_set, '°C')}"
    if not known(start.neutral_low_c) and not known(start.neutral_high_c):
        return f"{line}. {start.reason or 'Neutral: unknown.'}"
    return (
        f"{line}; neutral {number(start.neutral_low_c, 1)} to "
        f"{with_unit(start.neutral_high_c, '°C')}"
    )


def reason(sheet: Sheet) -> tuple[str, str]:
    """Split the headline into its first sentence and the rest."""
    return split(sheet.headline)


def split(text: str) -> tuple[str, str]:
    """Split a text into its first sentence and the rest."""
    found = re.search(r"[.!?] (?=[A-Z])", text)
    if found is None:
        return text, ""
    return text[: found.start() + 1], text[found.end() :]


def baby_in(sheet: Sheet) -> str:
    """Write the earliest time for the baby to go in if the unit is switched on now."""
    moment = sheet.warm_up.earliest_baby_in
    if moment is None:
        return "if now, earliest time for the baby to go in: unknown"
    return (
        f"if now, baby in at {clock(moment, sheet.now)} at the earliest, "
        f"{from_now(moment, sheet.now)}"
    )


def set_to(alarm: AlarmLimit) -> str:
    """Write the value that an alarm limit is set to."""
    if alarm.set_to is None and alarm.state in {"cannot be set", "not used"}:
        return "–"
    return with_unit(alarm.set_to, alarm.unit, _alarm_places(alarm))


def wanted(alarm: AlarmLimit) -> str:
    """Write the value that policy wants for an alarm limit."""
    if alarm.wanted is None and alarm.state == "not used":
        return "–"
    return with_unit(alarm.wanted, alarm.unit, _alarm_places(alarm))


def _alarm_places(alarm: AlarmLimit) -> int:
    """Whole numbers where both values are, one digit otherwise: no alarm has finer steps."""
    values = [v for v in (alarm.wanted, alarm.set_to) if v is not None and math.isfinite(v)]
    return 0 if all(abs(v - round(v)) < 0.05 for v in values) else 1


def short_cautions(cautions: Sequence[str]) -> str:
    """Take the first sentence of each caution, for the top of the sheet."""
    return " ".join(text.split(". ")[0].rstrip(".") + "." for text in cautions)


def sample_size(sheet: Sheet) -> str:
    """Say how the shares came about."""
    return f"From {sheet.members} simulated trips, seed {sheet.seed}, warmhold {sheet.version}."
