"""Vector tables become patterns."""

from harness.table.pattern import Pattern, Words
from harness.table.reader import SUFFIXES, check_table, load_table

__all__ = ["SUFFIXES", "Pattern", "Words", "check_table", "load_table"]
