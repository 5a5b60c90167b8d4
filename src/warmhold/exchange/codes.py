"""Codes of the quantities that the record keeps: LOINC, MDC, UCUM, and a local one for each.

The codes are data (``data/codes/usual.toml``), each with how far it was verified. When the file is
read, the check digit of every LOINC code and the arithmetic of every MDC code are verified, and no
code may stand for two things: rectal and oral are not core and skin.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from math import isfinite
from pathlib import Path
from types import MappingProxyType
from typing import Any

from warmhold.model.fault import Fault, FaultyInput
from warmhold.record.bodies import GAUGE, NUMBERS, WORDS

FILE = Path(__file__).resolve().parent.parent / "data" / "codes" / "usual.toml"
LOINC = "http://loinc.org"
MDC = "urn:iso:std:iso:11073:10101"
UCUM = "http://unitsofmeasure.org"
LOCAL = "urn:warmhold:quantity"
METRICS, UNITS = 2, 4  # partitions of MDC
VERIFIED, MEMORY, LOCAL_ONLY = "verified", "memory", "local"
GAUGE_KEY = GAUGE.rstrip(":")
_LOINC = re.compile(r"(\d{1,7})-(\d)", re.ASCII)
_REFERENCE = re.compile(r"MDC_[A-Z0-9_]+", re.ASCII)
_UCUM = re.compile(r"[!-~]{0,30}", re.ASCII)
_KEYS = (*NUMBERS, *WORDS, GAUGE_KEY)


@dataclass(frozen=True)
class Coding:
    """One code in one system, with how far it was verified."""

    system: str
    code: str
    title: str
    status: str


@dataclass(frozen=True)
class Code:
    """What one quantity of the record is called in the systems that others read.

    key : the record's own name, the code in the local system too
    loinc, mdc, mdc_ref : what it is called when it goes out; empty or ``None`` where there is none
    loinc_status, mdc_status : "verified" or "memory"; empty where there is no code
    ucum : unit of the values in the record; empty for a text
    about : "baby", or "room" for the incubator's own surroundings, controls and supplies
    body_site : where on the baby, in words; empty when it is not known
    more : wider codes of LOINC that go out beside the first
    unsaid : what the codes do not say and is taken for granted when one comes in
    units : other units in UCUM → (factor, offset) to the record's
    """

    key: str
    title: str
    loinc: str
    loinc_status: str
    mdc: int | None
    mdc_ref: str
    mdc_status: str
    ucum: str
    about: str
    body_site: str = ""
    unsaid: str = ""
    more: tuple[Coding, ...] = ()
    units: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def status(self) -> str:
        """The best that is known of any of its codes; "local" where it has none."""
        found = {self.loinc_status, self.mdc_status}
        return next((one for one in (VERIFIED, MEMORY) if one in found), LOCAL_ONLY)

    def codings(self, memory: bool = False) -> tuple[Coding, ...]:
        """Return what it is called outside, the local code last.

        memory : also the codes that were recalled and not read
        """
        found = []
        if self.loinc:
            found.append(Coding(LOINC, self.loinc, table().loinc[self.loinc], self.loinc_status))
        found += self.more
        if self.mdc is not None:
            found.append(Coding(MDC, str(self.mdc), self.mdc_ref, self.mdc_status))
        if not memory:
            found = [one for one in found if one.status == VERIFIED]
        return (*found, Coding(LOCAL, self.key, self.title, LOCAL_ONLY))

    def kept(self, value: float, ucum: str) -> float | None:
        """Turn a value into the record's unit; ``None`` when the unit is none for this quantity.

        value : as it was told [ucum]
        """
        if ucum == self.ucum:
            return value
        found = self.units.get(ucum)
        if found is None:
            return None
        turned = value * found[0] + found[1]
        return round(turned, 6) if isfinite(turned) else None


@dataclass(frozen=True)
class Table:
    """All that the file says.

    codes : by key of the record
    from_mdc, from_loinc : what is understood when it comes in
    loinc : title of every LOINC code in the file
    mdc : title of every MDC code of the file, also of those that the record does not keep
    units : unit in UCUM by MDC code
    unit_references : name of the MDC unit by its code
    """

    codes: Mapping[str, Code]
    from_mdc: Mapping[int, Code]
    from_loinc: Mapping[str, Code]
    loinc: Mapping[str, str]
    mdc: Mapping[int, tuple[str, str]]
    units: Mapping[int, str]
    unit_references: Mapping[int, str]


def codes() -> Mapping[str, Code]:
    """Return the codes by key of the record; a gauge is found under ``gauge_bar``."""
    return table().codes


def code_of(quantity: str) -> Code | None:
    """Return the codes of a quantity as the record names it, a gauge with its cylinder's name."""
    return codes().get(GAUGE_KEY if quantity.startswith(GAUGE) else quantity)


