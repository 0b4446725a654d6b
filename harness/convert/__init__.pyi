# What ``harness.convert`` shows, and where each name comes from.

from .choices import Edge, Sample, Stimulus
from .conditions import conditions
from .draft import (
    Draft,
    DraftRow,
    drafted,
    input_cell,
    output_cell,
    pattern_lines,
)
from .dump_explain import (
    Waits,
    cures,
    disagreements,
    notices,
    remarks,
    verdict_on_cures,
)
from .dump_import import Recipe, Sampled, sampled, structure
from .dump_map import PinMap, Wanted, map_pins
from .dump_read import Dump, open_dump
from .dump_table import joined
from .expand import expand
from .generate import Coverage, generate
from .jesd3_pins import (
    jesd3_remarks,
    named_pins,
    numbered_pins,
    pin_lines,
    pin_numbers,
)
from .jesd3_read import MAX_JESD3_BYTES, Jesd3File, read_jesd3
from .jesd3_table import jesd3_pattern
from .jesd3_write import jesd3_bytes
from .model import FILE, load_model
from .ports import Proposal, propose
from .save import save_table, table_path, write_file
from .start import (
    PLACEHOLDERS,
    SHUTTLE_TEXT,
    board_text,
    new_files,
    wrapper_text,
)
from .stil import stil_lines
from .testbench import Bench, make_testbench, timing
from .traffic import Exchange, exchanges
from .transactions import read_transactions
from .wave import cycles_window, rows_window

__all__ = [
    "FILE",
    "MAX_JESD3_BYTES",
    "PLACEHOLDERS",
    "SHUTTLE_TEXT",
    "Bench",
    "Coverage",
    "Draft",
    "DraftRow",
    "Dump",
    "Edge",
    "Exchange",
    "Jesd3File",
    "PinMap",
    "Proposal",
    "Recipe",
    "Sample",
    "Sampled",
    "Stimulus",
    "Waits",
    "Wanted",
    "board_text",
    "conditions",
    "cures",
    "cycles_window",
    "disagreements",
    "drafted",
    "exchanges",
    "expand",
    "generate",
    "input_cell",
    "jesd3_bytes",
    "jesd3_pattern",
    "jesd3_remarks",
    "joined",
    "load_model",
    "make_testbench",
    "map_pins",
    "named_pins",
    "new_files",
    "notices",
    "numbered_pins",
    "open_dump",
    "output_cell",
    "pattern_lines",
    "pin_lines",
    "pin_numbers",
    "propose",
    "read_jesd3",
    "read_transactions",
    "remarks",
    "rows_window",
    "sampled",
    "save_table",
    "stil_lines",
    "structure",
    "table_path",
    "timing",
    "verdict_on_cures",
    "wrapper_text",
    "write_file",
]
