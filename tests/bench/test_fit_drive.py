"""A log drives the planner's own equations; the battery is added up by the same rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench import hidden
from warmhold.bench.fit import constants as k
from warmhold.bench.fit.drive import (
    Observed,
    UnfitLog,
    cold_share,
    driven,
    model_of,
    stored,
    track_of,
)
from warmhold.bench.fit.lessons import made_up
from warmhold.bench.log import Log
from warmhold.science.battery import temperature_share
from warmhold.simulate import layout as at
from warmhold.simulate.draws import Draws
from warmhold.simulate.stepping import advance

UNITS = ("alder-single", "rowan-double")
PERFECT = hidden.Instruments(noise=0.0, draught_k=0.0, offset=0.0, step=False, gap_share=0.0)
NO_OFFSETS = {"unit": 0.0, "reference": 0.0, "socket": 1.0, "battery": 1.0}


def test_scores_are_the_planners_own_draws() -> None:
    """The fit's prior is what ``Draws`` makes of the same value and spread."""
    unit = hidden.shipped_unit("alder-single")
    draws = Draws(500, 3)
    for one in k.constants_of(unit):
        if not one.in_file or one.key == k.USABLE_KEY:
            continue
        how = draws.share if one.kind == "share" else draws.positive
        drawn = how(one.key, one.title, one.value, one.spread, one.unit, one.provenance)
        assert one.at_score(draws.scores(one.key)) == pytest.approx(drawn, rel=1e-12)
        mean, spread = one.mean_and_spread(0.0, 1.0)
        assert (mean, spread) == pytest.approx((one.value, one.spread), rel=1e-9)


def test_usable_energy_is_the_product_the_planner_draws() -> None:
    unit = hidden.shipped_unit("rowan-double")
    one = k.usable_energy(unit)
    battery = unit.battery
    health = k.health_of(unit)[0]
    assert one.value == pytest.approx(
        battery.energy_wh.value * battery.packs * health * battery.usable_fraction.value
    )
    assert one.spread / one.value > battery.energy_wh.spread / battery.energy_wh.value


@pytest.mark.parametrize("name", UNITS)
def test_runs_agree_with_another_integrator(name: str) -> None:
    """Perfect instruments, known numbers: what the model reads is what SciPy's LSODA made.

    Within 0.05 K and 1 W where nothing was switched a moment before: the fit steps the ambient
    once a minute and the truth does not.
    """
    unit = hidden.shipped_unit(name)
    v, truth = hidden.hidden_values(unit, np.random.default_rng(4))
    log = hidden.simulated(
        unit, v, hidden.STEP_AND_PORT, np.random.default_rng(5), PERFECT, NO_OFFSETS
    )
    model = model_of(unit, [Observed(log, began="warm")])
    z = np.zeros((1, model.count))
    for place, one in enumerate(model.constants):
        z[0, place] = hidden.score_of(one, truth[one.key])
    track = model.tracks[0]
    own = model.own(0)
    first_set = float(log.numbers["air_set_c"][0])
    assert first_set == 33.0
    for block, values in zip(track.blocks, model.predict(0, z), strict=True):
        # the first state is only guessed from the profile: compare once it has died out
        late = (block.minutes > 60.0) & (block.minutes < float(track.grid_s[-30] / 60.0))
        worst = float(np.abs(values[0] - block.values)[late].max(initial=0.0))
        limit = {"air_c": 0.08, "air_shown_c": 0.08, "wall_c": 0.25}.get(block.channel, 2.5)
        assert worst < limit, block.channel
    assert own == len(model.constants) + 4


@pytest.mark.parametrize("name", UNITS)
def test_battery_adds_up_to_the_right_hand_sides_own(name: str) -> None:
    """With the model's exponent and cold effect, the sum is the state CHARGE of the equations."""
    unit = hidden.shipped_unit(name)
    track = made_up(unit, 8.0, ((12, "battery", 34.0, "closed"),), 34.0, ("air_c",))
    v = k.fixed_values(unit)[None]
    ran = driven(track, v, np.zeros(1), {})
    summed = stored(track, v, ran, np.ones(1)).charge_wh[0]
    start = track.start.copy()
    start[at.CHARGE] = v[0, k.X_USABLE]
    run = advance(
        start[None], v[:, : at.N_PARAM], np.diff(track.grid_s)[None],
        track.conditions[None], np.ones(track.grid_s.size - 1, dtype=np.int64),
        np.full(track.grid_s.size - 1, 10.0), np.array([at.CHARGE]),
    )  # fmt: skip
    used = summed[0] - summed[-1]
    assert used > 10.0
    assert summed == pytest.approx(run.trace[0, :, 0], abs=0.004 * used)


