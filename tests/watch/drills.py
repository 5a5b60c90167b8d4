"""Trips that the watch is tried on, and how long they are run."""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache

from warmhold.model import Case, load_case, shipped_path
from warmhold.watch import Watcher
from warmhold.watch.rehearsal import Rehearsal, feed

FULL = os.environ.get("WARMHOLD_FULL") == "1"
MEMBERS = 100
AIR_SET_C = {"winter-road": 35.8, "term-by-day": 30.5, "island-flight": 37.0}


@cache
def shipped(name: str) -> Case:
    """A shipped trip as it is."""
    return load_case(shipped_path("trips", name))


@cache
def lasting(name: str) -> Case:
    """A shipped trip with three packs in the unit, so that no empty battery hides the rest."""
    case = shipped(name)
    battery = case.unit.battery.model_copy(update={"packs": 3})
    return replace(case, unit=case.unit.model_copy(update={"battery": battery}))


def followed(
    case: Case,
    rehearsal: Rehearsal,
    until_s: float,
    *,
    members: int = MEMBERS,
    trials: bool = False,
    outlook: bool = False,
) -> Watcher:
    """A watch that followed a rehearsal to a moment."""
    watcher = Watcher(
        case, members=members, air_set_c=rehearsal.air_set_c, trials=trials, outlook=outlook
    )
    watcher.begin()
    feed(watcher, rehearsal, -1.0, until_s)
    return watcher
