"""Writers of trend files for the tests, apart from what reads them, and a trip to put them to."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pyedflib

from warmhold.exchange.trends.mapping import AnyMapped, parse_mapping
from warmhold.exchange.trends.reading import SORTS, file_at, read_trend
from warmhold.exchange.trends.recorded import Recorded
from warmhold.record import Event
from warmhold.record.chain import GENESIS

with warnings.catch_warnings():  # of pandas, while wfdb is imported
    warnings.simplefilter("ignore")
    import wfdb

T0 = datetime(2026, 1, 14, 3, 0, tzinfo=UTC)
Table = Mapping[str, Sequence[float | None]]

TABLE = """\
format = 1
name = "demo monitor"
delimiter = "comma"
decimal = "point"

[time]
column = "Time"
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"

[source]
name = "bedside monitor"

[[channel]]
name = "saturation_pre_percent"
column = "SpO2 [%]"
unit = "%"

[[channel]]
name = "pulse_per_min"
column = "PR [/min]"
unit = "/min"
"""
SIGNALS = """\
format = 1
name = "demo signals"

[time]
zone = "UTC"

[source]
name = "bedside monitor"

[[channel]]
name = "saturation_pre_percent"
column = "SpO2"
unit = "%"

[[channel]]
name = "pulse_per_min"
column = "PR"
unit = "/min"
"""
SAT = [97.0, 96.0, None, 95.0, 93.0, 94.0]
PULSE = [140.0, 141.0, 142.0, None, 144.0, 145.0]


def csv_text(rows: Sequence[str] = (), start: datetime = T0, step_s: float = 60) -> str:
    """A small trend as CSV, in UTC."""
    lines = ["Time,SpO2 [%],PR [/min]"]
    for row, (sat, pulse) in enumerate(zip(SAT, PULSE, strict=True)):
        at = start + timedelta(seconds=step_s * row)
        cells = ["" if one is None else f"{one:g}" for one in (sat, pulse)]
        lines.append(f"{at:%Y-%m-%d %H:%M:%S},{','.join(cells)}")
    return "\n".join([*lines, *rows]) + "\n"


def xlsx_bytes(rows: Sequence[Sequence[object]], sheet: str = "Trend", more: int = 0) -> bytes:
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.title = sheet
    for row in rows:
        first.append(list(row))
    for number in range(more):
        book.create_sheet(f"other {number}")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def write_edf(
    path: Path, signals: Sequence[tuple[str, str, float, np.ndarray]], start: datetime = T0
) -> None:
    """Write signals (name, unit, samples a second, digital values from -1000 to 1000)."""
    plus = pyedflib.FILETYPE_EDFPLUS
    with pyedflib.EdfWriter(str(path), len(signals), file_type=plus) as writer:
        for at, (name, unit, per_s, _) in enumerate(signals):
            writer.setSignalHeader(
                at,
                {
                    "label": name, "dimension": unit, "sample_frequency": per_s,
                    "physical_min": -100.0, "physical_max": 300.0, "digital_min": -1000,
                    "digital_max": 1000, "transducer": "", "prefilter": "",
                },
            )  # fmt: skip
        writer.setStartdatetime(start.replace(tzinfo=None))
        writer.writeSamples([one.astype(np.int32) for *_, one in signals], digital=True)


def edf_physical(digital: np.ndarray) -> np.ndarray:
    """What the header above makes of digital values, by the format's own rule."""
    return -100.0 + (digital.astype(np.float64) + 1000.0) * 400.0 / 2000.0


def write_wfdb(
    folder: Path, name: str, columns: Mapping[str, tuple[str, np.ndarray]], per_s: float,
    start: datetime | None = T0, gain: float = 10.0,
) -> Path:  # fmt: skip
    """Write integers divided by the gain; -32768 is what the format calls invalid."""
    values = np.column_stack([one for _, one in columns.values()]).astype(np.int64)
    with warnings.catch_warnings():  # of pandas, on behalf of wfdb
        warnings.simplefilter("ignore")
        wfdb.wrsamp(
            name, fs=per_s, units=[unit for unit, _ in columns.values()], sig_name=list(columns),
            d_signal=values, fmt=["16"] * len(columns), adc_gain=[gain] * len(columns),
            baseline=[0] * len(columns), write_dir=str(folder),
            base_datetime=None if start is None else start.replace(tzinfo=None),
        )  # fmt: skip
    return folder / f"{name}.hea"


def zipped(folder: Path, names: Sequence[str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in names:
            packed.write(folder / name, name)
    return out.getvalue()


def read(path: Path, mapping: str | None = None) -> Recorded:
    file = file_at(path)
    signals = SORTS[path.suffix] in ("edf", "wfdb", "zip")
    return read_trend(file, mapped(mapping or (SIGNALS if signals else TABLE), signals))


def mapped(text: str, of_signals: bool = False) -> AnyMapped:
    return parse_mapping(text, "map.toml", of_signals)


# --- a trip -------------------------------------------------------------------------------------


def event(seq: int, kind: str, body: Mapping[str, object], at: datetime, form: str = "") -> Event:
    return Event(
        seq, form or f"form-{seq}", "t", kind, at, seq, "b", at, "Ann", body, f"{seq:064d}", GENESIS
    )


PLAN = {
    "trip_toml": "[baby]\ncooled = false\nsaturation_target_percent = [90, 94]\n",
    "unit_toml": "x = 1", "policy_toml": "[temperature]\nlow_c = 36.5\nhigh_c = 37.5\n",
    "sheet": {},
}  # fmt: skip


def trip(minutes: float | None = 60.0, *more: Event) -> list[Event]:
    """A trip from T0; handed over after so many minutes, or under way."""
    out = [event(1, "trip-planned", PLAN, T0), event(2, "trip-started", {}, T0), *more]
    if minutes is not None:
        over = T0 + timedelta(minutes=minutes)
        body = {"to": "Dr Lund", "at": over.isoformat(), "texts": {}}
        out.append(event(900, "handover", body, over))
    return out
