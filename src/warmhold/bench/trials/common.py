"""What all bench tests share: the bench they stand on, conditions, budgets, judging."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from warmhold.bench.limits import Limit, LimitSet
from warmhold.bench.log import NUMBERS, Log
from warmhold.bench.reading.entered import Entered
from warmhold.bench.reading.reader import Instrument
from warmhold.bench.trials.result import (
    Condition,
    Judged,
    Level,
    Line,
    Measured,
    Met,
    Result,
    Trace,
    conclude,
)
from warmhold.bench.trials.series import Lack, Piece, clock, piece, read_at, thinned
from warmhold.bench.uncertainty import (
    Bound,
    Budget,
    Part,
    Rule,
    coarse,
    decide,
    from_certificate,
    holds,
    rectangular,
    repeatability,
    resolution,
)
from warmhold.model.unit import Unit

LONGEST_GAP_S = 150.0  # readings at most a minute apart, one missing let pass (own choice)
SET_NEAR_C = 0.05  # a setting is read off a display: only rounding
_UNIT_STEPS = {
    "air_shown_c": "air_display_c",
    "skin_shown_c": "skin_display_c",
    "air_set_c": "air_set_c",
    "skin_set_c": "skin_set_c",
}


@dataclass(frozen=True)
class Bench:
    """What a test is judged from.

    log : what was measured
    limits : the one set of limits
    instruments : what measured each channel; a channel without has no known uncertainty
    entered : what a person entered beside the log
    unit : the unit's file, when there is one
    rule : how near to a limit a pass may be
    from_min, to_min : part of the log to look at, minutes since its first row; all of it when
        ``None``
    gap_s : longest time without a reading that is let pass [s]
    """

    log: Log
    limits: LimitSet
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    entered: Entered = field(default_factory=Entered)
    unit: Unit | None = None
    rule: Rule = "guarded"
    from_min: float | None = None
    to_min: float | None = None
    gap_s: float = LONGEST_GAP_S

    @property
    def start_s(self) -> float:
        """First moment to look at [s]."""
        return 0.0 if self.from_min is None else max(0.0, 60 * self.from_min)

    @property
    def end_s(self) -> float:
        """Last moment to look at [s]."""
        last = float(self.log.seconds[-1])
        return last if self.to_min is None else min(last, 60 * self.to_min)

    def piece(self, channel: str, start_s: float, end_s: float) -> Piece | Lack:
        """Return a channel between two moments, or why it cannot be used."""
        return piece(self.log, channel, start_s, end_s, self.gap_s)

    def clock(self, seconds: float) -> str:
        """Write a moment as a clock time in UTC."""
        return clock(self.log, seconds)

    def step(self, channel: str) -> float | None:
        """Return the smallest step of a channel: out of the log, else off the unit's grid."""
        if channel in self.log.steps:
            return self.log.steps[channel]
        if self.unit is not None and channel in _UNIT_STEPS:
            return float(getattr(self.unit.limits, _UNIT_STEPS[channel]).step)
        return None


# --- words --------------------------------------------------------------------------------------


def number(value: float, places: int = 2) -> str:
    """Write a number with a true minus sign."""
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\u2212")


def asked(limit: Limit) -> str:
    """Write what a limit asks for."""
    if limit.needs:
        return ", ".join(limit.needs)
    value = f"{limit.value:g}".replace("-", "\u2212")
    words = {"within": "±", "near": "", "below": "below ", "above": "above "}
    text = f"{words.get(str(limit.relation), f'{limit.relation} ')}{value} {limit.unit}"
    if limit.plus_percent_of_level:
        text = f"±({value} {limit.unit} + {limit.plus_percent_of_level:g} % of the level)"
    return text + (f" over {limit.over_min:g} min" if limit.over_min else "")


# --- windows and conditions ---------------------------------------------------------------------


@dataclass(frozen=True)
class Steady:
    """The window that the figures of a steady unit rest on."""

    start_s: float
    end_s: float
    air: Piece | None
    condition: Condition


