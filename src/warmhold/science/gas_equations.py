"""Published equations of state of oxygen and air, as numbers.

Both are fundamental equations in the Helmholtz energy. For pressure, density and temperature only
the residual part is needed: with ``delta`` = density / reducing density and ``tau`` = reducing
temperature / temperature it is a sum of ``n * delta**d * tau**t * exp(-delta**l)``, without the
exponential where ``l`` is 0.

Oxygen
    R. Schmidt and W. Wagner, "A new form of the equation of state for pure substances and its
    application to oxygen", Fluid Phase Equilibria 19 (1985) 175-200; the same equation with tables
    in R. B. Stewart, R. T. Jacobsen and W. Wagner, "Thermodynamic properties of oxygen from the
    triple point to 300 K with pressures to 80 MPa", J. Phys. Chem. Ref. Data 20 (1991) 917-1021.
    Density uncertainty 0.10 % (abstract of the 1991 paper: verified).

    The 1991 tables end at 300 K (27 degC). The equation is used here up to 60 degC.
Air
    E. W. Lemmon, R. T. Jacobsen, S. G. Penoncello and D. G. Friend, "Thermodynamic properties of
    air and mixtures of nitrogen, argon, and oxygen from 60 to 2000 K at pressures to 2000 MPa",
    J. Phys. Chem. Ref. Data 29 (2000) 331-385: dry air as one pseudo-pure fluid.

Where the numbers were read: the papers themselves were not open. The coefficients, reducing points
and gas constants are those that the open library CoolProp 8.0.0 carries for these two equations
(its keys Schmidt-FPE-1985 / Stewart-JPCRD-1991 and Lemmon-JPCRD-2000). Agreement with CoolProp
therefore checks our evaluation, not the equations.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Equation:
    """Residual Helmholtz equation of one gas.

    Attributes
    ----------
    gas_constant_j_mol_k : gas constant that the equation was fitted with [J/mol/K]
    reducing_temp_k : temperature that tau is made with [K]
    reducing_density_mol_l : density that delta is made with [mol/L]
    terms : one (n, d, t, l) for each term [-]
    """

    gas_constant_j_mol_k: float
    reducing_temp_k: float
    reducing_density_mol_l: float
    terms: tuple[tuple[float, int, float, int], ...]


OXYGEN = Equation(
    gas_constant_j_mol_k=8.31434,
    reducing_temp_k=154.581,
    reducing_density_mol_l=13.63,
    terms=(
        (0.3983768749, 1, 0.0, 0),
        (-1.846157454, 1, 1.5, 0),
        (0.4183473197, 1, 2.5, 0),
        (0.02370620711, 2, -0.5, 0),
        (0.09771730573, 2, 1.5, 0),
        (0.03017891294, 2, 2.0, 0),
        (0.02273353212, 3, 0.0, 0),
        (0.01357254086, 3, 1.0, 0),
        (-0.04052698943, 3, 2.5, 0),
        (0.0005454628515, 6, 0.0, 0),
        (0.0005113182277, 7, 2.0, 0),
        (2.953466883e-07, 7, 5.0, 0),
        (-8.687645072e-05, 8, 2.0, 0),
        (-0.2127082589, 1, 5.0, 2),
        (0.08735941958, 1, 6.0, 2),
        (0.127550919, 2, 3.5, 2),
        (-0.09067701064, 2, 5.5, 2),
        (-0.03540084206, 3, 3.0, 2),
        (-0.03623278059, 3, 7.0, 2),
        (0.0132769929, 5, 6.0, 2),
        (-0.0003254111865, 6, 8.5, 2),
        (-0.008313582932, 7, 4.0, 2),
        (0.002124570559, 8, 6.5, 2),
        (-0.0008325206232, 10, 5.5, 2),
        (-2.626173276e-05, 2, 22.0, 4),
        (0.002599581482, 3, 11.0, 4),
        (0.009984649663, 3, 18.0, 4),
        (0.002199923153, 4, 11.0, 4),
        (-0.02591350486, 4, 23.0, 4),
        (-0.1259630848, 5, 17.0, 4),
        (0.1478355637, 5, 18.0, 4),
        (-0.01011251078, 5, 23.0, 4),
    ),
)

AIR = Equation(
    gas_constant_j_mol_k=8.31451,
    reducing_temp_k=132.6312,
    reducing_density_mol_l=10.4477,
    terms=(
        (0.118160747229, 1, 0.0, 0),
        (0.713116392079, 1, 0.33, 0),
        (-1.61824192067, 1, 1.01, 0),
        (0.0714140178971, 2, 0.0, 0),
        (-0.0865421396646, 3, 0.0, 0),
        (0.134211176704, 3, 0.15, 0),
        (0.0112626704218, 4, 0.0, 0),
        (-0.0420533228842, 4, 0.2, 0),
        (0.0349008431982, 4, 0.35, 0),
        (0.000164957183186, 6, 1.35, 0),
        (-0.101365037912, 1, 1.6, 1),
        (-0.17381369097, 3, 0.8, 1),
        (-0.0472103183731, 5, 0.95, 1),
        (-0.0122523554253, 6, 1.25, 1),
        (-0.146629609713, 1, 3.6, 2),
        (-0.0316055879821, 3, 6.0, 2),
        (0.000233594806142, 11, 3.25, 2),
        (0.0148287891978, 1, 3.5, 3),
        (-0.00938782884667, 3, 15.0, 3),
    ),
)
