"""Checks between keys: what each key allows may still contradict another key.

They work on the file's own values and pass over every value that has a fault already, so that
one slip is told once and all others are still found.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from warmhold.model.explain import Problem, value_at
from warmhold.model.locate import KeyPath
from warmhold.model.unit import Grid, Unit
from warmhold.model.words import nearest, number_text, value_text

FULL_ABOVE = 1.2  # a gauge above this share of the fill pressure was misread or is another vessel
LONGEST_WAIT = timedelta(days=7)
COOLED_FROM_WEEKS = 35  # common practice, no source: babies are cooled on purpose from 35 weeks
MOST_OXYGEN_IN_AIR = 21.5

_POWER_PLACES = {
    "mains": ("ward", "corridor", "ambulance", "aircraft"),
    "vehicle": ("ambulance",),
    "aircraft": ("aircraft", "tarmac"),
}
_GAS_PLACES = {"wall": ("ward", "corridor"), "vehicle": ("ambulance", "aircraft")}
_CABIN_KEYS = ("cabin_altitude_ft", "cabin_altitude_m", "cabin_pressure_hpa")


class Values:
    """The values of a file that have no fault."""

    def __init__(self, raw: Mapping[str, Any], faulty: Collection[KeyPath]) -> None:
        """Keep the file's values and the key paths that have a fault."""
        self._raw = raw
        self._faulty = tuple(faulty)

    def at(self, *path: str | int) -> Any:
        """Return a value; ``None`` when it is not there or has a fault."""
        if any(bad[: len(path)] == path or path[: len(bad)] == bad for bad in self._faulty):
            return None
        return value_at(self._raw, path)

    def number(self, *path: str | int) -> float | None:
        """Return a number, be it plain or with parts."""
        value = self.at(*path)
        if isinstance(value, Mapping):
            value = value.get("value")
        return float(value) if isinstance(value, int | float) else None

    def stands(self, *path: str | int) -> bool:
        """Whether a key is written, with a fault or without."""
        return value_at(self._raw, path) is not None

    def rows(self, *path: str | int) -> range:
        """Return the numbers of the rows of a repeated table."""
        rows = value_at(self._raw, path)
        return range(len(rows)) if isinstance(rows, tuple) else range(0)


def check_trip(values: Values, unit: Unit | None) -> Iterator[Problem]:
    """Tell what contradicts itself in a trip."""
    yield from _baby(values)
    yield from _start(values, unit)
    names = [values.at("leg", row, "name") for row in values.rows("leg")]
    for row in values.rows("leg"):
        yield from _leg(values, row)
        if names[row] is not None and names[row] in names[:row]:
            yield Problem(
                ("leg", row, "name"),
                value_text(names[row]),
                "a name of its own for each leg",
                "add a word, so that a delay and the sheet can tell the legs apart",
            )
    for row in values.rows("delay"):
        yield from _delay(values, row, names)
    yield from _supplies(values)


def _low_high(values: Values, low: KeyPath, high: KeyPath) -> Iterator[Problem]:
    """Yield a problem when two numbers do not rise."""
    first, second = values.number(*low), values.number(*high)
    if first is not None and second is not None and first >= second:
        yield Problem(
            high,
            number_text(second),
            f"above {low[-1]}, {number_text(first)}",
            "check the two, or exchange them",
        )


def _baby(values: Values) -> Iterator[Problem]:
    dressing = values.at("baby", "dressing")
    if dressing is not None:
        covered = [one for one in dressing if one in {"dressed", "wrap", "bag"}]
        if "bare" in dressing and covered:
            yield Problem(
                ("baby", "dressing"),
                f'"bare" together with "{covered[0]}"',
                "bare, alone or with hat, or what covers the baby",
                f'take "bare" or "{covered[0]}" out',
            )
        elif len(set(dressing)) < len(dressing):
            yield Problem(
                ("baby", "dressing"), value_text(dressing), "each word once", "take one out"
            )
    if values.at("baby", "cooled") is True:
        site = values.at("baby", "temperature_site")
        if site is not None and site != "rectal":
            yield Problem(
                ("baby", "temperature_site"),
                value_text(site),
                '"rectal" for a baby cooled on purpose',
                "give the rectal temperature, or write cooled = false",
            )
        weeks = values.number("baby", "gestation_weeks")
        if weeks is not None and weeks < COOLED_FROM_WEEKS:
            yield Problem(
                ("baby", "cooled"),
                f"true at {number_text(weeks)} weeks",
                f"cooling on purpose from {COOLED_FROM_WEEKS} weeks (common practice)",
                "check gestation_weeks, or write cooled = false",
            )
    yield from _weight(values)
    yield from _breathing(values)
    target = values.at("baby", "saturation_target_percent")
    if target is not None and target[0] >= target[1]:
        yield Problem(
            ("baby", "saturation_target_percent"),
            value_text(target),
            "the low end first and below the high end",
            "write [low, high]",
        )


