"""The sheet's plots as SVG to put inside the page.

Drawn with figure objects alone, without pyplot. Colours are stand-ins that become CSS variables
in the SVG text, so that one drawing serves dark, light and print. Curves are told apart by line
style and by a label at their end. The output is the same text for the same sheet.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath
from matplotlib.ticker import MaxNLocator

from warmhold.plan.sheet import LegSpan, Plot, Series
from warmhold.report.plain import without_controls

# Stand-in colour in the drawing -> CSS variable in the page.
INK = "#010101"
SOFT = "#020202"
GRID = "#030303"
LEG = "#040404"
TARGET = "#050505"
CURVES = ("#060601", "#060602", "#060603", "#060604")
_VARIABLES = {
    INK: "--ink",
    SOFT: "--soft",
    GRID: "--line",
    LEG: "--leg",
    TARGET: "--target",
    CURVES[0]: "--curve-1",
    CURVES[1]: "--curve-2",
    CURVES[2]: "--curve-3",
    CURVES[3]: "--curve-4",
}
_STYLES = ("solid", (0, (6, 2.2)), (0, (1.2, 1.8)), (0, (7, 2, 1.2, 2)))

WIDTH_IN = 8.2
LEFT, RIGHT = 0.075, 0.79  # the axes, as shares of the width
BELOW_IN, PANEL_IN, _GAP_IN = 0.48, 2.6, 0.28  # height of the foot, of a panel, between panels
_HEAD_IN, _ROW_IN = 0.24, 0.15  # height of the legs' names, and of each further row of them
FONT_PT = 9.5
SMALL_PT = 8.5
_STORES = frozenset({"battery", "minutes", "cylinders"})
_ROWS = 3  # rows for the legs' numbers when they stand too close

# rcParams belong to the whole process; they are only changed while one plot is written.
_DRAWING = Lock()


def svg(plot: Plot, legs: Sequence[LegSpan]) -> str:
    """Draw one plot as an ``<svg>`` element, without XML head.

    Parameters
    ----------
    plot : what to draw; times in minutes from the baby going in [min]
    legs : the stretches to shade and name behind the curves [min]
    """
    with _DRAWING, mpl.rc_context(_settings(plot.key)), warnings.catch_warnings():
        # a name in a script that the measuring font lacks: the page's font draws it
        warnings.filterwarnings("ignore", message="Glyph")
        panels = _panels(plot)
        names = _leg_names(legs, _time_span(plot, legs))
        head = _HEAD_IN + _ROW_IN * max((name.row for name in names), default=0)
        height = BELOW_IN + PANEL_IN * len(panels) + _GAP_IN * (len(panels) - 1) + head
        figure = Figure(figsize=(WIDTH_IN, height), facecolor="none")
        FigureCanvasSVG(figure)
        for i, panel in enumerate(panels):
            foot = height - head - PANEL_IN * (i + 1) - _GAP_IN * i
            axes = figure.add_axes(
                (LEFT, foot / height, RIGHT - LEFT, PANEL_IN / height), facecolor="none"
            )
            _draw(axes, panel, legs)
            if i == 0:
                _name_legs(axes, names)
            if i == len(panels) - 1:
                axes.set_xlabel("minutes from the baby going in", color=INK, fontsize=FONT_PT)
            else:
                axes.tick_params(labelbottom=False)
        return _written(figure, plot.key, height)


@dataclass(frozen=True)
class _LegName:
    text: str  # "3  road over the pass", or the number alone when the name does not fit
    at_min: float
    row: int  # 0: on the axes; higher where numbers would touch


def _leg_names(legs: Sequence[LegSpan], span: tuple[float, float]) -> list[_LegName]:
    """Place the legs' names above the axes: a leg too short for its name bears its number."""
    per_min = (RIGHT - LEFT) * WIDTH_IN * 72 / (span[1] - span[0])
    taken = [-math.inf] * _ROWS  # right edge of the last label in each row
    out = []
    for i, leg in enumerate(legs, start=1):
        middle = (leg.start_min + leg.end_min) / 2
        text = f"{i}  {without_controls(leg.name)}"
        if width_pt(text, SMALL_PT) + 8 > (leg.end_min - leg.start_min) * per_min:
            text = f"{i}"
        half = (width_pt(text, SMALL_PT) / 2 + 3) / per_min
        row = next((r for r in range(_ROWS) if taken[r] <= middle - half), _ROWS - 1)
        taken[row] = middle + half
        out.append(_LegName(text, middle, row))
    return out


def _panels(plot: Plot) -> tuple[_Panel, ...]:
    """Split off the curves far from the target, so that the target's own curves stay readable."""
    near = plot.series
    if plot.target is not None:
        low, high = plot.target
        reach = high - low
        near = tuple(s for s in plot.series if _touches(s, low - reach, high + reach))
    far = tuple(s for s in plot.series if s not in near)
    order = {id(s): i for i, s in enumerate(plot.series)}
    panels = [_Panel(plot, near, tuple(order[id(s)] for s in near), plot.target)]
    if far:
        panels.append(_Panel(plot, far, tuple(order[id(s)] for s in far), None))
    return tuple(panels)


