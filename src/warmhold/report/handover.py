"""One page to hand a baby over with: what was seen, what is left, who took over.

The page is drawn from ``Handover``, a plain class of its own, and from nothing else: whoever
holds a record and a watch fills it in. Every figure becomes words once, in ``_write``; the HTML
page and the PDF only lay those words out, so that the two cannot disagree.

What is missing reads "unknown", never nought and never nothing. Text that a user wrote goes into
the HTML through Jinja's escaping and into the PDF as JSON that the template reads as a value, so
that it is always shown as text.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, NamedTuple

import jinja2
import typst
from markupsafe import Markup

from warmhold.plan.sheet import CAUTIONS, Band
from warmhold.report import words
from warmhold.report.plain import without_controls

Priority = Literal["high", "medium", "low"]
KnownHow = Literal["read", "worked out"]


# --- what a handover is made of -----------------------------------------------------------------


@dataclass(frozen=True)
class Correction:
    """How an entry stood before it was corrected. An entry without one was never corrected."""

    was: float | str | None = None  # the value or text that stood before, in the entry's own unit
    at: datetime | None = None  # when it was corrected, UTC
    who: str = ""  # who corrected it, with the role


@dataclass(frozen=True)
class Reading:
    """One quantity as it was last written down."""

    key: str  # name of the quantity as observations use it: "pulse_per_min", "gauge_bar:NAME"
    value: float | str | None = None  # a number in the quantity's unit, or a word; None: unknown
    at: datetime | None = None  # the clinical time that was stated for it, UTC
    site: str = ""  # where on the baby, "" where the quantity says it or there is none
    flag: str = ""  # why the entry was asked about; "" when it was not. It stands as entered
    correction: Correction | None = None
    source: str = ""  # the device that told it; "" when a person read it
    apart: str = ""  # what a person read at about the same time, where the two disagree


@dataclass(frozen=True)
class DeviceTold:
    """How much one device told: its values stand in the record, one set a minute."""

    source: str
    sets: int
    first: datetime | None = None  # UTC
    last: datetime | None = None


@dataclass(frozen=True)
class Milestone:
    """One moment that every handover names."""

    title: str
    at: datetime | None = None  # UTC; None: unknown
    correction: Correction | None = None  # ``was`` is text, such as "04:12"


@dataclass(frozen=True)
class Note:
    """A few words under a title, as someone wrote them: lines and tubes, infusions, family."""

    title: str  # "" for a note without one
    text: str = ""  # "" reads unknown; line breaks are kept
    at: datetime | None = None  # the moment that it speaks of, UTC; None: none was stated
    correction: Correction | None = None


@dataclass(frozen=True)
class TemperatureSpan:
    """The baby's temperatures from going in to the handover, all from readings."""

    first: Reading | None = None  # the first after the baby went in
    lowest: Reading | None = None  # of equal ones the earliest
    highest: Reading | None = None
    last: Reading | None = None  # the last before the handover


@dataclass(frozen=True)
class TimeInTarget:
    """How long something stayed in its target.

    The shares are of the minutes that are known: ``inside + below + above`` is ``known``, and
    ``known + unknown`` is the whole trip.
    """

    title: str  # "Temperature, axillary"
    unit: str
    low: float | None = None  # the target's ends, in ``unit``
    high: float | None = None
    inside_min: float | None = None  # numerator [min]
    known_min: float | None = None  # denominator: minutes with a value that still counts [min]
    unknown_min: float | None = None  # minutes without one [min]
    below_min: float | None = None  # part of ``known_min`` [min]
    above_min: float | None = None  # part of ``known_min`` [min]


@dataclass(frozen=True)
class Support:
    """How the baby breathes and what the machine is set to."""

    kind: str = ""  # "hood", "ventilator"; "" unknown
    flow: Reading = Reading("flow_lpm")
    oxygen_set: Reading = Reading("oxygen_set_percent")
    oxygen_read: Reading = Reading("oxygen_percent")
    ventilator: Reading | None = None  # settings as text; None: there is no ventilator


@dataclass(frozen=True)
class Happening:
    """One thing that happened, as logged."""

    at: datetime | None  # stated time, UTC
    what: str  # "port opened"
    detail: str = ""
    correction: Correction | None = None  # ``was`` is the former time and words, as text


