"""The plots of a review as SVG, each with a table of the same numbers.

Drawn as the sheet's plots are: one drawing for light, dark and print. A signal is told by its shape
as well as its colour: a triangle points to the side it lies on; filled means beyond a limit, hollow
a pattern inside the limits. What is unknown stands as a question mark at the foot, never as a zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from matplotlib.axes import Axes

from warmhold.report import plots
from warmhold.report.plain import without_controls
from warmhold.review.charts import Chart, Point
from warmhold.review.charts.funnel import Funnel
from warmhold.review.charts.result import LOOK

NONE: Final = "none"
UNKNOWN: Final = "unknown"
_HEAD_IN: Final = 0.56
_LEGEND: Final = 1.155  # height of the legend over the axes, as a share of the panel
_INNER: Final = (0, (5, 2.5))
_CENTRE: Final = (0, (9, 3))
_LEVEL: Final = 1e-9  # limits that differ by less are one level line


@dataclass(frozen=True)
class Table:
    """The numbers of a plot.

    caption : what they are, with the unit
    head : one text for each column
    rows : as many texts each; unknown values are the word "unknown"
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Drawing:
    """A plot with everything that belongs beside it.

    title : what is shown
    svg : an ``<svg>`` element, without XML head, hidden from readers aloud: these have the table
    table : the same numbers
    notes : how centre and limits were made, and what the reader has to know
    """

    title: str
    svg: str
    table: Table
    notes: tuple[str, ...]


def over_time(chart: Chart, key: str) -> Drawing:
    """Draw a chart whose points are in order of time.

    Parameters
    ----------
    chart : any kind but a funnel
    key : a name for the drawing's own ids, unlike any other on the page
    """
    scale, unit = _shown_in(chart.unit)

    points, words, band = chart.points, _WORDS, "{} limit"
    if chart.kind == "expected minus observed":
        # many events pull this sum down: the triangle points the way the line goes
        points = tuple(_other_side(p) for p in points)
        band = "95 % band"
        words = {
            **words,
            "high": "signal: fewer than expected",
            "low": "signal: more than expected",
        }

    def draw(axes: Axes) -> None:
        _series(axes, points, scale, unit, limits=band)
        _legend(axes, points, words)

    return Drawing(
        without_controls(chart.title),
        _svg(draw, key, _nothing(points)),
        _table(chart, scale, unit),
        _notes(chart),
    )


def two_sums(above: Chart, below: Chart, key: str) -> Drawing:
    """Draw two sums of 0 or more in one plot, the second downward from zero.

    Parameters
    ----------
    above, below : of the same points, such as those of a CUSUM
    key : a name for the drawing's own ids, unlike any other on the page

    Raises
    ------
    ValueError : sums of different points.
    """
    if [p.label for p in above.points] != [p.label for p in below.points]:
        raise ValueError("the two sums are of different points")

    def draw(axes: Axes) -> None:
        ends = []
        turned = [_turned(p) for p in below.points]
        _span(axes, [*above.points, *turned], 1.0)
        _frame(axes, above.unit)
        _series(axes, above.points, 1.0)
        _series(axes, turned, 1.0)
        _legend(axes, [*above.points, *turned], _WORDS)
        axes.axhline(0.0, color=plots.SOFT, linewidth=0.9)
        for points, sign in ((above.points, 1.0), (below.points, -1.0)):
            limit = next((p.upper for p in points if p.upper is not None), None)
            if limit is not None:
                axes.axhline(sign * limit, color=plots.INK, linewidth=1.1)
                ends.append(_level(f"limit {limit:.3g}", sign * limit))
        last = len(above.points) - 0.5
        for chart, sign in ((above, 1.0), (below, -1.0)):
            known = [p.value for p in chart.points if p.value is not None]
            if known:
                end = chart.title.rpartition(": ")[2]
                ends.append(plots.Label(end, sign * known[-1], plots.CURVES[0]))
        plots.label_ends(axes, ends, last)

    one, other = _table(above, 1.0, above.unit), _table(below, 1.0, below.unit)
    return Drawing(
        without_controls(above.title.rpartition(": ")[0] or above.title),
        _svg(draw, key, _nothing(above.points)),
        Table(
            one.caption,
            ("", above.title.rpartition(": ")[2], "signal",
             below.title.rpartition(": ")[2], "signal"),
            tuple(
                (a[0], a[1], a[-1], b[1], b[-1])
                for a, b in zip(one.rows, other.rows, strict=True)
            ),
        ),
        tuple(dict.fromkeys((*_notes(above), *_notes(below)))),
    )  # fmt: skip


