"""Oxygen on its way to the blood: inspired, alveolar, saturation, and what altitude takes away.

Works on floats, arrays and in compiled code. Pressures in kPa (1 mmHg = 0.133322 kPa), fractions
and saturations from 0 to 1. Decision support only: a saturation worked out here replaces no
measurement.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.choose import choose
from warmhold.science.types import Num

AIR_OXYGEN = 0.21
KPA_PER_MMHG = 0.133322387415

# Severinghaus 1979, with pressure in mmHg
_SEVERINGHAUS_A = 23400.0
_SEVERINGHAUS_B = 150.0
_B_THIRD = _SEVERINGHAUS_B / 3.0
# the pressure at which the printed equation gives one half: root of P^3 + 150 P = 23400
SEVERINGHAUS_P50_KPA = 3.5806127134021337

# Kelman 1966, with pressure in mmHg
_K1 = -8532.2289
_K2 = 2121.4010
_K3 = -67.073989
_K4 = 935960.87
_K5 = -31346.258
_K6 = 2396.1674
_K7 = -67.104406
_KELMAN_LOWEST_MMHG = 10.0
_LN10 = 2.302585092994046


def inspired_oxygen_kpa(fraction: Num, pressure_kpa: Num, water_kpa: Num) -> Num:
    """Partial pressure of oxygen in breathed gas once it is warm and wet.

    Parameters
    ----------
    fraction : oxygen fraction of the dry gas, 0 to 1 [-]
    pressure_kpa : absolute pressure [kPa]
    water_kpa : water vapour in the airway, 6.27 at 37 degC; 0 leaves it out [kPa]

    Returns
    -------
    Inspired oxygen partial pressure [kPa]
    """
    return fraction * (pressure_kpa - water_kpa)


def fraction_at_pressure(fraction: Num, from_kpa: Num, to_kpa: Num, water_kpa: Num) -> Num:
    """Oxygen fraction that keeps the inspired partial pressure at another pressure.

    The answer may be above 1: the need then cannot be met there, ask for a lower cabin. Constant
    inspired, not arterial, pressure is assumed: a lung that gets worse needs more. With
    ``water_kpa`` 0 it is the dry rule, which gives too little (0.54 for 0.55 at 8000 ft). Derived.

    Parameters
    ----------
    fraction : need at ``from_kpa`` [-]
    from_kpa : pressure where the need is known [kPa]
    to_kpa : pressure to go to, above ``water_kpa``; else NaN [kPa]
    water_kpa : water vapour in the airway, 6.27 at 37 degC [kPa]

    Returns
    -------
    Need at ``to_kpa``, unbounded above [-]
    """
    dry = to_kpa - water_kpa
    needed = fraction * (from_kpa - water_kpa) / choose(dry > 0.0, dry, 1.0)
    return choose(dry > 0.0, needed, np.nan)


def highest_coverable_fraction(
    highest_fraction: Num, from_kpa: Num, to_kpa: Num, water_kpa: Num
) -> Num:
    """Largest need on the ground that can still be met at a cabin pressure.

    Parameters
    ----------
    highest_fraction : most that the delivery can reach, up to 1 [-]
    from_kpa : pressure on the ground, above ``water_kpa``; else NaN [kPa]
    to_kpa : cabin pressure [kPa]
    water_kpa : water vapour in the airway, 6.27 at 37 degC [kPa]

    Returns
    -------
    Need on the ground [-]
    """
    return fraction_at_pressure(highest_fraction, to_kpa, from_kpa, water_kpa)


def lowest_pressure_kpa(fraction: Num, from_kpa: Num, highest_fraction: Num, water_kpa: Num) -> Num:
    """Lowest cabin pressure at which a need can still be met; its altitude is the ceiling.

    Hand it to ``atmosphere.altitude_m_at`` for the ceiling of the cabin. Derived.

    Parameters
    ----------
    fraction : need at ``from_kpa`` [-]
    from_kpa : pressure where the need is known [kPa]
    highest_fraction : most that the delivery can reach, above 0 to 1 [-]
    water_kpa : water vapour in the airway, 6.27 at 37 degC [kPa]

    Returns
    -------
    Lowest cabin pressure; above ``from_kpa`` when the need cannot even be met there [kPa]
    """
    return water_kpa + fraction * (from_kpa - water_kpa) / highest_fraction


def alveolar_oxygen_kpa(inspired_kpa: Num, carbon_dioxide_kpa: Num, quotient: Num) -> Num:
    """Alveolar oxygen, short form: inspired - CO2 / R.

    Parameters
    ----------
    inspired_kpa : inspired oxygen partial pressure [kPa]
    carbon_dioxide_kpa : arterial carbon dioxide partial pressure [kPa]
    quotient : respiratory quotient R, 0.8 by custom, above 0 [-]

    Returns
    -------
    Alveolar oxygen partial pressure, not below 0 [kPa]
    """
    return np.maximum(inspired_kpa - carbon_dioxide_kpa / quotient, 0.0)


def alveolar_oxygen_full_kpa(
    inspired_kpa: Num, carbon_dioxide_kpa: Num, quotient: Num, fraction: Num
) -> Num:
    """Alveolar oxygen, full form: inspired - CO2 x (F + (1 - F) / R).

    Parameters
    ----------
    inspired_kpa : inspired oxygen partial pressure [kPa]
    carbon_dioxide_kpa : arterial carbon dioxide partial pressure [kPa]
    quotient : respiratory quotient R, 0.8 by custom, above 0 [-]
    fraction : oxygen fraction breathed, 0 to 1 [-]

    Returns
    -------
    Alveolar oxygen partial pressure, not below 0 [kPa]
    """
    taken = carbon_dioxide_kpa * (fraction + (1.0 - fraction) / quotient)
    return np.maximum(inspired_kpa - taken, 0.0)


def saturation_severinghaus(oxygen_kpa: Num) -> Num:
    """Saturation of adult blood, pH 7.40, 37 degC.

    J. W. Severinghaus, J. Appl. Physiol. 46 (1979) 599-602, Eq. 1: within 0.0055 of the author's
    data (verified, abstract).

    Parameters
    ----------
    oxygen_kpa : oxygen partial pressure; below 0 counts as 0 [kPa]

    Returns
    -------
    Saturation, 0 to 1 [-]
    """
    p = np.maximum(oxygen_kpa, 0.0) / KPA_PER_MMHG
    cubic = p * (p * p + _SEVERINGHAUS_B)
    return cubic / (cubic + _SEVERINGHAUS_A)


def oxygen_at_saturation_severinghaus(saturation: Num) -> Num:
    """Oxygen partial pressure of a saturation: exact inverse of ``saturation_severinghaus``.

    The inverse that the paper prints is an approximation (57.98 for 58.66 mmHg at 0.90), so the
    cubic P^3 + 150 P = 23400 / (1/S - 1) is solved instead, by its one real root in closed form.

    Parameters
    ----------
    saturation : 0 to below 1; NaN outside [-]

    Returns
    -------
    Oxygen partial pressure [kPa]
    """
    inside = (saturation >= 0.0) & (saturation < 1.0)
    s = np.minimum(np.maximum(saturation, 0.0), 0.9999999)
    half = 0.5 * _SEVERINGHAUS_A * s / (1.0 - s)
    root = (half + np.sqrt(half * half + _B_THIRD * _B_THIRD * _B_THIRD)) ** (1.0 / 3.0)
    return choose(inside, (root - _B_THIRD / root) * KPA_PER_MMHG, np.nan)


def saturation_kelman(oxygen_kpa: Num, temp_c: Num, ph: Num, carbon_dioxide_kpa: Num) -> Num:
    """Saturation of adult blood by a second, independent curve.

    G. R. Kelman, J. Appl. Physiol. 21 (1966) 1375-1376; coefficients verified in three public
    programs, exponent 0.06 of carbon dioxide in two of them (a third prints 0.6, a slip).

    Parameters
    ----------
    oxygen_kpa : oxygen partial pressure; NaN where corrected pressure is below 10 mmHg [kPa]
    temp_c : blood temperature [degC]
    ph : blood pH [-]
    carbon_dioxide_kpa : carbon dioxide partial pressure, above 0 [kPa]

    Returns
    -------
    Saturation, 0 to 1 [-]
    """
    shift = (
        0.024 * (37.0 - temp_c)
        + 0.40 * (ph - 7.40)
        + 0.06 * np.log(40.0 * KPA_PER_MMHG / carbon_dioxide_kpa) / _LN10
    )
    x = oxygen_kpa / KPA_PER_MMHG * np.exp(_LN10 * shift)
    inside = x >= _KELMAN_LOWEST_MMHG
    held = np.maximum(x, _KELMAN_LOWEST_MMHG)
    above = held * (held * (held * (held + _K3) + _K2) + _K1)
    below = held * (held * (held * (held + _K7) + _K6) + _K5) + _K4
    return choose(inside, above / below, np.nan)


def mixed_p50_kpa(fetal_share: Num, fetal_p50_kpa: Num, adult_p50_kpa: Num) -> Num:
    """P50 of blood that is part fetal: linear between the two.

    An own simple model (derived); typical numbers: fetal 18 to 19 mmHg (2.4 to 2.5 kPa), adult
    26.7 to 27 mmHg (3.6 kPa), fetal share 0.7 to 0.9 at birth (verified, general web pages).

    Parameters
    ----------
    fetal_share : share of fetal haemoglobin, 0 to 1 [-]
    fetal_p50_kpa : P50 of fetal blood [kPa]
    adult_p50_kpa : P50 of adult blood [kPa]

    Returns
    -------
    P50 of the mix [kPa]
    """
    return fetal_share * fetal_p50_kpa + (1.0 - fetal_share) * adult_p50_kpa


def saturation_at_p50(oxygen_kpa: Num, p50_kpa: Num) -> Num:
    """Saturation by the adult curve, moved along the pressure axis to another P50.

    An own simple model (derived): the shape of the curve is kept.

    Parameters
    ----------
    oxygen_kpa : oxygen partial pressure [kPa]
    p50_kpa : P50 of this blood, above 0 [kPa]

    Returns
    -------
    Saturation, 0 to 1 [-]
    """
    return saturation_severinghaus(oxygen_kpa * SEVERINGHAUS_P50_KPA / p50_kpa)


def oxygen_at_saturation(saturation: Num, p50_kpa: Num) -> Num:
    """Oxygen partial pressure of a saturation at a P50: inverse of ``saturation_at_p50``.

    Near full saturation a small error of the saturation is a large one of the pressure.

    Parameters
    ----------
    saturation : 0 to below 1; NaN outside [-]
    p50_kpa : P50 of this blood, above 0 [kPa]

    Returns
    -------
    Oxygen partial pressure [kPa]
    """
    return oxygen_at_saturation_severinghaus(saturation) * p50_kpa / SEVERINGHAUS_P50_KPA


def oxygenation_index(airway_cmh2o: Num, fraction: Num, arterial_kpa: Num) -> Num:
    """Oxygenation index: mean airway pressure x fraction x 100 / arterial oxygen in mmHg.

    Source: neonataltips.wordpress.com tip 38 (verified; pressures in cmH2O and mmHg).

    Parameters
    ----------
    airway_cmh2o : mean airway pressure [cmH2O]
    fraction : oxygen fraction breathed, 0.21 to 1 [-]
    arterial_kpa : arterial oxygen partial pressure, above 0; else NaN [kPa]

    Returns
    -------
    Oxygenation index [cmH2O/mmHg x 100]
    """
    usable = choose(arterial_kpa > 0.0, arterial_kpa, 1.0)
    index = airway_cmh2o * fraction * 100.0 * KPA_PER_MMHG / usable
    return choose(arterial_kpa > 0.0, index, np.nan)


def cannula_fraction_by_weight(flow_lpm: Num, weight_kg: Num, cannula_fraction: Num) -> Num:
    """Oxygen fraction breathed on a low-flow cannula, estimated from flow per weight.

    Takes 5 mL/kg in 0.3 s, no store in the nose, closed mouth. Source: scribd.com/document/
    483671597 (verified), which rounds the share to a whole per cent; here it is not rounded.
    The rival ``cannula_fraction_by_volume`` differs almost twofold: show both, as estimates.

    Parameters
    ----------
    flow_lpm : cannula flow [L/min]
    weight_kg : weight, above 0 [kg]
    cannula_fraction : oxygen fraction in the cannula, 0.21 to 1 [-]

    Returns
    -------
    Oxygen fraction breathed, an estimate [-]
    """
    share = np.minimum(flow_lpm / weight_kg, 1.0)
    return AIR_OXYGEN + (cannula_fraction - AIR_OXYGEN) * share


def cannula_fraction_by_volume(
    oxygen_lpm: Num, weight_kg: Num, breaths_per_min: Num, tidal_ml_kg: Num
) -> Num:
    """Oxygen fraction breathed on a low-flow cannula, estimated from the minute volume.

    Form of the sum from memory (Pediatr. Pulmonol. 21 (1996) 48; 5.5 mL/kg there is verified).

    Parameters
    ----------
    oxygen_lpm : flow of pure oxygen in the cannula [L/min]
    weight_kg : weight, above 0 [kg]
    breaths_per_min : breathing rate, above 0 [1/min]
    tidal_ml_kg : tidal volume, 5.5 in the source [mL/kg]

    Returns
    -------
    Oxygen fraction breathed, an estimate, at most 1 [-]
    """
    minute_lpm = weight_kg * breaths_per_min * tidal_ml_kg / 1000.0
    return np.minimum(AIR_OXYGEN + (1.0 - AIR_OXYGEN) * oxygen_lpm / minute_lpm, 1.0)
