"""How much oxygen and air a wanted oxygen fraction takes, and how long it lasts.

Works on floats, arrays and in compiled code. The source of each rule is a balance of dry gas
(derived), with room air counted as 21 % oxygen as the trade's sums do (verified: the mixing rule
in scribd.com/document/445208473); 20.95 % would shift the oxygen flow by less than 0.1 % of the
total flow. Litres are litres at 15 degC and 1.01325 bar unless "actual" says otherwise.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.choose import choose
from warmhold.science.types import Num

AIR_OXYGEN = 0.21
STANDARD_KPA = 101.325
_TINY_LPM = 1e-9


def oxygen_share(fraction: Num) -> Num:
    """Share of the total flow that has to be pure oxygen.

    Held to 0 to 1: a wanted fraction below air takes no oxygen, one above 1 cannot be had. Ask
    ``fraction <= 1`` before relying on it.

    Parameters
    ----------
    fraction : wanted oxygen fraction of the mix, 0.21 to 1 [-]

    Returns
    -------
    Oxygen flow / total flow [-]
    """
    return np.minimum(np.maximum((fraction - AIR_OXYGEN) / (1.0 - AIR_OXYGEN), 0.0), 1.0)


def oxygen_flow_lpm(total_lpm: Num, fraction: Num) -> Num:
    """Oxygen flow of a mix of air and oxygen.

    Parameters
    ----------
    total_lpm : total flow, 0 or more [L/min]
    fraction : wanted oxygen fraction, 0.21 to 1; held to that range [-]

    Returns
    -------
    Flow of pure oxygen [L/min]
    """
    return total_lpm * oxygen_share(fraction)


def air_flow_lpm(total_lpm: Num, fraction: Num) -> Num:
    """Air flow of a mix of air and oxygen.

    Parameters
    ----------
    total_lpm : total flow, 0 or more [L/min]
    fraction : wanted oxygen fraction, 0.21 to 1; held to that range [-]

    Returns
    -------
    Flow of air [L/min]
    """
    return total_lpm * (1.0 - oxygen_share(fraction))


def fraction_of_flows(air_lpm: Num, oxygen_lpm: Num) -> Num:
    """Oxygen fraction of two flows that mix.

    Parameters
    ----------
    air_lpm : flow of air, 0 or more [L/min]
    oxygen_lpm : flow of pure oxygen, 0 or more [L/min]

    Returns
    -------
    Oxygen fraction; NaN when nothing flows [-]
    """
    total = air_lpm + oxygen_lpm
    mixed = (AIR_OXYGEN * air_lpm + oxygen_lpm) / np.maximum(total, _TINY_LPM)
    return choose(total > 0.0, mixed, np.nan)


def air_to_oxygen(fraction: Num) -> Num:
    """Litres of air for each litre of oxygen.

    Parameters
    ----------
    fraction : wanted oxygen fraction, above 0.21 to 1; infinite at or below 0.21 [-]

    Returns
    -------
    Air flow / oxygen flow [-]
    """
    share = oxygen_share(fraction)
    return choose(share > 0.0, (1.0 - share) / np.maximum(share, _TINY_LPM), np.inf)


def oxygen_supply_lpm(total_lpm: Num, fraction: Num, drive_oxygen_lpm: Num) -> Num:
    """Oxygen that the supply gives up: the blend and whatever is driven by oxygen.

    In a constant-flow circuit the total flow is the whole bias flow, not the minute volume.

    Parameters
    ----------
    total_lpm : total (bias) flow to the patient's circuit or hood [L/min]
    fraction : wanted oxygen fraction, 0.21 to 1; held to that range [-]
    drive_oxygen_lpm : oxygen used to drive equipment, and known leaks; 0 when air drives [L/min]

    Returns
    -------
    Oxygen drawn [L/min]
    """
    return oxygen_flow_lpm(total_lpm, fraction) + drive_oxygen_lpm


def air_supply_lpm(total_lpm: Num, fraction: Num, drive_air_lpm: Num, cylinder_share: Num) -> Num:
    """Air that cylinders or the wall give up.

    Parameters
    ----------
    total_lpm : total (bias) flow to the patient's circuit or hood [L/min]
    fraction : wanted oxygen fraction, 0.21 to 1; held to that range [-]
    drive_air_lpm : air from the same supply used to drive equipment [L/min]
    cylinder_share : share of the blend's air from this supply: 1, or 0 with a compressor [-]

    Returns
    -------
    Air drawn [L/min]
    """
    return air_flow_lpm(total_lpm, fraction) * cylinder_share + drive_air_lpm


def litres_needed(flow_lpm: Num, minutes: Num, factor: Num) -> Num:
    """Litres to carry for a steady flow.

    Source: litres = 2 x flow x minutes, frcemexam.com oxygen requirements for patient transfer
    (verified); the factor is policy's.

    Parameters
    ----------
    flow_lpm : flow drawn [L/min]
    minutes : expected duration [min]
    factor : reserve factor, 2 in the source [-]

    Returns
    -------
    Litres [L]
    """
    return factor * flow_lpm * minutes


def ventilated_rule_lpm(minute_volume_lpm: Num, fraction: Num, drive_lpm: Num) -> Num:
    """Oxygen by the common bedside sum: minute volume x fraction + driving gas.

    It counts the oxygen in the air part as well, so it asks for more than the blend does; kept as
    a check beside ``oxygen_supply_lpm``. Source: frcemexam.com (verified).

    Parameters
    ----------
    minute_volume_lpm : minute volume; in a constant-flow circuit the bias flow [L/min]
    fraction : oxygen fraction [-]
    drive_lpm : driving gas [L/min]

    Returns
    -------
    Oxygen flow to plan with [L/min]
    """
    return minute_volume_lpm * fraction + drive_lpm


def minutes_left(litres: Num, flow_lpm: Num) -> Num:
    """How long an amount lasts at a steady flow.

    Parameters
    ----------
    litres : what can be drawn, 0 or more [L]
    flow_lpm : flow drawn, 0 or more [L/min]

    Returns
    -------
    Minutes; infinite when nothing is drawn [min]
    """
    return choose(flow_lpm > 0.0, litres / np.maximum(flow_lpm, _TINY_LPM), np.inf)


def standard_flow_lpm(actual_lpm: Num, pressure_kpa: Num) -> Num:
    """Standard litres per minute in a flow of litres at cabin pressure.

    Temperature is left out: a cabin warmer than 15 degC really holds a little less gas per litre,
    so this errs towards using more (2 % at 21 degC). Derived.

    Parameters
    ----------
    actual_lpm : flow at cabin pressure [L/min]
    pressure_kpa : cabin pressure, above 0 [kPa]

    Returns
    -------
    Flow [L/min at 101.325 kPa]
    """
    return actual_lpm * pressure_kpa / STANDARD_KPA


def actual_flow_lpm(standard_lpm: Num, pressure_kpa: Num) -> Num:
    """Litres per minute at cabin pressure in a standard flow: inverse of ``standard_flow_lpm``.

    Parameters
    ----------
    standard_lpm : flow [L/min at 101.325 kPa]
    pressure_kpa : cabin pressure, above 0 [kPa]

    Returns
    -------
    Flow at cabin pressure [L/min]
    """
    return standard_lpm * STANDARD_KPA / pressure_kpa


def float_tube_standard_lpm(indicated_lpm: Num, pressure_kpa: Num) -> Num:
    """Standard flow through a float tube that is open to the cabin and scaled at sea level.

    Orifice law, derived: less gas than indicated passes at altitude. Tubes that are compensated
    for back pressure differ: check the handbook.

    Parameters
    ----------
    indicated_lpm : what the scale shows [L/min]
    pressure_kpa : cabin pressure, above 0 [kPa]

    Returns
    -------
    Flow [L/min at 101.325 kPa]
    """
    return indicated_lpm * np.sqrt(pressure_kpa / STANDARD_KPA)
