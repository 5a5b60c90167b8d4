"""A file of HL7 messages: what it holds, and onto a trip."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from exchange.hl7_messages import DEVICE, HEAD, OBR, PID, head, message, obx
from exchange.trips import TRIP, record_with
from warmhold.cli import main
from warmhold.exchange.hl7.files import read_file, trend_of
from warmhold.exchange.hl7.reader import Rules
from warmhold.exchange.hl7.times import Zones, zone_of
from warmhold.exchange.hl7.writer import reports_of
from warmhold.exchange.outgoing import outgoing
from warmhold.model.fault import FaultyInput
from warmhold.record import events_of_file


def minute(number: int, value: str, minute: int, **fields: str) -> bytes:
    at = f"202601140{3 + minute // 60}{minute % 60:02d}00+0000"
    return message(
        head(msh_10=f"M{number}"), PID, OBR, DEVICE, obx(obx_5=value, obx_14=at, **fields)
    )


TREND = b"".join(minute(n, f"36.{n}", 10 + n) for n in range(6))


def test_messages_become_one_trend_of_their_source() -> None:
    reports = read_file(TREND, "monitor.hl7")
    assert (len(reports.messages), reports.refused, reports.noticed) == (6, (), ())
    (source,) = reports.sources
    trend = trend_of(reports, source)
    assert trend.start_utc == datetime(2026, 1, 14, 3, 10, tzinfo=UTC)
    assert trend.seconds.tolist() == [0.0, 60.0, 120.0, 180.0, 240.0, 300.0]
    assert trend.numbers["skin_c"].tolist() == [36.0, 36.1, 36.2, 36.3, 36.4, 36.5]


def test_what_is_left_out_is_said() -> None:
    raw = b"".join(
        (
            minute(1, "36.1", 11), minute(2, "36.2", 12), minute(2, "36.2", 12),
            minute(3, "36.9", 12), minute(4, "36.4", 14, obx_8="QUES"),
            minute(5, "36.5", 15, obx_11="X"), minute(6, "36.6", 16, obx_3="999^Own^99OUR"),
            message(head(msh_9="ADT^A01"), OBR), minute(8, "36.8", 18),
        )
    )  # fmt: skip
    reports = read_file(raw, "monitor.hl7")
    trend = trend_of(reports, reports.sources[0])
    assert trend.numbers["skin_c"].tolist() == [36.1, 36.8]
    for text in (
        "1 messages that came twice", "message 8 (M1) was refused", "two values for one moment",
        "not taken as a reading, questionable (1 times)", "no value could be had (1 times)",
    ):  # fmt: skip
        assert any(text in one for one in trend.noticed), text
    assert trend.unused == ("999 99OUR",)


def test_sources_are_kept_apart() -> None:
    raw = TREND + message(head(msh_3="OTHER", msh_10="X"), OBR, obx())
    reports = read_file(raw, "two.hl7")
    assert len(reports.sources) == 2
    assert len(trend_of(reports, reports.sources[0]).seconds) == 6
    assert len(trend_of(reports, reports.sources[1]).seconds) == 1


@pytest.mark.parametrize(
    ("raw", "why"),
    [(b"", "no message"), (b"\r\n\r\n", "no message"), (b"time;skin\r\n1;36\r\n", "MSH"),
     (message(head(msh_9="ADT^A01"), OBR), r"only ORU\^R01"),
     (message(HEAD, OBR, obx(obx_14="20260114030500")), "names no offset"),
     (b"x" * 64_000_001, "part the file")],
)  # fmt: skip
def test_a_file_with_nothing_to_take_says_why(raw: bytes, why: str) -> None:
    with pytest.raises(FaultyInput, match=why):
        read_file(raw, "odd.hl7")


def test_nothing_that_the_record_keeps_says_what_there_was() -> None:
    reports = read_file(message(HEAD, OBR, obx(obx_3="1^^99OUR")), "odd.hl7")
    with pytest.raises(FaultyInput, match="that the record keeps"):
        trend_of(reports, reports.sources[0])


def test_a_zone_that_was_stated_is_used() -> None:
    raw = message(HEAD, OBR, obx(obx_14="20260114040500"))
    reports = read_file(raw, "local.hl7", Rules(Zones(zone_of("Europe/Oslo"))))
    trend = trend_of(reports, reports.sources[0])
    assert trend.start_utc == datetime(2026, 1, 14, 3, 5, tzinfo=UTC)


def test_what_we_export_can_be_taken_in_again(tmp_path: Path) -> None:
    with record_with(tmp_path) as record:
        out = outgoing(record.events(), TRIP)
    reports = read_file(reports_of(out), "own.hl7")
    (source,) = reports.sources
    trend = trend_of(reports, source)
    assert 146.5 not in trend.numbers.get("flow_lpm", np.empty(0)).tolist()
    logger = {35.125, 34.25}
    assert logger <= set(trend.numbers["air_c"].tolist())


# --- the command ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Done:
    exit_code: int
    output: str


def run(*given: str) -> Done:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        exit_code = main.run(["exchange", "in", *given])
    return Done(exit_code, out.getvalue())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with record_with(tmp_path / "record"):
        pass
    return tmp_path / "record"


def trends_in(folder: Path) -> list[dict[str, object]]:
    return [
        dict(event.body)
        for event in events_of_file(folder / "record.sqlite")
        if event.kind == "trend" and "hl7" in str(event.body.get("file"))
    ]


def test_a_file_is_looked_at_first_then_written_once(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "monitor.hl7"
    file.write_bytes(TREND)
    usual = (str(file), "--folder", str(folder), "--trip", TRIP)
    looked = run(*usual)
    assert looked.exit_code == 1, looked.output
    assert "6 understood, 0 refused" in looked.output
    assert "says patient P17^UNIT: compare it with the baby" in looked.output
    assert "skin_c" in looked.output
    assert trends_in(folder) == []
    written = run(*usual, "--yes", "--signed", "Mira Holt")
    assert written.exit_code == 0, written.output
    (body,) = trends_in(folder)
    assert body["numbers"] == {"skin_c": [36, 36.1, 36.2, 36.3, 36.4, 36.5]}
    assert str(body["source"]).startswith("BEDSIDE 2, 0012210039001122, patient mark ")
    assert "P17" not in str(body)
    again = run(*usual, "--yes", "--signed", "Mira Holt")
    assert again.exit_code == 0
    assert "On record already" in again.output
    assert len(trends_in(folder)) == 1


def test_one_of_several_sources_is_named(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "two.hl7"
    file.write_bytes(TREND + message(head(msh_3="OTHER", msh_9="ORU^R30"), OBR))
    usual = (str(file), "--folder", str(folder), "--trip", TRIP, "--yes", "--signed", "Mira Holt")
    partly = run(*usual)
    assert partly.exit_code == 1  # written, but not everything was taken
    assert "1 messages of the file were refused" in partly.output
    others = [obx(obx_14=f"202601140315{second}+0000") for second in ("00", "30")]
    other = message(head(msh_3="OTHER", msh_10="X"), OBR, *others)
    file.write_bytes(TREND + other + minute(9, "36.6", 20))
    asked = run(*usual)
    assert asked.exit_code == 2
    assert "more than one source" in asked.output
    done = run(*usual, "--source", "OTHER")
    assert done.exit_code == 0, done.output
    assert trends_in(folder)[-1]["source"] == "OTHER"
    assert "none of that name" in run(*usual, "--source", "ANOTHER").output


@pytest.mark.parametrize(
    "more", [("--propose",), ("--sheet", "A"), ("--start", "2026-01-14T03:00:00Z")]
)
def test_options_of_other_files_are_refused(tmp_path: Path, more: tuple[str, ...]) -> None:
    file = tmp_path / "monitor.hl7"
    file.write_bytes(TREND)
    done = run(str(file), "--folder", str(tmp_path), *more)
    assert done.exit_code == 2
    assert "does not go with a file of HL7" in done.output