def by_mdc(code: int) -> Code | None:
    """Return the quantity that an MDC code is kept as; ``None`` when the record keeps none."""
    return table().from_mdc.get(code)


def by_loinc(code: str) -> Code | None:
    """Return the quantity that a LOINC code is kept as; ``None`` when the record keeps none."""
    return table().from_loinc.get(code)


def mdc_unit(code: int) -> str | None:
    """Return the unit in UCUM that an MDC code stands for; ``None`` when it is not known."""
    return table().units.get(code)


def unit_to_mdc(ucum: str, quantity: str = "") -> tuple[int, str] | None:
    """Return code and name of the MDC unit; breaths and beats a minute are told apart.

    quantity : key of the record, for what UCUM does not tell
    """
    found = [(code, ref) for code, ref in table().unit_references.items() if mdc_unit(code) == ucum]
    breaths = quantity == "breaths_per_min"
    found.sort(key=lambda one: ("RESP" in one[1]) != breaths)
    return found[0] if found else None


def mdc_title(code: int) -> str:
    """Say what an MDC code means, also when the record keeps no such quantity; else empty."""
    return table().mdc.get(code, ("", ""))[1]


def is_loinc(code: str) -> bool:
    """Tell whether a LOINC code has its form and its check digit."""
    found = _LOINC.fullmatch(code)
    return found is not None and int(found[2]) == loinc_digit(found[1])


def loinc_digit(number: str) -> int:
    """Return the check digit of a LOINC number.

    number : digits before the hyphen
    Source: LOINC users' guide, appendix on the check digit, mod 10 (Luhn) (memory); agrees with
        every verified code in ``data/codes/usual.toml``
    """
    total = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit) * (2 if place % 2 == 0 else 1)
        total += value - 9 if value > 9 else value
    return -total % 10


def is_mdc(code: int, partition: int, term: int) -> bool:
    """Tell whether an MDC code is its partition x 65536 + its term.

    Source: ISO/IEEE 11073-10101, context-free code (arithmetic verified on 150456)
    """
    return 0 <= term < 65536 and partition >= 0 and code == partition * 65536 + term


@lru_cache(maxsize=1)
def table() -> Table:
    """Return the shipped codes.

    Errors: FaultyInput
    """
    return load(FILE)


def load(path: Path) -> Table:
    """Read a file of codes.

    Errors: FaultyInput with every fault, each with its key
    """
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FaultyInput(
            (Fault(str(path), None, "", str(error), "a file of codes", ""),)
        ) from error
    reading = _Reading(str(path))
    found = reading.table(raw)
    if reading.faults:
        raise FaultyInput(tuple(reading.faults))
    return found


