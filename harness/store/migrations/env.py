"""What Alembic runs first: it gets the connection that the store has opened and locked."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