@dataclass(frozen=True)
class Noticed:
    """One condition that the watch named, by model and readings; not an alarm of the unit."""

    title: str
    priority: Priority
    since: datetime | None  # when it was first named, UTC
    evidence: str  # what it rests on, with figures; "" reads unknown
    ended: datetime | None = None  # None: still there at the handover


@dataclass(frozen=True)
class Gap:
    """A stretch without a set of observations that was due."""

    start: datetime | None  # UTC
    end: datetime | None  # UTC; None: up to the handover
    what: str = "no set"  # which part was missing


@dataclass(frozen=True)
class Skipped:
    """An item of the list before leaving that was left out."""

    title: str
    reason: str = ""  # "" reads unknown


@dataclass(frozen=True)
class Left:
    """What is left of a gas or of the battery at the handover."""

    title: str  # "Oxygen, cylinder A"
    unit: str
    amount: Band | None = None  # in ``unit``; equal ends where no spread is known; None: unknown
    how: KnownHow | None = None  # how ``amount`` is known
    at: datetime | None = None  # moment that ``amount`` is for, UTC
    minutes: Band | None = None  # how long it lasts at the present draw, always worked out [min]
    note: str = ""  # "closed", "on mains", "gauge and model disagree"
    correction: Correction | None = None


@dataclass(frozen=True)
class LimitSet:
    """One alarm limit of the unit or monitor, as set at the handover."""

    title: str  # "Saturation, low"
    unit: str
    set_to: float | str | None = None  # a number, or "off"; None: unknown
    wanted: float | None = None  # what local policy asks for; None: unknown or nothing
    changed: datetime | None = None  # last change on the way, UTC; None: none was logged
    correction: Correction | None = None


@dataclass(frozen=True)
class Handover:
    """All that one handover page says. Every field may be left out and then reads unknown.

    For lists ``None`` means that nobody can tell, an empty one that there were none.
    All moments are aware datetimes in UTC; ``offset`` only sets how they are shown.
    """

    # identification
    title: str = ""  # of the trip
    pseudonym: str = ""  # of the baby; never a name
    weight_g: float | None = None
    gestation_weeks: float | None = None  # at birth, in decimal weeks
    age_h: float | None = None  # at the handover
    unit: str = ""  # the transport incubator
    place_from: str = ""
    place_to: str = ""
    times: tuple[Milestone, ...] = (
        Milestone("Baby went in"),
        Milestone("Left"),
        Milestone("Arrived"),
    )
    handed_over_by: str = ""  # name or user, with the role
    taken_over_by: str = ""  # name or user, with the role; "" until someone has
    taken_over_at: datetime | None = None  # when responsibility passed, UTC
    taken_over_correction: Correction | None = None

    # situation and background
    reason: str = ""  # why the baby was moved
    present_state: str = ""
    main_problem: str = ""
    background: tuple[Note, ...] = ()  # birth, lines and tubes, infection, family

    # assessment
    temperatures: TemperatureSpan = TemperatureSpan()
    in_target: tuple[TimeInTarget, ...] = (
        TimeInTarget("Temperature", "°C"),
        TimeInTarget("Saturation", "%"),
    )
    target_rule: str = ""  # how long a value counts, in a sentence
    latest: tuple[Reading, ...] = ()  # those in ``ALWAYS`` show as unknown where they lack here
    devices: tuple[DeviceTold, ...] = ()  # that were joined to the trip
    support: Support = Support()
    assessment: tuple[Note, ...] = ()  # infusions, blood gas, drugs given, all as written
    happenings: tuple[Happening, ...] | None = None  # in order of time
    noticed: tuple[Noticed, ...] | None = None  # None: the watch was not running
    gaps: tuple[Gap, ...] | None = None
    skipped: tuple[Skipped, ...] | None = None  # None: no list was kept
    left: tuple[Left, ...] = ()
    limits: tuple[LimitSet, ...] = ()

    # recommendation
    recommendation: tuple[Note, ...] = ()

    # the page itself
    made: datetime | None = None  # when it was written, UTC
    offset: timedelta = timedelta(0)  # from UTC, of the times shown
    record_seq: int | None = None  # last entry of the record that this page knows
    record_head: str = ""  # hash of that entry, hexadecimal
    version: str = ""  # of warmhold
    cautions: tuple[str, ...] = CAUTIONS


