"""Times of a log: formats, zones, the hour that comes twice, the hour that never was."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warmhold.bench.reading import parse_mapping, read_log
from warmhold.bench.reading.times import to_utc
from warmhold.model import FaultyInput

HEAD = 'format = 1\nname = "x"\ndelimiter = "semicolon"\ndecimal = "point"\n'
TAIL = '[unit]\nname = "Alder single"\n[[channel]]\nname = "air_c"\ncolumn = "T"\nunit = "°C"\n'


def mapped(times: str):
    return parse_mapping(f'{HEAD}[time]\ncolumn = "When"\n{times}\n{TAIL}', "map.toml")


def moments(times: str, texts: list[str]) -> list[datetime]:
    told = to_utc(texts, list(range(2, 2 + len(texts))), mapped(times), "log.csv")
    if told.faults:
        raise FaultyInput(told.faults)
    return list(told.utc)


def refused(times: str, texts: list[str]) -> str:
    with pytest.raises(FaultyInput) as told:
        moments(times, texts)
    return str(told.value)


LISBON = 'format = "%Y-%m-%d %H:%M"\nzone = "Europe/Lisbon"'
ORDER = LISBON + '\nambiguous = "order"'


@pytest.mark.parametrize(
    ("times", "text", "expected"),
    [
        ('format = "iso"', "2026-03-04T08:00:00Z", "2026-03-04T08:00:00"),
        ('format = "iso"', "2026-03-04T08:00:00+05:30", "2026-03-04T02:30:00"),
        ('format = "iso"\nzone = "-03:00"', "2026-03-04T08:00:00", "2026-03-04T11:00:00"),
        ('format = "%d.%m.%Y %H:%M"\nzone = "UTC"', "04.03.2026 08:00", "2026-03-04T08:00:00"),
        ('format = "%m/%d/%Y %I:%M %p"\nzone = "UTC"', "03/04/2026 08:00 PM",
         "2026-03-04T20:00:00"),
        (LISBON, "2026-01-15 08:00", "2026-01-15T08:00:00"),
        (LISBON, "2026-07-15 08:00", "2026-07-15T07:00:00"),
        ('format = "unix_s"', "1772611200", "2026-03-04T08:00:00"),
        ('format = "unix_ms"', "1772611200500", "2026-03-04T08:00:00.500000"),
        ('format = "elapsed_min"\nstart = 2026-03-04T09:00:00+01:00', "90",
         "2026-03-04T09:30:00"),
    ],
)  # fmt: skip
def test_formats(times: str, text: str, expected: str) -> None:
    assert moments(times, [text]) == [datetime.fromisoformat(expected).replace(tzinfo=UTC)]


def test_no_zone_anywhere_is_refused() -> None:
    told = refused('format = "%Y-%m-%d %H:%M"', ["2026-03-04 08:00"])
    assert "carry no offset" in told
    assert "never guessed" in told
    assert "with offset" in refused('format = "iso"', ["2026-03-04T08:00:00Z",
                                                       "2026-03-04T08:01:00"])  # fmt: skip


def test_seconds_taken_for_milliseconds_are_refused() -> None:
    assert "seconds or milliseconds" in refused('format = "unix_s"', ["1772611200000"])


def test_the_hour_that_comes_twice_is_refused_by_default() -> None:
    told = refused(LISBON, ["2026-10-25 00:50", "2026-10-25 01:10", "2026-10-25 02:10"])
    assert "came twice" in told
    assert "line 3" in told


def test_the_order_of_the_rows_tells_where_it_can() -> None:
    # 00:50, 01:10 (summer), 01:50 (summer), then the clocks go back: 01:05 (winter)
    texts = [f"2026-10-25 {t}" for t in ("00:50", "01:10", "01:50", "01:05", "01:55", "02:10")]
    found = moments(ORDER, texts)
    minutes = [(one - found[0]).total_seconds() / 60 for one in found]
    assert minutes == [0, 20, 60, 75, 125, 140]


def test_a_log_that_begins_or_ends_inside_the_hour() -> None:
    begins = moments(ORDER, ["2026-10-25 01:40", "2026-10-25 01:50", "2026-10-25 02:00"])
    assert [one.hour for one in begins] == [1, 1, 2]  # winter time: the row after is near
    ends = moments(ORDER, ["2026-10-25 00:50", "2026-10-25 01:00", "2026-10-25 01:10"])
    assert [(one.hour, one.minute) for one in ends] == [(23, 50), (0, 0), (0, 10)]


def test_an_order_that_leaves_it_open_is_refused() -> None:
    alone = refused(ORDER, ["2026-10-25 01:10", "2026-10-25 01:20"])
    far = refused(ORDER, ["2026-10-25 00:55", "2026-10-25 01:20", "2026-10-25 02:05"])
    assert "leaves it open" in far
    assert "leaves it open" in alone
    both = refused(
        ORDER, [f"2026-10-25 {t}" for t in ("00:55", "01:05", "01:30", "01:55", "02:05")]
    )
    assert "leaves it open" in both


def test_the_hour_that_never_was_is_refused() -> None:
    told = refused(ORDER, ["2026-03-29 00:50", "2026-03-29 01:30", "2026-03-29 02:10"])
    assert "was skipped" in told
    assert "winter time" in told


@settings(max_examples=40, deadline=None)
@given(
    start=st.integers(0, 240),
    step=st.integers(1, 25),
    count=st.integers(2, 40),
)
def test_order_gives_the_true_moments_or_refuses(start: int, step: int, count: int) -> None:
    """Rows written by a clock that follows the zone are read back to the moments they were."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    first = datetime(2026, 10, 24, 22, 0, tzinfo=UTC) + timedelta(minutes=start)
    true = [first + timedelta(minutes=step * i) for i in range(count)]
    texts = [f"{one.astimezone(ZoneInfo('Europe/Lisbon')):%Y-%m-%d %H:%M}" for one in true]
    told = to_utc(texts, list(range(count)), mapped(ORDER), "log.csv")
    assert told.faults or list(told.utc) == true


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Day;When;T\n4.3.2026;08:00;36.0\n4.3.2026;08:01;36.1\n", encoding="utf-8")
    times = 'date_column = "Day"\nformat = "%d.%m.%Y %H:%M"\nzone = "+00:00"'
    log = read_log(path, mapped(times)).log
    assert log.start_utc == datetime(2026, 3, 4, 8, tzinfo=UTC)


def test_a_time_that_cannot_be_read_has_its_line() -> None:
    told = refused(LISBON, ["2026-03-04 08:00", "later", "2026-03-04 08:02"])
    assert "log.csv, line 3" in told
    assert "mend these rows" in told
