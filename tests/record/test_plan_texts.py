"""A case out of the three texts of a plan."""

from __future__ import annotations

import re
import tomllib

import pytest

from warmhold.model import FaultyInput, load_case, shipped_path
from warmhold.record.plan_texts import case_of

TRIP = shipped_path("trips", "term-by-day").read_text("utf-8")
UNIT = shipped_path("units", "rowan-double").read_text("utf-8")
POLICY = shipped_path("policies", "cautious").read_text("utf-8")


@pytest.mark.parametrize("trip", [TRIP, "\ufeff" + TRIP], ids=["plain", "with a byte order mark"])
def test_the_same_case_as_from_the_files(trip: str) -> None:
    read, loaded = case_of(trip, UNIT, POLICY), load_case(shipped_path("trips", "term-by-day"))
    assert (read.unit, read.policy) == (loaded.unit, loaded.policy)
    assert read.trip.model_copy(update={"unit": "", "policy": ""}) == loaded.trip.model_copy(
        update={"unit": "", "policy": ""}
    )


def test_names_of_unit_and_policy_do_not_matter() -> None:
    elsewhere = TRIP.replace('"rowan-double"', '"no-such-unit"').replace('"cautious"', "'gone'")
    assert case_of(elsewhere, UNIT, POLICY) == case_of(TRIP, UNIT, POLICY)


def test_a_fault_is_told_with_the_line_of_the_trip_and_its_origin() -> None:
    wrong = re.sub(r"^weight_g = 3400$", "weight_g = -3", TRIP, flags=re.M)
    line = wrong.splitlines().index("weight_g = -3") + 1
    with pytest.raises(FaultyInput) as caught:
        case_of(wrong, UNIT, POLICY, origin="a trip of the record")
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == ("a trip of the record", line)


def test_what_is_no_toml_is_refused() -> None:
    with pytest.raises((FaultyInput, tomllib.TOMLDecodeError)):
        case_of("weight_g = ", UNIT, POLICY)
