"""Alarm function: what was brought about by hand, and what came of it."""

from __future__ import annotations

from warmhold.bench.limits import Limit
from warmhold.bench.reading.entered import AlarmTried
from warmhold.bench.trials.common import Bench, judge, result
from warmhold.bench.trials.result import Judged, Result
from warmhold.bench.uncertainty import Budget, Part, Verdict, rectangular

TITLE = "Alarm function"
CHANNELS = ()
_ROWS = {
    "fan": "alarm_fan",
    "air path": "alarm_air_path",
    "skin sensor": "alarm_skin_sensor",
    "supply": "alarm_supply",
    "high temperature": "alarm_high_temperature",
    "air deviation": "alarm_air_deviation",
}
_TITLES = {
    "fan": "fan stopped",
    "air path": "air path blocked",
    "skin sensor": "skin sensor unplugged",
    "supply": "supply lost",
    "high temperature": "air too warm",
    "air deviation": "air off its setting",
}
_BY_HAND_MIN = 0.5  # a time that was read off a clock by hand: half a minute either way


def run(bench: Bench) -> Result:
    """Judge every alarm that the set asks for or that was tried; one not tried is not passed."""
    tried: dict[str, AlarmTried] = {one.what: one for one in bench.entered.alarm}
    judged: list[Judged] = []
    facts = []
    for what, key in _ROWS.items():
        row, one = bench.limits.get(key), tried.get(what)
        if row is None and one is None:
            continue
        judged.append(_answered(bench, _TITLES[what], key, row, one))
        if what == "supply" and (row is not None or one is not None):
            judged += _kept(bench, one)
        if what == "high temperature":
            judged += _warmest(bench, one)
        if one is not None and one.note:
            facts.append((_TITLES[what], one.note))
    return result(
        bench, "alarms", TITLE,
        method="Each alarm is brought about by hand; what was heard and seen is entered.",
        judged=judged, facts=facts,
        no_figure="" if judged else "no alarm was entered, and the set asks for none",
    )  # fmt: skip


def _answered(
    bench: Bench, title: str, key: str, row: Limit | None, one: AlarmTried | None
) -> Judged:
    def said(verdict: Verdict, reason: str, words: str) -> Judged:
        return Judged(key, title, None, "", verdict, reason, row, words=words)

    if row is None:
        return said("cannot tell", f"no limit for it in the set {bench.limits.name}", _words(one))
    if one is None:
        return said("cannot tell", "not tried", "not tried")
    answers = {"heard": one.heard, "seen": one.seen, "heater off": one.heater_off}
    missing = [need for need in row.needs if answers[need] is False]
    unknown = [need for need in row.needs if answers[need] is None]
    if missing:
        return said("fail", f"not {', not '.join(missing)}", _words(one))
    if unknown:
        return said("cannot tell", f"not entered: {', '.join(unknown)}", _words(one))
    return said("pass", f"{', '.join(row.needs)}", _words(one))


def _words(one: AlarmTried | None) -> str:
    if one is None:
        return "not tried"
    parts = []
    for name, value in (("heard", one.heard), ("seen", one.seen), ("heater off", one.heater_off)):
        parts.append(f"{name}: {'not entered' if value is None else 'yes' if value else 'no'}")
    return ", ".join(parts)


def _kept(bench: Bench, one: AlarmTried | None) -> list[Judged]:
    if bench.limits.get("alarm_supply_min") is None:
        return []
    minutes = None if one is None else one.kept_min
    budget = Budget(
        "min", (Part("read off a clock", rectangular(_BY_HAND_MIN), 1.0, "half a minute"),)
    )
    return [
        judge(bench, "alarm_supply_min", "supply alarm kept up", minutes, "min",
              None if minutes is None else budget)
    ]  # fmt: skip


def _warmest(bench: Bench, one: AlarmTried | None) -> list[Judged]:
    if bench.limits.get("alarm_air_max_c") is None:
        return []
    value = None if one is None else one.air_max_c
    lacking = "the certificate of what measures air_c"
    instrument = bench.instruments.get("air_c")
    parts: tuple[Part, ...] = ()
    if instrument is not None and value is not None:
        expanded = instrument.expanded
        if expanded is None:
            expanded = (instrument.percent or 0.0) / 100 * value
        parts = (
            Part("calibration of air_c", expanded / instrument.coverage),
            Part("drift of air_c", rectangular(instrument.drift)),
        )
    budget = Budget("°C", parts, () if parts else (lacking,))
    return [
        judge(bench, "alarm_air_max_c", "warmest air while the cut-out acted", value, "°C",
              None if value is None else budget)
    ]  # fmt: skip
