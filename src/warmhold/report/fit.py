"""A fit as one stand-alone page and as plain text: values, what is not told, next test, plots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup, escape

from warmhold.bench.ageing import Trend
from warmhold.bench.fit.characterise import Fitted, Number, Range, Residuals, State
from warmhold.bench.fit.foretell import Foretold
from warmhold.bench.fit.lessons import Lesson, Matter
from warmhold.bench.profile import Version
from warmhold.plan.sheet import CAUTIONS as SHEET_CAUTIONS
from warmhold.report import words
from warmhold.report.plain import without_controls

CAUTIONS = (
    SHEET_CAUTIONS[0],
    "A fit is a reading of a model, not a calibration: it never stands in for the tests that the "
    "unit's manual and local protocol ask for, nor for a qualified technician.",
    "Read the new values against the old ones before any plan uses them. What the logs do not "
    "tell stays as the profile has it, with its provenance.",
)
LITTLE = 0.98  # a fall in spread to no less than this share is not worth a word
RISE_90 = 2.706  # rise at the ends of a 90 % interval
_STATE_WORD: dict[State, str] = {
    "told": "told",
    "not told": "not told",
    "not touched": "not touched",
}
_MINUS = "\u2212"


@dataclass(frozen=True)
class Shown:
    """What a page shows.

    version : new version of the unit file, None when there is none
    wrote : its name, "" when it was not written
    held_out : log kept back, foretold by the old and by the new profile: name, old, new
    trends : what ages over many tests, each with a title
    """

    fitted: Fitted
    made: datetime
    version: Version | None = None
    wrote: str = ""
    held_out: tuple[tuple[str, tuple[Foretold, ...], tuple[Foretold, ...]], ...] = ()
    trends: tuple[tuple[str, Trend], ...] = ()


def page(shown: Shown) -> str:
    """Write a fit as a whole HTML page."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )
    fitted = shown.fitted
    logs = [log.name for log in fitted.logs]
    return environment.get_template("fit.html").render(
        s=shown,
        f=fitted,
        css=Markup(_template("sheet.css") + _template("fit.css")),
        cautions=CAUTIONS,
        headline=headline(fitted),
        numbers=[_row(one) for one in fitted.numbers],
        matters=[(one, matter_words(one)) for one in fitted.matters],
        written=written,
        lessons=[(one, lesson_words(one, fitted.matters)) for one in fitted.lessons],
        untold=_untold(fitted),
        panels=[
            (name, [(one, residual_svg(one), _worst(one)) for one in fitted.residuals if
                    one.log == name])
            for name in dict.fromkeys(logs)
        ],
        profile_svg=profile_svg,
        points=_points,
        trend_svg=trend_svg,
        trend_words=trend_words,
        capital=words.capital,
        value=value,
        unit_words=unit_words,
        span=span,
        state_word=_STATE_WORD,
        mark=_mark,
        percent=lambda share: f"{100 * share:.0f} %",
        held=_held,
    )  # fmt: skip


def written(version: Version) -> str:
    """Write how many values of a new version were measured, and how many gave their spread up."""
    measured = sum(one.now[2] == "measured" for one in version.values)
    rest = len(version.values) - measured
    text = f"{measured} {'value' if measured == 1 else 'values'} measured"
    return f"{text}, {rest} whose spread is now counted in another" if rest else text


