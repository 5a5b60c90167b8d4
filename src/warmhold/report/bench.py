"""Bench tests as text for a terminal, and as one stand-alone page to print and file."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from warmhold.bench.limits import STATUS_WORDS, Limit
from warmhold.bench.trials import Condition, Judged, Measured, Result, Trace
from warmhold.bench.uncertainty import Verdict
from warmhold.report import words
from warmhold.report.plain import sayable

MARK: Mapping[Verdict, str] = {"pass": "✓", "fail": "▼", "invalid": "□", "cannot tell": "?"}
MEANS: Mapping[Verdict, str] = {
    "pass": "conditions met, and the figure meets its limit",
    "fail": "conditions met, and the figure misses its limit",
    "invalid": "a condition was measured and not met: it says nothing about the unit",
    "cannot tell": "a condition, the figure, its uncertainty or the limit is not known",
}
RULE = {
    "guarded": "guarded acceptance: the figure and its uncertainty together have to meet the limit",
    "simple": "simple acceptance: the figure alone decides; near the limit it may be wrong",
}
IN_ORDER: tuple[Verdict, ...] = ("fail", "cannot tell", "invalid", "pass")  # of all together
SHOWN: tuple[Verdict, ...] = ("fail", "cannot tell", "pass", "invalid")
_PLACES = {"°C": 2, "min": 1, "h": 2, "%": 1, "Wh": 1, "W": 1, "m/s": 2}
_MET = {"met": "met", "unmet": "not met", "unknown": "not known", "not asked": "not asked for"}
TABLE_ROWS = 8


# --- figures as words ---------------------------------------------------------------------------


def value_of(one: Judged | Measured) -> str:
    """Write a figure with its unit and bound."""
    if isinstance(one, Judged) and one.words:
        return one.words
    if one.value is None:
        return words.UNKNOWN
    text = words.with_unit(one.value, one.unit, _PLACES.get(one.unit, 2))
    return f"{one.bound} {text}" if one.bound else text


def expanded_of(one: Judged | Measured) -> str:
    """Write the expanded uncertainty; why it is unknown is said elsewhere."""
    if one.value is None or (one.expanded is None and getattr(one, "budget", None) is None):
        return ""
    if one.expanded is None:
        return "± unknown"
    places = _PLACES.get(one.unit, 2)
    return f"± {words.with_unit(max(one.expanded, 10.0**-places), one.unit, places)}"


def limit_of(one: Judged) -> str:
    """Write the limit of a figure, at the level that it was read at."""
    row = one.limit
    if row is None:
        return "no limit in this set"
    if row.needs:
        return ", ".join(row.needs)
    text = asked_of(row)
    if one.limit_value is not None and row.plus_percent_of_level:
        text = f"±{words.with_unit(one.limit_value, row.unit, 2)}"
    return text


def asked_of(row: Limit) -> str:
    """Write what a row of a set asks for."""
    value = f"{row.value:g}".replace("-", words.MINUS)
    by_relation = {"within": f"±{value}", "near": value}
    text = by_relation.get(str(row.relation), f"{row.relation} {value}")
    if row.plus_percent_of_level:
        return f"±({value} {row.unit} + {row.plus_percent_of_level:g} % of the level)"
    return f"{text} {row.unit}".rstrip()


def origin_of(row: Limit) -> str:
    """Write standard, edition and clause of a limit."""
    edition = f", edition {row.edition}" if row.edition not in {"none", ""} else ""
    clause = "" if row.clause == "none" else f", clause {row.clause}"
    return f"{row.standard}{edition}{clause}"


def status_of(row: Limit) -> str:
    """Write how far a limit was verified."""
    return STATUS_WORDS[row.status]


def source_of(row: Limit) -> str:
    """Write the source of a limit, less what its status says already."""
    for said in ("recalled, not read", "own choice"):
        if row.source.startswith(said):
            return row.source[len(said) :].lstrip(";:, ")
    return row.source


def budget_of(one: Judged) -> str:
    """Write in a line what an uncertainty is made of, "" when there is none."""
    budget = one.budget
    if budget is None:
        return ""
    parts = [
        f"{part.name} {_short(part.contribution)}"
        for part in sorted(budget.parts, key=lambda part: -part.contribution)
    ]
    text = f"standard uncertainties in {one.unit}: {', '.join(parts)}" if parts else ""
    if budget.lacking:
        lacking = f"not known: {', '.join(budget.lacking)}"
        text = f"{text}; {lacking}" if text else lacking
    if budget.notes:
        text += f"; {'; '.join(budget.notes)}"
    return text


def _short(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def overall(results: Sequence[Result]) -> tuple[Verdict, str]:
    """Return the verdict of all tests together, and one sentence why."""
    there = {one.verdict for one in results}
    verdict: Verdict = next((v for v in IN_ORDER if v in there), "cannot tell")
    count = len(results)
    named = [one for one in results if one.verdict == verdict]
    if verdict == "pass":
        tests = f"All {count} tests pass" if count > 1 else f"{results[0].title} passes"
        return verdict, f"{tests}."
    if not named:
        return verdict, "No test was run."
    alone = {"fail": "fails", "invalid": "is invalid", "cannot tell": "cannot be told"}
    several = {"fail": "fail", "invalid": "are invalid", "cannot tell": "cannot be told"}
    if count == 1:
        return verdict, f"{named[0].title} {alone[verdict]}: {named[0].reason}."
    titles = ", ".join(one.title for one in named)
    passed = sum(one.verdict == "pass" for one in results)
    reasons = {one.reason for one in named}
    if len(named) == count:
        whole = {"fail": "All {} fail", "invalid": "All {} are invalid",
                 "cannot tell": "None of the {} tests can be told"}  # fmt: skip
        why = f": {named[0].reason}" if len(reasons) == 1 else ""
        return verdict, f"{whole[verdict].format(count)}{why}."
    doing = alone[verdict] if len(named) == 1 else several[verdict]
    verb = "passes" if passed == 1 else "pass"
    void = sum(one.verdict == "invalid" for one in results)
    rest = f", {void} invalid" if void and verdict != "invalid" else ""
    return verdict, f"{titles} {doing}; {passed or 'none'} of {count} {verb}{rest}."


def unverified(results: Sequence[Result]) -> tuple[Limit, ...]:
    """Return the limits behind the verdicts that were not read in their source."""
    return tuple({row.id: row for one in results for row in one.unverified}.values())


def in_order(results: Sequence[Result]) -> tuple[Result, ...]:
    """Put what speaks of the unit first, and what the log was not made for last."""
    return tuple(sorted(results, key=lambda one: SHOWN.index(one.verdict)))


def not_told_before(
    results: Sequence[Result],
) -> tuple[tuple[tuple[Condition, ...], str], ...]:
    """Give each test the conditions that no test before it has shown, and a line for the rest.

    A condition that stands in the way is shown every time.
    """
    before: dict[Condition, str] = {}
    out = []
    for one in results:
        shown = [c for c in one.conditions if c not in before or c.met in {"unmet", "unknown"}]
        left = [c for c in one.conditions if c not in shown]
        told = ""
        if left:
            names = ", ".join(c.title for c in left)
            titles = ", ".join(dict.fromkeys(before[c] for c in left))
            told = f"Met or not asked for, as under {titles}: {names}."
        for condition in one.conditions:
            before.setdefault(condition, one.title)
        order = {"unmet": 0, "unknown": 1, "met": 2, "not asked": 3}
        out.append((tuple(sorted(shown, key=lambda c: order[c.met])), told))
    return tuple(out)


# --- text ---------------------------------------------------------------------------------------


def text(results: Sequence[Result], encoding: str = "utf-8") -> str:
    """Write the results as plain text with the characters of an encoding."""
    lines: list[str] = []
    if not results:
        return "No test was run.\n"
    results = in_order(results)
    first = results[0]
    verdict, reason = overall(results)
    lines.append(f"{first.unit}: bench tests from {first.log}")
    lines.append(f"In all      {MARK[verdict]} {reason}")
    lines.append(f"Limits      {first.limits}: {first.limits_title}")
    lines.append(f"Acceptance  {RULE[first.rule]}")
    for one, (shown, told) in zip(results, not_told_before(results), strict=True):
        lines += ["", *_one(one, shown, told)]
    rows = unverified(results)
    lines.append("")
    if rows:
        lines.append(
            f"Unverified: {len(rows)} of the limits used {'was' if len(rows) == 1 else 'were'} not "
            f"read in {'its' if len(rows) == 1 else 'their'} source. Compare with your own copy "
            "before a verdict is relied on."
        )
    noticed = dict.fromkeys(line for one in results for line in one.noticed)
    lines += [f"Log: {line}" for line in noticed]
    lines += ["", *first.cautions]
    return "".join(f"{sayable(line, encoding)}\n" for line in lines)


def _one(one: Result, shown: Sequence[Condition], told: str) -> list[str]:
    lines = [f"{MARK[one.verdict]} {one.verdict.upper():<12} {one.title}", f"  {one.reason}"]
    for judged in one.judged:
        mark = "" if judged.limit is None or judged.limit.verified else " [unverified]"
        lines.append(
            f"    {judged.title}: {value_of(judged)} {expanded_of(judged)}".rstrip()
            + f"; {limit_of(judged)}{mark}"
        )
    for measured in one.measured:
        lines.append(f"    {measured.title}: {value_of(measured)} {expanded_of(measured)}".rstrip())
    for condition in shown:
        found = condition.found or condition.reason or "not known"
        lines.append(f"    {_MET[condition.met]:<13} {condition.title}: {found}")
    if told:
        lines.append(f"    {told}")
    return lines


# --- page ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Figure:
    key: str
    title: str
    unit: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    drawing: Markup | None
    summary: str


def page(results: Sequence[Result], *, version: str = "") -> str:
    """Write the results as a whole HTML page that needs nothing else."""
    import jinja2  # noqa: PLC0415

    from warmhold.report import html  # noqa: PLC0415

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(html._template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=html._finalize,
    )
    environment.globals.update(
        w=words, mark=_mark, means=MEANS, value_of=value_of, expanded_of=expanded_of,
        limit_of=limit_of, asked_of=asked_of, origin_of=origin_of, status_of=status_of,
        source_of=source_of,
        budget_of=budget_of, rule=RULE, met=_MET,
    )  # fmt: skip
    if not results:
        raise ValueError("no result to write a page of")
    results = in_order(results)
    verdict, reason = overall(results)
    return environment.get_template("bench.html").render(
        results=results,
        first=results[0],
        verdict=verdict,
        reason=reason,
        version=version,
        unverified=unverified(results),
        noticed=tuple(dict.fromkeys(line for one in results for line in one.noticed)),
        conditions=dict(zip((one.test for one in results), not_told_before(results), strict=True)),
        figures={one.test: [_figure(one.test, t) for t in one.traces] for one in results},
        css=Markup(html._template("sheet.css") + html._template("bench.css")),
    )


def _mark(verdict: str) -> Markup:
    """Draw the shape that repeats a verdict's word; hidden from screen readers."""
    shapes = {
        "pass": '<path d="M3 10.5l4.5 4.5L17 5" class="line"/>',
        "fail": '<path d="M2 4h16L10 18z" class="full"/>',
        "invalid": '<path d="M3.5 3.5h13v13h-13zM3.5 16.5l13-13" class="thin"/>',
        "cannot tell": '<circle cx="10" cy="10" r="7.5" class="dotted"/>'
        '<path d="M10 13.4v-1.6c0-1.5 2.2-1.8 2.2-3.6A2.2 2.2 0 0 0 7.8 8M10 15.4v.2"'
        ' class="thin"/>',
    }
    return Markup(
        f'<svg class="mark" viewBox="0 0 20 20" aria-hidden="true">{shapes[verdict]}</svg>'
    )


