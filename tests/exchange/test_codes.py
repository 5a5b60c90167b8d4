"""Codes of what is measured: check digits, sums, and no code for two things."""

from __future__ import annotations

from pathlib import Path

import pytest

from reference_rows import rows
from warmhold.exchange import codes
from warmhold.model.fault import FaultyInput
from warmhold.record import NUMBERS, WORDS

SHIPPED = codes.FILE.read_text("utf-8")


def _faults(tmp_path: Path, text: str) -> str:
    path = tmp_path / "codes.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(FaultyInput) as caught:
        codes.load(path)
    assert all(fault.file == str(path) for fault in caught.value.faults)
    return str(caught.value)


@pytest.mark.parametrize("row", rows("codes", "loinc_check_digit"))
def test_check_digits_of_printed_loinc_codes(row) -> None:
    assert codes.loinc_digit(row["number"]) == row["expected"]
    assert codes.is_loinc(f"{row['number']}-{row['expected']}")
    wrong = [digit for digit in range(10) if codes.is_loinc(f"{row['number']}-{digit}")]
    assert wrong == [row["expected"]]


@pytest.mark.parametrize("row", rows("codes", "mdc_code"))
def test_mdc_codes_as_printed_and_what_they_are_kept_as(row) -> None:
    assert codes.table().mdc[row["expected"]][0] == row["reference"]
    found = codes.by_mdc(row["expected"])
    assert (found.key if found else "") == row["quantity"]
    assert row["expected"] // 65536 == codes.METRICS


@pytest.mark.parametrize("row", rows("codes", "mdc_unit"))
def test_mdc_units(row) -> None:
    assert codes.mdc_unit(row["expected"]) == row["ucum"]
    assert row["expected"] // 65536 == codes.UNITS
    quantity = "breaths_per_min" if row["expected"] == 264928 else ""
    found = codes.unit_to_mdc(row["ucum"], quantity)
    assert found is not None
    assert found[0] == row["expected"]


def test_rectal_and_oral_are_not_core_and_skin() -> None:
    """Trap: public code takes 188420 for core and 188424 for skin; they are rectal and oral."""
    rectal = codes.by_mdc(188420)
    assert rectal is not None
    assert rectal.key == "rectal_c"
    assert codes.by_mdc(188424) is None
    assert codes.mdc_title(188424).startswith("Oral")
    assert codes.by_mdc(150368) is None  # core: the record keeps no such site
    skin = codes.by_mdc(150388)
    assert skin is not None
    assert skin.key == "skin_c"
    assert codes.codes()["skin_c"].mdc == 150388
    assert codes.by_mdc(57348) is None  # the 16-bit term alone is another standard's


def test_a_file_that_falls_into_the_trap_is_refused(tmp_path) -> None:
    text = SHIPPED.replace('mdc = "MDC_TEMP_SKIN"', 'mdc = "MDC_TEMP_RECT"')
    said = _faults(tmp_path, text)
    assert "quantity.rectal_c" in said
    assert "188420" in said
    assert "skin_c has this one" in said
    text = SHIPPED.replace("code = 150388\npartition = 2\nterm = 19316",
                           "code = 188424\npartition = 2\nterm = 57352")  # fmt: skip
    assert "MDC_TEMP_SKIN has this one" in _faults(tmp_path, text)


