"""A comparison of past trips with a change, as text, as plain data and as a page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from importlib import metadata
from typing import Any, Final

import jinja2
from markupsafe import Markup

from warmhold.report import html, words
from warmhold.review.counterfactual import Estimate, Pooled, TripResult, WhatIf

SHARES: Final = ("in range", "too cold", "too warm")
MOST_SENTENCES: Final = 8  # of one kind; the rest is counted
CLAIM: Final = "what the model says, not what would have happened"


def text(found: WhatIf) -> str:
    """Write a comparison for a terminal."""
    return "\n".join(_lines(found)) + "\n"


def _lines(found: WhatIf) -> Iterator[str]:
    yield found.title
    yield f"With {found.change}: {CLAIM}."
    yield counted(found)
    for title, told in reasons(found):
        yield ""
        yield f"{title}:"
        yield from (f"  {number:>6}  {what}" for what, number in told)
    yield ""
    yield fit(found)
    for group in found.groups:
        yield ""
        yield f"{words.capital(group.title)}: {group.trips}"
        yield f"  temperature at the handover  {warmer(group)}"
        for number, name in enumerate(SHARES):
            yield (
                f"  arriving {name:<10}          {share(group.before[number])} as it was, "
                f"{share(group.after[number])} with the change; {points(group.more[number])}"
            )
    yield ""
    yield BANDS
    yield "What this rests on:"
    yield from (f"  {line}" for line in found.rests_on)
    yield "Cautions:"
    yield from (f"  {line}" for line in found.cautions)


BANDS: Final = (
    "In brackets the 5 to 95 % band over what the model does not know and over which trips there "
    "were; arriving in range is 36.5 to 37.5 °C."
)


def counted(found: WhatIf) -> str:
    """Say how many trips there were and what became of them."""
    parts = [f"{len(found.trips)} trips, {found.count('run')} run twice with the same draws"]
    for state in ("unknown", "outside the model's range", "cooled on purpose"):
        number = found.count(state)
        if number:
            word = "not run, something unknown" if state == "unknown" else state
            parts.append(f"{number} {word}")
    touched = sum(one.touched for one in found.trips)
    said = (
        f"The change touches {touched}"
        if touched
        else "The change touches none: all stay as they were"
    )
    return "; ".join(parts) + f". {said}; {found.members} members each."


def reasons(found: WhatIf) -> list[tuple[str, list[tuple[str, int]]]]:
    """List what was not run and what to believe less, each kind with its sentences."""
    out = []
    for title, told in (
        ("Not run, for it is not known", found.lacking),
        ("Not run, outside what the model was made for", found.outside),
        ("Run, but believe less", found.care),
    ):
        if told:
            shown = [(what.removeprefix("unknown: "), n) for what, n in told[:MOST_SENTENCES]]
            rest = sum(n for _, n in told[MOST_SENTENCES:])
            out.append((title, [*shown, *([("others", rest)] if rest else [])]))
    return out


def fit(found: WhatIf) -> str:
    """Say how the model of the trips as they were compares with what was read."""
    made_up = " Invented temperatures do not come from this model." if found.invented else ""
    if not found.came or found.off_k is None:
        return (
            "No trip has a temperature at the handover to hold the model against: "
            "how far to believe it here is unknown."
        )
    way = "warmer" if found.off_k >= 0.0 else "colder"
    return (
        f"As it was, the model's 5 to 95 % band held the temperature that was read in "
        f"{found.held} of {found.came} trips (nine in ten would be honest); the middle one was "
        f"read {words.number(abs(found.off_k), 2)} K {way} than the model.{made_up}"
    )


def warmer(group: Pooled) -> str:
    """Write the mean difference with its band."""
    return _signed(group.difference_k, 1.0, 2, "K")


def points(one: Estimate) -> str:
    """Write a difference of shares in percentage points."""
    return _signed(one, 100.0, 1, "points")


def share(one: Estimate) -> str:
    """Write a share with its band."""
    return f"{words.number(100.0 * one.value, 1)} %{_band(one, 100.0, 1)}"


def _signed(one: Estimate, scale: float, places: int, unit: str) -> str:
    value = scale * one.value
    sign = "+" if round(value, places) > 0.0 else ""
    return f"{sign}{words.number(value, places)} {unit}{_band(one, scale, places)}"


def _band(one: Estimate, scale: float, places: int) -> str:
    if one.band is None:
        return " (too few trips for a band)"
    low, high = (words.number(scale * end, places) for end in (one.band.p05, one.band.p95))
    return f" ({low} to {high})"


def plain(found: WhatIf) -> dict[str, Any]:
    """Return a comparison as plain data for JSON, each trip included."""
    return {"format": 1, "what": "what if", "claim": CLAIM, "whatif": _finite(asdict(found))}


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def page(found: WhatIf) -> str:
    """Write a comparison as a whole HTML page that needs nothing else."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(html._template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=html._finalize,
    )
    environment.globals.update(
        w=words, counted=counted, reasons=reasons, fit=fit, warmer=warmer, points=points,
        share=share,
    )  # fmt: skip
    try:
        version = metadata.version("warmhold")
    except metadata.PackageNotFoundError:
        version = "unknown"
    few = found.trips if len(found.trips) <= MOST_TRIPS else ()
    return environment.get_template("whatif.html").render(
        r=found,
        css=Markup(html._template("sheet.css") + html._template("review.css")),
        claim=CLAIM,
        bands=BANDS,
        shares=SHARES,
        trips=[(one, _degrees(one)) for one in few],
        most=MOST_TRIPS,
        version=version,
    )


MOST_TRIPS: Final = 500  # that the page lists one by one; JSON lists all of them


def _degrees(one: TripResult) -> tuple[str, str, str]:
    if one.before is None or one.after is None or one.difference_k is None:
        return "", "", one.state
    shown = [
        f"{words.number(band.p50, 2)} ({words.number(band.p05, 2)} to {words.number(band.p95, 2)})"
        for band in (one.before, one.after, one.difference_k)
    ]
    return shown[0], shown[1], shown[2] if one.touched else "not touched"
