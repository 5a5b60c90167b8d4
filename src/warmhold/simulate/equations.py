"""The coupled equations of baby, hood, heater, battery and gas: one right-hand side.

Written once, for one member (1-D vectors) and for a whole ensemble (rows by members) alike: only
NumPy ufuncs, ``choose`` and the science functions. Every executor uses this text.

Energy is kept on nodes of constant heat capacity; ``HEAT_LEDGER`` adds what crosses the boundary,
so that stored heat minus ledger stays at its first value however the nodes exchange: a check of
the whole right-hand side. ``WATER_LEDGER`` does the same for the hood's vapour.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from warmhold.science.air import (
    CP_AIR,
    KELVIN,
    LATENT_J_G,
    air_density_kg_m3,
    saturation_vapour_kpa,
    vapour_pressure_kpa,
)
from warmhold.science.battery import (
    CHARGE_ACCEPTANCE,
    charging_share,
    rate_share,
    temperature_share,
)
from warmhold.science.body import SHELL_SHARE, SPECIFIC_HEAT_J_KG_K, vessel_opening
from warmhold.science.breath import (
    RESPIRATORY_QUOTIENT,
    breath_latent_w,
    breath_warming_w,
    breath_water_g_h,
    oxygen_use_ml_min,
    ventilation_lpm,
)
from warmhold.science.choose import choose
from warmhold.science.heat import (
    forced_film_w_m2k,
    mixed_film_w_m2k,
    natural_film_w_m2k,
    operative_temperature_c,
    outside_film_w_m2k,
    radiant_film_w_m2k,
    wet_film_w_m2kpa,
)
from warmhold.science.metabolism import metabolic_heat_w_kg
from warmhold.science.skin import covered_film_w_m2k, series, sweat_factor
from warmhold.simulate.layout import (
    ABOARD,
    AIR,
    AIR_HIGHEST,
    AIR_LOWEST,
    AIR_SET,
    AIR_SPEED,
    AMBIENT,
    AMBIENT_VAPOUR,
    AREA,
    BABY_WATER,
    BATTERY_EFFICIENCY,
    BODY_INSULATION,
    BODY_SHARE,
    BODY_VAPOUR,
    BREATH_DRY,
    BREATH_IN_HOOD,
    BREATH_LOSS,
    BUS_ENERGY,
    C_AIR,
    C_DECK,
    C_HEATER,
    C_OUTER,
    C_PATCH,
    C_WALL,
    CARBON,
    CEILING,
    CHARGE,
    CHARGEABLE_WH,
    CHARGER_W,
    COMPRESSING,
    COMPRESSOR_W,
    CONTACT,
    CORE,
    CORE_SHIFT,
    DECK,
    DRY_LOSS,
    ELECTRONICS_W,
    EXTERNAL_W,
    F_BATTERY_W,
    F_BREATH,
    F_BUS,
    F_CONDUCTION,
    F_CONVECTION,
    F_HEATER,
    F_HEATER_LIMIT,
    F_METABOLIC,
    F_OPERATIVE,
    F_RADIATION,
    F_SENSIBLE_BREATH,
    F_SKIN_EVAPORATION,
    F_SUN_BABY,
    F_VAPOUR_KPA,
    FAN_HEAT_W,
    FAN_OFF,
    FRESH,
    G_AIR_DECK,
    G_AIR_WALL,
    G_DECK_AMBIENT,
    G_HEATER_AIR,
    G_PATCH_AIR,
    G_PATCH_BABY,
    G_PATCH_BELOW,
    GAIN,
    HEAD_INSULATION,
    HEAD_SHARE,
    HEAT_LEDGER,
    HEATER,
    HEATER_BATTERY_W,
    HEATER_W,
    HOOD_OXYGEN,
    HUMIDIFIER_G_S,
    HUMIDITY_SET,
    INTEGRAL,
    INTEGRAL_S,
    IS_DOUBLE,
    IS_LEAD,
    MASS,
    ON_EXTERNAL,
    OPENING,
    OUTER,
    OXYGEN,
    PACK,
    PACK_LAG_S,
    PACK_WARMER_K,
    PATCH,
    PEUKERT,
    PRESSURE,
    RADIATING,
    RATED_W,
    READINESS,
    REST,
    SKIN,
    SKIN_GAIN,
    SKIN_INTEGRAL,
    SKIN_MODE,
    SKIN_SET,
    SKIN_VAPOUR,
    SUN,
    SUN_WINDOW,
    SUPPLY_EFFICIENCY,
    VAPOUR,
    VESSELS_CLOSED,
    VESSELS_OPEN,
    VOLUME,
    WALL,
    WALL_AREA,
    WALL_GAP,
    WALL_RESISTANCE,
    WALL_VIEW,
    WATER,
    WATER_LEDGER,
    WEEKS,
    WIND,
)  # fmt: skip

SUN_ABSORBED = 0.6  # by skin and wraps (assumed)
SUN_SHARE_PER_M2 = 1.5  # share of the incoming sun that falls on the baby, per m2 of body (assumed)
SUN_SHARE_MOST = 0.5
HUMIDIFIER_BAND = 0.05  # relative humidity over which the humidifier throttles [-]
SKIN_INTEGRAL_S = 1800.0  # integral time of skin control (assumed) [s]


def rates(y: Any, p: Any, c: Any, alive: Any, dy: Any, flow: Any) -> None:
    """Work out the rate of change of every state, and note the flows behind them.

    Parameters
    ----------
    y : state, N_STATE or (N_STATE, members)
    p : the member's constants, N_PARAM or (N_PARAM, members)
    c : conditions of the stretch, N_CONDITION or (N_CONDITION, members)
    alive : 1 the unit has power, 0 its battery is empty and nothing feeds it [-]
    dy : rates, written here [per s]
    flow : flows, written here [W, degC, kPa]
    """
    air = y[AIR]
    wall = y[WALL]
    deck = y[DECK]
    skin = y[SKIN]
    core = y[CORE]
    own_core = core - p[CORE_SHIFT]
    aboard = c[ABOARD]
    ambient = c[AMBIENT]
    moving = p[FAN_OFF] + (1.0 - p[FAN_OFF]) * alive

    # --- vapour in the hood
    vapour_kpa = vapour_pressure_kpa(y[VAPOUR], air)
    wet_wall_kpa = saturation_vapour_kpa(wall)
    wall_film = p[G_AIR_WALL] * moving
    condensing_g_s = (
        wet_film_w_m2kpa(wall_film, c[PRESSURE])
        * np.maximum(0.0, vapour_kpa - wet_wall_kpa)
        / LATENT_J_G
    )

    # --- the baby's dry losses
    area = p[AREA]
    bare = area * (1.0 - p[CONTACT])
    natural = natural_film_w_m2k(skin - air)
    forced = forced_film_w_m2k(p[AIR_SPEED], c[PRESSURE]) * alive
    film = p[DRY_LOSS] * mixed_film_w_m2k(natural, forced)
    radiant = p[WALL_VIEW] * wall + (1.0 - p[WALL_VIEW]) * deck
    radiant_film = p[DRY_LOSS] * radiant_film_w_m2k(skin, radiant, p[RADIATING])
    both = film + radiant_film
    operative = operative_temperature_c(air, radiant, film, radiant_film)
    open_share = 1.0 - p[BODY_SHARE] - p[HEAD_SHARE]
    dry_film = (
        open_share * both
        + p[BODY_SHARE] * covered_film_w_m2k(both, p[BODY_INSULATION])
        + p[HEAD_SHARE] * covered_film_w_m2k(both, p[HEAD_INSULATION])
    )
    dry_w = aboard * bare * dry_film * (skin - operative)
    # what reaches air and what reaches wall and deck, in the ratio of an uncovered skin
    convection_w = aboard * bare * dry_film * film / both * (skin - air)
    radiation_w = dry_w - convection_w

    # --- the baby's wet losses
    skin_vapour = series(
        p[SKIN_VAPOUR] * sweat_factor(own_core, p[WEEKS]), wet_film_w_m2kpa(film, c[PRESSURE])
    )
    through = open_share + p[BODY_SHARE] * p[BODY_VAPOUR] + 0.7 * p[HEAD_SHARE]
    skin_latent_w = (
        aboard * bare * through * skin_vapour * (saturation_vapour_kpa(skin) - vapour_kpa)
    )
    skin_water_g_s = skin_latent_w / LATENT_J_G

    heat_w = (
        p[MASS] * metabolic_heat_w_kg(p[REST], p[CEILING], p[READINESS], skin, own_core) * aboard
    )
    breathed = ventilation_lpm(heat_w)
    inspired = y[VAPOUR] * (1.0 - p[BREATH_DRY])
    breath_g_h = p[BREATH_LOSS] * breath_water_g_h(breathed, inspired)
    breath_wet_w = breath_latent_w(breath_g_h)
    inspired_c = p[BREATH_IN_HOOD] * air + (1.0 - p[BREATH_IN_HOOD]) * ambient
    density = air_density_kg_m3(air, c[PRESSURE])
    breath_dry_w = p[BREATH_LOSS] * breath_warming_w(breathed, inspired_c, density)
    breath_in_hood = p[BREATH_IN_HOOD]

    # --- core to skin, skin to mattress
    opening = vessel_opening(skin, own_core)
    inner_w = (
        aboard
        * area
        * (p[VESSELS_CLOSED] + (p[VESSELS_OPEN] - p[VESSELS_CLOSED]) * opening)
        * (core - skin)
    )
    patch_baby_w = aboard * p[G_PATCH_BABY] * (skin - y[PATCH])
    patch_air_w = (1.0 - aboard) * p[G_PATCH_AIR] * (air - y[PATCH])
    patch_below_w = p[G_PATCH_BELOW] * (y[PATCH] - deck)

    # --- sun through the hood
    sun_w = c[SUN] * p[SUN_WINDOW]
    sun_baby_w = aboard * sun_w * np.minimum(SUN_SHARE_MOST, SUN_SHARE_PER_M2 * area) * SUN_ABSORBED
    sun_deck_w = sun_w - sun_baby_w

    # --- the wall
    outside = p[WALL_AREA] * outside_film_w_m2k(c[WIND])
    air_wall_w = wall_film * (air - wall)
    single_out_w = (wall - ambient) / (p[WALL_RESISTANCE] / p[WALL_AREA] + 1.0 / outside)
    gap_w = p[WALL_AREA] * p[WALL_GAP] * (wall - y[OUTER])
    outer_out_w = outside * (y[OUTER] - ambient)
    wall_out_w = choose(p[IS_DOUBLE] > 0.5, gap_w, single_out_w)
    outer_in_w = p[IS_DOUBLE] * gap_w
    # a single wall's outer node only follows the wall, with no heat of its own
    follow = (1.0 - p[IS_DOUBLE]) * (wall - y[OUTER]) / 60.0
    hull_out_w = choose(p[IS_DOUBLE] > 0.5, outer_out_w, single_out_w)

    # --- air coming in
    fresh = p[FRESH] * moving + c[OPENING] + c[HOOD_OXYGEN]
    fresh_w = density * CP_AIR * fresh * (air - ambient)
    air_deck_w = p[G_AIR_DECK] * moving * (air - deck)
    deck_out_w = p[G_DECK_AMBIENT] * (deck - ambient)

    # --- humidifier
    humidity = vapour_kpa / saturation_vapour_kpa(air)
    wanted = np.minimum(1.0, np.maximum(0.0, (c[HUMIDITY_SET] - humidity) / HUMIDIFIER_BAND))
    has_water = np.minimum(1.0, np.maximum(0.0, y[WATER]))
    humidified_g_s = p[HUMIDIFIER_G_S] * wanted * has_water * alive
    humidifier_w = humidified_g_s * LATENT_J_G

    # --- heater, its limits, its controllers
    skin_error = p[SKIN_SET] - skin
    servo = c[AIR_SET] + p[SKIN_GAIN] * skin_error + y[SKIN_INTEGRAL]
    servo_kept = np.minimum(p[AIR_HIGHEST], np.maximum(p[AIR_LOWEST], servo))
    by_skin = p[SKIN_MODE] * aboard
    target = by_skin * servo_kept + (1.0 - by_skin) * c[AIR_SET]
    skin_integral_rate = by_skin * (
        p[SKIN_GAIN] * skin_error / SKIN_INTEGRAL_S + (servo_kept - servo) / 300.0
    )
    on_external = c[ON_EXTERNAL]
    supplied_w = on_external * p[SUPPLY_EFFICIENCY] * c[EXTERNAL_W]
    base_w = (p[ELECTRONICS_W] + c[COMPRESSING] * p[COMPRESSOR_W] + humidifier_w) * alive
    heater_limit = alive * choose(
        on_external > 0.5,
        np.minimum(p[HEATER_W], np.maximum(0.0, supplied_w - base_w)),
        p[HEATER_BATTERY_W],
    )
    asked_w = p[GAIN] * (target - air) + y[INTEGRAL]
    heater_w = np.minimum(heater_limit, np.maximum(0.0, asked_w))
    integral_rate = (
        p[GAIN] * (target - air) / p[INTEGRAL_S] + 3.0 * (heater_w - asked_w) / p[INTEGRAL_S]
    )
    heater_air_w = p[G_HEATER_AIR] * moving * (y[HEATER] - air)

    # --- battery
    bus_w = base_w + heater_w
    # a source too weak for what must run is helped out by the battery; heating is not
    missing_w = on_external * np.maximum(0.0, base_w - supplied_w)
    battery_w = ((1.0 - on_external) * bus_w + missing_w) / p[BATTERY_EFFICIENCY]
    lost_wh_s = (
        battery_w
        * rate_share(battery_w, p[RATED_W], p[PEUKERT])
        / temperature_share(y[PACK], p[IS_LEAD])
        / 3600.0
    )
    spare_w = on_external * np.maximum(0.0, supplied_w - bus_w)
    charged = np.minimum(1.0, np.maximum(0.0, y[CHARGE] / p[CHARGEABLE_WH]))
    taken_w = np.minimum(
        spare_w * CHARGE_ACCEPTANCE,
        p[CHARGER_W] * charging_share(charged, y[PACK], p[IS_LEAD]),
    )

    # --- oxygen and carbon dioxide in the hood
    used_m3_s = oxygen_use_ml_min(heat_w) * breath_in_hood / 60.0e6
    washed = fresh / p[VOLUME]
    oxygen_in = c[HOOD_OXYGEN] + 0.2095 * (fresh - c[HOOD_OXYGEN])

    # --- rates
    shell = SHELL_SHARE * SPECIFIC_HEAT_J_KG_K * p[MASS]
    kernel = (1.0 - SHELL_SHARE) * SPECIFIC_HEAT_J_KG_K * p[MASS]
    fan_w = p[FAN_HEAT_W] * alive
    breath_air_w = breath_dry_w * breath_in_hood
    to_wall_w = p[WALL_VIEW] * radiation_w
    dy[AIR] = (
        heater_air_w + fan_w + convection_w + breath_air_w
        - air_wall_w - air_deck_w - fresh_w - patch_air_w
    ) / p[C_AIR]  # fmt: skip
    condensing_w = condensing_g_s * LATENT_J_G
    dy[WALL] = (air_wall_w + to_wall_w + condensing_w - wall_out_w) / p[C_WALL]
    dy[OUTER] = (outer_in_w - p[IS_DOUBLE] * outer_out_w) / p[C_OUTER] + follow
    dy[PATCH] = (patch_baby_w + patch_air_w - patch_below_w) / p[C_PATCH]
    dy[DECK] = (
        air_deck_w + patch_below_w + radiation_w - to_wall_w + sun_deck_w - deck_out_w
    ) / p[C_DECK]  # fmt: skip
    dy[HEATER] = (heater_w - heater_air_w) / p[C_HEATER]
    dy[SKIN] = (inner_w + sun_baby_w - dry_w - skin_latent_w - patch_baby_w) / shell
    dy[CORE] = (heat_w - inner_w - breath_wet_w - breath_dry_w) / kernel
    outside_g_m3 = c[AMBIENT_VAPOUR] * (ambient + KELVIN) / (air + KELVIN)
    air_swap = p[FRESH] * moving + c[OPENING]
    vapour_g_s = (
        air_swap * outside_g_m3
        - fresh * y[VAPOUR]
        + skin_water_g_s
        + breath_in_hood * breath_g_h / 3600.0
        + humidified_g_s
        - condensing_g_s
    )
    dy[VAPOUR] = vapour_g_s / p[VOLUME]
    dy[INTEGRAL] = integral_rate * alive
    dy[SKIN_INTEGRAL] = skin_integral_rate * alive
    dy[CHARGE] = taken_w / 3600.0 - lost_wh_s
    dy[PACK] = (ambient + p[PACK_WARMER_K] * alive - y[PACK]) / p[PACK_LAG_S]
    dy[OXYGEN] = (oxygen_in - used_m3_s) / p[VOLUME] - washed * y[OXYGEN]
    dy[CARBON] = (0.0004 * (fresh - c[HOOD_OXYGEN]) + used_m3_s * RESPIRATORY_QUOTIENT) / p[
        VOLUME
    ] - washed * y[CARBON]
    dy[WATER] = -humidified_g_s
    dy[HEAT_LEDGER] = (
        heater_w + fan_w + heat_w + sun_w + condensing_w
        - hull_out_w - deck_out_w - fresh_w - skin_latent_w - breath_wet_w
        - (breath_dry_w - breath_air_w)
    )  # fmt: skip
    dy[WATER_LEDGER] = vapour_g_s
    dy[BABY_WATER] = skin_water_g_s + breath_g_h / 3600.0
    dy[BUS_ENERGY] = bus_w / 3600.0

    # --- flows for reports
    flow[F_HEATER] = heater_w
    flow[F_BUS] = bus_w
    flow[F_BATTERY_W] = bus_w / p[BATTERY_EFFICIENCY]
    flow[F_METABOLIC] = heat_w
    flow[F_CONVECTION] = convection_w
    flow[F_RADIATION] = radiation_w
    flow[F_CONDUCTION] = patch_baby_w
    flow[F_SKIN_EVAPORATION] = skin_latent_w
    flow[F_BREATH] = breath_wet_w + breath_dry_w
    flow[F_OPERATIVE] = operative
    flow[F_VAPOUR_KPA] = vapour_kpa
    flow[F_SUN_BABY] = sun_baby_w
    flow[F_HEATER_LIMIT] = heater_limit
    flow[F_SENSIBLE_BREATH] = breath_dry_w
