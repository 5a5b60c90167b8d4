"""Budgets against the library `uncertainties`; decisions against the rules of acceptance."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from reference_rows import rows
from warmhold.bench.uncertainty import (
    Budget,
    Part,
    coarse,
    decide,
    from_certificate,
    holds,
    rectangular,
    repeatability,
    resolution,
)


@pytest.mark.parametrize("seed", range(5))
def test_a_budget_is_the_librarys_propagation(seed: int) -> None:
    random = np.random.default_rng(seed)
    sizes, slopes = random.uniform(0, 0.2, 6), random.uniform(-3, 3, 6)
    inputs = [uncertainties.ufloat(1.0, size) for size in sizes]
    theirs = sum(slope * one for slope, one in zip(slopes, inputs, strict=True))
    parts = tuple(
        Part(str(i), float(size), float(slope))
        for i, (size, slope) in enumerate(zip(sizes, slopes, strict=True))
    )
    ours = Budget("°C", parts)
    assert ours.standard == pytest.approx(theirs.std_dev, rel=1e-12)
    assert ours.expanded == pytest.approx(2 * theirs.std_dev, rel=1e-12)


def test_the_sensitivities_of_a_power_are_the_librarys() -> None:
    """Volts and amperes: the sensitivities that a run-down takes, against automatic ones."""
    volts, amps, hours = 24.3, 4.1, 0.31
    v, a = uncertainties.ufloat(volts, 0.05), uncertainties.ufloat(amps, 0.04)
    theirs = v * a * hours
    ours = Budget("Wh", (Part("v", 0.05, amps * hours), Part("a", 0.04, volts * hours)))
    assert ours.standard == pytest.approx(theirs.std_dev, rel=1e-12)


def test_the_share_of_a_quotient_is_the_librarys() -> None:
    energy, new, usable = (
        uncertainties.ufloat(30.0, 0.6),
        uncertainties.ufloat(76.0, 2.0),
        uncertainties.ufloat(0.8, 0.03),
    )
    theirs = 100 * energy / (new * usable)
    percent = theirs.nominal_value
    ours = Budget(
        "%",
        (
            Part("energy", 0.6, 100 / (76.0 * 0.8)),
            Part("new", 2.0 / 76.0, percent),
            Part("usable", 0.03 / 0.8, percent),
        ),
    )
    assert ours.standard == pytest.approx(theirs.std_dev, rel=1e-12)


def test_the_time_of_a_crossing_moves_as_the_librarys_does() -> None:
    """One thermometer's reading error e moves the crossing of 33 between 32 and 34 °C."""
    e = uncertainties.ufloat(0.0, 0.05)
    theirs = 30 + 10 * ((33 + e) - 32) / (34 - 32)
    ours = Budget("min", (Part("reading", 0.05, 1 / (2.0 / 10.0)),))
    assert ours.standard == pytest.approx(theirs.std_dev, rel=1e-12)


@pytest.mark.parametrize("row", rows("bench", "steps"))
def test_resolution(row: dict) -> None:
    assert resolution(row["step"]) == pytest.approx(row["expected"], abs=row["tolerance"])


def test_a_rectangle_is_that_of_many_draws() -> None:
    draws = np.random.default_rng(1).uniform(-0.3, 0.3, 200_000)
    assert rectangular(0.3) == pytest.approx(draws.std(), rel=0.01)
    assert rectangular(0.3) == pytest.approx(0.3 / umath.sqrt(3))


def test_repeatability_is_that_of_many_draws() -> None:
    random = np.random.default_rng(2)
    means = random.normal(36.0, 0.1, (4000, 10)).mean(axis=1)
    one = np.mean([repeatability(list(random.normal(36.0, 0.1, 10))) ** 2 for _ in range(4000)])
    assert math.sqrt(one) == pytest.approx(means.std(), rel=0.04)
    with pytest.raises(ValueError, match="two"):
        repeatability([36.0])


def test_a_certificate_is_divided_by_its_own_factor() -> None:
    assert from_certificate(0.3, 3.0) == pytest.approx(0.1)
    with pytest.raises(ValueError, match="coverage"):
        from_certificate(0.3, 0.5)


def test_what_is_not_known_is_not_taken_as_none() -> None:
    lacking = Budget("°C", (Part("a", 0.1),), ("the certificate",))
    assert lacking.standard is None
    assert lacking.expanded is None
    assert Budget("°C", ()).expanded is None


@pytest.mark.parametrize("row", rows("bench", "decisions"))
def test_decisions(row: dict) -> None:
    decision = decide(
        row["value"], row["u"], row["relation"], row["limit"], row["rule"], row.get("bound", "")
    )
    assert decision.verdict == row["expected"]


@pytest.mark.parametrize("rule", ["simple", "guarded"])
@pytest.mark.parametrize(
    ("value", "u"), [(None, 0.1), (math.nan, 0.1), (0.5, None), (0.5, math.inf)]
)
def test_never_a_pass_from_missing_data(rule, value, u) -> None:
    assert decide(value, u, "at most", 1.0, rule).verdict == "cannot tell"


def test_edges() -> None:
    assert holds(0.1 + 0.2, "at most", 0.3)
    assert not holds(0.3, "below", 0.3)
    assert not holds(0.3, "above", 0.3)
    assert coarse(0.34, 1.0)
    assert not coarse(1 / 3, 1.0)
    assert not coarse(None, 1.0)
    with pytest.raises(ValueError, match="near"):
        holds(36.0, "near", 36.0)
