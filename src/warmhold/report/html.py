"""The sheet as one stand-alone page: no network, no script, screen and A4 alike."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import jinja2
from markupsafe import Markup

from warmhold.plan.sheet import Band, LegSpan, Plot, Series, Sheet
from warmhold.report import plots, words
from warmhold.report.plain import without_controls

_UNITS = "%|°C|K|L|Wh|W|min|h|kg|g|kPa|bar|m|points|/min|L/min|[+-]\\d\\d:\\d\\d"
NEAR_MIN = 0.5  # a sample further from a leg's edge than this is not that edge's


def page(sheet: Sheet) -> str:
    """Write the sheet as a whole HTML page."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    environment.globals.update(
        w=words,
        state_mark=_state_mark,
        range_mark=_range_mark,
    )
    titles = {margin.key: margin.title for margin in sheet.margins}
    return environment.get_template("sheet.html").render(
        s=sheet,
        css=Markup(_template("sheet.css")),
        margin_title=lambda key: titles.get(key, key),
        figures=[_figure(plot, sheet.legs) for plot in sheet.plots],
    )


@dataclass(frozen=True)
class _Row:
    when: str
    where: str
    cells: tuple[tuple[str, str], ...]  # middle, range


@dataclass(frozen=True)
class _Figure:
    key: str
    title: str
    unit: str
    note: str
    target: str
    columns: tuple[str, ...]
    rows: tuple[_Row, ...]
    drawing: Markup | None
    summary: str


def _template(name: str) -> str:
    return resources.files("warmhold.report").joinpath(name).read_text(encoding="utf-8")


def _finalize(value: object) -> object:
    if value is None:
        return words.UNKNOWN
    if isinstance(value, str) and not isinstance(value, Markup):
        return _kept_together(without_controls(value))
    return value


def _kept_together(text: str) -> str:
    """Keep a number and its unit, and a comparison and its number, on one line."""
    text = re.sub(rf"(?<=\d) (?=(?:{_UNITS})(?![^\W\d_]))", "\u00a0", text)
    return re.sub(r"(?<=[<>×]) (?=\d)|(?<=\d) (?=×)", "\u00a0", text)


def _identifier(key: str) -> str:
    return "".join(char if char.isalnum() else "-" for char in key)


# --- small drawings -----------------------------------------------------------------------------


def _state_mark(state: str) -> Markup:
    """Draw the shape that repeats a state's word; hidden from screen readers, the word is read."""
    shapes = {
        "holds": '<path d="M3 10.5l4.5 4.5L17 5" class="line"/>',
        "falls short": '<path d="M2 4h16L10 18z" class="full"/>',
        "cannot tell": '<circle cx="10" cy="10" r="7.5" class="dotted"/>'
        '<path d="M10 13.4v-1.6c0-1.5 2.2-1.8 2.2-3.6A2.2 2.2 0 0 0 7.8 8M10 15.4v.2"'
        ' class="thin"/>',
    }
    return Markup(f'<svg class="mark" viewBox="0 0 20 20" aria-hidden="true">{shapes[state]}</svg>')


def _range_mark(band: Band | None) -> Markup:
    """Draw a band against zero, on a scale of its own: what is right of the line is to spare."""
    if band is None or not words.known_band(band):
        return Markup("")
    reach = max(abs(band.p05), abs(band.p95), abs(band.p50)) or 1.0
    low, middle, high = (60 + 54 * v / reach for v in (band.p05, band.p50, band.p95))
    return Markup(
        '<svg class="range" viewBox="0 0 120 16" aria-hidden="true">'
        '<rect x="0" y="3" width="60" height="10" class="lacking"/>'
        '<path d="M60 0v16" class="zero"/>'
        f'<path d="M{low:.1f} 8H{high:.1f}" class="bar"/>'
        f'<circle cx="{middle:.1f}" cy="8" r="4.5" class="dot"/></svg>'
    )


# --- plots and the tables beside them -----------------------------------------------------------


def _figure(plot: Plot, legs: Sequence[LegSpan]) -> _Figure:
    known = any(math.isfinite(v) for series in plot.series for v in series.p50)
    target = ""
    if plot.target is not None:
        target = f"{plot.target[0]:g} to {plot.target[1]:g} {plot.unit}"
    return _Figure(
        key=_identifier(plot.key),
        title=plot.title,
        unit=plot.unit,
        note=plot.note,
        target=target,
        columns=tuple(series.title for series in plot.series),
        rows=_rows(plot, legs),
        drawing=Markup(plots.svg(plot, legs)) if known else None,
        summary=_summary(plot),
    )


def _rows(plot: Plot, legs: Sequence[LegSpan]) -> tuple[_Row, ...]:
    """Give the values at the start and at the end of every leg."""
    if not plot.time_min or not plot.series:
        return ()
    moments: list[tuple[float, str]] = []
    for i, leg in enumerate(legs, start=1):
        if i == 1:
            moments.append((leg.start_min, "start"))
        moments.append((leg.end_min, f"end of leg {i}"))
    if not moments:
        moments = [(plot.time_min[0], "start"), (plot.time_min[-1], "end")]
    rows = []
    for minute, name in moments:
        at = _sample_at(plot, minute)
        if at is not None:
            cells = tuple(_cell(series, plot, at) for series in plot.series)
            rows.append(_Row(words.number(minute, 0), name, cells))
    return tuple(rows)


def _sample_at(plot: Plot, minute: float) -> int | None:
    """Find the sample at a leg's edge, of equal ones the earlier leg's end; never one far off."""
    near = [(abs(t - minute), i) for i, t in enumerate(plot.time_min) if math.isfinite(t)]
    away, at = min(near, default=(math.inf, 0))
    return at if away <= NEAR_MIN else None


def _cell(series: Series, plot: Plot, at: int) -> tuple[str, str]:
    """Write one sample of a curve: the middle and the range."""
    if at >= min(len(series.p05), len(series.p50), len(series.p95)):
        return words.UNKNOWN, ""
    band = Band(series.p05[at], series.p50[at], series.p95[at])
    if not words.known_band(band):
        return words.UNKNOWN, ""
    places = words.decimals(plot.unit, band.p05, band.p50, band.p95)
    return words.number(band.p50, places), words.spread(band, plot.unit)


def _summary(plot: Plot) -> str:
    """Say in words what a plot shows: the lowest and highest middle value of each curve."""
    parts = []
    for series in plot.series:
        values = [
            (v, t)
            for v, t in zip(series.p50, plot.time_min, strict=False)
            if math.isfinite(v) and math.isfinite(t)
        ]
        if not values:
            parts.append(f"{series.title}: unknown")
            continue
        (low, low_at), (high, high_at) = min(values), max(values)
        places = words.decimals(plot.unit, low, high)
        parts.append(
            f"{series.title}: lowest {words.with_unit(low, plot.unit, places)} at minute "
            f"{words.number(low_at)}, highest {words.with_unit(high, plot.unit, places)} at minute "
            f"{words.number(high_at)}"
        )
    return "; ".join(parts) + "." if parts else "No curve: unknown."
