"""One small planned sheet for each shipped trip, made once for all tests of the plan."""

from __future__ import annotations

import pytest

from plan.cases import Planned, plan_and_keep, shipped_case
from warmhold.model import shipped


@pytest.fixture(scope="session")
def planned() -> dict[str, Planned]:
    return {name: plan_and_keep(shipped_case(name)) for name in shipped("trips")}
