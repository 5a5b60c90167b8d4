"""What the science functions give for the rows of tests/reference/{thermal,air,battery}.toml."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import psychrolib
import pytest

from reference_rows import rows
from warmhold.science import air, battery, body, breath, heat, metabolism, skin

Row = dict[str, Any]


def _worst(ours: Any, theirs: Callable[[float], float], low: float, high: float) -> float:
    psychrolib.SetUnitSystem(psychrolib.SI)
    points = [float(t) for t in np.linspace(low, high, 101)]
    return max(abs(float(ours(t)) / theirs(t) - 1.0) for t in points)


def _their_humidity(temp_c: float) -> float:
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, 0.5, 101325.0)
    return float(1000.0 * ratio / psychrolib.GetMoistAirVolume(temp_c, ratio, 101325.0))


def _water_loss_mean(row: Row) -> float:
    weeks = np.linspace(row["from_weeks"], row["to_weeks"], 21)
    days = np.linspace(0.25, row["to_days"], 21)
    loss = [skin.water_loss_first_day_g_m2h(w) * skin.water_loss_age_share(w, days) for w in weeks]
    return float(np.mean(loss))


def _breath_water(row: Row) -> float:
    breathed = breath.ventilation_lpm(row["oxygen_ml_min_kg"] * breath.WATT_PER_ML_MIN)
    held = air.absolute_humidity_g_m3(
        row["rh"] * air.saturation_vapour_kpa(row["air_c"]), row["air_c"]
    )
    return float(breath.breath_water_g_h(breathed, held)) * 1000.0 / 60.0


def _peukert_hours(row: Row) -> float:
    # 40 Ah at 20 h is 2 A; in energy the voltage cancels
    rated_a, capacity_ah = 2.0, 40.0
    share = float(battery.rate_share(row["current_a"], rated_a, 1.15))
    return capacity_ah / (row["current_a"] * share)


VALUES: dict[str, Callable[[Row], float]] = {
    "warmed_humidity": lambda r: float(
        air.relative_humidity(r["room_rh"] * air.saturation_vapour_kpa(r["room_c"]), r["to_c"])
    ),
    "saturation_gap": lambda r: _worst(
        lambda t: 1000.0 * air.saturation_vapour_kpa(t),
        psychrolib.GetSatVapPres,
        r["low"],
        r["high"],
    ),
    "absolute_humidity_gap": lambda r: _worst(
        lambda t: air.absolute_humidity_g_m3(0.5 * air.saturation_vapour_kpa(t), t),
        _their_humidity,
        r["low"],
        r["high"],
    ),
    "density_gap": lambda r: _worst(
        lambda t: air.air_density_kg_m3(t, 101.325),
        lambda t: float(psychrolib.GetDryAirDensity(t, 101325.0)),
        r["low"],
        r["high"],
    ),
    "lead_share": lambda r: float(battery.temperature_share(r["battery_c"], 1.0)),
    "lithium_share": lambda r: float(battery.temperature_share(r["battery_c"], 0.0)),
    "peukert_hours": _peukert_hours,
    "lithium_charging": lambda r: float(battery.charging_share(0.5, r["battery_c"], 0.0)),
    "surface": lambda r: float(body.surface_area_m2(r["weight_g"], r["length_cm"])),
    "surface_by_weight": lambda r: float(body.surface_area_by_weight_m2(r["weight_g"])),
    "deficit": lambda r: 3600.0 / body.SPECIFIC_HEAT_J_KG_K,
    "natural_film": lambda r: float(heat.natural_film_w_m2k(r["difference_k"])),
    "radiant_film": lambda r: float(
        heat.radiant_film_w_m2k(r["warm_c"], r["cool_c"], r["fraction"])
    ),
    "radiant_film_black": lambda r: (
        float(heat.radiant_film_w_m2k(r["warm_c"], r["cool_c"], r["fraction"]))
        / heat.SKIN_EMISSIVITY
    ),
    "mixed_film": lambda r: float(
        heat.mixed_film_w_m2k(
            heat.natural_film_w_m2k(r["difference_k"]),
            heat.forced_film_w_m2k(r["speed"], 101.325),
        )
    ),
    "outside_film": lambda r: float(heat.outside_film_w_m2k(r["speed"])),
    "water_loss": lambda r: float(skin.water_loss_first_day_g_m2h(r["weeks"])),
    "water_loss_ratio": lambda r: float(
        skin.water_loss_first_day_g_m2h(25.0) / skin.water_loss_first_day_g_m2h(39.5)
    ),
    "water_loss_mean": _water_loss_mean,
    # day 0 of the table is a whole day: its middle is 12 h
    "age_share": lambda r: float(
        skin.water_loss_age_share(r["weeks"], r["days"])
        / skin.water_loss_age_share(r["weeks"], 0.5)
    ),
    "rest": lambda r: float(metabolism.resting_w_kg(r["weeks"], r["age_h"])),
    "summit": lambda r: float(metabolism.cold_ceiling_w_kg(r["weeks"], 1.0)),
    "breath_water": _breath_water,
    "expired_kpa": lambda r: breath.EXPIRED_VAPOUR_KPA,
}


def value(row: Row) -> float:
    """What the model gives for one row."""
    return VALUES[row["quantity"]](row)


def holds(row: Row) -> bool:
    return abs(value(row) - row["expected"]) <= row["tolerance"]


def checks(file: str, *tables: str) -> list[Any]:
    """Rows for parametrize; a row that is known not to hold fails strictly, with its figure."""
    found = []
    for table in tables:
        for parameter in rows(file, table):
            row = parameter.values[0]
            marks = (
                [pytest.mark.xfail(strict=True, reason=f"residual: {row['not_held']}")]
                if "not_held" in row
                else []
            )
            found.append(pytest.param(row, id=f"{table}: {parameter.id}", marks=marks))
    return found