# Title, unit and digits after the point of each quantity that an observation may hold.
_QUANTITIES: dict[str, tuple[str, str, int]] = {
    "skin_c": ("Skin", "°C", 1),
    "axillary_c": ("Axillary", "°C", 1),
    "rectal_c": ("Rectal", "°C", 1),
    "pulse_per_min": ("Pulse", "/min", 0),
    "saturation_pre_percent": ("Saturation, pre-ductal", "%", 0),
    "saturation_post_percent": ("Saturation, post-ductal", "%", 0),
    "breaths_per_min": ("Breathing", "/min", 0),
    "pressure_mean_mmhg": ("Mean pressure", "mmHg", 0),
    "glucose_mmol_l": ("Glucose", "mmol/L", 1),
    "air_c": ("Air in the unit", "°C", 1),
    "air_set_c": ("Air, set", "°C", 1),
    "heater_percent": ("Heater output", "%", 0),
    "hood_humidity_percent": ("Humidity in the hood", "%", 0),
    "oxygen_percent": ("Oxygen, read", "%", 0),
    "battery_divisions": ("Charge bar", "divisions", 0),
    "power_source": ("Power from", "", 0),
    "flow_lpm": ("Flow", "L/min", 1),
    "oxygen_set_percent": ("Oxygen, set", "%", 0),
    "vent_text": ("Ventilator", "", 0),
}

ALWAYS = (
    "pulse_per_min",
    "saturation_pre_percent",
    "breaths_per_min",
    "pressure_mean_mmhg",
    "glucose_mmol_l",
    "air_c",
    "air_set_c",
)


# --- the page in words --------------------------------------------------------------------------


@dataclass(frozen=True)
class _Item:
    """A name, its value, and small print below or beside it."""

    name: str
    value: str
    beside: str = ""  # a time or a range that belongs to the value
    more: tuple[str, ...] = ()  # corrected, asked about, a note


@dataclass(frozen=True)
class _Text:
    title: str
    lines: tuple[str, ...]
    more: tuple[str, ...]


@dataclass(frozen=True)
class _Share:
    title: str
    target: str
    share: str
    of: str
    rest: str
    bar: tuple[tuple[str, float, float], ...]  # part, start and width in %; () when unknown


@dataclass(frozen=True)
class _Amount:
    title: str
    amount: str
    spread: str
    how: str
    minutes: str
    minutes_spread: str
    more: tuple[str, ...]


@dataclass(frozen=True)
class _Limit:
    title: str
    set_to: str
    wanted: str
    more: tuple[str, ...]


@dataclass(frozen=True)
class _Event:
    at: str
    what: str
    detail: str
    more: tuple[str, ...]


@dataclass(frozen=True)
class _Condition:
    title: str
    priority: str
    when: str
    evidence: str


@dataclass(frozen=True)
class _Page:
    """The whole page as words."""

    kind: str
    title: str
    stamp: str
    who: tuple[_Item, ...]
    cautions: tuple[str, ...]
    identity: tuple[_Item, ...]
    times: tuple[_Item, ...]
    situation: tuple[_Text, ...]
    background: tuple[_Text, ...]
    temperatures: tuple[_Item, ...]
    shares: tuple[_Share, ...]
    target_rule: str
    latest: tuple[_Item, ...]
    devices: str
    support: tuple[_Item, ...]
    assessment: tuple[_Text, ...]
    left: tuple[_Amount, ...]
    left_none: str
    limits: tuple[_Limit, ...]
    limits_none: str
    noticed: tuple[_Condition, ...]
    noticed_none: str
    happenings: tuple[_Event, ...]
    happenings_none: str
    gaps: tuple[str, ...]
    gaps_none: str
    skipped: tuple[_Item, ...]
    skipped_none: str
    recommendation: tuple[_Text, ...]
    record: str
    head: str
    made_by: str


