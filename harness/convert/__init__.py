"""Tables from what authors have, and tables as what other tools read; no ports and no printing."""

from harness.convert.draft import (
    Draft,
    DraftRow,
    draft_text,
    drafted,
    input_cell,
    output_cell,
)
from harness.convert.save import save_table

__all__ = [
    "Draft",
    "DraftRow",
    "draft_text",
    "drafted",
    "input_cell",
    "output_cell",
    "save_table",
]
