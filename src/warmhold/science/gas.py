"""What is in a cylinder of oxygen or air: real gas from gauge, temperature and water volume.

One litre here is a litre of dry gas at 15 degC and 1.01325 bar. Gauge pressures are above
1.01325 bar; a gauge read in a cabin at altitude is at most about 0.3 bar off by this.

All functions of this module are for planning: they work on floats and arrays (arrays broadcast),
check ranges, and raise. They are not meant for compiled code. Range: -40 to 60 degC, gauge 0 to
350 bar; outside, or not finite, ``ValueError`` names everything that is wrong at once.

Oxygen at one gauge reading holds less or more than the ideal-gas rule says: the linear gauge rule
(share of the gauge = share of the content) overstates a low oxygen cylinder by 4 to 6 %.

Sources: equations and their marks in ``gas_equations``. Tank-factor rule: state emergency medical
service sheet 12VAC5-31-860, Oct 2010 (verified).
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from warmhold.science.gas_equations import AIR, OXYGEN, Equation
from warmhold.science.types import Num

Gas = Literal["oxygen", "air"]

ZERO_C_K = 273.15
STANDARD_BAR = 1.01325
STANDARD_TEMP_C = 15.0
LOWEST_TEMP_C = -40.0
HIGHEST_TEMP_C = 60.0
HIGHEST_GAUGE_BAR = 350.0
PSI_PER_BAR = 14.503774

_BAR_PER_J_L = 0.01  # 1 J/L = 1 kPa = 0.01 bar
_HIGHEST_REDUCED_DENSITY = 2.5
_REDUCED_TOLERANCE = 1e-13
_MOST_STEPS = 80

_EQUATIONS: dict[str, Equation] = {"oxygen": OXYGEN, "air": AIR}

_Array = NDArray[np.float64]
_Sums = dict[int, list[_Array]]


def compressibility(gas: Gas, gauge_bar: Num, temp_c: Num) -> Num:
    """Real-gas factor Z = pressure / (density x R x temperature).

    Planning only.

    Parameters
    ----------
    gas : "oxygen" or "air"
    gauge_bar : gauge pressure, 0 to 350 [bar]
    temp_c : gas temperature, -40 to 60 [degC]

    Returns
    -------
    Z, 1 for an ideal gas [-]
    """
    equation = _equation(gas)
    gauge, temp = _broadcast(gauge_bar, temp_c)
    _check(("gauge_bar", gauge, 0.0, HIGHEST_GAUGE_BAR, "bar"), _temp_range("temp_c", temp))
    absolute = gauge + STANDARD_BAR
    density = _density_mol_l(equation, absolute, temp)
    return _given_back(absolute / (density * _rt_bar_l_mol(equation, temp)))


def content_l(gas: Gas, gauge_bar: Num, temp_c: Num, water_l: Num) -> Num:
    """Everything in the vessel, in litres at 15 degC and 1.01325 bar.

    Includes the roughly one litre per litre of water volume that stays at gauge zero.
    Planning only.

    Parameters
    ----------
    gas : "oxygen" or "air"
    gauge_bar : gauge pressure, 0 to 350 [bar]
    temp_c : gas temperature when the gauge was read, -40 to 60 [degC]
    water_l : water volume of the vessel, above 0 to 1000 [L]

    Returns
    -------
    Content [L at 15 degC, 1.01325 bar]
    """
    equation = _equation(gas)
    gauge, temp, water = _broadcast(gauge_bar, temp_c, water_l)
    _check(
        ("gauge_bar", gauge, 0.0, HIGHEST_GAUGE_BAR, "bar"),
        _temp_range("temp_c", temp),
        _water_range(water),
    )
    return _given_back(_litres(equation, gauge, temp, water))


def deliverable_l(
    gas: Gas,
    gauge_bar: Num,
    gauge_temp_c: Num,
    water_l: Num,
    residual_bar: Num,
    use_temp_c: Num,
) -> Num:
    """Litres that can be drawn before the gauge falls to a residual at the temperature of use.

    The mass comes from the gauge at the temperature where it was read; what must stay comes from
    the residual gauge pressure at the temperature of use. A vessel already below the residual
    gives 0. The cooling of the vessel by a fast draw is left out. Planning only.

    Parameters
    ----------
    gas : "oxygen" or "air"
    gauge_bar : gauge pressure when read, 0 to 350 [bar]
    gauge_temp_c : gas temperature when the gauge was read, -40 to 60 [degC]
    water_l : water volume of the vessel, above 0 to 1000 [L]
    residual_bar : gauge pressure to leave, 0 to 350 [bar]
    use_temp_c : gas temperature while it is used, -40 to 60 [degC]

    Returns
    -------
    Litres to draw, never below 0 [L at 15 degC, 1.01325 bar]
    """
    equation = _equation(gas)
    gauge, read_temp, water, residual, use_temp = _broadcast(
        gauge_bar, gauge_temp_c, water_l, residual_bar, use_temp_c
    )
    _check(
        ("gauge_bar", gauge, 0.0, HIGHEST_GAUGE_BAR, "bar"),
        _temp_range("gauge_temp_c", read_temp),
        _water_range(water),
        ("residual_bar", residual, 0.0, HIGHEST_GAUGE_BAR, "bar"),
        _temp_range("use_temp_c", use_temp),
    )
    held = _litres(equation, gauge, read_temp, water)
    left = _litres(equation, residual, use_temp, water)
    return _given_back(np.maximum(held - left, 0.0))


def gauge_at_bar(gas: Gas, gauge_bar: Num, temp_c: Num, other_temp_c: Num) -> Num:
    """Gauge pressure of the same gas in the same closed vessel at another temperature.

    Planning only. Raises as well when the answer is above 350 bar.

    Parameters
    ----------
    gas : "oxygen" or "air"
    gauge_bar : gauge pressure at ``temp_c``, 0 to 350 [bar]
    temp_c : gas temperature at the reading, -40 to 60 [degC]
    other_temp_c : the other gas temperature, -40 to 60 [degC]

    Returns
    -------
    Gauge pressure at the other temperature [bar]
    """
    equation = _equation(gas)
    gauge, temp, other = _broadcast(gauge_bar, temp_c, other_temp_c)
    _check(
        ("gauge_bar", gauge, 0.0, HIGHEST_GAUGE_BAR, "bar"),
        _temp_range("temp_c", temp),
        _temp_range("other_temp_c", other),
    )
    density = _density_mol_l(equation, gauge + STANDARD_BAR, temp)
    answer = _pressure_bar(equation, density, other) - STANDARD_BAR
    answer = _rounding_apart(answer, -STANDARD_BAR)
    _check(("gauge pressure at other_temp_c", answer, -STANDARD_BAR, HIGHEST_GAUGE_BAR, "bar"))
    return _given_back(answer)


def gauge_for_content_bar(gas: Gas, litres: Num, temp_c: Num, water_l: Num) -> Num:
    """Gauge pressure that a content shows: the inverse of ``content_l``.

    Planning only. Raises as well when the answer is below gauge zero or above 350 bar.

    Parameters
    ----------
    gas : "oxygen" or "air"
    litres : everything in the vessel, above 0 [L at 15 degC, 1.01325 bar]
    temp_c : gas temperature, -40 to 60 [degC]
    water_l : water volume of the vessel, above 0 to 1000 [L]

    Returns
    -------
    Gauge pressure [bar]
    """
    equation = _equation(gas)
    content, temp, water = _broadcast(litres, temp_c, water_l)
    _check(("litres", content, 0.0, np.inf, "L"), _temp_range("temp_c", temp), _water_range(water))
    density = content * _standard_density_mol_l(equation) / water
    ceiling = _HIGHEST_REDUCED_DENSITY * equation.reducing_density_mol_l
    _check(("content per litre of water volume", density, 0.0, ceiling, "mol/L"))
    answer = _rounding_apart(_pressure_bar(equation, density, temp) - STANDARD_BAR, 0.0)
    _check(("gauge pressure for that content", answer, 0.0, HIGHEST_GAUGE_BAR, "bar"))
    return _given_back(answer)


def water_volume_l(gas: Gas, litres: Num, gauge_bar: Num, temp_c: Num) -> Num:
    """Water volume of a vessel that holds a known content at a known gauge pressure.

    For vessels that are known by their content only. Planning only.

    Parameters
    ----------
    gas : "oxygen" or "air"
    litres : content, above 0 [L at 15 degC, 1.01325 bar]
    gauge_bar : gauge pressure of the full vessel, 0 to 350 [bar]
    temp_c : gas temperature of the full vessel, -40 to 60 [degC]

    Returns
    -------
    Water volume [L]
    """
    content, each = _broadcast(litres, content_l(gas, gauge_bar, temp_c, 1.0))
    _check(("litres", content, 0.0, np.inf, "L"))
    return _given_back(content / each)


def tank_factor_litres(gauge_psi: Num, residual_psi: Num, factor_l_psi: Num) -> Num:
    """Litres above a residual by the tank-factor rule: a check beside the real gas.

    Linear in the gauge, so it does not know temperature. Never below 0.
    Source: emergency medical service sheet 12VAC5-31-860 (verified).

    Parameters
    ----------
    gauge_psi : gauge pressure [psi]
    residual_psi : gauge pressure to leave, 200 in the sheet [psi]
    factor_l_psi : tank factor of the vessel [L/psi]

    Returns
    -------
    Litres to draw [L]
    """
    return np.maximum((gauge_psi - residual_psi) * factor_l_psi, 0.0)


def tank_factor_minutes(gauge_psi: Num, residual_psi: Num, factor_l_psi: Num, flow_lpm: Num) -> Num:
    """Minutes by the tank-factor rule: (gauge - residual) x factor / flow.

    Planning only: raises where the flow is not above 0.
    Source: emergency medical service sheet 12VAC5-31-860 (verified).

    Parameters
    ----------
    gauge_psi : gauge pressure [psi]
    residual_psi : gauge pressure to leave, 200 in the sheet [psi]
    factor_l_psi : tank factor of the vessel [L/psi]
    flow_lpm : flow drawn, above 0 [L/min]

    Returns
    -------
    Minutes to the residual, never below 0 [min]
    """
    flow = np.asarray(flow_lpm, dtype=np.float64)
    if not bool(np.all(flow > 0.0)):
        raise ValueError("flow_lpm must be above 0 L/min")
    return tank_factor_litres(gauge_psi, residual_psi, factor_l_psi) / flow_lpm


def _equation(gas: str) -> Equation:
    if gas not in _EQUATIONS:
        raise ValueError(f"gas is {gas!r}; it must be one of {', '.join(_EQUATIONS)}")
    return _EQUATIONS[gas]


def _broadcast(*values: Num) -> tuple[_Array, ...]:
    return tuple(np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values)))


def _given_back(values: _Array) -> Num:
    """Scalars in, scalar out."""
    scalar_or_array: Num = values[()]
    return scalar_or_array


def _temp_range(name: str, temp_c: _Array) -> tuple[str, _Array, float, float, str]:
    return (name, temp_c, LOWEST_TEMP_C, HIGHEST_TEMP_C, "degC")


def _water_range(water_l: _Array) -> tuple[str, _Array, float, float, str]:
    return ("water_l", water_l, 0.01, 1000.0, "L")


def _rounding_apart(gauge: _Array, low: float) -> _Array:
    """Put what only rounding took out of its range back on the edge."""
    held = np.clip(gauge, low, HIGHEST_GAUGE_BAR)
    return np.where(np.abs(gauge - held) <= 1e-9, held, gauge)


def _check(*ranges: tuple[str, _Array, float, float, str]) -> None:
    """Raise one ValueError that names every value out of its range."""
    faults = []
    for name, values, low, high, unit in ranges:
        bad = ~((values >= low) & (values <= high)) | ~np.isfinite(values)
        if bool(np.any(bad)):
            worst = float(values[bad].ravel()[0])
            count = int(np.count_nonzero(bad))
            many = f" ({count} of {values.size} values)" if values.size > 1 else ""
            faults.append(f"{name} is {worst:g} {unit}; allowed {low:g} to {high:g} {unit}{many}")
    if faults:
        raise ValueError("; ".join(faults))


def _rt_bar_l_mol(equation: Equation, temp_c: _Array) -> _Array:
    product: _Array = equation.gas_constant_j_mol_k * (temp_c + ZERO_C_K) * _BAR_PER_J_L
    return product


def _density_sums(equation: Equation, temp_c: _Array) -> _Sums:
    """Coefficients of delta**d for each l, with the temperature powers already in.

    Only these depend on temperature, so that the density solve need not repeat them.
    """
    tau = equation.reducing_temp_k / (temp_c + ZERO_C_K)
    log_tau = np.log(tau)
    sums: _Sums = {}
    for n, d, t, exponent in equation.terms:
        powers = sums.setdefault(exponent, [])
        while len(powers) <= d:
            powers.append(np.zeros_like(tau))
        powers[d] = powers[d] + n * np.exp(t * log_tau)
    return sums


def _factor_and_slope(sums: _Sums, delta: _Array) -> tuple[_Array, _Array]:
    """Z = 1 + delta x d(residual)/d(delta), and d(delta x Z)/d(delta).

    With P = sum of a_d delta**d and E = exp(-delta**l): delta (P E)' = E (delta P' - l delta**l P).
    """
    first = np.zeros_like(delta)
    second = np.zeros_like(delta)  # delta times the derivative of first
    for exponent, powers in sums.items():
        value, slope, curve = np.zeros_like(delta), np.zeros_like(delta), np.zeros_like(delta)
        for d in range(len(powers) - 1, -1, -1):  # Horner: P, delta P', delta (delta P')'
            value = value * delta + powers[d]
            slope = slope * delta + d * powers[d]
            curve = curve * delta + d * d * powers[d]
        if exponent == 0:
            first += slope
            second += curve
        else:
            m = exponent * delta**exponent
            fade = np.exp(-(delta**exponent))
            first += fade * (slope - m * value)
            second += fade * (curve - 2.0 * m * slope + (m * m - exponent * m) * value)
    return 1.0 + first, 1.0 + first + second


def _pressure_bar(equation: Equation, density_mol_l: _Array, temp_c: _Array) -> _Array:
    """Absolute pressure of a density; explicit in the equation."""
    factor, _ = _factor_and_slope(
        _density_sums(equation, temp_c), density_mol_l / equation.reducing_density_mol_l
    )
    pressure: _Array = density_mol_l * _rt_bar_l_mol(equation, temp_c) * factor
    return pressure


def _density_mol_l(equation: Equation, absolute_bar: _Array, temp_c: _Array) -> _Array:
    """Density by Newton steps held inside a bracket; far above the critical point it is unique."""
    sums = _density_sums(equation, temp_c)
    scale = _rt_bar_l_mol(equation, temp_c) * equation.reducing_density_mol_l
    wanted = absolute_bar / scale  # delta x Z
    low = np.zeros_like(wanted)
    high = np.full_like(wanted, _HIGHEST_REDUCED_DENSITY)
    delta = np.minimum(wanted, _HIGHEST_REDUCED_DENSITY)
    for _ in range(_MOST_STEPS):
        factor, slope = _factor_and_slope(sums, delta)
        miss = delta * factor - wanted
        low = np.where(miss < 0.0, delta, low)
        high = np.where(miss > 0.0, delta, high)
        tried = delta - miss / np.maximum(slope, 1e-3)
        inside = (tried >= low) & (tried <= high)
        following = np.where(inside, tried, 0.5 * (low + high))
        done = bool(np.all(np.abs(following - delta) <= _REDUCED_TOLERANCE * (1.0 + delta)))
        delta = following
        if done:
            density: _Array = delta * equation.reducing_density_mol_l
            return density
    raise ArithmeticError("the gas density did not settle; please report the inputs")


@cache
def _standard_density_mol_l(equation: Equation) -> float:
    return float(_density_mol_l(equation, np.array(STANDARD_BAR), np.array(STANDARD_TEMP_C)))


def _litres(equation: Equation, gauge: _Array, temp_c: _Array, water_l: _Array) -> _Array:
    density = _density_mol_l(equation, gauge + STANDARD_BAR, temp_c)
    litres: _Array = water_l * density / _standard_density_mol_l(equation)
    return litres
