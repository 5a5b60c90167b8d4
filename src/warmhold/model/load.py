"""Read a trip with its unit and policy, and gather every fault of the three."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from warmhold.model.policy import Policy
from warmhold.model.trip import Trip
from warmhold.model.unit import Unit

DATA = Path(__file__).resolve().parent.parent / "data"


@dataclass(frozen=True)
class Case:
    """One trip with the unit and the policy that it names."""

    trip: Trip
    unit: Unit
    policy: Policy
    trip_file: str


def _tuples(v: Any) -> Any:
    if isinstance(v, list):
        return tuple(_tuples(x) for x in v)
    if isinstance(v, dict):
        return {k: _tuples(x) for k, x in v.items()}
    return v


def load_case(path: Path) -> Case:
    """Read one trip file with the unit and policy it names."""
    raw = _tuples(tomllib.loads(path.read_text("utf-8")))
    table = {("UK", "D"): (2.32, 137.0)}
    for key in ("cylinder", "store"):
        for item in raw["supplies"].get(key, ()):
            if "letter" in item:
                item["water_l"], item["fill_bar"] = table[item["country"], item["letter"]]

    def find(kind: str, name: str) -> Any:
        where = path.parent / name if name.endswith(".toml") else DATA / kind / f"{name}.toml"
        return _tuples(tomllib.loads(where.read_text("utf-8")))

    unit = Unit.model_validate(find("units", raw["unit"]))
    policy = Policy.model_validate(find("policies", raw["policy"]))
    trip = Trip.model_validate(raw, context={"spread": policy.spread.by_key()})
    return Case(trip, unit, policy, str(path))