def funnel(result: Funnel, key: str) -> Drawing:
    """Draw a funnel: share against size, with both pairs of limits.

    Parameters
    ----------
    result : the funnel; units without cases are in the table alone
    key : a name for the drawing's own ids, unlike any other on the page
    """
    chart = result.chart
    scale, unit = _shown_in(chart.unit)
    known = [p for p in chart.points if p.value is not None]

    def draw(axes: Axes) -> None:
        target = result.target
        assert target is not None
        sizes = [c[0] for c in result.curves]
        start, end = min(sizes) - 0.02 * max(sizes), max(sizes)
        axes.set_xlim(start, end)
        inside = [c for c in result.curves if c[0] >= min(p.size or 0.0 for p in known)]
        low = min([c[3] for c in inside] + [p.value for p in known if p.value is not None])
        high = max([c[4] for c in inside] + [p.value for p in known if p.value is not None])
        pad = 0.06 * (high - low) or 0.05
        axes.set_ylim(max(-0.03, low - pad) * scale, min(1.03, high + pad) * scale)
        _frame(axes, unit)
        held = "target" if "given target" in chart.method else "all units"
        ends = [_level(f"{held} {target * scale:.3g}", target * scale)]
        axes.axhline(target * scale, color=plots.TARGET, linewidth=1.2, linestyle=_CENTRE)
        for place, style, width in ((1, _INNER, 0.9), (2, _INNER, 0.9), (3, "solid", 1.2),
                                    (4, "solid", 1.2)):  # fmt: skip
            line = [c[place] * scale for c in result.curves]
            axes.plot(sizes, line, color=plots.SOFT, linewidth=width, linestyle=style, zorder=2)
            ends.append(_level("95 %" if place < 3 else "99.8 %", line[-1]))
        _marks(axes, [float(p.size or 0.0) for p in known], known, scale)
        _names(axes, known, scale, target * scale)
        plots.label_ends(axes, ends, end)
        _legend(axes, known, _WORDS)

    table = _table(chart, scale, unit)
    return Drawing(
        without_controls(chart.title),
        _svg(draw, key, "" if known else "no unit could be judged", "cases that could be judged"),
        table,
        _notes(chart),
    )


def _svg(draw: Callable[[Axes], None], key: str, nothing: str, foot: str = "") -> str:
    def drawn(axes: Axes) -> None:
        if nothing:
            axes.set_axis_off()
            axes.text(0.5, 0.5, nothing, transform=axes.transAxes, ha="center", color=plots.INK)
            return
        draw(axes)
        if foot:
            axes.set_xlabel(foot, color=plots.INK, fontsize=plots.FONT_PT)

    return plots.one_panel(drawn, key, _HEAD_IN)


def _series(
    axes: Axes, points: Sequence[Point], scale: float, unit: str = "", *, limits: str = ""
) -> None:
    """Draw points in order of time, and their limits where there is a name for these."""
    n = len(points)
    axes.set_xlim(-0.5, n - 0.5)
    if limits:
        _span(axes, points, scale)
        _frame(axes, unit)
    _ticks(axes, [p.label for p in points])
    if limits:
        ends = []
        decimals = _decimals(points, scale)
        for name, words, style in (
            ("centre", "centre", _CENTRE),
            ("upper", limits, "solid"),
            ("lower", limits, "solid"),
        ):
            line = [_scaled(getattr(p, name), scale) for p in points]
            told = [v for v in line if not math.isnan(v)]
            if not told:
                continue
            colour = plots.TARGET if name == "centre" else plots.SOFT
            level = max(told) - min(told) <= _LEVEL * max(1.0, abs(max(told)))
            if level:
                axes.axhline(told[0], color=colour, linewidth=1.1, linestyle=style)
            else:
                edges = [i - 0.5 for i in range(n + 1)]
                axes.step(
                    edges, [*line, line[-1]], where="post", color=colour, linewidth=1.1,
                    linestyle=style,
                )  # fmt: skip
            at = told[-1]
            last = "" if level else ", last"
            title = words if name == "centre" else words.format(name)
            ends.append(_level(f"{title}{last} {_number(at, decimals)}", at))
        plots.label_ends(axes, ends, n - 0.5)
    values = [_scaled(p.value, scale) for p in points]
    axes.plot(range(n), values, color=plots.CURVES[0], linewidth=1.0, alpha=0.75, zorder=3)
    _marks(axes, [float(i) for i in range(n)], points, scale)
    for i, point in enumerate(points):
        if point.value is None:
            axes.text(
                i, 0.015, "?", transform=axes.get_xaxis_transform(), ha="center", va="bottom",
                color=plots.INK, fontsize=plots.FONT_PT, fontweight="bold",
            )  # fmt: skip


