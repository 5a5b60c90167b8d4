"""Replay piece by piece against the replay that holds every row."""

from __future__ import annotations

import numpy as np
import pytest

from warmhold.model import Grid
from warmhold.review.invented import Service
from warmhold.review.large import Replayed, ReplayJob, SearchJob, search_in_pieces
from warmhold.review.replay import Setting, Trend, Trends, replay
from warmhold.review.search import EXAMPLES, Bounds, Finding, Question, ask, search_of
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


# --- a search --------------------------------------------------------------------------------


def question(**changed: object) -> Question:
    asked = {
        "harms": [harm for harm in EXAMPLES if (harm.what, harm.side) == ("saturation", "low")],
        "grid": Grid(lowest=84, highest=92, step=1, provenance="manual"),
        "bounds": Bounds(86.0, 92.0, "test", "own"), "present": Setting(low=88.0),
        "averaging_s": (0.0, 60.0), "delay_on_s": (0.0, 30.0, 60.0), "seed": 5,
    }  # fmt: skip
    return ask("saturation", 60.0, **(asked | changed))  # type: ignore[arg-type]


def whole(numbers: list[int], asked: Question) -> Finding:
    trends = [
        Trend((m := SERVICE.trend(n))["seconds"], m["saturation"], "saturation",
              holds_s=90.0, trip=SERVICE.key(n))
        for n in numbers
    ]  # fmt: skip
    return search_of(Trends.of(trends), asked)


@pytest.mark.parametrize("size", [4, 37, 1000])
@pytest.mark.parametrize("numbers", [list(range(90)), [3, 80, 17, 44, 9]])
def test_a_search_in_pieces_is_the_search_of_the_whole(size: int, numbers: list[int]) -> None:
    asked = question()
    jobs: list[str] = []

    def work(job: SearchJob, name: str):
        jobs.append(name)
        return run(job, where=Here(), size=size)

    found = search_in_pieces(SERVICE, numbers, asked, work)
    assert found == whole(numbers, asked)
    assert jobs == ["chosen", "told"]
    assert found.present.alarms > 0
    if len(numbers) == 90:
        assert found.present.harms > 5
        assert found.chosen is not None
        assert found.present.median_after_s == 0.0


def test_where_nothing_is_allowed_only_the_present_setting_is_told() -> None:
    asked = question(bounds=None)
    found = search_in_pieces(
        SERVICE, list(range(30)), asked, lambda job, _: run(job, where=Here(), size=8)
    )
    assert found == whole(list(range(30)), asked)
    assert found.chosen is found.chosen_told is None


def test_one_transfer_cannot_be_split() -> None:
    with pytest.raises(ValueError, match="at least two"):
        search_in_pieces(SERVICE, [3], question(), lambda job, _: run(job, where=Here(), size=8))
