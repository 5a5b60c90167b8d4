"""The tables of a service, as they are in the newest version.

A device is one record: its id is the fingerprint of the record's first entry. Entries have the
columns of a record, bodies as the canonical JSON that was hashed, so that the chain can be checked
again where they lie.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKey,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)

VERSION_TABLE: Final = "warmhold_version"

metadata = MetaData()

device = Table(
    "device",
    metadata,
    Column("id", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("head_seq", BigInteger, nullable=False),
    Column("head_hash", Text, nullable=False),
    Column("added_utc", Text, nullable=False),
    Column("acknowledged_utc", Text, nullable=False),
)

entry = Table(
    "entry",
    metadata,
    Column("device", Text, ForeignKey("device.id", name="entry_device"), nullable=False),
    Column("seq", BigInteger, nullable=False, autoincrement=False),
    Column("form_id", Text, nullable=False),
    Column("trip", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("saved_utc", Text, nullable=False),
    Column("mono_ns", BigInteger, nullable=False),
    Column("boot", Text, nullable=False),
    Column("stated_utc", Text),
    Column("who", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("prior", Text, nullable=False),
    Column("hash", Text, nullable=False),
    PrimaryKeyConstraint("device", "seq", name="entry_once"),
    UniqueConstraint("device", "form_id", name="entry_form_once"),
    CheckConstraint("seq > 0", name="entry_counts_from_one"),
)
