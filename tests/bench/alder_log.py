"""Invented logs of an invented unit, Alder single: a smooth course, noise, and display steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.log import Log

Floats = NDArray[np.float64]
START = datetime(2026, 3, 4, 8, 0, tzinfo=UTC)
UNIT = "Alder single"


def stepped(values: Floats, step: float) -> Floats:
    return np.round(np.round(values / step) * step, 6)


def make_log(
    seconds: Floats,
    numbers: Mapping[str, Floats],
    words: Mapping[str, tuple[str, ...]] | None = None,
    steps: Mapping[str, float] | None = None,
    unit: str = UNIT,
) -> Log:
    """A log straight from arrays."""
    return Log(
        unit=unit,
        start_utc=START,
        seconds=np.asarray(seconds, dtype=float),
        numbers={key: np.asarray(value, dtype=float) for key, value in numbers.items()},
        words=words or {},
        steps=steps if steps is not None else dict.fromkeys(numbers, 0.01),
        fingerprint="0" * 64,
        name="made.csv",
    )


def steady_log(
    minutes: int = 60,
    every_s: float = 60.0,
    air: Callable[[Floats], Floats] | None = None,
    seed: int = 7,
) -> Log:
    """A unit that holds 36 °C: five points, display, setting, room, air speed."""
    random = np.random.default_rng(seed)
    at = np.arange(0, minutes * 60 + every_s / 2, every_s)
    middle = 36.0 + (0.2 * np.sin(at / 400) if air is None else air(at))

    def noisy(values: Floats, size: float, step: float) -> Floats:
        return stepped(values + random.normal(0, size, len(at)), step)

    return make_log(
        at,
        {
            "air_c": noisy(middle, 0.02, 0.01),
            "air_b_c": noisy(middle - 0.5, 0.02, 0.01),
            "air_c_c": noisy(middle + 0.3, 0.02, 0.01),
            "air_d_c": noisy(middle - 0.2, 0.02, 0.01),
            "air_e_c": noisy(middle + 0.1, 0.02, 0.01),
            "air_shown_c": noisy(middle + 0.3, 0.02, 0.1),
            "air_set_c": np.full(len(at), 36.0),
            "ambient_c": noisy(np.full(len(at), 23.5), 0.1, 0.1),
            "ambient_air_speed_m_s": noisy(np.full(len(at), 0.5), 0.05, 0.01),
        },
    )


def as_csv(
    log: Log,
    columns: Mapping[str, tuple[str, str]],
    *,
    delimiter: str = ",",
    comma: bool = False,
    times: Callable[[datetime], str] = lambda moment: moment.strftime("%Y-%m-%d %H:%M:%S"),
    time_name: str = "Time",
) -> str:
    """Write a log as CSV.

    columns : channel -> name of its column, and format of its numbers
    """
    lines = [delimiter.join([time_name, *(name for name, _ in columns.values())])]
    for i, second in enumerate(log.seconds):
        cells = [times(log.start_utc + timedelta(seconds=float(second)))]
        for channel, (_, form) in columns.items():
            if channel in log.words:
                cells.append(log.words[channel][i])
                continue
            value = log.numbers[channel][i]
            text = "" if np.isnan(value) else format(value, form)
            cells.append(text.replace(".", ",") if comma else text)
        lines.append(delimiter.join(cells))
    return "\n".join(lines) + "\n"
