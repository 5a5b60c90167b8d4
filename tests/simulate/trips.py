"""Invented trips by hand for the tests of the engine: doors, cold, sun, an empty battery."""

from __future__ import annotations

from laboratory import Baby, Setup, hood_setup

from warmhold.science.air import absolute_humidity_g_m3, saturation_vapour_kpa


def vapour(temp_c: float, humidity: float) -> float:
    """Absolute humidity of outside air [g/m3]."""
    return float(absolute_humidity_g_m3(humidity * saturation_vapour_kpa(temp_c), temp_c))


def winter_road() -> Setup:
    """Cold start, single wall, lead-acid: doors, frost, sun, thin air, an empty battery, mains."""
    ward = {"AMBIENT": 22.0, "AMBIENT_VAPOUR": vapour(22, 0.4), "EXTERNAL_W": 320.0}
    frost = {
        "AMBIENT": -4.0,
        "AMBIENT_VAPOUR": vapour(-4, 0.75),
        "WIND": 2.0,
        "ON_EXTERNAL": 0.0,
        "EXTERNAL_W": 0.0,
        "HOOD_OXYGEN": 1.5 / 60000,
    }
    cabin = {
        "AMBIENT": 16.0,
        "AMBIENT_VAPOUR": vapour(16, 0.4),
        "WIND": 0.2,
        "EXTERNAL_W": 170.0,
        "HOOD_OXYGEN": 1.5 / 60000,
    }
    return hood_setup(
        Baby(3.2, 39.5, 5.0, 51.0),
        [
            (25, {**ward, "ABOARD": 0.0}),
            (3, {**ward, "OPENING": 0.015}),
            (12, frost),
            (30, {**cabin, "SUN": 150.0}),
            (2, {**cabin, "OPENING": 0.0025}),
            (38, {**cabin, "PRESSURE": 90.0}),
            (25, frost),
            (10, {"EXTERNAL_W": 320.0}),
        ],
        stood_c=12.0,
        charge_share=0.9,
        output_s=120.0,
    )


def small_baby_by_air() -> Setup:
    """Double wall under skin control with a humidifier, lithium, thin air, a compressor."""
    kept = {"HUMIDITY_SET": 0.7, "AIR_SET": 36.5}
    return hood_setup(
        Baby(1.0, 27.0, 30.0, wears=("bag",)),
        [
            (40, {**kept, "ABOARD": 0.0}),
            (3, {**kept, "OPENING": 0.015}),
            (
                15,
                {
                    **kept,
                    "AMBIENT": 5.0,
                    "AMBIENT_VAPOUR": vapour(5, 0.7),
                    "WIND": 4.0,
                    "ON_EXTERNAL": 0.0,
                },
            ),
            (
                60,
                {
                    **kept,
                    "AMBIENT": 18.0,
                    "PRESSURE": 85.0,
                    "EXTERNAL_W": 300.0,
                    "COMPRESSING": 1.0,
                },
            ),
            (2, {**kept, "AMBIENT": 18.0, "OPENING": 0.0025}),
            (90, {**kept, "AMBIENT": 18.0, "ON_EXTERNAL": 0.0}),
        ],
        unit="rowan-double",
        changes={"SKIN_MODE": 1.0, "COMPRESSOR_W": 60.0},
        stood_c=18.0,
        output_s=120.0,
    )


TRIPS = {"winter road": winter_road, "small baby by air": small_baby_by_air}
