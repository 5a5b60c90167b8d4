"""A trip's values out as reports of observations, read back by ourselves and by others."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import hl7
import pytest
from hl7apy.parser import parse_message
from hypothesis import given, settings
from hypothesis import strategies as st

from exchange.plain_outgoing import plain_outgoing
from exchange.trips import TRIP, record_with
from warmhold.exchange.hl7.reader import LOCAL_SYSTEM, Message, Observed, read
from warmhold.exchange.hl7.syntax import messages_of, parsed
from warmhold.exchange.hl7.times import moment
from warmhold.exchange.hl7.writer import (
    MOST_TOGETHER,
    PERSON,
    Written,
    number_text,
    reports_of,
    to_oru,
)
from warmhold.exchange.outgoing import FINAL, STRUCK, Outgoing, Value, outgoing
from warmhold.record.bodies import NUMBERS, WORDS

AT = datetime(2026, 1, 14, 4, 40, tzinfo=UTC)
SAVED = datetime(2026, 1, 14, 3, 6, tzinfo=UTC)


@pytest.fixture(scope="module")
def trip(tmp_path_factory: pytest.TempPathFactory) -> Outgoing:
    folder: Path = tmp_path_factory.mktemp("record")
    with record_with(folder) as record:
        return outgoing(record.events(), TRIP)


def understood(found: Written) -> list[Message]:
    out = []
    for raw in found.messages:
        message = read(raw)
        assert isinstance(message, Message), message
        out.append(message)
    return out


def values_of(messages: list[Message]) -> Iterator[Observed]:
    """Yield what is no head."""
    for message in messages:
        yield from (one for one in message.observed if not one.sub.endswith(".0.0.0"))


def own_code(one: Observed) -> str:
    return next(code for code, _, system in one.codes if system == LOCAL_SYSTEM)


@pytest.mark.parametrize("memory", [False, True])
def test_what_we_write_we_read_back(trip: Outgoing, memory: bool) -> None:
    messages = understood(to_oru(trip, AT, memory=memory))
    found = list(values_of(messages))
    wanted = list(trip.every_value())
    assert len(found) == len(wanted)
    for one, value in zip(found, wanted, strict=True):
        assert own_code(one) == value.quantity
        assert one.at == value.at
        assert one.device == (value.told_by or PERSON)
        assert (one.status == "D") == (value.status == STRUCK)
        assert (one.status == "X") == (value.value is None)
        text = one.values[0][0] if one.values else ""
        if isinstance(value.value, float):
            assert float(text) == value.value
        else:
            assert text == (value.value or "")
    told = [one for message in messages for one in message.told]
    numbers = [value for value in wanted if value.quantity in NUMBERS]
    for value, one in zip(numbers, [one for one in told if one.quantity], strict=True):
        assert one.quantity == value.quantity
        assert one.value == (None if value.status == STRUCK else value.value)
        assert one.at == value.at
    assert messages[0].patients == (f"{trip.pseudonym}^WARMHOLD",)


def test_codes_that_were_recalled_go_out_only_when_asked_for(trip: Outgoing) -> None:
    for memory in (False, True):
        sent = {
            (code, system)
            for one in values_of(understood(to_oru(trip, AT, memory=memory)))
            for code, _, system in (*one.codes, one.unit)
        }
        assert ("150388", "MDC") in sent
        assert (("15074-8", "LN") in sent) == memory  # glucose
        assert (("268192", "MDC") in sent) == memory  # degrees Celsius
        assert (("Cel", "UCUM") in sent) == (not memory)


def test_rectal_and_skin_go_out_under_their_own_codes(trip: Outgoing) -> None:
    sent = {own_code(one): one.codes[0] for one in values_of(understood(to_oru(trip, AT)))}
    assert sent["rectal_c"][:2] == ("188420", "MDC_TEMP_RECT")
    assert sent["skin_c"][:2] == ("150388", "MDC_TEMP_SKIN")
    assert sent["air_c"][2] == LOCAL_SYSTEM


def test_a_file_is_one_batch_that_counts_right(trip: Outgoing) -> None:
    told: list[str] = []
    found = list(messages_of(reports_of(trip, AT), told.append))
    assert told == []
    assert tuple(found) == to_oru(trip, AT).messages
    assert reports_of(trip, AT) == reports_of(trip, AT)
    assert len(reports_of(trip)) == len(reports_of(trip, AT))


def test_no_name_of_a_person_of_the_team_goes_out(trip: Outgoing) -> None:
    text = reports_of(trip, AT).decode()
    for name in ("mira", "family", "ward team"):
        assert name not in text


# --- independent libraries ------------------------------------------------------------------------


def test_python_hl7_reads_every_field_as_we_wrote_it(trip: Outgoing) -> None:
    wanted = list(trip.every_value())
    found = []
    for raw in to_oru(trip, AT, memory=True).messages:
        theirs = hl7.parse(raw.decode("utf-8"))
        assert str(theirs["MSH.F9.R1.C1"]) == "ORU"
        assert str(theirs["MSH.F12"]) == "2.6"
        assert str(theirs["PID.F3.R1.C1"]) == trip.pseudonym
        found += [seg for seg in theirs.segments("OBX") if not str(seg[4]).endswith(".0.0.0")]
    assert len(found) == len(wanted)
    for segment, value in zip(found, wanted, strict=True):
        coded = [hl7_plain(one) for one in segment[3][0]]
        assert value.quantity in coded
        text = hl7_plain(segment[5])
        if isinstance(value.value, float):
            assert (str(segment[2]), float(text)) == ("NM", value.value)
        else:
            assert text == (value.value or "")
        assert moment(str(segment[14]), None) == value.at


def hl7_plain(field: object) -> str:
    return str(hl7.parse("MSH|^~\\&|").unescape(str(field)))


def test_hl7apy_finds_nothing_against_its_tables_and_reads_the_same(trip: Outgoing) -> None:
    wanted = list(trip.every_value())
    found = []
    for raw in to_oru(trip, AT).messages:
        theirs = parse_message(raw.decode("utf-8"), find_groups=True)
        assert theirs.validate()
        result = theirs.oru_r01_patient_result
        assert result.oru_r01_patient.pid.pid_3.cx_1.value == trip.pseudonym
        for one in result.oru_r01_order_observation.oru_r01_observation:
            if not one.obx.obx_4.value.endswith(".0.0.0"):
                found.append(one.obx)
    assert len(found) == len(wanted)
    for segment, value in zip(found, wanted, strict=True):
        assert moment(segment.obx_14.value, None) == value.at
        if isinstance(value.value, float):
            assert float(segment.obx_5.value) == value.value


# --- properties -----------------------------------------------------------------------------------

_TEXT = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=30)
_MOMENTS = st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)).map(
    lambda at: at.replace(microsecond=at.microsecond // 100 * 100)
)
_VALUES = st.one_of(
    st.builds(
        Value, entry=st.integers(1, 10**6), quantity=st.sampled_from(NUMBERS),
        value=st.none() | st.floats(allow_nan=False, allow_infinity=False), at=_MOMENTS,
        saved=st.just(SAVED), status=st.sampled_from(("final", "corrected", "entered-in-error")),
        kind=st.sampled_from(("regular", "extra", "device", "trend")),
        told_by=st.just("") | _TEXT.filter(lambda text: text.strip() == text),
        flag=st.just("") | _TEXT,
    ),
    st.builds(
        Value, entry=st.just(1), quantity=st.sampled_from(WORDS), value=_TEXT, at=_MOMENTS,
        saved=st.just(SAVED),
    ),
)  # fmt: skip


@given(st.lists(_VALUES, max_size=12), st.booleans())
@settings(max_examples=150, deadline=None)
def test_any_values_come_back_as_they_were(values: list[Value], memory: bool) -> None:
    out = plain_outgoing("T1", values)
    messages = understood(to_oru(out, AT, memory=memory))
    found, values = list(values_of(messages)), list(out.every_value())
    assert len(found) == len(values)
    for one, value in zip(found, values, strict=True):
        assert own_code(one) == value.quantity
        assert one.at == value.at
        assert one.device == (value.told_by or PERSON)
        text = one.values[0][0] if one.values else ""
        if isinstance(value.value, float):
            assert math.copysign(1, float(text)) == math.copysign(1, value.value)
            assert float(text) == value.value
        elif value.value is not None:
            assert text == value.value.strip()
    told = [one for message in messages for one in message.told if one.quantity]
    numbers = [value for value in values if value.quantity in NUMBERS]
    assert [one.quantity for one in told] == [value.quantity for value in numbers]
    for one, value in zip(told, numbers, strict=True):
        assert one.value == (None if value.status == STRUCK else value.value)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_as_the_same(value: float) -> None:
    text = number_text(value)
    assert "e" not in text.lower()
    assert float(text) == value


def test_many_values_are_parted_into_messages() -> None:
    value = Value(1, "skin_c", 36.4, AT, SAVED, FINAL)
    found = to_oru(plain_outgoing("T1", [value] * (2 * MOST_TOGETHER + 1)), AT)
    assert len(found.messages) == 3
    assert found.values == 2 * MOST_TOGETHER + 1
    identities = {parsed(raw).header.identity for raw in found.messages}
    assert len(identities) == 3
    assert all(len(one) <= 20 for one in identities)
    assert sum(len(message.told) for message in understood(found)) == found.values


def test_nothing_to_tell_is_no_message() -> None:
    assert to_oru(plain_outgoing("T1", []), AT).messages == ()


def test_times_go_out_in_the_time_of_the_trip(trip: Outgoing) -> None:
    one = next(values_of(understood(to_oru(trip, AT))))
    assert one.at is not None
    assert one.at.utcoffset() == trip.offset
    assert timezone(trip.offset or timedelta(0)) is not None
