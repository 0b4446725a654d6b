"""Which Verilog a netlist was made from, and whether it is still the same.

The one rule: a netlist that does not say what it was made from is never out of date.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path

from harness.door import MAX_NETLIST_BYTES, file_sum, is_file, read_file, whole_path
from harness.errors import FileUnusable

SOURCES = "sources"
"""The key beside ``modules`` in a netlist that synthesis wrote: names of files, and SHA-256."""

_ODD = (AttributeError, ValueError, RecursionError)
"""What a file that is no JSON object may lead to."""


def source_sums(verilog: Sequence[Path]) -> dict[str, str]:
    """Return the SHA-256 of each file that is there, by its path from the first one's folder.

    Raises FileUnusable for a file that cannot be read.
    """
    folder = whole_path(verilog[0]).parent
    there = (whole_path(path) for path in verilog if is_file(path))
    return {
        Path(os.path.relpath(path, folder)).as_posix(): file_sum(path, MAX_NETLIST_BYTES)
        for path in there
    }


def changed_sources(netlist: Path, verilog: Sequence[Path]) -> tuple[str, ...]:
    """Name the Verilog files that are not as they were when this netlist was made from them.

    None if the netlist, or the design, does not say which they are. Files that these include are
    not compared.
    """
    if not verilog:
        return ()
    try:
        made_from = json.loads(read_file(netlist, MAX_NETLIST_BYTES)).get(SOURCES)
        now = source_sums(verilog)
    except (FileUnusable, *_ODD):
        return ()
    if not isinstance(made_from, dict):
        return ()
    names = sorted(made_from.keys() | now.keys())
    return tuple(name for name in names if made_from.get(name) != now.get(name))
