"""Limits of recorded trends as set and as policy asks, side by side."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from warmhold.model import load_case, shipped_path
from warmhold.plan.alarms import alarm_limits
from warmhold.review.alarms import (
    LIMITS,
    WAYS,
    Limits,
    Recorded,
    Steps,
    invented,
    less_limit,
    limit_figures,
    limit_replays,
)
from warmhold.review.invented import Service
from warmhold.review.replay import Setting, Trend, replay
from warmhold.review.transfer import Heard, LimitReplay, Transfer

START = -math.inf
LOW, HIGH = "Oxygen saturation, low", "Oxygen saturation, high"


def trend(*values: float | None, every_s: float = 60.0) -> Trend:
    at = every_s * np.arange(len(values))
    read = [math.nan if value is None else value for value in values]
    return Trend(at, np.array(read), "saturation", trip="t")


def always(limit: float) -> Steps:
    return ((START, limit),)


def one(one_trend: Trend, title: str = LOW, **limits: Steps) -> LimitReplay:
    (found,) = limit_replays([Recorded({"saturation": one_trend}, {title: Limits(**limits)})])
    return found[title]


def test_titles_are_those_of_a_plan() -> None:
    case = load_case(shipped_path("trips", "winter-road"))
    assert [limit.title for limit in alarm_limits(case, 30.0, on_oxygen=True)] == list(LIMITS)
    for limit in alarm_limits(case, 30.0, on_oxygen=True):
        quantity, side, unit = LIMITS[limit.title]
        assert unit == limit.unit
        assert limit.title.endswith(side)
        assert quantity[:5] in limit.title.lower()


def test_with_a_pencil() -> None:
    """Rows a minute: 92 87 86 91 84 - 90; low limit set at 85, policy asks for 88.

    As set: one alarm, at 84, 60 s. Policy: beyond for 87 86 (120 s) and 84 (60 s): two alarms,
    180 s, of which 120 s were silent as set. A minute later: one alarm, after 87 for 86: 60 s; the
    60 s of 84 are not longer than the delay; silent 120 s. The last row only says when it ends.
    """
    found = one(trend(92, 87, 86, 91, 84, None, 90), as_set=always(85), policy=always(88))
    assert found.ways == {
        "as set": Heard(1, 60.0, 300.0, 180.0, 120.0),
        "policy": Heard(2, 180.0, 300.0, 180.0, 0.0),
        "policy, later": Heard(1, 60.0, 300.0, 180.0, 120.0),
    }
    assert found.row_s == 60.0


def test_a_high_limit_is_the_same_turned_round() -> None:
    found = one(trend(92, 97, 98, 92), HIGH, as_set=always(97), policy=always(96))
    assert found.ways["as set"] == Heard(1, 60.0, 180.0, 120.0, 60.0)
    assert found.ways["policy"] == Heard(1, 120.0, 180.0, 120.0, 0.0)


def test_a_limit_that_changes_between_two_rows() -> None:
    """87 for 4 min; the limit goes from 85 to 88 after 90 s: in alarm for the other 150 s."""
    steps = ((START, 85.0), (90.0, 88.0))
    found = one(trend(87, 87, 87, 87, 87), as_set=steps, policy=always(88))
    assert found.ways["as set"] == Heard(1, 150.0, 240.0, 240.0, 90.0)


def test_a_limit_that_is_off_never_sounds_and_one_not_known_is_not_counted() -> None:
    rows = trend(80, 80, 80, 80)
    off = one(rows, as_set=always(-math.inf), policy=always(88)).ways["as set"]
    assert off == Heard(0, 0.0, 180.0, 180.0, 180.0)
    unknown = one(rows, as_set=always(math.nan), policy=always(88))
    assert unknown.why == {"as set": "limit not known"}
    half = one(rows, as_set=((60.0, 88.0),), policy=always(88)).ways["as set"]
    assert half == Heard(1, 120.0, 120.0, 120.0, 0.0)  # not silent while nobody knows what was set


def test_where_policy_has_no_limit_there_is_no_yardstick() -> None:
    rows = trend(99, 99, 99)
    none = one(rows, HIGH, as_set=always(98), policy=always(math.inf))
    assert none.ways["as set"] == Heard(1, 120.0, 120.0, None, None)
    assert none.why == {"policy": "none asked for", "policy, later": "none asked for"}
    unknown = one(rows, HIGH, as_set=always(98))
    assert set(unknown.why.values()) == {"limit not known"}


def test_rows_far_apart_tell_nothing_of_a_delay() -> None:
    found = one(trend(92, 85, 92, every_s=900), as_set=always(88), policy=always(88))
    assert found.ways["policy"] == Heard(1, 900.0, 1800.0, 900.0, 0.0)
    assert found.why == {"policy, later": "rows too far apart"}


def test_without_a_trend_every_limit_is_missing() -> None:
    (found,) = limit_replays([Recorded({}, {})])
    assert set(found) == set(LIMITS)
    assert {why for limit in found.values() for why in limit.why.values()} == {"no trend"}


# --- taking a limit off ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("delay_s", [0.0, 45.0, 130.0])
def test_a_limit_that_stands_still_gives_the_same_alarms(seed: int, delay_s: float) -> None:
    """Against the replay with that limit itself; gaps, odd distances and rows on the limit."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.choice([20.0, 60.0, 61.5, 400.0], 80, p=[0.3, 0.4, 0.2, 0.1]))
    value = np.where(rng.random(80) < 0.1, np.nan, np.round(rng.normal(90, 3, 80)))
    rows = Trend(at, value, "saturation")
    for side in ("low", "high"):
        setting = Setting(**{side: 90.0}, delay_on_s=delay_s)
        plain = replay(rows, setting)
        other = replay(less_limit(rows, always(90.0)), replace(setting, **{side: 0.0}))
        np.testing.assert_allclose(other.episode_rows, plain.episode_rows)
        np.testing.assert_allclose(other.violation_rows, plain.violation_rows)
        np.testing.assert_allclose(other.by_trip, plain.by_trip, atol=1e-6)
        assert other.unread_s == pytest.approx(plain.unread_s)


