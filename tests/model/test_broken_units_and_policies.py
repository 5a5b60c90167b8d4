"""Faults of units and policies, made by changing single lines of the shipped files.

The expected line is the place of the changed line, found by plain search, not by the locator.
"""

from pathlib import Path

import pytest

from warmhold.model import check_file, shipped_path

UNIT = shipped_path("units", "alder-single")
POLICY = shipped_path("policies", "cautious")

# old start of a line -> new line; then the key and the words that the fault must say
Change = tuple[str, str, list[tuple[str, str]]]


UNIT_CASES: dict[str, list[Change]] = {
    "grid turned round": [
        (
            "limits/air_set_c",
            'air_set_c = { lowest = 38.0, highest = 23.0, step = 0.1, provenance = "manual" }',
            [("limits.air_set_c.highest", "above lowest, 38")],
        )
    ],
    "grid not of whole steps": [
        (
            "limits/skin_set_c",
            'skin_set_c = { lowest = 34.0, highest = 37.5, step = 0.4, provenance = "manual" }',
            [("limits.skin_set_c.step", "a whole number of times from 34 to 37.5")],
        ),
        (
            "limits/alarm_pulse_low_per_min",
            "alarm_pulse_low_per_min = { lowest = 60, highest = 140, step = 0, "
            'provenance = "manual" }',
            [("limits.alarm_pulse_low_per_min.step", "above 0")],
        ),
    ],
    "provenance": [
        (
            "power/heater_w",
            "heater_w = { value = 180, spread = 6 }",
            [("power.heater_w.provenance", "measured, manual, published or assumed")],
        ),
        (
            "power/fan_heat_w",
            'fan_heat_w = { value = 4, spread = 1, provenance = "stated" }',
            [("power.fan_heat_w.provenance", '"assumed"')],
        ),
        (
            "power/mains_w",
            'mains_w = { value = 320, spread = 0, provenence = "manual" }',
            [("power.mains_w.provenence", "write provenance")],
        ),
        (
            "limits/air_display_c",
            "air_display_c = { lowest = 10.0, highest = 45.0, step = 0.1 }",
            [("limits.air_display_c.provenance", "add provenance")],
        ),
    ],
    "plain number": [
        ("battery/energy_wh", "energy_wh = 86", [("battery.energy_wh", "spread, provenance")]),
    ],
    "per cent instead of a share": [
        (
            "power/supply_efficiency",
            'supply_efficiency = { value = 88, spread = 2, provenance = "assumed" }',
            [("power.supply_efficiency.value", "looks like per cent: write 0.88")],
        )
    ],
    "several in one value": [
        (
            "hood/volume_l",
            'volume_l = { value = -85, spread = nan, provenance = "Measured", size = 3 }',
            [
                ("hood.volume_l.provenance", 'write "measured"'),
                ("hood.volume_l.size", "remove it"),
                ("hood.volume_l.spread", "0 or more"),
                ("hood.volume_l.value", "above 0"),
            ],
        )
    ],
    "battery heater above heater": [
        (
            "power/heater_on_battery_w",
            'heater_on_battery_w = { value = 250, spread = 6, provenance = "manual" }',
            [("power.heater_on_battery_w", "0 to 170 W")],
        )
    ],
    "spread wider than the value": [
        (
            "battery/rating_h",
            'rating_h = { value = 2, spread = 5, provenance = "manual" }',
            [("battery.rating_h.spread", "0 to the value itself, 2")],
        )
    ],
    "words and whole numbers": [
        ("battery/chemistry", 'chemistry = "Lithium"', [("battery.chemistry", '"lithium"')]),
        ("battery/packs", "packs = 1.5", [("battery.packs", "whole number")]),
        ("battery/bar_divisions", 'bar_divisions = "10"', [("battery.bar_divisions", "quotes")]),
        ("/wall", 'wall = "triple"', [("wall", '"single", "double"')]),
        ("control/mode", "mode = true", [("control.mode", '"air", "skin"')]),
    ],
    "key of another table": [
        (
            "carriage/mass_kg",
            'mass_kg = { value = 58, spread = 1, provenance = "measured" }\n'
            'tank_g = { value = 0, spread = 0, provenance = "manual" }',
            [("carriage.tank_g+1", "belongs in [humidifier]")],
        ),
    ],
}

