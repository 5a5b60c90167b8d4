"""Scores: off by default, and their bands against the worked sums of the notes.

The bands are recalled (mark "memory"); the worked examples were computed in the project's notes
from the same recalled bands, so that this checks the arithmetic and not the papers.
"""

from __future__ import annotations

import pytest

from warmhold.review.scores import SwitchedOff, items_of, names, score

TRIPS = {"temperature_c": 35.8, "breathing": "severe", "systolic_mmhg": 38, "response": "lethargic"}
TOPS = {"temperature_c": 36.2, "saturation_percent": 93, "refill_s": 4, "glucose_mmol_l": 1.94}


def test_every_score_is_off_until_it_is_asked_for_as_unverified() -> None:
    for name in names():
        with pytest.raises(SwitchedOff, match="not read"):
            score(name, {})
    assert "UNVERIFIED" in score("trips", TRIPS, unverified=True).says
    assert "higher is worse" in score("tops", TOPS, unverified=True).says


def test_worked_sums() -> None:
    """8 + 14 + 16 + 6 = 44; 1 + 0 + 1 + 1 = 3: worked in the project's notes."""
    assert score("trips", TRIPS, unverified=True).points == 44
    assert score("tops", TOPS, unverified=True).points == 3


def test_the_worst_of_everything_is_the_highest() -> None:
    worst = {"temperature_c": 34, "breathing": "severe", "systolic_mmhg": 10, "response": "none"}
    found = score("trips", worst, unverified=True)
    assert found.points == found.highest == 65
    bad = {"temperature_c": 34, "saturation_percent": 60, "refill_s": 5, "glucose_mmol_l": 1}
    assert score("tops", bad, unverified=True).points == 4


def test_a_missing_item_makes_it_not_computable_and_never_zero() -> None:
    for name, whole in (("trips", TRIPS), ("tops", TOPS)):
        for key in whole:
            less = {one: value for one, value in whole.items() if one != key}
            found = score(name, less, unverified=True)
            assert found.points is None
            assert len(found.missing) == 1
        odd = score(name, {**whole, "temperature_c": 366.0}, unverified=True)
        assert odd.points is None
    assert score("trips", {**TRIPS, "breathing": "fine"}, unverified=True).points is None


@pytest.mark.parametrize(
    ("value", "points"),
    [
        (36.0, 8),
        (36.1, 1),
        (36.5, 1),
        (36.54, 1),
        (36.56, 0),
        (37.1, 0),
        (37.2, 1),
        (37.6, 1),
        (37.7, 8),
    ],
)
def test_temperature_is_rounded_before_it_is_banded(value: float, points: int) -> None:
    found = score("trips", {**TRIPS, "temperature_c": value}, unverified=True)
    assert {title: given for title, _, given in found.items}["Temperature"] == points


def test_every_item_says_what_is_allowed() -> None:
    for name in names():
        assert all(allowed for _, _, allowed in items_of(name))
