"""What Alembic runs first: it gets the connection that the store has opened and locked."""

from __future__ import annotations

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    # the usual name may be taken by another program that shares the database
    version_table="harness_alembic_version",
)
context.run_migrations()
