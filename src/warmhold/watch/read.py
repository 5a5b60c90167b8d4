"""What a reading says by itself, whatever the model makes of it.

A model that has been wrong before can be wrong tonight. So a baby that reads cold is named as cold
at once, a saturation outside this baby's limits is said, and a reading that is far from what was
expected is named as a disagreement, until a second one settles which of the two to go by.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from warmhold.model import Case
from warmhold.watch.matrix import Priority, priority
from warmhold.watch.quantities import GAUGE, reading

BODY: Final = ("axillary_c", "rectal_c")
SATURATION: Final = ("saturation_pre_percent", "saturation_post_percent")
PULSE: Final = "pulse_per_min"
KEPT_S: Final = 45.0 * 60.0  # a reading says nothing of now when it is older (own choice)
DEVICE_KEPT_S: Final = 10.0 * 60.0  # nor one of a device that fell silent (own choice)
AGREE_WITHIN_S: Final = 30.0 * 60.0  # two readings that agree lie within this of each other (own)
FAR_BODY_K: Final = 0.8  # from what was expected: a disagreement, not noise (own)
FAR_GAUGE_SHARE: Final = 0.25
FAR_GAUGE_BAR: Final = 20.0
WORSE_K: Final = 1.0  # outside the band by more than this is worse

_SITE: Final[Mapping[str, str]] = {"axillary_c": "Axillary", "rectal_c": "Rectal"}
_WHERE: Final[Mapping[str, str]] = {
    "saturation_pre_percent": "right hand",
    "saturation_post_percent": "foot",
}
DELAY: Final = "at once, from the reading alone"

Found = tuple[str, Priority, str, str, str]  # title, priority, evidence, what to look at, delay


@dataclass
class Latest:
    """The latest reading of each quantity that speaks for itself, and those that disagreed."""

    at: dict[str, tuple[float, float]] = field(default_factory=dict)  # quantity: moment, value
    by: dict[str, str] = field(default_factory=dict)  # quantity: device that told it, or nothing
    doubted: set[str] = field(default_factory=set)  # asked about, and kept as entered
    apart: dict[str, tuple[float, float, float, str]] = field(default_factory=dict)  # and expected

    def keep(
        self, quantity: str, at_s: float, value: float, source: str = "", doubted: bool = False
    ) -> None:
        """Keep a reading.

        source : the device that told it; empty when a person read it
        doubted : whether it was asked about and kept as entered
        """
        if quantity in (*BODY, *SATURATION, PULSE):
            self.at[quantity], self.by[quantity] = (at_s, value), source
            (self.doubted.add if doubted else self.doubted.discard)(quantity)

    def fresh(self, quantity: str, now_s: float) -> float | None:
        """Return a value that still says something of now."""
        found = self.at.get(quantity)
        lasts = DEVICE_KEPT_S if self.by.get(quantity) else KEPT_S
        return None if found is None or now_s - found[0] > lasts else found[1]

    def told_by(self, quantity: str) -> str:
        """Say who told a reading, when no person read it: ``, told by monitor 3``; or its doubt."""
        source = self.by.get(quantity, "")
        doubt = ", asked about and kept as entered" if quantity in self.doubted else ""
        return (f", told by {source}" if source else "") + doubt

    def disagrees(
        self, quantity: str, at_s: float, value: float, expected: float, source: str = ""
    ) -> bool:
        """Note a reading far from what was expected; True when it is the second that agrees.

        Two readings of one device are no second opinion: their errors hang together.
        """
        before = self.apart.get(quantity)
        self.apart[quantity] = (at_s, value, expected, source)
        if before is None or at_s - before[0] > AGREE_WITHIN_S:
            return False
        if source and source == before[3]:
            return False
        same_side = (value - expected) * (before[1] - before[2]) > 0.0
        return same_side and abs(value - before[1]) <= 0.6 * far(quantity, expected)

    def agrees(self, quantity: str) -> None:
        """Note a reading that is as expected."""
        self.apart.pop(quantity, None)


def far(quantity: str, expected: float) -> float:
    """Return how far from what was expected a reading disagrees; infinite for what is not judged.

    Only what is read directly and by hand: a body temperature, a gauge. A probe or a bar that is
    off is a fault on trial.
    """
    if quantity in BODY:
        return FAR_BODY_K
    if quantity.startswith(GAUGE):
        return max(FAR_GAUGE_BAR, FAR_GAUGE_SHARE * expected)
    return float("inf")


def disagreement(
    quantity: str, value: float, expected: tuple[float, float, float], settled: bool
) -> Found:
    """Put a disagreement into words.

    expected : 5th, 50th and 95th percentile of what was expected
    settled : a second reading agreed with the first, and the watch was set to it
    """
    kind = reading(quantity)
    assert kind is not None
    name = kind.title
    if quantity.startswith(GAUGE):
        name = f"gauge of {quantity.removeprefix(GAUGE)}"
    digits = 0 if quantity.startswith(GAUGE) else 1
    low, middle, high = (f"{one:.{digits}f}".replace("-", "−") for one in expected)
    shown = f"{value:.{digits}f}".replace("-", "−")
    what = f"It reads {shown} {kind.unit}; {middle} ({low} to {high}) was expected."
    if settled:
        return (
            f"The plan was wrong here: {name}",
            priority("harm that heals", "prompt"),
            f"{what} Two readings agree, so from here on the watch goes by the reading.",
            "Look for the reason: what is different from the plan?",
            DELAY,
        )
    return (
        f"Reading and watch disagree: {name}",
        priority("harm that heals", "prompt"),
        f"{what} One of the two is wrong, and the figures here may be.",
        "Read it again now. Until two readings agree, go by the reading and not by this page.",
        DELAY,
    )


def by_reading(
    latest: Latest, case: Case, low: float, high: float, now_s: float
) -> dict[str, Found]:
    """Return the conditions that need no model: key to title, priority, evidence, look, delay.

    low, high : policy's band of body temperature for this baby [degC]
    """
    found: dict[str, Found] = {}
    found.update(_body(latest, case, low, high, now_s))
    found.update(_saturation(latest, case, now_s))
    found.update(_pulse(latest, case, now_s))
    return found


def _body(
    latest: Latest, case: Case, low: float, high: float, now_s: float
) -> Iterator[tuple[str, Found]]:
    sites = ("rectal_c",) if case.trip.baby.cooled else BODY
    read = [(latest.at[site][0], site) for site in sites if latest.fresh(site, now_s) is not None]
    if not read:
        return
    site = max(read)[1]
    value = latest.at[site][1]
    band = f"policy's {low:.1f} to {high:.1f} °C"
    for key, word, off, look in (
        ("baby-cold", "cold", low - value, "Look at set point, hood, wrap and hat; read again."),
        (
            "baby-hot",
            "hot",
            value - high,
            "Look at set point, sun on the hood and wrap; read again.",
        ),
    ):
        if off > 0.05:
            yield (
                key,
                (
                    f"Baby too {word} now",
                    priority("death or lasting harm" if off > WORSE_K else "harm that heals",
                             "prompt"),
                    f"{_SITE[site]} read {value:.1f} °C{latest.told_by(site)}, {band}.",
                    look,
                    DELAY,
                ),
            )  # fmt: skip


def _saturation(latest: Latest, case: Case, now_s: float) -> Iterator[tuple[str, Found]]:
    weeks, own = case.trip.baby.gestation_weeks, case.trip.baby.saturation_target_percent
    row = next((one for one in case.policy.saturation if weeks < one.below_weeks), None)
    if row is None and own is None:
        return
    if own is not None:
        target, alarm_low = own, own[0] - 1.0
    else:
        assert row is not None
        target = (row.target_low_percent.value, row.target_high_percent.value)
        alarm_low = row.alarm_low_percent.value
    site = next((one for one in SATURATION if latest.fresh(one, now_s) is not None), None)
    if site is None:
        return
    value = latest.at[site][1]
    asked = f"target {target[0]:.0f} to {target[1]:.0f} %"
    where = f"Saturation, {_WHERE[site]}, read {value:.0f} %{latest.told_by(site)}, {asked}."
    if value < target[0]:
        far_below = value < alarm_low
        yield (
            "saturation-low",
            (
                "Saturation under its target",
                priority("death or lasting harm" if far_below else "harm that heals",
                         "prompt" if far_below else "delayed"),
                where,
                "Look at the baby, the airway, the oxygen and the probe.",
                DELAY,
            ),
        )  # fmt: skip
    elif value > target[1] and case.trip.baby.oxygen_percent.value > 21.5:
        yield (
            "saturation-high",
            (
                "Saturation over its target, on oxygen",
                priority("harm that heals", "delayed"),
                where,
                "Look at the oxygen that is given: too much can harm as well.",
                DELAY,
            ),
        )


def _pulse(latest: Latest, case: Case, now_s: float) -> Iterator[tuple[str, Found]]:
    weeks = case.trip.baby.gestation_weeks
    row = next((one for one in case.policy.pulse if weeks < one.below_weeks), None)
    value = latest.fresh(PULSE, now_s)
    if row is None or value is None:
        return
    low, high = row.alarm_low_per_min.value, row.alarm_high_per_min.value
    if low <= value <= high:
        return
    yield (
        "pulse",
        (
            "Pulse outside its limits",
            priority("death or lasting harm", "prompt"),
            f"Pulse read {value:.0f} /min{latest.told_by(PULSE)}, policy's limits {low:.0f} to "
            f"{high:.0f} /min.",
            "Look at the baby and the probe.",
            DELAY,
        ),
    )