class _Clock(NamedTuple):
    """Write moments at the page's offset; the date too, where it is not the page's own."""

    zone: timezone
    day: datetime | None  # the page's own

    def here(self, moment: datetime) -> datetime:
        return moment if moment.tzinfo is None else moment.astimezone(self.zone)

    def at(self, moment: datetime | None) -> str:
        if moment is None:
            return words.UNKNOWN
        here = self.here(moment)
        text = f"{here:%H:%M}"
        if self.day is None or here.date() != self.day.date():
            _, number, month, year = words.day(here).split()
            near = self.day is not None and here.year == self.day.year
            text = f"{number} {month} {text}" if near else f"{number} {month} {year} {text}"
        return text if moment.tzinfo is not None else f"{text} {words.offset(moment)}"

    def span(self, start: datetime | None, end: datetime | None, open_end: str) -> str:
        until = open_end if end is None else self.at(end)
        text = f"{self.at(start)} to {until}"
        if start is None or end is None or (start.tzinfo is None) != (end.tzinfo is None):
            return text
        minutes = round((end - start).total_seconds() / 60)
        return f"{text} ({minutes} min)" if minutes >= 0 else text


def _write(h: Handover) -> _Page:
    """Turn every figure into words."""
    zone = timezone(h.offset)
    own_day = h.made if h.made is not None else h.taken_over_at
    clock = _Clock(zone, None)
    if own_day is not None:
        clock = _Clock(zone, clock.here(own_day))
    shown_offset = words.offset(datetime(2000, 1, 1, tzinfo=zone))
    made = "at an unknown time" if h.made is None else words.stamp(clock.here(h.made))
    return _Page(
        kind="Handover of one transfer",
        title=_one_line(h.title) or "Handover",
        stamp=f"Written {made}. All times on this page are at {shown_offset}.",
        who=(
            _Item("Handed over by", _said(h.handed_over_by)),
            _Item("Taken over by", _said(h.taken_over_by)),
            _Item(
                "Taken over at",
                clock.at(h.taken_over_at),
                more=_corrected(h.taken_over_correction, "", clock),
            ),
        ),
        cautions=tuple(_one_line(text) for text in h.cautions),
        identity=_identity(h),
        times=tuple(
            _Item(_one_line(t.title), clock.at(t.at), more=_corrected(t.correction, "", clock))
            for t in h.times
        ),
        situation=(
            _Text("Reason", _lines(h.reason), ()),
            _Text("Main problem", _lines(h.main_problem), ()),
            _Text("Present state", _lines(h.present_state), ()),
        ),
        background=_notes(h.background, clock) or (_Text("", (words.UNKNOWN,), ()),),
        temperatures=tuple(
            _temperature(title, reading, clock)
            for title, reading in (
                ("First", h.temperatures.first),
                ("Lowest", h.temperatures.lowest),
                ("Highest", h.temperatures.highest),
                ("Last", h.temperatures.last),
            )
        ),
        shares=tuple(_share(one) for one in h.in_target),
        target_rule=_one_line(h.target_rule),
        latest=tuple(_reading(one, clock) for one in _with_always(h.latest)),
        devices=_devices(h.devices, clock),
        support=_support(h.support, clock),
        assessment=_notes(h.assessment, clock),
        left=tuple(_amount(one, clock) for one in h.left),
        left_none="" if h.left else words.UNKNOWN,
        limits=tuple(_limit(one, clock) for one in h.limits),
        limits_none="" if h.limits else words.UNKNOWN,
        noticed=_noticed(h.noticed or (), clock),
        noticed_none=_none(h.noticed, "None.", "unknown: the watch was not running"),
        happenings=tuple(
            _Event(
                clock.at(one.at),
                _said(one.what),
                _one_line(one.detail),
                _corrected(one.correction, "", clock),
            )
            for one in h.happenings or ()
        ),
        happenings_none=_none(h.happenings, "None written down."),
        gaps=tuple(
            f"{clock.span(g.start, g.end, 'the handover')}: {_said(g.what)}" for g in h.gaps or ()
        ),
        gaps_none=_none(h.gaps, "None: every set that was due is there."),
        skipped=_by_reason(h.skipped or ()),
        skipped_none=_none(h.skipped, "Nothing."),
        recommendation=_notes(h.recommendation, clock) or (_Text("", (words.UNKNOWN,), ()),),
        record=f"Record up to entry {words.UNKNOWN if h.record_seq is None else h.record_seq}",
        head=_fingerprint(h.record_head),
        made_by=_cut(f"warmhold {_one_line(h.version)}".rstrip(), 30),
    )


def _none(given: Sequence[object] | None, empty: str, lacking: str = words.UNKNOWN) -> str:
    """Say that there were none, or that nobody can tell; "" when there are some."""
    if given is None:
        return lacking
    return "" if given else empty