def _touches(series: Series, low: float, high: float) -> bool:
    """Say whether the middle curve lies mostly within a range; an unknown curve does."""
    values = [v for v in series.p50 if math.isfinite(v)]
    return 2 * sum(low <= v <= high for v in values) >= len(values)


@dataclass(frozen=True)
class _Panel:
    plot: Plot
    series: tuple[Series, ...]
    styles: tuple[int, ...]  # place in the plot, for colour and line style
    target: tuple[float, float] | None


def _settings(key: str) -> Any:
    return {
        "svg.fonttype": "none",
        "svg.hashsalt": f"warmhold {key}",
        "font.family": "DejaVu Sans",
        "font.size": FONT_PT,
        "path.simplify": True,
        "axes.unicode_minus": True,
        "text.parse_math": False,
        "hatch.linewidth": 0.6,
    }


def _draw(axes: Axes, panel: _Panel, legs: Sequence[LegSpan]) -> None:
    start, end = _time_span(panel.plot, legs)
    axes.set_xlim(start, end)
    axes.set_ylim(*_value_span(panel))
    frame(axes, panel.plot.unit)
    _shade_legs(axes, legs)
    ends: list[Label] = []
    if panel.target is not None:
        bottom, top = panel.target
        axes.axhspan(
            bottom, top, facecolor="none", edgecolor=TARGET, hatch="////", linewidth=0, alpha=0.6
        )
        for edge in panel.target:
            axes.axhline(edge, color=TARGET, linewidth=0.9)
        ends.append(
            Label(f"target {bottom:g} to {top:g}", (bottom + top) / 2, TARGET, is_curve=False)
        )
    for series, index in zip(panel.series, panel.styles, strict=True):
        ends.append(_curve(axes, panel.plot.time_min, series, index))
    label_ends(axes, ends, end)


@dataclass
class Label:
    """What is written at the right end of a curve or level.

    value : where it points, in the unit of the plot
    """

    text: str
    value: float
    colour: str
    is_curve: bool = True


def _time_span(plot: Plot, legs: Sequence[LegSpan]) -> tuple[float, float]:
    moments = [t for t in plot.time_min if math.isfinite(t)]
    moments += [leg.start_min for leg in legs] + [leg.end_min for leg in legs]
    if not moments:
        return 0.0, 1.0
    start, end = min(moments), max(moments)
    return (start, end) if end > start else (start, start + 1.0)


def _value_span(panel: _Panel) -> tuple[float, float]:
    values = [v for s in panel.series for row in (s.p05, s.p50, s.p95) for v in row]
    values = [v for v in values if math.isfinite(v)]
    if panel.target is not None:
        values += list(panel.target)
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    pad = 0.06 * (high - low) or 0.5
    # what runs out is drawn down to zero, so that the distance to empty is seen
    floor = 0.0 if low >= 0 and (panel.plot.key in _STORES or low < 0.25 * high) else low - pad
    return floor, high + pad


def frame(axes: Axes, unit: str) -> None:
    """Draw the frame that all plots share, with the unit over the left axis."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=SOFT, labelcolor=INK, labelsize=FONT_PT, length=3)
    axes.grid(axis="y", color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 5, 10]))
    axes.text(-0.025, 1.015, unit, transform=axes.transAxes, ha="right", va="bottom", color=INK)


def _shade_legs(axes: Axes, legs: Sequence[LegSpan]) -> None:
    for i, leg in enumerate(legs, start=1):
        if i % 2 == 1:
            axes.axvspan(leg.start_min, leg.end_min, facecolor=LEG, linewidth=0, zorder=0)
        axes.axvline(leg.start_min, color=GRID, linewidth=0.6, zorder=0.5)


def _name_legs(axes: Axes, names: Sequence[_LegName]) -> None:
    for name in names:
        height = 1 + (0.04 + name.row * _ROW_IN) / PANEL_IN
        place = axes.get_xaxis_transform()
        if name.row:
            axes.plot(
                (name.at_min, name.at_min),
                (1.0, height),
                transform=place,
                color=SOFT,
                linewidth=0.6,
                clip_on=False,
            )
        axes.text(
            name.at_min,
            height,
            name.text,
            transform=place,
            ha="center",
            va="bottom",
            fontsize=SMALL_PT,
            color=INK,
        )


def _curve(axes: Axes, times: Sequence[float], series: Series, index: int) -> Label:
    colour = CURVES[index % len(CURVES)]
    style = _STYLES[index % len(_STYLES)]
    title = without_controls(series.title)
    drawn = [v for v in series.p50 if math.isfinite(v)]
    if not drawn:
        low, high = axes.get_ylim()
        return Label(f"{title}: unknown", (low + high) / 2, colour, is_curve=False)
    axes.fill_between(
        times, series.p05, series.p95, facecolor=colour, alpha=0.16, linewidth=0, zorder=2
    )
    for edge in (series.p05, series.p95):
        axes.plot(
            times,
            edge,
            color=colour,
            linewidth=0.6,
            linestyle=style,
            alpha=0.7,
            zorder=2.5,
        )
    axes.plot(times, series.p50, color=colour, linewidth=2.0, linestyle=style, zorder=3)
    return Label(title, drawn[-1], colour)


def label_ends(axes: Axes, labels: list[Label], end_min: float) -> None:
    """Write each curve's name to the right of its end, moved apart where they would touch."""
    low, high = axes.get_ylim()
    height_pt = PANEL_IN * 72
    room_pt = (1 - RIGHT) * WIDTH_IN * 72 - 22
    wrapped = [(label, _wrap(label.text, room_pt)) for label in labels]
    wrapped.sort(key=lambda pair: pair[0].value)
    line_pt = SMALL_PT * 1.25
    sizes = [line_pt * len(lines) + 3 for _, lines in wrapped]
    wishes = [(label.value - low) / (high - low) * height_pt for label, _ in wrapped]
    for (label, lines), at_pt in zip(wrapped, _spread_out(wishes, sizes, height_pt), strict=True):
        share = at_pt / height_pt
        axes.annotate(
            "\n".join(lines),
            xy=(end_min, label.value),
            xycoords="data",
            xytext=(1.028, share),
            textcoords="axes fraction",
            ha="left",
            va="center",
            fontsize=SMALL_PT,
            fontweight="bold" if label.is_curve else "normal",
            linespacing=1.15,
            color=label.colour,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": label.colour,
                "linewidth": 0.8,
                "shrinkA": 1,
                "shrinkB": 0,
            }
            if not label.text.endswith(": unknown")
            else None,
        )


