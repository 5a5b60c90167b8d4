"""The inbox: on the disk before anybody is told, once, and never in silence."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warmhold.exchange import inbox as inboxes
from warmhold.exchange.inbox import Inbox
from warmhold.exchange.told import Told
from warmhold.record import NUMBERS, Trouble

AT = datetime(2026, 1, 14, 3, 5, tzinfo=timezone(timedelta(hours=1)))
SKIN = Told(AT, "skin_c", 36.4, code="150388 MDC", unit="268192 MDC", device="monitor 3")
NONE = Told(None, "", None, "nothing was read", code="99 MDC", flag="test")


def quiet(text: str) -> None:
    pass


@pytest.fixture
def inbox(tmp_path: Path):
    with Inbox(tmp_path, warn=quiet) as opened:
        yield opened


def test_what_is_taken_comes_back_whole(inbox: Inbox) -> None:
    raw = bytes(range(256))
    taken = inbox.take("monitor 3", "A1", raw, [SKIN, NONE])
    (kept,) = inbox.after(0)
    assert (taken.number, taken.repeated, taken.refused, taken.said) == (1, False, "", "")
    assert (kept.number, kept.source, kept.identity, kept.raw) == (1, "monitor 3", "A1", raw)
    assert kept.told == (SKIN, NONE)
    assert kept.told[0].at is not None
    assert kept.told[0].at.utcoffset() == timedelta(hours=1)
    assert kept.refused == ""


@given(
    st.lists(
        st.builds(
            Told,
            at=st.none() | st.datetimes(timezones=st.just(UTC)),
            quantity=st.sampled_from(("", *NUMBERS)),
            value=st.none() | st.floats(allow_nan=False, allow_infinity=False),
            why_none=st.text(max_size=20),
            code=st.text(max_size=20),
            unit=st.text(st.characters(), max_size=20),
            device=st.text(st.characters(), max_size=20),
            flag=st.text(max_size=20),
        ),
        max_size=4,
    )
)
@settings(max_examples=100, deadline=None)
def test_any_value_is_written_and_read_the_same(told: list[Told]) -> None:
    assert list(inboxes._read(inboxes._written(told))) == told


def test_a_repeat_gets_the_first_answer_and_is_kept_once(inbox: Inbox) -> None:
    first = inbox.take("m", "A1", b"x", [SKIN])
    again = inbox.take("m", "A1", b"x", [replace(SKIN, value=1.0)])
    assert again == replace(first, repeated=True)
    assert [kept.told for kept in inbox.after(0)] == [(SKIN,)]


def test_other_bytes_under_the_same_identity_are_another_message(inbox: Inbox) -> None:
    inbox.take("m", "A1", b"x", [SKIN])
    other = inbox.take("m", "A1", b"y", [SKIN])
    assert not other.repeated
    assert "used A1 before, for message 1" in other.said
    assert inbox.take("m", "A1", b"y", [SKIN]) == replace(other, repeated=True)
    assert inbox.take("n", "A1", b"x", [SKIN]).said == ""  # another source, its own numbering
    assert [kept.said != "" for kept in inbox.after(0)] == [False, True, False]


def test_a_refused_message_is_kept_with_its_reason_and_may_be_understood_later(
    inbox: Inbox,
) -> None:
    first = inbox.take("m", "A1", b"x", [], "times without a zone")
    assert inbox.take("m", "A1", b"x", [], "another reason") == replace(first, repeated=True)
    later = inbox.take("m", "A1", b"x", [SKIN])
    assert (later.number, later.repeated, later.refused) == (2, False, "")
    assert inbox.take("m", "A1", b"x", [], "times without a zone").number == 2
    assert [kept.refused for kept in inbox.after(0)] == ["times without a zone", ""]


def test_after_gives_only_what_follows_and_only_of_one_source(inbox: Inbox) -> None:
    for number in range(50):
        inbox.take("m" if number % 2 else "n", f"A{number}", b"%d" % number, [SKIN])
    assert [kept.number for kept in inbox.after(0)] == list(range(1, 51))
    assert [kept.number for kept in inbox.after(47)] == [48, 49, 50]
    assert [kept.number for kept in inbox.after(44, "m")] == [46, 48, 50]
    assert inbox.last_number() == 50
    assert list(inbox.after(50)) == []


def test_sources_say_how_many_came_and_what_was_last_told(inbox: Inbox) -> None:
    assert inbox.sources() == ()
    inbox.take("m", "1", b"1", [SKIN, replace(SKIN, quantity="air_c", value=33.0)])
    inbox.take("m", "2", b"2", [replace(SKIN, value=36.6)])
    inbox.take("m", "3", b"3", [], "no segment OBX")
    inbox.take("a", "3", b"3", [], "no segment MSH")
    a, m = inbox.sources()
    assert (m.name, m.count, m.refused, m.last_refused) == ("m", 3, 1, "no segment OBX")
    assert [(told.quantity, told.value) for told in m.values] == [("air_c", 33.0), ("skin_c", 36.6)]
    assert (a.name, a.count, a.refused, a.values) == ("a", 1, 1, ())
    assert a.last_utc >= m.last_utc


def test_what_is_too_long_is_refused_with_a_reason(inbox: Inbox) -> None:
    with pytest.raises(Trouble, match="too long"):
        inbox.take("m", "1", bytes(inboxes.LARGEST_RAW + 1), [])
    with pytest.raises(Trouble, match="too many"):
        inbox.take("m", "1", b"", [NONE] * (inboxes.MOST_TOLD + 1))
    assert list(inbox.after(0)) == []


@pytest.mark.parametrize("bad", ["", "  ", "x" * 201, "a\0b"])
def test_a_source_that_cannot_be_named_is_an_error(inbox: Inbox, bad: str) -> None:
    with pytest.raises(ValueError, match="source"):
        inbox.take(bad, "1", b"", [])


@pytest.mark.parametrize(
    "told", [replace(SKIN, value=float("nan")), replace(SKIN, at=datetime(2026, 1, 14))]
)
def test_a_value_that_is_none_and_a_time_without_a_zone_are_errors(
    inbox: Inbox, told: Told
) -> None:
    with pytest.raises(ValueError, match="skin_c"):
        inbox.take("m", "1", b"", [told])


def test_texts_that_no_encoding_holds_are_kept_readable(inbox: Inbox) -> None:
    inbox.take("m\udc80", "\ud800", b"", [], "broken \udcff\0")
    (kept,) = inbox.after(0)
    assert (kept.source, kept.identity, kept.refused) == (
        "m\\udc80",
        "\\ud800",
        "broken \\udcff\\0",
    )


def test_the_file_stops_at_its_limit_and_what_was_kept_stays(tmp_path: Path) -> None:
    with Inbox(tmp_path, warn=quiet, largest_bytes=1_000_000) as inbox:
        kept = 0

        def fill() -> None:
            nonlocal kept
            for number in range(100):
                inbox.take("m", str(number), bytes(50_000), [SKIN])
                kept += 1

        with pytest.raises(Trouble, match="limit of 1 MB") as caught:
            fill()
        assert "move" in caught.value.todo
        assert 5 < kept < 20
        assert len(list(inbox.after(0))) == kept
        assert inbox.take("m", "0", bytes(50_000), [SKIN]).repeated  # a repeat needs no room
    assert (tmp_path / inboxes.FILE).stat().st_size <= 1_000_000


def test_room_is_left_on_the_disk_for_the_record(tmp_path: Path) -> None:
    with (
        Inbox(tmp_path, warn=quiet, least_free_bytes=2**62) as inbox,
        pytest.raises(Trouble, match="which the record needs"),
    ):
        inbox.take("m", "1", b"x", [SKIN])


_FULL = """
    import resource, signal, sys
    from pathlib import Path
    from warmhold.exchange.inbox import Inbox
    from warmhold.record import Trouble
    inbox = Inbox(Path(sys.argv[1]), warn=lambda text: None)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
    kept = 0
    try:
        while True:
            inbox.take("m", str(kept), bytes(30_000), [])
            kept += 1
    except Trouble as trouble:
        print(kept, trouble.reason)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    print(inbox.take("m", str(kept), bytes(30_000), []).number)
