"""Guards in the database itself: entries and devices are never deleted, entries never changed.

The one change that is allowed puts an entry where so far a row stood for it (lost or withheld),
with the same hash and the same entry before it. A device's head only goes on.
"""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_FILLED_IN = """OLD.kind IN ('lost', 'withheld') AND NEW.kind NOT IN ('lost', 'withheld')
    AND NEW.device = OLD.device AND NEW.seq = OLD.seq
    AND NEW.prior = OLD.prior AND NEW.hash = OLD.hash"""
_GOES_ON = "NEW.id = OLD.id AND NEW.head_seq >= OLD.head_seq"

_POSTGRESQL = (
    f"""CREATE FUNCTION warmhold_keep_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF TG_OP = 'UPDATE' THEN
    IF {_FILLED_IN} THEN
      RETURN NEW;
    END IF;
    RAISE EXCEPTION 'entries are never changed';
  END IF;
  RAISE EXCEPTION 'entries are never deleted';
END $$""",
    f"""CREATE FUNCTION warmhold_keep_device() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF TG_OP = 'UPDATE' THEN
    IF {_GOES_ON} THEN
      RETURN NEW;
    END IF;
    RAISE EXCEPTION 'the head of a device only goes on';
  END IF;
  RAISE EXCEPTION 'devices are never deleted';
END $$""",
    *(
        statement
        for table in ("entry", "device")
        for statement in (
            f"CREATE TRIGGER {table}_is_kept BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION warmhold_keep_{table}()",
            f"CREATE TRIGGER {table}_is_never_emptied BEFORE TRUNCATE ON {table} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION warmhold_keep_{table}()",
        )
    ),
)

_SQLITE = (
    f"""CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
WHEN NOT ({_FILLED_IN})
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END""",
    """CREATE TRIGGER entry_is_never_deleted BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END""",
    f"""CREATE TRIGGER device_only_goes_on BEFORE UPDATE ON device
WHEN NOT ({_GOES_ON})
BEGIN SELECT RAISE(ABORT, 'the head of a device only goes on'); END""",
    """CREATE TRIGGER device_is_never_deleted BEFORE DELETE ON device
BEGIN SELECT RAISE(ABORT, 'devices are never deleted'); END""",
)


def upgrade() -> None:
    """Set the guards."""
    here = op.get_bind().dialect.name
    for statement in _POSTGRESQL if here == "postgresql" else _SQLITE:
        op.execute(statement)
