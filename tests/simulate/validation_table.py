"""Writes the tables of docs/validation.md from the reference rows and from fresh runs.

    python tests/simulate/validation_table.py            print them
    python tests/simulate/validation_table.py --write    put them into the page

The tests do the same and compare, so the page cannot go stale.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "tests" / "simulate"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

import numpy as np  # noqa: E402
from independent import compare  # noqa: E402
from laboratory import TERM  # noqa: E402
from predictions import by_gestation, calorimetry, operative_of_hey, predictions  # noqa: E402
from trips import TRIPS  # noqa: E402

from thermal_values import value  # noqa: E402
from warmhold.simulate.scenario import TRIAL_TOLERANCE  # noqa: E402
from warmhold.simulate.stepping import CONTROLLED, TOLERANCE  # noqa: E402

PAGE = ROOT / "docs" / "validation.md"
Row = dict[str, Any]


def table_rows(file: str, table: str) -> list[Row]:
    with (ROOT / "tests" / "reference" / f"{file}.toml").open("rb") as handle:
        found = tomllib.load(handle)[table]
    shared = {key: item for key, item in found.items() if key != "rows"}
    return [{**shared, **row} for row in found["rows"]]


def shown(number: float, tolerance: float) -> str:
    """A figure with as many places as its tolerance deserves."""
    places = 3 if tolerance < 0.1 else 2 if tolerance < 2 else 1
    return f"{number:.{places}f}"


def line(*cells: str) -> str:
    return "| " + " | ".join(cells) + " |"


def _against_rows(rows: list[Row], figure: Callable[[Row], float], name: str) -> str:
    # what all rows share is said once, above the table
    shared = {
        key: rows[0][key]
        for key in ("source", "status", "used")
        if len({row[key] for row in rows}) == 1
    }
    words = {"source": "Source: {}.", "status": "Mark: {}.", "used": "Used as: {}."}
    head = {"source": "source", "status": "mark", "used": "used"}
    apart = [key for key in head if key not in shared]
    out = []
    if shared:
        out += [" ".join(words[key].format(item) for key, item in shared.items()), ""]
    out += [
        line("what", *(head[k] for k in apart), "published", "got", "residual", "within", "held"),
        line("---", *["---"] * len(apart), *["---:"] * 4, "---"),
    ]
    for row in rows:
        got, expected, tolerance = figure(row), float(row["expected"]), float(row["tolerance"])
        held = abs(got - expected) <= tolerance
        if row["unit"] == "yes":
            cells = ["yes", "yes" if got == 1.0 else "no", "", "sign"]
        else:
            text = shown(got, tolerance)
            places = len(text.partition(".")[2])
            unit = "" if row["unit"] in ("-", "share") else f" {row['unit']}"
            cells = [
                f"{shown(expected, tolerance)}{unit}",
                text,
                f"{got - expected:+.{places}f}",
                f"{tolerance:.3g}",
            ]
        said = [str(row[key]) for key in apart]
        out.append(line(str(row[name]), *said, *cells, "yes" if held else "**no**"))
    return "\n".join(out)


def _science(file: str, *tables: str) -> str:
    rows = [row for table in tables for row in table_rows(file, table)]
    return _against_rows(rows, value, "name")


def _chamber(*tables: str) -> str:
    rows = [row for table in tables for row in table_rows("thermal", table)]
    return _against_rows(rows, lambda row: predictions()[row["prediction"]], "prediction")


def _gap() -> str:
    """What would move the calorimetry figures, one change at a time."""
    changes: list[tuple[str, dict[str, float]]] = [
        ("as shipped, 12 h, 0.1 m/s", {}),
        ("resting heat 2.01 W/kg, the paper's own", {"REST": 2.01, "CEILING": 2.5 * 2.01}),
        ("body spread out (radiating 0.76)", {"RADIATING": 0.76}),
        ("vessels conduct half as much again", {"VESSELS_CLOSED": 18.0, "VESSELS_OPEN": 45.0}),
        ("0.2 m/s", {"AIR_SPEED": 0.2}),
    ]
    out = [
        line("W/kg at", "28", "30", "32", "34", "36 °C"),
        line("---", *["---:"] * 5),
        line("published", "3.55", "2.97", "2.35", "1.92", "2.05"),
    ]
    for name, values in changes:
        speed = values.pop("AIR_SPEED", 0.1)
        total = calorimetry(TERM, speed, **values)["total"]
        out.append(line(name, *(f"{x:.2f}" for x in total)))
    return "\n".join(out)


def _channels() -> str:
    out = [
        line("W/kg", "air = walls °C", "skin water", "radiation", "convection", "breath", "total"),
        line("---", *["---:"] * 6),
    ]
    for age, name in ((12.0, "12 h"), (168.0, "7 d")):
        for weeks, parts in by_gestation(age).items():
            cells = [f"{parts['air']:.1f}"] + [
                f"{parts[c]:.2f}"
                for c in ("skin_evaporation", "radiation", "convection", "breath", "total")
            ]
            out.append(line(f"{weeks:g} wk, {name}", *cells))
    return "\n".join(out)


def _rule_of_seven() -> str:
    out = [
        line("air °C", "room °C", "rule (memory) °C", "got °C", "residual K"),
        line(*["---:"] * 5),
    ]
    for air, room in ((34.0, 20.0), (35.0, 24.0), (34.0, 10.0), (35.0, 0.0), (36.0, -10.0)):
        rule, got = air - (air - room) / 7.0, operative_of_hey(air, room)
        out.append(line(f"{air:g}", f"{room:g}", f"{rule:.1f}", f"{got:.1f}", f"{got - rule:+.1f}"))
    return "\n".join(out)


def _integrator() -> str:
    out = [
        line("trip", "steps", "temperature K", "energy", "oxygen and CO2", "vapour",
             "empty battery s"),
        line("---", "---", *["---:"] * 5),
    ]  # fmt: skip
    for name, make in TRIPS.items():
        for steps, step_s, tolerance in (
            ("controlled, as planned", CONTROLLED, TOLERANCE),
            ("controlled, as tried out", CONTROLLED, TRIAL_TOLERANCE),
            ("equal, 10 s, 2.5 s open", None, TOLERANCE),
        ):
            s = make()
            lengths = s.step_s if step_s is None else np.full_like(s.step_s, step_s)
            w = compare(
                s.start, s.p, s.durations_s, s.conditions, s.outputs, lengths, tolerance=tolerance
            )
            out.append(
                line(name, steps, f"{w.temperature_k:.4f}", f"{100 * w.energy_share:.4f} %",
                     f"{100 * w.gas_share:.4f} %", f"{100 * w.vapour_share:.3f} %",
                     f"{w.empty_s:.3f}")
            )  # fmt: skip
    return "\n".join(out)


def _summary() -> str:
    groups = {
        "direct calorimetry (C3-C9)": ("calorimetry",),
        "hood (C10, C11, C20, ports)": ("hood",),
        "air, humidity, cold, mattress (C13-C18, C27)": ("air_and_water",),
        "babies of several gestations": ("babies",),
        "common practice": ("practice",),
    }
    out = [line("group", "rows", "held"), line("---", "---:", "---:")]
    for name, tables in groups.items():
        rows = [row for table in tables for row in table_rows("thermal", table)]
        held = sum(
            abs(predictions()[row["prediction"]] - row["expected"]) <= row["tolerance"]
            for row in rows
        )
        out.append(line(name, str(len(rows)), str(held)))
    return "\n".join(out)


def _others() -> str:
    """Rows of the gas, oxygen and neutral-temperature tests: counted, not run, here."""
    out = [line("file", "table", "rows", "against", "mark", "source"), line(*["---"] * 6)]
    for file in ("gas", "blend", "altitude", "oxygen", "analyser", "neutral"):
        with (ROOT / "tests" / "reference" / f"{file}.toml").open("rb") as handle:
            tables = tomllib.load(handle)
        for table in tables:
            if not isinstance(tables[table], dict):
                continue
            rows = table_rows(file, table)

            def said(key: str, default: str, rows: list[Row] = rows) -> str:
                return ", ".join(dict.fromkeys(str(row.get(key, default)) for row in rows))

            out.append(
                line(file, table.replace("_", " "), str(len(rows)), said("kind", "print"),
                     said("status", ""), said("source", "").replace("|", "/"))
            )  # fmt: skip
    return "\n".join(out)


TABLES: dict[str, Callable[[], str]] = {
    "calorimetry": lambda: _chamber("calorimetry"),
    "summary": _summary,
    "gap": _gap,
    "hood": lambda: _chamber("hood"),
    "rule of seven": _rule_of_seven,
    "air and water": lambda: _chamber("air_and_water"),
    "babies": lambda: _chamber("babies"),
    "channels": _channels,
    "practice": lambda: _chamber("practice"),
    "humid air": lambda: _science("air", "relative_humidity", "psychrolib"),
    "body and films": lambda: _science("thermal", "surface", "surface_other", "deficit", "films"),
    "skin water": lambda: _science(
        "thermal", "water_loss_fit", "water_loss_predicted", "water_loss_age"
    ),
    "heat and breath": lambda: _science("thermal", "rest", "summit", "breath"),
    "battery": lambda: _science("battery", "lead_temperature", "cold_packs", "peukert", "charging"),
    "integrator": _integrator,
    "other tests": _others,
}

_done: dict[str, str] = {}


def generated(name: str) -> str:
    if name not in _done:
        _done[name] = TABLES[name]()
    return _done[name]


def _block(name: str) -> re.Pattern[str]:
    return re.compile(
        rf"(<!-- begin: {re.escape(name)} -->\n)(.*?)(\n<!-- end: {re.escape(name)} -->)", re.S
    )


_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


def differences(page: str, name: str, fresh: str) -> list[str]:
    """Lines of the page's table that a fresh one does not confirm.

    Words have to be the same; a figure may differ by one in its last printed place.
    """
    found = _block(name).search(page)
    if found is None:
        return [f"no table {name}"]
    old, new = found.group(2).splitlines(), fresh.splitlines()
    if len(old) != len(new):
        return [f"{len(old)} lines in the page, {len(new)} now"]
    faults = []
    for before, after in zip(old, new, strict=True):
        numbers = _NUMBER.findall(before), _NUMBER.findall(after)
        same = _NUMBER.sub("#", before) == _NUMBER.sub("#", after)
        if same:
            for one, other in zip(*numbers, strict=True):
                places = len(one.partition(".")[2])
                same &= bool(np.isclose(float(one), float(other), rtol=0, atol=1.01 * 10**-places))
        if not same:
            faults.append(f"{before}\n   now {after}")
    return faults


def main() -> None:
    write = "--write" in sys.argv[1:]
    page = PAGE.read_text(encoding="utf-8") if write else ""
    for name in TABLES:
        if write:
            page, count = _block(name).subn(
                lambda m, name=name: m.group(1) + generated(name) + m.group(3), page
            )
            if count != 1:
                sys.exit(f"{PAGE.name} has {count} places for the table {name!r}")
        else:
            print(f"\n{name}\n\n{generated(name)}")
    if write:
        PAGE.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
