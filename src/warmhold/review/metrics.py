"""What a review counts: each figure with its numerator, denominator, exclusions and missing.

Definitions are written beside each figure, because services count the same words differently
(Leslie and Fenton 2012, Arch Dis Child FN 97:F77, verified abstract: no complete agreement in any
of ten scenarios). Babies cooled on purpose stand apart from the normal band. A transfer that
cannot be counted is counted as missing, and listed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from warmhold.review.rates import LARGEST, Interval, median, ninetieth, poisson, wilson
from warmhold.review.transfer import MOMENTS, EventClass, Transfer

Kind = Literal["share", "minutes", "rate"]
Truth = bool | None  # None: not known

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
    key: str, title: str, says: str, transfers: Iterable[Transfer],
    belongs: Callable[[Transfer], Truth], holds: Callable[[Transfer], Truth], excludes: str = "",
) -> Metric:  # fmt: skip
    """Count a share, with the Wilson interval.

    belongs : whether a transfer is in the denominator; ``None`` is missing
    holds : whether it is in the numerator; ``None`` is missing
    """
    counted: list[str] = []
    lost: list[str] = []
    whole = excluded = 0
    for one in transfers:
        inside = belongs(one)
        found = holds(one) if inside else None
        if inside is False:
            excluded += 1
        elif inside is None or found is None:
            lost.append(one.key)
        else:
            whole += 1
            if found:
                counted.append(one.key)
    band = wilson(len(counted), whole)
    return Metric(
        key, title, "share", "%", says, excludes, len(counted), whole, excluded, len(lost),
        len(counted) / whole if whole else None, *_ends(band), None, tuple(counted), tuple(lost),
    )  # fmt: skip


def minutes(
    key: str, title: str, says: str, transfers: Iterable[Transfer], begin: str, end: str,
    belongs: Callable[[Transfer], Truth] = lambda _one: True, excludes: str = "",
) -> Metric:  # fmt: skip
    """Take the median and the 90th centile of a phase: times are skewed, and means mislead."""
    lengths: list[float] = []
    lost: list[str] = []
    excluded = 0
    for one in transfers:
        inside = belongs(one)
        length = one.minutes(begin, end) if inside else None
        if inside is False:
            excluded += 1
        elif inside is None or length is None:
            lost.append(one.key)
        else:
            lengths.append(length)
    return _of_lengths(key, title, "min", says, excludes, lengths, excluded, tuple(lost))


def _of_lengths(
    key: str, title: str, unit: str, says: str, excludes: str, lengths: Sequence[float],
    excluded: int, lost: tuple[str, ...],
) -> Metric:  # fmt: skip
    middle, late = median(lengths), ninetieth(lengths)
    return Metric(
        key, title, "minutes", unit, says, excludes, len(lengths), len(lengths), excluded,
        len(lost), middle.estimate, middle.lower, middle.upper,
        (late.estimate, late.lower, late.upper), (), lost,
    )  # fmt: skip


def _ends(band: Interval) -> tuple[float | None, float | None]:
    return band.lower, band.upper


# --- temperature ---------------------------------------------------------------------------------


def not_cooled(one: Transfer) -> Truth:
    """Whether a baby belongs to the normal band."""
    return None if one.cooled is None else not one.cooled


def _last(one: Transfer) -> float | None:
    found = one.last_temperature
    return None if found is None else found.value_c


def _first(one: Transfer) -> float | None:
    found = one.first_temperature
    return None if found is None else found.value_c


def _between(value: float | None, low: float, high: float) -> Truth:
    return None if value is None else low <= value <= high


def _below(value: float | None, low: float) -> Truth:
    return None if value is None else value < low


def _above(value: float | None, high: float) -> Truth:
    return None if value is None else value > high


def temperature(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Count how babies arrived: both tails, and babies cooled on purpose apart."""
    apart = "babies cooled on purpose"
    at_end = "last axillary or rectal temperature up to the handover"
    cooled = [one for one in transfers if one.cooled]
    return (
        share("in-range", "Arrived in range", f"{at_end}, {LOW_C} to {HIGH_C} °C, of all with one",
              transfers, not_cooled, lambda one: _between(_last(one), LOW_C, HIGH_C), apart),
        share("cold", "Arrived too cold", f"{at_end} below {LOW_C} °C, of all with one",
              transfers, not_cooled, lambda one: _below(_last(one), LOW_C), apart),
        share("colder", "of these, below 36.0 °C", f"{at_end} below {COLDER_C} °C, of all with one",
              transfers, not_cooled, lambda one: _below(_last(one), COLDER_C), apart),
        share("hot", "Arrived too warm", f"{at_end} above {HIGH_C} °C, of all with one",
              transfers, not_cooled, lambda one: _above(_last(one), HIGH_C), apart),
        share("inherited-cold", "Already cold when the team arrived",
              f"first temperature after arrival below {LOW_C} °C, of all with one",
              transfers, not_cooled, lambda one: _below(_first(one), LOW_C), apart),
        share("lost", "Lost on the way",
              "in range or warmer when the team arrived and too cold at the handover, of those "
              "not cold at first", transfers, _was_not_cold,
              lambda one: _below(_last(one), LOW_C), f"{apart}; cold at first"),
        share("regained", "Warmed on the way",
              "cold when the team arrived and in range at the handover, of those cold at first",
              transfers, _was_cold, lambda one: _between(_last(one), LOW_C, HIGH_C),
              f"{apart}; not cold at first"),
        share("cooled-in-range", "Cooled on purpose, in range at the handover",
              f"last rectal temperature {COOLED_C[0]} to {COOLED_C[1]} °C, of all cooled with one",
              cooled, lambda _one: True, lambda one: _between(_last_rectal(one), *COOLED_C)),
    )  # fmt: skip


