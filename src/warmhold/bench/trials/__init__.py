"""Bench tests: conditions first, then the figure with its uncertainty, then a verdict."""

from warmhold.bench.trials.common import Bench
from warmhold.bench.trials.result import (
    Condition,
    Judged,
    Line,
    Measured,
    Result,
    Trace,
    as_plain,
    worst,
)
from warmhold.bench.trials.runner import TRIALS, Trial, possible, run_trials

__all__ = [
    "TRIALS",
    "Bench",
    "Condition",
    "Judged",
    "Line",
    "Measured",
    "Result",
    "Trace",
    "Trial",
    "as_plain",
    "possible",
    "run_trials",
    "worst",
]
