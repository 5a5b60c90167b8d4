"""The record of a trip: append-only, hash-chained, one writer."""