def steady_before(bench: Bench, end_s: float, title: str = "steady") -> Steady:
    """Take the last hour (or what the set asks for) before a moment, and check that it is steady.

    end_s : end of the window, since the first row [s]
    """
    row = bench.limits.get("steady_range_c")
    if row is None or row.over_min is None:
        reason = f"the set {bench.limits.name} does not say what steady is"
        return Steady(
            bench.start_s, end_s, None, Condition("steady", title, "unknown", "", "", (), reason)
        )
    start_s = end_s - 60 * row.over_min
    wanted = asked(row)
    if start_s < bench.start_s - 1e-6:
        have = max(0.0, end_s - bench.start_s) / 60
        reason = f"{have:.0f} min to look at, and {row.over_min:g} are needed"
        condition = Condition("steady", title, "unknown", "", wanted, (row,), reason)
        return Steady(bench.start_s, end_s, None, condition)
    air = bench.piece("air_c", start_s, end_s)
    if isinstance(air, Lack):
        condition = Condition("steady", title, "unknown", "", wanted, (row,), air.reason)
        return Steady(start_s, end_s, None, condition)
    met: Met = "met" if holds(air.spread, "at most", row.value or 0.0) else "unmet"
    found = f"{number(air.spread)} °C from lowest to highest"
    return Steady(start_s, end_s, air, Condition("steady", title, met, found, wanted, (row,)))


def surroundings(bench: Bench, start_s: float, end_s: float) -> list[Condition]:
    """Check the air around the unit: its temperature at every reading, its speed as a mean."""
    out = [
        _between(
            bench, "ambient_c", ("ambient_low_c", "ambient_high_c"), "air around the unit",
            start_s, end_s, by_mean=False,
        ),
        _between(
            bench, "ambient_air_speed_m_s", ("air_speed_low_m_s", "air_speed_high_m_s"),
            "air speed around the unit", start_s, end_s, by_mean=True,
        ),
    ]  # fmt: skip
    return out


def _between(
    bench: Bench,
    channel: str,
    keys: Sequence[str],
    title: str,
    start_s: float,
    end_s: float,
    *,
    by_mean: bool,
) -> Condition:
    rows = tuple(row for key in keys if (row := bench.limits.get(key)) is not None)
    wanted = " and ".join(asked(row) for row in rows)
    unit = NUMBERS[channel][0]
    low, high, found, reason = None, None, "", ""
    read = bench.piece(channel, start_s, end_s)
    if isinstance(read, Piece):
        low, high = (read.mean, read.mean) if by_mean else (read.lowest, read.highest)
        found = f"{number(read.lowest)} to {number(read.highest)} {unit}"
        if by_mean:
            found = f"mean {number(read.mean)} {unit} ({found})"
    else:
        reason = read.reason
        pair = getattr(bench.entered.conditions, channel)
        if pair is not None and not bench.log.has(channel):
            low, high = pair
            found = f"{number(low)} to {number(high)} {unit}, entered"
    if not rows:
        return Condition(channel, title, "not asked", found or "not known", "nothing by this set")
    if low is None or high is None:
        return Condition(channel, title, "unknown", "not known", wanted, rows, reason)
    met = all(
        holds(value, row.relation or "within", row.value or 0.0)
        for row in rows
        for value in (low, high)
    )
    return Condition(channel, title, "met" if met else "unmet", found, wanted, rows)


def setting(bench: Bench, start_s: float, end_s: float) -> list[Condition]:
    """Check that the air setting stood still, at the value that tests are made at."""
    row, above = bench.limits.get("set_c"), bench.limits.get("set_above_ambient_c")
    rows = tuple(one for one in (row, above) if one is not None)
    wanted = " and ".join(
        f"{asked(one)}{' above the air around' if one.id == 'set_above_ambient_c' else ''}"
        for one in rows
    )
    read = bench.piece("air_set_c", start_s, end_s)
    if isinstance(read, Piece):
        low, high, how = read.lowest, read.highest, ""
    elif bench.entered.conditions.air_set_c is not None and not bench.log.has("air_set_c"):
        low = high = bench.entered.conditions.air_set_c
        how = ", entered"
    else:
        met: Met = "unknown" if rows else "not asked"
        return [Condition("air_set_c", "air setting", met, "not known", wanted, rows, read.reason)]
    found = f"{number(low, 1)} °C{how}"
    if high - low > SET_NEAR_C:
        found = f"{number(low, 1)} to {number(high, 1)} °C: it was changed"
        return [Condition("air_set_c", "air setting", "unmet", found, "one setting", rows)]
    if not rows:
        return [Condition("air_set_c", "air setting", "not asked", found, "nothing by this set")]
    good = row is None or abs(low - (row.value or 0.0)) <= SET_NEAR_C
    if above is not None:
        ambient = bench.piece("ambient_c", start_s, end_s)
        pair = bench.entered.conditions.ambient_c
        if isinstance(ambient, Piece):
            good = good and holds(low - ambient.highest, "at least", above.value or 0.0)
        elif pair is not None:
            good = good and holds(low - pair[1], "at least", above.value or 0.0)
    met = "met" if good else "unmet"
    return [Condition("air_set_c", "air setting", met, found, wanted, rows)]


