"""Past trips run again: same draws on both sides, refusals, and bands that hold their figure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from review.twelve import twelve
from warmhold.model import Case, Quantity, Unit, load_case, shipped_path
from warmhold.plan.changes import with_baby
from warmhold.review import counterfactual as c
from warmhold.review.counterfactual import Change, PastTrip, Side, WhatIf, WhatIfJob, change_of
from warmhold.review.invented import Service
from warmhold.review.work import Here, Processes, run

SERVICE = Service(1, 40)
MEMBERS = 24


def side(one: PastTrip) -> Side:
    assert one.case is not None
    assert one.case.trip.start.air_set_c is not None
    return Side(one.case, one.case.trip.start.air_set_c)


def runnable() -> list[PastTrip]:
    return [one for one in map(c.invented_trip, SERVICE) if one.case is not None]


TRIPS = runnable()
SMALL = [one for one in TRIPS if one.case and one.case.trip.baby.gestation_weeks < 32][:6]
LARGE = [one for one in TRIPS if one.case and one.case.trip.baby.gestation_weeks >= 37][:4]


def double() -> Unit:
    return load_case(shipped_path("trips", "term-by-day")).unit


def compared(change: Change, trips: list[PastTrip], seed: int = 5) -> WhatIf:
    job = WhatIfJob(change, MEMBERS, seed, None, tuple(trips))
    return c.what_if(job, run(job, where=Here(), size=4), "test")


def test_the_same_side_twice_gives_the_same_bits() -> None:
    """So a difference is the change's alone."""
    first, _, _ = c.handover_c(side(SMALL[0]), MEMBERS, 5)
    again, _, _ = c.handover_c(side(SMALL[0]), MEMBERS, 5)
    other, _, _ = c.handover_c(side(SMALL[0]), MEMBERS, 6)
    assert first.tobytes() == again.tobytes()
    assert first.std() > 0.01
    assert first.tobytes() != other.tobytes()


def test_no_change_gives_exactly_no_difference() -> None:
    found = compared(change_of("air-set-plus 0"), [*SMALL[:3], *LARGE[:3]])
    (everything, *_) = found.groups
    assert everything.difference_k.value == 0.0
    assert everything.difference_k.band is not None
    assert everything.difference_k.band == replace(
        everything.difference_k.band, p05=0.0, p50=0.0, p95=0.0
    )
    assert everything.before == everything.after
    assert not any(one.touched for one in found.trips)


@pytest.mark.parametrize(
    ("words", "warms"),
    [("wrap-below-weeks 32", True), ("air-set-plus 2", True), ("air-set-plus -2", False),
     ("prewarm-minutes 120", True)],
)  # fmt: skip
def test_a_change_moves_every_member_the_way_it_must(words: str, warms: bool) -> None:
    bare = next(one for one in SMALL if one.case and "bare" in one.case.trip.baby.dressing)
    was = side(bare)
    other = c.changed(was, change_of(words))
    assert other != was
    before, _, _ = c.handover_c(was, MEMBERS, 5)
    after, _, _ = c.handover_c(other, MEMBERS, 5)
    assert np.all((after - before) * (1 if warms else -1) > 0.0)
    assert (after - before).std() < before.std(), "common draws leave less noise than either side"


def test_a_change_touches_only_whom_it_means() -> None:
    wrap = change_of("wrap-below-weeks 32")
    assert all(c.changed(side(one), wrap) == side(one) for one in LARGE)
    wrapped = with_baby(side(SMALL[0]).case, dressing=("bag",))
    assert c.changed(Side(wrapped, 35.0), wrap).case is wrapped
    touched = c.changed(side(SMALL[0]), change_of("prewarm-minutes 60")).case.trip.start
    assert touched.baby_in - touched.now == timedelta(minutes=60)
    assert c.changed(side(SMALL[0]), change_of("prewarm-minutes 10")) == side(SMALL[0])
    another = c.changed(side(SMALL[0]), Change("unit", unit=double()))
    assert another.case.unit == double()
    assert another.case.trip == side(SMALL[0]).case.trip
    assert c.changed(another, Change("unit", unit=double())) == another
    hottest = c.changed(Side(side(SMALL[0]).case, 38.9), change_of("air-set-plus 5"))
    assert hottest.air_set_c == hottest.case.unit.limits.air_set_c.highest


