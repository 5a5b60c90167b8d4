"""Which bench tests there are, and how several are run on one log."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from warmhold.bench.trials import (
    alarms,
    charge,
    control,
    displayed,
    door,
    overshoot,
    oxygen,
    run_down,
    skin,
    stability,
    steady,
    uniformity,
    warm_up,
)
from warmhold.bench.trials.common import Bench
from warmhold.bench.trials.overshoot import find_step
from warmhold.bench.trials.result import Result


@dataclass(frozen=True)
class Trial:
    """One bench test.

    title : its name in words
    channels : what it needs in the log
    run : makes a result, whatever the log lacks
    """

    title: str
    channels: tuple[str, ...]
    run: Callable[[Bench], Result]


TRIALS: Mapping[str, Trial] = {
    "warm-up": Trial(warm_up.TITLE, warm_up.CHANNELS, warm_up.run),
    "steady": Trial(steady.TITLE, steady.CHANNELS, steady.run),
    "stability": Trial(stability.TITLE, stability.CHANNELS, stability.run),
    "uniformity": Trial(uniformity.TITLE, uniformity.CHANNELS, uniformity.run),
    "displayed": Trial(displayed.TITLE, displayed.CHANNELS, displayed.run),
    "control": Trial(control.TITLE, control.CHANNELS, control.run),
    "overshoot": Trial(overshoot.TITLE, overshoot.CHANNELS, overshoot.run),
    "skin": Trial(skin.TITLE, skin.CHANNELS, skin.run),
    "oxygen": Trial(oxygen.TITLE, oxygen.CHANNELS, oxygen.run),
    "alarms": Trial(alarms.TITLE, alarms.CHANNELS, alarms.run),
    "run-down": Trial(run_down.TITLE, run_down.CHANNELS, run_down.run),
    "charge": Trial(charge.TITLE, charge.CHANNELS, charge.run),
    "door": Trial(door.TITLE, door.CHANNELS, door.run),
}


def run_trials(bench: Bench, names: Sequence[str]) -> tuple[Result, ...]:
    """Run tests in the order of `TRIALS`.

    Raises ``KeyError`` for a name that is none of them.
    """
    for name in names:
        if name not in TRIALS:
            raise KeyError(name)
    return tuple(trial.run(bench) for name, trial in TRIALS.items() if name in names)


def possible(bench: Bench) -> tuple[str, ...]:
    """Return the tests that a log has something for; the others would only say what they lack."""
    log = bench.log
    out = []
    for name, trial in TRIALS.items():
        if name == "alarms":
            fits = bool(bench.entered.alarm)
        elif name == "oxygen":
            fits = bool(bench.entered.oxygen) or log.has(*trial.channels)
        elif name in {"run-down", "charge"}:
            fits = log.has("battery_w") or log.has("battery_v", "battery_a")
        elif name == "overshoot":
            fits = log.has(*trial.channels) and find_step(bench)[1] == 1
        elif name == "door":
            fits = log.has(*trial.channels) and door.find_opening(bench) is not None
        elif name == "warm-up":
            fits = log.has("air_c") and warm_up.rises(bench)
        else:
            fits = log.has(*trial.channels)
        if fits:
            out.append(name)
    return tuple(out)