def test_charging_adds_up_too() -> None:
    unit = hidden.shipped_unit("alder-single")
    track = made_up(unit, 20.0, ((60, "mains", 34.0, "closed"),), 34.0, ("air_c",))
    v = k.fixed_values(unit)[None]
    ran = driven(track, v, np.zeros(1), {})
    summed = stored(track, v, ran, np.array([0.5])).charge_wh[0]
    start = track.start.copy()
    start[at.CHARGE] = 0.5 * v[0, k.X_USABLE]
    run = advance(
        start[None], v[:, : at.N_PARAM], np.diff(track.grid_s)[None],
        track.conditions[None], np.ones(track.grid_s.size - 1, dtype=np.int64),
        np.full(track.grid_s.size - 1, 10.0), np.array([at.CHARGE]),
    )  # fmt: skip
    assert summed[-1] > summed[0] + 1.0
    assert summed == pytest.approx(run.trace[0, :, 0], rel=0.005)


def test_cold_effect_of_one_is_the_models_own() -> None:
    temps = np.linspace(-20.0, 30.0, 26)
    for lead in (0.0, 1.0):
        own = temperature_share(temps, lead)
        assert cold_share(temps, lead, 1.0) == pytest.approx(own)
        assert (cold_share(temps, lead, 1.5) <= own + 1e-12).all()
        assert cold_share(temps, lead, 0.0) == pytest.approx(np.ones(26))


def log_of(minutes: int = 30, **changes: object) -> Log:
    n = minutes + 1
    numbers = {
        "air_c": np.full(n, 34.0), "ambient_c": np.full(n, 21.0), "air_set_c": np.full(n, 34.0),
    }  # fmt: skip
    words = {"source": ("mains",) * n}
    log = Log("x", hidden.series(hidden.START, 0), 60.0 * np.arange(n), numbers, words)
    return replace(log, **changes)  # type: ignore[arg-type]


def test_every_reason_why_a_log_cannot_drive_is_told() -> None:
    unit = hidden.shipped_unit("alder-single")
    bare = log_of(3, numbers={"wall_c": np.full(4, 20.0)}, words={})
    with pytest.raises(UnfitLog) as caught:
        track_of(Observed(bare), unit)
    text = str(caught.value)
    for word in ("too short", "ambient_c", "air_set_c", "air temperature", "source"):
        assert word in text
    assert len(caught.value.reasons) == 5


def test_what_is_unknown_is_never_taken_as_zero() -> None:
    """Lost readings are left out, not compared with nothing; gaps in the ambient are bridged."""
    unit = hidden.shipped_unit("alder-single")
    air, ambient = np.full(31, 34.0), np.full(31, 21.0)
    air[5:15], ambient[8:20] = np.nan, np.nan
    ambient[20:] = 24.0
    log = log_of()
    track = track_of(
        Observed(replace(log, numbers={**log.numbers, "air_c": air, "ambient_c": ambient})), unit
    )
    (block,) = track.blocks
    assert block.values.size == 30 - 10
    assert np.isfinite(block.values).all()
    between = track.conditions[8:19, at.AMBIENT]
    assert (np.diff(between) > 0.0).all()
    assert 21.0 <= between[0] < between[-1] <= 24.0


def test_rows_within_a_minute_are_thinned_and_changes_lie_between_rows() -> None:
    unit = hidden.shipped_unit("alder-single")
    n = 361
    seconds = 5.0 * np.arange(n)
    source = tuple("mains" if t < 600.0 else "battery" for t in seconds)
    log = Log(
        "x", hidden.START, seconds,
        {"air_c": np.full(n, 34.0), "ambient_c": np.full(n, 21.0), "air_set_c": np.full(n, 34.0)},
        {"source": source},
    )  # fmt: skip
    track = track_of(Observed(log), unit)
    assert track.blocks[0].values.size <= 1 + 1800 / 55
    assert track.grid_s[track.changes] == pytest.approx([597.5])
    assert track.room_s == pytest.approx([5.0])
    assert not track.on_battery[track.changes[0] - 1]
    assert track.on_battery[track.changes[0]]
    assert track.gave_out is None


def test_the_battery_gives_out_only_where_the_log_or_a_person_says_so() -> None:
    unit = hidden.shipped_unit("alder-single")
    ends = log_of(words={"source": ("battery",) * 20 + ("off",) * 11})
    stays = log_of(words={"source": ("battery",) * 31})
    assert track_of(Observed(ends), unit).gave_out is not None
    assert track_of(Observed(ends, gave_out=False), unit).gave_out is None
    assert track_of(Observed(stays), unit).gave_out is None
    assert track_of(Observed(stays, gave_out=True), unit).gave_out is not None
    assert any("given out" in note for note in track_of(Observed(ends), unit).notes)
