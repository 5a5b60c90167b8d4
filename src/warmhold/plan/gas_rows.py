"""The carried cylinders one by one: contents, and when to change over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from warmhold.plan import measures
from warmhold.plan.sheet import Band, CylinderRow
from warmhold.plan.words import band, band_of, number, share
from warmhold.simulate.scenario import Outcome

Floats = NDArray[np.float64]


def cylinder_rows(outcome: Outcome) -> tuple[CylinderRow, ...]:
    """Every carried cylinder, opened in the order in which the trip lists those of its gas."""
    gas = outcome.ensemble.gas
    found: list[CylinderRow] = []
    for kind, lpm in (("oxygen", gas.oxygen_lpm), ("air", gas.air_lpm)):
        names = [c.name for c in outcome.ensemble.case.trip.supplies.cylinders if c.gas == kind]
        together = np.zeros(len(lpm))
        opened: float | None = 0.0
        for name, litres in zip(names, measures.contents(outcome.ensemble, kind).each, strict=True):
            together = together + litres
            empty, _ = measures.runs_out_min(outcome, lpm, together)
            used = bool((lpm > 0.0).any()) and opened is not None
            row = _row(name, kind, litres, opened if used else None, empty)
            found.append(row)
            opened = row.empty_min.p50 if used and row.empty_min is not None else None
    return tuple(found)


def _row(name: str, kind: str, litres: Floats, opened: float | None, empty: Floats) -> CylinderRow:
    contents = band_of(litres)
    if opened is None:
        return CylinderRow(name, kind, contents, None, None, "not needed as planned: a reserve")
    if float(np.mean(np.isfinite(empty))) < 0.5:
        lasts_in = share(float(np.mean(~np.isfinite(empty))))
        return CylinderRow(
            name,
            kind,
            contents,
            opened,
            None,
            f"lasts {lasts_in} of simulated trips, policy's reserve not counted",
        )
    finite = empty[np.isfinite(empty)]
    lasts: Band = band_of(finite)
    return CylinderRow(
        name, kind, contents, opened, lasts,
        f"down to its residual {band(lasts, 0)} min after the baby goes in: change over by "
        f"{number(lasts.p05, 0)} min",
    )  # fmt: skip
