"""JSON out and back."""

from __future__ import annotations

import json as std
import math
from dataclasses import replace

import numpy as np
import pytest

from report import sample
from warmhold.plan.sheet import Band
from warmhold.report import json


def test_a_sheet_comes_back_as_it_was() -> None:
    # the sample has NaN on purpose, and NaN equals nothing: compare without it, then the text
    sheet = replace(sample.winter(), holds=(), plots=sample.winter().plots[:3])
    assert json.loads(json.dumps(sheet)) == sheet


@pytest.mark.parametrize("make", [sample.winter, sample.calm, sample.blank, sample.cooled])
def test_text_is_the_same_after_a_round_trip(make) -> None:
    text = json.dumps(json.loads(json.dumps(make())))  # whole numbers are floats from here on
    assert json.dumps(json.loads(text)) == text
    assert std.loads(text) == std.loads(json.dumps(make()))


def test_changes_together_and_what_is_assumed_come_back() -> None:
    sheet = sample.winter()
    back = json.loads(json.dumps(sheet))
    assert back.together == sheet.together is not None
    assert back.start.assumed == sheet.start.assumed != ()
    assert back.warm_up.assumed == sheet.warm_up.assumed != ()
    assert back.holds[0].assumed == sheet.holds[0].assumed != ()
    assert json.loads(json.dumps(sample.calm())).together is None


def test_no_number_is_null_and_comes_back_as_no_number() -> None:
    text = json.dumps(sample.winter())
    for word in ("NaN", "Infinity"):
        assert word not in text
    body = std.loads(text)
    assert body["format"] == 1
    assert body["sheet"]["holds"][2]["minutes"] == {"p05": None, "p50": None, "p95": None}
    assert math.isnan(json.loads(text).holds[2].minutes.p50)


def test_infinity_is_null_too_and_numpy_floats_are_plain() -> None:
    sheet = sample.winter()
    hold = replace(sheet.holds[0], minutes=Band(np.float64(3.5), np.float32(4), math.inf))
    minutes = std.loads(json.dumps(replace(sheet, holds=(hold,))))["sheet"]["holds"][0]["minutes"]
    assert minutes == {"p05": 3.5, "p50": 4.0, "p95": None}


def test_times_keep_their_offset() -> None:
    body = std.loads(json.dumps(sample.winter()))
    assert body["sheet"]["now"] == "2026-01-14T02:40:00+01:00"


def _broken(change) -> str:
    body = std.loads(json.dumps(sample.winter()))
    change(body)
    return std.dumps(body)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "not JSON"),
        ("[]", '"format"'),
        ('{"format": NaN}', "NaN"),
        (_broken(lambda b: b.update(format=2)), "format 2"),
        (_broken(lambda b: b.update(format=True)), "format True"),
        (_broken(lambda b: b.update(more=1)), "nothing else"),
        (_broken(lambda b: b["sheet"].pop("seed")), "seed"),
        (_broken(lambda b: b["sheet"].update(verdict="perhaps")), "sheet.verdict"),
        (_broken(lambda b: b["sheet"].update(members="many")), "sheet.members"),
        (_broken(lambda b: b["sheet"].update(now="noon")), "sheet.now"),
        (_broken(lambda b: b["sheet"].update(legs=3)), "sheet.legs"),
        (_broken(lambda b: b["sheet"]["together"].pop("weakest")), "weakest"),
        (_broken(lambda b: b["sheet"]["trip_facts"].append(["one"])), "sheet.trip_facts[3]"),
        (_broken(lambda b: b["sheet"]["kit"].update(holds=1)), "sheet.kit.holds"),
    ],
)
def test_what_is_no_sheet_is_refused_by_name(text: str, said: str) -> None:
    with pytest.raises(json.NotASheet) as caught:
        json.loads(text)
    assert said in str(caught.value)
