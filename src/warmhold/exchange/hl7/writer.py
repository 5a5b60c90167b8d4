"""A trip's values as reports of observations (ORU^R01), in the shape of IHE PCD-01.

Each teller is a device of its own in the containment (OBX-4): a person's entries, each device, each
imported trend. Codes that were recalled and not read go out only when that is asked for; the
project's own code goes beside every other, so that nothing is told twice or not at all.

Source: IHE PCD TF-2, PCD-01 (memory); HL7 v2.6, chapter 7 (memory)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

from warmhold.exchange.codes import LOCAL, LOINC, MDC, Coding, unit_to_mdc
from warmhold.exchange.hl7.answers import OURSELVES
from warmhold.exchange.hl7.reader import LOCAL_SYSTEM
from warmhold.exchange.hl7.syntax import USUAL
from warmhold.exchange.hl7.times import written
from warmhold.exchange.outgoing import CORRECTED, STRUCK, Outgoing, Value, code_for
from warmhold.record.clock import iso

VERSION: Final = "2.6"
PROFILE: Final = "PCD_DEC_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO"
MOST_TOGETHER: Final = 500  # values in one message
PERSON: Final = "entered by a person"
_SYSTEMS = {MDC: "MDC", LOINC: "LN", LOCAL: LOCAL_SYSTEM}
_STATUS = {CORRECTED: "C", STRUCK: "D"}  # table 0085: corrected, deleted (memory)


@dataclass(frozen=True)
class Written:
    """Messages of one trip.

    messages : each without a frame, UTF-8, segments end in CR
    values : how many they hold
    """

    messages: tuple[bytes, ...]
    values: int

    def file(self) -> bytes:
        """Return all of them as one batch file."""
        head = "|^~\\&|" + OURSELVES
        first, last = f"FHS{head}\rBHS{head}\r", f"BTS|{len(self.messages)}\rFTS|1\r"
        return first.encode() + b"".join(self.messages) + last.encode()


def to_oru(out: Outgoing, at: datetime, *, memory: bool = False) -> Written:
    """Write a trip's values.

    at : moment of writing, with its zone
    memory : also codes of LOINC and MDC, and MDC units, that were recalled and not read
    """
    values = list(out.every_value())
    tellers = {name: number for number, name in enumerate(_tellers(values), 1)}
    quantities = {name: number for number, name in enumerate(_quantities(values), 1)}
    messages: list[bytes] = []
    for first in range(0, len(values), MOST_TOGETHER):
        some = values[first : first + MOST_TOGETHER]
        number = len(messages) + 1
        lines = [
            *_head(out, at, number),
            *_observations(out, some, number, tellers, quantities, memory),
        ]
        messages.append("".join(f"{line}\r" for line in lines).encode("utf-8"))
    return Written(tuple(messages), len(values))


def reports_of(out: Outgoing, at: datetime | None = None) -> bytes:
    """Return a trip's values as one batch file."""
    return to_oru(out, at if at is not None else datetime.now(UTC)).file()


def _tellers(values: Sequence[Value]) -> list[str]:
    return list(dict.fromkeys(value.told_by or PERSON for value in values))


def _quantities(values: Sequence[Value]) -> list[str]:
    return sorted({value.quantity for value in values})


def _line(name: str, fields: dict[int, str]) -> str:
    """Write a segment; fields that are not named are empty."""
    last = max(fields, default=0)
    return USUAL.field.join((name, *(fields.get(number, "") for number in range(1, last + 1))))


def _components(*parts: str) -> str:
    return USUAL.component.join(USUAL.escaped(part) for part in parts).rstrip(USUAL.component)


def _head(out: Outgoing, at: datetime, number: int) -> Iterator[str]:
    # MSH-1 is the separator itself, so that field 2 is the first one written.
    head = _line(
        "MSH",
        {
            1: USUAL.stated, 2: OURSELVES, 6: written(at.astimezone(UTC).replace(microsecond=0)),
            8: "ORU^R01^ORU_R01", 9: f"{out.first[:10]}{out.head[0]}.{number}"[-20:], 10: "P",
            11: VERSION, 14: "NE", 15: "AL", 17: "UNICODE UTF-8", 20: PROFILE,
        },
    )  # fmt: skip
    yield head
    yield _line(
        "PID",
        {
            3: _components(out.pseudonym or f"trip {out.trip}", "", "", OURSELVES),
            # S: a coded pseudo-name to ensure anonymity, table 0200 (memory)
            5: _components(out.pseudonym, "", "", "", "", "", "S"),
        },
    )
    yield "PV1||N"


