"""Where the model is beyond what it was made from or checked against.

A finding either only widens what should be believed ("care"), or makes named margins unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from warmhold.model import Case
from warmhold.plan.words import number
from warmhold.science.heat import outside_film_w_m2k
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import Ensemble

BODY = ("cold", "hot")
MACHINE = ("heat", "battery")
EVERYTHING = (
    "warm", "cold", "hot", "heat", "battery", "oxygen", "oxygen-worst", "air", "air-worst",
    "altitude", "carbon-dioxide", "humidity",
)  # fmt: skip


@dataclass(frozen=True)
class Beyond:
    """One thing that lies outside.

    what : sentence
    unknown : keys of the margins that cannot be told because of it; empty for care only
    """

    what: str
    unknown: tuple[str, ...] = ()


def beyond(ensemble: Ensemble) -> tuple[Beyond, ...]:
    """Everything of a case that lies outside the model's range."""
    case = ensemble.case
    return (*_baby(case), *_legs(case), *_hood(ensemble))


def _baby(case: Case) -> list[Beyond]:
    baby = case.trip.baby
    found = []
    if "EXAMPLE" in case.trip.title or "EXAMPLE" in baby.pseudonym:
        found.append(
            Beyond(
                "This is still the example file: title or pseudonym says EXAMPLE. Put in this "
                "baby, this unit and these supplies.",
                EVERYTHING,
            )
        )
    if not 400.0 <= baby.weight_g.value <= 5000.0:
        found.append(
            Beyond(
                f"Weight {baby.weight_g.value:.0f} g: the model was made for 400 to 5000 g; "
                "body temperature cannot be told.",
                BODY,
            )
        )
    if not 23.0 <= baby.gestation_weeks <= 43.0:
        found.append(
            Beyond(
                f"Gestation {baby.gestation_weeks:g} weeks: the model was made for 23 to 43; "
                "body temperature cannot be told.",
                BODY,
            )
        )
    elif baby.gestation_weeks < 25.0:
        found.append(
            Beyond(
                f"Gestation {baby.gestation_weeks:g} weeks: water loss was fitted from 25 weeks on "
                "and is carried on below; believe body temperature less."
            )
        )
    if baby.age_h > 60 * 24:
        found.append(
            Beyond(
                f"Age {baby.age_h / 24:.0f} days: the model was made for the first two months; "
                "body temperature cannot be told.",
                BODY,
            )
        )
    elif baby.age_h > 28 * 24:
        found.append(
            Beyond(
                f"Age {baby.age_h / 24:.0f} days: water loss and heat rows end at 28 days and are "
                "held there; believe body temperature less."
            )
        )
    if not {"dressed", "wrap", "bag"} & set(baby.dressing) and not baby.cooled:
        found.append(
            Beyond(
                "Naked baby: near neutral the model loses up to a third less heat than direct "
                "calorimetry measured in term babies (docs/validation.md). A naked baby may run "
                "colder than shown: lean to the warm side."
            )
        )
    low = 32.0 if baby.cooled else 34.0
    if not low <= baby.temperature_c.value <= 39.5:
        found.append(
            Beyond(
                f"First temperature {baby.temperature_c.value:.1f} °C: heat and vessels of so cold "
                "or hot a baby are not in the model; body temperature cannot be told.",
                BODY,
            )
        )
    return found


def _legs(case: Case) -> list[Beyond]:
    rules = case.policy.temperature
    room = case.trip.start.ambient_c.value
    found = []
    if not -20.0 <= room <= 45.0:
        found.append(
            Beyond(
                f"Where the unit warms up: {number(room, 0)} °C is beyond −20 to 45 °C, for which "
                "hood and battery were modelled; the warm-up cannot be told.",
                ("warm",),
            )
        )
    low, high = rules.ambient_rated_low_c.value, rules.ambient_rated_high_c.value
    for leg in case.trip.legs:
        ambient = leg.ambient_c.value
        if not -20.0 <= ambient <= 45.0:
            found.append(
                Beyond(
                    f"{leg.name}: {number(ambient, 0)} °C outside is beyond −20 to 45 °C, for "
                    "which hood and battery were modelled; heat, battery and body temperature "
                    "cannot be told.",
                    BODY + MACHINE,
                )
            )
        elif not low <= ambient <= high:
            found.append(
                Beyond(
                    f"{leg.name}: {number(ambient, 0)} °C is outside the {low:.0f} to {high:.0f} "
                    "°C in which a transport incubator has to perform in full (IEC 60601-2-20 "
                    "201.5.3)."
                )
            )
        if leg.wind_m_s.value > 15.0:
            found.append(
                Beyond(
                    f"{leg.name}: wind {leg.wind_m_s.value:.0f} m/s gives an outside film of "
                    f"{float(outside_film_w_m2k(leg.wind_m_s.value)):.0f} W/m²K, beyond the points "
                    "it rests on (6.7 m/s); heat, battery and body temperature cannot be told.",
                    BODY + MACHINE,
                )
            )
        if not 62.0 <= leg.pressure_kpa <= 106.0:
            found.append(
                Beyond(
                    f"{leg.name}: {leg.pressure_kpa:.1f} kPa is outside 62 to 106 kPa, the range "
                    "recalled for equipment in emergency vehicles (unverified); oxygen and heat "
                    "cannot be told.",
                    (*BODY, "heat", "altitude", "oxygen", "oxygen-worst"),
                )
            )
    return found


def _hood(ensemble: Ensemble) -> list[Beyond]:
    case = ensemble.case
    found = []
    if case.trip.baby.support == "hood":
        asked = float(np.quantile(ensemble.gas.need_fraction.max(axis=1), 0.95))
        if asked > 0.6:
            found.append(
                Beyond(
                    f"Oxygen in the hood may have to reach {100 * asked:.0f} %: leaks decide "
                    "there, and no measured leak of this unit is known; the oxygen used cannot be "
                    "told.",
                    ("oxygen",),
                )
            )
    coldest = float(np.quantile(ensemble.conditions[:, :, at.AMBIENT].min(axis=1), 0.05))
    if ensemble.case.unit.battery.chemistry == "lithium" and coldest < -15.0:
        found.append(
            Beyond("Lithium packs below −15 °C: capacity there is recalled, not measured.")
        )
    return found
