"""Oxygen two-point check: what the unit shows in two gases, entered or held in the log."""

from __future__ import annotations

from dataclasses import dataclass

from warmhold.bench.trials.common import Bench, Parts, asked, judge, number, result, trace
from warmhold.bench.trials.result import Condition, Judged, Met, Result
from warmhold.bench.trials.series import Lack, read_at
from warmhold.bench.trials.skin import held
from warmhold.bench.uncertainty import from_certificate, resolution

TITLE = "Oxygen two-point check"
CHANNELS = ("oxygen_shown_percent", "oxygen_reference_percent")
_STILL_PERCENT, _OVER_S = 0.5, 120.0  # a gas that is let flow until its figure stands (own choice)


@dataclass(frozen=True)
class _Point:
    reference: float
    shown: float
    where: str
    span: tuple[float, float] | None = None
    reference_u: float | None = None
    step: float | None = None


def run(bench: Bench) -> Result:
    """Judge the display at each gas; the two have to lie far enough apart."""
    points, trouble = _points(bench)
    row = bench.limits.get("oxygen_apart_percent")
    wanted = asked(row) if row is not None else "nothing by this set"
    rows = () if row is None else (row,)
    apart = max((p.reference for p in points), default=0.0) - min(
        (p.reference for p in points), default=0.0
    )
    if row is None:
        condition = Condition("apart", "gases far apart", "not asked", f"{apart:g} %", wanted)
    elif len(points) < 2:
        reason = trouble or f"{len(points)} of two gases: neither entered nor held in the log"
        condition = Condition("apart", "two gases", "unknown", "not known", wanted, rows, reason)
    else:
        met: Met = "met" if apart >= (row.value or 0.0) else "unmet"
        condition = Condition("apart", "gases far apart", met, f"{apart:.1f} %", wanted, rows)
    judged = [_judged(bench, point) for point in points]
    facts = [
        (f"in {number(p.reference, 1)} %, {p.where}", f"shown {number(p.shown, 1)} %")
        for p in points
    ]
    lines = [("shown", "oxygen_shown_percent"), ("test gas", "oxygen_reference_percent")]
    traces = [trace(bench, "oxygen", "Oxygen", lines)] if bench.log.has(*CHANNELS) else []
    return result(
        bench, "oxygen", TITLE,
        method="What the unit shows less what the gas holds, once both stand still.",
        conditions=[condition], judged=judged, facts=facts, traces=traces,
        no_figure="" if judged else (trouble or "no gas was entered or held in the log"),
    )  # fmt: skip


def _points(bench: Bench) -> tuple[list[_Point], str]:
    if bench.entered.oxygen:
        return [
            _Point(one.reference_percent, one.shown_percent, "entered", None, one.reference_u,
                   one.step)
            for one in bench.entered.oxygen
        ], ""  # fmt: skip
    seconds, values = read_at(bench.log, "oxygen_reference_percent")
    inside = (seconds >= bench.start_s - 1e-6) & (seconds <= bench.end_s + 1e-6)
    spans = held(seconds[inside], values[inside], _STILL_PERCENT, _OVER_S, bench.gap_s)
    out: list[_Point] = []
    for span in spans:
        gas = bench.piece("oxygen_reference_percent", *span)
        shown = bench.piece("oxygen_shown_percent", *span)
        if isinstance(gas, Lack):
            return out, gas.reason
        if isinstance(shown, Lack):
            return out, shown.reason
        out.append(_Point(gas.mean, shown.mean, bench.clock(span[0]), span))
    return out, ""


def _judged(bench: Bench, point: _Point) -> Judged:
    parts = Parts(bench, "%")
    if point.span is None:
        if point.reference_u is None:
            parts.lack("the uncertainty of the test gas (reference_u)")
        else:
            parts.plain("test gas", from_certificate(point.reference_u, 2.0), "entered, U with k 2")
        step = point.step if point.step is not None else bench.step("oxygen_shown_percent")
        if step is None:
            parts.lack("the display step (step)")
        else:
            parts.plain("resolution of the display", resolution(step), f"step {step:g}")
    else:
        parts.certificate("oxygen_reference_percent", point.reference, -1.0)
        parts.resolution("oxygen_shown_percent")
        shown = bench.piece("oxygen_shown_percent", *point.span)
        if not isinstance(shown, Lack):
            parts.of_mean("the display", shown.means_of_tenths())
    return judge(
        bench, "oxygen_off_percent", f"shown less gas at {number(point.reference, 1)} %",
        point.shown - point.reference, "%", parts.budget(), level=point.reference,
        name=f"oxygen_off_at_{point.reference:.0f}_percent",
    )  # fmt: skip