def closed(bench: Bench, start_s: float, end_s: float) -> list[Condition]:
    """Check that no opening was logged as open; nothing when it was not logged nor entered."""
    words = bench.log.words.get("opening", ())
    inside = (bench.log.seconds >= start_s) & (bench.log.seconds <= end_s)
    said = [word for word, here in zip(words, inside, strict=False) if here and word]
    if said:
        open_now = sum(word != "closed" for word in said)
        found = "closed" if not open_now else f"open in {open_now} of {len(said)} readings"
        return [Condition("hood", "hood", "unmet" if open_now else "met", found, "closed")]
    entered = bench.entered.conditions.hood
    if entered is None:
        return []
    met: Met = "met" if entered == "closed" else "unmet"
    return [Condition("hood", "hood", met, f"{entered}, entered", "closed")]


def steady_conditions(bench: Bench, window: Steady) -> list[Condition]:
    """All conditions of a test on a steady unit."""
    start_s, end_s = window.start_s, window.end_s
    return [
        *surroundings(bench, start_s, end_s),
        *setting(bench, start_s, end_s),
        *closed(bench, start_s, end_s),
        window.condition,
    ]


# --- budgets ------------------------------------------------------------------------------------


class Parts:
    """Gathers the parts of one budget."""

    def __init__(self, bench: Bench, unit: str) -> None:
        """Begin a budget of a result in ``unit``."""
        self._bench = bench
        self._unit = unit
        self._parts: list[Part] = []
        self._lacking: list[str] = []
        self._notes: list[str] = []

    def certificate(self, channel: str, level: float, sensitivity: float = 1.0) -> Parts:
        """Add calibration and drift of the instrument of a channel, read at a level."""
        one = self._bench.instruments.get(channel)
        if one is None:
            self._lacking.append(f"the certificate of what measures {channel}")
            return self
        expanded = one.expanded
        if expanded is None:
            expanded = (one.percent or 0.0) / 100 * abs(level)
        self._parts.append(
            Part(
                f"calibration of {channel}",
                from_certificate(expanded, one.coverage),
                sensitivity,
                f"certificate {one.certificate}, U {expanded:.3g}, k {one.coverage:g}",
            )
        )
        self._parts.append(
            Part(
                f"drift of {channel}", rectangular(one.drift), sensitivity,
                f"up to {one.drift:g} since the calibration, rectangular",
            )
        )  # fmt: skip
        return self

    def resolution(self, channel: str, sensitivity: float = 1.0) -> Parts:
        """Add the step of a channel's display."""
        step = self._bench.step(channel)
        if step is None:
            self._lacking.append(f"the display step of {channel} (give step in the mapping)")
            return self
        self._parts.append(
            Part(f"resolution of {channel}", resolution(step), sensitivity, f"step {step:.3g}")
        )
        return self

    def of_mean(self, what: str, means: Sequence[float], sensitivity: float = 1.0) -> Parts:
        """Add how well a mean is known, from the means of parts of its window."""
        self._parts.append(
            Part(f"repeatability of {what}", repeatability(means), sensitivity,
                 f"spread of the means of {len(means)} parts of the window")
        )  # fmt: skip
        return self

    def plain(self, name: str, standard: float, how: str, sensitivity: float = 1.0) -> Parts:
        """Add a part as it is."""
        self._parts.append(Part(name, standard, sensitivity, how))
        return self

    def lack(self, what: str) -> Parts:
        """Say that something which belongs here is not known."""
        self._lacking.append(what)
        return self

    def note(self, text: str) -> Parts:
        """Say what was left out on purpose."""
        self._notes.append(text)
        return self

    def budget(self) -> Budget:
        """Return the budget."""
        return Budget(self._unit, tuple(self._parts), tuple(self._lacking), tuple(self._notes))


CANCELS = "calibration left out: both readings are of one thermometer, and it cancels"


# --- judging ------------------------------------------------------------------------------------


