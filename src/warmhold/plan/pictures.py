"""The curves of the sheet, over nominal minutes from the baby going in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from warmhold.model import Cylinder
from warmhold.plan import measures
from warmhold.plan.sheet import LegSpan, Plot, Series
from warmhold.simulate import layout as at
from warmhold.simulate.readouts import body_temperature_c, leg_of_output
from warmhold.simulate.scenario import Outcome

Floats = NDArray[np.float64]
LONGEST_LEAD_IN_MIN = 60.0  # of the warm-up that is shown


def _nominal_min(outcome: Outcome) -> Floats:
    """Nominal minutes of each output from the baby going in."""
    since = [0.0]
    for stretch in outcome.ensemble.stretches:
        share = np.arange(1, stretch.outputs + 1) / stretch.outputs
        since += list(since[-1] + stretch.nominal_min * share)
    minutes = np.array(since)
    return np.asarray(minutes - minutes[outcome.aboard_from])


def leg_spans(outcome: Outcome) -> tuple[LegSpan, ...]:
    """Warm-up, loading and legs on the plots' axis."""
    minutes = _nominal_min(outcome)
    trip = outcome.ensemble.case.trip
    found: list[LegSpan] = []
    for number, stretch in enumerate(outcome.ensemble.stretches):
        begin = float(minutes[outcome.edges[number]])
        end = float(minutes[outcome.edges[number + 1]])
        if stretch.leg is None:
            begin = max(begin, -LONGEST_LEAD_IN_MIN)
            start = trip.start
            found.append(
                LegSpan(
                    stretch.name, begin, end, start.place, start.power, "wall",
                    start.ambient_c.value,
                )
            )  # fmt: skip
        elif found and found[-1].name == stretch.name:
            last = found.pop()
            found.append(
                LegSpan(
                    last.name, last.start_min, end, last.place, last.power, last.gas,
                    last.ambient_c,
                )
            )  # fmt: skip
        else:
            leg = trip.legs[stretch.leg]
            found.append(
                LegSpan(leg.name, begin, end, leg.place, leg.power, leg.gas, leg.ambient_c.value)
            )
    return tuple(found)


def _series(key: str, title: str, values: Floats) -> Series:
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95), axis=0)
    return Series(key, title, *(tuple(float(v) for v in row) for row in (low, middle, high)))


def plots(outcome: Outcome, unknown: frozenset[str] = frozenset()) -> tuple[Plot, ...]:
    """All plots of the sheet, but for what cannot be told."""
    minutes = _nominal_min(outcome)
    shown = minutes >= -LONGEST_LEAD_IN_MIN - 1e-9
    axis = tuple(float(m) for m in minutes[shown])
    case = outcome.ensemble.case
    low, high = measures.body_bounds_c(case.policy, case.trip.baby.cooled)
    body = body_temperature_c(outcome)
    site = "rectal" if case.trip.baby.temperature_site == "rectal" else "axillary"
    aboard = np.arange(len(minutes)) >= outcome.aboard_from
    found = [
        Plot(
            "temperature", "Hood", "°C", axis,
            (
                _series("air", "hood air", outcome.state(at.AIR)[:, shown]),
                _series("wall", "inner wall", outcome.state(at.WALL)[:, shown]),
                _series("operative", "what the baby feels", outcome.flow(at.F_OPERATIVE)[:, shown]),
            ),
            None,
            "Air and wall together make what the baby feels (operative temperature).",
        ),
        Plot(
            "core", "Baby", "°C", tuple(float(m) for m in minutes[aboard]),
            (
                _series("core", f"core, as read ({site})", body[:, aboard]),
                _series("skin", "skin", outcome.state(at.SKIN)[:, aboard]),
            ),
            (low, high),
            f"Policy's band is for {site} temperature.",
        ),
        Plot(
            "battery", "Battery: usable energy left", "Wh", axis,
            (_series("battery", "energy", np.maximum(outcome.state(at.CHARGE)[:, shown], 0.0)),),
            None,
            "Energy at 25 °C and rated power; cold and a heavy draw use it up faster.",
        ),
    ]  # fmt: skip
    found.append(
        Plot(
            "minutes", "Battery: minutes left if outside power were lost now", "min", axis,
            (_series("minutes", "minutes", measures.minutes_at_leg_draw(outcome)[:, shown]),), None,
            "At the mean draw of each leg.",
        )
    )  # fmt: skip
    cylinders = _cylinder_series(outcome)
    if cylinders:
        found.append(
            Plot(
                "cylinders", "Cylinders: litres left above the residual", "L",
                tuple(float(m) for m in minutes[aboard]), cylinders, None,
                "All carried cylinders of a gas together, at 15 °C and one atmosphere.",
            )
        )  # fmt: skip
    if outcome.ensemble.case.trip.baby.support != "none":
        found.append(_oxygen_plot(outcome, minutes, aboard))
    hidden = {
        key
        for key, margin in (
            ("temperature", "heat"), ("core", "cold"), ("core", "hot"), ("battery", "battery"),
            ("minutes", "battery"), ("cylinders", "oxygen"), ("oxygen", "altitude"),
        )
        if margin in unknown
    }  # fmt: skip
    return tuple(plot for plot in found if plot.key not in hidden)


def cylinder_course(outcome: Outcome, lpm: Floats, litres: Floats) -> Floats:
    """Litres left at every output from the baby going in on, (members, outputs)."""
    ensemble = outcome.ensemble
    flow = np.zeros((len(litres), len(ensemble.stretches)))
    for number, stretch in enumerate(ensemble.stretches):
        if stretch.leg is not None:
            flow[:, number] = lpm[:, stretch.leg]
    used = [np.zeros(len(litres))]
    for number, stretch in enumerate(ensemble.stretches):
        each = flow[:, number] * ensemble.durations_s[:, number] / 60.0 / stretch.outputs
        for _ in range(stretch.outputs):
            used.append(used[-1] + each)
    return np.maximum(litres[:, None] - np.column_stack(used), 0.0)[:, outcome.aboard_from :]


def _cylinder_series(outcome: Outcome) -> tuple[Series, ...]:
    gas = outcome.ensemble.gas
    found = []
    for kind, lpm in (("oxygen", gas.oxygen_lpm), ("air", gas.air_lpm)):
        carried: list[Cylinder] = [
            c for c in outcome.ensemble.case.trip.supplies.cylinders if c.gas == kind
        ]
        if carried:
            litres = measures.contents(outcome.ensemble, kind).litres
            found.append(_series(kind, kind, cylinder_course(outcome, lpm, litres)))
    return tuple(found)


def _oxygen_plot(outcome: Outcome, minutes: Floats, aboard: NDArray[np.bool_]) -> Plot:
    need = outcome.ensemble.gas.need_fraction * 100.0
    leg = np.maximum(leg_of_output(outcome), 0)
    shown = tuple(float(m) for m in minutes[aboard])
    series = [_series("need", "oxygen needed", need[:, leg][:, aboard])]
    if outcome.ensemble.case.trip.baby.support in ("none", "hood", "cannula"):
        series.append(
            _series("hood", "oxygen in the hood", 100.0 * outcome.state(at.OXYGEN)[:, aboard])
        )
    return Plot(
        "oxygen", "Oxygen", "%", shown, tuple(series), None,
        "Needed at the pressure of each leg for the same inspired partial pressure.",
    )  # fmt: skip
