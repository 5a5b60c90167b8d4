"""Where each number stands in the arrays of the simulation.

Three vectors for one member at one moment: the state ``y``, the member's own constants ``p``
(unit, baby), and the conditions ``c`` of the stretch it is in (ambient, source, what is open).
The right-hand side also notes flows ``a`` for reports. The constants are plain integers so that
arrays of one member (1-D) and of a whole ensemble (rows by members) read alike.
"""

from __future__ import annotations

from typing import Final

# --- state y -------------------------------------------------------------------------------
AIR: Final = 0  # hood air and the light parts that move with it [degC]
WALL: Final = 1  # inner wall [degC]
OUTER: Final = 2  # outer wall, double only [degC]
PATCH: Final = 3  # mattress under the baby [degC]
DECK: Final = 4  # tray, ducts, the rest of the mattress [degC]
HEATER: Final = 5  # heater block [degC]
VAPOUR: Final = 6  # absolute humidity of the hood air [g/m3]
SKIN: Final = 7  # mean skin [degC]
CORE: Final = 8  # core [degC]
INTEGRAL: Final = 9  # integral part of the air controller [W]
SKIN_INTEGRAL: Final = 10  # integral part of the skin controller [K of air]
CHARGE: Final = 11  # usable energy left in the packs, at 25 degC and rated power [Wh]
PACK: Final = 12  # battery temperature [degC]
OXYGEN: Final = 13  # oxygen fraction of the hood air [-]
CARBON: Final = 14  # carbon dioxide fraction of the hood air [-]
WATER: Final = 15  # water left in the humidifier [g]
HEAT_LEDGER: Final = 16  # net heat over the boundary since the start [J]
WATER_LEDGER: Final = 17  # net vapour into the hood air since the start [g]
BABY_WATER: Final = 18  # water the baby lost since it went in [g]
BUS_ENERGY: Final = 19  # energy used on the unit's bus since the start [Wh]
N_STATE: Final = 20