def test_the_order_of_the_trips_and_the_cut_do_not_matter() -> None:
    change = change_of("wrap-below-weeks 32")
    trips = [*SMALL, *LARGE]
    found = compared(change, trips)
    turned = compared(change, trips[::-1])
    assert found.groups == turned.groups
    assert found.trips == turned.trips[::-1]
    job = WhatIfJob(change, MEMBERS, 5, None, tuple(trips))
    assert c.what_if(job, run(job, where=Here(), size=10), "test") == found
    alone = compared(change, trips[:1])
    assert alone.trips == found.trips[:1]


def test_processes_give_the_same_as_this_process() -> None:
    job = WhatIfJob(change_of("wrap-below-weeks 30"), MEMBERS, 5, Service(2, 8))
    here = run(job, where=Here(), size=4)
    there = run(job, where=Processes(2), size=4)
    for one, other in zip(here, there, strict=True):
        assert {k: v.tobytes() for k, v in one.items()} == {
            k: v.tobytes() for k, v in other.items()
        }


def test_the_pooled_mean_is_the_mean_of_the_trips_and_lies_in_its_band() -> None:
    trips = [*SMALL, *LARGE]
    found = compared(change_of("wrap-below-weeks 32"), trips)
    everything, touched = found.groups[:2]
    change = change_of("wrap-below-weeks 32")
    means = []
    for one in trips:
        was = side(one)
        after = c.handover_c(c.changed(was, change), MEMBERS, 5)[0]
        means.append(float(np.mean(after - c.handover_c(was, MEMBERS, 5)[0])))
    assert everything.difference_k.value == pytest.approx(np.mean(means), abs=1e-6)
    assert everything.trips == 10
    assert touched.trips == sum(one.touched for one in found.trips) < 10
    for group in found.groups:
        for one in (group.difference_k, *group.before, *group.after, *group.more):
            if group.trips < c.FEWEST_POOLED:
                assert one.band is None
            else:
                assert one.band is not None
                assert one.band.p05 <= one.value <= one.band.p95
        assert sum(one.value for one in group.before) == pytest.approx(1.0)
    own = [one.difference_k for one in found.trips if one.touched]
    assert all(band is not None and band.p05 < band.p50 < band.p95 for band in own)


def test_each_trip_is_drawn_by_its_own_key_alone() -> None:
    """A Poisson number of mean 1, not tied to any other trip's."""
    weights = np.array([c._weights(f"trip {n}", 5, 400) for n in range(300)])
    assert weights.mean() == pytest.approx(1.0, abs=0.02)
    assert weights.var() == pytest.approx(1.0, abs=0.05)
    assert abs(np.corrcoef(weights[0], weights[1])[0, 1]) < 0.2
    assert np.array_equal(c._weights("trip 7", 5, 400), weights[7])


# --- what is not run, and what is believed less --------------------------------------------------


def test_outside_the_models_range_a_trip_is_marked_and_not_counted() -> None:
    assert SMALL[0].case is not None
    cold = with_baby(
        SMALL[0].case,
        temperature_c=Quantity(value=33.0, spread=0.1, provenance="stated"),
    )
    found = compared(change_of("air-set-plus 1"), [replace(SMALL[0], case=cold), *LARGE])
    assert found.trips[0].state == "outside the model's range"
    assert found.trips[0].before is None
    assert found.groups[0].trips == len(LARGE)
    assert len(found.outside) == 1
    assert found.outside[0][0].startswith("First temperature … °C: heat and vessels")
    assert found.outside[0][1] == 1


def test_a_bare_baby_is_marked_and_counted() -> None:
    bare = [one for one in SMALL if one.case and "bare" in one.case.trip.baby.dressing]
    found = compared(change_of("air-set-plus 1"), bare)
    assert found.count("run") == len(bare) > 0
    assert any(text.startswith("Naked baby") and n == len(bare) for text, n in found.care)


