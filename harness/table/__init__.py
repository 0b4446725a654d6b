"""Vector tables become patterns."""

from harness.table.pattern import Pattern, Words
from harness.table.reader import SUFFIXES, check_table, load_table
from harness.table.symbols import DRIVING, PLANES
from harness.table.workbook import SheetUnfit, look_through

__all__ = [
    "DRIVING",
    "PLANES",
    "SUFFIXES",
    "Pattern",
    "SheetUnfit",
    "Words",
    "check_table",
    "load_table",
    "look_through",
]