def _weight(values: Values) -> Iterator[Problem]:
    grams = values.number("baby", "weight_g")
    weeks = values.number("baby", "gestation_weeks")
    hours = values.number("baby", "age_h")
    if grams is None or weeks is None or hours is None:
        return
    age = weeks + hours / 168
    # Wide bounds of our own, against a digit lost or weeks mistyped; not a growth chart.
    if (age >= 37 and grams < 800) or (age <= 28 and grams > 2200):
        yield Problem(
            ("baby", "weight_g"),
            f"{number_text(grams)} g at {number_text(round(age, 1))} weeks",
            "a weight that fits the age: 800 g or more from 37 weeks, 2200 g or less to 28 weeks",
            "check weight_g for a digit too few or too many, and gestation_weeks",
        )


def _breathing(values: Values) -> Iterator[Problem]:
    support = values.at("baby", "support")
    if support is None:
        return
    if support not in {"none", "hood"} and not values.stands("baby", "flow_lpm"):
        yield Problem(
            ("baby", "flow_lpm"),
            "nothing",
            f"the total flow in L/min, needed for {support}",
            "add flow_lpm = ... to [baby]",
        )
    if support != "none":
        return
    if values.stands("baby", "flow_lpm"):
        yield Problem(
            ("baby", "flow_lpm"),
            'a flow, with support = "none"',
            "no flow without support",
            "take flow_lpm out, or name the support",
        )
    oxygen = values.number("baby", "oxygen_percent")
    if oxygen is not None and oxygen > MOST_OXYGEN_IN_AIR:
        yield Problem(
            ("baby", "oxygen_percent"),
            f'{number_text(oxygen)}, with support = "none"',
            "21 without support",
            "write 21, or name the support",
        )
    if values.at("baby", "humidified_gas") is True:
        yield Problem(
            ("baby", "humidified_gas"),
            'true, with support = "none"',
            "false without support",
            "write false, or name the support",
        )


def _start(values: Values, unit: Unit | None) -> Iterator[Problem]:
    now, goes_in = values.at("start", "now"), values.at("start", "baby_in")
    if isinstance(now, datetime) and isinstance(goes_in, datetime):
        if goes_in < now:
            yield Problem(
                ("start", "baby_in"),
                value_text(goes_in),
                f"not before now, {value_text(now)}",
                "check date, time and offset of both",
            )
        elif goes_in - now > LONGEST_WAIT:
            yield Problem(
                ("start", "baby_in"),
                value_text(goes_in),
                f"within 7 days of now, {value_text(now)}",
                "check the date",
            )
    yield from _places(values, ("start",))
    if unit is None:
        return
    air = values.number("start", "air_set_c")
    if air is not None and not unit.limits.air_set_c.contains(air):
        yield Problem(
            ("start", "air_set_c"),
            number_text(air),
            f"{grid_text(unit.limits.air_set_c)} on the unit {unit.name}",
            "write a setting that the unit has, or take air_set_c out to have one proposed",
        )
    target = values.number("start", "hood_humidity_percent")
    if target is not None and target > 0 and unit.humidifier.output_g_h.value == 0:
        yield Problem(
            ("start", "hood_humidity_percent"),
            number_text(target),
            f"0: the unit {unit.name} has no humidifier",
            "write 0, or take a unit with a humidifier",
        )


