"""Systems and words of FHIR R4 that both the writer and the reader use.

Source of the systems: hl7.org/fhir/R4 (observation-category and data-absent-reason read in
hl7.org/fhir/R4/oxygensat.html; v3-ActCode from memory).
"""

from __future__ import annotations

from typing import Final

CATEGORY: Final = "http://terminology.hl7.org/CodeSystem/observation-category"
ABSENT: Final = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ENCOUNTER_CLASS: Final = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
OXYGEN_SATURATION: Final = "http://hl7.org/fhir/StructureDefinition/oxygensat"

# Our own, as URNs: nothing is to be fetched from them.
TRIP: Final = "urn:warmhold:trip"
FINGERPRINT: Final = "urn:warmhold:fingerprint"
PSEUDONYM: Final = "urn:warmhold:pseudonym"
ENTRY: Final = "urn:warmhold:entry"
TELLER: Final = "urn:warmhold:device"
METRIC: Final = "urn:warmhold:metric"
KIND: Final = "urn:warmhold:kind"
BABY: Final = "urn:warmhold:baby"
NOTICED: Final = "urn:warmhold:noticed"
PRIORITY: Final = "urn:warmhold:priority"

FLAGGED: Final = "Asked about and kept as entered: "
WAS: Final = "Before the correction: "
UNREAD: Final = "nothing was read"
EMPTY: Final = "an empty text was entered"
STATUSES: Final = ("final", "corrected", "entered-in-error")
KINDS: Final = ("regular", "extra", "device", "trend")
