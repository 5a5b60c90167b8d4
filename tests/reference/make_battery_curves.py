"""Discharge of a cell by an open battery-modelling library, for battery_curves.toml.

    python -m venv A_FOLDER && A_FOLDER/bin/pip install pybamm==26.10.1.1
    A_FOLDER/bin/python tests/reference/make_battery_curves.py

Not run by the tests: the library is no dependency of warmhold. It prints the command, the versions,
the parameter sets, and rows to be copied. Every row is one cell emptied at constant power from full
to its cut-off voltage; the energy given is divided by that at the lowest power and 25 degC.

Models: a doubly porous cell with electrolyte (DFN) and a lumped temperature for lithium, with the
parameter set Chen2020; a porous-electrode lead-acid cell with the set Sulzer2019, isothermal. What
these sets were made for: one 21700 nickel cell near 25 degC, and one valve-regulated 17 Ah lead
cell near 25 degC. Their temperature dependence is that of the few quantities the authors gave one
for; none of the two is a pack of an incubator.
"""

from __future__ import annotations

import platform
import sys

import pybamm  # type: ignore[import-not-found]

TEMPS_C = (25.0, 10.0, 0.0)
# The lead cell's solver gives up near the end of slow discharges; a pack of one incubator is
# emptied in a quarter to three quarters of an hour, which is where these are.
C_RATES = {"lithium": (0.2, 0.5, 1.0, 2.0), "lead": (1.0, 1.5, 2.0, 3.0)}


def energy_wh(
    model: pybamm.BaseModel, values: pybamm.ParameterValues, power_w: float, charged: bool
) -> float:
    """Energy of one discharge at constant power from full to the cut-off."""
    low = values["Lower voltage cut-off [V]"]
    experiment = pybamm.Experiment([f"Discharge at {power_w:.6g} W until {low} V"])
    simulation = pybamm.Simulation(model, parameter_values=values, experiment=experiment)
    solution = simulation.solve() if charged else simulation.solve(initial_soc=1.0)
    seconds = float(solution["Time [s]"].entries[-1])
    return power_w * seconds / 3600.0


def rows(name: str, parameters: str, chemistry: str, volts: float) -> None:
    """Print the rows of one cell."""
    nominal_w = float(pybamm.ParameterValues(parameters)["Nominal cell capacity [A.h]"]) * volts
    rates = C_RATES[chemistry]
    reference = None
    for temp in TEMPS_C:
        for rate in rates:
            values = pybamm.ParameterValues(parameters)
            values.update(
                {"Ambient temperature [K]": 273.15 + temp, "Initial temperature [K]": 273.15 + temp}
            )
            if chemistry == "lithium":
                model = pybamm.lithium_ion.DFN({"thermal": "lumped"})
            else:
                model = pybamm.lead_acid.Full()
            try:
                energy = energy_wh(model, values, rate * nominal_w, chemistry == "lead")
            except Exception as error:  # say so and go on: a missing row is better than none
                print(f"  # {name} {rate} C {temp} degC: {type(error).__name__} {error}"[:150])
                continue
            reference = energy if reference is None else reference
            print(
                f'  {{ name = "{name}, {temp:g} degC, {rate:g} C", '
                f'quantity = "energy_share_{chemistry}", rate_c = {rate:g}, '
                f"battery_c = {temp:g}, reference_c = {rates[0]:g}, "
                f"expected = {energy / reference:.3f} }},",
                flush=True,
            )


if __name__ == "__main__":
    pybamm.set_logging_level("ERROR")
    print(f"# command: {' '.join(sys.argv)}")
    print(f"# pybamm {pybamm.__version__}, Python {platform.python_version()}")
    print("# lithium: DFN, thermal lumped, Chen2020; lead-acid: Full, Sulzer2019, isothermal")
    rows("lithium cell", "Chen2020", "lithium", 3.6)
    rows("lead cell", "Sulzer2019", "lead", 2.0)
