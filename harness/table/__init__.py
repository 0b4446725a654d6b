"""Vector tables become patterns."""

from harness.table.header import signal_columns
from harness.table.names import Names, bits, observed
from harness.table.pattern import Pattern
from harness.table.reader import SUFFIXES, check_table, load_table
from harness.table.symbols import (
    PLANES,
    TESTING,
    Column,
    Planes,
    Refusal,
    Words,
    read_cell,
)
from harness.table.workbook import SheetUnfit, look_through

__all__ = [
    "PLANES",
    "SUFFIXES",
    "TESTING",
    "Column",
    "Names",
    "Pattern",
    "Planes",
    "Refusal",
    "SheetUnfit",
    "Words",
    "bits",
    "check_table",
    "load_table",
    "look_through",
    "observed",
    "read_cell",
    "signal_columns",
]
