"""Version 2: accepted runs, and indices that answer history queries alone.

Names and columns are written out here and not taken from the models: a step stays what it was.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision: str | None = "1"

REPLACED = ("run_id", "chip_serial", "design", "verdict")
"""Columns of outcomes whose own index the wider ones make useless."""

INDICES = {
    "outcomes_of_chip": ("chip_serial", "design", "table_name", "started", "verdict", "run_id"),
    "outcomes_of_design": ("design", "chip_serial", "table_name", "started", "verdict", "run_id"),
    "outcomes_of_slot": (
        *("slot", "chip_serial", "design", "table_name"),
        *("started", "verdict", "run_id"),
    ),
}


def upgrade() -> None:
    """Add the columns and indices, and note the version."""
    op.add_column("runs", sa.Column("accepted", sa.DateTime(timezone=True)))
    op.add_column("runs", sa.Column("accepted_why", sa.Text, nullable=False, server_default=""))
    for column in REPLACED:
        op.drop_index(f"ix_outcomes_{column}", "outcomes")
    for name, columns in INDICES.items():
        op.create_index(name, "outcomes", list(columns))
    op.execute("UPDATE harness_schema SET version = 2")
