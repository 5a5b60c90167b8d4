"""From logs and a profile to fitted numbers, what the data cannot tell, and what to do next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.constants import Constant
from warmhold.bench.fit.drive import SENSES, Model, Observed, model_of
from warmhold.bench.fit.errors import Scale
from warmhold.bench.fit.estimate import HALF_90, NUDGE, Estimate, Profile, estimate, profiles
from warmhold.bench.fit.lessons import Lesson, Matter, lessons, matters
from warmhold.model import Unit
from warmhold.science.air import CP_AIR, air_density_kg_m3
from warmhold.science.heat import outside_film_w_m2k
from warmhold.simulate import layout as at

Floats = NDArray[np.float64]

TOLD: Final = 0.8  # a number is told when its width falls to this share of the profile's
UNTOUCHED: Final = 0.98
FAR_SCORE: Final = 2.5
PAIR_SHARE: Final = 0.6  # a pair is told when its width falls to this share

State = Literal["told", "not told", "not touched"]


@dataclass(frozen=True)
class Range:
    """A value with its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Number:
    """One number of the unit before and after.

    width : of its score after the fit, over the profile's
    curve : values, and how much worse everything fits with the number held there
    """

    key: str
    title: str
    unit: str
    provenance: str
    before: Range
    after: Range
    width: float
    state: State
    score: float
    curve: tuple[tuple[float, float], ...]
    constant: Constant


@dataclass(frozen=True)
class Together:
    """A figure made of several numbers, which the logs may tell better than any of them."""

    title: str
    unit: str
    before: Range
    after: Range
    width: float


@dataclass(frozen=True)
class Residuals:
    """One channel of one log against the model.

    spread : standard deviation expected of one reading, noise, rounding and lasting together
    rms : of what is left
    """

    log: str
    channel: str
    title: str
    unit: str
    minutes: Floats
    read: Floats
    model: Floats
    spread: float
    rms: float


@dataclass(frozen=True)
class Source:
    """A log that went in."""

    name: str
    fingerprint: str
    start_utc: datetime
    minutes: float
    began: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Fitted:
    """All that a fit says.

    settled : whether the fit came to rest; if not, nothing is told
    pairs : sentences on what is told only of two numbers together
    notes : what a reader should know first
    """

    unit: Unit
    logs: tuple[Source, ...]
    numbers: tuple[Number, ...]
    together: tuple[Together, ...]
    pairs: tuple[str, ...]
    matters: tuple[Matter, ...]
    lessons: tuple[Lesson, ...]
    residuals: tuple[Residuals, ...]
    scales: tuple[tuple[str, Scale], ...]
    settled: bool
    notes: tuple[str, ...]
    estimate: Estimate

    @property
    def told(self) -> tuple[Number, ...]:
        """Numbers that the logs tell."""
        return tuple(one for one in self.numbers if one.state == "told")

    @property
    def best(self) -> Lesson:
        """The test that would teach most."""
        return self.lessons[0]


def characterise(
    observed: Sequence[Observed],
    unit: Unit,
    progress: Callable[[str, float], None] | None = None,
) -> Fitted:
    """Fit a unit's numbers to its logs.

    Parameters
    ----------
    observed : logs of this unit without a baby, at least one
    unit : its profile: values and spreads are what is known before
    progress : told the stage and the share done

    Returns
    -------
    A ``Fitted``.

    Raises ``ValueError`` without logs, ``UnfitLog`` when a log cannot drive the model.
    """
    if not observed:
        raise ValueError("a fit needs at least one log")
    model = model_of(unit, observed)
    found = estimate(model, progress)
    if progress is not None:
        progress("what the logs cannot tell", 0.5)
    shapes = profiles(found, range(len(model.constants)))
    numbers = tuple(
        _number(one, place, found, shape)
        for place, (one, shape) in enumerate(zip(model.constants, shapes, strict=True))
    )
    if progress is not None:
        progress("which test next", 0.8)
    about = matters(found)
    return Fitted(
        unit,
        tuple(
            Source(
                track.name, track.observed.log.fingerprint, track.observed.log.start_utc,
                float(track.grid_s[-1] / 60.0), track.began, (*track.observed.log.noticed,
                *track.notes),
            )
            for track in model.tracks
        ),
        numbers,
        _together(found),
        _pairs(found, numbers),
        about,
        lessons(found, about),
        _residuals(found),
        tuple(sorted(found.scales.items())),
        found.settled,
        _notes(found, observed, unit, numbers),
        found,
    )  # fmt: skip


