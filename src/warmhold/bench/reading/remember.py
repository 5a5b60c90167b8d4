"""Find the mapping of a file again, by the fingerprint of its header line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from warmhold.bench.reading.mapping import DELIMITERS, fingerprint
from warmhold.bench.reading.strict import read_bytes, read_source
from warmhold.bench.reading.table import LARGEST_LOG, decoded, part
from warmhold.model.fault import FaultyInput

MOST_FILES = 500


def find_mappings(log: Path, folder: Path) -> tuple[Path, ...]:
    """Return the mapping files of a folder whose fingerprint is that of the log's header.

    A mapping with faults is found too, so that its faults are told and not passed over.

    Raises ``FaultyInput`` when the log cannot be read.
    """
    content = read_bytes(log, LARGEST_LOG)
    return mappings_that_fit(lambda raw: header_by(raw, content, str(log)), folder)


def mappings_that_fit(
    header_of: Callable[[Mapping[str, Any]], Sequence[str] | None], folder: Path
) -> tuple[Path, ...]:
    """Return the mapping files of a folder that were made for the header of a file.

    header_of : reads the file's header as a mapping says; ``None`` when that cannot be
    """
    found = []
    for path in sorted(folder.glob("*.toml"))[:MOST_FILES]:
        try:
            raw = read_source(path).raw
        except FaultyInput:
            continue
        wanted = raw.get("fingerprint")
        if not isinstance(wanted, str):
            continue
        header = header_of(raw)
        if header is not None and fingerprint(header) == wanted:
            found.append(path)
    return tuple(found)


def header_by(raw: Mapping[str, Any], content: bytes, file: str) -> Sequence[str] | None:
    """Read the header of a text file as a mapping says; ``None`` when that cannot be."""
    row = raw.get("header_row", 1)
    delimiter = DELIMITERS.get(str(raw.get("delimiter")))
    if delimiter is None or not isinstance(row, int) or row < 1:
        return None
    try:
        text = decoded(content, str(raw.get("encoding", "utf-8")), file)
        return part(_top(text, row), delimiter, row, file)[0]
    except (FaultyInput, LookupError):
        return None


def _top(text: str, rows: int) -> str:
    return "".join(text[:200_000].splitlines(keepends=True)[: rows + 1])
