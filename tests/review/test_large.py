"""Replay piece by piece against the replay that holds every row."""

from __future__ import annotations

import numpy as np
import pytest

from warmhold.review.invented import Service
from warmhold.review.large import Replayed, ReplayJob
from warmhold.review.replay import Setting, Trend, Trends, replay
from warmhold.review.work import Here, Processes, run

SERVICE = Service(4, 90)


@pytest.mark.parametrize(
    "setting",
    [Setting(88.0, 97.0), Setting(88.0, 97.0, 120.0, 90.0, 20.0, 1.0), Setting(low=10.0)],
)
def test_pieces_give_the_figures_of_the_whole(setting: Setting) -> None:
    trends = [
        Trend((made := SERVICE.trend(n))["seconds"], made["saturation"], "saturation", trip=str(n))
        for n in range(SERVICE.transfers)
    ]
    whole = replay(Trends.of(trends), setting)
    job = ReplayJob(SERVICE, "saturation", setting)
    for size in (7, 90):
        found = Replayed.joined(setting, run(job, where=Here(), size=size))
        assert found.trips == 90
        for name in (
            "count", "read_s", "unread_s", "seconds", "violated_s", "silent_s", "idle_s",
            "median_s", "per_hour", "too_coarse", "row_s", "per_hour_interval",
        ):  # fmt: skip
            assert (
                getattr(found, name) == pytest.approx(getattr(whole, name))
                if isinstance(getattr(whole, name), float)
                else getattr(found, name) == getattr(whole, name)
            ), name
    assert setting.high is None or whole.count > 20


def test_processes_give_the_same_bits() -> None:
    job = ReplayJob(SERVICE, "pulse", Setting(120.0, 170.0, 60.0))
    here, there = (run(job, where=where, size=20) for where in (Here(), Processes(2)))
    for one, other in zip(here, there, strict=True):
        assert all(np.array_equal(one[name], other[name]) for name in one)
        assert one["by_trip"].tobytes() == other["by_trip"].tobytes()
