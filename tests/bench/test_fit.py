"""The fit against hidden numbers, against SciPy, and against its own promises."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.optimize import least_squares

from bench import hidden
from bench.fitted import known
from warmhold.bench.fit import Fitted, Observed, UnfitLog, characterise
from warmhold.bench.fit.characterise import loss_w_k
from warmhold.bench.fit.constants import fixed_values
from warmhold.bench.fit.drive import driven, model_of
from warmhold.bench.fit.errors import Piece, Scale, expected_scales, found_scales, whitener
from warmhold.bench.fit.estimate import (
    HALF_90,
    Estimate,
    _pieces,
    costs_of,
    profiles,
)
from warmhold.bench.fit.foretell import foretell, held_of
from warmhold.bench.fit.lessons import made_up, matters
from warmhold.simulate import layout as at

SETS = 3


@cache
def cold_only() -> Fitted:
    """A fit of the cold start alone."""
    one = known()
    return characterise([Observed(one.logs[0])], one.unit)


def held(seed: int) -> tuple[list[bool], list[bool]]:
    """Whether each interval holds its number: all, and those that are told."""
    one = known(seed=seed)
    inside = [n.after.low <= one.truth[n.key] <= n.after.high for n in one.fitted.numbers]
    told = [ok for ok, n in zip(inside, one.fitted.numbers, strict=True) if n.state == "told"]
    return inside, told


def test_intervals_hold_hidden_numbers_at_about_their_rate() -> None:
    """Three sets of three logs; the full count of 200 sets is benchmarks/characterise.py.

    With the rate at 90 % and 84 numbers (which are not independent within a set), between 80
    and 99 % is what chance allows.
    """
    rows = [held(seed) for seed in range(101, 101 + SETS)]
    inside = [ok for row, _ in rows for ok in row]
    told = [ok for _, row in rows for ok in row]
    assert len(told) > 15 * SETS
    assert 0.80 <= np.mean(inside) <= 0.99
    assert 0.78 <= np.mean(told) <= 0.99


def test_the_fit_settles_and_residuals_look_like_their_errors() -> None:
    fitted = known().fitted
    assert fitted.settled
    for one in fitted.residuals:
        assert one.rms < 1.8 * one.spread
        inside = np.abs(one.read - one.model) <= HALF_90 * one.spread
        if inside.size > 30:
            assert inside.mean() > 0.75


def small() -> Estimate:
    """The estimate behind it."""
    return cold_only().estimate


def test_scipy_finds_no_better_place() -> None:
    """SciPy's trust-region least squares on the same residuals, from another start."""
    found = small()
    model = found.model
    blocks = model.tracks[0].blocks
    whites = [whitener(b, found.scales[b.channel])[0] for b in blocks]

    def rest(z: np.ndarray) -> np.ndarray:
        values = model.predict(0, z[None])
        parts = [w @ (b.values - v[0]) for w, b, v in zip(whites, blocks, values, strict=True)]
        return np.concatenate([*parts, np.sqrt(found.prior) * z])

    def slope(z: np.ndarray) -> np.ndarray:
        pieces = _pieces(model, z, central=True)[0]
        parts = []
        for white, piece in zip(whites, pieces, strict=True):
            part = np.zeros((piece.left.size, z.size))
            part[:, piece.active] = -(white @ piece.slope)
            parts.append(part)
        return np.concatenate([*parts, np.diag(np.sqrt(found.prior))])

    start = 0.3 * np.random.default_rng(1).standard_normal(model.count)
    other = least_squares(rest, start, jac=slope, xtol=1e-8, max_nfev=30)
    assert found.cost <= 2.0 * other.cost + 0.05
    n = len(model.constants)
    sizes = np.sqrt(np.diag(found.covariance))[:n]
    assert (np.abs(other.x - found.scores)[:n] < 0.15 * sizes + 0.01).all()


def test_a_profile_is_what_refitting_with_the_number_held_gives() -> None:
    found = small()
    place = [one.key for one in found.model.constants].index("hood.air_wall_w_k")
    (shape,) = profiles(found, [place])
    whites = [whitener(b, found.scales[b.channel])[0] for b in found.blocks[0]]
    free = np.delete(np.arange(found.scores.size), place)
    z = found.scores.copy()
    z[place] = shape.scores[0]
    for _ in range(6):  # Gauss-Newton on the others with fresh slopes
        pieces = _pieces(found.model, z, central=False)[0]
        a, g = np.diag(found.prior), -found.prior * z
        for white, piece in zip(whites, pieces, strict=True):
            j, e = white @ piece.slope, white @ piece.left
            a[np.ix_(piece.active, piece.active)] += j.T @ j
            g[piece.active] += j.T @ e
        z[free] += np.linalg.solve(a[np.ix_(free, free)], g[free])
    least = float(costs_of(found.model, z[None], found.scales, found.prior)[0]) - found.cost
    assert shape.deviance[0] == pytest.approx(least, abs=0.15)
    assert shape.low < found.scores[place] < shape.high


