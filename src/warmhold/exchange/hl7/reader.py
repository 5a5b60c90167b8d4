"""What a report of observations (ORU^R01) says, or why it is not taken.

A message is taken whole or refused whole. Within one that is taken, a value that cannot be kept as
a quantity of the record (an unknown code, a unit that does not fit, a site that the record does not
keep) is told without one, with the reason; nothing is guessed.

Source: HL7 v2.5, chapter 7, ORU^R01, OBR and OBX; tables 0078, 0085, 0103 (memory); IHE PCD-01
    (memory)
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from typing import Final

from warmhold.exchange.codes import (
    LOCAL,
    LOINC,
    MDC,
    UCUM,
    Code,
    by_loinc,
    by_mdc,
    code_of,
    codes,
    is_loinc,
    table,
)
from warmhold.exchange.hl7.syntax import Header, Segment, Unreadable, header_of, parsed
from warmhold.exchange.hl7.times import NoMoment, Zones, moment
from warmhold.exchange.told import Told
from warmhold.record.bodies import NUMBERS

LOCAL_SYSTEM: Final = "99WHQ"  # table 0396: 99 and three more for codes of a project's own
MOST_VALUES: Final = 10_000
VERSIONS: Final = re.compile(r"2\.[3-8](\.[1-9])?", re.ASCII)
LONGEST_SOURCE: Final = 150

# Segments that ORU^R01 may hold in one of the versions; a name beyond them is more likely a broken
# OBX than something to pass over.
_SEGMENTS = frozenset(
    ("MSH", "SFT", "UAC", "ARV", "PID", "PD1", "NTE", "NK1", "PRT", "OH1", "OH2", "OH3", "OH4",
     "PV1", "PV2", "ORC", "OBR", "TQ1", "TQ2", "CTD", "OBX", "FT1", "CTI", "SPM", "SAC", "DSC",
     "ROL", "AL1", "GT1", "IN1", "IN2", "IN3", "DB1", "ACC", "DEV")
)  # fmt: skip
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)
_LONGEST_NUMBER = 400
_LONGEST_TEXT = 200  # of what is told beside a value; the message itself is kept whole
_ANNOTATION = re.compile(r"\{[^{}]*\}")

_SYSTEMS = {
    "MDC": MDC, MDC.upper(): MDC, "2.16.840.1.113883.6.24": MDC,
    "LN": LOINC, LOINC.upper(): LOINC, "2.16.840.1.113883.6.1": LOINC,
    LOCAL_SYSTEM: LOCAL, LOCAL.upper(): LOCAL,
    "UCUM": UCUM, UCUM.upper(): UCUM, "2.16.840.1.113883.6.8": UCUM,
}  # fmt: skip
# Units of ISO 2955 as older senders write them, which mean exactly this (memory).
_OLDER_UNITS = {"CEL": "Cel", "MM(HG)": "mm[Hg]", "/MIN": "/min", "L/MIN": "L/min", "%": "%"}

_STATUS_NONE = {
    "X": "no value could be had",
    "D": "the sender took it back",
    "W": "the sender says it belongs to another patient",
    "N": "it was not asked for",
    "I": "it is still awaited",
    "O": "it was asked for only",
}
_STATUS_FINE = ("F", "R", "C", "U", "V")
_STATUS_ODD = {"": "status not told", "P": "preliminary", "S": "partial"}
# Marks that say something about the patient or the trend, and nothing against the value.
_FLAGS_FINE = frozenset(
    ("", "N", "L", "H", "LL", "HH", "A", "AA", "U", "D", "B", "W", "LU", "HU", "S", "R", "I", "MS",
     "VS", "POS", "NEG")
)  # fmt: skip
_FLAGS_NONE = {"INV": "the device says it is invalid", "NAV": "the device says there is none"}
_FLAGS_ODD = {
    "QUES": "questionable",
    "CALIB": "calibration under way",
    "TEST": "test",
    "DEMO": "demonstration",
    "ERLY": "early estimate",
    "EARLY": "early estimate",
    "<": "below the scale of the instrument",
    ">": "above the scale of the instrument",
}
_PROCESSING_ODD = {"T": "demonstration", "D": "test"}
_PROCESSING = ("P", *_PROCESSING_ODD)

_HANDS = ("right hand", "right arm", "right wrist")
_FEET = ("foot", "left foot", "right foot", "toe", "left toe", "right toe")
_SATURATIONS = ("saturation_pre_percent", "saturation_post_percent")


@dataclass(frozen=True)
class Rules:
    """What a person stated about the senders.

    zones : for times without an offset
    saturation_at : where the probe is when the message does not say: "", "right hand" or "foot";
        empty: as the table of codes takes it for granted
    """

    zones: Zones = field(default_factory=Zones)
    saturation_at: str = ""


@dataclass(frozen=True)
class Observed:
    """One segment OBX, as it was sent.

    type : OBX-2
    codes : OBX-3, each as code, text and coding system
    sub : OBX-4, where the metric belongs in the device
    values : OBX-5, each repetition as its components
    unit : OBX-6 as code, text and coding system
    flags : OBX-8
    status : OBX-11
    at : OBX-14, else OBR-7; ``None`` when neither is told
    device : OBX-18, else that of the head it belongs to
    site : OBX-20
    """

    type: str
    codes: tuple[tuple[str, str, str], ...]
    sub: str
    values: tuple[tuple[str, ...], ...]
    unit: tuple[str, str, str]
    flags: tuple[str, ...]
    status: str
    at: datetime | None
    device: str
    site: str


@dataclass(frozen=True)
class Message:
    """A message that was understood.

    identity : MSH-10
    source : who sent it, for the inbox: application, place, device, and a short mark that changes
        with the patient, so that what a device tells of another patient comes from another source
    patients : PID-3, to be shown; no value is put to a baby by it
    observed : all segments OBX
    told : their values
    noticed : what is odd, in words
    """

    header: Header
    identity: str
    source: str
    patients: tuple[str, ...]
    place: str
    observed: tuple[Observed, ...]
    told: tuple[Told, ...]
    noticed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Refused:
    """A message that is not taken.

    reason : why, in plain words
    condition : number of table 0357 that fits (memory)
    rejected : it is of a kind that is not taken at all
    header : as far as it can be read
    source : as far as it can be told; empty otherwise
    """

    reason: str
    condition: int
    rejected: bool
    header: Header | None = None
    source: str = ""

    @property
    def identity(self) -> str:
        """MSH-10, empty when it cannot be read."""
        return self.header.identity if self.header is not None else ""


def read(raw: bytes, rules: Rules | None = None, peer: str = "") -> Message | Refused:
    """Read one message.

    raw : without its frame
    peer : where it came from; named in the source when nothing in the message says which device
    """
    header: Header | None = None
    source = ""
    try:
        header = header_of(raw)
        whole = parsed(raw)
        header = whole.header
        _check_kind(header)
        source = _source(header, whole.segments, peer)
        return _message(header, whole.segments, whole.noticed, rules or Rules(), source)
    except Unreadable as error:
        return Refused(error.reason, error.condition, error.rejected, header, source)


def _check_kind(header: Header) -> None:
    kind = header.segment.components(9)
    if [part.strip() for part in kind[:2]] != ["ORU", "R01"]:
        shown = "^".join(kind)[:40] or "nothing"
        raise Unreadable(
            f"MSH-9 says {shown!r}; only ORU^R01 is taken",
            201 if part_or_none(kind, 0) == "ORU" else 200,
            True,
        )
    if not VERSIONS.fullmatch(header.version):
        raise Unreadable(
            f"MSH-12 says version {header.version[:20]!r}; 2.3 to 2.8 are taken", 203, True
        )
    if header.processing not in _PROCESSING:
        raise Unreadable(f"MSH-11 says {header.processing[:20]!r}; P, T and D are taken", 202, True)
    if not header.identity:
        raise Unreadable("MSH-10, the message's own number, is missing", 101)
    if len(header.identity) > 199:
        raise Unreadable("MSH-10, the message's own number, is longer than 199 characters", 102)


def part_or_none(parts: Sequence[str], place: int) -> str:
    """Return one of the parts, stripped; empty when it is not there."""
    return parts[place].strip() if place < len(parts) else ""


def _source(header: Header, segments: Sequence[Segment], peer: str) -> str:
    """Name who sent a message."""
    devices = {device for one in segments if one.name == "OBX" and (device := _device(one))}
    places = {place for one in segments if one.name == "PV1" and (place := _place(one))}
    words = [header.application or header.facility or "unnamed sender"]
    words += sorted(places) if len(places) == 1 else []
    words += sorted(devices) if len(devices) == 1 else []
    if len(words) == 1 and peer:
        words[0] += f" at {peer}"
    patients = sorted({one for segment in segments for one in _patients(segment)})
    name = "".join(sign if sign.isprintable() else "?" for sign in ", ".join(words))
    name = " ".join(name.split())[: LONGEST_SOURCE - 20]
    if patients:
        digest = hashlib.sha256("\n".join(patients).encode("utf-8", "backslashreplace"))
        name += f", patient mark {digest.hexdigest()[:4]}"
    return name


def _place(segment: Segment) -> str:
    """Return PV1-3: point of care, room and bed."""
    return " ".join(part.strip() for part in segment.components(3)[:3] if part.strip())


def _device(segment: Segment) -> str:
    """Return OBX-18: what it is called and, if that is a number, what kind of number."""
    return segment.component(18)


def _patients(segment: Segment) -> Iterator[str]:
    if segment.name == "PID":
        for one in segment.repetitions(3):
            if part_or_none(one, 0):
                yield "^".join((part_or_none(one, 0), part_or_none(one, 3))).rstrip("^")


def _message(
    header: Header,
    segments: Sequence[Segment],
    noticed: tuple[str, ...],
    rules: Rules,
    source: str,
) -> Message:
    said = list(noticed)
    zone = rules.zones.of(header.application)
    seen_patients: list[tuple[str, ...]] = []
    observed: list[Observed] = []
    spans: list[bool] = []
    place = ""
    started: datetime | None = None
    spans_time = False
    for number, segment in enumerate(segments, 1):
        name = segment.name
        if name not in _SEGMENTS and not name.startswith("Z"):
            raise Unreadable(f"segment {number} is called {name}, which ORU^R01 does not hold", 100)
        if name == "PID":
            seen_patients.append(tuple(_patients(segment)))
        elif name == "PV1":
            place = place or _place(segment)
        elif name == "OBR":
            started = _moment(segment, 7, zone, number)
            ended = _moment(segment, 8, zone, number)
            spans_time = (
                started is not None
                and ended is not None
                and abs(ended - started) > timedelta(minutes=1)
            )
        elif name == "OBX":
            own = _moment(segment, 14, zone, number)
            observed.append(_observed(segment, own if own is not None else started))
            spans.append(own is None and spans_time)
    if len(set(seen_patients)) > 1:
        raise Unreadable("it tells of more than one patient; send one message for each")
    if len(observed) > MOST_VALUES:
        raise Unreadable(f"it has {len(observed)} segments OBX; allowed are {MOST_VALUES}")
    observed = list(_with_devices(observed))
    odd = _PROCESSING_ODD.get(header.processing, "")
    told = []
    for one, is_span in zip(observed, spans, strict=True):
        more = [odd, "the time is the start of a longer span"] if is_span else [odd]
        found = _told(one, more, rules, said)
        if found is not None:
            told.append(found)
    if not observed:
        said.append("it holds no segment OBX")
    patients = tuple(dict.fromkeys(one for found in seen_patients for one in found))
    return Message(
        header, header.identity, source, patients, place, tuple(observed), tuple(told),
        tuple(dict.fromkeys(said)),
    )  # fmt: skip


def _with_devices(observed: Sequence[Observed]) -> Iterator[Observed]:
    """Give each metric the device that its head names: the first number of OBX-4 is the same."""
    heads = {
        one.sub.split(".", maxsplit=1)[0]: one.device
        for one in observed
        if one.device and one.sub.endswith(".0.0.0")
    }
    for one in observed:
        head = heads.get(one.sub.split(".", maxsplit=1)[0], "") if "." in one.sub else ""
        yield one if one.device or not head else replace(one, device=head)


def _moment(segment: Segment, number: int, zone: tzinfo | None, place: int) -> datetime | None:
    text = segment.component(number)
    if not text:
        return None
    try:
        return moment(text, zone)
    except NoMoment as error:
        raise Unreadable(f"segment {place}, {segment.name}-{number}: {error}", 102) from error


def _observed(segment: Segment, at: datetime | None) -> Observed:
    coded = segment.components(3)
    triples = [_triple(coded, place) for place in (0, 3, 9)]
    unit = segment.components(6)
    return Observed(
        type=segment.component(2),
        codes=tuple(triple for triple in triples if any(triple)),
        sub=segment.component(4),
        values=tuple(tuple(part.strip() for part in one) for one in segment.repetitions(5)),
        unit=_triple(unit, 0) if any(_triple(unit, 0)) else _triple(unit, 3),
        flags=tuple(part_or_none(one, 0) for one in segment.repetitions(8)),
        status=segment.component(11),
        at=at,
        device=_device(segment),
        site=" ".join(part.strip() for part in segment.components(20)[:2] if part.strip()),
    )


def _triple(parts: Sequence[str], place: int) -> tuple[str, str, str]:
    return (
        part_or_none(parts, place),
        part_or_none(parts, place + 1),
        part_or_none(parts, place + 2),
    )


def _told(one: Observed, odd: list[str], rules: Rules, said: list[str]) -> Told | None:
    """Say what a segment tells; ``None`` for one that only heads others."""
    code, against = _quantity(one, rules, said)
    empty = not any(part for value in one.values for part in value)
    if empty and code is None and not against:
        return None
    against = [*odd, *against]
    value, why = _value(one, empty)
    for flag in one.flags:
        mark = flag.upper()
        if mark in _FLAGS_NONE:
            value, why = None, _kept_in_words(value, why, _FLAGS_NONE[mark])
        elif mark not in _FLAGS_FINE:
            against.append(_FLAGS_ODD.get(mark, f"marked {flag[:20]}"))
    if one.status in _STATUS_NONE:
        value, why = None, _kept_in_words(value, why, _STATUS_NONE[one.status])
    elif one.status not in _STATUS_FINE:
        against.append(_STATUS_ODD.get(one.status, f"status {one.status[:20]}"))
    if value is not None and code is not None:
        value, why = _in_our_unit(value, one, code)
    return Told(
        at=one.at,
        quantity=code.key if code is not None else "",
        value=value,
        why_none=why,
        code=_shown_code(one)[:_LONGEST_TEXT],
        unit=" ".join(part for part in (one.unit[0], one.unit[2]) if part)[:_LONGEST_TEXT],
        device=one.device[:_LONGEST_TEXT],
        flag=", ".join(dict.fromkeys(word for word in against if word))[:_LONGEST_TEXT],
    )


def _kept_in_words(value: float | None, why: str, reason: str) -> str:
    return reason if value is None else f"{reason} (it told {value:g})"


def _shown_code(one: Observed) -> str:
    if not one.codes:
        return ""
    code, text, system = one.codes[0]
    return " ".join(part for part in (code or text, system) if part)


def _system(name: str) -> str:
    return _SYSTEMS.get(name.upper().removeprefix("URN:OID:"), "")


def _quantity(one: Observed, rules: Rules, said: list[str]) -> tuple[Code | None, list[str]]:
    """Return what the record keeps it as, and what speaks against that."""
    meant: dict[str, Code] = {}
    others: set[str] = set()  # codes of known meaning that the record keeps nothing of
    local: Code | None = None
    against: list[str] = []
    for code, text, system in one.codes:
        named = _system(system)
        found: Code | None = None
        if named == MDC:
            number, why = _mdc_number(code, text)
            against += why
            found = by_mdc(number)
            if found is None and number in table().mdc:
                others.add(str(number))
        elif named == LOINC:
            if not is_loinc(code):
                against.append(f"{code[:20]} is no LOINC code: its check digit does not fit")
            found = by_loinc(code)
            if found is None and code in table().loinc:
                others.add(code)
        elif named == LOCAL:
            local = codes()[code] if code in NUMBERS else None  # a text is no value
        if found is not None:
            meant[found.key] = found
    if local is not None and local.key in _SATURATIONS and set(meant) <= set(_SATURATIONS):
        meant = {local.key: local}  # our own code says where; the others leave it open
    elif local is not None:
        meant[local.key] = local
    wider = {coding.code for code in meant.values() for coding in code.more}
    if not against and (len(meant) > 1 or (meant and others - wider)):
        against.append("its codes mean different things")
    if against or not meant:
        return None, against
    (only,) = meant.values()
    return (only, []) if local is not None else _at_its_site(only, one, rules, said)


def _mdc_number(code: str, text: str) -> tuple[int, list[str]]:
    """Read an MDC code; its number and its name must mean the same where both are known."""
    if not code:
        named = (number for number, (name, _) in table().mdc.items() if name == text)
        return next(named, -1), []
    if not (code.isascii() and code.isdigit() and len(code) <= 10):
        return -1, []
    known = table().mdc.get(int(code))
    if known is not None and text.startswith("MDC_") and text != known[0]:
        return -1, [f"the code {code} is {known[0]}, not {text[:60]}"]
    return int(code), []


def _at_its_site(
    code: Code, one: Observed, rules: Rules, said: list[str]
) -> tuple[Code | None, list[str]]:
    if code.key not in _SATURATIONS:
        if code.unsaid:
            said.append(f"{code.title}: {code.unsaid}")
        return code, []
    site = one.site.lower() or rules.saturation_at
    if not site:
        if code.unsaid:
            said.append(f"{code.title}: {code.unsaid}")
        return code, []
    if site in _HANDS:
        return code_of("saturation_pre_percent"), []
    if site in _FEET:
        return code_of("saturation_post_percent"), []
    return None, [f"read at {one.site[:40]}, where the record keeps no saturation"]


def _value(one: Observed, empty: bool) -> tuple[float | None, str]:
    """Return the number, or why there is none."""
    if empty:
        return None, "nothing was told"
    shown = repr("^".join(one.values[0])[:40])
    if one.type not in ("NM", "SN"):
        return None, f"told as {one.type[:10] or 'nothing'}, not as a number: {shown}"
    if len(one.values) > 1:
        return None, f"{len(one.values)} values in one"
    parts = list(one.values[0])
    if one.type == "SN":
        if any(parts[2:]) or part_or_none(parts, 0) not in ("", "="):
            return None, f"not one number: {shown}"
        parts = parts[1:2]
    elif any(parts[1:]):
        return None, f"not one number: {shown}"
    text = part_or_none(parts, 0)
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        return None, f"not a number: {shown}"
    number = float(text)
    return (number, "") if math.isfinite(number) else (None, f"beyond all numbers: {shown}")


def _in_our_unit(value: float, one: Observed, code: Code) -> tuple[float | None, str]:
    ucum, why = ucum_of(one.unit, code)
    if why:
        return None, f"{why} (it told {value:g})"
    kept = code.kept(value, ucum)
    if kept is None and "{" in ucum and code.ucum != ucum:
        kept = code.kept(value, _ANNOTATION.sub("", ucum) or "1")
    if kept is None:
        return None, f"the unit {ucum[:20]!r} is none of {code.title.lower()} (it told {value:g})"
    return kept, ""


def ucum_of(unit: tuple[str, str, str], code: Code) -> tuple[str, str]:
    """Return a unit in UCUM, or why it cannot be told.

    unit : code, text and coding system as sent
    """
    sent, text, system = unit
    named = _system(system)
    if not sent:
        return "", "no unit was told"
    if named == MDC:
        number = int(sent) if sent.isascii() and sent.isdigit() and len(sent) <= 10 else -1
        ucum = table().units.get(number)
        known = table().unit_references.get(number, "")
        if text.startswith("MDC_") and known and text != known:
            return "", f"the unit {sent} is {known}, not {text[:60]}"
        return (ucum, "") if ucum is not None else ("", f"the MDC unit {sent[:20]!r} is not known")
    if named == UCUM:
        return sent, ""
    if system and system.upper() not in ("ISO+", "ISO", "ANS+", "L"):
        return "", f"units of the system {system[:20]!r} are not known"
    if sent == code.ucum or sent in code.units:
        return sent, ""
    return _OLDER_UNITS.get(sent.upper(), sent), ""
