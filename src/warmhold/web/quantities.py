"""What can be entered on the road, and when an entry is asked about."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from warmhold.model import Case
from warmhold.record.bodies import GAUGE
from warmhold.record.views import Reading, TripView
from warmhold.watch import Band
from warmhold.watch.quantities import reading as watched

_TABLE = Path(__file__).resolve().parent.parent / "data" / "tables" / "entries.toml"
JUMP_WITHIN_MIN = 15.0
POWER_SOURCES = ("mains", "vehicle", "aircraft", "battery")
_NUMBER = re.compile(r"[+-]?(?:\d{1,6}(?:[.,]\d{1,4})?|[.,]\d{1,4})", re.ASCII)


@dataclass(frozen=True)
class Entered:
    """One quantity that can be entered.

    low, high, jump : outside of these it is asked about [unit]
    group : baby, unit or gas
    """

    key: str
    title: str
    unit: str
    step: float
    low: float
    high: float
    jump: float
    group: str

    @property
    def places(self) -> int:
        """Digits after the point."""
        return 0 if self.step >= 1 else 1

    def text(self, value: float | str | None) -> str:
        """Write a value as the field holds it."""
        if value is None:
            return ""
        if isinstance(value, str):
            return value
        short = f"{value:.{self.places}f}"
        return short if abs(float(short) - value) < 1e-9 else f"{value:g}"

    def with_unit(self, value: float | str | None) -> str:
        """Write a value with its unit."""
        text = self.text(value).replace("-", "\u2212")
        return f"{text}\u00a0{self.unit}" if text else "unknown"


@lru_cache(maxsize=1)
def _table() -> tuple[dict[str, Entered], Entered]:
    raw = tomllib.loads(_TABLE.read_text("utf-8"))

    def entered(key: str, row: Mapping[str, object]) -> Entered:
        numbers = {name: float(str(row[name])) for name in ("step", "low", "high", "jump")}
        return Entered(key, str(row["title"]), str(row["unit"]), group=str(row["group"]), **numbers)

    listed = {key: entered(key, row) for key, row in raw["quantity"].items()}
    return listed, entered(GAUGE, raw["gauge"])


def listed() -> Mapping[str, Entered]:
    """Return what can be entered on any trip, with the limits of no unit in particular."""
    return _table()[0]


def quantities(case: Case) -> dict[str, Entered]:
    """Return what can be entered on a trip, in the order of a set."""
    listed, gauge = _table()
    found = dict(listed)
    divisions = float(case.unit.battery.bar_divisions)
    found["battery_divisions"] = replace(found["battery_divisions"], high=divisions)
    found["air_set_c"] = replace(
        found["air_set_c"],
        low=case.unit.limits.air_set_c.lowest,
        high=case.unit.limits.air_set_c.highest,
        step=case.unit.limits.air_set_c.step,
    )
    for cylinder in case.trip.supplies.cylinders:
        key = f"{GAUGE}{cylinder.name}"
        found[key] = replace(
            gauge, key=key, title=f"Gauge, {cylinder.name}", high=round(1.15 * cylinder.fill_bar)
        )
    return found


# The oxygen sensor's check in room air is none of these: it says nothing of the gas in the hood.
OF_ITEM: Mapping[str, str] = {
    "battery-bar": "battery_divisions", "flow": "flow_lpm", "air": "air_c", "skin": "skin_c",
    "axillary": "axillary_c", "rectal": "rectal_c",
}  # fmt: skip


def quantity_of_item(key: str) -> str:
    """Return the quantity that an item of the list before leaving reads; empty for none."""
    if key.startswith("gauge:"):
        return f"{GAUGE}{key.removeprefix('gauge:')}"
    return OF_ITEM.get(key, "")


def readings_of(view: TripView) -> dict[str, Reading]:
    """Return the latest reading of each quantity, those of the list before leaving included."""
    found: dict[str, Reading] = {}
    for key, shown in view.checks.items():
        name, value = quantity_of_item(key), shown.body["value"]
        if name and shown.body["done"] and isinstance(value, int | float):
            found[name] = Reading(name, float(value), shown.when, shown.seq)
    return {**found, **view.latest}


def number_in(text: str) -> float | None:
    """Read a number as a keypad writes it, with a point or a comma; ``None`` when it is none."""
    text = text.strip().replace("\u2212", "-")
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text.replace(",", "."))
    return value if math.isfinite(value) else None


def question(
    one: Entered, value: float, last: Reading | None, age_min: float | None, expected: Band | None
) -> str:
    """Ask about an entry that is hard to believe; empty when it is not.

    last : the last reading of the same quantity, and ``age_min`` how old it is [min]
    expected : what the watch expects now
    """
    shown = one.with_unit(value)
    if not one.low <= value <= one.high:
        return (
            f"{one.title} {shown}? Such readings mostly lie between {one.with_unit(one.low)} and "
            f"{one.with_unit(one.high)}."
        )
    if (
        last is not None
        and age_min is not None
        and age_min <= JUMP_WITHIN_MIN
        and isinstance(last.value, int | float)
        and abs(value - last.value) > one.jump
    ):
        before = one.with_unit(last.value)
        was = f"{last.source} told" if last.source else "it was"
        return f"{one.title} {shown}? {max(age_min, 0):.0f} min ago {was} {before}."
    known = watched(one.key)
    if known is not None and expected is not None and math.isfinite(expected.p50):
        outside = max(expected.p05 - value, value - expected.p95)
        if outside > 0 and abs(value - expected.p50) > known.far:
            about = one.with_unit(round(expected.p50, 1))
            return f"{one.title} {shown}? The watch expects about {about}."
    return ""
