"""Verilog to simple gates, through Yosys.

The one rule: the same sources give the same bytes, on every host and in every run. So nothing
that Yosys invents (serial numbers of cells, folders of files, its own version) reaches the text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.errors import NetlistError
from harness.netlist.made_from import SOURCES, source_sums
from harness.netlist.source import Source, obstacles, read_source
from harness.netlist.yosys import Progress, Step, module_name, quiet, run_yosys

FLOPS = ("$_DFF_P_ x", "$_DFF_N_ x", "$_DFF_P??_ x", "$_DFF_N??_ x", "$_DFFSR_PPP_ x")
LATCHES = ("$_DLATCH_P_ x", "$_DLATCHSR_PPP_ x")
GATES = "AND,NAND,OR,NOR,XOR,XNOR"


def synthesise(
    verilog: Sequence[Path], top: str, progress: Progress = quiet, within: Path | None = None
) -> str:
    """Synthesise the module ``top`` of these Verilog files into the text of a Yosys JSON file.

    The result is flat: two-input gates and inverters, flops of six kinds (and latches where the
    source has them), ``$_TBUF_`` at pins that can float. Memories become flops and gates.
    Power-up values (``initial``) are dropped, as silicon drops them; a ROM keeps its contents.

    Sources may name files in ``within`` or below, by default in their own folders. Raises
    NetlistError for a module or file that cannot be used, with every module that no file defines,
    and with the synthesiser's own words when it refuses the source.
    """
    if not verilog:
        raise NetlistError(f"no Verilog files are given for {top}; list them in design.toml")
    what = f"synthesise {top} in {verilog[0].parent}"
    made_from = source_sums(verilog)  # before they are read: what is saved meanwhile has changed
    try:
        document = run_yosys(verilog, _steps(module_name(top)), what, progress, within)
        text = compact(document, top, made_from)
    except NetlistError as error:
        if not any(words in str(error) for words in _OBSTACLES):
            raise
        _refuse(read_source(verilog, top, progress, within))
        raise
    if _RELEASED.search(text):
        _refuse(read_source(verilog, top, progress, within))
    return text


def simple_gates(sources: Sequence[Path], top: str, within: Path | None = None) -> str:
    """Bring a module to simple gates and one kind of flop; the text of a Yosys JSON file.

    ``sources``: Verilog files, or one netlist as Yosys writes it. Asynchronous sets and resets
    become synchronous ones, so a chip of these gates may answer otherwise. Raises NetlistError as
    ``synthesise`` does.
    """
    commands = (
        f"hierarchy -check -top {module_name(top)}",
        f"synth -flatten -top {module_name(top)}",
        "async2sync",
        "dfflegalize -cell $_DFF_P_ x",
        f"abc -g {GATES}",
        "opt_clean -purge",
    )
    what = f"bring {top} in {sources[0].parent} to simple gates"
    steps = (Step("building simple gates", commands),)
    made_from = source_sums(sources)
    return compact(run_yosys(sources, steps, what, quiet, within), top, made_from)


_RELEASED = re.compile(r'[\[ ]"z"[,\]]')
"""A bit that nothing drives."""

_OBSTACLES = ("is not part of the design", "has no driver")
"""Words of Yosys about what :func:`harness.netlist.source.obstacles` explains."""


def _refuse(source: Source) -> None:
    """Raise NetlistError if there is anything that no synthesis can build."""
    why = list(obstacles(source))
    if why:
        raise NetlistError("\n".join(why))


def _steps(top: str) -> Sequence[Step]:
    """Give the commands for Yosys, in order."""
    flat = ("proc", "flatten -noscopeinfo", "check -assert")
    tidy = (*flat, "tribuf -logic", "opt_expr", "opt_clean")
    # The contents of a ROM are used up here; what is left are power-up values.
    lowered = ("memory", "attrmap -remove init", "opt", "techmap", "opt")
    flops = "dfflegalize " + " ".join(f"-cell {cell}" for cell in FLOPS + LATCHES)
    return (
        Step("putting modules together", (f"hierarchy -check -top {top}", *tidy)),
        Step("building gates", (*lowered, flops)),
        Step("simplifying", ("opt_merge", "simplemap", f"abc -g {GATES}", "opt_clean")),
        Step("checking", ("check -assert",)),
    )


def compact(document: Mapping[str, Any], top: str, made_from: Mapping[str, str]) -> str:
    """Rewrite a Yosys JSON document: one line a cell, own serial numbers, public names only.

    ``made_from`` are the digests of its sources, which it says first.
    """
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
        name: _signal(net, bits) | _declared(net)
        for name, net in sorted(module["netnames"].items())
        if not net.get("hide_name", 0)
    }
    sections = {"ports": ports, "cells": cells, "netnames": names}
    body = ",\n".join(_section(name, entries) for name, entries in sections.items())
    sources = _section(SOURCES, made_from)
    return f'{{{sources},\n"modules": {{{json.dumps(top)}: {{\n{body}\n}}}}}}\n'


def _signal(entry: Mapping[str, Any], bits: _Renumber) -> dict[str, Any]:
    """Keep a signal's bits, and how its source counts them where that is not from 0 upwards."""
    return {"bits": bits(entry["bits"])} | {
        key: entry[key] for key in ("offset", "upto") if entry.get(key)
    }


def _declared(entry: Mapping[str, Any]) -> dict[str, str]:
    """Say in which file and line a signal is declared; the folder may differ between hosts."""
    found = _PLACE.match(entry.get("attributes", {}).get("src", ""))
    return {"src": f"{found[1]}:{found[2]}"} if found else {}


_PLACE = re.compile(r"(?:[^|]*/)?([^/|]+):(\d+)\.")


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
