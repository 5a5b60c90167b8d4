"""What an oxygen analyser shows: a cell that senses partial pressure, scaled to per cent.

Works on floats, arrays and in compiled code. A cell set in dry air at one pressure and used at
another reads wrong in the ratio of the two; wet gas reads low. Derived from Dalton's law; the
humidity form and its table are verified in an instrument handbook. Units that measure and correct
for the cabin's pressure do not follow this: check the handbook.

Error allowances are data, with their source and mark, in ``data/tables/analyser.toml``; only the
sum is here.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.choose import choose
from warmhold.science.types import Num

DRY_AIR_PERCENT = 20.945


def reading_percent(
    true_percent: Num,
    used_kpa: Num,
    used_water_kpa: Num,
    set_kpa: Num,
    set_water_kpa: Num,
) -> Num:
    """What the analyser shows in a gas, after it was set in room air.

    Parameters
    ----------
    true_percent : oxygen in the dry gas, 0 to 100 [%]
    used_kpa : absolute pressure where it is used, above 0 [kPa]
    used_water_kpa : water vapour pressure at the cell where it is used; 0 when dry [kPa]
    set_kpa : absolute pressure where it was set in air; NaN unless above ``set_water_kpa`` [kPa]
    set_water_kpa : water vapour pressure at the cell when it was set; 0 when dry [kPa]

    Returns
    -------
    Reading [%]
    """
    was = set_kpa - set_water_kpa
    shown = true_percent * (used_kpa - used_water_kpa) / choose(was > 0.0, was, 1.0)
    return choose(was > 0.0, shown, np.nan)


def true_percent(
    shown_percent: Num,
    used_kpa: Num,
    used_water_kpa: Num,
    set_kpa: Num,
    set_water_kpa: Num,
) -> Num:
    """Oxygen in the dry gas behind a reading: the inverse of ``reading_percent``.

    Parameters
    ----------
    shown_percent : reading [%]
    used_kpa : absolute pressure where it is used; NaN unless above ``used_water_kpa`` [kPa]
    used_water_kpa : water vapour pressure at the cell where it is used; 0 when dry [kPa]
    set_kpa : absolute pressure where it was set in air [kPa]
    set_water_kpa : water vapour pressure at the cell when it was set; 0 when dry [kPa]

    Returns
    -------
    Oxygen [%]
    """
    return reading_percent(shown_percent, set_kpa, set_water_kpa, used_kpa, used_water_kpa)


def two_point_percent(signal: Num, air_signal: Num, oxygen_signal: Num) -> Num:
    """Reading of an analyser that was set in air and in pure oxygen.

    Parameters
    ----------
    signal : cell signal now [any]
    air_signal : cell signal in room air [same]
    oxygen_signal : cell signal in pure oxygen; NaN unless it differs from air [same]

    Returns
    -------
    Oxygen [%]
    """
    span = oxygen_signal - air_signal
    usable = np.abs(span) > 0.0
    scale = (100.0 - DRY_AIR_PERCENT) / choose(usable, span, 1.0)
    return choose(usable, DRY_AIR_PERCENT + (signal - air_signal) * scale, np.nan)


def allowance_points(level_percent: Num, fixed_points: Num, level_share: Num) -> Num:
    """Allowed error at a level: a fixed part and a share of the level.

    Parameters
    ----------
    level_percent : oxygen level, 0 to 100 [%]
    fixed_points : fixed part [percentage points]
    level_share : share of the level, such as 0.025 [-]

    Returns
    -------
    Allowed error, either way [percentage points]
    """
    return fixed_points + level_share * level_percent
