"""Draws: every slice once, streams apart, mean and spread as asked."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from warmhold.simulate.draws import Draws

Floats = NDArray[np.float64]
MANY = 4000
KEYS = ("unit.battery.energy_wh", "trip.baby.weight_g", "physiology.rest_factor", "x")


def normal(draws: Draws, key: str, value: float = 0.0, spread: float = 1.0) -> Floats:
    return draws.normal(key, key, value, spread, "K", "stated")


# --- stratification --------------------------------------------------------------------------


@pytest.mark.parametrize("members", [1, 2, 7, 100, 1000])
@pytest.mark.parametrize("key", KEYS)
def test_each_slice_of_the_distribution_is_hit_once(members: int, key: str) -> None:
    scores = Draws(members, 3).scores(key)
    shares = np.array([NormalDist().cdf(score) for score in scores])
    slices = np.floor(shares * members + 1e-9).astype(int)
    assert sorted(slices) == list(range(members))


def test_where_in_its_slice_a_member_falls_is_left_to_chance() -> None:
    """Not the middle of each slice: the places in the slices cover 0 to 1."""
    members = 1000
    shares = np.array([NormalDist().cdf(s) for s in Draws(members, 3).scores("x")])
    places = shares * members - np.floor(shares * members)
    assert abs(places.mean() - 0.5) < 4 * math.sqrt(1 / 12 / members)
    assert places.std() == pytest.approx(math.sqrt(1 / 12), abs=0.02)


def test_scores_have_no_order_of_their_own() -> None:
    """The permutation mixes: neighbours are as unlike as any two members."""
    scores = Draws(MANY, 3).scores("x")
    assert abs(np.corrcoef(scores[:-1], scores[1:])[0, 1]) < 4 / math.sqrt(MANY)
    assert abs(np.corrcoef(scores, np.arange(MANY))[0, 1]) < 4 / math.sqrt(MANY)


# --- streams -----------------------------------------------------------------------------------


def test_same_seed_and_name_give_the_same_draws() -> None:
    np.testing.assert_array_equal(Draws(50, 9).scores("a"), Draws(50, 9).scores("a"))


def test_another_name_or_seed_gives_other_draws() -> None:
    first = Draws(50, 9).scores("a")
    assert (first != Draws(50, 9).scores("b")).any()
    assert (first != Draws(50, 10).scores("a")).any()


def test_other_inputs_leave_a_stream_as_it_was() -> None:
    alone = normal(Draws(200, 5), "weight", 3000, 30)
    crowded = Draws(200, 5)
    for number in range(20):
        normal(crowded, f"other {number}")
    crowded.chance("delay", "delay", 0.3)
    np.testing.assert_array_equal(alone, normal(crowded, "weight", 3000, 30))


def test_value_and_spread_do_not_change_the_scores() -> None:
    """So that a mend changes what it changes and not the luck of the members."""
    first, second = Draws(100, 5), Draws(100, 5)
    a = normal(first, "x", 10.0, 2.0)
    b = normal(second, "x", -3.0, 0.5)
    np.testing.assert_allclose((a - 10.0) / 2.0, (b + 3.0) / 0.5, atol=1e-12)


def test_streams_are_independent_of_one_another() -> None:
    scores = [Draws(MANY, 5).scores(f"input {n}") for n in range(20)]
    apart = np.corrcoef(scores) - np.eye(20)
    # 190 pairs: the largest of so many independent ones stays below 4.5 standard errors
    assert np.abs(apart).max() < 4.5 / math.sqrt(MANY)


# --- mean and spread against theory --------------------------------------------------------------


def test_normal_has_its_mean_and_spread() -> None:
    x = normal(Draws(MANY, 1), "x", -6.0, 2.0)
    assert x.mean() == pytest.approx(-6.0, abs=0.005)  # strata: far below 2 / sqrt(4000)
    assert x.std() == pytest.approx(2.0, rel=0.005)
    low, middle, high = np.quantile(x, (0.05, 0.5, 0.95))
    # 1.6449 standard deviations: table of the normal distribution
    assert (low, middle, high) == pytest.approx((-6 - 3.2897, -6.0, -6 + 3.2897), abs=0.02)


@pytest.mark.parametrize(("value", "spread"), [(84.0, 2.0), (1.0, 0.5), (20.0, 10.0)])
def test_positive_is_log_normal_with_its_mean_and_spread(value: float, spread: float) -> None:
    x = Draws(MANY, 1).positive("x", "x", value, spread, "W", "stated")
    assert (x > 0.0).all()
    assert x.mean() == pytest.approx(value, rel=0.003)
    assert x.std() == pytest.approx(spread, rel=0.03)  # its tail is long
    # a log-normal's median is mean / sqrt(1 + (spread / mean)^2)
    assert np.median(x) == pytest.approx(value / math.sqrt(1 + (spread / value) ** 2), rel=0.003)
    logs = np.log(x)
    skew = float(np.mean(((logs - logs.mean()) / logs.std()) ** 3))
    assert abs(skew) < 0.01


def test_positive_without_spread_or_value_is_exact() -> None:
    draws = Draws(5, 1)
    np.testing.assert_array_equal(draws.positive("a", "a", 7.5, 0.0, "W", "stated"), [7.5] * 5)
    np.testing.assert_array_equal(draws.positive("b", "b", 0.0, 2.0, "W", "stated"), [0.0] * 5)


def test_share_stays_between_nothing_and_all() -> None:
    x = Draws(MANY, 1).share("x", "x", 0.95, 0.10, "", "stated")
    assert x.min() > 0.0
    # (1 - 0.95) / 0.10 = half a standard deviation above the mean: 30.85 % of a normal lie beyond
    assert np.mean(x == 1.0) == pytest.approx(0.3085, abs=0.001)
    inner = Draws(MANY, 1).share("x", "x", 0.6, 0.05, "", "stated")
    assert inner.mean() == pytest.approx(0.6, abs=0.001)
    assert inner.std() == pytest.approx(0.05, rel=0.005)


@pytest.mark.parametrize("probability", [0.0, 0.2, 0.35, 1.0])
def test_chance_happens_as_often_as_stated(probability: float) -> None:
    x = Draws(1000, 1).chance("x", "x", probability)
    assert set(np.unique(x)) <= {0.0, 1.0}
    assert x.mean() == pytest.approx(probability, abs=0.001)  # stratified: to one member


def test_a_likelier_thing_happens_to_all_whom_it_happened_to_before() -> None:
    rare = Draws(500, 1).chance("x", "x", 0.2)
    often = Draws(500, 1).chance("x", "x", 0.5)
    assert (often >= rare).all()


# --- what is remembered --------------------------------------------------------------------------


def test_only_what_varies_is_remembered_with_its_scores() -> None:
    draws = Draws(20, 1)
    normal(draws, "a", 5.0, 1.0)
    normal(draws, "b", 5.0, 0.0)
    draws.chance("never", "never", 0.0)
    draws.chance("maybe", "maybe", 0.5)
    assert set(draws.inputs) == {"a", "maybe"}
    kept = draws.inputs["a"]
    assert (kept.value, kept.spread, kept.unit, kept.provenance) == (5.0, 1.0, "K", "stated")
    np.testing.assert_array_equal(kept.scores, draws.scores("a"))
