"""Bench tests on logs worked by hand; conditions before figures; never a pass from nothing."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from bench.alder_log import make_log, steady_log
from reference_rows import rows
from warmhold.bench.limits import LimitSet, find_set
from warmhold.bench.reading import Entered, Instrument
from warmhold.bench.reading.entered import (
    AlarmTried,
    BatteryTest,
    Conditions,
    OxygenPoint,
    StatedValues,
)
from warmhold.bench.trials import TRIALS, Bench, as_plain, possible, run_trials, worst
from warmhold.model import load_case, shipped_path

THERMOMETER = Instrument("no. 1 of the demo", 0.1, None, 2.0, 0.05)
METER = Instrument("no. 2 of the demo", None, 1.0, 2.0, 0.5)
INSTRUMENTS = {
    **{f"air_{p}c": THERMOMETER for p in ("", "b_", "c_", "d_", "e_")},
    "reference_c": THERMOMETER,
    "battery_w": METER,
    "battery_v": METER,
    "battery_a": METER,
}
LEVEL = Entered(conditions=Conditions(mattress="level"))
TRANSPORT = find_set("transport-2020")
UNIT = load_case(shipped_path("trips", "winter-road")).unit


def bench(log, **changes) -> Bench:
    given = {"limits": TRANSPORT, "instruments": INSTRUMENTS, "entered": LEVEL, "unit": UNIT}
    return Bench(log, **{**given, **changes})


def one(bench: Bench, test: str):
    return run_trials(bench, [test])[0]


def figure(result, key: str) -> float:
    found = {j.key: j.value for j in result.judged} | {m.key: m.value for m in result.measured}
    return found[key]


# --- by hand ------------------------------------------------------------------------------------

_CHANNELS = {
    "air": "air_c", "air_b": "air_b_c", "air_c": "air_c_c", "air_d": "air_d_c", "air_e": "air_e_c",
    "shown": "air_shown_c", "set_from": "air_set_c", "skin": "skin_shown_c",
    "reference": "reference_c", "watts": "battery_w", "volts": "battery_v", "amps": "battery_a",
}  # fmt: skip


def log_by_hand(row: dict):
    given = {channel: row[key] for key, channel in _CHANNELS.items() if key in row}
    minutes = sorted({p[0] for points in given.values() for p in points})
    numbers = {}
    for channel, points in given.items():
        at, values = zip(*points, strict=True)
        read = np.full(len(minutes), np.nan)
        for minute, value in zip(at, values, strict=True):
            read[minutes.index(minute)] = value
        if channel != "air_set_c":  # a setting is a step, never a ramp
            inside = [i for i, m in enumerate(minutes) if at[0] <= m <= at[-1]]
            read[inside] = np.interp(np.array(minutes)[inside], at, values)
        numbers[channel] = read
    if "air_c" in numbers:
        numbers.setdefault("air_set_c", np.full(len(minutes), float(row.get("set", 36))))
        numbers["ambient_c"] = np.full(len(minutes), float(row.get("ambient", 23)))
        numbers["ambient_air_speed_m_s"] = np.full(len(minutes), 0.5)
    words = {}
    if "open_min" in row:
        opened, shut = row["open_min"]
        words["opening"] = tuple("port" if opened <= m < shut else "closed" for m in minutes)
    return make_log(np.array(minutes) * 60.0, numbers, words)


@pytest.mark.parametrize("row", rows("bench", "figures"))
def test_figures_worked_by_hand(row: dict) -> None:
    entered = replace_entered(LEVEL, stated=StatedValues(warm_up_min=row.get("stated_min")))
    result = one(bench(log_by_hand(row), entered=entered, gap_s=4000.0), row["test"])
    assert figure(result, row["figure"]) == pytest.approx(row["expected"], abs=row["tolerance"])


def replace_entered(entered: Entered, **changes) -> Entered:
    return entered.model_copy(update=changes)


# --- verdicts -----------------------------------------------------------------------------------


def test_a_sound_unit_passes_what_its_log_can_show() -> None:
    results = run_trials(bench(steady_log()), ["steady", "stability", "uniformity", "displayed"])
    assert [r.verdict for r in results] == ["pass"] * 4
    for result in results:
        assert "steady_range_c" in {limit.id for limit in result.unverified}
        assert result.limits == "transport-2020"


def _with(log, **numbers):
    length = len(log.seconds)
    changed = {
        key: np.full(length, value) if np.isscalar(value) else value
        for key, value in numbers.items()
    }
    return replace(log, numbers={**log.numbers, **changed})


def _without(log, *channels):
    return replace(log, numbers={k: v for k, v in log.numbers.items() if k not in channels})


@pytest.mark.parametrize(
    ("change", "verdict", "said"),
    [
        (lambda log: _with(log, ambient_c=27.0), "invalid", "air around the unit"),
        (lambda log: _with(log, ambient_air_speed_m_s=0.1), "invalid", "air speed"),
        (lambda log: _with(log, ambient_air_speed_m_s=0.3), "invalid", "air speed"),
        (lambda log: _with(log, air_set_c=35.0), "invalid", "air setting"),
        (lambda log: _without(log, "ambient_c"), "cannot tell", "air around the unit"),
        (lambda log: _without(log, "ambient_air_speed_m_s"), "cannot tell", "air speed"),
        (lambda log: _without(log, "air_set_c"), "cannot tell", "air setting"),
        (
            lambda log: _with(log, air_c=36 + 2 * np.sin(log.seconds / 600)),
            "invalid",
            "steady",
        ),
    ],
)
def test_conditions_come_before_the_figure(change, verdict: str, said: str) -> None:
    result = one(bench(change(steady_log())), "stability")
    assert result.verdict == verdict
    assert said in result.reason
    assert {j.verdict for j in result.judged} <= {verdict}


def test_an_unmet_condition_hides_a_figure_that_would_fail() -> None:
    log = _with(steady_log(), ambient_c=30.0, air_shown_c=39.0)
    assert one(bench(log), "displayed").verdict == "invalid"
    assert one(bench(_with(steady_log(), air_shown_c=39.0)), "displayed").verdict == "fail"


def test_conditions_may_be_entered_but_never_over_what_was_measured() -> None:
    by_hand = Conditions(ambient_air_speed_m_s=(0.4, 0.6), ambient_c=(22.0, 24.0))
    log = steady_log()
    bare = _without(log, "ambient_air_speed_m_s", "ambient_c")
    assert one(bench(bare, entered=Entered(conditions=by_hand)), "stability").verdict == "pass"
    hot = _with(log, ambient_c=28.0)
    assert one(bench(hot, entered=Entered(conditions=by_hand)), "stability").verdict == "invalid"


def test_an_hour_too_short_or_with_a_gap_cannot_tell() -> None:
    short = one(bench(steady_log(minutes=50)), "stability")
    assert (short.verdict, short.judged) == ("cannot tell", ())
    assert "50 min" in short.reason
    log = steady_log(minutes=70)
    values = log.numbers["air_c"].copy()
    values[30:36] = np.nan
    gap = one(bench(_with(log, air_c=values)), "stability")
    assert gap.verdict == "cannot tell"
    assert "gap of 7.0 min" in gap.reason
    values = log.numbers["air_c"].copy()
    values[30] = np.nan  # one reading lost is let pass
    assert one(bench(_with(log, air_c=values)), "stability").verdict == "pass"


def test_a_reading_that_cannot_be_is_never_dropped_in_silence() -> None:
    log = steady_log()
    values = log.numbers["air_c"].copy()
    values[20] = 850.0
    result = one(bench(_with(log, air_c=values)), "stability")
    assert result.verdict == "cannot tell"
    assert "850" in result.reason


def test_the_window_is_the_last_hour_and_can_be_set() -> None:
    """Rough in the first hour, calm in the second: no choosing of the calm one unasked."""
    log = steady_log(minutes=120, air=lambda at: np.where(at < 3600, 1.4 * np.sin(at / 300), 0) + 0)
    log = _with(log, air_c=36 + np.where(log.seconds < 3590, np.sin(log.seconds / 300), 0.0))
    assert one(bench(log), "steady").verdict == "pass"
    assert one(bench(log, to_min=70.0), "steady").verdict == "invalid"


def test_without_a_certificate_there_is_no_verdict_where_it_matters() -> None:
    bare = bench(steady_log(), instruments={})
    displayed = one(bare, "displayed")
    assert displayed.verdict == "cannot tell"
    assert "certificate" in displayed.reason
    assert displayed.judged[0].value == pytest.approx(0.3, abs=0.02)
    assert one(bare, "stability").verdict == "pass"  # calibration cancels
    assert one(replace(bare, rule="simple"), "displayed").verdict == "cannot tell"


def test_guarded_and_simple_acceptance_differ_near_the_limit() -> None:
    log = steady_log()
    log = _with(log, air_shown_c=log.numbers["air_c"] + 0.95)
    assert one(bench(log, rule="simple"), "displayed").verdict == "pass"
    near = one(bench(log, rule="guarded"), "displayed")
    assert near.verdict == "cannot tell"
    assert "nearer to the limit" in near.reason


def test_a_set_without_the_limit_gives_the_figure_and_no_verdict() -> None:
    result = one(bench(steady_log(), limits=find_set("transport-1990")), "stability")
    assert result.verdict == "cannot tell"
    assert "no limit" in result.reason
    assert result.judged[0].value is not None


def test_an_empty_set_passes_nothing() -> None:
    empty = LimitSet("empty", "Empty", "local", "", ())
    everything = Entered(
        conditions=Conditions(mattress="level"),
        oxygen=(
            OxygenPoint(reference_percent=21, shown_percent=21, reference_u=0.1, step=1),
            OxygenPoint(reference_percent=99, shown_percent=99, reference_u=0.1, step=1),
        ),
        alarm=(AlarmTried(what="fan", heard=True, seen=True, heater_off=True),),
    )
    for result in run_trials(bench(steady_log(), limits=empty, entered=everything), list(TRIALS)):
        assert result.verdict == "cannot tell", result.test


def test_an_empty_log_passes_nothing() -> None:
    log = make_log(np.arange(0, 7200, 60.0), {})
    for result in run_trials(bench(log, entered=Entered()), list(TRIALS)):
        assert result.verdict == "cannot tell", result.test
        assert result.reason
    assert possible(bench(log, entered=Entered())) == ()


def test_uniformity_needs_all_points_and_the_mattress() -> None:
    lacking = one(bench(_without(steady_log(), "air_e_c")), "uniformity")
    assert lacking.verdict == "cannot tell"
    assert "point E" in lacking.reason
    unsaid = one(bench(steady_log(), entered=Entered()), "uniformity")
    assert (unsaid.verdict, "mattress" in unsaid.reason) == ("cannot tell", True)
    tilted = Entered(conditions=Conditions(mattress="tilted"))
    assert "no limit" in one(bench(steady_log(), entered=tilted), "uniformity").reason


def test_an_open_hood_is_no_steady_condition() -> None:
    log = steady_log()
    words = tuple("port" if 20 <= i < 23 else "closed" for i in range(len(log.seconds)))
    result = one(bench(replace(log, words={"opening": words})), "stability")
    assert result.verdict == "invalid"
    assert "open in 3" in result.reason


def test_the_uncertainty_of_a_result_is_the_librarys() -> None:
    """Displayed less measured, put together anew from the certificates and display steps."""
    from uncertainties import ufloat  # noqa: PLC0415

    judged = one(bench(steady_log()), "displayed").judged[0]
    again = next(p for p in judged.budget.parts if p.name.startswith("repeatability"))
    shown = ufloat(36.3, 0.01 / 12**0.5)  # the made log says 0.01 for every channel
    air = (
        36.0
        + ufloat(0, THERMOMETER.expanded / THERMOMETER.coverage)
        + ufloat(0, THERMOMETER.drift / 3**0.5)
        + ufloat(0, 0.01 / 12**0.5)
    )
    theirs = shown - air + ufloat(0, again.standard)
    assert judged.expanded == pytest.approx(2 * theirs.std_dev, rel=1e-9)


# --- warm-up, overshoot -------------------------------------------------------------------------


def _warming(minutes: int = 60, set_c: float = 35.0, ambient: float = 23.0, tau: float = 20.0):
    at = np.arange(0, minutes * 60 + 1, 30.0)
    air = ambient + 13.0 * (1 - np.exp(-at / 60 / tau))
    length = len(at)
    return make_log(
        at,
        {
            "air_c": np.round(air, 2),
            "air_set_c": np.full(length, set_c),
            "ambient_c": np.full(length, ambient),
            "ambient_air_speed_m_s": np.full(length, 0.5),
        },
    )


def _stated(minutes: float) -> Entered:
    return Entered(stated=StatedValues(warm_up_min=minutes))


def test_warm_up_against_the_stated_time() -> None:
    exact = -20.0 * np.log(1 - 11 / 13)
    passed = one(bench(_warming(), entered=_stated(36.0)), "warm-up")
    assert passed.verdict == "pass"
    assert figure(passed, "warm_up_min") == pytest.approx(exact, abs=0.05)
    assert one(bench(_warming(), entered=_stated(25.0)), "warm-up").verdict == "fail"
    assert one(bench(_warming(), entered=Entered()), "warm-up").verdict == "cannot tell"


def test_warm_up_conditions() -> None:
    wrong_set = one(bench(_warming(set_c=37.0), entered=_stated(36)), "warm-up")
    assert (wrong_set.verdict, "setting" in wrong_set.reason) == ("invalid", True)
    log = _warming()
    warm = _with(log, air_c=log.numbers["air_c"] + 3)
    assert "cold start" in one(bench(warm, entered=_stated(36)), "warm-up").reason


def test_a_warm_up_that_never_gets_there_is_a_bound() -> None:
    log = _warming(minutes=30)
    short = one(bench(log, entered=_stated(36)), "warm-up")
    assert short.verdict == "cannot tell"
    assert short.judged[0].bound == "at least"
    late = one(bench(_warming(minutes=60, tau=40), entered=_stated(30)), "warm-up")
    assert late.verdict == "fail"


def test_switch_on_is_read_from_the_log() -> None:
    log = _warming()
    words = tuple("off" if t < 120 else "mains" for t in log.seconds)
    shifted = np.where(log.seconds < 120, 23.0, np.interp(log.seconds - 120, log.seconds,
                                                          log.numbers["air_c"]))  # fmt: skip
    log = replace(_with(log, air_c=shifted), words={"source": words})
    result = one(bench(log, entered=_stated(36)), "warm-up")
    assert figure(result, "warm_up_min") == pytest.approx(-20.0 * np.log(1 - 11 / 13), abs=0.1)
    assert "no longer off" in dict(result.facts)["switched on"]


def test_recovery_that_hangs_on_where_it_is_counted_from_cannot_tell() -> None:
    row = next(
        r.values[0] for r in rows("bench", "figures") if r.id == "recovery without leaving again"
    )
    result = one(bench(log_by_hand(row), gap_s=4000.0), "overshoot")
    said = {j.key: j.verdict for j in result.judged}
    assert said["recovery_from_step_min"] == said["recovery_from_reached_min"] == "cannot tell"
    known = tuple(
        r.model_copy(update={"counted_from": "reached"}) if r.id == "recovery_min" else r
        for r in TRANSPORT.rows
    )
    told = one(bench(log_by_hand(row), limits=replace(TRANSPORT, rows=known), gap_s=4000.0),
               "overshoot")  # fmt: skip
    assert [j.key for j in told.judged] == ["overshoot_c", "recovery_from_reached_min"]


# --- skin, oxygen, alarms -----------------------------------------------------------------------


def _bath(offset: float = 0.1, drift: float = 0.0):
    at = np.arange(0, 3600, 20.0)
    bath = np.where(at < 1500, 33.0, 37.0) + drift * at / 3600
    moving = (at >= 1500) & (at < 2100)
    bath = np.where(moving, 33 + 4 * (at - 1500) / 600, bath)
    return make_log(at, {"reference_c": bath, "skin_shown_c": np.round(bath + offset, 1)},
                    steps={"reference_c": 0.01, "skin_shown_c": 0.1})  # fmt: skip


def test_skin_sensor_at_each_level_of_the_bath() -> None:
    result = one(bench(_bath()), "skin")
    assert [j.key for j in result.judged] == ["skin_off_at_33_c", "skin_off_at_37_c"]
    assert result.verdict == "pass"
    assert one(bench(_bath(offset=0.6)), "skin").verdict == "fail"
    assert one(bench(_bath(drift=3.0)), "skin").verdict == "invalid"


def _gases(*points) -> Entered:
    return Entered(
        oxygen=tuple(
            OxygenPoint(reference_percent=r, shown_percent=s, reference_u=0.2, step=1.0)
            for r, s in points
        )
    )


def test_oxygen_at_two_points() -> None:
    log = steady_log()
    good = one(bench(log, entered=_gases((20.9, 21), (99.5, 98))), "oxygen")
    assert good.verdict == "pass"
    assert one(bench(log, entered=_gases((20.9, 27), (99.5, 98))), "oxygen").verdict == "fail"
    single = one(bench(log, entered=_gases((20.9, 21))), "oxygen")
    assert (single.verdict, "one" in single.reason or "1 of two" in single.reason) == (
        "cannot tell",
        True,
    )
    assert one(bench(log, entered=_gases((20.9, 21), (30, 30))), "oxygen").verdict == "invalid"


def test_oxygen_outside_the_range_of_a_limit_is_not_judged() -> None:
    local = find_set("legal-2014")
    result = one(bench(steady_log(), limits=local, entered=_gases((20.9, 21), (100, 99))), "oxygen")
    assert result.verdict == "cannot tell"
    assert "18 to 99" in result.reason


def _alarms(**fan) -> Entered:
    good = {"heard": True, "seen": True, "heater_off": True}
    return Entered(
        alarm=(
            AlarmTried(what="fan", **{**good, **fan}),
            AlarmTried(what="air path", **good),
            AlarmTried(what="skin sensor", **good),
            AlarmTried(what="supply", heard=True, seen=True, kept_min=12),
            AlarmTried(what="high temperature", **good, air_max_c=38.5),
        )
    )


def test_alarms_are_judged_one_by_one() -> None:
    log = steady_log()
    assert one(bench(log, entered=_alarms()), "alarms").verdict == "pass"
    failed = one(bench(log, entered=_alarms(heater_off=False)), "alarms")
    assert (failed.verdict, "not heater off" in failed.reason) == ("fail", True)
    unsaid = one(bench(log, entered=_alarms(seen=None)), "alarms")
    assert (unsaid.verdict, "not entered: seen" in unsaid.reason) == ("cannot tell", True)
    left = Entered(alarm=_alarms().alarm[:4])
    assert "not tried" in one(bench(log, entered=left), "alarms").reason


# --- battery ------------------------------------------------------------------------------------


def _run_down(minutes: float = 24, watts: float = 100.0, pack_c: float = 22.0, after: str = "off"):
    at = np.arange(0, minutes * 60 + 180, 10.0)
    on = at <= minutes * 60
    return make_log(
        at,
        {
            "battery_w": np.where(on, watts, 0.0),
            "battery_c": np.full(len(at), pack_c),
            "battery_divisions": np.where(on, 10 - 9 * at / (minutes * 60), 0),
        },
        {"source": tuple("battery" if here else after for here in on)},
    )


def test_run_down_to_the_cut_off() -> None:
    from warmhold.science.battery import rate_share, temperature_share  # noqa: PLC0415

    result = one(bench(_run_down()), "run-down")
    energy = figure(result, "battery_energy_wh")
    assert energy == pytest.approx(40.0, abs=0.3)
    new = 76 * 0.8 * temperature_share(22.0, 1.0) / rate_share(100.0, 76 / 20, 1.10)
    assert figure(result, "battery_share_percent") == pytest.approx(100 * energy / new, rel=1e-3)
    assert result.judged[0].bound == ""
    assert one(bench(_run_down(minutes=10)), "run-down").verdict == "fail"


def test_a_run_down_that_was_stopped_is_only_a_bound() -> None:
    stopped = one(bench(_run_down(minutes=10, after="mains")), "run-down")
    assert stopped.verdict == "cannot tell"
    assert stopped.judged[0].bound == "at least"
    assert "only a lower bound" in dict(stopped.facts)["how it ended"]
    long = one(bench(_run_down(minutes=30, after="mains")), "run-down")
    assert long.verdict == "pass"  # even the bound is enough


def test_a_gap_in_a_run_down_ends_it() -> None:
    log = _run_down()
    watts = log.numbers["battery_w"].copy()
    watts[60:90] = np.nan
    result = one(bench(_with(log, battery_w=watts)), "run-down")
    assert figure(result, "battery_min") < 15
    assert result.measured[0].bound == "at least"
    watts[30:61] = np.nan  # now the longer stretch is the one after the gap
    full = Entered(battery=BatteryTest(fully_charged=True))
    later = one(bench(_with(log, battery_w=watts), entered=full), "run-down")
    assert later.measured[0].bound == "at least"
    assert "a gap lies before it" in dict(later.facts)["charged at the start"]


def test_charge_time_after_a_run_down() -> None:
    at = np.arange(0, 8 * 3600, 60.0)
    hours = at / 3600
    watts = np.where(hours < 0.4, 100.0, -15.0 * np.exp(-np.maximum(0, hours - 3.4) / 0.6))
    watts[(hours >= 0.4) & (hours < 0.42)] = 0.0
    words = tuple("battery" if h < 0.4 else "off" if h < 0.42 else "mains" for h in hours)
    result = one(bench(make_log(at, {"battery_w": watts}, {"source": words})), "charge")
    assert result.conditions[0].met == "met"
    # falls below a twentieth 0.6 ln 20 = 1.8 h after 3.4 h
    assert figure(result, "charge_h") == pytest.approx(3.4 + 0.6 * np.log(20) - 0.42, abs=0.04)
    assert result.verdict == "pass"
    cut = one(bench(make_log(at[:200], {"battery_w": watts[:200]},
                             {"source": words[:200]})), "charge")  # fmt: skip
    assert (cut.verdict, cut.judged[0].bound) == ("cannot tell", "at least")
    unknown = one(bench(make_log(at[30:], {"battery_w": watts[30:]})), "charge")
    assert (unknown.verdict, unknown.conditions[0].met) == ("cannot tell", "unknown")
    by_hand = Entered(battery=BatteryTest(ended="cut-off"))
    told = one(bench(make_log(at[30:], {"battery_w": watts[30:]}), entered=by_hand), "charge")
    assert told.verdict == "pass"


def test_a_charge_that_was_broken_off_is_no_end() -> None:
    at = np.arange(0, 4 * 3600, 60.0)
    hours = at / 3600
    off = np.where(hours < 0.4, 100.0, -15.0)
    words = tuple("battery" if h < 0.4 else "mains" for h in hours)
    entered = Entered(battery=BatteryTest(ended="cut-off"))
    drawn = np.where(hours > 2, 30.0, off)
    unplugged = np.where(hours > 2, 0.0, off)
    gone = tuple("off" if h > 2 else w for h, w in zip(hours, words, strict=True))
    for watts, source in ((drawn, words), (unplugged, gone), (unplugged, ())):
        log = make_log(at, {"battery_w": watts}, {"source": source} if source else {})
        result = one(bench(log, entered=entered), "charge")
        assert result.verdict == "cannot tell"
        assert result.judged[0].bound == "at least"
        assert "lower bound" in dict(result.facts)["end"]


def test_a_battery_too_cold_for_the_model_is_not_judged() -> None:
    result = one(bench(_run_down(pack_c=-25.0)), "run-down")
    assert result.verdict == "cannot tell"
    assert "is known from" in result.reason


def test_a_quarter_without_a_certificate_cannot_hide_behind_the_furthest() -> None:
    lacking = {key: value for key, value in INSTRUMENTS.items() if key != "air_e_c"}
    result = one(bench(steady_log(), instruments=lacking), "uniformity")
    assert result.verdict == "cannot tell"
    assert "air_e_c" in result.reason
    assert result.judged[0].verdict == "pass"


# --- as plain data ------------------------------------------------------------------------------


def test_results_are_plain_numbers_and_words() -> None:
    results = run_trials(bench(steady_log()), list(TRIALS))
    plain = as_plain(results)
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    first = next(one for one in plain["results"] if one["test"] == "displayed")
    assert first["verdict"] == "pass"
    assert first["figures"][0]["limit"]["status"] == "memory"
    assert first["figures"][0]["expanded_uncertainty"] > 0
    assert first["limits"]["kind"] == "transport"
    assert first["log_sha256"] == "0" * 64
    assert all(one["cautions"] for one in plain["results"])


def test_the_worst_of_several() -> None:
    assert worst(["pass", "cannot tell"]) == "cannot tell"
    assert worst(["pass", "fail", "invalid"]) == "fail"
    assert worst([]) == "cannot tell"


def test_a_test_that_is_none_is_refused() -> None:
    with pytest.raises(KeyError):
        run_trials(bench(steady_log()), ["stabilty"])
