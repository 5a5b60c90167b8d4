"""The plots of bench tests as SVG, drawn as the sheet's are: one drawing for screen and print."""

from __future__ import annotations

from matplotlib.axes import Axes

from warmhold.bench.trials import Trace
from warmhold.report import plots
from warmhold.report.plain import without_controls

# five points need five styles; the fifth repeats a colour, never a style
_STYLES = ("solid", (0, (6, 2.2)), (0, (1.2, 1.8)), (0, (7, 2, 1.2, 2)), (0, (3, 1, 1, 1, 1, 1)))
_HEAD_IN = 0.3


def svg(trace: Trace, key: str) -> str:
    """Draw one trace as an ``<svg>`` element, without XML head.

    Parameters
    ----------
    trace : what to draw; times in minutes from the first reading [min]
    key : a name for the drawing's own ids, unlike any other on the page
    """

    def draw(axes: Axes) -> None:
        _draw(axes, trace)
        axes.set_xlabel(
            "minutes from the first reading of the log", color=plots.INK, fontsize=plots.FONT_PT
        )

    return plots.one_panel(draw, key, _HEAD_IN)


def _draw(axes: Axes, trace: Trace) -> None:
    minutes = [m for line in trace.lines for m in line.minutes]
    values = [v for line in trace.lines for v in line.values]
    values += [level.value for level in trace.levels]
    start, end = min(minutes), max(minutes)
    end = end if end > start else start + 1.0
    low, high = min(values), max(values)
    pad = 0.08 * (high - low) or 0.5
    axes.set_xlim(start, end)
    axes.set_ylim(low - pad, high + pad)
    plots.frame(axes, trace.unit)
    if trace.window is not None:
        axes.axvspan(
            max(start, trace.window[0]), min(end, trace.window[1]), facecolor=plots.LEG,
            linewidth=0, zorder=0,
        )  # fmt: skip
    labels = []
    for level in trace.levels:
        axes.axhline(level.value, color=plots.TARGET, linewidth=1.1)
        labels.append(plots.Label(level.title, level.value, plots.TARGET, is_curve=False))
    for i, line in enumerate(trace.lines):
        colour = plots.CURVES[i % len(plots.CURVES)]
        axes.plot(
            line.minutes, line.values, color=colour, linewidth=1.6,
            linestyle=_STYLES[i % len(_STYLES)], zorder=3,
            drawstyle="steps-post" if line.stepped else "default",
        )  # fmt: skip
        labels.append(plots.Label(without_controls(line.title), line.values[-1], colour))
    for name, at in trace.moments:
        if start <= at <= end:
            axes.axvline(at, color=plots.SOFT, linewidth=0.9, linestyle=(0, (3, 2)))
            axes.text(
                at, 1.02, without_controls(name), transform=axes.get_xaxis_transform(),
                ha="center", va="bottom", fontsize=plots.SMALL_PT, color=plots.INK,
            )  # fmt: skip
    plots.label_ends(axes, labels, end)
