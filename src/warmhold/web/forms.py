"""From the trip form to a trip file and back.

A form is a flat set of names: ``baby.weight_g``, ``baby.weight_g.spread``, ``leg.2.minutes``; rows
count from 1. It is turned into the same TOML text that a trip file holds and read by the same
reader, so a form can say nothing that a file could not, and every fault is told at once, beside
its field. What is left empty is left out: unknown, never 0.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import tomli_w
from pydantic import BaseModel

from warmhold.model import Case, Fault, FaultyInput, Quantity, parse_case
from warmhold.model.base import SPREAD_BY_POLICY
from warmhold.report import words
from warmhold.web.form_fields import (
    CABIN,
    DOOR,
    DOORS,
    HEAD,
    LEG,
    MOST_DOORS,
    ONES,
    ROWS,
    SIZES,
    TABLES,
    Field,
)

Fields = dict[str, tuple[str, ...]]
Build = Callable[[str], Case]

ORIGIN = "the trip"
LONGEST = 400  # characters of one field; a trip's texts end at 200
_CABIN_KEYS = tuple(key for key, _ in CABIN)


@dataclass(frozen=True)
class FieldFault:
    """One fault, beside its field.

    name : name of the field, or of the part of the form when it is no single field's
    label : of the field, with its row
    """

    name: str
    label: str
    found: str
    allowed: str
    todo: str


@dataclass(frozen=True)
class Reading:
    """What a form says.

    fields : as they were sent, rows counted anew from 1
    toml : the same as the text of a trip file
    case : what it means; ``None`` when it has faults
    faults : all of them
    understood : by name, how an entry was read when it was not written as the file would
    """

    fields: Fields
    toml: str
    case: Case | None
    faults: tuple[FieldFault, ...]
    understood: Mapping[str, str]


def _parse(text: str) -> Case:
    return parse_case(text, ORIGIN)


def read(pairs: Iterable[tuple[str, str]], build: Build = _parse) -> Reading:
    """Read a form.

    pairs : name and value of every field; names that are no field's are passed over
    build : makes a case of the text of a trip file, or raises ``FaultyInput``

    Returns the ``Reading``; no entry raises.
    """
    fields = tidy(pairs)
    reader = _Reader(fields)
    toml = tomli_w.dumps(reader.trip())
    faults = list(reader.faults)
    told = {fault.name for fault in faults}
    case: Case | None = None
    try:
        case = build(toml)
    except FaultyInput as error:
        found = [_beside(fault, fields) for fault in error.faults]
        faults += [fault for fault in found if fault.name not in told | reader.silent]
    order = {name: place for place, name in enumerate(_all_names(fields))}
    faults.sort(key=lambda fault: order.get(fault.name, -1))
    return Reading(fields, toml, None if faults else case, tuple(faults), reader.understood)


# --- the flat names ------------------------------------------------------------------------------


def tidy(pairs: Iterable[tuple[str, str]]) -> Fields:
    """Keep what belongs to the form, with rows counted anew from 1."""
    given: dict[str, list[str]] = {}
    for name, value in pairs:
        if _NAME.fullmatch(name):
            clean = value[:LONGEST].encode("utf-8", "replace").decode().strip()
            given.setdefault(name, []).append(clean)
    fields: Fields = {name: tuple(values) for name, values in given.items()}
    for prefix, (_, _, most) in ROWS.items():  # one too many is kept, so that it can be told
        fields = with_rows(fields, prefix, rows(fields, prefix)[: most + 1])
    for number in range(1, len(rows(fields, "leg")) + 1):
        prefix = f"leg.{number}.{DOORS}"
        fields = with_rows(fields, prefix, rows(fields, prefix)[: MOST_DOORS + 1])
    return {name: fields[name] for name in _all_names(fields) if name in fields}


_NAME = re.compile(r"[a-z_]+(?:\.(?:[a-z_0-9]+|[1-9]\d{0,3})){0,6}")


def rows(fields: Mapping[str, tuple[str, ...]], prefix: str) -> list[Fields]:
    """Return the rows of a repeated table, each with the names inside it."""
    found: dict[int, Fields] = {}
    start = f"{prefix}."
    for name, values in fields.items():
        if not name.startswith(start):
            continue
        number, _, inside = name[len(start) :].partition(".")
        if number.isdecimal() and number.isascii() and inside:
            found.setdefault(int(number), {})[inside] = values
    return [found[number] for number in sorted(found)]


def with_rows(
    fields: Mapping[str, tuple[str, ...]], prefix: str, new: Sequence[Mapping[str, tuple[str, ...]]]
) -> Fields:
    """Return the form with other rows in a repeated table."""
    start = f"{prefix}."
    kept: Fields = {
        name: values
        for name, values in fields.items()
        if not (name.startswith(start) and name[len(start) :].partition(".")[0].isdecimal())
    }
    for number, row in enumerate(new, start=1):
        kept |= {f"{start}{number}.{inside}": values for inside, values in row.items()}
    return kept


def changed(fields: Mapping[str, tuple[str, ...]], what: str) -> tuple[Fields, str]:
    """Add, remove or move a row.

    what : ``leg.add``, ``leg.2.remove``, ``leg.2.up``, ``leg.2.down``, ``leg.2.copy``; the same
        for every repeated table, also ``leg.2.door_openings.add``

    Returns the form and the name of the row to show next; both as they were when nothing of the
    kind can be done.
    """
    match = re.fullmatch(
        r"(leg|delay|supplies\.(?:cylinder|store|spare_battery)|leg\.[1-9]\d{0,3}\.door_openings)"
        r"(?:\.([1-9]\d{0,3}))?\.(add|remove|up|down|copy)",
        what,
    )
    if match is None:
        return dict(fields), ""
    prefix, number, verb = match[1], match[2], match[3]
    now = rows(fields, prefix)
    if verb == "add":
        if prefix.startswith("leg.") and int(prefix.split(".")[1]) > len(rows(fields, "leg")):
            return dict(fields), ""
        first = DOOR[0] if prefix.endswith(DOORS) else ROWS[prefix][0][0]
        now.append({first.key: ("",)})
        return with_rows(fields, prefix, now), f"{prefix}.{len(now)}"
    at = int(number or 0) - 1
    if not 0 <= at < len(now):
        return dict(fields), ""
    if verb == "remove":
        del now[at]
        shown = f"{prefix}.{min(at + 1, len(now))}" if now else prefix
        return with_rows(fields, prefix, now), shown
    if verb == "copy":
        now.insert(at + 1, dict(now[at]))
        return with_rows(fields, prefix, now), f"{prefix}.{at + 2}"
    other = at - 1 if verb == "up" else at + 1
    if not 0 <= other < len(now):
        return dict(fields), f"{prefix}.{at + 1}"
    now[at], now[other] = now[other], now[at]
    return with_rows(fields, prefix, now), f"{prefix}.{other + 1}"


def _names(field: Field, prefix: str) -> list[str]:
    name = f"{prefix}.{field.key}" if prefix else field.key
    if field.kind == "pair":
        return [f"{name}.1", f"{name}.2"]
    return [name, f"{name}.spread"] if field.spread else [name]


def _all_names(fields: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Names of every field there is, in the order of the page."""
    found = [name for field in HEAD for name in _names(field, "")]
    for table in ("baby", "start"):
        found += [name for field in TABLES[table] for name in _names(field, table)]
    for prefix, (spec, _, _) in ROWS.items():
        if prefix == "supplies.cylinder":
            found += [name for one in TABLES["supplies"] for name in _names(one, "supplies")]
        found.append(prefix)
        for number in range(1, len(rows(fields, prefix)) + 1):
            row = f"{prefix}.{number}"
            found.append(row)
            found += [name for field in spec for name in _names(field, row)]
            if prefix == "leg":
                for door in range(1, len(rows(fields, f"{row}.{DOORS}")) + 1):
                    opening = f"{row}.{DOORS}.{door}"
                    found += [name for field in DOOR for name in _names(field, opening)]
    return found


