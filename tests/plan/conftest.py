"""One small planned sheet for each shipped trip, made once for all tests of the plan."""

from __future__ import annotations

import pytest

from plan.cases import Planned, shipped_case
from warmhold.model import shipped
from warmhold.plan.planner import plan_case

MEMBERS = 100
SEED = 20260101


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
