"""Words that stay in a bundle although an account may be called like them.

One rule: without these words the inputs would be others; nothing else of an account stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

_FORMATS = """
active address agent amaranth attributes baud begin bidirectional bit bits board board_fault
bool buffer case cell cells chip chip_serial chips clear clock clock_hz comment connections
controller cycle cycles data default defect design designs direction drive dtr else end endcase
endfunction endgenerate endmodule expect expiry false file function gap_free generate generic
genvar harness hidden hide_name high initial inout input inputs instance intake
integer kind label latency level link_fault localparam lock low memories method mismatch
module modules name negedge net net-stuck netlist netnames none nor not note null offset open
organisation output outputs owner parallel parameter parameters pass pin pin_check pins port
port_directions ports posedge profile pulse pulses rack rate reason reg repeat report reset
reset_cycles run rst rts schema select sensors settle_us shift shuttle signal signals signed slot
source sources src step supply table tables ticket top toplevel true type unsigned until upto usb
vector vectors verilog virtual waived waiver window wire xnor xor
"""
FORMATS = frozenset(_FORMATS.split())
"""Key words of the files in a bundle: TOML, netlists, tables, Verilog, and of its own texts."""

_TOLD = frozenset(
    {"author", "description", "note", "notes", "owner", "reason", "source", "ticket", "title"}
)
_WORD = re.compile(r"\w[\w-]*")


def words_of(text: str) -> set[str]:
    """Return a name and the words in it."""
    return {text, *_WORD.findall(text), *re.findall(r"[^\W_]+", text)}


def words_of_settings(values: Mapping[str, Any]) -> Iterator[str]:
    """Yield every key of a TOML file, its name's words, and the values that are one word.

    Values under keys that tell of people, such as ``owner``, are not among them.
    """
    for key, value in values.items():
        yield key
        if key in _TOLD:
            continue
        items = value if isinstance(value, list) else [value]
        for item in items:
            if isinstance(item, dict):
                yield from words_of_settings(item)
            elif isinstance(item, str) and (key == "name" or _WORD.fullmatch(item)):
                yield from words_of(item)
