"""Alarm replay: by hand, against a slow reference and SciPy, and what must hold on any trend."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from warmhold.review.rates import poisson
from warmhold.review.replay import Setting, Trend, Trends, replay

NAN = math.nan


def minutes(*values, **kwargs):
    """One value a minute; the last one only ends the record."""
    return Trend(60.0 * np.arange(len(values)), np.array(values, float), "saturation", **kwargs)


def told(alarms):
    return [(e.side, e.start_s, e.end_s, e.cut) for e in alarms.episodes]


def lapses(alarms):
    return [(v.side, v.start_s, v.end_s, v.alarmed_after_s) for v in alarms.violations]


# --- worked by hand -------------------------------------------------------------------------------


def test_limit_alone():
    trend = minutes(95, 88, 87, 95, 99, 98, 95)
    alarms = replay(trend, Setting(low=88, high=98))
    # 88 and 98 are on their limits, and not beyond.
    assert told(alarms) == [("low", 120, 180, False), ("high", 240, 300, False)]
    assert lapses(alarms) == [("low", 120, 180, 0), ("high", 240, 300, 0)]
    assert (alarms.count, alarms.seconds, alarms.median_s) == (2, 120, 60)
    assert (alarms.read_s, alarms.unread_s) == (360, 0)
    assert (alarms.violated_s, alarms.silent_s, alarms.idle_s) == (120, 0, 0)
    assert alarms.per_hour == pytest.approx(20)
    assert alarms.median_alarmed_after_s == 0


def test_delays_and_gap():
    trend = minutes(95, 95, 85, 84, 95, 86, NAN, 85, 100, 95)
    alarms = replay(trend, Setting(low=88, high=98, delay_on_s=30, delay_off_s=10))
    assert told(alarms) == [
        ("low", 150, 250, False),  # beyond from 120, back from 240
        ("low", 330, 360, True),  # beyond from 300, not read from 360: its end is not known
        ("low", 450, 490, False),  # begins anew after the gap
        ("high", 510, 540, True),  # the record ends
    ]
    assert lapses(alarms) == [
        ("low", 120, 240, 30),
        ("low", 300, 360, 30),
        ("low", 420, 480, 30),
        ("high", 480, 540, 30),
    ]
    assert alarms.unread_s == 60
    assert alarms.read_s == 480
    assert alarms.seconds == 100 + 30 + 40 + 30
    assert alarms.violated_s == 120 + 60 + 60 + 60
    assert alarms.silent_s == 4 * 30
    assert alarms.idle_s == 10 + 10
    assert alarms.cut == 2
    assert alarms.median_s == 35  # of 30, 30, 40, 100


def test_delay_must_be_outlasted():
    one_row = minutes(95, 85, 95, 95)
    assert replay(one_row, Setting(low=88, delay_on_s=59)).count == 1
    assert replay(one_row, Setting(low=88, delay_on_s=60)).count == 0
    two_rows = minutes(95, 85, 85, 95, 95)
    assert told(replay(two_rows, Setting(low=88, delay_on_s=60))) == [("low", 120, 180, False)]
    never = replay(one_row, Setting(low=88, delay_on_s=60))
    assert lapses(never) == [("low", 60, 120, None)]
    assert never.silent_s == 60
    assert never.median_s is None
    assert never.median_alarmed_after_s is None


def test_delay_off_joins_alarms():
    trend = minutes(85, 95, 85, 95, 95, 95)
    assert told(replay(trend, Setting(low=88))) == [("low", 0, 60, False), ("low", 120, 180, False)]
    # Back for 60 s is not longer than 60 s, so it is one alarm; then back from 180 and off at 240.
    assert told(replay(trend, Setting(low=88, delay_off_s=60))) == [("low", 0, 240, False)]


def test_a_short_return_starts_the_delay_again():
    trend = minutes(85, 95, 85, 85, 95)
    assert told(replay(trend, Setting(low=88, delay_on_s=90))) == [("low", 210, 240, True)]


def test_hysteresis():
    trend = minutes(85, 89, 90, 95, 95)
    assert told(replay(trend, Setting(low=88, hysteresis=0))) == [("low", 0, 60, False)]
    assert told(replay(trend, Setting(low=88, hysteresis=2))) == [("low", 0, 120, False)]
    assert told(replay(trend, Setting(low=88, hysteresis=3))) == [("low", 0, 180, False)]
    high = minutes(101, 99, 97, 96, 95, 95)
    assert told(replay(high, Setting(high=98, hysteresis=2))) == [("high", 0, 180, False)]
    # Hysteresis ends alarms later; it does not begin them.
    assert replay(minutes(89, 89, 95), Setting(low=88, hysteresis=3)).count == 0


def test_latching_stands_to_the_end_or_the_gap():
    setting = Setting(low=88, latching=True)
    assert told(replay(minutes(95, 85, 95, 95, 95), setting)) == [("low", 60, 240, True)]
    alarms = replay(minutes(85, 95, NAN, 95, 85, 95), setting)
    assert told(alarms) == [("low", 0, 120, True), ("low", 240, 300, True)]
    assert alarms.idle_s == 60


def test_averaging_counts_each_reading_of_the_window_once():
    trend = minutes(95, 95, 80, 95, 95, 95)
    # Means of two: 95, 95, 87.5, 87.5, 95.
    alarms = replay(trend, Setting(low=88, averaging_s=120))
    assert told(alarms) == [("low", 120, 240, False)]
    assert lapses(alarms) == [("low", 120, 180, 0)]
    assert (alarms.silent_s, alarms.idle_s) == (0, 60)
    # Means of three: 95, 95, 90, 90, 90: the dip is not seen.
    assert replay(trend, Setting(low=88, averaging_s=180)).count == 0
    assert replay(trend, Setting(low=88, averaging_s=180)).silent_s == 60


def test_a_gap_ends_the_window():
    # Without the gap the mean of two at 180 s would be 90, and beyond 91.
    trend = minutes(85, 85, NAN, 95, 95, 95)
    alarms = replay(trend, Setting(low=91, averaging_s=240))
    assert told(alarms) == [("low", 0, 120, True)]
    mean = Trends.of([trend]).averaged(240.0)
    np.testing.assert_array_equal(mean, [85, 85, NAN, 95, 95, 95])


def test_missing_rows_are_a_gap():
    trend = Trend(
        np.array([0.0, 60, 120, 600, 660]), np.array([95.0, 85, 85, 85, 95]), "saturation", 90.0
    )
    alarms = replay(trend, Setting(low=88, delay_on_s=30))
    assert told(alarms) == [("low", 90, 210, True), ("low", 630, 660, True)]
    assert (alarms.read_s, alarms.unread_s) == (270, 390)
    # What a reading stands for by itself: one and a half times the median distance.
    assert minutes(95, 95, 95).stands_s == 90


def test_irregular_rows():
    seconds = np.array([0.0, 10, 13, 50, 51, 100])
    trend = Trend(seconds, np.array([95.0, 85, 86, 95, 85, 95]), "saturation", 60.0)
    alarms = replay(trend, Setting(low=88, delay_on_s=20))
    assert told(alarms) == [("low", 30, 50, False), ("low", 71, 100, True)]
    assert alarms.silent_s == 20 + 20
    # Window of 4 s: the row at 10 falls out at 50, the one at 50 is still there at 51.
    np.testing.assert_allclose(
        Trends.of([trend]).averaged(4.0), [95, 85, 85.5, 95, 90, 95], rtol=1e-15
    )


def test_low_and_high_may_stand_together():
    trend = minutes(80, 99, 95, 95)
    alarms = replay(trend, Setting(low=88, high=98, delay_off_s=90))
    assert told(alarms) == [("low", 0, 150, False), ("high", 60, 180, True)]
    assert alarms.seconds == 180  # each second once
    assert (alarms.violated_s, alarms.silent_s, alarms.idle_s) == (120, 0, 60)


def test_no_side_no_alarm():
    alarms = replay(minutes(10, 200, 95), Setting())
    assert (alarms.count, alarms.violated_s, alarms.per_hour) == (0, 0, 0)


def test_nothing_read_is_unknown_and_not_zero():
    alarms = replay(minutes(NAN, NAN, NAN), Setting(low=88))
    assert alarms.per_hour is None
    assert alarms.per_hour_interval.estimate is None
    assert (alarms.read_s, alarms.unread_s) == (0, 120)
    for trend in (minutes(85), Trend(np.array([]), np.array([]), "saturation")):
        alone = replay(trend, Setting(low=88))
        assert (alone.count, alone.per_hour, alone.unread_s) == (0, None, 0)


def test_rate_has_its_exact_interval():
    alarms = replay(minutes(*[85, 95] * 30, 95), Setting(low=88))
    assert alarms.count == 30
    # 30 events: 20.24 to 42.83, Garwood's interval as in the usual tables (memory; computed by
    # SciPy's chi-square in the tests of rates).
    interval = alarms.per_hour_interval
    assert interval == poisson(30, 1.0)
    assert interval.lower == pytest.approx(20.24, abs=0.005)
    assert interval.upper == pytest.approx(42.83, abs=0.005)


def test_trips_do_not_run_into_each_other():
    setting = Setting(low=88, averaging_s=120, delay_on_s=30, delay_off_s=90)
    one = minutes(95, 85, 85, 95, 95, trip="one")
    two = minutes(85, 95, 95, 85, 85, 95, 95, 95, trip="two")
    empty = Trend(np.array([]), np.array([]), "saturation", trip="empty")
    alarms = replay(Trends.of([one, empty, two]), setting)
    apart = [*replay(one, setting).episodes, *replay(two, setting).episodes]
    assert list(alarms.episodes) == apart
    assert [e.trip for e in alarms.episodes] == ["one", "two", "two"]
    assert alarms.unread_s == 0
    np.testing.assert_array_equal(alarms.by_trip[:, 0], [1, 0, 2])


def test_too_coarse_says_so():
    trend = minutes(95, 85, 95)
    assert replay(trend, Setting(low=88, delay_on_s=10)).too_coarse
    assert replay(trend, Setting(low=88, averaging_s=16)).too_coarse
    assert not replay(trend, Setting(low=88, averaging_s=60, delay_on_s=60)).too_coarse


def test_moments_since_1970_do_not_lose_a_second():
    trend = minutes(95, 85, 85, 95, 95)
    late = Trend(trend.seconds + 1.8e9, trend.value, "saturation")
    setting = Setting(low=88, averaging_s=60, delay_on_s=60)
    assert [(s, a - 1.8e9, b - 1.8e9, c) for s, a, b, c in told(replay(late, setting))] == [
        ("low", 120, 180, False)
    ]


@pytest.mark.parametrize(
    ("seconds", "value", "said"),
    [
        ([0, 60], [95], "one value is needed"),
        ([0, 0], [95, 95], "time does not rise at row 2"),
        ([0, 60, 30], [95, 95, 95], "time does not rise at row 3"),
        ([0, NAN], [95, 95], "needs a moment"),
        ([0, 60], [95, math.inf], "cannot be infinite"),
    ],
)
def test_refused_trends(seconds, value, said):
    with pytest.raises(ValueError, match=said):
        Trend(np.array(seconds, float), np.array(value, float), "saturation")


@pytest.mark.parametrize(
    "wrong",
    [
        {"low": NAN},
        {"low": 88, "delay_on_s": -1},
        {"low": 88, "averaging_s": math.inf},
        {"low": 95, "high": 95},
        {"low": 88, "high": 90, "hysteresis": 2},
    ],
)
def test_refused_settings(wrong):
    with pytest.raises(ValueError, match=r"setting|negative|room"):
        Setting(**wrong)


def test_refused_mixtures():
    other = Trend(np.array([0.0]), np.array([140.0]), "pulse")
    with pytest.raises(ValueError, match="one quantity"):
        Trends.of([minutes(95), other])
    with pytest.raises(ValueError, match="one quantity"):
        Trends.of([])
    seconds, value = np.array([0.0, 60, 0, 60]), np.array([95.0, 95, 95, 95])
    good = Trends.from_table(seconds, value, np.array([0, 2, 4]), "saturation", 90.0)
    assert good.trips == ("0", "1")
    for begins in ([0, 4], [0, 3, 4], [0, 2], [1, 4], [0, 3, 2, 4]):
        with pytest.raises(ValueError, match=r"begins|time does not rise"):
            Trends.from_table(seconds, value, np.array(begins), "saturation", 90.0)


# --- a slow reference: second by second, whole seconds only ---------------------------------------


def second_by_second(trend, setting):
    """The same rule on a clock that ticks every second; nothing shared with the code under test."""
    seconds, value = trend.seconds.astype(int).tolist(), trend.value.tolist()
    stands = int(trend.holds_s)
    first, last = seconds[0], seconds[-1]
    reading = {}  # second: (value, mean), only where there is a reading
    for k, (at, now) in enumerate(zip(seconds[:-1], value[:-1], strict=True)):
        if math.isnan(now):
            continue
        for second in range(at, min(seconds[k + 1], at + stands)):
            reading[second] = (k, now)
    means = {}
    for k, (at, now) in enumerate(zip(seconds, value, strict=True)):
        if math.isnan(now):
            continue
        total, rows, back = now, 1, k
        while (
            back > 0
            and not math.isnan(value[back - 1])
            and seconds[back] - seconds[back - 1] <= stands
            and seconds[back - 1] > at - setting.averaging_s
        ):
            back -= 1
            total, rows = total + value[back], rows + 1
        means[k] = total / rows

    standing = {"low": set(), "high": set()}
    violated = {"low": set(), "high": set()}
    spans = {"low": [], "high": []}
    for side, limit, sign in (("low", setting.low, 1), ("high", setting.high, -1)):
        if limit is None:
            continue
        on, beyond_for, back_for = False, 0, 0
        for second in range(first, last):
            if second not in reading:
                on, beyond_for, back_for = False, 0, 0
                continue
            k, now = reading[second]
            off_by = sign * (means[k] - limit)
            if sign * (now - limit) < -1e-9:
                violated[side].add(second)
            was = on
            if not on:
                if off_by < -1e-9:
                    on = beyond_for >= setting.delay_on_s
                    beyond_for += 1
                else:
                    beyond_for = 0
                if on:
                    back_for = 0
            elif off_by >= setting.hysteresis - 1e-9:
                on = setting.latching or back_for < setting.delay_off_s
                back_for += 1
            else:
                back_for = 0
            if was and not on:
                beyond_for = 0
            if on:
                standing[side].add(second)
                if not was:
                    spans[side].append([second, second + 1])
                else:
                    spans[side][-1][1] = second + 1
    return standing, violated, spans, len(reading), last - first


@st.composite
def trends(draw, apart=(1, 40)):
    n = draw(st.integers(2, 40))
    steps = draw(st.lists(st.integers(*apart), min_size=n, max_size=n))
    value = draw(
        st.lists(
            st.one_of(
                st.integers(84, 100), st.integers(86, 91), st.integers(94, 100), st.just(NAN)
            ),
            min_size=n,
            max_size=n,
        )
    )
    holds = float(draw(st.integers(5, 40)))
    return Trend(np.cumsum(steps).astype(float), np.array(value, float), "saturation", holds)


@st.composite
def any_setting(draw, longest=90):
    low = draw(st.one_of(st.none(), st.integers(85, 92)))
    high = draw(st.one_of(st.none(), st.integers(94, 99)))
    return Setting(
        low=low,
        high=high,
        averaging_s=float(draw(st.one_of(st.just(0), st.integers(0, longest)))),
        delay_on_s=float(draw(st.one_of(st.just(0), st.integers(0, 60)))),
        delay_off_s=float(draw(st.one_of(st.just(0), st.integers(0, 60)))),
        hysteresis=float(draw(st.sampled_from([0, 0.5, 1]))),
        latching=draw(st.booleans()),
    )


def stood(alarms):
    """For each side the whole seconds in which an alarm stood."""
    return {
        side: {
            second
            for e in alarms.episodes
            if e.side == side
            for second in range(round(e.start_s), round(e.end_s))
        }
        for side in ("low", "high")
    }


@settings(max_examples=250, deadline=None)
@given(trends(), any_setting())
def test_agrees_with_the_slow_reference(trend, setting):
    standing, violated, spans, read_s, length_s = second_by_second(trend, setting)
    alarms = replay(trend, setting)
    for side in ("low", "high"):
        found = [[e.start_s, e.end_s] for e in alarms.episodes if e.side == side]
        assert found == spans[side]
        runs = sorted(violated[side])
        assert sum(v.end_s - v.start_s for v in alarms.violations if v.side == side) == len(runs)
    both = standing["low"] | standing["high"]
    heard = sum(len(standing[side] & violated[side]) for side in standing)
    matched = (standing["low"] & violated["low"]) | (standing["high"] & violated["high"])
    all_violated = len(violated["low"]) + len(violated["high"])
    assert alarms.seconds == len(both)
    assert alarms.violated_s == all_violated
    assert alarms.silent_s == all_violated - heard
    assert alarms.idle_s == len(both - matched)
    assert (alarms.read_s, alarms.unread_s) == (read_s, length_s - read_s)
    for one in alarms.violations:
        span = range(round(one.start_s), round(one.end_s))
        after = next((s - span.start for s in span if s in standing[one.side]), None)
        assert one.alarmed_after_s == after


# --- against another library ----------------------------------------------------------------------


def test_runs_and_means_agree_with_scipy():
    rng = np.random.default_rng(20)
    value = np.round(rng.normal(91, 3, 5000), 1)
    trend = minutes(*value, 95.0)
    alarms = replay(trend, Setting(low=88))
    _, runs = ndimage.label(value < 88)
    assert alarms.count == runs > 100
    mean = Trends.of([trend]).averaged(300.0)
    # Five readings, the newest last: SciPy's window is centred, so it is shifted by two.
    centred = ndimage.uniform_filter1d(value, 5, mode="nearest")
    np.testing.assert_allclose(mean[4:-3], centred[2:-4], atol=1e-9)


# --- what must hold on any trend ------------------------------------------------------------------
# Theorems, for each side and second by second: see each test. Not theorems, and not tested: that
# wider limits give fewer alarms (one long alarm may fall apart into several), and anything about
# longer averaging (it joins, and it drags on).


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting(), st.integers(0, 4))
def test_wider_limits_never_alarm_at_another_moment(trend, setting, wider):
    # Beyond the wider limit is beyond the narrower; back from the narrower is back from the wider.
    low = None if setting.low is None else setting.low - wider
    high = None if setting.high is None else setting.high + wider
    loose = Setting(**{**vars(setting), "low": low, "high": high})
    narrow, wide = replay(trend, setting), replay(trend, loose)
    for side in ("low", "high"):
        assert stood(wide)[side] <= stood(narrow)[side]
    assert wide.seconds <= narrow.seconds
    assert wide.violated_s <= narrow.violated_s


def test_wider_limits_may_alarm_more_often():
    trend = minutes(84, 87, 84, 87, 84, 95)
    assert replay(trend, Setting(low=88)).count == 1
    assert replay(trend, Setting(low=86)).count == 3


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting(), st.integers(0, 60))
def test_a_longer_delay_never_alarms_more_often_nor_at_another_moment(trend, setting, more):
    # Both end at the same moments, so an alarm of the shorter delay holds at most one longer.
    slow = Setting(**{**vars(setting), "delay_on_s": setting.delay_on_s + more})
    soon, late = replay(trend, setting), replay(trend, slow)
    assert late.count <= soon.count
    assert late.silent_s >= soon.silent_s
    for side in ("low", "high"):
        assert stood(late)[side] <= stood(soon)[side]


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting(), st.integers(0, 60), st.sampled_from([0, 0.5, 0.9]))
def test_ending_later_joins_alarms(trend, setting, more, further):
    # A longer delay off or a wider hysteresis keeps alarms standing: fewer, and no moment less.
    slow = Setting(
        **{
            **vars(setting),
            "delay_off_s": setting.delay_off_s + more,
            "hysteresis": setting.hysteresis + further,
        }
    )
    soon, late = replay(trend, setting), replay(trend, slow)
    assert late.count <= soon.count
    assert late.silent_s <= soon.silent_s
    for side in ("low", "high"):
        assert stood(late)[side] >= stood(soon)[side]


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting(longest=0), st.data())
def test_what_is_not_read_never_adds_an_alarm(trend, setting, data):
    lost = data.draw(st.lists(st.booleans(), min_size=len(trend.value), max_size=len(trend.value)))
    value = np.where(lost, NAN, trend.value)
    less = replay(Trend(trend.seconds, value, "saturation", trend.holds_s), setting)
    full = replay(trend, setting)
    assert less.unread_s >= full.unread_s
    for side in ("low", "high"):
        assert stood(less)[side] <= stood(full)[side]


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting())
def test_alarm_and_violation_add_up(trend, setting):
    alarms = replay(trend, setting)
    length = trend.seconds[-1] - trend.seconds[0]
    assert alarms.read_s + alarms.unread_s == length
    # What is alarmed and in violation, seen from both sides; each side on its own.
    for side in ("low", "high"):
        alone = replay(
            trend, Setting(**{**vars(setting), "high" if side == "low" else "low": None})
        )
        assert alone.seconds - alone.idle_s == alone.violated_s - alone.silent_s
        assert [e for e in alarms.episodes if e.side == side] == list(alone.episodes)
    assert alarms.violated_s == sum(v.end_s - v.start_s for v in alarms.violations)


@settings(max_examples=100, deadline=None)
@given(trends(), any_setting())
def test_mirrored_values_swap_the_sides(trend, setting):
    mirrored = Setting(
        **{
            **vars(setting),
            "low": None if setting.high is None else -setting.high,
            "high": None if setting.low is None else -setting.low,
        }
    )
    there = replay(trend, setting)
    back = replay(Trend(trend.seconds, -trend.value, "saturation", trend.holds_s), mirrored)
    swapped = {"low": "high", "high": "low"}
    assert sorted((swapped[e.side], e.start_s, e.end_s, e.cut) for e in back.episodes) == sorted(
        told(there)
    )
    assert (back.seconds, back.silent_s, back.idle_s) == (
        there.seconds,
        there.silent_s,
        there.idle_s,
    )


@settings(max_examples=100, deadline=None)
@given(trends(apart=(2, 5)), any_setting(longest=0))
def test_writing_a_reading_twice_changes_nothing(trend, setting):
    # Rows are at most as far apart as a reading stands, so a second row in between says no more.
    seconds = np.stack([trend.seconds[:-1], trend.seconds[:-1] + 1], 1).ravel()
    seconds = np.append(seconds, trend.seconds[-1])
    value = np.append(np.repeat(trend.value[:-1], 2), trend.value[-1])
    twice = replay(Trend(seconds, value, "saturation", trend.holds_s), setting)
    once = replay(trend, setting)
    assert told(twice) == told(once)
    assert lapses(twice) == lapses(once)


# --- what is known of averaging -------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 40), st.integers(0, 30), st.floats(70, 87.5))
def test_a_step_is_alarmed_after_its_share_of_the_window(averaging, delay, depth):
    """From 95 to a depth beyond 88: the mean crosses when enough of the window has gone by.

    Derived: with rows a second apart the newest of n readings weighs 1/n; the alarm stands after
    the smallest k - 1 with 95 - k (95 - depth)/n below 88, and the delay. It lies between none and
    averaging plus delay.
    """
    value = np.append(np.full(100, 95.0), np.full(200, depth))
    trend = Trend(np.arange(300.0), value, "saturation")
    alarms = replay(trend, Setting(low=88, averaging_s=averaging, delay_on_s=delay))
    after = alarms.episodes[0].start_s - 100
    needed = next(k for k in range(1, averaging + 1) if 95 - k * (95 - depth) / averaging < 88)
    assert after == pytest.approx(needed - 1 + delay)
    assert 0 <= after <= averaging + delay


def test_longer_averaging_hides_short_dips_and_draws_out_long_ones():
    """Direction only, on invented trends; none of the published counts is reached for.

    Vagedes 2013, PMID 22960097: far fewer readings below 80 % at 16 s than at 3 s (verified).
    Pediatrics 2010, PMID 20026496: 16 s misses dips below 30 s (16 against 41) and finds more
    above 300 s (40 against 20) than 2 s (verified).
    """
    rng = np.random.default_rng(7)
    value = np.full(40_000, 93.0)
    for at in rng.integers(0, 39_000, 120):
        value[at : at + rng.integers(2, 12)] = 76.0  # brief
    for at in rng.integers(0, 39_000, 12):
        for part in range(at, at + 400, 20):  # a long one, broken up by brief returns
            value[part : part + 16] = 70.0
    trend = Trend(np.arange(40_000.0), value, "saturation")
    short = replay(trend, Setting(low=80, averaging_s=3))
    long = replay(trend, Setting(low=80, averaging_s=16))
    lengths = [np.array([e.end_s - e.start_s for e in a.episodes]) for a in (short, long)]
    assert long.count < short.count / 3
    assert np.sum(lengths[1] < 30) < np.sum(lengths[0] < 30)
    assert np.sum(lengths[1] > 300) > np.sum(lengths[0] > 300)