# marker, filled, colour, size; in the order of the legend
_SHAPES: Final = {
    "plain": ("o", True, plots.CURVES[0], 4.2),
    "high": ("^", True, plots.CURVES[1], 9.0),
    "low": ("v", True, plots.CURVES[1], 9.0),
    "high pattern": ("^", False, plots.CURVES[1], 8.0),
    "low pattern": ("v", False, plots.CURVES[1], 8.0),
    "running": ("D", False, plots.CURVES[0], 6.0),
    "unknown": ("", True, plots.INK, 6.0),
}
_WORDS: Final = {
    "plain": "no signal",
    "high": "signal: beyond the upper limit",
    "low": "signal: beyond the lower limit",
    "high pattern": "signal: pattern, high",
    "low pattern": "signal: pattern, low",
    "running": "still running",
    "unknown": "unknown",
}


def _shape(point: Point) -> str:
    if point.value is None:
        return "unknown"
    if point.signals:
        side = point.side or "high"
        beyond = any(signal.rule == "outside" for signal in point.signals)
        return side if beyond else f"{side} pattern"
    return "running" if point.note.startswith("still running") else "plain"


def _marks(axes: Axes, places: Sequence[float], points: Sequence[Point], scale: float) -> None:
    size = 1.0 if len(points) <= 40 else max(0.45, 40 / len(points))
    for place, point in zip(places, points, strict=True):
        if point.value is not None:
            _mark(axes, place, point.value * scale, _shape(point), size)


def _mark(
    axes: Axes, x: float, y: float, shape: str, size: float = 1.0, *, of_axes: bool = False
) -> None:
    marker, filled, colour, points = _SHAPES[shape]
    axes.plot(
        [x],
        [y],
        marker=marker,
        markersize=points * size,
        color=colour,
        linestyle="none",
        markerfacecolor=colour if filled else "none",
        markeredgewidth=0.8 if filled else 1.6,
        zorder=4,
        clip_on=False,
        transform=axes.transAxes if of_axes else axes.transData,
    )


def _legend(axes: Axes, points: Sequence[Point], words: Mapping[str, str]) -> None:
    """Say above the axes what the shapes mean, those alone that are there."""
    there = {_shape(p) for p in points}
    at = 0.01
    width_pt = (plots.RIGHT - plots.LEFT) * plots.WIDTH_IN * 72
    for shape in _SHAPES:
        if shape not in there:
            continue
        if shape == "unknown":
            axes.text(
                at, _LEGEND, "?", transform=axes.transAxes, ha="center", va="center",
                color=plots.INK, fontsize=plots.FONT_PT, fontweight="bold",
            )  # fmt: skip
        else:
            _mark(axes, at, _LEGEND, shape, of_axes=True)
        axes.text(
            at + 0.016, _LEGEND, words[shape], transform=axes.transAxes, va="center",
            color=plots.INK, fontsize=plots.SMALL_PT,
        )  # fmt: skip
        at += 0.055 + plots.width_pt(words[shape], plots.SMALL_PT) / width_pt


def _names(axes: Axes, points: Sequence[Point], scale: float, target: float) -> None:
    """Name the units beside their points where there is room; those with a signal always."""
    width, height = (plots.RIGHT - plots.LEFT) * plots.WIDTH_IN * 72, plots.PANEL_IN * 72
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()

    def place(x: float, y: float) -> tuple[float, float]:
        return (x - left) / (right - left) * width, (y - low) / (high - low) * height

    at = [(p, *place(float(p.size or 0.0), (p.value or 0.0) * scale)) for p in points]
    taken = [(x - 4, y - 4, x + 4, y + 4) for _, x, y in at]
    level = place(left, target)[1]
    taken.append((0.0, level - 1, width, level + 1))
    for point, x, y in sorted(at, key=lambda row: not row[0].signal):
        text = without_controls(point.label)
        wide, tall = plots.width_pt(text, plots.SMALL_PT, bold=point.signal), plots.SMALL_PT
        tries = [
            (x + dx, y + dy)
            for dx in (6.0, -wide - 6.0, -wide / 2)
            for dy in (2.0, -tall - 2.0, 6.0, -tall - 6.0)
        ]
        free = [
            (a, b)
            for a, b in tries
            if 0.0 <= a <= width - wide
            and 0.0 <= b <= height - tall
            and not any(
                a < t[2] and t[0] < a + wide and b < t[3] and t[1] < b + tall for t in taken
            )
        ]
        if not free and not point.signal:
            continue
        a, b = free[0] if free else tries[0]
        taken.append((a, b, a + wide, b + tall))
        axes.annotate(
            text,
            (float(point.size or 0.0), (point.value or 0.0) * scale),
            xytext=(a - x, b - y),
            textcoords="offset points",
            fontsize=plots.SMALL_PT,
            color=plots.INK,
            fontweight="bold" if point.signal else "normal",
        )


