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
from warmhold.bench.trials.result import Condition, Judged, Result, worst
from warmhold.bench.trials.series import Lack, Piece

TITLE = "Uniformity over five points"
POINTS = {"B": "air_b_c", "C": "air_c_c", "D": "air_d_c", "E": "air_e_c"}
CHANNELS = ("air_c", *POINTS.values())


def run(bench: Bench) -> Result:
    """Judge the quarter whose mean is furthest from the middle, and any that is judged worse."""
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
        key = "uniformity_tilted_c" if tilted else "uniformity_c"
        order = sorted(offs, key=lambda point: -abs(offs[point]))
        judged = [
            _point(bench, key, point, offs[point], pieces[point], window.air) for point in order
        ]
        # a point nearer to the middle is only told when its thermometer makes it the worse
        judged = [
            one for i, one in enumerate(judged)
            if i == 0 or worst([one.verdict, judged[0].verdict]) != judged[0].verdict
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


def _point(bench: Bench, key: str, point: str, off: float, quarter: Piece, middle: Piece) -> Judged:
    channel = POINTS[point]
    differences = [
        a - b for a, b in zip(quarter.means_of_tenths(), middle.means_of_tenths(), strict=True)
    ]
    budget = (
        Parts(bench, "°C")
        .certificate("air_c", middle.mean, -1.0)
        .certificate(channel, quarter.mean)
        .resolution("air_c", -1.0)
        .resolution(channel)
        .of_mean("the difference", differences)
        .note("the two thermometers are taken as calibrated apart from one another")
        .budget()
    )
    return judge(bench, key, f"distance from the middle at point {point}", abs(off), "°C", budget)


def _mattress(bench: Bench) -> Condition:
    said = bench.entered.conditions.mattress
    if said is None:
        return Condition("mattress", "mattress", "unknown", "not known", "level or tilted, said",
                         reason="level or tilted was not entered")  # fmt: skip
    return Condition("mattress", "mattress", "met", f"{said}, entered", "level or tilted, said")
