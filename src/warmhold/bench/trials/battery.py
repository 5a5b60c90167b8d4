"""What battery tests share: power out of the pack, and where a run-down or a charge lies."""

from __future__ import annotations

import numpy as np

from warmhold.bench.log import Floats, Log
from warmhold.bench.trials.common import Bench, Parts
from warmhold.bench.trials.series import read_at

LEAST_W = 0.5  # a pack that gives or takes less rests
SHORT_S = 300.0  # stretches shorter than this are no run-down and no charge


def power(log: Log) -> tuple[Floats, Floats, str]:
    """Return when and what power came out of the battery, and from which channels."""
    seconds, values = read_at(log, "battery_w")
    if len(seconds):
        return seconds, values, "battery_w"
    volts, amps = log.numbers.get("battery_v"), log.numbers.get("battery_a")
    if volts is None or amps is None:
        return np.empty(0), np.empty(0), ""
    there = np.isfinite(volts) & np.isfinite(amps)
    return log.seconds[there], (volts * amps)[there], "battery_v"


def longest(seconds: Floats, on: np.ndarray, gap_s: float) -> tuple[int, int] | None:
    """Return first and last reading of the longest stretch that is on; ``None`` when there is none.

    A gap longer than ``gap_s`` ends a stretch: what happened in it is not known.
    """
    best: tuple[int, int] | None = None
    first: int | None = None
    for i, here in enumerate(on):
        broken = i > 0 and seconds[i] - seconds[i - 1] > gap_s
        if first is not None and (not here or broken):
            best = _longer(seconds, best, (first, i - 1))
            first = None
        if here and first is None:
            first = i
    if first is not None:
        best = _longer(seconds, best, (first, len(on) - 1))
    if best is None or seconds[best[1]] - seconds[best[0]] < SHORT_S:
        return None
    return best


def _longer(seconds: Floats, best: tuple[int, int] | None, one: tuple[int, int]) -> tuple[int, int]:
    if best is None:
        return one
    span = seconds[one[1]] - seconds[one[0]]
    return one if span > seconds[best[1]] - seconds[best[0]] else best


def add_meter(parts: Parts, bench: Bench, source: str, watts: float, per_watt: float) -> None:
    """Add what the power meter contributes, be it one meter or volts and amperes.

    watts : mean power [W]
    per_watt : change of the result for one watt
    """
    if source == "battery_w":
        parts.certificate("battery_w", watts, per_watt)
        return
    volts = float(np.nanmean(np.abs(bench.log.numbers["battery_v"])))
    amps = abs(watts) / volts if volts > 0 else 0.0
    parts.certificate("battery_v", volts, per_watt * amps)
    parts.certificate("battery_a", amps, per_watt * volts)
