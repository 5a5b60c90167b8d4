"""Records of signals: EDF and WFDB, read whole by their libraries from files on this computer.

Every name that a WFDB header gives is checked to be a plain file beside it before the library sees
it, so that nothing is looked for elsewhere. What the file marks as invalid is not a number here.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import tempfile
import warnings
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from warmhold.bench.log import Floats
from warmhold.bench.reading.strict import read_bytes
from warmhold.bench.reading.table import LARGEST_LOG
from warmhold.model.fault import Fault, FaultyInput
from warmhold.model.words import plain

MOST_SIGNALS = 256
MOST_SAMPLES = 30_000_000  # of all signals together
MOST_SEGMENTS = 1000
EDF_HEAD = 256  # bytes
WFDB_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,120}", re.ASCII)
NEEDS_EDF = "reading EDF needs pyedflib: pip install 'warmhold[exchange]'"
NEEDS_WFDB = "reading WFDB needs wfdb: pip install 'warmhold[exchange]'"


@dataclass(frozen=True)
class Signal:
    """One signal.

    unit : as the file writes it; may be empty
    per_s : samples a second
    values : in the file's physical unit, shape (n,), NaN where it says that nothing was read
    ends : lowest and highest value that the file can hold; ``None`` when it does not say
    """

    name: str
    unit: str
    per_s: float
    values: Floats
    ends: tuple[float, float] | None = None

    @property
    def titled(self) -> str:
        """Name and unit, as the fingerprint and a proposal see it."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name

    @property
    def seconds(self) -> Floats:
        """When each sample was taken, since the start of the record, shape (n,) [s]."""
        return np.asarray(np.arange(len(self.values)) / self.per_s)


@dataclass(frozen=True)
class Signals:
    """A record of signals, all from one start.

    start : its clock's time, without a zone; ``None`` when it has none
    fingerprint : SHA-256 over all its files, hexadecimal
    """

    signals: tuple[Signal, ...]
    start: datetime | None
    fingerprint: str
    noticed: tuple[str, ...] = ()

    @property
    def header(self) -> tuple[str, ...]:
        """Names and units, for the fingerprint of a mapping."""
        return tuple(one.titled for one in self.signals)


def _fault(file: str, found: str, allowed: str, todo: str = "export the file anew") -> FaultyInput:
    return FaultyInput((Fault(file, None, "", found, allowed, todo),))


def _unreadable(file: str, what: str, error: Exception, folder: str = "") -> FaultyInput:
    """Say what the library said, without where the file lies."""
    said = f"{type(error).__name__}: {error}"
    why = plain(said.replace(f"{folder}{os.sep}", "") if folder else said)[:200]
    return _fault(file, f"no {what} that can be read ({why})", f"a whole {what}")


# --- EDF ----------------------------------------------------------------------------------------


