"""Uniformity: the means at the four quarters against the mean in the middle."""

from __future__ import annotations

from warmhold.bench.trials.common import (
    Bench,
    Parts,
    judge,
    number,
    result,
    steady_before,
    steady_conditions,
    trace,
)
from warmhold.bench.trials.result import Condition, Result
from warmhold.bench.trials.series import Lack

TITLE = "Uniformity over five points"
POINTS = {"B": "air_b_c", "C": "air_c_c", "D": "air_d_c", "E": "air_e_c"}
CHANNELS = ("air_c", *POINTS.values())


def run(bench: Bench) -> Result:
    """Judge the quarter whose mean is furthest from the middle."""
    window = steady_before(bench, bench.end_s)
    conditions = [*steady_conditions(bench, window), _mattress(bench)]
    tilted = bench.entered.conditions.mattress == "tilted"
    offs: dict[str, float] = {}
    lacking = []
    pieces = {}
    for point, channel in POINTS.items():
        found = bench.piece(channel, window.start_s, window.end_s)
        if isinstance(found, Lack):
            lacking.append(f"point {point}: {found.reason}")
        elif window.air is not None:
            offs[point] = found.mean - window.air.mean
            pieces[point] = found
    judged, facts = [], []
    no_figure = "; ".join(lacking) or ("" if window.air else "no steady hour in the middle")
    if window.air is not None and not lacking:
        worst = max(offs, key=lambda point: abs(offs[point]))
        channel = POINTS[worst]
        budget = (
            Parts(bench, "°C")
            .certificate("air_c", window.air.mean, -1.0)
            .certificate(channel, pieces[worst].mean)
            .resolution("air_c", -1.0)
            .resolution(channel)
            .of_mean(
                "the difference",
                [
                    quarter - middle
                    for quarter, middle in zip(
                        pieces[worst].means_of_tenths(), window.air.means_of_tenths(), strict=True
                    )
                ],
            )
            .note("the two thermometers are taken as calibrated apart from one another")
            .budget()
        )
        key = "uniformity_tilted_c" if tilted else "uniformity_c"
        judged = [
            judge(bench, key, f"largest distance from the middle, at point {worst}",
                  abs(offs[worst]), "°C", budget)
        ]  # fmt: skip
        facts.append(("mean in the middle, A", f"{number(window.air.mean)} °C"))
    facts += [(f"point {p} off the middle", f"{number(off)} °C") for p, off in offs.items()]
    lines = [("A", "air_c"), *POINTS.items()]
    return result(
        bench, "uniformity", TITLE,
        method="Means weighted by time over the last hour looked at, 10 cm above the mattress: "
        "B to E, the middles of the four quarters, less A, the middle.",
        conditions=conditions, judged=judged, window=(window.start_s, window.end_s), facts=facts,
        traces=[trace(bench, "uniformity", "Air at the five points", lines,
                      span_s=(window.start_s, window.end_s))],
        no_figure=no_figure,
    )  # fmt: skip


def _mattress(bench: Bench) -> Condition:
    said = bench.entered.conditions.mattress
    if said is None:
        return Condition("mattress", "mattress", "unknown", "not known", "level or tilted, said",
                         reason="level or tilted was not entered")  # fmt: skip
    return Condition("mattress", "mattress", "met", f"{said}, entered", "level or tilted, said")
