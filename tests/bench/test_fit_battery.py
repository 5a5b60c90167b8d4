"""The battery that a fit adds up, against print and against cells of another library.

The library's rows were computed once; see tests/reference/make_battery_curves.py. Nothing here was
fitted to them, and the tolerance of a row that the equation misses says by how much.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bench import hidden
from reference_rows import rows
from warmhold.bench.fit.constants import X_COLD, X_USABLE, fixed_values
from warmhold.bench.fit.drive import Ran, cold_share, stored
from warmhold.bench.fit.lessons import made_up
from warmhold.science.battery import PEUKERT_LEAD, PEUKERT_LITHIUM, rate_share
from warmhold.simulate import layout as at


def energy_share(row: dict[str, Any], *, lead: bool) -> float:
    """Energy at a rate and temperature over that at the reference rate and 25 degC."""
    exponent = PEUKERT_LEAD if lead else PEUKERT_LITHIUM
    # rates in units of the power that empties the pack in an hour; rated far below all of them
    slow, fast = (float(rate_share(row[key], 0.05, exponent)) for key in ("reference_c", "rate_c"))
    return slow / fast * float(cold_share(np.array(row["battery_c"]), float(lead), 1.0))


def run_down_hours(row: dict[str, Any]) -> float:
    """Time that a pack of 40 Ah at one volt carries a steady current, by the fit's own sum."""
    unit = hidden.shipped_unit("alder-single")
    minutes = 480
    track = made_up(unit, 25.0, ((minutes, "battery", 30.0, "closed"),), 30.0, ("air_c",))
    v = fixed_values(unit)[None]
    v[0, at.RATED_W], v[0, X_USABLE], v[0, at.PEUKERT], v[0, X_COLD] = 2.0, 40.0, 1.15, 1.0
    v[0, at.BATTERY_EFFICIENCY] = 1.0
    n = track.grid_s.size
    flat = np.full((1, n), 25.0)
    power = np.full((1, n), float(row["current_a"]))
    energy = power * track.grid_s[None] / 3600.0
    ran = Ran(flat, flat, flat, power, power, power, energy, np.diff(track.grid_s)[None])
    charge = stored(track, v, ran, np.ones(1)).charge_wh[0]
    return float(np.interp(0.0, -charge, track.grid_s)) / 3600.0


VALUES = {
    "lithium": lambda row: energy_share(row, lead=False),
    "lead": lambda row: energy_share(row, lead=True),
    "lead_share": lambda row: float(cold_share(np.array(float(row["battery_c"])), 1.0, 1.0)),
    "run_down_hours": run_down_hours,
    "exponent_lead": lambda row: PEUKERT_LEAD,
    "exponent_lithium": lambda row: PEUKERT_LITHIUM,
}


def checks(*tables: str) -> list[Any]:
    return [row for table in tables for row in rows("battery_curves", table)]


@pytest.mark.parametrize(
    "row",
    checks(
        "lithium_rate", "lithium_fast", "lithium_cold", "lead_rate", "lead_slower",
        "peukert_driven", "exponents",
    ),
)  # fmt: skip
def test_battery_against_print_and_another_library(row: dict[str, Any]) -> None:
    assert VALUES[row["quantity"]](row) == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("row", checks("lithium_cold", "lead_slower"))
def test_where_the_equation_misses_in_the_cold_it_promises_less(row: dict[str, Any]) -> None:
    assert VALUES[row["quantity"]](row) <= row["expected"] + 0.006


def test_energy_falls_with_rate_and_cold_as_the_librarys_does() -> None:
    """Same order of all rows of one cell: what is worse there is worse here."""
    lithium = [row.values[0] for row in checks("lithium_rate", "lithium_fast")]
    lead = [row.values[0] for row in checks("lead_rate")]
    for group in (lithium, lead):
        ours = [VALUES[row["quantity"]](row) for row in group]
        theirs = [row["expected"] for row in group]
        assert sorted(ours, reverse=True) == ours
        assert sorted(theirs, reverse=True) == theirs


def test_the_fast_lead_cell_gives_less_than_the_equation_promises() -> None:
    """Kept in view: at 2 and 3 C the equation is 9 to 15 points on the unsafe side of this cell."""
    for row in (r.values[0] for r in checks("lead_rate")):
        assert VALUES["lead"](row) > row["expected"]
