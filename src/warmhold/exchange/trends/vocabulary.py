"""What a trend can hold: quantities of the record, their units, what a reading can be at all."""

from __future__ import annotations

import tomllib
from functools import cache

from warmhold.bench.reading.mapping import ASK
from warmhold.bench.reading.vocabulary import Changes, Rules, Vocabulary
from warmhold.model.load import DATA
from warmhold.record.bodies import NUMBERS

WHOSE = "source"

_MMHG_IN_KPA = 1000.0 / 133.322_387_415  # the conventional mmHg in pascal (memory)
_GLUCOSE_G_MOL = 180.156  # molar mass of glucose, C6H12O6 (memory)
_CHANGES: Changes = {
    "°C": {"°C": (1.0, 0.0), "°F": (1 / 1.8, -32 / 1.8), "K": (1.0, -273.15)},
    "/min": {"/min": (1.0, 0.0), "/s": (60.0, 0.0)},
    "%": {"%": (1.0, 0.0), "fraction": (100.0, 0.0)},
    "mmHg": {
        "mmHg": (1.0, 0.0),
        "kPa": (_MMHG_IN_KPA, 0.0),
        "hPa": (_MMHG_IN_KPA / 10.0, 0.0),
    },
    "mmol/L": {"mmol/L": (1.0, 0.0), "mg/dL": (10.0 / _GLUCOSE_G_MOL, 0.0)},
    "L/min": {"L/min": (1.0, 0.0), "mL/min": (0.001, 0.0)},
    "divisions": {"divisions": (1.0, 0.0)},
}
_SPELLINGS = {
    "c": "°C", "degc": "°C", "deg c": "°C", "deg. c": "°C", "°c": "°C", "ºc": "°C",
    "celsius": "°C", "cel": "°C", "f": "°F", "degf": "°F", "deg f": "°F", "°f": "°F",
    "ºf": "°F", "fahrenheit": "°F", "k": "K", "kelvin": "K",
    "/min": "/min", "1/min": "/min", "min-1": "/min", "bpm": "/min", "beats/min": "/min",
    "breaths/min": "/min", "brpm": "/min", "per min": "/min", "rpm": "/min",
    "/s": "/s", "1/s": "/s", "hz": "/s",
    "%": "%", "percent": "%", "%rh": "%", "% rh": "%", "vol%": "%", "vol %": "%",
    "fraction": "fraction", "mmhg": "mmHg", "mm[hg]": "mmHg", "mm hg": "mmHg", "kpa": "kPa",
    "hpa": "hPa", "mbar": "hPa", "mmol/l": "mmol/L", "mm/l": "mmol/L", "mg/dl": "mg/dL",
    "l/min": "L/min", "lpm": "L/min", "ml/min": "mL/min",
    "divisions": "divisions", "div": "divisions", "bars": "divisions",
}  # fmt: skip

# Common words only. Where a header leaves open where or what was measured, a person says it: a
# temperature without its site, a saturation without its limb.
_PRE = ("pre", "preductal", "right hand", "right arm")
_POST = ("post", "postductal", "foot", "left foot", "right foot")
_SATURATION = ("sp o2", "spo2", "sp o 2", "sat", "sats", "saturation", "sao2", "sa o2")
_OXYGEN = ("fi o2", "fio2", "oxygen", "o2")
_SET = ("set", "setting", "setpoint", "target")
_AIR = ("air", "hood", "incubator", "chamber")
_BATTERY = ("battery", "batt")
_RULES: Rules = (
    ("saturation_pre_percent", (_SATURATION, _PRE)),
    ("saturation_post_percent", (_SATURATION, _POST)),
    (ASK, (_SATURATION,)),
    ("pulse_per_min", (("pulse", "pr", "pulse rate", "hr", "heart rate"),)),
    ("breaths_per_min", (("rr", "resp", "respiration", "respiratory", "breaths", "breathing"),)),
    ("pressure_mean_mmhg", (("map", "mean"),)),
    ("glucose_mmol_l", (("glucose",),)),
    ("axillary_c", (("axillary", "axilla"),)),
    ("rectal_c", (("rectal",),)),
    ("skin_c", (("skin", "tskin"),)),
    ("oxygen_set_percent", (_OXYGEN, _SET)),
    ("oxygen_percent", (_OXYGEN,)),
    ("hood_humidity_percent", (("humidity", "rh"),)),
    ("heater_percent", (("heater", "heating"),)),
    ("battery_divisions", (_BATTERY, ("bars", "divisions", "bar"))),
    ("flow_lpm", (("flow",),)),
    ("air_set_c", (_AIR, _SET)),
    ("air_c", (_AIR,)),
    (ASK, (("temp", "temperature", "t1", "t2"),)),
)


@cache
def quantities() -> Vocabulary:
    """Return what the columns or signals of a trend can hold."""
    tables = DATA / "tables"
    entered = tomllib.loads((tables / "entries.toml").read_text("utf-8"))["quantity"]
    ranges = tomllib.loads((tables / "recorded.toml").read_text("utf-8"))["quantity"]
    return Vocabulary(
        numbers={key: (str(entered[key]["unit"]), str(entered[key]["title"])) for key in NUMBERS},
        words={},
        changes=_CHANGES,
        spellings=_SPELLINGS,
        ranges={key: (ranges[key]["lowest"], ranges[key]["highest"]) for key in NUMBERS},
        rules=_RULES,
        whose=WHOSE,
        whose_columns=("source", "device", "monitor", "device name", "monitor name"),
        asked="source",
        odd="they are kept, marked as doubtful, and counted in no figure",
        stated_start=False,
        guide="docs/exchange.md",
    )