def _number(one: Constant, place: int, found: Estimate, shape: Profile) -> Number:
    score, deviation = float(found.scores[place]), found.deviation(place)
    state: State = "told" if deviation <= TOLD and found.settled else "not told"
    if deviation >= UNTOUCHED * found.wider:
        state = "not touched"
    values = one.at_score(shape.scores)
    return Number(
        one.key, one.title, one.unit, one.provenance,
        Range(one.value, float(one.at_score(-HALF_90)), float(one.at_score(HALF_90))),
        Range(one.mean_and_spread(score, deviation)[0], float(one.at_score(shape.low)),
              float(one.at_score(shape.high))),
        deviation, state, score,
        tuple((float(v), float(d)) for v, d in zip(values, shape.deviance, strict=True)),
        one,
    )  # fmt: skip


# --- figures made of several numbers -----------------------------------------------------------


def loss_w_k(v: Floats) -> Floats:
    """Heat lost per kelvin between hood air and still surroundings, at rest, (rows,) [W/K]."""
    film = float(outside_film_w_m2k(0.1))
    area = v[:, at.WALL_AREA]
    between = np.where(
        v[:, at.IS_DOUBLE] > 0.5, 1.0 / (area * v[:, at.WALL_GAP]), v[:, at.WALL_RESISTANCE] / area
    )
    wall = 1.0 / (1.0 / v[:, at.G_AIR_WALL] + between + 1.0 / (area * film))
    deck = 1.0 / (1.0 / v[:, at.G_AIR_DECK] + 1.0 / v[:, at.G_DECK_AMBIENT])
    fresh = float(air_density_kg_m3(30.0, 101.325)) * CP_AIR * v[:, at.FRESH]
    return np.asarray(wall + deck + fresh)


_FIGURES: tuple[tuple[str, str, Callable[[Floats], Floats]], ...] = (
    ("heat lost per kelvin, hood closed", "W/K", loss_w_k),
    ("heater power over loss: highest rise on mains", "K",
     lambda v: (v[:, at.HEATER_W] + v[:, at.FAN_HEAT_W]) / loss_w_k(v)),
    ("heater power over loss: highest rise on the battery", "K",
     lambda v: (v[:, at.HEATER_BATTERY_W] + v[:, at.FAN_HEAT_W]) / loss_w_k(v)),
    ("heat capacity of everything that warms up", "J/K",
     lambda v: v[:, at.C_AIR] + v[:, at.C_WALL] + v[:, at.C_DECK] + v[:, at.C_HEATER]
     + v[:, at.IS_DOUBLE] * v[:, at.C_OUTER]),
    ("power from the socket at full heat", "W",
     lambda v: (v[:, at.HEATER_W] + v[:, at.ELECTRONICS_W]) / v[:, at.SUPPLY_EFFICIENCY]),
    ("power from the battery at full heat", "W",
     lambda v: (v[:, at.HEATER_BATTERY_W] + v[:, at.ELECTRONICS_W])
     / v[:, at.BATTERY_EFFICIENCY]),
)  # fmt: skip


def _together(found: Estimate) -> tuple[Together, ...]:
    model = found.model
    n = len(model.constants)
    out = []
    for title, unit, of in _FIGURES:
        first, slope_before = _slope(model, np.zeros_like(found.scores), of)
        value, slope = _slope(model, found.scores, of)
        before = float(np.sqrt(slope_before @ slope_before))
        after = float(np.sqrt(slope @ found.covariance[:n, :n] @ slope))
        out.append(
            Together(title, unit, _spread(first, before), _spread(value, after), after / before)
        )
    return tuple(out)


def _slope(model: Model, z: Floats, of: Callable[[Floats], Floats]) -> tuple[float, Floats]:
    n = len(model.constants)
    rows = np.tile(z, (2 * n + 1, 1))
    rows[np.arange(1, n + 1), np.arange(n)] += NUDGE
    rows[np.arange(n + 1, 2 * n + 1), np.arange(n)] -= NUDGE
    size = np.log(of(model.values(rows)))
    return float(np.exp(size[0])), (size[1 : n + 1] - size[n + 1 :]) / (2.0 * NUDGE)


