"""Whether a virtual chip can run a design: reads its netlist and matches it with the signals.

The one rule: a design without a netlist is not an error; a netlist that cannot be used is one, and
is reported with its file before anything runs.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.errors import Finding, Findings, Location, NetlistError, netlist_advice
from harness.netlist import load_netlist, pin_map
from harness.shuttle import Design


def check_models(designs: Iterable[Design]) -> list[Finding]:
    """Read the netlists of designs that have one; hand back every finding, a line for each."""
    findings = Findings()
    for design in designs:
        if design.netlist is not None:
            _check(design, findings)
    return findings.items


def _check(design: Design, findings: Findings) -> None:
    assert design.netlist is not None
    path = design.netlist
    place, again = Location(path), netlist_advice(design.name)
    try:
        netlist = load_netlist(path, design.top)
    except NetlistError as error:
        for line in str(error).splitlines():
            told = line.removeprefix(str(place)).lstrip(":, ")
            findings.error("unreadable-netlist", place, told, again)
        return
    try:
        pin_map(netlist, design)
    except NetlistError as error:
        advice = f"correct [signals] in design.toml, or the design and {again}"
        for line in str(error).splitlines():
            findings.error("netlist-misfit", place, f'design "{design.name}": {line}', advice)