def text(shown: Shown) -> str:
    """Write a fit as plain text for a terminal or a pipe."""
    fitted = shown.fitted
    out = [f"{fitted.unit.name}: {headline(fitted)}", ""]
    for log in fitted.logs:
        out.append(f"  {log.name}, {log.start_utc:%Y-%m-%d %H:%M} UTC, {log.minutes:.0f} min")
        out += [f"    {note}" for note in log.notes]
    out += ["", *(f"! {note}" for note in fitted.notes)]
    out += ["", "What plans rest on (90 %)"]
    for matter in fitted.matters:
        out.append(f"  {matter.title}: {matter_words(matter)}")
    out += ["", f"{'Number':<50} {'profile':>24} {'fitted (90 %)':>26}  state"]
    for one in fitted.numbers:
        label = f"{one.title} [{unit_words(one.unit)}]" if one.unit else one.title
        old = f"{value(one.before.value)} ({span(one.before)})"
        new = f"{value(one.after.value)} ({span(one.after)})"
        out.append(f"{label[:50]:<50} {old:>24} {new:>26}  {_STATE_WORD[one.state]}")
    out += ["", "Told together"]
    for row in fitted.together:
        out.append(
            f"  {row.title}: {value(row.after.value)} {row.unit} ({span(row.after)}); "
            f"by the profile {span(row.before)}"
        )
    out += [f"  {words.capital(pair)}." for pair in fitted.pairs]
    best = fitted.best
    out += ["", f"Next test: {best.title}, {best.minutes} min. {best.how}"]
    out.append(f"  {lesson_words(best, fitted.matters)}")
    for name, old_bands, new_bands in shown.held_out:
        out += ["", f"Kept back: {name}"]
        out.append(f"  inside its bands: {_held(new_bands)}; by the old profile {_held(old_bands)}")
        for old_one, new_one in zip(old_bands, new_bands, strict=True):
            out.append(
                f"  {new_one.title}: band {new_one.width:.2g} {new_one.unit} wide, "
                f"by the old profile {old_one.width:.2g}"
            )
    for title, trend in shown.trends:
        out += ["", f"{title}: {trend_words(trend)}"]
    if shown.version is not None:
        out += ["", f"New version: {shown.wrote or 'not written'}"]
        out += [f"  {written(shown.version)}; the old file stays as it is"]
        out += [f"  not written: {why}" for why in shown.version.kept_back]
    out += ["", *CAUTIONS, ""]
    return "\n".join(without_controls(line) for line in out)


# --- words ---------------------------------------------------------------------------------------


def headline(fitted: Fitted) -> str:
    """The fit in one sentence."""
    if not fitted.settled:
        return "the fit did not come to rest; nothing is told"
    told, all_of_them = len(fitted.told), len(fitted.numbers)
    count = len(fitted.logs)
    logs = "1 log tells" if count == 1 else f"{count} logs tell"
    return f"{logs} {told} of {all_of_them} numbers"


def matter_words(one: Matter) -> str:
    """A figure of plans before and after, in words."""
    old = one.profile
    return (
        f"{one.value:.1f} {one.unit} ({one.low:.1f} to {one.high:.1f}); by the profile "
        f"{old[0]:.1f} ({old[1]:.1f} to {old[2]:.1f})"
    )


def lesson_words(one: Lesson, about: Sequence[Matter]) -> str:
    """What a test would teach, in words."""
    parts = []
    for matter, spread in zip(about, one.spreads, strict=True):
        before = 100.0 * math.expm1(1.645 * matter.spread)
        after = 100.0 * math.expm1(1.645 * spread)
        if spread > LITTLE * matter.spread:
            parts.append(f"{matter.short} hardly better known (±{before:.1f} %)")
        else:
            parts.append(f"{matter.short} known to ±{after:.1f} % instead of ±{before:.1f} %")
    return words.capital("; ".join(parts)) + "."


def trend_words(trend: Trend) -> str:
    """A trend in a sentence or two."""
    out = f"{trend.verdict}: {trend.why}"
    if trend.change_per_year is not None:
        unit = "% a year" if trend.kind == "battery" else f"{trend.unit} a year"
        out += (
            f". Change {_signed(trend.change_per_year)} ({_signed(trend.change_low)} to "
            f"{_signed(trend.change_high)}) {unit}"
        )
    if trend.expected is not None:
        late = f"{trend.latest:%Y-%m-%d}" if trend.latest else f"after {trend.horizon:%Y-%m-%d}"
        early = f"{trend.earliest:%Y-%m-%d}" if trend.earliest else "unknown"
        out += (
            f". Limit {trend.limit:g} {trend.unit} expected about {trend.expected:%Y-%m-%d} "
            f"(90 %: {early} to {late})"
        )
    return out + "."


def unit_words(unit: str) -> str:
    """A unit as people write it."""
    return unit.replace("m2", "m²").replace("m3", "m³")


