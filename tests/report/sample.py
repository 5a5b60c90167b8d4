"""An invented sheet in the spirit of the winter road: every state and every awkward case occurs.

No value here is computed or true of anything; it only gives the report layer something to draw.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta, timezone

from warmhold.plan.sheet import (
    AlarmLimit,
    Band,
    CylinderRow,
    Driver,
    Hold,
    Kit,
    KitItem,
    LegSpan,
    Margin,
    Mend,
    OxygenRow,
    Plot,
    Series,
    Sheet,
    StartPoint,
    Together,
    WarmUp,
)

ZONE = timezone(timedelta(hours=1))
NOW = datetime(2026, 1, 14, 2, 40, tzinfo=ZONE)

LEGS = (
    LegSpan("loading, front open", 0, 3, "ward", "mains", "wall", 22),
    LegSpan("ward to ambulance", 3, 15, "outdoors", "battery", "cylinder", -4),
    LegSpan("road over the pass", 15, 85, "ambulance", "vehicle", "cylinder", 16),
    LegSpan("snow on the pass (delay, 30 %)", 85, 105, "ambulance", "vehicle", "cylinder", 16),
    LegSpan("lift", 105, 107, "lift", "battery", "cylinder", 18),
    LegSpan("ambulance to the unit", 107, 119, "outdoors", "battery", "cylinder", -4),
)


def _times() -> tuple[float, ...]:
    out: list[float] = []
    for leg in LEGS:
        steps = 12
        length = leg.end_min - leg.start_min
        out += [leg.start_min + length * i / steps for i in range(steps + 1)]
    return tuple(out)


TIMES = _times()


def _curve(key: str, title: str, middle: list[float], half: list[float]) -> Series:
    return Series(
        key=key,
        title=title,
        p05=tuple(m - h for m, h in zip(middle, half, strict=True)),
        p50=tuple(middle),
        p95=tuple(m + h for m, h in zip(middle, half, strict=True)),
    )


def _temperature() -> Plot:
    baby = [36.7 - 0.5 * (1 - math.exp(-t / 45)) + 0.15 * math.sin(t / 25) for t in TIMES]
    baby_half = [0.15 + 0.003 * t for t in TIMES]
    air = [
        35.2 - (4.5 * math.exp(-t / 9)) - (2.2 if 3 < t <= 15 or t > 107 else 0.0) for t in TIMES
    ]
    air_half = [0.4 + 0.5 * math.exp(-t / 10) for t in TIMES]
    wall = [27.0 + 3.0 * (1 - math.exp(-t / 40)) - (2 if t > 107 else 0) for t in TIMES]
    wall_half = [1.1 for _ in TIMES]
    return Plot(
        key="temperature",
        title="Temperature of baby, air and wall",
        unit="°C",
        time_min=TIMES,
        series=(
            _curve("baby", "baby (axillary)", baby, baby_half),
            _curve("air", "air in the hood", air, air_half),
            _curve("wall", "inner wall", wall, wall_half),
        ),
        target=(36.5, 37.5),
        note="The wall stays cold for an hour after the air is warm.",
    )


def _battery() -> Plot:
    def left(t: float) -> float:
        used = 90 - 4.6 * max(0.0, min(t, 15) - 3)
        used += 0.06 * max(0.0, min(t, 105) - 15)
        return max(0.0, used - 4.6 * max(0.0, t - 105))

    middle = [left(t) for t in TIMES]
    half = [min(m, 6 + 0.12 * t) for m, t in zip(middle, TIMES, strict=True)]
    return Plot(
        key="battery",
        title="Battery charge",
        unit="%",
        time_min=TIMES,
        series=(_curve("battery", "battery", middle, half),),
    )


def _cylinders() -> Plot:
    oxygen = [110 - 0.55 * max(0.0, t - 3) for t in TIMES]
    air = [128 - 0.62 * max(0.0, t - 3) for t in TIMES]
    return Plot(
        key="cylinders",
        title="Cylinder pressure",
        unit="bar",
        time_min=TIMES,
        series=(
            _curve("small oxygen", "small oxygen", oxygen, [5 + 0.1 * t for t in TIMES]),
            _curve("small air", "small air", air, [5 + 0.08 * t for t in TIMES]),
        ),
        target=None,
    )


def _oxygen() -> Plot:
    need = [30 + (1.5 if 15 < t <= 105 else 0.0) for t in TIMES]
    return Plot(
        key="oxygen",
        title="Oxygen need",
        unit="%",
        time_min=TIMES,
        series=(
            _curve("need", "oxygen need", need, [5.0] * len(TIMES)),
            Series(
                key="reads",
                title="what the analyser reads",
                p05=(math.nan,) * len(TIMES),
                p50=(math.nan,) * len(TIMES),
                p95=(math.nan,) * len(TIMES),
            ),
        ),
        note="The analyser's offset at height is not known for this unit.",
    )


def _margins() -> tuple[Margin, ...]:
    return (
        Margin(
            key="battery",
            title="Battery, off-mains time twice over",
            unit="min",
            band=Band(-21.0, -9.0, 2.5),
            probability=0.12,
            required=0.95,
            must_hold=True,
            state="falls short",
            worst_at="ward to ambulance",
            sentence="Empty 9 min too early on the walk if off mains twice as long as planned.",
            formula="usable energy at this age and cold / power drawn, less 2 × minutes off mains",
            inputs=(
                ("energy when new", "86 ± 2 Wh", "manual"),
                ("health at 4 years", "0.62 ± 0.08", "assumed"),
                ("usable share", "0.80 ± 0.03", "assumed"),
                ("electronics", "22 ± 2 W", "measured"),
            ),
            sources=("rule of twice the time off mains: practice, recalled",),
            drivers=(
                Driver("battery.health", "battery health at its age", 0.61, "assumed"),
                Driver("start.charge", "charge at the start", 0.2, "stated"),
                Driver("leg.minutes", "minutes on the walk", 0.08, "stated"),
            ),
            assumed=("battery health", "usable share of the battery"),
        ),
        Margin(
            key="heat",
            title="Heater keeps the air at its set point",
            unit="K",
            band=Band(-0.6, 0.3, 0.9),
            probability=0.71,
            required=0.95,
            must_hold=True,
            state="falls short",
            worst_at="ambulance to the unit",
            sentence="The air falls up to 2.6 K below its set point outdoors.",
            formula="2.0 K less the largest fall of the air below its set point",
            assumed=("wall conductance",),
        ),
        Margin(
            key="cold",
            title="Baby above 36.5 °C",
            unit="K",
            band=Band(-0.32, 0.04, 0.31),
            probability=0.9496,
            required=0.95,
            must_hold=True,
            state="falls short",
            worst_at="ambulance to the unit",
            sentence="Lowest 36.5 °C (36.2 to 36.8) at the far end.",
            formula="lowest temperature less 36.5 °C",
        ),
        Margin(
            key="hot",
            title="Baby below 37.5 °C",
            unit="K",
            band=Band(0.4, 0.7, 0.95),
            probability=1.0,
            required=0.95,
            must_hold=True,
            state="holds",
            worst_at="road over the pass",
            sentence="Highest 36.8 °C (36.5 to 37.1).",
            formula="37.5 °C less the highest temperature",
        ),
        Margin(
            key="oxygen",
            title="Oxygen at today's need, twice over",
            unit="min",
            band=Band(31, 58, 92),
            probability=0.991,
            required=0.95,
            must_hold=True,
            state="holds",
            worst_at="at the end",
            sentence="The small cylinder lasts 58 min longer than twice the trip.",
            formula="usable litres / flow, less 2 × minutes on the cylinder",
            assumed=("flow through the blender",),
        ),
        Margin(
            key="altitude",
            title="Height the oxygen still suits",
            unit="m",
            band=None,
            probability=None,
            required=0.95,
            must_hold=True,
            state="cannot tell",
            worst_at="",
            sentence="Cannot tell: the trip gives no height for the pass.",
            formula="ceiling height less the highest height of the trip",
            reason="no leg says how high it goes",
        ),
        Margin(
            key="carbon-dioxide",
            title="Carbon dioxide in the hood",
            unit="%",
            band=Band(0.1, 0.2, 0.3),
            probability=0.97,
            required=0.95,
            must_hold=False,
            state="holds",
            worst_at="",
            sentence="The hood flow keeps it well below the limit.",
            formula="limit less level",
        ),
    )


def winter() -> Sheet:
    """Night A: not yet."""
    return Sheet(
        title="Winter road: Alder Bay to Northmoor",
        identity="Heron 7 · 3200 g · 39.5 weeks · hood 30 % · Alder single · policy Cautious",
        verdict="not yet",
        headline="The battery runs empty on the walk in 88 of 100 such trips; policy allows 5.",
        first_to_fail="The battery, on the walk from ward to ambulance, not on the road.",
        needs_attention=(
            "The air is not stable before 03:40 if you switch on now.",
            "The walls are still cold then: start the air 1.1 K higher.",
            "At −4 °C outdoors the unit is below its rated 10 °C.",
        ),
        start=StartPoint(
            air_set_c=35.2,
            neutral_low_c=32.4,
            neutral_high_c=33.9,
            operative_at_set=Band(31.4, 32.3, 33.1),
            wall_below_air_k=Band(4.8, 6.1, 7.3),
            by_source=(
                ("heat balance of this baby", "32.4 to 33.9 °C operative (derived)"),
                ("table by weight and age", "32.6 to 33.8 °C (memory)"),
            ),
            sentence="Walls 6 K below the air take 2.9 K off what he feels: set 35.2 °C.",
            assumed=("conductance air to wall (assumed)", "table by weight and age (memory)"),
        ),
        warm_up=WarmUp(
            minutes=Band(49, 55, 62),
            minutes_needed=60,
            latest_switch_on=datetime(2026, 1, 14, 2, 5, tzinfo=ZONE),
            earliest_baby_in=datetime(2026, 1, 14, 3, 40, tzinfo=ZONE),
            in_time=0.002,
            sentence="From 12 °C the air takes 55 min (49 to 62) to be stable.",
            assumed=("heat capacity of the wall (assumed)",),
        ),
        margins=_margins(),
        holds=(
            Hold(
                "ward to ambulance",
                Band(14, 19, 26),
                "already on battery",
                ("battery health (assumed)", "usable share (assumed)", "drawn (own)"),
            ),
            Hold("road over the pass", Band(0.0, 0.64, 4.7), "if vehicle power is lost"),
            Hold("ambulance to the unit", Band(math.nan, math.nan, math.nan), "not worked out"),
        ),
        oxygen=(
            OxygenRow("ward to ambulance", 101.3, Band(25, 30, 35), Band(29, 30, 31), ""),
            OxygenRow("lift", 101.3, Band(25, 30, 35), Band(29, 30, 31), ""),
            OxygenRow("road over the pass", 94.6, Band(27, 32, 38), None, "at 560 m"),
        ),
        ceiling_altitude_m=None,
        kit=Kit(
            items=(
                KitItem("second small oxygen cylinder", 1, 4.0),
                KitItem("spare battery", 1, 2.6),
                KitItem("wrap and hat", 1, None),
            ),
            holds=True,
            mass_kg=6.6,
            sentence="The lightest kit out of what is owned that meets policy.",
        ),
        cylinders=(
            CylinderRow("small oxygen", "oxygen", Band(210, 237, 260), 0.0, Band(50, 66, 90), ""),
            CylinderRow("second small", "oxygen", Band(215, 240, 262), 66.0, None, "outlasts it"),
            CylinderRow("small air", "air", Band(300, 320, 340), None, None, "not needed"),
        ),
        alarms=(
            AlarmLimit(
                "Oxygen saturation, low", "%", 92, 92, "as wanted", "Set 92.", "own, one below"
            ),
            AlarmLimit(
                "Oxygen saturation, high",
                "%",
                98,
                98,
                "as wanted",
                "Relax to 100 when in air.",
                "own",
            ),
            AlarmLimit(
                "Pulse, low",
                "/min",
                82,
                85,
                "moved to the safe side",
                "This unit steps by 5.",
                "PMC6906083 Table 6",
            ),
            AlarmLimit(
                "Air temperature, high",
                "°C",
                38.4,
                None,
                "cannot be set",
                "This unit has no such limit: read the air every 5 min instead.",
                "own",
            ),
            AlarmLimit("Oxygen, high", "%", None, None, "not used", "Not used in a hood.", "own"),
        ),
        mends=(
            Mend("carry one spare battery", "battery", 0.12, 0.988, 0.95, True, "2.6 kg more"),
            Mend("wrap and hat", "cold", 0.9496, 0.985, 0.95, True),
            Mend("raise the air by 1 K", "cold", 0.9496, 0.97, 0.95, True, "hot falls to 93 %"),
            Mend("wait for the full warm-up", "heat", 0.71, 0.84, 0.95, False),
        ),
        together=Together(
            changes=(
                "carry one spare battery",
                "put the baby in 60 min later, after a longer warm-up",
                "wrap and hat",
            ),
            holds=True,
            weakest="Baby above 36.5 °C",
            probability=0.962,
            required=0.95,
        ),
        legs=LEGS,
        plots=(_temperature(), _battery(), _cylinders(), _oxygen()),
        assumptions=(
            ("battery health", "0.62 ± 0.08", "from its age of 4 years; never run down"),
            ("wall conductance", "10.5 ± 1.2 W/K", "assumed for this type of hood"),
            ("humidity, road over the pass", "40 ± 10 %", "policy's spread for a plain number"),
        ),
        outside=("Outdoors at −4 °C: the unit is rated from 10 °C; bands are widened.",),
        measure_next="Battery health: run the pack down on the bench; it moves the margin most.",
        trip_facts=(
            ("baby", "Heron 7, 3200 g, 39.5 weeks, 5 h old"),
            ("unit", "Alder single, cold, stood at 12 °C"),
            ("support", "hood, 30 % oxygen"),
        ),
        now=NOW,
        members=1000,
        seed=1,
        version="0.1.0",
    )


def calm() -> Sheet:
    """A sheet where everything holds."""
    sheet = winter()
    margins = tuple(
        replace(m, state="holds", band=Band(5, 9, 14), probability=0.996) for m in sheet.margins
    )
    return replace(
        sheet,
        verdict="go",
        headline="Every margin holds in at least 95 of 100 such trips.",
        first_to_fail="",
        margins=margins,
        mends=(),
        together=None,
        outside=(),
        needs_attention=(),
        warm_up=replace(sheet.warm_up, latest_switch_on=NOW + timedelta(minutes=12), in_time=0.97),
    )


def cooled() -> Sheet:
    """A baby cooled on purpose: no warm-up, no neutral temperature, changes that are not enough."""
    sheet = winter()
    assert sheet.together is not None
    return replace(
        sheet,
        title="Cooled on a hot day",
        headline="Cooled baby not above target: short by 0.7 K; kept in 13 % of simulated trips.",
        start=replace(
            sheet.start,
            neutral_low_c=None,
            neutral_high_c=None,
            by_source=(),
            reason="Cooled on purpose: no neutral temperature applies.",
        ),
        warm_up=WarmUp(
            None,
            None,
            None,
            None,
            None,
            "Cooled on purpose: the unit need not be warm. Have it ready to warm when told.",
        ),
        oxygen=sheet.oxygen[:2],
        kit=Kit(
            (KitItem("oxygen, 5 L", 1, None),), True, 0.0, "What is already on the unit is enough."
        ),
        together=replace(sheet.together, holds=False, weakest="Not too warm", probability=0.83),
    )


def blank() -> Sheet:
    """A sheet where almost nothing is known."""
    sheet = winter()
    return replace(
        sheet,
        title="Unknown <b>&amp;</b> [red]trip[/red]",
        verdict="cannot tell",
        headline="The weight is not given.",
        first_to_fail="",
        needs_attention=(),
        start=StartPoint(None, None, None, None, None, (), "", "the weight is not given"),
        warm_up=WarmUp(None, None, None, None, None, ""),
        margins=(sheet.margins[5],),
        holds=(),
        oxygen=(),
        kit=Kit((), False, None, "No kit that is owned meets policy."),
        cylinders=(),
        alarms=(),
        mends=(),
        together=None,
        legs=(),
        plots=(Plot("temperature", "Temperature", "°C", (), ()),),
        assumptions=(),
        outside=(),
        measure_next="",
        trip_facts=(),
    )
