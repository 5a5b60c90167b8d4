"""Our reading of a message against two independent libraries, field by field.

python-hl7 0.4.5 parts any text; hl7apy 1.3.5 builds messages by its own tables of the standard.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import hl7
import pytest
from hl7apy.core import Message as Built
from hl7apy.parser import parse_message
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.hl7_messages import HEAD, OBR, PID, PV1, USUAL, head, message, obx
from warmhold.exchange.codes import codes
from warmhold.exchange.hl7.answers import Verdict, answers
from warmhold.exchange.hl7.reader import Message, read
from warmhold.exchange.hl7.syntax import USUAL as SIGNS
from warmhold.exchange.hl7.syntax import header_of, parsed
from warmhold.exchange.hl7.times import written

# Fields that the reader reads.
READ = {
    "MSH": (3, 4, 5, 6, 7, 9, 10, 11, 12, 15, 16, 18),
    "PID": (3,),
    "PV1": (3,),
    "OBR": (7, 8),
    "OBX": (2, 3, 4, 5, 6, 8, 11, 14, 18, 20),
}
_WORDS = st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=12)
_TEXTS = _WORDS.map(SIGNS.escaped)
_FIELDS = st.lists(
    st.lists(st.just("") | _TEXTS, min_size=1, max_size=3).map("^".join), min_size=1, max_size=2
).map("~".join)


def theirs(field: object, whole: hl7.Message) -> list[list[str]]:
    """Return a field of python-hl7 as repetitions of components."""
    if not isinstance(field, hl7.Field):
        return [[whole.unescape(str(field))]]
    out = []
    for repetition in field:
        parts = repetition if isinstance(repetition, hl7.Repetition) else [repetition]
        out.append([whole.unescape(str(part)) for part in parts])
    return out


def same_fields(raw: bytes) -> int:
    """Compare every field that is read; returns how many there were."""
    ours, other = parsed(raw), hl7.parse(raw.decode("utf-8"))
    assert [one.name for one in ours.segments] == [str(one[0]) for one in other]
    count = 0
    for mine, segment in zip(ours.segments, other, strict=True):
        for number in READ.get(mine.name, ()):
            if number >= len(segment):
                assert mine.field(number) == ""
                continue
            found = [list(one) for one in mine.repetitions(number)] or [[""]]
            assert found == theirs(segment[number], other), (mine.name, number)
            count += 1
    return count


def test_python_hl7_reads_the_usual_message_the_same() -> None:
    assert same_fields(message()) > 40


@given(
    st.dictionaries(st.sampled_from((3, 4, 5, 6, 8, 11, 14, 18, 20)), _FIELDS),
    st.dictionaries(st.sampled_from((3, 4, 10)), _FIELDS),
    _FIELDS,
)
@settings(max_examples=200, deadline=None)
def test_python_hl7_reads_any_fields_the_same(
    of_obx: dict[int, str], of_head: dict[int, str], patient: str
) -> None:
    first = head(**{f"msh_{number}": text for number, text in of_head.items()})
    segment = obx(**{f"obx_{number}": text for number, text in of_obx.items()})
    assert same_fields(message(first, f"PID|||{patient}", PV1, OBR, segment)) > 10


def test_hl7apy_reads_the_usual_message_the_same() -> None:
    ours, other = parsed(message()), parse_message(message().decode(), find_groups=False)
    for name, segments in (("MSH", [other.msh]), ("PID", [other.pid]), ("OBX", list(other.obx))):
        mine = list(ours.named(name))
        assert len(mine) == len(segments)
        for one, segment in zip(mine, segments, strict=True):
            for number in READ[name]:
                value = getattr(segment, f"{name.lower()}_{number}").value
                # It drops fields of nothing but spaces.
                assert one.field(number).strip() == (value or "").strip(), (name, number)


@pytest.mark.parametrize("version", ["2.3", "2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"])
@pytest.mark.parametrize("key", [key for key, one in codes().items() if one.mdc is not None])
def test_what_hl7apy_builds_we_read(version: str, key: str) -> None:
    code = codes()[key]
    at = datetime(2026, 1, 14, 3, 5, 7, tzinfo=timezone(timedelta(hours=-3, minutes=-30)))
    built = Built("ORU_R01", version=version)
    built.msh.msh_3 = "APP&1.2&ISO" if version > "2.3" else "APP"
    built.msh.msh_9 = "ORU^R01"
    built.msh.msh_10 = f"N{version}"
    built.msh.msh_11 = "P"
    built.add_segment("PID").pid_3 = "P17"
    built.add_segment("OBR").obr_7 = written(at)
    for number in range(3):
        segment = built.add_segment("OBX")
        segment.obx_2 = "NM"
        segment.obx_3 = f"{code.mdc}^{code.mdc_ref}^MDC"
        segment.obx_4 = f"1.1.1.{number}"
        segment.obx_5 = f"{30 + number}.5"
        segment.obx_6 = f"{code.ucum}^^UCUM"
        segment.obx_11 = "F"
        segment.obx_14 = written(at + timedelta(seconds=number))
        if key == "saturation_post_percent" and version >= "2.6":  # before, there is no OBX-20
            segment.obx_20 = "^foot"
    found = read(built.to_er7().encode())
    assert isinstance(found, Message), found
    assert found.identity == f"N{version}"
    assert found.patients == ("P17",)
    told = found.told
    assert [one.value for one in told] == [30.5, 31.5, 32.5]
    assert [one.at for one in told] == [at + timedelta(seconds=number) for number in range(3)]
    before = key == "saturation_post_percent" and version < "2.6"
    assert {one.quantity for one in told} == {"saturation_pre_percent" if before else key}


@given(_WORDS, _WORDS, st.decimals(-999, 999, places=3))
@settings(max_examples=100, deadline=None)
def test_texts_that_hl7apy_builds_we_read(application: str, unit: str, value: object) -> None:
    built = Built("ORU_R01", version="2.6")
    built.msh.msh_3.hd_1 = SIGNS.escaped(application)
    built.msh.msh_9 = "ORU^R01^ORU_R01"
    built.msh.msh_10 = "N1"
    built.msh.msh_11 = "P"
    segment = built.add_segment("OBX")
    segment.obx_2 = "NM"
    segment.obx_3 = "150388^MDC_TEMP_SKIN^MDC"
    segment.obx_5 = str(value)
    segment.obx_6.obx_6_1 = SIGNS.escaped(unit)
    segment.obx_11 = "R"
    found = read(built.to_er7().encode())
    assert isinstance(found, Message), found
    assert found.header.application == application.strip()
    assert found.observed[0].unit[0] == unit.strip()
    assert float(found.observed[0].values[0][0]) == float(str(value))


@pytest.mark.parametrize("reason", ["", "segment 3|OBX^14 \\ names no offset"])
@pytest.mark.parametrize("version", ["2.3.1", "2.4", "2.5", "2.6", "2.8"])
def test_acknowledgements_are_read_by_both(reason: str, version: str) -> None:
    raw = message(head(msh_12=version, msh_15="", msh_16=""), PID, OBR, obx())
    verdict = Verdict(7, datetime(2026, 1, 14, 2, 5, tzinfo=UTC), reason, 102)
    (answer,) = answers(header_of(raw), verdict)
    other = hl7.parse(answer.decode())
    assert str(other["MSA.F1"]) == ("AE" if reason else "AA")
    assert str(other["MSA.F2"]) == "M1"
    assert str(other["MSH.F12"]) == version
    if reason and version < "2.7":
        assert str(other["MSA.F3"]) == reason  # it undoes the escapes by itself
    built = parse_message(answer.decode(), find_groups=False)
    assert built.msh.msh_9.value == "ACK^R01^ACK"
    assert built.msa.msa_2.value == "M1"
    assert built.validate()
    if reason and version >= "2.5":
        assert built.err.err_3.value.startswith("102^")
        assert str(other["ERR.F4"]) == "E"


def test_the_samples_are_in_order() -> None:
    assert USUAL[:4] == (HEAD, PID, PV1, OBR)
    assert parse_message(message().decode(), find_groups=True).validate()
