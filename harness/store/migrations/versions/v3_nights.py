"""Version 3: summaries per chip, design and slot instead of indices as wide as the outcomes.

The step makes the tables empty and every run unsummarised, which is a right store; the summaries
themselves are worked out after the last step, by the code that keeps them ever after.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "3"
down_revision: str | None = "2"

REPLACED = ("outcomes_of_chip", "outcomes_of_design", "outcomes_of_slot")
"""Indices that the summaries make useless."""


def upgrade() -> None:
    """Make the tables, drop the indices, and note the version."""
    op.add_column(
        "runs", sa.Column("summarised", sa.Boolean, nullable=False, server_default=sa.false())
    )
    op.create_table(
        "subjects",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("kind", "rack", "name")),
        sa.UniqueConstraint("kind", "rack", "name"),
    )
    op.create_table(
        "layouts",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("sha256", sa.Text, nullable=False, unique=True),
        sa.Column("entries", sa.Text, nullable=False),
    )
    op.create_table(
        "nights",
        sa.Column("subject", sa.Integer, sa.ForeignKey("subjects.number"), primary_key=True),
        sa.Column("run_id", sa.Text, sa.ForeignKey("runs.run_id"), primary_key=True),
        sa.Column("layout", sa.Integer, sa.ForeignKey("layouts.number"), nullable=False),
        sa.Column("verdicts", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    for name in REPLACED:
        op.drop_index(name, "outcomes")
    op.execute("UPDATE harness_schema SET version = 3")