def _one_line(text: str) -> str:
    """Bring a text into one line that holds nothing but what can be seen."""
    return " ".join(_thinned(without_controls(text)).split())


def _thinned(text: str) -> str:
    """Keep at most three marks on one letter: a tower of them would cover its neighbours."""
    out: list[str] = []
    marks = 0
    for char in text:
        marks = marks + 1 if unicodedata.category(char) in {"Mn", "Me"} else 0
        if marks <= 3:
            out.append(char)
    return "".join(out)


def _by_reason(skipped: Sequence[Skipped]) -> tuple[_Item, ...]:
    """Join the items that were left out for one reason, so that it is read once."""
    titles: dict[str, list[str]] = {}
    for one in skipped:
        titles.setdefault(_said(one.reason), []).append(_said(one.title))
    return tuple(_Item("; ".join(found) + ":", reason) for reason, found in titles.items())


def _said(text: str) -> str:
    return _one_line(text) or words.UNKNOWN


def _lines(text: str) -> tuple[str, ...]:
    """Split what someone wrote into its lines; unknown when there is nothing."""
    found = (_one_line(line) for line in re.split(r"\r\n|[\n\r\v\f\x85\u2028\u2029]", text))
    return tuple(line for line in found if line) or (words.UNKNOWN,)


def _figure(value: float | str | None, unit: str, places: int) -> str:
    """Write a value as it was entered: with more digits than usual rather than with fewer."""
    if isinstance(value, str):
        return _said(value)
    if value is None or not math.isfinite(value):
        return words.UNKNOWN
    digits = next((p for p in range(places, 4) if abs(round(value, p) - value) < 1e-9), 3)
    return _together(words.with_unit(value, unit, digits))


def _together(figure: str) -> str:
    """Keep a figure and its unit on one line."""
    return figure.replace(" ", "\u00a0")


def _places(unit: str) -> int:
    """Digits after the point that figures in a unit have at least."""
    return 1 if unit == "°C" else 0


def _corrected(
    correction: Correction | None, unit: str, clock: _Clock, places: int = 0
) -> tuple[str, ...]:
    if correction is None:
        return ()
    when = "at an unknown time" if correction.at is None else clock.at(correction.at)
    who = _one_line(correction.who)
    return (
        f"corrected {when}{f' by {who}' if who else ''}, "
        f"was {_figure(correction.was, unit, places)}",
    )


def _notes(notes: Sequence[Note], clock: _Clock) -> tuple[_Text, ...]:
    out = []
    for note in notes:
        when = () if note.at is None else (clock.at(note.at),)
        more = (*when, *_corrected(note.correction, "", clock))
        out.append(_Text(_one_line(note.title), _lines(note.text), more))
    return tuple(out)


def _identity(h: Handover) -> tuple[_Item, ...]:
    return (
        _Item("Baby", _said(h.pseudonym)),
        _Item("Weight", _figure(h.weight_g, "g", 0)),
        _Item("Gestation", words.gestation(h.gestation_weeks)),
        _Item("Age", _age(h.age_h)),
        _Item("From", _said(h.place_from)),
        _Item("To", _said(h.place_to)),
        _Item("Unit", _said(h.unit)),
    )


def _age(hours: float | None) -> str:
    if hours is None or not math.isfinite(hours) or hours < 0:
        return words.UNKNOWN
    if hours < 72:
        return f"{hours:.0f} h" if hours >= 1 else f"{hours * 60:.0f} min"
    return f"{math.floor(hours / 24)} days"


def _quantity(key: str) -> tuple[str, str, int]:
    if key in _QUANTITIES:
        return _QUANTITIES[key]
    if key.startswith("gauge_bar:"):
        return f"Gauge, {_said(key.partition(':')[2])}", "bar", 0
    return _said(key.replace("_", " ")), "", 0


def _small_print(reading: Reading, clock: _Clock) -> tuple[str, ...]:
    _, unit, places = _quantity(reading.key)
    flag, source = _one_line(reading.flag), _one_line(reading.source)
    asked = "stands as told" if source else "asked about, stands as entered"
    return (
        *((f"told by {source}",) if source else ()),
        *((_one_line(reading.apart),) if reading.apart else ()),
        *_corrected(reading.correction, unit, clock, places),
        *((f"{asked}: {flag}",) if flag else ()),
    )


