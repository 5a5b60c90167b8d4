"""The watch: takes readings and events in order, keeps the ensemble, names what is wrong."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Case
from warmhold.simulate.bands import Band, band_of
from warmhold.watch import faults
from warmhold.watch.bank import Bank, Trial
from warmhold.watch.filter import Gain, gain, sure_weights, update
from warmhold.watch.named import (
    Condition,
    Traces,
    delay_of,
    fault_key,
    fault_priority,
    fault_words,
    outlook_conditions,
    title_of,
)
from warmhold.watch.outlook import Forecast, Present, bounds_c, look_ahead, present
from warmhold.watch.quantities import of_device, reading
from warmhold.watch.read import Found, Latest, by_reading, disagreement, far
from warmhold.watch.rows import P_LEARNT, Y_LEARNT, Rows, rows_at_loading

Floats = NDArray[np.float64]

INFLATION_PER_MIN = 0.0015  # deviations grow by this share a minute, against overconfidence
OUTLOOK_S = 300.0  # the outlook is worked out anew this often
OUTLOOK_EVERY = 2  # by one member in so many: its shares are rounded anyway
ROBUST = 4.0  # a reading further off than this many standard deviations counts as one at it
RIVAL = 8.0  # log likelihood by which a fault must beat all others to be taken as the one
WAIT_S = 600.0  # or after this long; until then the next best is named with it
BLIND_RIVAL = 20.0  # an open hood and a weak heater look alike until oxygen or humidity is read
BLIND_WAIT_S = 1200.0
TELLING_S = 120.0
FIRST_S = 120.0  # nothing is taken as present on less
STEADY = 2.0  # a name is not changed for less
LATCHED = ("battery-weak", "oxygen-sensor", "cylinder")
OPEN_TOO_LONG_S = 300.0  # a port logged as open for longer is said


@dataclass(frozen=True)
class Seen:
    """One reading.

    at_s : seconds since the baby went in
    quantity : name as in the record, such as ``skin_c`` or ``gauge_bar:NAME``
    value : in the unit that the name ends in
    source : the device that told it; empty when a person read it
    doubted : whether it was asked about when it was written, and kept as entered
    """

    at_s: float
    quantity: str
    value: float
    source: str = ""
    doubted: bool = False


@dataclass(frozen=True)
class Judgement:
    """What the watch made of a reading.

    expected : what it expected, error of the reading included; None for a quantity it cannot use
    surprise : standard deviations between the reading and what was expected
    plausible : False when it is asked about and was not learnt from
    question : why it is asked about, "" if it is not
    used : whether the ensemble learnt from it
    """

    expected: Band | None
    surprise: float
    plausible: bool
    question: str
    used: bool


class Watcher:
    """Follows one trip.

    Everything is deterministic: the same calls in the same order give the same state. Calls are
    in the order of their moments; an earlier moment is taken at the present one.

    Parameters
    ----------
    case : trip, unit and policy
    members : of the ensemble
    seed : of all draws
    air_set_c : set air temperature that the trip starts with [degC]
    outlook : work the outlook out on the way, needed for conditions about what is to come
    trials : keep faults on trial, needed for conditions about faults
    """

    def __init__(
        self,
        case: Case,
        *,
        members: int = 300,
        seed: int = 20260101,
        air_set_c: float,
        outlook: bool = True,
        trials: bool = True,
    ) -> None:
        """Keep what the trip starts from."""
        self.case = case
        self.members = members
        self.seed = seed
        self.air_set_c = air_set_c
        self._outlook = outlook
        self._trials = trials
        self._begun = False

    # --- calls -----------------------------------------------------------------------------

    def begin(self, at_s: float = 0.0) -> None:
        """Stand the ensemble at the moment that the baby went in, then move on to ``at_s``."""
        self._rows = rows_at_loading(self.case, self.members, self.seed, self.air_set_c)
        self._prior = self._rows.gather().std(axis=0, ddof=1)
        self._bank = Bank(self._rows)
        self._traces = Traces()
        self._read = Latest()
        self._conditions: dict[str, Condition] = {}
        self._by_reading: set[str] = set()
        self._crossed: dict[str, float] = {}
        self._unsettled: dict[str, str] = {}
        self._history: list[Condition] = []
        self._opened_s: float | None = None
        self._ahead: Forecast | None = None
        self._planned: dict[str, Band] = {}
        self._ahead_s = -math.inf
        self._next_outlook_s = 0.0
        self._changed = True
        self._begun = True
        if self._trials:
            self._bank.spawn(first=True)
        else:
            self._bank.next_s = math.inf
        self.advance(at_s)

    def advance(self, at_s: float) -> None:
        """Move on to a moment without a reading."""
        rows = self._ready()
        while rows.now_s < at_s - 1e-9:
            stop = min(at_s, self._bank.next_s, self._next_outlook_s if self._outlook else at_s)
            if stop > rows.now_s + 1e-9:
                before = rows.now_s
                rows.advance(stop)
                self._inflate((rows.now_s - before) / 60.0)
                self._changed = True
            if rows.now_s >= self._bank.next_s - 1e-9:
                self._bank.spawn()
            if self._outlook and rows.now_s >= self._next_outlook_s - 1e-9:
                self._next_outlook_s = rows.now_s + OUTLOOK_S
                self._name_outlook()

    def observe(self, seen: Seen) -> Judgement:
        """Move on to the moment of a reading, test it against what was expected, learn from it."""
        rows = self._ready()
        self.advance(seen.at_s)
        kind = reading(seen.quantity)
        if kind is None:
            self._note_setting(seen)
            if math.isfinite(seen.value):
                self._read.keep(seen.quantity, seen.at_s, seen.value, seen.source, seen.doubted)
                self._name_readings()
            return Judgement(None, 0.0, True, "", False)
        if not math.isfinite(seen.value) or not kind.low <= seen.value <= kind.high:
            question = (
                f"{kind.title} of {seen.value:g} {kind.unit}? Such readings run from "
                f"{kind.low:g} to {kind.high:g} {kind.unit}. Kept as entered, not used."
            )
            found = rows.expected(seen.quantity)
            band = self._band(found[0], found[1]) if found is not None else None
            return Judgement(band, math.inf, False, question, False)
        found = rows.expected(seen.quantity)
        if found is None:
            return Judgement(None, 0.0, True, "", False)
        predicted, variance = found
        if seen.source:
            variance += (of_device(seen.quantity).times ** 2 - 1.0) * kind.noise**2
        m = self.members
        band = self._band(predicted, variance)
        middle = float(predicted[:m].mean())
        total = float(predicted[:m].var(ddof=1)) + variance
        surprise = (seen.value - middle) / math.sqrt(total)
        self._read.keep(seen.quantity, seen.at_s, seen.value, seen.source, seen.doubted)
        if self._stands_apart(seen, band, surprise):
            settled = self._settle_apart(seen, band)
            question = "" if settled else self._conditions[f"apart:{seen.quantity}"].evidence
            return Judgement(band, surprise, settled, question, settled)
        if abs(seen.value - middle) > kind.far and abs(surprise) > ROBUST:
            question = (
                f"{kind.title} of {seen.value:g} {kind.unit}? About {middle:.1f} {kind.unit} was "
                "expected. Kept as entered, not used until readings agree."
            )
            return Judgement(band, surprise, False, question, False)
        self._learn(seen, predicted, variance)
        self._traces.add(seen.quantity, seen.at_s, seen.value, middle)
        self._changed = True
        self._name_faults()
        return Judgement(band, surprise, True, "", True)

    def _stands_apart(self, seen: Seen, band: Band, surprise: float) -> bool:
        """Whether a reading is too far off to be learnt from by itself."""
        self._name_readings()
        limit = far(seen.quantity, band.p50)
        if abs(seen.value - band.p50) >= limit and abs(surprise) > ROBUST:
            return True
        if limit < math.inf:
            self._read.agrees(seen.quantity)
            known = self._conditions.get(f"apart:{seen.quantity}")
            if known is not None and not known.latched:
                self._clear(known.key)
        return False

    def _settle_apart(self, seen: Seen, band: Band) -> bool:
        """Name a reading that is far off; True when a second one agreed and the watch is set to it.

        Of a single one nothing is learnt: it may be a slip of the pen. Nor of two that the same
        device told: they share their error.
        """
        key = f"apart:{seen.quantity}"
        settled = self._read.disagrees(seen.quantity, seen.at_s, seen.value, band.p50, seen.source)
        expected = (band.p05, band.p50, band.p95)
        self._put(key, disagreement(seen.quantity, seen.value, expected, settled), latched=settled)
        if settled:
            self._rows.set_to(seen.quantity, seen.value)
            self._read.agrees(seen.quantity)
            self._clear(key)
            self._changed = True
            if self._outlook:
                self._name_outlook()
        return settled

    def _put(self, key: str, found: Found, latched: bool = False) -> None:
        """List a condition that rests on no fault on trial."""
        title, grade, evidence, look, delay = found
        known = self._conditions.get(key)
        since = known.since_s if known and known.cleared_s is None else self._rows.now_s
        self._conditions[key] = Condition(
            key, title, grade, since, evidence, look, latched, None, delay
        )

    def _name_readings(self) -> None:
        """Name what readings say by themselves, and end what they no longer say."""
        rows = self._rows
        low, high = bounds_c(rows)
        found = by_reading(self._read, self.case, low, high, rows.now_s)
        for key, one in found.items():
            self._put(key, one)
        for key in self._by_reading - set(found):
            self._clear(key)
        self._by_reading = set(found)

    def happened(self, at_s: float, what: str, detail: Mapping[str, object]) -> None:
        """Take an event: what it changes holds from its moment on.

        Parameters
        ----------
        at_s : seconds since the baby went in
        what : as in the record: ``port opened``, ``port closed``, ``front opened``,
            ``front closed``, ``leg started`` (detail ``leg``: name), ``leg ended`` (``leg``),
            ``power source changed`` (``to``: battery, vehicle, mains, aircraft; ``watts``),
            ``cylinder changed`` (``to``: name), ``delay`` (``minutes``), ``settings``
            (``air_set_c``, ``skin_set_c``, ``control``, ``oxygen_lpm``, ``air_lpm``, ``flow_lpm``
            with ``oxygen_percent``), ``probe placed``; others change nothing
        detail : see above
        """
        rows = self._ready()
        self.advance(at_s)
        self._changed = True
        if what in ("port opened", "front opened"):
            rows.opened = what.split(" ", maxsplit=1)[0]
            self._opened_s = rows.now_s
        elif what in ("port closed", "front closed"):
            self._closed(what)
        elif what in ("leg started", "leg ended"):
            self._leg(what, str(detail.get("leg", "")))
        elif what == "power source changed":
            watts = _number(detail, "watts")
            if str(detail.get("to")) in ("battery", "vehicle", "mains", "aircraft"):
                rows.set_source(str(detail["to"]), watts)
        elif what == "cylinder changed":
            number = rows.number_of(str(detail.get("to", "")))
            if number is not None:
                rows.in_use[rows.cylinders[number].gas] = number
        elif what == "delay":
            rows.lengthen(_number(detail, "minutes") or 0.0)
        elif what in ("settings", "settings changed"):
            self._settings(detail)
        elif what == "probe placed":
            for kind in (faults.PROBE_AIR, faults.PROBE_SHIFT):
                if kind in self._bank.taken:
                    self._bank.release(kind)
            self._clear("probe")

    def present(self) -> Present:
        """The state now, with bands."""
        rows = self._ready()
        ahead = self._look()
        return present(rows, ahead, self._planned)

    def forecast(self, minutes: float = 120.0) -> Forecast:
        """What is to come on the legs as planned."""
        return look_ahead(self._ready(), minutes)[0]

    def conditions(self) -> tuple[Condition, ...]:
        """All conditions found so far, those that last first, most urgent first."""
        self._ready()
        order = {"high": 0, "medium": 1, "low": 2}
        return tuple(
            sorted(
                self._conditions.values(),
                key=lambda c: (c.cleared_s is not None, order[c.priority], c.since_s),
            )
        )

    # --- inside ----------------------------------------------------------------------------

    def _ready(self) -> Rows:
        if not self._begun:
            raise RuntimeError("begin() comes first: the watch starts when the baby goes in")
        return self._rows

    def _band(self, predicted: Floats, variance: float) -> Band:
        own = band_of(predicted[: self.members])
        error = 1.645 * math.sqrt(variance)
        return Band(
            own.p50 - math.hypot(own.p50 - own.p05, error),
            own.p50,
            own.p50 + math.hypot(own.p95 - own.p50, error),
        )

    def _learn(self, seen: Seen, predicted: Floats, variance: float) -> None:
        rows, m = self._rows, self.members
        x = rows.gather()
        mine = predicted[:m]
        weights = rows.weights(seen.quantity) * sure_weights(x[:m], mine)
        g = gain(x[:m], mine, seen.value, variance, weights)
        self._bank.weigh(predicted, g)
        most = ROBUST * math.sqrt(g.variance)
        held = float(np.clip(g.innovation, -most, most))
        g = Gain(g.mean, g.part, held, g.variance)
        middle = float(mine.mean())
        x[:m] = update(x[:m], mine, g)
        if len(x) > m:
            own = held - (predicted[m:] - middle)
            x[m:] += (own * self._bank.learns[m:])[:, None] * g.mean
        rows.scatter(x)

    def _inflate(self, minutes: float) -> None:
        """Let the ensemble forget a little, up to what it was at the start."""
        rows, m = self._rows, self.members
        x = rows.gather()
        n_y = len(Y_LEARNT)
        middle = x[:m].mean(axis=0)
        spread = x[:m].std(axis=0, ddof=1)
        grow = np.full(x.shape[1], 1.0 + INFLATION_PER_MIN * minutes)
        constants = slice(n_y, n_y + len(P_LEARNT))
        known = self._prior[constants]
        grow[constants] = np.where(spread[constants] < known, grow[constants], 1.0)
        for name, column in rows.columns.items():
            at_x = n_y + len(P_LEARNT) + column
            if name in ("skin", "air", "oxygen", "humidity") and spread[at_x] >= self._prior[at_x]:
                grow[at_x] = 1.0
            if name in ("port", "front", "spare_wh", "shift"):
                grow[at_x] = 1.0
            if name in faults.kinds(len(rows.cylinders)):
                grow[at_x] = 1.0 + 4.0 * INFLATION_PER_MIN * minutes
        x[:m] = middle + (x[:m] - middle) * grow
        rows.scatter(x)

    def _note_setting(self, seen: Seen) -> None:
        if not math.isfinite(seen.value):
            return
        if seen.quantity == "air_set_c" and 15.0 <= seen.value <= 42.0:
            self._settings({"air_set_c": seen.value})
        elif seen.quantity == "flow_lpm" and 0.0 <= seen.value <= 60.0:
            self._settings({"flow_lpm": seen.value})

    def _settings(self, detail: Mapping[str, object]) -> None:
        rows = self._rows
        air, skin = _number(detail, "air_set_c"), _number(detail, "skin_set_c")
        oxygen, gas_air = _number(detail, "oxygen_lpm"), _number(detail, "air_lpm")
        flow, percent = _number(detail, "flow_lpm"), _number(detail, "oxygen_percent")
        rows.settings(air, skin, detail.get("control"))
        support = self.case.trip.baby.support
        if flow is not None and support in ("hood", "none"):
            oxygen = flow
        elif flow is not None or percent is not None:
            rows.set_blend(flow, percent)
        if oxygen is not None or gas_air is not None:
            rows.set_flow(oxygen, gas_air)
        self._changed = True

    def _leg(self, what: str, name: str) -> None:
        names = [leg.name for leg in self.case.trip.legs]
        if name not in names:
            return
        number = names.index(name) + (1 if what == "leg ended" else 0)
        if number < len(names):
            self._rows.begin_stage(number + 1, self._rows.now_s)
            self._opened_s = None

    def _closed(self, what: str) -> None:
        rows = self._rows
        if rows.loading and what == "front closed" and not rows.opened:
            rows.begin_stage(1, rows.now_s)
        rows.opened = ""
        opened_s, self._opened_s = self._opened_s, None
        known = self._conditions.get("hood-leak")
        if opened_s is not None and known is not None and known.since_s < opened_s:
            return  # what is closed was opened after the leak was named: it is not the leak
        if faults.LEAK in self._bank.taken:
            self._bank.release(faults.LEAK)
        self._clear("hood-leak")

    # --- naming ----------------------------------------------------------------------------

    def _name_faults(self) -> None:
        for group in self._bank.groups():
            ranked = self._bank.best(group)
            over = [t for t in ranked if t.z >= self._bank.threshold(t)]
            if not over:
                self._crossed.pop(group, None)
                self._withdraw(group, cleared=True)
                continue
            best, now = self._steady(group, over), self._rows.now_s
            since = self._crossed.setdefault(group, now)
            own_key = fault_key(best.kind, self._rows)
            told = self._told_apart(best)
            rivals = []
            for t in ranked:
                key = fault_key(t.kind, self._rows)
                pair = {own_key, key} == {"hood-leak", "heater-weak"}
                if key != own_key and _lead(best, t) < _margin(best, pair and not told):
                    rivals.append(t)
            wait = WAIT_S if told or not rivals else BLIND_WAIT_S
            if (not rivals and now - since >= FIRST_S) or now - since >= wait:
                self._settle(group, best, rivals[0] if rivals else None, since)
            elif not best.gone:
                self._name(group, best, rivals[0] if rivals else None, since)

    def _steady(self, group: str, over: list[Trial]) -> Trial:
        """The best trial, or the one named before while it is nearly as good."""
        key = self._unsettled.get(group)
        for trial in over:
            if fault_key(trial.kind, self._rows) == key and _lead(over[0], trial) < STEADY:
                return trial
        return over[0]

    def _told_apart(self, trial: Trial) -> bool:
        """Whether oxygen or humidity was read since: an open hood moves both, a heater neither."""
        if trial.kind not in (faults.LEAK, faults.HEATER):
            return True
        since = trial.onset_s + TELLING_S
        return any(
            self._traces.since(quantity, since)
            for quantity in ("oxygen_percent", "hood_humidity_percent")
        )

    def _name(self, group: str, trial: Trial, rival: Trial | None, since_s: float) -> None:
        """Put a fault on the list, in the place of what was thought before."""
        rows = self._rows
        key = fault_key(trial.kind, rows)
        if self._unsettled.get(group, key) != key:
            self._withdraw(group, cleared=False)
        evidence, look = fault_words(
            trial.kind, trial.size, trial.onset_s, trial.z, rows, self._traces,
            self._without(trial),
        )  # fmt: skip
        also = ""
        if rival is not None:
            also = title_of(fault_key(rival.kind, rows))
            over = ", as over" if rival.gone else ""
            evidence += f" Not told apart yet: {also[0].lower()}{also[1:]}{over}."
        blind = not self._told_apart(trial)
        if blind and not also:  # seen in too few readings yet to have been weighed
            other = "heater-weak" if key == "hood-leak" else "hood-leak"
            also = title_of(other)
            evidence += f" Not told apart yet: {also[0].lower()}{also[1:]}."
        if blind:
            look += " Read oxygen and hood humidity: an open hood moves them, a heater does not."
        known = self._conditions.get(key)
        if known is not None and known.cleared_s is None:
            since_s = known.since_s
        ahead = self._ahead if self._ahead is not None else self._look()
        grade = fault_priority(trial.kind, trial.size, rows, ahead)
        condition = Condition(
            key, title_of(key), grade, since_s, evidence, look, key.split(":")[0] in LATCHED, None,
            delay_of(key), float(trial.onset_s), also,
        )  # fmt: skip
        if known is None or known.cleared_s is not None or known.also != also:
            self._history.append(condition)
        self._conditions[key] = condition
        self._unsettled[group] = key

    def _settle(self, group: str, trial: Trial, rival: Trial | None, since_s: float) -> None:
        """Take a fault as present (or as over) from now on."""
        self._crossed.pop(group, None)
        if trial.gone:
            self._withdraw(group, cleared=False)
            self._bank.take(trial)
            self._clear(fault_key(trial.kind, self._rows))
        else:
            self._name(group, trial, rival, since_s)
            self._unsettled.pop(group, None)
            self._bank.take(trial)
        self._changed = True

    def _withdraw(self, group: str, *, cleared: bool) -> None:
        """What was named but not settled fits no more: it is over, or was something else."""
        key = self._unsettled.pop(group, None)
        if key is None:
            return
        if cleared:
            self._clear(key)
        else:
            self._conditions.pop(key, None)

    def history(self) -> tuple[Condition, ...]:
        """Every naming of a fault in order, those withdrawn since included."""
        self._ready()
        return tuple(self._history)

    def _without(self, trial: Trial) -> dict[str, float]:
        """What was to be expected now, from what was known at a fault's onset."""
        rows = self._rows
        row = self._bank.frozen_row(trial)
        found = {}
        for quantity in self._traces.read:
            expected = rows.expected(quantity)
            if expected is not None:
                found[quantity] = float(expected[0][row])
        return found

    def _clear(self, key: str) -> None:
        known = self._conditions.get(key)
        if known is not None and known.cleared_s is None:
            self._conditions[key] = replace(known, cleared_s=self._rows.now_s)

    def _look(self) -> Forecast:
        if self._ahead is None or self._changed:
            self._ahead, self._planned = look_ahead(self._rows, 120.0)
            self._changed = False
        return self._ahead

    def _name_outlook(self) -> None:
        rows = self._rows.thinned(OUTLOOK_EVERY)
        self._ahead, self._planned = look_ahead(rows, 0.0)
        now = present(rows, self._ahead, self._planned)
        self._changed = True
        low, high = bounds_c(rows)
        found = outlook_conditions(rows, now, self._ahead, low, high)
        if self._opened_s is not None and rows.now_s - self._opened_s >= OPEN_TOO_LONG_S:
            minutes = (rows.now_s - self._opened_s) / 60.0
            known = self._conditions.get("hood-leak")
            since = known.since_s if known and known.cleared_s is None else rows.now_s
            self._conditions["hood-leak"] = Condition(
                "hood-leak", "Hood still logged as open", "medium", since,
                f"The {rows.opened} was logged as opened {minutes:.0f} minutes ago, not as closed.",
                "Look whether it is closed; if it is, log it, so that the watch knows.",
                False, None, "5 minutes after it was logged as open", self._opened_s,
            )  # fmt: skip
        self._name_readings()
        for key, one in found.items():
            if key not in self._by_reading:  # what was read goes before what is worked out
                self._put(key, one)
        for key in list(self._conditions):
            stem = key.split(":")[0]
            listed = key in found or key in self._by_reading
            if stem in ("baby-cold", "baby-hot", "battery-short", "gas-short") and not listed:
                self._clear(key)


def _margin(best: Trial, blind: bool) -> float:
    """Log likelihood by which a trial must lead: more where it rests on a large misfit."""
    if blind:
        return max(BLIND_RIVAL, 0.3 * best.likelihood)
    return max(RIVAL, 0.15 * best.likelihood)


def _lead(one: Trial, other: Trial) -> float:
    """How much likelier one trial is than another, as a log likelihood."""
    return one.likelihood - other.likelihood


def _number(detail: Mapping[str, object], key: str) -> float | None:
    value = detail.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None