def test_what_is_unknown_is_counted_and_never_guessed() -> None:
    service = Service(3, 300, missing=0.2)
    found = [c.invented_trip(one) for one in service]
    states = {one.why for one in found if one.case is None}
    assert {"unknown: gestation", "unknown: whether it was cooled", "unknown: when it left",
            "cooled on purpose"} <= states  # fmt: skip
    for one, made in zip(service, found, strict=True):
        if made.case is not None:
            assert made.case.trip.baby.gestation_weeks == one.gestation_weeks
            assert made.case.trip.baby.weight_g.value == one.weight_g
            took = one.minutes("leaves", "handed_over")
            assert sum(leg.minutes.value for leg in made.case.trip.legs) == pytest.approx(took)
    trips = [PastTrip("x", None, "unknown: gestation"), PastTrip("y", None, "cooled", None, True)]
    told = compared(change_of("air-set-plus 1"), trips)
    assert told.groups == ()
    assert told.lacking == (("unknown: gestation", 1),)
    assert told.cooled == 1
    assert told.off_k is None


def test_no_claim_of_a_cause_is_made_and_the_limits_stand_beside() -> None:
    for kind in c.KINDS:
        assert c.RESTS_ON[kind]
        assert any("docs/validation.md" in line or "measured" in line for line in c.RESTS_ON[kind])
    whole = " ".join(c.CAUTIONS)
    assert "not what would have happened" in whole
    assert "names no cause" in whole
    assert "not a medical device" in whole


# --- a trip of a record as it was ----------------------------------------------------------------


def winter() -> Case:
    return load_case(shipped_path("trips", "winter-road"))


def test_what_became_of_a_trip_stands_in_for_its_plan() -> None:
    one = twelve()[0]
    took = one.minutes("leaves", "handed_over")
    assert took
    made = c.as_it_was(winter(), one)
    assert made.case is not None
    legs = made.case.trip.legs
    assert sum(leg.minutes.value for leg in legs) == pytest.approx(took)
    planned = winter().trip.legs
    times = [a.minutes.value / b.minutes.value for a, b in zip(legs, planned, strict=True)]
    assert times == pytest.approx([times[0]] * len(times))
    assert made.case.trip.delays == ()
    ready = one.moments.get("ready")
    known = [t for t in one.temperatures if ready and t.at <= ready]
    if known:
        assert made.case.trip.baby.temperature_c.value == known[-1].value_c
    assert made.came_c == one.last_temperature.value_c  # type: ignore[union-attr]


def test_what_is_not_known_stays_as_planned() -> None:
    bare = replace(twelve()[0], moments={}, temperatures=(), wrapped=None)
    assert c.as_it_was(winter(), bare).case == winter()
    assert c.as_it_was(winter(), bare).came_c is None
    wrapped = c.as_it_was(winter(), replace(bare, wrapped=True)).case
    assert wrapped is not None
    assert "wrap" in wrapped.trip.baby.dressing
    back = c.as_it_was(wrapped, replace(bare, wrapped=False)).case
    assert back is not None
    assert back.trip.baby.dressing == ("bare",)
    cooled = with_baby(winter(), cooled=True)
    assert c.as_it_was(cooled, bare).cooled


@pytest.mark.parametrize(
    ("words", "says"),
    [("wrap below 32", "no change"), ("wrap-below-weeks", "no change"), ("", "no change"),
     ("wrap-below-weeks many", "needs a number"), ("wrap-below-weeks 50", "is allowed"),
     ("prewarm-minutes 0", "is allowed"), ("air-set-plus nan", "is allowed"),
     ("unit nowhere", "another unit is needed")],
)  # fmt: skip
def test_a_change_that_is_none_is_said(words: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        change_of(words)


def test_too_few_members_are_refused() -> None:
    with pytest.raises(ValueError, match="too few"):
        WhatIfJob(change_of("air-set-plus 1"), 5, 1, SERVICE)


def test_other_trips_are_another_job() -> None:
    job = WhatIfJob(change_of("air-set-plus 1"), MEMBERS, 1, None, tuple(SMALL))
    assert job.identity == replace(job).identity
    for other in (
        replace(job, seed=2), replace(job, members=25), replace(job, trips=job.trips[:2]),
        replace(job, change=change_of("air-set-plus 2")),
        replace(job, trips=(replace(SMALL[0], came_c=1.0), *SMALL[1:])),
    ):  # fmt: skip
        assert other.identity != job.identity
