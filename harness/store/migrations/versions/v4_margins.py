"""Version 4: margins, a table that begins empty."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "4"
down_revision: str | None = "3"


def upgrade() -> None:
    """Make the table, and note the version."""
    op.create_table(
        "margins",
        sa.Column("margin_id", sa.Text, primary_key=True),
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("measured", sa.DateTime(timezone=True), nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("chip_serial", "design", "kind")),
        sa.Column("body", sa.JSON, nullable=False),
    )
    op.create_index("ix_margins_run_id", "margins", ["run_id"])
    op.create_index("ix_margins_design", "margins", ["design"])
    op.create_index("margins_of_chip", "margins", ["chip_serial", "design", "measured"])
    op.execute("UPDATE harness_schema SET version = 4")
