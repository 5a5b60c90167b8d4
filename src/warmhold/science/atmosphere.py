"""Pressure of the standard atmosphere, and what it does to trapped gas.

Altitude is pressure altitude (geopotential), as aircraft and cabin instruments give it. The
pressure that counts for a patient is that of the cabin: a cabin barometer beats any of this.

Source: ICAO standard atmosphere (Doc 7488), troposphere layer: 101.325 kPa and 288.15 K at 0 m,
-6.5 K per km. Constants from memory; the layer is checked against printed rows and the library
ambiance in the tests. Range: -600 to 11 000 m; outside, the answer is NaN, never a guess.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.choose import choose
from warmhold.science.types import Num

SEA_LEVEL_KPA = 101.325
SEA_LEVEL_K = 288.15
LAPSE_K_M = 0.0065
# g M / (R L) = 9.80665 / (287.05287 x 0.0065)
EXPONENT = 5.255879812716677
INVERSE_EXPONENT = 1.0 / EXPONENT
LOWEST_M = -600.0
HIGHEST_M = 11000.0
LOWEST_KPA = 22.6320
HIGHEST_KPA = 108.7436
M_PER_FT = 0.3048
KPA_PER_MMHG = 0.133322387415


def pressure_at_m(altitude_m: Num) -> Num:
    """Pressure of the standard atmosphere.

    Parameters
    ----------
    altitude_m : pressure altitude, -600 to 11 000; NaN outside [m]

    Returns
    -------
    Absolute pressure [kPa]
    """
    inside = (altitude_m >= LOWEST_M) & (altitude_m <= HIGHEST_M)
    held = np.minimum(np.maximum(altitude_m, LOWEST_M), HIGHEST_M)
    pressure = SEA_LEVEL_KPA * (1.0 - LAPSE_K_M * held / SEA_LEVEL_K) ** EXPONENT
    return choose(inside, pressure, np.nan)


def altitude_m_at(pressure_kpa: Num) -> Num:
    """Pressure altitude of a pressure: the inverse of ``pressure_at_m``.

    Parameters
    ----------
    pressure_kpa : absolute pressure, about 22.63 to 108.74; NaN outside [kPa]

    Returns
    -------
    Pressure altitude [m]
    """
    inside = (pressure_kpa >= LOWEST_KPA) & (pressure_kpa <= HIGHEST_KPA)
    held = np.minimum(np.maximum(pressure_kpa, LOWEST_KPA), HIGHEST_KPA)
    altitude = SEA_LEVEL_K / LAPSE_K_M * (1.0 - (held / SEA_LEVEL_KPA) ** INVERSE_EXPONENT)
    return choose(inside, altitude, np.nan)


def pressure_at_ft(altitude_ft: Num) -> Num:
    """Pressure of the standard atmosphere.

    Parameters
    ----------
    altitude_ft : pressure altitude, about -1968 to 36 089; NaN outside [ft]

    Returns
    -------
    Absolute pressure [kPa]
    """
    return pressure_at_m(altitude_ft * M_PER_FT)


def altitude_ft_at(pressure_kpa: Num) -> Num:
    """Pressure altitude of a pressure: the inverse of ``pressure_at_ft``.

    Parameters
    ----------
    pressure_kpa : absolute pressure, about 22.63 to 108.74; NaN outside [kPa]

    Returns
    -------
    Pressure altitude [ft]
    """
    return altitude_m_at(pressure_kpa) / M_PER_FT


def trapped_gas_ratio(from_kpa: Num, to_kpa: Num, water_kpa: Num) -> Num:
    """How much a freely expanding pocket of gas grows with a change of pressure.

    Source: Boyle's law with saturated water vapour taken out (derived).

    Parameters
    ----------
    from_kpa : absolute pressure before, above ``water_kpa``; else NaN [kPa]
    to_kpa : absolute pressure after, above ``water_kpa``; else NaN [kPa]
    water_kpa : vapour pressure in the pocket: 6.27 in the body at 37 degC, 0 for dry gas [kPa]

    Returns
    -------
    Volume after / volume before [-]
    """
    before = from_kpa - water_kpa
    after = to_kpa - water_kpa
    usable = (before > 0.0) & (after > 0.0)
    return choose(usable, before / choose(after > 0.0, after, 1.0), np.nan)
