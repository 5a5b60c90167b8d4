"""A new version of a unit file from a fit; the old one stays as it is.

Only what the logs tell is written: as "measured", with a note of what stood there and of the logs
it comes from. Everything else keeps its value, spread and provenance to the letter. Since told
numbers are told together with the others, they are first moved to where they fit best with the
others *as the file has them*.

A unit file holds one spread for each number and not how they hang together, so the written spreads
are those of each number by itself. Where that would make a figure that plans rest on look better
known than the fit says, the spreads are widened until it does not.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from warmhold.bench.fit.characterise import Fitted
from warmhold.bench.fit.constants import USABLE_KEY, quantity_of
from warmhold.model import Unit, check_file

Floats = NDArray[np.float64]

_VERSION = re.compile(r"\.v(\d+)$")
MOST_HEALTH: Final = 1.2  # the unit file's own limit
MOST_NAMED: Final = 6  # logs named in a value's note; all of them stand at the head of the file


@dataclass(frozen=True)
class Written:
    """One value of the new version.

    key : place in the file
    was, now : (value, spread, provenance); ``was`` is None where the file had no such key
    """

    key: str
    title: str
    unit: str
    was: tuple[float, float, str] | None
    now: tuple[float, float, str]


@dataclass(frozen=True)
class Version:
    """A new version, not yet on disk.

    text : the whole file
    kept_back : in words, what was told but could not be written, and why
    """

    text: str
    values: tuple[Written, ...]
    kept_back: tuple[str, ...]


class NothingToWrite(ValueError):
    """The fit told nothing that a unit file holds."""


def next_path(old: Path) -> Path:
    """First free name beside a file: ``fern.toml`` gives ``fern.v2.toml``, then ``.v3``."""
    match = _VERSION.search(old.stem)
    stem = old.stem[: match.start()] if match else old.stem
    number = int(match[1]) + 1 if match else 2
    while (path := old.with_name(f"{stem}.v{number}.toml")).exists():
        number += 1
    return path


def new_version(fitted: Fitted, old_text: str, old_name: str, today: str) -> Version:
    """Write what a fit tells into a unit file's text.

    Parameters
    ----------
    fitted : a settled fit of the unit of this file
    old_text : the file that the fit began from
    old_name : its name, for the head of the new one
    today : the day, as it shall stand in the file

    Returns
    -------
    A ``Version``.

    Raises ``NothingToWrite`` when nothing was told.
    """
    if not fitted.settled:
        raise NothingToWrite("the fit did not come to rest")
    values, kept_back = _values(fitted)
    if not values:
        raise NothingToWrite("the logs tell no number of the unit file")
    logs = _logs(fitted)
    tables: dict[str, dict[str, Any]] = {}
    for one in values:
        value, spread, provenance = one.now
        note = f"{today}, fit of {logs}"
        if provenance != "measured":
            note = f"{today}: spread now counted in health"
        elif one.was is not None:
            note += f"; was {one.was[0]:g} ± {one.was[1]:g} ({one.was[2]})"
        tables[one.key] = {
            "value": value, "spread": spread, "provenance": provenance, "note": note,
        }  # fmt: skip
    text = _head(fitted, old_name, today) + _replaced(old_text, tables)
    _check_only(old_text, text, tables)
    return Version(text, values, kept_back)


def write_version(version: Version, old: Path) -> Path:
    """Put a new version beside the old file, which is left alone; return where it is.

    Raises ``FileExistsError`` when somebody was quicker, ``ValueError`` when the result is not a
    sound unit file (then nothing is left behind).
    """
    path = next_path(old)
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(version.text)
    faults = check_file(path)
    if faults:
        path.unlink()
        raise ValueError("; ".join(f"{fault.key}: {fault.found}" for fault in faults))
    return path


# --- what to write ---------------------------------------------------------------------------


def _values(fitted: Fitted) -> tuple[tuple[Written, ...], tuple[str, ...]]:
    found, unit = fitted.estimate, fitted.unit
    constants = found.model.constants
    n = len(constants)
    told = [
        i for i, one in enumerate(fitted.numbers) if one.state == "told" and one.constant.in_file
    ]
    kept_back = [
        f"{one.title}: the unit file has no place for it; the planner takes its own, and the "
        "other values were fitted to go with that"
        for one in fitted.told
        if not one.constant.in_file
    ]
    if not told:
        return (), tuple(kept_back)
    scores = _moved(found.scores[:n], found.covariance[:n, :n], told, _as_planned(fitted))
    spreads = _wide_enough(fitted, told)
    out: list[Written] = []
    for place in told:
        one = constants[place]
        mean, spread = one.mean_and_spread(scores[place], spreads[place])
        if one.key == USABLE_KEY:
            rows = _health(unit, mean, spread)
            if rows:
                out += rows
            else:
                kept_back.append(
                    "energy of the battery: more than the unit file allows; check energy_wh and "
                    "usable_fraction"
                )
            continue
        q = quantity_of(unit, one.key)
        out.append(
            Written(
                one.key, one.title, one.unit, (q.value, q.spread, q.provenance),
                (_short(mean), _short(spread), "measured"),
            )
        )  # fmt: skip
    return tuple(out), tuple(kept_back)


def _as_planned(fitted: Fitted) -> Floats:
    """Scores at which the numbers stand that are not written."""
    return np.array(
        [0.0 if one.in_file else 0.5 * one.width for one in fitted.estimate.model.constants]
    )


def _moved(scores: Floats, cov: Floats, told: Sequence[int], planned: Floats) -> Floats:
    """Most likely scores of the told numbers, the others standing where the file has them."""
    rest = [i for i in range(scores.size) if i not in set(told)]
    out = planned.copy()
    if rest:
        shift = np.linalg.solve(cov[np.ix_(rest, rest)], planned[rest] - scores[rest])
        out[told] = scores[told] + cov[np.ix_(told, rest)] @ shift
    else:
        out[told] = scores[told]
    return out


def _wide_enough(fitted: Fitted, told: Sequence[int]) -> Floats:
    """Deviations to write, so that no figure of a plan looks better known than it is.

    What is not in the file has no spread in a plan at all: what it leaves unsure has to be carried
    by what is.
    """
    found = fitted.estimate
    constants = found.model.constants
    n = len(constants)
    deviation = np.array([found.deviation(i) for i in range(n)])
    drawn = np.where([one.in_file for one in constants], deviation, 0.0)
    untold = [i for i in range(n) if i not in set(told) and constants[i].in_file]
    drawn[untold] = 1.0
    for matter in fitted.matters:
        lacking = matter.spread**2 - float((matter.slope * drawn) @ (matter.slope * drawn))
        if lacking <= 0.0:
            continue
        power = next((i for i in told if constants[i].key == USABLE_KEY), None)
        if matter.key == "battery" and power is not None:
            drawn[power] = np.hypot(drawn[power], np.sqrt(lacking) / abs(matter.slope[power]))
            continue
        share = float((matter.slope[told] * drawn[told]) @ (matter.slope[told] * drawn[told]))
        if share > 0.0:
            drawn[told] *= np.sqrt(1.0 + lacking / share)
    return np.asarray(drawn)


def _health(unit: Unit, usable_wh: float, spread_wh: float) -> list[Written]:
    """Health that gives this usable energy; the spreads of what it stands on go into its own."""
    battery = unit.battery
    paper = battery.energy_wh.value * battery.packs * battery.usable_fraction.value
    health, spread = usable_wh / paper, spread_wh / paper
    if health > MOST_HEALTH or spread > health:
        return []
    was = battery.health
    out = [
        Written(
            USABLE_KEY, "battery health (last run-down)", "",
            None if was is None else (was.value, was.spread, was.provenance),
            (_short(health), _short(spread), "measured"),
        )
    ]  # fmt: skip
    for key, title, label in (
        ("battery.energy_wh", "battery energy when new", "Wh"),
        ("battery.usable_fraction", "usable share of the battery", ""),
    ):
        q = quantity_of(unit, key)
        if q.spread > 0.0:
            before = (q.value, q.spread, q.provenance)
            out.append(Written(key, title, label, before, (q.value, 0.0, q.provenance)))
    return out


def _short(value: float) -> float:
    return float(f"{value:.4g}")


# --- how to write it -------------------------------------------------------------------------


def _logs(fitted: Fitted) -> str:
    marks = [f"{log.start_utc:%Y-%m-%d} {log.fingerprint[:8] or 'no file'}" for log in fitted.logs]
    shown = ", ".join(marks[:MOST_NAMED])
    more = len(marks) - MOST_NAMED
    return f"{shown} and {more} more" if more > 0 else shown


def _head(fitted: Fitted, old_name: str, today: str) -> str:
    lines = [
        f"# A version of {_plain(old_name)}, made by warmhold characterise on {today}.",
        "# Values marked measured come from these logs; everything else stands as it was.",
    ]
    lines += [
        f"#   {log.start_utc:%Y-%m-%d %H:%M} UTC  {_plain(log.name)}  SHA-256 "
        f"{log.fingerprint or 'unknown'}"
        for log in fitted.logs
    ]
    return "\n".join(lines) + "\n#\n"


def _plain(text: str) -> str:
    return "".join(char for char in text if char.isprintable())[:200]


def _replaced(text: str, tables: Mapping[str, Mapping[str, Any]]) -> str:
    """Write inline tables over the old ones, line by line, comments kept."""
    lines = text.splitlines()
    left = dict(tables)
    group = ""
    out = []
    for line in lines:
        header = re.match(r"\s*\[([A-Za-z_]+)\]", line)
        if header:
            group = header[1]
        found = re.match(r"\s*([A-Za-z_0-9]+)\s*=\s*\{", line)
        key = f"{group}.{found[1]}" if found else ""
        if found and key in left:
            end = _closing(line, found.end())
            table = left.pop(key)
            line = f"{found[1]} = {_inline(table)}{line[end:]}"  # noqa: PLW2901
        out.append(line)
    for key, table in left.items():
        group, name = key.split(".")
        at = next(i for i, line in enumerate(out) if re.match(rf"\s*\[{group}\]", line))
        out.insert(at + 1, f"{name} = {_inline(table)}")
    return "\n".join(out) + "\n"


def _closing(line: str, start: int) -> int:
    """Place after the brace that closes an inline table, strings skipped."""
    quote = ""
    place = start
    while place < len(line):
        char = line[place]
        if quote:
            if char == "\\" and quote == '"':
                place += 1
            elif char == quote:
                quote = ""
        elif char in "\"'":
            quote = char
        elif char == "}":
            return place + 1
        place += 1
    raise ValueError("a table of the unit file does not close on its own line")


def _inline(table: Mapping[str, Any]) -> str:
    parts = [f"value = {table['value']:.10g}", f"spread = {table['spread']:.10g}"]
    parts.append(f'provenance = "{table["provenance"]}"')
    parts.append(f'note = "{table["note"]}"')
    return "{ " + ", ".join(parts) + " }"


def _check_only(old: str, new: str, tables: Mapping[str, Mapping[str, Any]]) -> None:
    """Make sure that nothing but the given tables has changed."""
    before, after = tomllib.loads(old), tomllib.loads(new)
    for key, table in tables.items():
        group, name = key.split(".")
        if after[group].get(name) != dict(table):
            raise ValueError(f"{key} could not be written into the unit file")
        before.setdefault(group, {})[name] = dict(table)
    if before != after:
        raise ValueError("the unit file could not be written without changing something else")