def grid_text(grid: Grid) -> str:
    """Write a grid: where it begins, where it ends, and its step."""
    low, high = number_text(grid.lowest), number_text(grid.highest)
    return f"{low} to {high} in steps of {number_text(grid.step)}"


def _places(values: Values, table: KeyPath) -> Iterator[Problem]:
    place = values.at(*table, "place")
    for key, allowed in (("power", _POWER_PLACES), ("gas", _GAS_PLACES)):
        source = values.at(*table, key)
        if place is None or source not in allowed or place in allowed[source]:
            continue
        yield Problem(
            (*table, key),
            f'"{source}" with place = "{place}"',
            f"{source} {'power' if key == 'power' else 'gas'} in: {', '.join(allowed[source])}",
            f"check {key} and place",
        )


def _leg(values: Values, row: int) -> Iterator[Problem]:
    leg: KeyPath = ("leg", row)
    yield from _places(values, leg)
    given = [key for key in _CABIN_KEYS if values.stands(*leg, key)]
    for key in given[1:]:
        yield Problem(
            (*leg, key),
            f"{key} as well as {given[0]}",
            "one of " + ", ".join(_CABIN_KEYS),
            "keep the one that was read in the cabin",
        )
    if values.at(*leg, "place") == "aircraft" and not given:
        yield Problem(
            (*leg, "cabin_altitude_ft"),
            "nothing",
            "the height or pressure of the cabin, one of " + ", ".join(_CABIN_KEYS),
            "ask the crew; write 0 only if the cabin stays at sea level",
        )
    if values.at(*leg, "power") == "battery":
        for key in ("power_limit_w", "shared_load_w"):
            if values.stands(*leg, key):
                yield Problem(
                    (*leg, key),
                    f'{key} with power = "battery"',
                    "only on a leg with an outside source",
                    f"take {key} out, or check power",
                )
    minutes = values.number(*leg, "minutes")
    for opening in values.rows(*leg, "door_openings"):
        at = values.number(*leg, "door_openings", opening, "at_min")
        open_for = values.number(*leg, "door_openings", opening, "minutes")
        if minutes is None or at is None or open_for is None or at + open_for <= minutes:
            continue
        yield Problem(
            (*leg, "door_openings", opening, "at_min"),
            f"open from {number_text(at)} to {number_text(at + open_for)} min",
            f"within the leg, 0 to {number_text(minutes)} min",
            "count the minutes from the start of this leg",
        )


def _delay(values: Values, row: int, names: list[Any]) -> Iterator[Problem]:
    leg = values.at("delay", row, "leg")
    known = [name for name in names if name is not None]
    if leg is None or leg in known or len(known) < len(names):
        return
    near = nearest(leg, known)
    yield Problem(
        ("delay", row, "leg"),
        value_text(leg),
        "the name of a leg: " + (", ".join(f'"{name}"' for name in known) or "there is none yet"),
        f'write "{near}"' if near else "copy the name of the leg" if known else "add the leg first",
    )


def _supplies(values: Values) -> Iterator[Problem]:
    for kind in ("cylinder", "store"):
        for row in values.rows("supplies", kind):
            yield from _gauge(values, ("supplies", kind, row))
    yield from _air(values)
    yield from _drive(values)
    for row in values.rows("supplies", "spare_battery"):
        path: KeyPath = ("supplies", "spare_battery", row)
        owned, carried = values.number(*path, "owned"), values.number(*path, "carried")
        if owned is not None and carried is not None and carried > owned:
            yield Problem(
                (*path, "carried"),
                number_text(carried),
                f"0 to {number_text(owned)}, the number owned",
                "check carried and owned",
            )


def _gauge(values: Values, path: KeyPath) -> Iterator[Problem]:
    gauge, fill = values.number(*path, "gauge_bar"), values.number(*path, "fill_bar")
    if gauge is not None and fill is not None and gauge > FULL_ABOVE * fill:
        yield Problem(
            (*path, "gauge_bar"),
            number_text(gauge),
            f"0 to {number_text(FULL_ABOVE * fill)} bar: this vessel is full at "
            f"{number_text(fill)} bar",
            "read the gauge again, and check which vessel it is",
        )


def _uses_cylinders(values: Values) -> bool:
    return any(values.at("leg", row, "gas") == "cylinder" for row in values.rows("leg"))