def value(number: float) -> str:
    """A number with three figures that count."""
    if not math.isfinite(number):
        return words.UNKNOWN
    if number == 0.0:
        return "0"
    places = max(0, 2 - math.floor(math.log10(abs(number))))
    return f"{number:.{min(places, 4)}f}".replace("-", _MINUS)


def span(one: Range) -> str:
    """Ends of a range."""
    return f"{value(one.low)} to {value(one.high)}"


def _signed(number: float | None) -> str:
    if number is None:
        return words.UNKNOWN
    return ("+" if number > 0 else "") + value(number)


def _held(found: Sequence[Foretold]) -> str:
    inside = sum(float(one.held) * one.read.size for one in found)
    return f"{100 * inside / sum(one.read.size for one in found):.0f} % of readings"


def _untold(fitted: Fitted) -> tuple[tuple[str, str], ...]:
    out = []
    for one in fitted.numbers:
        if one.state == "not told":
            why = (
                f"its range is still {100 * one.width:.0f} % of the profile's"
                if one.width < 1.0
                else "its range is no narrower than the profile's"
            )
            out.append((one.title, why))
    rest = [one.title for one in fitted.numbers if one.state == "not touched"]
    if rest:
        out.append((", ".join(rest), "these logs do not touch " + ("it" if len(rest) == 1 else
                                                                    "them")))  # fmt: skip
    return tuple(out)


def _worst(one: Residuals) -> tuple[str, str]:
    left = one.read - one.model
    at = int(np.argmax(np.abs(left)))
    return _signed(float(left[at])), f"{one.minutes[at]:.0f}"


# --- drawings ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Row:
    number: Number
    bands: Markup


def _row(one: Number) -> _Row:
    return _Row(one, _bands(one))


def _mark(state: State) -> Markup:
    shapes = {
        "told": '<path d="M3 10.5l4.5 4.5L17 5" class="line"/>',
        "not told": '<circle cx="10" cy="10" r="7.5" class="dotted"/>'
        '<path d="M10 13.4v-1.6c0-1.5 2.2-1.8 2.2-3.6A2.2 2.2 0 0 0 7.8 8M10 15.4v.2"'
        ' class="thin"/>',
        "not touched": '<path d="M4 10h12" class="line"/>',
    }
    return Markup(f'<svg class="mark" viewBox="0 0 20 20" aria-hidden="true">{shapes[state]}</svg>')


def _bands(one: Number) -> Markup:
    """Old and new band above each other on one scale."""
    low = min(one.before.low, one.after.low)
    high = max(one.before.high, one.after.high)
    reach = (high - low) or 1.0

    def x(at: float) -> str:
        return f"{4 + 152 * (at - low) / reach:.1f}"

    return Markup(
        '<svg class="bands" viewBox="0 0 160 26" aria-hidden="true">'
        f'<path class="old" d="M{x(one.before.low)} 8H{x(one.before.high)}"/>'
        f'<path class="old-mid" d="M{x(one.before.value)} 3v10"/>'
        f'<path class="new" d="M{x(one.after.low)} 19H{x(one.after.high)}"/>'
        f'<circle class="new-mid" cx="{x(one.after.value)}" cy="19" r="4"/></svg>'
    )


def _ticks(low: float, high: float, most: int) -> list[float]:
    raw = (high - low) / max(most, 1)
    if raw <= 0.0 or not math.isfinite(raw):
        return [low]
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [step * k for k in range(first, last + 1)]


def _tick_text(at: float, ticks: Sequence[float]) -> str:
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(at) or 1.0
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return words.number(at, places)


def _points(values: Sequence[tuple[float, float]]) -> list[tuple[str, str]]:
    return [(value(v), words.number(d, 1)) for v, d in values]


