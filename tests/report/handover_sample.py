"""An invented handover in the spirit of the winter road, an empty one, and a hostile one.

No value here is true of anyone; it only gives the page something to say.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from warmhold.plan.sheet import Band
from warmhold.report.handover import (
    Correction,
    Gap,
    Handover,
    Happening,
    Left,
    LimitSet,
    Milestone,
    Note,
    Noticed,
    Reading,
    Skipped,
    Support,
    TemperatureSpan,
    TimeInTarget,
)

HEAD = hashlib.sha256(b"an invented record").hexdigest()


def at(clock: str, day: int = 15) -> datetime:
    """Give a moment of the night in UTC; the trip's clock is an hour ahead."""
    hour, minute = map(int, clock.split(":"))
    return datetime(2026, 1, day, hour, minute, tzinfo=UTC) - timedelta(hours=1)


def winter() -> Handover:
    """Write a normal trip: seventy minutes of road, a port left open, one value corrected."""
    return Handover(
        title="Alder Bay to Northmoor by road",
        pseudonym="Heron 14",
        weight_g=3200,
        gestation_weeks=39 + 2 / 7,
        age_h=8,
        unit="Alder single-wall",
        place_from="Alder Bay cottage hospital",
        place_to="Northmoor children's unit",
        times=(
            Milestone("Baby went in", at("03:42")),
            Milestone("Left", at("03:55")),
            Milestone("Arrived", at("05:14"), Correction("05:41", at("05:20"), "Ines (nurse)")),
        ),
        handed_over_by="Ines (transport nurse)",
        taken_over_by="Tomas (receiving nurse)",
        taken_over_at=at("05:31"),
        reason="Breathing fast and needing oxygen since the second hour; no beds with oxygen above "
        "30 % at Alder Bay.",
        main_problem="Breathing fast, oxygen need slowly rising.",
        present_state="Pink, breathing 72/min with some effort, warm hands, awake in the harness.",
        background=(
            Note("Birth", "Planned section at 39 weeks for breech; cried at once, no help needed."),
            Note("Lines and tubes", "Cannula in the left hand, placed 01:10; stomach tube 18 cm."),
            Note("Infection", "Membranes ruptured at birth; mother well, no fever."),
            Note("Family", "Mother follows tomorrow; father in the second car, phone in notes."),
        ),
        temperatures=TemperatureSpan(
            first=Reading("axillary_c", 36.7, at("03:42")),
            lowest=Reading("axillary_c", 36.3, at("04:20")),
            highest=Reading("axillary_c", 36.9, at("05:10")),
            last=Reading("axillary_c", 36.9, at("05:10")),
        ),
        in_target=(
            TimeInTarget("Temperature, axillary", "°C", 36.5, 37.5, 68, 92, 17, 24, 0),
            TimeInTarget("Saturation, pre-ductal", "%", 92, 98, 71, 97, 12, 14, 12),
        ),
        target_rule="Each value counts until the next, for 15 minutes at most.",
        latest=(
            Reading("pulse_per_min", 148, at("05:10")),
            Reading("saturation_pre_percent", 93, at("05:10")),
            Reading(
                "breaths_per_min",
                72,
                at("05:10"),
                correction=Correction(27, at("05:12"), "Ines (nurse)"),
            ),
            Reading("pressure_mean_mmhg", 44, at("04:50")),
            Reading("glucose_mmol_l", 3.1, at("03:30")),
            Reading("skin_c", 36.4, at("05:10"), site="belly"),
            Reading("air_c", 34.2, at("05:10")),
            Reading("air_set_c", 34.5, at("04:31")),
            Reading("heater_percent", 65, at("05:10")),
            Reading("hood_humidity_percent", 38, at("05:10"), flag="lower than at any set before"),
        ),
        support=Support(
            "hood",
            Reading("flow_lpm", 8, at("05:10")),
            Reading("oxygen_set_percent", 38, at("04:52")),
            Reading("oxygen_percent", 37, at("05:10")),
        ),
        assessment=(
            Note("Infusions", "Glucose 10 % at 8 mL/h through the left hand.", at("05:10")),
            Note("Blood gas", "Capillary before leaving: pH 7.31, CO2 6.4 kPa.", at("03:25")),
        ),
        happenings=(
            Happening(at("03:55"), "leg started", "ward to ambulance, on battery"),
            Happening(at("04:04"), "power source changed", "battery to vehicle"),
            Happening(at("04:05"), "leg started", "road over the pass"),
            Happening(at("04:17"), "port closed", "found ajar on the left side"),
            Happening(at("04:31"), "note", "air set raised from 34.0 to 34.5 °C"),
            Happening(at("04:38"), "alarm silenced", "saturation low, baby moving"),
            Happening(
                at("04:52"),
                "note",
                "oxygen raised from 32 to 38 %",
                Correction("oxygen raised from 32 to 83 %", at("04:53"), "Ines (nurse)"),
            ),
            Happening(at("04:58"), "cylinder changed", "A closed, B opened"),
            Happening(at("05:14"), "leg ended", "road over the pass"),
            Happening(at("05:15"), "power source changed", "vehicle to battery"),
        ),
        noticed=(
            Noticed(
                "Hood not closed, or heat leaking",
                "medium",
                at("04:12"),
                "air 1.4 K below what this heater output gives, at 3 readings in a row",
                at("04:19"),
            ),
            Noticed(
                "Battery weaker than its profile",
                "medium",
                at("04:02"),
                "charge bar fell by 2 divisions in 9 min, 1 was expected",
            ),
        ),
        gaps=(Gap(at("04:20"), at("04:50"), "no set (due every 15 min)"),),
        skipped=(Skipped("Ran on battery for a minute", "called to leave at once"),),
        left=(
            Left("Battery", "%", Band(41, 52, 61), "worked out", at("05:31"), Band(24, 33, 41)),
            Left("Oxygen, cylinder A", "bar", Band(18, 20, 22), "read", at("04:58"), note="closed"),
            Left(
                "Oxygen, cylinder B",
                "bar",
                Band(111, 115, 119),
                "read",
                at("05:10"),
                Band(58, 66, 73),
            ),
        ),
        limits=(
            LimitSet("Saturation, low", "%", 90, 90),
            LimitSet("Saturation, high", "%", 98, 98),
            LimitSet("Pulse, low", "/min", 90, 100, at("04:40")),
            LimitSet("Pulse, high", "/min", 200, 200),
            LimitSet("Skin, low", "°C", 36.0, 36.0),
            LimitSet("Skin, high", "°C", 37.5, 37.5),
            LimitSet("Oxygen, low", "%", None, 25),
        ),
        recommendation=(
            Note("First", "Put the unit on mains at once: the battery is weaker than it shows."),
            Note("Watch", "Oxygen need: 30 to 38 % in 90 min. Film of the chest not yet taken."),
            Note("Due", "Glucose again by 06:00; blood culture result pending at Alder Bay."),
            Note("Family", "Call the father on arrival."),
        ),
        made=at("05:33"),
        offset=timedelta(hours=1),
        record_seq=148,
        record_head=HEAD,
        version="0.1.0",
    )


