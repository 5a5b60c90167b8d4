"""Find the mapping of a log again, by the fingerprint of its header line."""

from __future__ import annotations

from pathlib import Path

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
    found = []
    for path in sorted(folder.glob("*.toml"))[:MOST_FILES]:
        try:
            raw = read_source(path).raw
        except FaultyInput:
            continue
        wanted, row = raw.get("fingerprint"), raw.get("header_row", 1)
        delimiter = DELIMITERS.get(str(raw.get("delimiter")))
        if not isinstance(wanted, str) or delimiter is None or not isinstance(row, int) or row < 1:
            continue
        try:
            text = decoded(content, str(raw.get("encoding", "utf-8")), str(log))
            header = part(_top(text, row), delimiter, row, str(log))[0]
        except (FaultyInput, LookupError):
            continue
        if fingerprint(header) == wanted:
            found.append(path)
    return tuple(found)


def _top(text: str, rows: int) -> str:
    return "".join(text[:200_000].splitlines(keepends=True)[: rows + 1])
