"""Gas in a hood: wash-in of oxygen, carbon dioxide, and what an open door loses.

One well-mixed volume (derived). Works on floats, arrays and in compiled code. Real hoods mix
poorly near the door and in the corners: an analyser near the face decides.
"""

from __future__ import annotations

import numpy as np

from warmhold.science.choose import choose
from warmhold.science.types import Num

AIR_OXYGEN = 0.21
AIR_CARBON_DIOXIDE = 0.0004
_TINY = 1e-12


def time_constant_min(volume_l: Num, flow_lpm: Num, leak_lpm: Num) -> Num:
    """Time constant of the hood: 63 % of a change is done after one, 95 % after three.

    Parameters
    ----------
    volume_l : gas volume of the hood [L]
    flow_lpm : flow supplied [L/min]
    leak_lpm : room air that gets in besides [L/min]

    Returns
    -------
    Time constant; infinite without any flow [min]
    """
    total = flow_lpm + leak_lpm
    return choose(total > 0.0, volume_l / np.maximum(total, _TINY), np.inf)


def steady_fraction(inlet_fraction: Num, flow_lpm: Num, leak_lpm: Num) -> Num:
    """Oxygen fraction that the hood settles at.

    Parameters
    ----------
    inlet_fraction : oxygen fraction of the supplied gas [-]
    flow_lpm : flow supplied [L/min]
    leak_lpm : room air that gets in besides [L/min]

    Returns
    -------
    Oxygen fraction; NaN without any flow [-]
    """
    total = flow_lpm + leak_lpm
    mixed = (flow_lpm * inlet_fraction + leak_lpm * AIR_OXYGEN) / np.maximum(total, _TINY)
    return choose(total > 0.0, mixed, np.nan)


def fraction_after(start_fraction: Num, final_fraction: Num, minutes: Num, tau_min: Num) -> Num:
    """Oxygen fraction some time into a wash-in or wash-out.

    C(t) = C_end + (C_start - C_end) exp(-t / tau).

    Parameters
    ----------
    start_fraction : oxygen fraction at the start [-]
    final_fraction : oxygen fraction it tends to, ``steady_fraction`` [-]
    minutes : time since the start, 0 or more [min]
    tau_min : time constant, ``time_constant_min``, above 0 [min]

    Returns
    -------
    Oxygen fraction [-]
    """
    return final_fraction + (start_fraction - final_fraction) * np.exp(-minutes / tau_min)


def minutes_to_share(share: Num, tau_min: Num) -> Num:
    """Time until a share of the whole change is done.

    Parameters
    ----------
    share : share of the change, 0 to below 1; NaN outside [-]
    tau_min : time constant, ``time_constant_min`` [min]

    Returns
    -------
    Minutes [min]
    """
    inside = (share >= 0.0) & (share < 1.0)
    left = 1.0 - np.minimum(np.maximum(share, 0.0), 1.0 - 1e-15)
    return choose(inside, -tau_min * np.log(left), np.nan)


def minutes_to_fraction(
    start_fraction: Num, final_fraction: Num, wanted_fraction: Num, tau_min: Num
) -> Num:
    """Time until the hood reaches a wanted oxygen fraction.

    Parameters
    ----------
    start_fraction : oxygen fraction at the start [-]
    final_fraction : oxygen fraction it tends to [-]
    wanted_fraction : oxygen fraction to reach [-]
    tau_min : time constant [min]

    Returns
    -------
    Minutes; 0 when it starts there, infinite when it never passes that fraction [min]
    """
    change = final_fraction - start_fraction
    safe_change = choose(np.abs(change) > _TINY, change, 1.0)
    share = (wanted_fraction - start_fraction) / safe_change
    reached = (np.abs(change) > _TINY) & (share < 1.0)
    there = np.abs(wanted_fraction - start_fraction) <= _TINY
    held = np.minimum(np.maximum(share, 0.0), 1.0 - 1e-15)
    minutes = -tau_min * np.log(1.0 - held)
    beyond = choose(reached & (share >= 0.0), minutes, np.inf)
    return choose(there, 0.0, beyond)


def flow_for_fraction_lpm(wanted_fraction: Num, inlet_fraction: Num, leak_lpm: Num) -> Num:
    """Flow that a hood with a leak needs to settle at a wanted oxygen fraction.

    Parameters
    ----------
    wanted_fraction : oxygen fraction wanted in the hood [-]
    inlet_fraction : oxygen fraction of the supplied gas [-]
    leak_lpm : room air that gets in besides, taken as independent of the flow [L/min]

    Returns
    -------
    Flow; 0 when air is enough, infinite when the supplied gas is not rich enough [L/min]
    """
    spare = inlet_fraction - wanted_fraction
    flow = leak_lpm * (wanted_fraction - AIR_OXYGEN) / choose(spare > 0.0, spare, 1.0)
    reachable = choose(spare > 0.0, flow, np.inf)
    return choose(wanted_fraction <= AIR_OXYGEN, 0.0, reachable)


def equivalent_leak_lpm(settled_fraction: Num, inlet_fraction: Num, flow_lpm: Num) -> Num:
    """Room air that must have got in, from a settled reading: the hood's own leak.

    Parameters
    ----------
    settled_fraction : oxygen fraction the hood settled at, above 0.21; else NaN [-]
    inlet_fraction : oxygen fraction of the supplied gas [-]
    flow_lpm : flow supplied [L/min]

    Returns
    -------
    Equivalent leak [L/min]
    """
    rise = settled_fraction - AIR_OXYGEN
    leak = flow_lpm * (inlet_fraction - settled_fraction) / choose(rise > 0.0, rise, 1.0)
    return choose(rise > 0.0, leak, np.nan)


def steady_carbon_dioxide(production_lpm: Num, flow_lpm: Num, leak_lpm: Num) -> Num:
    """Carbon dioxide fraction that the hood settles at, with that of room air added.

    Production divided by the total flow. About 6 mL/kg/min is a common figure (memory).

    Parameters
    ----------
    production_lpm : carbon dioxide breathed out [L/min]
    flow_lpm : flow supplied [L/min]
    leak_lpm : room air that gets in besides [L/min]

    Returns
    -------
    Carbon dioxide fraction, at most 1; NaN without any flow [-]
    """
    total = flow_lpm + leak_lpm
    made = production_lpm / np.maximum(total, _TINY)
    return choose(total > 0.0, np.minimum(AIR_CARBON_DIOXIDE + made, 1.0), np.nan)


def kept_share(exchange_lpm: Num, minutes: Num, volume_l: Num) -> Num:
    """Share of the hood's gas still there after a door or port was open.

    Parameters
    ----------
    exchange_lpm : room air exchanged through the opening [L/min]
    minutes : time open, 0 or more [min]
    volume_l : gas volume of the hood, above 0 [L]

    Returns
    -------
    Share kept, 0 (all lost) to 1 (nothing lost) [-]
    """
    return np.exp(-exchange_lpm * minutes / volume_l)


def fraction_after_opening(fraction: Num, kept: Num) -> Num:
    """Oxygen fraction after an opening that kept a share of the hood's gas.

    No measured share was found in print: ``kept`` is an assumption of the unit's profile.

    Parameters
    ----------
    fraction : oxygen fraction before [-]
    kept : share of the gas kept, 0 to 1 [-]

    Returns
    -------
    Oxygen fraction after [-]
    """
    return AIR_OXYGEN + kept * (fraction - AIR_OXYGEN)
