"""Which net of a design's netlist is at which pin of the chip.

The one rule: a netlist that does not fit its design's signals is refused with every difference.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import NetlistError
from harness.netlist.lanes import Pin
from harness.netlist.model import Netlist, Port, PortDirection, nearest
from harness.shuttle import Bus, Design, Direction

_INPUTS = (Direction.INPUT, Direction.CLOCK, Direction.RESET)
_REFUSED = {PortDirection.INPUT: (Direction.OUTPUT,), PortDirection.OUTPUT: _INPUTS}


def pin_map(netlist: Netlist, design: Design) -> list[Pin]:
    """Match the design's signals with the netlist's ports, bit by bit.

    Raises NetlistError, with a line for everything that does not fit.
    """
    misfits = list(_misfits(netlist, design))
    if misfits:
        raise NetlistError("\n".join(misfits))
    return [
        Pin(pin.bit, net, port.direction)
        for port, signal in _pairs(netlist, design)
        for net, pin in zip(port.nets, reversed(signal.pins), strict=True)
    ]


def _pairs(netlist: Netlist, design: Design) -> Iterator[tuple[Port, Bus]]:
    """Ports with their signals; an output may be left open."""
    for port in netlist.ports:
        signal = design.signals_by_name.get(port.name)
        if signal is not None:
            yield port, signal


def _misfits(netlist: Netlist, design: Design) -> Iterator[str]:
    """List the differences between ports and signals."""
    signals = design.signals_by_name
    for port in netlist.ports:
        if port.name not in signals and port.direction is not PortDirection.OUTPUT:
            near = nearest(port.name, signals)
            yield f"input {port.name} of the netlist is no signal in design.toml{near}"
    for port, signal in _pairs(netlist, design):
        pins, nets = len(signal.pins), len(port.nets)
        if pins != nets:
            yield f"signal {port.name} has {pins} pins, its port {nets} bits"
        if signal.direction in _REFUSED.get(port.direction, ()):
            yield f"signal {port.name} is {signal.direction}, its port is {port.direction}"
    ports = [port.name for port in netlist.ports]
    for name in signals:
        if name not in ports:
            yield f"signal {name} is no port of the netlist{nearest(name, ports)}"
