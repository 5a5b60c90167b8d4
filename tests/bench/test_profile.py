"""A new version of a unit file: sound, traceable, and with nothing changed but what was told."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from bench import hidden
from bench.fitted import known
from warmhold.bench.fit import Observed
from warmhold.bench.fit.foretell import foretell, held_of
from warmhold.bench.profile import (
    NothingToWrite,
    _replaced,
    new_version,
    next_path,
    write_version,
)
from warmhold.model import Quantity, Unit, check_file, load_case, parse_unit, shipped_path
from warmhold.simulate import layout as at
from warmhold.simulate.scenario import prepare, run

TODAY = "2026-03-05"


def old_text(name: str = "alder-single") -> str:
    return shipped_path("units", name).read_text("utf-8")


def fresh_unit(name: str = "alder-single", seed: int = 101) -> Unit:
    version = new_version(known(name, seed).fitted, old_text(name), f"{name}.toml", TODAY)
    return parse_unit(version.text, "new")


@pytest.mark.parametrize(
    ("old", "there", "new"),
    [
        ("fern.toml", (), "fern.v2.toml"),
        ("fern.v2.toml", (), "fern.v3.toml"),
        ("fern.toml", ("fern.v2.toml", "fern.v3.toml"), "fern.v4.toml"),
        ("fern.v2.toml", ("fern.v3.toml",), "fern.v4.toml"),
        ("fern.valley.toml", (), "fern.valley.v2.toml"),
    ],
)
def test_names_go_on_and_never_meet(
    old: str, there: tuple[str, ...], new: str, tmp_path: Path
) -> None:
    for name in there:
        (tmp_path / name).touch()
    assert next_path(tmp_path / old).name == new


def test_the_new_version_is_sound_and_the_old_one_untouched(tmp_path: Path) -> None:
    one = known()
    old = tmp_path / "fern.toml"
    old.write_text(old_text(), "utf-8")
    before = old.read_bytes()
    version = new_version(one.fitted, old_text(), old.name, TODAY)
    path = write_version(version, old)
    again = write_version(version, old)
    assert (path.name, again.name) == ("fern.v2.toml", "fern.v3.toml")
    assert old.read_bytes() == before
    assert check_file(path) == ()
    text = path.read_text("utf-8")
    for log in one.fitted.logs:
        assert log.fingerprint in text
        assert f"{log.start_utc:%Y-%m-%d}" in text


def test_only_told_values_change_and_say_so() -> None:
    one = known()
    version = new_version(one.fitted, old_text(), "alder-single.toml", TODAY)
    before, after = tomllib.loads(old_text()), tomllib.loads(version.text)
    told = {n.key for n in one.fitted.told if n.constant.in_file}
    moved = {f"{group}.{key}" for group in after if isinstance(after[group], dict)
             for key in after[group] if before[group].get(key) != after[group][key]}  # fmt: skip
    assert told <= moved
    assert moved - told <= {"battery.energy_wh", "battery.usable_fraction"}
    for key in told:
        group, name = key.split(".")
        value = after[group][name]
        assert value["provenance"] == "measured"
        assert one.logs[0].fingerprint[:8] in value["note"]
        if name in before[group]:
            assert "was" in value["note"]
    for name in ("energy_wh", "usable_fraction"):
        assert after["battery"][name]["value"] == before["battery"][name]["value"]
        assert after["battery"][name]["provenance"] == before["battery"][name]["provenance"]
    assert "# air and the light parts that move with it" in version.text


def test_health_stands_for_the_fitted_energy() -> None:
    one = known()
    battery = fresh_unit().battery
    assert battery.health is not None
    usable = (
        battery.energy_wh.value * battery.packs * battery.health.value
        * battery.usable_fraction.value
    )  # fmt: skip
    number = next(n for n in one.fitted.numbers if n.key == "battery.health")
    assert number.after.low < usable < number.after.high


def test_written_spreads_never_make_a_plan_look_better_known() -> None:
    """With every number drawn by itself, as a plan does, no figure is narrower than the fit's."""
    for seed in (101, 102):
        one = known(seed=seed)
        new = fresh_unit(seed=seed)
        found = one.fitted.estimate
        widths = []
        for constant in found.model.constants:
            if not constant.in_file:
                widths.append(0.0)
                continue
            group, name = constant.key.split(".")
            q = getattr(getattr(new, group), name)
            if q is None:
                widths.append(1.0)
            elif constant.kind == "share":
                widths.append(q.spread / constant.spread)
            else:
                widths.append(float(np.sqrt(np.log1p((q.spread / q.value) ** 2))) / constant.width)
        for matter in one.fitted.matters:
            alone = float(np.sqrt(np.sum((matter.slope * np.array(widths)) ** 2)))
            assert alone >= 0.98 * matter.spread


