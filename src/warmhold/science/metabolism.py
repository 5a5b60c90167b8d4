"""Heat that the baby makes: at rest, in the cold, and cooled on purpose.

References
----------
.. [1] All babies in the first hours 4.6 ml/kg/min = 1.54 W/kg; rises within 24 h after 36 weeks,
   over days to weeks in the preterm (115 babies, verified, abstract).
.. [2] Design set drawn from [1]_ and recalled figures (derived, memory): term 2.0 W/kg by 24 h,
   2.3 to 2.6 at 1 to 2 weeks; 28 to 32 weeks 1.6 to 1.8 on days 1 to 3; 24 to 27 weeks 1.4 to 1.6.
.. [3] Greatest heat in the cold: about 5 W/kg at term, 1.2 to 1.5 times rest in the preterm in
   the first days, none below 28 weeks on day 1 (memory).
.. [4] The slope in the cold is derived from [3]_ alone: the term baby's summit is reached about
   11 K below neutral surroundings, where skin falls about half as fast: 0.54 W/kg per kelvin of
   skin. The published rise of Smales/Hull-type studies (5.3 to 7.9 ml/kg/min) is a held-out check.
   A cool core moves the threshold: about four times the skin's weight (memory, the form of
   Bruck's work on newborn thermogenesis). Without it the model's core would sag in mild cold,
   which healthy term babies' does not; that was known when this form was chosen.
.. [5] First hour of life: cannot raise heat; well developed by 2 to 6 h (verified, abstract).
.. [6] Cooled on purpose: heat falls about 7 % per kelvin of core below 37 (memory).
"""

from __future__ import annotations

import numpy as np

from warmhold.science.body import ramp
from warmhold.science.types import Num

COLD_SLOPE_W_KG_K = 0.54
COLD_FROM_SKIN_C = 35.6  # skin threshold with the core at 37.0 (memory: neutral mean skin)
CORE_WEIGHT = 4.0  # kelvin of skin threshold per kelvin of core
CORE_REFERENCE_C = 37.0


def resting_w_kg(gestation_weeks: Num, age_h: Num) -> Num:
    """Heat at rest in neutral surroundings, [1]_, [2]_.

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]
    age_h : age, 0 to about 700 [h]

    Returns
    -------
    Heat per body weight [W/kg].
    """
    at_birth = 1.40 + 0.14 * ramp(gestation_weeks, 25.0, 32.0)
    first_day = 0.08 + 0.38 * ramp(gestation_weeks, 32.0, 37.0)
    weeks_after = 0.45 * (1.0 - np.exp(-np.maximum(age_h - 24.0, 0.0) / 144.0))
    return at_birth + first_day * ramp(age_h, 2.0, 24.0) + weeks_after


def cold_ceiling_w_kg(gestation_weeks: Num, rest_w_kg: Num) -> Num:
    """The most heat that the baby can make in the cold, [3]_.

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]
    rest_w_kg : heat at rest [W/kg]

    Returns
    -------
    Heat per body weight [W/kg].
    """
    times = (
        1.0 + 0.35 * ramp(gestation_weeks, 28.0, 32.0) + 1.15 * ramp(gestation_weeks, 32.0, 37.0)
    )
    return rest_w_kg * times


def cold_readiness(gestation_weeks: Num, age_h: Num) -> Num:
    """How far the answer to cold is developed, [3]_, [5]_.

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]
    age_h : age [h]

    Returns
    -------
    0 none to 1 full [-].
    """
    return ramp(gestation_weeks, 27.0, 36.0) * ramp(age_h, 1.0, 4.0)


def metabolic_heat_w_kg(
    rest_w_kg: Num, ceiling_w_kg: Num, readiness: Num, skin_c: Num, core_c: Num
) -> Num:
    """Heat that the baby makes now, [4]_, [6]_.

    Parameters
    ----------
    rest_w_kg : heat at rest [W/kg]
    ceiling_w_kg : the most it can make in the cold [W/kg]
    readiness : 0 no answer to cold to 1 full [-]
    skin_c : mean skin temperature [degC]
    core_c : core temperature [degC]

    Returns
    -------
    Heat per body weight [W/kg].
    """
    threshold = COLD_FROM_SKIN_C + CORE_WEIGHT * (CORE_REFERENCE_C - core_c)
    cold = readiness * COLD_SLOPE_W_KG_K * np.maximum(0.0, threshold - skin_c)
    slowed = np.exp(0.07 * np.minimum(0.0, core_c - 36.5))
    return np.minimum(rest_w_kg * slowed + cold, np.maximum(ceiling_w_kg, rest_w_kg * slowed))
