"""Vector tables become patterns."""

from harness.table.header import signal_columns
from harness.table.names import Names, bits, observed
from harness.table.pattern import Pattern
from harness.table.reader import SUFFIXES, check_table, load_table
from harness.table.symbols import PLANES, Words
from harness.table.workbook import SheetUnfit, look_through

__all__ = [
    "PLANES",
    "SUFFIXES",
    "Names",
    "Pattern",
    "SheetUnfit",
    "Words",
    "bits",
    "check_table",
    "load_table",
    "look_through",
    "observed",
    "signal_columns",
]