def _devices(devices: Sequence[DeviceTold], clock: _Clock) -> str:
    """Say in a line what devices told; empty when none did."""
    if not devices:
        return ""
    parts = (
        f"{_said(one.source)}, {one.sets} {'set' if one.sets == 1 else 'sets'}, "
        f"{clock.span(one.first, one.last, 'the handover')}"
        for one in devices
    )
    return f"Told by devices, beside what was read by hand: {'; '.join(parts)}."


def _reading(reading: Reading, clock: _Clock) -> _Item:
    title, unit, places = _quantity(reading.key)
    value = _figure(reading.value, unit, places)
    site = _one_line(reading.site)
    return _Item(
        f"{title}, {site}" if site else title,
        value,
        "" if value == words.UNKNOWN and reading.at is None else clock.at(reading.at),
        _small_print(reading, clock),
    )


def _temperature(title: str, reading: Reading | None, clock: _Clock) -> _Item:
    if reading is None:
        return _Item(title, words.UNKNOWN)
    where, unit, places = _quantity(reading.key)
    value = _figure(reading.value, unit, places)
    site = _one_line(reading.site)
    beside = f"{f'{where}, {site}' if site else where}, {clock.at(reading.at)}"
    return _Item(title, value, beside, _small_print(reading, clock))


def _with_always(latest: Sequence[Reading]) -> tuple[Reading, ...]:
    """Put what every handover tells first, unknown where it was never taken; then the rest."""
    given = {one.key: one for one in reversed(latest)}
    first = tuple(given.get(key, Reading(key)) for key in ALWAYS)
    return first + tuple(one for one in latest if one.key not in ALWAYS)


def _support(support: Support, clock: _Clock) -> tuple[_Item, ...]:
    readings = [support.flow, support.oxygen_set, support.oxygen_read]
    if support.ventilator is not None:
        readings.append(support.ventilator)
    return (_Item("Kind", _said(support.kind)), *(_reading(one, clock) for one in readings))


def _whole_minutes(minutes: float | None) -> str:
    if minutes is None or not math.isfinite(minutes) or minutes < 0:
        return words.UNKNOWN
    return "< 1 min" if 0 < minutes < 1 else f"{minutes:.0f} min"


def _share(one: TimeInTarget) -> _Share:
    unit = _one_line(one.unit)
    low = _figure(one.low, "", _places(unit))
    high = _figure(one.high, unit, _places(unit))
    known, inside = one.known_min, one.inside_min
    sound = (
        known is not None
        and inside is not None
        and math.isfinite(known)
        and known > 0
        and 0 <= inside <= known
    )
    of = f"{_whole_minutes(inside)} of the {_whole_minutes(known)} with a value"
    target = f"{low} to {high}" if {low, high} != {words.UNKNOWN} else words.UNKNOWN
    return _Share(
        title=_said(one.title),
        target=f"target {target}",
        share=_percent(inside / known) if sound and known and inside is not None else words.UNKNOWN,
        of=of
        if sound
        else f"in target: {_whole_minutes(inside)}, with a value: {_whole_minutes(known)}",
        rest=(
            f"below {_whole_minutes(one.below_min)}, above {_whole_minutes(one.above_min)}, "
            f"no value for {_whole_minutes(one.unknown_min)}"
        ),
        bar=_bar(one) if sound else (),
    )


def _percent(share: float) -> str:
    """Write a share of minutes: 100 % only when it is all, 0 % only when it is none."""
    percent = 100 * share
    if 0 < percent < 1:
        return "< 1 %"
    return f"{min(round(percent), 99) if percent < 100 else 100} %"


def _bar(one: TimeInTarget) -> tuple[tuple[str, float, float], ...]:
    """Lay the four parts of the trip end to end."""
    parts = {
        "below": one.below_min,
        "inside": one.inside_min,
        "above": one.above_min,
        "unknown": one.unknown_min,
    }
    widths = {name: v for name, v in parts.items() if v is not None and math.isfinite(v) and v >= 0}
    whole = sum(widths.values())
    if len(widths) < len(parts) or whole <= 0:
        return ()
    bar: list[tuple[str, float, float]] = []
    start = 0.0
    for name, minutes in widths.items():
        width = 100 * minutes / whole
        if width > 0:
            bar.append((name, round(start, 2), round(width, 2)))
        start += width
    return tuple(bar)


