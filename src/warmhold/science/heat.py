"""Heat exchange of surfaces: films of air, radiation, evaporation from wet surfaces.

References
----------
.. [1] Infant manikin, seated, air below 0.2 m/s: h_c = 2.16 dT^0.23, Heliyon 2022;8:e12076
   (verified, abstract).
.. [2] Cylinder theory for adults, h_c = 8.3 v^0.6, raised 1.5 times for an infant's small limbs
   (memory). Fitted by that factor to the manikin of [3]_: at 0.15 to 0.25 m/s, the air speeds
   measured in forced incubators (verified), it gives 4.0 to 5.4 W/m2/K.
.. [3] Wheldon 1982, manikin in an incubator: h_r 3.1 to 4.9, h_c 4.0 to 5.4 W/m2/K, radiating
   fraction 0.48 to 0.76 (verified, abstract). h_c is used to fit, so it is no check.
.. [4] Outside film of buildings: 8 in still air, 23 at 3.4, 34 at 6.7 m/s (memory); the smooth
   form here is our own and passes within 3 % of those points.
.. [5] Lewis relation 16.5 K/kPa at sea level (memory).
"""

from __future__ import annotations

import numpy as np

from warmhold.science.air import KELVIN, SEA_LEVEL_KPA
from warmhold.science.types import Num

STEFAN_BOLTZMANN = 5.670374419e-8  # [W/m2/K4]
SKIN_EMISSIVITY = 0.99  # skin against hood wall (memory)
LEWIS_K_KPA = 16.5  # [K/kPa] at sea level


def natural_film_w_m2k(difference_k: Num) -> Num:
    """Film coefficient of still air round an infant, [1]_.

    Parameters
    ----------
    difference_k : skin minus air, sign does not matter [K]

    Returns
    -------
    Film coefficient [W/m2/K].
    """
    return 2.16 * (np.abs(difference_k) + 1.0e-3) ** 0.23


def forced_film_w_m2k(air_speed_m_s: Num, pressure_kpa: Num) -> Num:
    """Film coefficient of moving air round an infant, [2]_, thinner air cools less.

    Parameters
    ----------
    air_speed_m_s : air speed over the baby, 0 to 1 [m/s]
    pressure_kpa : absolute pressure [kPa]

    Returns
    -------
    Film coefficient [W/m2/K].
    """
    mass_speed = np.maximum(air_speed_m_s, 0.0) * pressure_kpa / SEA_LEVEL_KPA
    return 12.45 * mass_speed**0.6


def mixed_film_w_m2k(natural_w_m2k: Num, forced_w_m2k: Num) -> Num:
    """Natural and forced film together: fourth-power blend, the larger one leads.

    Parameters
    ----------
    natural_w_m2k : film of still air [W/m2/K]
    forced_w_m2k : film of moving air [W/m2/K]

    Returns
    -------
    Film coefficient [W/m2/K].
    """
    natural2 = natural_w_m2k * natural_w_m2k
    forced2 = forced_w_m2k * forced_w_m2k
    return np.sqrt(np.sqrt(natural2 * natural2 + forced2 * forced2))


def radiant_film_w_m2k(warm_c: Num, cool_c: Num, radiating_fraction: Num) -> Num:
    """Radiant coefficient per total body area, exact for grey bodies, [3]_ for the fraction.

    Parameters
    ----------
    warm_c : one surface temperature [degC]
    cool_c : the other surface temperature [degC]
    radiating_fraction : share of the body area that radiates, 0.48 to 0.76 [-]

    Returns
    -------
    Coefficient that times the difference of the two gives the flux [W/m2/K].
    """
    a = warm_c + KELVIN
    b = cool_c + KELVIN
    return radiating_fraction * SKIN_EMISSIVITY * STEFAN_BOLTZMANN * (a + b) * (a * a + b * b)


def outside_film_w_m2k(wind_m_s: Num) -> Num:
    """Film coefficient of the hood's outside, convection and radiation together, [4]_.

    Parameters
    ----------
    wind_m_s : wind speed, 0 to 15 [m/s]

    Returns
    -------
    Film coefficient [W/m2/K].
    """
    return 8.0 + 5.7 * np.maximum(wind_m_s, 0.0) ** 0.8


def wet_film_w_m2kpa(film_w_m2k: Num, pressure_kpa: Num) -> Num:
    """Evaporative coefficient of a wet surface under a film of air, [5]_.

    Parameters
    ----------
    film_w_m2k : convective film coefficient [W/m2/K]
    pressure_kpa : absolute pressure; vapour spreads faster in thin air [kPa]

    Returns
    -------
    Heat of evaporation per area and vapour pressure difference [W/m2/kPa].
    """
    return LEWIS_K_KPA * film_w_m2k * SEA_LEVEL_KPA / pressure_kpa


def operative_temperature_c(air_c: Num, radiant_c: Num, film_w_m2k: Num, radiant_w_m2k: Num) -> Num:
    """Temperature of uniform surroundings that would cool the baby as much.

    Parameters
    ----------
    air_c : air temperature [degC]
    radiant_c : mean radiant temperature [degC]
    film_w_m2k : convective coefficient [W/m2/K]
    radiant_w_m2k : radiant coefficient [W/m2/K]

    Returns
    -------
    Operative temperature [degC].
    """
    return (film_w_m2k * air_c + radiant_w_m2k * radiant_c) / (film_w_m2k + radiant_w_m2k)