POLICY_CASES: dict[str, list[Change]] = {
    "targets turned round": [
        (
            "temperature/low_c",
            'low_c = { value = 37.9, mark = "own", source = "x" }',
            [],
        ),
        (
            "temperature/high_c",
            'high_c = { value = 37.5, mark = "own", source = "x" }',
            [("temperature.high_c", "above low_c, 37.9")],
        ),
    ],
    "no source": [
        (
            "gas/factor",
            'factor = { value = 2.0, mark = "guess" }',
            [("gas.factor.mark", '"practice"'), ("gas.factor.source", "text in quotes")],
        ),
        (
            "gas/hood_flow_min_lpm",
            "hood_flow_min_lpm = 4",
            [("gas.hood_flow_min_lpm", "{ value, mark, source }")],
        ),
    ],
    "probability as a fraction": [
        (
            "verdict/probability_percent",
            'probability_percent = { value = 0.95, mark = "own", source = "x" }',
            [("verdict.probability_percent.value", "looks like a fraction: write 95")],
        ),
        (
            "verdict/must_hold",
            'must_hold = ["warm", "could"]',
            [("verdict.must_hold[2]", 'write "cold"')],
        ),
    ],
    "margin twice": [
        (
            "verdict/must_hold",
            'must_hold = ["warm", "cold", "warm"]',
            [("verdict.must_hold", "each margin once")],
        )
    ],
    "fahrenheit": [
        (
            "temperature/skin_set_c",
            'skin_set_c = { value = 97.7, mark = "own", source = "x" }',
            [("temperature.skin_set_c.value", "looks like degrees Fahrenheit: write 36.5")],
        )
    ],
    "negative spread": [
        (
            "spread/wind_percent",
            'wind_percent = { value = -40, mark = "own", source = "x" }',
            [("spread.wind_percent.value", "0 to 100 %")],
        ),
        (
            "spread/gauge_percent",
            'guage_percent = { value = 4, mark = "own", source = "x" }',
            [("spread.guage_percent", "write gauge_percent")],
        ),
    ],
}


def changed(path: Path, changes: list[Change]) -> tuple[str, list[tuple[int, str, str]]]:
    """Change lines that are named ``table/key``; return the text and the faults to expect."""
    rows = path.read_text("utf-8").split("\n")
    expected: list[tuple[int, str, str]] = []
    for place, new, faults in changes:
        table, key = place.split("/")
        start = 0
        if table:
            start = next(i for i, row in enumerate(rows) if row.startswith(f"[{table}]"))
        here = next(i for i, row in enumerate(rows) if i >= start and row.startswith(f"{key} ="))
        rows[here] = new
        for fault_key, words in faults:
            name, _, below = fault_key.partition("+")
            expected.append((here + 1 + int(below or 0), name, words))
    return "\n".join(rows), sorted(expected)


@pytest.mark.parametrize(
    ("base", "name", "changes"),
    [(UNIT, name, changes) for name, changes in UNIT_CASES.items()]
    + [(POLICY, name, changes) for name, changes in POLICY_CASES.items()],
    ids=[f"unit, {name}" for name in UNIT_CASES] + [f"policy, {name}" for name in POLICY_CASES],
)
def test_all_faults_and_no_other(
    base: Path, name: str, changes: list[Change], tmp_path: Path
) -> None:
    text, expected = changed(base, changes)
    path = tmp_path / "changed.toml"
    path.write_text(text, "utf-8")
    faults = check_file(path)
    found = [(fault.line, fault.key) for fault in faults]
    assert found == [(line, key) for line, key, _ in expected], "\n".join(map(str, faults))
    for fault, (_, _, words) in zip(faults, expected, strict=True):
        assert words in f"{fault.allowed}; {fault.todo}"


def rows_of_policy(*weeks: float) -> str:
    row = (
        "[[saturation]]\nbelow_weeks = {}\n"
        'target_low_percent = {{ value = 90, mark = "own", source = "x" }}\n'
        'target_high_percent = {{ value = 94, mark = "own", source = "x" }}\n'
        'alarm_low_percent = {{ value = 92, mark = "own", source = "x" }}\n'
        'alarm_high_percent = {{ value = 93, mark = "own", source = "x" }}\n'
    )
    text = POLICY.read_text("utf-8")
    head, rest = text.split("[[saturation]]", 1)
    tail = rest[rest.index("[[pulse]]") :]
    return head + "".join(row.format(one) for one in weeks) + tail


def test_rows_must_rise_and_cover_every_baby(tmp_path: Path) -> None:
    path = tmp_path / "rows.toml"
    path.write_text(rows_of_policy(36, 32), "utf-8")
    first = path.read_text("utf-8").split("\n").index("[[saturation]]") + 1
    found = [(fault.line, fault.key) for fault in check_file(path)]
    assert found == [
        (first + 4, "saturation[1].alarm_low_percent"),
        (first + 5, "saturation[1].alarm_high_percent"),
        (first + 7, "saturation[2].below_weeks"),
        (first + 10, "saturation[2].alarm_low_percent"),
        (first + 11, "saturation[2].alarm_high_percent"),
    ]

    path.write_text(rows_of_policy(32, 44), "utf-8")
    found = [(fault.line, fault.key) for fault in check_file(path) if "weeks" in fault.key]
    assert found == [(first + 7, "saturation[2].below_weeks")]
    path.write_text(rows_of_policy(32, 44.1), "utf-8")
    assert not [fault for fault in check_file(path) if "weeks" in fault.key]
