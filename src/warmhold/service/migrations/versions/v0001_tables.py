"""The two tables: devices and their entries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "device",
        sa.Column("id", sa.Text(), primary_key=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("head_seq", sa.BigInteger(), nullable=False),
        sa.Column("head_hash", sa.Text(), nullable=False),
        sa.Column("added_utc", sa.Text(), nullable=False),
        sa.Column("acknowledged_utc", sa.Text(), nullable=False),
    )
    op.create_table(
        "entry",
        sa.Column(
            "device", sa.Text(), sa.ForeignKey("device.id", name="entry_device"), nullable=False
        ),
        sa.Column("seq", sa.BigInteger(), nullable=False, autoincrement=False),
        sa.Column("form_id", sa.Text(), nullable=False),
        sa.Column("trip", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("saved_utc", sa.Text(), nullable=False),
        sa.Column("mono_ns", sa.BigInteger(), nullable=False),
        sa.Column("boot", sa.Text(), nullable=False),
        sa.Column("stated_utc", sa.Text()),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("prior", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("device", "seq", name="entry_once"),
        sa.UniqueConstraint("device", "form_id", name="entry_form_once"),
        sa.CheckConstraint("seq > 0", name="entry_counts_from_one"),
    )
