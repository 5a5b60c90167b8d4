"""Water and heat lost through the skin, and what wraps and clothes change.

References
----------
.. [1] Water loss by gestation at 50 % humidity: own fit (derived, not published) to day-0 points
   59.3 (verified, nature.com/articles/pr19972439), 52.1, 19.6, 6.5, 4.6 g/m2/h at 25, 26, 29,
   33.5, 39 weeks (memory, Hammarlund, Sedin & Stromberg 1983). 25 weeks is therefore used to fit.
.. [2] Fall with age: row ratios of the same table (memory).
.. [3] High in the first 4 h from 34 weeks on: Rutter & Hull 1979 (verified, abstract, without a
   figure); the factor 1.5 is assumed.
.. [4] Evaporation goes with the vapour pressure difference: falls 40 % at term from 20 to 60 %
   humidity (verified; a held-out check, not fitted).
.. [5] Sweat: from 36 weeks on, above 37.2 degC core, up to 3 times the basal loss
   (PMC1350516, verified for onset and for 2 to 4 times).
"""

from __future__ import annotations

import numpy as np

from warmhold.science.air import LATENT_J_G
from warmhold.science.body import ramp
from warmhold.science.types import Num

REFERENCE_DRIVE_KPA = 3.21  # skin 36 degC against air 34.5 degC at 50 % humidity
REFERENCE_FILM_W_M2K = 3.0  # still air under which such losses are measured (assumed)
REFERENCE_WET_W_M2KPA = 16.5 * REFERENCE_FILM_W_M2K


def water_loss_first_day_g_m2h(gestation_weeks: Num) -> Num:
    """Water through the skin on the first day at 50 % humidity, [1]_.

    Parameters
    ----------
    gestation_weeks : gestation, 25 to 41; used from 23 with a warning by the planner [weeks]

    Returns
    -------
    Water loss per body area [g/m2/h].
    """
    return 4.06 + 61.5 * np.exp(-0.357 * (gestation_weeks - 25.0))


def water_loss_age_share(gestation_weeks: Num, age_days: Num) -> Num:
    """Water loss at this age over that of the first day, [2]_, [3]_.

    Each row of the table falls to a floor of its own; written as an exponential in age with a floor
    and a time that go from row to row, fitted by eye: within 0.14 of every row.

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]
    age_days : age, 0 to 28 [days]

    Returns
    -------
    Share of the first day's loss [-].
    """
    second = ramp(gestation_weeks, 26.0, 29.0)
    third = ramp(gestation_weeks, 29.0, 33.5)
    fourth = ramp(gestation_weeks, 33.5, 39.0)
    floor = 0.20 + 0.13 * second + 0.17 * third + 0.36 * fourth
    settling_days = 4.0 + 4.0 * second + 17.0 * third - 22.0 * fourth
    later = floor + (1.0 - floor) * np.exp(-np.maximum(age_days, 0.0) / settling_days)
    newborn = 0.5 * ramp(gestation_weeks, 33.0, 34.0) * (1.0 - ramp(age_days, 3.0 / 24, 5.0 / 24))
    return later * (1.0 + newborn)


def skin_vapour_w_m2kpa(gestation_weeks: Num, age_days: Num) -> Num:
    """Conductance of the skin itself for vapour, without the film of air on it.

    The measured loss has skin and film in series; the film of the measurement is taken out.

    Parameters
    ----------
    gestation_weeks : gestation, 23 to 43 [weeks]
    age_days : age, 0 to 28 [days]

    Returns
    -------
    Heat of evaporation per area and vapour pressure difference [W/m2/kPa].
    """
    loss = water_loss_first_day_g_m2h(gestation_weeks) * water_loss_age_share(
        gestation_weeks, age_days
    )
    whole = loss * LATENT_J_G / 3600.0 / REFERENCE_DRIVE_KPA
    return 1.0 / (1.0 / whole - 1.0 / REFERENCE_WET_W_M2KPA)


def series(first: Num, second: Num) -> Num:
    """Two conductances one behind the other.

    Parameters
    ----------
    first, second : conductances above zero, one unit

    Returns
    -------
    Conductance of both, same unit.
    """
    return first * second / (first + second)


def sweat_factor(core_c: Num, gestation_weeks: Num) -> Num:
    """By how much sweating multiplies the skin's vapour conductance, [5]_.

    Parameters
    ----------
    core_c : core temperature [degC]
    gestation_weeks : gestation [weeks]

    Returns
    -------
    Factor, 1 without sweat to 3 [-].
    """
    return 1.0 + 2.0 * ramp(core_c, 37.2, 37.8) * ramp(gestation_weeks, 35.5, 36.5)


def covered_film_w_m2k(film_w_m2k: Num, insulation_m2k_w: Num) -> Num:
    """Dry conductance from skin to surroundings through a cover.

    Parameters
    ----------
    film_w_m2k : convective and radiant coefficient outside the cover [W/m2/K]
    insulation_m2k_w : insulation of the cover, 0 for none [m2K/W]

    Returns
    -------
    Conductance [W/m2/K].
    """
    return film_w_m2k / (1.0 + insulation_m2k_w * film_w_m2k)