def _last_rectal(one: Transfer) -> float | None:
    found = one.last_temperature
    return None if found is None or found.site != "rectal" else found.value_c


def _was_cold(one: Transfer) -> Truth:
    return _both(not_cooled(one), _below(_first(one), LOW_C))


def _was_not_cold(one: Transfer) -> Truth:
    cold = _below(_first(one), LOW_C)
    return _both(not_cooled(one), None if cold is None else not cold)


def _both(first: Truth, second: Truth) -> Truth:
    if first is False or second is False:
        return False
    return None if first is None or second is None else True


def change_in_our_care(transfers: Iterable[Transfer]) -> Metric:
    """Take the median change from the first to the last temperature at one site, in kelvin."""
    changes: list[float] = []
    lost: list[str] = []
    excluded = 0
    for one in transfers:
        first, last = one.first_temperature, one.last_temperature
        if one.cooled:
            excluded += 1
        elif (
            one.cooled is None or first is None or last is None
            or first.site != last.site or first.at >= last.at
        ):  # fmt: skip
            lost.append(one.key)
        else:
            changes.append(last.value_c - first.value_c)
    return _of_lengths(
        "change", "Change of temperature in our care", "K",
        "last temperature less the first after the team arrived, at the same site: median",
        "babies cooled on purpose", changes, excluded, tuple(lost),
    )  # fmt: skip


# --- time in target, phases, completeness, events ------------------------------------------------


def saturation(transfers: Iterable[Transfer]) -> tuple[Metric, ...]:
    """Share the minutes read between in, below and above the saturation target."""
    inside = below = above = unread = 0.0
    counted: list[str] = []
    lost: list[str] = []
    for one in transfers:
        found = one.saturation
        if found is None:
            lost.append(one.key)
            continue
        counted.append(one.key)
        inside += found.inside_min
        below += found.below_min
        above += found.above_min
        unread += found.unread_min
    read = inside + below + above

    def one_of(key: str, title: str, part: float) -> Metric:
        return Metric(
            key, title, "share", "%",
            f"minutes of {read:.0f} that were read; {unread:.0f} minutes were not read", "",
            round(part), round(read), 0, len(lost), part / read if read > 0 else None, None, None,
            None, tuple(counted), tuple(lost),
        )  # fmt: skip

    return (
        one_of("saturation-in", "Saturation in target", inside),
        one_of("saturation-below", "below it", below),
        one_of("saturation-above", "above it", above),
    )