def test_what_the_log_cannot_tell_stays_with_the_profile() -> None:
    """A cold start on mains says nothing of the battery or an opening."""
    fitted = cold_only()
    by_key = {n.key: n for n in fitted.numbers}
    for key in ("battery.cold", "hood.port_exchange_lps", "power.heater_on_battery_w"):
        number = by_key[key]
        assert number.state == "not touched"
        assert number.score == pytest.approx(0.0, abs=0.05)
        assert number.after.value == pytest.approx(number.before.value, rel=0.02)
    assert by_key["battery.health"].state != "told"
    assert any("battery" in note for note in fitted.notes)
    assert by_key["control.integral_min"].state == "told"


def test_combinations_are_told_better_than_their_parts() -> None:
    one = known()
    fitted = one.fitted
    loss = next(row for row in fitted.together if row.unit == "W/K")
    parts = {n.key: n.width for n in fitted.numbers}
    assert loss.width < parts["hood.fresh_air_lpm"]
    assert loss.width < parts["hood.wall_area_m2"]
    truth = float(loss_w_k(one.values[None])[0])
    assert 0.9 * loss.after.low < truth < 1.1 * loss.after.high


def test_loss_is_what_the_model_settles_to() -> None:
    """The figure in W/K is the heat that the hood takes to hold its air, over the difference."""
    for name in ("alder-single", "rowan-double"):
        unit = hidden.shipped_unit(name)
        track = made_up(unit, 20.0, ((600, "mains", 30.0, "closed"),), 30.0, ("supply_w",))
        v = fixed_values(unit)[None]
        ran = driven(track, v, np.zeros(1), {})
        heat = float(ran.heater_w[0, -1] + v[0, at.FAN_HEAT_W])
        assert heat / float(ran.air_c[0, -1] - 20.0) == pytest.approx(
            float(loss_w_k(v)[0]), rel=0.02
        )


def test_a_stray_reading_is_left_out_and_told() -> None:
    one = known()
    log = one.logs[0]
    wall = log.numbers["wall_c"].copy()
    good = np.flatnonzero(np.isfinite(wall))[20]
    wall[good] = 93.0
    spoilt = replace(log, numbers={**log.numbers, "wall_c": wall}, unit="Other unit")
    fitted = characterise([Observed(spoilt)], one.unit)
    assert fitted.estimate.left_out >= 1
    assert any("left out" in note for note in fitted.notes)
    for a, b in zip(fitted.numbers, cold_only().numbers, strict=True):
        assert abs(a.score - b.score) < 0.35
    # and a log that names another unit is noticed
    assert any("Other unit" in note for note in fitted.notes)


def test_no_logs_and_unfit_logs_are_refused() -> None:
    one = known()
    with pytest.raises(ValueError, match="at least one"):
        characterise([], one.unit)
    log = one.logs[0]
    without = {k: v for k, v in log.numbers.items() if k != "ambient_c"}
    with pytest.raises(UnfitLog, match="ambient"):
        characterise([Observed(replace(log, numbers=without))], one.unit)


def test_a_profile_that_is_too_sure_of_itself_is_found_out() -> None:
    """A hidden unit 2.2 times further out: the profile's spreads are widened, and it is said."""
    unit = hidden.shipped_unit("alder-single")
    rng = np.random.default_rng(12)
    instruments = hidden.Instruments()
    values, truth = hidden.hidden_values(unit, rng, 2.2)
    offsets = hidden.shared_offsets(rng, instruments)
    logs = [hidden.simulated(unit, values, t, rng, instruments, offsets) for t in hidden.USUAL]
    fitted = characterise([Observed(log) for log in logs], unit)
    assert fitted.estimate.wider >= 1.5
    assert any("times as wide" in note for note in fitted.notes)
    untouched = next(n for n in fitted.numbers if n.key == "hood.front_exchange_lps")
    assert untouched.state == "not touched"
    assert untouched.width == pytest.approx(fitted.estimate.wider, rel=0.05)
    inside = [n.after.low <= truth[n.key] <= n.after.high for n in fitted.numbers]
    assert np.mean(inside) > 0.7
    assert known().fitted.estimate.wider <= 1.3