def judge(
    bench: Bench,
    key: str,
    title: str,
    value: float | None,
    unit: str,
    budget: Budget | None,
    *,
    bound: Bound = "",
    level: float | None = None,
    name: str = "",
) -> Judged:
    """Judge one figure against the row of the set; without a row there is no verdict.

    key : row of the set
    level : level that the figure was read at, for limits that go with it
    name : key of the figure, when one row judges several
    """
    row = bench.limits.get(key)
    name = name or key
    if row is None or row.relation is None or row.value is None:
        reason = f"no limit for it in the set {bench.limits.name}"
        return Judged(name, title, value, unit, "cannot tell", reason, None, None, budget, bound)
    limit = row.value if level is None else row.at(level)
    if level is not None and not row.covers(level):
        reason = f"read at {number(level, 1)} {unit}; the limit is for {row.from_level:g} to "
        reason += f"{row.to_level:g}"
        return Judged(name, title, value, unit, "cannot tell", reason, row, limit, budget, bound)
    expanded = None if budget is None else budget.expanded
    decision = decide(value, expanded, row.relation, limit, bench.rule, bound)
    reason = decision.reason
    if value is not None and budget is not None and budget.lacking:
        reason += f": {'; '.join(budget.lacking)}"
    return Judged(
        name, title, value, unit, decision.verdict, reason, row, limit, budget, bound,
        coarse=coarse(expanded, limit),
    )  # fmt: skip


def result(
    bench: Bench,
    test: str,
    title: str,
    *,
    method: str,
    conditions: Sequence[Condition] = (),
    judged: Sequence[Judged] = (),
    window: tuple[float, float] | None = None,
    facts: Iterable[tuple[str, str]] = (),
    measured: Iterable[Measured] = (),
    traces: Iterable[Trace] = (),
    no_figure: str = "",
) -> Result:
    """Put a result together; the verdict follows from conditions and figures."""
    verdict, reason, left = conclude(conditions, judged, no_figure)
    by_hand = bench.entered.conditions
    said = [
        (name, str(value))
        for name, value in (
            ("supply", by_hand.supply or _supply(bench, window)),
            ("mattress", by_hand.mattress),
            ("humidity", by_hand.humidity),
        )
        if value
    ]
    log = bench.log
    return Result(
        test=test,
        title=title,
        verdict=verdict,
        reason=reason,
        unit=log.unit,
        log=log.name,
        fingerprint=log.fingerprint,
        start_utc=log.start_utc,
        window_min=None if window is None else (window[0] / 60, window[1] / 60),
        limits=bench.limits.name,
        limits_title=bench.limits.title,
        kind=bench.limits.kind,
        rule=bench.rule,
        conditions=tuple(conditions),
        judged=left,
        facts=(*facts, *said),
        measured=tuple(measured),
        method=method,
        noticed=log.noticed,
        entered_by=bench.entered.by or "",
        traces=tuple(traces),
    )


def _supply(bench: Bench, window: tuple[float, float] | None) -> str:
    if window is None or "source" not in bench.log.words:
        return ""
    inside = (bench.log.seconds >= window[0]) & (bench.log.seconds <= window[1])
    words = bench.log.words["source"]
    seen = dict.fromkeys(word for word, here in zip(words, inside, strict=True) if here and word)
    return ", then ".join(seen)


def trace(
    bench: Bench,
    key: str,
    title: str,
    lines: Sequence[tuple[str, str]],
    *,
    span_s: tuple[float, float] | None = None,
    levels: Sequence[tuple[str, float]] = (),
    window: tuple[float, float] | None = None,
    moments: Sequence[tuple[str, float]] = (),
    note: str = "",
) -> Trace:
    """Make a plot of channels.

    lines : name on the plot, and channel
    span_s : stretch to draw [s]; all that is looked at when ``None``
    """
    start_s, end_s = span_s or (bench.start_s, bench.end_s)
    drawn = []
    for name, channel in lines:
        seconds, values = read_at(bench.log, channel)
        inside = (seconds >= start_s - 1e-6) & (seconds <= end_s + 1e-6)
        if not inside.any():
            continue
        at, read = thinned(seconds[inside], values[inside])
        minutes = tuple(np.round(at / 60, 3).tolist())
        drawn.append(Line(name, minutes, tuple(read.tolist()), channel.endswith("_set_c")))
    unit = NUMBERS[lines[0][1]][0]
    return Trace(
        key,
        title,
        unit,
        tuple(drawn),
        tuple(Level(name, value) for name, value in levels),
        None if window is None else (window[0] / 60, window[1] / 60),
        tuple((name, at / 60) for name, at in moments),
        note,
    )
