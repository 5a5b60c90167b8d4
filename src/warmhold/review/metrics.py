"""What a review counts: each figure with its numerator, denominator, exclusions and missing.

Definitions are written beside each figure, because services count the same words differently
(Leslie and Fenton 2012, Arch Dis Child FN 97:F77, verified abstract: no complete agreement in any
of ten scenarios). Babies cooled on purpose stand apart from the normal band. A transfer that
cannot be counted is counted as missing, and listed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from warmhold.review.columns import (
    NO,
    UNKNOWN,
    YES,
    Columns,
    Floats,
    Truths,
    Whole,
    both,
    is_above,
    is_below,
    is_between,
    is_not,
    truths,
)
from warmhold.review.rates import LARGEST, Interval, median, ninetieth, poisson, wilson
from warmhold.review.transfer import MOMENTS, EventClass, Transfer

Kind = Literal["share", "minutes", "rate"]

LOW_C: Final = 36.5  # normal band, WHO, verified in PMC4507863
HIGH_C: Final = 37.5
COLDER_C: Final = 36.0
COOLED_C: Final = (33.0, 34.0)  # Safer Care Victoria, therapeutic hypothermia page, verified
MOBILISED_MIN: Final = 60.0  # UK target for time-critical transfers, fn.bmj.com 99/Suppl_1/A25.2, V
RESPONDED_MIN: Final = 210.0  # the same source

INTERVALS: Final[tuple[tuple[str, str, str, str], ...]] = (
    ("mobilisation", "Mobilisation", "call", "departs"),
    ("response", "Response", "call", "arrives"),
    ("stabilisation", "Stabilisation", "arrives", "leaves"),
    ("journey", "Journey", "leaves", "at_hospital"),
    ("handover", "Handover", "at_bed", "handed_over"),
    ("turn-round", "Turn-round", "handed_over", "ready_again"),
)
CLASSES: Final[tuple[EventClass, ...]] = (
    "gas", "power", "heat", "monitor", "pump", "vehicle", "other",
)  # fmt: skip


@dataclass(frozen=True)
class Metric:
    """One figure of a review.

    value : a share of 1, minutes, or events per 1000 transfers; ``None`` when nothing was counted
    low, high : its 95 % interval
    numerator, denominator : what was counted, out of what; for minutes the denominator alone
    excluded, missing : transfers that do not belong, and those that could not be counted
    spread : for minutes the 90th centile with its interval
    counted, lost : keys of the transfers in the numerator, and of the missing ones
    """

    key: str
    title: str
    kind: Kind
    unit: str
    says: str
    excludes: str
    numerator: int
    denominator: int
    excluded: int
    missing: int
    value: float | None
    low: float | None
    high: float | None
    spread: tuple[float | None, float | None, float | None] | None = None
    counted: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()


def share(
    key: str, title: str, says: str, transfers: Columns, belongs: Truths, holds: Truths,
    excludes: str = "",
) -> Metric:  # fmt: skip
    """Count a share, with the Wilson interval.

    belongs : (transfers,) whether each is in the denominator; `UNKNOWN` is missing
    holds : (transfers,) whether it is in the numerator; `UNKNOWN` is missing
    """
    inside = belongs == YES
    lost = (belongs == UNKNOWN) | (inside & (holds == UNKNOWN))
    counted = inside & (holds == YES)
    part, whole = int(counted.sum()), int((inside & ~lost).sum())
    return Metric(
        key, title, "share", "%", says, excludes, part, whole, int((belongs == NO).sum()),
        int(lost.sum()), part / whole if whole else None, *_ends(wilson(part, whole)), None,
        transfers.keys_of(counted), transfers.keys_of(lost),
    )  # fmt: skip


def minutes(
    key: str, title: str, says: str, transfers: Columns, begin: str, end: str
) -> Metric:  # fmt: skip
    """Take the median and the 90th centile of a phase: times are skewed, and means mislead."""
    lengths = transfers.minutes(begin, end)
    return _of_lengths(key, title, "min", says, "", transfers, lengths, _all(transfers))


def _of_lengths(
    key: str, title: str, unit: str, says: str, excludes: str, transfers: Columns,
    lengths: Floats, belongs: Truths,
) -> Metric:  # fmt: skip
    """Take the median and the 90th centile of numbers, NaN where they are not known."""
    lost = (belongs == UNKNOWN) | ((belongs == YES) & np.isnan(lengths))
    known = lengths[(belongs == YES) & ~lost]
    middle, late = median(known), ninetieth(known)
    return Metric(
        key, title, "minutes", unit, says, excludes, len(known), len(known),
        int((belongs == NO).sum()), int(lost.sum()), middle.estimate, middle.lower, middle.upper,
        (late.estimate, late.lower, late.upper), (), transfers.keys_of(lost),
    )  # fmt: skip


def _ends(band: Interval) -> tuple[float | None, float | None]:
    return band.lower, band.upper


def _all(transfers: Columns) -> Truths:
    return np.full(len(transfers), YES, dtype=np.int8)


# --- temperature ---------------------------------------------------------------------------------

TEMPERATURES: Final = (
    "in-range", "cold", "colder", "hot", "inherited-cold", "lost", "regained", "cooled-in-range",
)  # fmt: skip


def not_cooled(transfers: Columns) -> Truths:
    """Whether each baby belongs to the normal band."""
    return is_not(transfers.truth("cooled"))


def temperature(
    transfers: Sequence[Transfer], keys: Sequence[str] = TEMPERATURES
) -> tuple[Metric, ...]:
    """Count how babies arrived: both tails, and babies cooled on purpose apart.

    keys : which of `TEMPERATURES`
    """
    every = Columns.of(transfers)
    return tuple(_TEMPERATURE[key](every) for key in keys)


_APART: Final = "babies cooled on purpose"
_AT_END: Final = "last axillary or rectal temperature up to the handover"


def _last(one: Columns) -> Floats:
    return one.temperature("last_temperature")[0]


def _first(one: Columns) -> Floats:
    return one.temperature("first_temperature")[0]


def _was_cold(one: Columns) -> Truths:
    return both(not_cooled(one), is_below(_first(one), LOW_C))


def _was_not_cold(one: Columns) -> Truths:
    return both(not_cooled(one), is_not(is_below(_first(one), LOW_C)))


def _last_rectal(one: Columns) -> Floats:
    value, _, site = one.temperature("last_temperature")
    return np.where(site == "rectal", value, np.nan)


def _cooled_in_range(every: Columns) -> Metric:
    cooled = every.some(every.truth("cooled") == YES)
    return share(
        "cooled-in-range", "Cooled on purpose, in range at the handover",
        f"last rectal temperature {COOLED_C[0]} to {COOLED_C[1]} °C, of all cooled with one",
        cooled, _all(cooled), is_between(_last_rectal(cooled), *COOLED_C),
    )  # fmt: skip


_TEMPERATURE: Final[dict[str, Callable[[Columns], Metric]]] = {
    "in-range": lambda one: share(
        "in-range", "Arrived in range", f"{_AT_END}, {LOW_C} to {HIGH_C} °C, of all with one",
        one, not_cooled(one), is_between(_last(one), LOW_C, HIGH_C), _APART),
    "cold": lambda one: share(
        "cold", "Arrived too cold", f"{_AT_END} below {LOW_C} °C, of all with one",
        one, not_cooled(one), is_below(_last(one), LOW_C), _APART),
    "colder": lambda one: share(
        "colder", "Arrived below 36.0 °C", f"{_AT_END} below {COLDER_C} °C, of all with one",
        one, not_cooled(one), is_below(_last(one), COLDER_C), _APART),
    "hot": lambda one: share(
        "hot", "Arrived too warm", f"{_AT_END} above {HIGH_C} °C, of all with one",
        one, not_cooled(one), is_above(_last(one), HIGH_C), _APART),
    "inherited-cold": lambda one: share(
        "inherited-cold", "Already cold when the team arrived",
        f"first temperature after arrival below {LOW_C} °C, of all with one",
        one, not_cooled(one), is_below(_first(one), LOW_C), _APART),
    "lost": lambda one: share(
        "lost", "Lost on the way",
        "in range or warmer when the team arrived and too cold at the handover, of those "
        "not cold at first", one, _was_not_cold(one), is_below(_last(one), LOW_C),
        f"{_APART}; cold at first"),
    "regained": lambda one: share(
        "regained", "Warmed on the way",
        "cold when the team arrived and in range at the handover, of those cold at first",
        one, _was_cold(one), is_between(_last(one), LOW_C, HIGH_C),
        f"{_APART}; not cold at first"),
    "cooled-in-range": _cooled_in_range,
}  # fmt: skip


def change_in_our_care(transfers: Sequence[Transfer]) -> Metric:
    """Take the median change from the first to the last temperature at one site, in kelvin."""
    every = Columns.of(transfers)
    first, first_at, first_site = every.temperature("first_temperature")
    last, last_at, last_site = every.temperature("last_temperature")
    held = (first_site == last_site) & (first_at < last_at)
    return _of_lengths(
        "change", "Change of temperature in our care", "K",
        "last temperature less the first after the team arrived, at the same site: median",
        _APART, every, np.where(held, last - first, np.nan), not_cooled(every),
    )  # fmt: skip


# --- time in target, phases, completeness, events ------------------------------------------------


def saturation(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Share the minutes read between in, below and above the saturation target.

    Says of how many transfers an imported trend was the evidence, and not single entries.
    """
    every = Columns.of(transfers)
    by_trend = sum(one.saturation is not None and one.saturation.source != "" for one in transfers)
    by_trends = f"; of {by_trend} by an imported trend" if by_trend else ""
    found = every.shares("saturation")
    known = ~np.isnan(found[:, 0])
    counted, lost = every.keys_of(known), every.keys_of(~known)
    *sums, gone = (float(part) for part in found[known].sum(axis=0))
    read = sum(sums)

    def one_of(key: str, title: str, part: float) -> Metric:
        return Metric(
            key, title, "share", "%",
            f"minutes of {read:.0f} that were read; {gone:.0f} minutes were not read{by_trends}",
            "",
            round(part), round(read), 0, len(lost), part / read if read > 0 else None, None, None,
            None, counted, lost,
        )  # fmt: skip

    return (
        one_of("saturation-in", "Saturation in target", sums[0]),
        one_of("saturation-below", "below it", sums[1]),
        one_of("saturation-above", "above it", sums[2]),
    )