def _spread_out(wishes: Sequence[float], sizes: Sequence[float], room: float) -> list[float]:
    """Move labels apart along a line, in order, as little as needed and inside ``room``."""
    places = list(wishes)
    for _ in range(40):
        for i in range(len(places) - 1):
            overlap = places[i] + (sizes[i] + sizes[i + 1]) / 2 - places[i + 1]
            if overlap > 0:
                places[i] -= overlap / 2
                places[i + 1] += overlap / 2
        for i, size in enumerate(sizes):
            places[i] = min(max(places[i], size / 2), room - size / 2)
    return places


def _wrap(text: str, room_pt: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_pt(longer, SMALL_PT, bold=True) <= room_pt:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines or [""]


def width_pt(text: str, size: float, *, bold: bool = False) -> float:
    """Measure how wide a text of this size is [pt]."""
    font = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    width, _, _ = TextToPath().get_text_width_height_descent(text, font, ismath=False)
    return float(width)


def one_panel(draw: Callable[[Axes], None], key: str, head_in: float) -> str:
    """Draw a plot of one panel as an ``<svg>`` element, without XML head.

    Parameters
    ----------
    draw : draws into the panel
    key : a name for the drawing's own ids, unlike any other on the page
    head_in : room over the panel [inch]
    """
    height = BELOW_IN + PANEL_IN + head_in
    with _DRAWING, mpl.rc_context(_settings(key)), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        figure = Figure(figsize=(WIDTH_IN, height), facecolor="none")
        FigureCanvasSVG(figure)
        place = (LEFT, BELOW_IN / height, RIGHT - LEFT, PANEL_IN / height)
        draw(figure.add_axes(place, facecolor="none"))
        return _written(figure, key, height)


def _written(figure: Figure, key: str, height_in: float) -> str:
    tape = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(tape, format="svg", metadata=nothing)
    return _for_page(tape.getvalue(), key, height_in)


def _for_page(drawing: str, key: str, height_in: float) -> str:
    """Make a drawing fit to stand inside a page: variables for colours, ids of its own."""
    drawing = drawing[drawing.index("<svg") :]
    drawing = re.sub(r"<metadata>.*?</metadata>", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>", "", drawing, flags=re.DOTALL)
    prefix = "plot-" + re.sub(r"[^a-zA-Z0-9_-]", "-", key) + "-"
    drawing = re.sub(r'\bid="', f'id="{prefix}', drawing)
    drawing = re.sub(r"url\(#", f"url(#{prefix}", drawing)
    drawing = re.sub(r'xlink:href="#', f'xlink:href="#{prefix}', drawing)
    for stand_in, variable in _VARIABLES.items():
        drawing = drawing.replace(stand_in, f"var({variable})")
    drawing = re.sub(r"font-family: [^;\"]*;? ?", "", drawing)  # the page's own type
    head = re.compile(r"<svg[^>]*>", flags=re.DOTALL)
    box = f"0 0 {WIDTH_IN * 72:g} {height_in * 72:g}"
    return head.sub(
        f'<svg class="plot-drawing" viewBox="{box}" aria-hidden="true" focusable="false" '
        'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">',
        drawing,
        count=1,
    ).strip()