def _observations(
    out: Outgoing,
    values: Sequence[Value],
    number: int,
    tellers: dict[str, int],
    quantities: dict[str, int],
    memory: bool,
) -> Iterator[str]:
    moments = [value.at for value in values]
    yield _line(
        "OBR",
        {
            1: "1",
            3: _components(f"{out.first[:10]}-{out.head[0]}-{number}", OURSELVES),
            4: "182777000^monitoring of patient^SCT",
            7: _moment(out, min(moments)),
            8: _moment(out, max(moments)),
        },
    )
    place = 0
    said: set[str] = set()
    for value in values:
        teller = value.told_by or PERSON
        if teller not in said:
            said.add(teller)
            place += 1
            yield _line(
                "OBX",
                {
                    1: str(place),
                    3: _components("source", "Who told it", LOCAL_SYSTEM),
                    4: f"{tellers[teller]}.0.0.0",
                    11: "X",
                    18: _components(teller, OURSELVES),
                },
            )
        place += 1
        sub = f"{tellers[teller]}.1.1.{quantities[value.quantity]}"
        yield _observation(out, value, place, sub, memory)
        note = "; ".join(_notes(value))
        if note:
            yield _line("NTE", {1: str(place), 3: USUAL.escaped(note)})


def _moment(out: Outgoing, at: datetime) -> str:
    return written(out.local(at))


def _observation(out: Outgoing, value: Value, place: int, sub: str, memory: bool) -> str:
    code = code_for(value)
    is_number = isinstance(value.value, float)
    fields = {
        1: str(place),
        3: _codes(value, code.codings(memory)),
        4: sub,
        11: "X"
        if value.value is None
        else _STATUS.get(value.status, "F" if value.kind in ("regular", "extra") else "R"),
        14: _moment(out, value.at),
    }
    if isinstance(value.value, float):
        fields[2], fields[5] = "NM", number_text(value.value)
    elif value.value is not None:
        fields[2], fields[5] = "ST", USUAL.escaped(value.value)
    if code.ucum and (is_number or value.value is None):
        fields[6] = _unit(code.ucum, code.key, memory)
    if code.body_site and code.key.startswith("saturation_"):
        fields[20] = USUAL.component + USUAL.escaped(code.body_site)
    return _line("OBX", fields)


def _codes(value: Value, codings: Sequence[Coding]) -> str:
    """Write OBX-3: MDC before LOINC as PCD-01 has it, and our own code beside it."""
    others = [one for one in codings if one.system == MDC]
    others += [one for one in codings if one.system == LOINC]
    own = next(one for one in codings if one.system == LOCAL)
    parts: list[str] = []
    for one in others[:1]:
        parts += [one.code, one.title, _SYSTEMS[one.system]]
    return _components(*parts, value.quantity, own.title, LOCAL_SYSTEM)


def _unit(ucum: str, quantity: str, memory: bool) -> str:
    found = unit_to_mdc(ucum, quantity) if memory else None
    if found is None:
        return _components(ucum, "", "UCUM")
    return _components(str(found[0]), found[1], "MDC", ucum, "", "UCUM")


def number_text(value: float) -> str:
    """Write a number as HL7's type NM has it, without an exponent; reads back as the same."""
    text = format(Decimal(repr(value)), "f")
    return text.removesuffix(".0")


def _notes(value: Value) -> Iterator[str]:
    """Say what the fields do not hold."""
    row = f", row {value.row} of a trend" if value.row else ""
    yield f"entry {value.entry} of the record{row}, saved {iso(value.saved)}"
    if value.kind in ("extra", "device"):
        yield f"set: {value.kind}"
    if value.flag:
        yield f"asked about and kept as entered: {value.flag}"
    if value.was is not None:
        yield f"before its correction: {value.was}"