def phases(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Time each phase, and count how many time-critical ones met the published targets."""
    every = Columns.of(transfers)
    critical = every.some(every.words("urgency") == "time-critical")
    lost = every.keys_of(every.lacks("urgency"))

    def within(begin: str, end: str, limit: float) -> Truths:
        length = critical.minutes(begin, end)
        return truths(length <= limit, ~np.isnan(length))

    timed = [
        minutes(key, title, f"{MOMENTS[begin]}, to: {MOMENTS[end]}; median", every, begin, end)
        for key, title, begin, end in INTERVALS
    ]
    counted = (
        share("mobilised", "Time-critical, mobilised within 60 min",
              "call to team departs at most 60 min, of time-critical transfers (published target, "
              "read in an audit's abstract)", critical, _all(critical),
              within("call", "departs", MOBILISED_MIN), "all that are not time-critical"),
        share("responded", "Time-critical, at the baby within 3.5 h",
              "call to first contact at most 210 min, of time-critical transfers (published "
              "target, read in an audit's abstract)", critical, _all(critical),
              within("call", "arrives", RESPONDED_MIN), "all that are not time-critical"),
    )  # fmt: skip
    also = (replace(m, missing=m.missing + len(lost), lost=m.lost + lost) for m in counted)
    return (*timed, *also)


def completeness(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Count what was done of what was due: the list before leaving, and regular sets."""
    every = Columns.of(transfers)

    def pooled(key: str, title: str, says: str, due: str, done: str) -> Metric:
        asked, given = every.number(due), every.number(done)
        unknown = np.isnan(asked) | np.isnan(given)
        whole = int(asked[~unknown].sum())
        part = int(np.minimum(given, asked)[~unknown].sum())
        ends = _ends(wilson(part, whole)) if whole <= LARGEST else (None, None)  # a hair's breadth
        lost = every.keys_of(unknown)
        return Metric(
            key, title, "share", "%", says, "", part, whole, 0, len(lost),
            part / whole if whole else None, *ends, None, (), lost,
        )  # fmt: skip

    return (
        pooled("checklist", "List before leaving, done",
               "items done of items due; left out with a reason counts as not done",
               "checks_due", "checks_done"),
        pooled("charting", "Regular sets of observations, present",
               "sets present of sets due", "sets_due", "sets_done"),
    )  # fmt: skip


def equipment(transfers: Sequence[Transfer], *, of_all: bool = False) -> tuple[Metric, ...]:
    """Count equipment events by class, per 1000 transfers, with exact Poisson intervals.

    of_all : all classes together alone
    """
    every = Columns.of(transfers)
    found = every.column("events", _events)
    unknown = found[:, 0] < 0
    known = int((~unknown).sum())
    lost = every.keys_of(unknown)
    out = []
    for kind in (None,) if of_all else (None, *CLASSES):
        counts = found[:, 0] if kind is None else found[:, 1 + CLASSES.index(kind)]
        counted = tuple(np.repeat(every.keys[~unknown], counts[~unknown]).tolist())
        band = poisson(len(counted), known / 1000.0)
        title = "Equipment events" if kind is None else f"of these, {kind}"
        out.append(
            Metric(
                f"events-{kind or 'all'}", title, "rate", "per 1000 transfers",
                "events per 1000 transfers of which it is known whether there was one", "",
                len(counted), known, 0, len(lost),
                band.estimate, *_ends(band), None, counted, lost,
            )
        )  # fmt: skip
    return tuple(out)


def _events(transfers: Sequence[Transfer]) -> Whole:
    """Count events of each transfer: of all classes, then of each; -1 where it is not known."""
    found = np.zeros((len(transfers), 1 + len(CLASSES)), dtype=np.int64)
    for row, one in enumerate(transfers):
        if one.events is None:
            found[row] = -1
        elif one.events:
            found[row, 0] = len(one.events)
            for event in one.events:
                found[row, 1 + CLASSES.index(event.kind)] += 1
    return found


# --- strata --------------------------------------------------------------------------------------

BY_GESTATION: Final[tuple[tuple[str, float, float], ...]] = (
    ("below 28 weeks", 0.0, 28.0), ("28 to 31 weeks", 28.0, 32.0), ("32 to 36 weeks", 32.0, 37.0),
    ("37 weeks and more", 37.0, 60.0),
)  # fmt: skip


def by_gestation(transfers: Sequence[Transfer]) -> dict[str, Columns]:
    """Part transfers by gestation; those of unknown gestation come last, by that name."""
    every = Columns.of(transfers)
    weeks = every.number("gestation_weeks")
    out = {name: (low <= weeks) & (weeks < high) for name, low, high in BY_GESTATION}
    out["gestation unknown"] = ~np.any(list(out.values()), axis=0)
    return {name: every.some(mask) for name, mask in out.items()}


def by(transfers: Sequence[Transfer], word: str) -> dict[str, Columns]:
    """Part transfers by a word, such as the unit or the team, in the order of their first ones.

    word : name of the attribute; those without one are in no part
    """
    every = Columns.of(transfers)
    words = every.words(word)
    known = dict.fromkeys(one for one in words.tolist() if one is not None)
    return {one: every.some(words == one) for one in known}