# --- a member's constants p ------------------------------------------------------------------
P_NAMES: Final = (
    "MASS",  # baby [kg]
    "AREA",  # body surface [m2]
    "CONTACT",  # share of the surface on the mattress [-]
    "RADIATING",  # share of the surface that radiates [-]
    "REST",  # heat at rest [W/kg]
    "CEILING",  # most heat in the cold [W/kg]
    "READINESS",  # answer to cold [-]
    "CORE_SHIFT",  # this baby's own core over the usual one, at the same reading [K]
    "DRY_LOSS",  # dry loss of this baby in this hood over the model's middle [-]
    "VESSELS_CLOSED",  # core to skin [W/m2/K]
    "VESSELS_OPEN",  # [W/m2/K]
    "SKIN_VAPOUR",  # skin's conductance for vapour [W/m2/kPa]
    "WEEKS",  # gestation [weeks]
    "BODY_SHARE",  # share of the exposed surface under a wrap or clothes [-]
    "BODY_INSULATION",  # [m2K/W]
    "BODY_VAPOUR",  # share of the vapour that gets through [-]
    "HEAD_SHARE",  # under a hat [-]
    "HEAD_INSULATION",  # [m2K/W]
    "BREATH_IN_HOOD",  # 1 breathes hood air, 0 has a circuit of its own [-]
    "BREATH_LOSS",  # 1 loses heat and water by breath, 0 warmed humidified gas [-]
    "BREATH_DRY",  # 1 dry gas from the circuit [-]
    "C_AIR",  # [J/K]
    "C_WALL",
    "C_OUTER",
    "C_PATCH",
    "C_DECK",
    "C_HEATER",
    "G_AIR_WALL",  # [W/K]
    "G_AIR_DECK",
    "G_DECK_AMBIENT",
    "G_HEATER_AIR",
    "WALL_AREA",  # [m2]
    "WALL_RESISTANCE",  # [m2K/W]
    "WALL_GAP",  # [W/m2K]
    "IS_DOUBLE",  # [-]
    "WALL_VIEW",  # [-]
    "G_PATCH_BABY",  # [W/K]
    "G_PATCH_BELOW",
    "G_PATCH_AIR",  # with no baby on it
    "VOLUME",  # [m3]
    "FRESH",  # fresh air and leaks [m3/s]
    "AIR_SPEED",  # [m/s]
    "SUN_WINDOW",  # [m2]
    "FAN_OFF",  # [-]
    "GAIN",  # air controller [W/K]
    "INTEGRAL_S",  # [s]
    "SKIN_MODE",  # 1 skin control [-]
    "SKIN_GAIN",  # [K/K]
    "SKIN_SET",  # [degC]
    "AIR_LOWEST",  # lowest air target under skin control [degC]
    "AIR_HIGHEST",
    "HEATER_W",
    "HEATER_BATTERY_W",
    "ELECTRONICS_W",
    "FAN_HEAT_W",
    "SUPPLY_EFFICIENCY",
    "BATTERY_EFFICIENCY",
    "USABLE_WH",  # all packs carried, at 25 degC and rated power [Wh]
    "CHARGEABLE_WH",  # of which in the unit, so that a source charges them [Wh]
    "RATED_W",  # power at which the energy was rated, packs in the unit [W]
    "PEUKERT",
    "IS_LEAD",
    "CHARGER_W",  # full charging power [W]
    "PACK_LAG_S",  # [s]
    "PACK_WARMER_K",  # [K]
    "HUMIDIFIER_G_S",  # most it can give [g/s]
    "COMPRESSOR_W",
)
N_PARAM: Final = len(P_NAMES)
(
    MASS, AREA, CONTACT, RADIATING, REST, CEILING, READINESS, CORE_SHIFT, DRY_LOSS,
    VESSELS_CLOSED, VESSELS_OPEN, SKIN_VAPOUR, WEEKS, BODY_SHARE, BODY_INSULATION, BODY_VAPOUR,
    HEAD_SHARE, HEAD_INSULATION,
    BREATH_IN_HOOD, BREATH_LOSS, BREATH_DRY, C_AIR, C_WALL, C_OUTER, C_PATCH, C_DECK, C_HEATER,
    G_AIR_WALL, G_AIR_DECK, G_DECK_AMBIENT, G_HEATER_AIR, WALL_AREA, WALL_RESISTANCE, WALL_GAP,
    IS_DOUBLE, WALL_VIEW, G_PATCH_BABY, G_PATCH_BELOW, G_PATCH_AIR, VOLUME, FRESH, AIR_SPEED,
    SUN_WINDOW, FAN_OFF, GAIN, INTEGRAL_S, SKIN_MODE, SKIN_GAIN, SKIN_SET, AIR_LOWEST,
    AIR_HIGHEST, HEATER_W, HEATER_BATTERY_W, ELECTRONICS_W, FAN_HEAT_W, SUPPLY_EFFICIENCY,
    BATTERY_EFFICIENCY, USABLE_WH, CHARGEABLE_WH, RATED_W, PEUKERT, IS_LEAD, CHARGER_W,
    PACK_LAG_S, PACK_WARMER_K, HUMIDIFIER_G_S, COMPRESSOR_W,
) = range(N_PARAM)  # fmt: skip

# --- conditions of a stretch c ---------------------------------------------------------------
C_NAMES: Final = (
    "AMBIENT",  # [degC]
    "AMBIENT_VAPOUR",  # absolute humidity outside [g/m3]
    "PRESSURE",  # [kPa]
    "WIND",  # [m/s]
    "SUN",  # on the hood [W/m2]
    "EXTERNAL_W",  # what the source gives the unit, 0 on battery [W]
    "ON_EXTERNAL",  # 1 outside power, 0 battery [-]
    "OPENING",  # exchange through an open port or front [m3/s]
    "ABOARD",  # 1 the baby is in [-]
    "AIR_SET",  # [degC]
    "HUMIDITY_SET",  # relative humidity asked for, 0 off [-]
    "HOOD_OXYGEN",  # oxygen let into the hood [m3/s]
    "COMPRESSING",  # 1 the compressor runs [-]
)
N_CONDITION: Final = len(C_NAMES)
(
    AMBIENT, AMBIENT_VAPOUR, PRESSURE, WIND, SUN, EXTERNAL_W, ON_EXTERNAL, OPENING, ABOARD,
    AIR_SET, HUMIDITY_SET, HOOD_OXYGEN, COMPRESSING,
) = range(N_CONDITION)  # fmt: skip

# --- flows noted by the right-hand side a ------------------------------------------------------
(
    F_HEATER, F_BUS, F_BATTERY_W, F_METABOLIC, F_CONVECTION, F_RADIATION, F_CONDUCTION,
    F_SKIN_EVAPORATION, F_BREATH, F_OPERATIVE, F_VAPOUR_KPA, F_SUN_BABY, F_HEATER_LIMIT,
    F_SENSIBLE_BREATH,
) = range(14)  # fmt: skip
N_FLOW: Final = 14
