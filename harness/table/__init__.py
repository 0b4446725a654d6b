"""Vector tables become patterns."""

from harness.table.pattern import Pattern, Words

__all__ = ["Pattern", "Words"]