def _air(values: Values) -> Iterator[Problem]:
    source = values.at("supplies", "air_from")
    has_load = values.stands("supplies", "compressor_w")
    if source == "compressor" and not has_load:
        yield Problem(
            ("supplies", "compressor_w"),
            "nothing",
            "what the compressor draws, in W",
            "add compressor_w = ... to [supplies]",
        )
    if source in {"cylinder", "none"} and has_load:
        yield Problem(
            ("supplies", "compressor_w"),
            f'compressor_w with air_from = "{source}"',
            'only with air_from = "compressor"',
            "take compressor_w out, or check air_from",
        )
    oxygen = values.number("baby", "oxygen_percent")
    support = values.at("baby", "support")
    blended = values.at("supplies", "delivery") == "blender"
    if (
        source == "none"
        and blended
        and support not in {None, "none"}
        and oxygen is not None
        and oxygen < 100
        and _uses_cylinders(values)
    ):
        yield Problem(
            ("supplies", "air_from"),
            f'"none", with {number_text(oxygen)} % oxygen out of a blender',
            '"cylinder" or "compressor": a blender needs air below 100 %',
            "say where the air comes from",
        )


def _drive(values: Values) -> Iterator[Problem]:
    gas, flow = values.at("supplies", "drive_gas"), values.number("supplies", "drive_lpm")
    if gas is None or flow is None:
        return
    if gas != "none" and flow == 0:
        yield Problem(
            ("supplies", "drive_lpm"),
            f'0, with drive_gas = "{gas}"',
            "what the ventilator takes to drive itself, in L/min",
            'write the flow from its manual, or drive_gas = "none"',
        )
    if gas == "none" and flow > 0:
        yield Problem(
            ("supplies", "drive_gas"),
            f'"none", with drive_lpm = {number_text(flow)}',
            '"oxygen" or "air" when there is a drive flow',
            "name the drive gas, or write drive_lpm = 0",
        )
    if gas == "air" and values.at("supplies", "air_from") == "none" and _uses_cylinders(values):
        yield Problem(
            ("supplies", "drive_gas"),
            '"air", with air_from = "none"',
            '"oxygen" or "none" when no air is carried',
            "check drive_gas and air_from",
        )


def check_unit(values: Values) -> Iterator[Problem]:
    """Tell what contradicts itself in a unit."""
    for key in Unit.model_fields["limits"].annotation.model_fields:  # type: ignore[union-attr]
        grid: KeyPath = ("limits", key)
        low, high = values.number(*grid, "lowest"), values.number(*grid, "highest")
        step = values.number(*grid, "step")
        if low is None or high is None:
            continue
        if low >= high:
            yield from _low_high(values, (*grid, "lowest"), (*grid, "highest"))
        elif step is not None:
            steps = (high - low) / step
            if abs(steps - round(steps)) > 1e-6 or round(steps) < 1:
                yield Problem(
                    (*grid, "step"),
                    number_text(step),
                    f"a step that fits a whole number of times from {number_text(low)} "
                    f"to {number_text(high)}",
                    "check lowest, highest and step in the unit's manual",
                )
    heater = values.number("power", "heater_w")
    on_battery = values.number("power", "heater_on_battery_w")
    if heater is not None and on_battery is not None and on_battery > heater:
        yield Problem(
            ("power", "heater_on_battery_w"),
            number_text(on_battery),
            f"0 to {number_text(heater)} W, the heater's full power",
            "check the two, or exchange them",
        )


_RISING_IN_POLICY: tuple[tuple[KeyPath, KeyPath], ...] = (
    (("temperature", "low_c"), ("temperature", "high_c")),
    (("temperature", "cooled_low_c"), ("temperature", "cooled_high_c")),
    (("temperature", "ambient_rated_low_c"), ("temperature", "ambient_rated_high_c")),
)
HIGHEST_WEEKS = 44