def _amount(one: Left, clock: _Clock) -> _Amount:
    unit = _one_line(one.unit)
    known = words.known_band(one.amount)
    how = (one.how or words.UNKNOWN) if known else ""
    if known and one.at is not None:
        how = f"{how}, {clock.at(one.at)}"
    lasting = words.known_band(one.minutes)
    note = _one_line(one.note)
    return _Amount(
        title=_said(one.title),
        amount=_together(words.middle(one.amount, unit)),
        spread=_spread(one.amount, unit),
        how=how,
        minutes=_together(words.middle(one.minutes, "min")),
        minutes_spread=_spread(one.minutes, "min") if lasting else "",
        more=(*((note,) if note else ()), *_corrected(one.correction, unit, clock)),
    )


def _spread(band: Band | None, unit: str) -> str:
    if band is None or not words.known_band(band):
        return ""
    return words.spread(band, unit) if band.p05 < band.p95 else "no spread known"


def _limit(one: LimitSet, clock: _Clock) -> _Limit:
    unit = _one_line(one.unit)
    more = list(_corrected(one.correction, unit, clock, _places(unit)))
    if one.changed is not None:
        more.insert(0, f"changed {clock.at(one.changed)}")
    places = _places(unit)
    set_to, wanted = _figure(one.set_to, unit, places), _figure(one.wanted, unit, places)
    if words.UNKNOWN not in {set_to, wanted} and set_to != wanted:
        more.insert(0, "not as policy")
    return _Limit(_said(one.title), set_to, wanted, tuple(more))


_RANK: dict[Priority, int] = {"high": 0, "medium": 1, "low": 2}


def _noticed(found: Sequence[Noticed], clock: _Clock) -> tuple[_Condition, ...]:
    """Put what is still there first, then by priority; of equal ones the order stays."""
    ranked = sorted(found, key=lambda n: (n.ended is not None, _RANK[n.priority]))
    return tuple(
        _Condition(
            title=_said(one.title),
            priority=f"{one.priority} priority",
            when=(
                f"since {clock.at(one.since)}, still there"
                if one.ended is None
                else f"{clock.at(one.since)} to {clock.at(one.ended)}, ended"
            ),
            evidence=_said(one.evidence),
        )
        for one in ranked
    )


