"""Vector tables become patterns."""

from harness.table.excerpt import quoted_lines as quoted_lines
from harness.table.header import signal_columns as signal_columns
from harness.table.names import Names as Names
from harness.table.names import bits as bits
from harness.table.names import observed as observed
from harness.table.pattern import NO_CYCLES as NO_CYCLES
from harness.table.pattern import Cycles as Cycles
from harness.table.pattern import Pattern as Pattern
from harness.table.reader import SUFFIXES as SUFFIXES
from harness.table.reader import check_table as check_table
from harness.table.reader import load_table as load_table
from harness.table.symbols import PLANES as PLANES
from harness.table.symbols import SYMBOLS as SYMBOLS
from harness.table.symbols import TESTING as TESTING
from harness.table.symbols import Column as Column
from harness.table.symbols import Planes as Planes
from harness.table.symbols import Refusal as Refusal
from harness.table.symbols import Words as Words
from harness.table.symbols import read_cell as read_cell
from harness.table.workbook import SheetUnfit as SheetUnfit
from harness.table.workbook import look_through as look_through
