"""One small planned sheet for each shipped trip, made once for all tests of the plan."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from plan.cases import shipped_case
from warmhold.model import Case, shipped
from warmhold.plan.planner import plan_case
from warmhold.plan.sheet import Sheet

MEMBERS = 100
SEED = 20260101


@dataclass(frozen=True)
class Planned:
    """A shipped trip, its sheet, and what was told while it was made."""

    case: Case
    sheet: Sheet
    told: tuple[tuple[str, float], ...]


@pytest.fixture(scope="session")
def planned() -> dict[str, Planned]:
    found = {}
    for name in shipped("trips"):
        case = shipped_case(name)
        told: list[tuple[str, float]] = []
        sheet = plan_case(
            case,
            members=MEMBERS,
            seed=SEED,
            progress=lambda what, done, told=told: told.append((what, done)),  # type: ignore[misc]
        )
        found[name] = Planned(case, sheet, tuple(told))
    return found
