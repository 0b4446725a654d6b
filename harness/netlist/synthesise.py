"""The command ``python -m harness.netlist.synthesise DESIGN.toml…`` for authors of designs.

The one rule: it writes exactly the file that a design.toml names under ``netlist``.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

from harness.door import MAX_SETTINGS_BYTES, read_file, whole_path
from harness.errors import FileUnusable, HarnessError, NetlistError
from harness.netlist.yosys import synthesise


def write_netlist(design_toml: Path) -> Path:
    """Synthesise the design that a design.toml describes and write its netlist file.

    Returns the path written. Raises NetlistError when the file lacks ``top``, ``verilog`` or
    ``netlist``, for a netlist outside of the design's folder, and when synthesis fails. Nothing is
    written on an error.
    """
    try:
        entries = tomllib.loads(read_file(design_toml, MAX_SETTINGS_BYTES).decode("utf-8"))
    except FileUnusable as error:
        raise NetlistError(str(error)) from error
    except (ValueError, RecursionError) as error:
        msg = f"{design_toml}: not TOML: {error}"
        raise NetlistError(msg) from error
    missing = [key for key in ("top", "verilog", "netlist") if not entries.get(key)]
    if missing:
        msg = f"{design_toml}: synthesis needs the keys {', '.join(missing)}"
        raise NetlistError(msg)
    folder = design_toml.parent
    target = folder / str(entries["netlist"])
    if not whole_path(target).is_relative_to(whole_path(folder)):
        msg = f"{design_toml}: {target} leads out of the design's folder; correct netlist"
        raise NetlistError(msg)
    text = synthesise([folder / name for name in entries["verilog"]], str(entries["top"]))
    try:
        target.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        msg = f"{target}: cannot be written: {error}"
        raise NetlistError(msg) from error
    return target


def main(arguments: Sequence[str]) -> int:
    """Synthesise each design.toml given; returns the exit code."""
    if not arguments:
        sys.stderr.write("usage: python -m harness.netlist.synthesise DESIGN.toml...\n")
        return 2
    failed = 0
    for argument in arguments:
        try:
            sys.stdout.write(f"{write_netlist(Path(argument))}\n")
        except HarnessError as error:
            failed = 2
            sys.stderr.write(f"{error}\n")
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
