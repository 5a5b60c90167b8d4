"""What a report of observations says, or why it is not taken."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from exchange.hl7_messages import DEVICE, HEAD, OBR, PID, PV1, RECTAL, head, message, obx
from warmhold.exchange.hl7.reader import Message, Refused, Rules, read
from warmhold.exchange.hl7.syntax import USUAL, messages_of, unescaped
from warmhold.exchange.hl7.times import NoMoment, Zones, moment, written, zone_of
from warmhold.exchange.told import Told

PLUS_1 = timezone(timedelta(hours=1))


def taken(raw: bytes, rules: Rules | None = None) -> Message:
    found = read(raw, rules)
    assert isinstance(found, Message), found
    return found


def refused(raw: bytes, rules: Rules | None = None) -> Refused:
    found = read(raw, rules)
    assert isinstance(found, Refused), found
    return found


def one(**fields: str) -> Told:
    (told,) = taken(message(HEAD, PID, OBR, obx(**fields))).told
    return told


def test_a_usual_message_is_read_field_by_field() -> None:
    found = taken(message())
    assert found.identity == "M1"
    assert found.header.application == "BEDSIDE 2"
    assert found.patients == ("P17^UNIT",)
    assert found.place == "T 1 2"
    assert len(found.observed) == 4
    saturation, rectal, oral = found.told
    assert (saturation.quantity, saturation.value) == ("saturation_pre_percent", 94.0)
    assert saturation.at == datetime(2026, 1, 14, 3, 5, 1, tzinfo=PLUS_1)
    assert (rectal.quantity, rectal.value) == ("rectal_c", 37.0)  # 98.6 °F, exactly
    assert rectal.at == datetime(2026, 1, 14, 3, 5, tzinfo=PLUS_1)  # that of OBR-7
    assert (oral.quantity, oral.value, oral.flag) == ("", 36.9, "")
    assert oral.code == "188424 MDC"
    assert {told.device for told in found.told} == {"0012210039001122"}  # from its head
    assert any("right hand is taken for granted" in text for text in found.noticed)


@pytest.mark.parametrize(
    ("coded", "quantity"),
    [
        ("150388^MDC_TEMP_SKIN^MDC", "skin_c"),
        ("150388^^2.16.840.1.113883.6.24", "skin_c"),
        ("^MDC_TEMP_SKIN^MDC", "skin_c"),
        ("60839-8^^LN", "skin_c"),
        ("X1^own^99OUR^150388^MDC_TEMP_SKIN^MDC", "skin_c"),
        ("188452^MDC_TEMP_AXILLA^MDC", "axillary_c"),
        ("188452^MDC_TEMP_AXILLA^MDC^8310-5^Body temperature^LN", "axillary_c"),
        ("188420^MDC_TEMP_RECT^MDC", "rectal_c"),
        ("air_c^Air in the hood^99WHQ", "air_c"),
        ("188424^MDC_TEMP_ORAL^MDC", ""),
        ("150368^MDC_TEMP_CORE^MDC", ""),
        ("150364^MDC_TEMP_BODY^MDC", ""),
        ("8310-5^Body temperature^LN", ""),
        ("57348^MDC_TEMP_RECT^MDC", ""),  # a term without its partition means nothing by itself
        ("150388^MDC_TEMP_SKIN", ""),  # of no system
        ("999^Own^99OUR", ""),
    ],
)
def test_sites_of_a_temperature_are_kept_apart(coded: str, quantity: str) -> None:
    told = one(obx_3=coded)
    assert (told.quantity, told.value, told.flag) == (quantity, 36.4, "")


@pytest.mark.parametrize(
    ("coded", "why"),
    [
        ("188420^MDC_TEMP_CORE^MDC", "is MDC_TEMP_RECT, not MDC_TEMP_CORE"),
        ("150388^MDC_TEMP_SKIN^MDC^8332-9^^LN", "different things"),
        ("150388^MDC_TEMP_SKIN^MDC^188424^MDC_TEMP_ORAL^MDC", "different things"),
        ("skin_c^^99WHQ^188420^MDC_TEMP_RECT^MDC", "different things"),
        ("60839-7^^LN", "check digit"),
    ],
)
def test_codes_that_contradict_each_other_are_kept_as_no_quantity(coded: str, why: str) -> None:
    told = one(obx_3=coded)
    assert (told.quantity, told.value) == ("", 36.4)
    assert why in told.flag


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        ("268192^MDC_DIM_DEGC^MDC", 36.4),
        ("Cel^^UCUM", 36.4),
        ("Cel", 36.4),
        ("CEL^^ISO+", 36.4),
        ("[degF]^^UCUM", round((36.4 - 32) / 1.8, 6)),
        ("", None),
        ("268192^MDC_DIM_PERCENT^MDC", None),
        ("262688^MDC_DIM_PERCENT^MDC", None),
        ("mm[Hg]^^UCUM", None),
        ("1^^MDC", None),
        ("C^^99OUR", None),
        ("F", None),
    ],
)
def test_a_unit_is_converted_exactly_or_the_value_is_not_taken(
    unit: str, value: float | None
) -> None:
    told = one(obx_6=unit)
    assert (told.quantity, told.value) == ("skin_c", value)
    assert bool(told.why_none) == (value is None)


@pytest.mark.parametrize(
    "unit", ["/min^^UCUM", "{beats}/min^^UCUM", "264864^MDC_DIM_BEAT_PER_MIN^MDC"]
)
def test_a_rate_may_say_what_it_counts(unit: str) -> None:
    assert one(obx_3="147842^MDC_ECG_HEART_RATE^MDC", obx_5="141", obx_6=unit).value == 141.0


@pytest.mark.parametrize(
    ("value", "read_as"),
    [
        ("36.4", 36.4), ("+36.4", 36.4), (" 36.4 ", 36.4), ("36", 36.0), (".5", 0.5), ("-1", -1.0),
        ("", None), ('""', None), ("36,4", None), ("1e2", None), ("NaN", None), ("inf", None),
        ("<36", None), ("36.4~36.5", None), ("36.4^x", None), ("9" * 401, None), ("٣٦", None),
    ],
)  # fmt: skip
def test_only_a_plain_number_is_a_value(value: str, read_as: float | None) -> None:
    told = taken(
        message(head(msh_18="UNICODE UTF-8"), OBR, obx(obx_5=value), charset="utf-8")
    ).told[0]
    assert (told.quantity, told.value) == ("skin_c", read_as)
    assert bool(told.why_none) == (read_as is None)


@pytest.mark.parametrize(
    ("value", "read_as"), [("^36.4", 36.4), ("=^36.4", 36.4), ("<^36.4", None), ("^36^-^37", None)]
)
def test_a_structured_number_is_a_value_if_it_is_one(value: str, read_as: float | None) -> None:
    assert one(obx_2="SN", obx_5=value).value == read_as


def test_a_text_is_no_value() -> None:
    told = one(obx_2="ST", obx_5="36.4")
    assert told.value is None
    assert "told as ST" in told.why_none


@pytest.mark.parametrize(
    ("status", "flag"),
    [("F", ""), ("R", ""), ("C", ""), ("P", "preliminary"), ("", "status not told"),
     ("Q", "status Q")],
)  # fmt: skip
def test_a_status_that_speaks_against_the_value_is_kept(status: str, flag: str) -> None:
    told = one(obx_11=status)
    assert (told.value, told.flag) == (36.4, flag)


@pytest.mark.parametrize("status", ["X", "D", "W", "N", "I", "O"])
def test_a_status_that_takes_the_value_back_leaves_none(status: str) -> None:
    told = one(obx_11=status)
    assert told.value is None
    assert "it told 36.4" in told.why_none


@pytest.mark.parametrize(
    ("flags", "flag"),
    [("", ""), ("H", ""), ("N~L", ""), ("QUES", "questionable"), ("H~TEST", "test"),
     ("DEMO", "demonstration"), ("<", "below the scale of the instrument"),
     ("ABC", "marked ABC")],
)  # fmt: skip
def test_marks_against_a_value_are_kept(flags: str, flag: str) -> None:
    told = one(obx_8=flags)
    assert (told.value, told.flag) == (36.4, flag)


@pytest.mark.parametrize("flags", ["INV", "H~INV", "NAV"])
def test_a_value_that_the_device_calls_invalid_is_none(flags: str) -> None:
    told = one(obx_8=flags)
    assert told.value is None
    assert "the device says" in told.why_none


@pytest.mark.parametrize(("mode", "flag"), [("P", ""), ("T", "demonstration"), ("D", "test")])
def test_a_message_of_a_demonstration_says_so_at_each_value(mode: str, flag: str) -> None:
    found = taken(message(head(msh_11=mode), OBR, obx(), RECTAL))
    assert [told.flag for told in found.told] == [flag, flag]


@pytest.mark.parametrize(
    ("site", "quantity"),
    [
        ("", "saturation_pre_percent"), ("^foot", "saturation_post_percent"),
        ("^Right hand", "saturation_pre_percent"), ("^left hand", ""), ("^ear", ""),
    ],
)  # fmt: skip
def test_a_saturation_goes_where_its_probe_is(site: str, quantity: str) -> None:
    spo2 = {"obx_3": "150456^^MDC", "obx_5": "94", "obx_6": "%^^UCUM"}
    assert one(**spo2, obx_20=site).quantity == quantity
    stated = taken(message(HEAD, OBR, obx(**spo2, obx_20=site)), Rules(saturation_at="foot")).told[
        0
    ]
    assert stated.quantity == ("saturation_post_percent" if not site else quantity)


def test_a_time_needs_an_offset_or_a_zone_stated_for_its_sender() -> None:
    raw = message(HEAD, OBR, obx(obx_14="20260114030500"))
    assert "names no offset" in refused(raw).reason
    assert "segment 3, OBX-14" in refused(raw).reason
    for zones in (Zones(PLUS_1), Zones(UTC, {"BEDSIDE 2": PLUS_1})):
        told = taken(raw, Rules(zones)).told[0]
        assert told.at == datetime(2026, 1, 14, 3, 5, tzinfo=PLUS_1)
    assert "names no offset" in refused(raw, Rules(Zones(None, {"OTHER": UTC}))).reason


def test_a_time_that_is_not_told_is_none() -> None:
    told = taken(message(HEAD, "OBR|1", obx(obx_14=""))).told[0]
    assert told.at is None


def test_the_start_of_a_longer_span_is_said() -> None:
    spans = OBR + "|20260114031500+0100"
    first, second = taken(message(HEAD, spans, obx(obx_14=""), obx())).told
    assert "longer span" in first.flag
    assert second.flag == ""


@pytest.mark.parametrize(
    ("text", "zone", "expected"),
    [
        ("202601140305+0100", None, "2026-01-14T03:05:00+01:00"),
        ("20260114030507.12-0330", None, "2026-01-14T03:05:07.120000-03:30"),
        ("20260114030507", "Europe/Oslo", "2026-01-14T03:05:07+01:00"),
        ("20260714030507", "Europe/Oslo", "2026-07-14T03:05:07+02:00"),
        ("20260114030507", "UTC", "2026-01-14T03:05:07+00:00"),
    ],
)
def test_moments(text: str, zone: str | None, expected: str) -> None:
    found = moment(text, None if zone is None else zone_of(zone))
    assert found.isoformat() == expected
    assert moment(written(found), None) == found


@pytest.mark.parametrize(
    ("text", "zone", "why"),
    [
        ("20260114", "UTC", "minute"), ("2026011403", "UTC", "minute"), ("", "UTC", "not"),
        ("20261314030500+0000", None, "none"), ("20260114036500+0000", None, "none"),
        ("20260114030500+1500", None, "none"), ("20260114030500+0060", None, "none"),
        ("202601140305.5+0000", None, "second"), ("00010101000000+1400", None, "none"),
        ("20260329023000", "Europe/Oslo", "put forward"),
        ("20261025023000", "Europe/Oslo", "put back"),
        ("14.01.2026 03:05", "UTC", "not"), ("20260114030500Z", None, "not"),
    ],
)  # fmt: skip
def test_what_is_no_moment_says_why(text: str, zone: str | None, why: str) -> None:
    with pytest.raises(NoMoment, match=why):
        moment(text, None if zone is None else zone_of(zone))


@pytest.mark.parametrize("text", ["", "Atlantis/Deep", "+25:00", "+01:60", "../etc", "local"])
def test_what_is_no_zone_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"no zone|no offset"):
        zone_of(text)


@pytest.mark.parametrize(
    ("raw", "why", "rejected"),
    [
        (b"", "does not begin with a segment MSH", True),
        (b"GET / HTTP/1.1\r\n", "does not begin with a segment MSH", True),
        (b"MSH|^~|A", "separators", False),
        (b"MSH|^^\\&|A|B", "separators", False),
        (b"MSH5^~\\&5A5B", "separators", False),
        (message(head(msh_9="ADT^A01"), OBR), "only ORU^R01", True),
        (message(head(msh_9="ORU^R30"), OBR), "only ORU^R01", True),
        (message(head(msh_12="3.0"), OBR), "version", True),
        (message(head(msh_12="2.2"), OBR), "version", True),
        (message(head(msh_11="Q"), OBR), "MSH-11", True),
        (message(head(msh_10=""), OBR), "MSH-10", False),
        (message(HEAD, PID, "PID|||P18^^^UNIT", OBR, obx()), "more than one patient", False),
        (message(HEAD, OBR, "OBY|1|NM"), "called OBY", False),
        (message(HEAD, OBR, "36.4|1|NM"), "no segment", False),
        (message(HEAD, OBR, HEAD), "second segment MSH", False),
        (message(head(msh_18="UNICODE UTF-16"), OBR), "character set", False),
        (message(head(msh_18="UNICODE UTF-8"), OBR) + b"NTE|1||\xff\r", "no character", False),
        (message(HEAD, OBR, obx(obx_14="yesterday")), "OBX-14", False),
    ],
)
def test_what_is_refused_says_why(raw: bytes, why: str, rejected: bool) -> None:
    found = refused(raw)
    assert why in found.reason
    assert found.rejected == rejected


@pytest.mark.parametrize("version", ["2.3", "2.3.1", "2.4", "2.5.1", "2.6", "2.7", "2.8"])
def test_versions_from_2_3_to_2_8_are_read(version: str) -> None:
    assert taken(message(head(msh_12=version), OBR, obx())).told[0].value == 36.4


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n", "\r\r\n"])
def test_any_line_end_will_do(end: str) -> None:
    raw = message().decode().replace("\r", end).encode()
    assert taken(raw).told == taken(message()).told


def test_a_line_feed_within_a_text_is_part_of_it() -> None:
    found = taken(message(HEAD, OBR, obx(), "NTE|1||first\nsecond", RECTAL))
    assert len(found.told) == 2


def test_other_separators_are_taken_as_stated() -> None:
    swap = str.maketrans("|^~\\&", "!$%*/")
    raw = message().decode().translate(swap).encode()
    assert taken(raw).told == taken(message()).told


@pytest.mark.parametrize(
    ("charset", "python"),
    [("8859/1", "latin-1"), ("UNICODE UTF-8", "utf-8"), ("GB 18030-2000", "gb18030"),
     ("BIG-5", "big5"), ("ISO IR87", "iso2022_jp"), ("KS X 1001", "euc_kr")],
)  # fmt: skip
def test_texts_are_read_in_the_character_set_of_the_message(charset: str, python: str) -> None:
    name = "Bjørnøya" if python in ("latin-1", "utf-8") else "一許功"
    if python == "euc_kr":
        name = "한"
    first = head(msh_3=f"{name}^1^L", msh_18=charset)
    found = taken(message(first, OBR, obx(), charset=python))
    assert found.header.application == name


def test_a_message_that_names_no_character_set_says_what_it_was_read_as() -> None:
    raw = message(head(msh_3="Bjørnøya"), OBR, obx(), charset="latin-1")
    assert taken(raw).header.application == "Bjørnøya"
    assert "8859/1" in taken(raw).noticed[0]


@pytest.mark.parametrize(
    ("text", "meant"),
    [(r"a\F\b\S\c\T\d\R\e\E\f", r"a|b^c&d~e\f"), (r"\X0D0A\x", "\r\nx"), (r"a\.br\b", "a\nb"),
     (r"\H\bold\N\ ", "bold "), (r"a\Zxx\b", r"a\Zxx\b"), (r"a\b", r"a\b"), ("\\", "\\"),
     (r"\XZZ\ ", r"\XZZ\ ")],
)  # fmt: skip
def test_escapes(text: str, meant: str) -> None:
    assert unescaped(text, USUAL, "ascii") == meant


def test_a_source_tells_devices_places_and_patients_apart() -> None:
    usual = taken(message()).source
    assert usual.startswith("BEDSIDE 2, T 1 2, 0012210039001122, patient mark ")
    others = {
        read(message(HEAD, PID.replace("P17", "P18"), PV1, OBR, DEVICE, obx())).source,
        read(message(HEAD, PID, "PV1||I|T^1^3", OBR, DEVICE, obx())).source,
        read(message(HEAD, PID, PV1, OBR, DEVICE.replace("1122", "1123"), obx())).source,
        read(message(HEAD, PV1, OBR, DEVICE, obx())).source,
        usual,
    }
    assert len(others) == 5
    assert "P17" not in usual  # the number of a patient stays in the message
    assert read(message(HEAD, OBR, obx()), peer="10.1.2.3").source == "BEDSIDE 2 at 10.1.2.3"


def test_a_file_holds_messages_one_after_another_framed_or_in_a_batch() -> None:
    second = message(head(msh_10="M2"), OBR, obx())
    told: list[str] = []
    batch = b"FHS|^~\\&\rBHS|^~\\&\r" + message() + second + b"BTS|2\rFTS|1\r"
    for raw in (
        message() + second,
        b"\x0b" + message() + b"\x1c\r\x0b" + second + b"\x1c\r",
        batch,
        batch.replace(b"\r", b"\r\n"),
        b"\xef\xbb\xbf" + batch,
    ):
        found = [read(one) for one in messages_of(raw, told.append)]
        assert [one.identity for one in found] == ["M1", "M2"]
        assert not told
    assert len(list(messages_of(batch.replace(b"BTS|2", b"BTS|3"), told.append))) == 2
    assert told == ["3 messages in the batch are announced, 2 are there"]


def test_nothing_in_a_file_is_passed_over_in_silence() -> None:
    first, second = messages_of(b"some words\r" + message())
    assert "does not begin" in refused(first).reason
    assert isinstance(read(second), Message)
