"""Water and heat lost by breathing.

References
----------
.. [1] Expired gas at the nose about 95 % saturated at 35.6 degC (PMC1350516, verified).
.. [2] Air breathed per oxygen used: 35 to 1 (ventilatory equivalent, memory).
.. [3] Oxygen to heat: 1 ml O2/min = 0.335 W (20.1 J/ml, memory).
"""

from __future__ import annotations

from warmhold.science.air import LATENT_J_G, absolute_humidity_g_m3
from warmhold.science.types import Num

EXPIRED_C = 35.6
EXPIRED_VAPOUR_KPA = 5.518  # 95 % of saturation at 35.6 degC
WATT_PER_ML_MIN = 0.335
AIR_PER_OXYGEN = 35.0
RESPIRATORY_QUOTIENT = 0.8


def oxygen_use_ml_min(heat_w: Num) -> Num:
    """Oxygen that the body uses for this heat, [3]_.

    Parameters
    ----------
    heat_w : metabolic heat [W]

    Returns
    -------
    Oxygen use [ml/min].
    """
    return heat_w / WATT_PER_ML_MIN


def ventilation_lpm(heat_w: Num) -> Num:
    """Air breathed for this heat, [2]_.

    Parameters
    ----------
    heat_w : metabolic heat [W]

    Returns
    -------
    Minute ventilation [L/min].
    """
    return oxygen_use_ml_min(heat_w) * AIR_PER_OXYGEN / 1000.0


def breath_water_g_h(ventilation: Num, inspired_g_m3: Num) -> Num:
    """Water breathed out and not breathed in, [1]_.

    Parameters
    ----------
    ventilation : minute ventilation [L/min]
    inspired_g_m3 : absolute humidity of what is breathed in, 0 for dry gas [g/m3]

    Returns
    -------
    Water loss [g/h].
    """
    expired = absolute_humidity_g_m3(EXPIRED_VAPOUR_KPA, EXPIRED_C)
    return ventilation * 0.06 * (expired - inspired_g_m3)


def breath_latent_w(water_g_h: Num) -> Num:
    """Heat that goes with the breath's water.

    Parameters
    ----------
    water_g_h : water loss [g/h]

    Returns
    -------
    Heat [W].
    """
    return water_g_h * LATENT_J_G / 3600.0


def breath_warming_w(ventilation: Num, inspired_c: Num, density_kg_m3: Num) -> Num:
    """Heat that warms the inspired gas to the temperature of the expired, [1]_.

    Parameters
    ----------
    ventilation : minute ventilation [L/min]
    inspired_c : temperature of the inspired gas [degC]
    density_kg_m3 : density of the gas [kg/m3]

    Returns
    -------
    Heat [W].
    """
    return ventilation / 60000.0 * density_kg_m3 * 1006.0 * (EXPIRED_C - inspired_c)
