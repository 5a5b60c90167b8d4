"""What the handover says of values that a device told."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from pypdf import PdfReader

from report.handover_sample import winter
from warmhold.report.handover import DeviceTold, Reading, handover_html, handover_pdf

AT = datetime(2026, 1, 14, 3, 5, tzinfo=UTC)
NAME = "rig <b>#2</b> $x$ *y*"


def page():
    told = Reading("skin_c", 37.9, AT, source=NAME, apart="read by hand 36.4 °C at 03:04")
    device = DeviceTold(NAME, 84, AT - timedelta(minutes=84), AT)
    return replace(winter(), latest=(told,), devices=(device,))


def test_who_told_a_value_and_who_read_another_stand_beside_it() -> None:
    html = handover_html(page())
    assert "told by rig &lt;b&gt;#2&lt;/b&gt; $x$ *y*" in html
    assert "read by hand 36.4 °C at 03:04" in html
    assert "84 sets" in html
    text = "".join(one.extract_text() for one in PdfReader(io.BytesIO(handover_pdf(page()))).pages)
    words = " ".join(text.split())
    assert "told by rig <b>#2</b> $x$ *y*" in words
    assert "84 sets" in words


def test_without_a_device_nothing_is_said_of_one() -> None:
    assert "Told by devices" not in handover_html(winter())
