"""Alembic runs this file; it hands over the connection, in whose transaction the steps are run."""

from __future__ import annotations

from alembic import context

from warmhold.service.tables import VERSION_TABLE, metadata


def run() -> None:
    """Run the steps that were asked for."""
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=metadata,
        version_table=VERSION_TABLE,
    )
    context.run_migrations()


if __name__ == "env_py":  # the name under which Alembic loads it
    run()