"""


def test_a_disk_that_takes_no_more_is_said_and_nothing_is_half_kept(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(_FULL), str(tmp_path)],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    first, second = done.stdout.splitlines()
    kept = int(first.split()[0])
    assert kept > 3
    assert "The disk did not take the message" in first
    assert int(second) == kept + 1
    with Inbox(tmp_path, warn=quiet) as inbox:
        assert [message.identity for message in inbox.after(0)] == [str(n) for n in range(kept + 1)]


def test_nothing_can_be_changed_or_deleted(inbox: Inbox, tmp_path: Path) -> None:
    inbox.take("m", "1", b"x", [SKIN])
    with sqlite3.connect(tmp_path / inboxes.FILE, isolation_level=None) as other:
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            other.execute("UPDATE kept SET source = 'n'")
        with pytest.raises(sqlite3.IntegrityError, match="never deleted"):
            other.execute("DELETE FROM kept")
    other.close()


def test_a_file_that_is_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / inboxes.FILE).write_bytes(b"not a database, but long enough to be taken for one")
    with pytest.raises(Trouble, match="damaged"):
        Inbox(tmp_path, warn=quiet)
    (tmp_path / inboxes.FILE).unlink()
    with sqlite3.connect(tmp_path / inboxes.FILE) as other:
        other.execute("CREATE TABLE other (x)")
    other.close()
    with pytest.raises(Trouble, match="no inbox"):
        Inbox(tmp_path, warn=quiet)


def test_only_this_user_may_read_it(inbox: Inbox) -> None:
    assert inbox.path.stat().st_mode & 0o077 == 0


def test_threads_and_two_openings_keep_each_message_once(tmp_path: Path) -> None:
    answers: list[tuple[int, bool]] = []
    with Inbox(tmp_path, warn=quiet) as one, Inbox(tmp_path, warn=quiet) as two:

        def send(inbox: Inbox) -> None:
            for number in range(20):
                taken = inbox.take("m", str(number), b"%d" % number, [SKIN])
                answers.append((taken.number, taken.repeated))

        threads = [threading.Thread(target=send, args=(inbox,)) for inbox in (one, two, one, two)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(kept.identity for kept in one.after(0)) == sorted(map(str, range(20)))
    assert sum(not repeated for _, repeated in answers) == 20
    assert len(answers) == 80


_WRITER = """
    import sys
    from pathlib import Path
    from warmhold.exchange.inbox import Inbox
    inbox = Inbox(Path(sys.argv[1]), warn=lambda text: None)
    for number in range(10_000):
        taken = inbox.take("m", str(number), b"%d" % number * 500, [])
        print(number, taken.number, flush=True)
"""


@pytest.mark.parametrize("round_", range(20 if os.environ.get("WARMHOLD_FULL") else 2))
def test_what_was_answered_outlives_a_killed_process(tmp_path: Path, round_: int) -> None:
    writer = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_WRITER), str(tmp_path)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert writer.stdout is not None
    answered = [writer.stdout.readline() for _ in range(5 + 13 * round_)]
    writer.kill()
    answered += writer.stdout.readlines()
    writer.stdout.close()
    writer.wait()
    whole = [line for line in answered if line.endswith("\n")]
    with Inbox(tmp_path, warn=quiet) as inbox:
        kept = [message.identity for message in inbox.after(0)]
    assert kept[: len(whole)] == [line.split()[0] for line in whole]
    assert kept == [str(number) for number in range(len(kept))]
    print(f"{len(whole)} answered, {len(kept)} kept")
