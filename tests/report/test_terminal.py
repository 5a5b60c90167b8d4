"""The sheet as terminal text."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.cells import cell_len

from report import sample
from warmhold.report import terminal

SHEETS = [sample.winter, sample.calm, sample.blank, sample.cooled]


@pytest.mark.parametrize("make", SHEETS)
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp437"])
@pytest.mark.parametrize("width", [60, 80, 100])
def test_it_fits_its_width_and_its_encoding(make, encoding: str, width: int) -> None:
    text = terminal.text(make(), width=width, encoding=encoding)
    text.encode(encoding)
    assert max(cell_len(line) for line in text.splitlines()) <= width


def test_verdict_reason_and_answers_come_first_on_one_screen() -> None:
    text = terminal.text(sample.winter())
    screen = "\n".join(text.splitlines()[:24])
    places = [
        screen.index(word)
        for word in ("NOT YET", "runs empty", "Fails first", "Switch on", "Start at", "Carry")
    ]
    assert places == sorted(places)
    assert "Decision support, not a medical device." in screen
    assert "03:40 +01:00" in screen
    assert "35.2 °C" in screen


def test_changes_together_follow_what_to_carry() -> None:
    text = terminal.text(sample.winter())
    places = [
        text.index(word)
        for word in (
            "  Carry",
            "All together",
            "every margin that has to hold does",
            "• wrap and hat",
        )
    ]
    assert places == sorted(places)
    assert places[-1] < text.index("Before leaving")
    short = " ".join(terminal.text(sample.cooled()).split())
    assert "▼ Even with these 3 changes not every margin holds." in short
    assert "Not too warm, 83 % (needs 95 %)" in short
    assert "work the sheet out again" not in short
    assert "All together" not in terminal.text(sample.calm())


def test_a_baby_cooled_on_purpose_has_a_sentence_in_place_of_a_warm_up() -> None:
    text = terminal.text(sample.cooled())
    answers = text[text.index("Switch on") : text.index("All together")]
    assert "the unit need not be warm" in answers
    assert "no neutral temperature" in " ".join(answers.split())
    assert "unknown" not in answers
    assert "0.0 kg" not in answers


def test_assumed_stands_beside_the_figures_that_rest_on_it() -> None:
    text = terminal.text(sample.winter())
    assert "allow 60 min  assumed" in text
    assert "35.2 °C air  assumed" in text
    assert "19 min (14 to 26) assumed" in " ".join(text.split())
    assert "assumed" not in text[text.index("Carry") : text.index("All together")]
    plain = replace(sample.winter().start, assumed=())
    assert "air  assumed" not in terminal.text(replace(sample.winter(), start=plain))


def test_a_ceiling_is_written_only_where_there_is_one() -> None:
    assert "Stay below" not in terminal.text(sample.winter())
    assert "Stay below: 2300 m" in terminal.text(replace(sample.winter(), ceiling_altitude_m=2300))


def test_the_rest_follows_in_order() -> None:
    text = terminal.text(sample.winter())
    places = [
        text.index(word)
        for word in (
            "Margins:",
            "If outside power is lost",
            "Oxygen by leg",
            "Cylinders carried",
            "Alarm limits",
            "What would mend it",
            "Assumed, not known",
            "Outside what the model",
            "\nCautions",
        )
    ]
    assert places == sorted(places)


def test_states_are_words_without_colour() -> None:
    text = terminal.text(sample.winter(), encoding="ascii")
    assert "\x1b" not in text
    for word in ("falls short", "holds", "cannot tell", "cannot be set", "assumed"):
        assert word in text
    assert "not alone" in terminal.text(sample.winter(), encoding="ascii", width=120)


def test_colour_only_when_asked_for() -> None:
    assert "\x1b[" in terminal.text(sample.winter(), colour=True)


def test_the_cautions_end_it_in_full() -> None:
    joined = " ".join(terminal.text(sample.winter()).split())
    for caution in sample.winter().cautions:
        assert caution in joined


def test_brackets_in_a_name_are_text_and_escapes_are_dropped() -> None:
    text = terminal.text(replace(sample.blank(), headline="[bold]x[/bold]\x1b[31m"))
    assert "[red]trip[/red]" in text
    assert "[bold]x[/bold]" in text
    assert "\x1b" not in text


def test_a_blank_sheet_says_unknown_and_never_go() -> None:
    text = terminal.text(sample.blank())
    assert "CANNOT TELL" in text
    assert "unknown" in text
    assert " GO " not in text
    assert "nothing falls short" not in text


def test_explain_shows_how_a_margin_came_about() -> None:
    text = terminal.margin_text(sample.winter(), "battery")
    for part in ("usable energy", "86 ± 2 Wh", "manual", "61 %", "carry one spare", "recalled"):
        assert part in text


def test_explain_names_the_margins_when_the_key_is_wrong() -> None:
    with pytest.raises(terminal.UnknownMargin) as caught:
        terminal.margin_text(sample.winter(), "batery")
    assert "battery" in caught.value.known
