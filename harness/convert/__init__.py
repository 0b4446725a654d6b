"""Tables from what authors have, and tables as what other tools read; no ports and no printing."""

from harness.convert.conditions import conditions
from harness.convert.draft import (
    Draft,
    DraftRow,
    drafted,
    input_cell,
    output_cell,
    pattern_lines,
)
from harness.convert.dump_explain import (
    Waits,
    cures,
    disagreements,
    notices,
    remarks,
    verdict_on_cures,
)
from harness.convert.dump_import import Recipe, Sampled, sampled, structure
from harness.convert.dump_map import PinMap, Wanted, map_pins
from harness.convert.dump_reach import Edge
from harness.convert.dump_read import Dump, open_dump
from harness.convert.dump_sample import Sample
from harness.convert.dump_table import joined
from harness.convert.expand import expand
from harness.convert.generate import Coverage, generate
from harness.convert.jesd3_pins import (
    jesd3_remarks,
    named_pins,
    numbered_pins,
    pin_lines,
    pin_numbers,
)
from harness.convert.jesd3_read import MAX_JESD3_BYTES, Jesd3File, read_jesd3
from harness.convert.jesd3_table import jesd3_pattern
from harness.convert.jesd3_write import jesd3_bytes
from harness.convert.model import FILE, load_model
from harness.convert.ports import Proposal, propose
from harness.convert.save import save_table, write_file
from harness.convert.start import (
    SHUTTLE_TEXT,
    board_text,
    new_files,
    wrapper_text,
)
from harness.convert.stil import stil_lines
from harness.convert.stimulus import Stimulus
from harness.convert.testbench import Bench, make_testbench, timing
from harness.convert.traffic import Exchange, exchanges
from harness.convert.transactions import read_transactions
from harness.convert.wave import cycles_window, rows_window

__all__ = [
    "FILE",
    "MAX_JESD3_BYTES",
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
    "timing",
    "verdict_on_cures",
    "wrapper_text",
    "write_file",
]
