"""Batteries: how much is in them by age, cold and rate, and how they charge.

References
----------
.. [1] Lead-acid by temperature, change from 25 degC: discover-energy.com temperature effect on
   capacity, columns by discharge time (verified). Below 0 degC and lithium: memory.
.. [2] Peukert's law; exponents for AGM 1.05 to 1.15, lithium about 1.05: bdbatteries.com and
   utilitiesbunker.com (verified).
.. [3] Charging at constant current to about 80 %, then falling off (memory).
.. [4] Loss of capacity by age: 6 % of the rating a year lead-acid, 3 % lithium (assumed).
.. [5] Lithium charges at full rate from 5 to 45 degC, less from 0 to 5, not below 0 nor above
   45: nenpower.com (verified).
"""

from __future__ import annotations

import numpy as np

from warmhold.science.body import ramp
from warmhold.science.choose import choose
from warmhold.science.types import Num

PEUKERT_LEAD = 1.10
PEUKERT_LITHIUM = 1.05
# Spread of the exponent between packs: AGM 1.05 to 1.15 [2]_ taken as 5 and 95 %; lithium assumed.
PEUKERT_LEAD_SPREAD = 0.03
PEUKERT_LITHIUM_SPREAD = 0.02
FADE_LEAD_PER_YEAR = 0.06
FADE_LITHIUM_PER_YEAR = 0.03
CHARGE_ACCEPTANCE = 0.87  # share of the charging power that is stored (memory: factor 1.1 to 1.2)
TAPER_FROM = 0.8


def temperature_share(battery_c: Num, is_lead: Num) -> Num:
    """Share of the 25 degC capacity that a pack gives at this temperature, [1]_.

    The lead column is that for discharges under 30 minutes (0: -20 %, 10: -12 %, 15: -8 %,
    20: -3 %); no gain is taken above 25 degC.

    Parameters
    ----------
    battery_c : temperature of the pack, -20 to 45 [degC]
    is_lead : 1 lead-acid, 0 lithium [-]

    Returns
    -------
    Share, 0 to 1 [-].
    """
    lead = (
        0.55
        + 0.25 * ramp(battery_c, -20.0, 0.0)
        + 0.08 * ramp(battery_c, 0.0, 10.0)
        + 0.09 * ramp(battery_c, 10.0, 20.0)
        + 0.03 * ramp(battery_c, 20.0, 25.0)
    )
    lithium = 0.65 + 0.20 * ramp(battery_c, -20.0, 0.0) + 0.15 * ramp(battery_c, 0.0, 25.0)
    return choose(is_lead > 0.5, lead, lithium)


def rate_share(power_w: Num, rated_power_w: Num, peukert: Num) -> Num:
    """How many times faster than its rated energy a pack empties at this power, [2]_.

    Parameters
    ----------
    power_w : power drawn from the pack [W]
    rated_power_w : power at which its energy was rated [W]
    peukert : Peukert exponent, 1.0 to 1.3 [-]

    Returns
    -------
    Factor on the energy drawn, never below 1 [-].
    """
    return np.maximum(power_w / rated_power_w, 1.0) ** (peukert - 1.0)


def health_by_age(age_years: Num, is_lead: Num) -> Num:
    """Share of its new energy that a pack of this age holds, [4]_ (assumed; measure instead).

    Parameters
    ----------
    age_years : age, 0 to 8 [years]
    is_lead : 1 lead-acid, 0 lithium [-]

    Returns
    -------
    Share, at least 0.3 [-].
    """
    fade = choose(is_lead > 0.5, FADE_LEAD_PER_YEAR, FADE_LITHIUM_PER_YEAR)
    return np.maximum(0.3, 1.0 - fade * age_years)


def charging_share(charged_share: Num, battery_c: Num, is_lead: Num) -> Num:
    """Share of the charger's full power that the pack takes, [3]_, [5]_.

    Parameters
    ----------
    charged_share : how full it is, 0 to 1 [-]
    battery_c : temperature of the pack [degC]
    is_lead : 1 lead-acid, 0 lithium [-]

    Returns
    -------
    Share, 0 to 1 [-].
    """
    taper = 1.0 - ramp(charged_share, TAPER_FROM, 1.0)
    half = 0.5 * ramp(battery_c, -0.5, 0.5) + 0.5 * ramp(battery_c, 4.5, 5.5)
    lithium = half * (1.0 - ramp(battery_c, 44.5, 45.5))
    return taper * choose(is_lead > 0.5, 1.0, lithium)
