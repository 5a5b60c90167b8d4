"""Words for faults: how a value, a range or a key path is written, and what a slip looks like."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, time
from difflib import get_close_matches

from warmhold.model.base import Between
from warmhold.model.locate import KeyPath

# Unit of a key, told by the end of its name; longer ends first.
_UNIT_BY_END = {
    "_w_m2k": "W/m2/K",
    "_j_m2k": "J/m2/K",
    "_m2k_w": "m2 K/W",
    "_w_m2": "W/m2",
    "_j_k": "J/K",
    "_w_k": "W/K",
    "_k_k": "K/K",
    "_m_s": "m/s",
    "_g_h": "g/h",
    "_per_min": "per min",
    "_lpm": "L/min",
    "_lps": "L/s",
    "_percent": "%",
    "_points": "points",
    "_weeks": "weeks",
    "_years": "years",
    "_hpa": "hPa",
    "_kpa": "kPa",
    "_bar": "bar",
    "_min": "min",
    "minutes": "min",
    "_wh": "Wh",
    "_kg": "kg",
    "_cm": "cm",
    "_ft": "ft",
    "_m2": "m2",
    "_h": "h",
    "_c": "degC",
    "_k": "K",
    "_w": "W",
    "_g": "g",
    "_l": "L",
    "_m": "m",
}

# Slips of unit: unit wanted -> what it looks like, and how that becomes the unit wanted.
_Change = Callable[[float], float]
_SLIPS: dict[str, tuple[tuple[str, _Change], ...]] = {
    "g": (("kilograms", lambda v: v * 1000), ("pounds", lambda v: v * 453.592)),
    "kg": (("grams", lambda v: v / 1000),),
    "%": (("a fraction", lambda v: v * 100),),
    "": (("per cent", lambda v: v / 100),),
    "degC": (
        ("degrees Fahrenheit", lambda v: (v - 32) / 1.8),
        ("kelvin", lambda v: v - 273.15),
    ),
    "weeks": (("days", lambda v: v / 7),),
    "cm": (("metres", lambda v: v * 100), ("millimetres", lambda v: v / 10)),
    "m/s": (("km/h", lambda v: v / 3.6),),
    "bar": (("psi", lambda v: v / 14.5038), ("kPa", lambda v: v / 100)),
    "hPa": (("kPa", lambda v: v * 10), ("Pa", lambda v: v / 100)),
    "m": (("feet", lambda v: v * 0.3048),),
    "L/min": (("mL/min", lambda v: v / 1000),),
    "L": (("millilitres", lambda v: v / 1000),),
    "min": (("seconds", lambda v: v / 60),),
}

# A key written with another unit: its end -> (end wanted, change of the value).
_OTHER_ENDS: dict[tuple[str, str], _Change] = {
    ("kg", "g"): lambda v: v * 1000,
    ("g", "kg"): lambda v: v / 1000,
    ("f", "c"): lambda v: (v - 32) / 1.8,
    ("k", "c"): lambda v: v - 273.15,
    ("psi", "bar"): lambda v: v / 14.5038,
    ("kpa", "bar"): lambda v: v / 100,
    ("kpa", "hpa"): lambda v: v * 10,
    ("days", "h"): lambda v: v * 24,
    ("d", "h"): lambda v: v * 24,
    ("min", "h"): lambda v: v / 60,
    ("days", "weeks"): lambda v: v / 7,
    ("mm", "cm"): lambda v: v / 10,
    ("m", "cm"): lambda v: v * 100,
    ("kmh", "m_s"): lambda v: v / 3.6,
    ("km_h", "m_s"): lambda v: v / 3.6,
    ("kt", "m_s"): lambda v: v * 1852 / 3600,
    ("mph", "m_s"): lambda v: v * 0.44704,
    ("ml_min", "lpm"): lambda v: v / 1000,
    ("fraction", "percent"): lambda v: v * 100,
}


def number_text(value: float) -> str:
    """Write a number shortly, without an exponent for everyday sizes."""
    return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.4g}"


def unit_of(key: str) -> str:
    """Return the unit that a key's name ends in; empty when it has none."""
    for end, unit in _UNIT_BY_END.items():
        if key.endswith(end):
            return unit
    return ""


def plain(text: str) -> str:
    """Write control characters as escapes, so that a file's text cannot act on a terminal."""
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)


