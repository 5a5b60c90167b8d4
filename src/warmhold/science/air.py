"""Humid air: vapour pressure, absolute humidity, density.

References
----------
.. [1] Magnus form with the constants of Alduchov & Eskridge (1996), J. Appl. Meteorol. 35:601,
   eq. 21 (recalled: memory). Checked against PsychroLib in tests/science/test_air.py.
.. [2] Ideal-gas law with the specific gas constants of dry air and of water vapour.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.types import Num

KELVIN = 273.15  # 0 degC [K]
R_DRY_AIR = 287.05  # specific gas constant [J/kg/K]
R_VAPOUR = 461.5  # specific gas constant [J/kg/K]
CP_AIR = 1006.0  # specific heat of air [J/kg/K]
LATENT_J_G = 2425.0  # heat of evaporation near 34 to 36 degC [J/g]
SEA_LEVEL_KPA = 101.325  # standard pressure [kPa]


def saturation_vapour_kpa(temp_c: Num) -> Num:
    """Vapour pressure of saturated air over water, [1]_.

    Parameters
    ----------
    temp_c : temperature, -20 to 60 [degC]

    Returns
    -------
    Vapour pressure [kPa]; within 0.4 % of PsychroLib from 0 to 50 degC.
    """
    return 0.61094 * np.exp(17.625 * temp_c / (temp_c + 243.04))


def absolute_humidity_g_m3(vapour_kpa: Num, temp_c: Num) -> Num:
    """Mass of vapour in a cubic metre of air, [2]_.

    Parameters
    ----------
    vapour_kpa : vapour pressure [kPa]
    temp_c : air temperature [degC]

    Returns
    -------
    Absolute humidity [g/m3].
    """
    return vapour_kpa * 1.0e6 / (R_VAPOUR * (temp_c + KELVIN))


def vapour_pressure_kpa(humidity_g_m3: Num, temp_c: Num) -> Num:
    """Vapour pressure of air that holds this mass of vapour; inverse of the above, [2]_.

    Parameters
    ----------
    humidity_g_m3 : absolute humidity [g/m3]
    temp_c : air temperature [degC]

    Returns
    -------
    Vapour pressure [kPa].
    """
    return humidity_g_m3 * R_VAPOUR * (temp_c + KELVIN) / 1.0e6


def relative_humidity(vapour_kpa: Num, temp_c: Num) -> Num:
    """Relative humidity as a fraction.

    Parameters
    ----------
    vapour_kpa : vapour pressure [kPa]
    temp_c : air temperature, -20 to 60 [degC]

    Returns
    -------
    Relative humidity, 0 to 1 [-].
    """
    return vapour_kpa / saturation_vapour_kpa(temp_c)


def air_density_kg_m3(temp_c: Num, pressure_kpa: Num) -> Num:
    """Density of dry air, [2]_ (the vapour, under 3 %, is left out).

    Parameters
    ----------
    temp_c : air temperature [degC]
    pressure_kpa : absolute pressure [kPa]

    Returns
    -------
    Density [kg/m3].
    """
    return pressure_kpa * 1000.0 / (R_DRY_AIR * (temp_c + KELVIN))
