"""Metrics twice: by hand on twelve transfers, and by pandas, which shares no code with ours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from review.twelve import twelve
from warmhold.review import metrics as m
from warmhold.review.calibration import calibrations
from warmhold.review.invented import Service
from warmhold.review.transfer import Transfer

ALL = twelve()


def every(transfers: list[Transfer]) -> dict[str, m.Metric]:
    found = (
        *m.temperature(transfers), m.change_in_our_care(transfers), *m.saturation(transfers),
        *m.phases(transfers), *m.completeness(transfers), *m.equipment(transfers),
    )  # fmt: skip
    assert len({one.key for one in found}) == len(found)
    return {one.key: one for one in found}


# counted with a pencil from the rows in twelve.py
BY_HAND = {
    # key: numerator, denominator, excluded, missing
    "in-range": (5, 8, 2, 2),  # 01 04 06 11 12; without 07 (no temperature), 08 (cooled unknown)
    "cold": (2, 8, 2, 2),  # 02 05
    "colder": (1, 8, 2, 2),  # 05
    "hot": (1, 8, 2, 2),  # 03
    "inherited-cold": (3, 8, 2, 2),  # 01 05 11
    "lost": (1, 5, 5, 2),  # 02, of 02 03 04 06 12
    "regained": (2, 3, 8, 1),  # 01 11, of 01 05 11; 08 was not cold, whether cooled or not
    "cooled-in-range": (1, 2, 0, 0),  # 09; 10 at 34.3
    "mobilised": (2, 4, 0, 1),  # 01 03, of 01 02 03 10; urgency of 11 unknown
    "responded": (4, 4, 0, 1),
    "checklist": (313, 330, 0, 1),
    "charting": (117, 132, 0, 1),
    "saturation-in": (1140, 1845, 0, 2),
    "saturation-below": (230, 1845, 0, 2),
    "saturation-above": (475, 1845, 0, 2),
    "events-all": (5, 11, 0, 1),
    "events-gas": (2, 11, 0, 1),
    "events-power": (1, 11, 0, 1),
    "events-pump": (0, 11, 0, 1),
}
MEDIANS = {
    # key: median, counted, missing
    "mobilisation": (75, 11, 1), "response": (135, 12, 0), "stabilisation": (90, 12, 0),
    "journey": (60, 11, 1), "handover": (20, 11, 1), "turn-round": (75, 10, 2),
    "change": (0.5, 7, 3),
}  # fmt: skip


@pytest.mark.parametrize("key", BY_HAND)
def test_counts_are_those_of_a_pencil(key: str) -> None:
    one = every(ALL)[key]
    assert (one.numerator, one.denominator, one.excluded, one.missing) == BY_HAND[key]
    scale = 1000.0 if one.kind == "rate" else 1.0
    assert one.value == pytest.approx(scale * one.numerator / one.denominator)
    assert one.says
    if not key.startswith("saturation"):
        assert one.low is not None
        assert one.high is not None
        assert one.low <= one.value <= one.high


@pytest.mark.parametrize("key", MEDIANS)
def test_medians_are_those_of_a_pencil(key: str) -> None:
    one = every(ALL)[key]
    assert one.value == pytest.approx(MEDIANS[key][0])
    assert (one.denominator, one.missing) == MEDIANS[key][1:]


def test_what_is_missing_is_listed_and_never_counted() -> None:
    found = every(ALL)
    assert set(found["in-range"].lost) == {"07", "08"}
    assert found["mobilisation"].lost == ("06",)
    assert set(found["in-range"].counted) == {"01", "04", "06", "11", "12"}


def test_nothing_known_gives_no_figure() -> None:
    bare = [Transfer(key="x", unit="u", team="t", moments={})]
    for one in every(bare).values():
        if one.denominator == 0:
            assert one.value is None
            assert one.low is None
    for one in every([]).values():
        assert one.value is None


def test_a_figure_does_not_depend_on_the_order() -> None:
    backwards = every(ALL[::-1])
    for key, one in every(ALL).items():
        assert backwards[key].value == one.value


# --- by pandas -----------------------------------------------------------------------------------


def frame(transfers: list[Transfer]) -> pd.DataFrame:
    rows = []
    for one in transfers:
        row: dict[str, object] = {
            "key": one.key, "cooled": one.cooled, "urgency": one.urgency,
            "weeks": one.gestation_weeks,
            "sets_due": one.sets_due, "sets_done": one.sets_done, "checks_due": one.checks_due,
            "checks_done": one.checks_done,
            "events": None if one.events is None else len(one.events),
        }  # fmt: skip
        row |= {f"at_{name}": at for name, at in one.moments.items()}
        if one.saturation is not None:
            row |= {f"sat_{key}": value for key, value in vars(one.saturation).items()}
        arrived, over = one.moments.get("arrives"), one.moments.get("handed_over")
        series = pd.DataFrame(
            [(t.at, t.value_c, t.site) for t in one.temperatures], columns=["at", "c", "site"]
        )
        first = series if arrived is None else series[series["at"] >= arrived]
        last = series if over is None else series[series["at"] <= over]
        row["first"] = first["c"].iloc[0] if len(first) else np.nan
        row["last"] = last["c"].iloc[-1] if len(last) else np.nan
        row["change"] = (
            row["last"] - row["first"]  # type: ignore[operator]
            if len(first) and len(last) and first["at"].iloc[0] < last["at"].iloc[-1]
            and first["site"].iloc[0] == last["site"].iloc[-1] else np.nan
        )  # fmt: skip
        rows.append(row)
    return pd.DataFrame(rows)


@pytest.mark.parametrize("source", ["twelve", "invented"])
def test_pandas_counts_the_same(source: str) -> None:
    transfers = ALL if source == "twelve" else list(Service(11, 400))
    found, table = every(transfers), frame(transfers)
    normal = table[table["cooled"].eq(False) & table["last"].notna()]
    assert found["in-range"].denominator == len(normal)
    assert found["in-range"].numerator == int(normal["last"].between(36.5, 37.5).sum())
    assert found["cold"].numerator == int((normal["last"] < 36.5).sum())
    assert found["hot"].numerator == int((normal["last"] > 37.5).sum())
    first = table[table["cooled"].eq(False) & table["first"].notna()]
    assert found["inherited-cold"].numerator == int((first["first"] < 36.5).sum())
    warm = first[(first["first"] >= 36.5) & first["last"].notna()]
    assert found["lost"].denominator == len(warm)
    assert found["lost"].numerator == int((warm["last"] < 36.5).sum())
    change = table.loc[table["cooled"].eq(False), "change"].dropna()
    assert found["change"].denominator == len(change)
    assert found["change"].value == pytest.approx(float(change.median()))
    for key, _, begin, end in m.INTERVALS:
        spans = (table[f"at_{end}"] - table[f"at_{begin}"]).dropna().dt.total_seconds() / 60
        spans = spans[spans >= 0]
        assert found[key].denominator == len(spans)
        assert found[key].value == pytest.approx(float(spans.median()))
    done = table.dropna(subset=["sets_due", "sets_done"])
    assert found["charting"].numerator == int(done["sets_done"].sum())
    assert found["charting"].denominator == int(done["sets_due"].sum())
    events = table["events"].dropna()
    assert found["events-all"].denominator == len(events)
    assert found["events-all"].numerator == int(events.sum())
    sat = table.filter(like="sat_").dropna().sum()
    read = sat["sat_inside_min"] + sat["sat_below_min"] + sat["sat_above_min"]
    assert found["saturation-in"].value == pytest.approx(sat["sat_inside_min"] / read)


# --- calibration and strata ------------------------------------------------------------


def test_a_plan_is_judged_by_what_came() -> None:
    (one,) = calibrations(ALL)
    assert (one.inside, one.below, one.above, one.unread) == (4, 1, 1, 1)
    assert one.share == pytest.approx(4 / 6)
    assert one.leaning == "too few"
    assert set(one.missed) == {"02", "04"}


def test_a_weak_battery_shows_as_plans_that_lean_high() -> None:
    found = list(Service(3, 1500))
    by_unit = m.by(found, "unit")
    leaning = {
        unit: next(c.leaning for c in calibrations(mine) if c.key == "battery_min_left")
        for unit, mine in by_unit.items()
    }
    assert leaning["sedge"] == "leans high"
    assert [unit for unit, lean in leaning.items() if lean == "leans high"] == ["sedge"]


def test_every_transfer_falls_into_one_stratum() -> None:
    found = m.by_gestation(ALL)
    assert {name: len(mine) for name, mine in found.items()} == {
        "below 28 weeks": 2, "28 to 31 weeks": 1, "32 to 36 weeks": 3, "37 weeks and more": 5,
        "gestation unknown": 1,
    }  # fmt: skip


# --- the generator ------------------------------------------------------------


def test_an_invented_service_is_the_same_whatever_part_of_it_is_made() -> None:
    service = Service(5, 300)
    whole = list(service)
    assert service.transfer(217) == whole[217]
    assert Service(5, 300).transfer(217) == whole[217]
    assert Service(6, 300).transfer(217) != whole[217]
    first, again = service.trend(42), service.trend(42)
    assert all(np.array_equal(first[key], again[key], equal_nan=True) for key in first)
    assert len({len(values) for values in first.values()}) == 1


def test_an_invented_service_has_what_a_review_looks_for() -> None:
    whole = list(Service(1, 2000))
    found = every(whole)
    for key in ("in-range", "cold", "hot", "events-all", "lost"):
        assert found[key].numerator > 5, key
        assert found[key].missing > 20, key
    assert any(one.cooled for one in whole)
    cold = {unit: m.temperature(mine)[1].value for unit, mine in m.by(whole, "unit").items()}
    assert max(cold, key=lambda unit: cold[unit] or 0.0) == "lichen"
    assert all(one.minutes("call", "arrives") is None or one.minutes("call", "arrives") >= 0
               for one in whole)  # type: ignore[operator]  # fmt: skip
    changed = [replace(one, moments={}) for one in whole[:5]]
    assert m.phases(changed)[0].missing == 5
