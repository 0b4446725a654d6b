"""Version 5: runs have a kind, so that an intake is taken for no night.

Nothing in an earlier store tells an intake from a run for certain, so all that is kept becomes
runs. An intake that was begun before can still be finished by ``harness intake``, but goes on
counting as a run.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "5"
down_revision: str | None = "4"


def upgrade() -> None:
    """Add the column, and note the version."""
    op.add_column("runs", sa.Column("kind", sa.Text, nullable=False, server_default="run"))
    op.execute("UPDATE harness_schema SET version = 5")
