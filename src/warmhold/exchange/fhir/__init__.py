"""A trip as a FHIR R4 Bundle, and back; plain values, without a library."""

from warmhold.exchange.fhir.bundle import bundle_of, to_text
from warmhold.exchange.fhir.reading import Read, from_bundle, from_text

__all__ = ["Read", "bundle_of", "from_bundle", "from_text", "to_text"]
