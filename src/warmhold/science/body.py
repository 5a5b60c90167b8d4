"""The baby's body: surface, heat capacity, insulation between core and skin.

References
----------
.. [1] Ahn 2010, 5,014 high-risk infants of 400 to 7000 g: A = 5.520 W^0.5526 L^0.3800 in g, cm,
   cm2 (verified, abstract).
.. [2] Meeh form 0.10 kg^(2/3) m2 (memory; two published manikins give 0.092 and 0.101).
.. [3] Specific heat 3.48 kJ/kg/K (memory, 0.83 kcal/kg/K).
.. [4] Conductance from core to skin: no published figure was found. Working values, assumed:
   10 to 15 W/m2/K constricted, 25 to 40 dilated at term; a small range in the preterm, where
   constriction on cooling is not significant at 28 to 31 weeks (verified, abstract).
"""

from __future__ import annotations

import numpy as np

from warmhold.science.types import Num

SPECIFIC_HEAT_J_KG_K = 3480.0
SHELL_SHARE = 0.35  # share of the body's heat capacity at skin temperature (memory: 0.3 to 0.4)


def surface_area_m2(weight_g: Num, length_cm: Num) -> Num:
    """Body surface from weight and length, [1]_.

    Parameters
    ----------
    weight_g : weight, 400 to 7000 [g]
    length_cm : crown to heel length [cm]

    Returns
    -------
    Surface area [m2].
    """
    return 5.520e-4 * weight_g**0.5526 * length_cm**0.3800


def surface_area_by_weight_m2(weight_g: Num) -> Num:
    """Body surface when the length is not known, [2]_.

    Parameters
    ----------
    weight_g : weight, 400 to 7000 [g]

    Returns
    -------
    Surface area, good to about 5 % [m2].
    """
    return 0.10 * (weight_g / 1000.0) ** (2.0 / 3.0)


def ramp(value: Num, start: Num, end: Num) -> Num:
    """Rise from 0 at start to 1 at end, flat outside.

    Parameters
    ----------
    value, start, end : any, in one unit; start and end differ

    Returns
    -------
    Share between 0 and 1 [-].
    """
    return np.minimum(1.0, np.maximum(0.0, (value - start) / (end - start)))


def closed_vessels_w_m2k(gestation_weeks: Num) -> Num:
    """Conductance from core to skin with the vessels closed, [4]_ (assumed).

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]

    Returns
    -------
    Conductance per body area [W/m2/K].
    """
    return 20.0 - 8.0 * ramp(gestation_weeks, 29.0, 37.0)


def open_vessels_w_m2k(gestation_weeks: Num) -> Num:
    """Conductance from core to skin with the vessels open, [4]_ (assumed).

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]

    Returns
    -------
    Conductance per body area [W/m2/K].
    """
    return 25.0 + 5.0 * ramp(gestation_weeks, 29.0, 37.0)


def vessel_opening(skin_c: Num, core_c: Num) -> Num:
    """How far the skin's vessels are open, from skin and core temperature (assumed).

    Parameters
    ----------
    skin_c : mean skin temperature [degC]
    core_c : core temperature [degC]

    Returns
    -------
    0 closed to 1 open [-].
    """
    return 0.5 * ramp(skin_c, 34.5, 36.5) + 0.5 * ramp(core_c, 36.3, 37.3)
