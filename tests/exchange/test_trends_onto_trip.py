"""A trend onto a trip: where it fits, what is left out, once, and what a review makes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from exchange.trend_files import (
    PLAN,
    SIGNALS,
    T0,
    TABLE,
    csv_text,
    event,
    mapped,
    read,
    trip,
    write_edf,
)
from warmhold.cli import main
from warmhold.exchange.trends import onto_trip
from warmhold.exchange.trends.onto_trip import Preview, Stated, preview
from warmhold.model import FaultyInput
from warmhold.record import Entry, Event, Record, events_of_file, valid_body
from warmhold.record.chain import canonical
from warmhold.record.recorded import better_share, better_trend, trends_of
from warmhold.record.transfers import transfer, trends
from warmhold.record.views import corrected
from warmhold.review.metrics import saturation

LATER = T0 + timedelta(days=1)
TARGETS = {"saturation_pre_percent": (90.0, 94.0)}
PRE = "saturation_pre_percent"


def long_csv(path: Path, rows: int, step_s: float = 10.0, start: datetime = T0) -> Path:
    """Saturation that goes 91, 92, 93, ... 97 and round again; pulse steady at 140."""
    lines = ["Time,SpO2 [%],PR [/min]"]
    for row in range(rows):
        at = start + timedelta(seconds=step_s * row)
        lines.append(f"{at:%Y-%m-%d %H:%M:%S},{91 + row % 7},140")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def hold(
    path: Path, events: list[Event], stated: Stated | None = None, now: datetime = LATER
) -> Preview:
    signals = path.suffix == ".edf"
    own = mapped(SIGNALS if signals else TABLE, signals)
    return preview(read(path), own, stated or Stated(), events, now)


def refused(path: Path, events: list[Event], stated: Stated | None = None,
            now: datetime = LATER) -> str:  # fmt: skip
    with pytest.raises(FaultyInput) as told:
        hold(path, events, stated, now)
    return str(told.value)


def as_event(found: Preview, seq: int = 10) -> Event:
    entry = found.entry("Ann")
    assert entry.stated_utc is not None
    return event(seq, "trend", entry.body, entry.stated_utc, entry.form_id)


# --- where it fits -------------------------------------------------------------------------------


def test_only_the_rows_of_the_trip_are_taken(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 13, 600.0, T0 - timedelta(minutes=30))
    found = hold(path, trip(60))
    assert (found.before, found.after) == (3, 3)
    assert found.taken.start_utc == T0
    assert found.taken.end_utc == T0 + timedelta(minutes=60)
    assert found.body["seconds"] == [0, 600, 1200, 1800, 2400, 3000, 3600]
    assert valid_body("trend", found.body) == ()
    assert sum("left out" in one for one in found.noticed) == 2
    assert found.covered == 1.0


@pytest.mark.parametrize(
    ("hours", "said"), [(-30, "before the trip began"), (30, "after the trip ended")]
)
def test_another_night_is_refused_with_both_spans(tmp_path: Path, hours: int, said: str) -> None:
    path = long_csv(tmp_path / "a.csv", 13, 600.0, T0 + timedelta(hours=hours))
    told = refused(path, trip(60))
    assert said in told
    assert "2026-01-14 03:00 UTC to 2026-01-14 04:00 UTC" in told


def test_a_trip_that_is_none(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 13)
    assert "no such trip" in refused(path, [])
    assert "never started" in refused(path, [event(1, "trip-planned", PLAN, T0)])


def test_a_trip_under_way_takes_what_was_read_and_nothing_to_come(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 13, 60.0)
    now = T0 + timedelta(minutes=12)
    assert hold(path, trip(None), now=now).goes_on
    told = refused(path, trip(None), now=now - timedelta(minutes=11))
    assert "still to come" in told


def test_what_cannot_be_is_kept_and_marked(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(csv_text().replace(",97,", ",0,"), "utf-8")
    found = hold(path, trip())
    assert found.body["doubtful"] == {PRE: [0]}
    assert found.body["numbers"][PRE][0] == 0
    (told, _) = found.told
    assert (told.count, told.unread, told.doubtful, told.lowest) == (5, 1, 1, 93.0)
    assert found.body["numbers"][PRE][2] is None


def test_what_was_entered_beside_it_shows_a_slip(tmp_path: Path) -> None:
    entered = event(
        5, "observation", {"values": {"pulse_per_min": 175}, "set": "regular"},
        T0 + timedelta(minutes=5),
    )  # fmt: skip
    found = hold(long_csv(tmp_path / "a.csv", 60), trip(60, entered))
    assert any("differ by 35 /min" in one for one in found.noticed)


def test_a_quantity_that_does_not_move_is_told(tmp_path: Path) -> None:
    found = hold(long_csv(tmp_path / "a.csv", 100), trip())
    assert any("pulse_per_min stood at 140" in one for one in found.noticed)


# --- once ----------------------------------------------------------------------------------------


def test_the_same_file_twice_is_the_same_entry(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 60)
    first = hold(path, trip(60))
    on_record = trip(60, as_event(first))
    again = hold(path, on_record)
    assert again.receipt is not None
    assert (again.form_id, again.receipt.seq, again.receipt.repeated) == (first.form_id, 10, True)
    assert "read otherwise" in refused(path, on_record, Stated(every_s=60.0))
    struck = event(11, "correction", {"corrects": 10, "body": None}, T0)
    anew = hold(path, [*on_record, struck])
    assert anew.receipt is None
    assert anew.form_id != first.form_id


def test_the_same_file_while_the_trip_goes_on_is_the_same_entry(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 60)
    first = hold(path, trip(None), now=T0 + timedelta(minutes=11))
    again = hold(path, trip(None, as_event(first)), now=T0 + timedelta(minutes=50))
    assert again.receipt is not None


def test_another_name_of_the_mapping_changes_nothing_and_another_trip_does(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 60)
    first = hold(path, trip(60))
    other = mapped(TABLE.replace("demo monitor", "another name"))
    assert preview(read(path), other, Stated(), trip(60), LATER).form_id == first.form_id
    events = [
        Event(**{**{name: getattr(one, name) for name in one.__dataclass_fields__}, "trip": "u"})
        for one in trip(60)
    ]
    assert hold(path, events).form_id != first.form_id


def test_a_second_trend_of_the_same_source_is_told_and_counts_where_both_tell(
    tmp_path: Path,
) -> None:
    first = hold(long_csv(tmp_path / "a.csv", 10, 60.0), trip(60))
    path = tmp_path / "b.csv"
    path.write_text((tmp_path / "a.csv").read_text("utf-8").replace(",91,", ",90,"), "utf-8")
    second = hold(path, trip(60, as_event(first)))
    assert any("this later one counts" in one for one in second.noticed)
    shown = corrected(trip(60, as_event(first), as_event(second, 11)))
    (one,) = trends_of(shown, PRE, T0, T0 + timedelta(hours=1))
    assert one.values[:3].tolist() == [90, 92, 93]


# --- thinned and bounded -------------------------------------------------------------------------


def test_thinned_within_the_trip_alone(tmp_path: Path) -> None:
    path = long_csv(tmp_path / "a.csv", 400, 10.0, T0 - timedelta(minutes=5))
    found = hold(path, trip(60), Stated(every_s=60.0))
    assert found.body["seconds"] == [60 * row for row in range(61)]
    said = " ".join(found.noticed)
    assert "one row for each 60 s" in said
    assert "361 readings before thinning, lowest 91, highest 97" in said
    for every in (0.5, 3601.0):
        assert "1 to 3600 s" in refused(path, trip(60), Stated(every_s=every))


def test_a_trend_that_no_entry_holds_says_how_to_thin_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = long_csv(tmp_path / "a.csv", 3000, 1.0)
    assert len(canonical(hold(path, trip(60)).body)) > 20_000
    monkeypatch.setattr(onto_trip, "LARGEST_BODY", 20_000)
    told = refused(path, trip(60))
    assert "characters in one entry" in told
    assert "--every 10" in told
    assert len(hold(path, trip(60), Stated(every_s=10.0)).body["seconds"]) == 300
    monkeypatch.setattr(onto_trip, "MOST_ROWS", 2000)
    assert "3000 rows within the trip" in refused(path, trip(60))


def test_signals_of_different_rates_need_one(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    write_edf(path, [("SpO2", "%", 1.0, np.arange(60)), ("PR", "bpm", 0.5, np.arange(30))])
    assert "keep one row for each 2 s or more" in refused(path, trip())
    found = hold(path, trip(), Stated(every_s=2.0))
    assert not any(None in values for values in found.body["numbers"].values())


# --- what a review makes of it -------------------------------------------------------------------


def entered(minute: float, seq: int, **values: float) -> Event:
    body = {"values": values, "set": "regular"}
    return event(seq, "observation", body, T0 + timedelta(minutes=minute))


def test_time_in_target_counted_by_hand(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = [91, 95, "", 89, 94, 92, 0, 93]  # one a minute; 0 is doubtful, the empty one unread
    lines = [f"2026-01-14 03:{row:02d}:00,{one},140" for row, one in enumerate(rows)]
    path.write_text("Time,SpO2 [%],PR [/min]\n" + "\n".join(lines) + "\n", "utf-8")
    shown = corrected(trip(10, as_event(hold(path, trip(10)))))
    end = T0 + timedelta(minutes=10)
    found = better_share(shown, TARGETS, (PRE,), T0, end)
    assert found is not None
    share, says = found
    # 91, 94, 92 stand for a minute each, the last 93 for 1.5 rows; 95 above, 89 below; two unread
    assert share.inside_min == pytest.approx(3 + 1.5)
    assert (share.above_min, share.below_min) == (pytest.approx(1), pytest.approx(1))
    assert share.known_min == pytest.approx(6.5)
    assert share.unknown_min == pytest.approx(3.5)
    assert says == "trend of bedside monitor, 6 readings"


def test_a_trend_of_a_short_part_does_not_stand_for_the_trip(tmp_path: Path) -> None:
    short = as_event(hold(long_csv(tmp_path / "a.csv", 20, 60.0), trip(60)))
    shown, end = corrected(trip(60, short)), T0 + timedelta(minutes=60)
    assert better_trend(shown, PRE, T0, end) is None
    assert better_share(shown, TARGETS, (PRE,), T0, end) is None
    assert better_trend(shown, PRE, T0, T0 + timedelta(minutes=30)) is not None


def test_the_review_and_the_replay_say_where_a_figure_came_from(tmp_path: Path) -> None:
    trend = as_event(hold(long_csv(tmp_path / "a.csv", 60, 60.0), trip(60)))
    by_hand = [entered(5, 5, **{PRE: 80.0}), entered(40, 6, **{PRE: 81.0})]
    for events, inside, source in (
        (trip(60, *by_hand), 0.0, ""),
        # 91 to 94 are 4 of 7 rows: 36 of 60 minutes, the last row stands to the end
        (trip(60, *by_hand, trend), 36.0, "trend of bedside monitor, 60 readings"),
    ):
        found = transfer(events)
        assert found is not None
        assert found.saturation is not None
        assert found.saturation.inside_min == pytest.approx(inside, abs=1.0)
        assert found.saturation.source == source
        said = saturation((found,))[0].says
        assert ("by an imported trend" in said) is bool(source)
    (one,) = trends(trip(60, *by_hand, trend), "saturation")
    assert len(one.value) == 60
    assert one.value[:3].tolist() == [91, 92, 93]
    assert (one.source, one.imported) == ("bedside monitor", True)
    (by_entry,) = trends(trip(60, *by_hand), "saturation")
    assert (by_entry.source, by_entry.imported) == ("", False)


def test_the_replay_says_where_its_trends_came_from(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = hold(long_csv(tmp_path / "a.csv", 60, 60.0), trip(60))
    with Record.open(folder) as record:
        record.append(found.entry("Ann"))
    code = main.run(["replay", str(folder), "--quantity", "saturation", "--low", "92"])
    said = capsys.readouterr().out
    assert code == 0, said
    assert "0 of entries by hand, 0 told by a device, 1 imported from a file" in said


# --- the command ---------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    where = tmp_path / "record"
    with Record.open(where) as record:
        for one in trip(60):
            record.append(Entry(one.form_id, "t", one.kind, one.body, one.who, one.stated_utc))
    return where


@dataclass
class Ran:
    exit_code: int
    output: str


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    def of(*arguments: str | Path) -> Ran:
        code = main.run(["exchange", "in", *map(str, arguments)])
        told = capsys.readouterr()
        return Ran(code, told.out + told.err)

    return of


def on_record(folder: Path) -> list[Event]:
    return [one for one in events_of_file(folder / "record.sqlite") if one.kind == "trend"]


def test_from_a_file_to_an_entry(tmp_path: Path, folder: Path, run: Callable[..., Ran]) -> None:
    path = long_csv(tmp_path / "night.csv", 60, 60.0)
    to = ("--trip", "t", "--folder", folder)
    first = run(path, *to)
    assert first.exit_code == 2
    proposal = tmp_path / "night.mapping.toml"
    assert "time.zone" in first.output
    assert run(path, *to).exit_code == 2, "what stands open in it is refused"
    proposal.write_text(TABLE, "utf-8")
    named = (*to, "--mapping", proposal)
    looked = run(path, *named)
    assert looked.exit_code == 1, looked.output
    assert "Nothing was written" in looked.output
    assert "2026-01-14 03:00:00" in looked.output
    assert on_record(folder) == []
    assert run(path, *named, "--yes").exit_code == 2, "an entry is signed"
    saved = run(path, *named, "--yes", "--signed", "Ann Lind")
    assert saved.exit_code == 0, saved.output
    (entry,) = on_record(folder)
    assert entry.who == "Ann Lind (command line)"
    proposal.unlink()
    again = run(path, *to, "--yes", "--signed", "Ann Lind")
    assert again.exit_code == 0
    assert f"as entry {entry.seq}" in again.output
    assert len(on_record(folder)) == 1
    other = long_csv(tmp_path / "other.csv", 30, 60.0, T0 + timedelta(minutes=10))
    known = run(
        other, *to, "--source", "spare monitor", "--every", "120", "--yes", "--signed", "Bo"
    )
    assert known.exit_code == 0, known.output
    assert on_record(folder)[1].body["source"] == "spare monitor"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--trip", "nobody"), "There are: t."),
        (("--trip", "t", "--start", "2026-01-14T03:00"), "its offset is missing"),
        (("--trip", "t", "--start", "soon"), "write it as"),
        (("--trip", "t", "--zone", "EST"), "abbreviation"),
        ((), "name the trip"),
    ],
)
def test_what_is_missing_is_said(
    tmp_path: Path, folder: Path, run: Callable[..., Ran], more: tuple[str, ...], said: str
) -> None:
    path = long_csv(tmp_path / "night.csv", 60, 60.0)
    (tmp_path / "m.toml").write_text(TABLE, "utf-8")
    found = run(path, "--mapping", tmp_path / "m.toml", "--folder", folder, *more)
    assert found.exit_code == 2
    assert said in found.output


def test_a_file_of_no_known_sort(tmp_path: Path, folder: Path, run: Callable[..., Ran]) -> None:
    assert run(tmp_path / "night.pdf", "--folder", folder).exit_code == 2
    assert run(tmp_path / "none.csv", "--propose").exit_code == 2
    assert "warmhold record import" in run(tmp_path / "record.json").output