def _cut(text: str, most: int) -> str:
    """Keep what stands in the foot of every page short; nobody writes there by hand."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _fingerprint(head: str) -> str:
    """Set a hash in groups of eight, to be read aloud and compared."""
    text = _one_line(head)
    if not re.fullmatch(r"[0-9a-fA-F]{9,128}", text):
        return _cut(text, 80) or words.UNKNOWN
    return " ".join(text[i : i + 8] for i in range(0, len(text), 8))


# --- HTML ---------------------------------------------------------------------------------------


def handover_html(h: Handover) -> str:
    """Write the handover as a whole HTML page that needs nothing else.

    Parameters
    ----------
    h : what the page says; see the fields of ``Handover``

    Returns
    -------
    One page of HTML with its style inside, for screens and for printing on A4.
    """
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_shipped),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    css = Markup(_shipped("sheet.css") + _shipped("handover.css"))
    return environment.get_template("handover.html").render(
        p=_write(h), css=css, unknown=words.UNKNOWN
    )


def _shipped(name: str) -> str:
    return resources.files("warmhold.report").joinpath(name).read_text(encoding="utf-8")


# --- PDF ----------------------------------------------------------------------------------------

_FACES = ("DejaVu Sans", "Libertinus Serif", "DejaVu Sans Mono", "New Computer Modern")
_LAST_RESORT = "Last Resort"  # draws the same box for every sign of a block: as good as nothing
_WIDE_EM = 11.0  # a word wider than this may be broken anywhere
_SPELLED_NOTE = (
    "Signs that no font at hand can draw stand as their numbers, such as [U+6F22]. "
    "The page on the screen has the signs themselves."
)


def handover_pdf(h: Handover) -> bytes:
    """Write the handover as a PDF on A4, with the words of ``handover_html``.

    The same handover gives the same bytes, as long as the fonts that come along with warmhold's
    dependencies can draw it. Where they cannot, fonts of this computer help out; signs that none
    of them has stand as their numbers, and the page says so.

    Parameters
    ----------
    h : what the page says; see the fields of ``Handover``

    Returns
    -------
    A tagged PDF (PDF/UA-1); with page numbers when there is more than one page.
    """
    page = _write(h)
    moment = h.made if h.made is not None else datetime(1970, 1, 1, tzinfo=UTC)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    # PDF/UA does not allow an empty box, so that a sign which no face has is an error here. The
    # bold face has fewer signs than the regular one.
    for with_system, heavy in ((False, True), (False, False), (True, True), (True, False)):
        try:
            return _compile(page, moment, with_system=with_system, heavy=heavy)
        except typst.TypstError:
            continue
    return _compile(page, moment, with_system=False, heavy=False, spell=True)


def _compile(
    page: _Page, moment: datetime, *, with_system: bool, heavy: bool, spell: bool = False
) -> bytes:
    fonts, faces = _fonts(with_system)
    drawable = _drawable() if spell else None
    given = _each_text(asdict(page), lambda text: _for_print(_spelled(text, drawable)))
    given["faces"] = faces
    given["mono"] = ["DejaVu Sans Mono", *faces]
    given["heavy"] = heavy
    given["unknown"] = words.UNKNOWN
    given["note"] = _SPELLED_NOTE if spell else ""
    out = typst.compile(
        _shipped("handover.typ").encode(),
        font_paths=fonts,
        ignore_system_fonts=True,
        sys_inputs={"page": json.dumps(given, ensure_ascii=False, allow_nan=False)},
        pdf_standards=["ua-1"],
        timestamp=int(moment.timestamp()),
    )
    if not isinstance(out, bytes):
        raise TypeError("a PDF is one file")
    return out


def _font_folder() -> Path | None:
    """Find the fonts that come with the plotting library: the same on every computer."""
    import matplotlib as mpl  # noqa: PLC0415  (takes a while, and only a PDF needs it)

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return folder if folder.is_dir() else None


@lru_cache(maxsize=2)
def _fonts(with_system: bool) -> tuple[typst.Fonts, list[str]]:
    """Gather fonts, and the names of the faces in the order to try them in."""
    folder = _font_folder()
    found = typst.Fonts(
        include_system_fonts=with_system, font_paths=[] if folder is None else [str(folder)]
    )
    families = found.families()
    faces = [face for face in _FACES if face in families]
    if with_system:
        faces += sorted(f for f in families if f not in faces and not f.startswith(_LAST_RESORT))
    return found, faces


@lru_cache(maxsize=1)
def _drawable() -> frozenset[int]:
    """Signs that the first face can draw; those of Western Europe when it is not there."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415

    folder = _font_folder()
    file = None if folder is None else folder / "DejaVuSans.ttf"
    if file is None or not file.is_file():
        return frozenset(range(0x20, 0x250))
    return frozenset(FT2Font(str(file)).get_charmap())


def _spelled(text: str, drawable: frozenset[int] | None) -> str:
    if drawable is None:
        return text
    return "".join(c if ord(c) in drawable else f"[U+{ord(c):04X}]" for c in text)


def _each_text(node: Any, change: Callable[[str], str]) -> Any:
    if isinstance(node, str):
        return change(node)
    if isinstance(node, dict):
        return {key: _each_text(value, change) for key, value in node.items()}
    if isinstance(node, list | tuple):
        return [_each_text(value, change) for value in node]
    return node


def _for_print(text: str) -> str:
    """Let a very wide word break, and keep a text that runs to the left from turning others."""
    text = " ".join(_breakable(word) for word in text.split(" "))
    if any(unicodedata.bidirectional(char) in {"R", "AL", "AN"} for char in text):
        return f"\u2068{text}\u2069"
    return text


def _breakable(word: str) -> str:
    if sum(map(_em, word)) <= _WIDE_EM:
        return word
    out: list[str] = []
    for i, sign in enumerate(re.findall(r"\[U\+[0-9A-F]{4,6}\]|.", word)):
        if i and not unicodedata.category(sign[0]).startswith("M"):
            out.append("\u200b")
        out.append(sign)
    return "".join(out)


def _em(char: str) -> float:
    """Guess how wide a sign is, on the safe side, in units of the font's size."""
    if unicodedata.category(char).startswith("M"):
        return 0.0
    return 0.65 if char.islower() or char.isdigit() or char in ".,:;'-()/" else 1.0