def phases(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Time each phase, and count how many time-critical ones met the published targets."""
    critical = [one for one in transfers if one.urgency == "time-critical"]
    unknown = [one for one in transfers if one.urgency is None]

    def within(begin: str, end: str, limit: float) -> Callable[[Transfer], Truth]:
        def met(one: Transfer) -> Truth:
            length = one.minutes(begin, end)
            return None if length is None else length <= limit

        return met

    timed = [
        minutes(key, title, f"{MOMENTS[begin]}, to: {MOMENTS[end]}; median", transfers, begin, end)
        for key, title, begin, end in INTERVALS
    ]
    counted = (
        share("mobilised", "Time-critical, mobilised within 60 min",
              "call to team departs at most 60 min, of time-critical transfers (published target, "
              "read in an audit's abstract)", critical, lambda _one: True,
              within("call", "departs", MOBILISED_MIN), "all that are not time-critical"),
        share("responded", "Time-critical, at the baby within 3.5 h",
              "call to first contact at most 210 min, of time-critical transfers (published "
              "target, read in an audit's abstract)", critical, lambda _one: True,
              within("call", "arrives", RESPONDED_MIN), "all that are not time-critical"),
    )  # fmt: skip
    lost = tuple(one.key for one in unknown)
    also = (replace(m, missing=m.missing + len(lost), lost=m.lost + lost) for m in counted)
    return (*timed, *also)


def completeness(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Count what was done of what was due: the list before leaving, and regular sets."""

    def pooled(key: str, title: str, says: str, due: str, done: str) -> Metric:
        lost, whole, part = [], 0, 0
        for one in transfers:
            asked, given = getattr(one, due), getattr(one, done)
            if asked is None or given is None:
                lost.append(one.key)
            else:
                whole += asked
                part += min(given, asked)
        ends = _ends(wilson(part, whole)) if whole <= LARGEST else (None, None)  # a hair's breadth
        return Metric(
            key, title, "share", "%", says, "", part, whole, 0, len(lost),
            part / whole if whole else None, *ends, None, (), tuple(lost),
        )  # fmt: skip

    return (
        pooled("checklist", "List before leaving, done",
               "items done of items due; left out with a reason counts as not done",
               "checks_due", "checks_done"),
        pooled("charting", "Regular sets of observations, present",
               "sets present of sets due", "sets_due", "sets_done"),
    )  # fmt: skip


def equipment(transfers: Sequence[Transfer]) -> tuple[Metric, ...]:
    """Count equipment events by class, per 1000 transfers, with exact Poisson intervals."""
    known = [one for one in transfers if one.events is not None]
    lost = tuple(one.key for one in transfers if one.events is None)
    out = []
    for kind in (None, *CLASSES):
        counted = [
            one.key for one in known for event in one.events or () if kind in {None, event.kind}
        ]
        band = poisson(len(counted), len(known) / 1000.0)
        title = "Equipment events" if kind is None else f"of these, {kind}"
        out.append(
            Metric(
                f"events-{kind or 'all'}", title, "rate", "per 1000 transfers",
                "events per 1000 transfers of which it is known whether there was one", "",
                len(counted), len(known), 0, len(lost),
                band.estimate, *_ends(band), None, tuple(counted), lost,
            )
        )  # fmt: skip
    return tuple(out)


# --- strata --------------------------------------------------------------------------------------

BY_GESTATION: Final[tuple[tuple[str, float, float], ...]] = (
    ("below 28 weeks", 0.0, 28.0), ("28 to 31 weeks", 28.0, 32.0), ("32 to 36 weeks", 32.0, 37.0),
    ("37 weeks and more", 37.0, 60.0),
)  # fmt: skip


def by_gestation(transfers: Sequence[Transfer]) -> dict[str, list[Transfer]]:
    """Part transfers by gestation; those of unknown gestation come last, by that name."""
    out: dict[str, list[Transfer]] = {name: [] for name, _, _ in BY_GESTATION}
    out["gestation unknown"] = []
    for one in transfers:
        weeks = one.gestation_weeks
        for name, low, high in BY_GESTATION:
            if weeks is not None and low <= weeks < high:
                out[name].append(one)
                break
        else:
            out["gestation unknown"].append(one)
    return out


def by(transfers: Iterable[Transfer], key: Callable[[Transfer], str]) -> dict[str, list[Transfer]]:
    """Part transfers by any word, such as the unit or the team."""
    out: dict[str, list[Transfer]] = {}
    for one in transfers:
        out.setdefault(key(one), []).append(one)
    return out
