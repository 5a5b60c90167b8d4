"""Shares of variance against functions whose shares are known by algebra."""

from __future__ import annotations

import numpy as np
import pytest

from plan.cases import Floats
from warmhold.plan.drivers import assumed_behind, drivers, variance_shares
from warmhold.simulate.draws import Draws

MEMBERS = 1000
# a correlation of two independent streams has a standard error of 1 / sqrt(1000) = 0.03
NEAR = 0.05


def drawn(*names: str, members: int = MEMBERS, provenance: str = "stated") -> Draws:
    draws = Draws(members, 11)
    for name in names:
        draws.normal(name, f"title of {name}", 5.0, 2.0, "W", provenance)
    return draws


def score(draws: Draws, name: str) -> Floats:
    return draws.inputs[name].scores


def test_a_linear_function_gives_its_known_shares() -> None:
    """y = 3 a + 4 b: variances 9 and 16 of 25."""
    d = drawn("a", "b", "idle")
    shares = variance_shares(3 * score(d, "a") + 4 * score(d, "b") + 70, d.inputs)
    assert shares["a"] == pytest.approx(0.36, abs=NEAR)
    assert shares["b"] == pytest.approx(0.64, abs=NEAR)
    assert shares["idle"] == pytest.approx(0.0, abs=0.01)


def test_a_quadratic_function_too() -> None:
    """y = a^2 + b: a normal square has variance 2, so two thirds and one third."""
    d = drawn("a", "b", "idle")
    shares = variance_shares(score(d, "a") ** 2 + score(d, "b"), d.inputs)
    assert shares["a"] == pytest.approx(2 / 3, abs=NEAR)
    assert shares["b"] == pytest.approx(1 / 3, abs=NEAR)


def test_a_bent_function_of_one_input_is_all_its_own() -> None:
    """y = 2 a + 0.5 a^2, both terms of the same input."""
    d = drawn("a", "b")
    shares = variance_shares(2 * score(d, "a") + 0.5 * score(d, "a") ** 2, d.inputs)
    assert shares["a"] == pytest.approx(1.0, abs=0.001)
    assert shares["b"] < 0.02
    assert variance_shares(score(d, "a"), d.inputs)["a"] <= 1.0


def test_shares_do_not_depend_on_the_unit_of_the_margin() -> None:
    d = drawn("a", "b")
    y = 3 * score(d, "a") + 4 * score(d, "b")
    minutes, hours = variance_shares(y, d.inputs), variance_shares(y / 60 - 4, d.inputs)
    assert minutes == pytest.approx(hours)


def test_shares_add_up_to_no_more_than_all() -> None:
    d = drawn(*(f"x{n}" for n in range(12)))
    y = np.sum([(n + 1) * score(d, f"x{n}") for n in range(12)], axis=0)
    total = sum(variance_shares(y, d.inputs).values())
    assert total == pytest.approx(1.0, abs=0.1)
    # a product of two is explained by neither alone: what is left over is interaction
    product = score(d, "x0") * score(d, "x1")
    assert sum(variance_shares(product, d.inputs).values()) < 0.1


def test_chance_alone_explains_nothing() -> None:
    """Forty idle inputs: shares are adjusted for what a fit finds by luck.

    Two terms on 60 members explain 2 / 59 = 0.034 of pure noise. Less that, the mean is zero, and
    what is cut off at zero lifts it to about 0.034 / e = 0.0125 (exponential, mean 0.034).
    """
    d = drawn(*(f"x{n}" for n in range(40)), members=60)
    noise = np.random.default_rng(2)
    means = []
    for _ in range(20):
        shares = np.array(list(variance_shares(noise.normal(size=60), d.inputs).values()))
        assert (shares >= 0.0).all()
        means.append(shares.mean())
    assert np.mean(means) == pytest.approx(0.034 / np.e, abs=0.004)


@pytest.mark.parametrize(
    "spare", [np.full(100, 3.0), np.full(100, np.nan), np.append(np.full(99, 1.0), np.inf)]
)
def test_nothing_for_what_does_not_vary_or_is_no_number(spare: Floats) -> None:
    d = drawn("a", members=100)
    with np.errstate(invalid="ignore"):
        assert variance_shares(spare, d.inputs) == {}
        assert drivers(spare, d.inputs) == ()


def test_too_few_members_tell_nothing() -> None:
    d = drawn("a", members=7)
    assert variance_shares(score(d, "a"), d.inputs) == {}


def test_drivers_are_the_largest_first_five_at_most_none_small() -> None:
    d = drawn(*(f"x{n}" for n in range(8)))
    weights = [8, 7, 6, 5, 4, 3, 2, 0.1]
    y = np.sum([w * score(d, f"x{n}") for n, w in enumerate(weights)], axis=0)
    found = drivers(y, d.inputs)
    assert [f.key for f in found] == ["x0", "x1", "x2", "x3", "x4"]
    assert found[0].title == "title of x0"
    assert found[0].provenance == "stated"
    two = drivers(10 * score(d, "x0") + score(d, "x1"), d.inputs)
    assert [f.key for f in two] == ["x0"]  # 1 of 101 is below 2 %


def test_only_what_is_not_certain_is_listed_as_assumed() -> None:
    d = drawn("a")
    d.normal("b", "title of b", 1.0, 1.0, "", "assumed")
    d.normal("c", "title of c", 1.0, 1.0, "", "memory")
    d.normal("e", "title of e", 1.0, 1.0, "", "measured")
    y = score(d, "a") + 2 * score(d, "b") + score(d, "c") + score(d, "e")
    assert assumed_behind(y, d.inputs) == ("title of b (assumed)", "title of c (memory)")
    assert assumed_behind(np.full(MEMBERS, np.inf), d.inputs) == ()