def empty() -> Handover:
    """Nothing was planned, seen or said."""
    return Handover()


HOSTILE = (
    "<script>alert(1)</script> & <b>bold</b> </style><!-- \" onload='x' {{ 7*7 }} {% raw %}",
    '#panic() $ x^2 $ *bold* _it_ = Heading\\ #eval("1") `raw` @ref <label> // gone /* gone */',
    "W" * 120,
    "a/very/long-word_without.spaces" * 4,
    "😀 👨‍👩‍👧 ❤️ 🇳🇴 ⚠️",
    "שלום עולם 36.8 مرحبا بالعالم 12:30",
    "\x00\x07\x1b[31mred\u202eevil\u2066\ufeff\u200b\ud800",
    "Z" + "\u0301\u0338\u0489" * 40 + "algo",
    "one\r\ntwo\u2028three\ttab",
    "漢字 नमस्ते ไทย \ufffe\ufdd0\U000e0041",
    "None nan -0",
)


def hostile(text: str) -> Handover:
    """Put one text wherever a user, a file or another layer could put one."""
    fix = Correction(text, at("05:20"), text)
    reading = Reading("vent_text", text, at("05:10"), text, text, fix)
    full = winter()
    return replace(
        full,
        title=text,
        pseudonym=text,
        unit=text,
        place_from=text,
        place_to=text,
        times=(Milestone(text, at("05:14"), fix),),
        handed_over_by=text,
        taken_over_by=text,
        taken_over_correction=fix,
        reason=text,
        main_problem=text,
        present_state=text,
        background=(Note(text, text, at("05:14"), fix),),
        temperatures=TemperatureSpan(reading, reading, reading, reading),
        in_target=(TimeInTarget(text, text, 1, 2, 3, 4, 5, 1, 0),),
        target_rule=text,
        latest=(reading, Reading(text, 1.5), Reading(f"gauge_bar:{text}", 80)),
        support=Support(text, reading, reading, reading, reading),
        assessment=(Note(text, text),),
        happenings=(Happening(at("05:00"), text, text, fix),),
        noticed=(Noticed(text, "high", at("05:00"), text),),
        gaps=(Gap(at("05:00"), None, text),),
        skipped=(Skipped(text, text),),
        left=(Left(text, text, Band(1, 2, 3), "read", None, Band(1, 2, 3), text, fix),),
        limits=(LimitSet(text, text, text, 3, at("05:00"), fix),),
        recommendation=(Note(text, text),),
        record_head=text,
        version=text,
        cautions=(*full.cautions, text),
    )
