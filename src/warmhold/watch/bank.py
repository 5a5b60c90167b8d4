"""Faults on trial: which fault, begun when, explains what the filter did not expect?

Beside the ensemble run rows that stand at its middle: at each onset one row without a new fault
and one for each fault at its reference size. They take the ensemble's own gains, so a fault's row
and its faultless twin differ by exactly what that fault, begun then, would have left in the
innovations after the filter has learnt from them. With d the innovation, s its variance and g that
signature, b = sum(g d / s) and a = sum(g g / s) give the best size b / a and z = b / sqrt(a),
which without a fault is about a standard normal number: the generalised likelihood ratio (form
from memory: Willsky and Jones 1976) with the filter's own learning counted in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from warmhold.simulate import layout as at
from warmhold.watch import faults
from warmhold.watch.filter import Gain
from warmhold.watch.rows import Rows

Floats = NDArray[np.float64]

ONSET_S = 150.0  # trials of what shows at once begin this often
SLOW_EVERY = 4  # trials of what shows slowly begin at every so many of these
KEPT_S = 1800.0  # how long a trial is kept
SLOW_KEPT_S = 4500.0
SLOW = (faults.LOSS, faults.DRIFT, faults.GAS)
SIZE_LEAST, SIZE_MOST = 0.3, 4.0  # sizes that count as this fault, of the reference size
LOSS_MOST = 2.5  # no baby loses more than this on top: a faster fall is the probe
LEAST_POWER = 6.0  # a: below it the readings could not show the fault yet
RULED_OUT = 80.0  # a: power at which a fault with z under 2 is dropped
CLIP = 5.0  # one reading counts for no more than this many standard deviations

# z that a fault must reach: docs/watching.md says what each means in false alarms
THRESHOLD: dict[str, float] = {
    faults.LEAK: 5.0,
    faults.HEATER: 5.0,
    faults.PROBE_AIR: 4.2,
    faults.PROBE_SHIFT: 4.8,
    faults.LOSS: 5.2,
    faults.DRIFT: 3.7,
    faults.BATTERY: 2.6,
    faults.GAS: 3.2,
    faults.SMALL: 3.5,
}


SECOND = 3.0  # more is asked of a second fault of a group: the first is only about known


@dataclass
class Trial:
    """One fault, begun at one moment.

    kind : of the fault
    onset_s : when it began in this row
    gone : a fault that was taken as present, tried as over
    twin : number of the trial without a new fault, of the same onset; None for a twin itself
    b, a : sums over the readings since
    """

    kind: str
    onset_s: float
    twin: int | None
    gone: bool = False
    frozen: bool = False  # learns nothing: what was to be expected from the onset on, for words
    b: float = 0.0
    a: float = 0.0

    @property
    def size(self) -> float:
        """Best size that counts as this fault, of the reference size."""
        if self.a <= 0.0:
            return 0.0
        most = LOSS_MOST if self.kind == faults.LOSS else SIZE_MOST
        free = self.b / self.a
        size = min(max(abs(free), SIZE_LEAST), most)
        return -size if free < 0.0 and self.kind in faults.TWO_SIDED and not self.gone else size

    @property
    def likelihood(self) -> float:
        """Log likelihood of the fault at its best size over no fault; 0 where it is not better."""
        if self.kind == "" or self.a < LEAST_POWER:
            return 0.0
        return max(0.0, self.size * self.b - 0.5 * self.size**2 * self.a)

    @property
    def z(self) -> float:
        """The same as standard deviations of one normal number."""
        return math.sqrt(2.0 * self.likelihood)


@dataclass
class Bank:
    """All trials; row ``members + n`` belongs to trial n."""

    rows: Rows
    trials: list[Trial] = field(default_factory=list)
    next_s: float = 0.0
    ticks: int = 0
    taken: dict[str, float] = field(default_factory=dict)  # faults taken as present: their size

    def spawn(self, first: bool = False) -> None:
        """Begin a set of trials at the present moment."""
        rows, now = self.rows, self.rows.now_s
        self.prune()
        self.drop({n for n, t in enumerate(self.trials) if now - t.onset_s > _kept_s(t.kind)})
        slow = self.ticks % SLOW_EVERY == 0
        self.ticks += 1
        kinds = [
            kind
            for kind in faults.kinds(len(rows.cylinders))
            if (first or kind in self.taken if faults.from_the_start(kind) else True)
            and (slow or not kind.startswith(SLOW))
        ]
        twin = len(self.trials)
        place = rows.add_middle(2 + len(kinds))
        self.trials.append(Trial("", now, None))
        self.trials.append(Trial("", now, twin, frozen=True))
        for n, kind in enumerate(kinds):
            row = place.start + 2 + n
            gone = kind in self.taken
            self.trials.append(Trial(kind, now, twin, gone))
            self.put(row, kind, gone)
        self.next_s = now + ONSET_S

    def put(self, row: int, kind: str, gone: bool) -> None:
        """Put a fault at its reference size into a row, or take a present one out."""
        rows = self.rows
        column = rows.columns[kind]
        was = float(rows.e[row, column])
        size = 0.0 if gone else 1.0
        rows.e[row, column] = size
        if kind == faults.HEATER:
            before = 1.0 - faults.HEATER_LOST * was
            after = 1.0 - faults.HEATER_LOST * size
            rows.y[row, at.INTEGRAL] *= after / max(before, 0.05)
        elif kind == faults.BATTERY:
            before = 1.0 - faults.BATTERY_LOST * was
            after = 1.0 - faults.BATTERY_LOST * size
            rows.y[row, at.CHARGE] *= after / max(before, 0.05)
        elif kind.startswith(faults.SMALL):
            number = kind.split(":")[1]
            before = 1.0 - faults.SMALL_LOST * was
            after = 1.0 - faults.SMALL_LOST * size
            rows.e[row, rows.columns[f"content:{number}"]] *= after / max(before, 0.05)
        elif kind == faults.DRIFT and gone:
            rows.e[row, rows.columns["drifted"]] = 0.0

    def weigh(self, predicted: Floats, g: Gain) -> None:
        """Take one reading into every trial, before the rows learn from it."""
        if not self.trials:
            return
        shown = predicted[self.rows.members :]
        deviation = math.sqrt(g.variance)
        clipped = float(np.clip(g.innovation, -CLIP * deviation, CLIP * deviation))
        for n, trial in enumerate(self.trials):
            if trial.twin is None or trial.frozen:
                continue
            signature = float(shown[n] - shown[trial.twin])
            if abs(signature) < 1e-9:
                continue
            trial.b += signature * clipped / g.variance
            trial.a += signature * signature / g.variance

    def drop(self, numbers: set[int]) -> None:
        """Drop some trials and their rows, and twins that nobody needs any more."""
        needed = {t.twin for n, t in enumerate(self.trials) if n not in numbers and t.kind}
        keep = [
            n
            for n, t in enumerate(self.trials)
            if (n not in numbers and t.kind) or n in needed or (t.frozen and t.twin in needed)
        ]
        if len(keep) == len(self.trials):
            return
        new = {old: n for n, old in enumerate(keep)}
        mask = np.ones(len(self.rows.y), dtype=np.bool_)
        mask[self.rows.members :] = False
        mask[[self.rows.members + n for n in keep]] = True
        kept = [self.trials[n] for n in keep]
        for trial in kept:
            if trial.twin is not None:
                trial.twin = new[trial.twin]
        self.trials = kept
        self.rows.keep(mask)

    def prune(self) -> None:
        """Drop trials that the readings have ruled out at any size that matters."""
        self.drop(
            {
                n
                for n, t in enumerate(self.trials)
                if t.kind and t.a > RULED_OUT and abs(t.b) < 2.0 * math.sqrt(t.a)
            }
        )

    @property
    def learns(self) -> Floats:
        """1 for rows that learn, 0 for frozen ones, (rows,)."""
        found = np.ones(len(self.rows.y))
        for n, trial in enumerate(self.trials):
            if trial.frozen:
                found[self.rows.members + n] = 0.0
        return found

    def frozen_row(self, trial: Trial) -> int:
        """Row that was expected from a trial's onset on, had nothing been learnt since."""
        for n, other in enumerate(self.trials):
            if other.frozen and other.twin == trial.twin:
                return self.rows.members + n
        raise LookupError("every onset has a frozen row")

    def best(self, group: str) -> list[Trial]:
        """The best trial of each kind of a group, best first."""
        found: dict[tuple[str, bool], Trial] = {}
        for trial in self.trials:
            if not trial.kind or faults.group(trial.kind) != group or trial.z <= 0.0:
                continue
            key = (trial.kind, trial.gone)
            if key not in found or trial.z > found[key].z:
                found[key] = trial
        return sorted(found.values(), key=lambda t: -t.z)

    def threshold(self, trial: Trial) -> float:
        """z that a trial must reach to be named."""
        kind = trial.kind.split(":", maxsplit=1)[0] + (":" if ":" in trial.kind else "")
        group = faults.group(trial.kind)
        if kind == faults.DRIFT and {faults.LEAK, faults.HEATER} & self.taken.keys():
            return math.inf  # what the oxygen does then is about the hood, whatever was named
        second = any(faults.group(other) == group for other in self.taken) and not trial.gone
        return THRESHOLD[kind] + (SECOND if second else 0.0)

    def groups(self) -> tuple[str, ...]:
        """All groups of faults of this trip."""
        kinds = faults.kinds(len(self.rows.cylinders))
        return tuple(dict.fromkeys(faults.group(kind) for kind in kinds))

    def take(self, trial: Trial) -> None:
        """Take a fault as present (or gone) in every member, with its doubt, from its onset on."""
        rows, m = self.rows, self.rows.members
        number = self.trials.index(trial)
        assert trial.twin is not None
        size = float(np.clip(trial.size, -SIZE_MOST, SIZE_MOST))
        fault, twin = m + number, m + trial.twin
        amount = 1.0 if trial.gone else size
        rows.y[:m] += amount * (rows.y[fault] - rows.y[twin])
        shift = rows.p[fault, :] - rows.p[twin, :]
        rows.p[:m] = np.where(
            shift != 0.0, np.maximum(rows.p[:m] + amount * shift, 1e-9), rows.p[:m]
        )
        rows.e[:m] += amount * (rows.e[fault] - rows.e[twin])
        column = rows.columns[trial.kind]
        if trial.gone:
            rows.e[:m, column] = 0.0
            self.taken.pop(trial.kind, None)
        else:
            doubt = 1.0 / math.sqrt(max(trial.a, 1e-6))
            scores = np.linspace(-1.7, 1.7, m)[
                np.random.default_rng([m, round(trial.onset_s)]).permutation(m)
            ]
            rows.e[:m, column] = size + scores * max(doubt, 0.3 * abs(size))
            if trial.kind not in faults.TWO_SIDED:
                rows.e[:m, column] = np.maximum(rows.e[:m, column], 0.0)
            self.taken[trial.kind] = size
        rows.keep_possible()
        self._anew(faults.group(trial.kind))

    def release(self, kind: str) -> None:
        """A fault is known to be over: take it out of every member."""
        rows, m = self.rows, self.rows.members
        rows.e[:m, rows.columns[kind]] = 0.0
        self.taken.pop(kind, None)
        self._anew(faults.group(kind))

    def _anew(self, group: str) -> None:
        """Begin the trials of a group again: what was found has changed what they mean."""
        self.drop(
            {n for n, t in enumerate(self.trials) if t.kind and faults.group(t.kind) == group}
        )
        self.next_s, self.ticks = self.rows.now_s, 0


def _kept_s(kind: str) -> float:
    if not kind or faults.from_the_start(kind):
        return math.inf  # twins go when nobody needs them
    return SLOW_KEPT_S if kind.startswith(SLOW) else KEPT_S