@pytest.mark.parametrize("seed", range(6))
def test_steps_are_the_pieces_put_together(seed: int) -> None:
    """A limit that moves is, second by second, the limit that stands then."""
    rng = np.random.default_rng(seed)
    value = np.round(rng.normal(90, 3, 50))
    moves = np.sort(rng.choice(np.arange(1, 2900), 3, replace=False)).astype(float)
    limits = rng.choice([85.0, 88.0, 90.0, math.nan, -math.inf], 4).tolist()
    steps = ((START, limits[0]), *zip(moves.tolist(), limits[1:], strict=True))
    found = one(Trend(60.0 * np.arange(50), value, "saturation"), as_set=steps, policy=always(90.0))
    seconds = np.arange(49 * 60) + 0.5
    limit = np.array(limits)[np.searchsorted(moves, seconds, side="right")]
    stands = np.repeat(value[:-1], 60)
    known = ~np.isnan(limit)
    sounds = known & (stands < limit)
    heard = found.ways.get("as set")
    if heard is None:
        assert not known.any()
        return
    assert heard.read_s == pytest.approx(known.sum())
    assert heard.seconds == pytest.approx(sounds.sum())
    assert heard.beyond_s == pytest.approx((known & (stands < 90.0)).sum())
    assert heard.silent_s == pytest.approx((known & (stands < 90.0) & ~sounds).sum())
    edges = np.diff(np.concatenate([[0], sounds.astype(int)])) == 1
    assert heard.alarms == edges.sum()


def test_many_trips_at_once_are_each_by_itself() -> None:
    service, policy = Service(4, 40), load_case(shipped_path("trips", "term-by-day")).policy
    together = invented(service, list(service), policy)
    for number in (0, 7, 39):
        (alone,) = invented(service, [service.transfer(number)], policy, first=number)
        assert alone == together[number]


# --- figures of many ---------------------------------------------------------------------------


def made(key: str, alarms: dict[str, LimitReplay]) -> Transfer:
    return Transfer(key=key, unit="u", team="t", moments={}, alarms=alarms)


def test_figures_of_three_transfers_with_a_pencil() -> None:
    rows = trend(92, 87, 86, 91, 84, None, 90)
    both = one(rows, as_set=always(85), policy=always(88))
    planned = replace(one(rows, as_set=always(88), policy=always(88)), written=True)
    (low,) = limit_figures(
        [made("a", {LOW: both}), made("b", {LOW: planned}), made("c", {}), made("d", {})]
    )
    assert (low.title, low.transfers, low.with_trend, low.unwritten) == (LOW, 4, 2, 1)
    as_set, policy, later = low.ways
    assert (as_set.transfers, as_set.alarms, as_set.missing) == (2, 3, {"no trend": 2})
    assert as_set.hours == pytest.approx(600 / 3600)
    assert as_set.per_hour.estimate == pytest.approx(3 / (600 / 3600))
    assert as_set.silent_h == pytest.approx(120 / 3600)
    assert policy.judged_h == pytest.approx(360 / 3600)
    assert policy.to_as_set is not None
    assert policy.to_as_set.estimate == pytest.approx(4 / 3)
    assert as_set.to_as_set is None
    assert later.alarms == 2


def test_no_trend_at_all_is_no_figure() -> None:
    assert limit_figures([made("a", {}), made("b", limit_replays([Recorded({}, {})])[0])]) == ()


def test_what_is_not_asked_for_is_left_out_and_not_missing() -> None:
    none = one(trend(99, 99, 99), HIGH, as_set=always(98), policy=always(math.inf))
    (high,) = limit_figures([made("a", {HIGH: none})])
    policy = high.ways[WAYS.index("policy")]
    assert (policy.transfers, policy.excluded, policy.missing) == (0, 1, {})
    assert policy.per_hour.estimate is None
    assert policy.silent_h is None


def test_the_invented_service_has_what_a_lead_looks_for() -> None:
    """One team sets its low limit at 85 and no high one; one never writes what it set."""
    policy = load_case(shipped_path("trips", "term-by-day")).policy
    service = Service(1, 150)
    figures = {one.title: one for one in limit_figures(invented(service, list(service), policy))}
    assert set(figures) == {title for title in LIMITS if "gas" not in title}
    low = figures[LOW]
    as_set, asked, later = low.ways
    assert low.unwritten > 20
    assert sum(as_set.missing.values()) > 0
    assert as_set.alarms < asked.alarms
    assert later.alarms < asked.alarms
    assert as_set.silent_h is not None
    assert as_set.silent_h > 1.0
    assert asked.silent_h == 0.0