def read_edf(path: Path, file: str) -> Signals:
    """Read an EDF, EDF+ or BDF file; annotations are left out.

    file : how it is called in faults

    Raises ``FaultyInput``.
    """
    try:
        import pyedflib  # noqa: PLC0415
    except ImportError as error:
        raise _fault(file, "an EDF file", NEEDS_EDF) from error
    content = read_bytes(path, LARGEST_LOG)
    _check_edf(content, file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            reader = pyedflib.EdfReader(str(path), annotations_mode=pyedflib.READ_ANNOTATIONS)
            try:
                start = reader.getStartdatetime()
                signals = tuple(_edf_signals(reader))
            finally:
                reader.close()
    except FaultyInput:
        raise
    except Exception as error:  # whatever a broken file brings the library to
        raise _unreadable(file, "EDF file", error, str(path.parent)) from error
    if not signals:
        raise _fault(file, "no signals but annotations", "at least one signal")
    return Signals(signals, start, hashlib.sha256(content).hexdigest(), tuple(_at_ends(signals)))


def _check_edf(content: bytes, file: str) -> None:
    """Refuse before the library what a file of that length cannot be."""
    if len(content) < EDF_HEAD:
        raise _fault(file, f"{len(content)} bytes", f"an EDF file of at least {EDF_HEAD}")
    try:
        count = int(content[252:256].decode("ascii"))
        head = int(content[184:192].decode("ascii"))
    except (UnicodeDecodeError, ValueError):
        raise _fault(file, "no number of signals in its head", "an EDF file") from None
    if not 1 <= count <= MOST_SIGNALS or head != EDF_HEAD * (count + 1) or head > len(content):
        found = f"{count} signals and a head of {head} bytes"
        raise _fault(file, found, f"1 to {MOST_SIGNALS} signals, each with its part of the head")
    try:
        records = int(content[236:244].decode("ascii"))
        at = EDF_HEAD + 216 * count  # where the samples of each signal in a record are counted
        each = [int(content[at + 8 * i : at + 8 * i + 8].decode("ascii")) for i in range(count)]
    except (UnicodeDecodeError, ValueError):
        raise _fault(file, "no number of records or samples in its head", "an EDF file") from None
    wide = 3 if content[:1] == b"\xff" else 2  # bytes of a sample: BDF begins with that byte
    needed = head + records * sum(each) * wide
    if records < 1 or min(each) < 1 or needed != len(content):
        raise _fault(
            file, f"{len(content)} bytes, and a head that tells of {records} records, {needed} "
            "bytes in all", "a file as long as its head says",
            "it was cut off or is still being written: export it again",
        )  # fmt: skip


def _edf_signals(reader: Any) -> Iterator[Signal]:
    duration = float(reader.datarecord_duration)
    if not duration > 0:
        raise ValueError("its records have no length")
    total = 0
    for at in range(reader.signals_in_file):
        values = np.asarray(reader.readSignal(at), dtype=np.float64)
        total += len(values)
        if total > MOST_SAMPLES:
            raise ValueError(f"more than {MOST_SAMPLES} samples")
        low, high = reader.getPhysicalMinimum(at), reader.getPhysicalMaximum(at)
        yield Signal(
            reader.getLabel(at).strip(), reader.getPhysicalDimension(at).strip(),
            reader.samples_in_datarecord(at) / duration, values, (min(low, high), max(low, high)),
        )  # fmt: skip


def _at_ends(signals: Sequence[Signal]) -> Iterator[str]:
    for one in signals:
        if one.ends is None:
            continue
        for end in one.ends:
            count = int(np.sum(np.isclose(one.values, end, rtol=0, atol=1e-9)))
            if count:
                yield (
                    f"“{one.name}”: {count} samples stand at {end:g}, an end of what the file can "
                    "hold; if that means that nothing was read, write nothing = "
                    f"[{end:g}] at its channel"
                )


# --- WFDB ---------------------------------------------------------------------------------------


def read_wfdb(path: Path, file: str) -> Signals:
    """Read a WFDB record by its header, from this folder alone.

    path : the .hea file

    Raises ``FaultyInput``.
    """
    found: dict[str, bytes] = {}
    head = read_bytes(path, LARGEST_LOG)
    for name in _files_of(path.stem, head, path.parent, file):
        found[name] = head if name == path.name else read_bytes(path.parent / name, LARGEST_LOG)
        if sum(map(len, found.values())) > LARGEST_LOG:
            raise _fault(file, "larger files", f"up to {LARGEST_LOG // 1_000_000} MB together")
    return _wfdb_of(path.stem, found, file)


def read_wfdb_zip(content: bytes, file: str) -> Signals:
    """Read a WFDB record out of a zip file that holds its header and all of its files.

    Raises ``FaultyInput``.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            members = [one for one in packed.infolist() if not one.is_dir()]
            if len(members) > MOST_SEGMENTS:
                raise _fault(file, f"{len(members)} files", f"up to {MOST_SEGMENTS}")
            if sum(one.file_size for one in members) > LARGEST_LOG:
                allowed = f"up to {LARGEST_LOG // 1_000_000} MB once unpacked"
                raise _fault(file, "larger files inside", allowed)
            files = {one.filename.rpartition("/")[2]: packed.read(one) for one in members}
    except FaultyInput:
        raise
    except Exception as error:  # zipfile and its decompressors raise many kinds
        raise _unreadable(file, "zip file", error) from error
    heads = [name for name in files if name.endswith(".hea") and WFDB_NAME.fullmatch(name)]
    parts = {one for name in heads for one in _segment_names(files[name])}
    masters = [name for name in heads if name.removesuffix(".hea") not in parts]
    if len(masters) != 1:
        listed = plain(", ".join(sorted(masters)))[:200] or "none"
        raise _fault(file, f"{len(masters)} headers of a record: {listed}", "one .hea file",
                     "zip one record with all of its files")  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="warmhold-") as name:
        folder = Path(name)
        for one, inside in files.items():
            if WFDB_NAME.fullmatch(one):
                (folder / one).write_bytes(inside)
        stem = masters[0].removesuffix(".hea")
        named = _files_of(stem, files[masters[0]], folder, file)
        return _wfdb_of(stem, {one: files[one] for one in named}, file)


def _segment_names(head: bytes) -> list[str]:
    if not _has_segments(head):
        return []
    return [line.split()[0] for line in _lines(head)[1:] if line.split()[0] != "~"]


def _has_segments(head: bytes) -> bool:
    """Whether a record is made of others: its name is followed by their number."""
    try:
        lines = _lines(head)
    except ValueError:
        return False
    return bool(lines) and "/" in lines[0].split()[0]


def _lines(head: bytes) -> list[str]:
    """Return the lines of a header that are no remarks."""
    text = head.decode("utf-8")
    if "\0" in text:
        raise ValueError("zero bytes")
    lines = [line.strip() for line in text.splitlines()]
    return [line for line in lines if line and not line.startswith("#")]


def _files_of(stem: str, head: bytes, folder: Path, file: str) -> list[str]:
    """Return the names of all files of a record, each checked to be a plain one beside it."""
    if not WFDB_NAME.fullmatch(stem):
        raise _fault(file, f"a record called {plain(stem)[:60]}", "letters, digits, - and _",
                     "give the files a plain name, in their header too")  # fmt: skip
    try:
        lines = _lines(head)
        first = lines[0].split()
        record, _, segments = first[0].partition("/")
        count = int(first[1])
    except (ValueError, IndexError):
        found = "no line that names the record and its number of signals"
        raise _fault(file, found, "a WFDB header") from None
    if record != stem:
        raise _fault(file, f"the header of {plain(record)[:60]}", f"the header of {plain(stem)}",
                     "keep the record's own name")  # fmt: skip
    if not 1 <= count <= MOST_SIGNALS:
        raise _fault(file, f"{count} signals", f"1 to {MOST_SIGNALS}")
    names = [f"{stem}.hea"]
    if segments:
        if len(lines) - 1 > MOST_SEGMENTS:
            raise _fault(file, f"{len(lines) - 1} segments", f"up to {MOST_SEGMENTS}")
        for name in dict.fromkeys(line.split()[0] for line in lines[1:]):
            if name == "~":
                continue
            inner = _plain_file(f"{name}.hea", folder, file)
            head = read_bytes(folder / inner, LARGEST_LOG)
            if _has_segments(head):
                raise _fault(file, "segments made of segments", "one level of segments")
            names += _files_of_segment(inner, head, folder, file)
        return names
    return names + [
        _plain_file(name, folder, file)
        for name in dict.fromkeys(line.split()[0] for line in lines[1 : count + 1])
    ]


def _files_of_segment(inner: str, head: bytes, folder: Path, file: str) -> list[str]:
    try:
        lines = _lines(head)
        count = int(lines[0].split()[1])
    except (ValueError, IndexError):
        raise _fault(file, f"a segment {plain(inner)} without its first line", "a header") from None
    if count > MOST_SIGNALS:
        raise _fault(file, f"{count} signals", f"1 to {MOST_SIGNALS}")
    named = dict.fromkeys(line.split()[0] for line in lines[1 : count + 1])
    return [inner, *(_plain_file(name, folder, file) for name in named if name != "~")]


def _plain_file(name: str, folder: Path, file: str) -> str:
    if not WFDB_NAME.fullmatch(name):
        raise _fault(file, f"a file called {plain(name)[:60]}", "a plain name beside the header",
                     "nothing is read from elsewhere: put the files into one folder")  # fmt: skip
    if not (folder / name).is_file():
        raise _fault(file, f"no file {plain(name)} beside the header", "all files of the record",
                     "put them into one folder, or into one zip file")  # fmt: skip
    return name


def _wfdb_of(stem: str, files: dict[str, bytes], file: str) -> Signals:
    """Read a record from a folder that holds its files and nothing else."""
    try:
        with warnings.catch_warnings():  # of pandas, while it is imported
            warnings.simplefilter("ignore")
            import wfdb  # type: ignore[import-untyped]  # noqa: PLC0415
    except ImportError as error:
        raise _fault(file, "a WFDB record", NEEDS_WFDB) from error
    with tempfile.TemporaryDirectory(prefix="warmhold-") as name:
        for one, content in files.items():
            (Path(name) / one).write_bytes(content)
        where = str(Path(name) / stem)
        try:
            with warnings.catch_warnings(), np.errstate(all="ignore"):
                warnings.simplefilter("ignore")
                header = wfdb.rdheader(where, rd_segments=True)
                _check_wfdb(header, files)
                parts = _parts_of(header, stem)
                for part in parts:
                    inner = str(Path(name) / part)
                    _check_sums(wfdb.rdrecord(inner, physical=False, smooth_frames=False))
                record = wfdb.rdrecord(where, smooth_frames=parts != [stem], return_res=64)
        except FaultyInput:
            raise
        except Exception as error:  # whatever a broken file brings the library to
            raise _unreadable(file, "WFDB record", error, name) from error
    digest = hashlib.sha256()
    for one in sorted(files):
        digest.update(f"{one}\n{len(files[one])}\n".encode() + files[one])
    try:
        signals, start = tuple(_wfdb_signals(record)), _start_of(record)
    except (TypeError, ValueError, OverflowError, AttributeError) as error:
        raise _unreadable(file, "WFDB record", error) from error
    return Signals(signals, start, digest.hexdigest())


def _check_wfdb(header: Any, files: dict[str, bytes]) -> None:
    """Refuse before its signals are read what the files cannot hold."""
    length = header.sig_len or 0
    inner = getattr(header, "segments", None) or [header]
    per = max((max(one.samps_per_frame or [1]) for one in inner if one is not None), default=1)
    if not 0 <= length * (header.n_sig or 0) * per <= MOST_SAMPLES:
        raise ValueError(f"{header.n_sig} signals of {length} samples; up to {MOST_SAMPLES}")
    if not (header.fs and 0 < header.fs <= 1e6):
        raise ValueError(f"{header.fs} samples a second")
    if getattr(header, "segments", None) is None:
        bits = 8 * sum(len(content) for name, content in files.items() if name[-4:] != ".hea")
        if length * len(header.fmt or ()) > bits:
            raise ValueError("more samples in the header than the files can hold")


def _parts_of(header: Any, stem: str) -> list[str]:
    """Return the records that hold samples: the segments, or the record itself."""
    segments = getattr(header, "segments", None)
    if segments is None:
        return [stem]
    for one in segments:
        if one is not None and any(number != 1 for number in one.samps_per_frame or ()):
            raise ValueError("segments with several samples in a frame")
    lengths = zip(header.seg_name, header.seg_len, strict=True)
    return list(dict.fromkeys(name for name, length in lengths if name != "~" and length))


def _check_sums(record: Any) -> None:
    """Refuse samples that are not those that the header was written for."""
    sums, columns = record.checksum, record.e_d_signal
    for at, values in enumerate(columns):
        said = sums[at] if sums else None
        if said is not None and (int(np.sum(values, dtype=np.int64)) - int(said)) % 65536:
            raise ValueError(f"the samples of signal {at + 1} do not add up to its check sum")


def _wfdb_signals(record: Any) -> Iterator[Signal]:
    columns = record.e_p_signal
    if columns is None and record.p_signal is not None:
        columns = list(record.p_signal.T)
    if columns is None:
        raise ValueError("it has no signals")
    total = 0
    for at, values in enumerate(columns):
        per_frame = len(values) / record.sig_len if record.sig_len else 1.0
        total += len(values)
        if total > MOST_SAMPLES:
            raise ValueError(f"more than {MOST_SAMPLES} samples")
        unit = record.units[at] if record.units else ""
        yield Signal(
            str(record.sig_name[at] or "").strip(), str(unit or "").strip(),
            float(record.fs) * per_frame, np.where(np.isfinite(values), values, np.nan),
        )  # fmt: skip


def _start_of(record: Any) -> datetime | None:
    if record.base_date is None or record.base_time is None:
        return None
    clock = record.base_time
    return datetime.combine(record.base_date, datetime.min.time()) + timedelta(
        hours=clock.hour, minutes=clock.minute, seconds=clock.second, microseconds=clock.microsecond
    )