@pytest.mark.parametrize(
    ("was", "now", "key", "says"),
    [
        ("[loinc.3150-0]", "[loinc.3150-6]", "loinc.3150-6", "the check digit 0"),
        ("[loinc.8867-4]", "[loinc.8876-4]", "loinc.8876-4", "the check digit"),
        ("[loinc.2708-6]", "[loinc.2708]", "loinc.2708", "a hyphen and a check digit"),
        ("code = 150456", "code = 150465", "mdc.MDC_PULS_OXIM_SAT_O2.code", "= 150456"),
        ("term = 19384", "term = 19385", "mdc.MDC_PULS_OXIM_SAT_O2.code", "= 150457"),
        ("code = 262688\npartition = 4", "code = 262688\npartition = 2",
         "unit.MDC_DIM_PERCENT.partition", "4"),
        ('about = "room"', 'about = "hood"', "quantity.air_c.about", "baby, room"),
        ('ucum = "bar"', "ucum = 3", "quantity.gauge_bar.ucum", "UCUM"),
        ("[quantity.air_c]", "[quantity.air_k]", "quantity", "every quantity that the record"),
        ("[quantity.air_c]", "[quantity.air_k]", "quantity.air_k", "that the record keeps"),
        ('loinc = "60839-8"', 'loinc = "60839-9"', "quantity.skin_c.loinc", "a code of this file"),
        ('mdc = "MDC_TEMP_SKIN"', 'mdc = "MDC_SKIN"', "quantity.skin_c.mdc", "of this file"),
        ('status = "verified"\nsource = "US Core vital signs"', 'source = "US Core"',
         "loinc.8867-4.status", "verified, memory"),
        ('local = "urn:warmhold:quantity"', 'local = "x"', "system.local", "urn:warmhold:quantity"),
        ("{ factor = 0.0555075 }", "{ factor = 0 }", "quantity.glucose_mmol_l.units.mg/dL",
         "not zero"),
    ],
)  # fmt: skip
def test_a_wrong_code_is_refused_with_file_and_key(tmp_path, was, now, key, says) -> None:
    assert was in SHIPPED
    said = _faults(tmp_path, SHIPPED.replace(was, now, 1))
    lines = [line for line in said.splitlines() if f", {key}:" in line]
    assert lines, said
    assert any(says in line for line in lines), lines


def test_every_fault_of_a_file_is_told_at_once(tmp_path) -> None:
    text = SHIPPED.replace("[loinc.3150-0]", "[loinc.3150-6]").replace("term = 19384", "term = 1")
    said = _faults(tmp_path, text)
    assert "loinc.3150-6" in said
    assert "mdc.MDC_PULS_OXIM_SAT_O2" in said
    assert "quantity.oxygen_percent.loinc_in" in said
    for broken in ("", "x = [", "loinc = 3\nmdc = 4\nunit = 5\nquantity = 6\n"):
        assert _faults(tmp_path, broken)
    with pytest.raises(FaultyInput):
        codes.load(tmp_path / "none.toml")


def test_every_quantity_of_the_record_has_a_code_and_a_local_one() -> None:
    found = codes.codes()
    assert set(found) == {*NUMBERS, *WORDS, codes.GAUGE_KEY}
    for key, code in found.items():
        assert code.codings()[-1] == codes.Coding(codes.LOCAL, key, code.title, "local")
        assert bool(code.ucum) == (key not in WORDS)
        assert all(one.status != "memory" for one in code.codings())
    assert codes.code_of("gauge_bar:oxygen A") is found["gauge_bar"]
    assert codes.code_of("nothing") is None


def test_what_is_only_recalled_goes_out_on_request_alone() -> None:
    glucose = codes.codes()["glucose_mmol_l"]
    assert glucose.status == "memory"
    assert [one.system for one in glucose.codings()] == [codes.LOCAL]
    assert [one.code for one in glucose.codings(memory=True)] == ["15074-8", "glucose_mmol_l"]
    assert codes.codes()["air_c"].status == "local"
    assert codes.codes()["skin_c"].status == "verified"


def test_what_a_code_does_not_say_is_said() -> None:
    found = codes.by_mdc(150456)
    assert found is not None
    assert found.key == "saturation_pre_percent"
    assert "right hand" in found.unsaid
    foot = codes.codes()["saturation_post_percent"]
    assert foot.body_site == "foot"
    assert codes.by_loinc("59408-5") is found
    assert codes.by_loinc("8310-5") is None  # body temperature, site not told
    assert codes.by_loinc("2708-6") is None  # of a blood sample when it comes alone


@pytest.mark.parametrize(
    ("key", "value", "ucum", "expected"),
    [
        ("skin_c", 98.6, "[degF]", 37.0),  # arithmetic: (98.6 - 32) x 5/9
        ("skin_c", 37.0, "Cel", 37.0),
        ("pressure_mean_mmhg", 5.332895, "kPa", 40.0),  # 1 mmHg = 0.133322387 kPa, BIPM
        ("glucose_mmol_l", 54.0468, "mg/dL", 3.0),  # 180.156 g/mol
        ("skin_c", 37.0, "mm[Hg]", None),
        ("skin_c", 1e308, "[degF]", pytest.approx(5.5555e307, rel=1e-3)),
        ("glucose_mmol_l", 3.0, "", None),
    ],
)
def test_values_in_other_units(key, value, ucum, expected) -> None:
    found = codes.codes()[key].kept(value, ucum)
    assert found == (pytest.approx(expected, abs=1e-4) if isinstance(expected, float) else expected)
