"""The record of a trip: append-only, hash-chained, one writer.

    with Record.open(folder) as record:
        receipt = record.append(Entry(form_id, trip, "observation", body, who, stated))
        view = views.trip_view(record.events(trip))

Nothing is changed or deleted; a correction is an entry of its own. `append` returns only when the
entry is on the disk.
"""

from warmhold.record.bodies import HAPPENINGS, KINDS, NUMBERS, WORDS, valid_body
from warmhold.record.chain import GENESIS, Event
from warmhold.record.clock import Clock, SystemClock
from warmhold.record.core import Entry, Receipt, Record, Recovery
from warmhold.record.folder import FILE
from warmhold.record.store import Verification, events_of_file, verify_file
from warmhold.record.trouble import Trouble

__all__ = [
    "FILE",
    "GENESIS",
    "HAPPENINGS",
    "KINDS",
    "NUMBERS",
    "WORDS",
    "Clock",
    "Entry",
    "Event",
    "Receipt",
    "Record",
    "Recovery",
    "SystemClock",
    "Trouble",
    "Verification",
    "events_of_file",
    "valid_body",
    "verify_file",
]
