"""Logs of any column names, mapped once and remembered."""

from warmhold.bench.reading.entered import Entered, load_entered, parse_entered
from warmhold.bench.reading.mapping import (
    LogMapping,
    Mapped,
    fingerprint,
    load_mapping,
    parse_mapping,
)
from warmhold.bench.reading.propose import Proposal, propose
from warmhold.bench.reading.reader import Instrument, Reading, estimated_step, read_log
from warmhold.bench.reading.remember import find_mappings

__all__ = [
    "Entered",
    "Instrument",
    "LogMapping",
    "Mapped",
    "Proposal",
    "Reading",
    "estimated_step",
    "find_mappings",
    "fingerprint",
    "load_entered",
    "load_mapping",
    "parse_entered",
    "parse_mapping",
    "propose",
    "read_log",
]