# --- errors ------------------------------------------------------------------------------------


def test_noise_and_lasting_error_are_read_off_the_logs() -> None:
    """Residuals made with known sizes give these sizes back within a step of the search."""
    one = known()
    model = model_of(one.unit, [Observed(one.logs[0])])
    z = np.zeros(model.count)
    rng = np.random.default_rng(8)
    made = {"air_c": Scale(0.05, 0.3), "wall_c": Scale(0.2, 0.08)}
    pieces = []
    for piece in _pieces(model, z, central=False)[0]:
        if piece.block.channel in made:
            block = replace(piece.block, step=0.0)
            white, _ = whitener(block, made[block.channel])
            left = np.linalg.solve(white, rng.standard_normal(block.values.size))
            pieces.append(Piece(block, left, piece.active, piece.slope))
    found = found_scales(pieces, expected_scales(tuple(made)), z, np.ones(z.size))
    assert found["air_c"].lasting == pytest.approx(0.3, rel=0.75)
    assert found["air_c"].noise == pytest.approx(0.05, rel=0.6)
    assert found["wall_c"].noise == pytest.approx(0.2, rel=0.5)


def test_whitening_undoes_its_own_covariance() -> None:
    block = replace(small_block(), step=0.1)
    scale = Scale(0.05, 0.2)
    white, size = whitener(block, scale)
    apart = np.abs(block.minutes[:, None] - block.minutes[None, :])
    cov = 0.2**2 * np.exp(-apart / 10.0) + np.eye(apart.shape[0]) * (0.05**2 + 0.01 / 12)
    assert white @ cov @ white.T == pytest.approx(np.eye(apart.shape[0]), abs=1e-8)
    assert size == pytest.approx(np.linalg.slogdet(cov)[1])


def small_block():  # type: ignore[no-untyped-def]
    return known().fitted.estimate.model.tracks[1].blocks[0]


# --- what matters, and which test next ----------------------------------------------------------


def test_the_figures_of_plans_narrow_and_hold() -> None:
    for seed in (101, 102):
        one = known(seed=seed)
        fitted = one.fitted
        for matter in fitted.matters:
            assert matter.spread < 0.6 * matter.before
            assert matter.low < matter.value < matter.high
        truth = true_matters(one)
        for matter in fitted.matters:
            off = np.log(truth[matter.key] / matter.value) / matter.spread
            assert abs(off) < 3.5


def true_matters(one) -> dict[str, float]:  # type: ignore[no-untyped-def]
    found = one.fitted.estimate
    scores = found.scores.copy()
    for place, constant in enumerate(found.model.constants):
        scores[place] = hidden.score_of(constant, one.truth[constant.key])
    return {m.key: m.value for m in matters(replace(found, scores=scores))}


def test_the_run_down_is_advised_when_only_the_hood_is_known() -> None:
    """After a cold start alone, the battery is what a plan knows least."""
    fitted = cold_only()
    assert fitted.best.key == "run-down"
    battery = [m.key for m in fitted.matters].index("battery")
    assert fitted.best.spreads[battery] < 0.6 * fitted.matters[battery].spread
    assert all(a.worth >= b.worth for a, b in zip(fitted.lessons, fitted.lessons[1:], strict=False))
    assert all(lesson.minutes <= 45 for lesson in fitted.lessons)


def test_the_advised_test_teaches_about_what_it_promised() -> None:
    """Doing the advised run-down narrows the time on battery by about what was foretold."""
    one = known()
    before = cold_only()
    after = characterise([Observed(log) for log in one.logs[:2]], one.unit)
    place = [m.key for m in before.matters].index("battery")
    promised = before.best.spreads[place]
    assert after.matters[place].spread == pytest.approx(promised, rel=0.35)


# --- a log kept back -----------------------------------------------------------------------------


def test_a_log_foretold_by_the_true_unit_lies_in_its_bands() -> None:
    one = known()
    log = hidden.simulated(
        one.unit, one.values, hidden.HELD_OUT, np.random.default_rng(77), hidden.Instruments(),
        one.offsets,
    )  # fmt: skip
    found = foretell(one.unit, Observed(log), 100)
    assert held_of(found) > 0.8
    assert {band.channel for band in found} >= {"air_c", "wall_c", "heater_percent"}