def _frame(axes: Axes, unit: str) -> None:
    """Frame of the sheet's plots, with room for a long unit."""
    plots.frame(axes, "")
    axes.text(-0.09, 1.03, unit, transform=axes.transAxes, ha="left", va="bottom", color=plots.INK)


def _nothing(points: Sequence[Point]) -> str:
    return "" if any(p.value is not None for p in points) else "no value is known"


def _other_side(point: Point) -> Point:
    signals = tuple(
        replace(signal, side="low" if signal.side == "high" else "high") for signal in point.signals
    )
    return replace(point, signals=signals)


def _ticks(axes: Axes, labels: Sequence[str]) -> None:
    shown = [without_controls(text) for text in labels]
    width = max((plots.width_pt(text, plots.FONT_PT) for text in shown), default=1.0) + 14
    room = (plots.RIGHT - plots.LEFT) * plots.WIDTH_IN * 72
    step = max(1, math.ceil(len(shown) * width / room))
    axes.set_xticks(range(0, len(shown), step), shown[::step])


def _span(axes: Axes, points: Sequence[Point], scale: float) -> None:
    values = [
        v * scale for p in points for v in (p.value, p.lower, p.upper, p.centre) if v is not None
    ]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    pad = 0.08 * (high - low) or 0.5
    # room at the foot for question marks
    foot = 2 * pad if any(p.value is None for p in points) else pad
    axes.set_ylim(low - foot, high + pad)


def _turned(point: Point) -> Point:
    """The point of a sum that is drawn downward."""
    value = None if point.value is None else -point.value
    limit = None if point.upper is None else -point.upper
    signals = tuple(replace(signal, side="low") for signal in point.signals)
    return Point(point.label, value, 0.0, limit, None, signals=signals, note=point.note)


def _level(text: str, value: float) -> plots.Label:
    return plots.Label(text, value, plots.INK, is_curve=False)


def _scaled(value: float | None, scale: float) -> float:
    return math.nan if value is None else value * scale


def _shown_in(unit: str) -> tuple[float, str]:
    return (100.0, "%") if unit == "share" else (1.0, without_controls(unit))


def _notes(chart: Chart) -> tuple[str, ...]:
    few = (chart.too_few,) if chart.too_few else ()
    notes = (note for note in chart.notes if note != LOOK)  # once on the page, not once a chart
    return (*few, f"Limits: {chart.method}.", *notes)


def _number(value: float, decimals: int) -> str:
    """A number for the reader; what is not zero is not told as zero."""
    text = f"{value:.{decimals}f}"
    if value != 0.0 and float(text) == 0.0:
        text = f"{value:.1g}"
    elif float(text) == 0.0:
        text = text.removeprefix("-")
    return text.replace("-", "\N{MINUS SIGN}") if "e" not in text else text


def _decimals(points: Sequence[Point], scale: float) -> int:
    """Decimals that tell a hundredth of what the plot spans."""
    values = [
        v * scale for p in points for v in (p.value, p.lower, p.upper, p.centre) if v is not None
    ]
    spread = max(values) - min(values) if values else 0.0
    return min(6, max(0, 2 - math.floor(math.log10(spread)))) if spread > 0.0 else 1


def _table(chart: Chart, scale: float, unit: str) -> Table:
    decimals = _decimals(chart.points, scale)

    def told(value: float | None, otherwise: str = NONE) -> str:
        return otherwise if value is None else _number(value * scale, decimals)

    sized = any(p.size is not None for p in chart.points)
    inner = chart.kind == "funnel"
    head = ["", "value", "centre", "lower limit", "upper limit"]
    if inner:
        head[3:] = ["lower 99.8 %", "lower 95 %", "upper 95 %", "upper 99.8 %"]
    if sized:
        head.insert(1, "cases" if chart.kind in {"p", "funnel"} else "exposure")
    rows = []
    for p in chart.points:
        row = [without_controls(p.label), told(p.value, UNKNOWN), told(p.centre), told(p.lower)]
        if inner:
            row += [told(p.near_lower), told(p.near_upper)]
        row.append(told(p.upper))
        if sized:
            row.insert(1, UNKNOWN if p.size is None else f"{p.size:g}")
        row.append("; ".join(text for text in (p.why, p.note) if text and text != UNKNOWN))
        rows.append(tuple(row))
    caption = without_controls(f"{chart.title}, {unit}")
    return Table(caption, (*head, "signal"), tuple(rows))