def profile_svg(one: Number) -> Markup:
    """How much worse everything fits as one number is held at other values, over the profile's."""
    wide, tall, left, foot, right = 300.0, 170.0, 30.0, 30.0, 36.0
    xs = [v for v, _ in one.curve] + [one.before.low, one.before.high]
    low, high = min(xs), max(xs)
    pad = 0.04 * (high - low)
    low, high, top = low - pad, high + pad, 6.0

    def x(at: float) -> float:
        return left + (wide - left - right) * (at - low) / (high - low)

    def y(rise: float) -> float:
        return 8 + (tall - foot - 8) * (1 - min(rise, top * 1.2) / top)

    grid = np.linspace(low, high, 60)
    constant = one.constant
    before = []
    for at in grid:
        if constant.kind == "share":
            score = (at - constant.value) / constant.spread
        elif at > 0:
            width = constant.width
            score = (math.log(at / constant.value) + 0.5 * width * width) / width
        else:
            continue
        before.append((x(float(at)), y(score * score)))
    # between the points worked out, the root of the rise runs nearly straight
    values = np.array([v for v, _ in one.curve])
    roots = np.array([math.sqrt(d) for _, d in one.curve])
    middle = int(np.argmin(roots))
    roots[:middle] *= -1.0
    fine = np.linspace(values[0], values[-1], 80)
    curve = [
        (x(float(v)), y(float(r) ** 2))
        for v, r in zip(fine, np.interp(fine, values, roots), strict=True)
    ]
    ticks = _ticks(low, high, 4)
    out = [f'<svg class="curve" viewBox="0 0 {wide:g} {tall:g}" aria-hidden="true">']
    name = f"clip-{escape(one.key)}"
    out.append(
        f'<clipPath id="{name}"><rect x="{left}" y="4" width="{wide - left - right}" '
        f'height="{tall - foot - 4}"/></clipPath>'
    )
    out.append(
        f'<path class="axis" d="M{left} {tall - foot}H{wide - right}M{left} 8V{tall - foot}"/>'
    )
    level = y(RISE_90)
    out.append(f'<path class="level" d="M{left} {level:.1f}H{wide - right}"/>')
    out.append(f'<text x="{wide - right + 4}" y="{level + 4:.1f}">90\u00a0%</text>')
    for at in ticks:
        out.append(f'<path class="axis" d="M{x(at):.1f} {tall - foot}v4"/>')
        out.append(f'<text x="{x(at):.1f}" y="{tall - foot + 17}" text-anchor="middle">'
                   f"{_tick_text(at, ticks)}</text>")  # fmt: skip
    for rise in (0, 2, 4, 6):
        out.append(f'<text x="{left - 6}" y="{y(rise) + 4:.1f}" text-anchor="end">{rise}</text>')
    clip = f'clip-path="url(#{name})"'
    out.append(f'<path class="old-curve" {clip} d="{_path(before)}"/>')
    out.append(f'<path class="new-curve" {clip} d="{_path(curve)}"/>')
    out.append("</svg>")
    return Markup("".join(out))


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in points)


def residual_svg(one: Residuals) -> Markup:
    """What is left of every reading, over the band expected of it."""
    wide, tall, left, foot = 640.0, 150.0, 46.0, 30.0
    rest = one.read - one.model
    reach = max(float(np.abs(rest).max()), 2.2 * one.spread) * 1.08
    end = float(one.minutes.max()) or 1.0

    def x(at: float) -> float:
        return left + (wide - left - 10) * at / end

    def y(at: float) -> float:
        return 8 + (tall - foot - 8) * 0.5 * (1 - at / reach)

    top, bottom = y(1.645 * one.spread), y(-1.645 * one.spread)
    out = [f'<svg class="residual" viewBox="0 0 {wide:g} {tall:g}" aria-hidden="true">']
    out.append(f'<rect class="expected" x="{left}" y="{top:.1f}" width="{wide - left - 10}" '
               f'height="{bottom - top:.1f}"/>')  # fmt: skip
    out.append(f'<path class="axis" d="M{left} {tall - foot}H{wide - 10}M{left} 8V{tall - foot}"/>')
    out.append(f'<path class="level" d="M{left} {y(0):.1f}H{wide - 10}"/>')
    ticks = _ticks(-reach, reach, 4)
    for at in ticks:
        out.append(f'<text x="{left - 6}" y="{y(at) + 4:.1f}" text-anchor="end">'
                   f"{_tick_text(at, ticks)}</text>")  # fmt: skip
    times = _ticks(0.0, end, 8)
    for at in times:
        out.append(f'<path class="axis" d="M{x(at):.1f} {tall - foot}v4"/>')
        out.append(f'<text x="{x(at):.1f}" y="{tall - foot + 17}" text-anchor="middle">'
                   f"{_tick_text(at, times)}</text>")  # fmt: skip
    out += [
        f'<circle class="reading" cx="{x(float(m)):.1f}" cy="{y(float(r)):.1f}" r="2.2"/>'
        for m, r in zip(one.minutes, rest, strict=True)
    ]
    out.append("</svg>")
    return Markup("".join(out))