def test_nothing_told_writes_nothing() -> None:
    one = known()
    untold = replace(
        one.fitted, numbers=tuple(replace(n, state="not told") for n in one.fitted.numbers)
    )
    with pytest.raises(NothingToWrite):
        new_version(untold, old_text(), "x.toml", TODAY)
    with pytest.raises(NothingToWrite):
        new_version(replace(one.fitted, settled=False), old_text(), "x.toml", TODAY)


def test_a_value_that_could_not_be_placed_is_never_written_half() -> None:
    head = "gain_w_k = {"
    spread_out = old_text().replace(f"{head} value", f"{head}\n value")
    assert spread_out != old_text()
    with pytest.raises(ValueError, match=r"own line|could not be written"):
        new_version(known().fitted, spread_out, "x.toml", TODAY)


def test_braces_and_signs_in_notes_survive() -> None:
    text = '[a]\nb = { value = 1, note = "x } y \\" }" } # c }\n[d]\n'
    table = {"value": 2.0, "spread": 0.5, "provenance": "measured", "note": "n"}
    out = _replaced(text, {"a.b": table})
    assert tomllib.loads(out) == {"a": {"b": table}, "d": {}}
    assert "# c }" in out


# --- what a plan makes of it ----------------------------------------------------------------------


def planned(unit: Unit, ambient_c: float, air_set_c: float, minutes: float):  # type: ignore[no-untyped-def]
    """The plan's own warm-up from cold in a room, 150 members: minutes and air, (members, n)."""
    case = load_case(shipped_path("trips", "winter-road"))
    start = case.trip.start
    room = Quantity(value=ambient_c, spread=0.3, provenance="stated")
    start = start.model_copy(
        update={
            "ambient_c": room, "unit_stood_at_c": room, "unit_state": "cold", "power": "mains",
            "baby_in": start.now + timedelta(minutes=minutes),
        }
    )  # fmt: skip
    trip = case.trip.model_copy(update={"start": start})
    case = replace(case, trip=trip, unit=unit)
    outcome = run(
        prepare(
            case, 150, 5, air_set_c=air_set_c, warming_min=minutes, with_legs=False
        )
    )  # fmt: skip
    return outcome.run.clock_s / 60.0, outcome.state(at.AIR)


def test_a_plan_with_the_new_version_foretells_a_log_kept_back() -> None:
    """Another room and setting: the hidden unit's air lies in the plan's 90 % band, a narrower one.

    The log is the hidden unit's true air (no errors of reading, which a plan does not foretell).
    """
    inside, narrow = [], []
    perfect = hidden.Instruments(noise=0.0, draught_k=0.0, offset=0.0, step=False, gap_share=0.0)
    for seed in (101, 102):
        one = known(seed=seed)
        test = hidden.Test("kept back", 12.0, (hidden.Part(40.0, air_set_c=35.0),))
        offsets = {"unit": 0.0, "reference": 0.0, "socket": 1.0, "battery": 1.0}
        log = hidden.simulated(
            one.unit, one.values, test, np.random.default_rng(seed), perfect, offsets
        )
        room = float(log.numbers["ambient_c"].mean())
        bands = {}
        for which, unit in (("old", one.unit), ("new", fresh_unit(seed=seed))):
            minutes, air = planned(unit, room, 35.0, 40.0)
            low, high = np.quantile(air, (0.05, 0.95), axis=0)
            read = np.interp(minutes[0], log.seconds / 60.0, log.numbers["air_c"])
            rising = (minutes[0] >= 4.0) & (minutes[0] <= 40.0)
            bands[which] = (
                ((read >= low) & (read <= high))[rising].mean(), (high - low)[rising].mean(),
            )  # fmt: skip
        inside.append(bands["new"][0])
        narrow.append(bands["new"][1] / bands["old"][1])
    assert np.mean(inside) > 0.7
    assert np.mean(narrow) < 0.75


def test_bands_of_a_log_kept_back_hold_it_and_are_narrower() -> None:
    inside, narrow = [], []
    for seed in (101, 102):
        one = known(seed=seed)
        log = hidden.simulated(
            one.unit, one.values, hidden.HELD_OUT, np.random.default_rng(seed),
            hidden.Instruments(), one.offsets,
        )  # fmt: skip
        old = foretell(one.unit, Observed(log), 150)
        new = foretell(fresh_unit(seed=seed), Observed(log), 150)
        inside.append(held_of(new))
        narrow += [b.width / a.width for a, b in zip(old, new, strict=True)]
    assert np.mean(inside) > 0.8
    assert np.mean(narrow) < 0.85
