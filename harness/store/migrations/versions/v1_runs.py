"""Version 1: runs, chips, outcomes. Stores of that version were made before there were steps."""

from __future__ import annotations

revision = "1"
down_revision: str | None = None


def upgrade() -> None:
    """Nothing: a store of version 1 is stamped as such, never made by a step."""