def trend_svg(trend: Trend) -> Markup:
    """Dated values with their spreads, and the limit."""
    if not trend.points:
        return Markup("")
    wide, tall, left, foot = 640.0, 200.0, 52.0, 30.0
    first = trend.points[0].when
    last = max([trend.points[-1].when] + [d for d in (trend.expected, trend.latest) if d])
    days = max((last - first).total_seconds() / 86400.0, 1.0) * 1.03
    line = _trend_line(trend, first, min(last, max(trend.horizon, trend.points[-1].when)))
    marks = [one.value + k * 1.645 * one.spread for one in trend.points for k in (-1, 1)]
    marks += [size for _, size in line]
    limits = [trend.limit] if trend.kind == "battery" else [trend.limit, -trend.limit]
    low, high = min(*marks, *limits), max(*marks, *limits)
    pad = 0.06 * (high - low)
    low, high = low - pad, high + pad

    def x(when: datetime) -> float:
        return left + (wide - left - 14) * (when - first).total_seconds() / 86400.0 / days

    def y(at: float) -> float:
        return 8 + (tall - foot - 8) * (high - at) / (high - low)

    out = [f'<svg class="residual" viewBox="0 0 {wide:g} {tall:g}" aria-hidden="true">']
    out.append(f'<path class="axis" d="M{left} {tall - foot}H{wide - 10}M{left} 8V{tall - foot}"/>')
    for limit in limits:
        out.append(f'<path class="limit" d="M{left} {y(limit):.1f}H{wide - 10}"/>')
    ticks = _ticks(low, high, 5)
    for at in ticks:
        out.append(f'<text x="{left - 6}" y="{y(at) + 4:.1f}" text-anchor="end">'
                   f"{_tick_text(at, ticks)}</text>")  # fmt: skip
    shown = [trend.points[0].when, trend.points[-1].when]
    if trend.expected is not None:
        shown.append(trend.expected)
        out.append(f'<path class="level" d="M{x(trend.expected):.1f} 8V{tall - foot}"/>')
    for number, when in enumerate(shown):
        anchor = "start" if number == 0 else "end"
        out.append(f'<text x="{x(when):.1f}" y="{tall - foot + 17}" text-anchor="{anchor}">'
                   f"{when:%Y-%m-%d}</text>")  # fmt: skip
    if line:
        out.append(f'<path class="old-curve" d="{_path([(x(a), y(b)) for a, b in line])}"/>')
    for one in trend.points:
        top, bottom = y(one.value + 1.645 * one.spread), y(one.value - 1.645 * one.spread)
        out.append(f'<path class="new" d="M{x(one.when):.1f} {top:.1f}V{bottom:.1f}"/>')
        out.append(
            f'<circle class="new-mid" cx="{x(one.when):.1f}" cy="{y(one.value):.1f}" r="4"/>'
        )
    out.append("</svg>")
    return Markup("".join(out))


def _trend_line(trend: Trend, first: datetime, last: datetime) -> list[tuple[datetime, float]]:
    """The line through the tests, up to the horizon and no further."""
    if trend.now is None or trend.change_per_year is None:
        return []
    out = []
    for share in np.linspace(0.0, 1.0, 40):
        when = first + share * (last - first)
        years = (when - trend.points[-1].when).total_seconds() / 31557600.0
        if trend.kind == "battery":
            out.append((when, trend.now * (1.0 + trend.change_per_year / 100.0) ** years))
        else:
            out.append((when, trend.now + trend.change_per_year * years))
    return out


def _template(name: str) -> str:
    return resources.files("warmhold.report").joinpath(name).read_text(encoding="utf-8")


def _finalize(found: object) -> object:
    if found is None:
        return words.UNKNOWN
    if isinstance(found, str) and not isinstance(found, Markup):
        return without_controls(found)
    return found