def _figure(test: str, trace: Trace) -> _Figure:
    from warmhold.report import bench_plots  # noqa: PLC0415

    drawn = any(line.minutes for line in trace.lines)
    return _Figure(
        key=f"{test}-{trace.key}",
        title=trace.title,
        unit=trace.unit,
        note=trace.note,
        columns=tuple(line.title for line in trace.lines),
        rows=_rows(trace),
        drawing=Markup(bench_plots.svg(trace, f"{test}-{trace.key}")) if drawn else None,
        summary=_summary(trace),
    )


def _rows(trace: Trace) -> tuple[tuple[str, ...], ...]:
    """Give readings at evenly spaced moments, for the table beside a plot."""
    longest: Any = max(trace.lines, key=lambda line: len(line.minutes), default=None)
    if longest is None or not longest.minutes:
        return ()
    start, end = longest.minutes[0], longest.minutes[-1]
    places = _PLACES.get(trace.unit, 1)
    rows = []
    for i in range(TABLE_ROWS):
        wanted = start + (end - start) * i / (TABLE_ROWS - 1)
        cells = []
        at = min(longest.minutes, key=lambda m: abs(m - wanted))
        for line in trace.lines:
            near = min(range(len(line.minutes)), key=lambda k: abs(line.minutes[k] - at))
            far = abs(line.minutes[near] - at) > max(2.0, (end - start) / 100)
            cells.append(words.UNKNOWN if far else words.number(line.values[near], places))
        rows.append((words.number(at, 0 if end - start > 30 else 1), *cells))
    return tuple(dict.fromkeys(rows))


def _summary(trace: Trace) -> str:
    parts = []
    places = _PLACES.get(trace.unit, 1)
    for line in trace.lines:
        known = [value for value in line.values if math.isfinite(value)]
        if not known:
            parts.append(f"{line.title}: unknown")
            continue
        low, high = min(known), max(known)
        parts.append(
            f"{line.title}: lowest {words.with_unit(low, trace.unit, places)}, "
            f"highest {words.with_unit(high, trace.unit, places)}"
        )
    return "; ".join(parts) + "." if parts else "No curve: unknown."