def check_policy(values: Values) -> Iterator[Problem]:
    """Tell what contradicts itself in a policy."""
    for low, high in _RISING_IN_POLICY:
        yield from _low_high(values, low, high)
    must_hold = values.at("verdict", "must_hold")
    if must_hold is not None and len(set(must_hold)) < len(must_hold):
        yield Problem(
            ("verdict", "must_hold"), value_text(must_hold), "each margin once", "take one out"
        )
    for kind in ("saturation", "pulse"):
        yield from _policy_rows(values, kind)
    for row in values.rows("saturation"):
        table: KeyPath = ("saturation", row)
        yield from _low_high(
            values, (*table, "target_low_percent"), (*table, "target_high_percent")
        )
        yield from _outside_target(values, table)
    for row in values.rows("pulse"):
        yield from _low_high(
            values, ("pulse", row, "alarm_low_per_min"), ("pulse", row, "alarm_high_per_min")
        )


def _policy_rows(values: Values, kind: str) -> Iterator[Problem]:
    rows = values.rows(kind)
    weeks = [values.number(kind, row, "below_weeks") for row in rows]
    for row in rows[1:]:
        this, before = weeks[row], weeks[row - 1]
        if this is not None and before is not None and this <= before:
            yield Problem(
                (kind, row, "below_weeks"),
                number_text(this),
                f"above the row before, {number_text(before)} weeks",
                "sort the rows: the first one that fits is taken",
            )
    known = [one for one in weeks if one is not None]
    if len(known) < len(weeks) or not known or known != sorted(set(known)):
        return  # told above, or where each number is checked
    last = known[-1]
    if last <= HIGHEST_WEEKS:
        yield Problem(
            (kind, rows[-1], "below_weeks"),
            number_text(last),
            f"above {HIGHEST_WEEKS} weeks in the last row, so that every baby has a row",
            "raise it, or add a row",
        )


def _outside_target(values: Values, table: KeyPath) -> Iterator[Problem]:
    alarm, target = "alarm_low_percent", "target_low_percent"
    low, wanted = values.number(*table, alarm), values.number(*table, target)
    if low is not None and wanted is not None and low > wanted:
        yield Problem(
            (*table, alarm),
            number_text(low),
            f"up to {target}, {number_text(wanted)}",
            "an alarm inside the target would sound at rest: lower it",
        )
    alarm, target = "alarm_high_percent", "target_high_percent"
    high, wanted = values.number(*table, alarm), values.number(*table, target)
    if high is not None and wanted is not None and high < wanted:
        yield Problem(
            (*table, alarm),
            number_text(high),
            f"from {target}, {number_text(wanted)}",
            "an alarm inside the target would sound at rest: raise it",
        )


def check_rounds(values: Values) -> Iterator[Problem]:
    """Tell what contradicts itself in a service's rounds."""
    yield from _own_keys(values, "round")
    yield from _own_keys(values, "task")
    for row in values.rows("round"):
        yield from _own_keys(values, "round", row, "item")
        if values.at("round", row, "after_trip") is not True and not values.stands(
            "round", row, "every_h"
        ):
            yield Problem(
                ("round", row, "every_h"),
                "missing",
                "hours between rounds, or after_trip = true",
                "write how often this round is due",
            )
        for one in values.rows("round", row, "item"):
            item: KeyPath = ("round", row, "item", one)
            ends = ("stop_low", "low", "high", "stop_high")
            there = [end for end in ends if values.number(*item, end) is not None]
            for low, high in pairwise(there):
                if {low, high} & {"low", "high"} and values.number(*item, low) == values.number(
                    *item, high
                ):
                    continue
                yield from _low_high(values, (*item, low), (*item, high))
            if there and values.at(*item, "answer") != "number":
                yield Problem(
                    (*item, there[0]),
                    number_text(values.number(*item, there[0]) or 0.0),
                    'limits only where answer = "number"',
                    'write answer = "number", or take the limit out',
                )
    yield from _low_high(
        values, ("limits", "room_air_within_points"), ("limits", "room_air_stop_points")
    )


def _own_keys(values: Values, *path: str | int) -> Iterator[Problem]:
    seen: set[object] = set()
    for row in values.rows(*path):
        key = values.at(*path, row, "key")
        if key in seen:
            yield Problem(
                (*path, row, "key"), value_text(key), "a key of its own", "change one of the two"
            )
        if key is not None:
            seen.add(key)