class _Reading:
    """Reads one file, keeping every fault."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []

    def wrong(self, key: str, found: object, allowed: str) -> None:
        self.faults.append(Fault(self.file, None, key, repr(found)[:80], allowed, ""))

    def text(self, row: Mapping[str, Any], path: str, key: str, default: str | None = None) -> str:
        value = row.get(key, default)
        if isinstance(value, str) and (value.strip() or default == ""):
            return value
        self.wrong(f"{path}.{key}", value, "a text")
        return ""

    def status(self, row: Mapping[str, Any], path: str) -> str:
        self.text(row, path, "source")
        value = row.get("status")
        if value in (VERIFIED, MEMORY):
            return str(value)
        self.wrong(f"{path}.status", value, f"{VERIFIED}, {MEMORY}")
        return MEMORY

    def rows(self, raw: Mapping[str, Any], name: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
        section = raw.get(name)
        if not isinstance(section, dict):
            self.wrong(name, section, "a table")
            return
        for key, row in section.items():
            if isinstance(row, dict):
                yield key, f"{name}.{key}", row
            else:
                self.wrong(f"{name}.{key}", row, "a table")

    def number(self, row: Mapping[str, Any], path: str, partition: int) -> int:
        """Read one MDC code and do its sum."""
        parts = [row.get(key) for key in ("code", "partition", "term")]
        if not all(isinstance(part, int) and not isinstance(part, bool) for part in parts):
            self.wrong(path, parts, "code, partition and term as whole numbers")
            return -1
        code, told, term = (int(part) for part in parts if part is not None)
        if told != partition:
            self.wrong(f"{path}.partition", told, f"{partition}")
        if not is_mdc(code, told, term):
            self.wrong(f"{path}.code", code, f"partition x 65536 + term = {told * 65536 + term}")
        return code

    def references(
        self, raw: Mapping[str, Any], name: str, partition: int
    ) -> dict[str, tuple[int, dict[str, Any], str]]:
        found: dict[str, tuple[int, dict[str, Any], str]] = {}
        seen: dict[int, str] = {}
        for key, path, row in self.rows(raw, name):
            if not _REFERENCE.fullmatch(key):
                self.wrong(path, key, "a name that starts with MDC_")
            status = self.status(row, path)
            code = self.number(row, path, partition)
            if code in seen:
                self.wrong(f"{path}.code", code, f"a code of its own; {seen[code]} has this one")
            seen[code] = key
            found[key] = (code, row, status)
        return found

    def table(self, raw: Mapping[str, Any]) -> Table:
        systems = {"loinc": LOINC, "mdc": MDC, "ucum": UCUM, "local": LOCAL}
        told = raw.get("system", {})
        for name, url in systems.items():
            if not isinstance(told, dict) or told.get(name) != url:
                self.wrong(f"system.{name}", told, url)
        loinc: dict[str, tuple[str, str]] = {}
        for key, path, row in self.rows(raw, "loinc"):
            parts = _LOINC.fullmatch(key)
            if parts is None:
                self.wrong(path, key, "digits, a hyphen and a check digit")
            elif not is_loinc(key):
                self.wrong(path, key, f"the check digit {loinc_digit(parts[1])}")
            loinc[key] = (self.text(row, path, "title"), self.status(row, path))
        mdc = self.references(raw, "mdc", METRICS)
        units = self.references(raw, "unit", UNITS)
        ucum: dict[int, str] = {}
        for key, (code, row, _) in units.items():
            ucum[code] = self.ucum(row, f"unit.{key}")
        titles = {
            code: (key, self.text(row, f"mdc.{key}", "title"))
            for key, (code, row, _) in mdc.items()
        }
        found: dict[str, Code] = {}
        from_mdc: dict[int, Code] = {}
        from_loinc: dict[str, Code] = {}
        for key, path, row in self.rows(raw, "quantity"):
            mine = self.quantity(key, path, row, loinc, mdc)
            found[key] = mine
            if row.get("understood", True) is False:
                continue
            for one in (mine.loinc, *self.names(row, path, "loinc_in", loinc)):
                if one:
                    self.only_once(from_loinc, one, mine, path)
            for name in self.names(row, path, "mdc_in", mdc):
                self.only_once(from_mdc, mdc[name][0], mine, path)
            if mine.mdc is not None:
                self.only_once(from_mdc, mine.mdc, mine, path)
        for key in _KEYS:
            if key not in found:
                self.wrong("quantity", f"no {key}", "every quantity that the record keeps")
        return Table(
            codes=MappingProxyType(found),
            from_mdc=MappingProxyType(from_mdc),
            from_loinc=MappingProxyType(from_loinc),
            loinc=MappingProxyType({key: title for key, (title, _) in loinc.items()}),
            mdc=MappingProxyType(titles),
            units=MappingProxyType(ucum),
            unit_references=MappingProxyType({code: key for key, (code, _, _) in units.items()}),
        )

    def only_once(self, found: dict[Any, Code], code: int | str, mine: Code, path: str) -> None:
        if code in found:
            self.wrong(path, code, f"a code of its own; {found[code].key} has this one")
        found[code] = mine

    def ucum(self, row: Mapping[str, Any], path: str) -> str:
        value = row.get("ucum")
        if isinstance(value, str) and _UCUM.fullmatch(value):
            return value
        self.wrong(f"{path}.ucum", value, "a unit in UCUM")
        return ""

    def names(
        self, row: Mapping[str, Any], path: str, key: str, known: Mapping[str, Any]
    ) -> tuple[str, ...]:
        value = row.get(key, [])
        if not isinstance(value, list):
            self.wrong(f"{path}.{key}", value, "a list of codes of this file")
            return ()
        for one in value:
            if not isinstance(one, str) or one not in known:
                self.wrong(f"{path}.{key}", one, "a code of this file")
        return tuple(one for one in value if isinstance(one, str) and one in known)

    def quantity(
        self,
        key: str,
        path: str,
        row: Mapping[str, Any],
        loinc: Mapping[str, tuple[str, str]],
        mdc: Mapping[str, tuple[int, dict[str, Any], str]],
    ) -> Code:
        if key not in _KEYS:
            self.wrong(path, key, "a quantity that the record keeps")
        number, reference = row.get("loinc", ""), row.get("mdc", "")
        if number != "" and number not in loinc:
            self.wrong(f"{path}.loinc", number, "a code of this file")
            number = ""
        if reference != "" and reference not in mdc:
            self.wrong(f"{path}.mdc", reference, "a code of this file")
            reference = ""
        about = row.get("about")
        if about not in ("baby", "room"):
            self.wrong(f"{path}.about", about, "baby, room")
        return Code(
            key=key,
            title=self.text(row, path, "title"),
            loinc=number,
            loinc_status=loinc[number][1] if number else "",
            mdc=mdc[reference][0] if reference else None,
            mdc_ref=reference,
            mdc_status=mdc[reference][2] if reference else "",
            ucum=self.ucum(row, path),
            about=str(about),
            body_site=self.text(row, path, "body_site", ""),
            unsaid=self.text(row, path, "unsaid", ""),
            more=tuple(
                Coding(LOINC, one, *loinc[one])
                for one in self.names(row, path, "more_loinc", loinc)
            ),
            units=MappingProxyType(self.units(row, path)),
        )

    def units(self, row: Mapping[str, Any], path: str) -> dict[str, tuple[float, float]]:
        found: dict[str, tuple[float, float]] = {}
        value = row.get("units", {})
        if not isinstance(value, dict):
            self.wrong(f"{path}.units", value, "a table of units")
            return found
        for unit, how in value.items():
            factor = how.get("factor") if isinstance(how, dict) else None
            offset = how.get("offset", 0.0) if isinstance(how, dict) else None
            if not _is_number(factor) or not _is_number(offset) or factor == 0:
                self.wrong(f"{path}.units.{unit}", how, "factor, not zero, and offset")
                continue
            found[unit] = (float(str(factor)), float(str(offset)))
        return found


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value)
