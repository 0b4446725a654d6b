"""One way in for netlists of every format: the end of the file's name says which it is.

The one rule: whatever the format, the same :class:`Netlist` comes out, or one error with
everything that is wrong.
"""

from __future__ import annotations

from pathlib import Path

from harness.door import MAX_NETLIST_BYTES, OPEN_END, read_file
from harness.errors import FileUnusable, Location, NetlistError
from harness.netlist.bench import parse_bench
from harness.netlist.cell_files import cells_file, load_cells
from harness.netlist.model import Netlist
from harness.netlist.verilog import parse_verilog
from harness.netlist.yosys_json import load_json


def load_netlist(path: Path, top: str = "") -> Netlist:
    """Read a netlist: Yosys JSON, or ``.bench``, or structural Verilog (``.v``, ``.sv``).

    ``top``: the module; if it is not given, the one that the file is named after. Raises
    NetlistError that names the file and everything found wrong.
    """
    name = top or path.stem
    if path.suffix == ".bench":
        return parse_bench(_text(path), str(Location(path)), name)
    if path.suffix in {".v", ".sv"}:
        definitions = cells_file(path)
        where = str(Location(path))
        return parse_verilog(_text(path), where, name, load_cells(definitions), definitions)
    return load_json(path, name)


def _text(path: Path) -> str:
    try:
        text = read_file(path, MAX_NETLIST_BYTES).decode("utf-8")
    except FileUnusable as error:
        raise NetlistError(f"{Location(path)}: {error.finding.message}") from error
    except UnicodeDecodeError as error:
        raise NetlistError(f"{Location(path)}: is no text in UTF-8: {error}") from error
    if text and not text.endswith("\n"):
        at = Location(path, text.count("\n") + 1)
        raise NetlistError(f"{at}: {'; '.join(OPEN_END)}")
    return text