# --- from the form to a trip file ----------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?\d{1,30}(?:[.,]\d{1,30})?")
_WEEKS = re.compile(r"(\d{2})\s*\+\s*(\d{1,2})")
MOST_DAYS = 6  # of a week that is not full
_MOMENT = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?)")
_ZONE = re.compile(r"([+-])(\d\d):(\d\d)")


class _Reader:
    """Turns fields into the values of a trip file; notes what only a form can get wrong."""

    def __init__(self, fields: Fields) -> None:
        self._fields = fields
        self.faults: list[FieldFault] = []
        self.silent: set[str] = set()  # fields whose fault is told at another
        self.understood: dict[str, str] = {}

    def trip(self) -> dict[str, Any]:
        raw: dict[str, Any] = {"format": 1}
        raw |= self._table(HEAD, "")
        raw["baby"] = self._table(TABLES["baby"], "baby")
        raw["start"] = self._start()
        for prefix in ("leg", "delay"):
            found = self._rows(prefix)
            if found:
                raw[prefix] = found
        supplies = self._table(TABLES["supplies"], "supplies")
        for prefix in ("supplies.cylinder", "supplies.store", "supplies.spare_battery"):
            found = self._rows(prefix)
            if found:
                supplies[prefix.partition(".")[2]] = found
        raw["supplies"] = supplies
        return raw

    def _one(self, name: str) -> str:
        values = self._fields.get(name, ())
        return values[-1] if values else ""

    def _table(self, spec: Sequence[Field], prefix: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for field in spec:
            value = self._value(field, f"{prefix}.{field.key}" if prefix else field.key)
            if value is not None:
                found[field.key] = value
        return found

    def _value(self, field: Field, name: str) -> Any:
        text = self._one(name)
        if field.kind == "many":
            return [one for one in self._fields.get(name, ()) if one] or None
        if field.kind == "pair":
            ends = [self._number(field, f"{name}.{end}") for end in (1, 2)]
            return None if ends == [None, None] else [one for one in ends if one is not None]
        if field.kind == "yes-no":
            return {"yes": True, "no": False}.get(text, text or None)
        if field.kind in ("number", "whole", "weeks"):
            number = self._number(field, name)
            spread = self._number(field, f"{name}.spread") if field.spread else None
            if spread is None:
                return number
            return {"spread": spread} if number is None else {"value": number, "spread": spread}
        return text or None

    def _number(self, field: Field, name: str) -> int | float | str | None:
        text = self._one(name)
        if not text:
            return None
        plain = re.sub(r"\s+", "", text).replace("−", "-").removeprefix("+")
        weeks = _WEEKS.fullmatch(text) if field.kind == "weeks" else None
        if weeks is not None and int(weeks[2]) > MOST_DAYS:
            over, days = divmod(int(weeks[2]), 7)
            todo = f"write {int(weeks[1]) + over}+{days}, or count the days again"
            self.faults.append(
                FieldFault(name, label_of(name), f"“{text}”", "weeks + 0 to 6 days", todo)
            )
            return None
        if weeks is not None:
            value = round(int(weeks[1]) + int(weeks[2]) / 7, 4)
            self.understood[name] = words.gestation(value)
            return value if int(weeks[2]) else int(value)
        if not _NUMBER.fullmatch(plain) or re.search(r"\d\s+\d", text):
            return text  # refused by the reader of files, with a word on what it looks like
        plain = plain.replace(",", ".")
        if plain != text:
            self.understood[name] = f"{plain} {field.unit}".strip()
        if field.kind == "weeks" and "." in plain:  # 29.2 is not 29 weeks and 2 days
            self.understood[name] = words.gestation(float(plain))
        return float(plain) if "." in plain else int(plain)

    def _start(self) -> dict[str, Any]:
        spec = [field for field in TABLES["start"] if field.kind not in ("moment", "offset")]
        found: dict[str, Any] = {}
        zone = self._zone()
        for key in ("now", "baby_in"):
            text = self._one(f"start.{key}")
            moment = _moment(text, zone or UTC)
            if moment is not None and zone is not None:
                found[key] = moment
            elif moment is not None:
                self.silent.add(f"start.{key}")  # only its zone is missing, told there
            elif text:
                found[key] = text
        return found | self._table(spec, "start")

    def _zone(self) -> timezone | None:
        text = self._one("start.offset")
        match = _ZONE.fullmatch(text)
        if match is not None and int(match[2]) < 15 and int(match[3]) < 60:
            shift = timedelta(hours=int(match[2]), minutes=int(match[3]))
            return timezone(-shift if match[1] == "-" else shift)
        self.faults.append(
            FieldFault(
                "start.offset",
                label_of("start.offset"),
                f"“{text[:60]}”" if text else "nothing",
                "the time of this place against UTC, such as +01:00",
                "choose one",
            )
        )
        return None

    def _rows(self, prefix: str) -> list[dict[str, Any]]:
        spec, word, most = ROWS[prefix]
        found = []
        count = len(rows(self._fields, prefix))
        if count > most:
            self._too_many(prefix, word, most)
        for number in range(1, min(count, most) + 1):
            name = f"{prefix}.{number}"
            row = self._table(spec, name)
            if prefix == "leg":
                self._leg(row, name)
            elif "size" in row:
                self._size(row)
            found.append(row)
        return found

    def _too_many(self, name: str, word: str, most: int) -> None:
        todo = "remove some, or join two"
        self.faults.append(FieldFault(name, word, f"more than {most} of them", f"{most}", todo))

    def _leg(self, row: dict[str, Any], name: str) -> None:
        cabin, stated_as = row.pop("cabin", None), row.pop("cabin.in", None)
        if stated_as in _CABIN_KEYS:
            if cabin is not None:  # what it is stated as, without a number, says nothing
                row[stated_as] = cabin
        elif cabin is not None:
            found = f"“{stated_as[:60]}”" if stated_as else "nothing"
            allowed = ", ".join(label for _, label in CABIN)
            self.faults.append(
                FieldFault(
                    f"{name}.cabin.in", label_of(f"{name}.cabin.in"), found, allowed,
                    "say what the number is",
                )
            )  # fmt: skip
            self.silent.add(f"{name}.cabin")
        prefix = f"{name}.{DOORS}"
        count = len(rows(self._fields, prefix))
        if count > MOST_DOORS:
            self._too_many(name, label_of(name), MOST_DOORS)
        doors = [self._table(DOOR, f"{prefix}.{n}") for n in range(1, min(count, MOST_DOORS) + 1)]
        if doors:
            row[DOORS] = doors

    def _size(self, row: dict[str, Any]) -> None:
        country, _, letter = str(row.pop("size")).partition("/")
        row["country"] = country
        if letter:
            row["letter"] = letter


def _moment(text: str, zone: timezone) -> datetime | None:
    match = _MOMENT.fullmatch(text)
    if match is None:
        return None
    try:
        return datetime.fromisoformat(f"{match[1]}T{match[2]}").replace(tzinfo=zone)
    except ValueError:
        return None


# --- faults beside their fields ------------------------------------------------------------------


def _beside(fault: Fault, fields: Mapping[str, tuple[str, ...]]) -> FieldFault:
    if fault.file != ORIGIN:  # of the unit or the policy that the trip names
        name = "policy" if "polic" in fault.file else "unit"
        where = f"line {fault.line}, {fault.key}" if fault.line else fault.key
        return FieldFault(
            name, label_of(name), f"in its file, {where}: {fault.found}", fault.allowed, fault.todo
        )
    name = _name_of(fault.key, fields)
    found = fault.found
    if name == "baby.gestation_weeks" and _LONG.fullmatch(found):  # 93+5 was read as 93.7143
        found = f"“{fields[name][-1]}”"
    texts = (_in_form(text) for text in (found, fault.allowed, fault.todo))
    return FieldFault(name, label_of(name), *texts)


def _name_of(key: str, fields: Mapping[str, tuple[str, ...]]) -> str:
    """Return the field that a key of the trip file belongs to."""
    name = re.sub(r"\[(\d+)\]", r".\1", key).removesuffix(".value")
    name = re.sub(rf"^(leg\.\d+)\.(?:{'|'.join(_CABIN_KEYS)})$", r"\1.cabin", name)
    name = re.sub(r"^(supplies\.(?:cylinder|store)\.\d+)\.(?:country|letter)$", r"\1.size", name)
    if name.endswith("saturation_target_percent"):
        name += ".1"
    name = re.sub(r"^(baby\.dressing)\.\d+$", r"\1", name)
    known = set(_all_names(fields))
    while name and name not in known:
        name = name.rpartition(".")[0]
    return name


def _spec_of(name: str) -> tuple[str, Field | None]:
    """Return the words before a field's label, and the field."""
    match = re.fullmatch(
        rf"({'|'.join(map(re.escape, ROWS))})\.(\d+)(?:\.{DOORS}\.(\d+))?(?:\.(.+))?", name
    )
    if match is not None:
        spec, word, _ = ROWS[match[1]]
        head = f"{word} {match[2]}"
        if match[3]:
            spec, head = DOOR, f"{head}, opening {match[3]}"
        key = match[4] or ""
    else:
        table, _, key = name.partition(".")
        if table not in TABLES:
            table, key = "", name
        head, spec = ONES[table], TABLES.get(table, HEAD)
    for field in spec:
        if key in (field.key, f"{field.key}.spread", f"{field.key}.1", f"{field.key}.2"):
            return head, field
    return head, None


def label_of(name: str) -> str:
    """Return the label of a field, with its row."""
    if name in ROWS:
        return ROWS[name][1] + "s" if name == "leg" else ROWS[name][1]
    head, field = _spec_of(name)
    if field is None:
        return head
    part = ", spread" if name.endswith(".spread") else ""
    return f"{head}: {field.label}{part}"


_LABELS = {
    field.key: field.label
    for spec in (*(rows_[0] for rows_ in ROWS.values()), *TABLES.values(), HEAD, DOOR, LEG)
    for field in spec
    if "_" in field.key
} | dict.fromkeys(_CABIN_KEYS, "Cabin of an aircraft")
_REWRITTEN: tuple[tuple[str, str], ...] = (
    (r"^add \w+ = \.\.\..*$", "fill this field in"),
    (r"^add a table .*$", "add one"),
    (r"^add (?:value|spread).*$", "fill this field in"),
    (r"^add both, as stamped on the vessel$", "choose its letter, or write what is stamped on it"),
    (r"^add the (?:letter|country).*$", "choose its letter, or write what is stamped on it"),
    (r"\bcountry and letter, or water_l and fill_bar\b", "a letter, or water volume and pressure"),
    (r"^country together with \w+$", "a letter together with a size"),
    (r"^keep what is stamped on the vessel$", "choose no letter, or empty the two stamped figures"),
    (r"\btake (\w+) out\b", r"empty the field \1"),
    (r"; leave an optional key out when (?:it is not known|unknown)", "; leave it empty when not "
     "known"),
    (r"write \[low, high\]", "fill in both, the low one first"),
    (r"\btwo numbers, low and high\b", "both ends"),
    (r"\bcooled = false\b", "no under “Cooled on purpose”"),
    (r'\bsupport = "none"', "no breathing support"),
    (r"^true(?=[, ])|\btrue(?= or\b)", "yes"),
    (r"^false\b|\bfalse\b", "no"),
    (r"^write (?:true, without quotes|false, without quotes|true or false.*)$", "choose one"),
    (r"\bwrite it without quotes, ", "write it "),
    (r"\bwrite it without quotes: ", "write "),
    (r"\bwrite it without quotes\b", "write it that way"),
    (r"date and time with offset, such as .*$", "a date and a time, such as 2026-01-14 02:40"),
    (r"^write some words$|^write it in quotes$", "write some words"),
    (r" in quotes\b", ""),
    (r"repeated tables", "at least one"),
    (r"^check date, time and offset of both$", "check the date and time of both"),
    (r"\bdegC\b", "°C"),
    (r"\bone of (?=cabin_)", "one of "),
    (r"\bkeys?\b", "field"),
)  # fmt: skip


_LONG = re.compile(r"\d+\.\d{3,}")
_STAMP = re.compile(r"\b(\d{4}-\d\d-\d\dT\d\d:\d\d):\d\d(?:\.\d+)?(?:[+-]\d\d:\d\d|Z)?")


def _day_and_minute(found: re.Match[str]) -> str:
    moment = datetime.fromisoformat(found[1])
    return f"{words.day(moment)} {moment:%H:%M}"


def _in_form(text: str) -> str:
    """Write a text about a file as one about a form."""
    for pattern, new in _REWRITTEN:
        text = re.sub(pattern, new, text)
    text = _STAMP.sub(_day_and_minute, text)
    return re.sub(
        r"\b[a-z]+(?:_[a-z0-9]+)+\b", lambda m: f"“{_LABELS[m[0]]}”" if m[0] in _LABELS else m[0],
        text,
    )  # fmt: skip


# --- from a trip file to the form ----------------------------------------------------------------


def fields_of_toml(text: str) -> Fields:
    """Fill the form from the text of a trip file; what does not fit is left empty.

    Raises ``tomllib.TOMLDecodeError`` when the text is not TOML.
    """
    return tidy(_pairs(tomllib.loads(text.removeprefix("\ufeff"))))


def fields_of_case(case: Case) -> Fields:
    """Fill the form from a case that was read."""
    return tidy(_pairs(raw_of(case)))


def raw_of(case: Case) -> dict[str, Any]:
    """Return the values of the trip file behind a case."""
    raw = {"format": 1, **_plain(case.trip)}
    zone = timezone(case.trip.start.offset)
    start = case.trip.start
    raw["start"].pop("offset", None)
    raw["start"] |= {"now": start.now.astimezone(zone), "baby_in": start.baby_in.astimezone(zone)}
    for kind in ("cylinder", "store"):
        for row in raw["supplies"].get(kind, ()):
            if "letter" in row:  # its size follows from the letter
                del row["water_l"], row["fill_bar"]
    return raw


def _plain(given: Any) -> Any:
    if isinstance(given, Quantity):
        if given.note == SPREAD_BY_POLICY:
            return given.value
        return {"value": given.value, "spread": given.spread}
    if isinstance(given, BaseModel):
        return {
            field.alias or name: _plain(getattr(given, name))
            for name, field in type(given).model_fields.items()
            if getattr(given, name) is not None
        }
    if isinstance(given, tuple):
        return [_plain(one) for one in given]
    return given


def _pairs(raw: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    yield from _from_table(HEAD, "", raw)
    for table in ("baby", "supplies"):
        yield from _from_table(TABLES[table], table, raw.get(table))
    yield from _from_start(raw.get("start"))
    for prefix, (spec, _, _) in ROWS.items():
        outer, _, key = prefix.rpartition(".")
        holder = raw.get(outer) if outer else raw
        found = holder.get(key) if isinstance(holder, Mapping) else None
        for number, row in enumerate(found if isinstance(found, list) else (), start=1):
            name = f"{prefix}.{number}"
            yield from _from_table(spec, name, row)
            if isinstance(row, Mapping):
                yield from _from_row(prefix, name, row)


def _from_row(prefix: str, name: str, row: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    if prefix == "leg":
        for key in _CABIN_KEYS:
            if key in row:
                yield f"{name}.cabin", _text(row[key])
                yield f"{name}.cabin.in", key
        doors = row.get(DOORS)
        for number, door in enumerate(doors if isinstance(doors, list) else (), start=1):
            yield from _from_table(DOOR, f"{name}.{DOORS}.{number}", door)
    elif "letter" in row:
        letter = str(row["letter"])
        sizes = [value for value, _ in SIZES if value.partition("/")[2] == letter]
        stated = f"{row.get('country', '')}/{letter}"
        only = "country" not in row and len(sizes) == 1
        yield f"{name}.size", sizes[0] if only else stated


def _from_start(start: Any) -> Iterable[tuple[str, str]]:
    if not isinstance(start, Mapping):
        return
    yield from _from_table(
        [field for field in TABLES["start"] if field.kind not in ("moment", "offset")],
        "start",
        start,
    )
    now = start.get("now")
    shift = now.utcoffset() if isinstance(now, datetime) else None
    if shift is not None:
        minutes = round(shift.total_seconds() / 60)
        sign = "-" if minutes < 0 else "+"
        yield "start.offset", f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    for key in ("now", "baby_in"):
        moment = start.get(key)
        if not isinstance(moment, datetime):
            continue
        if moment.tzinfo is not None and shift is not None:
            moment = moment.astimezone(timezone(shift))
        local = moment.replace(tzinfo=None)
        exact = local.second or local.microsecond
        yield f"start.{key}", local.isoformat(timespec="auto" if exact else "minutes")


def _from_table(spec: Sequence[Field], prefix: str, raw: Any) -> Iterable[tuple[str, str]]:
    if not isinstance(raw, Mapping):
        return
    for field in spec:
        value = raw.get(field.key)
        name = f"{prefix}.{field.key}" if prefix else field.key
        if value is None:
            continue
        if field.kind == "pair" and isinstance(value, list):
            yield from ((f"{name}.{end}", _text(one)) for end, one in enumerate(value[:2], 1))
        elif field.kind == "many" and isinstance(value, list):
            yield from ((name, _text(one)) for one in value)
        elif field.kind == "weeks":
            yield name, _weeks_text(value)
        elif field.spread and isinstance(value, Mapping):
            for part, inside in ((name, "value"), (f"{name}.spread", "spread")):
                if inside in value:
                    yield part, _text(value[inside])
        else:
            yield name, _text(value)


def _weeks_text(value: Any) -> str:
    """Write weeks and days where the number is just that, else the number itself."""
    if isinstance(value, float) and not value.is_integer() and 0 < value < 100:
        weeks, days = divmod(round(value * 7), 7)
        if round(weeks + days / 7, 4) == value:
            return f"{weeks}+{days}"
    return _text(value)


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, float) and "e" in repr(value):
        return f"{value:.20f}".rstrip("0")
    return str(value) if isinstance(value, int | float | str) else ""
