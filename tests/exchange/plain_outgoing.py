"""A trip of nothing but the given values."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from warmhold.exchange.outgoing import Outgoing, Value


def plain_outgoing(trip: str, values: Iterable[Value]) -> Outgoing:
    return Outgoing(
        trip=trip, first="ab", head=(9, "ab" * 32), title="t", pseudonym="Heron 7", weight_g=None,
        gestation_weeks=None, unit="", offset=None, planned=datetime(2026, 1, 14, tzinfo=UTC),
        start=None, end=None, values=tuple(values), series=(), others=(),
    )  # fmt: skip