def value_text(value: object) -> str:
    """Write a value as the file would, tables and arrays by their kind."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = plain(value)
        return f'"{text}"' if len(text) <= 60 else f'"{text[:57]}..."'
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a huge number"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, tuple | list):
        if value and all(isinstance(row, Mapping) for row in value):
            return "repeated tables"
        inside = ", ".join(value_text(one) for one in value[:6])
        return f"[{inside}, ...]" if len(value) > 6 else f"[{inside}]"
    return "nothing"


def range_text(between: Between, key: str) -> str:
    """Write a range with the unit of its key."""
    unit = unit_of(key)
    end = f" {unit}" if unit else ""
    whole = "a whole number, " if between.whole else ""
    low, high = between.low, between.high
    if low is None and high is None:
        return f"{whole}any number{end}"
    if low is None and high is not None:
        return f"{whole}up to {number_text(high)}{end}"
    if low is not None and high is None:
        return f"{whole}{'above' if between.above else 'from'} {number_text(low)}{end}"
    assert low is not None
    assert high is not None
    if between.above:
        return f"{whole}above {number_text(low)} up to {number_text(high)}{end}"
    return f"{whole}{number_text(low)} to {number_text(high)}{end}"


def key_text(path: KeyPath) -> str:
    """Write a key path; rows count from 1: ``leg[2].minutes``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{plain(part)}" if text else plain(part)
    return text


def nearest(word: str, words: Iterable[str]) -> str | None:
    """Return the known word that a misspelt one most likely stands for."""
    known = list(words)
    for one in known:
        if one.lower().replace("-", "_") == word.lower().strip().replace("-", "_"):
            return one
    close = get_close_matches(word.lower(), known, n=1, cutoff=0.7)
    return close[0] if close else None


def other_unit(key: str, keys: Iterable[str], value: object) -> tuple[str, str] | None:
    """Tell a key written with another unit, and what to write: ``weight_kg`` for ``weight_g``."""
    for known in sorted(keys, key=len, reverse=True):
        for (end, wanted), change in _OTHER_ENDS.items():
            if known.endswith("_" + wanted) and key.lower() == (known.removesuffix(wanted) + end):
                number = value.get("value") if isinstance(value, Mapping) else value
                if isinstance(number, bool) or not isinstance(number, int | float):
                    return known, f"write {known}, in {unit_of(known)}"
                return known, f"write {known} = {_rounded(change(number))}, in {unit_of(known)}"
    return None


def _rounded(value: float) -> str:
    return number_text(float(f"{value:.4g}"))


def number_advice(key: str, value: object, between: Between) -> str:
    """Say what a wrong number most likely stands for and what to write."""
    unit = unit_of(key)
    if isinstance(value, bool):
        return "write a number"
    if isinstance(value, str):
        return _text_advice(key, value, between)
    if isinstance(value, tuple | list) and len(value) == 2:
        return "for a spread write { value = ..., spread = ... }"
    if not isinstance(value, int | float):
        return "write one number"
    if not -1e15 < value < 1e15:  # nan as well
        return "write a number that was read or measured; leave an optional key out when unknown"
    for what, change in () if between.whole else _SLIPS.get(unit, ()):
        changed = change(value)
        if what == "per cent" and (between.high is None or between.high > 1.2):
            continue
        if _plausible(what, value) and between.holds(float(f"{changed:.4g}")):
            return f"looks like {what}: write {_rounded(changed)}"
    if between.whole and isinstance(value, float):
        return "write it without a decimal point"
    return "check the number and its unit"


def _plausible(what: str, value: float) -> bool:
    limits = {
        "kilograms": (0.3, 6.5),
        "pounds": (6.5, 14),
        "a fraction": (0, 1),
        "degrees Fahrenheit": (43, 115),
        "kelvin": (230, 330),
        "psi": (400, 5000),
        "kPa": (5000, 40000),
        "metres": (0.2, 0.7),
        "per cent": (1, 100),
    }
    low, high = limits.get(what, (0.0, 1e15))
    if what == "kPa" and value < 5000:  # an air pressure, not a cylinder
        low, high = 50, 110
    return low < value <= high


def _text_advice(key: str, value: str, between: Between) -> str:
    text = value.strip()
    if key.endswith("_weeks"):
        match = re.fullmatch(r"(\d{2})\s*(?:\+|/|w|weeks)\s*([0-6])\s*d?(?:ays)?", text)
        if match is not None:
            weeks = int(match[1]) + int(match[2]) / 7
            return f"write weeks with a fraction: {weeks:.2f} ({match[1]} weeks {match[2]} days)"
    match = re.fullmatch(r"([+-]?\d+)(?:[.,](\d+))?\s*(.*)", text, re.DOTALL)
    if match is None:
        return "write a number; leave an optional key out when it is not known"
    number = match[1] + (f".{match[2]}" if match[2] else "")
    rules = ["without quotes"]
    if "," in text:
        rules.append("with a point for the decimals")
    if match[3]:
        rules.append("without the unit")
    how = ", ".join(rules)
    if between.holds(float(number)):
        return f"write it {how}: {number}"
    return f"write it {how}; {number_advice(key, float(number), between)}"
