"""Reads a Bundle back: taken whole, or refused with every reason.

What is understood: a collection of FHIR R4 with observations whose code is one of ours, or one of
LOINC or MDC that says a quantity the record keeps. Everything else is named in `Read.left`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice, pairwise
from math import isfinite
from typing import Any, cast

from warmhold.exchange.codes import (
    GAUGE_KEY,
    LOCAL,
    LOINC,
    MDC,
    UCUM,
    Code,
    by_loinc,
    by_mdc,
    code_of,
    mdc_title,
    table,
)
from warmhold.exchange.fhir import names
from warmhold.exchange.outgoing import TREND, Series, Status, Value
from warmhold.model.fault import Fault, FaultyInput
from warmhold.record.bodies import GAUGE, NUMBERS
from warmhold.record.clock import moment_of

LARGEST = 250_000_000  # bytes of a file
MOST_ENTRIES = 200_000
MOST_FAULTS = 200
_LONGEST_MS = 3.2e11  # ten years


@dataclass(frozen=True)
class Read:
    """What a Bundle holds.

    head : hash of the record's last entry, as the Bundle tells it; empty if it does not
    left : what was there and is none that the record keeps, one line each
    """

    pseudonym: str
    trip: str
    head: str
    values: tuple[Value, ...]
    series: tuple[Series, ...]
    left: tuple[str, ...]


def from_text(text: str | bytes, file: str = "bundle") -> Read:
    """Read a Bundle from JSON.

    Errors: FaultyInput with every fault
    """
    if len(text) > LARGEST:
        allowed = f"up to {LARGEST // 1_000_000} MB"
        raise FaultyInput((Fault(file, None, "", f"{len(text)} bytes", allowed, ""),))
    try:
        given = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise FaultyInput((Fault(file, None, "", str(error)[:200], "JSON", ""),)) from error
    return from_bundle(given, file)


def from_bundle(bundle: Any, file: str = "bundle") -> Read:
    """Read a Bundle that was read from JSON.

    Errors: FaultyInput with every fault, each with its path
    """
    reading = _Reading(file)
    try:
        found = reading.bundle(bundle)
    except RecursionError as error:  # a value that is shown in a fault
        raise FaultyInput((Fault(file, None, "", "nested too deep", "a Bundle", ""),)) from error
    if reading.faults:
        raise FaultyInput(tuple(islice(reading.faults, MOST_FAULTS)))
    return found


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


class _Reading:
    """Reads one Bundle, keeping every fault."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.resources: dict[str, Mapping[str, Any]] = {}
        self.places: set[tuple[int, int, str]] = set()

    def wrong(self, path: str, found: Any, allowed: str) -> None:
        text = repr(found) if not isinstance(found, (dict, list)) else type(found).__name__
        self.faults.append(
            Fault(
                self.file, None, path, text if len(text) <= 80 else f"{text[:77]}...", allowed, ""
            )
        )

    def text(self, path: str, value: Any, needed: bool = True) -> str:
        if value is None and not needed:
            return ""
        if isinstance(value, str) and value.strip():
            return value
        self.wrong(path, value, "a text")
        return ""

    def table(self, path: str, value: Any) -> Mapping[str, Any]:
        if isinstance(value, dict):
            return value
        self.wrong(path, value, "a table")
        return {}

    def list(self, path: str, value: Any) -> list[Any]:
        if value is None:
            return []
        if isinstance(value, list):
            return value
        self.wrong(path, value, "a list")
        return []

    def moment(self, path: str, value: Any) -> datetime:
        try:
            return moment_of(value)
        except (TypeError, ValueError, OverflowError):
            self.wrong(path, value, "a time with its offset, such as 2026-01-14T03:05:00+00:00")
            return datetime(1970, 1, 1, tzinfo=UTC)

    def number(self, path: str, value: Any) -> float:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            try:
                number = float(value)
            except OverflowError:
                number = float("inf")
            if isfinite(number):
                return number
        self.wrong(path, value, "a number")
        return 0.0

    # --- the whole ------------------------------------------------------------------------------

    def bundle(self, given: Any) -> Read:
        bundle = self.table("", given)
        if bundle.get("resourceType") != "Bundle":
            self.wrong("resourceType", bundle.get("resourceType"), "Bundle")
            return Read("", "", "", (), (), ())
        if bundle.get("type") != "collection":
            self.wrong("type", bundle.get("type"), "collection")
        entries = self.list("entry", bundle.get("entry"))
        if not entries:
            self.wrong("entry", bundle.get("entry"), "at least one entry")
        if len(entries) > MOST_ENTRIES:
            self.wrong("entry", f"{len(entries)} entries", f"up to {MOST_ENTRIES}")
            entries = []
        listed: list[tuple[str, Mapping[str, Any]]] = []
        for number, one in enumerate(entries):
            path = f"entry[{number}]"
            entry = self.table(path, one)
            resource = self.table(f"{path}.resource", entry.get("resource"))
            url = self.text(f"{path}.fullUrl", entry.get("fullUrl"))
            if url in self.resources:
                self.wrong(f"{path}.fullUrl", url, "an address of its own")
            self.resources[url] = resource
            listed.append((f"{path}.resource", resource))
        pseudonyms: list[str] = []
        values: list[Value] = []
        series: list[Series] = []
        left: list[str] = []
        for path, resource in listed:
            kind = resource.get("resourceType")
            if kind == "Patient":
                pseudonyms.append(self.pseudonym(path, resource))
            elif kind == "Observation":
                found = self.observation(path, resource)
                if not isinstance(found, str):
                    self.only_once(path, found)
                if isinstance(found, Value):
                    values.append(found)
                elif isinstance(found, Series):
                    series.append(found)
                elif found:
                    left.append(found)
            elif not isinstance(kind, str):
                self.wrong(f"{path}.resourceType", kind, "the name of a resource")
            elif kind not in ("Device", "DeviceMetric", "Encounter"):
                left.append(f"{path}: {kind[:60]}")
        if len(pseudonyms) != 1:
            self.wrong("entry", f"{len(pseudonyms)} patients", "one Patient")
        head, trip = self.fingerprint(bundle)
        single, trends = self.joined(values, series)
        return Read(pseudonyms[0] if pseudonyms else "", trip, head, single, trends, tuple(left))

    def only_once(self, path: str, found: Value | Series) -> None:
        """Refuse the same place in the record twice; 0 stands for no place."""
        if not found.entry:
            return
        rows = range(found.row, found.row + 1) if isinstance(found, Value) else range(
            found.first_row, found.first_row + len(found.values)
        )  # fmt: skip
        for row in rows:
            place = (found.entry, row, found.quantity)
            if place in self.places:
                self.wrong(f"{path}.identifier", place, "a place in the record of its own")
                return
            self.places.add(place)

    def fingerprint(self, bundle: Mapping[str, Any]) -> tuple[str, str]:
        if bundle.get("identifier") is None:
            return "", ""
        identifier = self.table("identifier", bundle["identifier"])
        value = self.text("identifier.value", identifier.get("value"))
        if identifier.get("system") != names.FINGERPRINT:
            return "", ""
        head, _, trip = value.partition(" ")
        return head, trip

    def pseudonym(self, path: str, resource: Mapping[str, Any]) -> str:
        for number, one in enumerate(self.list(f"{path}.identifier", resource.get("identifier"))):
            identifier = self.table(f"{path}.identifier[{number}]", one)
            if identifier.get("system") == names.PSEUDONYM:
                return self.text(f"{path}.identifier[{number}].value", identifier.get("value"))
        return ""

    # --- one observation ------------------------------------------------------------------------

    def observation(self, path: str, resource: Mapping[str, Any]) -> Value | Series | str:
        code = self.code(f"{path}.code", resource.get("code"))
        status = resource.get("status")
        if status not in (*names.STATUSES, "preliminary", "amended", "registered", "cancelled",
                          "unknown"):  # fmt: skip
            self.wrong(f"{path}.status", status, "a status of an observation")
        self.reference(path, resource, "subject", ("Patient", "Device"), needed=True)
        if code is None:
            return f"{path}: {_title(resource)}"
        if status not in names.STATUSES:
            return f"{path}: {status}"
        metric = self.reference(path, resource, "device", ("Device", "DeviceMetric"))
        teller = self.teller(path, metric)
        entry, row, quantity = self.place(path, resource, code)
        at = self.moment(f"{path}.effectiveDateTime", resource.get("effectiveDateTime"))
        issued = resource.get("issued")
        saved = at if issued is None else self.moment(f"{path}.issued", issued)
        kind = self.kind(path, resource)
        if "valueSampledData" in resource:
            return self.sampled(path, resource, code, Series(
                entry, quantity, at, saved, (), (), cast(Status, status), teller, max(row, 1),
            ))  # fmt: skip
        value = self.value(path, resource, code)
        flag = self.flag(path, resource)
        return Value(
            entry, quantity, value, at, saved, cast(Status, status), kind, teller, flag, None, row
        )

    def code(self, path: str, given: Any) -> Code | None:
        """Find the quantity; a code of ours goes before the others."""
        found: list[tuple[str, Code]] = []
        others: list[tuple[str, str]] = []
        concept = self.table(path, given)
        for number, one in enumerate(self.list(f"{path}.coding", concept.get("coding"))):
            here = f"{path}.coding[{number}]"
            coding = self.table(here, one)
            system = coding.get("system")
            if system not in (LOCAL, LOINC, MDC):
                continue
            text = self.text(f"{here}.code", coding.get("code"))
            code = None
            if system == LOCAL:
                code = code_of(text)
                if code is None:
                    self.wrong(f"{here}.code", text, "a quantity of the record")
            elif system == LOINC:
                code = by_loinc(text)
            elif text.isascii() and text.isdigit() and len(text) <= 10:
                code = by_mdc(int(text))
            else:
                self.wrong(f"{here}.code", text, "a number")
            if code is None:
                others.append((system, text))
            else:
                found.append((system, code))
        if not found:
            return None
        first = next(code for wanted in (LOCAL, MDC, LOINC) for system, code in found
                     if system == wanted)  # fmt: skip
        for system, code in found:
            # the two sites of saturation share their codes
            if code.key != first.key and (first.mdc is None or code.mdc != first.mdc):
                self.wrong(path, f"{first.key} and {code.key} ({system})", "codes of one quantity")
        wider = [one.code for one in first.more]
        for system, text in others:
            if (system == LOINC and text in table().loinc and text not in wider) or (
                system == MDC and text.isascii() and text.isdigit() and mdc_title(int(text[:10]))
            ):
                self.wrong(path, f"{first.key} and {text} ({system})", "codes of one quantity")
        return first

    def reference(
        self,
        path: str,
        resource: Mapping[str, Any],
        name: str,
        kinds: tuple[str, ...],
        needed: bool = False,
    ) -> Mapping[str, Any] | None:
        """Follow a reference within the Bundle."""
        given = resource.get(name)
        if given is None:
            if needed:
                self.wrong(f"{path}.{name}", None, f"a reference to {' or '.join(kinds)}")
            return None
        url = self.table(f"{path}.{name}", given).get("reference")
        found = self.resources.get(url) if isinstance(url, str) else None
        if found is None or found.get("resourceType") not in kinds:
            self.wrong(f"{path}.{name}.reference", url, f"{' or '.join(kinds)} in this Bundle")
            return None
        return found

    def teller(self, path: str, resource: Mapping[str, Any] | None) -> str:
        """Return the name of the device behind a reference; empty for the incubator itself."""
        if resource is None:
            return ""
        device: Mapping[str, Any] | None = resource
        if resource.get("resourceType") == "DeviceMetric":
            device = self.reference(f"{path}.device", resource, "source", ("Device",), needed=True)
        if device is None:
            return ""
        kind = device.get("type")
        if isinstance(kind, dict) and kind.get("text") == "transport incubator":
            return ""
        for one in self.list(f"{path}.device.identifier", device.get("identifier")):
            identifier = self.table(f"{path}.device.identifier", one)
            if identifier.get("system") == names.TELLER:
                return self.text(f"{path}.device.identifier.value", identifier.get("value"))
        return "unnamed device"

    def place(self, path: str, resource: Mapping[str, Any], code: Code) -> tuple[int, int, str]:
        """Return entry, row and quantity, out of our own identifier where there is one."""
        for number, one in enumerate(self.list(f"{path}.identifier", resource.get("identifier"))):
            here = f"{path}.identifier[{number}]"
            identifier = self.table(here, one)
            if identifier.get("system") != names.ENTRY:
                continue
            text = self.text(f"{here}.value", identifier.get("value"))
            where, _, quantity = text.partition(" ")
            entry, _, row = where.partition(".")
            sound = all(
                part.isascii() and part.isdigit() and len(part) < 16 for part in (entry, row or "0")
            )
            named = code_of(quantity)
            if not sound or named is None or named.key != code.key:
                self.wrong(f"{here}.value", text, f"entry and quantity, such as 12 {code.key}")
                break
            return int(entry), int(row or 0), quantity
        key = f"{GAUGE}unnamed" if code.key == GAUGE_KEY else code.key
        return 0, 0, key

    def kind(self, path: str, resource: Mapping[str, Any]) -> str:
        for number, one in enumerate(self.list(f"{path}.category", resource.get("category"))):
            here = f"{path}.category[{number}]"
            codings = self.list(f"{here}.coding", self.table(here, one).get("coding"))
            for coding in codings:
                if not isinstance(coding, dict):
                    self.wrong(f"{here}.coding", coding, "a table")
                elif coding.get("system") == names.KIND:
                    if coding.get("code") in names.KINDS:
                        return str(coding["code"])
                    self.wrong(f"{here}.coding.code", coding.get("code"), ", ".join(names.KINDS))
        return "extra"

    def value(self, path: str, resource: Mapping[str, Any], code: Code) -> float | str | None:
        given = [name for name in resource if name.startswith("value")]
        absent = resource.get("dataAbsentReason")
        if len(given) + (absent is not None) != 1:
            self.wrong(path, f"{len(given)} values", "one value, or one reason why there is none")
            return None
        if absent is not None:
            why = self.table(f"{path}.dataAbsentReason", absent)
            return "" if why.get("text") == names.EMPTY and code.key not in NUMBERS else None
        name = given[0]
        if name == "valueString" and not code.ucum:
            return self.text(f"{path}.valueString", resource[name])
        if name != "valueQuantity" or not code.ucum:
            self.wrong(f"{path}.{name}", name, "valueQuantity, or valueString for a text")
            return None
        return self.quantity(f"{path}.valueQuantity", resource[name], code)

    def quantity(self, path: str, given: Any, code: Code) -> float:
        quantity = self.table(path, given)
        value = self.number(f"{path}.value", quantity.get("value"))
        if quantity.get("comparator") is not None:
            self.wrong(f"{path}.comparator", quantity["comparator"], "an exact value")
        if quantity.get("system") != UCUM:
            self.wrong(f"{path}.system", quantity.get("system"), UCUM)
        unit = quantity.get("code")
        kept = code.kept(value, unit) if isinstance(unit, str) else None
        if kept is None:
            self.wrong(f"{path}.code", unit, ", ".join((code.ucum, *code.units)))
            return 0.0
        return kept

    def sampled(
        self, path: str, resource: Mapping[str, Any], code: Code, series: Series
    ) -> Series | str:
        here = f"{path}.valueSampledData"
        given = self.table(here, resource["valueSampledData"])
        origin = self.quantity(f"{here}.origin", given.get("origin"), code)
        period_ms = self.number(f"{here}.period", given.get("period"))
        if not period_ms > 0:
            self.wrong(f"{here}.period", period_ms, "milliseconds above 0")
        if given.get("dimensions") != 1:
            self.wrong(f"{here}.dimensions", given.get("dimensions"), "1")
        factor = 1.0 if given.get("factor") is None else self.number(
            f"{here}.factor", given["factor"]
        )  # fmt: skip
        data = self.text(f"{here}.data", given.get("data"))
        values: list[float | None] = []
        for number, word in enumerate(data.split(" ")):
            if word == "E":
                values.append(None)
                continue
            try:
                if not word.isascii() or "_" in word:
                    raise ValueError
                value = float(word) * factor + origin
                if not isfinite(value):
                    raise ValueError
                values.append(value)
            except ValueError:
                self.wrong(f"{here}.data", word, f"a number or E at place {number + 1}")
        period_us = round(period_ms * 1000) if period_ms < _LONGEST_MS else 0
        if period_us <= 0:
            self.wrong(f"{here}.period", period_ms, "a microsecond at least, ten years at most")
            return ""
        try:
            series.start + timedelta(microseconds=period_us * len(values))
        except OverflowError:
            self.wrong(f"{here}.data", f"{len(values)} rows", "rows within the calendar")
            return ""
        seconds = tuple(number * period_us / 1e6 for number in range(len(values)))
        return replace(series, seconds=seconds, values=tuple(values))

    def flag(self, path: str, resource: Mapping[str, Any]) -> str:
        for number, one in enumerate(self.list(f"{path}.note", resource.get("note"))):
            text = self.table(f"{path}.note[{number}]", one).get("text")
            if isinstance(text, str) and text.startswith(names.FLAGGED):
                return text.removeprefix(names.FLAGGED)
        return ""

    def joined(
        self, values: Sequence[Value], series: Sequence[Series]
    ) -> tuple[tuple[Value, ...], tuple[Series, ...]]:
        """Put the rows of each trend that came in pieces together again."""
        rows: dict[tuple[int, str], list[Value]] = {}
        rest: list[Value] = []
        others: list[Series] = []
        for value in values:
            if value.kind == TREND and value.row and value.entry:
                rows.setdefault((value.entry, value.quantity), []).append(value)
            else:
                rest.append(value)
        for one in series:
            if one.entry:
                rows.setdefault((one.entry, one.quantity), []).extend(one.rows())
            else:
                others.append(one)
        for (entry, quantity), mine in rows.items():
            mine.sort(key=lambda one: (one.row, one.at))
            first, last = mine[0], mine[-1]
            place = f"trend {entry} {quantity}"
            if last.row - first.row + 1 != len(mine):
                self.wrong(place, f"{len(mine)} rows of {first.row} to {last.row}", "every row")
            if any(after.at < before.at for before, after in pairwise(mine)):
                self.wrong(place, "rows out of their order", "no row before the one before it")
            if len({(one.status, one.told_by, one.saved) for one in mine}) > 1:
                self.wrong(place, "rows with different heads", "one status, device and saving")
            others.append(
                Series(
                    entry=entry,
                    quantity=quantity,
                    start=first.at,
                    saved=first.saved,
                    seconds=tuple((one.at - first.at) / timedelta(seconds=1) for one in mine),
                    values=tuple(
                        one.value if isinstance(one.value, float) else None for one in mine
                    ),
                    status=first.status,
                    told_by=first.told_by,
                    first_row=first.row,
                )
            )
        return tuple(rest), tuple(others)


def _title(resource: Mapping[str, Any]) -> str:
    concept = resource.get("code")
    text = concept.get("text") if isinstance(concept, dict) else None
    return text[:80] if isinstance(text, str) else "an observation of something else"
