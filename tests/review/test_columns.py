"""Columns against the transfers they were taken from, one by one."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from itertools import product

import numpy as np
import pytest

from review.twelve import twelve
from warmhold.review import columns as c
from warmhold.review.columns import Columns
from warmhold.review.invented import Service
from warmhold.review.rates import _smallest, binomial_at_most, binomial_span
from warmhold.review.transfer import Transfer

EVERY = [*twelve(), *Service(7, 300)]


def alike(found: np.ndarray, one_by_one: list) -> None:
    assert len(found) == len(one_by_one)
    for value, wanted in zip(found.tolist(), one_by_one, strict=True):
        unknown = value is None or (isinstance(value, float) and math.isnan(value))
        assert unknown if wanted is None else value == wanted


@pytest.fixture(params=["whole", "part", "part of a part"])
def columns(request: pytest.FixtureRequest) -> Columns:
    whole = Columns(EVERY)
    if request.param == "whole":
        return whole
    part = whole.some(np.arange(len(EVERY)) % 3 != 1)
    return part if request.param == "part" else part.some(np.arange(len(part)) % 2 == 0)


def test_every_column_is_what_the_transfers_say(columns: Columns) -> None:
    mine = list(columns)
    alike(columns.keys, [one.key for one in mine])
    alike(columns.words("month"), [one.month for one in mine])
    alike(columns.words("urgency"), [one.urgency for one in mine])
    assert columns.lacks("urgency").tolist() == [one.urgency is None for one in mine]
    alike(columns.number("gestation_weeks"), [one.gestation_weeks for one in mine])
    below = [None if one.saturation is None else one.saturation.below_min for one in mine]
    alike(columns.shares("saturation")[:, 1], below)
    for begin, end in (("call", "arrives"), ("arrives", "leaves"), ("leaves", "call")):
        alike(columns.minutes(begin, end), [one.minutes(begin, end) for one in mine])
    for which in ("first_temperature", "last_temperature"):
        there = [getattr(one, which) for one in mine]
        value, at, site = columns.temperature(which)
        alike(value, [None if one is None else one.value_c for one in there])
        alike(site, [None if one is None else one.site for one in there])
        assert [np.isnan(a) for a in at] == [one is None for one in there]


def test_a_part_is_a_sequence_of_its_transfers(columns: Columns) -> None:
    mine = [one for one in EVERY if one in list(columns)]
    assert list(columns) == mine
    assert columns[0] == mine[0]
    assert columns[-1] == mine[-1]
    assert list(columns[2:4]) == mine[2:4]
    assert Columns.of(columns) is columns


def test_lengths_are_exact_to_the_microsecond_whatever_the_zone() -> None:
    """60 minutes are no more than 60 minutes, whenever they began."""
    zone = timezone(timedelta(hours=5, minutes=30))
    rows = []
    for k in range(2000):
        call = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(microseconds=k * 123_456_789_123)
        moments = {"call": call, "departs": (call + timedelta(minutes=60)).astimezone(zone)}
        rows.append(Transfer(key=str(k), unit="u", team="t", moments=moments))
    assert set(Columns(rows).minutes("call", "departs").tolist()) == {60.0}


def test_no_transfer_at_all() -> None:
    none = Columns([])
    assert len(none.shares("saturation")) == len(none.minutes("call", "departs")) == 0
    assert none.keys_of(none.lacks("urgency")) == ()


KNOWN: dict[int, bool | None] = {c.YES: True, c.NO: False, c.UNKNOWN: None}


def test_truths_are_those_of_three_valued_logic() -> None:
    """Kleene's tables: no and unknown is no; not unknown is unknown."""
    for one, other in product(KNOWN, KNOWN):
        a, b = KNOWN[one], KNOWN[other]
        wanted = False if a is False or b is False else None if a is None or b is None else True
        found = c.both(np.array([one], dtype=np.int8), np.array([other], dtype=np.int8))
        assert KNOWN[int(found[0])] is wanted
    turned = c.is_not(np.array([c.YES, c.NO, c.UNKNOWN], dtype=np.int8))
    assert turned.tolist() == [c.NO, c.YES, c.UNKNOWN]


@pytest.mark.parametrize(
    ("ask", "wanted"),
    [
        (lambda v: c.is_between(v, 36.5, 37.5), [0, 1, 1, 0, -1]),
        (lambda v: c.is_below(v, 36.5), [1, 0, 0, 0, -1]),
        (lambda v: c.is_above(v, 37.5), [0, 0, 0, 1, -1]),
    ],
)
def test_bands_have_both_ends(ask: Callable[[np.ndarray], np.ndarray], wanted: list[int]) -> None:
    assert ask(np.array([36.49, 36.5, 37.5, 37.51, np.nan])).tolist() == wanted


# --- the search for a quantile -----------------------------------------------------------------


@pytest.mark.parametrize("n", [0, 1, 2, 7, 31])
def test_the_first_look_does_not_change_what_is_found(n: int) -> None:
    for edge, near in product(range(n + 1), range(-3, n + 4)):
        asked: list[int] = []

        def holds(k: int, edge: int = edge, asked: list[int] = asked) -> bool:
            asked.append(k)
            return k >= edge

        assert _smallest(n, holds, near) == edge
        assert all(0 <= k < n for k in asked if n)


@pytest.mark.parametrize("n", [1, 13, 400, 20_000])
@pytest.mark.parametrize("share", [0.0, 0.002, 0.31, 0.9, 1.0])
@pytest.mark.parametrize("tail", [0.025, 0.001, 1e-12])
def test_a_span_is_the_first_count_that_is_not_out_of_the_ordinary(
    n: int, share: float, tail: float
) -> None:
    low, high = binomial_span(n, share, tail)
    assert binomial_at_most(low, n, share) > tail
    assert low == 0 or binomial_at_most(low - 1, n, share) <= tail
    upper = 1.0 - share
    assert binomial_at_most(n - high, n, upper) > tail
    assert high == n or binomial_at_most(n - high - 1, n, upper) <= tail