def _spread(value: float, deviation: float) -> Range:
    wide = float(np.exp(HALF_90 * deviation))
    return Range(value, value / wide, value * wide)


def _pairs(found: Estimate, numbers: Sequence[Number]) -> tuple[str, ...]:
    """Products and quotients that are told much better than either of their parts."""
    rows = [i for i, one in enumerate(numbers) if one.width > PAIR_SHARE]
    cov = found.covariance
    seen: list[tuple[float, str]] = []
    for a, i in enumerate(rows):
        for j in rows[a + 1 :]:
            # a share's spread over its value is what its logarithm moves by
            wi, wj = (_log_width(numbers[k].constant) for k in (i, j))
            for sign, word in ((1.0, "the product of"), (-1.0, "the quotient of")):
                after = wi**2 * cov[i, i] + wj**2 * cov[j, j] + 2 * sign * wi * wj * cov[i, j]
                width = float(np.sqrt(after / (wi**2 + wj**2)))
                least = min(numbers[i].width, numbers[j].width)
                if width <= PAIR_SHARE and width < 0.75 * least:
                    percent = 100.0 * HALF_90 * float(np.sqrt(after))
                    seen.append(
                        (width, f"{word} “{numbers[i].title}” and “{numbers[j].title}” is told "
                         f"to within {percent:.0f} % (90 %), neither of them as well alone")
                    )  # fmt: skip
    return tuple(text for _, text in sorted(seen)[:5])


def _log_width(one: Constant) -> float:
    return one.spread / one.value if one.kind == "share" else one.width


# --- readings against the model -------------------------------------------------------------------


def _residuals(found: Estimate) -> tuple[Residuals, ...]:
    out = []
    for track, blocks, predicted in zip(
        found.model.tracks, found.blocks, found.predicted, strict=True
    ):
        for block, values in zip(blocks, predicted, strict=True):
            if block.channel == "gave_out":
                continue
            scale = found.scales[block.channel]
            spread = float(np.sqrt(scale.noise**2 + scale.lasting**2 + block.step**2 / 12.0))
            left = block.values - values
            sense = SENSES[block.channel]
            out.append(
                Residuals(
                    track.name, block.channel, sense.title, sense.unit, block.minutes,
                    block.values, values, spread, float(np.sqrt(np.mean(left * left))),
                )
            )  # fmt: skip
    return tuple(out)


def _notes(
    found: Estimate, observed: Sequence[Observed], unit: Unit, numbers: Sequence[Number]
) -> tuple[str, ...]:
    notes = []
    if not found.settled:
        notes.append(
            "The fit did not come to rest, so nothing is told. Check that the logs are of this "
            "unit and that source, setting and openings are right."
        )
    other = sorted({one.log.unit for one in observed if one.log.unit} - {unit.name})
    if other:
        notes.append(
            f"The logs name {', '.join(other)}; the profile is of {unit.name}. Check that they "
            "belong together."
        )
    far = [one for one in numbers if abs(one.score) > FAR_SCORE]
    if far:
        notes.append(
            "Far from what the profile thought likely: "
            + ", ".join(one.title for one in far)
            + ". Check the logs and the unit before believing it."
        )
    if found.wider > 1.2:
        notes.append(
            "The unit lies further from its profile than the profile's spreads allow. Here they "
            f"are taken {found.wider:g} times as wide; in the file, those that are not told stay "
            "as they were and deserve a second look."
        )
    if found.left_out:
        notes.append(
            f"{found.left_out} readings were too far from everything else and were left out."
        )
    for name, scale in sorted(found.scales.items()):
        if scale.lasting >= 3.0 * SENSES[name].lasting > 0.0:
            notes.append(
                f"The model follows the {SENSES[name].title} only to within about "
                f"{scale.lasting:.2g} {SENSES[name].unit} over minutes; the intervals are wider "
                "for it."
            )
    if all(track.gave_out is None for track in found.model.tracks):
        notes.append("No log runs the battery down to its end, so its energy is not measured.")
    return tuple(notes)
